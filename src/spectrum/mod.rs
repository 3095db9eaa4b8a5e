//! Spectra and what is read from them: averages, spectrograms, integration, levels, envelopes, bands.
//!
//! **Scaling.** Every [`Spectrum`] is one-sided and says what its values are:
//!
//! | [`Scaling`] | value of a bin | a tone of amplitude A on a bin | white noise of density S |
//! | --- | --- | --- | --- |
//! | `Amplitude` | zero-to-peak, `2 abs(X) / Σw` | A | `sqrt(2 S B)` |
//! | `Power` | mean square, `2 abs(X)² / (Σw)²` | A² / 2 | `S B` |
//! | `Density` | mean square per Hz, `2 abs(X)² / (rate Σw²)` | A² / (2 B) | S |
//!
//! with the noise bandwidth `B = rate Σw² / (Σw)²` of the window. The first bin (frequency zero) and
//! the last of an even length (half the rate) have no mirror image: there the factor 2 is 1.
//! Sources: P. D. Welch, IEEE Trans. Audio Electroacoust. 15 (1967) 70-73; F. J. Harris, Proc. IEEE 66
//! (1978) 51-83; G. Heinzel, A. Rüdiger, R. Schilling, Spectrum and spectral density estimation by the
//! DFT, 2002 (from memory).
//!
//! **Bin order.** Frequencies rise from `start_hz` in steps of `bin_hz`.

pub mod averaged;
pub mod bands;
pub mod cyclic;
pub mod envelope;
pub mod envelope_floor;
pub mod envelope_order;
pub mod full;
pub mod integrate;
pub mod levels;
pub mod modulated_bands;
pub mod record_bins;
pub mod spectrogram;
mod split;
pub mod tap;
pub mod unpredicted;
pub mod whiten;

use serde::{Deserialize, Serialize};

use crate::dsp::window::Window;
use crate::error::{Error, Result};

pub use averaged::{AveragedPower, Averager, SpectrumConfig, averaged_spectrum};
pub use full::FullSpectrum;

/// What the values of a spectrum are; see the table of this module.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Scaling {
    /// Zero-to-peak amplitude of a tone, in the samples' unit.
    #[default]
    Amplitude,
    /// Mean square of a tone, in the unit squared.
    Power,
    /// Mean square per Hz of a broad-band signal, in the unit squared per Hz.
    Density,
}

/// A one-sided spectrum on a regular axis.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Spectrum {
    /// Frequency of the first value in Hz.
    pub start_hz: f64,
    /// Distance between values in Hz.
    pub bin_hz: f64,
    /// The values, as `scaling` says.
    pub values: Vec<f32>,
    /// What the values are.
    pub scaling: Scaling,
    /// The window of the segments.
    pub window: Window,
    /// Number of segments averaged.
    pub averages: usize,
    /// Independent segments that would scatter as little as the overlapping ones
    /// ([`AveragedPower::effective_averages`]).
    pub effective_averages: f64,
    /// Equivalent noise bandwidth of the window in Hz.
    pub noise_bandwidth_hz: f64,
    /// Half the sampling rate of the samples, in Hz.
    pub nyquist_hz: f64,
    /// Unit of the samples as text; empty where unknown.
    pub unit: String,
}

/// A line of a spectrum, between bins and corrected for the window.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct SpectralLine {
    /// Frequency in Hz.
    pub frequency_hz: f64,
    /// Zero-to-peak amplitude in the samples' unit.
    pub amplitude: f64,
}

impl Spectrum {
    /// Frequency of value `index` in Hz.
    pub fn frequency_hz(&self, index: usize) -> f64 {
        self.start_hz + index as f64 * self.bin_hz
    }

    /// Index of the value nearest to a frequency; `None` beyond half a bin outside the axis.
    pub fn index_of(&self, hz: f64) -> Option<usize> {
        let index = ((hz - self.start_hz) / self.bin_hz).round();
        (index >= 0.0 && index < self.values.len() as f64).then_some(index as usize)
    }

    /// All frequencies in Hz.
    pub fn axis_hz(&self) -> Vec<f64> {
        (0..self.values.len()).map(|index| self.frequency_hz(index)).collect()
    }

    /// Frequency of the last value in Hz; 0 for an empty spectrum.
    pub fn end_hz(&self) -> f64 {
        self.values.len().checked_sub(1).map_or(0.0, |last| self.frequency_hz(last))
    }

    /// Unit of the values as text: `m/s2`, `(m/s2)²` or `(m/s2)²/Hz`.
    pub fn unit_text(&self) -> String {
        let unit = if self.unit.is_empty() { "1" } else { &self.unit };
        let base = if unit.contains('/') { format!("({unit})²") } else { format!("{unit}²") };
        match self.scaling {
            Scaling::Amplitude => unit.to_owned(),
            Scaling::Power => base,
            Scaling::Density => format!("{base}/Hz"),
        }
    }

