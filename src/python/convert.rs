//! The one gate between Python and the library: errors, arrays, pickles, and the interpreter lock.

use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{self, RecvTimeoutError};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use numpy::{AllowTypeChange, Element, IntoPyArray, PyArray1, PyArrayLike1};
use pyo3::PyClass;
use pyo3::exceptions::{
    PyException, PyFileNotFoundError, PyKeyboardInterrupt, PyOSError, PyPermissionError,
    PyRuntimeError, PyTypeError, PyValueError,
};
use pyo3::prelude::*;
use pyo3::pyclass::boolean_struct::True;
use pyo3::types::{PyBytes, PyDict};
use serde::Serialize;
use serde::de::DeserializeOwned;

use crate::error::{Error, Result};
use crate::machine::{self, Machine};
use crate::progress::Progress;

/// An array-like of single-precision samples.
pub(super) type Samples<'py> = PyArrayLike1<'py, f32, AllowTypeChange>;
/// An array-like of double-precision numbers.
pub(super) type Numbers<'py> = PyArrayLike1<'py, f64, AllowTypeChange>;

/// The Python exception of an error: an `OSError` for the system's refusals, `RuntimeError` for faults of
/// the library, `ValueError` for the rest.
pub(super) fn exception(error: Error) -> PyErr {
    let message = error.to_string();
    match error {
        Error::Io { source, .. } => match source.kind() {
            std::io::ErrorKind::NotFound => PyFileNotFoundError::new_err(message),
            std::io::ErrorKind::PermissionDenied => PyPermissionError::new_err(message),
            _ => PyOSError::new_err(message),
        },
        Error::Stopped => PyKeyboardInterrupt::new_err(message),
        Error::Bug(_) => PyRuntimeError::new_err(message),
        _ => PyValueError::new_err(message),
    }
}

/// Runs `work` with the interpreter lock released and turns its error into an exception.
pub(super) fn compute<T: Send>(
    py: Python<'_>,
    work: impl FnOnce() -> Result<T> + Send,
) -> PyResult<T> {
    py.detach(work).map_err(exception)
}

/// How often work on a thread of its own is left to look for signals.
const SIGNALS_EVERY: Duration = Duration::from_millis(100);

/// What work and the caller who waits for it tell each other.
struct Watch {
    wanted: AtomicBool,
    /// Stage, steps done, steps in all; no steps where they are not known.
    told: Mutex<(String, u64, u64)>,
}

/// The end of a [`Watch`] that the work holds.
struct Watched(Arc<Watch>);

impl Progress for Watched {
    fn advance(&mut self, stage: &str, done: u64, total: u64) -> bool {
        let mut told = self.0.told.lock().unwrap_or_else(PoisonError::into_inner);
        if told.0 != stage {
            stage.clone_into(&mut told.0);
        }
        (told.1, told.2) = (done, total);
        self.0.wanted.load(Ordering::Relaxed)
    }
}

/// As [`compute`], for work that may take seconds: Ctrl-C, and whatever other signal handler raises, is
/// heard within a tenth of a second, and a terminal or notebook is told how far it is. The work runs on a
/// thread of its own; after an interrupt it stops at its next step, and work without steps runs on to its
/// end, unheard. `stage` says what is done until the work tells itself.
pub(super) fn compute_interruptibly<T: Send + 'static>(
    py: Python<'_>,
    stage: &str,
    work: impl FnOnce(&mut dyn Progress) -> Result<T> + Send + 'static,
) -> PyResult<T> {
    let told = Mutex::new((stage.to_owned(), 0, 0));
    let watch = Arc::new(Watch { wanted: AtomicBool::new(true), told });
    let mut progress = Watched(Arc::clone(&watch));
    let (sender, outcome) = mpsc::channel();
    let thread = std::thread::Builder::new().spawn(move || {
        // nobody waits any more after Ctrl-C
        let _ = sender.send(work(&mut progress));
    })?;
    let mut line = None;
    let waited = wait(py, &watch, outcome, &mut line);
    if waited.is_err() {
        watch.wanted.store(false, Ordering::Relaxed);
    }
    // neither result nor interrupt is lost where the line cannot be wiped off; Ctrl-C that is heard only while it
    // is, and is no mere error, counts
    if let Some(Err(error)) = line.map(|line| line.call_method0("close"))
        && !error.is_instance_of::<PyException>(py)
    {
        return Err(error);
    }
    match waited {
        Ok(Some(result)) => result.map_err(exception),
        Ok(None) => match thread.join() {
            Err(panic) => std::panic::resume_unwind(panic),
            Ok(()) => Err(exception(Error::Bug("work without an outcome".into()))),
        },
        Err(interrupt) => Err(interrupt),
    }
}

