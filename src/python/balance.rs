//! Balancing jobs in Python.

use std::path::PathBuf;
use std::sync::{Mutex, MutexGuard, PoisonError};

use pyo3::prelude::*;
use pyo3::types::{PyBytes, PyDict};

use super::convert::{
    MachineLike, Pair, compute_interruptibly, exception, machine_of, pickled, plain, unpickled,
    word,
};
use super::html;
use super::recording::PyRecording;
use crate::balance::job::begin::{begin_like, planes_of, sensors_of};
use crate::balance::job::event::{Mass, Read, Tested, What};
use crate::balance::job::file::{self, JobFile};
use crate::balance::job::fold::Folded;
use crate::balance::job::next::Next;
use crate::balance::job::record::{Done, DrilledHole, SpinFacts};
use crate::balance::job::{Job, Rotor, Stage};
use crate::balance::{no_phase, size_at};
use crate::error::{Error, Result};
use crate::machine::parse;
use crate::progress::Progress;
use crate::recording::Recording;
use crate::recording::read::{ReadOptions, read_with};
use crate::report::{Style, balance, json};

/// A mass or a change at a place: plane, size and angle.
type Place = (String, f64, f64);

/// A balancing job: one rotor, balanced step by step, kept in one TOML file.
///
/// Every step is written to the file at once; ``print(job)`` shows where the rotor stands, what to do next and
/// what is likely still to come. Angles count from the mark as the machine file's ``[convention]`` says.
///
/// Spin only inside rated containment, nobody in the plane of the wheels; a trial mass that comes off is a bullet.
/// The maker's limits, local codes and licensed practice decide.
#[pyclass(frozen, name = "Job", module = "quietspin._core")]
pub(super) struct PyJob {
    path: PathBuf,
    held: Mutex<Held>,
}

/// A job as it was last read.
struct Held {
    job: Job,
    folded: Folded,
    next: Next,
}

impl Held {
    fn of(job: Job) -> Result<Self> {
        let folded = job.folded()?;
        Self::folded(job, folded)
    }

    fn folded(job: Job, folded: Folded) -> Result<Self> {
        let next = folded.next(&job.rotor)?;
        Ok(Self { job, folded, next })
    }
}

/// A recording by path, or read already.
#[derive(FromPyObject)]
enum RecordingLike {
    Recording(Py<PyRecording>),
    Path(PathBuf),
}

/// The same where no interpreter is needed any more.
enum Source {
    Recording(Recording),
    Path(PathBuf),
}

impl RecordingLike {
    fn source(self) -> Source {
        match self {
            Self::Recording(recording) => Source::Recording(recording.get().inner.clone()),
            Self::Path(path) => Source::Path(path),
        }
    }
}

impl Source {
    /// The recording, its channels as the job describes them; one that was read already is taken as it is.
    fn described(self, job: &Job, progress: &mut dyn Progress) -> Result<Recording> {
        match self {
            Self::Recording(recording) => Ok(recording),
            Self::Path(path) => job.described(read_with(&path, &ReadOptions::default(), progress)?),
        }
    }
}

impl PyJob {
    fn read(path: PathBuf) -> Result<Self> {
        let held = Mutex::new(Held::of(file::read(&path)?)?);
        Ok(Self { path, held })
    }

    fn held(&self) -> MutexGuard<'_, Held> {
        self.held.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Does a step on the file, which nobody else can change meanwhile, and holds what it is then.
    fn step<T: Send + 'static>(
        &self,
        py: Python<'_>,
        stage: &str,
        work: impl FnOnce(&mut JobFile, &mut dyn Progress) -> Result<(T, Folded)> + Send + 'static,
    ) -> PyResult<T> {
        let path = self.path.clone();
        let (outcome, held) = compute_interruptibly(py, stage, move |progress| {
            let mut file = JobFile::open(&path)?;
            let (outcome, folded) = work(&mut file, progress)?;
            Ok((outcome, Held::folded(file.job.clone(), folded)?))
        })?;
        *self.held() = held;
        Ok(outcome)
    }
}

