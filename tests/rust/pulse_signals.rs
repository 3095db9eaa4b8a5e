//! Pulse channels of a shaft whose angle is known exactly, for tests.
//!
//! Edges are rendered as band-limited steps: the integral of a Kaiser-windowed sinc, summed edge by
//! edge, which is what an ideal converter with a linear-phase low-pass makes of them.

use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Normal};

/// How the shaft turns.
#[derive(Debug, Clone, Copy)]
pub enum Law {
    /// Speed rises (or falls) in a straight line.
    Linear,
    /// Speed changes by the same factor in equal times.
    Exponential,
    /// Speed begins and ends level (3 s² - 2 s³).
    Gentle,
    /// A straight rise for 60 % of the time, a corner, then constant.
    RiseAndHold,
    /// From `from_hz` up to `to_hz` and back, in straight lines.
    UpAndDown,
}

/// A law with its numbers.
#[derive(Debug, Clone, Copy)]
pub struct Shaft {
    pub law: Law,
    pub from_hz: f64,
    pub to_hz: f64,
    pub duration_s: f64,
}

impl Shaft {
    /// Speed in turns per second.
    pub fn hz(&self, time_s: f64) -> f64 {
        let s = (time_s / self.duration_s).clamp(0.0, 1.0);
        let rise = self.to_hz - self.from_hz;
        match self.law {
            Law::Linear => self.from_hz + rise * s,
            Law::Exponential => self.from_hz * (self.to_hz / self.from_hz).powf(s),
            Law::Gentle => self.from_hz + rise * s * s * (3.0 - 2.0 * s),
            Law::RiseAndHold => self.from_hz + rise * (s / 0.6).min(1.0),
            Law::UpAndDown => self.from_hz + rise * (1.0 - (2.0 * s - 1.0).abs()),
        }
    }

    /// Angle in turns since time 0.
    pub fn turns(&self, time_s: f64) -> f64 {
        let s = (time_s / self.duration_s).clamp(0.0, 1.0);
        let rise = self.to_hz - self.from_hz;
        let integral = match self.law {
            Law::Linear => self.from_hz * s + 0.5 * rise * s * s,
            Law::Exponential => {
                let ratio = (self.to_hz / self.from_hz).ln();
                self.from_hz * (ratio * s).exp_m1() / ratio
            }
            Law::Gentle => self.from_hz * s + rise * (s.powi(3) - 0.5 * s.powi(4)),
            Law::RiseAndHold if s < 0.6 => self.from_hz * s + 0.5 * rise * s * s / 0.6,
            Law::RiseAndHold => self.from_hz * s + rise * (s - 0.3),
            Law::UpAndDown if s < 0.5 => self.from_hz * s + rise * s * s,
            Law::UpAndDown => self.from_hz * s + rise * (0.5 - (1.0 - s).powi(2)),
        };
        integral * self.duration_s
    }

    /// The time at which the shaft stands at `turns`.
    pub fn time_s(&self, turns: f64) -> f64 {
        let (mut low, mut high) = (0.0, self.duration_s);
        let mut time_s = 0.5 * (low + high);
        for _ in 0..200 {
            let error = self.turns(time_s) - turns;
            if error.abs() < 1e-12 * turns.abs().max(1.0) || high - low < 1e-14 {
                break;
            }
            if error > 0.0 {
                high = time_s;
            } else {
                low = time_s;
            }
            let next = time_s - error / self.hz(time_s);
            time_s = if next > low && next < high { next } else { 0.5 * (low + high) };
        }
        time_s
    }
}

/// The pulse sensor and its imperfections.
#[derive(Debug, Clone)]
pub struct Sensor {
    /// Where in a turn each mark begins, in turns.
    pub marks: Vec<f64>,
    /// Width of a mark in turns.
    pub width: f64,
    /// A mark gives a low pulse instead of a high one.
    pub low: bool,
    /// Deviation of each edge in seconds.
    pub jitter_s: f64,
    /// Probability that a pulse is missing.
    pub lost: f64,
    /// Probability that a pulse is doubled: by a bounce in or after it, or somewhere in the turn.
    pub doubled: f64,
}

impl Default for Sensor {
    fn default() -> Self {
        Self { marks: vec![0.0], width: 0.1, low: false, jitter_s: 0.0, lost: 0.0, doubled: 0.0 }
    }
}

/// What was done to the pulses.
#[derive(Debug, Clone, Copy, Default)]
pub struct Done {
    pub lost: u64,
    pub doubled: u64,
}

