//! Simulated recordings hold what their scenario asks for.

use std::f64::consts::{SQRT_2, TAU};
use std::path::Path;
use std::time::Instant;

use quietspin::dsp::fft::{Complex64, forward_f64};
use quietspin::machine::Bearing;
use quietspin::recording::{Direction, Recording};
use quietspin::simulate::{
    Background, BearingDefect, BentShaft, Bits, Dropouts, Faults, GapKind, Imbalance, Looseness,
    Misalignment, Place, PulseSensor, Rub, Scenario, Sensor, Simulated, SpeedProfile, Unbalance,
    simulate,
};
use quietspin::units::{STANDARD_GRAVITY_M_S2, Unit};

const RATE_HZ: f64 = 51_200.0;

/// A machine at constant speed without noise, hum, harmonics or structure.
fn still_machine(rpm: f64, seconds: f64) -> Scenario {
    let mut scenario = Scenario {
        speed: SpeedProfile { wander_percent: 0.0, ..SpeedProfile::constant(rpm, seconds) },
        background: Background {
            idle_m_s2_rms: 0.0,
            top_m_s2_rms: 0.0,
            harmonics_m_s2: 0.0,
            resonance: Vec::new(),
            ..Background::default()
        },
        blade: Default::default(),
        ..Scenario::default()
    };
    scenario.converter.bits = Bits::Float;
    scenario.sensor.iter_mut().for_each(|sensor| sensor.noise_rms = 0.0);
    scenario
}

fn run(scenario: &Scenario) -> Simulated {
    simulate(scenario, 1).expect("a sound scenario")
}

fn values(recording: &Recording, name: &str) -> Vec<f64> {
    let channel = recording.channel(name).expect("the channel is there");
    channel.values().iter().map(|v| f64::from(*v)).collect()
}

/// Zero-to-peak amplitude at exactly `hz` over a Hann window.
fn amplitude(samples: &[f64], hz: f64) -> f64 {
    phasor(samples, |i| hz * i as f64 / RATE_HZ).norm()
}

/// Phasor of the line whose phase in turns at sample i is `turns(i)`.
fn phasor(samples: &[f64], turns: impl Fn(usize) -> f64) -> Complex64 {
    let n = samples.len() as f64;
    let sum: Complex64 = samples
        .iter()
        .enumerate()
        .map(|(i, v)| {
            let window = 1.0 - (TAU * i as f64 / n).cos();
            Complex64::cis(-TAU * turns(i).fract()) * (v * window)
        })
        .sum();
    sum * (2.0 / n)
}

/// The largest line in a band, as frequency and amplitude.
fn strongest(samples: &[f64], from_hz: f64, to_hz: f64) -> (f64, f64) {
    let n = samples.len();
    let mut windowed: Vec<f64> = samples
        .iter()
        .enumerate()
        .map(|(i, v)| v * (1.0 - (TAU * i as f64 / n as f64).cos()))
        .collect();
    let bins = forward_f64(&mut windowed);
    let bin_hz = RATE_HZ / n as f64;
    let best = (1..bins.len())
        .filter(|k| (from_hz..=to_hz).contains(&(*k as f64 * bin_hz)))
        .max_by(|a, b| bins[*a].norm().total_cmp(&bins[*b].norm()))
        .expect("a band with bins");
    (best as f64 * bin_hz, bins[best].norm() * 2.0 / n as f64)
}

/// Magnitude of the squared envelope's line nearest to `hz`, over the median of its neighbours.
fn envelope_prominence(samples: &[f64], hz: f64) -> f64 {
    let n = samples.len();
    let mut squared: Vec<f64> = samples.iter().map(|v| v * v).collect();
    let mean = squared.iter().sum::<f64>() / n as f64;
    squared.iter_mut().for_each(|v| *v -= mean);
    let bins = forward_f64(&mut squared);
    let bin_hz = RATE_HZ / n as f64;
    let middle = (hz / bin_hz).round() as usize;
    let reach = (0.004 * hz / bin_hz).ceil().max(2.0) as usize;
    let line = (middle - reach..=middle + reach).map(|k| bins[k].norm()).fold(0.0, f64::max);
    let wide = 40 + 5 * reach;
    let mut around: Vec<f64> =
        (middle.saturating_sub(wide).max(3)..middle + wide).map(|k| bins[k].norm()).collect();
    around.sort_by(f64::total_cmp);
    line / around[around.len() / 2]
}

