//! Finds the swings of a pulse channel: a threshold with hysteresis that follows the data.
//!
//! No fixed level serves: through an AC-coupled input the two levels wander with the duty cycle and
//! sag within a pulse, and a magnet's sine grows with speed. So a swing is counted whenever the signal
//! turns back by more than a share of the swings around it, wherever its levels are just then.

use crate::dsp::stats::quantile_of;
use crate::recording::PulseKind;

/// A swing counts when it exceeds this share of the swings around it.
const SHARE_OF_SWING: f64 = 0.45;
/// Swings that share a threshold, and those on either side among which their size is sought.
const BLOCK: usize = 8;
const NEIGHBOURS: usize = 16;
/// Samples that are looked at together.
const LANES: usize = 8;
/// Differences from which the noise is taken, spread over the recording.
const NOISE_PLACES: usize = 50_000;
/// A swing of noise alone hardly ever exceeds this many standard deviations.
const NOISE_SWING: f64 = 8.0;
/// Lengths of the moving average tried for detection, until the noise no longer makes swings.
const AVERAGES: [usize; 5] = [1, 3, 5, 9, 17];

/// A turning point of the signal.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Extreme {
    /// Index of the sample.
    pub index: usize,
    /// Its value.
    pub value: f32,
    /// Whether it is a maximum.
    pub high: bool,
}

/// The turning points of all swings that count; minima and maxima alternate.
pub(super) fn turning_points(samples: &[f32], kind: PulseKind) -> Vec<Extreme> {
    // a mark looks the same at any speed, a magnet's voltage rises with it
    let least_share = if kind == PulseKind::Magnet { 0.02 } else { 0.08 };
    for (attempt, &length) in AVERAGES.iter().enumerate() {
        let averaged;
        let used = if length == 1 {
            samples
        } else {
            averaged = moving_average(samples, length);
            &averaged
        };
        let (noise, swing) = (noise_deviation(samples) / (length as f64).sqrt(), usual_swing(used));
        let drowned = NOISE_SWING * noise > SHARE_OF_SWING * swing;
        if drowned && attempt + 1 < AVERAGES.len() {
            continue;
        }
        if swing <= 0.0 || drowned {
            return Vec::new();
        }
        let least = (NOISE_SWING * noise).max(least_share * swing) as f32;
        let first = swings_beyond(used, least);
        return swings_beyond_local(&first, least);
    }
    Vec::new()
}

/// Standard deviation of white noise, from the smaller second differences (pulses make the large ones).
pub(super) fn noise_deviation(samples: &[f32]) -> f64 {
    let stride = (samples.len() / NOISE_PLACES).max(1);
    let mut differences: Vec<f64> = samples
        .windows(3)
        .step_by(stride)
        .map(|w| match w {
            [a, b, c] => f64::from(b - 0.5 * (a + c)).abs(),
            _ => 0.0,
        })
        .collect();
    // the lower quartile of |x| for a Gaussian is 0.3186 deviations; the difference has 1.5 variances
    quantile_of(&mut differences, 0.25) / (0.3186 * 1.5_f64.sqrt())
}

/// The usual range of the signal within a block; blocks with spikes or without pulses do not count.
fn usual_swing(samples: &[f32]) -> f64 {
    let block = (samples.len() / 32).clamp(256, 8192);
    let mut ranges: Vec<f64> = samples.chunks(block).map(range).collect();
    quantile_of(&mut ranges, 0.9)
}

/// Largest less smallest value, in lanes that the compiler turns into vector instructions.
fn range(samples: &[f32]) -> f64 {
    let (mut low, mut high) = ([f32::INFINITY; LANES], [f32::NEG_INFINITY; LANES]);
    let (whole, rest) = samples.as_chunks::<LANES>();
    let mut widen = |lane: usize, x: f32| {
        low[lane] = if x < low[lane] { x } else { low[lane] };
        high[lane] = if x > high[lane] { x } else { high[lane] };
    };
    for chunk in whole {
        (0..LANES).for_each(|lane| widen(lane, chunk[lane]));
    }
    rest.iter().for_each(|&x| widen(0, x));
    let low = low.into_iter().fold(f32::INFINITY, f32::min);
    let high = high.into_iter().fold(f32::NEG_INFINITY, f32::max);
    f64::from(high - low)
}

fn moving_average(samples: &[f32], length: usize) -> Vec<f32> {
    let half = length / 2;
    let value = |i: usize| {
        let from = i.saturating_sub(half);
        let to = (i + half + 1).min(samples.len());
        let part = samples.get(from..to).unwrap_or(&[]);
        part.iter().sum::<f32>() / part.len().max(1) as f32
    };
    (0..samples.len()).map(value).collect()
}

/// Follows a signal from one turning point to the next.
#[derive(Debug)]
struct Follower {
    low: Extreme,
    high: Extreme,
    /// What is being sought: `None` until the first swing tells.
    seeks_high: Option<bool>,
}

impl Follower {
    fn new(first: f32) -> Self {
        let at = |high: bool| Extreme { index: 0, value: first, high };
        Self { low: at(false), high: at(true), seeks_high: None }
    }

