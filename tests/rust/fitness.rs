//! Fitness checks: each on a signal with its defect, and none raised on good signals.

use std::collections::BTreeMap;
use std::f64::consts::TAU;
use std::path::Path;

use quietspin::fitness::{Affects, Check, Fit, judge};
use quietspin::machine::{Bearing, Machine};
use quietspin::recording::{Channel, ChannelSpec, Edge, Recording, Role};
use quietspin::speed::{Knot, PulseRepairs, Speed, SpeedAlternative, SpeedSource};
use quietspin::units::Unit;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

use crate::data;

const RATE_HZ: f64 = 20_000.0;

fn spec(name: &str, unit: Unit, role: Role) -> ChannelSpec {
    ChannelSpec { unit: Some(unit), role: Some(role), ..ChannelSpec::named(name) }
}

fn channel_of(values: Vec<f32>) -> Channel {
    Channel::new(spec("front", Unit::G, Role::Vibration), RATE_HZ, values).expect("a good rate")
}

fn alone(channel: Channel) -> Recording {
    Recording::from_channels("spin", vec![channel]).expect("one channel")
}

fn recording_of(values: Vec<f32>) -> Recording {
    alone(channel_of(values))
}

fn constant(rpm: f64, seconds: f64) -> Speed {
    Speed::constant(SpeedSource::Stated, rpm, 0.0, seconds).expect("a speed")
}

/// A run-up at a steady rise of speed, `from_hz` to `to_hz`.
fn run_up(from_hz: f64, to_hz: f64, seconds: f64) -> Speed {
    let knots = (0..=400)
        .map(|k| {
            let t = seconds * f64::from(k) / 400.0;
            let rise = (to_hz - from_hz) / seconds;
            Knot {
                time_s: t,
                turns: from_hz * t + 0.5 * rise * t * t,
                speed_hz: from_hz + rise * t,
            }
        })
        .collect();
    let mut speed = Speed::from_knots(SpeedSource::Pulse, knots, 0.01).expect("rising");
    speed.edge = Some(Edge::Rising);
    speed.repairs.turns = speed.turns_range().1 as u64;
    speed
}

fn noise(seed: u64, level: f64, len: usize) -> Vec<f64> {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    (0..len)
        .map(|_| {
            let value: f64 = StandardNormal.sample(&mut random);
            level * value
        })
        .collect()
}

fn samples(seconds: f64) -> usize {
    (seconds * RATE_HZ) as usize
}

/// Sum of a signal of time and noise.
fn with_noise(seed: u64, level: f64, seconds: f64, signal: impl Fn(f64) -> f64) -> Vec<f32> {
    let noise = noise(seed, level, samples(seconds));
    noise.iter().enumerate().map(|(i, n)| (signal(i as f64 / RATE_HZ) + n) as f32).collect()
}

fn find<'a>(checks: &'a [Check], id: &str) -> &'a Check {
    checks.iter().find(|check| check.id == id).unwrap_or_else(|| panic!("no check {id}"))
}

/// Ids of the checks that restrict the recording, those aside that the test does not state.
fn raised(checks: &[Check]) -> Vec<&str> {
    let aside = ["full_speed", "speed", "calibration", "turns"];
    checks
        .iter()
        .filter(|check| check.fit != Fit::Good && !aside.contains(&check.id.as_str()))
        .map(|check| check.id.as_str())
        .collect()
}

fn judged(values: Vec<f32>) -> Vec<Check> {
    judge(&recording_of(values), &Machine::default(), None)
}

fn quantised(values: &[f64], step: f64) -> Vec<f32> {
    values.iter().map(|v| ((v / step).round() * step) as f32).collect()
}

