//! Machine files in Python.

use std::path::{Path, PathBuf};

use pyo3::prelude::*;
use pyo3::types::PyBytes;

use super::convert::{exception, pickled, plain, unpickled};
use super::html;
use crate::machine::{Machine, keys, parse};
use crate::units::grouped;

/// A machine file, read and checked.
#[pyclass(frozen, name = "Machine", module = "quietspin._core")]
pub(super) struct PyMachine {
    pub(super) inner: Machine,
    pub(super) path: PathBuf,
}

#[pymethods]
impl PyMachine {
    /// What the machine is called, or None.
    #[getter]
    fn name(&self) -> Option<String> {
        self.inner.name.clone()
    }

    /// SHA-256 of the resolved machine file, in hexadecimal.
    #[getter]
    fn sha256(&self) -> String {
        parse::sha256(&self.inner)
    }

    /// The resolved machine file as TOML text, defaults filled in.
    fn to_toml(&self) -> String {
        parse::resolved_toml(&self.inner)
    }

    /// The resolved machine file as plain dictionaries.
    fn to_dict<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyAny>> {
        plain(py, &self.inner)
    }

    fn _repr_html_(&self) -> String {
        let none = || "not stated".to_owned();
        let names = |names: Vec<&String>| match names.as_slice() {
            [] => "none".to_owned(),
            names => names.iter().map(|name| name.as_str()).collect::<Vec<_>>().join(", "),
        };
        let limits = &self.inner.limits;
        let limit = |value: Option<f64>, unit: &str| value.map(|value| format!("{value} {unit}"));
        let stated: Vec<String> = [
            limit(limits.order1_mm_s_rms, "mm/s rms (1x)"),
            limit(limits.order1_g_peak, "g peak (1x)"),
            limit(limits.order1_um_pp, "µm p-p (1x)"),
            limit(limits.overall_mm_s_rms, "mm/s rms (overall)"),
            limit(limits.overall_g_rms, "g rms (overall)"),
        ]
        .into_iter()
        .flatten()
        .collect();
        let top = self.inner.shaft.top_rpm.map(|rpm| format!("{} rpm", grouped(rpm)));
        html::table(
            &format!("machine: {}", self.inner.name.as_deref().unwrap_or("without a name")),
            &[
                ("top speed", top.unwrap_or_else(none)),
                ("channels", names(self.inner.channel.keys().collect())),
                ("bearings", names(self.inner.bearing.keys().collect())),
                ("blades", names(self.inner.blade.keys().collect())),
                ("limits", if stated.is_empty() { none() } else { stated.join("; ") }),
                ("SHA-256", parse::sha256(&self.inner)),
            ],
        )
    }

    fn __repr__(&self) -> String {
        format!("<Machine {}>", self.inner.name.as_deref().unwrap_or("without a name"))
    }

    fn __reduce__<'py>(
        slf: &Bound<'py, Self>,
    ) -> PyResult<(Bound<'py, PyAny>, (Bound<'py, PyBytes>,))> {
        let this = slf.get();
        let toml = parse::resolved_toml(&this.inner);
        let state = pickled(slf.py(), &(toml, &this.path))?;
        Ok((slf.get_type().getattr("_restore")?, (state,)))
    }

    #[staticmethod]
    fn _restore(state: &[u8]) -> PyResult<Self> {
        let (text, path): (String, PathBuf) = unpickled(state)?;
        let inner = parse::from_text(&text, &path).map_err(exception)?;
        Ok(Self { inner, path })
    }
}

/// Read a machine file from its text.
///
/// Parameters
/// ----------
/// text : str
///     TOML, as in a machine file.
///
/// Returns
/// -------
/// Machine
///
/// Raises
/// ------
/// ValueError
///     Where a key is unknown, a value is out of range, or two contradict each other.
#[pyfunction]
pub(super) fn machine_from_text(text: &str) -> PyResult<PyMachine> {
    let path = Path::new("<text>");
    let inner = parse::from_text(text, path).map_err(exception)?;
    Ok(PyMachine { inner, path: path.to_owned() })
}

/// Every key of a machine file with its unit, default and meaning, as Markdown.
#[pyfunction]
pub(super) fn machine_keys() -> String {
    keys::documentation()
}