    /// The turning point before this value, if the signal has come back from it by more than
    /// `threshold`.
    fn push(&mut self, index: usize, value: f32, threshold: f32) -> Option<Extreme> {
        if value > self.high.value {
            self.high = Extreme { index, value, high: true };
        }
        if value < self.low.value {
            self.low = Extreme { index, value, high: false };
        }
        if self.seeks_high != Some(true) && value - self.low.value > threshold {
            self.seeks_high = Some(true);
            self.high = Extreme { index, value, high: true };
            return Some(self.low);
        }
        if self.seeks_high != Some(false) && self.high.value - value > threshold {
            self.seeks_high = Some(false);
            self.low = Extreme { index, value, high: false };
            return Some(self.high);
        }
        None
    }

    /// Whether one of the values goes beyond the extreme so far, or comes back from it by more than
    /// `threshold`.
    fn is_moved_by(&self, values: &[f32; LANES], threshold: f32) -> bool {
        match self.seeks_high {
            None => true,
            Some(true) => {
                let top = self.high.value;
                values.iter().fold(false, |any, &x| any | (x > top) | (top - x > threshold))
            }
            Some(false) => {
                let bottom = self.low.value;
                values.iter().fold(false, |any, &x| any | (x < bottom) | (x - bottom > threshold))
            }
        }
    }

    /// The last turning point, from which the signal has not come back.
    fn last(&self) -> Option<Extreme> {
        self.seeks_high.map(|seeks_high| if seeks_high { self.high } else { self.low })
    }
}

/// Turning points at which the signal comes back by more than `threshold`.
fn swings_beyond(samples: &[f32], threshold: f32) -> Vec<Extreme> {
    let Some(&first) = samples.first() else { return Vec::new() };
    let mut found = Vec::new();
    let mut follower = Follower::new(first);
    let mut follow = |follower: &mut Follower, from: usize, values: &[f32]| {
        for (i, &value) in values.iter().enumerate() {
            found.extend(follower.push(from + i, value, threshold));
        }
    };
    let (whole, rest) = samples.as_chunks::<LANES>();
    for (i, chunk) in whole.iter().enumerate() {
        // most chunks lie on a level, where nothing happens
        if follower.is_moved_by(chunk, threshold) {
            follow(&mut follower, i * LANES, chunk);
        }
    }
    follow(&mut follower, whole.len() * LANES, rest);
    found.extend(follower.last());
    found
}

/// Those turning points of `first` from which the signal comes back by more than a share of the third
/// largest swing nearby, so that neither the ringing of an edge nor two spikes set what counts.
fn swings_beyond_local(first: &[Extreme], least: f32) -> Vec<Extreme> {
    let Some(start) = first.first() else { return Vec::new() };
    let thresholds = local_thresholds(first, least);
    let mut found = Vec::new();
    let mut follower = Follower::new(start.value);
    for (i, extreme) in first.iter().enumerate() {
        let threshold = thresholds.get(i / BLOCK).copied().unwrap_or(least);
        found.extend(follower.push(extreme.index, extreme.value, threshold));
    }
    found.extend(follower.last());
    found
}

/// The threshold for each block of swings, from the swings of the blocks around it.
fn local_thresholds(extremes: &[Extreme], least: f32) -> Vec<f32> {
    let swings: Vec<f32> = extremes
        .windows(2)
        .map(|pair| match pair {
            [a, b] => (b.value - a.value).abs(),
            _ => 0.0,
        })
        .collect();
    let third_largest = |block: usize| {
        let from = (block * BLOCK).saturating_sub(NEIGHBOURS);
        let to = ((block + 1) * BLOCK + NEIGHBOURS).min(swings.len());
        let (mut a, mut b, mut c) = (0.0_f32, 0.0_f32, 0.0_f32);
        for &x in swings.get(from..to).unwrap_or(&[]) {
            if x > a {
                (a, b, c) = (x, a, b);
            } else if x > b {
                (b, c) = (x, b);
            } else if x > c {
                c = x;
            }
        }
        c
    };
    let blocks = extremes.len().div_ceil(BLOCK);
    (0..blocks).map(|i| least.max(SHARE_OF_SWING as f32 * third_largest(i))).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn follows_a_sine_that_grows_and_ignores_its_drift() {
        // 50 samples per cycle, amplitude 0.1 to 1, baseline moving by 3
        let samples: Vec<f32> = (0..20_000)
            .map(|i| {
                let t = f64::from(i);
                let level = 0.1 + 0.9 * t / 20_000.0;
                (3.0 * t / 20_000.0 + level * (std::f64::consts::TAU * t / 50.0).sin()) as f32
            })
            .collect();
        let points = turning_points(&samples, PulseKind::Magnet);
        let highs = points.iter().filter(|p| p.high).count();
        assert!((398..=401).contains(&highs), "{highs}");
        assert!(points.windows(2).all(|pair| pair[0].high != pair[1].high));
    }

    #[test]
    fn silence_and_constants_have_no_swings() {
        assert!(turning_points(&[], PulseKind::Mark).is_empty());
        assert!(turning_points(&[0.5; 5000], PulseKind::Mark).is_empty());
    }
}
