//! Vectors of a spin against the equations of the rotor that was simulated, and their stated errors against
//! those that are true.

use std::f64::consts::TAU;

use num_complex::Complex64;
use quietspin::balance::vectors::{Ask, Reading, measure};
use quietspin::machine::Machine;
use quietspin::progress::Silent;
use quietspin::recording::{Channel, ChannelSpec, Edge, PulseKind, Recording, Role};
use quietspin::simulate::rotor::{RotorModel, STILL};
use quietspin::simulate::{
    Burst, Place, Scenario, Sensor, Simulated, SpeedProfile, Unbalance, simulate,
};
use quietspin::speed::{Knot, Speed, SpeedSource, choose};
use quietspin::units::{STANDARD_GRAVITY_M_S2, Unit};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

fn ask(sensors: &[&str], rpm: &[f64]) -> Ask {
    let sensors = sensors.iter().map(|name| (*name).to_owned()).collect();
    Ask { sensors, rpm: rpm.to_vec(), ..Ask::default() }
}

/// The rotor of the tests: nothing between housing and sensor, and heavy spots in two planes.
fn scenario(speed: SpeedProfile) -> Scenario {
    let mut scenario = Scenario { speed, ..Scenario::default() };
    scenario.background.resonance.clear();
    scenario.rotor.residual = vec![
        Unbalance { position_mm: 20.0, g_mm: 0.12, deg: 40.0 },
        Unbalance { position_mm: 88.0, g_mm: 0.08, deg: 170.0 },
    ];
    scenario
}

fn speed_of(made: &Simulated) -> Speed {
    choose::choose(&made.recording, &made.machine, &mut Silent)
        .and_then(choose::Choice::into_speed)
        .expect("pulses")
}

fn read(made: &Simulated, ask: &Ask) -> Result<Vec<Reading>, String> {
    measure(&made.recording, &made.machine, &speed_of(made), ask).map_err(|e| e.to_string())
}

fn refusal(scenario: &Scenario, ask: &Ask) -> String {
    let made = simulate(scenario, 5).expect("simulated");
    read(&made, ask).expect_err("refused")
}

/// Whether a refusal is one line that names the recording and holds all the words.
fn says(refusal: &str, words: &[&str]) {
    assert!(refusal.starts_with("<cartridge>") && !refusal.contains('\n'), "{refusal}");
    for word in words {
        assert!(refusal.contains(word), "{refusal:?} has not {word:?}");
    }
}

/// What the sensor at a place reads by the rotor's own equations at constant speed, in g.
fn truth(scenario: &Scenario, place: Place, rpm: f64) -> Complex64 {
    let model = RotorModel::new(&scenario.rotor);
    let spin = rpm * TAU / 60.0;
    let force = model.unbalance(&scenario.rotor.residual).map(|u| u * spin * spin);
    let (ahead, _) = model.steady(1, spin, &force, &STILL).expect("damped");
    let sensor = scenario.sensor.iter().find(|sensor| sensor.place == place).expect("a sensor");
    let towards = Complex64::cis(-sensor.angle_deg.to_radians());
    RotorModel::housing_at(&ahead, place) * towards * (-spin * spin / STANDARD_GRAVITY_M_S2)
}

fn close(reading: &Reading, truth: Complex64, share: f64) {
    let off = (reading.phasor - truth).norm();
    let allowed = 4.0 * reading.error + share * truth.norm();
    assert!(off < allowed, "{reading:?}: {truth} is {off} away, more than {allowed}");
    assert!(reading.error < 0.02 * truth.norm(), "{reading:?} is not sharp");
}

