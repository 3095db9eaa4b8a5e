//! Order analysis against exact truth: the figures of the angle domain.

use std::f64::consts::TAU;

use num_complex::Complex64;
use quietspin::angle::tracking_filter::{Bandwidth, TrackingFilter};
use quietspin::angle::windows::Length;
use quietspin::angle::{
    Method, OrderMap, OrderMapMaker, Resampler, Track, Wave, follow, map, resample,
};
use quietspin::progress::Silent;
use quietspin::recording::{Channel, ChannelSpec};
use quietspin::speed::{Knot, Speed, SpeedSource};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;

const RATE_HZ: f64 = 51_200.0;
const SECONDS: f64 = 6.0;

/// A 10:1 run-up, 160 Hz to 1600 Hz (9 600 to 96 000 rpm), with exact knots.
fn run_up() -> Speed {
    let law = |t: f64| (160.0 * t + 120.0 * t * t, 160.0 + 240.0 * t);
    let knots = (0..=600)
        .map(|i| f64::from(i) * SECONDS / 600.0)
        .map(|time_s| Knot { time_s, turns: law(time_s).0, speed_hz: law(time_s).1 })
        .collect();
    Speed::from_knots(SpeedSource::Pulse, knots, 0.0).expect("a rising curve")
}

fn channel(signal: impl FnMut(f64) -> f64) -> Channel {
    let times = (0..(SECONDS * RATE_HZ) as usize).map(|i| i as f64 / RATE_HZ);
    let samples: Vec<f32> = times.map(signal).map(|x| x as f32).collect();
    Channel::new(ChannelSpec::named("vibration"), RATE_HZ, samples).expect("valid")
}

/// Gaussian noise by the central limit of twelve uniform numbers.
fn noise(random: &mut ChaCha8Rng) -> f64 {
    (0..12).map(|_| random.random::<f64>()).sum::<f64>() - 6.0
}

/// Worst relative amplitude error and phase error in degrees of orders whose lines stay below 80 % of
/// the Nyquist frequency, without noise.
struct OrderErrors {
    amplitude_percent: f64,
    phase_deg: f64,
}

fn order_errors(seed: u64) -> OrderErrors {
    let speed = run_up();
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let orders: Vec<(f64, f64, f64)> = [1.0, 2.0, 5.0, 12.0]
        .map(|order| (order, 0.5 + random.random::<f64>(), TAU * random.random::<f64>()))
        .to_vec();
    let recorded = channel(|t| {
        let turns = speed.turns_at(t);
        let tones = orders.iter().map(|(order, a, lead)| a * (TAU * order * turns + lead).cos());
        tones.sum()
    });
    let signal = resample::resample(&recorded, &speed, 32).expect("long enough");
    let map = OrderMap::of(&signal);
    let (mut amplitude_percent, mut phase_deg) = (0.0_f64, 0.0_f64);
    for (order, amplitude, lead) in orders {
        let track = map.track(order).expect("inside the map");
        let limit_rpm = 0.8 * 0.5 * RATE_HZ / order * 60.0;
        let inside = track.where_rpm(|rpm| rpm < limit_rpm);
        assert!(inside.len() > 50, "order {order} has {} points", inside.len());
        // the mean over 20 blocks: what a technician reads off a track at one speed
        for phasors in inside.phasors.chunks_exact(20) {
            let mean = phasors.iter().sum::<Complex64>() / 20.0;
            amplitude_percent =
                amplitude_percent.max(100.0 * (mean.norm() / amplitude - 1.0).abs());
            let turn = mean * Complex64::from_polar(1.0, -lead);
            phase_deg = phase_deg.max(turn.arg().to_degrees().abs());
        }
    }
    OrderErrors { amplitude_percent, phase_deg }
}

