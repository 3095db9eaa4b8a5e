//! Results as JSON for programs: the only place where the schemas are made.
//!
//! Within a major number of a schema keys are only added. Keys carry their units; a number that is not
//! finite is left out with its key. The committed schemas are [`CHECK_SCHEMA`], [`REPORT_SCHEMA`],
//! [`SIMULATE_SCHEMA`], [`SCREEN_SCHEMA`], [`ERROR_SCHEMA`], [`balance::SCHEMA`] and
//! [`balance::TEST_SCHEMA`].

pub mod balance;

use std::collections::BTreeMap;

use serde::Serialize;

use crate::case::{Decision, InZone, Level};
use crate::diagnose::{ChannelSummary, Diagnosis, Finding, SpeedSummary, Verdict};
use crate::error::Error;
use crate::fitness::{Affects, Check, Fit};
use crate::machine::{Zone, ZoneClass};
use crate::report::screening::Screened;
use crate::screen::{Outcome, rank};
use crate::signature::weigh::HoldsFor;
use crate::signature::{Evidence, Kind, Severity};
use crate::speed::SpeedAlternative;

/// JSON Schema (draft 2020-12) of `quietspin.check/1`, made by [`check`].
pub const CHECK_SCHEMA: &str = include_str!("check.schema.json");
/// JSON Schema (draft 2020-12) of `quietspin.report/1`, made by [`reported`].
pub const REPORT_SCHEMA: &str = include_str!("report.schema.json");
/// JSON Schema (draft 2020-12) of `quietspin.simulate/1`, made by [`simulated`].
pub const SIMULATE_SCHEMA: &str = include_str!("simulate.schema.json");
/// JSON Schema (draft 2020-12) of `quietspin.screen/1`, made by [`screened`].
pub const SCREEN_SCHEMA: &str = include_str!("screen.schema.json");
/// JSON Schema (draft 2020-12) of `quietspin.error/1`, made by [`error`] and [`usage_error`].
pub const ERROR_SCHEMA: &str = include_str!("error.schema.json");

/// A diagnosis as `quietspin.check/1`, indented, with a line end.
pub fn check(diagnosis: &Diagnosis) -> String {
    written(&CheckView::of(diagnosis))
}

/// The files that a simulation wrote, as `quietspin.simulate/1`, indented, with a line end.
pub fn simulated(files: &SimulatedFiles) -> String {
    written(&SimulatedView { schema: "quietspin.simulate/1", version: VERSION, files })
}

/// What a screen did and found as `quietspin.screen/1`, indented, with a line end; its recordings worst
/// first.
pub fn screened(screened: &Screened) -> String {
    written(&ScreenView::of(screened))
}

/// An error as `quietspin.error/1`, indented, with a line end.
pub fn error(error: &Error) -> String {
    written(&ErrorView::of(error))
}

/// A command line that cannot be understood, as `quietspin.error/1` of kind `usage`.
pub fn usage_error(message: &str) -> String {
    written(&ErrorView::plain("usage", message.to_owned()))
}

/// The files that a simulation wrote.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct SimulatedFiles {
    /// Path of the recording.
    pub recording: String,
    /// Path of the machine file.
    pub machine: String,
    /// Path of the truth.
    pub truth: String,
    /// The seed that makes the same files again.
    pub seed: u64,
}

/// The page that was written for a recording, as `quietspin.report/1`, indented, with a line end. `page` is
/// its path.
pub fn reported(page: &str, diagnosis: &Diagnosis) -> String {
    let Diagnosis { verdict, reason, .. } = diagnosis;
    let view = ReportedView {
        schema: "quietspin.report/1",
        version: VERSION,
        page,
        verdict: *verdict,
        reason,
    };
    written(&view)
}

/// What [`reported`] tells.
#[derive(Serialize)]
struct ReportedView<'a> {
    schema: &'static str,
    version: &'static str,
    page: &'a str,
    verdict: Verdict,
    reason: &'a str,
}

const VERSION: &str = env!("CARGO_PKG_VERSION");

fn written(view: &impl Serialize) -> String {
    // these views have string keys and finite numbers only, which always can be written
    let text = serde_json::to_string_pretty(view).unwrap_or_default();
    let mut safe = String::with_capacity(text.len() + 1);
    for c in text.chars() {
        // control characters above ASCII stand in strings only; a terminal might obey them
        if c.is_control() && c != '\n' {
            safe.push_str(&format!("\\u{:04x}", u32::from(c)));
        } else {
            safe.push(c);
        }
    }
    safe.push('\n');
    safe
}

