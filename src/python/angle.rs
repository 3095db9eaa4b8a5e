//! Order maps, order tracks and synchronous averages in Python.

use ndarray::Array2;
use numpy::{IntoPyArray, PyArray1, PyArray2};
use pyo3::exceptions::PyIndexError;
use pyo3::prelude::*;
use pyo3::types::{PyComplex, PyDict, PyIterator, PyList};
use serde::{Deserialize, Serialize};

use super::convert::{array, compute, exception, pickles, read_only, view};
use super::html;
use crate::angle::critical::{self, Critical, Observed};
use crate::angle::{OrderMap, SlowRoll, SynchronousAverage, Track};
use crate::case::KnownOrders;
use crate::error::Error;
use crate::figure::Subject;
use crate::units::{Quantity, grouped, three_digits};

/// Order map: zero-to-peak amplitudes over orders, block by block.
#[derive(Serialize, Deserialize)]
#[pyclass(frozen, name = "OrderMap", module = "quietspin._core")]
pub(super) struct PyOrderMap {
    pub(super) inner: OrderMap,
    pub(super) subject: Subject,
    /// What the machine file says of orders to be expected.
    pub(super) known: KnownOrders,
}

#[pymethods]
impl PyOrderMap {
    /// Name of the channel it was made from.
    #[getter]
    fn channel(&self) -> &str {
        &self.subject.channel
    }

    /// Orders of the columns: float64, shape (orders,).
    #[getter]
    fn orders<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyArray1<f64>>> {
        array(py, self.inner.orders())
    }

    /// Middle of each block in seconds: float64, shape (blocks,).
    #[getter]
    fn time_s<'py>(slf: &Bound<'py, Self>) -> PyResult<Bound<'py, PyArray1<f64>>> {
        view(slf, |this| &this.inner.times_s)
    }

    /// Mean speed of each block in rpm: float64, shape (blocks,).
    #[getter]
    fn rpm<'py>(slf: &Bound<'py, Self>) -> PyResult<Bound<'py, PyArray1<f64>>> {
        view(slf, |this| &this.inner.rpm)
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
        &self.subject.unit
    }

    /// Turns in each block.
    #[getter]
    fn turns_per_block(&self) -> usize {
        self.inner.turns_per_block
    }

    /// Axes, amplitudes (blocks, orders) and what they mean.
    #[pyo3(signature = () -> "dict[str, Any]")]
    fn to_dict<'py>(slf: &Bound<'py, Self>) -> PyResult<Bound<'py, PyDict>> {
        let (py, this) = (slf.py(), slf.get());
        let columns = PyDict::new(py);
        columns.set_item("channel", &this.subject.channel)?;
        columns.set_item("orders", this.orders(py)?)?;
        columns.set_item("time_s", Self::time_s(slf)?)?;
        columns.set_item("rpm", Self::rpm(slf)?)?;
        columns.set_item("amplitude", this.amplitude(py)?)?;
        columns.set_item("unit", this.unit())?;
        Ok(columns)
    }

    fn _repr_html_(&self) -> String {
        let (blocks, orders) = self.inner.phasors.dim();
        let spectrum = self.inner.order_spectrum();
        let whole = |order: usize| spectrum.get(order * self.inner.turns_per_block).copied();
        let told = |order| {
            let value = whole(order).map_or("not in the map".to_owned(), three_digits);
            format!("{value} {} peak", self.unit())
        };
        html::table(
            &format!("{}: order map", self.subject.channel),
            &[
                ("blocks", format!("{blocks} of {} turns", self.inner.turns_per_block)),
                ("orders", format!("{orders}, {} apart", three_digits(self.inner.order_step()))),
                ("speed", html::rpm_range(&self.inner.rpm)),
                ("1x, rms over the blocks", told(1)),
                ("2x, rms over the blocks", told(2)),
            ],
        )
    }

    fn __repr__(&self) -> String {
        let (blocks, orders) = self.inner.phasors.dim();
        format!("<OrderMap {blocks} blocks x {orders} orders, {} peak>", self.unit())
    }
}

pickles!(PyOrderMap);