/// Level in dB, relative to the tone, of what a tone just outside the judged band leaves in the
/// orders that are free of aliases, at speeds where the angular sampling decides.
fn alias_db() -> f64 {
    let speed = run_up();
    let order = 18.5; // folds to 13.5 of 32 samples per turn, above max_order; and 19.5 to 12.5
    let mut worst = f64::NEG_INFINITY;
    for tone in [order, 19.5, 24.0, 31.0] {
        let recorded = channel(|t| (TAU * tone * speed.turns_at(t)).cos());
        let signal = resample::resample(&recorded, &speed, 32).expect("long enough");
        let map = OrderMap::of(&signal);
        let share = map::JUDGED_SHARE_OF_RATE * RATE_HZ;
        // away from the start of the recording, where the kernel reaches beyond it
        let inside = |rpm: f64| rpm > 12_000.0 && tone * rpm / 60.0 < share;
        let spectrum = map.order_spectrum_where(inside);
        let judged = spectrum.iter().enumerate();
        let leaked = judged
            .filter(|(k, _)| *k as f64 * map.order_step() <= signal.max_order())
            .map(|(_, amplitude)| *amplitude)
            .fold(0.0, f64::max);
        worst = worst.max(20.0 * leaked.log10());
    }
    worst
}

/// Residual in dB of a band of tones taken to equal angles and held against the exact values there:
/// time to angle and, through the exact values, back.
fn round_trip_db() -> f64 {
    let speed = run_up();
    let value = |t: f64| {
        let tones = [35.0, 333.0, 1_212.0, 2_050.0].iter().enumerate();
        tones.map(|(k, hz)| (TAU * hz * t + k as f64).cos()).sum::<f64>()
    };
    let signal = resample::resample(&channel(value), &speed, 32).expect("long enough");
    let (mut error, mut power) = (0.0, 0.0);
    for (i, &x) in signal.values.iter().enumerate() {
        let turns = signal.first_turn + i as f64 / 32.0;
        let time_s = speed.time_at_turns(turns);
        // away from the ends of the recording, where the kernel reaches beyond it
        if (0.05..SECONDS - 0.05).contains(&time_s) {
            error += (f64::from(x) - value(time_s)).powi(2);
            power += value(time_s).powi(2);
        }
    }
    10.0 * (error / power).log10()
}

#[test]
fn orders_keep_amplitude_and_phase_over_ten_to_one() {
    for seed in 0..3 {
        let clean = order_errors(seed);
        assert!(clean.amplitude_percent < 0.5, "{}", clean.amplitude_percent);
        assert!(clean.phase_deg < 0.5, "{}", clean.phase_deg);
    }
}

#[test]
fn aliases_and_interpolation_stay_below_the_stated_levels() {
    let alias = alias_db();
    assert!(alias < -80.0, "alias {alias:.1} dB");
    let round_trip = round_trip_db();
    assert!(round_trip < -90.0, "resampling {round_trip:.1} dB");
}

/// What was put into a recording and is looked for: an order of a shaft, its phasor over time.
struct Part<'a> {
    speed: &'a Speed,
    order: f64,
    phasor: Box<dyn Fn(f64) -> Complex64 + 'a>,
}

impl Part<'_> {
    fn at(&self, time_s: f64) -> f64 {
        let turned = Complex64::from_polar(1.0, TAU * self.order * self.speed.turns_at(time_s));
        ((self.phasor)(time_s) * turned).re
    }
}

/// A phasor of about `size` that grows and shrinks by a quarter and turns by 15 degrees.
fn changing(random: &mut ChaCha8Rng, size: f64) -> Box<dyn Fn(f64) -> Complex64> {
    let [a, b, c] = [(); 3].map(|()| TAU * random.random::<f64>());
    Box::new(move |t| {
        let amplitude = size * (1.0 + 0.25 * (TAU * 0.3 * t + a).sin());
        Complex64::from_polar(amplitude, b + 0.26 * (TAU * 0.25 * t + c).sin())
    })
}

/// Errors of the points of tracks: of amplitude in percent and of phase in degrees, and the squared
/// error of the phasor over the stated one.
#[derive(Debug, Default)]
struct Errors {
    amplitude_percent: Vec<f64>,
    phase_deg: Vec<f64>,
    over_stated: Vec<f64>,
    points: usize,
}

