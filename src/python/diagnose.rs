//! Diagnosis in Python.

use std::ffi::OsString;
use std::io::Write;

use pyo3::prelude::*;
use serde::{Deserialize, Serialize};

use super::convert::{compute, compute_interruptibly, pickles, plain, word};
use super::html;
use super::recording::PyRecording;
use crate::case::Level;
use crate::diagnose::{self as core, Diagnosis, Finding};
use crate::figure::{self, Figure};
use crate::fitness::{Check, Fit};
use crate::progress::Silent;
use crate::report;
use crate::signature::weigh::{self, HoldsFor};
use crate::signature::{ALL, Evidence, Signature};
use crate::spectrum::tap;

/// Diagnose a recording: verdict, findings with evidence, and what was considered.
///
/// Parameters
/// ----------
/// recording : Recording
///     With its machine file, if there is one.
/// rpm : float, optional
///     A constant speed that you know, in rpm.
/// range_rpm : tuple of float, optional
///     Lowest and highest speed in rpm, for a search without pulses.
/// tap : Recording, optional
///     Taps on the machine at standstill, by the same sensors: critical speeds that ring there too are told
///     apart. Channels of the same name are compared, so read it with the run's machine file where its own
///     names differ; taps that are clipped or cut short are left out, and
///     ``notes`` says so, and where they are too few, too close together, or not felt by a channel.
///
/// Returns
/// -------
/// Diagnosis
///
/// Raises
/// ------
/// ValueError
///     Where nothing in the recording can be judged, or what is stated is no speed, or the recording of taps holds
///     none, only ones clipped or cut short, or a turning shaft. An unfit recording is no error.
#[pyfunction]
#[pyo3(signature = (recording, *, rpm = None, range_rpm = None, tap = None))]
pub(super) fn diagnose(
    py: Python<'_>,
    recording: Py<PyRecording>,
    rpm: Option<f64>,
    range_rpm: Option<(f64, f64)>,
    tap: Option<Py<PyRecording>>,
) -> PyResult<PyDiagnosis> {
    let recording = recording.get();
    let machine = recording.machine_for(rpm, range_rpm)?;
    let (recording, given) = (recording.inner.clone(), recording.machine_given);
    let tap = tap.map(|tap| tap.get().inner.clone());
    compute_interruptibly(py, "diagnosis", move |progress| {
        let taps = tap.as_ref().map_or(Ok(Vec::new()), tap::ringing)?;
        let (case, inner) = core::diagnose_with_taps(&recording, &machine, given, taps, progress)?;
        // pictures are made while the case is there: afterwards only they are kept, not the samples
        let overview = figure::overview(&case, &inner);
        let evidence = inner.findings.iter().map(|found| figure::evidence(&case, found)).collect();
        let lower = inner.considered.iter();
        let considered = lower.map(|one| figure::of_considered(&case, one)).collect();
        Ok(PyDiagnosis { inner, overview, evidence, considered })
    })
}

/// Raw log-odds before calibration: signature id, basis, log-odds and calibrated confidence of every
/// score. For fitting the calibration; use ``diagnose`` for anything else.
///
/// Parameters
/// ----------
/// recording : Recording
///     With its machine file.
/// coupling : bool, optional
///     Overrides the machine file's statement about a coupling.
#[pyfunction]
#[pyo3(signature = (recording, *, coupling = None))]
pub(super) fn raw_scores(
    py: Python<'_>,
    recording: Py<PyRecording>,
    coupling: Option<bool>,
) -> PyResult<Vec<(&'static str, &'static str, f64, f64)>> {
    let recording = recording.get();
    compute(py, || {
        let mut machine = recording.machine.clone();
        machine.shaft.coupling = coupling.or(machine.shaft.coupling);
        let (case, _) = core::prepared(&recording.inner, &machine, &mut Silent)?;
        let weighed = weigh::weigh(&case).weighed.into_iter();
        Ok(weighed
            .filter(|item| item.score.cannot_tell.is_none())
            .map(|w| (w.signature.id, w.score.basis, w.score.log_odds, w.confidence))
            .collect())
    })
}

/// Every signature's id, and the ids of its rivals, which count against it. For fitting the calibration.
#[pyfunction]
pub(super) fn rivals() -> Vec<(&'static str, Vec<&'static str>)> {
    let of =
        |signature: &&'static Signature| signature.rivals.iter().map(|rival| rival.id).collect();
    ALL.iter().map(|signature| (signature.id, of(signature))).collect()
}

