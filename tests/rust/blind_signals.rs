//! Simulated recordings: run-ups with known speed, and noise, melodies and voices without a shaft.

use std::f64::consts::TAU;

use quietspin::dsp::fft::{Complex64, forward_f64, inverse_f64};
use quietspin::recording::{Channel, ChannelSpec, Role};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

pub fn channel(samples: &[f64], rate_hz: f64, role: Role) -> Channel {
    let spec = ChannelSpec { role: Some(role), ..ChannelSpec::named("one") };
    let samples = samples.iter().map(|&x| x as f32).collect();
    Channel::new(spec, rate_hz, samples).expect("a positive rate")
}

/// What a simulated run-up is made of.
#[derive(Clone, Copy)]
pub struct Case {
    pub snr_db: f64,
    /// First order alone, with a tenth of the second.
    pub lone: bool,
}

pub struct RunUp {
    pub channel: Channel,
    pub speed_hz: Vec<f64>,
}

fn gaussian(rng: &mut ChaCha8Rng) -> f64 {
    StandardNormal.sample(rng)
}

/// log-uniform
fn between(rng: &mut ChaCha8Rng, low: f64, high: f64) -> f64 {
    rng.random_range(low.ln()..high.ln()).exp()
}

/// Coloured noise with broad resonances, unit rms.
pub fn noise(rng: &mut ChaCha8Rng, n: usize, rate_hz: f64, resonances: usize) -> Vec<f64> {
    let mut white: Vec<f64> = (0..n).map(|_| gaussian(rng)).collect();
    let mut bins = forward_f64(&mut white);
    let (corner, slope) = (rng.random_range(300.0..3000.0), rng.random_range(0.5..1.5));
    let peaks: Vec<(f64, f64, f64)> = (0..resonances)
        .map(|_| {
            let place = between(rng, 300.0, 0.4 * rate_hz);
            let damping = rng.random_range(0.01..0.04);
            (place, damping, rng.random_range(0.2..10.0))
        })
        .collect();
    for (k, bin) in bins.iter_mut().enumerate() {
        let f = k as f64 * rate_hz / n as f64;
        let mut gain = Complex64::new(1.0, 0.0);
        for &(place, damping, height) in &peaks {
            let r = f / place;
            gain += 2.0 * damping * height / Complex64::new(1.0 - r * r, 2.0 * damping * r);
        }
        *bin *= gain / (1.0 + (f / corner).powf(slope)).sqrt();
    }
    let mut out = inverse_f64(&mut bins, n);
    scale_to(&mut out, 1.0);
    out
}

pub fn rms(x: &[f64]) -> f64 {
    (x.iter().map(|v| v * v).sum::<f64>() / x.len() as f64).sqrt()
}

fn scale_to(x: &mut [f64], level: f64) {
    let factor = level / rms(x);
    x.iter_mut().for_each(|v| *v *= factor);
}

pub fn add_hum(rng: &mut ChaCha8Rng, x: &mut [f64], rate_hz: f64, level: f64) {
    let mains = 50.0 * (1.0 + rng.random_range(-2e-3..2e-3));
    for k in 1..12 {
        let amplitude = level * rng.random_range(0.1..1.0) / f64::from(k);
        let phase = rng.random_range(0.0..TAU);
        for (i, v) in x.iter_mut().enumerate() {
            *v += amplitude * (TAU * mains * f64::from(k) * i as f64 / rate_hz + phase).cos();
        }
    }
}

/// A 5:1 run-up or run-down to a top speed of 20 000 to 100 000 rpm in 3 to 40 s: orders 1 to 6 and a
/// blade pass of 11 through a resonance, in coloured noise with resonances, with hum.
pub fn run_up(seed: u64, case: Case) -> RunUp {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let rate_hz = [44_100.0, 48_000.0, 51_200.0][rng.random_range(0..3)];
    let duration_s = between(&mut rng, 3.0, 40.0);
    run_up_of(seed, case, rate_hz, duration_s)
}

