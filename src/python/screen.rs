//! Screening in Python: what `quietspin.screening` is built on.

use std::path::PathBuf;
use std::sync::{Mutex, PoisonError};

use numpy::PyArray1;
use pyo3::prelude::*;
use pyo3::types::{PyDict, PyList};

use super::convert::{MachineLike, array, compute, exception, machine_of};
use super::figure_data::as_dict;
use crate::error::{Error, Result};
use crate::figure;
use crate::progress::Silent;
use crate::screen::{self as core, Job, Journal, NamePattern, Row, Settings, Stated, export, rank};

/// Find recordings and state the job of each: its path, and all else that its row depends on as text.
/// Used by ``quietspin.screen``.
///
/// Parameters
/// ----------
/// paths : list of str or os.PathLike
///     Files, folders and patterns.
/// machine : str, os.PathLike or Machine, optional
///     Machine file for all; without it ``NAME.machine.toml`` beside ``NAME.wav``.
/// name_pattern : str, optional
///     Where serial number and date stand in the names.
/// rpm, range_rpm, rate_hz : optional
///     What is stated about all recordings: a constant speed in rpm, the lowest and highest in rpm for a
///     search without pulses, the sampling rate in Hz.
///
/// Returns
/// -------
/// list of tuple
///     Path and job, sorted by path.
///
/// Raises
/// ------
/// OSError
///     Where a path is not there.
/// ValueError
///     Where no recording is found, the pattern or the machine file cannot be used, or what is stated cannot
///     be.
#[pyfunction]
#[pyo3(signature = (paths, *, machine = None, name_pattern = None, rpm = None, range_rpm = None, rate_hz = None))]
pub(super) fn screen_jobs(
    py: Python<'_>,
    paths: Vec<PathBuf>,
    machine: Option<MachineLike>,
    name_pattern: Option<&str>,
    rpm: Option<f64>,
    range_rpm: Option<(f64, f64)>,
    rate_hz: Option<f64>,
) -> PyResult<Vec<(PathBuf, String)>> {
    let (machine, given, path) = machine_of(machine)?;
    let names = name_pattern.map(NamePattern::parse).transpose().map_err(exception)?;
    let stated = Stated { rpm, range_rpm, rate_hz };
    let settings = Settings { machine: given.then_some((machine, path)), names, stated };
    compute(py, || {
        let jobs = core::jobs(&paths, &settings)?;
        jobs.into_iter().map(|job| Ok((job.path.clone(), job_text(&job)?))).collect()
    })
}

/// Judge one recording: its row as JSON on one line (schema quietspin.row/1). Used by
/// ``quietspin.screen``.
///
/// Whatever is wrong with the file becomes a row with its reason.
///
/// Parameters
/// ----------
/// path : str or os.PathLike
///     The recording.
/// job : str
///     As ``screen_jobs`` gives it.
///
/// Raises
/// ------
/// ValueError
///     Where ``job`` is none.
#[pyfunction]
pub(super) fn screen_row(py: Python<'_>, path: PathBuf, job: &str) -> PyResult<String> {
    let job = job_of(path, job).map_err(exception)?;
    compute(py, || Ok(core::row(&job, &mut Silent)?.line()))
}

/// The rows of a journal, the last one of each recording, as lines of JSON. Used by ``Screening.read``.
///
/// Raises
/// ------
/// OSError
///     Where the file cannot be read.
/// ValueError
///     Where it is no journal, or damaged before its last line.
#[pyfunction]
pub(super) fn screen_lines(py: Python<'_>, path: PathBuf) -> PyResult<Vec<String>> {
    compute(py, || Ok(core::journal::read(&path)?.iter().map(Row::line).collect()))
}

