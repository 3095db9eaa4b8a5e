//! What looks like a fault and is none, and faults that come together.
//!
//! Scenes are simulated cartridges with something added to their samples. Which phenomena mimic which
//! fault: ISO 13373-3 and R. B. Randall, Vibration-based Condition Monitoring, 2011 (from memory).

use std::f64::consts::TAU;

use quietspin::diagnose::{self, Diagnosis, Finding};
use quietspin::progress::Silent;
use quietspin::recording::{Channel, Recording, Role};
use quietspin::signature::Kind;
use quietspin::simulate::{Scenario, Simulated, simulate};
use quietspin::speed::{Speed, SpeedSource};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;

const BEARINGS: [&str; 4] = ["bearing_outer", "bearing_inner", "bearing_ball", "bearing_cage"];

/// The default cartridge with some faults, run to a speed where impacts stay apart.
fn cartridge(faults: &[&str], seed: u64) -> Simulated {
    run_to(30_000.0, faults, seed)
}

fn run_to(top_rpm: f64, faults: &[&str], seed: u64) -> Simulated {
    let mut scenario = Scenario::default();
    scenario.speed.top_rpm = top_rpm;
    for fault in faults {
        scenario.add_fault(fault).expect("a known fault");
    }
    // well beyond the limit: less is no fault
    for plane in scenario.fault.imbalance.iter_mut().flat_map(|fault| &mut fault.plane) {
        plane.g_mm = 0.6;
    }
    simulate(&scenario, seed).expect("a valid scenario")
}

/// The simulated speed, as the pulses give it.
fn speed_of(simulated: &Simulated) -> Speed {
    let knots = simulated.truth.knots.iter();
    let knots = knots.map(|k| quietspin::speed::Knot {
        time_s: k.time_s,
        turns: k.turns,
        speed_hz: k.speed_hz,
    });
    Speed::from_knots(SpeedSource::Pulse, knots.collect(), 0.0).expect("the truth rises")
}

/// The same recording with something done to the samples of each vibration channel: `change` is given the
/// time and the samples with their rms.
fn changed(
    simulated: &Simulated,
    change: impl Fn(&Channel, &mut [f32], f32),
) -> (Recording, quietspin::machine::Machine) {
    let mut recording = simulated.recording.clone();
    for channel in &mut recording.channels {
        if channel.spec.role() == Role::Vibration {
            let mut values = channel.values().to_vec();
            let mean_square: f32 = values.iter().map(|x| x * x).sum::<f32>() / values.len() as f32;
            change(channel, &mut values, mean_square.sqrt());
            channel.samples = values.into();
            // a wider range, so that what was added is not clipped
            channel.full_scale = channel.full_scale.map(|range| 100.0 * range);
        }
    }
    (recording, simulated.machine.clone())
}

fn diagnosed((recording, machine): (Recording, quietspin::machine::Machine)) -> Diagnosis {
    diagnose::diagnose(&recording, &machine, true, &mut Silent).expect("it can be judged").1
}

fn told<'a>(diagnosis: &'a Diagnosis, fault: &str) -> impl Iterator<Item = &'a Finding> {
    let fault = fault.to_owned();
    let all = diagnosis.findings.iter().chain(&diagnosis.considered);
    all.filter(move |finding| finding.fault == fault)
}

/// The highest confidence of a fault at any place; 0 where it cannot be told.
fn confidence(diagnosis: &Diagnosis, fault: &str) -> f64 {
    told(diagnosis, fault).map(|finding| finding.confidence).fold(0.0, f64::max)
}

fn no_bearing_defect(diagnosis: &Diagnosis, what: &str) {
    for fault in BEARINGS {
        let sure = confidence(diagnosis, fault);
        assert!(sure < 0.5, "{what}: {fault} {sure:.2}");
    }
}

