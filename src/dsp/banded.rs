//! Symmetric positive definite matrices that hold nothing far from their diagonal.
//!
//! The Cholesky factor keeps the band, so that a system of `n` equations and half-width `w` is solved in
//! `n w²` steps (G. H. Golub and C. F. Van Loan, Matrix Computations, section 4.3: from memory). The
//! diagonal of the inverse comes from the band of the factor alone (K. Takahashi, J. Fagan and M. Chin,
//! 8th PICA Conference, 1973: from memory).

/// A symmetric matrix with nothing further than `half_width` places off its diagonal.
#[derive(Debug, Clone, PartialEq)]
pub struct Banded {
    order: usize,
    half_width: usize,
    /// Row by row, the places from `half_width` before the diagonal up to the diagonal.
    lower: Vec<f64>,
}

impl Banded {
    /// A matrix of zeros.
    pub fn zeros(order: usize, half_width: usize) -> Self {
        Self { order, half_width, lower: vec![0.0; order * (half_width + 1)] }
    }

    /// Adds to the entry at `(row, column)`, one of the two that are equal.
    ///
    /// # Panics
    /// Where the place lies outside the band or the matrix.
    pub fn add(&mut self, row: usize, column: usize, value: f64) {
        assert!(row.abs_diff(column) <= self.half_width, "({row}, {column}) is outside the band");
        let place = self.place(row.max(column), row.min(column));
        self.lower[place] += value;
    }

    fn place(&self, row: usize, column: usize) -> usize {
        row * (self.half_width + 1) + column + self.half_width - row
    }

    /// Cholesky's factor; `None` where the matrix is not positive definite.
    pub fn factor(mut self) -> Option<Factor> {
        let width = self.half_width;
        for row in 0..self.order {
            let first = row.saturating_sub(width);
            for column in first..=row {
                let from = first.max(column.saturating_sub(width));
                let (of_row, of_column) = (self.place(row, from), self.place(column, from));
                let count = column - from;
                let a = &self.lower[of_row..of_row + count];
                let b = &self.lower[of_column..of_column + count];
                let sum: f64 = a.iter().zip(b).map(|(a, b)| a * b).sum();
                let here = self.place(row, column);
                let rest = self.lower[here] - sum;
                self.lower[here] = if row == column {
                    if !(rest > 0.0 && rest.is_finite()) {
                        return None;
                    }
                    rest.sqrt()
                } else {
                    rest / self.lower[self.place(column, column)]
                };
            }
        }
        Some(Factor { matrix: self })
    }
}

/// Cholesky's factor of a [`Banded`] matrix.
#[derive(Debug, Clone, PartialEq)]
pub struct Factor {
    matrix: Banded,
}

impl Factor {
    fn at(&self, row: usize, column: usize) -> f64 {
        self.matrix.lower[self.matrix.place(row, column)]
    }

    fn last_reached(&self, row: usize) -> usize {
        (row + self.matrix.half_width).min(self.matrix.order - 1)
    }

    /// Solves the system in place.
    ///
    /// # Panics
    /// Where `rhs` is not as long as the matrix.
    pub fn solve(&self, rhs: &mut [f64]) {
        let (order, width) = (self.matrix.order, self.matrix.half_width);
        assert_eq!(rhs.len(), order, "one right-hand side for each equation");
        for row in 0..order {
            let first = row.saturating_sub(width);
            let place = self.matrix.place(row, first);
            let known = &self.matrix.lower[place..place + row - first];
            let sum: f64 = known.iter().zip(&rhs[first..row]).map(|(a, x)| a * x).sum();
            rhs[row] = (rhs[row] - sum) / self.at(row, row);
        }
        for row in (0..order).rev() {
            rhs[row] /= self.at(row, row);
            let (first, value) = (row.saturating_sub(width), rhs[row]);
            let place = self.matrix.place(row, first);
            for (x, a) in rhs[first..row].iter_mut().zip(&self.matrix.lower[place..]) {
                *x -= a * value;
            }
        }
    }

    /// The diagonal of the inverse matrix.
    pub fn inverse_diagonal(&self) -> Vec<f64> {
        let order = self.matrix.order;
        // the band of the inverse, found from its last row upwards
        let mut inverse = Banded::zeros(order, self.matrix.half_width);
        for row in (0..order).rev() {
            let last = self.last_reached(row);
            let pivot = self.at(row, row);
            for column in (row..=last).rev() {
                let below = (row + 1)..=last;
                let sum: f64 = below
                    .map(|k| {
                        let place = inverse.place(k.max(column), k.min(column));
                        self.at(k, row) * inverse.lower[place]
                    })
                    .sum();
                let own = if row == column { 1.0 / pivot } else { 0.0 };
                let place = inverse.place(column, row);
                inverse.lower[place] = (own - sum) / pivot;
            }
        }
        (0..order).map(|row| inverse.lower[inverse.place(row, row)]).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use nalgebra::{DMatrix, DVector};

    fn example(order: usize, half_width: usize) -> (Banded, DMatrix<f64>) {
        let mut banded = Banded::zeros(order, half_width);
        let mut dense = DMatrix::zeros(order, order);
        for row in 0..order {
            for column in row.saturating_sub(half_width)..=row {
                let value = if row == column { 9.0 } else { ((3 * row + 5 * column) as f64).sin() };
                banded.add(column, row, value);
                dense[(row, column)] = value;
                dense[(column, row)] = value;
            }
        }
        (banded, dense)
    }

    #[test]
    fn agrees_with_the_dense_solution_and_inverse() {
        for (order, half_width) in [(1, 0), (2, 5), (30, 4), (30, 1)] {
            let (banded, dense) = example(order, half_width);
            let rhs = DVector::from_fn(order, |i, _| (i as f64).cos());
            let factor = banded.factor().expect("diagonally dominant");
            let mut x: Vec<f64> = rhs.iter().copied().collect();
            factor.solve(&mut x);
            let inverse = dense.clone().try_inverse().expect("regular");
            let expected = &inverse * rhs;
            assert!(x.iter().zip(expected.iter()).all(|(a, b)| (a - b).abs() < 1e-12));
            let diagonal = factor.inverse_diagonal();
            assert!((0..order).all(|i| (diagonal[i] - inverse[(i, i)]).abs() < 1e-12));
        }
    }

    #[test]
    #[should_panic(expected = "outside the band")]
    fn a_place_outside_the_band_is_a_mistake() {
        Banded::zeros(5, 1).add(3, 1, 1.0);
    }

    #[test]
    fn what_is_not_positive_definite_is_refused() {
        let mut matrix = Banded::zeros(2, 1);
        matrix.add(0, 0, 1.0);
        matrix.add(1, 1, 1.0);
        matrix.add(1, 0, 2.0);
        assert!(matrix.factor().is_none());
        assert!(Banded::zeros(1, 0).factor().is_none());
    }
}