#[test]
fn good_signals_raise_nothing() {
    let sine = |per_period: f64| -> Vec<f64> {
        (0..samples(4.0)).map(|i| (TAU * i as f64 / per_period).sin()).collect()
    };
    let mut signals: Vec<(String, Vec<f32>)> = Vec::new();
    for per_period in [4.0, 8.0, 16.0, 33.37, 100.0, 977.3, 5000.0] {
        let wave = sine(per_period);
        for step in [1e-9, 1.0 / 32_768.0, 1.0 / 1024.0, 1.0 / 127.0] {
            signals.push((format!("sine of {per_period}, step {step}"), quantised(&wave, step)));
        }
    }
    for seed in 0..20 {
        let white = noise(seed, 1.0, samples(4.0));
        signals.push((format!("noise {seed}"), quantised(&white, 1e-9)));
        signals.push((format!("coarse noise {seed}"), quantised(&white, 0.25)));
        // impacts: cubes of noise have heavy tails
        let heavy: Vec<f64> = white.iter().map(|v| v.powi(3)).collect();
        signals.push((format!("heavy tails {seed}"), quantised(&heavy, 1e-3)));
    }
    for (name, values) in signals {
        let checks = judged(values);
        assert!(raised(&checks).is_empty(), "{name}: {:?}", raised(&checks));
    }
}

#[test]
fn good_run_ups_raise_nothing() {
    for seed in 0..6 {
        let (seconds, speed) = (10.0, run_up(150.0, 1500.0, 10.0));
        // 1x grows as the square of speed over a floor; harmonics and blades with it
        let values = with_noise(seed, 0.05, seconds, |t| {
            let turns = speed.turns_at(t);
            let growth = (speed.hz_at(t) / 1500.0).powi(2);
            growth * [1.0, 2.0, 3.0, 5.0].iter().map(|k| (TAU * k * turns).sin() / k).sum::<f64>()
        });
        let checks = judge(&recording_of(values), &Machine::default(), Some(&speed));
        assert!(raised(&checks).is_empty(), "{seed}: {:?}", raised(&checks));
        // a comb of all orders, filtered before half the rate as a converter does it
        let values = with_noise(seed, 0.05, seconds, |t| {
            let (turns, hz) = (speed.turns_at(t), speed.hz_at(t));
            let passed = (1..60).take_while(|&k| f64::from(k) * hz < 0.45 * RATE_HZ);
            (hz / 1500.0).powi(2) * passed.map(|k| (TAU * f64::from(k) * turns).sin()).sum::<f64>()
        });
        let checks = judge(&recording_of(values), &Machine::default(), Some(&speed));
        assert!(raised(&checks).is_empty(), "{seed}: {:?}", raised(&checks));
        // a level that stays with the speed is no automatic gain while its floor stays too
        let values = with_noise(seed, 0.05, seconds, |t| (TAU * speed.turns_at(t)).sin());
        let checks = judge(&recording_of(values), &Machine::default(), Some(&speed));
        assert!(raised(&checks).is_empty(), "{seed}: {:?}", raised(&checks));
    }
}

#[test]
fn every_check_speaks_in_whole_sentences_and_worst_comes_first() {
    let values = with_noise(1, 0.1, 3.0, |t| (TAU * 100.0 * t).sin().clamp(-0.5, 0.5));
    let checks = judge(&recording_of(values), &Machine::default(), None);
    assert!(checks.windows(2).all(|pair| pair[0].fit >= pair[1].fit));
    for check in &checks {
        assert!(check.found.ends_with('.'), "{}", check.found);
        assert!(check.fit == Fit::Good || check.consequence.ends_with('.'), "{}", check.id);
    }
}

#[test]
fn clipping_is_counted() {
    // a sine cut at 0.9: acos(0.9) / pi of it lies at each rail
    let values = with_noise(2, 0.0, 2.0, |t| (TAU * 187.3 * t).sin().clamp(-0.9, 0.9));
    let checks = judged(values);
    let check = find(&checks, "clipping");
    let expected = 200.0 * 0.9_f64.acos() / std::f64::consts::PI;
    assert_eq!(check.fit, Fit::Unfit);
    assert!((check.value.expect("a share") / expected - 1.0).abs() < 0.01, "{}", check.found);
    assert!(check.affects.contains(&Affects::Levels));

    // four impacts of different strength, all cut at the same value
    let mut values = with_noise(3, 0.1, 2.0, |_| 0.0);
    for (at, peak) in [(5000, 1.2), (12_000, 1.7), (20_100, 2.4), (31_003, 1.31)] {
        values[at - 1] = 0.7 * (peak as f32) / 2.4;
        values[at] = (peak as f32).min(1.0);
    }
    let checks = judged(values);
    let check = find(&checks, "clipping");
    assert_eq!(check.fit, Fit::Limited);
    assert!(check.found.starts_with("4 of 40 000 samples"), "{}", check.found);
    assert!(check.found.contains("0.25 s"), "{}", check.found);
}

