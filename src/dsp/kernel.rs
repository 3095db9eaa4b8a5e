//! Band-limited interpolation at arbitrary places with an adjustable cut-off.
//!
//! The kernel is a Kaiser-windowed sinc held in a table. Widening it by the ratio of the sampling
//! rate to the wanted rate makes it the low-pass filter that resampling to a lower rate needs, so one
//! step interpolates and keeps aliases out (J. O. Smith, "Digital Audio Resampling", 1984-2002).
//!
//! For each cut-off the weights of all samples around a place are tabulated for several hundred fractions
//! of a sample; a value is then two scalar products over neighbours in memory.

use std::collections::BTreeMap;
use std::sync::OnceLock;

use super::window::bessel_i0;

/// Zero crossings of the sinc on each side. With [`BETA`] the transition band is 0.16 of the cut-off
/// and the stop band lies below -100 dB.
const HALF_LOBES: usize = 24;
/// Kaiser's beta for about 104 dB of stop band (Kaiser's formula, 0.1102 (A - 8.7)).
const BETA: f64 = 10.5;
/// Table steps per zero crossing; linear interpolation between them errs by less than -110 dB.
const STEPS: usize = 1024;

/// Half of the kernel's transition band as a fraction of the cut-off: below `1 - TRANSITION` of the
/// cut-off a tone passes unchanged, above `1 + TRANSITION` it is gone.
pub const TRANSITION: f64 = 0.145;

/// Steps of the cut-off's grid per factor of two.
const PER_OCTAVE: f64 = 16.0;

/// The cut-off used is the one asked for or up to this factor less, `2^(-1/16)`.
pub const LEAST_OF_CUTOFF: f64 = 0.957_603_280_698_573_6;

/// Fractions of a sample tabulated for a cut-off of 1; linear interpolation between them errs by less
/// than -110 dB.
const FRACTIONS: f64 = 512.0;

/// Tables kept; the cut-off of a 10:1 run-up needs 54.
const MOST_TABLES: usize = 128;

const LANES: usize = 8;

/// Interpolates with a cut-off that may change from value to value.
#[derive(Debug, Default)]
pub struct KernelBank {
    tables: BTreeMap<i32, KernelTable>,
}

impl KernelBank {
    /// An empty bank: tables are made when first needed.
    pub fn new() -> Self {
        Self::default()
    }

    /// The table for a `cutoff` in (0, 1] of the Nyquist frequency, or up to 4.3 % below that
    /// ([`LEAST_OF_CUTOFF`]; 1 is met exactly).
    pub fn table(&mut self, cutoff: f64) -> &KernelTable {
        // a hair's breadth, so that grid values stay where they are
        let step = (-PER_OCTAVE * cutoff.clamp(1e-6, 1.0).log2() - 1e-9).ceil().max(0.0) as i32;
        if self.tables.len() >= MOST_TABLES && !self.tables.contains_key(&step) {
            self.tables.clear();
        }
        self.tables
            .entry(step)
            .or_insert_with(|| KernelTable::new((-f64::from(step) / PER_OCTAVE).exp2()))
    }
}

/// Weights for one cut-off: a row for each fraction of a sample from 0 to 1.
#[derive(Debug)]
pub struct KernelTable {
    /// Samples of a row before the place.
    before: i64,
    /// Length of a row, a multiple of the lanes.
    taps: usize,
    fractions: usize,
    rows: Vec<f32>,
}

impl KernelTable {
    /// The table for a `cutoff` in (0, 1] of the Nyquist frequency (1: interpolation alone).
    pub fn new(cutoff: f64) -> Self {
        let cutoff = cutoff.clamp(1e-6, 1.0);
        let sinc = sinc();
        let before = (HALF_LOBES as f64 / cutoff).ceil() as i64;
        let taps = (2 * before as usize + 1).next_multiple_of(LANES);
        let fractions = (FRACTIONS * cutoff).ceil() as usize;
        let mut rows = Vec::with_capacity((fractions + 1) * taps);
        for row in 0..=fractions {
            let fraction = row as f64 / fractions as f64;
            let weight = |tap: usize| {
                let distance = (tap as i64 - before) as f64 - fraction;
                weight_at(sinc, distance.abs() * cutoff * STEPS as f64)
            };
            let start = rows.len();
            rows.extend((0..taps).map(weight));
            // dividing by the weights keeps the gain at zero frequency exactly one
            let sum: f64 = rows[start..].iter().map(|&weight| f64::from(weight)).sum();
            rows[start..].iter_mut().for_each(|weight| *weight /= sum as f32);
        }
        Self { before, taps, fractions, rows }
    }