/// As [`run_up`], with stated rate and length.
fn run_up_of(seed: u64, case: Case, rate_hz: f64, duration_s: f64) -> RunUp {
    let mut rng = ChaCha8Rng::seed_from_u64(10_000 + seed);
    let rng = &mut rng;
    let top_hz = between(rng, 20_000.0, 100_000.0) / 60.0;
    let n = (rate_hz * duration_s) as usize;
    let (shape, down) = (rng.random_range(0..3), rng.random_bool(0.5));
    let (wobble_hz, wobble_phase) = (rng.random_range(0.1..0.5), rng.random_range(0.0..TAU));
    let speed_hz: Vec<f64> = (0..n)
        .map(|i| {
            let u = i as f64 / n as f64;
            let u = if down { 1.0 - u } else { u };
            let share = match shape {
                0 => 0.2 + 0.8 * u,
                1 => 0.2 * 5.0_f64.powf(u),
                _ => 0.2 + 0.8 * (3.0 * u * u - 2.0 * u * u * u),
            };
            let wobble = (TAU * wobble_hz * i as f64 / rate_hz + wobble_phase).sin();
            top_hz * share * (1.0 + 0.003 * wobble)
        })
        .collect();
    let mut amplitudes = vec![(1, 1.0), (2, rng.random_range(0.1..0.6))];
    amplitudes.push((3, rng.random_range(0.05..0.4)));
    amplitudes.extend((4..=6).map(|k| (k, rng.random_range(0.02..0.3))));
    amplitudes.push((11, rng.random_range(0.05..0.5)));
    if case.lone {
        amplitudes.truncate(2);
        amplitudes[1].1 *= 0.1;
    }
    let resonance_hz = top_hz * rng.random_range(0.35..0.8);
    let damping = rng.random_range(0.03..0.1);
    let phases: Vec<f64> = amplitudes.iter().map(|_| rng.random_range(0.0..TAU)).collect();
    let mut turns = 0.0;
    let mut x = Vec::with_capacity(n);
    for f in &speed_hz {
        turns += f / rate_hz;
        let share = f / top_hz;
        let mut sum = 0.0;
        for (&(order, amplitude), phase) in amplitudes.iter().zip(&phases) {
            let k = f64::from(order);
            if k * f > 0.45 * rate_hz {
                continue;
            }
            let r = k * f / resonance_hz;
            let gain = 1.0 / Complex64::new(1.0 - r * r, 2.0 * damping * r);
            let growth = if order == 1 { share * share } else { share };
            sum += amplitude
                * growth
                * (gain * Complex64::from_polar(1.0, TAU * k * turns + phase)).re;
        }
        x.push(sum);
    }
    let level = rms(&x);
    let mut hiss = noise(rng, n, rate_hz, 3);
    if rng.random_bool(0.5) {
        hiss.iter_mut().zip(&speed_hz).for_each(|(v, f)| *v *= 0.5 + 0.5 * f / top_hz);
    }
    scale_to(&mut hiss, level * 10.0_f64.powf(-case.snr_db / 20.0));
    x.iter_mut().zip(&hiss).for_each(|(v, h)| *v += h);
    let hum = level * rng.random_range(0.02..0.3);
    add_hum(rng, &mut x, rate_hz, hum);
    RunUp { channel: channel(&x, rate_hz, Role::Vibration), speed_hz }
}

/// Something loud beside the shaft's orders.
#[derive(Debug, Clone, Copy)]
pub enum Decoy {
    HalfOrder,
    SecondOrder,
    BladePass,
    Hum,
    Ringing,
}

impl Decoy {
    pub const ALL: [(Self, &str); 5] = [
        (Self::HalfOrder, "half order, as strong as all else"),
        (Self::SecondOrder, "second order, twice as strong as all else"),
        (Self::BladePass, "blade pass of 11, twice as strong as all else"),
        (Self::Hum, "hum, as strong as all else"),
        (Self::Ringing, "a resonance rung by 30 blows a second, as strong as all else"),
    ];
}

