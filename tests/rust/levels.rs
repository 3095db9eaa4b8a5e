//! Levels of signals that are known exactly, and the zones of stated classes of machines.

use std::f64::consts::{FRAC_1_SQRT_2, SQRT_2, TAU};

use quietspin::case::Level;
use quietspin::diagnose::{Diagnosis, Verdict, diagnose};
use quietspin::machine::{Limits, Machine, Zone, ZoneClass};
use quietspin::progress::Silent;
use quietspin::recording::{Channel, ChannelSpec, Recording, Role};
use quietspin::simulate::{Scenario, simulate};
use quietspin::units::Unit;

const RATE_HZ: f64 = 10_240.0;
const SECONDS: f64 = 12.0;

/// An accelerometer in g on a shaft whose speed channel stays.
fn judged(rpm: f64, limits: Limits, g: impl Fn(f64) -> f64) -> Diagnosis {
    judged_as(Unit::G, RATE_HZ, rpm, limits, g)
}

/// A sensor of a unit, sampled at `rate_hz`, on a shaft whose speed channel stays.
fn judged_as(
    unit: Unit,
    rate_hz: f64,
    rpm: f64,
    limits: Limits,
    value: impl Fn(f64) -> f64,
) -> Diagnosis {
    let spec = ChannelSpec {
        role: Some(Role::Vibration),
        unit: Some(unit),
        ..ChannelSpec::named("front")
    };
    let count = (rate_hz * SECONDS) as usize;
    let samples = (0..count).map(|i| value(i as f64 / rate_hz) as f32).collect();
    let speed = ChannelSpec {
        role: Some(Role::Speed),
        unit: Some(Unit::Rpm),
        ..ChannelSpec::named("speed")
    };
    let turning = vec![rpm as f32; count];
    let channels = vec![
        Channel::new(spec, rate_hz, samples).expect("a channel"),
        Channel::new(speed, rate_hz, turning).expect("a channel"),
    ];
    let recording = Recording::from_channels("run", channels).expect("a recording");
    let mut machine = Machine { limits, ..Machine::default() };
    machine.acceptance.full_speed_rpm = Some(rpm);
    diagnose(&recording, &machine, true, &mut Silent).expect("a diagnosis").1
}

fn level<'a>(found: &'a Diagnosis, id: &str) -> &'a Level {
    found.levels.iter().find(|level| level.id == id).unwrap_or_else(|| panic!("no level {id}"))
}

/// A tone of this velocity in mm/s rms at 100 Hz, in g: 1 g peak is 11.036 mm/s rms (9.80665 m/s² over
/// 2 pi 100 and √2).
fn at_100_hz(mm_s_rms: f64) -> impl Fn(f64) -> f64 {
    move |t| mm_s_rms / 11.036 * (TAU * 100.0 * t).sin()
}

/// 1 g peak at 100 Hz is 11.036 mm/s rms and 49.681 µm peak-to-peak, that is 17.565 µm rms (recomputed from
/// 9.80665 m/s²); a sine has crest √2 and kurtosis 1.5.
#[test]
fn a_tone_has_its_levels_in_all_three_quantities() {
    let found = judged(6000.0, Limits::default(), |t| (TAU * 100.0 * t).sin());
    for (id, expected, unit) in [
        ("overall_velocity", 11.036, "mm/s rms"),
        ("overall_acceleration", FRAC_1_SQRT_2, "g rms"),
        ("overall_displacement", 17.565, "um rms"),
        ("crest_factor", SQRT_2, ""),
        ("kurtosis", 1.5, ""),
    ] {
        let level = level(&found, id);
        assert!((level.value / expected - 1.0).abs() < 1e-3, "{level:?}");
        assert_eq!(level.unit, unit);
    }
    assert_eq!(level(&found, "overall_displacement").band_hz, Some([10.0, 1000.0]));
    assert!(level(&found, "kurtosis").uncertainty < 1e-3);
}

/// The band holds the first order at every speed that is judged: 2 Hz serve a machine of 300 rpm, and 3.2
/// times the top speed one of 100 000 rpm.
#[test]
fn the_band_holds_the_first_order() {
    let slow = judged(300.0, Limits::default(), |t| (TAU * 5.0 * t).sin());
    assert_eq!(level(&slow, "overall_velocity").band_hz, Some([2.0, 1000.0]));
    // 1 g peak at 5 Hz: 9.80665 / (2 pi 5) / √2 m/s rms
    let expected = 1e3 * 9.80665 / (TAU * 5.0) / 2.0_f64.sqrt();
    let value = level(&slow, "overall_velocity").value;
    assert!((value / expected - 1.0).abs() < 0.01, "{value} {expected}");
    let made = simulate(&Scenario::default(), 1).expect("simulated");
    let (_, fast) = diagnose(&made.recording, &made.machine, true, &mut Silent).expect("fit");
    let [_, high] = level(&fast, "overall_velocity").band_hz.expect("a band");
    assert!((high - 3.2 * 1600.0).abs() < 20.0, "{high}");
    // a stated band that leaves it out is told so
    let limits = Limits { band_hz: Some([10.0, 80.0]), ..Limits::default() };
    let narrow = judged(6000.0, limits, at_100_hz(1.0));
    assert!(narrow.notes.iter().any(|note| note.contains("leave the first order out")));
}

