//! Bands ranked by a wanted rhythm, in Python.

use numpy::PyArray1;
use pyo3::prelude::*;
use pyo3::types::PyDict;
use serde::{Deserialize, Serialize};

use super::channel::{PyChannel, own, speed_or_constant};
use super::convert::{OrderList, array, pickles, plain};
use super::speed::PySpeed;
use crate::figure::Subject;
use crate::spectrum::modulated_bands::{
    BandModulation, BandsByModulation, ModulationSearch, bands_by_modulation,
};

/// Bands of a channel, the one first that shows lines at the wanted orders most clearly.
#[derive(Serialize, Deserialize)]
#[pyclass(frozen, name = "ModulatedBands", module = "quietspin._core")]
pub(super) struct PyModulatedBands {
    pub(super) inner: BandsByModulation,
    pub(super) subject: Subject,
}

fn pair(band: &BandModulation) -> (f64, f64) {
    (band.band_hz[0], band.band_hz[1])
}

#[pymethods]
impl PyModulatedBands {
    /// Name of the channel it was made from.
    #[getter]
    fn channel(&self) -> &str {
        &self.subject.channel
    }

    /// The bands in Hz, the clearest first.
    #[getter]
    fn band_hz(&self) -> Vec<(f64, f64)> {
        self.inner.bands.iter().map(pair).collect()
    }

    /// Natural logarithm of the probability that noise shows lines as clear in each band alone: float64, shape
    /// (n,).
    #[getter]
    fn ln_chance<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyArray1<f64>>> {
        array(py, self.inner.bands.iter().map(|band| band.ln_chance).collect())
    }

    /// Probability that noise shows lines as clear as the first band's in any of the bands.
    #[getter]
    fn chance(&self) -> f64 {
        self.inner.chance()
    }

    /// The lines of the first band: wanted_order, order, over_floor (1 is the mean of noise) and ln_chance.
    #[getter]
    fn lines<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyAny>> {
        plain(py, &self.inner.bands.first().map(|band| &band.lines))
    }

    /// The first band in Hz, or None where noise would show one like it more often than ``chance`` says.
    #[pyo3(signature = (chance = 0.01))]
    fn chosen(&self, chance: f64) -> Option<(f64, f64)> {
        self.inner.chosen(chance).map(pair)
    }

    /// Columns and what they mean: band_hz, ln_chance, chance.
    #[pyo3(signature = () -> "dict[str, Any]")]
    fn to_dict<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyDict>> {
        let columns = PyDict::new(py);
        columns.set_item("channel", &self.subject.channel)?;
        columns.set_item("band_hz", self.band_hz())?;
        columns.set_item("ln_chance", self.ln_chance(py)?)?;
        columns.set_item("chance", self.chance())?;
        Ok(columns)
    }

    fn __len__(&self) -> usize {
        self.inner.bands.len()
    }

    fn __repr__(&self) -> String {
        let first = self.inner.bands.first().map_or([0.0; 2], |band| band.band_hz);
        format!(
            "<ModulatedBands: {} bands, first {:.0} to {:.0} Hz, chance {:.2e}>",
            self.inner.bands.len(),
            first[0],
            first[1],
            self.inner.chance()
        )
    }
}

pickles!(PyModulatedBands);

#[pymethods]
impl PyChannel {
    /// Bands ranked by a wanted rhythm: how clearly lines at given orders stand in the spectra of their envelopes.
    ///
    /// Unlike a choice by impulses it passes over knocks and sparks, which have no such rhythm. The chances are those
    /// of noise: a line of another part within the tolerance counts as well, so the choice tells where to listen and
    /// is no verdict.
    ///
    /// Parameters
    /// ----------
    /// orders : float or list of float
    ///     Orders of the lines, one to thirty, such as those of a bearing's part and its harmonics. Whole orders
    ///     are the shaft's and are passed over.
    /// speed : Speed, optional
    ///     Shaft speed; may be left out where the machine file states a constant one.
    /// tolerance_percent : float, default 1.5
    ///     How far a line may lie off its order, 0 to 10.
    ///
    /// Raises
    /// ------
    /// ValueError
    ///     Where a setting is out of range, there is no speed, or no band is wide enough for the lines.
    #[pyo3(signature = (orders, speed = None, *, tolerance_percent = 1.5))]
    fn modulated_bands(
        &self,
        py: Python<'_>,
        orders: OrderList,
        speed: Option<Py<PySpeed>>,
        tolerance_percent: f64,
    ) -> PyResult<PyModulatedBands> {
        let speed = own(speed);
        let OrderList(orders) = orders;
        self.work(py, "bands", move |channel, machine, subject| {
            let speed = speed_or_constant(speed, channel, machine)?;
            let search = ModulationSearch {
                tolerance: 0.01 * tolerance_percent,
                ..ModulationSearch::at(orders)
            };
            let (samples, start_s) = (channel.values(), channel.time_s(0.0));
            let inner = bands_by_modulation(samples, channel.rate_hz, &speed, start_s, &search)?;
            Ok(PyModulatedBands { inner, subject })
        })
    }
}
