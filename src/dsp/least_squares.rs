//! Small least squares: a damped Gauss-Newton search, and how sure its end is.

use nalgebra::{DMatrix, DVector};

/// Step of the numeric derivatives.
const STEP: f64 = 1e-5;

/// The end of a search.
#[derive(Debug, Clone)]
pub struct Solved {
    /// The parameters.
    pub x: Vec<f64>,
    /// The residual there.
    pub residual: Vec<f64>,
    /// Derivatives of the residual, a column for each parameter.
    pub jacobian: DMatrix<f64>,
}

/// Least sum of squares of `residual` from `x` on, each parameter within its bounds, until
/// a step lowers it by less than the share `tolerance` (K. Levenberg, 1944; D. Marquardt, 1963: from memory).
pub fn levenberg_marquardt(
    residual: &dyn Fn(&[f64]) -> Vec<f64>,
    x: Vec<f64>,
    bounds: &[(f64, f64)],
    tolerance: f64,
) -> Solved {
    let inside = |mut x: Vec<f64>| {
        for (value, (low, high)) in x.iter_mut().zip(bounds) {
            *value = value.clamp(*low, *high);
        }
        x
    };
    let square = |r: &[f64]| r.iter().map(|v| v * v).sum::<f64>();
    let mut x = inside(x);
    let mut r = residual(&x);
    let mut cost = square(&r);
    let mut damping = 1e-3;
    let mut jacobian = derivatives(residual, &x, &r, bounds);
    for _ in 0..40 {
        let mut gradient = jacobian.transpose() * DVector::from_column_slice(&r);
        let mut normal = jacobian.transpose() * &jacobian;
        hold_at_bounds(&x, bounds, &mut gradient, &mut normal);
        let mut moved = false;
        let mut least = 0.0;
        while damping < 1e8 {
            let mut damped = normal.clone();
            for i in 0..x.len() {
                damped[(i, i)] += damping * normal[(i, i)].max(1e-12);
            }
            let Some(step) = damped.lu().solve(&gradient) else { break };
            let trial = inside(x.iter().zip(step.iter()).map(|(a, b)| a - b).collect());
            let trial_r = residual(&trial);
            let trial_cost = square(&trial_r);
            if trial_cost < cost {
                least = (cost - trial_cost) / cost.max(f64::MIN_POSITIVE);
                (x, r, cost, moved) = (trial, trial_r, trial_cost, true);
                damping *= 0.2;
                break;
            }
            damping *= 5.0;
        }
        if !moved {
            break;
        }
        jacobian = derivatives(residual, &x, &r, bounds);
        if least < tolerance {
            break;
        }
    }
    Solved { x, residual: r, jacobian }
}

/// Takes parameters that stand at a bound and would go beyond it out of the step: the others go on alone.
fn hold_at_bounds(
    x: &[f64],
    bounds: &[(f64, f64)],
    gradient: &mut DVector<f64>,
    normal: &mut DMatrix<f64>,
) {
    for (j, (value, (low, high))) in x.iter().zip(bounds).enumerate() {
        let outward = (value <= low && gradient[j] > 0.0) || (value >= high && gradient[j] < 0.0);
        if outward {
            gradient[j] = 0.0;
            normal.row_mut(j).fill(0.0);
            normal.column_mut(j).fill(0.0);
            normal[(j, j)] = 1.0;
        }
    }
}

fn derivatives(
    residual: &dyn Fn(&[f64]) -> Vec<f64>,
    x: &[f64],
    here: &[f64],
    bounds: &[(f64, f64)],
) -> DMatrix<f64> {
    let mut jacobian = DMatrix::zeros(here.len(), x.len());
    for j in 0..x.len() {
        // away from the bound, where the parameter stands at one
        let step = if x[j] + STEP > bounds[j].1 { -STEP } else { STEP };
        let mut trial = x.to_vec();
        trial[j] += step;
        for (i, (b, a)) in residual(&trial).iter().zip(here).enumerate() {
            jacobian[(i, j)] = (b - a) / step;
        }
    }
    jacobian
}

/// Covariance of the parameters: the inverse of the squared derivatives, those of the first `points`
/// rows in units of the variance `scatter`, those of the rows after them (what is known beforehand)
/// in units of 1.
pub fn covariance(jacobian: &DMatrix<f64>, points: usize, scatter: f64) -> Vec<Vec<f64>> {
    let scale = |row: usize| if row < points { 1.0 / scatter.max(1e-30) } else { 1.0 };
    let n = jacobian.ncols();
    let mut normal = DMatrix::zeros(n, n);
    for row in 0..jacobian.nrows() {
        for i in 0..n {
            for j in 0..n {
                normal[(i, j)] += scale(row) * jacobian[(row, i)] * jacobian[(row, j)];
            }
        }
    }
    let inverse = normal.try_inverse();
    (0..n).map(|i| (0..n).map(|j| inverse.as_ref().map_or(1.0, |m| m[(i, j)])).collect()).collect()
}

