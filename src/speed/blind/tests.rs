//! The estimator against simulated truth: run-ups and run-downs, noise, melodies, voices.

use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use std::f64::consts::TAU;

use super::*;
use crate::dsp::fft::{forward_f64, inverse_f64};
use crate::recording::ChannelSpec;
use num_complex::Complex64;

fn channel(samples: &[f64], rate_hz: f64, role: Role) -> Channel {
    let spec = ChannelSpec { role: Some(role), ..ChannelSpec::named("one") };
    let samples = samples.iter().map(|&x| x as f32).collect();
    Channel::new(spec, rate_hz, samples).expect("a positive rate")
}

/// What a simulated run-up is made of.
#[derive(Clone, Copy)]
struct Case {
    snr_db: f64,
    /// First order alone, with a tenth of the second.
    lone: bool,
}

struct RunUp {
    channel: Channel,
    speed_hz: Vec<f64>,
}

fn gaussian(rng: &mut ChaCha8Rng) -> f64 {
    StandardNormal.sample(rng)
}

/// log-uniform
fn between(rng: &mut ChaCha8Rng, low: f64, high: f64) -> f64 {
    rng.random_range(low.ln()..high.ln()).exp()
}

/// Coloured noise with broad resonances, unit rms.
fn noise(rng: &mut ChaCha8Rng, n: usize, rate_hz: f64, resonances: usize) -> Vec<f64> {
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

fn rms(x: &[f64]) -> f64 {
    (x.iter().map(|v| v * v).sum::<f64>() / x.len() as f64).sqrt()
}

fn scale_to(x: &mut [f64], level: f64) {
    let factor = level / rms(x);
    x.iter_mut().for_each(|v| *v *= factor);
}

fn add_hum(rng: &mut ChaCha8Rng, x: &mut [f64], rate_hz: f64, level: f64) {
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
fn run_up(seed: u64, case: Case) -> RunUp {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let rng = &mut rng;
    let rate_hz = [44_100.0, 48_000.0, 51_200.0][rng.random_range(0..3)];
    let duration_s = between(rng, 3.0, 40.0);
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

/// Errors of a speed in percent, every 10 ms of the stretch it covers.
fn errors_percent(speed: &Speed, truth: &RunUp) -> Vec<f64> {
    let count = ((speed.end_s() - speed.start_s()) / 0.01) as usize;
    (0..count)
        .map(|i| {
            let t = speed.start_s() + 0.01 * i as f64;
            let index = ((t * truth.channel.rate_hz) as usize).min(truth.speed_hz.len() - 1);
            100.0 * (speed.hz_at(t) / truth.speed_hz[index] - 1.0).abs()
        })
        .collect()
}

/// What many seeds gave.
#[derive(Debug, Default)]
struct Figures {
    stated: usize,
    slips: usize,
    medians: Vec<f64>,
    worsts: Vec<f64>,
    /// True rms error over the stated one.
    honesty: Vec<f64>,
    covered: Vec<f64>,
    odds: Vec<f64>,
}

fn measure(seeds: std::ops::Range<u64>, case: Case) -> Figures {
    let mut figures = Figures::default();
    for seed in seeds {
        let truth = run_up(seed, case);
        match estimate(&truth.channel, &Prior::default()) {
            Estimate::Speed(speed) => {
                figures.stated += 1;
                let mut errors = errors_percent(&speed, &truth);
                let middle = crate::dsp::stats::median_of(&mut errors);
                if middle > 2.0 {
                    figures.slips += 1;
                    continue;
                }
                let worst = errors.iter().copied().fold(0.0, f64::max);
                let true_rms = rms(&errors);
                figures.honesty.push(true_rms / speed.error_percent);
                figures.medians.push(middle);
                figures.worsts.push(worst);
                let covered = (speed.end_s() - speed.start_s()) / truth.channel.duration_s();
                figures.covered.push(covered);
                figures
                    .odds
                    .push(1.0 - speed.alternatives.iter().map(|a| a.probability).sum::<f64>());
                if std::env::var_os("BLIND_VERBOSE").is_some() && worst > 0.8 {
                    eprintln!(
                        "seed {seed}: median {middle:.3} worst {worst:.3} rms {true_rms:.3} stated {:.3} {:?}",
                        speed.error_percent, speed.notes
                    );
                }
            }
            Estimate::NoSpeed(none) => {
                if std::env::var_os("BLIND_VERBOSE").is_some() {
                    eprintln!("seed {seed}: {}", none.reason);
                }
            }
        }
    }
    figures
}

fn quantile(values: &[f64], q: f64) -> f64 {
    crate::dsp::stats::quantile_of(&mut values.to_vec(), q)
}

#[test]
fn run_ups_are_followed_without_octave_slips() {
    let figures = measure(0..20, Case { snr_db: 20.0, lone: false });
    assert!(figures.stated >= 19, "{figures:?}");
    assert_eq!(figures.slips, 0);
    assert!(quantile(&figures.medians, 0.5) < 0.03 && quantile(&figures.medians, 1.0) < 0.2);
    assert!(quantile(&figures.worsts, 1.0) < 1.0, "{figures:?}");
}

#[test]
fn a_lone_first_order_is_not_read_as_the_second() {
    let figures = measure(0..12, Case { snr_db: 20.0, lone: true });
    assert!(figures.stated >= 10 && figures.slips == 0, "{figures:?}");
    assert!(quantile(&figures.medians, 1.0) < 0.2);
}

#[test]
fn loud_noise_leads_to_right_speeds_or_none() {
    let figures = measure(0..10, Case { snr_db: 0.0, lone: false });
    assert!(figures.slips == 0 && figures.stated >= 7, "{figures:?}");
}

#[test]
fn noise_with_resonances_and_hum_gives_no_speed() {
    for seed in 0..20 {
        let (rate_hz, x) = shaftless_noise(seed);
        let outcome = estimate(&channel(&x, rate_hz, Role::Vibration), &Prior::default());
        assert!(matches!(outcome, Estimate::NoSpeed(_)), "seed {seed}: {outcome:?}");
    }
}

#[test]
fn voices_give_no_speed() {
    for seed in 0..12 {
        let x = voice(seed);
        let outcome = estimate(&channel(&x, 16_000.0, Role::Sound), &Prior::default());
        assert!(matches!(outcome, Estimate::NoSpeed(_)), "seed {seed}: {outcome:?}");
    }
}

#[test]
fn melodies_give_no_speed() {
    let stated: Vec<u64> = (0..20)
        .filter(|&seed| {
            let x = melody(seed);
            let outcome = estimate(&channel(&x, 44_100.0, Role::Sound), &Prior::default());
            matches!(outcome, Estimate::Speed(_))
        })
        .collect();
    assert!(stated.is_empty(), "{stated:?}");
}

#[test]
fn silence_and_scraps_give_no_speed() {
    for samples in [vec![], vec![0.0; 50_000], vec![1.0; 5], vec![f64::NAN; 50_000]] {
        let outcome = estimate(&channel(&samples, 48_000.0, Role::Sound), &Prior::default());
        assert!(matches!(outcome, Estimate::NoSpeed(_)));
    }
}

/// A steady shaft: orders 1 to 4 at 31 234 rpm, and hum.
#[test]
fn a_clear_steady_shaft_is_read() {
    let mut rng = ChaCha8Rng::seed_from_u64(5);
    let rate_hz = 48_000.0;
    let n = 48_000 * 6;
    let shaft_hz = 31_234.0 / 60.0;
    let mut x = noise(&mut rng, n, rate_hz, 2);
    for (order, amplitude) in [(1.0, 1.0), (2.0, 0.4), (3.0, 0.2), (4.0, 0.1)] {
        for (i, v) in x.iter_mut().enumerate() {
            *v += amplitude * (TAU * order * shaft_hz * i as f64 / rate_hz).cos();
        }
    }
    add_hum(&mut rng, &mut x, rate_hz, 0.2);
    let outcome = estimate(&channel(&x, rate_hz, Role::Vibration), &Prior::default());
    let Estimate::Speed(speed) = outcome else { panic!("{outcome:?}") };
    assert!((speed.rpm_at(3.0) / 31_234.0 - 1.0).abs() < 1e-4);
    assert!(speed.error_percent < 0.1);
}

/// Two blade rows of 17 and 18 on a shaft that is not heard itself.
#[test]
fn locked_tones_give_the_shaft_with_alternatives() {
    let mut rng = ChaCha8Rng::seed_from_u64(9);
    let rate_hz = 44_100.0;
    let n = 44_100 * 15;
    let mut x = noise(&mut rng, n, rate_hz, 2);
    let mut turns = 0.0;
    for (i, v) in x.iter_mut().enumerate() {
        let shaft_hz = 60.0 + 15.0 * i as f64 / rate_hz;
        turns += shaft_hz / rate_hz;
        for (order, amplitude) in [(17.0, 0.6), (18.0, 0.4), (34.0, 0.3), (36.0, 0.2)] {
            *v += amplitude * (TAU * order * turns + order).cos();
        }
    }
    let outcome = estimate(&channel(&x, rate_hz, Role::Sound), &Prior::default());
    let Estimate::Speed(speed) = outcome else { panic!("{outcome:?}") };
    assert!((speed.hz_at(8.0) / 180.0 - 1.0).abs() < 1e-3, "{}", speed.hz_at(8.0));
    assert!(speed.notes[0].contains("17, 18"), "{:?}", speed.notes);
    assert!(!speed.alternatives.is_empty());
}

/// A lone blade tone is put right by the machine's blade count and speed range.
#[test]
fn a_blade_count_puts_a_lone_tone_right() {
    let mut rng = ChaCha8Rng::seed_from_u64(11);
    let rate_hz = 44_100.0;
    let n = 44_100 * 10;
    let mut x = noise(&mut rng, n, rate_hz, 2);
    let mut turns = 0.0;
    for (i, v) in x.iter_mut().enumerate() {
        turns += (150.0 + 40.0 * i as f64 / rate_hz) / rate_hz;
        *v += 0.5 * (TAU * 11.0 * turns).cos();
    }
    let prior = Prior {
        lowest_rpm: Some(5_000.0),
        highest_rpm: Some(50_000.0),
        blade_counts: vec![11],
        ..Prior::default()
    };
    let outcome = estimate(&channel(&x, rate_hz, Role::Sound), &prior);
    let Estimate::Speed(speed) = outcome else { panic!("{outcome:?}") };
    assert!((speed.hz_at(5.0) / 350.0 - 1.0).abs() < 1e-3);
}

fn shaftless_noise(seed: u64) -> (f64, Vec<f64>) {
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
fn melody(seed: u64) -> Vec<f64> {
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
fn voice(seed: u64) -> Vec<f64> {
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

/// The long measurement: 200 seeds for each signal-to-noise ratio, run-ups with many orders and with
/// the first alone, and false alarms. Prints a table.
#[test]
#[ignore = "takes minutes; run with --ignored --nocapture"]
fn long_measurement() {
    let seeds = std::env::var("BLIND_SEEDS").ok().and_then(|s| s.parse().ok()).unwrap_or(200);
    eprintln!(
        "case          stated slips median  worst-median p95-of-worst worst  true/stated error (50 %, 95 %)  covered(5 %)"
    );
    for lone in [false, true] {
        for snr_db in [20.0, 10.0, 0.0] {
            let f = measure(0..seeds, Case { snr_db, lone });
            eprintln!(
                "{snr_db:>3} dB {:<6} {:>4}/{seeds} {:>3}  {:.4}  {:.3}  {:.3}  {:.3}  {:.2} {:.2}  {:.2}",
                if lone { "1x" } else { "family" },
                f.stated,
                f.slips,
                quantile(&f.medians, 0.5),
                quantile(&f.medians, 1.0),
                quantile(&f.worsts, 0.95),
                quantile(&f.worsts, 1.0),
                quantile(&f.honesty, 0.5),
                quantile(&f.honesty, 0.95),
                quantile(&f.covered, 0.05),
            );
            if !lone && snr_db == 20.0 {
                assert_eq!(f.slips, 0);
                assert!(quantile(&f.medians, 0.5) < 0.1 && quantile(&f.worsts, 1.0) < 1.0);
            }
        }
    }
    let count = |stated: &dyn Fn(u64) -> Estimate| {
        (0..seeds).filter(|&seed| matches!(stated(seed), Estimate::Speed(_))).count()
    };
    let plain = Prior::default();
    let noise = count(&|seed| {
        let (rate_hz, x) = shaftless_noise(seed);
        estimate(&channel(&x, rate_hz, Role::Vibration), &plain)
    });
    let melodies = count(&|seed| estimate(&channel(&melody(seed), 44_100.0, Role::Sound), &plain));
    let voices = count(&|seed| estimate(&channel(&voice(seed), 16_000.0, Role::Sound), &plain));
    eprintln!("false speeds of {seeds}: noise {noise}, melodies {melodies}, voices {voices}");
    assert!(noise + melodies + voices <= 3 * seeds as usize / 50);
}