/// A number to be written, or `None` where there is none that JSON could hold.
fn finite(value: f64) -> Option<f64> {
    value.is_finite().then_some(value)
}

/// A relative uncertainty in percent.
fn in_percent(relative: f64) -> Option<f64> {
    finite(100.0 * relative)
}

#[derive(Serialize)]
struct CheckView<'a> {
    schema: &'static str,
    version: &'static str,
    verdict: Verdict,
    reason: &'a str,
    recording: RecordingView<'a>,
    machine: MachineView<'a>,
    fitness: Vec<FitnessView<'a>>,
    speed: Option<SpeedView<'a>>,
    levels: Vec<LevelView<'a>>,
    findings: Vec<FindingView<'a>>,
    considered: Vec<FindingView<'a>>,
    notes: &'a [String],
    suggestions: &'a [String],
}

impl<'a> CheckView<'a> {
    fn of(diagnosis: &'a Diagnosis) -> Self {
        Self {
            schema: "quietspin.check/1",
            version: VERSION,
            verdict: diagnosis.verdict,
            reason: &diagnosis.reason,
            recording: RecordingView {
                name: &diagnosis.recording,
                sha256: diagnosis.sha256.as_deref(),
                duration_s: finite(diagnosis.duration_s),
                channels: diagnosis.channels.iter().map(ChannelView::of).collect(),
            },
            machine: MachineView {
                given: diagnosis.machine_given,
                sha256: &diagnosis.machine_sha256,
            },
            fitness: diagnosis.fitness.iter().map(FitnessView::of).collect(),
            speed: diagnosis.speed.as_ref().map(SpeedView::of),
            levels: diagnosis.levels.iter().map(LevelView::of).collect(),
            findings: diagnosis.findings.iter().map(FindingView::of).collect(),
            considered: diagnosis.considered.iter().map(FindingView::of).collect(),
            notes: &diagnosis.notes,
            suggestions: &diagnosis.suggestions,
        }
    }
}

#[derive(Serialize)]
struct RecordingView<'a> {
    name: &'a str,
    sha256: Option<&'a str>,
    #[serde(skip_serializing_if = "Option::is_none")]
    duration_s: Option<f64>,
    channels: Vec<ChannelView<'a>>,
}

#[derive(Serialize)]
struct ChannelView<'a> {
    name: &'a str,
    role: &'a str,
    unit: &'a str,
    #[serde(skip_serializing_if = "Option::is_none")]
    rate_hz: Option<f64>,
    calibrated: bool,
}

impl<'a> ChannelView<'a> {
    fn of(channel: &'a ChannelSummary) -> Self {
        Self {
            name: &channel.name,
            role: &channel.role,
            unit: &channel.unit,
            rate_hz: finite(channel.rate_hz),
            calibrated: channel.calibrated,
        }
    }
}

#[derive(Serialize)]
struct MachineView<'a> {
    given: bool,
    sha256: &'a str,
}

#[derive(Serialize)]
struct FitnessView<'a> {
    id: &'a str,
    channel: Option<&'a str>,
    fit: Fit,
    #[serde(skip_serializing_if = "Option::is_none")]
    value: Option<f64>,
    unit: &'a str,
    found: &'a str,
    consequence: &'a str,
    affects: &'a [Affects],
}

impl<'a> FitnessView<'a> {
    fn of(check: &'a Check) -> Self {
        Self {
            id: &check.id,
            channel: check.channel.as_deref(),
            fit: check.fit,
            value: check.value.and_then(finite),
            unit: &check.unit,
            found: &check.found,
            consequence: &check.consequence,
            affects: &check.affects,
        }
    }
}

#[derive(Serialize)]
struct SpeedView<'a> {
    source: &'static str,
    #[serde(skip_serializing_if = "Option::is_none")]
    min_rpm: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    max_rpm: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    error_percent: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    turns: Option<f64>,
    repaired_pulses: u64,
    alternatives: Vec<AlternativeView<'a>>,
    notes: &'a [String],
}