/// Over how many neighbouring points the residual keeps its sign: `1 + 2 sum of autocorrelations`,
/// summed up to the first that is small. `step` numbers belong to each point.
pub fn correlation_length(residual: &[f64], step: usize) -> f64 {
    let step = step.max(1);
    let points = residual.len() / step;
    let power: f64 = residual.iter().map(|r| r * r).sum();
    if power <= 0.0 {
        return 1.0;
    }
    let mut length = 1.0;
    for lag in 1..points / 3 {
        let product: f64 =
            residual.iter().zip(residual.iter().skip(lag * step)).map(|(a, b)| a * b).sum();
        let correlation = product / power;
        if correlation < 0.05 {
            break;
        }
        length += 2.0 * correlation;
    }
    length
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dsp::test_noise::Random;

    /// A straight line `a + b x` through points.
    fn line<'a>(points: &'a [(f64, f64)]) -> impl Fn(&[f64]) -> Vec<f64> + 'a {
        |p: &[f64]| points.iter().map(|(x, y)| p[0] + p[1] * x - y).collect()
    }

    fn points() -> Vec<(f64, f64)> {
        let mut random = Random(3);
        (0..20).map(|i| (f64::from(i), 2.0 + 0.7 * f64::from(i) + 0.3 * random.next())).collect()
    }

    const FREE: (f64, f64) = (f64::NEG_INFINITY, f64::INFINITY);

    /// Variances and covariance of a straight line: `s²/n + s² m²/S`, `s²/S`, `-s² m/S`, with the mean m
    /// of x and S the sum of squares about it (N. R. Draper and H. Smith, Applied Regression Analysis,
    /// ch. 1: from memory).
    #[test]
    fn covariance_of_a_straight_line() {
        let points = points();
        let found = levenberg_marquardt(&line(&points), vec![0.0, 0.0], &[FREE, FREE], 1e-14);
        let n = points.len() as f64;
        let mean = points.iter().map(|(x, _)| x).sum::<f64>() / n;
        let about: f64 = points.iter().map(|(x, _)| (x - mean).powi(2)).sum();
        let slope = points.iter().map(|(x, y)| (x - mean) * y).sum::<f64>() / about;
        assert!((found.x[1] - slope).abs() < 1e-6, "{} {slope}", found.x[1]);
        let scatter = found.residual.iter().map(|r| r * r).sum::<f64>() / (n - 2.0);
        let covariance = covariance(&found.jacobian, points.len(), scatter);
        let across = -scatter * mean / about;
        let expected =
            [[scatter / n + scatter * mean * mean / about, across], [across, scatter / about]];
        for (row, expected) in covariance.iter().zip(expected) {
            for (value, expected) in row.iter().zip(expected) {
                assert!((value / expected - 1.0).abs() < 1e-6, "{value} {expected}");
            }
        }
    }

    /// With the slope held at its bound, the best height is the mean of what the slope leaves.
    #[test]
    fn a_parameter_stays_at_its_bound_and_the_others_go_on() {
        let points = points();
        let bounds = [FREE, (0.0, 0.5)];
        let inside = |p: &[f64]| {
            assert!((0.0..=0.5).contains(&p[1]), "looked beyond the bound: {}", p[1]);
            line(&points)(p)
        };
        let found = levenberg_marquardt(&inside, vec![0.0, 0.2], &bounds, 1e-12);
        assert_eq!(found.x[1], 0.5);
        let height = points.iter().map(|(x, y)| y - 0.5 * x).sum::<f64>() / points.len() as f64;
        assert!((found.x[0] - height).abs() < 1e-4, "{} {height}", found.x[0]);
    }

    /// Numbers by themselves have the length 1; each one told three times has 1 + 2 (2/3 + 1/3) = 3.
    #[test]
    fn correlation_length_counts_repeated_points() {
        let mut random = Random(7);
        let alone: Vec<f64> = (0..3000).map(|_| random.next()).collect();
        assert!((correlation_length(&alone, 1) - 1.0).abs() < 0.15);
        let thrice: Vec<f64> = alone.iter().flat_map(|&r| [r; 3]).collect();
        let length = correlation_length(&thrice, 1);
        assert!((length - 3.0).abs() < 0.3, "{length}");
    }
}