/// Order track: amplitude and phase of one order over time and speed.
#[derive(Clone, Serialize, Deserialize)]
#[pyclass(frozen, name = "Track", module = "quietspin._core")]
pub(super) struct PyTrack {
    pub(super) inner: Track,
    pub(super) subject: Subject,
    pub(super) phase_stated: bool,
    /// Whether angles are counted from pulses, so that phase can be followed over the run.
    pub(super) phase_known: bool,
    /// Standard error of the speed in percent of it.
    pub(super) speed_error_percent: f64,
    /// Turns in each window, where they are constant.
    pub(super) window_turns: Option<f64>,
    /// Corner of an AC-coupled chain in Hz.
    pub(super) corner_hz: Option<f64>,
    /// What was taken away from it.
    pub(super) slow_roll: Option<SlowRoll>,
}

#[pymethods]
impl PyTrack {
    /// Name of the channel it was made from.
    #[getter]
    fn channel(&self) -> &str {
        &self.subject.channel
    }

    /// The order: multiples of shaft speed.
    #[getter]
    fn order(&self) -> f64 {
        self.inner.order
    }

    /// Time of each point in seconds: float64, shape (n,).
    #[getter]
    fn time_s<'py>(slf: &Bound<'py, Self>) -> PyResult<Bound<'py, PyArray1<f64>>> {
        view(slf, |this| &this.inner.times_s)
    }

    /// Speed of each point in rpm: float64, shape (n,).
    #[getter]
    fn rpm<'py>(slf: &Bound<'py, Self>) -> PyResult<Bound<'py, PyArray1<f64>>> {
        view(slf, |this| &this.inner.rpm)
    }

    /// Zero-to-peak amplitudes in ``unit``: float64, shape (n,).
    #[getter]
    fn amplitude<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyArray1<f64>>> {
        array(py, self.inner.amplitudes())
    }

    /// Standard error of the real and of the imaginary part of each phasor: float64, shape (n,).
    #[getter]
    fn error<'py>(slf: &Bound<'py, Self>) -> PyResult<Bound<'py, PyArray1<f64>>> {
        view(slf, |this| &this.inner.errors)
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
        slf: &Bound<'py, Self>,
    ) -> PyResult<Bound<'py, PyArray1<num_complex::Complex64>>> {
        view(slf, |this| &this.inner.phasors)
    }

    /// Whether angle zero is a stated pulse edge.
    #[getter]
    fn phase_stated(&self) -> bool {
        self.phase_stated
    }

    /// Unit symbol of the amplitudes.
    #[getter]
    fn unit(&self) -> &str {
        &self.subject.unit
    }

    /// The track less the slow-roll vector: what a displacement sensor reads of the shaft's surface and
    /// bow, not of its vibration.
    ///
    /// The mean vector of all points below a speed is taken away from every point, and its standard error
    /// is added to theirs in quadrature. Choose a speed far below the lowest critical one. Common practice,
    /// no source.
    ///
    /// Parameters
    /// ----------
    /// below_rpm : float
    ///     Speed in rpm up to which the shaft counts as rolling slowly.
    ///
    /// Returns
    /// -------
    /// Track
    ///     A new one; ``slow_roll`` says what was taken away, and its picture tells it.
    ///
    /// Raises
    /// ------
    /// ValueError
    ///     Where the channel does not measure displacement, fewer than two points lie below the speed, the
    ///     chain is AC-coupled and they lie below ten times its corner, or a vector was taken away before.
    #[pyo3(signature = (*, below_rpm))]
    fn less_slow_roll(&self, below_rpm: f64) -> PyResult<Self> {
        if self.slow_roll.is_some() {
            return Err(exception(Error::setting(
                "slow roll",
                "its vector was taken away from this track already",
                "start from the track as it was",
            )));
        }
        let quantity = self.subject.quantity;
        let slow = SlowRoll::of(&self.inner, quantity, self.corner_hz, below_rpm);
        let slow = slow.map_err(exception)?;
        Ok(Self { inner: slow.taken_from(&self.inner), slow_roll: Some(slow), ..self.clone() })
    }

    /// What was taken away at slow roll: vector (complex, zero-to-peak), error, points, turns, from_rpm,
    /// to_rpm, and whether it changes with speed by more than chance; None where nothing was.
    #[getter]
    fn slow_roll<'py>(&self, py: Python<'py>) -> PyResult<Option<Bound<'py, PyAny>>> {
        let Some(slow) = &self.slow_roll else { return Ok(None) };
        let told = PyDict::new(py);
        told.set_item("vector", PyComplex::from_doubles(py, slow.vector.re, slow.vector.im))?;
        told.set_item("error", slow.error)?;
        told.set_item("points", slow.points)?;
        told.set_item("turns", slow.turns)?;
        told.set_item("from_rpm", slow.rpm[0])?;
        told.set_item("to_rpm", slow.rpm[1])?;
        told.set_item("changes", slow.changes)?;
        Ok(Some(told.into_any()))
    }

    /// Critical speeds that a track of order 1 shows.
    ///
    /// The response of one or more modes to unbalance is fitted through each run-up and run-down.
    /// Amplification factor and half-power speeds are defined as in the API standard paragraphs (from memory).
    ///
    /// Parameters
    /// ----------
    /// phase : bool, optional
    ///     Whether phase is fitted too; by default where angles are counted from pulses.
    ///
    /// Returns
    /// -------
    /// list of dict
    ///     One for each critical speed, the lowest first: ``rpm``, ``rpm_error`` (undamped critical speed, and
    ///     its standard error, which holds that of the speed), ``amplification``, ``amplification_error``
    ///     (1 / (2 damping ratio)), ``half_power`` (``factor``, ``error``, ``peak_rpm``, ``low_rpm``,
    ///     ``high_rpm``), ``split_pair``, ``with_phase``, and ``up`` and ``down``: what run-ups and run-downs
    ///     alone say (``rpm``, ``amplification`` and their errors), or None. Empty where none is seen.
    ///
    /// Raises
    /// ------
    /// ValueError
    ///     Where the track is of another order, or was followed by another method than "transform": the fit
    ///     needs to know what the windows do to a fast passage.
    #[pyo3(signature = (*, phase = None) -> "list[dict[str, Any]]")]
    fn criticals<'py>(
        &self,
        py: Python<'py>,
        phase: Option<bool>,
    ) -> PyResult<Vec<Bound<'py, PyDict>>> {
        if (self.inner.order - 1.0).abs() > 1e-9 {
            let problem = format!("this is order {}", self.inner.order);
            let mend = "track order 1 for critical speeds";
            return Err(exception(Error::setting("order", problem, mend)));
        }
        let turns_per_block = self.window_turns.ok_or_else(|| {
            let problem = "this track's windows are not of constant turns";
            exception(Error::setting("method", problem, "follow the order by \"transform\""))
        })?;
        let phase = phase.unwrap_or(self.phase_known);
        let found = compute(py, || Ok(self.found_criticals(turns_per_block, phase)))?;
        found.iter().map(|critical| critical_dict(py, critical)).collect()
    }

    /// Columns and what they mean: time_s, rpm, amplitude, error, lag_deg, order, unit, phase_stated.
    #[pyo3(signature = () -> "dict[str, Any]")]
    fn to_dict<'py>(slf: &Bound<'py, Self>) -> PyResult<Bound<'py, PyDict>> {
        let (py, this) = (slf.py(), slf.get());
        let columns = PyDict::new(py);
        columns.set_item("channel", &this.subject.channel)?;
        columns.set_item("order", this.inner.order)?;
        columns.set_item("time_s", Self::time_s(slf)?)?;
        columns.set_item("rpm", Self::rpm(slf)?)?;
        columns.set_item("amplitude", this.amplitude(py)?)?;
        columns.set_item("error", Self::error(slf)?)?;
        columns.set_item("lag_deg", this.lag_deg(py)?)?;
        columns.set_item("unit", this.unit())?;
        columns.set_item("phase_stated", this.phase_stated)?;
        Ok(columns)
    }

    fn _repr_html_(&self) -> String {
        let title = format!("{}: track of order {}", self.subject.channel, self.inner.order);
        html::table(&title, &self.in_short())
    }

    fn __len__(&self) -> usize {
        self.inner.len()
    }

    fn __repr__(&self) -> String {
        format!(
            "<Track of order {}: {} points, {} peak>",
            self.inner.order,
            self.inner.len(),
            self.unit()
        )
    }
}