fn defective(fault: Faults) -> Scenario {
    let mut scenario = still_machine(30_000.0, 2.0);
    scenario.background.idle_m_s2_rms = 1.0;
    scenario.fault = fault;
    scenario
}

#[test]
fn an_unbalance_has_the_size_and_the_lag_of_its_place() {
    // far below the critical speed, where displacement follows force: lag = place + sensor angle
    let mut scenario = still_machine(3000.0, 2.0);
    scenario.rotor.residual = vec![Unbalance { position_mm: 53.0, g_mm: 5.0, deg: 40.0 }];
    scenario.sensor[0].angle_deg = 90.0;
    let simulated = run(&scenario);
    let samples = values(&simulated.recording, "front");
    let knots = &simulated.truth.knots;
    let turns = |i: usize| knots[0].turns + 50.0 * i as f64 / RATE_HZ;
    // acceleration lags displacement by -180 degrees
    let displacement = -phasor(&samples, turns);
    let lag_deg = (-displacement.arg().to_degrees()).rem_euclid(360.0);
    assert!((lag_deg - 130.0).abs() < 1.0, "{lag_deg}");
    // U w² / k, the front mount carrying its share (57 of 110) of the force
    let spin = TAU * 50.0;
    let expected_m = 5e-6 * spin * spin * (57.0 / 110.0) / scenario.rotor.front.mount_n_m;
    let measured_m = displacement.norm() * STANDARD_GRAVITY_M_S2 / (spin * spin);
    assert!((measured_m / expected_m - 1.0).abs() < 0.02, "{measured_m} {expected_m}");
}

#[test]
fn quantities_of_one_motion_agree() {
    let mut scenario = still_machine(48_000.0, 1.0);
    scenario.background.harmonics_m_s2 = 2.0;
    scenario.sensor = [Unit::MeterPerSecond2, Unit::MillimeterPerSecond, Unit::Micrometer]
        .into_iter()
        .map(|unit| Sensor {
            name: unit.symbol().into(),
            unit,
            noise_rms: 0.0,
            ..Sensor::accelerometer(Place::Front)
        })
        .collect();
    let recording = run(&scenario).recording;
    for order in 1..=4 {
        let hz = 800.0 * f64::from(order);
        let [a, v, d] = ["m/s2", "mm/s", "um"].map(|name| amplitude(&values(&recording, name), hz));
        let w = TAU * hz;
        assert!(a > 0.1);
        assert!((v * 1e-3 * w / a - 1.0).abs() < 1e-3, "order {order}: {v} {a}");
        assert!((d * 1e-6 * w * w / a - 1.0).abs() < 1e-3, "order {order}: {d} {a}");
    }
}

#[test]
fn truth_states_the_greatest_first_order_velocity() {
    let mut scenario = still_machine(96_000.0, 1.0);
    scenario.speed = SpeedProfile { up_s: 8.0, hold_s: 0.1, ..SpeedProfile::default() };
    let simulated = run(&scenario);
    let [stated, _] = simulated.truth.order1_mm_s_rms;
    // acceleration over speed around the critical, by the peak of short blocks
    let samples = values(&simulated.recording, "front");
    let knots = &simulated.truth.knots;
    let measured = samples
        .chunks(2048)
        .enumerate()
        .filter_map(|(i, block)| {
            let time_s = (i as f64 + 0.5) * 2048.0 / RATE_HZ;
            let hz = knots.iter().find(|k| k.time_s >= time_s)?.speed_hz;
            let peak = block.iter().fold(0.0f64, |top, v| top.max(v.abs()));
            Some(1000.0 * peak * STANDARD_GRAVITY_M_S2 / (TAU * hz) / SQRT_2)
        })
        .fold(0.0, f64::max);
    assert!((measured / stated - 1.0).abs() < 0.03, "{measured} {stated}");
}

