//! Recordings and channels in Python.

use std::collections::HashMap;
use std::path::PathBuf;

use numpy::PyArray1;
use pyo3::exceptions::PyKeyError;
use pyo3::prelude::*;
use pyo3::sync::PyOnceLock;
use pyo3::types::{PyBytes, PyDict};

use super::angle::{PyOrderMap, PySynchronousAverage, PyTrack};
use super::convert::{
    MachineLike, Samples, array, compute, copied, exception, from_word, machine_of, pickled,
    unpickled, word,
};
use super::spectrum::{PyEnvelopeSpectrum, PySpectrogram, PySpectrum};
use super::speed::PySpeed;
use crate::angle::{OrderMap, average, resample};
use crate::error::{Error, Result};
use crate::machine::Machine;
use crate::progress::Silent;
use crate::recording::read::{ReadOptions, read_with};
use crate::recording::spec::apply_specs;
use crate::recording::{Channel, ChannelSpec, Edge, Recording};
use crate::speed::{Speed, SpeedSource, choose};
use crate::units::Unit;

/// Channels recorded together, with the machine file that describes them.
///
/// Index with a channel's name: ``rec["front"]``.
#[pyclass(frozen, name = "Recording", module = "quietspin._core")]
pub(super) struct PyRecording {
    pub(super) inner: Recording,
    pub(super) machine: Machine,
    pub(super) machine_given: bool,
}

/// Read a recording: WAV, CSV, NPY or NPZ.
///
/// Parameters
/// ----------
/// path : str or os.PathLike
///     The file.
/// machine : str, os.PathLike or Machine, optional
///     Machine file with channels, calibration, bearings and limits.
/// rate_hz : float, optional
///     Sampling rate in Hz, for files that do not state one.
///
/// Returns
/// -------
/// Recording
///     What was guessed or repaired on the way stands in ``notes``.
///
/// Raises
/// ------
/// OSError
///     Where the file cannot be read.
/// ValueError
///     Where its content cannot be used, or the machine file does not fit it.
#[pyfunction]
#[pyo3(signature = (path, *, machine = None, rate_hz = None))]
pub(super) fn read(
    py: Python<'_>,
    path: PathBuf,
    machine: Option<MachineLike>,
    rate_hz: Option<f64>,
) -> PyResult<PyRecording> {
    let (machine, machine_given, machine_path) = machine_of(machine)?;
    let inner = compute(py, || {
        let recording = read_with(&path, &ReadOptions { rate_hz }, &mut Silent)?;
        apply_specs(recording, &machine.channel, &machine_path)
    })?;
    Ok(PyRecording { inner, machine, machine_given })
}