fn masses(places: Vec<Place>) -> Vec<Mass> {
    places.into_iter().map(|(plane, g_mm, deg)| Mass { plane, g_mm, deg }).collect()
}

#[pymethods]
impl PyJob {
    /// Begin a job from a machine file.
    ///
    /// Parameters
    /// ----------
    /// path : str or os.PathLike
    ///     The job's file, which must not be there yet.
    /// machine : str, os.PathLike or Machine
    ///     Machine file with pulse, sensors, planes, maker's limits and tolerance.
    /// serial : str
    ///     Serial number, or another name of the rotor.
    /// rpm : float or list of float
    ///     Balancing speeds in rpm; several for one sensor and two planes.
    /// stage : {"assembly", "component", "trim"}
    ///     What is balanced: the assembled rotor, a part on a mandrel, or the rotor in its machine.
    /// rig : str, default ""
    ///     The fixture, by any name: what is learned holds on it alone.
    /// sensors, planes : list of str, optional
    ///     By default all that the machine file describes.
    /// like : list of Job, optional
    ///     Earlier jobs of the same type on the same rig: with them no trial mass is needed.
    /// refitted_after : bool, default False
    ///     Parts are taken off and refitted after balancing: passing then needs three refits.
    /// drilling_percent, drilling_deg : float, default 5 and 2
    ///     How exactly metal is taken away: standard deviations of its amount and angle.
    /// amplitude_dependence_percent : float, default 5
    ///     How far vibration is from proportional to unbalance up to the first spin's.
    ///
    /// Returns
    /// -------
    /// Job
    ///
    /// Raises
    /// ------
    /// ValueError
    ///     Where something is missing without which the job could not end.
    #[staticmethod]
    #[expect(clippy::too_many_arguments, reason = "keywords in Python")]
    #[pyo3(signature = (path, *, machine, serial, rpm, stage = "assembly", rig = "", sensors = None, planes = None, like = Vec::new(), refitted_after = false, drilling_percent = 5.0, drilling_deg = 2.0, amplitude_dependence_percent = 5.0))]
    fn begin(
        path: PathBuf,
        machine: MachineLike,
        serial: String,
        rpm: super::convert::OrderList,
        stage: &str,
        rig: &str,
        sensors: Option<Vec<String>>,
        planes: Option<Vec<String>>,
        like: Vec<Py<Self>>,
        refitted_after: bool,
        drilling_percent: f64,
        drilling_deg: f64,
        amplitude_dependence_percent: f64,
    ) -> PyResult<Self> {
        let (machine, _, _) = machine_of(Some(machine))?;
        let stage: Stage = super::convert::from_word("stage", stage)?;
        let rotor = Rotor {
            serial,
            stage,
            rig: rig.to_owned(),
            planes: planes.unwrap_or_else(|| planes_of(&machine)),
            sensors: sensors.unwrap_or_else(|| sensors_of(&machine)),
            balance_rpm: rpm.0,
            refitted_after,
            drilling_percent,
            drilling_deg,
            amplitude_dependence_percent,
            chain: None,
            of_type: None,
            machine: parse::resolved_toml(&machine),
        };
        let jobs: Vec<Job> = like.iter().map(|job| job.get().held().job.clone()).collect();
        let job = begin_like(rotor, &jobs).map_err(exception)?;
        JobFile::create(&path, &job).map_err(exception)?;
        Ok(Self { path, held: Mutex::new(Held::of(job).map_err(exception)?) })
    }

    /// Open a job.
    ///
    /// Parameters
    /// ----------
    /// path : str or os.PathLike
    ///     The job's file.
    ///
    /// Returns
    /// -------
    /// Job
    ///
    /// Raises
    /// ------
    /// OSError
    ///     Where the file cannot be read.
    /// ValueError
    ///     Where it is no job.
    #[staticmethod]
    fn open(path: PathBuf) -> PyResult<Self> {
        Self::read(path).map_err(exception)
    }

