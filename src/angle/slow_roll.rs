//! The slow-roll vector: what a displacement sensor reads of a shaft that turns too slowly to vibrate.
//!
//! At slow roll a displacement sensor sees the run-out of the surface it looks at, and a bow of the shaft,
//! not vibration; the trade takes this vector away from the first order (common practice, no source).
//! Vibration as displacement grows as speed squared, so that little of it is in the vector as long as slow
//! roll lies far below the lowest critical speed.

use serde::{Deserialize, Serialize};

use super::track::Track;
use crate::dsp::fft::Complex64;
use crate::error::{Error, Result};
use crate::units::{Quantity, grouped};

/// An AC-coupled chain is trusted from so many times its corner upwards: there it turns the phase by
/// 5.7 degrees and takes half a percent.
const CORNERS: f64 = 10.0;
/// Groups of neighbouring points whose scatter gives the standard error, at most: blocks overlap.
const GROUPS: usize = 8;
/// Chance that a vector which does not change with speed is said to.
const FALSE_ALARM: f64 = 0.002;

/// The mean vector at slow roll.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SlowRoll {
    /// The vector, zero-to-peak, in the track's unit.
    pub vector: Complex64,
    /// Standard error of its real and of its imaginary part.
    pub error: f64,
    /// Points of the track that it is the mean of.
    pub points: usize,
    /// Turns that they span, about.
    pub turns: f64,
    /// Lowest and highest speed of these points in rpm.
    pub rpm: [f64; 2],
    /// Whether the vector changes with speed within them by more than chance: then they hold vibration.
    pub changes: bool,
}

impl SlowRoll {
    /// The mean vector of a displacement track below a speed in rpm.
    ///
    /// `corner_hz` is the corner of an AC-coupled chain: below ten times of it nothing is trusted.
    ///
    /// # Errors
    /// [`Error::Setting`] where the track is not one of displacement, or the speed is none;
    /// [`Error::TooLittle`] where fewer than two points lie below it, or only where the AC coupling still
    /// turns the phase.
    pub fn of(
        track: &Track,
        quantity: Quantity,
        corner_hz: Option<f64>,
        below_rpm: f64,
    ) -> Result<Self> {
        if quantity != Quantity::Displacement {
            return Err(Error::setting(
                "slow roll",
                format!("the channel measures {}, which shows no run-out", quantity.word()),
                "take a displacement sensor that looks at the shaft",
            ));
        }
        if !(below_rpm > 0.0 && below_rpm.is_finite()) {
            return Err(Error::setting(
                "below_rpm",
                format!("{below_rpm} is no speed"),
                "give one in rpm, well below the lowest critical speed",
            ));
        }
        if track.is_empty() {
            return Err(Error::too_little("slow roll", "two points of the track", "none"));
        }
        let from_rpm = corner_hz.map_or(0.0, |corner| 60.0 * CORNERS * corner / track.order);
        let lowest = track.rpm.iter().copied().fold(f64::INFINITY, f64::min);
        if from_rpm > 0.0 && from_rpm >= below_rpm {
            return Err(Error::too_little(
                "slow roll",
                format!(
                    "speeds above {} rpm, ten times the corner of the AC coupling",
                    grouped(from_rpm)
                ),
                format!("speeds below {} rpm", grouped(below_rpm)),
            ));
        }
        let slow = track.where_rpm(|rpm| rpm >= from_rpm && rpm <= below_rpm);
        if slow.len() < 2 {
            return Err(Error::too_little(
                "slow roll",
                format!("two points of the track below {} rpm", grouped(below_rpm)),
                format!("{}; its lowest speed is {} rpm", slow.len(), grouped(lowest)),
            ));
        }
        Ok(Self::mean_of(&slow))
    }

    fn mean_of(slow: &Track) -> Self {
        let Mean { vector, error, .. } = Mean::of(&slow.phasors, &slow.errors);
        let rpm = slow.rpm.iter().fold([f64::INFINITY, 0.0], |[l, h], &r| [r.min(l), r.max(h)]);
        Self {
            vector,
            error,
            points: slow.len(),
            turns: turns(slow),
            rpm,
            changes: changes(slow, rpm),
        }
    }

    /// A track without this vector; the errors add in quadrature.
    pub fn taken_from(&self, track: &Track) -> Track {
        let mut left = track.clone();
        left.phasors.iter_mut().for_each(|phasor| *phasor -= self.vector);
        left.errors.iter_mut().for_each(|error| *error = error.hypot(self.error));
        left
    }
}

/// A mean with its standard error.
struct Mean {
    vector: Complex64,
    /// Of real and of imaginary part: the greater of what groups scatter and of what the points state.
    error: f64,
    /// Degrees of freedom that the error rests on, two for each group but one; infinite where it is stated.
    freedom: f64,
}

