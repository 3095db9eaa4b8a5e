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
}

/// Details of single seeds, wanted while tuning.
fn verbose() -> bool {
    std::env::var_os("QUIETSPIN_VERBOSE").is_some()
}

fn measure(seeds: std::ops::Range<u64>, case: Case) -> Figures {
    let mut figures = Figures::default();
    for seed in seeds {
        let truth = run_up(seed, case);
        match estimate(&truth.channel, &Prior::default()) {
            Estimate::Speed(speed) => figures.add(seed, &speed, &truth),
            Estimate::NoSpeed(none) if verbose() => eprintln!("seed {seed}: {}", none.reason),
            Estimate::NoSpeed(_) => {}
        }
    }
    figures
}

impl Figures {
    fn add(&mut self, seed: u64, speed: &Speed, truth: &RunUp) {
        self.stated += 1;
        let errors = errors_percent(speed, truth);
        let middle = quantile(&errors, 0.5);
        if middle > 2.0 {
            self.slips += 1;
            return;
        }
        let worst = quantile(&errors, 1.0);
        let true_rms = rms(&errors);
        self.honesty.push(true_rms / speed.error_percent);
        self.medians.push(middle);
        self.worsts.push(worst);
        self.covered.push((speed.end_s() - speed.start_s()) / truth.channel.duration_s());
        if verbose() && worst > 0.5 {
            let at = errors.iter().position(|&e| e == worst).unwrap_or(0) as f64 * 0.01;
            eprintln!(
                "seed {seed}: median {middle:.3} worst {worst:.3} at {at:.2} of {:.2} s rms \
                 {true_rms:.3} stated {:.3} {:?}",
                speed.end_s() - speed.start_s(),
                speed.error_percent,
                speed.notes
            );
        }
    }

