//! The fast estimator against closed forms and against the slow averaged cyclic periodogram.

use std::f64::consts::TAU;

use rand::SeedableRng;
use rand_distr::{Distribution, StandardNormal};

use super::*;
use crate::dsp::fft::Complex64;
use crate::speed::{Knot, SpeedSource};

const RATE_HZ: f64 = 8192.0;

fn noise(seed: u64, n: usize) -> Vec<f32> {
    let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(seed);
    (0..n).map(|_| StandardNormal.sample(&mut random)).collect()
}

/// Noise whose level goes as `1 + depth cos` of an angle in turns at each sample.
fn modulated(seed: u64, n: usize, depth: f64, angle: impl Fn(usize) -> f64) -> Vec<f32> {
    let level = |i: usize| (1.0 + depth * (TAU * angle(i)).cos()) as f32;
    noise(seed, n).iter().enumerate().map(|(i, x)| x * level(i)).collect()
}

fn coherence_of(depth: f64) -> f64 {
    (depth / (1.0 + 0.5 * depth * depth)).powi(2)
}

fn config(highest: f64, resolution: f64) -> CyclicConfig {
    CyclicConfig { highest, resolution, window_len: 64 }
}

fn mean(values: impl Iterator<Item = f32>) -> f64 {
    let values: Vec<f64> = values.map(f64::from).collect();
    values.iter().sum::<f64>() / values.len() as f64
}

/// The averaged cyclic periodogram: the signal against itself moved by the cyclic frequency, windows a
/// sixteenth apart, all on one carrier; and the powers of both. Gardner, IEEE Signal Process. Mag. 8(2)
/// (1991) 14-36 (from memory).
fn slow(samples: &[f32], cyclic_hz: f64, carrier: usize, len: usize) -> f64 {
    let window = Window::Hann.coefficients(len);
    let spectrum = |start: usize, moved_hz: f64| -> Complex64 {
        let value = |i: usize| {
            let at = (start + i) as f64;
            let phase = TAU * (moved_hz * at / RATE_HZ - carrier as f64 * at / len as f64);
            Complex64::from_polar(f64::from(samples[start + i]) * window[i], phase)
        };
        (0..len).map(value).sum()
    };
    let (mut sum, mut upper, mut lower) = (Complex64::default(), 0.0, 0.0);
    for start in (0..samples.len() - len).step_by(len / 16) {
        let (a, b) = (spectrum(start, 0.0), spectrum(start, cyclic_hz));
        sum += a * b.conj();
        upper += a.norm_sqr();
        lower += b.norm_sqr();
    }
    sum.norm_sqr() / (upper * lower)
}

/// Row and frequency of the cyclic line nearest to one, for `n` samples.
fn line_near(cyclic_hz: f64, n: usize, config: &CyclicConfig) -> (usize, f64) {
    let axis = cyclic_spectrum(&noise(0, n), RATE_HZ, Rhythm::Hz, config).expect("long");
    let row = axis.row_of(cyclic_hz).expect("kept");
    (row, axis.cyclic(row))
}

#[test]
fn modulated_noise_has_the_coherence_of_its_depth() {
    let (depth, n) = (0.5, 1 << 18);
    let config = config(400.0, 0.25);
    let (row, cyclic_hz) = line_near(100.0, n, &config);
    let samples = modulated(1, n, depth, |i| cyclic_hz * i as f64 / RATE_HZ);
    let found = cyclic_spectrum(&samples, RATE_HZ, Rhythm::Hz, &config).expect("long");
    let envelope = found.envelope(Some([500.0, 3500.0])).expect("a band");
    let top = f64::from(envelope[row - 2..=row + 2].iter().copied().fold(0.0, f32::max));
    assert!((top / coherence_of(depth) - 1.0).abs() < 0.05, "{top} {}", coherence_of(depth));
    // a line of modulation has its two side lines in the squared level, and nothing else stands out
    let floor = 1.0 / found.independent;
    let others = (40..envelope.len()).filter(|k| k.abs_diff(row) > 4 && k.abs_diff(2 * row) > 8);
    let highest = others.map(|k| envelope[k]).fold(0.0, f32::max);
    assert!(f64::from(highest) < 3.0 * floor, "{highest} {floor}");
    // unit noise: its density is the mean squared level over half the rate
    let density = mean(found.density[4..29].iter().copied());
    assert!((density * 0.5 * RATE_HZ / 1.125 - 1.0).abs() < 0.03, "{density}");
}

#[test]
fn the_fast_estimate_is_that_of_the_slow_periodogram() {
    let (n, config) = (1 << 15, config(300.0, 0.01));
    let (row, cyclic_hz) = line_near(96.0, n, &config);
    let samples = modulated(2, n, 0.7, |i| cyclic_hz * i as f64 / RATE_HZ);
    let found = cyclic_spectrum(&samples, RATE_HZ, Rhythm::Hz, &config).expect("long");
    let scatter = found.independent.recip().sqrt();
    assert_eq!(found.blocks, 1);
    for row in [row, 2 * row, 2 * row + 200] {
        let carriers = (6..28).step_by(3);
        let fast = mean(carriers.clone().map(|k| found.coherence[[row, k]]));
        let slow = carriers.clone().map(|k| slow(&samples, found.cyclic(row), k, 64)).sum::<f64>()
            / carriers.count() as f64;
        let difference = fast.sqrt() - slow.sqrt();
        assert!(difference.abs() < scatter, "{row}: {fast} {slow} {scatter}");
    }
}

