//! What fitness checks and the search for taps share about one channel: extremes, mean, level and the step of its converter.

use super::Channel;
use crate::dsp::stats;

/// Values looked at to infer a converter's step.
const SAMPLED: usize = 8192;
/// Share of equal values among them above which the values are taken to lie on steps. Values of a
/// continuous distribution in single precision coincide far more rarely.
const EQUAL_SHARE: f64 = 0.05;
/// Fewer levels than this may be those of a wave locked to the sampling clock.
const FEW_LEVELS: usize = 64;

/// A channel with the numbers of one look at its samples.
pub struct Survey<'a> {
    /// The channel itself.
    pub channel: &'a Channel,
    /// Samples that are not finite numbers.
    pub non_finite: usize,
    /// Lowest finite value.
    pub low: f32,
    /// Highest finite value.
    pub high: f32,
    /// Mean of the finite values.
    pub mean: f64,
    /// Root mean square about the mean.
    pub rms: f64,
    /// Step between neighbouring values: stated by the file or inferred; `None` where too fine to
    /// matter.
    pub step: Option<f64>,
}

impl<'a> Survey<'a> {
    /// Looks over the samples of a channel.
    pub fn of(channel: &'a Channel) -> Self {
        let values = channel.values();
        // sums about the first value: a large offset would eat the digits of the squares
        let origin = values.iter().copied().find(|v| v.is_finite()).unwrap_or(0.0);
        let moments = Moments::of(values, origin);
        let (shift, rms) = moments.mean_and_rms();
        Self {
            channel,
            non_finite: values.len() - moments.finite,
            low: moments.low,
            high: moments.high,
            mean: f64::from(origin) + shift,
            rms,
            step: channel.least_step.or_else(|| inferred_step(values)),
        }
    }

    /// The samples in the channel's unit.
    pub fn values(&self) -> &'a [f32] {
        self.channel.values()
    }

    /// Highest less lowest value.
    pub fn range(&self) -> f64 {
        f64::from(self.high) - f64::from(self.low)
    }

    /// Symbol of the channel's unit.
    pub fn unit(&self) -> &'static str {
        self.channel.spec.unit().symbol()
    }

    /// The finest difference that the samples can show: the step, or single precision itself.
    pub fn resolution(&self) -> f64 {
        let largest = f64::from(self.low.abs().max(self.high.abs()));
        self.step.unwrap_or(0.0).max(largest * f64::from(f32::EPSILON))
    }
}

/// Sums side by side, so that additions need not wait for each other.
const LANES: usize = 8;

/// Extremes and sums of the finite values of a stretch.
pub struct Moments {
    /// How many values are finite.
    pub finite: usize,
    /// Lowest of them and of the origin.
    pub low: f32,
    /// Highest of them and of the origin.
    pub high: f32,
    /// Sum of their distances from the origin.
    pub sum: f64,
    /// Sum of the squares of these.
    pub squares: f64,
}

impl Moments {
    /// Extremes and sums about `origin`, in one pass.
    pub fn of(values: &[f32], origin: f32) -> Self {
        let mut lanes = Lanes::at(origin);
        let (blocks, rest) = values.as_chunks::<LANES>();
        for block in blocks {
            lanes.add(block, origin);
        }
        let mut last = [origin; LANES];
        last[..rest.len()].copy_from_slice(rest);
        lanes.add(&last, origin);
        Self {
            finite: values.len() - lanes.lost.iter().map(|&n| n as usize).sum::<usize>(),
            low: lanes.low.into_iter().fold(origin, f32::min),
            high: lanes.high.into_iter().fold(origin, f32::max),
            sum: lanes.sum.iter().sum(),
            squares: lanes.squares.iter().sum(),
        }
    }

    /// Mean distance from the origin and rms about the mean.
    pub fn mean_and_rms(&self) -> (f64, f64) {
        let n = self.finite.max(1) as f64;
        let mean = self.sum / n;
        (mean, (self.squares / n - mean * mean).max(0.0).sqrt())
    }
}

/// The running extremes and sums of [`Moments`], side by side.
struct Lanes {
    low: [f32; LANES],
    high: [f32; LANES],
    sum: [f64; LANES],
    squares: [f64; LANES],
    lost: [u32; LANES],
}

impl Lanes {
    fn at(origin: f32) -> Self {
        Self {
            low: [origin; LANES],
            high: [origin; LANES],
            sum: [0.0; LANES],
            squares: [0.0; LANES],
            lost: [0; LANES],
        }
    }