#[test]
fn a_healthy_cartridge_stays_well_within_its_limits() {
    let simulated = run(&Scenario::default());
    assert!(simulated.truth.faults.is_empty());
    let limit = simulated.machine.limits.order1_mm_s_rms.expect("stated by default");
    assert!(simulated.truth.order1_mm_s_rms.iter().all(|v| *v < 0.5 * limit));
    assert!(simulated.truth.unbalance_ratio < 1.0, "{}", simulated.truth.unbalance_ratio);
    let (front, pulse) =
        (values(&simulated.recording, "front"), values(&simulated.recording, "pulse"));
    assert!(front.iter().all(|v| v.abs() < 25.0) && pulse.iter().all(|v| v.abs() < 9.0));
    assert_eq!(front.len(), (6.7 * RATE_HZ) as usize);
}

#[test]
fn misalignment_shows_at_twice_the_speed_and_along_the_shaft() {
    let mut scenario = still_machine(60_000.0, 1.0);
    scenario.background.axial_share = 0.0;
    let axial =
        Sensor { name: "axial".into(), direction: Direction::Axial, ..scenario.sensor[1].clone() };
    scenario.sensor.push(axial);
    let before = run(&scenario).recording;
    scenario.coupling = true;
    scenario.fault.misalignment = Some(Misalignment::default());
    let simulated = run(&scenario);
    assert!(simulated.truth.has("misalignment"));
    assert_eq!(simulated.machine.shaft.coupling, Some(true));
    let of = |recording: &Recording, name: &str, hz: f64| amplitude(&values(recording, name), hz);
    assert!(of(&before, "rear", 2000.0) < 1e-3);
    let second = of(&simulated.recording, "rear", 2000.0);
    let first = of(&simulated.recording, "rear", 1000.0) - of(&before, "rear", 1000.0);
    assert!(second > 0.3 && second > 1.5 * first.abs(), "{second} {first}");
    let along = of(&simulated.recording, "axial", 2000.0);
    let force_n = 0.6 * Misalignment::default().force_n;
    assert!((along / (force_n / 0.39 / STANDARD_GRAVITY_M_S2) - 1.0).abs() < 1e-3, "{along}");
}

#[test]
fn a_bent_shaft_shows_at_slow_roll_to_a_displacement_sensor_only() {
    let mut scenario = still_machine(1500.0, 2.0);
    scenario.sensor = vec![
        Sensor { noise_rms: 0.0, ..Sensor::shaft_displacement("probe", Place::Front, 0.0) },
        Sensor { noise_rms: 0.0, ..Sensor::accelerometer(Place::Front) },
    ];
    scenario.fault.bent_shaft = Some(BentShaft::default());
    let slow = run(&scenario).recording;
    let runout = amplitude(&values(&slow, "probe"), 25.0);
    assert!((runout - 8.0).abs() < 0.1, "{runout}");
    assert!(amplitude(&values(&slow, "front"), 25.0) < 1e-3);
}

#[test]
fn run_out_of_the_surface_stands_in_the_sensor_at_the_shaft_alone() {
    let mut scenario = still_machine(1500.0, 2.0);
    scenario.rotor.residual.clear();
    let at_shaft = Sensor::shaft_displacement("probe", Place::Front, 30.0);
    scenario.sensor = vec![
        Sensor { noise_rms: 0.0, runout_um: 5.0, runout_deg: 120.0, ..at_shaft },
        Sensor { noise_rms: 0.0, ..Sensor::accelerometer(Place::Front) },
    ];
    let simulated = run(&scenario);
    assert!(simulated.truth.faults.is_empty());
    let height = amplitude(&values(&simulated.recording, "probe"), 25.0);
    assert!((height - 5.0).abs() < 0.05, "{height}");
    assert!(amplitude(&values(&simulated.recording, "front"), 25.0) < 1e-3);
}

