//! The index test: what belongs to the rotor and what to its mandrel.

use crate::dsp::fft::Complex64;

/// Unbalance of rotor and of mandrel from one reading as mounted and one with the rotor turned half a
/// turn upon the mandrel, both in the mandrel's frame: half the difference and half the sum
/// (ISO 21940-14, index balancing).
pub fn parted(as_mounted: Complex64, turned: Complex64) -> Parted {
    Parted { rotor: 0.5 * (as_mounted - turned), mandrel: 0.5 * (as_mounted + turned) }
}

/// What the index test gives, in the unit of its readings.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Parted {
    /// Turns with the rotor.
    pub rotor: Complex64,
    /// Stays with the mandrel.
    pub mandrel: Complex64,
}

/// Unbalance reduction ratio, `(U1 - U2) / U1`, of a correction from `before` to `after`
/// (ISO 21940-21); 0.95 is what machines usually claim (from memory).
pub fn reduction_ratio(before: f64, after: f64) -> f64 {
    (before - after) / before
}

/// What the test with one mass at equal angles says: the least and the largest amplitude over their mean.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ResidualTest {
    /// Least amplitude over the mean.
    pub least: f64,
    /// Largest amplitude over the mean.
    pub largest: f64,
    /// Number of places outside 0.88 to 1.12.
    pub outside: usize,
}

impl ResidualTest {
    /// Limits of an amplitude over the mean of all (ISO 21940-21, test of the least achievable residual
    /// unbalance; from memory, fairly sure).
    pub const LIMITS: (f64, f64) = (0.88, 1.12);

    /// From the amplitudes with a mass of ten times the residual claimed, at equally spaced places (twelve
    /// in the standard). `None` without amplitudes, or where all are nought.
    pub fn of(amplitudes: &[f64]) -> Option<Self> {
        let mean = amplitudes.iter().sum::<f64>() / amplitudes.len() as f64;
        if !(mean > 0.0) {
            return None;
        }
        let shares = || amplitudes.iter().map(|a| a / mean);
        let (low, high) = Self::LIMITS;
        Some(Self {
            least: shares().fold(f64::INFINITY, f64::min),
            largest: shares().fold(0.0, f64::max),
            outside: shares().filter(|share| !(low..=high).contains(share)).count(),
        })
    }

    /// Whether the residual claimed can be reached: one place may lie outside.
    pub fn passes(&self) -> bool {
        self.outside <= 1
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(size: f64, deg: f64) -> Complex64 {
        Complex64::from_polar(size, deg.to_radians())
    }

    fn near(value: Complex64, size: f64, deg: f64) {
        assert!((value - at(size, deg)).norm() < 1e-5, "{value}, not {size} at {deg}");
    }

    /// Own arithmetic from the rule of ISO 21940-14, both ways.
    #[test]
    fn rotor_and_mandrel_are_parted() {
        let parted = parted(at(8.0, 30.0), at(4.0, 120.0));
        near(parted.mandrel, 4.472_136, 56.565_05);
        near(parted.rotor, 4.472_136, 3.434_949);
        let (rotor, mandrel) = (at(3.0, 40.0), at(5.0, 100.0));
        near(rotor + mandrel, 7.0, 78.213_21);
        near(mandrel - rotor, 4.358_899, 136.586_78);
    }

    /// ISO 21940-21 (from memory): 100 to 5 g mm are 95 %, 60 to 4 are 93.33 %.
    #[test]
    fn reduction_ratios() {
        assert!((reduction_ratio(100.0, 5.0) - 0.95).abs() < 1e-12);
        assert!((reduction_ratio(60.0, 4.0) - 0.9333).abs() < 1e-4);
    }

    /// A mass of ten at twelve places on a rotor that holds one: between 0.9 and 1.1 of the mean.
    #[test]
    fn the_residual_test_passes_up_to_its_claim() {
        let with_residual = |size: f64| -> Vec<f64> {
            (0..12).map(|i| (at(10.0, 30.0 * f64::from(i)) + at(size, 17.0)).norm()).collect()
        };
        let good = ResidualTest::of(&with_residual(1.0)).expect("twelve places");
        assert!(good.passes() && good.outside == 0 && good.largest > 1.08, "{good:?}");
        let bad = ResidualTest::of(&with_residual(2.0)).expect("twelve places");
        assert!(!bad.passes() && bad.outside > 2, "{bad:?}");
        assert_eq!(ResidualTest::of(&[]), None);
    }
}