/// Held at the lowest speed, at the top speed and at the end of one recording, two sensors each; the
/// answers come by speed, then by sensor.
#[test]
fn several_holds_of_one_recording_give_what_the_rotors_equations_say() {
    let scenario = scenario(SpeedProfile {
        start_rpm: 24_000.0,
        top_rpm: 96_000.0,
        end_rpm: 75_000.0,
        wait_s: 1.5,
        up_s: 2.0,
        hold_s: 1.5,
        down_s: 1.0,
        after_s: 1.2,
        ..SpeedProfile::default()
    });
    let made = simulate(&scenario, 3).expect("simulated");
    let speeds = [96_000.0, 24_000.0, 75_000.0];
    let readings = read(&made, &ask(&["rear", "front"], &speeds)).expect("three holds");
    assert_eq!(readings.len(), 6);
    for (index, reading) in readings.iter().enumerate() {
        let place = [Place::Rear, Place::Front][index % 2];
        let rpm = speeds[index / 2];
        assert_eq!((reading.sensor.as_str(), reading.rpm), (place.word(), rpm));
        assert!((reading.found_rpm / rpm - 1.0).abs() < 1e-3 && reading.held, "{reading:?}");
        assert!(reading.to_s - reading.from_s > 0.9 && reading.unit == "g", "{reading:?}");
        let turns = (reading.to_s - reading.from_s) * rpm / 60.0;
        assert!((reading.turns / turns - 1.0).abs() < 2e-3, "{reading:?}");
        close(reading, truth(&scenario, place, rpm), 0.005);
    }
}

#[test]
fn a_slow_passage_is_read_at_the_speed_asked_for() {
    let mut scenario = scenario(SpeedProfile {
        start_rpm: 18_000.0,
        top_rpm: 33_000.0,
        wait_s: 0.0,
        up_s: 20.0,
        hold_s: 0.0,
        ..SpeedProfile::default()
    });
    scenario.converter.rate_hz = 25_600.0;
    scenario.background.top_m_s2_rms = 0.3;
    let made = simulate(&scenario, 4).expect("simulated");
    let readings = read(&made, &ask(&["front"], &[24_000.0, 28_000.0])).expect("passed");
    for reading in &readings {
        assert!(!reading.held && reading.turns > 60.0, "{reading:?}");
        close(reading, truth(&scenario, Place::Front, reading.rpm), 0.01);
    }
    // seven times as fast there are too few turns
    scenario.speed.up_s = 3.0;
    says(
        &refusal(&scenario, &ask(&["front"], &[24_000.0])),
        &["turns only", "64 or more", "slowly"],
    );
}

/// The lag is that of the trade, and what an edge, a delay or a sensor elsewhere does to it is known.
#[test]
fn the_lag_follows_from_edge_delay_and_angle() {
    let lag = |change: &dyn Fn(&mut Scenario)| {
        let mut scenario = scenario(SpeedProfile::constant(24_000.0, 1.0));
        change(&mut scenario);
        let made = simulate(&scenario, 6).expect("simulated");
        let reading = read(&made, &ask(&["front"], &[24_000.0])).expect("held").remove(0);
        let expected = truth(&scenario, Place::Front, 24_000.0);
        let off = (reading.phasor / expected).arg().to_degrees();
        assert!(off.abs() < 3.0 * reading.lag_error_deg() + 0.5, "{off}: {reading:?}");
        reading.lag_deg()
    };
    let plain = lag(&|_| ());
    assert!((0.0..360.0).contains(&plain));
    let turned = lag(&|s| s.sensor[0].angle_deg += 50.0);
    assert!(((turned - plain - 50.0 + 540.0) % 360.0 - 180.0).abs() < 1.0, "{plain} {turned}");
    let falling = lag(&|s| s.pulse.edge = Edge::Falling);
    assert!(((falling - plain + 540.0) % 360.0 - 180.0).abs() < 1.0, "{plain} {falling}");
    let delayed = lag(&|s| s.pulse.delay_us = 40.0);
    assert!(((delayed - plain + 540.0) % 360.0 - 180.0).abs() < 1.0, "{plain} {delayed}");
}