#[test]
fn looseness_has_half_orders_and_unsteady_phase() {
    let mut scenario = still_machine(60_000.0, 2.0);
    scenario.fault.looseness = Some(Looseness::default());
    let samples = values(&run(&scenario).recording, "front");
    for hz in [500.0, 1500.0, 2500.0] {
        let (at, height) = strongest(&samples, hz - 30.0, hz + 30.0);
        assert!((at - hz).abs() < 5.0 && height > 0.05, "{hz}: {at} {height}");
    }
    let phase = |from: usize| {
        phasor(&samples[from..from + 10_240], |i| 2.0 * 1000.0 * (from + i) as f64 / RATE_HZ)
    };
    let turned = (phase(0) / phase(80_000)).arg().to_degrees().abs();
    assert!(turned > 5.0, "{turned}");
}

#[test]
fn a_rub_strikes_once_per_turn_above_its_speed() {
    let touching = |rpm: f64| {
        let mut scenario = still_machine(rpm, 1.0);
        scenario.rotor.residual.clear();
        scenario.fault.rub = Some(Rub::default());
        let samples = values(&run(&scenario).recording, "front");
        samples.iter().fold(0.0f64, |top, v| top.max(v.abs()))
    };
    assert!(touching(50_000.0) < 1e-3);
    assert!(touching(80_000.0) > 0.5);
}

#[test]
fn a_rub_may_come_back_every_third_turn_and_turn_the_first_order() {
    let mut scenario = still_machine(60_000.0, 2.0);
    scenario.rotor.residual.clear();
    let rub =
        Rub { from_rpm: 30_000.0, m_s2: 0.0, fraction: 3, spiral_deg_s: 90.0, ..Rub::default() };
    scenario.fault.rub = Some(rub);
    let samples = values(&run(&scenario).recording, "front");
    let height = |hz: f64| strongest(&samples, hz - 20.0, hz + 20.0).1;
    for hz in [1000.0 / 3.0, 1000.0, 4000.0 / 3.0, 2000.0] {
        assert!(height(hz) > 0.1, "{hz}: {}", height(hz));
    }
    assert!(height(500.0) < 0.01 && height(1500.0) < 0.01);
    let phase = |from: usize| {
        phasor(&samples[from..from + 10_240], |i| 1000.0 * (from + i) as f64 / RATE_HZ)
    };
    // 1.5 s of 90 degrees a second, give or take the random walk of 0.6 degrees per root of a turn
    let turned = (phase(76_800) / phase(0)).arg().to_degrees();
    assert!((turned - 135.0).abs() < 80.0, "{turned}");
}

