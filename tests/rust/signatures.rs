//! The contract that every signature fulfils, and the faults that prove each.

use std::collections::HashSet;

use quietspin::case::Case;
use quietspin::diagnose;
use quietspin::progress::Silent;
use quietspin::recording::{Channel, ChannelSpec, Recording, Role};
use quietspin::signature::{ALL, Kind, Need, Signature, weigh};
use quietspin::simulate::{Line, Place, Scenario, Sensor, Simulated, simulate};
use quietspin::units::grouped;

#[test]
fn every_signature_states_what_it_is() {
    let mut seen = HashSet::new();
    for signature in ALL {
        let id = signature.id;
        assert!(seen.insert(id), "{id} stands twice in the list");
        assert!(
            id.chars().all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '_'),
            "{id}"
        );
        assert!(!signature.title.is_empty() && !signature.advice.is_empty(), "{id}");
        assert!(signature.source.len() > 10, "{id} names no source");
        assert!(!signature.proofs.is_empty(), "{id} has no simulated proof");
        assert!(!signature.needs.is_empty(), "{id} needs nothing at all");
        for rival in signature.rivals {
            assert!(rival.id != id && ALL.iter().any(|s| s.id == rival.id), "{id}: {}", rival.id);
            assert!(rival.parted_by.len() > 10, "{id}: {}", rival.id);
        }
    }
}

/// A machine with the fault scores higher than the same machine without it.
#[test]
fn every_signature_scores_its_proofs_above_healthy_machines() {
    for signature in ALL {
        for &proof in signature.proofs {
            let mean = |fault: Option<&str>| {
                let scores = (1..=3).filter_map(|seed| score_of(signature.id, fault, seed));
                let scores: Vec<f64> = scores.collect();
                assert!(!scores.is_empty() || fault.is_none(), "{}: no score", signature.id);
                scores.iter().sum::<f64>() / scores.len().max(1) as f64
            };
            if proof == "resonance" {
                // every run-up through a critical speed proves it, none below one does
                assert!(score_of(signature.id, Some("imbalance"), 1).is_some());
                assert_eq!(below_the_critical(signature), None);
                continue;
            }
            let (with, without) = (mean(Some(proof)), mean(None));
            assert!(with > without + 0.5, "{}: {with:.2} with, {without:.2} without", signature.id);
        }
    }
}

/// The advice names the speed at which the first order was judged, and does not take a resonance for a
/// heavy spot.
#[test]
fn advice_on_imbalance_says_at_which_speed_it_was_judged() {
    let told = |top_rpm: f64| {
        let mut scenario = Scenario::default();
        scenario.speed.top_rpm = top_rpm;
        scenario.add_fault("imbalance").expect("a known fault");
        let Simulated { recording, machine, .. } = simulate(&scenario, 1).expect("simulated");
        let diagnosis =
            diagnose::diagnose(&recording, &machine, true, &mut Silent).expect("a diagnosis").1;
        let mut all = diagnosis.findings.iter().chain(&diagnosis.considered);
        let found = all.find(|finding| finding.fault == "imbalance").expect("imbalance").clone();
        let levels = diagnosis.levels.iter().filter(|level| level.id == "order1_velocity");
        let speeds = levels.filter_map(|level| level.at_rpm).map(grouped).collect::<Vec<_>>();
        (found, speeds)
    };
    // judged between the critical speed of the default cartridge, near 41 000 rpm, and its top speed
    for (top_rpm, near_critical) in [(20_000.0, false), (43_000.0, true)] {
        let (found, speeds) = told(top_rpm);
        let raised = found.evidence.iter().any(|item| item.key == "raised_by_resonance");
        assert_eq!(raised, near_critical, "{found:?}");
        let named = |rpm: &String| found.advice.contains(&format!("judged at {rpm} rpm"));
        assert!(speeds.iter().any(named), "{} {speeds:?}", found.advice);
        assert_eq!(found.advice.contains("heavy on one side"), !near_critical, "{}", found.advice);
        assert_eq!(found.advice.contains("critical speed"), near_critical, "{}", found.advice);
    }
}

/// The score on a run-up that ends at half the first critical speed of the default cartridge.
fn below_the_critical(signature: &Signature) -> Option<f64> {
    let mut scenario = Scenario::default();
    scenario.speed.top_rpm = 20_000.0;
    scenario.add_fault("imbalance").expect("a known fault");
    best_score(signature, &simulate(&scenario, 1).expect("a valid scenario"))
}

/// The highest raw score of a signature on a simulated cartridge.
fn score_of(id: &str, fault: Option<&str>, seed: u64) -> Option<f64> {
    let signature = ALL.iter().find(|s| s.id == id)?;
    let mut scenario = Scenario::default();
    if id == "bent_shaft" {
        scenario.sensor.extend(at_shaft());
    }
    if let Some(fault) = fault {
        scenario.add_fault(fault).expect("a known fault");
    }
    let mut simulated = simulate(&scenario, seed).expect("a valid scenario");
    if signature.needs.contains(&Need::Coupling) {
        simulated.machine.shaft.coupling = Some(true);
    }
    best_score(signature, &simulated)
}

