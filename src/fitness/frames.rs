//! Power spectra of stretches of a channel, shared by the checks that look at frequencies.

use crate::dsp::fft;
use crate::dsp::stats;
use crate::dsp::window::Window;
use crate::recording::survey::Survey;
use crate::speed::Speed;

/// Length of a long frame in seconds: lines 2 Hz apart are parted.
const LONG_S: f64 = 1.0;
/// Long frames looked at; more would not change a mean spectrum.
const LONG_FRAMES: usize = 24;
/// Short frames looked at along a change of speed.
const SWEEP_FRAMES: usize = 300;
/// Points at which the speed is read for them, and the fewest that are of use.
const GRID: usize = 2000;
const LEAST_SWEEP: usize = 8;
/// Change of speed, highest over lowest, from which frames along it are worth while.
const SWEEP_RATIO: f64 = 1.05;
/// Shortest record that is transformed, in samples.
const LEAST_LEN: usize = 256;

/// Power spectra of several frames.
pub struct Frames {
    /// Distance of bins in Hz.
    pub resolution_hz: f64,
    /// Time of each frame's middle, in seconds of the recording.
    pub mid_s: Vec<f64>,
    /// One-sided power per bin and frame: the bins of one frame sum to its mean square.
    pub power: Vec<Vec<f32>>,
}

impl Frames {
    /// Up to 24 frames of a second each (or the whole record, if shorter), spread over the record.
    pub fn long(survey: &Survey) -> Option<Self> {
        let len = survey.values().len();
        if len < LEAST_LEN {
            return None;
        }
        let wanted = (survey.channel.rate_hz * LONG_S) as usize;
        let frame = fft::good_length_below(wanted.clamp(LEAST_LEN, len));
        let count = (len / frame).clamp(1, LONG_FRAMES);
        let last = (len - frame) as f64;
        let starts =
            (0..count).map(|k| (last * k as f64 / (count - 1).max(1) as f64) as usize).collect();
        Some(Self::at(survey, frame, starts))
    }

    /// Short frames at even steps of the logarithm of speed, so that a hold counts once; `None` where
    /// the speed hardly changes. Their length keeps a line at half the rate within about two bins.
    pub fn along_sweep(survey: &Survey, speed: &Speed) -> Option<Self> {
        let (low, high) = speed.range_rpm();
        if !(low > 0.0) || high < SWEEP_RATIO * low {
            return None;
        }
        let (channel, len) = (survey.channel, survey.values().len());
        let (from, to) = (speed.start_s().max(channel.time_s(0.0)), speed.end_s());
        let time = |k: usize| from + (to - from) * k as f64 / GRID as f64;
        let logs: Vec<f64> = (0..=GRID).map(|k| speed.hz_at(time(k)).max(1e-9).ln()).collect();
        let mut moves: Vec<f64> = logs.windows(2).map(|pair| (pair[1] - pair[0]).abs()).collect();
        let step = moves.iter().sum::<f64>() / SWEEP_FRAMES as f64;
        // relative change of speed a second, on the steep parts
        let steep = stats::quantile_of(&mut moves, 0.9) * GRID as f64 / (to - from);
        // a line at half to full rate moves by 0.75 rate * steep * frame seconds: two bins at most
        let wanted = (2.7 * channel.rate_hz / steep.max(1e-3)).sqrt().clamp(256.0, 8192.0);
        let frame = fft::good_length(wanted as usize);
        if len < 4 * frame {
            return None;
        }
        let mut starts = Vec::new();
        let (mut travelled, mut next) = (0.0, 0.0);
        for k in 0..=GRID {
            travelled += if k == 0 { 0.0 } else { (logs[k] - logs[k - 1]).abs() };
            let start = channel.index_at(time(k)) - 0.5 * frame as f64;
            if travelled >= next && start >= 0.0 && start as usize + frame <= len {
                starts.push(start as usize);
                next = travelled + step;
            }
        }
        (starts.len() >= LEAST_SWEEP).then(|| Self::at(survey, frame, starts))
    }

    fn at(survey: &Survey, frame: usize, starts: Vec<usize>) -> Self {
        let window = Window::Hann.coefficients_f32(frame);
        let squares: f64 = window.iter().map(|&w| f64::from(w).powi(2)).sum();
        let scale = (2.0 / (squares * frame as f64)) as f32;
        let mean = survey.mean as f32;
        let plan = fft::forward_plan_f32(frame);
        let (mut input, mut bins) = (plan.make_input_vec(), plan.make_output_vec());
        let mut power = Vec::with_capacity(starts.len());
        for &start in &starts {
            let stretch = &survey.values()[start..start + frame];
            for ((slot, &value), &w) in input.iter_mut().zip(stretch).zip(&window) {
                *slot = if value.is_finite() { (value - mean) * w } else { 0.0 };
            }
            // the lengths are the plan's own
            if plan.process(&mut input, &mut bins).is_ok() {
                power.push(bins.iter().map(|bin| bin.norm_sqr() * scale).collect());
            }
        }
        let middle = |&start: &usize| survey.channel.time_s(start as f64 + 0.5 * frame as f64);
        Self {
            resolution_hz: survey.channel.rate_hz / frame as f64,
            mid_s: starts.iter().map(middle).collect(),
            power,
        }
    }

    /// Mean power per bin over all frames.
    pub fn mean_power(&self) -> Vec<f64> {
        let mut mean = vec![0.0; self.power.first().map_or(0, Vec::len)];
        for frame in &self.power {
            for (sum, &p) in mean.iter_mut().zip(frame) {
                *sum += f64::from(p) / self.power.len() as f64;
            }
        }
        mean
    }
}

/// How far the highest of the three bins about `bin` stands above the median of the bins from `near`
/// to `far` away on both sides, as a ratio of powers; `None` too close to an end.
pub fn contrast(power: &[f32], bin: usize, near: usize, far: usize) -> Option<f64> {
    if bin < near + 1 || bin + near + 1 >= power.len() {
        return None;
    }
    let below = &power[bin.saturating_sub(far).max(1)..=bin - near];
    let above = &power[bin + near..(bin + far + 1).min(power.len())];
    let mut around: Vec<f64> = below.iter().chain(above).map(|&p| f64::from(p)).collect();
    if around.len() < near {
        return None;
    }
    let floor = stats::median_of(&mut around).max(f64::MIN_POSITIVE);
    let top = power[bin - 1..=bin + 1].iter().fold(0.0_f32, |top, &p| top.max(p));
    Some(f64::from(top) / floor)
}
