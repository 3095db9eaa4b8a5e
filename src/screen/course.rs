//! How the first order of a channel ran over speed, in few points: what a row keeps for pictures.

use serde::{Deserialize, Serialize};

use crate::angle::Track;
use crate::case::{View, levels};
use crate::units::{Amplitude, Quantity};

/// Steps of speed between the lowest and the highest.
const STEPS: usize = 40;
/// Speeds that differ by less than this share are nearly the same.
const ALIKE: f64 = 0.02;
/// Millimetres in a metre.
const MM: f64 = 1000.0;

/// The first order of one channel over the speeds that levels count: the greatest value in each of 40 steps.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Course {
    /// The channel.
    pub channel: String,
    /// Unit with its convention: `mm/s rms`; `FS rms` or `Pa rms` of what is no calibrated motion.
    pub unit: String,
    /// Speeds in rpm, rising.
    pub rpm: Vec<f64>,
    /// The values in `unit`, as many as speeds.
    pub order1: Vec<f64>,
}

impl Course {
    /// The course of a channel; `None` where it has no first order.
    pub(super) fn of(view: &View) -> Option<Self> {
        let (track, scale, unit) = if view.measures_motion() {
            (view.track_as(1.0, Quantity::Velocity)?, MM, "mm/s")
        } else {
            (view.order_map()?.track(1.0)?, 1.0, view.channel.spec.unit().symbol())
        };
        let amplitude = Amplitude::Rms;
        let counted = levels::counted(view, &track);
        let (rpm, order1) = steps(&counted, scale * amplitude.from_peak())?;
        let (channel, unit) = (view.name().to_owned(), format!("{unit} {}", amplitude.word()));
        Some(Self { channel, unit, rpm, order1 })
    }

    /// The value at a speed in rpm, on a straight line between its neighbours; `None` outside. A constant
    /// speed counts for all that are nearly the same.
    pub fn at(&self, rpm: f64) -> Option<f64> {
        if let ([only], [value]) = (self.rpm.as_slice(), self.order1.as_slice()) {
            return ((rpm / only - 1.0).abs() < ALIKE).then_some(*value);
        }
        let after = self.rpm.partition_point(|&known| known < rpm);
        let (high, value) = (*self.rpm.get(after)?, *self.order1.get(after)?);
        if high <= rpm {
            return Some(value);
        }
        let before = after.checked_sub(1)?;
        let (low, from) = (*self.rpm.get(before)?, *self.order1.get(before)?);
        Some(from + (value - from) * (rpm - low) / (high - low))
    }
}

/// The greatest amplitude, times `scale`, in each step of speed that any block falls into, with the speed
/// at which it stands.
fn steps(track: &Track, scale: f64) -> Option<(Vec<f64>, Vec<f64>)> {
    let highest = track.rpm.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let lowest = track.rpm.iter().copied().fold(f64::INFINITY, f64::min);
    let mut best: Vec<Option<(f64, f64)>> = vec![None; STEPS];
    for (&rpm, amplitude) in track.rpm.iter().zip(track.amplitudes()) {
        let share = if highest > lowest { (rpm - lowest) / (highest - lowest) } else { 0.0 };
        let step = ((share * STEPS as f64) as usize).min(STEPS - 1);
        let value = (rpm.round(), short(scale * amplitude));
        if let Some(known) = best.get_mut(step).filter(|_| value.1.is_finite()) {
            *known = Some(known.filter(|known| known.1 >= value.1).unwrap_or(value));
        }
    }
    let mut found: Vec<(f64, f64)> = best.into_iter().flatten().collect();
    // two steps may share a speed once it is rounded
    found.dedup_by(|later, earlier| {
        let same = later.0 <= earlier.0;
        if same {
            earlier.1 = earlier.1.max(later.1);
        }
        same
    });
    (!found.is_empty()).then(|| found.into_iter().unzip())
}

/// Four digits, which is more than any picture shows, so that a journal stays small.
fn short(value: f64) -> f64 {
    format!("{value:.3e}").parse().unwrap_or(value)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dsp::fft::Complex64;

    fn track(points: impl Iterator<Item = (f64, f64)>) -> Track {
        let (rpm, heights): (Vec<f64>, Vec<f64>) = points.unzip();
        Track {
            order: 1.0,
            times_s: rpm.iter().map(|rpm| rpm / 1e4).collect(),
            phasors: heights.iter().map(|&height| Complex64::new(0.0, height)).collect(),
            errors: vec![0.0; rpm.len()],
            rpm,
        }
    }

    #[test]
    fn each_step_of_speed_keeps_its_greatest_value() {
        // 400 blocks from 10 000 to 50 000 rpm, up and down again, a peak at 30 000
        let up = (0..400).map(|i| 10_000.0 + 100.0 * f64::from(i));
        let peak = |rpm: f64| 1.0 / (1.0 + ((rpm - 30_000.0) / 900.0).powi(2));
        let both = up.clone().chain(up.rev()).map(|rpm| (rpm, peak(rpm)));
        let (rpm, values) = steps(&track(both), 2.0).expect("a course");
        assert_eq!(rpm.len(), STEPS);
        assert!(rpm.is_sorted() && rpm.windows(2).all(|pair| pair[0] < pair[1]));
        let at = values.iter().position(|&value| value == 2.0).expect("the peak is kept");
        assert_eq!(rpm[at], 30_000.0);
    }

    #[test]
    fn a_steady_speed_is_one_point_and_nothing_is_none() {
        let steady = [(48_000.2, 3.0), (48_000.2, 4.0)];
        let (rpm, values) = steps(&track(steady.into_iter()), 0.5).expect("a course");
        assert_eq!((rpm, values), (vec![48_000.0], vec![2.0]));
        assert_eq!(steps(&track([].into_iter()), 1.0), None);
        assert_eq!(steps(&track([(100.0, f64::NAN)].into_iter()), 1.0), None);
        let close = (0..80).map(|i| (1000.0 + 0.02 * f64::from(i), f64::from(i)));
        let (rpm, values) = steps(&track(close), 1.0).expect("a course");
        assert_eq!(rpm, [1000.0, 1001.0, 1002.0]);
        assert_eq!(values, [23.0, 73.0, 79.0]);
    }

    #[test]
    fn values_between_stand_on_a_straight_line() {
        let (channel, unit) = (String::new(), String::new());
        let course =
            Course { channel, unit, rpm: vec![100.0, 200.0, 400.0], order1: vec![1.0, 3.0, 2.0] };
        assert_eq!(course.at(100.0), Some(1.0));
        assert_eq!(course.at(150.0), Some(2.0));
        assert_eq!(course.at(400.0), Some(2.0));
        assert_eq!(course.at(99.9), None);
        assert_eq!(course.at(400.1), None);
    }
}
