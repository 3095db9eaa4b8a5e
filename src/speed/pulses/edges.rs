//! Finds the swings of a pulse channel: a threshold with hysteresis that follows the data.
//!
//! No fixed level serves: through an AC-coupled input the two levels wander with the duty cycle and
//! sag within a pulse, and a magnet's sine grows with speed. So a swing is counted whenever the signal
//! turns back by more than a share of the swings around it, wherever its levels are just then.

use crate::dsp::stats::quantile_of;
use crate::recording::PulseKind;

/// A swing counts when it exceeds this share of the swings around it.
const SHARE_OF_SWING: f64 = 0.45;
/// Swings on either side among which the local size is sought.
const NEIGHBOURS: usize = 20;
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
        let first = zigzag(used, |_| least);
        let local = local_thresholds(&first, least);
        let mut at = 0;
        return zigzag(used, |index| {
            while local.get(at + 1).is_some_and(|next| next.0 <= index) {
                at += 1;
            }
            local.get(at).map_or(least, |threshold| threshold.1)
        });
    }
    Vec::new()
}

/// Standard deviation of white noise, from the smaller second differences (pulses make the large ones).
pub(super) fn noise_deviation(samples: &[f32]) -> f64 {
    let stride = (samples.len() / 200_000).max(1);
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
    let mut ranges: Vec<f64> = samples
        .chunks(block)
        .map(|chunk| {
            let (low, high) = chunk
                .iter()
                .fold((f32::INFINITY, f32::NEG_INFINITY), |(l, h), &x| (l.min(x), h.max(x)));
            f64::from(high - low)
        })
        .collect();
    quantile_of(&mut ranges, 0.9)
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

/// Turning points at which the signal comes back by more than `threshold(index)`.
fn zigzag(samples: &[f32], mut threshold: impl FnMut(usize) -> f32) -> Vec<Extreme> {
    let mut found = Vec::new();
    let Some(&first) = samples.first() else { return found };
    let mut low = Extreme { index: 0, value: first, high: false };
    let mut high = Extreme { index: 0, value: first, high: true };
    // what is being sought: None until the first swing tells
    let mut seeks_high: Option<bool> = None;
    for (index, &value) in samples.iter().enumerate() {
        if value > high.value {
            high = Extreme { index, value, high: true };
        }
        if value < low.value {
            low = Extreme { index, value, high: false };
        }
        let rises = seeks_high != Some(true) && value > low.value;
        let falls = seeks_high != Some(false) && value < high.value;
        if !(rises || falls) {
            continue;
        }
        let enough = threshold(index);
        if rises && value - low.value > enough {
            found.push(low);
            seeks_high = Some(true);
            high = Extreme { index, value, high: true };
        } else if falls && high.value - value > enough {
            found.push(high);
            seeks_high = Some(false);
            low = Extreme { index, value, high: false };
        }
    }
    match seeks_high {
        Some(true) => found.push(high),
        Some(false) => found.push(low),
        None => {}
    }
    found
}

/// `(index, threshold)` from each turning point on: a share of the third largest swing nearby, so
/// that neither the ringing of an edge nor two spikes set it.
fn local_thresholds(extremes: &[Extreme], least: f32) -> Vec<(usize, f32)> {
    let swings: Vec<f32> = extremes
        .windows(2)
        .map(|pair| match pair {
            [a, b] => (b.value - a.value).abs(),
            _ => 0.0,
        })
        .collect();
    let third_largest = |i: usize| {
        let from = i.saturating_sub(NEIGHBOURS);
        let to = (i + NEIGHBOURS + 1).min(swings.len());
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
    extremes
        .iter()
        .take(swings.len())
        .enumerate()
        .map(|(i, extreme)| (extreme.index, least.max(SHARE_OF_SWING as f32 * third_largest(i))))
        .collect()
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
