//! Power spectra of short frames, plain or bent to the angle of a path, and their noise floor.

use crate::dsp::fft::{forward_plan_f32, good_length};
use crate::dsp::stats;
use crate::dsp::window::Window;

use super::path::Path;

/// Lines above this fraction of the rate are not judged: there an anti-alias filter may fold them.
pub(super) const BAND: f64 = 0.42;
/// Points at which a path is read within one frame.
const WARP_POINTS: usize = 32;
/// Width of a floor band: the ratio of its edges (a third of an octave).
const BAND_RATIO: f64 = 1.26;
/// A floor band holds at least this many bins, so that one line cannot lift its median.
const BAND_BINS: usize = 24;
/// Added to every power, so that digital silence stays finite. The signal has unit rms.
const LEAST_POWER: f32 = 1e-9;

/// A channel without its mean and scaled to unit rms.
#[derive(Debug, Clone)]
pub(super) struct Signal {
    pub samples: Vec<f32>,
    pub rate_hz: f64,
}

impl Signal {
    /// `None` where the samples are too few or all equal.
    pub fn new(samples: &[f32], rate_hz: f64) -> Option<Self> {
        let mean = stats::mean_f32(samples);
        let rms = stats::rms_f32(samples, mean);
        if samples.len() < 64 || !(rms.is_finite() && rms > 1e-12 * mean.abs().max(1e-20)) {
            return None;
        }
        let samples = samples.iter().map(|&x| ((f64::from(x) - mean) / rms) as f32).collect();
        Some(Self { samples, rate_hz })
    }

    pub fn duration_s(&self) -> f64 {
        self.samples.len() as f64 / self.rate_hz
    }
}

/// The power spectrum of one frame.
pub(super) struct Frame<'a> {
    /// Middle of the frame in seconds.
    pub time_s: f64,
    /// Power in each bin (unscaled: only ratios are used).
    pub power: &'a [f32],
    /// Width of a bin in Hz.
    pub bin_hz: f64,
    /// Plain frames: 1. Bent frames: the speed that the frequency axis refers to; order `r` of the
    /// path lies at `r * axis_hz`.
    pub axis_hz: f64,
    /// Bent frames: the path's speed weighted by the square of the window. What is measured in the
    /// frame belongs to this speed; the two differ where the speed curves.
    pub mean_hz: f64,
}

