//! Linear prediction: what a sample owes to those before it.
//!
//! Sources: N. Levinson, J. Math. Phys. 25 (1946) 261-278; J. Durbin, Rev. Int. Stat. Inst. 28 (1960)
//! 233-244; J. Makhoul, Proc. IEEE 63 (1975) 561-580 (autocorrelation method and lattice). All from memory.

use super::fft::{Complex64, forward_f64, good_length, inverse_f64};

/// Samples whose products with those after them are summed at a time.
const BLOCK: usize = 1 << 16;
/// Share of the power added to the correlation at lag 0 as if it were white noise, so that signals made of
/// tones alone, which every further order predicts better, leave the recursion stable.
const WHITE_SHARE: f64 = 1e-9;

/// Correlation of samples with themselves at lags 0 to `lags`, `Σ x[i] x[i + lag] / n`: zero outside the
/// samples, so that it belongs to a positive spectrum.
pub fn autocorrelation(samples: &[f32], lags: usize) -> Vec<f64> {
    // room for all lags, so that the circular correlation does not wrap; blocks add up before the way back
    let len = good_length(BLOCK.min(samples.len()) + 2 * lags);
    let mut products = vec![Complex64::default(); len / 2 + 1];
    let transform = |part: &[f32]| {
        let mut padded: Vec<f64> = part.iter().map(|&x| f64::from(x)).collect();
        padded.resize(len, 0.0);
        forward_f64(&mut padded)
    };
    for start in (0..samples.len()).step_by(BLOCK) {
        let end = (start + BLOCK).min(samples.len());
        let reach = (end + lags).min(samples.len());
        let (own, onward) = (transform(&samples[start..end]), transform(&samples[start..reach]));
        for ((sum, a), b) in products.iter_mut().zip(&own).zip(&onward) {
            *sum += a.conj() * b;
        }
    }
    let scale = 1.0 / (len * samples.len().max(1)) as f64;
    inverse_f64(&mut products, len).iter().take(lags + 1).map(|sum| sum * scale).collect()
}

/// Predictors of all orders up to the highest, as the recursion of Levinson and Durbin finds them.
#[derive(Debug, Clone, PartialEq)]
pub struct Predictors {
    /// Reflection coefficient that each order adds.
    pub reflections: Vec<f64>,
    /// Mean square of what is left at each order, from order 0 (the mean square itself) on.
    pub left: Vec<f64>,
}

impl Predictors {
    /// From a correlation at lags 0 to the highest order. Orders end where nothing is left to predict, so
    /// silence has none.
    pub fn of(correlation: &[f64]) -> Self {
        let power = correlation.first().copied().unwrap_or(0.0) * (1.0 + WHITE_SHARE);
        let mut found = Self { reflections: Vec::new(), left: vec![power] };
        let mut predictor: Vec<f64> = Vec::new();
        let mut left = power;
        for order in 1..correlation.len() {
            if !(left > 0.0) {
                break;
            }
            let known: f64 =
                predictor.iter().zip(1..order).map(|(a, k)| a * correlation[order - k]).sum();
            let reflection = (correlation[order] - known) / left;
            raise(&mut predictor, reflection);
            left *= 1.0 - reflection * reflection;
            found.reflections.push(reflection);
            found.left.push(left);
        }
        found
    }

    /// The highest order.
    pub fn highest(&self) -> usize {
        self.reflections.len()
    }

    /// Coefficients `a` of an order: the prediction of `x[i]` is `Σ a[k] x[i - 1 - k]`.
    pub fn coefficients(&self, order: usize) -> Vec<f64> {
        let mut predictor = Vec::with_capacity(order);
        for &reflection in self.reflections.iter().take(order) {
            raise(&mut predictor, reflection);
        }
        predictor
    }
}

/// The predictor of the next order.
fn raise(predictor: &mut Vec<f64>, reflection: f64) {
    let reversed: Vec<f64> = predictor.iter().rev().copied().collect();
    predictor.iter_mut().zip(&reversed).for_each(|(a, b)| *a -= reflection * b);
    predictor.push(reflection);
}

