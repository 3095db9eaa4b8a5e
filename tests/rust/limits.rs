//! Stated limits: each is held against every channel as stated, or the verdict says why not.

use std::f64::consts::TAU;

use quietspin::diagnose::{Diagnosis, Verdict, diagnose};
use quietspin::machine::{Limits, Machine};
use quietspin::progress::Silent;
use quietspin::recording::{Channel, ChannelSpec, Recording, Role};
use quietspin::units::Unit;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

const DURATION_S: f64 = 12.0;

/// Speed in Hz: one turn a second for 2 s, up to 200 Hz in 4 s, then held.
fn speed_hz(time_s: f64) -> f64 {
    1.0 + 199.0 * ((time_s - 2.0) / 4.0).clamp(0.0, 1.0)
}

/// Turns at a time, the integral of [`speed_hz`].
fn turns(time_s: f64) -> f64 {
    let ramp_s = (time_s - 2.0).clamp(0.0, 4.0);
    let held_s = (time_s - 6.0).max(0.0);
    time_s.min(6.0) + 199.0 * ramp_s * ramp_s / 8.0 + 200.0 * held_s
}

/// One accelerometer in m/s² with a first order of `m_s2` at full speed and white noise, beside a
/// speed channel.
fn machine_run(rate_hz: f64, m_s2: f64, noise_m_s2: f64) -> Recording {
    let mut random = ChaCha8Rng::seed_from_u64(5);
    let count = (DURATION_S * rate_hz) as usize;
    let time = |i: usize| i as f64 / rate_hz;
    let mut values = Vec::with_capacity(count);
    for i in 0..count {
        let noise: f64 = StandardNormal.sample(&mut random);
        let share = (speed_hz(time(i)) / 200.0).powi(4);
        let first = m_s2 * share * (TAU * turns(time(i))).cos();
        values.push((first + noise_m_s2 * noise) as f32);
    }
    let rpm = (0..count).map(|i| (60.0 * speed_hz(time(i))) as f32).collect();
    let spec = |name: &str, role: Role, unit: Unit| ChannelSpec {
        role: Some(role),
        unit: Some(unit),
        ..ChannelSpec::named(name)
    };
    let front = spec("front", Role::Vibration, Unit::MeterPerSecond2);
    let channels = vec![
        Channel::new(front, rate_hz, values).expect("a channel"),
        Channel::new(spec("speed", Role::Speed, Unit::Rpm), rate_hz, rpm).expect("a channel"),
    ];
    Recording::from_channels("run", channels).expect("a recording")
}

fn judged(recording: &Recording, limits: Limits) -> Diagnosis {
    let mut machine = Machine { limits, ..Machine::default() };
    machine.acceptance.full_speed_rpm = Some(12_000.0);
    diagnose(recording, &machine, true, &mut Silent).expect("a diagnosis").1
}

fn order1(limit_mm_s: f64) -> Limits {
    Limits { order1_mm_s_rms: Some(limit_mm_s), ..Limits::default() }
}

#[test]
fn a_kept_limit_at_full_speed_is_accepted() {
    let found = judged(&machine_run(12_800.0, 2.0, 0.02), order1(4.5));
    assert_eq!(found.verdict, Verdict::Accept, "{}", found.reason);
}

#[test]
fn a_limit_whose_band_the_rate_does_not_carry_is_not_kept() {
    let limits =
        Limits { overall_mm_s_rms: Some(7.1), band_hz: Some([5000.0, 20_000.0]), ..order1(4.5) };
    let found = judged(&machine_run(10_000.0, 2.0, 0.02), limits);
    assert_eq!(found.verdict, Verdict::NoVerdict, "{}", found.reason);
    assert!(found.reason.contains("overall velocity at front"), "{}", found.reason);
    let limits =
        Limits { overall_mm_s_rms: Some(7.1), band_hz: Some([10.0, 10_000.0]), ..order1(4.5) };
    let found = judged(&machine_run(10_000.0, 2.0, 0.02), limits);
    assert!(found.reason.contains("up to 10 000 Hz"), "{}", found.reason);
}

#[test]
fn limits_that_hold_above_the_run_are_not_kept() {
    let limits = Limits { from_rpm: Some(20_000.0), ..order1(4.5) };
    let found = judged(&machine_run(12_800.0, 2.0, 0.02), limits);
    assert_eq!(found.verdict, Verdict::NoVerdict);
    assert!(found.reason.contains("from 20 000 rpm"), "{}", found.reason);
}

/// Integration divides the noise at one turn a second by omega²: 0.1 m/s² would be 2 500 µm.
#[test]
fn noise_at_a_crawl_exceeds_no_limit() {
    let limits = Limits { order1_um_pp: Some(10.0), ..Limits::default() };
    let found = judged(&machine_run(12_800.0, 2.0, 0.1), limits);
    assert_eq!(found.verdict, Verdict::Accept, "{}", found.reason);
    // 2 m/s² at 200 Hz are 2.53 µm peak-to-peak: 2 * 2 / (2 pi 200)²
    let level = found.levels.iter().find(|level| level.id == "order1_displacement");
    let level = level.expect("a level");
    assert!((level.value - 2.533).abs() < 0.05, "{}", level.value);
}

#[test]
fn a_dead_channel_does_not_hide_a_limit_exceeded_on_another() {
    let mut recording = machine_run(12_800.0, 30.0, 0.02);
    let mut spec = recording.channels[0].spec.clone();
    spec.name = "rear".to_owned();
    let silent = vec![0.0; recording.channels[0].len()];
    recording.channels.push(Channel::new(spec, 12_800.0, silent).expect("a channel"));
    let found = judged(&recording, order1(4.5));
    assert_eq!(found.verdict, Verdict::Reject, "{}", found.reason);
    let kept = judged(&recording, order1(100.0));
    assert_eq!(kept.verdict, Verdict::NoVerdict, "{}", kept.reason);
    assert!(kept.reason.starts_with("a channel is unfit"), "{}", kept.reason);
}