    /// Record a spin: read the 1x vectors of a recording into the job.
    ///
    /// Parameters
    /// ----------
    /// recording : str, os.PathLike or Recording
    ///     The recording, with its pulse; one that was read already is taken as it is.
    /// trial : list of (str, float, float), optional
    ///     Trial masses on the rotor during this spin alone: plane, mass in g times radius in mm, and angle from
    ///     the mark in degrees.
    /// refitted : bool, default False
    ///     Parts were taken off and refitted to their marks before it.
    /// window_s : (float, float), optional
    ///     From and to in seconds, where only a part of the recording is to be read.
    /// note : str, optional
    ///     Conditions, for the certificate.
    ///
    /// Raises
    /// ------
    /// ValueError
    ///     Where the recording cannot carry a balance vector, or the job has stopped.
    #[pyo3(signature = (recording, *, trial = Vec::new(), refitted = false, window_s = None, note = None))]
    fn spin(
        &self,
        py: Python<'_>,
        recording: RecordingLike,
        trial: Vec<Place>,
        refitted: bool,
        window_s: Option<Pair>,
        note: Option<String>,
    ) -> PyResult<()> {
        let source = recording.source();
        let window_s = window_s.map(|Pair(from, to)| [from, to]);
        let facts = SpinFacts { trial: masses(trial), refitted, note, window_s };
        self.step(py, "reading", move |file, progress| {
            let recording = source.described(&file.job, progress)?;
            let (event, chain) = file.job.read_spin(&recording, facts, progress)?;
            file.job.rotor.chain.get_or_insert(chain);
            Ok(((), file.push(event)?))
        })
    }

    /// Tell what was drilled, ground or added; without anything stated, everything as planned.
    ///
    /// Parameters
    /// ----------
    /// holes : list of (str, float, float), optional
    ///     Plane, depth to the tip in mm (of a hole that was made deeper the whole depth), angle in degrees.
    /// taken, added : list of (str, float, float), optional
    ///     Metal taken away in any other way, and mass added for good: plane, g mm, angle in degrees.
    ///
    /// Raises
    /// ------
    /// ValueError
    ///     Where nothing is planned, a plane is not known, or the job has stopped.
    #[pyo3(signature = (*, holes = Vec::new(), taken = Vec::new(), added = Vec::new()))]
    fn drilled(
        &self,
        py: Python<'_>,
        holes: Vec<Place>,
        taken: Vec<Place>,
        added: Vec<Place>,
    ) -> PyResult<()> {
        let hole = |(plane, depth_mm, deg)| DrilledHole { plane, deg, depth_mm };
        let done = if holes.is_empty() && taken.is_empty() && added.is_empty() {
            Done::AsPlanned
        } else {
            Done::Stated {
                holes: holes.into_iter().map(hole).collect(),
                taken: masses(taken),
                added: masses(added),
            }
        };
        self.step(py, "balancing", move |file, _| {
            let event = file.job.corrected(&done)?;
            Ok(((), file.push(event)?))
        })
    }

    /// After a stop, tell what a look at the rotor gave.
    ///
    /// Parameters
    /// ----------
    /// number : int or None
    ///     Number of the cause as ``print(job)`` lists it; None where the reading stands.
    ///
    /// Raises
    /// ------
    /// ValueError
    ///     Where the job has not stopped, or there is no such cause.
    fn found(&self, py: Python<'_>, number: Option<usize>) -> PyResult<()> {
        self.step(py, "balancing", move |file, _| {
            let event = file.job.found(number)?;
            Ok(((), file.push(event)?))
        })
    }

    /// Take back the last step that was written down (metal that is gone stays gone).
    ///
    /// Raises
    /// ------
    /// ValueError
    ///     Where nothing is left to undo.
    fn undo(&self, py: Python<'_>) -> PyResult<()> {
        self.step(py, "balancing", move |file, _| {
            let event = file.job.undone()?;
            Ok(((), file.push(event)?))
        })
    }

