//! Spectrogram: averaged spectra over time, in a bounded number of columns.

use ndarray::Array2;
use serde::{Deserialize, Serialize};

use super::averaged::SpectrumConfig;
use super::{Scaling, Spectrum};
use crate::dsp::segments::{Cutter, SegmentTransform, effective_averages};
use crate::dsp::window::Window;
use crate::error::{Error, Result};

/// How a spectrogram is made.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct SpectrogramConfig {
    /// Segments, window and overlap. Default: as for an averaged spectrum, with bins of 20 Hz.
    pub spectrum: SpectrumConfig,
    /// Most times that the map may hold, at least 2; default 1000. Neighbouring segments are averaged
    /// until they fit, so nothing between two times is passed over.
    pub max_times: usize,
    /// What the values are; default amplitude.
    pub scaling: Scaling,
}

impl Default for SpectrogramConfig {
    fn default() -> Self {
        Self {
            spectrum: SpectrumConfig::with_resolution_hz(20.0),
            max_times: 1000,
            scaling: Scaling::Amplitude,
        }
    }
}

/// Spectra over time.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Spectrogram {
    /// Middle of each row's stretch of samples, in seconds after the first sample.
    pub times_s: Vec<f64>,
    /// Distance of the bins in Hz; the first is frequency zero.
    pub bin_hz: f64,
    /// One row per time, one column per bin; as `scaling` says, in the samples' unit.
    pub values: Array2<f32>,
    /// What the values are.
    pub scaling: Scaling,
    /// The window of the segments.
    pub window: Window,
    /// Segments averaged in each row (the last may hold fewer).
    pub averages: usize,
    /// Independent segments that would scatter as little as those of a row.
    pub effective_averages: f64,
    /// Equivalent noise bandwidth of the window in Hz.
    pub noise_bandwidth_hz: f64,
    /// Half the sampling rate in Hz.
    pub nyquist_hz: f64,
}

impl Spectrogram {
    /// All frequencies in Hz.
    pub fn axis_hz(&self) -> Vec<f64> {
        (0..self.values.ncols()).map(|k| k as f64 * self.bin_hz).collect()
    }

    /// The spectrum of row `index`; `None` outside.
    pub fn spectrum(&self, index: usize) -> Option<Spectrum> {
        let row = (index < self.values.nrows()).then(|| self.values.row(index))?;
        Some(Spectrum {
            start_hz: 0.0,
            bin_hz: self.bin_hz,
            values: row.to_vec(),
            scaling: self.scaling,
            window: self.window,
            averages: self.averages,
            effective_averages: self.effective_averages,
            noise_bandwidth_hz: self.noise_bandwidth_hz,
            nyquist_hz: self.nyquist_hz,
            unit: String::new(),
        })
    }
}

/// One row in the making: sums of squared moduli.
struct Row {
    sums: Vec<f32>,
    segments: usize,
    /// Sum over the segments of the index of their first sample.
    starts: f64,
}

/// Builds a spectrogram as samples arrive.
///
/// When more rows are full than asked for, neighbours are merged two by two; so the memory is bounded
/// whatever the length of the signal.
pub struct SpectrogramBuilder {
    config: SpectrogramConfig,
    rate_hz: f64,
    transform: SegmentTransform,
    cutter: Cutter,
    hop: usize,
    rows: Vec<Row>,
    per_row: usize,
    segments: usize,
    samples: usize,
}

impl SpectrogramBuilder {
    /// A spectrogram of samples at `rate_hz`.
    ///
    /// # Errors
    /// [`Error::Setting`] where the rate or a field of the configuration is out of range.
    pub fn new(rate_hz: f64, config: &SpectrogramConfig) -> Result<Self> {
        let len = config.spectrum.segment_len_for(rate_hz, None)?;
        Self::with_segment(rate_hz, config, len, 1)
    }