impl Errors {
    /// Points at least `margin_s` from the ends of the recording and below 80 % of the Nyquist frequency.
    fn add(&mut self, track: &Track, part: &Part, margin_s: f64) {
        for i in 0..track.len() {
            let time_s = track.times_s[i];
            if track.rpm[i] / 60.0 * part.order > 0.4 * RATE_HZ
                || !(margin_s..SECONDS - margin_s).contains(&time_s)
            {
                continue;
            }
            let (found, exact) = (track.phasors[i], (part.phasor)(time_s));
            self.points += 1;
            self.amplitude_percent.push(100.0 * (found.norm() / exact.norm() - 1.0).abs());
            self.phase_deg.push((found / exact).arg().to_degrees().abs());
            self.over_stated.push(0.5 * ((found - exact).norm() / track.errors[i]).powi(2));
        }
    }

    fn row(&mut self, name: &str) -> serde_json::Value {
        let rms = |values: &[f64]| {
            (values.iter().map(|x| x * x).sum::<f64>() / values.len() as f64).sqrt()
        };
        let mean = self.over_stated.iter().sum::<f64>() / self.over_stated.len() as f64;
        let worst = |values: &[f64]| values.iter().copied().fold(0.0, f64::max);
        serde_json::json!({
            "case": name,
            "points": self.points,
            "amplitude_percent_rms": rms(&self.amplitude_percent),
            "amplitude_percent_worst": worst(&self.amplitude_percent),
            "phase_deg_rms": rms(&self.phase_deg),
            "phase_deg_worst": worst(&self.phase_deg),
            "true_over_stated_error_rms": mean.sqrt(),
        })
    }
}

fn recording_of(parts: &[Part], random: &mut ChaCha8Rng, noise_rms: f64) -> Channel {
    channel(|t| parts.iter().map(|part| part.at(t)).sum::<f64>() + noise_rms * noise(random))
}

/// Noise 20 dB below an order of amplitude 1, over the whole band.
const NOISE_20_DB: f64 = 0.070_710_678;

/// The method whose band suits how fast these orders change.
const SUITED: &str = "filter, 3 Hz";
const FILTER_5_HZ: Method =
    Method::Filter(TrackingFilter { bandwidth: Bandwidth::Hz(5.0), poles: 2 });

/// Orders 1, 2, 5 and 12 followed by a method.
fn run_up_errors(seeds: u64, method: Method, margin_s: f64, errors: &mut Errors) {
    let speed = run_up();
    for seed in 0..seeds {
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        let parts = [1.0, 2.0, 5.0, 12.0].map(|order| Part {
            speed: &speed,
            order,
            phasor: changing(&mut random, 1.0),
        });
        let recorded = recording_of(&parts, &mut random, NOISE_20_DB);
        let waves = [1.0, 2.0, 5.0, 12.0].map(|order| Wave { speed: &speed, order });
        let tracks = follow(&recorded, &waves, &method, &mut Silent).expect("long enough");
        tracks.iter().zip(&parts).for_each(|(track, part)| errors.add(track, part, margin_s));
    }
}

/// A run-down of a second shaft, 1500 to 300 Hz, which meets the first order.
fn second_shaft() -> Speed {
    let law = |t: f64| (1500.0 * t - 100.0 * t * t, 1500.0 - 200.0 * t);
    let knots = (0..=600)
        .map(|i| f64::from(i) * SECONDS / 600.0)
        .map(|time_s| Knot { time_s, turns: law(time_s).0, speed_hz: law(time_s).1 })
        .collect();
    Speed::from_knots(SpeedSource::Pulse, knots, 0.0).expect("a rising curve")
}

/// The first order, half as large a tone of 600 Hz (a resonance that rings) and as large a second shaft:
/// three waves that cross each other, followed together by the filter or apart.
fn crossing_errors(seeds: u64, together: bool) -> [Errors; 3] {
    let (first, second) = (run_up(), second_shaft());
    let ringing =
        Speed::constant(SpeedSource::Stated, 36_000.0, 0.0, SECONDS).expect("a constant speed");
    let mut errors = [(); 3].map(|()| Errors::default());
    for seed in 0..seeds {
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        let parts = [(&first, 1.0), (&ringing, 0.5), (&second, 1.0)].map(|(speed, size)| Part {
            speed,
            order: 1.0,
            phasor: changing(&mut random, size),
        });
        let recorded = recording_of(&parts, &mut random, 0.5 * NOISE_20_DB);
        let waves = [&first, &ringing, &second].map(|speed| Wave { speed, order: 1.0 });
        let tracks = if together {
            follow(&recorded, &waves, &FILTER_5_HZ, &mut Silent).expect("long enough")
        } else {
            let alone = waves.chunks(1).flat_map(|wave| {
                follow(&recorded, wave, &FILTER_5_HZ, &mut Silent).expect("long enough")
            });
            alone.collect()
        };
        for ((errors, track), part) in errors.iter_mut().zip(&tracks).zip(&parts) {
            errors.add(track, part, 0.2);
        }
    }
    errors
}