/// Lines of the squared envelope against the multipliers of Smith and Randall (2015), slip included.
#[test]
fn bearing_defects_beat_at_their_own_orders() {
    let place = Place::Front;
    let defect = BearingDefect { m_s2: 40.0, jitter_percent: 0.5, ..BearingDefect::default() };
    let case = |id: &str| {
        let mut fault = Faults::default();
        let slot = match id {
            "bearing_outer" => &mut fault.bearing_outer,
            "bearing_inner" => &mut fault.bearing_inner,
            "bearing_ball" => &mut fault.bearing_ball,
            _ => &mut fault.bearing_cage,
        };
        *slot = Some(BearingDefect { place, ..defect.clone() });
        let simulated = run(&defective(fault));
        let planted = simulated.truth.faults[0].clone();
        assert_eq!((planted.fault.as_str(), planted.place.as_deref()), (id, Some("front")));
        (values(&simulated.recording, "front"), planted.orders.expect("a rolling bearing"))
    };
    let shaft_hz = 500.0;
    let (outer, orders) = case("bearing_outer");
    assert!(envelope_prominence(&outer, orders.bpfo * shaft_hz) > 20.0);
    assert!(envelope_prominence(&outer, orders.bpfi * shaft_hz) < 6.0);
    let (inner, orders) = case("bearing_inner");
    assert!(envelope_prominence(&inner, orders.bpfi * shaft_hz) > 15.0);
    // modulated by the shaft as the defect passes the load zone
    assert!(envelope_prominence(&inner, (orders.bpfi - 1.0) * shaft_hz) > 8.0);
    assert!(envelope_prominence(&inner, orders.bpfo * shaft_hz) < 6.0);
    let (ball, orders) = case("bearing_ball");
    assert!(envelope_prominence(&ball, 2.0 * orders.bsf * shaft_hz) > 10.0);
    assert!(envelope_prominence(&ball, orders.ftf * shaft_hz) > 6.0);
    let (cage, orders) = case("bearing_cage");
    assert!(envelope_prominence(&cage, orders.ftf * shaft_hz) > 6.0);
    // slip of 0.8 % against the geometry
    let geometry = Scenario::default().bearing[&place].multipliers("front").expect("sound");
    assert!((orders.bpfo / geometry.expect("stated").bpfo - 0.992).abs() < 1e-9);
}

#[test]
fn a_defect_at_the_rear_is_louder_there() {
    let defect = BearingDefect { place: Place::Rear, ..BearingDefect::default() };
    let fault = Faults { bearing_outer: Some(defect), ..Faults::default() };
    let recording = run(&defective(fault)).recording;
    let peak = |name: &str| values(&recording, name).iter().fold(0.0f64, |top, v| top.max(v.abs()));
    assert!(peak("rear") > 1.5 * peak("front"));
}

#[test]
fn lines_above_the_band_fold_only_without_the_filter() {
    let folded = |anti_alias: bool| {
        let mut scenario = still_machine(60_000.0, 1.0);
        scenario.converter.anti_alias = anti_alias;
        // 30 kHz at 51.2 kHz folds to 21.2 kHz
        scenario.line =
            vec![quietspin::simulate::Line { order: 30.0, m_s2: 9.80665, ..Default::default() }];
        amplitude(&values(&run(&scenario).recording, "front"), 21_200.0)
    };
    assert!(folded(true) < 1e-6);
    assert!((folded(false) - 1.0).abs() < 0.01);
}

#[test]
fn a_microphone_is_uncalibrated_and_hears_the_first_order() {
    let mut scenario = still_machine(60_000.0, 1.0);
    scenario.sensor = vec![Sensor { noise_rms: 0.0, ..Sensor::microphone("sound") }];
    scenario.pulse.fitted = false;
    let spot = Unbalance { position_mm: 50.0, g_mm: 1.0, deg: 0.0 };
    scenario.fault.imbalance = Some(Imbalance { plane: vec![spot] });
    let simulated = run(&scenario);
    let channel = &simulated.recording.channels[0];
    assert!(!channel.is_calibrated() && channel.spec.unit == Some(Unit::FullScale));
    assert_eq!(simulated.machine.channel["sound"].unit, None);
    let samples = values(&simulated.recording, "sound");
    let (hz, height) = strongest(&samples, 100.0, 20_000.0);
    assert!((hz - 1000.0).abs() < 2.0 && height > 0.001 && height < 1.0, "{hz} {height}");
}