    fn with_segment(
        rate_hz: f64,
        config: &SpectrogramConfig,
        len: usize,
        per_row: usize,
    ) -> Result<Self> {
        if config.max_times < 2 {
            return Err(Error::setting(
                "max_times",
                format!("{} is too few", config.max_times),
                "choose at least 2",
            ));
        }
        let spectrum = &config.spectrum;
        let hop = spectrum.hop(len);
        Ok(Self {
            config: config.clone(),
            rate_hz,
            transform: SegmentTransform::new(spectrum.window, len, len, spectrum.remove_mean),
            cutter: Cutter::new(len, hop),
            hop,
            rows: Vec::new(),
            per_row,
            segments: 0,
            samples: 0,
        })
    }

    /// Takes more samples.
    pub fn push(&mut self, samples: &[f32]) {
        let Self { transform, cutter, hop, rows, per_row, segments, config, .. } = self;
        cutter.push(samples, |segment| {
            let bins = transform.bins_of(segment);
            let start = (*segments * *hop) as f64;
            match rows.last_mut().filter(|row| row.segments < *per_row) {
                Some(row) => {
                    for (sum, bin) in row.sums.iter_mut().zip(bins) {
                        *sum += bin.norm_sqr();
                    }
                    row.segments += 1;
                    row.starts += start;
                }
                None => {
                    if rows.len() >= config.max_times {
                        merge_pairs(rows);
                        *per_row *= 2;
                    }
                    let sums = bins.iter().map(|bin| bin.norm_sqr()).collect();
                    rows.push(Row { sums, segments: 1, starts: start });
                }
            }
            *segments += 1;
        });
        self.samples += samples.len();
    }

    /// The map of all whole segments.
    ///
    /// # Errors
    /// [`Error::TooLittle`] where not one segment was full.
    pub fn finish(self) -> Result<Spectrogram> {
        let len = self.transform.segment_len();
        if self.rows.is_empty() {
            return Err(Error::too_little(
                "a spectrogram",
                format!("one segment of {len} samples"),
                format!("{} samples", self.samples),
            ));
        }
        let (scaling, window) = (self.config.scaling, self.config.spectrum.window);
        let width = len / 2 + 1;
        let factors = self.factors(width);
        let mut values = Array2::zeros((self.rows.len(), width));
        for (row, mut line) in self.rows.iter().zip(values.rows_mut()) {
            for ((value, sum), factor) in line.iter_mut().zip(&row.sums).zip(&factors) {
                let power = sum / row.segments as f32;
                *value = match scaling {
                    Scaling::Amplitude => power.sqrt() * factor,
                    Scaling::Power | Scaling::Density => power * factor,
                };
            }
        }
        let middle =
            |row: &Row| (row.starts / row.segments as f64 + 0.5 * len as f64) / self.rate_hz;
        Ok(Spectrogram {
            times_s: self.rows.iter().map(middle).collect(),
            bin_hz: self.rate_hz / len as f64,
            values,
            scaling,
            window,
            averages: self.per_row,
            effective_averages: effective_averages(window, len, self.hop, self.per_row),
            nyquist_hz: 0.5 * self.rate_hz,
            noise_bandwidth_hz: self.transform.noise_bandwidth_hz(self.rate_hz),
        })
    }

    /// Factor per bin from the squared modulus (its root for amplitudes) to the value.
    fn factors(&self, width: usize) -> Vec<f32> {
        let bandwidth = self.transform.noise_bandwidth_hz(self.rate_hz);
        let factor = |k: usize| {
            let power = self.transform.power_factor(k);
            match self.config.scaling {
                // one over the window's sum at the ends of the axis, else twice that
                Scaling::Amplitude => power * self.transform.window_sum,
                Scaling::Power => power,
                Scaling::Density => power / bandwidth,
            }
        };
        (0..width).map(|k| factor(k) as f32).collect()
    }
}

fn merge_pairs(rows: &mut Vec<Row>) {
    let mut merged: Vec<Row> = Vec::with_capacity(rows.len() / 2 + 1);
    let mut all = rows.drain(..);
    while let Some(mut first) = all.next() {
        if let Some(second) = all.next() {
            first.sums.iter_mut().zip(&second.sums).for_each(|(a, b)| *a += b);
            first.segments += second.segments;
            first.starts += second.starts;
        }
        merged.push(first);
    }
    drop(all);
    *rows = merged;
}