#[test]
fn clipping_at_an_integer_rail_and_at_a_soft_one() {
    let step = 1.0 / 32_768.0;
    let rail = 1.0 - step;
    let wave: Vec<f64> = noise(4, 0.3, samples(3.0)).iter().map(|v| v.clamp(-1.0, rail)).collect();
    let cut = wave.iter().filter(|v| v.abs() > rail - 0.1 * step).count();
    let mut channel = channel_of(quantised(&wave, step));
    (channel.full_scale, channel.least_step) = (Some(1.0), Some(step));
    let checks = judge(&alone(channel), &Machine::default(), None);
    let check = find(&checks, "clipping");
    let found = check.value.expect("a share") / 100.0 * samples(3.0) as f64;
    assert_eq!(check.fit, Fit::Limited);
    assert!((found - cut as f64).abs() <= 3.0, "{} against {cut}", check.found);

    // an amplifier that gives way: flat to a thousandth, never twice the same value
    let soft = |v: f64| if v > 0.6 { 0.6 + 0.001 * (v - 0.6) } else { v };
    let values = with_noise(5, 0.01, 3.0, |t| (TAU * 83.7 * t).sin() * (TAU * 1.1 * t).cos());
    let values: Vec<f32> = values.iter().map(|&v| soft(f64::from(v)) as f32).collect();
    let checks = judged(values);
    assert_ne!(find(&checks, "clipping").fit, Fit::Good);
}

#[test]
fn dropouts_are_found_and_quiet_starts_are_not() {
    let hold = |values: &mut Vec<f32>, at: usize, len: usize, zero: bool| {
        let value = if zero { 0.0 } else { values[at] };
        values[at..at + len].fill(value);
    };
    let mut values = with_noise(6, 0.2, 5.0, |t| (TAU * 250.0 * t).sin());
    hold(&mut values, 20_000, 40, false);
    hold(&mut values, 60_000, 200, true);
    let checks = judged(values.clone());
    let check = find(&checks, "dropout");
    assert_eq!(check.fit, Fit::Limited);
    assert!((check.value.expect("a share") - 0.24).abs() < 0.01, "{}", check.found);
    assert!(check.found.contains("the longest 10 ms, the first at 1 s"), "{}", check.found);
    hold(&mut values, 70_000, 5000, true);
    assert_eq!(find(&judged(values), "dropout").fit, Fit::Unfit);

    // a machine at rest for a second, below half a step of its converter, then a slow run-up
    let step = 1.0 / 128.0;
    let wave: Vec<f64> = noise(7, 0.001, samples(5.0))
        .iter()
        .enumerate()
        .map(|(i, n)| {
            let t = i as f64 / RATE_HZ;
            let since = (t - 1.0).max(0.0);
            n + 0.05 * since * (TAU * 40.0 * since * since).sin()
        })
        .collect();
    let checks = judged(quantised(&wave, step));
    assert_eq!(find(&checks, "dropout").fit, Fit::Good, "{}", find(&checks, "dropout").found);

    let mut values = with_noise(8, 0.2, 1.0, |_| 0.0);
    values[77] = f32::NAN;
    values[78] = f32::INFINITY;
    assert_eq!(find(&judged(values), "dropout").fit, Fit::Unfit);
}