    /// Test the set-up: can it balance to what is asked?
    ///
    /// Parameters
    /// ----------
    /// which : {"repeatability", "reduction", "index", "residual"}
    ///     The test.
    /// recordings : list of str, os.PathLike or Recording, optional
    ///     index: as mounted, then with the rotor turned by 180 degrees upon its mandrel; residual: one for each
    ///     place of the mass; none for the others.
    /// plane : str, optional
    ///     residual: the plane of the mass.
    /// mass_g_mm : float, optional
    ///     residual: the mass in g times its radius in mm, ten times the residual that is to be reached.
    ///
    /// Returns
    /// -------
    /// dict
    ///     test, recordings, passed, outcome.
    ///
    /// Raises
    /// ------
    /// ValueError
    ///     Where the job cannot carry the test yet, or recordings are missing.
    #[pyo3(signature = (which, recordings = Vec::new(), *, plane = None, mass_g_mm = None) -> "dict[str, Any]")]
    fn test<'py>(
        &self,
        py: Python<'py>,
        which: &str,
        recordings: Vec<RecordingLike>,
        plane: Option<String>,
        mass_g_mm: Option<f64>,
    ) -> PyResult<Bound<'py, PyAny>> {
        let which = super::convert::from_word("which", which)?;
        let sources: Vec<Source> = recordings.into_iter().map(RecordingLike::source).collect();
        let tested = self.step(py, "reading", move |file, progress| {
            let mut reads: Vec<Vec<Read>> = Vec::new();
            let mut names = Vec::new();
            for source in sources {
                let recording = source.described(&file.job, progress)?;
                names.push(recording.name.clone());
                reads.push(file.job.read(&recording, None, progress)?.0);
            }
            let tested = file.job.test(which, &reads, plane.as_deref(), mass_g_mm)?;
            let tested = Tested { recordings: names, ..tested };
            let folded = file.push(What::Tested(tested.clone()))?;
            Ok((tested, folded))
        })?;
        plain(py, &tested)
    }

    /// Write the certificate: a page of HTML, and the same as JSON beside it.
    ///
    /// Parameters
    /// ----------
    /// path : str or os.PathLike
    ///     The page to write, ending in .html.
    ///
    /// Raises
    /// ------
    /// OSError
    ///     Where it cannot be written.
    /// ValueError
    ///     Where the name is that of something else.
    fn certificate(&self, path: PathBuf) -> PyResult<()> {
        let held = self.held();
        let Held { job, folded, next } = &*held;
        balance::certificate::write(&path, job, folded, next).map_err(exception)?;
        Ok(())
    }

    /// Draw each wheel with its holes into a folder, as pictures and as templates that print 1:1.
    ///
    /// Parameters
    /// ----------
    /// folder : str or os.PathLike
    ///     Where to write them.
    ///
    /// Returns
    /// -------
    /// list of str
    ///     The files written.
    ///
    /// Raises
    /// ------
    /// OSError
    ///     Where they cannot be written.
    fn pictures(&self, folder: PathBuf) -> PyResult<Vec<String>> {
        let held = self.held();
        let files = balance::pictures(&held.job, &held.folded, &held.next, &folder);
        let told = |path: &PathBuf| path.to_string_lossy().into_owned();
        Ok(files.map_err(exception)?.iter().map(told).collect())
    }

    /// Path of the job's file.
    #[getter]
    fn path(&self) -> String {
        self.path.to_string_lossy().into_owned()
    }

    /// Serial number or name of the rotor.
    #[getter]
    fn serial(&self) -> String {
        self.held().job.rotor.serial.clone()
    }

    /// ``"passes"``, ``"fails"`` or ``"cannot_tell"``.
    #[getter]
    fn standing(&self) -> String {
        let held = self.held();
        word(&balance::standing_of(&held.job, &held.folded, &held.next).0)
    }

    /// Why it stands so, a sentence.
    #[getter]
    fn reason(&self) -> String {
        let held = self.held();
        balance::standing_of(&held.job, &held.folded, &held.next).1
    }

    /// Whether the last spin contradicts the record: look at the rotor, then ``found``.
    #[getter]
    fn stopped(&self) -> bool {
        self.held().folded.alarm.is_some()
    }

    /// Probability that everything judged is within its limit, or None.
    #[getter]
    fn probability_within(&self) -> Option<f64> {
        self.held().folded.verdict.as_ref().map(|verdict| verdict.chance)
    }

    /// The next step: ``"spin"``, ``"look"``, ``"correct"``, ``"spin_again"``, ``"refit"``,
    /// ``"hopeless"`` or ``"done"``.
    #[getter]
    fn next_step(&self) -> &'static str {
        json::balance::step(&self.held().next)
    }

    /// Trial masses to set for the next spin alone, as ``spin`` takes them: plane, g mm, degrees.
    #[getter]
    fn trial(&self) -> Vec<Place> {
        match &self.held().next {
            Next::Spin { trial, .. } => {
                trial.iter().map(|mass| (mass.plane.clone(), mass.g_mm, mass.deg)).collect()
            }
            _ => Vec::new(),
        }
    }

    /// Everything: where the job stands, what is next, and its history; the keys of ``quietspin.balance/1``.
    #[pyo3(signature = () -> "dict[str, Any]")]
    fn to_dict<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyAny>> {
        let text = {
            let held = self.held();
            json::balance::job(&held.job, &held.folded, &held.next)
        };
        py.import("json")?.call_method1("loads", (text,))
    }

    fn __str__(&self) -> String {
        let held = self.held();
        let name = self.path.file_name().unwrap_or_default().to_string_lossy();
        balance::job(&name, &held.job, &held.folded, &held.next, Style::default())
    }

    fn _repr_html_(&self) -> String {
        let held = self.held();
        let rows = balance::rows_of(&held.job, &held.folded, &held.next);
        let rows: Vec<(&str, String)> =
            rows.iter().map(|(label, text)| (label.as_str(), text.clone())).collect();
        html::table(&format!("balance of {}", held.job.rotor.serial), &rows)
    }

    fn __repr__(&self) -> String {
        let held = self.held();
        let (standing, _) = balance::standing_of(&held.job, &held.folded, &held.next);
        format!("<Job {}: {}>", held.job.rotor.serial, word(&standing))
    }

    fn __reduce__<'py>(
        slf: &Bound<'py, Self>,
    ) -> PyResult<(Bound<'py, PyAny>, (Bound<'py, PyBytes>,))> {
        let state = pickled(slf.py(), &slf.get().path)?;
        Ok((slf.get_type().getattr("_restore")?, (state,)))
    }

    #[staticmethod]
    fn _restore(state: &[u8]) -> PyResult<Self> {
        Self::open(unpickled(state)?)
    }
}