/// Waits for the outcome of work, `None` where it ended without one, hears signals and tells progress on a
/// line that is made once it is needed.
fn wait<'py, T: Send>(
    py: Python<'py>,
    watch: &Watch,
    mut outcome: mpsc::Receiver<Result<T>>,
    line: &mut Option<Bound<'py, PyAny>>,
) -> PyResult<Option<Result<T>>> {
    loop {
        let got;
        (outcome, got) = py.detach(move || {
            let got = outcome.recv_timeout(SIGNALS_EVERY);
            (outcome, got)
        });
        match got {
            Ok(result) => {
                // a signal since the last look must not be left to the line that is wiped off next
                py.check_signals()?;
                return Ok(Some(result));
            }
            Err(RecvTimeoutError::Disconnected) => return Ok(None),
            Err(RecvTimeoutError::Timeout) => py.check_signals()?,
        }
        if line.is_none() {
            *line = Some(py.import("quietspin._progress")?.call_method0("Line")?);
        }
        if let Some(line) = line {
            let told = watch.told.lock().unwrap_or_else(PoisonError::into_inner).clone();
            line.call_method1("stage", told)?;
        }
    }
}

/// Numbers of an object, lent to NumPy by its array interface (version 3 of the protocol, NumPy reference,
/// 'The array interface protocol').
#[pyclass(frozen, module = "quietspin._core")]
struct Lent {
    interface: Py<PyDict>,
    /// Keeps the numbers where they are.
    _owner: Py<PyAny>,
}

#[pymethods]
impl Lent {
    #[getter]
    fn __array_interface__(&self) -> &Py<PyDict> {
        &self.interface
    }
}

/// Numbers that an object holds as a NumPy array that cannot be written to. Nothing is copied: the array
/// looks at them and keeps the object, which is frozen, so that they neither move nor change.
pub(super) fn view<'py, T, E>(
    owner: &Bound<'py, T>,
    part: impl for<'a> Fn(&'a T) -> &'a [E],
) -> PyResult<Bound<'py, PyArray1<E>>>
where
    T: PyClass<Frozen = True> + Sync,
    E: Element,
{
    let py = owner.py();
    let numbers = part(owner.get());
    let interface = PyDict::new(py);
    interface.set_item("version", 3)?;
    interface.set_item("typestr", E::get_dtype(py).getattr("str")?)?;
    interface.set_item("shape", (numbers.len(),))?;
    let read_only = true;
    interface.set_item("data", (numbers.as_ptr() as usize, read_only))?;
    let lent = Lent { interface: interface.unbind(), _owner: owner.clone().into_any().unbind() };
    let array = py.import("numpy")?.call_method1("asarray", (Bound::new(py, lent)?,))?;
    Ok(array.cast_into()?)
}

/// A vector as a NumPy array that cannot be written to; nothing is copied.
pub(super) fn array<T: Element>(
    py: Python<'_>,
    values: Vec<T>,
) -> PyResult<Bound<'_, PyArray1<T>>> {
    let array = values.into_pyarray(py);
    read_only(array.as_any())?;
    Ok(array)
}

/// Marks an array as not writeable: it shows results, which do not change.
pub(super) fn read_only(array: &Bound<'_, PyAny>) -> PyResult<()> {
    let options = PyDict::new(array.py());
    options.set_item("write", false)?;
    array.call_method("setflags", (), Some(&options))?;
    Ok(())
}

/// Contiguous copy of an array-like.
pub(super) fn copied<T: Element + Copy>(array: &numpy::PyReadonlyArray1<'_, T>) -> Vec<T> {
    array.as_array().iter().copied().collect()
}

/// The state of an object for pickling, as CBOR (RFC 8949).
pub(super) fn pickled<'py>(
    py: Python<'py>,
    value: &impl Serialize,
) -> PyResult<Bound<'py, PyBytes>> {
    let mut bytes = Vec::new();
    ciborium::into_writer(value, &mut bytes)
        .map_err(|error| PyRuntimeError::new_err(format!("cannot pickle: {error}")))?;
    Ok(PyBytes::new(py, &bytes))
}

/// The object of a pickled state.
pub(super) fn unpickled<T: DeserializeOwned>(state: &[u8]) -> PyResult<T> {
    ciborium::from_reader(state)
        .map_err(|error| PyValueError::new_err(format!("this is no pickle of quietspin: {error}")))
}