#[test]
fn silence_and_dead_channels() {
    let step = 1.0 / 32_768.0;
    let idle: Vec<f32> = quantised(&noise(9, 0.3 * step, samples(1.0)), step);
    let mut channel = channel_of(idle);
    (channel.full_scale, channel.least_step) = (Some(1.0), Some(step));
    let checks = judge(&alone(channel), &Machine::default(), None);
    assert_eq!(find(&checks, "silence").fit, Fit::Unfit);
    for constant in [0.0, 0.891] {
        assert_eq!(find(&judged(vec![constant; 5000]), "silence").fit, Fit::Unfit);
    }
    assert_eq!(find(&judged(Vec::new()), "silence").fit, Fit::Unfit);
    let mut other = channel_of(vec![1.0; 10]);
    other.spec.role = Some(Role::Slow);
    let checks = judge(&alone(other), &Machine::default(), None);
    assert_eq!(find(&checks, "silence").fit, Fit::Unfit);

    let live = channel_of(with_noise(10, 1.0, 1.0, |_| 0.0));
    let mut dead = channel_of(with_noise(11, 1e-4, 1.0, |_| 0.0));
    dead.spec.name = "rear".to_owned();
    let recording = Recording::from_channels("spin", vec![live, dead]).expect("two channels");
    let checks = judge(&recording, &Machine::default(), None);
    let silence: Vec<&Check> = checks.iter().filter(|check| check.id == "silence").collect();
    assert_eq!((silence[0].fit, silence[0].channel.as_deref()), (Fit::Limited, Some("rear")));
    assert_eq!(silence[1].fit, Fit::Good);

    let pulse = Channel::new(spec("pulse", Unit::Volt, Role::Pulse), RATE_HZ, vec![0.1; 20_000]);
    let live = channel_of(with_noise(12, 1.0, 1.0, |_| 0.0));
    let both = Recording::from_channels("spin", vec![live, pulse.expect("a rate")]);
    let checks = judge(&both.expect("two channels"), &Machine::default(), None);
    let check = checks.iter().find(|check| check.channel.as_deref() == Some("pulse"));
    assert_eq!(check.map(|check| (check.id.as_str(), check.fit)), Some(("silence", Fit::Limited)));
}

#[test]
fn an_offset_matters_only_where_it_eats_the_room() {
    let values = with_noise(13, 0.02, 2.0, |_| 0.9);
    let checks = judged(values.clone());
    assert!(raised(&checks).is_empty(), "{:?}", raised(&checks));
    assert!((find(&checks, "offset").value.expect("an offset") - 0.9).abs() < 1e-3);
    let mut channel = channel_of(values);
    channel.full_scale = Some(1.5);
    let checks = judge(&alone(channel), &Machine::default(), None);
    assert_eq!(find(&checks, "offset").fit, Fit::Limited);
    assert!((find(&checks, "offset").value.expect("a share") - 60.0).abs() < 0.1);
}

#[test]
fn a_loose_sensor_jumps_or_wanders() {
    let speed = constant(30_000.0, 20.0);
    let jumping = with_noise(14, 0.1, 20.0, |t| {
        (TAU * 500.0 * t).sin() + if t > 7.0 && t < 15.0 { 3.0 } else { 0.0 }
    });
    let checks = judge(&recording_of(jumping), &Machine::default(), Some(&speed));
    let check = find(&checks, "loose_sensor");
    assert_eq!((check.fit, check.value), (Fit::Limited, Some(2.0)), "{}", check.found);

    // a rotor at rest and then loud is no jump
    let late =
        with_noise(30, 0.001, 20.0, |t| if t > 12.0 { 5.0 * (TAU * 507.0 * t).sin() } else { 0.0 });
    let checks = judge(&recording_of(late), &Machine::default(), Some(&speed));
    assert_eq!(find(&checks, "loose_sensor").fit, Fit::Good);

    // a random walk, whose power falls as 1/f²
    let mut walk = 0.0;
    let wander: Vec<f32> = noise(15, 0.03, samples(20.0))
        .iter()
        .enumerate()
        .map(|(i, n)| {
            walk = 0.9995 * walk + n;
            (walk + (TAU * 500.0 * i as f64 / RATE_HZ).sin()) as f32
        })
        .collect();
    let checks = judge(&recording_of(wander), &Machine::default(), Some(&speed));
    let check = find(&checks, "loose_sensor");
    assert_eq!(check.fit, Fit::Unfit, "{}", check.found);

    // whirl at 0.35 orders is a line, not a slope
    let whirl =
        with_noise(16, 0.1, 20.0, |t| (TAU * 175.0 * t).sin() + 0.3 * (TAU * 500.0 * t).sin());
    let checks = judge(&recording_of(whirl), &Machine::default(), Some(&speed));
    assert_eq!(find(&checks, "loose_sensor").fit, Fit::Good);
}

