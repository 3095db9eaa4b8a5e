//! What stands at slow roll and what grows with speed, as a sensor of displacement tells them through a critical
//! speed.
//!
//! A shaft turning slowly shows the run-out of its surface and its bow; unbalance adds a motion that grows from
//! nothing with speed. With `r` the speed over the critical speed and `Q` its amplification, a residual bow `b`
//! answers as `b / (1 - r² + i r / Q)`, unbalance `u` as `u r² / (1 - r² + i r / Q)` (J. C. Nicholas, E. J. Gunter and
//! P. E. Allaire, J. Eng. Power 98 (1976), "Effect of residual shaft bow on unbalance response and balancing of a
//! single mass flexible rotor": from memory). The first is `b` at all speeds with `b (r² - i r / Q) / (1 - r² + i r /
//! Q)`: a bow looks like run-out with an unbalance of its own size in its own direction, but for the damping term,
//! which depends on where the damping acts and is known for no machine. So the sum of run-out and bow is told here,
//! and the unbalance; whether their directions and sizes go together is for the judge of both.
//!
//! A bow of a shaft that is stiff against its supports moves the mass as a whole, and comes to the same.

use super::course::{self, Passage};
use super::response::{self, Mode};
use super::{Critical, Observed};
use crate::angle::track::Track;
use crate::dsp::fft::Complex64;
use crate::dsp::least_squares::{correlation_length, covariance, levenberg_marquardt};

/// Powers of speed that stand beside the critical speeds: what stays as it is, and what modes far above add.
const POWERS: [i32; 3] = [0, 2, 4];
/// Fewest points for each complex number sought.
const LEAST_POINTS: usize = 3;

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
    /// What is there when nothing vibrates: run-out and bow together.
    pub slow_roll: Vector,
    /// Unbalance at the critical speed that governs, as offset of the mass: far above it the motion is opposite to
    /// it and as large.
    pub unbalance: Vector,
    /// Lowest speed in rpm that was used: slow roll is told from there down.
    pub from_rpm: f64,
}

/// Tells both parts of the displacement; `None` where no critical speed is given, none of the passages leads
/// through the first of them, which governs, or the points are too few.
pub fn part(
    displacement: &Track,
    rpm_at: &dyn Fn(f64) -> f64,
    observed: Observed,
    criticals: &[Critical],
) -> Option<Parts> {
    let (first, others) = criticals.split_first()?;
    let passages = course::passages(displacement, rpm_at, observed);
    let through = passages.iter().filter(|passage| leads_through(passage, first));
    let passage = through.max_by_key(|passage| passage.points.len())?;
    let mut parts = solve(passage, criticals)?;
    // what the uncertainty of the critical speed leaves open
    let moved = [
        Critical { rpm: first.rpm + first.rpm_error, ..*first },
        Critical { amplification: first.amplification + first.amplification_error, ..*first },
    ];
    for one in moved {
        let varied: Vec<Critical> = std::iter::once(one).chain(others.iter().copied()).collect();
        let other = solve(passage, &varied)?;
        parts.slow_roll = widened(parts.slow_roll, other.slow_roll);
        parts.unbalance = widened(parts.unbalance, other.unbalance);
    }
    Some(parts)
}

fn leads_through(passage: &Passage, critical: &Critical) -> bool {
    let (low, high) = passage.range();
    (1.1 * low..0.95 * high).contains(&mode(critical).wn)
}

fn mode(critical: &Critical) -> Mode {
    let wn = critical.rpm * std::f64::consts::TAU / 60.0;
    Mode { wn, zeta: 0.5 / critical.amplification.max(0.5), slope: 0.0 }
}

fn widened(vector: Vector, varied: Vector) -> Vector {
    let moved = (varied.value - vector.value).norm() * std::f64::consts::FRAC_1_SQRT_2;
    Vector { error: vector.error.hypot(moved), ..vector }
}