pickles!(PyTrack);

fn critical_dict<'py>(py: Python<'py>, critical: &Critical) -> PyResult<Bound<'py, PyDict>> {
    let dict = PyDict::new(py);
    dict.set_item("rpm", critical.rpm)?;
    dict.set_item("rpm_error", critical.rpm_error)?;
    dict.set_item("amplification", critical.amplification)?;
    dict.set_item("amplification_error", critical.amplification_error)?;
    let half_power = PyDict::new(py);
    let (factor, error) = critical.half_power_factor();
    let speeds = critical.half_power();
    half_power.set_item("factor", factor)?;
    half_power.set_item("error", error)?;
    half_power.set_item("peak_rpm", speeds.peak_rpm)?;
    half_power.set_item("low_rpm", speeds.low_rpm)?;
    half_power.set_item("high_rpm", speeds.high_rpm)?;
    dict.set_item("half_power", half_power)?;
    dict.set_item("split_pair", critical.is_pair)?;
    dict.set_item("with_phase", critical.with_phase)?;
    for (key, reading) in [("up", critical.up), ("down", critical.down)] {
        let told = reading.map(|reading| {
            let told = PyDict::new(py);
            told.set_item("rpm", reading.rpm)?;
            told.set_item("rpm_error", reading.rpm_error)?;
            told.set_item("amplification", reading.amplification)?;
            told.set_item("amplification_error", reading.amplification_error)?;
            Ok::<_, PyErr>(told)
        });
        dict.set_item(key, told.transpose()?)?;
    }
    Ok(dict)
}