    /// The same spectrum with a unit text.
    #[must_use]
    pub fn with_unit(mut self, unit: impl Into<String>) -> Self {
        self.unit = unit.into();
        self
    }

    /// The same spectrum in another scaling.
    #[must_use]
    pub fn scaled(mut self, scaling: Scaling) -> Self {
        let from = self.scaling;
        if from != scaling {
            for index in 0..self.values.len() {
                let power = self.power_from(f64::from(self.values[index]), index);
                self.values[index] = self.value_from_power(power, index, scaling) as f32;
            }
            self.scaling = scaling;
        }
        self
    }

    /// Mean square of a tone that stands on bin `index`; 0 outside.
    pub fn power(&self, index: usize) -> f64 {
        self.values.get(index).map_or(0.0, |&value| self.power_from(f64::from(value), index))
    }

    /// Factor from the squared amplitude to the mean square: one half but at the axis' own ends.
    fn mean_square_factor(&self, index: usize) -> f64 {
        let hz = self.frequency_hz(index);
        let near = 1e-3 * self.bin_hz;
        if hz.abs() < near || (hz - self.nyquist_hz).abs() < near { 1.0 } else { 0.5 }
    }

    fn power_from(&self, value: f64, index: usize) -> f64 {
        match self.scaling {
            Scaling::Amplitude => value * value * self.mean_square_factor(index),
            Scaling::Power => value,
            Scaling::Density => value * self.noise_bandwidth_hz,
        }
    }

    fn value_from_power(&self, power: f64, index: usize, scaling: Scaling) -> f64 {
        match scaling {
            Scaling::Amplitude => (power.max(0.0) / self.mean_square_factor(index)).sqrt(),
            Scaling::Power => power,
            Scaling::Density => power / self.noise_bandwidth_hz,
        }
    }

    /// Root mean square of everything in a band, in the samples' unit.
    ///
    /// Each bin stands for the frequencies half a bin around it, cut at zero and at half the rate;
    /// bins at the band's edges count by the part that lies inside. Dividing by the noise bandwidth
    /// makes noise and tones come out right alike (Parseval), so the whole axis gives the rms of
    /// the samples.
    pub fn rms_in(&self, band_hz: [f64; 2]) -> f64 {
        let [low, high] = band_hz;
        let half = 0.5 * self.bin_hz;
        let first = ((low - half - self.start_hz) / self.bin_hz).floor().max(0.0) as usize;
        let mut sum = 0.0;
        for index in first..self.values.len() {
            let hz = self.frequency_hz(index);
            if hz - half >= high {
                break;
            }
            let (from, to) = ((hz - half).max(0.0), (hz + half).min(self.nyquist_hz));
            let inside = to.min(high) - from.max(low);
            if inside > 0.0 && to > from {
                sum += self.power(index) * inside / (to - from);
            }
        }
        (sum * self.bin_hz / self.noise_bandwidth_hz).sqrt()
    }

    /// The highest line within `within_hz` of a frequency, its place and height corrected for the
    /// window; `None` where the axis has no bin there.
    ///
    /// Place and height are exact for one steady tone well apart from others: they follow from the
    /// ratio of the two highest bins and the window's own response
    /// ([`Window::tone_offset_bins`]). A line that the speed has smeared over bins reads low; its
    /// [`Spectrum::rms_in`] does not.
    pub fn line_near(&self, hz: f64, within_hz: f64) -> Option<SpectralLine> {
        let index = self.highest_within(hz, within_hz)?;
        // a spectrum padded with zeros has bins finer than those of its window
        let fineness = self.noise_bandwidth_hz / self.bin_hz / self.window.noise_bandwidth_bins();
        if (fineness - 1.0).abs() > 0.05 {
            return Some(self.line_of_padded(index));
        }
        let amplitude = |index: usize| (2.0 * self.power(index)).sqrt();
        let (before, after) = (index.checked_sub(1).map_or(0.0, amplitude), amplitude(index + 1));
        let offset = self.window.tone_offset_bins(before, amplitude(index), after);
        Some(SpectralLine {
            frequency_hz: self.frequency_hz(index) + offset * self.bin_hz,
            amplitude: amplitude(index) / self.window.response(offset),
        })
    }

    fn line_of_padded(&self, index: usize) -> SpectralLine {
        let heights =
            [index.wrapping_sub(1), index, index + 1].map(|i| (2.0 * self.power(i)).sqrt());
        let peak = crate::dsp::peaks::parabolic(&heights, 1);
        let (shift, amplitude) = peak.map_or((0.0, heights[1]), |p| (p.position - 1.0, p.height));
        SpectralLine { frequency_hz: self.frequency_hz(index) + shift * self.bin_hz, amplitude }
    }