/// A recording of one sensor whose vector over time is known, at a hundred turns a second with `wander` of the
/// speed, as a share.
struct Known {
    rate_hz: f64,
    length_s: f64,
    noise: f64,
    seed: u64,
    wander: f64,
}

const KNOWN_RPM: f64 = 6000.0;
const KNOWN: Known = Known { rate_hz: 2500.0, length_s: 20.0, noise: 0.3, seed: 1, wander: 0.0 };

impl Known {
    fn speed(&self) -> Speed {
        let hz = KNOWN_RPM / 60.0;
        let wave = TAU * 0.7;
        let knot = |i: usize| {
            let t = 0.02 * i as f64;
            let turns = hz * (t - self.wander / wave * ((wave * t).cos() - 1.0));
            Knot { time_s: t, turns, speed_hz: hz * (1.0 + self.wander * (wave * t).sin()) }
        };
        let knots = (0..=(self.length_s / 0.02) as usize).map(knot).collect();
        let mut speed = Speed::from_knots(SpeedSource::Pulse, knots, 0.0).expect("rising");
        speed.edge = Some(Edge::Rising);
        speed
    }

    fn recording(&self, vector: impl Fn(f64) -> Complex64) -> Recording {
        let mut rng = ChaCha8Rng::seed_from_u64(self.seed);
        let speed = self.speed();
        let count = (self.length_s * self.rate_hz) as usize;
        let sample = |i: usize| {
            let t = i as f64 / self.rate_hz;
            let noise: f64 = StandardNormal.sample(&mut rng);
            let turn = Complex64::cis(TAU * speed.turns_at(t).fract());
            ((vector(t) * turn).re + self.noise * noise) as f32
        };
        let samples = (0..count).map(sample).collect();
        let pulses = (0..count).map(|i| if i % 25 < 3 { 1.0 } else { 0.0 }).collect();
        let spec = |name: &str, role, edge| ChannelSpec {
            role: Some(role),
            unit: Some(Unit::G),
            edge,
            ..ChannelSpec::named(name)
        };
        let channel = |spec, samples| Channel::new(spec, self.rate_hz, samples).expect("valid");
        let channels = vec![
            channel(spec("front", Role::Vibration, None), samples),
            channel(spec("pulse", Role::Pulse, Some(Edge::Rising)), pulses),
        ];
        Recording::from_channels("cartridge", channels).expect("channels")
    }

    fn read(&self, vector: impl Fn(f64) -> Complex64) -> Result<Reading, String> {
        let recording = self.recording(vector);
        let ask = ask(&["front"], &[KNOWN_RPM]);
        measure(&recording, &Machine::default(), &self.speed(), &ask)
            .map(|mut readings| readings.remove(0))
            .map_err(|error| error.to_string())
    }
}

/// True over stated error of both parts, both rms over many seeds; and the share of the seeds whose vector
/// lies within three errors.
fn calibration(
    length_s: f64,
    vectors: impl Fn(u64) -> Box<dyn Fn(f64) -> Complex64>,
) -> (f64, f64) {
    const SEEDS: u64 = 80;
    let truth = Complex64::from_polar(1.0, 0.7);
    let (mut seen, mut stated, mut within) = (0.0, 0.0, 0);
    for seed in 0..SEEDS {
        let known = Known { seed, length_s, ..KNOWN };
        let reading = known.read(vectors(seed)).expect("held");
        assert_eq!(reading.error, reading.noise_error.max(reading.turns_error));
        let off = (reading.phasor - truth).norm();
        seen += off * off / 2.0;
        stated += reading.error * reading.error;
        within += usize::from(off < 3.0 * reading.error);
    }
    let rms = |sum: f64| (sum / SEEDS as f64).sqrt();
    println!("{length_s} s: true {:.5}, stated {:.5}", rms(seen), rms(stated));
    ((seen / stated).sqrt(), within as f64 / SEEDS as f64)
}