/// The picture of a job's course as data.
pub(super) fn course<'py>(py: Python<'py>, job: &PyJob) -> PyResult<Bound<'py, PyDict>> {
    let held = job.held();
    let figure = crate::figure::course(&held.job.rotor, &held.folded).map_err(exception)?;
    let figure = figure.ok_or_else(|| {
        let needed = "spins that tell an unbalance";
        exception(Error::too_little("the course of a job", needed, "none"))
    })?;
    super::figure_data::as_dict(py, &figure)
}

/// Unbalance of one plane from amplitudes alone, without a pulse: one spin as it is, and one each with a trial mass at
/// three or more places spread evenly over the turn.
///
/// Parameters
/// ----------
/// original : float
///     Amplitude of the first order without trial mass, in any unit.
/// trial_g_mm : float
///     The trial mass in g times its radius in mm.
/// trials : list of (float, float)
///     Place in degrees from the mark, and amplitude with the mass there.
///
/// Returns
/// -------
/// (float, float)
///     Size in g mm and place in degrees of the heavy spot: take it away there, or add it opposite.
///
/// Raises
/// ------
/// ValueError
///     Where places are too few or not spread evenly, or the mass changed nothing that can be told.
#[pyfunction]
pub(super) fn unbalance_without_phase(
    original: f64,
    trial_g_mm: f64,
    trials: Vec<(f64, f64)>,
) -> PyResult<(f64, f64)> {
    let found = no_phase::unbalance(original, trial_g_mm, &trials).map_err(exception)?;
    Ok(size_at(found))
}