    /// How far from its place a value reaches, in samples.
    pub fn reach(&self) -> f64 {
        (self.taps as i64 - self.before).max(self.before + 1) as f64
    }

    /// The signal at `position` (in samples, fractional), low-passed at the table's cut-off. Outside its
    /// ends the signal counts as its end value; 0 for no samples.
    pub fn at(&self, samples: &[f32], position: f64) -> f32 {
        let whole = position.floor();
        let place = (position - whole) * self.fractions as f64;
        let row = (place as usize).min(self.fractions - 1);
        let share = (place - row as f64) as f32;
        let weights = &self.rows[row * self.taps..(row + 2) * self.taps];
        let (low, high) = weights.split_at(self.taps);
        let first = whole as i64 - self.before;
        let inside = usize::try_from(first).ok();
        match inside.and_then(|first| samples.get(first..first + self.taps)) {
            Some(near) => blend(near, low, high, share),
            None => self.at_edge(samples, first, low, high, share),
        }
    }

    /// The tabulated place nearest to `position` and the signal there, at half the cost of [`Self::at`].
    pub fn near(&self, samples: &[f32], position: f64) -> (f64, f32) {
        let steps = self.fractions as f64;
        let place = (position * steps).round() / steps;
        let whole = place.floor();
        let row = ((place - whole) * steps).round() as usize;
        let weights = &self.rows[row * self.taps..(row + 1) * self.taps];
        let first = usize::try_from(whole as i64 - self.before).ok();
        match first.and_then(|first| samples.get(first..first + self.taps)) {
            Some(near) => (place, product(near, weights)),
            None => (place, self.at(samples, place)),
        }
    }

    fn at_edge(&self, samples: &[f32], first: i64, low: &[f32], high: &[f32], share: f32) -> f32 {
        let Some(end) = (samples.len() as i64).checked_sub(1).filter(|&end| end >= 0) else {
            return 0.0;
        };
        let near = |tap: usize| samples[first.saturating_add(tap as i64).clamp(0, end) as usize];
        let near: Vec<f32> = (0..self.taps).map(near).collect();
        blend(&near, low, high, share)
    }
}

/// `near · weights`, in lanes that the compiler turns into vector instructions.
fn product(near: &[f32], weights: &[f32]) -> f32 {
    let mut sum = [0.0_f32; LANES];
    let (near, _) = near.as_chunks::<LANES>();
    let (weights, _) = weights.as_chunks::<LANES>();
    for (x, weight) in near.iter().zip(weights) {
        for lane in 0..LANES {
            sum[lane] += x[lane] * weight[lane];
        }
    }
    sum.iter().sum()
}

/// `near · (low + share (high - low))`, in lanes that the compiler turns into vector instructions.
fn blend(near: &[f32], low: &[f32], high: &[f32], share: f32) -> f32 {
    let (mut sum_low, mut sum_high) = ([0.0_f32; LANES], [0.0_f32; LANES]);
    let (near, _) = near.as_chunks::<LANES>();
    let (low, _) = low.as_chunks::<LANES>();
    let (high, _) = high.as_chunks::<LANES>();
    for ((x, a), b) in near.iter().zip(low).zip(high) {
        for lane in 0..LANES {
            sum_low[lane] += x[lane] * a[lane];
            sum_high[lane] += x[lane] * b[lane];
        }
    }
    let (low, high): (f32, f32) = (sum_low.iter().sum(), sum_high.iter().sum());
    low + share * (high - low)
}