/// A ring of 7 kHz that begins at a time.
fn ring(values: &mut [f32], rate_hz: f64, from_s: f64, height: f32) {
    let first = (from_s * rate_hz) as usize;
    for (i, value) in values.iter_mut().enumerate().skip(first).take((0.01 * rate_hz) as usize) {
        let t = (i - first) as f64 / rate_hz;
        *value += height * ((-t / 6e-4).exp() * (TAU * 7000.0 * t).sin()) as f32;
    }
}

#[test]
fn one_knock_is_no_bearing_defect_and_hides_none() {
    for seed in 1..=3 {
        let knocked = |faults: &[&str]| {
            let simulated = cartridge(faults, seed);
            diagnosed(changed(&simulated, |channel, values, rms| {
                ring(values, channel.rate_hz, 2.3, 60.0 * rms);
            }))
        };
        no_bearing_defect(&knocked(&[]), "a knock");
        let hidden = knocked(&["bearing_outer"]);
        assert!(confidence(&hidden, "bearing_outer") >= 0.5, "seed {seed}");
    }
}

#[test]
fn electrical_spikes_are_no_bearing_defect() {
    for seed in 1..=3 {
        let simulated = cartridge(&[], seed);
        let diagnosis = diagnosed(changed(&simulated, |channel, values, rms| {
            // twice the mains frequency, one sample each
            let period = channel.rate_hz / 100.0;
            let mut at = 0.37 * period;
            while let Some(value) = values.get_mut(at as usize) {
                *value += 20.0 * rms;
                at += period;
            }
        }));
        no_bearing_defect(&diagnosis, "electrical spikes");
    }
}

/// Flow noise that the blades chop is modulated at a whole order, far deeper than a bearing's waviness.
#[test]
fn flow_noise_modulated_by_blades_is_no_bearing_defect() {
    for (seed, blades) in [(1, 7.0), (2, 11.0), (3, 4.0)] {
        let simulated = cartridge(&[], seed);
        let speed = speed_of(&simulated);
        let diagnosis = diagnosed(changed(&simulated, |channel, values, rms| {
            let mut random = ChaCha8Rng::seed_from_u64(seed);
            for (i, value) in values.iter_mut().enumerate() {
                let turns = speed.turns_at(channel.time_s(i as f64));
                let gain = 1.0 + 0.7 * (TAU * blades * turns).cos();
                *value += rms * gain as f32 * random.random_range(-1.0..1.0);
            }
        }));
        no_bearing_defect(&diagnosis, "chopped flow");
    }
}

/// Two faults of unlike kind are both found, each by its own evidence.
#[test]
fn faults_that_come_together_are_both_found() {
    for pair in [["imbalance", "bearing_outer"], ["looseness", "imbalance"]] {
        let found = |seed| {
            // through the critical speed, so that the unbalance shows
            let simulated = run_to(60_000.0, &pair, seed);
            let diagnosis = diagnosed((simulated.recording.clone(), simulated.machine.clone()));
            pair.map(|fault| confidence(&diagnosis, fault))
        };
        for seed in 1..=2 {
            let sure = found(seed);
            assert!(sure.iter().all(|p| *p >= 0.5), "{pair:?} seed {seed}: {sure:?}");
        }
    }
}

/// Whatever is put lower although its own evidence speaks for it says which rival explains it.
#[test]
fn what_is_put_lower_names_its_rival() {
    let simulated = cartridge(&["looseness"], 1);
    let diagnosis = diagnosed((simulated.recording.clone(), simulated.machine.clone()));
    assert_eq!(first_fault(&diagnosis), Some("looseness"), "{:#?}", diagnosis.findings);
    let lower = diagnosis.considered.iter().filter_map(|finding| finding.remark.as_deref());
    let lower: Vec<&str> = lower.filter(|remark| remark.starts_with("put lower, as ")).collect();
    assert!(lower.iter().any(|remark| remark.contains("looseness")), "{:#?}", diagnosis.considered);
}

fn first_fault(diagnosis: &Diagnosis) -> Option<&str> {
    let faults = diagnosis.findings.iter().filter(|finding| finding.kind == Kind::Fault);
    faults.map(|finding| finding.fault.as_str()).next()
}