#[pymethods]
impl PyRecording {
    /// Make a recording from arrays.
    ///
    /// Parameters
    /// ----------
    /// arrays : dict of str to array_like
    ///     Samples by channel name, shape (n,), in the channel's unit; copied as float32.
    /// rate_hz : float
    ///     Sampling rate in Hz of all channels.
    /// units : dict of str to str, optional
    ///     Unit symbol by channel name: ``g``, ``m/s2``, ``mm/s``, ``um``, ``Pa``, ``rpm``, ``V``, ...
    /// roles : dict of str to str, optional
    ///     ``vibration``, ``pulse``, ``speed``, ``sound``, ``slow`` or ``other`` by channel name;
    ///     guessed where not given, and said so in ``notes``.
    /// pulses_per_turn : int, optional
    ///     Of the pulse channels.
    /// edge : {'rising', 'falling'}, optional
    ///     Edge of the pulse that marks angle zero; without it no phase is given.
    /// machine : str, os.PathLike or Machine, optional
    ///     Machine file; its channel tables come before the other arguments.
    /// name : str, optional
    ///     Name of the recording.
    ///
    /// Raises
    /// ------
    /// ValueError
    ///     Where a name, unit, role or the rate cannot be used.
    #[staticmethod]
    #[pyo3(signature = (arrays: "dict[str, numpy.typing.ArrayLike]", *, rate_hz, units = None, roles = None, pulses_per_turn = None, edge = None, machine = None, name = "arrays"))]
    #[allow(clippy::too_many_arguments)] // keyword arguments of a Python constructor
    fn from_arrays(
        py: Python<'_>,
        arrays: Bound<'_, PyDict>,
        rate_hz: f64,
        units: Option<HashMap<String, String>>,
        roles: Option<HashMap<String, String>>,
        pulses_per_turn: Option<u32>,
        edge: Option<&str>,
        machine: Option<MachineLike>,
        name: &str,
    ) -> PyResult<Self> {
        let (machine, machine_given, machine_path) = machine_of(machine)?;
        let edge: Option<Edge> = edge.map(|edge| from_word("edge", edge)).transpose()?;
        let (units, roles) = (units.unwrap_or_default(), roles.unwrap_or_default());
        let mut channels: Vec<Channel> = Vec::new();
        for (name, samples) in &arrays {
            let (name, samples): (String, Samples) = (name.extract()?, samples.extract()?);
            let mut spec = ChannelSpec::named(&name);
            spec.unit = units.get(&name).map(|symbol| unit_of(&name, symbol)).transpose()?;
            spec.role = roles.get(&name).map(|role| from_word("role", role)).transpose()?;
            (spec.pulses_per_turn, spec.edge) = (pulses_per_turn, edge);
            channels.push(Channel::new(spec, rate_hz, copied(&samples)).map_err(exception)?);
        }
        let known = |name: &&String| channels.iter().any(|channel| channel.name() == *name);
        if let Some(stranger) = units.keys().chain(roles.keys()).find(|name| !known(name)) {
            return Err(PyKeyError::new_err(format!("no array is named {stranger:?}")));
        }
        let inner = compute(py, || {
            let recording = Recording::from_channels(name, channels)?;
            apply_specs(recording, &machine.channel, &machine_path)
        })?;
        Ok(Self { inner, machine, machine_given })
    }

    /// Name of the recording.
    #[getter]
    fn name(&self) -> &str {
        &self.inner.name
    }

    /// Names of the channels, in file order.
    #[getter]
    fn channel_names(&self) -> Vec<&str> {
        self.inner.channels.iter().map(Channel::name).collect()
    }

    /// Length of the longest channel in seconds.
    #[getter]
    fn duration_s(&self) -> f64 {
        self.inner.duration_s()
    }

    /// What the reader guessed or repaired, a sentence each.
    #[getter]
    fn notes(&self) -> Vec<String> {
        self.inner.notes.clone()
    }

    /// SHA-256 of the file in hexadecimal; None for arrays.
    #[getter]
    fn sha256(&self) -> Option<&str> {
        self.inner.sha256.as_deref()
    }

    /// The machine file that describes the recording; None where none was given.
    #[getter]
    fn machine(&self) -> Option<super::machine::PyMachine> {
        let machine =
            || super::machine::PyMachine { inner: self.machine.clone(), path: PathBuf::new() };
        self.machine_given.then(machine)
    }

    /// Shaft speed and angle over time.
    ///
    /// Parameters
    /// ----------
    /// rpm : float, optional
    ///     A constant speed that you know, in rpm.
    /// range_rpm : tuple of float, optional
    ///     Lowest and highest speed in rpm, for a search without pulses.
    ///
    /// Returns
    /// -------
    /// Speed
    ///     From pulses, a speed channel, the stated constant, or the signal itself, in this order.
    ///
    /// Raises
    /// ------
    /// ValueError
    ///     Where no speed can be had; the message says why.
    #[pyo3(signature = (*, rpm = None, range_rpm = None))]
    fn speed(
        &self,
        py: Python<'_>,
        rpm: Option<f64>,
        range_rpm: Option<(f64, f64)>,
    ) -> PyResult<PySpeed> {
        let machine = self.machine_for(rpm, range_rpm);
        let inner =
            compute(py, || choose::choose(&self.inner, &machine, &mut Silent)?.into_speed())?;
        Ok(PySpeed { inner })
    }

