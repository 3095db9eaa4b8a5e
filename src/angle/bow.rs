//! Run-out, bow and unbalance, told apart by what a displacement sensor at the shaft reads through a critical speed.
//!
//! With `r` the speed over the critical speed and `Q` its amplification, the first order is
//! `run-out + (bow + unbalance r²) / (1 - r² + i r / Q)`: run-out of the surface stays as it is at all speeds, a
//! residual bow is there at slow roll, is amplified at the critical speed and vanishes far above it, unbalance
//! grows from nothing to the offset of the mass (J. C. Nicholas, E. J. Gunter and P. E. Allaire, J. Eng. Power 98
//! (1976), "Effect of residual shaft bow on unbalance response and balancing of a single mass flexible rotor": from
//! memory). Further critical speeds add unbalance terms of their own.
//!
//! A bow of a shaft that is stiff against its supports moves the mass as a whole: to a sensor it is run-out with
//! unbalance in the same direction. Then the sum of run-out and bow, the slow-roll vector, is what counts.

use super::critical::Critical;
use super::track::Track;
use crate::dsp::fft::Complex64;
use crate::dsp::least_squares::{correlation_length, covariance, levenberg_marquardt};

/// Error of the model in parts of the reading: the passage is not quite slow, sensors not quite linear (common
/// practice, no source).
const MODEL_ERROR: f64 = 0.03;
/// Fewest points of the track for each complex number sought.
const LEAST_POINTS: usize = 6;

/// A complex amplitude, zero-to-peak in the track's unit, as a phasor with `e^{+iwt}`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Vector {
    /// The value.
    pub value: Complex64,
    /// Standard error of its real and of its imaginary part.
    pub error: f64,
}

impl Vector {
    /// Whether it stands clear of zero, by four standard errors.
    pub fn is_clear(&self) -> bool {
        self.value.norm() > 4.0 * self.error
    }
}

/// What the first order is made of.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Parts {
    /// What is the same at all speeds.
    pub run_out: Vector,
    /// What is there at slow roll and is amplified at the critical speed.
    pub bow: Vector,
    /// Run-out and bow together: the reading at slow roll, known better than either.
    pub slow_roll: Vector,
    /// What grows from nothing: far above the critical speed the motion is opposite to it, as large as it.
    pub unbalance: Vector,
}

/// What stands in the sum beside unbalance.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Standing {
    /// Run-out and bow.
    AtShaft,
    /// Nothing: a housing stands still at slow roll.
    AtHousing,
}

/// Tells run-out, bow and unbalance apart in the displacement at a shaft; `None` without critical speed or with too
/// few points.
///
/// The first of `criticals` is the one that governs. Points below `from_rpm` are left out.
pub fn part(displacement: &Track, criticals: &[Critical], from_rpm: f64) -> Option<Parts> {
    let solved = varied(displacement, criticals, from_rpm, Standing::AtShaft)?;
    let [run_out, bow, slow_roll, unbalance] = <[Vector; 4]>::try_from(solved).ok()?;
    Some(Parts { run_out, bow, slow_roll, unbalance })
}

/// The unbalance as the displacement of a housing tells it, in the same terms; `None` as for [`part`].
pub fn unbalance_at_housing(displacement: &Track, criticals: &[Critical]) -> Option<Vector> {
    varied(displacement, criticals, 0.0, Standing::AtHousing)?.first().copied()
}

/// The vectors sought, with what the uncertainty of the governing critical speed adds to their errors.
fn varied(
    track: &Track,
    criticals: &[Critical],
    from_rpm: f64,
    standing: Standing,
) -> Option<Vec<Vector>> {
    let track = track.where_rpm(|rpm| rpm >= from_rpm);
    let mut best = solve(&track, criticals, standing)?;
    let (first, others) = criticals.split_first()?;
    let moved = [
        Critical { rpm: first.rpm + first.rpm_error, ..*first },
        Critical { amplification: first.amplification + first.amplification_error, ..*first },
    ];
    for one in moved {
        let varied: Vec<Critical> = std::iter::once(one).chain(others.iter().copied()).collect();
        let other = solve(&track, &varied, standing)?;
        for (vector, other) in best.iter_mut().zip(&other) {
            let moved = (other.value - vector.value).norm() * std::f64::consts::FRAC_1_SQRT_2;
            vector.error = vector.error.hypot(moved);
        }
    }
    Some(best)
}

