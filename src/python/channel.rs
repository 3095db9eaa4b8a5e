//! One channel of a recording in Python.

use numpy::PyArray1;
use pyo3::prelude::*;
use pyo3::types::{PyBytes, PyDict};

use super::angle::{PyOrderMap, PySynchronousAverage, PyTrack, PyTracks};
use super::convert::{
    OrderList, Pair, array, compute_interruptibly, machine_from_pickle, pickled, unpickled, view,
    word,
};
use super::spectrum::{PyEnvelopeSpectrum, PySpectrogram, PySpectrum};
use super::speed::PySpeed;
use crate::angle::tracking_filter::{Bandwidth, TrackingFilter};
use crate::angle::windows::Length;
use crate::angle::{self, Method, OrderMap, Wave, average, map, resample};
use crate::case::KnownOrders;
use crate::error::{Error, Result};
use crate::figure::Subject;
use crate::machine::Machine;
use crate::machine::parse::resolved_toml;
use crate::recording::Channel;
use crate::speed::{Speed, SpeedSource};

/// The highest order that can be asked for: no line of a rotor lies above.
pub(super) const MAX_ORDER: f64 = 1000.0;
/// The most steps of angle in a turn that can be asked for.
const MAX_SAMPLES_PER_TURN: usize = 10_000;

/// Refuses an order that is none.
pub(super) fn check_order(name: &str, order: f64) -> Result<()> {
    if order > 0.0 && order <= MAX_ORDER {
        return Ok(());
    }
    let mend = format!("take one above 0 and up to {MAX_ORDER}");
    Err(Error::setting(name, format!("the order is {order}"), mend))
}

/// Refuses a distance between lines that the channel is too short for, or that is none.
fn check_resolution(channel: &Channel, resolution_hz: Option<f64>) -> Result<()> {
    let Some(asked_hz) = resolution_hz else { return Ok(()) };
    // a whole second has lines 1 Hz apart, whatever the rounding of its length
    if asked_hz * channel.duration_s() >= 1.0 - 1e-9 || channel.is_empty() {
        return Ok(());
    }
    Err(Error::setting(
        "resolution_hz",
        format!("lines {asked_hz} Hz apart cannot be had from {} s", channel.duration_s()),
        "take at least one over the length",
    ))
}

/// The speed given, or a constant over the channel from the machine file.
pub(super) fn speed_or_constant(
    speed: Option<Speed>,
    channel: &Channel,
    machine: &Machine,
) -> Result<Speed> {
    if let Some(speed) = speed {
        return Ok(speed);
    }
    let stated = machine.shaft.constant_rpm;
    let rpm = stated.ok_or_else(|| Error::setting("speed", "none is given", "pass rec.speed()"))?;
    let end_s = channel.start_s + channel.duration_s();
    Speed::constant(SpeedSource::Stated, rpm, channel.start_s, end_s)
}

/// A speed of its own, for work that outlives the call.
pub(super) fn own(speed: Option<Py<PySpeed>>) -> Option<Speed> {
    speed.map(|speed| speed.get().inner.clone())
}

/// A tone of fixed frequency, as a shaft that turns so fast.
fn tone(hz: f64, channel: &Channel) -> Result<Speed> {
    let end_s = channel.start_s + channel.duration_s();
    let speed = Speed::constant(SpeedSource::Stated, 60.0 * hz, channel.start_s, end_s);
    speed.ok().filter(|_| hz < 0.5 * channel.rate_hz).ok_or_else(|| {
        let mend = format!("give frequencies above 0 and below {}", 0.5 * channel.rate_hz);
        Error::setting("tones_hz", format!("{hz} Hz is no tone of this channel"), mend)
    })
}

/// What the methods of order tracks can be set to.
struct Settings {
    turns: Option<f64>,
    seconds: Option<f64>,
    bandwidth_orders: Option<f64>,
    bandwidth_hz: Option<f64>,
    poles: Option<usize>,
}