/// A vector whose size wanders by `share` rms with a correlation time, as a first-order process at 100 Hz
/// (the exact discretisation of the Ornstein-Uhlenbeck process).
fn wandering(seed: u64, share: f64, time_s: f64, length_s: f64) -> Box<dyn Fn(f64) -> Complex64> {
    let mut rng = ChaCha8Rng::seed_from_u64(seed + 1000);
    let keep = (-0.01 / time_s).exp();
    let mut state: f64 = StandardNormal.sample(&mut rng);
    let steps: Vec<f64> = (0..(100.0 * length_s) as usize + 2)
        .map(|_| {
            let push: f64 = StandardNormal.sample(&mut rng);
            state = keep * state + (1.0 - keep * keep).sqrt() * push;
            state
        })
        .collect();
    Box::new(move |t| {
        let at = 100.0 * t;
        let (index, rest) = (at.floor() as usize, at.fract());
        let off = steps[index] * (1.0 - rest) + steps[index + 1] * rest;
        Complex64::from_polar(1.0 + share * off, 0.7)
    })
}

#[test]
fn the_stated_error_is_the_true_one_in_white_noise() {
    for length_s in [1.5, 8.0] {
        let found = calibration(length_s, |_| Box::new(|_| Complex64::from_polar(1.0, 0.7)));
        let (ratio, within) = found;
        println!("white noise, {length_s} s: true over stated error {ratio:.2}, {within:.2}");
        assert!((0.7..1.3).contains(&ratio) && within > 0.95, "{length_s} s: {found:?}");
    }
}

#[test]
fn the_stated_error_is_the_true_one_where_the_amplitude_wanders() {
    for (time_s, length_s) in [(0.3, 8.0), (0.6, 20.0), (1.0, 20.0)] {
        let found = calibration(length_s, |seed| wandering(seed, 0.02, time_s, length_s));
        let (ratio, within) = found;
        println!(
            "wander of {time_s} s over {length_s} s: true over stated {ratio:.2}, {within:.2}"
        );
        assert!((0.7..1.3).contains(&ratio) && within > 0.9, "{time_s} s: {found:?}");
    }
    // the wander and not the noise makes the error
    let reading = Known { noise: 0.05, ..KNOWN }.read(wandering(1, 0.02, 0.6, 20.0));
    let reading = reading.expect("held");
    assert!(reading.turns_error > 2.0 * reading.noise_error, "{reading:?}");
}

#[test]
fn the_beginning_is_left_out_until_the_vector_has_settled() {
    let known = Known { length_s: 12.0, noise: 0.05, ..KNOWN };
    let end = Complex64::from_polar(1.0, 0.7);
    let warming = |time_s: f64, share: f64, turn_deg: f64| {
        move |t: f64| {
            let left = (-t / time_s).exp();
            end * (1.0 + share * left) * Complex64::cis(turn_deg.to_radians() * left)
        }
    };
    let reading = known.read(warming(1.2, 0.5, 0.0)).expect("settles");
    assert!((3.0..9.1).contains(&reading.from_s) && reading.to_s > 11.5, "{reading:?}");
    assert!((reading.phasor - end).norm() < 0.03, "{reading:?}");
    let turning = known.read(warming(1.2, 0.0, 30.0)).expect("settles");
    assert!(turning.from_s > 3.0 && (turning.phasor / end).arg().abs() < 0.02, "{turning:?}");
    let steady = known.read(move |_| end).expect("settled from the start");
    assert!(steady.from_s < 0.2, "{steady:?}");
    let never = known.read(warming(12.0, 1.0, 0.0)).expect_err("never settles");
    says(&never, &["channel front", "has not settled", "still shrinks by", "longer", "12.00 s"]);
    let never = known.read(warming(20.0, 0.0, 60.0)).expect_err("never settles");
    says(&never, &["turns by", "2 degrees are allowed"]);
}