/// The mean of squared coherence over white noise, and its exponential tail.
#[test]
fn white_noise_has_the_coherence_of_its_averages() {
    let (mut all, mut over, mut cells) = (0.0, 0.0, 0.0);
    for seed in 10..14 {
        let found =
            cyclic_spectrum(&noise(seed, 1 << 16), RATE_HZ, Rhythm::Hz, &config(900.0, 0.01))
                .expect("long");
        assert_eq!(found.blocks, 1);
        for row in found.row_of(3.0 * found.carrier_step_hz).expect("kept")..found.coherence.nrows()
        {
            for value in found.coherence.row(row).iter().skip(4).take(25) {
                let ratio = f64::from(*value) * found.independent;
                all += ratio;
                over += if ratio > 3.0 { 1.0 } else { 0.0 };
                cells += 1.0;
            }
        }
    }
    assert!((all / cells - 1.0).abs() < 0.03, "{}", all / cells);
    assert!((over / cells / (-3.0_f64).exp() - 1.0).abs() < 0.1, "{}", over / cells);
}

/// Lines of white noise above the height that one in so many should reach, in one block and in the mean of many, over
/// all carriers and over few.
#[test]
fn noise_reaches_what_is_stated_as_often_as_stated() {
    for (resolution, band_hz) in [(0.5, None), (0.5, Some([1000.0, 2500.0])), (0.05, None)] {
        let (mut above, mut expected) = (0.0, 0.0);
        for seed in 20..26 {
            let samples = noise(seed, 1 << 17);
            let found = cyclic_spectrum(&samples, RATE_HZ, Rhythm::Hz, &config(900.0, resolution))
                .expect("long");
            let chance = 1.0 - (-18.0_f64).exp();
            let reaches = found.noise_reaches(band_hz, chance).expect("a band");
            let envelope = found.envelope(band_hz).expect("a band");
            let lines = envelope.iter().zip(&reaches).skip(1);
            above += lines.filter(|(line, reach)| line > reach).count() as f64;
            // as many independent lines of the chance of one
            expected += 18.0;
        }
        let ratio: f64 = above / expected;
        assert!((0.6..1.6).contains(&ratio), "{resolution} {band_hz:?}: {ratio}");
    }
    let found =
        cyclic_spectrum(&noise(1, 8000), RATE_HZ, Rhythm::Hz, &config(100.0, 2.0)).expect("long");
    assert!(found.noise_reaches(None, 0.0).is_err() && found.cell_of_noise(1.0).is_err());
    assert!(found.noise_reaches(Some([130.0, 140.0]), 0.01).is_err());
    let cells = (found.cell_of_noise(0.01), found.cell_of_noise(0.1));
    assert!(matches!(cells, (Ok(rare), Ok(common)) if rare > common && common > 0.0));
}

/// Modulation at 3.57 orders on a run-up of 3:1 stays one line, and the same noise without it has none.
#[test]
fn orders_are_met_on_a_run_up() {
    let knot =
        |t: f64| Knot { time_s: 5.0 + t, turns: 20.0 * t + 2.0 * t * t, speed_hz: 20.0 + 4.0 * t };
    let knots = (0..=50).map(|i| knot(f64::from(i) * 0.2)).collect();
    let speed = Speed::from_knots(SpeedSource::Pulse, knots, 0.0).expect("rising");
    let turns = |i: usize| speed.turns_at(5.0 + i as f64 / RATE_HZ);
    let samples = modulated(4, 80_000, 0.6, |i| 3.57 * turns(i));
    let rhythm = Rhythm::Orders { speed: &speed, start_s: 5.0 };
    let found = cyclic_spectrum(&samples, RATE_HZ, rhythm, &config(12.0, 0.01)).expect("long");
    assert!(found.in_orders && found.blocks >= 3);
    let envelope = found.envelope(None).expect("all");
    let row = found.row_of(3.57).expect("kept");
    let top = f64::from(envelope[row - 1..=row + 1].iter().copied().fold(0.0, f32::max));
    assert!((top / coherence_of(0.6) - 1.0).abs() < 0.12, "{top} {}", coherence_of(0.6));
    let others = (found.row_of(1.5).expect("kept")..envelope.len())
        .filter(|&k| k.abs_diff(row) > 5 && k.abs_diff(2 * row) > 10);
    let highest = others.map(|k| envelope[k]).fold(0.0, f32::max);
    assert!(f64::from(highest) < 0.2 * top, "{highest} {top}");
    let mean_hz = found.speed_hz.expect("orders");
    assert!((25.0..40.0).contains(&mean_hz), "{mean_hz}");
}

#[test]
fn refuses_what_cannot_be() {
    let samples = noise(1, 8000);
    let run = |config: CyclicConfig| cyclic_spectrum(&samples, RATE_HZ, Rhythm::Hz, &config);
    assert!(run(config(3000.0, 1.0)).is_err());
    assert!(run(config(100.0, 50.0)).is_err());
    assert!(run(CyclicConfig { window_len: 4, ..config(100.0, 1.0) }).is_err());
    assert!(matches!(run(config(4.0, 0.1)), Err(Error::TooLittle { .. })));
    let found = run(config(100.0, 2.0)).expect("long enough");
    assert!(found.envelope(Some([100.0, 5000.0])).is_err());
    assert!(found.envelope(Some([130.0, 140.0])).is_err());
}