#[test]
fn automatic_gain_shows_in_a_falling_floor() {
    let (seconds, speed) = (10.0, run_up(150.0, 1500.0, 10.0));
    let growing = with_noise(17, 0.05, seconds, |t| {
        10.0 * (speed.hz_at(t) / 1500.0).powi(2) * (TAU * speed.turns_at(t)).sin()
    });
    let checks = judge(&recording_of(growing.clone()), &Machine::default(), Some(&speed));
    assert!(checks.iter().all(|check| check.id != "automatic_gain"));
    let held: Vec<f32> = growing
        .iter()
        .enumerate()
        .map(|(i, v)| {
            let hz = speed.hz_at(i as f64 / RATE_HZ);
            v / (10.0 * (hz / 1500.0).powi(2)) as f32
        })
        .collect();
    let checks = judge(&recording_of(held), &Machine::default(), Some(&speed));
    let check = find(&checks, "automatic_gain");
    assert_eq!(check.fit, Fit::Unfit);
    assert!((check.value.expect("a fall") - 40.0).abs() < 3.0, "{}", check.found);
}

#[test]
fn hum_stays_while_the_shaft_runs_up() {
    let hum = |t: f64| (TAU * 50.0 * t).sin() + 0.5 * (TAU * 150.0 * t).sin();
    let speed = run_up(150.0, 600.0, 20.0);
    let humming = with_noise(18, 0.2, 20.0, |t| (TAU * speed.turns_at(t)).sin() + hum(t));
    let checks = judge(&recording_of(humming), &Machine::default(), Some(&speed));
    let check = find(&checks, "hum");
    assert_eq!(check.fit, Fit::Limited, "{}", check.found);
    // 0.625 of 0.625 + 0.5 + 0.04
    assert!((check.value.expect("a share") / 53.6 - 1.0).abs() < 0.03, "{}", check.found);

    let faint = with_noise(19, 0.05, 20.0, |t| (TAU * speed.turns_at(t)).sin() + 0.05 * hum(t));
    let checks = judge(&recording_of(faint), &Machine::default(), Some(&speed));
    let check = find(&checks, "hum");
    assert_eq!(check.fit, Fit::Good);
    assert!(check.value.expect("a share") > 0.05, "{}", check.found);

    // a shaft at 50 Hz cannot be told from hum, and one at 47 Hz is not taken for it
    for (hz, words) in [(50.0, "cannot be told apart"), (47.0, "")] {
        let shaft =
            with_noise(20, 0.2, 10.0, |t| (TAU * hz * t).sin() + (TAU * 2.0 * hz * t).sin());
        let speed = constant(60.0 * hz, 10.0);
        let checks = judge(&recording_of(shaft), &Machine::default(), Some(&speed));
        let check = find(&checks, "hum");
        assert_eq!(check.fit, Fit::Good);
        assert_eq!(check.value.is_some_and(|share| share > 40.0), hz == 50.0, "{}", check.found);
        assert!(
            check.consequence.contains(words) && check.consequence.is_empty() == words.is_empty()
        );
    }
}

#[test]
fn folded_orders_are_named() {
    // order 11 of 400 to 1600 Hz passes half of 20 kHz at 909 Hz
    let speed = run_up(400.0, 1600.0, 10.0);
    let values = with_noise(21, 0.3, 10.0, |t| {
        let turns = speed.turns_at(t);
        (TAU * turns).sin() + 0.2 * (TAU * 11.0 * turns).sin()
    });
    let checks = judge(&recording_of(values), &Machine::default(), Some(&speed));
    let check = find(&checks, "folded_lines");
    assert_eq!(check.fit, Fit::Limited);
    assert!(check.found.starts_with("Order 11 falls"), "{}", check.found);

    // side lines of an inverter at 6 kHz fall as well, but are real
    let values = with_noise(22, 0.3, 10.0, |t| {
        let turns = speed.turns_at(t);
        (TAU * turns).sin() + 0.5 * (TAU * (6000.0 * t - 2.0 * turns)).sin()
    });
    let checks = judge(&recording_of(values), &Machine::default(), Some(&speed));
    assert_eq!(find(&checks, "folded_lines").fit, Fit::Good);

    // noise that rises towards half the rate: differences of white noise have 0.285 above 0.42 of the
    // rate, differences of those 0.37
    let white = noise(23, 1.0, samples(5.0));
    let twice: Vec<f32> = white.windows(3).map(|w| (w[2] - 2.0 * w[1] + w[0]) as f32).collect();
    let checks = judged(twice);
    assert_eq!(find(&checks, "folded_lines").fit, Fit::Limited);
}