fn solve(passage: &Passage, criticals: &[Critical]) -> Option<Parts> {
    let (low, high) = passage.range();
    let powers = POWERS.map(|power| response::rest(passage, power, (low * high).sqrt()));
    let modes = criticals.iter().map(|critical| mode(critical).swept(passage));
    let columns: Vec<Vec<Complex64>> = powers.into_iter().chain(modes).collect();
    let points = &passage.points;
    let largest = points.iter().map(|point| point.d.norm()).fold(0.0, f64::max);
    if points.len() < LEAST_POINTS * columns.len() || largest <= 0.0 {
        return None;
    }
    let residual = |x: &[f64]| -> Vec<f64> {
        let factors: Vec<Complex64> =
            x.chunks_exact(2).map(|pair| Complex64::new(pair[0], pair[1]) * largest).collect();
        let off = |(i, point): (usize, &course::Point)| {
            let told: Complex64 = columns.iter().zip(&factors).map(|(c, f)| c[i] * f).sum();
            let off = (told - point.d) / point.sigma;
            [off.re, off.im]
        };
        points.iter().enumerate().flat_map(off).collect()
    };
    let sought = 2 * columns.len();
    let free = vec![(f64::NEG_INFINITY, f64::INFINITY); sought];
    let found = levenberg_marquardt(&residual, vec![0.0; sought], &free, 1e-12);
    let numbers = found.residual.len();
    let square: f64 = found.residual.iter().map(|r| r * r).sum();
    let scatter = square / numbers.saturating_sub(sought).max(1) as f64
        * correlation_length(&found.residual, 2);
    let spread = covariance(&found.jacobian, numbers, scatter);
    let vector = |k: usize| Vector {
        value: Complex64::new(found.x[2 * k], found.x[2 * k + 1]) * largest,
        error: largest * (0.5 * (spread[2 * k][2 * k] + spread[2 * k + 1][2 * k + 1])).sqrt(),
    };
    let from_rpm = low * 60.0 / std::f64::consts::TAU;
    Some(Parts { slow_roll: vector(0), unbalance: vector(POWERS.len()), from_rpm })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dsp::test_noise::Random;

    const OBSERVED: Observed = Observed {
        derivative: 0,
        turns_per_block: 16.0,
        phase_known: true,
        speed_error_percent: 0.0,
    };

    fn at(amplitude: f64, deg: f64) -> Complex64 {
        Complex64::from_polar(amplitude, deg.to_radians())
    }

    fn rpm_at(time_s: f64) -> f64 {
        4_000.0 + 1_900.0 * time_s
    }

    /// A slow run from 0.1 to 2 times a critical speed of 40 000 rpm with an amplification of 8.
    fn run_up(standing: Complex64, unbalance: Complex64) -> (Track, Critical) {
        let mut random = Random(3);
        let mut track = Track::empty(1.0);
        for i in 0..800 {
            let time_s = 0.05 * f64::from(i);
            let r = rpm_at(time_s) / 40_000.0;
            let response = Complex64::new(1.0 - r * r, r / 8.0).inv();
            let noise = Complex64::new(random.next(), random.next()) * 0.05;
            let phasor = standing + unbalance * r * r * response + noise;
            track.push(time_s, 40_000.0 * r, phasor, 0.05);
        }
        (track, Critical { rpm_error: 20.0, ..Critical::example(40_000.0, 8.0) })
    }

    #[test]
    fn slow_roll_and_unbalance_come_out_as_planted() {
        let (run_out, unbalance) = (at(4.0, 20.0), at(2.0, -70.0));
        let (track, critical) = run_up(run_out, unbalance);
        let found = part(&track, &rpm_at, OBSERVED, &[critical]).expect("enough points");
        for (vector, planted) in [(found.slow_roll, run_out), (found.unbalance, unbalance)] {
            let off = (vector.value - planted).norm();
            assert!(vector.is_clear() && vector.error < 0.2, "{vector:?}");
            assert!(off < 4.0 * vector.error, "{vector:?} for {planted}");
        }
        assert!((found.from_rpm / 4_000.0 - 1.0).abs() < 0.1, "{}", found.from_rpm);
    }

    /// The identity of the head of this file: to a sensor that sees both, a bow is run-out with an unbalance of its
    /// size and direction, to within the damping term.
    #[test]
    fn a_bow_is_told_as_slow_roll_with_an_unbalance_of_the_same_size_and_direction() {
        let bow = at(3.0, 110.0);
        let (mut track, critical) = run_up(Complex64::ZERO, Complex64::ZERO);
        for i in 0..track.len() {
            let r = track.rpm[i] / 40_000.0;
            track.phasors[i] += bow * Complex64::new(1.0 - r * r, r / 8.0).inv();
        }
        let found = part(&track, &rpm_at, OBSERVED, &[critical]).expect("enough points");
        for vector in [found.slow_roll, found.unbalance] {
            let ratio = vector.value / bow;
            assert!((ratio - 1.0).norm() < 0.2, "{ratio}");
        }
    }

    #[test]
    fn a_round_straight_shaft_has_no_slow_roll_vector() {
        let (track, critical) = run_up(Complex64::ZERO, at(2.0, 30.0));
        let found = part(&track, &rpm_at, OBSERVED, &[critical]).expect("enough points");
        assert!(!found.slow_roll.is_clear(), "{found:?}");
        assert!((found.unbalance.value - at(2.0, 30.0)).norm() < 0.1, "{found:?}");
    }

    #[test]
    fn without_a_critical_speed_or_points_nothing_is_told() {
        let (track, critical) = run_up(at(4.0, 0.0), at(2.0, 0.0));
        assert!(part(&track, &rpm_at, OBSERVED, &[]).is_none());
        let above = Critical { rpm: 90_000.0, ..critical };
        assert!(part(&track, &rpm_at, OBSERVED, &[above]).is_none());
        assert!(part(&Track::empty(1.0), &rpm_at, OBSERVED, &[critical]).is_none());
    }
}