    fn __getitem__(&self, name: &str) -> PyResult<PyChannel> {
        let channel = self.inner.channel(name);
        let channel = channel.map_err(|error| PyKeyError::new_err(error.to_string()))?;
        Ok(PyChannel::new(channel.clone(), self.machine.clone()))
    }

    fn __len__(&self) -> usize {
        self.inner.channels.len()
    }

    fn __repr__(&self) -> String {
        format!(
            "<Recording {}: {:.1} s, {}>",
            self.inner.name,
            self.inner.duration_s(),
            self.channel_names().join(", ")
        )
    }

    fn __reduce__<'py>(
        slf: &Bound<'py, Self>,
    ) -> PyResult<(Bound<'py, PyAny>, (Bound<'py, PyBytes>,))> {
        let this = slf.get();
        let names: Vec<&str> = this.inner.channels.iter().map(Channel::name).collect();
        let machine_names: Vec<&String> = this.machine.channel.keys().collect();
        let state = pickled(
            slf.py(),
            &(&this.inner, names, &this.machine, machine_names, this.machine_given),
        )?;
        Ok((slf.get_type().getattr("_restore")?, (state,)))
    }

    #[staticmethod]
    fn _restore(state: &[u8]) -> PyResult<Self> {
        type State = (Recording, Vec<String>, Machine, Vec<String>, bool);
        let (mut inner, names, mut machine, machine_names, machine_given): State =
            unpickled(state)?;
        // a channel's name is its table's name in machine files, and not among its keys
        for (channel, name) in inner.channels.iter_mut().zip(names) {
            channel.spec.name = name;
        }
        for name in machine_names {
            if let Some(spec) = machine.channel.get_mut(&name) {
                spec.name.clone_from(&name);
            }
        }
        Ok(Self { inner, machine, machine_given })
    }
}

impl PyRecording {
    /// The machine with what the caller states about speed put over it.
    pub(super) fn machine_for(&self, rpm: Option<f64>, range_rpm: Option<(f64, f64)>) -> Machine {
        let mut machine = self.machine.clone();
        if rpm.is_some() {
            machine.shaft.constant_rpm = rpm;
        }
        if let Some((low, high)) = range_rpm {
            machine.shaft.lowest_rpm = Some(low);
            machine.shaft.top_rpm = Some(high);
        }
        machine
    }
}

fn unit_of(name: &str, symbol: &str) -> PyResult<Unit> {
    Unit::from_symbol(symbol).ok_or_else(|| {
        let known: Vec<&str> = Unit::all().map(Unit::symbol).collect();
        let error = Error::setting(
            format!("unit of {name}"),
            format!("{symbol:?} is no known unit"),
            format!("choose among {}", known.join(", ")),
        );
        exception(error)
    })
}

/// One channel of a recording.
#[pyclass(frozen, name = "Channel", module = "quietspin._core")]
pub(super) struct PyChannel {
    inner: Channel,
    machine: Machine,
    values: PyOnceLock<Py<PyArray1<f32>>>,
}

impl PyChannel {
    fn new(inner: Channel, machine: Machine) -> Self {
        Self { inner, machine, values: PyOnceLock::new() }
    }

    /// The speed given, or a constant over the channel from the machine file.
    fn speed_or_constant(&self, speed: Option<&PySpeed>) -> Result<Speed> {
        if let Some(speed) = speed {
            return Ok(speed.inner.clone());
        }
        let rpm = self
            .machine
            .shaft
            .constant_rpm
            .ok_or_else(|| Error::setting("speed", "none is given", "pass rec.speed()"))?;
        let end_s = self.inner.start_s + self.inner.duration_s();
        Speed::constant(SpeedSource::Stated, rpm, self.inner.start_s, end_s)
    }
}

#[pymethods]
impl PyChannel {
    /// Name of the channel.
    #[getter]
    fn name(&self) -> &str {
        self.inner.name()
    }

