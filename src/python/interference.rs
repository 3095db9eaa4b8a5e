//! Interference diagrams in Python.

use std::collections::BTreeMap;

use numpy::PyArray1;
use pyo3::prelude::*;
use pyo3::types::PyDict;
use serde::{Deserialize, Serialize};

use super::channel::own;
use super::convert::{OrderList, array, compute_interruptibly, pickles, plain};
use super::diagnose::PyDiagnosis;
use super::figure::found_of;
use super::html;
use super::recording::PyRecording;
use super::speed::PySpeed;
use crate::case::interference::{FoundLine, NaturalFrequency};
use crate::case::{Case, Interference, KnownOrders};
use crate::error::Error;
use crate::figure::{Subject, clearest};
use crate::units::{grouped, rpm_with_error, three_digits, with_error};

/// Interference diagram: the lines of a run-up over speed, the orders that the machine can make, and where
/// they meet natural frequencies. The trade also calls it a Campbell diagram.
#[derive(Serialize, Deserialize)]
#[pyclass(frozen, name = "Interference", module = "quietspin._core")]
pub(super) struct PyInterference {
    pub(super) inner: Interference,
    pub(super) subject: Subject,
}

impl PyInterference {
    fn column(&self, part: impl Fn(&FoundLine) -> f64) -> Vec<f64> {
        self.inner.lines.iter().map(part).collect()
    }
}

#[pymethods]
impl PyInterference {
    /// Name of the channel it was made from.
    #[getter]
    fn channel(&self) -> &str {
        &self.subject.channel
    }

    /// Speed of each line found in rpm: float64, shape (n,).
    #[getter]
    fn rpm<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyArray1<f64>>> {
        array(py, self.column(|line| line.rpm))
    }

    /// Frequency of each line found in Hz: float64, shape (n,).
    #[getter]
    fn frequency_hz<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyArray1<f64>>> {
        array(py, self.column(|line| line.hz))
    }

    /// Zero-to-peak amplitude of each line found, in ``unit``: float64, shape (n,).
    #[getter]
    fn amplitude<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyArray1<f64>>> {
        array(py, self.column(|line| line.amplitude))
    }

    /// Unit symbol of the amplitudes.
    #[getter]
    fn unit(&self) -> &str {
        &self.subject.unit
    }

    /// The orders shown, the lowest first, by name.
    #[getter]
    fn orders<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyAny>> {
        let orders = PyDict::new(py);
        for one in &self.inner.orders {
            orders.set_item(&one.name, one.order)?;
        }
        Ok(orders.into_any())
    }

    /// Natural frequencies that the first order passed, a dict each: hz, hz_error, rpm, rpm_error,
    /// amplification.
    #[getter]
    fn natural_frequencies(&self) -> Vec<BTreeMap<&'static str, f64>> {
        let told = |natural: &NaturalFrequency| {
            BTreeMap::from([
                ("hz", natural.hz()),
                ("hz_error", natural.hz_error()),
                ("rpm", natural.rpm),
                ("rpm_error", natural.rpm_error),
                ("amplification", natural.amplification),
            ])
        };
        self.inner.natural.iter().map(told).collect()
    }

    /// Columns and what they mean: channel, rpm, frequency_hz, amplitude, unit, orders,
    /// natural_frequencies, service_rpm (lowest, or None, and highest), service_source (what says so).
    #[pyo3(signature = () -> "dict[str, Any]")]
    fn to_dict<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyDict>> {
        let columns = PyDict::new(py);
        columns.set_item("channel", self.channel())?;
        columns.set_item("rpm", self.rpm(py)?)?;
        columns.set_item("frequency_hz", self.frequency_hz(py)?)?;
        columns.set_item("amplitude", self.amplitude(py)?)?;
        columns.set_item("unit", self.unit())?;
        columns.set_item("orders", self.orders(py)?)?;
        columns.set_item("natural_frequencies", self.natural_frequencies())?;
        let service = self.inner.service.as_ref();
        let speeds = service.map(|service| (service.low_rpm, service.high_rpm));
        columns.set_item("service_rpm", plain(py, &speeds)?)?;
        columns.set_item("service_source", service.map(|service| service.source.as_str()))?;
        Ok(columns)
    }

    fn _repr_html_(&self) -> String {
        let mut rows = vec![
            ("speed", html::rpm_range(&self.inner.rpm)),
            ("lines found", grouped(self.inner.lines.len() as f64)),
        ];
        let orders: Vec<&str> = self.inner.orders.iter().map(|one| one.name.as_str()).collect();
        rows.push(("orders", orders.join(", ")));
        rows.extend(self.inner.natural.iter().map(|natural| {
            let told = format!(
                "{} Hz, met by 1x at {} rpm, amplification {}",
                with_error(natural.hz(), natural.hz_error().max(1.0 / 60.0)),
                rpm_with_error(natural.rpm, natural.rpm_error),
                three_digits(natural.amplification)
            );
            ("natural frequency", told)
        }));
        html::table(&format!("{}: interference diagram", self.subject.channel), &rows)
    }

    fn __repr__(&self) -> String {
        format!(
            "<Interference of {}: {} lines, {} natural frequencies>",
            self.subject.channel,
            self.inner.lines.len(),
            self.inner.natural.len()
        )
    }
}

