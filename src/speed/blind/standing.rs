//! Tones that stand at one frequency through the whole recording, hum above all: found and subtracted,
//! so that a slow shaft is not mistaken for them where the two cross.

use std::f64::consts::TAU;
use std::ops::Range;

use crate::dsp::fft::Complex64;
use crate::dsp::stats::median_of;

use super::frames::{Floor, Signal, for_each_frame};
use super::steady::spectrum_lines;

/// Window in which tones are sought, in seconds.
const WINDOW_S: f64 = 1.0;
/// The recording is cut into so many parts, each of this many frames at least, and a tone must stand
/// out in every one: a shaft that is held at speed was slower once.
const MOST_PARTS: usize = 16;
const FRAMES_PER_PART: usize = 4;
/// Median power over the floor in the worst part.
const LEAST_POWER: f64 = 4.0;
/// A tone is fitted and subtracted in blocks of this length, about a notch of its inverse in Hz.
const BLOCK_S: f64 = 1.0;
/// Most tones subtracted, strongest first.
const MOST_TONES: usize = 40;

/// Splits `rows` into parts of at least `least` rows, at most [`MOST_PARTS`].
pub(super) fn parts(rows: usize, least: usize) -> impl Iterator<Item = Range<usize>> {
    let count = (rows / least.max(1)).clamp(1, MOST_PARTS);
    (0..count).map(move |i| i * rows / count..(i + 1) * rows / count)
}

/// The signal without its standing tones.
pub(super) fn subtract(signal: &Signal) -> Signal {
    let mut cleaned = signal.clone();
    for frequency_hz in standing_tones(signal) {
        subtract_tone(&mut cleaned, frequency_hz);
    }
    cleaned
}

fn standing_tones(signal: &Signal) -> Vec<f64> {
    let window_s = WINDOW_S.min(signal.duration_s() / 8.0);
    let (mut lines, bin_hz) = spectrum_lines(signal, window_s);
    lines.sort_by(|a, b| b.line.excess.total_cmp(&a.line.excess));
    lines.truncate(MOST_TONES);
    let bins: Vec<usize> = lines.iter().map(|l| (l.line.place / bin_hz).round() as usize).collect();
    let mut levels: Vec<Vec<f64>> = vec![Vec::new(); bins.len()];
    let mut floor = Floor::default();
    for_each_frame(signal, window_s, None, |frame| {
        floor.measure(frame.power);
        for (level, &bin) in levels.iter_mut().zip(&bins) {
            let near = frame.power.get(bin - 1..bin + 2).unwrap_or(&[]);
            let top = near.iter().copied().fold(0.0, f32::max);
            level.push(f64::from(top) / f64::from(floor.ln_at(bin as f32)).exp());
        }
    });
    let stands = |level: &[f64]| {
        parts(level.len(), FRAMES_PER_PART)
            .all(|part| median_of(&mut level[part].to_vec()) > LEAST_POWER)
    };
    lines.iter().zip(&levels).filter(|(_, l)| stands(l)).map(|(l, _)| l.line.place).collect()
}

/// Subtracts the sine fitted to each block, after its frequency is put right by the turn of its phase
/// from block to block.
fn subtract_tone(signal: &mut Signal, frequency_hz: f64) {
    let rate_hz = signal.rate_hz;
    let count = (signal.duration_s() / BLOCK_S).round().max(1.0) as usize;
    let total = signal.samples.len();
    let block = |i: usize| i * total / count..(i + 1) * total / count;
    let roughly = Carrier::new(frequency_hz / rate_hz);
    let phasors: Vec<Complex64> =
        (0..count).map(|i| roughly.fit(&signal.samples, block(i))).collect();
    let turn: Complex64 = phasors.windows(2).map(|p| p[1] * p[0].conj()).sum();
    let length_s = total as f64 / count as f64 / rate_hz;
    let shift_hz = if count > 1 { turn.arg() / (TAU * length_s) } else { 0.0 };
    let exactly = Carrier::new((frequency_hz + shift_hz) / rate_hz);
    for i in 0..count {
        let phasor = exactly.fit(&signal.samples, block(i));
        exactly.subtract(phasor, &mut signal.samples, block(i));
    }
}

/// Samples over which the carrier is tabled.
const TABLE: usize = 64;

/// The phasor e^{iwt}, its phase counted from the first sample of the signal. It is tabled over a short
/// run of samples and turned on from run to run, which is fast and stays exact.
struct Carrier {
    cycles_per_sample: f64,
    real: [f32; TABLE],
    imaginary: [f32; TABLE],
}

impl Carrier {
    fn new(cycles_per_sample: f64) -> Self {
        let angle = |i: usize| TAU * (cycles_per_sample * i as f64).fract();
        Self {
            cycles_per_sample,
            real: std::array::from_fn(|i| angle(i).cos() as f32),
            imaginary: std::array::from_fn(|i| angle(i).sin() as f32),
        }
    }

    /// The carrier at a sample.
    fn at(&self, sample: usize) -> Complex64 {
        Complex64::from_polar(1.0, TAU * (self.cycles_per_sample * sample as f64).fract())
    }

    /// Amplitude and phase of the sine that fits a block best.
    fn fit(&self, samples: &[f32], block: Range<usize>) -> Complex64 {
        let (first, len) = (block.start, block.len());
        let mut sum = Complex64::new(0.0, 0.0);
        for (run, x) in samples[block].chunks(TABLE).enumerate() {
            let (mut re, mut im) = (0.0_f32, 0.0_f32);
            for ((x, c), s) in x.iter().zip(&self.real).zip(&self.imaginary) {
                re += x * c;
                im -= x * s;
            }
            sum += Complex64::new(re.into(), im.into()) * self.at(first + run * TABLE).conj();
        }
        sum * (2.0 / len.max(1) as f64)
    }

    fn subtract(&self, phasor: Complex64, samples: &mut [f32], block: Range<usize>) {
        let first = block.start;
        for (run, x) in samples[block].chunks_mut(TABLE).enumerate() {
            let turned = phasor * self.at(first + run * TABLE);
            let (re, im) = (turned.re as f32, turned.im as f32);
            for ((x, c), s) in x.iter_mut().zip(&self.real).zip(&self.imaginary) {
                *x -= re * c - im * s;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::frames::Noise;
    use super::*;

    #[test]
    fn a_standing_tone_goes_and_a_held_one_stays() {
        let rate_hz = 8000.0;
        let mut noise = Noise::default();
        let samples: Vec<f32> = (0..160_000)
            .map(|i| {
                let t = f64::from(i) / rate_hz;
                let held = if t > 3.0 { (TAU * 331.0 * t).sin() } else { 0.0 };
                ((TAU * 100.03 * t).sin() + held + noise.next()) as f32
            })
            .collect();
        let signal = Signal::new(&samples, rate_hz).expect("a signal");
        let tones = standing_tones(&signal);
        assert!(tones.iter().any(|f| (f - 100.03).abs() < 0.05), "{tones:?}");
        assert!(tones.iter().all(|f| (f - 331.0).abs() > 5.0), "{tones:?}");
        let power = |s: &Signal| s.samples.iter().map(|&x| f64::from(x * x)).sum::<f64>();
        assert!(power(&subtract(&signal)) < 0.75 * power(&signal));
    }

    #[test]
    fn parts_cover_all_rows() {
        assert_eq!(parts(100, 6).count(), 16);
        assert_eq!(parts(100, 6).last(), Some(93..100));
        assert_eq!(parts(3, 6).collect::<Vec<_>>(), vec![0..3]);
    }
}
