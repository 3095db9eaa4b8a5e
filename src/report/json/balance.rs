//! A balancing job as JSON: `quietspin.balance/1` and `quietspin.balance_test/1`.

use serde::Serialize;

use super::{VERSION, finite, written};
use crate::balance::job::event::{Event, Mass, Metal, Test, Tested};
use crate::balance::job::fold::Folded;
use crate::balance::job::next::{Ahead, Next, PlanePlan};
use crate::balance::job::record::mass_of;
use crate::balance::job::{Job, Rotor, Stage};
use crate::balance::judgement::{Basis, Standing};
use crate::machine::Count;
use crate::report::balance::{standing_of, words};

/// JSON Schema (draft 2020-12) of `quietspin.balance/1`, made by [`job`].
pub const SCHEMA: &str = include_str!("../balance.schema.json");
/// JSON Schema (draft 2020-12) of `quietspin.balance_test/1`, made by [`tested`].
pub const TEST_SCHEMA: &str = include_str!("../balance_test.schema.json");

/// JSON Schema (draft 2020-12) of `quietspin.balance_without_phase/1`, made by [`without_phase`].
pub const WITHOUT_PHASE_SCHEMA: &str = include_str!("../balance_without_phase.schema.json");

/// Where a job stands and what is next, as `quietspin.balance/1`, indented, with a line end.
pub fn job(job: &Job, folded: &Folded, next: &Next) -> String {
    written(&JobView::of(job, folded, next))
}

/// The outcome of a test of the set-up, as `quietspin.balance_test/1`, indented, with a line end.
pub fn tested(tested: &Tested) -> String {
    let Tested { test, recordings, passed, outcome } = tested;
    written(&TestView {
        schema: "quietspin.balance_test/1",
        version: VERSION,
        test: *test,
        recordings,
        passed: *passed,
        outcome,
    })
}

/// The next step as a stable word.
pub fn step(next: &Next) -> &'static str {
    match next {
        Next::Spin { .. } => "spin",
        Next::Look(_) => "look",
        Next::Correct { .. } => "correct",
        Next::SpinAgain { .. } => "spin_again",
        Next::Refit { .. } => "refit",
        Next::Hopeless { .. } => "hopeless",
        Next::Done => "done",
    }
}

/// The unbalance of a plane from amplitudes alone, as `quietspin.balance_without_phase/1`, indented, with a line end:
/// its size and its place in degrees from the mark, as the places of the trial mass were counted.
pub fn without_phase(g_mm: f64, deg: f64) -> String {
    written(&WithoutPhaseView {
        schema: "quietspin.balance_without_phase/1",
        version: VERSION,
        heavy_g_mm: g_mm,
        heavy_deg: deg,
    })
}

#[derive(Serialize)]
struct WithoutPhaseView {
    schema: &'static str,
    version: &'static str,
    heavy_g_mm: f64,
    heavy_deg: f64,
}

#[derive(Serialize)]
struct TestView<'a> {
    schema: &'static str,
    version: &'static str,
    test: Test,
    recordings: &'a [String],
    passed: bool,
    outcome: &'a str,
}

#[derive(Serialize)]
struct JobView<'a> {
    schema: &'static str,
    version: &'static str,
    rotor: RotorView<'a>,
    standing: Standing,
    stopped: bool,
    #[serde(skip_serializing_if = "Option::is_none")]
    probability_within: Option<f64>,
    reason: String,
    tolerance: Option<ToleranceView<'a>>,
    unbalance: Vec<UnbalanceView>,
    spins: usize,
    corrections: usize,
    next: NextView,
    notes: Vec<String>,
    metal: Vec<Metal>,
    history: &'a [Event],
    machine_sha256: String,
}

#[derive(Serialize)]
struct RotorView<'a> {
    serial: &'a str,
    stage: Stage,
    rig: &'a str,
    planes: &'a [String],
    sensors: &'a [String],
    balance_rpm: &'a [f64],
    refitted_after: bool,
    /// Sense in which angles count from the mark.
    count: Count,
}

#[derive(Serialize)]
struct ToleranceView<'a> {
    #[serde(flatten)]
    basis: &'a Basis,
    measures: Vec<MeasureView<'a>>,
}

#[derive(Serialize)]
struct MeasureView<'a> {
    name: &'a str,
    unit: &'a str,
    limit: f64,
    #[serde(skip_serializing_if = "Option::is_none")]
    value: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    error: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    probability_within: Option<f64>,
}

#[derive(Serialize)]
struct UnbalanceView {
    plane: String,
    g_mm: f64,
    deg: f64,
    #[serde(skip_serializing_if = "Option::is_none")]
    error_g_mm: Option<f64>,
}

#[derive(Serialize)]
struct NextView {
    step: &'static str,
    told: Vec<String>,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    trial: Vec<Mass>,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    planes: Vec<PlaneView>,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    suspects: Vec<SuspectView>,
    #[serde(skip_serializing_if = "Option::is_none")]
    sigmas: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    likely_corrections: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    likely_spins: Option<f64>,
}