/// Frames of `window_s` with half overlap. With a path each frame is resampled to equal angle of it,
/// so that everything locked to the path stands still.
pub(super) fn for_each_frame(
    signal: &Signal,
    window_s: f64,
    path: Option<&Path>,
    mut visit: impl FnMut(&Frame<'_>),
) {
    let total = signal.samples.len();
    let wanted = good_length((window_s * signal.rate_hz).round() as usize);
    let len = if wanted > total { total - total % 2 } else { wanted };
    if len < 16 {
        return;
    }
    let hop = len / 2;
    let window = Window::Hann.coefficients_f32(len);
    let plan = forward_plan_f32(len);
    let mut frame = plan.make_input_vec();
    let mut bins = plan.make_output_vec();
    let mut scratch = plan.make_scratch_vec();
    let mut power = vec![0.0_f32; bins.len()];
    let mut warp = Warp::new();
    for start in (0..=total - len).step_by(hop) {
        let samples = &signal.samples[start..start + len];
        let start_s = start as f64 / signal.rate_hz;
        let (axis_hz, mean_hz) = match path {
            None => {
                frame.copy_from_slice(samples);
                (1.0, 1.0)
            }
            Some(path) => warp.bend(path, samples, start_s, signal.rate_hz, &mut frame),
        };
        for (x, w) in frame.iter_mut().zip(&window) {
            *x *= w;
        }
        if plan.process_with_scratch(&mut frame, &mut bins, &mut scratch).is_err() {
            continue;
        }
        for (p, bin) in power.iter_mut().zip(&bins) {
            *p = bin.norm_sqr() + LEAST_POWER;
        }
        visit(&Frame {
            time_s: start_s + 0.5 * len as f64 / signal.rate_hz,
            power: &power,
            bin_hz: signal.rate_hz / len as f64,
            axis_hz,
            mean_hz,
        });
    }
}

/// Bends frames of one length to equal angle.
struct Warp {
    weights: Vec<f64>,
    speeds: Vec<f64>,
    turns: Vec<f64>,
    /// Where the samples of one piece come from.
    places: Vec<f64>,
}

impl Warp {
    fn new() -> Self {
        let place = |i: usize| i as f64 / WARP_POINTS as f64;
        let weights: Vec<f64> =
            (0..=WARP_POINTS).map(|i| Window::Hann.value(place(i)).powi(2)).collect();
        let sum: f64 = weights.iter().sum();
        let weights = weights.iter().map(|w| w / sum).collect();
        let zeros = vec![0.0; WARP_POINTS + 1];
        Self { weights, speeds: zeros.clone(), turns: zeros, places: Vec::new() }
    }

    /// Fills `out`; returns the mean speed over the frame and the one weighted by the squared window.
    fn bend(
        &mut self,
        path: &Path,
        samples: &[f32],
        start_s: f64,
        rate_hz: f64,
        out: &mut [f32],
    ) -> (f64, f64) {
        let last = (samples.len() - 1) as f64;
        let step = last / WARP_POINTS as f64;
        for i in 0..=WARP_POINTS {
            self.speeds[i] = path.hz_at(start_s + i as f64 * step / rate_hz) / rate_hz;
            if i > 0 {
                let chord = 0.5 * step * (self.speeds[i] + self.speeds[i - 1]);
                self.turns[i] = self.turns[i - 1] + chord;
            }
        }
        let axis = self.turns[WARP_POINTS] / last;
        let mut k = 0;
        for piece in 0..WARP_POINTS {
            let inverse = Inverse::new(self, piece, step);
            let end = if piece + 1 == WARP_POINTS { f64::INFINITY } else { self.turns[piece + 1] };
            // the number of samples whose angle is at most `end`
            let next = ((end / axis) as usize).saturating_add(1).clamp(k, out.len());
            self.places.clear();
            self.places.extend((k..next).map(|k| inverse.position(k as f64 * axis)));
            for (x, &place) in out[k..next].iter_mut().zip(&self.places) {
                *x = cubic(samples, place);
            }
            k = next;
        }
        let mean: f64 = self.weights.iter().zip(&self.speeds).map(|(w, f)| w * f).sum();
        (axis * rate_hz, mean * rate_hz)
    }
}

/// Inverse of the angle within one piece: cubic Hermite in the angle, slopes 1 / speed.
struct Inverse {
    turn: f64,
    per_turn: f64,
    start: f64,
    step: f64,
    at_start: f64,
    at_end: f64,
}

impl Inverse {
    fn new(warp: &Warp, piece: usize, step: f64) -> Self {
        let span = warp.turns[piece + 1] - warp.turns[piece];
        Self {
            turn: warp.turns[piece],
            per_turn: 1.0 / span,
            start: piece as f64 * step,
            step,
            at_start: span / warp.speeds[piece] - step,
            at_end: span / warp.speeds[piece + 1] - step,
        }
    }

    /// Place in samples at which the path has turned by `turn`.
    fn position(&self, turn: f64) -> f64 {
        let s = (turn - self.turn) * self.per_turn;
        let bend = self.at_start * (1.0 - s) - self.at_end * s;
        self.start + s * (self.step + (1.0 - s) * bend)
    }
}

/// Four-point cubic (Catmull-Rom) interpolation, ends clamped.
fn cubic(samples: &[f32], position: f64) -> f32 {
    // frames are shorter than 2^31 samples, and this conversion is the cheaper one
    let index = ((position as i32).max(0) as usize).clamp(1, samples.len() - 3);
    let d = (position - index as f64) as f32;
    let Some(&[before, a, b, after]) = samples.get(index - 1..index + 3) else { return 0.0 };
    let first = 0.5 * (b - before);
    let second = before - 2.5 * a + 2.0 * b - 0.5 * after;
    let third = 0.5 * (after - before) + 1.5 * (a - b);
    ((third * d + second) * d + first) * d + a
}

/// The noise floor of a frame: medians of bands, straight in the logarithm between their centres.
#[derive(Debug, Default)]
pub(super) struct Floor {
    edges: Vec<usize>,
    ln_floor: Vec<f32>,
    scratch: Vec<f32>,
}

impl Floor {
    /// Measures the floor of `power`.
    pub fn measure(&mut self, power: &[f32]) {
        if self.edges.last() != Some(&power.len()) {
            self.edges = band_edges(power.len());
        }
        self.ln_floor.clear();
        for pair in self.edges.windows(2) {
            self.scratch.clear();
            self.scratch.extend_from_slice(&power[pair[0]..pair[1]]);
            let middle = self.scratch.len() / 2;
            let (_, &mut median, _) = self.scratch.select_nth_unstable_by(middle, f32::total_cmp);
            // median of an exponentially distributed power: ln 2 of its mean
            self.ln_floor.push((median / std::f32::consts::LN_2).ln());
        }
    }

    /// Natural logarithm of the mean noise power at a (fractional) bin.
    pub fn ln_at(&self, bin: f32) -> f32 {
        let centre = |i: usize| 0.5 * (self.edges[i] + self.edges[i + 1]) as f32;
        let last = self.ln_floor.len() - 1;
        // bands grow by a fixed ratio, so the search is short
        let mut band = 0;
        while band < last && centre(band + 1) < bin {
            band += 1;
        }
        if band == last || bin <= centre(0) {
            return self.ln_floor[band];
        }
        let (from, to) = (centre(band), centre(band + 1));
        let fraction = (bin - from) / (to - from);
        self.ln_floor[band] + (self.ln_floor[band + 1] - self.ln_floor[band]) * fraction
    }
}

fn band_edges(bins: usize) -> Vec<usize> {
    let mut edges = vec![1.min(bins.saturating_sub(1))];
    while let Some(&edge) = edges.last()
        && edge < bins
    {
        let next = (edge + BAND_BINS).max((edge as f64 * BAND_RATIO) as usize);
        // a short rest joins the last band
        edges.push(if next + BAND_BINS > bins { bins } else { next });
    }
    edges
}

/// Uniform noise from -0.5 to 0.5 for tests, always the same (Knuth's MMIX generator).
#[cfg(test)]
#[derive(Debug)]
pub(super) struct Noise(u64);

#[cfg(test)]
impl Default for Noise {
    fn default() -> Self {
        Self(1)
    }
}

#[cfg(test)]
impl Noise {
    pub fn next(&mut self) -> f64 {
        self.0 =
            self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 11) as f64 / (1_u64 << 53) as f64 - 0.5
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A chirp bent by its own speed is a steady tone at order 1 of the axis.
    #[test]
    fn a_chirp_stands_still_in_its_own_angle() {
        let rate_hz = 48_000.0;
        let samples: Vec<f32> = (0..48_000)
            .map(|i| {
                let t = i as f64 / rate_hz;
                (std::f64::consts::TAU * (500.0 * t + 150.0 * t * t)).sin() as f32
            })
            .collect();
        let signal = Signal::new(&samples, rate_hz).expect("a signal");
        let times: Vec<f64> = (0..=20).map(|i| f64::from(i) * 0.05).collect();
        let path = Path::through(
            &times,
            &times.iter().map(|t| (500.0 + 300.0 * t).ln()).collect::<Vec<_>>(),
        );
        let mut frames = 0;
        for_each_frame(&signal, 0.4, Some(&path), |frame| {
            frames += 1;
            let peak = (1..frame.power.len())
                .max_by(|&a, &b| frame.power[a].total_cmp(&frame.power[b]))
                .expect("bins");
            let expected = frame.axis_hz / frame.bin_hz;
            assert!((peak as f64 - expected).abs() < 0.6, "{peak} {expected}");
            let far: f32 = frame.power[peak + 4..peak + 60].iter().sum();
            assert!(far < 1e-4 * frame.power[peak], "the line is smeared");
            assert!((frame.mean_hz - path.hz_at(frame.time_s)).abs() < 0.05);
        });
        assert_eq!(frames, 4);
    }

    #[test]
    fn the_floor_is_the_mean_of_noise_power_and_ignores_lines() {
        let mut noise = Noise::default();
        let mut power: Vec<f32> =
            (0..4000).map(|_| (-3.0 * (0.5 - noise.next()).ln()) as f32).collect();
        power[2000] = 1e6;
        let mut floor = Floor::default();
        floor.measure(&power);
        for bin in [500.0, 1500.0, 2000.0, 3500.0] {
            assert!((floor.ln_at(bin).exp() / 3.0 - 1.0).abs() < 0.15, "{bin}");
        }
    }

    #[test]
    fn silence_is_no_signal() {
        assert!(Signal::new(&[0.5; 1000], 1000.0).is_none());
        assert!(Signal::new(&[], 1000.0).is_none());
        let nan = vec![f32::NAN; 1000];
        assert!(Signal::new(&nan, 1000.0).is_none());
    }
}
