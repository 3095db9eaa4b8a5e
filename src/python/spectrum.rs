//! Spectra, spectrograms and envelope spectra in Python.

use numpy::{PyArray1, PyArray2, PyArrayMethods};
use pyo3::prelude::*;
use pyo3::types::PyDict;
use serde::{Deserialize, Serialize};

use super::convert::{array, pickles, view, word};
use super::html;
use crate::angle::map::JUDGED_SHARE_OF_RATE;
use crate::case::KnownOrders;
use crate::error::Result;
use crate::figure::Subject;
use crate::machine::{Machine, Multipliers};
use crate::recording::Channel;
use crate::spectrum::bands::{self, BandSearch};
use crate::spectrum::envelope::{envelope_spectrum_hz, squared_envelope};
use crate::spectrum::envelope_order::{OrderEnvelopeConfig, envelope_order_spectrum};
use crate::spectrum::spectrogram::{Spectrogram, SpectrogramConfig, spectrogram};
use crate::spectrum::{Scaling, Spectrum, SpectrumConfig, averaged_spectrum};
use crate::speed::Speed;
use crate::units::three_digits;

fn config(resolution_hz: Option<f64>) -> SpectrumConfig {
    SpectrumConfig { resolution_hz, ..SpectrumConfig::default() }
}

/// A one-sided spectrum.
#[derive(Serialize, Deserialize)]
#[pyclass(frozen, name = "Spectrum", module = "quietspin._core")]
pub(super) struct PySpectrum {
    pub(super) inner: Spectrum,
    pub(super) subject: Subject,
}

impl PySpectrum {
    pub(super) fn amplitude(
        channel: &Channel,
        subject: Subject,
        resolution_hz: Option<f64>,
    ) -> Result<Self> {
        Self::of(channel, subject, resolution_hz, Scaling::Amplitude)
    }

    pub(super) fn density(
        channel: &Channel,
        subject: Subject,
        resolution_hz: Option<f64>,
    ) -> Result<Self> {
        Self::of(channel, subject, resolution_hz, Scaling::Density)
    }

    fn of(
        channel: &Channel,
        subject: Subject,
        resolution_hz: Option<f64>,
        scaling: Scaling,
    ) -> Result<Self> {
        let power = averaged_spectrum(channel.values(), channel.rate_hz, &config(resolution_hz))?;
        let unit = channel.spec.unit().symbol();
        Ok(Self { inner: power.spectrum(scaling).with_unit(unit), subject })
    }
}

#[pymethods]
impl PySpectrum {
    /// Name of the channel it was made from.
    #[getter]
    fn channel(&self) -> &str {
        &self.subject.channel
    }

    /// Frequencies in Hz: float64, shape (n,).
    #[getter]
    fn frequency_hz<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyArray1<f64>>> {
        array(py, self.inner.axis_hz())
    }

    /// Values in ``unit``, as ``scaling`` says: float32, shape (n,).
    #[getter]
    fn values<'py>(slf: &Bound<'py, Self>) -> PyResult<Bound<'py, PyArray1<f32>>> {
        view(slf, |this| &this.inner.values)
    }

    /// amplitude (zero-to-peak), power (mean square) or density (mean square per Hz).
    #[getter]
    fn scaling(&self) -> String {
        word(&self.inner.scaling)
    }

    /// Unit of the values.
    #[getter]
    fn unit(&self) -> String {
        self.inner.unit_text()
    }

    /// Segments averaged.
    #[getter]
    fn averages(&self) -> usize {
        self.inner.averages
    }

    /// Equivalent noise bandwidth of the window in Hz.
    #[getter]
    fn noise_bandwidth_hz(&self) -> f64 {
        self.inner.noise_bandwidth_hz
    }

    /// Rms in ``[low_hz, high_hz]``, in the unit of the samples.
    fn rms(&self, low_hz: f64, high_hz: f64) -> f64 {
        self.inner.rms_in([low_hz, high_hz])
    }

    /// Columns and what they mean: frequency_hz, values, unit, scaling.
    #[pyo3(signature = () -> "dict[str, Any]")]
    fn to_dict<'py>(slf: &Bound<'py, Self>) -> PyResult<Bound<'py, PyDict>> {
        let (py, this) = (slf.py(), slf.get());
        let columns = PyDict::new(py);
        columns.set_item("channel", &this.subject.channel)?;
        columns.set_item("frequency_hz", this.frequency_hz(py)?)?;
        columns.set_item("values", Self::values(slf)?)?;
        columns.set_item("unit", this.unit())?;
        columns.set_item("scaling", this.scaling())?;
        Ok(columns)
    }

    fn _repr_html_(&self) -> String {
        html::table(
            &format!("{}: averaged spectrum", self.subject.channel),
            &[
                ("scaling", format!("{}, {}", self.scaling(), self.unit())),
                ("frequencies", format!("0 to {} Hz", three_digits(self.inner.end_hz()))),
                ("distance of lines", format!("{} Hz", three_digits(self.inner.bin_hz))),
                ("segments averaged", self.inner.averages.to_string()),
                (
                    "rms of all",
                    format!(
                        "{} {}",
                        three_digits(self.inner.rms_in([0.0, f64::INFINITY])),
                        self.subject.unit
                    ),
                ),
            ],
        )
    }

    fn __len__(&self) -> usize {
        self.inner.values.len()
    }

    fn __repr__(&self) -> String {
        format!(
            "<Spectrum: {} to {:.0} Hz, {:.3} Hz apart, {}>",
            self.scaling(),
            self.inner.end_hz(),
            self.inner.bin_hz,
            self.unit()
        )
    }
}

