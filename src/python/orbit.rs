//! Orbits in Python: what two like sensors see of the shaft's path across its axis.

use numpy::PyArray1;
use pyo3::prelude::*;
use pyo3::types::{PyComplex, PyDict};
use serde::{Deserialize, Serialize};

use super::channel::{check_order, own, speed_or_constant};
use super::convert::{OrderList, Pair, array, compute_interruptibly, pickles};
use super::html;
use super::recording::PyRecording;
use super::speed::PySpeed;
use crate::angle::ProbePair;
use crate::angle::orbit::{Ellipse, Orbit, Place};
use crate::error::{Error, Result};
use crate::figure::Subject;
use crate::recording::Recording;
use crate::units::{grouped, with_error};

/// Whose numbers the results of two channels are.
pub(super) fn subject_of(pair: &ProbePair, recording: Option<&str>) -> Subject {
    let [first, second] = pair.channels();
    let mut subject = Subject::of(first).of_recording(recording);
    subject.channel = format!("{} and {}", first.name(), second.name());
    subject
}

/// The pair that two channels of a recording are.
pub(super) fn pair_of<'r>(
    recording: &'r Recording,
    names: &[String; 2],
    angles_deg: Option<(f64, f64)>,
) -> Result<ProbePair<'r>> {
    let [first, second] = names;
    let angles = angles_deg.map(|(a, b)| [a, b]);
    ProbePair::new(recording.channel(first)?, recording.channel(second)?, angles)
}

/// Orbit: the path of the shaft's centre over chosen turns, seen by two like sensors.
///
/// x points to the pulse sensor, y a quarter turn further with the rotation: in these coordinates the shaft
/// turns from x to y, anticlockwise in the picture.
#[derive(Serialize, Deserialize)]
#[pyclass(frozen, name = "Orbit", module = "quietspin._core")]
pub(super) struct PyOrbit {
    pub(super) inner: Orbit,
    pub(super) subject: Subject,
    pub(super) names: [String; 2],
    pub(super) angles_deg: [f64; 2],
    pub(super) phase_stated: bool,
}

impl PyOrbit {
    fn part<'py>(&self, py: Python<'py>, values: &[f32]) -> PyResult<Bound<'py, PyArray1<f32>>> {
        array(py, values.to_vec())
    }
}

#[pymethods]
impl PyOrbit {
    /// Names of both channels.
    #[getter]
    fn channels(&self) -> &str {
        &self.subject.channel
    }

    /// Mean speed over the turns in rpm.
    #[getter]
    fn rpm(&self) -> f64 {
        self.inner.rpm
    }

    /// Turns averaged.
    #[getter]
    fn turns(&self) -> usize {
        self.inner.turns
    }

    /// Time of the middle of the turns in seconds.
    #[getter]
    fn time_s(&self) -> f64 {
        self.inner.time_s
    }

    /// x of the mean turn at equal steps of shaft angle, without the mean place, in ``unit``: float32,
    /// shape (n,).
    #[getter]
    fn x<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyArray1<f32>>> {
        self.part(py, &self.inner.mean[0])
    }

    /// y of the mean turn, likewise: float32, shape (n,).
    #[getter]
    fn y<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyArray1<f32>>> {
        self.part(py, &self.inner.mean[1])
    }

    /// x of some turns as they were, one after the other, in ``unit``: float32, shape (n,).
    #[getter]
    fn unfiltered_x<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyArray1<f32>>> {
        self.part(py, &self.inner.raw[0])
    }

    /// y of these turns: float32, shape (n,).
    #[getter]
    fn unfiltered_y<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyArray1<f32>>> {
        self.part(py, &self.inner.raw[1])
    }

