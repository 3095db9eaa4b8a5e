//! Spectra, spectrograms and envelope spectra in Python.

use numpy::{PyArray1, PyArray2, ToPyArray};
use pyo3::prelude::*;
use serde::{Deserialize, Serialize};

use super::convert::{array, pickles, read_only, word};
use crate::angle::map::JUDGED_SHARE_OF_RATE;
use crate::error::Result;
use crate::recording::Channel;
use crate::spectrum::bands::{self, BandSearch};
use crate::spectrum::envelope::{envelope_spectrum_hz, squared_envelope};
use crate::spectrum::envelope_order::{OrderEnvelopeConfig, envelope_order_spectrum};
use crate::spectrum::spectrogram::{Spectrogram, SpectrogramConfig, spectrogram};
use crate::spectrum::{Scaling, Spectrum, SpectrumConfig, averaged_spectrum};
use crate::speed::Speed;

fn config(resolution_hz: Option<f64>) -> SpectrumConfig {
    SpectrumConfig { resolution_hz, ..SpectrumConfig::default() }
}

/// A one-sided spectrum.
#[derive(Serialize, Deserialize)]
#[pyclass(frozen, name = "Spectrum", module = "quietspin._core")]
pub(super) struct PySpectrum {
    inner: Spectrum,
}

impl PySpectrum {
    pub(super) fn amplitude(channel: &Channel, resolution_hz: Option<f64>) -> Result<Self> {
        Self::of(channel, resolution_hz, Scaling::Amplitude)
    }

    pub(super) fn density(channel: &Channel, resolution_hz: Option<f64>) -> Result<Self> {
        Self::of(channel, resolution_hz, Scaling::Density)
    }

    fn of(channel: &Channel, resolution_hz: Option<f64>, scaling: Scaling) -> Result<Self> {
        let power = averaged_spectrum(channel.values(), channel.rate_hz, &config(resolution_hz))?;
        let unit = channel.spec.unit().symbol();
        Ok(Self { inner: power.spectrum(scaling).with_unit(unit) })
    }
}

#[pymethods]
impl PySpectrum {
    /// Frequencies in Hz: float64, shape (n,).
    #[getter]
    fn frequency_hz<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyArray1<f64>>> {
        array(py, self.inner.axis_hz())
    }

    /// Values in ``unit``, as ``scaling`` says: float32, shape (n,).
    #[getter]
    fn values<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyArray1<f32>>> {
        array(py, self.inner.values.clone())
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
    inner: Spectrogram,
    start_s: f64,
    unit: String,
}

impl PySpectrogram {
    pub(super) fn of(channel: &Channel, resolution_hz: Option<f64>) -> Result<Self> {
        let mut config = SpectrogramConfig::default();
        config.spectrum.resolution_hz = resolution_hz.or(config.spectrum.resolution_hz);
        Ok(Self {
            inner: spectrogram(channel.values(), channel.rate_hz, &config)?,
            start_s: channel.time_s(0.0),
            unit: channel.spec.unit().symbol().to_owned(),
        })
    }
}

#[pymethods]
impl PySpectrogram {
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
    fn values<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyArray2<f32>>> {
        let made = self.inner.values.to_pyarray(py);
        read_only(made.as_any())?;
        Ok(made)
    }

    /// amplitude, power or density.
    #[getter]
    fn scaling(&self) -> String {
        word(&self.inner.scaling)
    }

    /// Unit of the samples.
    #[getter]
    fn unit(&self) -> &str {
        &self.unit
    }

    fn __repr__(&self) -> String {
        let (times, frequencies) = self.inner.values.dim();
        format!("<Spectrogram: {times} times x {frequencies} frequencies, {}>", self.unit)
    }
}

pickles!(PySpectrogram);

/// Spectrum of the squared envelope of a band: what repeats in the bursts of a signal.
#[derive(Serialize, Deserialize)]
#[pyclass(frozen, name = "EnvelopeSpectrum", module = "quietspin._core")]
pub(super) struct PyEnvelopeSpectrum {
    axis: Vec<f64>,
    values: Vec<f32>,
    in_orders: bool,
    speed_hz: Option<f64>,
    band_hz: [f64; 2],
    chosen: bool,
    averages: usize,
}

impl PyEnvelopeSpectrum {
    pub(super) fn of(
        channel: &Channel,
        speed: Option<&Speed>,
        band_hz: Option<[f64; 2]>,
        max_order: f64,
    ) -> Result<Self> {
        let (samples, rate_hz) = (channel.values(), channel.rate_hz);
        let chosen = band_hz.is_none();
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
        })
    }
}

#[pymethods]
impl PyEnvelopeSpectrum {
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
    fn values<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyArray1<f32>>> {
        array(py, self.values.clone())
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