pickles!(PySpectrum);

/// Amplitude over time and frequency.
#[derive(Serialize, Deserialize)]
#[pyclass(frozen, name = "Spectrogram", module = "quietspin._core")]
pub(super) struct PySpectrogram {
    pub(super) inner: Spectrogram,
    pub(super) start_s: f64,
    pub(super) subject: Subject,
    /// What the machine file says of orders to be expected.
    pub(super) known: KnownOrders,
}

impl PySpectrogram {
    pub(super) fn of(
        channel: &Channel,
        subject: Subject,
        known: KnownOrders,
        resolution_hz: Option<f64>,
    ) -> Result<Self> {
        let mut config = SpectrogramConfig::default();
        config.spectrum.resolution_hz = resolution_hz.or(config.spectrum.resolution_hz);
        Ok(Self {
            inner: spectrogram(channel.values(), channel.rate_hz, &config)?,
            start_s: channel.time_s(0.0),
            subject,
            known,
        })
    }
}

#[pymethods]
impl PySpectrogram {
    /// Name of the channel it was made from.
    #[getter]
    fn channel(&self) -> &str {
        &self.subject.channel
    }

    /// Middle of each row in seconds: float64, shape (times,).
    #[getter]
    fn time_s<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyArray1<f64>>> {
        array(py, self.inner.times_s.iter().map(|t| t + self.start_s).collect())
    }

    /// Frequencies in Hz: float64, shape (frequencies,).
    #[getter]
    fn frequency_hz<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyArray1<f64>>> {
        array(py, self.inner.axis_hz())
    }

    /// Values in ``unit``: float32, shape (times, frequencies).
    #[getter]
    fn values<'py>(slf: &Bound<'py, Self>) -> PyResult<Bound<'py, PyArray2<f32>>> {
        // made row by row, so that it lies in one piece
        view(slf, |this| this.inner.values.as_slice().unwrap_or_default())?
            .reshape(slf.get().inner.values.dim())
    }

    /// amplitude, power or density.
    #[getter]
    fn scaling(&self) -> String {
        word(&self.inner.scaling)
    }

    /// Unit of the samples.
    #[getter]
    fn unit(&self) -> &str {
        &self.subject.unit
    }

    /// Axes, values (times, frequencies) and what they mean.
    #[pyo3(signature = () -> "dict[str, Any]")]
    fn to_dict<'py>(slf: &Bound<'py, Self>) -> PyResult<Bound<'py, PyDict>> {
        let (py, this) = (slf.py(), slf.get());
        let columns = PyDict::new(py);
        columns.set_item("channel", &this.subject.channel)?;
        columns.set_item("time_s", this.time_s(py)?)?;
        columns.set_item("frequency_hz", this.frequency_hz(py)?)?;
        columns.set_item("values", Self::values(slf)?)?;
        columns.set_item("unit", this.unit())?;
        columns.set_item("scaling", this.scaling())?;
        Ok(columns)
    }

    fn __repr__(&self) -> String {
        let (times, frequencies) = self.inner.values.dim();
        format!("<Spectrogram: {times} times x {frequencies} frequencies, {}>", self.unit())
    }
}

pickles!(PySpectrogram);

/// The rolling bearings of a machine file whose multipliers are known.
pub(super) fn bearings_of(machine: &Machine) -> Vec<(String, Multipliers)> {
    let known = machine.bearing.iter().filter_map(|(name, bearing)| {
        Some((name.clone(), bearing.multipliers(name).ok().flatten()?))
    });
    known.collect()
}

/// The constant shaft speed that a machine file states.
pub(super) fn stated_hz(machine: &Machine) -> Option<f64> {
    machine.shaft.constant_rpm.map(|rpm| rpm / 60.0)
}

/// Spectrum of the squared envelope of a band: what repeats in the bursts of a signal.
#[derive(Serialize, Deserialize)]
#[pyclass(frozen, name = "EnvelopeSpectrum", module = "quietspin._core")]
pub(super) struct PyEnvelopeSpectrum {
    pub(super) axis: Vec<f64>,
    pub(super) values: Vec<f32>,
    pub(super) in_orders: bool,
    pub(super) speed_hz: Option<f64>,
    pub(super) band_hz: [f64; 2],
    chosen: bool,
    averages: usize,
    pub(super) subject: Subject,
    /// The rolling bearings of the machine file whose multipliers are known.
    pub(super) bearings: Vec<(String, Multipliers)>,
    /// The constant shaft speed that the machine file states.
    pub(super) stated_hz: Option<f64>,
}