#[test]
fn pulse_loss_by_share() {
    let values = with_noise(24, 1.0, 10.0, |_| 0.0);
    for (lost, extra, fit) in [(10, 5, Fit::Good), (70, 30, Fit::Limited), (200, 150, Fit::Unfit)] {
        let mut speed = run_up(100.0, 200.0, 10.0);
        speed.repairs =
            PulseRepairs { turns: 1500, expected: 1500, lost, extra, times_s: Vec::new() };
        let checks = judge(&recording_of(values.clone()), &Machine::default(), Some(&speed));
        let check = find(&checks, "pulse_loss");
        assert_eq!(check.fit, fit, "{}", check.found);
        assert!((check.value.expect("a share") - (lost + extra) as f64 / 15.0).abs() < 1e-9);
    }
    let checks = judge(&recording_of(values), &Machine::default(), Some(&constant(6000.0, 10.0)));
    assert!(checks.iter().all(|check| check.id != "pulse_loss"));
}

#[test]
fn rate_against_top_speed() {
    let values = with_noise(25, 1.0, 3.0, |_| 0.0);
    let at = |rpm: f64, machine: &Machine| {
        let checks = judge(&recording_of(values.clone()), machine, Some(&constant(rpm, 3.0)));
        find(&checks, "rate").clone()
    };
    let plain = Machine::default();
    // 0.42 of 20 kHz is 8400 Hz: 1x of 504 000 rpm, 3x of 168 000 rpm
    assert_eq!(at(510_000.0, &plain).fit, Fit::Unfit);
    assert_eq!(at(170_000.0, &plain).fit, Fit::Limited);
    let good = at(84_000.0, &plain);
    assert_eq!((good.fit, good.value), (Fit::Good, Some(6.0)));
    let bearing = Bearing {
        elements: Some(9),
        element_mm: Some(3.0),
        pitch_mm: Some(12.0),
        contact_deg: Some(15.0),
        ..Bearing::default()
    };
    let machine =
        Machine { bearing: BTreeMap::from([("front".to_owned(), bearing)]), ..Machine::default() };
    assert_eq!(at(84_000.0, &machine).fit, Fit::Good);
    let beyond = at(96_000.0, &machine);
    assert_eq!((beyond.fit, beyond.affects.as_slice()), (Fit::Limited, &[Affects::Bearings][..]));
}

#[test]
fn sensor_resonance_by_order() {
    let at = |resonance_hz: f64| {
        let mut channel = channel_of(with_noise(26, 1.0, 3.0, |_| 0.0));
        channel.spec.mounted_resonance_hz = Some(resonance_hz);
        let checks = judge(&alone(channel), &Machine::default(), Some(&constant(60_000.0, 3.0)));
        find(&checks, "sensor_resonance").clone()
    };
    let low = at(6000.0);
    assert_eq!((low.fit, low.value), (Fit::Limited, Some(2.0)));
    assert!(low.consequence.contains("Above order 2"), "{}", low.consequence);
    assert_eq!(at(12_000.0).fit, Fit::Good);
    // at half the resonance an undamped sensor reads a third too high
    assert!(at(2000.0).consequence.contains("33.3 %"), "{}", at(2000.0).consequence);
    assert_eq!(at(900.0).fit, Fit::Unfit);
}

#[test]
fn an_estimated_speed_that_never_moved_releases_no_machine() {
    let values = with_noise(27, 1.0, 10.0, |_| 0.0);
    let judge_at =
        |speed: &Speed| judge(&alone(channel_of(values.clone())), &Machine::default(), Some(speed));
    let still = Speed::constant(SpeedSource::Estimated, 6000.0, 0.0, 10.0).expect("a speed");
    let checks = judge_at(&still);
    let check = find(&checks, "speed");
    assert_eq!(check.fit, Fit::Limited);
    assert!(check.affects.contains(&Affects::Speed), "{}", check.consequence);
    let measured = Speed::constant(SpeedSource::Channel, 6000.0, 0.0, 10.0).expect("a speed");
    assert_eq!(find(&judge_at(&measured), "speed").fit, Fit::Good);
}

