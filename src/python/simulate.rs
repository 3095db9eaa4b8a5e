//! Simulated recordings in Python.

use std::collections::BTreeMap;
use std::path::PathBuf;

use pyo3::prelude::*;
use pyo3::types::PyBytes;

use super::convert::{compute, compute_interruptibly, exception, pickled, plain, unpickled};
use super::recording::PyRecording;
use crate::error::Error;
use crate::simulate::{Bits, Scenario, Simulated, Truth, simulate as simulate_scenario};

/// How to make an object again: the function, and its arguments, here the recording and the rest.
type Reduced<'py> = (Bound<'py, PyAny>, (Py<PyRecording>, Bound<'py, PyBytes>));

/// A simulated recording with its truth.
#[pyclass(frozen, name = "Simulated", module = "quietspin._core")]
pub(super) struct PySimulated {
    recording: Py<PyRecording>,
    truth: Truth,
    /// The resolution of its converter, which decides how its samples are written.
    bits: Bits,
}

#[pymethods]
impl PySimulated {
    /// The recording, with its machine file.
    #[getter]
    fn recording(&self, py: Python<'_>) -> Py<PyRecording> {
        self.recording.clone_ref(py)
    }

    /// What is true of it, as plain Python objects: faults, speed, critical speeds, seed.
    #[getter]
    fn truth<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyAny>> {
        plain(py, &self.truth)
    }

    /// Write the recording as a WAV file, its machine file and the truth beside it, as
    /// ``quietspin simulate --out FILE.wav`` does.
    ///
    /// Each file is written whole or not at all. Files of these names are replaced only where the machine
    /// file among them says that they were simulated.
    ///
    /// Parameters
    /// ----------
    /// path : str or os.PathLike
    ///     The WAV file; its name ends in ``.wav`` and holds letters, digits, ``-`` and ``_``. Its folder
    ///     is made if it is not there. ``NAME.machine.toml`` and ``NAME.truth.json`` go beside it.
    ///
    /// Returns
    /// -------
    /// dict of str to pathlib.Path
    ///     The files written: ``recording``, ``machine`` and ``truth``.
    ///
    /// Raises
    /// ------
    /// OSError
    ///     Where the system refuses.
    /// ValueError
    ///     Where a file is there that was not simulated, the name is none for a recording, or the recording
    ///     is too long for a WAV file (4 GiB).
    fn save(&self, py: Python<'_>, path: PathBuf) -> PyResult<BTreeMap<&'static str, PathBuf>> {
        let recording = self.recording.get();
        compute(py, || {
            let written = Simulated {
                recording: recording.inner.clone(),
                machine: recording.machine.clone(),
                truth: self.truth.clone(),
                bits: self.bits,
            }
            .write_as(path)?;
            Ok(BTreeMap::from([
                ("recording", written.wav),
                ("machine", written.machine),
                ("truth", written.truth),
            ]))
        })
    }

    fn __repr__(&self) -> String {
        let faults: Vec<&str> = self.truth.faults.iter().map(|f| f.fault.as_str()).collect();
        let faults = if faults.is_empty() { "no fault".to_owned() } else { faults.join(", ") };
        format!("<Simulated: {faults}>")
    }

    fn __reduce__<'py>(slf: &Bound<'py, Self>) -> PyResult<Reduced<'py>> {
        let this = slf.get();
        let state = pickled(slf.py(), &(&this.truth, this.bits))?;
        Ok((slf.get_type().getattr("_restore")?, (this.recording.clone_ref(slf.py()), state)))
    }

    #[staticmethod]
    fn _restore(recording: Py<PyRecording>, state: &[u8]) -> PyResult<Self> {
        let (truth, bits) = unpickled(state)?;
        Ok(Self { recording, truth, bits })
    }
}

/// Simulate a run-up of an invented machine.
///
/// Parameters
/// ----------
/// scenario : str, optional
///     Scenario as TOML text; by default a healthy 3 kW microturbine cartridge.
/// fault : str or list of str, optional
///     Fault to add, or several: imbalance, misalignment, bearing_outer, ...
/// drawn : bool, default False
///     Draw rotor, sensors, noise, speeds and extras at random instead (a population).
/// seed : int, default 0
///     The same seed gives the same samples.
///
/// Returns
/// -------
/// Simulated
///
/// Raises
/// ------
/// ValueError
///     Where the scenario or the fault is unknown or impossible.
#[pyfunction]
#[pyo3(signature = (scenario = None, *, fault: "str | list[str] | None" = None, drawn = false, seed = 0))]
pub(super) fn simulate(
    py: Python<'_>,
    scenario: Option<&str>,
    fault: Option<Faults>,
    drawn: bool,
    seed: u64,
) -> PyResult<PySimulated> {
    let faults = fault.map_or(Vec::new(), Faults::ids);
    let scenario = scenario_of(scenario, &faults, drawn, seed).map_err(exception)?;
    let simulated =
        compute_interruptibly(py, "simulation", move |_| simulate_scenario(&scenario, seed))?;
    let recording =
        PyRecording { inner: simulated.recording, machine: simulated.machine, machine_given: true };
    let recording = Py::new(py, recording)?;
    Ok(PySimulated { recording, truth: simulated.truth, bits: simulated.bits })
}

/// One fault or several.
#[derive(FromPyObject)]
pub(super) enum Faults {
    One(String),
    Several(Vec<String>),
}

impl Faults {
    fn ids(self) -> Vec<String> {
        match self {
            Self::One(id) => vec![id],
            Self::Several(ids) => ids,
        }
    }
}

fn scenario_of(
    text: Option<&str>,
    faults: &[String],
    drawn: bool,
    seed: u64,
) -> Result<Scenario, Error> {
    match (text, drawn) {
        (Some(_), true) => Err(Error::setting("drawn", "a scenario is given too", "leave one out")),
        (None, true) => {
            let ids: Vec<&str> = faults.iter().map(String::as_str).collect();
            Scenario::drawn_with(&ids, seed)
        }
        (text, false) => {
            let mut scenario = text.map_or_else(
                || Ok(Scenario::default()),
                |text| Scenario::from_toml(text, "<text>"),
            )?;
            for fault in faults {
                scenario.add_fault(fault)?;
            }
            Ok(scenario)
        }
    }
}
