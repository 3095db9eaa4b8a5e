//! Spectral coherence in Python: which carriers come and go with which rhythm.

use numpy::{PyArray1, PyArray2, PyArrayMethods};
use pyo3::prelude::*;
use pyo3::types::PyDict;
use serde::{Deserialize, Serialize};

use super::channel::{PyChannel, own};
use super::convert::{Pair, array, exception, pickles, view};
use super::spectrum::{bearings_of, stated_hz};
use super::speed::PySpeed;
use crate::figure::Subject;
use crate::machine::Multipliers;
use crate::spectrum::cyclic::{CyclicConfig, CyclicSpectrum, Rhythm, cyclic_spectrum};
use crate::speed::Speed;

/// Highest cyclic frequency in Hz where no speed is given and none is asked for.
const USUAL_HIGHEST_HZ: f64 = 500.0;
/// Distance of cyclic lines in Hz likewise.
const USUAL_RESOLUTION_HZ: f64 = 1.0;

/// Squared spectral coherence over cyclic orders (or frequencies) and carriers.
#[derive(Serialize, Deserialize)]
#[pyclass(frozen, name = "CyclicSpectrum", module = "quietspin._core")]
pub(super) struct PyCyclicSpectrum {
    pub(super) inner: CyclicSpectrum,
    pub(super) subject: Subject,
    /// The rolling bearings of the machine file whose multipliers are known.
    pub(super) bearings: Vec<(String, Multipliers)>,
    /// The constant shaft speed that the machine file states.
    pub(super) stated_hz: Option<f64>,
}

impl PyCyclicSpectrum {
    fn rows(&self) -> Vec<f64> {
        (0..self.inner.coherence.nrows()).map(|row| self.inner.cyclic(row)).collect()
    }
}

#[pymethods]
impl PyCyclicSpectrum {
    /// Name of the channel it was made from.
    #[getter]
    fn channel(&self) -> &str {
        &self.subject.channel
    }

    /// Cyclic orders: float64, shape (n,). None where no speed was given.
    #[getter]
    fn cyclic_order<'py>(&self, py: Python<'py>) -> PyResult<Option<Bound<'py, PyArray1<f64>>>> {
        self.inner.in_orders.then(|| array(py, self.rows())).transpose()
    }

    /// Cyclic frequencies in Hz, at the mean speed where a speed was given: float64, shape (n,).
    #[getter]
    fn cyclic_hz<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyArray1<f64>>> {
        let factor = self.inner.speed_hz.unwrap_or(1.0);
        array(py, self.rows().iter().map(|x| x * factor).collect())
    }

    /// Carriers in Hz: float64, shape (m,).
    #[getter]
    fn carrier_hz<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyArray1<f64>>> {
        array(py, (0..self.inner.density.len()).map(|k| self.inner.carrier_hz(k)).collect())
    }

    /// Squared coherence, 0 to 1: float32, shape (n, m). Noise modulated as 1 + d cos has (d / (1 + d²/2))².
    #[getter]
    fn coherence<'py>(slf: &Bound<'py, Self>) -> PyResult<Bound<'py, PyArray2<f32>>> {
        // made row by row, so that it lies in one piece
        view(slf, |this| this.inner.coherence.as_slice().unwrap_or_default())?
            .reshape(slf.get().inner.coherence.dim())
    }

    /// Density of each carrier in the samples' unit squared per Hz: float32, shape (m,).
    #[getter]
    fn density<'py>(slf: &Bound<'py, Self>) -> PyResult<Bound<'py, PyArray1<f32>>> {
        view(slf, |this| &this.inner.density)
    }

    /// Squared coherence that noise without rhythm has on average.
    #[getter]
    fn noise_coherence(&self) -> f64 {
        self.inner.independent.recip()
    }

    /// Blocks averaged.
    #[getter]
    fn averages(&self) -> usize {
        self.inner.blocks
    }

    /// Envelope spectrum drawn from the coherence: its mean over the carriers of a band.
    ///
    /// Parameters
    /// ----------
    /// band_hz : tuple of float, optional
    ///     Carriers that count, in Hz; by default all (the enhanced envelope spectrum; over a chosen band it is
    ///     called improved).
    ///
    /// Returns
    /// -------
    /// numpy.ndarray
    ///     Mean squared coherence at each cyclic line: float32, shape (n,).
    ///
    /// Raises
    /// ------
    /// ValueError
    ///     Where the band is none of the channel or holds no carrier.
    #[pyo3(signature = (*, band_hz = None))]
    fn envelope<'py>(
        &self,
        py: Python<'py>,
        band_hz: Option<Pair>,
    ) -> PyResult<Bound<'py, PyArray1<f32>>> {
        let band_hz = band_hz.map(|Pair(low, high)| [low, high]);
        array(py, self.inner.envelope(band_hz).map_err(exception)?)
    }

    /// What lines of ``envelope`` must exceed to be more than noise of a steady level.
    ///
    /// Noise whose level comes and goes within a block reaches higher; where lines fill the carriers it stays lower.
    ///
    /// Parameters
    /// ----------
    /// band_hz : tuple of float, optional
    ///     As in ``envelope``.
    /// chance : float, default 0.01
    ///     Share of records of noise in which any of all lines exceeds its height, about.
    ///
    /// Returns
    /// -------
    /// numpy.ndarray
    ///     Mean squared coherence at each cyclic line: float32, shape (n,).
    ///
    /// Raises
    /// ------
    /// ValueError
    ///     As ``envelope``, and where the chance does not lie between 0 and 1.
    #[pyo3(signature = (*, band_hz = None, chance = 0.01))]
    fn noise_reaches<'py>(
        &self,
        py: Python<'py>,
        band_hz: Option<Pair>,
        chance: f64,
    ) -> PyResult<Bound<'py, PyArray1<f32>>> {
        let band_hz = band_hz.map(|Pair(low, high)| [low, high]);
        array(py, self.inner.noise_reaches(band_hz, chance).map_err(exception)?)
    }

    /// Columns and what they mean: cyclic_order (with a speed), cyclic_hz, carrier_hz, coherence, density.
    #[pyo3(signature = () -> "dict[str, Any]")]
    fn to_dict<'py>(slf: &Bound<'py, Self>) -> PyResult<Bound<'py, PyDict>> {
        let (py, this) = (slf.py(), slf.get());
        let columns = PyDict::new(py);
        columns.set_item("channel", &this.subject.channel)?;
        if let Some(order) = this.cyclic_order(py)? {
            columns.set_item("cyclic_order", order)?;
        }
        columns.set_item("cyclic_hz", this.cyclic_hz(py)?)?;
        columns.set_item("carrier_hz", this.carrier_hz(py)?)?;
        columns.set_item("coherence", Self::coherence(slf)?)?;
        columns.set_item("density", Self::density(slf)?)?;
        Ok(columns)
    }

    fn __repr__(&self) -> String {
        let (rows, columns) = self.inner.coherence.dim();
        let axis = if self.inner.in_orders { "orders" } else { "Hz" };
        format!("<CyclicSpectrum: {rows} cyclic lines over {axis} x {columns} carriers>")
    }
}