/// A run-up at 20 dB with many orders, and a decoy.
pub fn with_decoy(seed: u64, decoy: Decoy) -> RunUp {
    let mut truth = run_up(seed, Case { snr_db: 20.0, lone: false });
    let mut rng = ChaCha8Rng::seed_from_u64(20_000 + seed);
    let rate_hz = truth.channel.rate_hz;
    let mut x: Vec<f64> = truth.channel.values().iter().map(|&v| f64::from(v)).collect();
    let level = rms(&x);
    let tone = |order: f64| -> Vec<f64> {
        let mut turns = 0.0;
        let at = |f: &f64| {
            turns += f / rate_hz;
            if order * f < 0.45 * rate_hz { (TAU * order * turns).cos() } else { 0.0 }
        };
        truth.speed_hz.iter().map(at).collect()
    };
    let (mut loud, strength) = match decoy {
        Decoy::HalfOrder => (tone(0.5), 1.0),
        Decoy::SecondOrder => (tone(2.0), 2.0),
        Decoy::BladePass => (tone(11.0), 2.0),
        Decoy::Hum => {
            let mut hum = vec![0.0; x.len()];
            add_hum(&mut rng, &mut hum, rate_hz, 1.0);
            (hum, 1.0)
        }
        Decoy::Ringing => (ringing(&mut rng, x.len(), rate_hz), 1.0),
    };
    scale_to(&mut loud, strength * level);
    x.iter_mut().zip(&loud).for_each(|(v, d)| *v += d);
    truth.channel = channel(&x, rate_hz, Role::Vibration);
    truth
}

/// A resonance between 500 and 5000 Hz with 1 to 3 % of damping, struck at random.
fn ringing(rng: &mut ChaCha8Rng, n: usize, rate_hz: f64) -> Vec<f64> {
    let turn = TAU * between(rng, 500.0, 5000.0) / rate_hz;
    let keep = (-turn * rng.random_range(0.01..0.03)).exp();
    let step = Complex64::from_polar(keep, turn);
    let mut state = Complex64::new(0.0, 0.0);
    let mut ring = || {
        state *= step;
        if rng.random::<f64>() < 30.0 / rate_hz {
            state += Complex64::new(gaussian(rng), 0.0);
        }
        state.re
    };
    (0..n).map(|_| ring()).collect()
}

/// A run-up of two to three times the speed, heard by two rows of blades and their second harmonics alone;
/// and the speed in Hz half way through.
pub fn blade_rows(seed: u64, rows: [u32; 2], role: Role) -> (Channel, f64) {
    let mut rng = ChaCha8Rng::seed_from_u64(30_000 + seed);
    let rng = &mut rng;
    let rate_hz = 44_100.0;
    let duration_s = rng.random_range(8.0..15.0);
    let (from_hz, ratio) = (rng.random_range(50.0..100.0), rng.random_range(2.0..3.0_f64));
    let n = (duration_s * rate_hz) as usize;
    let mut x = noise(rng, n, rate_hz, 2);
    let loud = rng.random_range(0.4..0.8);
    let tones: Vec<(f64, f64)> = rows
        .iter()
        .flat_map(|&row| [(f64::from(row), 1.0), (2.0 * f64::from(row), 0.5)])
        .map(|(order, level)| (order, loud * level * rng.random_range(0.6..1.0)))
        .collect();
    let mut turns = 0.0;
    for (i, v) in x.iter_mut().enumerate() {
        turns += from_hz * (1.0 + (ratio - 1.0) * i as f64 / n as f64) / rate_hz;
        *v += tones.iter().map(|(order, a)| a * (TAU * order * turns + order).cos()).sum::<f64>();
    }
    (channel(&x, rate_hz, role), from_hz * 0.5 * (1.0 + ratio))
}

pub fn shaftless_noise(seed: u64) -> (f64, Vec<f64>) {
    let mut rng = ChaCha8Rng::seed_from_u64(1000 + seed);
    let rate_hz = 48_000.0;
    let n = (rate_hz * rng.random_range(3.0..15.0)) as usize;
    let resonances = rng.random_range(0..5);
    let mut x = noise(&mut rng, n, rate_hz, resonances);
    let level = rng.random_range(0.0..0.5);
    add_hum(&mut rng, &mut x, rate_hz, level);
    if rng.random_bool(0.5) {
        let mut wander = 0.0;
        for v in &mut x {
            wander += 0.5 * gaussian(&mut rng) / rate_hz.sqrt();
            *v *= f64::exp(wander);
        }
    }
    if rng.random_bool(0.3) {
        for _ in 0..rng.random_range(1..40) {
            let start = rng.random_range(0..n - 2000);
            let (level, decay) = (rng.random_range(2.0..20.0), rng.random_range(20.0..400.0));
            let tone = rng.random_range(0.01..0.2);
            for (i, v) in x[start..start + 2000].iter_mut().enumerate() {
                *v += level * (-(i as f64) / decay).exp() * (TAU * tone * i as f64).cos();
            }
        }
    }
    (rate_hz, x)
}