impl Settings {
    /// The method by its name, with its settings; those of another are refused.
    fn method(&self, name: &str) -> Result<Method> {
        let given = [
            ("turns", "transform", self.turns.is_some()),
            ("seconds", "blocks", self.seconds.is_some()),
            ("bandwidth_orders", "filter", self.bandwidth_orders.is_some()),
            ("bandwidth_hz", "filter", self.bandwidth_hz.is_some()),
            ("poles", "filter", self.poles.is_some()),
        ];
        if let Some((setting, owner, _)) = given.iter().find(|(_, of, is)| *is && *of != name) {
            let problem = format!("it belongs to method \"{owner}\", and \"{name}\" is asked for");
            return Err(Error::setting(*setting, problem, "leave it out or change the method"));
        }
        match name {
            "transform" => {
                Ok(Method::Windows(self.turns.map_or_else(Length::default, Length::Turns)))
            }
            "blocks" => Ok(Method::Windows(Length::Seconds(self.seconds.unwrap_or(0.1)))),
            "filter" => {
                let usual = TrackingFilter::default();
                let bandwidth = match (self.bandwidth_orders, self.bandwidth_hz) {
                    (Some(_), Some(_)) => {
                        let problem = "it is given in orders and in Hz";
                        return Err(Error::setting("bandwidth_hz", problem, "give one of them"));
                    }
                    (Some(orders), None) => Bandwidth::Orders(orders),
                    (None, Some(hz)) => Bandwidth::Hz(hz),
                    (None, None) => usual.bandwidth,
                };
                let poles = self.poles.unwrap_or(usual.poles);
                Ok(Method::Filter(TrackingFilter { bandwidth, poles }))
            }
            other => Err(Error::setting(
                "method",
                format!("there is no {other:?}"),
                "take \"transform\", \"blocks\" or \"filter\"",
            )),
        }
    }
}

/// One channel of a recording.
#[pyclass(frozen, name = "Channel", module = "quietspin._core")]
pub(super) struct PyChannel {
    pub(super) inner: Channel,
    machine: Machine,
    /// Name of the recording, where it has one of its own.
    recording: Option<String>,
}

impl PyChannel {
    pub(super) fn new(inner: Channel, machine: Machine, recording: Option<String>) -> Self {
        Self { inner, machine, recording }
    }

    /// Whose numbers the results of the channel are.
    pub(super) fn subject(&self) -> Subject {
        Subject::of(&self.inner).of_recording(self.recording.as_deref())
    }

    /// Another channel of the same machine and recording.
    pub(super) fn like(&self, inner: Channel) -> Self {
        Self::new(inner, self.machine.clone(), self.recording.clone())
    }