impl PyTrack {
    /// Critical speeds that a track of order 1 in windows of constant turns shows.
    fn found_criticals(&self, turns_per_block: f64, phase: bool) -> Vec<Critical> {
        let known = Some(self.subject.quantity);
        let quantity = known
            .filter(|quantity| quantity.derivative_of_displacement().is_some())
            .unwrap_or(Quantity::Acceleration);
        let observed = Observed {
            speed_error_percent: self.speed_error_percent,
            ..Observed::of(quantity, turns_per_block, phase)
        };
        let displacement = self.inner.converted(quantity, Quantity::Displacement, 1.0);
        displacement.map_or_else(Vec::new, |track| {
            critical::find(&track, &critical::speed_of(&track), observed)
        })
    }

    /// Critical speeds to be marked in a picture: none where this track cannot tell them.
    pub(super) fn marked_criticals(&self) -> Vec<Critical> {
        let first = (self.inner.order - 1.0).abs() < 1e-9;
        let turns = self.window_turns.filter(|_| first);
        turns.map_or_else(Vec::new, |turns| self.found_criticals(turns, self.phase_known))
    }

    /// What a notebook shows of it.
    fn in_short(&self) -> [(&'static str, String); 4] {
        let amplitudes = self.inner.amplitudes();
        let top = (0..amplitudes.len()).max_by(|&a, &b| amplitudes[a].total_cmp(&amplitudes[b]));
        let told = |i: usize| {
            format!(
                "{} ± {} {} peak at {} rpm",
                three_digits(amplitudes[i]),
                three_digits(self.inner.errors[i]),
                self.unit(),
                grouped(self.inner.rpm[i])
            )
        };
        let phase = if self.phase_stated { "lag from the pulse edge" } else { "relative" };
        [
            ("points", self.inner.len().to_string()),
            ("speed", html::rpm_range(&self.inner.rpm)),
            ("highest", top.map_or("none".to_owned(), told)),
            ("phase", phase.to_owned()),
        ]
    }
}

/// Order tracks of one channel: a sequence of Track.
#[derive(Serialize, Deserialize)]
#[pyclass(frozen, name = "Tracks", module = "quietspin._core")]
pub(super) struct PyTracks {
    pub(super) tracks: Vec<PyTrack>,
}

#[pymethods]
impl PyTracks {
    fn __len__(&self) -> usize {
        self.tracks.len()
    }