#[derive(Serialize)]
struct PlaneView {
    plane: String,
    leave_alone: bool,
    metal: Vec<Metal>,
    #[serde(skip_serializing_if = "Option::is_none")]
    residual_g_mm: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    residual_error_g_mm: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    undershoot: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    no_plan: Option<String>,
}

#[derive(Serialize)]
struct SuspectView {
    cause: &'static str,
    #[serde(skip_serializing_if = "Option::is_none")]
    event: Option<usize>,
    planes: Vec<String>,
    probability: f64,
    told: String,
}

impl<'a> JobView<'a> {
    fn of(job: &'a Job, folded: &'a Folded, next: &Next) -> Self {
        let rotor = &job.rotor;
        let (standing, reason) = standing_of(job, folded, next);
        Self {
            schema: "quietspin.balance/1",
            version: VERSION,
            rotor: RotorView::of(rotor, folded),
            standing,
            stopped: folded.alarm.is_some(),
            probability_within: folded.verdict.as_ref().and_then(|v| finite(v.chance)),
            reason,
            tolerance: folded.judgement.as_ref().map(|judgement| ToleranceView {
                basis: &judgement.basis,
                measures: measures(folded),
            }),
            unbalance: unbalances(rotor, folded),
            spins: folded.spins.len(),
            corrections: folded.corrections.len(),
            next: NextView::of(rotor, folded, next),
            notes: words::notes(folded),
            metal: folded.metal.clone(),
            history: &job.events,
            machine_sha256: crate::machine::parse::sha256(&folded.machine),
        }
    }
}

impl<'a> RotorView<'a> {
    fn of(rotor: &'a Rotor, folded: &Folded) -> Self {
        Self {
            serial: &rotor.serial,
            stage: rotor.stage,
            rig: &rotor.rig,
            planes: &rotor.planes,
            sensors: &rotor.sensors,
            balance_rpm: &rotor.balance_rpm,
            refitted_after: rotor.refitted_after,
            count: folded.machine.convention.count,
        }
    }
}

fn measures(folded: &Folded) -> Vec<MeasureView<'_>> {
    let Some(judgement) = &folded.judgement else { return Vec::new() };
    let judged = |m: usize| folded.verdict.as_ref().and_then(|verdict| verdict.judged.get(m));
    (judgement.measures.iter().enumerate())
        .map(|(m, measure)| MeasureView {
            name: &measure.name,
            unit: &measure.unit,
            limit: measure.limit,
            value: judged(m).and_then(|j| finite(j.value)),
            error: judged(m).and_then(|j| finite(j.error)),
            probability_within: judged(m).and_then(|j| finite(j.chance)),
        })
        .collect()
}

fn unbalances(rotor: &Rotor, folded: &Folded) -> Vec<UnbalanceView> {
    let Ok(posterior) = &folded.posterior else { return Vec::new() };
    let errors = posterior.now.deviations();
    (rotor.planes.iter().enumerate())
        .map(|(p, plane)| {
            let Mass { plane, g_mm, deg } = mass_of(plane, posterior.now.mean[p], &folded.machine);
            UnbalanceView { plane, g_mm, deg, error_g_mm: finite(errors[p]) }
        })
        .collect()
}

impl NextView {
    fn of(rotor: &Rotor, folded: &Folded, next: &Next) -> Self {
        let likely = match next {
            Next::Correct { forecast, .. }
            | Next::SpinAgain { forecast, .. }
            | Next::Spin { ahead: Ahead::ToPass(forecast), .. } => Some(forecast),
            _ => None,
        };
        let planes = match next {
            Next::Correct { planes, .. } => planes.iter().map(PlaneView::of).collect(),
            _ => Vec::new(),
        };
        let (suspects, sigmas) = match next {
            Next::Look(alarm) => {
                let all = alarm.suspects.iter().map(|suspect| SuspectView {
                    cause: suspect.cause.word(),
                    event: suspect.change.and_then(|change| folded.event_of(change)),
                    planes: suspect.planes.iter().map(|&p| rotor.planes[p].clone()).collect(),
                    probability: suspect.probability,
                    told: words::suspected(rotor, folded, suspect),
                });
                (all.collect(), finite(alarm.sigmas))
            }
            _ => (Vec::new(), None),
        };
        let trial = match next {
            Next::Spin { trial, .. } => trial.clone(),
            _ => Vec::new(),
        };
        Self {
            step: step(next),
            told: words::next(rotor, folded, next),
            trial,
            planes,
            suspects,
            sigmas,
            likely_corrections: likely.and_then(|l| finite(l.corrections)),
            likely_spins: likely.and_then(|l| finite(l.spins)),
        }
    }
}

impl PlaneView {
    fn of(plane: &PlanePlan) -> Self {
        let done = plane.plan.as_ref().and_then(|plan| plan.as_ref().ok());
        Self {
            plane: plane.plane.clone(),
            leave_alone: plane.plan.is_none(),
            metal: plane.metal.clone(),
            residual_g_mm: done.and_then(|plan| finite(plan.residual.norm())),
            residual_error_g_mm: done.and_then(|plan| finite(plan.residual_spread_g_mm)),
            undershoot: done.and_then(|plan| finite(plan.undershoot)),
            no_plan: plane.plan.as_ref().and_then(|plan| plan.as_ref().err().cloned()),
        }
    }
}