    /// The chosen orders, a dict each.
    ///
    /// Lengths are in ``unit``, angles in degrees.
    /// ``forward`` and ``backward`` are complex, zero-to-peak: the circles with and against the rotation of
    /// ``z = x + 1j y = forward exp(1j n theta) + backward exp(-1j n theta)``, each part with the standard
    /// error ``error``. ``major`` and ``minor`` are the semi-axes, ``minor`` below zero where the centre
    /// goes round against the rotation, with ``major_error`` and ``minor_error``. ``inclination_deg`` is the
    /// direction of the long axis from the pulse sensor, with the rotation, 0 to 180, with
    /// ``inclination_error_deg``; both None for a circle. ``precession`` is forward, backward or undecided
    /// (the minor semi-axis lies within three standard errors of zero).
    #[getter]
    fn orders<'py>(&self, py: Python<'py>) -> PyResult<Vec<Bound<'py, PyAny>>> {
        let told = |one: &Ellipse| {
            let row = PyDict::new(py);
            let (lean, lean_error) = one.inclination_deg().unzip();
            row.set_item("order", one.order)?;
            row.set_item("forward", PyComplex::from_doubles(py, one.forward.re, one.forward.im))?;
            row.set_item(
                "backward",
                PyComplex::from_doubles(py, one.backward.re, one.backward.im),
            )?;
            row.set_item("error", one.error)?;
            row.set_item("major", one.major())?;
            row.set_item("major_error", one.major_error)?;
            row.set_item("minor", one.minor())?;
            row.set_item("minor_error", one.minor_error)?;
            row.set_item("inclination_deg", lean)?;
            row.set_item("inclination_error_deg", lean_error)?;
            row.set_item("precession", one.precession().word())?;
            Ok(row.into_any())
        };
        self.inner.orders.iter().map(told).collect()
    }

    /// Whether angle zero is a stated pulse edge.
    #[getter]
    fn phase_stated(&self) -> bool {
        self.phase_stated
    }

    /// Unit symbol of x and y.
    #[getter]
    fn unit(&self) -> &str {
        &self.subject.unit
    }

    /// Columns and what they mean: channels, x, y, unfiltered_x, unfiltered_y, orders, unit, rpm, turns,
    /// time_s, phase_stated.
    #[pyo3(signature = () -> "dict[str, Any]")]
    fn to_dict<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyDict>> {
        let columns = PyDict::new(py);
        columns.set_item("channels", self.channels())?;
        columns.set_item("x", self.x(py)?)?;
        columns.set_item("y", self.y(py)?)?;
        columns.set_item("unfiltered_x", self.unfiltered_x(py)?)?;
        columns.set_item("unfiltered_y", self.unfiltered_y(py)?)?;
        columns.set_item("orders", self.orders(py)?)?;
        columns.set_item("unit", self.unit())?;
        columns.set_item("rpm", self.rpm())?;
        columns.set_item("turns", self.turns())?;
        columns.set_item("time_s", self.time_s())?;
        columns.set_item("phase_stated", self.phase_stated)?;
        Ok(columns)
    }

    fn _repr_html_(&self) -> String {
        let unit = &self.subject.unit;
        let row = |one: &Ellipse| {
            let lean = one.inclination_deg().map_or("none: a circle".to_owned(), |(deg, error)| {
                format!("{deg:.0} ± {:.0}°", error.max(1.0))
            });
            let told = |value: f64, error: f64| format!("{} {unit} peak", with_error(value, error));
            vec![
                one.order.to_string(),
                told(one.forward.norm(), one.error),
                told(one.backward.norm(), one.error),
                told(one.major(), one.major_error),
                told(one.minor(), one.minor_error),
                lean,
                one.precession().word().to_owned(),
            ]
        };
        let rows: Vec<Vec<String>> = self.inner.orders.iter().map(row).collect();
        let title = format!(
            "{}: orbit at {} rpm over {} turns",
            self.subject.channel,
            grouped(self.inner.rpm),
            self.inner.turns
        );
        let head = ["order", "forward", "backward", "major", "minor", "inclination", "precession"];
        html::grid(&title, &head, &rows)
    }

    fn __repr__(&self) -> String {
        format!(
            "<Orbit of {} at {:.0} rpm, {} turns, {}>",
            self.subject.channel,
            self.inner.rpm,
            self.inner.turns,
            self.unit()
        )
    }
}