/// Edges as `(time, step)`, in no order.
pub fn edges(shaft: &Shaft, sensor: &Sensor, rng: &mut ChaCha8Rng) -> (Vec<(f64, f64)>, Done) {
    let jitter = Normal::new(0.0, sensor.jitter_s).expect("a deviation");
    let step = if sensor.low { -1.0 } else { 1.0 };
    let mut found = Vec::new();
    let mut done = Done::default();
    let total = shaft.turns(shaft.duration_s);
    let space = 1.0 / sensor.marks.len() as f64;
    let mut pulse = |from: f64, to: f64, rng: &mut ChaCha8Rng| {
        let (from, to) = (shaft.time_s(from), shaft.time_s(to));
        let (a, b) = (from + jitter.sample(rng), to + jitter.sample(rng));
        if b > a {
            found.push((a, step));
            found.push((b, -step));
        }
    };
    for turn in 0..=(total as i64) {
        for &mark in &sensor.marks {
            let from = turn as f64 + mark;
            let to = from + sensor.width;
            // a whole pulse, or none: half pulses at the ends have no truth
            if from < 0.2 || to + 0.2 > total {
                continue;
            }
            if rng.random::<f64>() < sensor.lost {
                done.lost += 1;
                continue;
            }
            if rng.random::<f64>() >= sensor.doubled {
                pulse(from, to, rng);
                continue;
            }
            done.doubled += 1;
            let short = (0.3 * sensor.width).min(0.05);
            if sensor.width > 0.2 && rng.random::<bool>() {
                // a bounce breaks the pulse in two
                let cut = from + rng.random_range(0.3..0.7) * sensor.width;
                pulse(from, cut, rng);
                pulse(cut + short, to, rng);
            } else {
                pulse(from, to, rng);
                let room = space - sensor.width;
                let start = to + rng.random_range(0.2..0.7) * room;
                pulse(start, start + short.max(0.5 * sensor.width.min(0.05)), rng);
            }
        }
    }
    (found, done)
}

/// The converter.
#[derive(Debug, Clone, Copy)]
pub struct Converter {
    pub rate_hz: f64,
    /// Corner of the first-order high-pass of an AC-coupled input.
    pub corner_hz: Option<f64>,
    /// Noise against the pulses' own power, in dB.
    pub snr_db: Option<f64>,
}

/// Half-length of the converter's low-pass in samples, and table steps per sample.
const REACH: usize = 32;
const STEPS: usize = 256;
/// Cut-off (-6 dB) of the low-pass as a fraction of the rate: 22 kHz at 48 kHz.
const CUTOFF: f64 = 0.458;

/// Samples of the edges as the converter gives them; `-0.5` and `0.5` are the levels.
pub fn render(
    edges: &[(f64, f64)],
    duration_s: f64,
    converter: &Converter,
    rng: &mut ChaCha8Rng,
) -> Vec<f32> {
    let len = (duration_s * converter.rate_hz) as usize;
    let table = step_table();
    let mut steps = vec![0.0_f64; len + 1];
    let mut rings = vec![0.0_f64; len];
    for &(time_s, step) in edges {
        let place = time_s * converter.rate_hz;
        let first = place.ceil().max(0.0) as usize;
        if first <= len {
            steps[first] += step;
        }
        let from = (place - REACH as f64).ceil().max(0.0) as usize;
        let to = ((place + REACH as f64).floor() as usize).min(len.saturating_sub(1));
        for (i, ring) in rings.iter_mut().enumerate().take(to + 1).skip(from) {
            let x = i as f64 - place;
            let at = (x + REACH as f64) * STEPS as f64;
            let index = (at as usize).min(table.len() - 2);
            let value = table[index] + (table[index + 1] - table[index]) * (at - index as f64);
            *ring += step * (value - if x >= 0.0 { 1.0 } else { 0.0 });
        }
    }
    let mut level = if edges.first().is_some_and(|e| e.1 < 0.0) { 0.5 } else { -0.5 };
    let mut samples: Vec<f64> = steps
        .iter()
        .zip(&rings)
        .map(|(step, ring)| {
            level += step;
            level + ring
        })
        .collect();
    if let Some(corner_hz) = converter.corner_hz {
        high_pass(&mut samples, corner_hz / converter.rate_hz);
    }
    if let Some(snr_db) = converter.snr_db {
        let mean = samples.iter().sum::<f64>() / len as f64;
        let power = samples.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / len as f64;
        let noise = Normal::new(0.0, (power * 10.0_f64.powf(-snr_db / 10.0)).sqrt());
        let noise = noise.expect("a deviation");
        samples.iter_mut().for_each(|x| *x += noise.sample(rng));
    }
    samples.iter().map(|&x| x as f32).collect()
}

/// First-order high-pass, started in the steady state of the first value.
fn high_pass(samples: &mut [f64], corner: f64) {
    let keep = (-std::f64::consts::TAU * corner).exp();
    let mut mean = samples.first().copied().unwrap_or(0.0);
    for x in samples {
        mean += (1.0 - keep) * (*x - mean);
        *x -= mean;
    }
}

/// The step response of the low-pass, from `-REACH` to `REACH` samples.
fn step_table() -> Vec<f64> {
    let last = 2 * REACH * STEPS;
    let bessel = |x: f64| {
        let (mut sum, mut term, mut k) = (1.0, 1.0, 1.0);
        while term > 1e-16 * sum {
            term *= (0.5 * x / k).powi(2);
            sum += term;
            k += 1.0;
        }
        sum
    };
    let impulse = |i: usize| {
        let x = i as f64 / STEPS as f64 - REACH as f64;
        let edge = x / REACH as f64;
        let turn = std::f64::consts::TAU * CUTOFF * x;
        let sinc = if x == 0.0 { 1.0 } else { turn.sin() / turn };
        sinc * bessel(8.0 * (1.0 - edge * edge).max(0.0).sqrt())
    };
    let mut sum = 0.0;
    let mut before = impulse(0);
    let mut table = vec![0.0];
    for i in 1..=last {
        let here = impulse(i);
        sum += 0.5 * (before + here);
        before = here;
        table.push(sum);
    }
    table.iter().map(|x| x / sum).collect()
}

/// A generator of a seed.
pub fn rng(seed: u64) -> ChaCha8Rng {
    ChaCha8Rng::seed_from_u64(seed)
}
