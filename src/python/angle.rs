//! Order maps, order tracks and synchronous averages in Python.

use ndarray::Array2;
use numpy::{IntoPyArray, PyArray1, PyArray2};
use pyo3::prelude::*;
use serde::{Deserialize, Serialize};

use super::convert::{array, pickles, read_only};
use crate::angle::{OrderMap, SynchronousAverage, Track};

/// Order map: zero-to-peak amplitudes over orders, block by block.
#[derive(Serialize, Deserialize)]
#[pyclass(frozen, name = "OrderMap", module = "quietspin._core")]
pub(super) struct PyOrderMap {
    pub(super) inner: OrderMap,
    pub(super) unit: String,
}

#[pymethods]
impl PyOrderMap {
    /// Orders of the columns: float64, shape (orders,).
    #[getter]
    fn orders<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyArray1<f64>>> {
        array(py, self.inner.orders())
    }

    /// Middle of each block in seconds: float64, shape (blocks,).
    #[getter]
    fn time_s<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyArray1<f64>>> {
        array(py, self.inner.times_s.clone())
    }

    /// Mean speed of each block in rpm: float64, shape (blocks,).
    #[getter]
    fn rpm<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyArray1<f64>>> {
        array(py, self.inner.rpm.clone())
    }

    /// Zero-to-peak amplitudes in ``unit``: float32, shape (blocks, orders).
    #[getter]
    fn amplitude<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyArray2<f32>>> {
        let amplitudes: Array2<f32> = self.inner.phasors.mapv(|bin| bin.norm());
        let made = amplitudes.into_pyarray(py);
        read_only(made.as_any())?;
        Ok(made)
    }

    /// Root-mean-square over all blocks of the amplitude of each order: float64, shape (orders,).
    #[getter]
    fn order_spectrum<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyArray1<f64>>> {
        array(py, self.inner.order_spectrum())
    }

    /// Unit symbol of the amplitudes.
    #[getter]
    fn unit(&self) -> &str {
        &self.unit
    }

    /// Turns in each block.
    #[getter]
    fn turns_per_block(&self) -> usize {
        self.inner.turns_per_block
    }

    fn __repr__(&self) -> String {
        let (blocks, orders) = self.inner.phasors.dim();
        format!("<OrderMap {blocks} blocks x {orders} orders, {} peak>", self.unit)
    }
}

pickles!(PyOrderMap);

/// Order track: amplitude and phase of one order over time and speed.
#[derive(Serialize, Deserialize)]
#[pyclass(frozen, name = "Track", module = "quietspin._core")]
pub(super) struct PyTrack {
    pub(super) inner: Track,
    pub(super) unit: String,
    pub(super) phase_stated: bool,
}

#[pymethods]
impl PyTrack {
    /// The order: multiples of shaft speed.
    #[getter]
    fn order(&self) -> f64 {
        self.inner.order
    }

    /// Time of each point in seconds: float64, shape (n,).
    #[getter]
    fn time_s<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyArray1<f64>>> {
        array(py, self.inner.times_s.clone())
    }

    /// Speed of each point in rpm: float64, shape (n,).
    #[getter]
    fn rpm<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyArray1<f64>>> {
        array(py, self.inner.rpm.clone())
    }

    /// Zero-to-peak amplitudes in ``unit``: float64, shape (n,).
    #[getter]
    fn amplitude<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyArray1<f64>>> {
        array(py, self.inner.amplitudes())
    }

    /// Standard error of the real and of the imaginary part of each phasor: float64, shape (n,).
    #[getter]
    fn error<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyArray1<f64>>> {
        array(py, self.inner.errors.clone())
    }

    /// Phase lag in degrees of rotation from angle zero to the next positive peak of the order:
    /// float64, shape (n,). Relative where ``phase_stated`` is False.
    #[getter]
    fn lag_deg<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyArray1<f64>>> {
        array(py, (0..self.inner.len()).filter_map(|i| self.inner.lag_deg(i)).collect())
    }

    /// Complex amplitudes, zero-to-peak, ``x = Re(c exp(2j pi order turns))``: complex128, shape (n,).
    #[getter]
    fn phasor<'py>(
        &self,
        py: Python<'py>,
    ) -> PyResult<Bound<'py, PyArray1<num_complex::Complex64>>> {
        array(py, self.inner.phasors.clone())
    }

    /// Whether angle zero is a stated pulse edge.
    #[getter]
    fn phase_stated(&self) -> bool {
        self.phase_stated
    }

    /// Unit symbol of the amplitudes.
    #[getter]
    fn unit(&self) -> &str {
        &self.unit
    }

    fn __len__(&self) -> usize {
        self.inner.len()
    }

    fn __repr__(&self) -> String {
        format!(
            "<Track of order {}: {} points, {} peak>",
            self.inner.order,
            self.inner.len(),
            self.unit
        )
    }
}

pickles!(PyTrack);

/// Synchronous average: the mean turn of a channel.
#[derive(Serialize, Deserialize)]
#[pyclass(frozen, name = "SynchronousAverage", module = "quietspin._core")]
pub(super) struct PySynchronousAverage {
    pub(super) inner: SynchronousAverage,
    pub(super) unit: String,
}

#[pymethods]
impl PySynchronousAverage {
    /// Shaft angle of each step in degrees: float64, shape (n,).
    #[getter]
    fn angle_deg<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyArray1<f64>>> {
        let n = self.inner.values.len();
        array(py, (0..n).map(|i| 360.0 * i as f64 / n as f64).collect())
    }

    /// Mean over all turns at each step, in ``unit``: float32, shape (n,).
    #[getter]
    fn values<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyArray1<f32>>> {
        array(py, self.inner.values.clone())
    }

    /// Turns averaged.
    #[getter]
    fn turns(&self) -> usize {
        self.inner.turns
    }

    /// Rms of the mean turn about its own mean, in ``unit``.
    #[getter]
    fn locked_rms(&self) -> f64 {
        self.inner.locked_rms
    }

    /// Rms of what is left when the mean turn is taken away, in ``unit``.
    #[getter]
    fn residual_rms(&self) -> f64 {
        self.inner.residual_rms
    }

    /// Unit symbol.
    #[getter]
    fn unit(&self) -> &str {
        &self.unit
    }

    fn __repr__(&self) -> String {
        format!("<SynchronousAverage of {} turns, {}>", self.inner.turns, self.unit)
    }
}

pickles!(PySynchronousAverage);