pickles!(PyOrbit);

#[pymethods]
impl PyRecording {
    /// Orbit: the path of the shaft's centre, from two like sensors that look at it from different sides.
    ///
    /// Where the sensors stand comes from ``sensor_angle_deg`` of the machine file, counted from the pulse
    /// sensor with the rotation. They need not stand at exactly 90 degrees to each other: what they read is
    /// turned into a right-angled plane by their angles. Each chosen order is parted into a circle with the
    /// rotation (forward) and one against it (backward): an ellipse with semi-axes a and b has circles of
    /// (a + b) / 2 and (a - b) / 2 (Muszynska, Rotordynamics, 2005: from memory).
    ///
    /// Parameters
    /// ----------
    /// first, second : str
    ///     Names of two radial channels of one quantity at one place, 45 to 135 degrees apart.
    /// speed : Speed, optional
    ///     Shaft speed; may be left out where the machine file states a constant one.
    /// orders : float or list of float, default [1]
    ///     Orders of the filtered orbit, above 0 and up to 1000.
    /// at_rpm, at_s : float, optional
    ///     The turns around the first passing of a speed in rpm, or around a time in seconds; by default
    ///     those at the highest speed.
    /// turns : int, optional
    ///     Turns averaged, at least 2; by default 64, or all where there are fewer.
    /// angles_deg : tuple of float, optional
    ///     Angles of both sensors, before those of the machine file.
    ///
    /// Returns
    /// -------
    /// Orbit
    ///
    /// Raises
    /// ------
    /// KeyError
    ///     Where a channel is not known.
    /// ValueError
    ///     Where the channels are no such pair, the run does not reach the speed or the time, or there are
    ///     too few turns.
    #[pyo3(signature = (first, second, speed = None, *, orders = OrderList(vec![1.0]), at_rpm = None, at_s = None, turns = None, angles_deg = None))]
    #[allow(clippy::too_many_arguments)] // keyword arguments of a Python method
    fn orbit(
        &self,
        py: Python<'_>,
        first: String,
        second: String,
        speed: Option<Py<PySpeed>>,
        orders: OrderList,
        at_rpm: Option<f64>,
        at_s: Option<f64>,
        turns: Option<usize>,
        angles_deg: Option<Pair>,
    ) -> PyResult<PyOrbit> {
        let OrderList(orders) = orders;
        let angles_deg = angles_deg.map(|Pair(first, second)| (first, second));
        let names = [first, second];
        names.iter().try_for_each(|name| self.known(name).map(drop))?;
        let (recording, machine, speed) = (self.inner.clone(), self.machine.clone(), own(speed));
        let named = self.own_name();
        compute_interruptibly(py, "orbit", move |progress| {
            orders.iter().try_for_each(|&order| check_order("orders", order))?;
            let pair = pair_of(&recording, &names, angles_deg)?;
            let speed = speed_or_constant(speed, pair.channels()[0], &machine)?;
            let place = match (at_rpm, at_s) {
                (Some(_), Some(_)) => {
                    let problem = "a speed and a time are given";
                    return Err(Error::setting("at_rpm", problem, "leave one of them out"));
                }
                (Some(rpm), None) => Place::Rpm(rpm),
                (None, Some(at_s)) => Place::Time(at_s),
                (None, None) => Place::Fastest,
            };
            Ok(PyOrbit {
                inner: Orbit::of(&pair, &speed, &orders, place, turns, progress)?,
                subject: subject_of(&pair, named.as_deref()),
                names,
                angles_deg: pair.angles_deg(),
                phase_stated: speed.edge.is_some(),
            })
        })
    }
}