/// Run the command line on arguments (the first is the command's name); returns the exit status.
#[pyfunction]
pub(super) fn run_cli(py: Python<'_>, arguments: Vec<OsString>) -> i32 {
    py.detach(|| {
        let status = crate::cli::run(arguments);
        // a reader that has gone away is no failure of the command
        let _ = std::io::stdout().flush();
        i32::from(status)
    })
}

/// What a recording says about a machine.
#[derive(Serialize, Deserialize)]
#[pyclass(frozen, name = "Diagnosis", module = "quietspin._core")]
pub(super) struct PyDiagnosis {
    pub(super) inner: Diagnosis,
    pub(super) overview: Figure,
    /// The picture of each finding, where it has one.
    evidence: Vec<Option<Figure>>,
    /// The same of what was considered.
    considered: Vec<Option<Figure>>,
}

#[pymethods]
impl PyDiagnosis {
    /// accept, investigate, reject or no_verdict.
    #[getter]
    fn verdict(&self) -> String {
        word(&self.inner.verdict)
    }

    /// Why, in one sentence.
    #[getter]
    fn reason(&self) -> &str {
        &self.inner.reason
    }

    /// Name of the recording.
    #[getter]
    fn recording(&self) -> &str {
        &self.inner.recording
    }

    /// Findings at 50 % or more, most important first.
    #[getter]
    fn findings(&self) -> Vec<PyFinding> {
        let findings = self.inner.findings.iter().cloned().zip(self.evidence.iter().cloned());
        findings.map(|(inner, picture)| PyFinding { inner, picture }).collect()
    }

    /// What else was considered, most probable first; from 10 % on with its picture.
    #[getter]
    fn considered(&self) -> Vec<PyFinding> {
        let considered = self.inner.considered.iter().cloned().zip(self.considered.iter().cloned());
        considered.map(|(inner, picture)| PyFinding { inner, picture }).collect()
    }

    /// Fitness checks, what restricts the recording first.
    #[getter]
    fn fitness(&self) -> Vec<PyCheck> {
        self.inner.fitness.iter().cloned().map(|inner| PyCheck { inner }).collect()
    }

    /// Levels with their limits.
    #[getter]
    fn levels(&self) -> Vec<PyLevel> {
        self.inner.levels.iter().cloned().map(|inner| PyLevel { inner }).collect()
    }

    /// The speed in brief, as plain Python objects; None where there is none.
    #[getter]
    fn speed<'py>(&self, py: Python<'py>) -> PyResult<Option<Bound<'py, PyAny>>> {
        self.inner.speed.as_ref().map(|speed| plain(py, speed)).transpose()
    }

    /// What was guessed, repaired or left out, a sentence each.
    #[getter]
    fn notes(&self) -> Vec<String> {
        self.inner.notes.clone()
    }

    /// What to add to the machine file, and what for, a sentence each.
    #[getter]
    fn suggestions(&self) -> Vec<String> {
        self.inner.suggestions.clone()
    }

    /// The same as ``quietspin check --json``, as plain Python objects.
    fn to_dict<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyAny>> {
        py.import("json")?.call_method1("loads", (report::json::check(&self.inner),))
    }

    fn _repr_html_(&self) -> String {
        let title = format!("{}: {}", self.inner.recording, self.inner.verdict.word());
        let all = self.inner.findings.iter().chain(&self.inner.considered);
        let rows: Vec<Vec<String>> = all.map(|found| html_row(found).to_vec()).collect();
        let mut said = vec![self.inner.reason.clone()];
        let restricting = self.inner.fitness.iter().filter(|check| check.fit != Fit::Good);
        said.extend(restricting.map(|check| format!("{}: {}", check.found, check.consequence)));
        said.extend(self.inner.notes.iter().chain(&self.inner.suggestions).cloned());
        html::grid(&title, &["fault", "place", "probability", "why"], &rows)
            + &html::sentences(&said)
    }

    fn __str__(&self) -> String {
        report::text::check(&self.inner, report::Style { colour: false, unicode: true, width: 80 })
    }

    fn __repr__(&self) -> String {
        format!("<Diagnosis of {}: {}>", self.inner.recording, self.verdict())
    }
}

pickles!(PyDiagnosis);