/// The machine of a pickle, which holds the text of its resolved file: the order of the tables, which may
/// decide what a channel belongs to, is no key.
pub(super) fn machine_from_pickle(text: &str) -> PyResult<Machine> {
    machine::parse::from_text(text, Path::new("<pickle>")).map_err(exception)
}

/// Serialised data as plain Python objects (dict, list, float, str, bool, None).
pub(super) fn plain<'py>(py: Python<'py>, value: &impl Serialize) -> PyResult<Bound<'py, PyAny>> {
    let text = serde_json::to_string(value)
        .map_err(|error| PyRuntimeError::new_err(format!("cannot convert: {error}")))?;
    py.import("json")?.call_method1("loads", (text,))
}

/// The name of a serialised unit variant (`vibration`, `pulse`, ...).
pub(super) fn word(value: &impl Serialize) -> String {
    let value = serde_json::to_value(value).unwrap_or_default();
    value.as_str().unwrap_or_default().to_owned()
}

/// A serialised unit variant from its word.
pub(super) fn from_word<T: DeserializeOwned>(name: &str, word: &str) -> PyResult<T> {
    serde_json::from_value(serde_json::Value::String(word.to_owned()))
        .map_err(|error| PyValueError::new_err(format!("{name}: {error}")))
}

/// A machine from what the user gave: nothing, a path, or a machine read before.
pub(super) fn machine_of(given: Option<MachineLike>) -> PyResult<(Machine, bool, PathBuf)> {
    match given {
        None => Ok((Machine::default(), false, PathBuf::from("arguments"))),
        Some(MachineLike::Machine(machine)) => {
            let machine = machine.get();
            Ok((machine.inner.clone(), true, machine.path.clone()))
        }
        Some(MachineLike::Path(path)) => {
            Ok((machine::parse::read(&path).map_err(exception)?, true, path))
        }
    }
}

/// A machine file, by path or read already.
#[derive(FromPyObject)]
pub(super) enum MachineLike {
    /// Read already.
    Machine(Py<super::machine::PyMachine>),
    /// A path to read.
    Path(PathBuf),
}

/// Orders, as one number or as a list of them.
pub(super) struct OrderList(pub Vec<f64>);

#[derive(FromPyObject)]
enum OneOrMany {
    Many(Vec<f64>),
    One(f64),
}

impl<'py> FromPyObject<'_, 'py> for OrderList {
    type Error = PyErr;

    #[cfg(feature = "stubs")]
    const INPUT_TYPE: pyo3::inspect::PyStaticExpr = <OneOrMany as FromPyObject>::INPUT_TYPE;

    fn extract(given: Borrowed<'_, 'py, PyAny>) -> PyResult<Self> {
        match given.extract() {
            Ok(OneOrMany::Many(orders)) => Ok(Self(orders)),
            Ok(OneOrMany::One(order)) => Ok(Self(vec![order])),
            Err(_) => Err(PyTypeError::new_err(format!(
                "{} is no order; give one as 1, or a list of them as [1, 2]",
                given.repr()?
            ))),
        }
    }
}

/// Two numbers, such as the ends of a band.
#[derive(Clone, Copy)]
pub(super) struct Pair(pub f64, pub f64);

impl<'py> FromPyObject<'_, 'py> for Pair {
    type Error = PyErr;

    #[cfg(feature = "stubs")]
    const INPUT_TYPE: pyo3::inspect::PyStaticExpr = <(f64, f64) as FromPyObject>::INPUT_TYPE;

    fn extract(given: Borrowed<'_, 'py, PyAny>) -> PyResult<Self> {
        match given.extract::<Vec<f64>>().as_deref() {
            Ok(&[first, second]) => Ok(Self(first, second)),
            _ => Err(PyTypeError::new_err(format!(
                "{} are not two numbers; give them in brackets, as (100, 900)",
                given.repr()?
            ))),
        }
    }
}

/// Gives a class `__reduce__` and its counterpart, from its serialised state.
macro_rules! pickles {
    ($class:ident) => {
        #[pymethods]
        impl $class {
            fn __reduce__<'py>(
                slf: &Bound<'py, Self>,
            ) -> PyResult<(Bound<'py, PyAny>, (Bound<'py, pyo3::types::PyBytes>,))> {
                let state = super::convert::pickled(slf.py(), slf.get())?;
                Ok((slf.get_type().getattr("_restore")?, (state,)))
            }

            #[staticmethod]
            fn _restore(state: &[u8]) -> PyResult<Self> {
                super::convert::unpickled(state)
            }
        }
    };
}
pub(super) use pickles;