fn solve(track: &Track, criticals: &[Critical], standing: Standing) -> Option<Vec<Vector>> {
    let rows: Vec<Vec<Complex64>> =
        track.rpm.iter().map(|&rpm| terms(rpm, criticals, standing)).collect();
    let count = rows.first()?.len();
    if criticals.is_empty() || rows.len() < LEAST_POINTS * count {
        return None;
    }
    let largest = track.phasors.iter().map(|c| c.norm()).fold(0.0, f64::max);
    if largest <= 0.0 {
        return None;
    }
    let weights: Vec<f64> = (track.phasors.iter().zip(&track.errors))
        .map(|(c, error)| 1.0 / error.hypot(MODEL_ERROR * c.norm()).max(1e-9 * largest))
        .collect();
    let residual = |x: &[f64]| -> Vec<f64> {
        let x = complex(x);
        let points = rows.iter().zip(&track.phasors).zip(&weights);
        points
            .flat_map(|((row, measured), weight)| {
                let told: Complex64 = row.iter().zip(&x).map(|(term, x)| term * x).sum();
                let off = (told * largest - measured) * *weight;
                [off.re, off.im]
            })
            .collect()
    };
    let free = vec![(f64::NEG_INFINITY, f64::INFINITY); 2 * count];
    let found = levenberg_marquardt(&residual, vec![0.0; 2 * count], &free, 1e-12);
    let numbers = 2 * rows.len();
    let freedom = numbers.saturating_sub(2 * count).max(1) as f64;
    let scatter = found.residual.iter().map(|r| r * r).sum::<f64>() / freedom
        * correlation_length(&found.residual, 2);
    let spread = covariance(&found.jacobian, numbers, scatter);
    let value = |k: usize| Complex64::new(found.x[2 * k], found.x[2 * k + 1]) * largest;
    let across = |j: usize, k: usize| 0.5 * (spread[2 * j][2 * k] + spread[2 * j + 1][2 * k + 1]);
    let vector = |k: usize| Vector { value: value(k), error: largest * across(k, k).sqrt() };
    Some(match standing {
        Standing::AtHousing => vec![vector(0)],
        Standing::AtShaft => {
            let variance = across(0, 0) + across(1, 1) + 2.0 * across(0, 1);
            let error = largest * variance.max(0.0).sqrt();
            let slow_roll = Vector { value: value(0) + value(1), error };
            vec![vector(0), vector(1), slow_roll, vector(2)]
        }
    })
}

/// The terms of the sum at a speed: run-out and bow where they stand, then the unbalance of each critical speed.
fn terms(rpm: f64, criticals: &[Critical], standing: Standing) -> Vec<Complex64> {
    let ratio = |critical: &Critical| rpm / critical.rpm;
    let response = |critical: &Critical| {
        let r = ratio(critical);
        Complex64::new(1.0 - r * r, r / critical.amplification).inv()
    };
    let bow = criticals.first().map_or(Complex64::ZERO, response);
    let mut terms = match standing {
        Standing::AtShaft => vec![Complex64::ONE, bow],
        Standing::AtHousing => Vec::new(),
    };
    terms.extend(criticals.iter().map(|critical| response(critical) * ratio(critical).powi(2)));
    terms
}

fn complex(x: &[f64]) -> Vec<Complex64> {
    x.chunks_exact(2).map(|pair| Complex64::new(pair[0], pair[1])).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dsp::test_noise::Random;

    fn at(amplitude: f64, deg: f64) -> Complex64 {
        Complex64::from_polar(amplitude, deg.to_radians())
    }

    /// A run from 0.1 to 2 times a critical speed of 40 000 rpm with an amplification of 8.
    fn run_up(run_out: Complex64, bow: Complex64, unbalance: Complex64) -> (Track, Critical) {
        let mut random = Random(3);
        let mut track = Track::empty(1.0);
        for i in 0..400 {
            let r = 0.1 + 1.9 * f64::from(i) / 399.0;
            let response = Complex64::new(1.0 - r * r, r / 8.0).inv();
            let noise = Complex64::new(random.next(), random.next()) * 0.05;
            track.times_s.push(0.01 * f64::from(i));
            track.rpm.push(40_000.0 * r);
            track.phasors.push(run_out + (bow + unbalance * r * r) * response + noise);
            track.errors.push(0.05);
        }
        (track, Critical::example(40_000.0, 8.0))
    }

    #[test]
    fn run_out_bow_and_unbalance_come_out_as_planted() {
        let planted = [at(4.0, 20.0), at(3.0, 110.0), at(2.0, -70.0)];
        let [run_out, bow, unbalance] = planted;
        let (track, critical) = run_up(run_out, bow, unbalance);
        let found = part(&track, &[critical], 0.0).expect("enough points");
        for (vector, planted) in [found.run_out, found.bow, found.unbalance].iter().zip(planted) {
            let off = (vector.value - planted).norm();
            assert!(off < 4.0 * vector.error, "{vector:?} for {planted}");
            assert!(vector.is_clear() && vector.error < 0.3, "{vector:?}");
        }
        assert!((found.slow_roll.value - run_out - bow).norm() < 4.0 * found.slow_roll.error);
        assert!(found.slow_roll.error < found.bow.error);
    }

    #[test]
    fn a_round_straight_shaft_has_no_slow_roll_vector() {
        let (track, critical) = run_up(Complex64::ZERO, Complex64::ZERO, at(2.0, 30.0));
        let found = part(&track, &[critical], 0.0).expect("enough points");
        assert!(!found.slow_roll.is_clear() && !found.bow.is_clear(), "{found:?}");
        let off = (found.unbalance.value - at(2.0, 30.0)).norm();
        assert!(off < 4.0 * found.unbalance.error && off < 0.3, "{found:?}");
        let alone = unbalance_at_housing(&track, &[critical]).expect("enough points");
        assert!((alone.value - at(2.0, 30.0)).norm() < 0.1, "{alone:?}");
    }

    #[test]
    fn without_a_critical_speed_or_points_nothing_is_told() {
        let (track, critical) = run_up(at(4.0, 0.0), at(3.0, 0.0), at(2.0, 0.0));
        assert!(part(&track, &[], 0.0).is_none());
        assert!(part(&track, &[critical], 78_000.0).is_none());
        assert!(part(&Track::empty(1.0), &[critical], 0.0).is_none());
    }
}