#[test]
fn crossing_waves_are_parted_to_two_percent() {
    for errors in crossing_errors(2, true) {
        let worst = errors.amplitude_percent.iter().copied().fold(0.0, f64::max);
        assert!(errors.points > 100 && worst < 2.0, "{worst}");
    }
    let alone = &crossing_errors(1, false)[0];
    assert!(alone.amplitude_percent.iter().any(|&error| error > 10.0));
}

#[test]
fn the_filter_follows_orders_to_half_a_percent() {
    let mut errors = Errors::default();
    run_up_errors(2, FILTER_5_HZ, 0.2, &mut errors);
    let worst = |values: &[f64]| values.iter().copied().fold(0.0, f64::max);
    assert!(errors.points > 500);
    assert!(worst(&errors.amplitude_percent) < 0.5 && worst(&errors.phase_deg) < 0.5);
}

#[test]
#[ignore = "long measurement, run by tests/run --full"]
fn order_figures() {
    let seeds = 200;
    let clean = (0..seeds)
        .map(order_errors)
        .fold((0.0_f64, 0.0_f64), |w, e| (w.0.max(e.amplitude_percent), w.1.max(e.phase_deg)));
    let orders = Bandwidth::Orders(0.05);
    let narrow = Bandwidth::Hz(3.0);
    let methods = [
        (SUITED, Method::Filter(TrackingFilter { bandwidth: narrow, poles: 2 }), 0.34),
        ("filter, 5 Hz", FILTER_5_HZ, 0.2),
        ("filter, 5 Hz, with the ends", FILTER_5_HZ, 0.0),
        (
            "filter, 0.05 orders",
            Method::Filter(TrackingFilter { bandwidth: orders, poles: 2 }),
            0.2,
        ),
        ("blocks of 0.3 s", Method::Windows(Length::Seconds(0.3)), 0.2),
        ("transform of 16 turns", Method::Windows(Length::Turns(16.0)), 0.2),
        ("transform of 128 turns", Method::Windows(Length::Turns(128.0)), 0.2),
    ];
    let mut rows = Vec::new();
    let mut goal_met = true;
    for (name, method, margin_s) in methods {
        let mut errors = Errors::default();
        run_up_errors(seeds, method, margin_s, &mut errors);
        let row = errors.row(name);
        if name == SUITED {
            goal_met &= row["amplitude_percent_worst"].as_f64() < Some(0.5);
            goal_met &= row["phase_deg_worst"].as_f64() < Some(0.5);
        }
        rows.push(row);
    }
    let mut crossings = Vec::new();
    for (together, how) in [(true, "together"), (false, "each alone")] {
        let names = ["first order", "ringing tone", "second shaft"];
        for (errors, name) in crossing_errors(seeds, together).iter_mut().zip(names) {
            let row = errors.row(&format!("{name}, {how}"));
            goal_met &= !together || row["amplitude_percent_worst"].as_f64() < Some(2.0);
            crossings.push(row);
        }
    }
    let (alias, round_trip) = (alias_db(), round_trip_db());
    let figures = serde_json::json!({
        "seeds": seeds,
        "order_amplitude_error_percent_worst": clean.0,
        "order_phase_error_deg_worst": clean.1,
        "snr_20_db": rows,
        "crossing": crossings,
        "alias_db": alias,
        "equal_angle_resampling_db": round_trip,
    });
    println!("FIGURES {figures}");
    // the goals of the project
    assert!(goal_met && clean.0 < 0.5 && clean.1 < 0.5 && alias < -80.0 && round_trip < -90.0);
}