pickles!(PyInterference);

#[pymethods]
impl PyRecording {
    /// Interference diagram of a run-up or run-down: which order meets which natural frequency at which
    /// speed.
    ///
    /// Lines that stand clear of the floor are taken from the order spectra in 60 steps of speed. Natural
    /// frequencies are those at the critical speeds that the first order passed. Orders are those of the
    /// shaft, the blades and the bearings of the machine file, ten at most.
    ///
    /// Parameters
    /// ----------
    /// speed : Speed
    ///     Shaft speed.
    /// channel : str, optional
    ///     A vibration channel (of sound alone, a microphone); by default the one that shows a critical
    ///     speed most clearly, else the one whose limit is used up most.
    /// orders : float or list of float, default [1, 2, 3]
    ///     Multiples of shaft speed shown beside blades and bearings.
    /// diagnosis : Diagnosis, optional
    ///     The lines of the bearing faults that it found stand where they were found, and always find room.
    ///
    /// Returns
    /// -------
    /// Interference
    ///
    /// Raises
    /// ------
    /// ValueError
    ///     Where the speed hardly changes, the channel is none that is judged, or an order is none.
    #[pyo3(signature = (speed, *, channel = None, orders = OrderList(vec![1.0, 2.0, 3.0]), diagnosis = None))]
    fn interference(
        &self,
        py: Python<'_>,
        speed: Py<PySpeed>,
        channel: Option<String>,
        orders: OrderList,
        diagnosis: Option<Py<PyDiagnosis>>,
    ) -> PyResult<PyInterference> {
        let OrderList(orders) = orders;
        let found = found_of(&KnownOrders::of(&self.machine), diagnosis.as_ref());
        let (recording, machine, speed) =
            (self.inner.clone(), self.machine.clone(), own(Some(speed)));
        let named = self.own_name();
        compute_interruptibly(py, "interference diagram", move |_| {
            let case = Case::new(recording, machine, speed);
            let view = match &channel {
                Some(name) => case.views().find(|view| view.name() == name),
                None => clearest(&case),
            };
            let view = view.ok_or_else(|| {
                let known: Vec<&str> = case.views().map(|view| view.name()).collect();
                let mend = if known.is_empty() {
                    "record vibration".to_owned()
                } else {
                    format!("choose among {}", known.join(", "))
                };
                let problem = match &channel {
                    Some(name) => format!("{name:?} is no channel that is judged"),
                    None => "no channel holds vibration or sound".to_owned(),
                };
                Error::setting("channel", problem, mend)
            })?;
            let subject = Subject::of(view.channel).of_recording(named.as_deref());
            Ok(PyInterference { inner: Interference::of(&view, &orders, &found)?, subject })
        })
    }
}