impl Mean {
    fn of(phasors: &[Complex64], errors: &[f64]) -> Self {
        let count = phasors.len() as f64;
        let vector = phasors.iter().sum::<Complex64>() / count;
        let groups = phasors.chunks(phasors.len().div_ceil(GROUPS));
        let freedom = 2.0 * (groups.len() as f64 - 1.0).max(1.0);
        // the last group may be smaller: each counts by its points
        let scatter: f64 = groups
            .map(|group| {
                let held = group.len() as f64;
                held * (group.iter().sum::<Complex64>() / held - vector).norm_sqr()
            })
            .sum();
        let (by_scatter, stated) = ((scatter / freedom / count).sqrt(), stated_error(errors));
        if by_scatter > stated {
            Self { vector, error: by_scatter, freedom }
        } else {
            Self { vector, error: stated, freedom: f64::INFINITY }
        }
    }
}

/// The standard error of a mean as the points state theirs: neighbouring blocks share half of their turns.
fn stated_error(errors: &[f64]) -> f64 {
    let count = errors.len() as f64;
    errors.iter().sum::<f64>() / count * (2.0 / count).min(1.0).sqrt()
}

/// Whether the vectors of the slower and of the faster half differ by more than their errors.
///
/// The slower half tells the scatter of both: close to a critical speed the vector swings so far that its own
/// scatter would hide the change.
fn changes(slow: &Track, rpm: [f64; 2]) -> bool {
    let middle = 0.5 * (rpm[0] + rpm[1]);
    let [low, high] = [slow.where_rpm(|r| r <= middle), slow.where_rpm(|r| r > middle)];
    if low.len() < 2 || high.len() < 2 {
        return false;
    }
    let slower = Mean::of(&low.phasors, &low.errors);
    let faster = Mean::of(&high.phasors, &high.errors);
    let as_slower = slower.error * (low.len() as f64 / high.len() as f64).sqrt();
    let error = slower.error.hypot(as_slower.max(stated_error(&high.errors)));
    (faster.vector - slower.vector).norm_sqr() > error.powi(2) * by_chance(slower.freedom)
}

/// The square of a complex difference, over that of the standard error of one of its parts, that chance passes
/// once in 1 / [`FALSE_ALARM`].
///
/// With known errors chance passes x with exp(-x / 2). With errors from the scatter of groups it does with
/// (1 + x / freedom)^(-freedom / 2): the F distribution of 2 and so many degrees of freedom (any text on
/// statistics: from memory).
fn by_chance(freedom: f64) -> f64 {
    let known = -2.0 * FALSE_ALARM.ln();
    if freedom.is_finite() { freedom * (known / freedom).exp_m1() } else { known }
}