/// A vector that turns with the speed by so many degrees per 1 % of it.
#[test]
fn a_phase_that_turns_too_fast_with_speed_is_seen_in_its_wander() {
    let known = Known { noise: 0.05, wander: 5e-4, ..KNOWN };
    let turning = |deg_per_percent: f64| {
        let speed = known.speed();
        known.read(move |t| {
            let percent = 100.0 * (speed.rpm_at(t) / KNOWN_RPM - 1.0);
            Complex64::from_polar(1.0, (deg_per_percent * percent).to_radians())
        })
    };
    assert!(turning(0.0).is_ok() && turning(1.0).is_ok());
    // the windows even out some of a wander as quick as this one
    let words = turning(8.0).expect_err("a critical speed is near");
    says(&words, &["near 6000 rpm the phase turns by 7.", "critical speed is near"]);
}

#[test]
fn a_hold_on_a_critical_speed_is_refused_by_the_way_into_it() {
    let profile = |rpm: f64| SpeedProfile {
        start_rpm: 0.5 * rpm,
        top_rpm: rpm,
        wait_s: 0.0,
        up_s: 3.0,
        hold_s: 1.5,
        wander_percent: 0.002,
        ..SpeedProfile::default()
    };
    let mut scenario = scenario(profile(96_000.0));
    let criticals = RotorModel::new(&scenario.rotor).critical_speeds(96_000.0);
    let critical_rpm = criticals.first().expect("one below the top speed").rpm;
    scenario.speed = profile(critical_rpm);
    let words = refusal(&scenario, &ask(&["front"], &[critical_rpm]));
    says(&words, &["channel front", "degrees per 1 % of speed", "further from it"]);
    // between the critical speeds, 1.4 times as fast, the front turns by 3 degrees per 1 % on the way
    // in, the rear hardly
    let [front, rear] = [Place::Front, Place::Rear].map(|place| {
        let [below, above] = [58_900.0, 59_900.0].map(|rpm| truth(&scenario, place, rpm));
        (above / below).arg().to_degrees().abs() / (100.0 * (59_900.0_f64 / 58_900.0).ln())
    });
    assert!(front > 2.5 && rear < 0.2);
    scenario.speed = profile(60_000.0);
    let made = simulate(&scenario, 5).expect("simulated");
    let words = read(&made, &ask(&["front"], &[60_000.0])).expect_err("turns too fast");
    let told = words.split("turns by ").nth(1).and_then(|rest| rest.split(' ').next());
    let told: f64 = told.and_then(|number| number.parse().ok()).expect("a number");
    assert!((told - front).abs() < 0.4, "{words}, not {front}");
    assert!(read(&made, &ask(&["rear"], &[60_000.0])).is_ok());
    scenario.speed = profile(0.6 * critical_rpm);
    let made = simulate(&scenario, 5).expect("simulated");
    assert!(read(&made, &ask(&["front"], &[0.6 * critical_rpm])).is_ok());
}

#[test]
fn a_window_chosen_by_the_user_is_read_and_held_to_the_same() {
    let scenario = scenario(SpeedProfile {
        start_rpm: 30_000.0,
        top_rpm: 60_000.0,
        wait_s: 1.0,
        up_s: 2.0,
        hold_s: 2.0,
        ..SpeedProfile::default()
    });
    let made = simulate(&scenario, 8).expect("simulated");
    let within = |window_s: [f64; 2], rpm: f64| {
        read(&made, &Ask { window_s: Some(window_s), ..ask(&["front"], &[rpm]) })
    };
    let reading = within([3.5, 4.5], 60_000.0).expect("held").remove(0);
    assert!(reading.from_s >= 3.5 && reading.to_s <= 4.5 && reading.turns > 950.0, "{reading:?}");
    close(&reading, truth(&scenario, Place::Front, 60_000.0), 0.005);
    says(&within([2.0, 4.0], 60_000.0).expect_err("refused"), &["drifted", "in the window"]);
    says(&within([3.5, 4.5], 59_000.0).expect_err("refused"), &["59 000 rpm is asked", "60 0"]);
    says(&within([4.0, 9.0], 60_000.0).expect_err("refused"), &["reaches beyond the pulses"]);
    says(&within([3.5, 3.51], 60_000.0).expect_err("refused"), &["turns only"]);
    let backward = within([4.0, 3.0], 60_000.0).expect_err("refused");
    assert!(backward.starts_with("window: 4 to 3 s is none"), "{backward}");
}