    fn highest_within(&self, hz: f64, within_hz: f64) -> Option<usize> {
        let place = |hz: f64| (hz - self.start_hz) / self.bin_hz;
        let first = place(hz - within_hz).ceil().max(0.0) as usize;
        let last = place(hz + within_hz).floor();
        if last < 0.0 {
            return None;
        }
        let last = (last as usize).min(self.values.len().checked_sub(1)?);
        (first..=last).max_by(|&a, &b| self.values[a].total_cmp(&self.values[b]))
    }

    /// The part of the spectrum whose bins lie in a band.
    ///
    /// # Errors
    /// [`Error::Setting`] where no bin lies in it.
    pub fn part(&self, band_hz: [f64; 2]) -> Result<Self> {
        let place = |hz: f64| (hz - self.start_hz) / self.bin_hz;
        let first = (place(band_hz[0]) - 1e-9).ceil().max(0.0) as usize;
        let end = ((place(band_hz[1]) + 1e-9).floor() + 1.0).max(0.0) as usize;
        let end = end.min(self.values.len());
        if first >= end {
            return Err(Error::setting(
                "band_hz",
                format!("{} to {} Hz holds no bin of the spectrum", band_hz[0], band_hz[1]),
                format!("choose a band between {} and {} Hz", self.start_hz, self.end_hz()),
            ));
        }
        Ok(Self {
            start_hz: self.frequency_hz(first),
            values: self.values[first..end].to_vec(),
            window: self.window,
            unit: self.unit.clone(),
            ..*self
        })
    }
}

/// Checks a sampling rate.
///
/// # Errors
/// [`Error::Setting`] where it is not a positive finite number.
pub(crate) fn check_rate(rate_hz: f64) -> Result<()> {
    if rate_hz.is_finite() && rate_hz > 0.0 {
        return Ok(());
    }
    Err(Error::setting("rate_hz", format!("the rate is {rate_hz} Hz"), "state a positive rate"))
}

/// Checks a band against half the rate, with a hair's breadth of tolerance.
///
/// # Errors
/// [`Error::Setting`] where the band is empty, negative or reaches beyond half the rate.
pub(crate) fn check_band(band_hz: [f64; 2], rate_hz: f64) -> Result<()> {
    let [low, high] = band_hz;
    if low >= 0.0 && high > low && high <= 0.5 * rate_hz * (1.0 + 1e-9) {
        return Ok(());
    }
    Err(Error::setting(
        "band_hz",
        format!("{low} to {high} Hz is no band of a signal sampled at {rate_hz} Hz"),
        format!("choose two rising frequencies between 0 and {} Hz", 0.5 * rate_hz),
    ))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn comb(scaling: Scaling) -> Spectrum {
        Spectrum {
            start_hz: 0.0,
            bin_hz: 2.0,
            values: vec![1.0, 1.0, 3.0, 1.0, 1.0, 1.0],
            scaling,
            window: Window::Hann,
            averages: 1,
            effective_averages: 1.0,
            noise_bandwidth_hz: 3.0,
            nyquist_hz: 10.0,
            unit: "m/s2".into(),
        }
    }

    #[test]
    fn axis_and_units() {
        let spectrum = comb(Scaling::Density);
        assert_eq!(spectrum.axis_hz(), vec![0.0, 2.0, 4.0, 6.0, 8.0, 10.0]);
        assert_eq!(spectrum.index_of(4.9), Some(2));
        assert_eq!(spectrum.index_of(-1.1), None);
        assert_eq!(spectrum.index_of(11.1), None);
        assert_eq!(spectrum.unit_text(), "(m/s2)²/Hz");
        assert_eq!(
            spectrum.part([3.0, 6.0]).map(|p| (p.start_hz, p.values.len())).ok(),
            Some((4.0, 2))
        );
        assert!(spectrum.part([4.5, 5.5]).is_err());
    }

    #[test]
    fn scalings_convert_there_and_back() {
        let start = comb(Scaling::Amplitude);
        let back = start
            .clone()
            .scaled(Scaling::Density)
            .scaled(Scaling::Power)
            .scaled(Scaling::Amplitude);
        for (a, b) in start.values.iter().zip(&back.values) {
            assert!((a - b).abs() < 1e-6);
        }
        // a tone of amplitude 3 has mean square 4.5, at the axis' ends the mean counts whole
        let power = start.scaled(Scaling::Power);
        assert!((power.values[2] - 4.5).abs() < 1e-6 && (power.values[0] - 1.0).abs() < 1e-6);
    }

    #[test]
    fn bands_cut_bins_in_parts() {
        let spectrum = comb(Scaling::Density);
        // a flat density of 1 but for the bin from 3 to 5 Hz
        assert!((spectrum.rms_in([6.0, 8.0]).powi(2) - 2.0).abs() < 1e-12);
        assert!((spectrum.rms_in([3.5, 4.5]).powi(2) - 3.0).abs() < 1e-12);
        assert!((spectrum.rms_in([9.5, 99.0]).powi(2) - 1.0).abs() < 1e-12);
        assert_eq!(spectrum.rms_in([20.0, 30.0]), 0.0);
    }
}