#[test]
fn the_converter_clips_hums_and_drops_out() {
    let mut scenario = Scenario::default();
    scenario.speed.up_s = 1.0;
    scenario.speed.hold_s = 0.5;
    scenario.sensor.truncate(1);
    scenario.sensor[0].full_scale = 0.5;
    scenario.converter.bits = Bits::Sixteen;
    scenario.converter.dropouts = Dropouts { count: 3, length_ms: 20.0, kind: GapKind::Zero };
    scenario.background.hum_percent = 10.0;
    let recording = run(&scenario).recording;
    let samples = values(&recording, "front");
    let top = 0.5 * (32_767.0 / 32_768.0);
    let clipped = samples.iter().filter(|v| **v >= top - 1e-9 || **v <= -0.5).count();
    assert!(clipped > 100, "{clipped}");
    let silent = samples.windows(900).filter(|w| w.iter().all(|v| *v == 0.0)).count();
    assert!(silent > 100, "{silent}");
    assert!(amplitude(&samples[..10_240], 50.0) > 0.02);
    scenario.converter.dropouts.kind = GapKind::Frozen;
    let frozen = values(&run(&scenario).recording, "front");
    assert!(frozen.windows(900).any(|w| w[0] != 0.0 && w.iter().all(|v| *v == w[0])));
    assert_eq!(recording.channels[0].least_step, Some(0.5 / 32_768.0));
}

#[test]
fn the_same_seed_gives_the_same_bytes_and_another_seed_others() {
    let directory = tempfile::tempdir().expect("a place to write");
    let mut scenario = Scenario::default();
    scenario.speed.up_s = 0.5;
    scenario.speed.hold_s = 0.2;
    let bytes = |seed: u64, sub: &str| {
        let simulated = simulate(&scenario, seed).expect("sound");
        let written = simulated.write(directory.path().join(sub)).expect("written");
        [written.wav, written.machine, written.truth]
            .map(|path| std::fs::read(path).expect("readable"))
    };
    let (first, again, other) = (bytes(7, "a"), bytes(7, "b"), bytes(8, "c"));
    assert_eq!(first, again);
    assert_ne!(first[0], other[0]);
    let truth: quietspin::simulate::Truth = serde_json::from_slice(&first[2]).expect("a truth");
    assert_eq!(truth, simulate(&scenario, 7).expect("sound").truth);
    let names: Vec<String> = std::fs::read_dir(directory.path().join("a"))
        .expect("it is there")
        .map(|entry| entry.expect("readable").file_name().to_string_lossy().into_owned())
        .collect();
    assert_eq!(names.len(), 3, "nothing is left over: {names:?}");
}

#[test]
fn a_simulated_recording_is_saved_under_the_name_asked_for() {
    let directory = tempfile::tempdir().expect("a place to write");
    let speed = SpeedProfile::constant(60_000.0, 0.2);
    let simulated = run(&Scenario { speed, ..Scenario::default() });
    let wav = directory.path().join("new/spin-3.wav");
    let written = simulated.write_as(&wav).expect("written");
    assert_eq!(written.wav, wav);
    assert_eq!(written.truth, directory.path().join("new/spin-3.truth.json"));
    // the same files as of a scenario of that name
    let named = Scenario { name: "spin-3".to_owned(), ..Scenario::default() };
    let speed = SpeedProfile::constant(60_000.0, 0.2);
    let other = run(&Scenario { speed, ..named }).write(directory.path()).expect("written");
    for (one, two) in [
        (&written.wav, &other.wav),
        (&written.machine, &other.machine),
        (&written.truth, &other.truth),
    ] {
        assert_eq!(std::fs::read(one).expect("a file"), std::fs::read(two).expect("a file"));
    }
    simulated.write_as(&wav).expect("its own files are replaced");
    for bad in ["spin.flac", "spin 3.wav", ".wav", ""] {
        assert!(simulated.write_as(directory.path().join(bad)).is_err(), "{bad}");
    }
    let kept = directory.path().join("kept.wav");
    std::fs::write(&kept, "a recording").expect("a file");
    let refused = simulated.write_as(&kept).expect_err("it was not simulated").to_string();
    assert!(refused.contains("it is there already"), "{refused}");
    assert_eq!(std::fs::read(&kept).expect("it is there"), b"a recording");
}