/// Turns between the first and the last point of every stretch.
fn turns(slow: &Track) -> f64 {
    let steps: Vec<f64> = slow.times_s.windows(2).map(|pair| pair[1] - pair[0]).collect();
    let usual = crate::dsp::stats::median(&steps);
    let speeds = slow.rpm.windows(2).map(|pair| 0.5 * (pair[0] + pair[1]) / 60.0);
    // a step far longer than usual leads from the run-up to the run-down
    steps.iter().zip(speeds).filter(|(step, _)| **step < 4.0 * usual).map(|(s, hz)| s * hz).sum()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dsp::test_noise::Random;

    /// A run-out of 3 at 40 degrees, and vibration that grows as speed squared, from 300 to 6000 rpm.
    fn run_up(noise: f64) -> (Track, Complex64) {
        let run_out = Complex64::from_polar(3.0, 40_f64.to_radians());
        let mut random = Random(7);
        let mut random = move || random.next() * 3_f64.sqrt();
        let mut track = Track::empty(1.0);
        for step in 0..800 {
            let rpm = if step < 400 { 300.0 } else { 300.0 + 15.0 * f64::from(step - 400) };
            track.times_s.push(f64::from(step) * 0.1);
            track.rpm.push(rpm);
            let vibration = Complex64::from_polar((rpm / 6000.0).powi(2), 1.0);
            let scatter = Complex64::new(noise * random(), noise * random());
            track.phasors.push(run_out + vibration + scatter);
            track.errors.push(noise);
        }
        (track, run_out)
    }

    #[test]
    fn what_is_left_is_the_vibration() {
        let (track, run_out) = run_up(0.05);
        let slow = SlowRoll::of(&track, Quantity::Displacement, None, 400.0).expect("slow roll");
        // vibration at 300 rpm is 0.0025
        assert!((slow.vector - run_out).norm() < 0.0035 + 4.0 * slow.error, "{slow:?}");
        assert_eq!(slow.points, 407);
        assert!((slow.turns - 0.1 * (399.0 * 5.0 + 7.0 * 5.8)).abs() < 3.0, "{}", slow.turns);
        assert!(!slow.changes);
        let left = slow.taken_from(&track);
        let top = left.phasors.last().expect("points");
        let true_top = Complex64::from_polar((6285.0_f64 / 6000.0).powi(2), 1.0);
        assert!((top - true_top).norm() < 0.3, "{top}");
        assert_eq!(left.errors[0], 0.05_f64.hypot(slow.error));
    }

    /// Independent points: the error of the mean falls as the root of their number.
    #[test]
    fn the_error_is_that_of_the_mean() {
        let (track, _) = run_up(0.05);
        let slow = SlowRoll::of(&track, Quantity::Displacement, None, 300.0).expect("slow roll");
        let expected = 0.05 / 401_f64.sqrt();
        assert!(slow.error > 0.6 * expected && slow.error < 2.5 * expected, "{}", slow.error);
    }

    #[test]
    fn a_speed_that_is_not_slow_is_noticed() {
        let (track, _) = run_up(0.005);
        let slow = SlowRoll::of(&track, Quantity::Displacement, None, 5000.0).expect("points");
        assert!(slow.changes);
    }

    #[test]
    fn what_shows_no_run_out_is_refused_in_one_sentence() {
        let (track, _) = run_up(0.05);
        let said = |quantity, corner, below| {
            SlowRoll::of(&track, quantity, corner, below).expect_err("refused").to_string()
        };
        let text = said(Quantity::Acceleration, None, 400.0);
        assert!(text.contains("measures acceleration, which shows no run-out"), "{text}");
        let text = said(Quantity::Displacement, Some(1.0), 400.0);
        assert!(text.contains("600 rpm, ten times the corner"), "{text}");
        let text = said(Quantity::Displacement, None, 100.0);
        assert!(text.contains("its lowest speed is 300 rpm"), "{text}");
        assert!(said(Quantity::Displacement, None, f64::NAN).contains("no speed"));
        let empty = SlowRoll::of(&Track::empty(1.0), Quantity::Displacement, None, 400.0);
        let text = empty.expect_err("no points").to_string();
        assert!(text.contains("none") && !text.contains("inf"), "{text}");
        // a lower corner leaves the speeds above ten times of it
        let some = SlowRoll::of(&track, Quantity::Displacement, Some(0.55), 400.0).expect("some");
        assert!(some.rpm[0] >= 330.0, "{some:?}");
    }

    /// Tracks of a vector that never changes, in normal noise: the share of them that are said to change is that
    /// of false alarms, however few points tell their own scatter. Of 2000 it makes 4; 13 or more would come by
    /// chance three times in ten thousand (Poisson distribution).
    #[test]
    fn false_alarms_are_as_rare_whatever_the_number_of_points() {
        let mut random = Random(5);
        // the sum of twelve even spreads is near enough to normal
        let mut normal = || (0..12).map(|_| random.next()).sum::<f64>() / 2.0;
        for points in [4, 9, 100] {
            let alarms = (0..2000).filter(|_| {
                let mut track = Track::empty(1.0);
                for step in 0..points {
                    track.times_s.push(f64::from(step));
                    track.rpm.push(300.0 + f64::from(step));
                    track.phasors.push(Complex64::new(3.0 + normal(), normal()));
                    track.errors.push(1e-6);
                }
                let slow = SlowRoll::of(&track, Quantity::Displacement, None, 1000.0);
                slow.expect("slow roll").changes
            });
            let alarms = alarms.count();
            assert!((1..=12).contains(&alarms), "{alarms} among 2000 of {points} points");
        }
        // stated errors are known: the exponential distribution
        assert!((by_chance(f64::INFINITY) - 12.43).abs() < 0.01);
        assert!((by_chance(1e9) - by_chance(f64::INFINITY)).abs() < 1e-6);
    }

    /// A speed that is no slow roll at all, the critical speed itself: the vector swings there by more than it
    /// changes on the way.
    #[test]
    fn a_vector_taken_up_to_the_critical_speed_changes() {
        let (mut track, run_out) = run_up(0.02);
        let mut random = Random(9);
        for (phasor, rpm) in track.phasors.iter_mut().zip(&track.rpm) {
            let r = rpm / 6000.0;
            let scatter = 0.03 * Complex64::new(random.next(), random.next());
            *phasor = run_out + r * r / Complex64::new(1.0 - r * r, r / 12.0) + scatter;
        }
        let told = |below_rpm: f64| {
            let slow = SlowRoll::of(&track, Quantity::Displacement, None, below_rpm);
            slow.expect("slow roll").changes
        };
        assert!(told(6000.0) && told(6300.0) && told(3000.0));
        assert!(!told(400.0));
    }
}