impl<'a> SpeedView<'a> {
    fn of(speed: &'a SpeedSummary) -> Self {
        Self {
            source: speed.source.word(),
            min_rpm: finite(speed.min_rpm),
            max_rpm: finite(speed.max_rpm),
            error_percent: finite(speed.error_percent),
            turns: finite(speed.turns),
            repaired_pulses: speed.repaired,
            alternatives: speed.alternatives.iter().map(AlternativeView::of).collect(),
            notes: &speed.notes,
        }
    }
}

#[derive(Serialize)]
struct AlternativeView<'a> {
    #[serde(skip_serializing_if = "Option::is_none")]
    factor: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    probability: Option<f64>,
    reason: &'a str,
}

impl<'a> AlternativeView<'a> {
    fn of(other: &'a SpeedAlternative) -> Self {
        Self {
            factor: finite(other.factor),
            probability: finite(other.probability),
            reason: &other.reason,
        }
    }
}

#[derive(Serialize)]
struct LevelView<'a> {
    channel: &'a str,
    id: &'a str,
    name: &'a str,
    #[serde(skip_serializing_if = "Option::is_none")]
    value: Option<f64>,
    unit: &'a str,
    #[serde(skip_serializing_if = "Option::is_none")]
    band_hz: Option<[f64; 2]>,
    #[serde(skip_serializing_if = "Option::is_none")]
    at_rpm: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    uncertainty_percent: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    limit: Option<f64>,
    decision: Decision,
    #[serde(skip_serializing_if = "Option::is_none")]
    zone: Option<ZoneView>,
}

#[derive(Serialize)]
struct ZoneView {
    zone: Zone,
    #[serde(skip_serializing_if = "Option::is_none")]
    or: Option<Zone>,
    class: ZoneClass,
    boundaries_mm_s_rms: [f64; 3],
    in_scope: bool,
}

impl ZoneView {
    fn of(zone: &InZone) -> Self {
        Self {
            zone: zone.zone,
            or: zone.or,
            class: zone.class,
            boundaries_mm_s_rms: zone.class.boundaries_mm_s_rms(),
            in_scope: zone.in_scope,
        }
    }
}

impl<'a> LevelView<'a> {
    fn of(level: &'a Level) -> Self {
        Self {
            channel: &level.channel,
            id: &level.id,
            name: &level.name,
            value: finite(level.value),
            unit: &level.unit,
            band_hz: level.band_hz.filter(|band| band.iter().all(|hz| hz.is_finite())),
            at_rpm: level.at_rpm.and_then(finite),
            uncertainty_percent: in_percent(level.uncertainty),
            limit: level.limit.and_then(finite),
            decision: level.decision,
            zone: level.zone.as_ref().map(ZoneView::of),
        }
    }
}

#[derive(Serialize)]
struct FindingView<'a> {
    fault: &'a str,
    title: &'a str,
    kind: Kind,
    place: Option<&'a str>,
    #[serde(skip_serializing_if = "Option::is_none")]
    confidence: Option<f64>,
    severity: Option<SeverityView<'a>>,
    evidence: Vec<EvidenceView<'a>>,
    advice: &'a str,
    remark: Option<&'a str>,
    rests_on: String,
    #[serde(skip_serializing_if = "Option::is_none")]
    prevalence_percent: Option<f64>,
    source: &'a str,
}

impl<'a> FindingView<'a> {
    fn of(finding: &'a Finding) -> Self {
        Self {
            fault: &finding.fault,
            title: &finding.title,
            kind: finding.kind,
            place: finding.place.as_deref(),
            confidence: finite(finding.confidence),
            severity: finding.severity.as_ref().map(SeverityView::of),
            evidence: finding.evidence.iter().map(EvidenceView::of).collect(),
            advice: &finding.advice,
            remark: finding.remark.as_deref(),
            rests_on: HoldsFor::words(finding.holds_for),
            prevalence_percent: finding.holds_for.map(|machines| 100.0 * machines.prevalence),
            source: &finding.source,
        }
    }
}

#[derive(Serialize)]
struct SeverityView<'a> {
    #[serde(skip_serializing_if = "Option::is_none")]
    ratio: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    uncertainty_percent: Option<f64>,
    limit: &'a str,
}

impl<'a> SeverityView<'a> {
    fn of(severity: &'a Severity) -> Self {
        Self {
            ratio: finite(severity.ratio),
            uncertainty_percent: in_percent(severity.uncertainty),
            limit: &severity.limit,
        }
    }
}