/// A shaft that runs up and down for so long, 160 to 1600 Hz once in a minute.
fn endurance(seconds: usize) -> Speed {
    let beat = TAU / 60.0;
    let turns = |t: f64| 880.0 * t - 720.0 / beat * (beat * t).sin();
    let hz = |t: f64| 880.0 - 720.0 * (beat * t).cos();
    let knots = (0..=2 * seconds)
        .map(|i| 0.5 * i as f64)
        .map(|time_s| Knot { time_s, turns: turns(time_s), speed_hz: hz(time_s) })
        .collect();
    Speed::from_knots(SpeedSource::Pulse, knots, 0.0).expect("a rising curve")
}

/// A second of signal: tones of fixed frequency, the same each second.
fn a_second() -> Vec<f32> {
    let tone = |i: usize, hz: f64| (TAU * hz * i as f64 / RATE_HZ).cos() as f32;
    (0..RATE_HZ as usize).map(|i| tone(i, 997.0) + 0.3 * tone(i, 4001.0)).collect()
}

/// The order map of so many seconds that never stand in memory together.
fn map_in_blocks(seconds: usize, block: &[f32]) -> OrderMap {
    let speed = endurance(seconds);
    let sampled = resample::Sampled {
        name: "vibration",
        rate_hz: RATE_HZ,
        start_s: 0.0,
        len: seconds * block.len(),
    };
    let mut resampler = Resampler::new(sampled, &speed, 32).expect("long enough");
    let mut maker = OrderMapMaker::new(&resampler);
    for _ in 0..seconds {
        resampler.push(block, |turn| maker.push(turn));
    }
    resampler.finish(|turn| maker.push(turn));
    maker.finish()
}

#[test]
fn a_map_made_in_blocks_is_that_of_the_whole() {
    let block = a_second();
    let whole = Channel::new(ChannelSpec::named("vibration"), RATE_HZ, block.repeat(20));
    let whole = OrderMap::of_channel(&whole.expect("valid"), &endurance(20), 13.0);
    let (whole, pieces) = (whole.expect("long enough"), map_in_blocks(20, &block));
    assert_eq!((whole.times_s.len(), whole.rpm), (pieces.times_s.len(), pieces.rpm));
    let apart = whole.phasors.iter().zip(&pieces.phasors).map(|(a, b)| (a - b).norm());
    assert!(apart.fold(0.0, f32::max) < 1e-5);
}

/// The most memory that this process ever held, in megabytes (Linux).
fn peak_megabytes() -> f64 {
    let status = std::fs::read_to_string("/proc/self/status").expect("a Linux system");
    let line = status.lines().find(|line| line.starts_with("VmHWM:")).expect("a line VmHWM");
    let kilobytes = line.split_whitespace().nth(1).and_then(|number| number.parse::<f64>().ok());
    kilobytes.expect("a number") / 1024.0
}

#[test]
#[ignore = "long measurement, run by tests/run --full"]
fn angle_stream_figures() {
    let block = a_second();
    let timed = |seconds: usize| {
        let start = std::time::Instant::now();
        let map = map_in_blocks(seconds, &block);
        (start.elapsed().as_secs_f64(), map.blocks(), peak_megabytes())
    };
    timed(60); // warms up tables and plans
    let (minute_s, minute_blocks, minute_mb) = timed(60);
    let (ten_s, _, ten_mb) = timed(600);
    let (hour_s, hour_blocks, hour_mb) = timed(3600);
    let figures = serde_json::json!({
        "what": "order map of 51.2 kHz, 160 to 1600 Hz and back each minute, resampled at 32 per turn in blocks of a second",
        "map_blocks": { "minute": minute_blocks, "hour": hour_blocks },
        "peak_megabytes": { "minute": minute_mb, "ten_minutes": ten_mb, "hour": hour_mb },
        "samples_of_an_hour_megabytes": 3600.0 * RATE_HZ * 4.0 / 1e6,
        "cost_per_second_over_that_of_a_minute": {
            "ten_minutes": ten_s / 10.0 / minute_s,
            "hour": hour_s / 60.0 / minute_s,
        },
    });
    println!("FIGURES {figures}");
    // the map itself grows to 2000 blocks at most, 6 MB; an hour of samples is 737 MB
    assert!(hour_mb - minute_mb < 20.0);
}
