//! The upper tail of the gamma distribution: how often an averaged power of noise comes out this high.
//!
//! Source: Press, Teukolsky, Vetterling, Flannery, Numerical Recipes, section 6.2 (series and continued
//! fraction); C. Lanczos, SIAM J. Numer. Anal. B 1 (1964) 86-96 (logarithm of the gamma function). Both
//! from memory, held against closed forms in the tests.

/// Terms after which the series or the continued fraction is left; with shapes up to 10⁴ fewer serve.
const MOST_TERMS: usize = 2000;
/// Relative size of a term that no longer counts.
const NEGLIGIBLE: f64 = 1e-12;

/// Natural logarithm of the gamma function for `x > 0`.
pub fn ln_gamma(x: f64) -> f64 {
    const LANCZOS: [f64; 6] = [
        76.180_091_729_471_46,
        -86.505_320_329_416_77,
        24.014_098_240_830_91,
        -1.231_739_572_450_155,
        1.208_650_973_866_179e-3,
        -5.395_239_384_953e-6,
    ];
    let shifted = x + 5.5;
    let tail = shifted - (x + 0.5) * shifted.ln();
    let terms = LANCZOS.iter().enumerate().map(|(i, c)| c / (x + 1.0 + i as f64));
    let series = 1.000_000_000_190_015 + terms.sum::<f64>();
    (2.506_628_274_631_000_5 * series / x).ln() - tail
}

/// Probability that a gamma-distributed number of shape `shape` and scale 1 exceeds `x`.
///
/// 1 where `x` is not positive; falls to 0 without error for large `x`.
pub fn upper_tail(shape: f64, x: f64) -> f64 {
    if x.is_nan() || x <= 0.0 {
        return 1.0;
    }
    let front = (shape * x.ln() - x - ln_gamma(shape)).exp();
    if x < shape + 1.0 {
        1.0 - front * lower_series(shape, x)
    } else {
        front * upper_fraction(shape, x)
    }
}

/// Natural logarithm of [`upper_tail`], also where that is too small for a number: 0 where `x` is not positive.
pub fn ln_upper_tail(shape: f64, x: f64) -> f64 {
    if x < shape + 1.0 || x.is_nan() {
        return upper_tail(shape, x).ln();
    }
    shape * x.ln() - x - ln_gamma(shape) + upper_fraction(shape, x).ln()
}

/// What a gamma-distributed number of shape `shape` (up to 10⁴) and scale 1 exceeds with a chance between 0 and 1.
pub fn upper_quantile(shape: f64, chance: f64) -> f64 {
    let ln_chance = chance.ln();
    let mut high = shape.max(1.0);
    while ln_upper_tail(shape, high) > ln_chance && high < 1e300 {
        high *= 2.0;
    }
    let mut low = 0.0;
    for _ in 0..60 {
        let middle = 0.5 * (low + high);
        if ln_upper_tail(shape, middle) > ln_chance { low = middle } else { high = middle }
    }
    0.5 * (low + high)
}

fn lower_series(shape: f64, x: f64) -> f64 {
    let (mut term, mut sum, mut a) = (1.0 / shape, 1.0 / shape, shape);
    for _ in 0..MOST_TERMS {
        a += 1.0;
        term *= x / a;
        sum += term;
        if term < sum * NEGLIGIBLE {
            break;
        }
    }
    sum
}

/// Lentz's way of evaluating the continued fraction.
fn upper_fraction(shape: f64, x: f64) -> f64 {
    const TINY: f64 = 1e-300;
    let mut b = x + 1.0 - shape;
    let mut c = 1.0 / TINY;
    let mut d = 1.0 / b;
    let mut h = d;
    for i in 1..MOST_TERMS {
        let i = i as f64;
        let a = -i * (i - shape);
        b += 2.0;
        d = 1.0 / nonzero(a * d + b, TINY);
        c = nonzero(b + a / c, TINY);
        let factor = d * c;
        h *= factor;
        if (factor - 1.0).abs() < NEGLIGIBLE {
            break;
        }
    }
    h
}

fn nonzero(value: f64, tiny: f64) -> f64 {
    if value.abs() < tiny { tiny } else { value }
}

/// Median of the mean of `looks` exponential powers of mean 1 (a gamma distribution of shape `looks`
/// divided by it): ln 2 for one look, towards 1 for many.
pub fn median_of_mean(looks: f64) -> f64 {
    let (mut low, mut high) = (0.0, 2.0);
    // fifty halvings leave nothing to find in double precision
    for _ in 0..50 {
        let middle = 0.5 * (low + high);
        if upper_tail(looks, looks * middle) > 0.5 { low = middle } else { high = middle }
    }
    0.5 * (low + high)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tails_of_whole_shapes_have_closed_forms() {
        for x in [0.1_f64, 0.9, 2.0, 7.5, 30.0] {
            assert!((upper_tail(1.0, x) / (-x).exp() - 1.0).abs() < 1e-9, "{x}");
            let three = (-x).exp() * (1.0 + x + 0.5 * x * x);
            assert!((upper_tail(3.0, x) / three - 1.0).abs() < 1e-9, "{x}");
        }
        assert_eq!(upper_tail(2.5, 0.0), 1.0);
        assert_eq!(upper_tail(20.0, 1e5), 0.0);
        for x in [-1.0, 0.3, 4.0, 30.0] {
            assert!((ln_upper_tail(3.0, x) - upper_tail(3.0, x).ln()).abs() < 1e-9, "{x}");
        }
        assert!((ln_upper_tail(1.0, 5000.0) / -5000.0 - 1.0).abs() < 1e-12);
    }

    #[test]
    fn quantiles_undo_tails() {
        for shape in [0.5, 1.0, 3.0, 40.0, 1e4] {
            for chance in [0.7, 0.01, 1e-9] {
                let back = upper_tail(shape, upper_quantile(shape, chance));
                assert!((back / chance - 1.0).abs() < 1e-6, "{shape} {chance} {back}");
            }
        }
    }

    #[test]
    fn the_gamma_function_at_known_places() {
        assert!((ln_gamma(5.0) - 24.0_f64.ln()).abs() < 1e-9);
        assert!((ln_gamma(0.5) - 0.5 * std::f64::consts::PI.ln()).abs() < 1e-9);
    }

    #[test]
    fn medians_of_few_and_many_looks() {
        assert!((median_of_mean(1.0) - std::f64::consts::LN_2).abs() < 1e-9);
        // Wilson and Hilferty's approximation (from memory) is good to 1e-4 at 50
        assert!((median_of_mean(50.0) - (1.0_f64 - 1.0 / 450.0).powi(3)).abs() < 1e-4);
    }
}