/// What is written is read back by hound as what was simulated, at every resolution.
#[test]
fn files_hold_the_samples_simulated() {
    let directory = tempfile::tempdir().expect("a place to write");
    for (bits, codes) in
        [(Bits::Sixteen, 32_768.0), (Bits::TwentyFour, 8_388_608.0), (Bits::Float, 1.0)]
    {
        let speed = SpeedProfile::constant(96_000.0, 0.5);
        let mut scenario = Scenario { speed, ..Scenario::default() };
        scenario.converter.bits = bits;
        scenario.sensor[1].inverted = true;
        let simulated = run(&scenario);
        let written = simulated.write(directory.path()).expect("written");
        let mut reader = hound::WavReader::open(&written.wav).expect("a WAV file");
        let file: Vec<f64> = if bits == Bits::Float {
            reader.samples::<f32>().map(|s| f64::from(s.expect("readable"))).collect()
        } else {
            reader.samples::<i32>().map(|s| f64::from(s.expect("readable")) / codes).collect()
        };
        for (c, channel) in simulated.recording.channels.iter().enumerate() {
            let full_scale = channel.full_scale.unwrap_or(1.0);
            let sign = if channel.spec.inverted { -1.0 } else { 1.0 };
            for (i, value) in channel.values().iter().enumerate() {
                let in_file = sign * file[3 * i + c] * full_scale;
                // single precision holds 16 bits exactly, 24 bits to a step
                let step = if bits == Bits::TwentyFour { 1.01 / codes } else { 1e-7 };
                let apart = (in_file - f64::from(*value)).abs();
                assert!(apart <= step * full_scale, "{bits:?} {c} {i}: {in_file} {value}");
            }
        }
    }
}

#[test]
fn the_machine_file_states_what_an_owner_knows() {
    let directory = tempfile::tempdir().expect("a place to write");
    let speed = SpeedProfile::constant(60_000.0, 0.2);
    let scenario = Scenario { speed, ..Scenario::default() };
    let simulated = run(&scenario);
    let written = simulated.write(directory.path()).expect("written");
    let text = std::fs::read_to_string(written.machine).expect("readable");
    assert!(text.starts_with("# Invented") && !text.contains("name = \"front\""), "{text}");
    assert!(!text.contains("critical_rpm"), "defaults are left out: {text}");
    let mut back: quietspin::machine::Machine = toml::from_str(&text).expect("a machine file");
    for (name, spec) in &mut back.channel {
        spec.name.clone_from(name);
    }
    assert_eq!(back, simulated.machine);
    let rear: &Bearing = &back.bearing["rear"];
    assert_eq!(rear.elements, Some(9));
}

#[test]
fn five_seconds_take_little_time() {
    let mut scenario = Scenario::default();
    scenario.speed.up_s = 3.0;
    scenario.speed.hold_s = 1.8;
    let start = Instant::now();
    run(&scenario);
    // 0.3 s is aimed at; machines under load are allowed ten times as much
    let seconds = start.elapsed().as_secs_f64();
    assert!(seconds < 3.0, "{seconds}");
}

#[test]
fn standstill_before_a_run_up_is_silent_and_without_pulses() {
    let mut scenario = still_machine(60_000.0, 1.0);
    scenario.speed = SpeedProfile {
        start_rpm: 0.0,
        top_rpm: 60_000.0,
        wait_s: 0.5,
        up_s: 1.0,
        hold_s: 0.2,
        ..SpeedProfile::default()
    };
    scenario.pulse = PulseSensor { noise_v_rms: 0.0, ..PulseSensor::default() };
    let recording = run(&scenario).recording;
    let (front, pulse) = (values(&recording, "front"), values(&recording, "pulse"));
    let standing = 25_000;
    assert!(front[..standing].iter().all(|v| v.abs() < 1e-4));
    assert!(pulse[..standing].iter().all(|v| v.abs() < 0.01));
    assert!(pulse[60_000..].iter().any(|v| *v > 4.0));
}