/// Class I of ISO 10816-1: 0.71, 1.8, 4.5 mm/s rms (from memory).
#[test]
fn a_stated_class_has_zones_and_its_boundary_is_a_limit() {
    let limits = || Limits { zone_class: Some(ZoneClass::Part1Class1), ..Limits::default() };
    for (mm_s_rms, zone, verdict) in [
        (0.5, Zone::A, Verdict::Accept),
        (1.2, Zone::B, Verdict::Accept),
        (1.78, Zone::B, Verdict::Investigate),
        (3.0, Zone::C, Verdict::Reject),
        (6.0, Zone::D, Verdict::Reject),
    ] {
        let found = judged(6000.0, limits(), at_100_hz(mm_s_rms));
        let level = level(&found, "zone_velocity");
        let inside = level.zone.expect("a zone");
        assert_eq!((inside.zone, inside.in_scope), (zone, true), "{level:?}");
        assert_eq!((level.limit, level.band_hz), (Some(1.8), Some([10.0, 1000.0])));
        assert_eq!(found.verdict, verdict, "{mm_s_rms}: {}", found.reason);
    }
    // a limit of the maker's own goes before
    let own = Limits { overall_mm_s_rms: Some(20.0), ..limits() };
    let found = judged(6000.0, own, at_100_hz(6.0));
    assert_eq!(level(&found, "zone_velocity").limit, None);
    assert_eq!(found.verdict, Verdict::Accept, "{}", found.reason);
    assert!(
        judged(6000.0, Limits::default(), at_100_hz(6.0)).levels.iter().all(|l| l.zone.is_none())
    );
}

#[test]
fn zones_are_no_limit_for_machines_they_were_not_written_for() {
    let limits = || Limits { zone_class: Some(ZoneClass::Part1Class1), ..Limits::default() };
    let fast = judged(24_000.0, limits(), |t| (TAU * 400.0 * t).sin());
    let inside = level(&fast, "zone_velocity").zone.expect("a zone");
    assert!(!inside.in_scope && level(&fast, "zone_velocity").limit.is_none());
    assert_eq!(fast.verdict, Verdict::NoVerdict, "{}", fast.reason);
    assert!(fast.reason.contains("up to 12 000 rpm"), "{}", fast.reason);
    let beyond = judged(72_000.0, limits(), |t| (TAU * 1200.0 * t).sin());
    assert!(beyond.levels.iter().all(|level| level.zone.is_none()));
    assert!(beyond.notes.iter().any(|note| note.contains("leaves 1x out")), "{:?}", beyond.notes);
}

/// 2 kHz carry 840 Hz, and the band of the zones reaches 1000 Hz: no zone, and so no limit that was kept.
#[test]
fn a_class_that_the_rate_cannot_tell_is_not_kept() {
    let limits = || Limits { zone_class: Some(ZoneClass::Part1Class1), ..Limits::default() };
    let found = judged_as(Unit::G, 2000.0, 6000.0, limits(), at_100_hz(0.5));
    assert!(found.levels.iter().all(|level| level.zone.is_none()));
    assert_eq!(found.verdict, Verdict::NoVerdict, "{}", found.reason);
    assert!(found.reason.contains("carries 840 Hz at front"), "{}", found.reason);
    let late = Limits { from_rpm: Some(9000.0), ..limits() };
    let late = judged(6000.0, late, at_100_hz(0.5));
    assert_eq!(late.verdict, Verdict::NoVerdict, "{}", late.reason);
    assert!(late.reason.contains("from 9000 rpm"), "{}", late.reason);
}

/// Zones are written for housings: 20 um peak of a shaft at 100 Hz, 8.9 mm/s rms, lie in none.
#[test]
fn a_sensor_at_the_shaft_has_no_zone() {
    let limits = Limits { zone_class: Some(ZoneClass::Part1Class1), ..Limits::default() };
    let shaft = |t: f64| 20.0 * (TAU * 100.0 * t).sin();
    let found = judged_as(Unit::Micrometer, RATE_HZ, 6000.0, limits, shaft);
    assert!(found.levels.iter().all(|level| level.zone.is_none() && level.limit.is_none()));
    assert!(level(&found, "overall_velocity").value > 8.0);
    assert_eq!(found.verdict, Verdict::NoVerdict, "{}", found.reason);
    assert!(found.reason.contains("looks at the shaft"), "{}", found.reason);
}

/// 0.2 g peak at 43 Hz is 5.13 mm/s rms: 0.2 * 9806.65 / (2 pi 43) / √2.
#[test]
fn what_lies_below_the_first_order_is_held_against_its_limit() {
    let signal = |t: f64| 0.2 * (TAU * 43.0 * t).sin() + (TAU * 100.0 * t).sin();
    let limited = |limit| Limits { sub_synchronous_mm_s_rms: Some(limit), ..Limits::default() };
    let found = judged(6000.0, limited(3.0), signal);
    let value = level(&found, "sub_synchronous_velocity").value;
    assert!((value / 5.133 - 1.0).abs() < 0.02, "{value}");
    assert_eq!(found.verdict, Verdict::Reject, "{}", found.reason);
    let kept = judged(6000.0, limited(9.0), signal);
    assert_eq!(kept.verdict, Verdict::Accept, "{}", kept.reason);
}