#[test]
fn pulses_that_are_taken_for_vibration_are_told() {
    let pulses: Vec<f32> = (0..samples(4.0)).map(|i| if i % 80 < 9 { 1.0 } else { 0.0 }).collect();
    let check = judged(pulses);
    assert_eq!(find(&check, "pulse_shape").fit, Fit::Unfit);
    let sine = with_noise(3, 0.01, 4.0, |t| (TAU * 300.0 * t).sin());
    assert!(judged(sine).iter().all(|check| check.id != "pulse_shape"));
}

#[test]
fn what_is_cut_short_or_too_short_is_told() {
    let judge_of = |seconds: f64, held| {
        let recording = alone(channel_of(with_noise(27, 1.0, seconds, |_| 0.0)));
        judge(&Recording { held, ..recording }, &Machine::default(), None)
    };
    assert_eq!(find(&judge_of(0.3, None), "length").fit, Fit::Good);
    assert_eq!(find(&judge_of(0.19, None), "length").fit, Fit::Unfit);
    let cut = judge_of(3.0, Some(0.25));
    let check = find(&cut, "length");
    assert_eq!((check.fit, check.affects.as_slice()), (Fit::Limited, &[Affects::Acceptance][..]));
    assert!(check.found.contains("3 s, and by its header 9 s are missing"), "{}", check.found);
}

#[test]
fn turns_full_speed_and_corner() {
    let values = with_noise(27, 1.0, 10.0, |_| 0.0);
    let judge_at = |machine: &Machine, speed: &Speed| {
        let mut channel = channel_of(values.clone());
        channel.spec.corner_hz = Some(5.0);
        judge(&alone(channel), machine, Some(speed))
    };
    let plain = Machine::default();
    for (rpm, fit) in [(48.0, Fit::Unfit), (300.0, Fit::Limited), (6000.0, Fit::Good)] {
        assert_eq!(find(&judge_at(&plain, &constant(rpm, 10.0)), "turns").fit, fit);
    }
    let mut machine = Machine::default();
    machine.acceptance.full_speed_rpm = Some(12_000.0);
    for (rpm, fit) in [(11_800.0, Fit::Limited), (11_900.0, Fit::Good), (12_100.0, Fit::Good)] {
        let measured = Speed::constant(SpeedSource::Channel, rpm, 0.0, 10.0).expect("a speed");
        let checks = judge_at(&machine, &measured);
        assert_eq!(find(&checks, "full_speed").fit, fit, "{rpm}");
    }
    // a stated speed proves no hold
    let stated = judge_at(&machine, &constant(12_000.0, 10.0));
    assert_eq!(find(&stated, "full_speed").fit, Fit::Limited);
    // 100 to 200 Hz in 10 s is above 198 Hz for 0.2 s
    let checks = judge_at(&machine, &run_up(100.0, 200.0, 10.0));
    let check = find(&checks, "full_speed");
    assert_eq!((check.fit, check.affects.as_slice()), (Fit::Limited, &[Affects::Acceptance][..]));
    assert!((check.value.expect("a time") - 0.2).abs() < 0.01, "{}", check.found);
    machine.acceptance.hold_s = Some(0.15);
    assert_eq!(find(&judge_at(&machine, &run_up(100.0, 200.0, 10.0)), "full_speed").fit, Fit::Good);
    assert_eq!(
        find(&judge_at(&plain, &run_up(100.0, 200.0, 10.0)), "full_speed").fit,
        Fit::Limited
    );

    let slow = judge_at(&plain, &run_up(4.0, 14.0, 10.0));
    assert!(find(&slow, "low_corner").affects.contains(&Affects::Levels));
    assert_eq!(find(&judge_at(&plain, &run_up(40.0, 200.0, 10.0)), "low_corner").fit, Fit::Limited);
    assert_eq!(find(&judge_at(&plain, &run_up(60.0, 200.0, 10.0)), "low_corner").fit, Fit::Good);
}