    fn join(&mut self, other: Self) {
        self.stated += other.stated;
        self.slips += other.slips;
        self.medians.extend(other.medians);
        self.worsts.extend(other.worsts);
        self.honesty.extend(other.honesty);
        self.covered.extend(other.covered);
    }
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

/// Ten seconds up, forty held, as in an acceptance run: held lines are not taken for standing ones.
#[test]
fn a_long_hold_after_a_run_up_is_followed() {
    let mut rng = ChaCha8Rng::seed_from_u64(21);
    let rate_hz = 44_100.0;
    let n = 44_100 * 50;
    let mut x = noise(&mut rng, n, rate_hz, 3);
    let mut turns = 0.0;
    let speed = |t: f64| 300.0 + 70.0 * t.min(10.0);
    for (i, v) in x.iter_mut().enumerate() {
        turns += speed(i as f64 / rate_hz) / rate_hz;
        for (order, amplitude) in [(1.0, 0.8), (2.0, 0.3), (3.0, 0.2)] {
            *v += amplitude * (TAU * order * turns).cos();
        }
    }
    add_hum(&mut rng, &mut x, rate_hz, 0.3);
    let outcome = estimate(&channel(&x, rate_hz, Role::Vibration), &Prior::default());
    let Estimate::Speed(found) = outcome else { panic!("{outcome:?}") };
    for t in [2.0, 6.0, 15.0, 30.0, 45.0] {
        assert!((found.hz_at(t) / speed(t) - 1.0).abs() < 1e-3, "{t}: {}", found.hz_at(t));
    }
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

/// Seeds shared between two threads.
fn measure_widely(seeds: u64, case: Case) -> Figures {
    let half = seeds / 2;
    std::thread::scope(|scope| {
        let other = scope.spawn(move || measure(half..seeds, case));
        let mut figures = measure(0..half, case);
        figures.join(other.join().expect("the second half"));
        figures
    })
}

/// The long measurement: 200 seeds for each signal-to-noise ratio, run-ups with many orders and with
/// the first alone, and false alarms. Prints a table.
#[test]
#[ignore = "takes minutes; run with --ignored --nocapture"]
fn long_measurement() {
    let stated = std::env::var("QUIETSPIN_SEEDS").ok().and_then(|s| s.parse().ok());
    let seeds: u64 = stated.unwrap_or(200);
    eprintln!(
        "                stated   slips  median  worst median  worst 95 %  worst  \
         true/stated error 50 % 95 %  covered 5 %"
    );
    for lone in [false, true] {
        for snr_db in [20.0, 10.0, 0.0] {
            let f = measure_widely(seeds, Case { snr_db, lone });
            eprintln!(
                "{snr_db:>3} dB {:<6} {:>5}/{seeds} {:>6} {:>8.4} {:>10.3} {:>13.3} {:>8.3} {:>14.2} {:>9.2} {:>10.2}",
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
    let plain = Prior::default();
    let count = |stated: &dyn Fn(u64) -> Estimate| {
        (0..seeds).filter(|&seed| matches!(stated(seed), Estimate::Speed(_))).count()
    };
    let noise = count(&|seed| {
        let (rate_hz, x) = shaftless_noise(seed);
        estimate(&channel(&x, rate_hz, Role::Vibration), &plain)
    });
    let melodies = count(&|seed| estimate(&channel(&melody(seed), 44_100.0, Role::Sound), &plain));
    let voices = count(&|seed| estimate(&channel(&voice(seed), 16_000.0, Role::Sound), &plain));
    eprintln!("false speeds of {seeds}: noise {noise}, melodies {melodies}, voices {voices}");
    assert!(noise + melodies + voices <= 3 * seeds as usize / 50);
}

/// Every open recording under QUIETSPIN_DATA, without telling the speed and within 30 % of it. Prints
/// a table; a refusal is fine, a wrong speed is not.
#[test]
#[ignore = "needs the open recordings; run with --ignored --nocapture"]
fn open_recordings() {
    let Some(root) = std::env::var_os("QUIETSPIN_DATA") else { return };
    let mut files = Vec::new();
    for folder in ["cwru", "mfpt", "hit", "motor_rig", "sound"] {
        let entries = std::fs::read_dir(std::path::Path::new(&root).join(folder));
        let paths = entries.into_iter().flatten().filter_map(|e| e.ok().map(|e| e.path()));
        files.extend(paths.filter(|p| p.extension().is_some_and(|e| e == "wav")));
    }
    files.sort();
    let mut wrong = Vec::new();
    for file in files {
        let text = std::fs::read_to_string(file.with_extension("json")).unwrap_or_default();
        let facts: serde_json::Value = serde_json::from_str(&text).unwrap_or_default();
        let mut recording =
            crate::recording::read::read(&file, &mut crate::progress::Silent).expect("a recording");
        let channel = &mut recording.channels[0];
        let sound = file.to_string_lossy().contains("sound");
        channel.spec.role = Some(if sound { Role::Sound } else { Role::Vibration });
        let rpm = facts["rpm"].as_f64();
        let mut row = format!(
            "{:<45} {:>7}",
            file.file_stem().unwrap_or_default().display(),
            rpm.map_or("-".to_owned(), |r| format!("{r:.0}"))
        );
        let told = rpm.map(|rpm| Prior {
            lowest_rpm: Some(0.7 * rpm),
            highest_rpm: Some(1.3 * rpm),
            ..Prior::default()
        });
        for prior in [Some(Prior::default()), told].into_iter().flatten() {
            match estimate(channel, &prior) {
                Estimate::Speed(speed) => {
                    let middle = speed.rpm_at(0.5 * (speed.start_s() + speed.end_s()));
                    row += &format!(" {middle:>9.1} +- {:.2} %", speed.error_percent);
                    if rpm.is_some_and(|rpm| (middle / rpm - 1.0).abs() > 0.03) {
                        wrong.push(row.clone());
                    }
                    if sound {
                        row += &format!(" {:?} {:?}", speed.notes, speed.alternatives);
                        check_ridge(&facts, &speed, &mut row);
                    }
                }
                Estimate::NoSpeed(none) => {
                    row += &format!(
                        "      none ({})",
                        none.reason.chars().take(28).collect::<String>()
                    )
                }
            }
        }
        eprintln!("{row}");
    }
    assert!(wrong.is_empty(), "{wrong:#?}");
}

/// Compares a speed read from a tone of order 17 with the ridge given for it.
fn check_ridge(facts: &serde_json::Value, speed: &Speed, row: &mut String) {
    let Some(ridge) = facts["truth"]["ridge_t_s_hz"].as_array() else { return };
    let mut worst: f64 = 0.0;
    for point in ridge {
        let (Some(t), Some(hz)) = (point[0].as_f64(), point[1].as_f64()) else { continue };
        worst = worst.max((17.0 * speed.hz_at(t) / hz - 1.0).abs());
    }
    *row += &format!(
        " ridge met to {:.2} % ({:.1} to {:.1} s)",
        100.0 * worst,
        speed.start_s(),
        speed.end_s()
    );
    assert!(worst < 0.01, "{row}");
}
