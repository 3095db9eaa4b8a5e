//! Full spectra in Python: what turns with the shaft and what turns against it.

use numpy::PyArray1;
use pyo3::prelude::*;
use pyo3::types::PyDict;
use serde::{Deserialize, Serialize};

use super::channel::{check_order, own};
use super::convert::{Pair, array, compute_interruptibly, pickles};
use super::html;
use super::orbit::{pair_of, subject_of};
use super::recording::PyRecording;
use super::speed::PySpeed;
use crate::angle::resample;
use crate::error::{Error, Result};
use crate::figure::Subject;
use crate::progress::step;
use crate::spectrum::{FullSpectrum, SpectrumConfig};
use crate::units::three_digits;

/// Full spectrum: circles with the rotation at positive orders or frequencies, against it at negative ones.
#[derive(Serialize, Deserialize)]
#[pyclass(frozen, name = "FullSpectrum", module = "quietspin._core")]
pub(super) struct PyFullSpectrum {
    pub(super) inner: FullSpectrum,
    pub(super) subject: Subject,
}

#[pymethods]
impl PyFullSpectrum {
    /// Names of both channels.
    #[getter]
    fn channels(&self) -> &str {
        &self.subject.channel
    }

    /// Orders from the lowest, below zero: float64, shape (n,). None where no speed was given.
    #[getter]
    fn order<'py>(&self, py: Python<'py>) -> PyResult<Option<Bound<'py, PyArray1<f64>>>> {
        self.inner.in_orders.then(|| array(py, self.inner.axis())).transpose()
    }

    /// Frequencies in Hz from the lowest, below zero: float64, shape (n,). None where a speed was given.
    #[getter]
    fn frequency_hz<'py>(&self, py: Python<'py>) -> PyResult<Option<Bound<'py, PyArray1<f64>>>> {
        (!self.inner.in_orders).then(|| array(py, self.inner.axis())).transpose()
    }

    /// Radius of each circle, zero-to-peak, root mean square over the blocks, in ``unit``: float32,
    /// shape (n,).
    #[getter]
    fn values<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyArray1<f32>>> {
        array(py, self.inner.values())
    }

    /// Unit symbol of the values.
    #[getter]
    fn unit(&self) -> &str {
        &self.subject.unit
    }

    /// Lowest and highest mean speed of a block in rpm; None where no speed was given.
    #[getter]
    fn rpm(&self) -> Option<(f64, f64)> {
        self.inner.rpm.map(|[low, high]| (low, high))
    }

    /// Blocks averaged.
    #[getter]
    fn averages(&self) -> usize {
        self.inner.averages
    }

    /// Columns and what they mean: channels, order or frequency_hz, values, unit, averages, rpm (lowest and
    /// highest, None without a speed).
    #[pyo3(signature = () -> "dict[str, Any]")]
    fn to_dict<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyDict>> {
        let columns = PyDict::new(py);
        columns.set_item("channels", self.channels())?;
        let axis = if self.inner.in_orders { "order" } else { "frequency_hz" };
        columns.set_item(axis, array(py, self.inner.axis())?)?;
        columns.set_item("values", self.values(py)?)?;
        columns.set_item("unit", self.unit())?;
        columns.set_item("averages", self.averages())?;
        columns.set_item("rpm", self.rpm())?;
        Ok(columns)
    }

    fn _repr_html_(&self) -> String {
        let mut rows = vec![("blocks averaged", self.inner.averages.to_string())];
        if let Some(rpm) = self.inner.rpm {
            rows.push(("speed", html::rpm_range(&rpm)));
        }
        let last = self.inner.forward.len().saturating_sub(1) as f64 * self.inner.step;
        let (axis, unit) =
            if self.inner.in_orders { ("orders", "") } else { ("frequencies", " Hz") };
        let (last, step) = (three_digits(last), three_digits(self.inner.step));
        rows.push((axis, format!("-{last} to {last}{unit}, {step}{unit} apart")));
        if self.inner.in_orders {
            let first = (1.0 / self.inner.step).round() as usize;
            let told = |side: &[f32]| {
                let value = side.get(first).copied().unwrap_or(0.0);
                format!("{} {} peak", three_digits(value.into()), self.subject.unit)
            };
            rows.push(("1x forward", told(&self.inner.forward)));
            rows.push(("1x backward", told(&self.inner.backward)));
        }
        html::table(&format!("{}: full spectrum", self.subject.channel), &rows)
    }

    fn __len__(&self) -> usize {
        self.inner.values().len()
    }

    fn __repr__(&self) -> String {
        let axis = if self.inner.in_orders { "orders" } else { "Hz" };
        format!("<FullSpectrum of {} over {axis}, {}>", self.subject.channel, self.unit())
    }
}

