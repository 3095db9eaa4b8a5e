//! The estimator against simulated truth: run-ups and run-downs, noise, melodies, voices.

mod cases;

use std::f64::consts::TAU;

use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;

use super::*;
use cases::{Case, RunUp, add_hum, channel, melody, noise, rms, run_up, shaftless_noise, voice};

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
        let deviation = (17.0 * speed.hz_at(t) / hz - 1.0).abs();
        if verbose() {
            eprintln!("{t:.1} s: {:.2} %", 100.0 * deviation);
        }
        worst = worst.max(deviation);
    }
    *row += &format!(
        " ridge met to {:.2} % ({:.1} to {:.1} s)",
        100.0 * worst,
        speed.start_s(),
        speed.end_s()
    );
    assert!(worst < 0.01, "{row}");
}

/// Cost of one channel of 60 s at 51.2 kHz.
#[test]
#[ignore = "measures time"]
fn cost_of_a_minute() {
    let truth = cases::run_up_of(7, Case { snr_db: 20.0, lone: false }, 51_200.0, 60.0);
    let start = std::time::Instant::now();
    let outcome = estimate(&truth.channel, &Prior::default());
    eprintln!("{:.2} s", start.elapsed().as_secs_f64());
    assert!(matches!(outcome, Estimate::Speed(_)));
}
