//! Sampling rate and start from a column of times.

#![deny(clippy::indexing_slicing, clippy::unwrap_used, clippy::expect_used, clippy::panic)]

/// How far a time may lie off an even ramp, in sample intervals: printed times are rounded.
const TOLERANCE: f64 = 0.5;

/// Steps between neighbouring times, as multiples of the typical one, that are still a single sample
/// interval: times printed to half an interval step by 0.5 to 1.5 of it, a lost sample makes 2.
const STEPS: std::ops::RangeInclusive<f64> = 0.4..=1.6;

/// An even sequence of times.
#[derive(Debug, PartialEq)]
pub(super) struct Timebase {
    pub(super) rate_hz: f64,
    pub(super) start_s: f64,
}

/// Where and why times are not even.
#[derive(Debug, PartialEq)]
pub(super) struct Uneven {
    /// Index of the time that does not fit.
    pub(super) index: usize,
    pub(super) problem: String,
}

/// The rate of times in seconds, by a straight line through all of them.
///
/// Every time must lie within half a sample interval of the line and follow the one before by 0.4
/// to 1.6 of the median step. A rate that is a whole number within the precision of the times is
/// taken as that number.
pub(super) fn from_times(times: &[f64]) -> Result<Timebase, Uneven> {
    let (Some(&first), Some(&last)) = (times.first(), times.last()) else {
        return Err(uneven(0, "there are no times".into()));
    };
    if let Some(index) = times.iter().position(|t| !t.is_finite()) {
        return Err(uneven(index, "the time is not a number".into()));
    }
    if times.len() < 2 {
        return Err(uneven(0, "a single time gives no sampling rate".into()));
    }
    let typical_s = median_step(times);
    if typical_s <= 0.0 {
        return Err(uneven(1, "times do not rise".into()));
    }
    for (i, step_s) in steps(times).enumerate() {
        if !STEPS.contains(&(step_s / typical_s)) {
            return Err(uneven(
                i + 1,
                format!(
                    "times are uneven: a step of {step_s:.3e} s among steps of {typical_s:.3e} s"
                ),
            ));
        }
    }
    let interval_s = slope(times);
    let (mean, middle) = (mean_of(times), (times.len() - 1) as f64 / 2.0);
    let mut worst_s = 0.0_f64;
    for (i, &t) in times.iter().enumerate() {
        let off_s = (t - mean - (i as f64 - middle) * interval_s).abs();
        if off_s > TOLERANCE * interval_s {
            return Err(uneven(
                i,
                format!("times are uneven: {off_s:.3e} s off an even ramp of {interval_s:.3e} s"),
            ));
        }
        worst_s = worst_s.max(off_s);
    }
    let precision = 2.0 * worst_s / (last - first) + 1e-9;
    Ok(Timebase { rate_hz: round_within(1.0 / interval_s, precision), start_s: first })
}

fn uneven(index: usize, problem: String) -> Uneven {
    Uneven { index, problem }
}

fn steps(times: &[f64]) -> impl Iterator<Item = f64> {
    times.iter().zip(times.iter().skip(1)).map(|(before, after)| after - before)
}

fn median_step(times: &[f64]) -> f64 {
    let mut steps: Vec<f64> = steps(times).collect();
    let middle = steps.len() / 2;
    if steps.is_empty() { 0.0 } else { *steps.select_nth_unstable_by(middle, f64::total_cmp).1 }
}

fn mean_of(times: &[f64]) -> f64 {
    let first = times.first().copied().unwrap_or(0.0);
    first + times.iter().map(|t| t - first).sum::<f64>() / times.len() as f64
}

/// Slope of the least-squares line of times over their index.
fn slope(times: &[f64]) -> f64 {
    let mean = mean_of(times);
    let middle = (times.len() - 1) as f64 / 2.0;
    let (mut up, mut down) = (0.0, 0.0);
    for (i, t) in times.iter().enumerate() {
        let x = i as f64 - middle;
        up += x * (t - mean);
        down += x * x;
    }
    up / down
}

/// `rate`, or the nearest whole number if that lies within the relative `precision`.
fn round_within(rate: f64, precision: f64) -> f64 {
    let whole = rate.round();
    if whole > 0.0 && (rate / whole - 1.0).abs() <= precision { whole } else { rate }
}

#[cfg(test)]
#[allow(clippy::indexing_slicing, clippy::unwrap_used)]
mod tests {
    use super::*;

    fn ramp(rate_hz: f64, n: usize, decimals: i32) -> Vec<f64> {
        let unit = 10_f64.powi(decimals);
        (0..n).map(|i| (i as f64 / rate_hz * unit).round() / unit).collect()
    }

    #[test]
    fn rounded_times_give_the_whole_rate() {
        for decimals in [5, 6, 9] {
            let base = from_times(&ramp(51_200.0, 5000, decimals)).unwrap();
            assert_eq!(base, Timebase { rate_hz: 51_200.0, start_s: 0.0 }, "{decimals} decimals");
        }
    }

    #[test]
    fn a_rate_that_is_no_whole_number_is_kept() {
        let base = from_times(&ramp(48_828.125, 5000, 12)).unwrap();
        assert!((base.rate_hz / 48_828.125 - 1.0).abs() < 1e-8, "{base:?}");
    }

    #[test]
    fn gaps_and_backward_steps_are_found() {
        let mut times = ramp(1000.0, 100, 9);
        times.remove(40);
        assert_eq!(from_times(&times).unwrap_err().index, 40);
        let mut back = ramp(1000.0, 100, 9);
        back[7] = 0.0;
        assert_eq!(from_times(&back).unwrap_err().index, 7);
        assert_eq!(from_times(&[0.0, 0.0, 0.0]).unwrap_err().index, 1);
        assert!(from_times(&[0.0, f64::NAN]).is_err() && from_times(&[1.0]).is_err());
    }
}