/// One fault or observation with its probability.
#[derive(Serialize, Deserialize)]
#[pyclass(frozen, name = "Finding", module = "quietspin._core")]
pub(super) struct PyFinding {
    pub(super) inner: Finding,
    pub(super) picture: Option<Figure>,
}

#[pymethods]
impl PyFinding {
    /// Stable id: imbalance, bearing_outer, ...
    #[getter]
    fn fault(&self) -> &str {
        &self.inner.fault
    }

    /// Name in running text.
    #[getter]
    fn title(&self) -> &str {
        &self.inner.title
    }

    /// fault or observation.
    #[getter]
    fn kind(&self) -> String {
        word(&self.inner.kind)
    }

    /// Bearing or channel; None for the machine as a whole.
    #[getter]
    fn place(&self) -> Option<&str> {
        self.inner.place.as_deref()
    }

    /// Probability that it is present, 0 to 1; nan where it cannot be told.
    #[getter]
    fn confidence(&self) -> f64 {
        self.inner.confidence
    }

    /// Value over the limit that was checked; None where no limit is given.
    #[getter]
    fn severity(&self) -> Option<f64> {
        self.inner.severity.as_ref().map(|severity| severity.ratio)
    }

    /// The evidence, most telling first.
    #[getter]
    fn evidence(&self) -> Vec<PyEvidence> {
        self.inner.evidence.iter().cloned().map(|inner| PyEvidence { inner }).collect()
    }

    /// What to do next.
    #[getter]
    fn advice(&self) -> &str {
        &self.inner.advice
    }

    /// Why it was put lower or cannot be told; None where nothing speaks against it.
    #[getter]
    fn remark(&self) -> Option<&str> {
        self.inner.remark.as_deref()
    }

    /// What the confidence rests on, in words: the simulated rotors that it was fitted on, and the share of
    /// machines with the fault.
    #[getter]
    fn rests_on(&self) -> String {
        HoldsFor::words(self.inner.holds_for)
    }

    /// Share of machines with it, 0 to 1, among those that the confidence holds for; None without calibration.
    #[getter]
    fn prevalence(&self) -> Option<f64> {
        self.inner.holds_for.map(|machines| machines.prevalence)
    }

    /// Where the signature is published.
    #[getter]
    fn source(&self) -> &str {
        &self.inner.source
    }

    /// Everything as plain Python objects.
    fn to_dict<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyAny>> {
        plain(py, &self.inner)
    }

    fn _repr_html_(&self) -> String {
        let [title, place, probability, _] = html_row(&self.inner);
        let mut rows = vec![("place", place), ("probability", probability)];
        rows.extend(self.inner.evidence.iter().map(|e| ("evidence", e.text.clone())));
        rows.extend(self.inner.remark.iter().map(|remark| ("remark", remark.clone())));
        rows.push(("next", self.inner.advice.clone()));
        rows.push(("probability is", HoldsFor::words(self.inner.holds_for)));
        rows.push(("source", self.inner.source.clone()));
        html::table(&title, &rows)
    }

    fn __repr__(&self) -> String {
        let place = self.inner.place.as_deref().map_or(String::new(), |p| format!(" at {p}"));
        format!("<Finding {}{place}: {:.0} %>", self.inner.fault, 100.0 * self.inner.confidence)
    }
}

pickles!(PyFinding);

/// A finding in a table: fault, place, probability, first evidence.
fn html_row(finding: &Finding) -> [String; 4] {
    // rounded down, so that no probability reaches a threshold that it does not
    let probability = match (100.0 * finding.confidence).floor() {
        percent if percent.is_finite() => format!("{percent:.0} %"),
        _ => "cannot tell".to_owned(),
    };
    let evidence = finding.evidence.first().map(|evidence| evidence.text.clone());
    [
        finding.title.clone(),
        finding.place.clone().unwrap_or_default(),
        probability,
        finding.remark.clone().or(evidence).unwrap_or_default(),
    ]
}

/// One piece of evidence.
#[derive(Serialize, Deserialize)]
#[pyclass(frozen, name = "Evidence", module = "quietspin._core")]
pub(super) struct PyEvidence {
    inner: Evidence,
}

#[pymethods]
impl PyEvidence {
    /// Stable key, with the unit in its name where it has one.
    #[getter]
    fn key(&self) -> &str {
        &self.inner.key
    }

    /// The number.
    #[getter]
    fn value(&self) -> f64 {
        self.inner.value
    }