/// The spectrogram of samples at hand, with as many times as `max_times` allows.
///
/// # Errors
/// [`Error::Setting`] where the rate or a field is out of range, [`Error::TooLittle`] where there are
/// fewer samples than one segment holds.
pub fn spectrogram(
    samples: &[f32],
    rate_hz: f64,
    config: &SpectrogramConfig,
) -> Result<Spectrogram> {
    let len = config.spectrum.segment_len_for(rate_hz, Some(samples.len()))?;
    let segments = (samples.len() - len) / config.spectrum.hop(len) + 1;
    let per_row = segments.div_ceil(config.max_times.max(2));
    let mut builder = SpectrogramBuilder::with_segment(rate_hz, config, len, per_row)?;
    builder.push(samples);
    builder.finish()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A tone that jumps from 50 to 200 Hz after 5 of 10 seconds.
    fn jump() -> Vec<f32> {
        let hz = |t: f64| if t < 5.0 { 50.0 } else { 200.0 };
        let value = |t: f64| 3.0 * (std::f64::consts::TAU * hz(t) * t).sin();
        (0..10_000).map(|i| value(f64::from(i) / 1000.0) as f32).collect()
    }

    fn config(max_times: usize) -> SpectrogramConfig {
        SpectrogramConfig {
            spectrum: SpectrumConfig { segment_len: Some(200), ..SpectrumConfig::default() },
            max_times,
            scaling: Scaling::Amplitude,
        }
    }

    #[test]
    fn follows_a_jump_with_true_amplitude() {
        let map = spectrogram(&jump(), 1000.0, &config(1000)).expect("long enough");
        assert_eq!((map.values.dim(), map.averages), ((99, 101), 1));
        assert_eq!((map.times_s[0], map.bin_hz), (0.1, 5.0));
        for (&time_s, row) in map.times_s.iter().zip(map.values.rows()) {
            let [before, after] = [row[10], row[40]];
            if time_s < 4.89 {
                assert!((before - 3.0).abs() < 1e-4 && after < 1e-3, "{time_s}");
            } else if time_s > 5.11 {
                assert!((after - 3.0).abs() < 1e-4 && before < 1e-3, "{time_s}");
            }
        }
        assert_eq!(map.axis_hz()[40], 200.0);
    }

    #[test]
    fn the_number_of_times_is_bounded_and_power_kept() {
        let samples = jump();
        let full = spectrogram(&samples, 1000.0, &config(1000)).expect("long enough");
        let short = spectrogram(&samples, 1000.0, &config(20)).expect("long enough");
        assert_eq!((short.values.nrows(), short.averages), (20, 5));
        let mut builder = SpectrogramBuilder::new(1000.0, &config(20)).expect("valid");
        samples.chunks(333).for_each(|piece| builder.push(piece));
        let streamed = builder.finish().expect("long enough");
        assert_eq!((streamed.values.nrows(), streamed.averages), (13, 8));
        let power = |map: &Spectrogram, row: usize| map.values[[row, 10]].powi(2);
        // rows 0 to 4 of the full map make row 0 of the short one, 0 to 7 that of the streamed one
        let mean = |n: usize| (0..n).map(|row| power(&full, row)).sum::<f32>() / n as f32;
        assert!((power(&short, 0) - mean(5)).abs() < 1e-4);
        assert!((power(&streamed, 0) - mean(8)).abs() < 1e-4);
        assert!((short.times_s[0] - 0.3).abs() < 1e-9);
    }

    #[test]
    fn refuses_what_makes_no_map() {
        assert!(spectrogram(&[0.0; 100], 1000.0, &config(10)).is_err());
        assert!(spectrogram(&[0.0; 1000], 1000.0, &config(1)).is_err());
    }
}