/// Every sample scenario stands in the project and keeps to a megabyte; what its story says holds.
#[test]
fn sample_scenarios_are_sound_and_small() {
    let directory = tempfile::tempdir().expect("a place to write");
    let scenarios = concat!(env!("CARGO_MANIFEST_DIR"), "/samples/scenarios");
    for name in ["good", "imbalanced", "misaligned", "bearing", "microphone", "unfit"] {
        let path = format!("{scenarios}/{name}.toml");
        let text = std::fs::read_to_string(&path).expect("the file is there");
        assert!(text.starts_with("# Invented: "), "{name}");
        let scenario = Scenario::from_toml(&text, &path).expect(name);
        assert_eq!(scenario.name, name);
        let simulated = run(&scenario);
        let written = simulated.write(directory.path()).expect(name);
        let bytes = std::fs::metadata(written.wav).expect("written").len();
        assert!(bytes <= 1_000_000, "{name}: {bytes}");
        let ratio = simulated.truth.order1_mm_s_rms.iter().fold(0.0f64, |top, v| top.max(*v)) / 4.5;
        let clipped = clipped_share(&simulated.recording.channels[0]);
        match name {
            "imbalanced" => assert!(ratio > 1.5 && clipped == 0.0, "{ratio} {clipped}"),
            "unfit" => assert!(clipped > 0.001, "{clipped}"),
            "microphone" => assert!(clipped == 0.0 && simulated.recording.channels.len() == 1),
            _ => assert!(ratio < 0.5 && clipped == 0.0, "{name}: {ratio} {clipped}"),
        }
    }
}

fn clipped_share(channel: &quietspin::recording::Channel) -> f64 {
    let top = 0.9999 * channel.full_scale.expect("integers");
    let clipped = channel.values().iter().filter(|v| f64::from(v.abs()) >= top).count();
    clipped as f64 / channel.len() as f64
}

/// The committed samples are those that `samples/regenerate` makes: the same scenarios and seeds, the
/// same bytes.
#[test]
fn the_samples_are_made_from_their_scenarios() {
    let samples = Path::new(env!("CARGO_MANIFEST_DIR")).join("samples");
    let script = std::fs::read_to_string(samples.join("regenerate")).expect("the script");
    let names = script.lines().find_map(|line| line.strip_prefix("for scenario in "));
    let names = names.and_then(|line| line.strip_suffix("; do")).expect("the list of scenarios");
    let folder = tempfile::tempdir().expect("a folder");
    for (name, seed) in names.split_whitespace().zip(1..) {
        let path = samples.join("scenarios").join(format!("{name}.toml"));
        let scenario = Scenario::read(&path).expect("a sound scenario");
        let written =
            simulate(&scenario, seed).expect("simulated").write(&folder).expect("written");
        for made in [written.wav, written.machine, written.truth] {
            let file = made.file_name().expect("a name");
            let kept = std::fs::read(samples.join("recordings").join(file)).expect("a sample");
            let is_same = std::fs::read(&made).expect("made anew") == kept;
            assert!(is_same, "{} is not what its scenario gives", file.display());
        }
    }
    // the spins of the balancing job go on with the seeds
    let mut spins: Vec<_> = std::fs::read_dir(samples.join("scenarios/balance"))
        .expect("a folder")
        .map(|entry| entry.expect("an entry").path())
        .collect();
    spins.sort();
    for (path, seed) in spins.iter().zip(1 + names.split_whitespace().count() as u64..) {
        let scenario = Scenario::read(path).expect("a sound scenario");
        let made = simulate(&scenario, seed).expect("simulated").write(&folder).expect("written");
        let kept = samples.join("balance").join(made.wav.file_name().expect("a name"));
        let is_same = std::fs::read(&made.wav).ok() == std::fs::read(&kept).ok();
        assert!(is_same, "{} is not what its scenario gives", kept.display());
    }
    let kept = std::fs::read_dir(samples.join("balance")).expect("a folder").count();
    assert_eq!(kept, spins.len() + 1, "spins and their machine file");
    let kept = std::fs::read_dir(samples.join("recordings")).expect("a folder").count();
    assert_eq!(kept, 3 * names.split_whitespace().count(), "files that no scenario makes");
}