#[test]
fn a_speed_that_drifted_or_was_not_there_is_refused_with_those_that_were() {
    let profile = |start_rpm, top_rpm, end_rpm, down_s| SpeedProfile {
        start_rpm,
        top_rpm,
        end_rpm,
        wait_s: 1.0,
        up_s: 1.5,
        hold_s: 1.0,
        down_s,
        wander_percent: 0.0,
        ..SpeedProfile::default()
    };
    let with = |speed| scenario(speed);
    // run up to 60 000 rpm and sagging from there
    let sagging = SpeedProfile { hold_s: 0.0, ..profile(30_000.0, 60_000.0, 59_000.0, 3.0) };
    says(
        &refusal(&with(sagging), &ask(&["front"], &[60_000.0])),
        &["drifted between 59", "in the hold", "0.5 % is allowed"],
    );
    let held = with(profile(30_000.0, 60_000.0, 30_000.0, 0.0));
    says(
        &refusal(&held, &ask(&["front"], &[59_400.0])),
        &["59 400 rpm is asked for, and the speed was held at 60 000 rpm"],
    );
    says(
        &refusal(&held, &ask(&["front"], &[80_000.0])),
        &["80 000 rpm was never held or passed", "it ran from", "held 30 000 and 60 000 rpm"],
    );
    // a drift of a quarter of a percent is none
    let steady = with(profile(30_000.0, 60_000.0, 59_850.0, 2.0));
    let made = simulate(&steady, 5).expect("simulated");
    let reading = read(&made, &ask(&["rear"], &[60_000.0])).expect("held").remove(0);
    assert!(reading.to_s > 5.0, "{reading:?}");
    for odd in [vec![], vec![0.0], vec![f64::NAN], vec![1e8]] {
        let words = refusal(&held, &ask(&["front"], &odd));
        assert!(words.starts_with("rpm: "), "{words}");
    }
}

#[test]
fn a_pulse_that_marks_no_angle_gives_no_vector() {
    let with = |change: &dyn Fn(&mut Scenario)| {
        let mut scenario = scenario(SpeedProfile::constant(36_000.0, 1.5));
        change(&mut scenario);
        refusal(&scenario, &ask(&["front"], &[36_000.0]))
    };
    says(&with(&|s| s.pulse.edge_stated = false), &["channel pulse: the edge", "state edge ="]);
    says(
        &with(&|s| s.pulse.per_turn = 2),
        &["channel pulse", "mark no angle", "evenly spaced", "record again"],
    );
    let blades = with(&|s| {
        s.pulse.kind = PulseKind::Blades;
        s.pulse.per_turn = 5;
    });
    says(&blades, &["mark no angle", "no blade stands out as an index"]);
    says(&with(&|s| s.pulse.lost_percent = 30.0), &["channel pulse", "pulses lost"]);
    let burst = Burst { time_s: 0.6, length_s: 0.2, rate_hz: 4000.0 };
    says(&with(&|s| s.pulse.burst = Some(burst)), &["channel pulse"]);

    let made = simulate(&scenario(SpeedProfile::constant(36_000.0, 1.5)), 5).expect("simulated");
    let ask = ask(&["front"], &[36_000.0]);
    let stated = Speed::constant(SpeedSource::Stated, 36_000.0, 0.0, 1.5).expect("a speed");
    let words = measure(&made.recording, &made.machine, &stated, &ask).expect_err("no phase");
    says(&words.to_string(), &["no phase is known, as the speed is stated"]);
    let mut gapped = speed_of(&made);
    gapped.gaps_s = vec![[0.7, 0.8]];
    let read = |ask| measure(&made.recording, &made.machine, &gapped, ask);
    // before a gap or after it a hold is as good as any
    let longest = read(&ask).expect("held beside the gap").remove(0);
    assert!(longest.to_s <= 0.7 || longest.from_s >= 0.8, "{longest:?}");
    let over = read(&Ask { window_s: Some([0.5, 1.0]), ..ask.clone() }).expect_err("a gap");
    says(&over.to_string(), &["channel pulse", "missing from 0.700 to 0.800 s", "window"]);
    let mut without = made.recording.clone();
    without.channels.retain(|channel| channel.spec.role() != Role::Pulse);
    let words = measure(&without, &made.machine, &stated, &ask).expect_err("no pulse");
    says(&words.to_string(), &["there is no pulse channel"]);
}

