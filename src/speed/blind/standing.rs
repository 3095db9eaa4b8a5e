//! Tones that stand at one frequency through the whole recording, hum above all: found and subtracted,
//! so that a slow shaft is not mistaken for them where the two cross.

use crate::dsp::stats::median_of;

use super::frames::{Floor, Signal, for_each_frame};
use super::steady::spectrum_lines;

/// Window in which tones are sought, in seconds.
const WINDOW_S: f64 = 1.0;
/// The recording is cut into so many parts, each of this many frames at least, and a tone must stand
/// out in every one: a shaft that is held at speed was slower once.
const MOST_PARTS: usize = 16;
const FRAMES_PER_PART: usize = 6;
/// Median power over the floor in the worst part.
const LEAST_POWER: f64 = 4.0;
/// A tone is fitted and subtracted in blocks of this length, about a notch of its inverse in Hz.
const BLOCK_S: f64 = 2.0;
/// Most tones subtracted, strongest first.
const MOST_TONES: usize = 40;

/// Splits `rows` into parts of at least `least` rows, at most [`MOST_PARTS`].
pub(super) fn parts(rows: usize, least: usize) -> impl Iterator<Item = std::ops::Range<usize>> {
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

/// Subtracts the sine fitted to each block.
fn subtract_tone(signal: &mut Signal, frequency_hz: f64) {
    let step = std::f64::consts::TAU * frequency_hz / signal.rate_hz;
    let total = signal.samples.len();
    let blocks = (signal.duration_s() / BLOCK_S).round().max(1.0) as usize;
    let (turn_sin, turn_cos) = step.sin_cos();
    for i in 0..blocks {
        let block = &mut signal.samples[i * total / blocks..(i + 1) * total / blocks];
        let (mut sine, mut cosine) = (0.0_f64, 0.0_f64);
        let (mut s, mut c) = (0.0_f64, 1.0_f64);
        for &x in block.iter() {
            sine += f64::from(x) * s;
            cosine += f64::from(x) * c;
            (s, c) = (s * turn_cos + c * turn_sin, c * turn_cos - s * turn_sin);
        }
        let scale = 2.0 / block.len().max(1) as f64;
        (s, c) = (0.0, 1.0);
        for x in block.iter_mut() {
            *x -= (scale * (sine * s + cosine * c)) as f32;
            (s, c) = (s * turn_cos + c * turn_sin, c * turn_cos - s * turn_sin);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_standing_tone_goes_and_a_held_one_stays() {
        let rate_hz = 8000.0;
        let samples: Vec<f32> = (0..160_000)
            .map(|i| {
                let t = i as f64 / rate_hz;
                let noise = ((i * 7919 + (i * i) % 1013) % 2003) as f64 / 2003.0 - 0.5;
                let held = if t > 2.0 { (std::f64::consts::TAU * 331.0 * t).sin() } else { 0.0 };
                ((std::f64::consts::TAU * 100.03 * t).sin() + held + noise) as f32
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