    /// Its unit; empty for ratios and counts.
    #[getter]
    fn unit(&self) -> &str {
        &self.inner.unit
    }

    /// The sentence that explains it.
    #[getter]
    fn text(&self) -> &str {
        &self.inner.text
    }

    /// Everything as plain Python objects.
    fn to_dict<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyAny>> {
        plain(py, &self.inner)
    }

    fn __repr__(&self) -> String {
        format!("<Evidence {}: {}>", self.inner.key, self.inner.text)
    }
}

pickles!(PyEvidence);

/// One fitness check.
#[derive(Serialize, Deserialize)]
#[pyclass(frozen, name = "Check", module = "quietspin._core")]
pub(super) struct PyCheck {
    inner: Check,
}

#[pymethods]
impl PyCheck {
    /// Stable id: clipping, dropout, silence, ...
    #[getter]
    fn id(&self) -> &str {
        &self.inner.id
    }

    /// The channel concerned; None for the recording as a whole.
    #[getter]
    fn channel(&self) -> Option<&str> {
        self.inner.channel.as_deref()
    }

    /// good, limited or unfit.
    #[getter]
    fn fit(&self) -> String {
        word(&self.inner.fit)
    }

    /// The number found, in ``unit``.
    #[getter]
    fn value(&self) -> Option<f64> {
        self.inner.value
    }

    /// Unit of the number.
    #[getter]
    fn unit(&self) -> &str {
        &self.inner.unit
    }

    /// What was found.
    #[getter]
    fn found(&self) -> &str {
        &self.inner.found
    }

    /// What follows from it.
    #[getter]
    fn consequence(&self) -> &str {
        &self.inner.consequence
    }

    /// What is touched by it: levels, speed, phase, bearings or acceptance.
    #[getter]
    fn affects(&self) -> Vec<String> {
        self.inner.affects.iter().map(word).collect()
    }

    /// Everything as plain Python objects.
    fn to_dict<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyAny>> {
        plain(py, &self.inner)
    }

    fn __repr__(&self) -> String {
        format!("<Check {}: {}>", self.inner.id, self.fit())
    }
}

pickles!(PyCheck);

/// A level of one channel, with the limit it was held against.
#[derive(Serialize, Deserialize)]
#[pyclass(frozen, name = "Level", module = "quietspin._core")]
pub(super) struct PyLevel {
    inner: Level,
}

#[pymethods]
impl PyLevel {
    /// The channel.
    #[getter]
    fn channel(&self) -> &str {
        &self.inner.channel
    }

    /// Stable id: overall_velocity, order1_velocity, crest_factor, ...
    #[getter]
    fn id(&self) -> &str {
        &self.inner.id
    }

    /// Name in running text.
    #[getter]
    fn name(&self) -> &str {
        &self.inner.name
    }

    /// The value, in ``unit``.
    #[getter]
    fn value(&self) -> f64 {
        self.inner.value
    }

    /// Unit with its convention: mm/s rms, g peak, um p-p; empty for ratios.
    #[getter]
    fn unit(&self) -> &str {
        &self.inner.unit
    }

    /// Relative standard uncertainty of the value.
    #[getter]
    fn uncertainty(&self) -> f64 {
        self.inner.uncertainty
    }

    /// Band in Hz of an overall level; None for orders.
    #[getter]
    fn band_hz(&self) -> Option<(f64, f64)> {
        self.inner.band_hz.map(|[low, high]| (low, high))
    }

    /// Speed in rpm at which the value was found.
    #[getter]
    fn at_rpm(&self) -> Option<f64> {
        self.inner.at_rpm
    }

    /// The limit in the same unit; None where none is stated.
    #[getter]
    fn limit(&self) -> Option<f64> {
        self.inner.limit
    }

    /// no_limit, within, exceeded or undecided.
    #[getter]
    fn decision(&self) -> String {
        word(&self.inner.decision)
    }

    /// The zone that the value lies in, A to D, for the level zone_velocity of a machine whose file names a class.
    #[getter]
    fn zone(&self) -> Option<&'static str> {
        self.inner.zone.map(|found| found.zone.letter())
    }

    /// Everything as plain Python objects.
    fn to_dict<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyAny>> {
        plain(py, &self.inner)
    }

    fn __repr__(&self) -> String {
        format!(
            "<Level {} at {}: {:.3} {}>",
            self.inner.name, self.inner.channel, self.inner.value, self.inner.unit
        )
    }
}

pickles!(PyLevel);