/// One to four voices of notes with seven harmonics, some with vibrato.
pub fn melody(seed: u64) -> Vec<f64> {
    let mut rng = ChaCha8Rng::seed_from_u64(2000 + seed);
    let rng = &mut rng;
    let rate_hz = 44_100.0;
    let n = (rate_hz * rng.random_range(4.0..20.0)) as usize;
    let mut x = vec![0.0; n];
    for _ in 0..rng.random_range(1..5) {
        let beat_s = [0.12, 0.2, 0.3, 0.5, 1.0][rng.random_range(0..5)];
        let vibrato = if rng.random_bool(0.5) { rng.random_range(0.0..0.006) } else { 0.0 };
        let mut degree: i32 = rng.random_range(-5..10);
        let mut start = 0;
        while start < n {
            let beats = [1.0, 1.0, 2.0][rng.random_range(0..3)];
            let end = (start + (beat_s * beats * rate_hz) as usize).min(n);
            let f = 220.0 * 2.0_f64.powf(f64::from(degree) / 12.0);
            let (decay, slope) = (rng.random_range(0.1..2.0), rng.random_range(0.7..1.5));
            for (i, v) in x[start..end].iter_mut().enumerate() {
                let t = i as f64 / rate_hz;
                let bend = vibrato * f / 5.5 * (TAU * 5.5 * t).sin();
                let phase = TAU * f * t + bend;
                let envelope = (t / 0.01).min(1.0) * (-t / decay).exp();
                *v += (1..8)
                    .map(|k| envelope * (f64::from(k) * phase).cos() / f64::from(k).powf(slope))
                    .sum::<f64>();
            }
            start = end.max(start + 1);
            let step = [-5, -4, -2, -1, 1, 2, 3, 4][rng.random_range(0..8)];
            degree = (degree + step).clamp(-12, 20);
        }
    }
    scale_to(&mut x, 1.0);
    let hiss = 10.0_f64.powf(-rng.random_range(20.0..50.0) / 20.0);
    x.iter_mut().for_each(|v| *v += hiss * gaussian(rng));
    x
}

/// Voiced stretches of wandering pitch through three formants, with pauses and hiss.
pub fn voice(seed: u64) -> Vec<f64> {
    let mut rng = ChaCha8Rng::seed_from_u64(3000 + seed);
    let rng = &mut rng;
    let rate_hz = 16_000.0;
    let n = (rate_hz * rng.random_range(4.0..12.0)) as usize;
    let mut x = vec![0.0; n];
    let mut start = 0;
    while start < n {
        let end = (start + (rate_hz * rng.random_range(0.15..0.8)) as usize).min(n);
        let pitch = rng.random_range(90.0..250.0);
        let (glide, bow) = (rng.random_range(-0.2..0.2), rng.random_range(-0.15..0.15));
        let formants = [rng.random_range(300.0..800.0), rng.random_range(900.0..2200.0), 2700.0];
        let mut phase = 0.0;
        let len = (end - start) as f64;
        for (i, v) in x[start..end].iter_mut().enumerate() {
            let u = i as f64 / len;
            let f = pitch * (1.0 + glide * u + bow * (std::f64::consts::PI * u).sin());
            phase += TAU * f / rate_hz;
            let envelope = (std::f64::consts::PI * u).sin().powf(0.6);
            for k in 1..30 {
                let place = f64::from(k) * f;
                let gain: f64 =
                    formants.iter().map(|q| 1.0 / (1.0 + ((place - q) / 120.0).powi(2))).sum();
                *v += envelope * gain / f64::from(k).sqrt() * (f64::from(k) * phase).cos();
            }
        }
        start = end + (rate_hz * rng.random_range(0.02..0.4)) as usize;
    }
    scale_to(&mut x, 1.0);
    x.iter_mut().for_each(|v| *v += 0.02 * gaussian(rng));
    x
}