#[test]
fn a_sensor_that_tells_nothing_is_refused() {
    let with = |change: &dyn Fn(&mut Scenario)| {
        let mut scenario = scenario(SpeedProfile::constant(36_000.0, 1.5));
        change(&mut scenario);
        refusal(&scenario, &ask(&["front"], &[36_000.0]))
    };
    says(&with(&|s| s.sensor[0].name = "elsewhere".into()), &["channel front: there is no such"]);
    let microphone = with(&|s| s.sensor[0] = Sensor::microphone("front"));
    says(&microphone, &["microphone", "sound never gives a balance vector"]);
    says(
        &with(&|s| s.sensor[0].full_scale = 0.7),
        &["channel front, 0.", "clipped", "lower the gain"],
    );
    let coarse = Known { rate_hz: 220.0, ..KNOWN }.read(|_| Complex64::ONE).expect_err("refused");
    says(&coarse, &["220 samples a second", "up to 5544 rpm", "higher sampling rate"]);

    let made = simulate(&scenario(SpeedProfile::constant(36_000.0, 1.5)), 5).expect("simulated");
    let replaced = |samples: &dyn Fn(usize) -> f32| {
        let mut made = made.clone();
        let channel = &mut made.recording.channels[0];
        channel.samples = (0..channel.len()).map(samples).collect::<Vec<f32>>().into();
        read(&made, &ask(&["front"], &[36_000.0])).expect_err("refused")
    };
    says(&replaced(&|_| 0.0), &["channel front", "no signal", "dead sensor"]);
    let noise: Vec<f32> = {
        let mut rng = ChaCha8Rng::seed_from_u64(2);
        (0..made.recording.channels[0].len())
            .map(|_| StandardNormal.sample(&mut rng))
            .map(|x: f64| (0.1 * x) as f32)
            .collect()
    };
    says(&replaced(&|i| noise[i]), &["the signal is below the noise", "second and third", "dead"]);
}

/// A rotor without unbalance still has its harmonics: its small vector is valid, and says that it does not
/// stand out.
#[test]
fn a_rotor_that_is_nearly_perfect_gives_its_small_vector() {
    let mut scenario = scenario(SpeedProfile::constant(36_000.0, 1.5));
    scenario.rotor.residual.clear();
    let made = simulate(&scenario, 5).expect("simulated");
    let reading = read(&made, &ask(&["front"], &[36_000.0])).expect("valid").remove(0);
    assert!(!reading.stands_out() && reading.amplitude() < 3.0 * reading.error, "{reading:?}");
    assert!(reading.lag_error_deg() > 15.0 && reading.lag_error_deg() < 104.0, "{reading:?}");
}

#[test]
fn a_reading_stays_itself_through_toml() {
    let reading = KNOWN.read(|_| Complex64::from_polar(1.0, 0.7)).expect("held");
    let text = toml::to_string(&reading).expect("plain");
    assert_eq!(toml::from_str::<Reading>(&text).expect("the same"), reading);
}
