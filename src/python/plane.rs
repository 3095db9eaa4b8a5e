//! Orbits and full spectra in Python: what two like sensors see of the plane across the shaft.

use numpy::PyArray1;
use pyo3::prelude::*;
use pyo3::types::{PyComplex, PyDict};
use serde::{Deserialize, Serialize};

use super::channel::{check_order, own, speed_or_constant};
use super::convert::{array, compute_interruptibly, pickles};
use super::html;
use super::recording::PyRecording;
use super::speed::PySpeed;
use crate::angle::orbit::{Ellipse, Orbit, Place};
use crate::angle::{ProbePair, resample};
use crate::error::{Error, Result};
use crate::figure::Subject;
use crate::progress::step;
use crate::recording::Recording;
use crate::spectrum::{FullSpectrum, SpectrumConfig};
use crate::units::{grouped, three_digits, with_error};

/// Whose numbers the results of two channels are.
fn subject_of(pair: &ProbePair, recording: Option<&str>) -> Subject {
    let [first, second] = pair.channels();
    let mut subject = Subject::of(first).of_recording(recording);
    subject.channel = format!("{} and {}", first.name(), second.name());
    subject
}

fn pair_of<'r>(
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
    /// orders : list of float, default [1]
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
    #[pyo3(signature = (first, second, speed = None, *, orders = vec![1.0], at_rpm = None, at_s = None, turns = None, angles_deg = None))]
    #[allow(clippy::too_many_arguments)] // keyword arguments of a Python method
    fn orbit(
        &self,
        py: Python<'_>,
        first: String,
        second: String,
        speed: Option<Py<PySpeed>>,
        orders: Vec<f64>,
        at_rpm: Option<f64>,
        at_s: Option<f64>,
        turns: Option<usize>,
        angles_deg: Option<(f64, f64)>,
    ) -> PyResult<PyOrbit> {
        let names = self.known_pair(first, second)?;
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
                angles_deg: pair.angles_deg(),
                phase_stated: speed.edge.is_some(),
            })
        })
    }

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
        between_rpm: Option<(f64, f64)>,
        resolution_hz: Option<f64>,
        angles_deg: Option<(f64, f64)>,
    ) -> PyResult<PyFullSpectrum> {
        let names = self.known_pair(first, second)?;
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

impl PyRecording {
    /// Two names of channels that are known.
    fn known_pair(&self, first: String, second: String) -> PyResult<[String; 2]> {
        for name in [&first, &second] {
            self.inner
                .channel(name)
                .map_err(|error| pyo3::exceptions::PyKeyError::new_err(error.to_string()))?;
        }
        Ok([first, second])
    }
}