    fn __getitem__(&self, index: isize) -> PyResult<PyTrack> {
        let count = self.tracks.len() as isize;
        let place = if index < 0 { index + count } else { index };
        let track = usize::try_from(place).ok().and_then(|place| self.tracks.get(place));
        track.cloned().ok_or_else(|| {
            PyIndexError::new_err(format!("track {index} of {count}: the first is 0"))
        })
    }

    fn __iter__<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyIterator>> {
        PyList::new(py, self.tracks.clone())?.try_iter()
    }

    /// The tracks less the slow-roll vector of each; parameters and errors as ``Track.less_slow_roll``.
    #[pyo3(signature = (*, below_rpm))]
    fn less_slow_roll(&self, below_rpm: f64) -> PyResult<Self> {
        let tracks = self.tracks.iter().map(|track| track.less_slow_roll(below_rpm));
        Ok(Self { tracks: tracks.collect::<PyResult<_>>()? })
    }

    /// A list of the tracks' own dictionaries.
    #[pyo3(signature = () -> "list[dict[str, Any]]")]
    fn to_dict<'py>(&self, py: Python<'py>) -> PyResult<Vec<Bound<'py, PyDict>>> {
        let tracks = self.tracks.iter();
        tracks.map(|track| PyTrack::to_dict(&Bound::new(py, track.clone())?)).collect()
    }

    fn _repr_html_(&self) -> String {
        self.tracks.iter().map(PyTrack::_repr_html_).collect()
    }

    fn __repr__(&self) -> String {
        let orders: Vec<String> = self.tracks.iter().map(|t| t.inner.order.to_string()).collect();
        format!("<Tracks of orders {}>", orders.join(", "))
    }
}

pickles!(PyTracks);

/// Synchronous average: the mean turn of a channel.
#[derive(Serialize, Deserialize)]
#[pyclass(frozen, name = "SynchronousAverage", module = "quietspin._core")]
pub(super) struct PySynchronousAverage {
    pub(super) inner: SynchronousAverage,
    pub(super) subject: Subject,
}

#[pymethods]
impl PySynchronousAverage {
    /// Name of the channel it was made from.
    #[getter]
    fn channel(&self) -> &str {
        &self.subject.channel
    }

    /// Shaft angle of each step in degrees: float64, shape (n,).
    #[getter]
    fn angle_deg<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyArray1<f64>>> {
        let n = self.inner.values.len();
        array(py, (0..n).map(|i| 360.0 * i as f64 / n as f64).collect())
    }

    /// Mean over all turns at each step, in ``unit``: float32, shape (n,).
    #[getter]
    fn values<'py>(slf: &Bound<'py, Self>) -> PyResult<Bound<'py, PyArray1<f32>>> {
        view(slf, |this| &this.inner.values)
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
        &self.subject.unit
    }

    /// Columns and what they mean: angle_deg, values, unit, turns, locked_rms, residual_rms.
    #[pyo3(signature = () -> "dict[str, Any]")]
    fn to_dict<'py>(slf: &Bound<'py, Self>) -> PyResult<Bound<'py, PyDict>> {
        let (py, this) = (slf.py(), slf.get());
        let columns = PyDict::new(py);
        columns.set_item("channel", &this.subject.channel)?;
        columns.set_item("angle_deg", this.angle_deg(py)?)?;
        columns.set_item("values", Self::values(slf)?)?;
        columns.set_item("unit", this.unit())?;
        columns.set_item("turns", this.inner.turns)?;
        columns.set_item("locked_rms", this.inner.locked_rms)?;
        columns.set_item("residual_rms", this.inner.residual_rms)?;
        Ok(columns)
    }

    fn __repr__(&self) -> String {
        format!("<SynchronousAverage of {} turns, {}>", self.inner.turns, self.unit())
    }
}

pickles!(PySynchronousAverage);
