//! Columns of complex numbers: made orthogonal, taken away from each other, and fitted.

use nalgebra::{DMatrix, DVector};

use super::fft::Complex64;

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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dsp::test_noise::Random;

    fn random_column(random: &mut Random) -> Vec<Complex64> {
        (0..12).map(|_| Complex64::new(random.next(), random.next())).collect()
    }

    /// Against the singular value decomposition of nalgebra.
    #[test]
    fn factors_are_those_of_least_squares() {
        let mut random = Random(5);
        let columns: Vec<Vec<Complex64>> = (0..3).map(|_| random_column(&mut random)).collect();
        let y = random_column(&mut random);
        let matrix = DMatrix::from_fn(12, 3, |row, column| columns[column][row]);
        let right = DVector::from_column_slice(&y);
        let expected = matrix.svd(true, true).solve(&right, 1e-12).expect("it has full rank");
        for (found, expected) in factors(&columns, &y).iter().zip(expected.iter()) {
            assert!((found - expected).norm() < 1e-12, "{found} {expected}");
        }
    }

    #[test]
    fn what_is_left_stands_upright_on_the_base() {
        let mut random = Random(9);
        let mut base: Vec<Vec<Complex64>> = Vec::new();
        for _ in 0..3 {
            let unit = orthonormal(random_column(&mut random), &base).expect("they are apart");
            assert!((norm(&unit) - 1.0).abs() < 1e-12);
            base.push(unit);
        }
        let left = without(random_column(&mut random), &base);
        assert!(norm(&left) > 0.1);
        assert!(base.iter().all(|unit| along(unit, &left).norm() < 1e-12));
        // a sum of the base leaves nothing
        let sum = base[0].iter().zip(&base[2]).map(|(a, b)| a * 2.0 + b).collect();
        assert_eq!(orthonormal(sum, &base), None);
    }
}