#[test]
fn the_speed_is_doubted_where_it_must_be() {
    let recording = recording_of(with_noise(28, 1.0, 10.0, |_| 0.0));
    let fit = |speed: Option<&Speed>| {
        find(&judge(&recording, &Machine::default(), speed), "speed").clone()
    };
    assert_eq!(fit(None).fit, Fit::Limited);
    assert_eq!(fit(Some(&constant(6000.0, 10.0))).fit, Fit::Good);
    assert_eq!(fit(Some(&constant(6000.0, 5.0))).fit, Fit::Limited);
    let mut blurred = constant(6000.0, 10.0);
    blurred.error_percent = 1.5;
    assert_eq!(fit(Some(&blurred)).fit, Fit::Limited);
    let mut doubtful = constant(6000.0, 10.0);
    doubtful.alternatives.push(SpeedAlternative {
        factor: 0.5,
        probability: 0.4,
        reason: "every second order is missing".to_owned(),
    });
    assert!(fit(Some(&doubtful)).consequence.contains("0.5 times"));
}

#[test]
fn uncalibrated_channels_give_relative_levels() {
    let channel = Channel::new(
        spec("front", Unit::Volt, Role::Vibration),
        RATE_HZ,
        with_noise(29, 1.0, 1.0, |_| 0.0),
    );
    let checks = judge(&alone(channel.expect("a rate")), &Machine::default(), None);
    let check = find(&checks, "calibration");
    assert_eq!((check.fit, check.affects.as_slice()), (Fit::Limited, &[Affects::Levels][..]));
    let checks = judged(with_noise(29, 1.0, 1.0, |_| 0.0));
    assert_eq!(find(&checks, "calibration").fit, Fit::Good);
}

/// Open recordings, where `QUIETSPIN_DATA` names their folder: all are usable, so none is unfit.
#[test]
fn open_recordings_are_fit() {
    if data::folder().is_none() {
        return;
    }
    let mut seen = 0;
    for path in data::KINDS.into_iter().flat_map(data::recordings) {
        let (recording, speed) = open_recording(&path);
        let checks = judge(&recording, &Machine::default(), speed.as_ref());
        let bad: Vec<String> = checks
            .iter()
            .filter(|check| check.fit == Fit::Unfit)
            .map(|check| format!("{}: {}", check.id, check.found))
            .collect();
        assert!(bad.is_empty(), "{}: {bad:?}", recording.name);
        // two of them are known to be cut: an impact record in a handful of samples, and a loud jet
        let cut = ["cwru_0236.wav", "jet_spoolup_a.wav"].contains(&recording.name.as_str());
        let expected: &[&str] = if cut { &["clipping"] } else { &[] };
        assert_eq!(raised(&checks), expected, "{}", recording.name);
        seen += 1;
    }
    assert!(seen > 60, "{seen} recordings below QUIETSPIN_DATA");
}

/// A float WAV with the JSON beside it: names, units and a constant speed where one is stated.
fn open_recording(path: &Path) -> (Recording, Option<Speed>) {
    let text = std::fs::read_to_string(path.with_extension("json")).expect("a JSON beside it");
    let facts: serde_json::Value = serde_json::from_str(&text).expect("valid JSON");
    let mut reader = hound::WavReader::open(path).expect("a WAV file");
    let format = reader.spec();
    let values: Vec<f32> = reader.samples::<f32>().map(|v| v.expect("a sample")).collect();
    let width = usize::from(format.channels);
    let channels: Vec<Channel> = (0..width)
        .map(|k| {
            let fact = &facts["channels"][k];
            let unit = fact["unit"].as_str().and_then(Unit::from_symbol);
            let sound = fact["kind"].as_str() == Some("sound");
            let role = if sound { Role::Sound } else { Role::Vibration };
            let name = fact["name"].as_str().unwrap_or("channel");
            let samples = values.iter().skip(k).step_by(width).copied().collect();
            let spec = spec(name, unit.unwrap_or(Unit::FullScale), role);
            Channel::new(spec, f64::from(format.sample_rate), samples).expect("a rate")
        })
        .collect();
    let name = path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
    let recording = Recording::from_channels(name, channels).expect("named channels");
    let rpm = facts["rpm"].as_f64();
    let speed = rpm.map(|rpm| constant(rpm, recording.duration_s()));
    (recording, speed)
}