impl PyEnvelopeSpectrum {
    pub(super) fn of(
        channel: &Channel,
        machine: &Machine,
        subject: Subject,
        speed: Option<&Speed>,
        band_hz: Option<[f64; 2]>,
        max_order: f64,
    ) -> Result<Self> {
        let (samples, rate_hz) = (channel.values(), channel.rate_hz);
        let chosen = band_hz.is_none();
        let (bearings, stated_hz) = (bearings_of(machine), stated_hz(machine));
        let search = BandSearch::default();
        let band_hz = match band_hz {
            Some(band_hz) => band_hz,
            None => {
                let ranked = bands::ranked_bands(samples, rate_hz, &search)?;
                // where no band stands clear of noise the whole range is as good as any
                bands::chosen(&ranked).unwrap_or([search.low_hz, JUDGED_SHARE_OF_RATE * rate_hz])
            }
        };
        let envelope = squared_envelope(samples, rate_hz, band_hz)?;
        let Some(speed) = speed else {
            let spectrum =
                envelope_spectrum_hz(&envelope, &SpectrumConfig::default(), Scaling::Amplitude)?;
            return Ok(Self {
                axis: spectrum.axis_hz(),
                averages: spectrum.averages,
                values: spectrum.values,
                in_orders: false,
                speed_hz: None,
                band_hz,
                chosen,
                subject,
                bearings,
                stated_hz,
            });
        };
        let config = OrderEnvelopeConfig { max_order, ..OrderEnvelopeConfig::default() };
        let orders = envelope_order_spectrum(&envelope, speed, channel.time_s(0.0), &config)?;
        Ok(Self {
            axis: (0..orders.values.len()).map(|i| orders.order(i)).collect(),
            averages: orders.averages,
            speed_hz: Some(orders.speed_hz),
            values: orders.values,
            in_orders: true,
            band_hz,
            chosen,
            subject,
            bearings,
            stated_hz,
        })
    }
}

#[pymethods]
impl PyEnvelopeSpectrum {
    /// Name of the channel it was made from.
    #[getter]
    fn channel(&self) -> &str {
        &self.subject.channel
    }

    /// Orders: float64, shape (n,). None where no speed was given.
    #[getter]
    fn order<'py>(&self, py: Python<'py>) -> PyResult<Option<Bound<'py, PyArray1<f64>>>> {
        self.in_orders.then(|| array(py, self.axis.clone())).transpose()
    }

    /// Frequencies in Hz, at the mean speed where a speed was given: float64, shape (n,).
    #[getter]
    fn frequency_hz<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyArray1<f64>>> {
        let factor = self.speed_hz.unwrap_or(1.0);
        array(py, self.axis.iter().map(|x| x * factor).collect())
    }

    /// Values: float32, shape (n,). Over Hz zero-to-peak amplitudes of the squared envelope, over orders
    /// mean squares relative to the squared mean.
    #[getter]
    fn values<'py>(slf: &Bound<'py, Self>) -> PyResult<Bound<'py, PyArray1<f32>>> {
        view(slf, |this| &this.values)
    }

    /// The band that was demodulated, in Hz.
    #[getter]
    fn band_hz(&self) -> (f64, f64) {
        (self.band_hz[0], self.band_hz[1])
    }

    /// Whether the band was chosen automatically.
    #[getter]
    fn band_chosen(&self) -> bool {
        self.chosen
    }

    /// Blocks averaged.
    #[getter]
    fn averages(&self) -> usize {
        self.averages
    }

    /// Columns and what they mean: order (with a speed), frequency_hz, values, band_hz.
    #[pyo3(signature = () -> "dict[str, Any]")]
    fn to_dict<'py>(slf: &Bound<'py, Self>) -> PyResult<Bound<'py, PyDict>> {
        let (py, this) = (slf.py(), slf.get());
        let columns = PyDict::new(py);
        columns.set_item("channel", &this.subject.channel)?;
        if let Some(order) = this.order(py)? {
            columns.set_item("order", order)?;
        }
        columns.set_item("frequency_hz", this.frequency_hz(py)?)?;
        columns.set_item("values", Self::values(slf)?)?;
        columns.set_item("band_from_hz", this.band_hz[0])?;
        columns.set_item("band_to_hz", this.band_hz[1])?;
        Ok(columns)
    }

    fn __len__(&self) -> usize {
        self.values.len()
    }

    fn __repr__(&self) -> String {
        let axis = if self.in_orders { "orders" } else { "Hz" };
        format!(
            "<EnvelopeSpectrum over {axis}, band {:.0} to {:.0} Hz>",
            self.band_hz[0], self.band_hz[1]
        )
    }
}

pickles!(PyEnvelopeSpectrum);
