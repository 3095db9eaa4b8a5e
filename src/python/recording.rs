//! Recordings in Python.

use std::collections::HashMap;
use std::path::{Path, PathBuf};

use pyo3::exceptions::PyKeyError;
use pyo3::prelude::*;
use pyo3::types::{PyBytes, PyDict};

use super::channel::PyChannel;
use super::convert::{
    MachineLike, Samples, compute, compute_interruptibly, copied, exception, from_word,
    machine_from_pickle, machine_of, pickled, unpickled, word,
};
use super::html;
use super::speed::PySpeed;
use crate::diagnose::stated_otherwise;
use crate::error::Error;
use crate::machine::Machine;
use crate::machine::parse::resolved_toml;
use crate::recording::read::{ReadOptions, read_with, whole_channel};
use crate::recording::spec::apply_specs;
use crate::recording::{Channel, ChannelSpec, Edge, Recording};
use crate::speed::choose;
use crate::units::{Unit, grouped, three_digits};

/// Name of a recording from arrays that was given none.
const UNNAMED: &str = "arrays";

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
    let specs = machine.channel.clone();
    let inner = compute_interruptibly(py, "reading", move |progress| {
        let recording = read_with(&path, &ReadOptions { rate_hz }, progress)?;
        apply_specs(recording, &specs, &machine_path)
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
    ///     Samples by channel name, shape (n,), in the channel's unit; copied as float32. A sample that
    ///     is not finite repeats the one before, and ``notes`` says how many there were.
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
    ///     Where a unit, role or the rate cannot be used, no sample of an array is finite, or the machine
    ///     file does not fit.
    /// KeyError
    ///     Where ``units`` or ``roles`` name no array.
    /// OSError
    ///     Where the machine file cannot be read.
    #[staticmethod]
    #[pyo3(signature = (arrays: "dict[str, numpy.typing.ArrayLike]", *, rate_hz, units = None, roles = None, pulses_per_turn = None, edge = None, machine = None, name = UNNAMED))]
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
        let (mut channels, mut notes): (Vec<Channel>, Vec<String>) = Default::default();
        for (name, samples) in &arrays {
            let (name, samples): (String, Samples) = (name.extract()?, samples.extract()?);
            let mut spec = ChannelSpec::named(&name);
            spec.unit = units.get(&name).map(|symbol| unit_of(&name, symbol)).transpose()?;
            spec.role = roles.get(&name).map(|role| from_word("role", role)).transpose()?;
            (spec.pulses_per_turn, spec.edge) = (pulses_per_turn, edge);
            let (channel, note) =
                whole_channel(Path::new("arrays"), spec, rate_hz, copied(&samples))
                    .map_err(exception)?;
            channels.push(channel);
            notes.extend(note);
        }
        let known = |name: &&String| channels.iter().any(|channel| channel.name() == *name);
        if let Some(stranger) = units.keys().chain(roles.keys()).find(|name| !known(name)) {
            return Err(PyKeyError::new_err(format!("no array is named {stranger:?}")));
        }
        let inner = compute(py, || {
            let mut recording = Recording::from_channels(name, channels)?;
            recording.notes = notes;
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
    ///     From pulses, a speed channel, the stated constant, or the signal itself, in this order; ``notes``
    ///     says where what is stated was not used.
    ///
    /// Raises
    /// ------
    /// ValueError
    ///     Where no speed can be had, or what is stated is none; the message says why.
    #[pyo3(signature = (*, rpm = None, range_rpm = None))]
    fn speed(
        &self,
        py: Python<'_>,
        rpm: Option<f64>,
        range_rpm: Option<(f64, f64)>,
    ) -> PyResult<PySpeed> {
        let machine = self.machine_for(rpm, range_rpm)?;
        let recording = self.inner.clone();
        let inner = compute_interruptibly(py, "speed", move |progress| {
            let mut speed = choose::choose(&recording, &machine, progress)?.into_speed()?;
            speed.notes.extend(stated_otherwise(&machine, &speed));
            Ok(speed)
        })?;
        Ok(PySpeed { inner })
    }

    fn __getitem__(&self, name: &str) -> PyResult<PyChannel> {
        let channel = self.known(name)?;
        Ok(PyChannel::new(channel.clone(), self.machine.clone(), self.own_name()))
    }

    /// The recording in brief, as plain Python objects; samples are in ``rec[name].values``.
    #[pyo3(signature = () -> "dict[str, Any]")]
    fn to_dict<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyDict>> {
        let brief = PyDict::new(py);
        brief.set_item("name", &self.inner.name)?;
        brief.set_item("sha256", self.inner.sha256.as_deref())?;
        brief.set_item("duration_s", self.inner.duration_s())?;
        brief.set_item("notes", self.inner.notes.clone())?;
        let mut channels = Vec::new();
        for channel in &self.inner.channels {
            let row = PyDict::new(py);
            row.set_item("name", channel.name())?;
            row.set_item("role", word(&channel.spec.role()))?;
            row.set_item("quantity", word(&channel.spec.quantity()))?;
            row.set_item("unit", channel.spec.unit().symbol())?;
            row.set_item("rate_hz", channel.rate_hz)?;
            row.set_item("start_s", channel.start_s)?;
            row.set_item("samples", channel.len())?;
            row.set_item("calibrated", channel.is_calibrated())?;
            channels.push(row);
        }
        brief.set_item("channels", channels)?;
        Ok(brief)
    }

    fn _repr_html_(&self) -> String {
        let row = |channel: &Channel| {
            vec![
                channel.name().to_owned(),
                word(&channel.spec.role()),
                if channel.is_calibrated() {
                    channel.spec.unit().symbol().to_owned()
                } else {
                    format!("{}, not calibrated", channel.spec.unit().symbol())
                },
                format!("{} Hz", grouped(channel.rate_hz)),
                format!("{} s", three_digits(channel.duration_s())),
            ]
        };
        let rows: Vec<Vec<String>> = self.inner.channels.iter().map(row).collect();
        let head = ["channel", "role", "unit", "rate", "length"];
        let title = format!("recording {}", self.inner.name);
        html::grid(&title, &head, &rows) + &html::sentences(&self.inner.notes)
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
        let machine = resolved_toml(&this.machine);
        let state = pickled(slf.py(), &(&this.inner, names, machine, this.machine_given))?;
        Ok((slf.get_type().getattr("_restore")?, (state,)))
    }

    #[staticmethod]
    fn _restore(state: &[u8]) -> PyResult<Self> {
        type State = (Recording, Vec<String>, String, bool);
        let (mut inner, names, machine, machine_given): State = unpickled(state)?;
        // a channel's name is its table's name in machine files, and not among its keys
        for (channel, name) in inner.channels.iter_mut().zip(names) {
            channel.spec.name = name;
        }
        Ok(Self { inner, machine: machine_from_pickle(&machine)?, machine_given })
    }
}

impl PyRecording {
    /// The channel of this name, or Python's error for a key that is not there.
    pub(super) fn known(&self, name: &str) -> PyResult<&Channel> {
        self.inner.channel(name).map_err(|error| PyKeyError::new_err(error.to_string()))
    }

    /// The name, where it has one of its own.
    pub(super) fn own_name(&self) -> Option<String> {
        Some(self.inner.name.clone()).filter(|name| name != UNNAMED)
    }

    /// The machine with what the caller states about speed put over it.
    pub(super) fn machine_for(
        &self,
        rpm: Option<f64>,
        range_rpm: Option<(f64, f64)>,
    ) -> PyResult<Machine> {
        let mut machine = self.machine.clone();
        machine.shaft.state_speed(rpm, range_rpm).map_err(exception)?;
        Ok(machine)
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