/// The windowed sinc, [`STEPS`] values per zero crossing; the first call fills it.
fn sinc() -> &'static [f32] {
    static TABLE: OnceLock<Vec<f32>> = OnceLock::new();
    let last = HALF_LOBES * STEPS;
    let value = |i: usize| {
        let x = std::f64::consts::PI * i as f64 / STEPS as f64;
        let edge = i as f64 / last as f64;
        let sinc = if i == 0 { 1.0 } else { x.sin() / x };
        sinc * bessel_i0(BETA * (1.0 - edge * edge).max(0.0).sqrt()) / bessel_i0(BETA)
    };
    // two extra zeros let the linear interpolation run off the end
    TABLE.get_or_init(|| (0..=last).map(value).chain([0.0, 0.0]).map(|v| v as f32).collect())
}

/// The windowed sinc between its tabulated places; 0 beyond them.
fn weight_at(sinc: &[f32], place: f64) -> f32 {
    let index = place as usize;
    let fraction = (place - index as f64) as f32;
    match sinc.get(index..index + 2) {
        Some(&[a, b]) => a + (b - a) * fraction,
        _ => 0.0,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn tone(cycles_per_sample: f64, n: usize) -> Vec<f32> {
        let value = |i: usize| (std::f64::consts::TAU * cycles_per_sample * i as f64).sin();
        (0..n).map(|i| value(i) as f32).collect()
    }

    fn worst(frequency: f64, cutoff: f64, expected: impl Fn(f64) -> f64) -> f64 {
        let samples = tone(frequency, 4000);
        let mut bank = KernelBank::new();
        (0..997)
            .map(|k| 1000.0 + f64::from(k) * 0.7003)
            .map(|t| (f64::from(bank.table(cutoff).at(&samples, t)) - expected(t)).abs())
            .fold(0.0, f64::max)
    }

    #[test]
    fn interpolates_a_tone_below_minus_90_db() {
        for cutoff in [1.0, 0.5, 0.3] {
            for part in [0.02, 0.4, 0.81] {
                let frequency = 0.5 * cutoff * part;
                let exact = |t: f64| (std::f64::consts::TAU * frequency * t).sin();
                let worst = worst(frequency, cutoff, exact);
                assert!(worst < 3.2e-5, "{cutoff} {part}: {worst:e}");
            }
        }
    }

    #[test]
    fn stops_a_tone_above_the_cutoff_below_minus_90_db() {
        for cutoff in [0.5, 0.26, 0.1] {
            let worst = worst(0.5 * cutoff * (1.0 + TRANSITION), cutoff, |_| 0.0);
            assert!(worst < 3.2e-5, "{cutoff}: {worst:e}");
        }
    }

    #[test]
    fn tabulated_places_agree_with_all_others() {
        let table = KernelTable::new(0.8);
        let samples = tone(0.123, 400);
        for k in 0..2000 {
            let position = -1.0 + 0.2007 * f64::from(k);
            let (place, value) = table.near(&samples, position);
            assert!((place - position).abs() < 2e-3);
            assert!((value - table.at(&samples, place)).abs() < 1e-5, "{position}");
        }
    }

    #[test]
    fn a_constant_stays_constant_to_the_ends() {
        let table = KernelTable::new(0.5);
        for position in [-3.0, 0.0, 0.3, 25.7, 49.0, 60.5] {
            assert!((table.at(&[2.5; 50], position) - 2.5).abs() < 1e-5, "{position}");
        }
        assert!((KernelTable::new(0.001).at(&[2.5; 9], 3.3) - 2.5).abs() < 1e-5);
        assert_eq!(table.at(&[], 3.0), 0.0);
    }

    #[test]
    fn the_cut_off_never_exceeds_what_is_asked() {
        let samples = tone(0.05, 4000);
        let mut bank = KernelBank::new();
        for k in 0..200 {
            // a cut-off just too low for the tone, met again and again on its way down
            let cutoff = 0.1 / (1.0 + TRANSITION) * (1.0 - f64::from(k) * 1e-3);
            let value = bank.table(cutoff).at(&samples, 2000.0 + f64::from(k) * 0.31);
            assert!(value.abs() < 3.2e-5, "{cutoff}: {value}");
        }
        assert!((LEAST_OF_CUTOFF - (-1.0 / PER_OCTAVE).exp2()).abs() < 1e-15);
    }
}
