//! What earlier rotors of a type on the same rig tell of the next one.

use nalgebra::DMatrix;

use super::estimate::Spread;
use crate::dsp::fft::Complex64;

/// How far the coefficients of two rotors of a type are apart where nothing tells it: 10 % and 7 degrees
/// (common practice, no source).
pub const USUAL: Spread = Spread { share: 0.1, angle_rad: 0.122_173 };

/// Coefficients of one earlier rotor, as its own spins told them.
#[derive(Debug, Clone, PartialEq)]
pub struct Earlier {
    /// Rows are readings, columns planes.
    pub coefficients: DMatrix<Complex64>,
    /// Standard deviation of both parts of each coefficient, over its size.
    pub shares: DMatrix<f64>,
}

/// Coefficients that the next rotor of the type is likely to have, with their spread: the mean of the
/// earlier ones, each weighted alike.
///
/// The spread is pooled over all coefficients, with [`USUAL`] counted like one more rotor, so that two
/// rotors that happen to agree promise no third; on top comes what the mean itself is not known to. `None` without
/// earlier rotors.
pub fn of_type(earlier: &[Earlier]) -> Option<(DMatrix<Complex64>, Spread)> {
    let first = earlier.first()?;
    let count = earlier.len() as f64;
    let zero = DMatrix::from_element(
        first.coefficients.nrows(),
        first.coefficients.ncols(),
        Complex64::ZERO,
    );
    let sum = earlier.iter().fold(zero, |sum, one| sum + &one.coefficients);
    let mean = sum.unscale(count);
    let entries = mean.len() as f64;
    let (mut along, mut across, mut own) = (0.0, 0.0, 0.0);
    for one in earlier {
        for (value, mean) in one.coefficients.iter().zip(mean.iter()) {
            let over = value / mean;
            along += (over.norm() - 1.0).powi(2);
            across += over.arg().powi(2);
        }
        own += one.shares.iter().map(|share| share * share).sum::<f64>();
    }
    let pooled = |usual: f64, squares: f64| {
        let between = (entries * usual * usual + squares) / (entries * count);
        (between * (1.0 + 1.0 / count) + own / (entries * count)).sqrt()
    };
    let spread =
        Spread { share: pooled(USUAL.share, along), angle_rad: pooled(USUAL.angle_rad, across) };
    Some((mean, spread))
}

#[cfg(test)]
mod tests {
    use rand::SeedableRng;
    use rand_chacha::ChaCha8Rng;
    use rand_distr::{Distribution, Normal};

    use super::*;

    fn truth() -> DMatrix<Complex64> {
        let at = |size: f64, deg: f64| Complex64::from_polar(size, deg.to_radians());
        DMatrix::from_row_slice(2, 2, &[at(1.0, 20.0), at(0.4, 80.0), at(0.3, 140.0), at(0.9, 5.0)])
    }

    fn rotors(count: usize, share: f64, angle_rad: f64) -> Vec<Earlier> {
        let mut rng = ChaCha8Rng::seed_from_u64(5);
        let mut draw = |deviation: f64| -> f64 {
            Normal::new(0.0, deviation).expect("a deviation").sample(&mut rng)
        };
        (0..count)
            .map(|_| Earlier {
                coefficients: truth()
                    .map(|c| c * Complex64::from_polar(1.0 + draw(share), draw(angle_rad))),
                shares: DMatrix::from_element(2, 2, 0.001),
            })
            .collect()
    }

    #[test]
    fn one_rotor_promises_no_more_than_usual_and_many_what_they_show() {
        let (mean, spread) = of_type(&rotors(1, 0.03, 0.03)).expect("one rotor");
        assert_eq!(mean, rotors(1, 0.03, 0.03)[0].coefficients);
        assert!(spread.share >= USUAL.share && spread.share < 1.5 * USUAL.share, "{spread:?}");
        let (mean, spread) = of_type(&rotors(40, 0.03, 0.05)).expect("forty rotors");
        assert!((spread.share / 0.03 - 1.0).abs() < 0.25, "{spread:?}");
        assert!((spread.angle_rad / 0.05 - 1.0).abs() < 0.25, "{spread:?}");
        assert!(mean.iter().zip(truth().iter()).all(|(m, t)| (m / t - 1.0).norm() < 0.04));
        assert_eq!(of_type(&[]), None);
    }
}