    /// Role: vibration, pulse, speed, sound, slow or other.
    #[getter]
    fn role(&self) -> String {
        word(&self.inner.spec.role())
    }

    /// Unit symbol of the samples.
    #[getter]
    fn unit(&self) -> &'static str {
        self.inner.spec.unit().symbol()
    }

    /// Quantity: acceleration, velocity, displacement, pressure, speed, temperature or unknown.
    #[getter]
    fn quantity(&self) -> String {
        word(&self.inner.spec.quantity())
    }

    /// Sampling rate in Hz.
    #[getter]
    fn rate_hz(&self) -> f64 {
        self.inner.rate_hz
    }

    /// Time of the first sample in seconds.
    #[getter]
    fn start_s(&self) -> f64 {
        self.inner.start_s
    }

    /// Samples in the channel's unit: float32, shape (n,), read-only.
    #[getter]
    fn values<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyArray1<f32>>> {
        let make = || PyResult::Ok(array(py, self.inner.values().to_vec())?.unbind());
        Ok(self.values.get_or_try_init(py, make)?.bind(py).clone())
    }

    /// Averaged amplitude spectrum: zero-to-peak, Hann window, in the channel's unit.
    ///
    /// Parameters
    /// ----------
    /// resolution_hz : float, optional
    ///     Distance between lines in Hz; by default chosen from the length.
    #[pyo3(signature = (*, resolution_hz = None))]
    fn spectrum(&self, py: Python<'_>, resolution_hz: Option<f64>) -> PyResult<PySpectrum> {
        compute(py, || PySpectrum::amplitude(&self.inner, resolution_hz))
    }

    /// Power spectral density in unit²/Hz (Welch, Hann window, half overlap).
    ///
    /// Parameters
    /// ----------
    /// resolution_hz : float, optional
    ///     Distance between lines in Hz; by default chosen from the length.
    #[pyo3(signature = (*, resolution_hz = None))]
    fn psd(&self, py: Python<'_>, resolution_hz: Option<f64>) -> PyResult<PySpectrum> {
        compute(py, || PySpectrum::density(&self.inner, resolution_hz))
    }

    /// Spectrogram: amplitude over time and frequency.
    ///
    /// Parameters
    /// ----------
    /// resolution_hz : float, optional
    ///     Distance between lines in Hz; by default chosen from the length.
    #[pyo3(signature = (*, resolution_hz = None))]
    fn spectrogram(&self, py: Python<'_>, resolution_hz: Option<f64>) -> PyResult<PySpectrogram> {
        compute(py, || PySpectrogram::of(&self.inner, resolution_hz))
    }

    /// Spectrum of the squared envelope of a band, over orders where a speed is given, else over Hz.
    ///
    /// Parameters
    /// ----------
    /// speed : Speed, optional
    ///     Shaft speed; then the axis is orders.
    /// band_hz : tuple of float, optional
    ///     Band that is demodulated, in Hz; by default the most impulsive one is chosen.
    /// max_order : float, default 20
    ///     Highest order (with a speed).
    #[pyo3(signature = (speed = None, *, band_hz = None, max_order = 20.0))]
    fn envelope_spectrum(
        &self,
        py: Python<'_>,
        speed: Option<Py<PySpeed>>,
        band_hz: Option<(f64, f64)>,
        max_order: f64,
    ) -> PyResult<PyEnvelopeSpectrum> {
        let speed = speed.as_ref().map(|speed| &speed.get().inner);
        let band_hz = band_hz.map(|(low, high)| [low, high]);
        compute(py, || PyEnvelopeSpectrum::of(&self.inner, speed, band_hz, max_order))
    }

    /// Order map: amplitude over orders and blocks of whole turns.
    ///
    /// Parameters
    /// ----------
    /// speed : Speed, optional
    ///     Shaft speed; may be left out where the machine file states a constant one.
    /// max_order : float, default 13
    ///     Highest order free of aliases.
    #[pyo3(signature = (speed = None, *, max_order = 13.0))]
    fn order_map(
        &self,
        py: Python<'_>,
        speed: Option<Py<PySpeed>>,
        max_order: f64,
    ) -> PyResult<PyOrderMap> {
        let unit = self.unit();
        compute(py, || {
            let speed = self.speed_or_constant(speed.as_ref().map(Py::get))?;
            let steps = resample::samples_per_turn_for(max_order);
            let signal = resample::resample(&self.inner, &speed, steps)?;
            Ok(PyOrderMap { inner: OrderMap::of(&signal), unit: unit.to_owned() })
        })
    }

    /// Order tracks: amplitude and phase of orders over time and speed.
    ///
    /// Parameters
    /// ----------
    /// speed : Speed, optional
    ///     Shaft speed; may be left out where the machine file states a constant one.
    /// orders : list of float, default [1]
    ///     Multiples of shaft speed.
    ///
    /// Returns
    /// -------
    /// list of Track
    #[pyo3(signature = (speed = None, *, orders = vec![1.0]))]
    fn track(
        &self,
        py: Python<'_>,
        speed: Option<Py<PySpeed>>,
        orders: Vec<f64>,
    ) -> PyResult<Vec<PyTrack>> {
        let unit = self.unit();
        compute(py, || {
            let speed = self.speed_or_constant(speed.as_ref().map(Py::get))?;
            let highest = orders.iter().copied().fold(1.0, f64::max);
            let steps = resample::samples_per_turn_for(highest + 1.0);
            let map = OrderMap::of(&resample::resample(&self.inner, &speed, steps)?);
            let make = |&order: &f64| {
                let track = map.track(order).ok_or_else(|| {
                    Error::setting(
                        "orders",
                        format!("{order} is outside the map"),
                        "ask for orders above 0",
                    )
                })?;
                Ok(PyTrack {
                    inner: track,
                    unit: unit.to_owned(),
                    phase_stated: speed.edge.is_some(),
                })
            };
            orders.iter().map(make).collect()
        })
    }

    /// Synchronous average: the mean turn.
    ///
    /// Parameters
    /// ----------
    /// speed : Speed, optional
    ///     Shaft speed; may be left out where the machine file states a constant one.
    /// samples_per_turn : int, default 128
    ///     Steps of angle in the mean turn.
    #[pyo3(signature = (speed = None, *, samples_per_turn = 128))]
    fn synchronous_average(
        &self,
        py: Python<'_>,
        speed: Option<Py<PySpeed>>,
        samples_per_turn: usize,
    ) -> PyResult<PySynchronousAverage> {
        let unit = self.unit();
        compute(py, || {
            if samples_per_turn < 4 {
                return Err(Error::setting(
                    "samples_per_turn",
                    format!("{samples_per_turn} is too few"),
                    "take at least 4",
                ));
            }
            let speed = self.speed_or_constant(speed.as_ref().map(Py::get))?;
            let signal = resample::resample(&self.inner, &speed, samples_per_turn)?;
            Ok(PySynchronousAverage {
                inner: average::synchronous_average(&signal),
                unit: unit.to_owned(),
            })
        })
    }

    fn __len__(&self) -> usize {
        self.inner.len()
    }

    fn __repr__(&self) -> String {
        format!(
            "<Channel {}: {}, {} samples at {} Hz, {}>",
            self.inner.name(),
            self.role(),
            self.inner.len(),
            self.inner.rate_hz,
            self.unit()
        )
    }

    fn __reduce__<'py>(
        slf: &Bound<'py, Self>,
    ) -> PyResult<(Bound<'py, PyAny>, (Bound<'py, PyBytes>,))> {
        let this = slf.get();
        let state = pickled(slf.py(), &(&this.inner, this.inner.name(), &this.machine))?;
        Ok((slf.get_type().getattr("_restore")?, (state,)))
    }

    #[staticmethod]
    fn _restore(state: &[u8]) -> PyResult<Self> {
        let (mut inner, name, machine): (Channel, String, Machine) = unpickled(state)?;
        inner.spec.name = name;
        Ok(Self::new(inner, machine))
    }
}
