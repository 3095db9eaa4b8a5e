//! Shaft speed in Python.

use numpy::PyArray1;
use pyo3::prelude::*;
use serde::{Deserialize, Serialize};

use super::convert::{Numbers, array, pickles, plain, word};
use super::html;
use crate::speed::Speed;
use crate::units::{grouped, three_digits};

/// Shaft angle and speed over time: a smooth curve through the knots ``time_s``, ``turns``, ``rpm``.
#[derive(Serialize, Deserialize)]
#[pyclass(frozen, name = "Speed", module = "quietspin._core")]
pub(super) struct PySpeed {
    pub(super) inner: Speed,
}

#[pymethods]
impl PySpeed {
    /// Where the speed comes from: pulse, channel, stated or estimated.
    #[getter]
    fn source(&self) -> &'static str {
        self.inner.source().word()
    }

    /// Times of the knots in seconds: float64, shape (n,).
    #[getter]
    fn time_s<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyArray1<f64>>> {
        array(py, self.inner.knots().iter().map(|k| k.time_s).collect())
    }

    /// Shaft angle at the knots in turns: float64, shape (n,).
    #[getter]
    fn turns<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyArray1<f64>>> {
        array(py, self.inner.knots().iter().map(|k| k.turns).collect())
    }

    /// Speed at the knots in rpm: float64, shape (n,).
    #[getter]
    fn rpm<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyArray1<f64>>> {
        array(py, self.inner.knots().iter().map(|k| 60.0 * k.speed_hz).collect())
    }

    /// Standard error of the speed in percent.
    #[getter]
    fn error_percent(&self) -> f64 {
        self.inner.error_percent
    }

    /// Standard error of the shaft angle in degrees, where the source knows it.
    #[getter]
    fn angle_error_deg(&self) -> Option<f64> {
        self.inner.angle_error_deg
    }

    /// Edge of the pulse whose passing is the angle zero, rising or falling; None where angles are
    /// relative, so that no phase is given.
    #[getter]
    fn edge(&self) -> Option<String> {
        self.inner.edge.as_ref().map(word)
    }

    /// Stretches without usable pulses, in which the speed is only bridged: pairs of seconds.
    #[getter]
    fn gaps_s(&self) -> Vec<(f64, f64)> {
        self.inner.gaps_s.iter().map(|&[from, to]| (from, to)).collect()
    }

    /// Repaired pulses: turns, lost, extra and times_s.
    #[getter]
    fn repairs<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyAny>> {
        plain(py, &self.inner.repairs)
    }

    /// Other readings of an estimated speed: factor, probability and reason of each.
    #[getter]
    fn alternatives<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyAny>> {
        plain(py, &self.inner.alternatives)
    }

    /// Remarks, a sentence each.
    #[getter]
    fn notes(&self) -> Vec<String> {
        self.inner.notes.clone()
    }

    /// Speed in rpm at times in seconds, shape (n,); constant outside the time covered.
    fn rpm_at<'py>(
        &self,
        py: Python<'py>,
        time_s: Numbers<'py>,
    ) -> PyResult<Bound<'py, PyArray1<f64>>> {
        array(py, time_s.as_array().iter().map(|&t| self.inner.rpm_at(t)).collect())
    }

    /// Shaft angle in turns at times in seconds, shape (n,).
    fn turns_at<'py>(
        &self,
        py: Python<'py>,
        time_s: Numbers<'py>,
    ) -> PyResult<Bound<'py, PyArray1<f64>>> {
        array(py, time_s.as_array().iter().map(|&t| self.inner.turns_at(t)).collect())
    }

    /// Everything as plain Python objects.
    fn to_dict<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyAny>> {
        plain(py, &self.inner)
    }

    fn _repr_html_(&self) -> String {
        let (low, high) = self.inner.range_rpm();
        let (first, last) = self.inner.turns_range();
        let mut rows = vec![
            ("source", self.source().to_owned()),
            ("range", format!("{} to {} rpm", grouped(low), grouped(high))),
            ("standard error", format!("{} %", three_digits(self.inner.error_percent))),
            ("turns", grouped(last - first)),
        ];
        if self.inner.repairs.expected > 0 {
            let count = self.inner.repairs.count() as f64;
            let expected = self.inner.repairs.expected as f64;
            rows.push(("repaired", format!("{} of {} pulses", grouped(count), grouped(expected))));
        }
        rows.extend(self.inner.notes.iter().map(|note| ("note", note.clone())));
        html::table("shaft speed", &rows)
    }

    fn __repr__(&self) -> String {
        let (low, high) = self.inner.range_rpm();
        format!(
            "<Speed from {}: {low:.0} to {high:.0} rpm, error {:.3} %>",
            self.source(),
            self.inner.error_percent
        )
    }
}

pickles!(PySpeed);
