//! Small least squares: columns of complex numbers, and a damped Gauss-Newton search.

use nalgebra::{DMatrix, DVector};

use super::fft::Complex64;

/// Step of the numeric derivatives.
const STEP: f64 = 1e-5;

/// The product of a unit column with another one.
pub fn along(unit: &[Complex64], other: &[Complex64]) -> Complex64 {
    unit.iter().zip(other).map(|(a, b)| a.conj() * b).sum()
}

/// Length of a column.
pub fn norm(column: &[Complex64]) -> f64 {
    column.iter().map(|value| value.norm_sqr()).sum::<f64>().sqrt()
}

/// What is left of a column beside orthonormal ones.
pub fn without(mut column: Vec<Complex64>, base: &[Vec<Complex64>]) -> Vec<Complex64> {
    for unit in base {
        let share = along(unit, &column);
        for (value, u) in column.iter_mut().zip(unit) {
            *value -= u * share;
        }
    }
    column
}

/// A column made orthogonal to orthonormal ones and of length 1; `None` where hardly anything of it
/// is left.
pub fn orthonormal(column: Vec<Complex64>, base: &[Vec<Complex64>]) -> Option<Vec<Complex64>> {
    let before = norm(&column);
    let mut left = without(column, base);
    let length = norm(&left);
    if length.is_nan() || length <= 1e-9 * before {
        return None;
    }
    left.iter_mut().for_each(|value| *value /= length);
    Some(left)
}

/// The factors of the columns that come closest to `y`.
pub fn factors(columns: &[Vec<Complex64>], y: &[Complex64]) -> Vec<Complex64> {
    let mut units: Vec<Vec<Complex64>> = Vec::new();
    // rows of the upper triangle: columns = units * triangle
    let mut triangle = DMatrix::<Complex64>::zeros(columns.len(), columns.len());
    for (j, column) in columns.iter().enumerate() {
        let mut left = column.clone();
        for (i, unit) in units.iter().enumerate() {
            let share = along(unit, &left);
            triangle[(i, j)] = share;
            left.iter_mut().zip(unit).for_each(|(value, u)| *value -= u * share);
        }
        let length = norm(&left).max(f64::MIN_POSITIVE);
        triangle[(j, j)] = length.into();
        left.iter_mut().for_each(|value| *value /= length);
        units.push(left);
    }
    let right = DVector::from_iterator(units.len(), units.iter().map(|unit| along(unit, y)));
    let solved = triangle.solve_upper_triangular(&right);
    solved.map_or_else(|| vec![Complex64::ZERO; columns.len()], |x| x.iter().copied().collect())
}

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
        let gradient = jacobian.transpose() * DVector::from_column_slice(&r);
        let normal = jacobian.transpose() * &jacobian;
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