/// A bow parts from imbalance by a displacement sensor at the shaft alone; the surface there has run-out of its
/// own, whether the shaft is bent or not.
fn at_shaft() -> [Sensor; 2] {
    let sensor = |name: &str, place, runout_deg| Sensor {
        runout_um: 2.0,
        runout_deg,
        ..Sensor::shaft_displacement(name, place, 30.0)
    };
    [sensor("front_shaft", Place::Front, 200.0), sensor("rear_shaft", Place::Rear, 310.0)]
}

/// A signature scores its own fault above the faults that mimic it, on every machine tried.
#[test]
fn mimics_score_below_the_fault_itself() {
    for (id, mimics) in [
        ("looseness", &["rub", "misalignment", "imbalance"][..]),
        ("rub", &["looseness", "misalignment", "imbalance", "bearing_outer"][..]),
        ("bent_shaft", &["imbalance"][..]),
    ] {
        let scores =
            |fault: &'static str| (1..=3).filter_map(move |seed| score_of(id, Some(fault), seed));
        let own = scores(id).reduce(f64::min).expect("a score");
        for mimic in mimics {
            let highest = scores(mimic).reduce(f64::max).expect("a score");
            assert!(own > highest + 1.0, "{id}: {own:.2} for itself, {highest:.2} for {mimic}");
        }
    }
}

/// A sound machine that is rich in harmonics, with a foreign line on a half order, is neither loose nor rubs.
#[test]
fn harmonics_and_one_foreign_line_are_no_fault() {
    let mut scenario = Scenario::default();
    scenario.background.harmonics_m_s2 = 10.0;
    scenario.line.push(Line { order: 1.5, m_s2: 3.0, ..Line::default() });
    let simulated = simulate(&scenario, 3).expect("a valid scenario");
    for id in ["looseness", "rub"] {
        let signature = ALL.iter().find(|s| s.id == id).expect("it is listed");
        let score = best_score(signature, &simulated).expect("a score");
        assert!(score < -1.0, "{id}: {score:.2}");
    }
}

/// Without a displacement sensor at the shaft a bow is left open, with the reason.
#[test]
fn a_bow_is_left_open_without_a_sensor_at_the_shaft() {
    let mut scenario = Scenario::default();
    scenario.add_fault("bent_shaft").expect("known");
    let simulated = simulate(&scenario, 2).expect("valid");
    let (_, diagnosis) =
        diagnose::diagnose(&simulated.recording, &simulated.machine, true, &mut Silent)
            .expect("fit");
    assert!(diagnosis.findings.iter().all(|finding| finding.fault != "bent_shaft"));
    let told = diagnosis.considered.iter().find(|finding| finding.fault == "bent_shaft");
    let remark = told.and_then(|finding| finding.remark.clone()).expect("why it cannot be told");
    assert!(remark.contains("without a shaft displacement channel"), "{remark}");
}

fn best_score(signature: &Signature, simulated: &Simulated) -> Option<f64> {
    let (case, _) = diagnose::diagnose(&simulated.recording, &simulated.machine, true, &mut Silent)
        .expect("a fit recording");
    let scores = (signature.score)(&case);
    scores.iter().filter(|s| s.cannot_tell.is_none()).map(|s| s.log_odds).reduce(f64::max)
}

#[test]
fn no_signature_panics_or_lies_without_data() {
    let silent = Channel::new(
        ChannelSpec { role: Some(Role::Vibration), ..ChannelSpec::named("dead") },
        48_000.0,
        vec![0.0; 100],
    )
    .expect("valid");
    let recording = Recording::from_channels("dead", vec![silent]).expect("one channel");
    let case = Case::new(recording, Default::default(), None);
    for signature in ALL {
        let scores = (signature.score)(&case);
        assert!(scores.iter().all(|s| s.cannot_tell.is_some()), "{} scores nothing", signature.id);
    }
}

#[test]
fn a_machine_without_a_coupling_is_never_misaligned() {
    let mut scenario = Scenario::default();
    scenario.add_fault("misalignment").expect("known");
    let simulated = simulate(&scenario, 5).expect("valid");
    for (coupling, expected) in
        [(Some(true), "misalignment"), (Some(false), "raised_2x"), (None, "raised_2x")]
    {
        let mut machine = simulated.machine.clone();
        machine.shaft.coupling = coupling;
        let (case, _) =
            diagnose::diagnose(&simulated.recording, &machine, true, &mut Silent).expect("fit");
        let weighing = weigh::weigh(&case);
        let ids: Vec<&str> = weighing.weighed.iter().map(|w| w.signature.id).collect();
        assert!(ids.contains(&expected), "{coupling:?}: {ids:?}");
        let other = if expected == "misalignment" { "raised_2x" } else { "misalignment" };
        assert!(!ids.contains(&other), "{coupling:?}: {ids:?}");
    }
    let kinds: Vec<Kind> = ALL.iter().filter(|s| s.id == "raised_2x").map(|s| s.kind).collect();
    assert_eq!(kinds, vec![Kind::Observation]);
}