pickles!(PyCyclicSpectrum);

/// Highest order below a quarter of the rate at the highest speed.
fn carried(speed: &Speed, rate_hz: f64) -> f64 {
    0.249 * rate_hz / (speed.range_rpm().1 / 60.0)
}

#[pymethods]
impl PyChannel {
    /// Squared spectral coherence: which carriers come and go with which rhythm.
    ///
    /// Parameters
    /// ----------
    /// speed : Speed, optional
    ///     Shaft speed; then rhythms are counted in orders, at any speed.
    /// highest : float, optional
    ///     Highest cyclic order, by default 22 or what the rate carries at top speed; without a speed, frequency in
    ///     Hz (default 500). Nothing above a quarter of the sampling rate is carried.
    /// resolution : float, optional
    ///     Distance of cyclic lines: default 1/256 order, or without a speed 1 Hz. Blocks last one over this.
    /// window_len : int, default 256
    ///     Samples in a short window: carriers lie the sampling rate over this apart.
    ///
    /// Raises
    /// ------
    /// ValueError
    ///     Where a setting is out of range or would fill the memory, or the channel is too short.
    #[pyo3(signature = (speed = None, *, highest = None, resolution = None, window_len = 256))]
    fn cyclic_spectrum(
        &self,
        py: Python<'_>,
        speed: Option<Py<PySpeed>>,
        highest: Option<f64>,
        resolution: Option<f64>,
        window_len: usize,
    ) -> PyResult<PyCyclicSpectrum> {
        let speed = own(speed);
        self.work(py, "spectral coherence", move |channel, machine, subject| {
            let usual = match &speed {
                Some(speed) => CyclicConfig {
                    highest: CyclicConfig::default().highest.min(carried(speed, channel.rate_hz)),
                    ..CyclicConfig::default()
                },
                None => CyclicConfig {
                    highest: USUAL_HIGHEST_HZ,
                    resolution: USUAL_RESOLUTION_HZ,
                    ..CyclicConfig::default()
                },
            };
            let config = CyclicConfig {
                highest: highest.unwrap_or(usual.highest),
                resolution: resolution.unwrap_or(usual.resolution),
                window_len,
            };
            let start_s = channel.time_s(0.0);
            let rhythm =
                speed.as_ref().map_or(Rhythm::Hz, |speed| Rhythm::Orders { speed, start_s });
            let inner = cyclic_spectrum(channel.values(), channel.rate_hz, rhythm, &config)?;
            let (bearings, stated_hz) = (bearings_of(machine), stated_hz(machine));
            Ok(PyCyclicSpectrum { inner, subject, bearings, stated_hz })
        })
    }
}