#[derive(Serialize)]
struct EvidenceView<'a> {
    key: &'a str,
    #[serde(skip_serializing_if = "Option::is_none")]
    value: Option<f64>,
    unit: &'a str,
    text: &'a str,
}

impl<'a> EvidenceView<'a> {
    fn of(evidence: &'a Evidence) -> Self {
        Self {
            key: &evidence.key,
            value: finite(evidence.value),
            unit: &evidence.unit,
            text: &evidence.text,
        }
    }
}

#[derive(Serialize)]
struct SimulatedView<'a> {
    schema: &'static str,
    version: &'static str,
    #[serde(flatten)]
    files: &'a SimulatedFiles,
}

#[derive(Serialize)]
struct ScreenView<'a> {
    schema: &'static str,
    version: &'static str,
    journal: String,
    table: Option<String>,
    judged_now: usize,
    judged_before: usize,
    #[serde(skip_serializing_if = "Option::is_none")]
    seconds: Option<f64>,
    counts: BTreeMap<&'static str, usize>,
    recordings: Vec<ScreenedView<'a>>,
}

#[derive(Serialize)]
struct ScreenedView<'a> {
    path: &'a str,
    serial: Option<&'a str>,
    date: Option<&'a str>,
    verdict: Outcome,
    reason: &'a str,
    #[serde(skip_serializing_if = "Option::is_none")]
    worst_ratio: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    of_median: Option<f64>,
    error: Option<&'a str>,
}

impl<'a> ScreenView<'a> {
    fn of(screened: &Screened<'a>) -> Self {
        let rows = screened.rows;
        let of_median = rank::of_median(rows);
        let view = |at: usize| {
            let row = rows.get(at)?;
            Some(ScreenedView {
                path: &row.key.path,
                serial: row.serial.as_deref(),
                date: row.date.as_deref(),
                verdict: row.outcome,
                reason: &row.reason,
                worst_ratio: row.worst.as_ref().and_then(|worst| finite(worst.ratio)),
                of_median: of_median.get(at).copied().flatten(),
                error: row.error.as_deref(),
            })
        };
        Self {
            schema: "quietspin.screen/1",
            version: VERSION,
            journal: screened.journal.to_string_lossy().into_owned(),
            table: screened.table.map(|path| path.to_string_lossy().into_owned()),
            judged_now: screened.judged,
            judged_before: rows.len().saturating_sub(screened.judged),
            seconds: finite(screened.seconds),
            counts: screened.counts().map(|(outcome, count)| (outcome.word(), count)).into(),
            recordings: rank::worst_first(rows).into_iter().filter_map(view).collect(),
        }
    }
}

#[derive(Serialize)]
struct ErrorView<'a> {
    schema: &'static str,
    version: &'static str,
    error: ErrorBody<'a>,
}

#[derive(Serialize)]
struct ErrorBody<'a> {
    kind: &'static str,
    message: String,
    #[serde(skip_serializing_if = "Option::is_none")]
    path: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    place: Option<&'a str>,
    #[serde(skip_serializing_if = "Option::is_none")]
    setting: Option<&'a str>,
    #[serde(skip_serializing_if = "Option::is_none")]
    problem: Option<&'a str>,
    #[serde(skip_serializing_if = "Option::is_none")]
    mend: Option<&'a str>,
}

impl<'a> ErrorView<'a> {
    fn plain(kind: &'static str, message: String) -> Self {
        let error = ErrorBody {
            kind,
            message,
            path: None,
            place: None,
            setting: None,
            problem: None,
            mend: None,
        };
        Self { schema: "quietspin.error/1", version: VERSION, error }
    }

    fn of(error: &'a Error) -> Self {
        let mut view = Self::plain(error.kind(), error.to_string());
        match error {
            Error::Input { path, place, problem, mend } => {
                view.error.path = Some(path.display().to_string());
                view.error.place = (!place.is_empty()).then_some(place.as_str());
                view.error.problem = Some(problem);
                view.error.mend = Some(mend);
            }
            Error::Io { path, .. } => view.error.path = Some(path.display().to_string()),
            Error::Setting { name, problem, mend } => {
                view.error.setting = Some(name);
                view.error.problem = Some(problem);
                view.error.mend = Some(mend);
            }
            Error::Numerical { problem, .. } => view.error.problem = Some(problem),
            Error::TooLittle { .. } | Error::Stopped | Error::Bug(_) => {}
        }
        view
    }
}