/// What a predictor leaves of samples: each less its prediction from those before it. Before the first sample
/// there is silence.
pub fn left_of(samples: &[f32], coefficients: &[f64]) -> Vec<f32> {
    let mut left = samples.to_vec();
    // by blocks that stay in the fast memory while all coefficients pass over them
    for start in (0..samples.len()).step_by(4096) {
        let end = (start + 4096).min(samples.len());
        for (k, &a) in coefficients.iter().enumerate() {
            let back = k + 1;
            let from = start.max(back);
            if from >= end {
                break;
            }
            let (a, before) = (a as f32, &samples[from - back..end - back]);
            left[from..end].iter_mut().zip(before).for_each(|(y, x)| *y -= a * x);
        }
    }
    left
}

/// Calls `each` with every order from 1 on and what it leaves of the samples, by the lattice of the reflection
/// coefficients: all orders for the cost of twice the highest.
pub fn each_left(samples: &[f32], predictors: &Predictors, mut each: impl FnMut(usize, &[f32])) {
    let mut forward = samples.to_vec();
    let mut backward = samples.to_vec();
    for (index, &reflection) in predictors.reflections.iter().enumerate() {
        let reflection = reflection as f32;
        let mut delayed = 0.0;
        for (f, b) in forward.iter_mut().zip(&mut backward) {
            let (ahead, behind) = (*f, delayed);
            delayed = *b;
            *f = ahead - reflection * behind;
            *b = behind - reflection * ahead;
        }
        each(index + 1, &forward);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dsp::test_noise::Random;

    /// `x[i] = 1.2 x[i-1] - 0.8 x[i-2] + noise`.
    fn of_second_order(n: usize) -> Vec<f32> {
        let mut random = Random(9);
        let (mut last, mut before) = (0.0, 0.0);
        let mut next = || {
            let value = 1.2 * last - 0.8 * before + random.next();
            (before, last) = (last, value);
            value as f32
        };
        (0..n).map(|_| next()).collect()
    }

    #[test]
    fn correlations_across_blocks_are_the_sums() {
        let samples = of_second_order(BLOCK + 777);
        let found = autocorrelation(&samples, 5);
        for (lag, found) in found.iter().enumerate() {
            let pairs = samples.iter().zip(&samples[lag..]);
            let sum: f64 = pairs.map(|(&a, &b)| f64::from(a) * f64::from(b)).sum();
            assert!((found - sum / samples.len() as f64).abs() < 1e-9, "{lag}");
        }
        assert_eq!(autocorrelation(&[], 2), vec![0.0; 3]);
    }

    #[test]
    fn a_process_of_second_order_is_found_and_undone() {
        let samples = of_second_order(200_000);
        let predictors = Predictors::of(&autocorrelation(&samples, 8));
        let found = predictors.coefficients(2);
        assert!((found[0] - 1.2).abs() < 0.01 && (found[1] + 0.8).abs() < 0.01, "{found:?}");
        // what is left is the noise: evenly spread from -1 to 1, of mean square a third
        assert!((predictors.left[2] * 3.0 - 1.0).abs() < 0.02, "{:?}", predictors.left);
        let left = left_of(&samples, &found);
        let mut random = Random(9);
        let worst = left.iter().map(|x| (f64::from(*x) - random.next()).abs()).fold(0.0, f64::max);
        assert!(worst < 0.06, "{worst}");
    }

    #[test]
    fn the_lattice_leaves_what_the_coefficients_leave() {
        let samples = of_second_order(5000);
        let predictors = Predictors::of(&autocorrelation(&samples, 6));
        let mut orders = 0;
        each_left(&samples, &predictors, |order, left| {
            let direct = left_of(&samples, &predictors.coefficients(order));
            assert!(left.iter().zip(&direct).all(|(a, b)| (a - b).abs() < 1e-5), "{order}");
            orders += 1;
        });
        assert_eq!(orders, 6);
    }

    #[test]
    fn silence_has_no_predictor_and_a_tone_a_stable_one() {
        assert_eq!(Predictors::of(&[0.0; 5]).highest(), 0);
        let tone: Vec<f32> = (0..5000).map(|i| (0.3 * i as f32).sin()).collect();
        let predictors = Predictors::of(&autocorrelation(&tone, 40));
        assert!(predictors.reflections.iter().all(|k| k.abs() < 1.0));
        assert!(predictors.left.windows(2).all(|pair| pair[1] <= pair[0] && pair[1] > 0.0));
    }
}