    /// Adds one value to each lane, the origin in place of what is no number.
    fn add(&mut self, block: &[f32; LANES], origin: f32) {
        for (lane, &value) in block.iter().enumerate() {
            let is_lost = !(value.abs() < f32::INFINITY);
            let value = if is_lost { origin } else { value };
            self.lost[lane] += u32::from(is_lost);
            self.low[lane] = if value < self.low[lane] { value } else { self.low[lane] };
            self.high[lane] = if value > self.high[lane] { value } else { self.high[lane] };
            let shifted = f64::from(value) - f64::from(origin);
            self.sum[lane] += shifted;
            self.squares[lane] += shifted * shifted;
        }
    }
}

/// The step of values that lie on steps, from the smallest gap in a sorted sample of them.
fn inferred_step(values: &[f32]) -> Option<f64> {
    let stride = (values.len() / SAMPLED).max(1);
    let mut sample: Vec<f64> =
        values.iter().step_by(stride).filter(|v| v.is_finite()).map(|&v| f64::from(v)).collect();
    sample.sort_by(f64::total_cmp);
    let largest = sample.iter().fold(0.0_f64, |largest, v| largest.max(v.abs()));
    let blur = 4.0 * f64::from(f32::EPSILON) * largest;
    let gaps: Vec<f64> =
        sample.windows(2).map(|pair| pair[1] - pair[0]).filter(|&gap| gap > blur).collect();
    let equal = sample.len().saturating_sub(1 + gaps.len());
    if gaps.len() < 2 || (equal as f64) < EQUAL_SHARE * sample.len() as f64 {
        return None;
    }
    if gaps.len() < FEW_LEVELS && repeats(values, blur) {
        return None;
    }
    let smallest = gaps.iter().copied().fold(f64::INFINITY, f64::min);
    // the smallest gap carries the rounding of two values; the median of the near-smallest does not
    let mut near: Vec<f64> = gaps.iter().copied().filter(|&gap| gap < 1.5 * smallest).collect();
    let step = stats::median_of(&mut near);
    let on_step = |gap: &&f64| {
        let steps = **gap / step;
        (steps - steps.round()).abs() < 0.05 + blur / step
    };
    let short: Vec<f64> = gaps.into_iter().filter(|&gap| gap < 10.0 * step).collect();
    let fitting = short.iter().filter(on_step).count();
    (fitting as f64 >= 0.95 * short.len() as f64).then_some(step)
}

/// Whether the values repeat with a period of at most [`FEW_LEVELS`] samples: a wave of few samples a
/// period has few values, and they say nothing about the converter.
fn repeats(values: &[f32], blur: f64) -> bool {
    let start = &values[..values.len().min(SAMPLED)];
    let alike = |a: f32, b: f32| (f64::from(a) - f64::from(b)).abs() <= blur;
    (1..=FEW_LEVELS).any(|period| {
        start.len() > 4 * period && start.iter().zip(&start[period..]).all(|(&a, &b)| alike(a, b))
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn moments_leave_out_what_is_no_number() {
        let mut values: Vec<f32> = (0..103).map(|i| 1000.0 + (i % 5) as f32).collect();
        values[50] = f32::NAN;
        values[51] = f32::INFINITY;
        let moments = Moments::of(&values, 1000.0);
        let kept: Vec<f32> = values.iter().copied().filter(|v| v.is_finite()).collect();
        let mean = stats::mean_f32(&kept);
        let (shift, rms) = moments.mean_and_rms();
        assert_eq!((moments.finite, moments.low, moments.high), (101, 1000.0, 1004.0));
        assert!((1000.0 + shift - mean).abs() < 1e-9);
        assert!((rms - stats::rms_f32(&kept, mean)).abs() < 1e-9);
        assert_eq!(Moments::of(&[], 0.0).mean_and_rms(), (0.0, 0.0));
    }

    #[test]
    fn finds_the_step_of_quantised_floats_and_none_in_smooth_ones() {
        let wave =
            |i: i32| 0.9 + 0.2 * (f64::from(i) * 0.377).sin() * (f64::from(i) * 0.0113).cos();
        let coarse: Vec<f32> =
            (0..40_000).map(|i| ((wave(i) / 0.0005).round() * 0.0005) as f32).collect();
        let step = inferred_step(&coarse).expect("values lie on steps");
        assert!((step / 0.0005 - 1.0).abs() < 1e-3, "{step}");
        let smooth: Vec<f32> = (0..40_000).map(|i| wave(i) as f32).collect();
        assert_eq!(inferred_step(&smooth), None);
        assert_eq!(inferred_step(&[1.0; 100]), None);
        let locked: Vec<f32> = (0..4000).map(|i| [0.0, 1.0, 0.0, -1.0][i % 4]).collect();
        assert_eq!(inferred_step(&locked), None);
        // an idle converter that toggles between three codes without any rhythm
        let mut state = 1_u32;
        let mut code = || {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            ((state >> 24) % 3) as f32
        };
        let idle: Vec<f32> = (0..4000).map(|_| 0.25 * code()).collect();
        assert_eq!(inferred_step(&idle), Some(0.25));
    }
}