pickles!(PyFullSpectrum);

#[pymethods]
impl PyRecording {
    /// Full spectrum of two like sensors: what turns with the shaft stands at positive orders or
    /// frequencies, what turns against it at negative ones.
    ///
    /// Parameters
    /// ----------
    /// first, second : str
    ///     As in ``orbit``.
    /// speed : Speed, optional
    ///     Shaft speed: then the axis is orders. Without one it is Hz.
    /// max_order : float, default 6
    ///     Highest order, with a speed; up to 1000.
    /// between_rpm : tuple of float, optional
    ///     Lowest and highest speed of the turns used, with a speed; by default all.
    /// resolution_hz : float, optional
    ///     Distance between lines in Hz, without a speed; by default chosen from the length.
    /// angles_deg : tuple of float, optional
    ///     Angles of both sensors, before those of the machine file.
    ///
    /// Returns
    /// -------
    /// FullSpectrum
    ///
    /// Raises
    /// ------
    /// KeyError
    ///     Where a channel is not known.
    /// ValueError
    ///     Where the channels are no such pair, an argument says nothing with or without a speed, the order is
    ///     out of range, no turns lie between the speeds,
    ///     or the channels are too short.
    #[pyo3(signature = (first, second, speed = None, *, max_order = None, between_rpm = None, resolution_hz = None, angles_deg = None))]
    #[allow(clippy::too_many_arguments)] // keyword arguments of a Python method
    fn full_spectrum(
        &self,
        py: Python<'_>,
        first: String,
        second: String,
        speed: Option<Py<PySpeed>>,
        max_order: Option<f64>,
        between_rpm: Option<Pair>,
        resolution_hz: Option<f64>,
        angles_deg: Option<Pair>,
    ) -> PyResult<PyFullSpectrum> {
        let both = |pair: Option<Pair>| pair.map(|Pair(first, second)| (first, second));
        let (between_rpm, angles_deg) = (both(between_rpm), both(angles_deg));
        let names = [first, second];
        names.iter().try_for_each(|name| self.known(name).map(drop))?;
        let (recording, speed) = (self.inner.clone(), own(speed));
        let named = self.own_name();
        compute_interruptibly(py, "full spectrum", move |progress| {
            refuse_idle(speed.is_some(), max_order, between_rpm, resolution_hz)?;
            let max_order = max_order.unwrap_or(6.0);
            check_order("max_order", max_order)?;
            let pair = pair_of(&recording, &names, angles_deg)?;
            let inner = match speed {
                Some(speed) => {
                    let steps = resample::samples_per_turn_for(max_order + 1.0);
                    let [mut x, mut y] = pair.at_equal_angles(&speed, steps, progress)?;
                    [x.values, y.values] = pair.plane(&x.values, &y.values);
                    let between = between_rpm.map(|(low, high)| [low, high]);
                    FullSpectrum::over_orders([&x, &y], max_order, between)?
                }
                None => {
                    step(progress, "full spectrum", 0, 1)?;
                    let [x, y] = pair.in_time()?;
                    let config = SpectrumConfig { resolution_hz, ..SpectrumConfig::default() };
                    FullSpectrum::over_hz([&x, &y], pair.channels()[0].rate_hz, &config)?
                }
            };
            Ok(PyFullSpectrum { inner, subject: subject_of(&pair, named.as_deref()) })
        })
    }
}

/// Refuses what says nothing with, or without, a speed.
fn refuse_idle(
    with_speed: bool,
    max_order: Option<f64>,
    between_rpm: Option<(f64, f64)>,
    resolution_hz: Option<f64>,
) -> Result<()> {
    let idle = [
        ("max_order", max_order.is_some() && !with_speed),
        ("between_rpm", between_rpm.is_some() && !with_speed),
        ("resolution_hz", resolution_hz.is_some() && with_speed),
    ];
    let Some((name, _)) = idle.into_iter().find(|(_, idle)| *idle) else { return Ok(()) };
    Err(if with_speed {
        Error::setting(
            name,
            "it says nothing where the axis is orders",
            "leave it or the speed out",
        )
    } else {
        Error::setting(name, "it says nothing without a speed", "give a speed, or leave it out")
    })
}