/// Rows as columns: arrays of numbers (nan where there is none) and lists of text (None where there is
/// none). Used by ``Screening.columns``.
///
/// Raises
/// ------
/// ValueError
///     Where a line is no row.
#[pyfunction]
#[pyo3(signature = (lines) -> "dict[str, list[str | None] | numpy.typing.NDArray[numpy.generic]]")]
pub(super) fn screen_columns(py: Python<'_>, lines: Vec<String>) -> PyResult<Bound<'_, PyDict>> {
    let columns = compute(py, || Ok(export::columns(&rows(&lines)?)))?;
    let dict = PyDict::new(py);
    for (name, column) in columns {
        match column {
            export::Column::Text(values) => dict.set_item(name, PyList::new(py, values)?)?,
            export::Column::Number(values) => {
                let values = values.into_iter().map(|value| value.unwrap_or(f64::NAN)).collect();
                dict.set_item(name, array::<f64>(py, values)?)?;
            }
            export::Column::Count(values) => {
                // counts and lengths of files stay far below what a signed number holds
                let values = values.into_iter().map(|value| value as i64).collect();
                dict.set_item(name, array::<i64>(py, values)?)?;
            }
        }
    }
    Ok(dict)
}

/// The numbers of rows, worst first, and how high the levels of each row stand over the median of all (nan
/// where fewer than five share a level). Used by ``Screening.order`` and ``Screening.of_median``.
///
/// Raises
/// ------
/// ValueError
///     Where a line is no row.
#[pyfunction]
#[pyo3(signature = (lines) -> "tuple[list[int], numpy.typing.NDArray[numpy.float64]]")]
pub(super) fn screen_order(
    py: Python<'_>,
    lines: Vec<String>,
) -> PyResult<(Vec<usize>, Bound<'_, PyArray1<f64>>)> {
    let (order, of_median) = compute(py, || {
        let rows = rows(&lines)?;
        Ok((rank::worst_first(&rows), rank::of_median(&rows)))
    })?;
    let of_median = of_median.into_iter().map(|ratio| ratio.unwrap_or(f64::NAN)).collect();
    Ok((order, array(py, of_median)?))
}

/// Small multiples of the rows as data, worst first. Used by ``Screening.figure``.
///
/// Raises
/// ------
/// ValueError
///     Where a line is no row, or there is none to show.
#[pyfunction]
#[pyo3(signature = (lines, most) -> "dict[str, Any]")]
pub(super) fn screen_figure(
    py: Python<'_>,
    lines: Vec<String>,
    most: usize,
) -> PyResult<Bound<'_, PyDict>> {
    let figure = compute(py, || figure::screening(&rows(&lines)?, most))?;
    as_dict(py, &figure)
}

/// Write rows as a CSV file, whole or not at all. Used by ``Screening.to_csv``.
///
/// Raises
/// ------
/// OSError
///     Where the system refuses.
/// ValueError
///     Where a line is no row, or a file is there that is no such table.
#[pyfunction]
pub(super) fn screen_csv(py: Python<'_>, lines: Vec<String>, path: PathBuf) -> PyResult<()> {
    compute(py, || export::write_csv(&rows(&lines)?, &path))
}

/// A journal open for appending; no other process can open it meanwhile. Used by ``quietspin.screen``.
#[pyclass(frozen, name = "ScreenJournal", module = "quietspin._core")]
pub(super) struct PyScreenJournal {
    inner: Mutex<Option<Journal>>,
}

#[pymethods]
impl PyScreenJournal {
    /// Open a journal, or make one, and drop a torn last line.
    ///
    /// Raises
    /// ------
    /// OSError
    ///     Where the system refuses.
    /// ValueError
    ///     Where the file is no journal, or another screen is writing it.
    #[new]
    fn new(py: Python<'_>, path: PathBuf) -> PyResult<Self> {
        let journal = compute(py, || Journal::open(&path))?;
        Ok(Self { inner: Mutex::new(Some(journal)) })
    }

    /// The row of a job that need not be run again, with the label that is stated now; else None.
    fn kept(&self, py: Python<'_>, path: PathBuf, job: &str) -> PyResult<Option<String>> {
        let job = job_of(path, job).map_err(exception)?;
        self.with(py, |journal| Ok(journal.kept(&job)?.map(|row| row.line())))
    }

    /// Append a row, unless the journal's row of that recording is the same already.
    fn append(&self, py: Python<'_>, line: &str) -> PyResult<()> {
        self.with(py, |journal| journal.append(&row_of(line)?))
    }

    /// Bring everything to the disk and give the journal free. Closing twice does no harm.
    fn close(&self, py: Python<'_>) -> PyResult<()> {
        let journal = self.inner.lock().unwrap_or_else(PoisonError::into_inner).take();
        compute(py, || journal.map_or(Ok(()), Journal::close))
    }
}

impl PyScreenJournal {
    fn with<T: Send>(
        &self,
        py: Python<'_>,
        work: impl FnOnce(&mut Journal) -> Result<T> + Send,
    ) -> PyResult<T> {
        compute(py, || {
            let mut inner = self.inner.lock().unwrap_or_else(PoisonError::into_inner);
            let closed = || Error::setting("journal", "it is closed", "open it again");
            work(inner.as_mut().ok_or_else(closed)?)
        })
    }
}

fn job_text(job: &Job) -> Result<String> {
    serde_json::to_string(job).map_err(|error| Error::Bug(error.to_string()))
}

fn job_of(path: PathBuf, text: &str) -> Result<Job> {
    let mut job: Job = serde_json::from_str(text).map_err(|error| {
        Error::setting("job", format!("this is no job: {error}"), "pass what screen_jobs gives")
    })?;
    job.path = path;
    Ok(job)
}

fn row_of(line: &str) -> Result<Row> {
    let wrong =
        || Error::setting("line", "this is no row of quietspin.row/1", "pass rows as they came");
    Row::from_line(line).ok_or_else(wrong)
}

fn rows(lines: &[String]) -> Result<Vec<Row>> {
    lines.iter().map(|line| row_of(line)).collect()
}