    /// Long work on the channel and its machine, see [`compute_interruptibly`]; the samples are shared.
    pub(super) fn work<T: Send + 'static>(
        &self,
        py: Python<'_>,
        stage: &str,
        work: impl FnOnce(&Channel, &Machine, Subject) -> Result<T> + Send + 'static,
    ) -> PyResult<T> {
        let (channel, machine) = (self.inner.clone(), self.machine.clone());
        let subject = self.subject();
        compute_interruptibly(py, stage, move |_| work(&channel, &machine, subject))
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
    fn values<'py>(slf: &Bound<'py, Self>) -> PyResult<Bound<'py, PyArray1<f32>>> {
        view(slf, |this| this.inner.values())
    }

    /// Averaged amplitude spectrum: zero-to-peak, Hann window, in the channel's unit.
    ///
    /// Parameters
    /// ----------
    /// resolution_hz : float, optional
    ///     Distance between lines in Hz; by default chosen from the length.
    ///
    /// Raises
    /// ------
    /// ValueError
    ///     Where the channel is too short for such lines, or they are too far apart to be lines.
    #[pyo3(signature = (*, resolution_hz = None))]
    fn spectrum(&self, py: Python<'_>, resolution_hz: Option<f64>) -> PyResult<PySpectrum> {
        self.work(py, "spectrum", move |channel, _, subject| {
            check_resolution(channel, resolution_hz)?;
            PySpectrum::amplitude(channel, subject, resolution_hz)
        })
    }

    /// Power spectral density in unit²/Hz (Welch, Hann window, half overlap).
    ///
    /// Parameters
    /// ----------
    /// resolution_hz : float, optional
    ///     Distance between lines in Hz; by default chosen from the length.
    ///
    /// Raises
    /// ------
    /// ValueError
    ///     Where the channel is too short for such lines, or they are too far apart to be lines.
    #[pyo3(signature = (*, resolution_hz = None))]
    fn psd(&self, py: Python<'_>, resolution_hz: Option<f64>) -> PyResult<PySpectrum> {
        self.work(py, "density", move |channel, _, subject| {
            check_resolution(channel, resolution_hz)?;
            PySpectrum::density(channel, subject, resolution_hz)
        })
    }

    /// Spectrogram: amplitude over time and frequency.
    ///
    /// Parameters
    /// ----------
    /// resolution_hz : float, default 20
    ///     Distance between lines in Hz.
    ///
    /// Raises
    /// ------
    /// ValueError
    ///     Where the channel is too short for such lines, or they are too far apart to be lines.
    #[pyo3(signature = (*, resolution_hz = None))]
    fn spectrogram(&self, py: Python<'_>, resolution_hz: Option<f64>) -> PyResult<PySpectrogram> {
        self.work(py, "spectrogram", move |channel, machine, subject| {
            check_resolution(channel, resolution_hz)?;
            PySpectrogram::of(channel, subject, KnownOrders::of(machine), resolution_hz)
        })
    }

    /// Spectrum of the squared envelope of a band, over orders where a speed is given, else over Hz.
    ///
    /// Parameters
    /// ----------
    /// speed : Speed, optional
    ///     Shaft speed; then the axis is orders.
    /// band_hz : tuple of float, optional
    ///     Band that is demodulated, in Hz; by default the most impulsive one, or the whole range where
    ///     none stands clear of noise.
    /// max_order : float, default 20
    ///     Highest order (with a speed), up to 1000.
    ///
    /// Raises
    /// ------
    /// ValueError
    ///     Where the band or the order cannot be had from the channel, or it is too short.
    #[pyo3(signature = (speed = None, *, band_hz = None, max_order = 20.0))]
    fn envelope_spectrum(
        &self,
        py: Python<'_>,
        speed: Option<Py<PySpeed>>,
        band_hz: Option<Pair>,
        max_order: f64,
    ) -> PyResult<PyEnvelopeSpectrum> {
        let speed = own(speed);
        let band_hz = band_hz.map(|Pair(low, high)| [low, high]);
        self.work(py, "envelope spectrum", move |channel, machine, subject| {
            check_order("max_order", max_order)?;
            PyEnvelopeSpectrum::of(channel, machine, subject, speed.as_ref(), band_hz, max_order)
        })
    }

    /// Order map: amplitude over orders and blocks of whole turns.
    ///
    /// Parameters
    /// ----------
    /// speed : Speed, optional
    ///     Shaft speed; may be left out where the machine file states a constant one.
    /// max_order : float, default 13
    ///     Highest order free of aliases, up to 1000.
    ///
    /// Raises
    /// ------
    /// ValueError
    ///     Where the order is out of range, there is no speed, or fewer than two whole turns are covered.
    #[pyo3(signature = (speed = None, *, max_order = 13.0))]
    fn order_map(
        &self,
        py: Python<'_>,
        speed: Option<Py<PySpeed>>,
        max_order: f64,
    ) -> PyResult<PyOrderMap> {
        let speed = own(speed);
        self.work(py, "order map", move |channel, machine, subject| {
            check_order("max_order", max_order)?;
            let speed = speed_or_constant(speed, channel, machine)?;
            let inner = OrderMap::of_channel(channel, &speed, max_order)?;
            Ok(PyOrderMap { inner, subject, known: KnownOrders::of(machine) })
        })
    }

    /// Order tracks: amplitude and phase of orders over time and speed.
    ///
    /// All orders, tones and orders of other shafts named here are solved for together, so that those that
    /// lie close or cross do not leak into each other.
    ///
    /// Parameters
    /// ----------
    /// speed : Speed, optional
    ///     Shaft speed; may be left out where the machine file states a constant one.
    /// orders : float or list of float, default [1]
    ///     Multiples of shaft speed, above 0 and up to 1000.
    /// method : {"transform", "blocks", "filter"}, default "transform"
    ///     transform: windows of constant turns, one resolution in orders. blocks: windows of constant
    ///     seconds, one resolution in Hz. filter: the coupled tracking filter, for orders that cross, and for
    ///     a band narrower or wider than windows give.
    /// turns : float, default 16
    ///     Length of a window of "transform", 2 or more.
    /// seconds : float, default 0.1
    ///     Length of a window of "blocks". An order that goes through fewer than two cycles in it gives no
    ///     point.
    /// bandwidth_orders : float, default 0.05
    ///     Width of the band of "filter" between its points of -3 dB, in orders; up to a hundredth of the
    ///     sampling rate.
    /// bandwidth_hz : float, optional
    ///     The same in Hz, instead of orders.
    /// poles : int, default 2
    ///     Steepness of the band of "filter", 1 to 3.
    /// tones_hz : list of float, optional
    ///     Tones of fixed frequency that are solved for beside the orders.
    /// others : list of tuple of Speed and float, optional
    ///     Orders of other shafts that are solved for beside these.
    ///
    /// Returns
    /// -------
    /// Tracks
    ///     A sequence with one Track for each order.
    ///
    /// Raises
    /// ------
    /// ValueError
    ///     Where an order or a setting is out of range or belongs to another method, there is no speed, or
    ///     the recording is too short.
    #[pyo3(signature = (
        speed = None, *, orders = OrderList(vec![1.0]), method = "transform", turns = None, seconds = None,
        bandwidth_orders = None, bandwidth_hz = None, poles = None, tones_hz = Vec::new(),
        others = Vec::new()
    ))]
    #[expect(clippy::too_many_arguments, reason = "each is a keyword")]
    fn track(
        &self,
        py: Python<'_>,
        speed: Option<Py<PySpeed>>,
        orders: OrderList,
        method: &str,
        turns: Option<f64>,
        seconds: Option<f64>,
        bandwidth_orders: Option<f64>,
        bandwidth_hz: Option<f64>,
        poles: Option<usize>,
        tones_hz: Vec<f64>,
        others: Vec<(Py<PySpeed>, f64)>,
    ) -> PyResult<PyTracks> {
        let settings = Settings { turns, seconds, bandwidth_orders, bandwidth_hz, poles };
        let OrderList(orders) = orders;
        let method = method.to_owned();
        let speed = own(speed);
        let others: Vec<(Speed, f64)> =
            others.into_iter().map(|(speed, order)| (speed.get().inner.clone(), order)).collect();
        let (channel, machine) = (self.inner.clone(), self.machine.clone());
        let subject = self.subject();
        compute_interruptibly(py, "order tracks", move |progress| {
            let method = settings.method(&method)?;
            orders.iter().try_for_each(|&order| check_order("orders", order))?;
            others.iter().try_for_each(|(_, order)| check_order("others", *order))?;
            let speed = speed_or_constant(speed, &channel, &machine)?;
            let tones: Vec<Speed> =
                tones_hz.iter().map(|&hz| tone(hz, &channel)).collect::<Result<_>>()?;
            let mut waves: Vec<Wave> =
                orders.iter().map(|&order| Wave { speed: &speed, order }).collect();
            waves.extend(tones.iter().map(|speed| Wave { speed, order: 1.0 }));
            waves.extend(others.iter().map(|(speed, order)| Wave { speed, order: *order }));
            let found = angle::follow(&channel, &waves, &method, progress)?;
            if let Some(empty) = found.iter().take(orders.len()).find(|track| track.is_empty()) {
                let judged_hz = map::JUDGED_SHARE_OF_RATE * channel.rate_hz;
                let problem = format!("order {} gives no point", empty.order);
                let mend = format!(
                    "take an order that stays below {judged_hz:.0} Hz somewhere, can be told from the others, \
                     and goes through two cycles in a window"
                );
                return Err(Error::setting("orders", problem, mend));
            }
            let window_turns = match method {
                Method::Windows(Length::Turns(turns)) => Some(turns),
                _ => None,
            };
            let make = |inner| PyTrack {
                inner,
                subject: subject.clone(),
                phase_stated: speed.edge.is_some(),
                phase_known: speed.source() == SpeedSource::Pulse,
                speed_error_percent: speed.error_percent,
                window_turns,
                corner_hz: channel.spec.corner_hz,
                slow_roll: None,
            };
            Ok(PyTracks { tracks: found.into_iter().take(orders.len()).map(make).collect() })
        })
    }

    /// Synchronous average: the mean turn.
    ///
    /// Parameters
    /// ----------
    /// speed : Speed, optional
    ///     Shaft speed; may be left out where the machine file states a constant one.
    /// samples_per_turn : int, default 128
    ///     Steps of angle in the mean turn, 4 to 10 000.
    ///
    /// Raises
    /// ------
    /// ValueError
    ///     Where the steps are out of range, there is no speed, or fewer than two whole turns are covered.
    #[pyo3(signature = (speed = None, *, samples_per_turn = 128))]
    fn synchronous_average(
        &self,
        py: Python<'_>,
        speed: Option<Py<PySpeed>>,
        samples_per_turn: usize,
    ) -> PyResult<PySynchronousAverage> {
        let speed = own(speed);
        self.work(py, "synchronous average", move |channel, machine, subject| {
            if !(4..=MAX_SAMPLES_PER_TURN).contains(&samples_per_turn) {
                return Err(Error::setting(
                    "samples_per_turn",
                    format!("{samples_per_turn} cannot be had"),
                    format!("take 4 to {MAX_SAMPLES_PER_TURN}"),
                ));
            }
            let speed = speed_or_constant(speed, channel, machine)?;
            let signal = resample::resample(channel, &speed, samples_per_turn)?;
            let inner = average::synchronous_average(&signal);
            Ok(PySynchronousAverage { inner, subject })
        })
    }

    /// Columns and what they mean: time_s, values, unit, role, rate_hz.
    #[pyo3(signature = () -> "dict[str, Any]")]
    fn to_dict<'py>(slf: &Bound<'py, Self>) -> PyResult<Bound<'py, PyDict>> {
        let (py, this) = (slf.py(), slf.get());
        let columns = PyDict::new(py);
        let times = (0..this.inner.len()).map(|i| this.inner.time_s(i as f64)).collect();
        columns.set_item("channel", this.name())?;
        columns.set_item("time_s", array(py, times)?)?;
        columns.set_item("values", Self::values(slf)?)?;
        columns.set_item("unit", this.unit())?;
        columns.set_item("role", this.role())?;
        columns.set_item("rate_hz", this.inner.rate_hz)?;
        Ok(columns)
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
        let machine = resolved_toml(&this.machine);
        let state = pickled(slf.py(), &(&this.inner, this.inner.name(), machine, &this.recording))?;
        Ok((slf.get_type().getattr("_restore")?, (state,)))
    }

    #[staticmethod]
    fn _restore(state: &[u8]) -> PyResult<Self> {
        type State = (Channel, String, String, Option<String>);
        let (mut inner, name, machine, recording): State = unpickled(state)?;
        inner.spec.name = name;
        Ok(Self::new(inner, machine_from_pickle(&machine)?, recording))
    }
}
