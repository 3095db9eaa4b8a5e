//! Averaged amplitude spectrum and power spectral density, in one pass over the samples.

use serde::{Deserialize, Serialize};

use super::{Scaling, Spectrum, check_rate};
use crate::dsp::fft::{good_length, good_length_below};
use crate::dsp::segments::{Cutter, SegmentTransform, effective_averages};
use crate::dsp::window::Window;
use crate::error::{Error, Result};

/// Shortest segment that makes sense, in samples.
const LEAST_SEGMENT: usize = 16;
/// Longest segment that is worth its memory, in samples.
const LONGEST_SEGMENT: usize = 1 << 26;
/// Segments that the default resolution wants to average at half overlap.
const WANTED_SEGMENTS: usize = 8;

/// How a spectrum is averaged.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct SpectrumConfig {
    /// Window of the segments; default Hann.
    pub window: Window,
    /// Wanted distance of the bins in Hz; the segment is the next longer 7-smooth length, so bins are
    /// never wider. Default: 1 Hz, or wider where the samples would not give eight segments.
    pub resolution_hz: Option<f64>,
    /// Length of a segment in samples, which goes before `resolution_hz`. Default: from the resolution.
    pub segment_len: Option<usize>,
    /// Overlap of the segments, 0 to 0.95 of their length; default 0.5.
    pub overlap: f64,
    /// Whether the mean of each segment is taken away first; default true.
    pub remove_mean: bool,
}

impl Default for SpectrumConfig {
    fn default() -> Self {
        Self {
            window: Window::Hann,
            resolution_hz: None,
            segment_len: None,
            overlap: 0.5,
            remove_mean: true,
        }
    }
}

impl SpectrumConfig {
    /// The default with bins of at most `resolution_hz`.
    pub fn with_resolution_hz(resolution_hz: f64) -> Self {
        Self { resolution_hz: Some(resolution_hz), ..Self::default() }
    }

    /// The length of a segment for samples at `rate_hz`, of which `available` are at hand (`None`:
    /// not yet known).
    ///
    /// # Errors
    /// [`Error::Setting`] where a field is out of range, [`Error::TooLittle`] where there are fewer
    /// samples than a segment holds.
    pub fn segment_len_for(&self, rate_hz: f64, available: Option<usize>) -> Result<usize> {
        check_rate(rate_hz)?;
        if !(0.0..=0.95).contains(&self.overlap) {
            return Err(Error::setting(
                "overlap",
                format!("{} is out of range", self.overlap),
                "choose 0 to 0.95",
            ));
        }
        let len = match (self.segment_len, self.resolution_hz) {
            (Some(len), _) => len,
            (None, Some(hz)) if hz.is_finite() && hz > 0.0 => {
                let wanted = rate_hz / hz;
                if wanted > LONGEST_SEGMENT as f64 {
                    return Err(Error::setting(
                        "resolution_hz",
                        format!("{hz} Hz asks for segments of {wanted:.3e} samples"),
                        format!("choose at least {:.2e} Hz", rate_hz / LONGEST_SEGMENT as f64),
                    ));
                }
                good_length(wanted.ceil() as usize)
            }
            (None, Some(hz)) => {
                return Err(Error::setting(
                    "resolution_hz",
                    format!("{hz} Hz is no resolution"),
                    "state a positive one",
                ));
            }
            (None, None) => default_segment(rate_hz, available),
        };
        if !(LEAST_SEGMENT..=LONGEST_SEGMENT).contains(&len) {
            let setting = if self.segment_len.is_some() { "segment_len" } else { "resolution_hz" };
            return Err(Error::setting(
                setting,
                format!("a segment would hold {len} samples"),
                format!("choose it for {LEAST_SEGMENT} to {LONGEST_SEGMENT} samples"),
            ));
        }
        match available {
            Some(n) if n < len => Err(too_little(len, n)),
            _ => Ok(len),
        }
    }

    /// Distance between the starts of segments of `len` samples.
    pub fn hop(&self, len: usize) -> usize {
        ((len as f64 * (1.0 - self.overlap)).round() as usize).max(1)
    }
}

fn default_segment(rate_hz: f64, available: Option<usize>) -> usize {
    let one_hz = good_length((rate_hz.ceil() as usize).max(LEAST_SEGMENT));
    let Some(available) = available else { return one_hz };
    let fitting = good_length_below(2 * available / (WANTED_SEGMENTS + 1)).max(LEAST_SEGMENT);
    one_hz.min(fitting)
}

fn too_little(needed: usize, got: usize) -> Error {
    Error::too_little(
        "a spectrum",
        format!("one segment of {needed} samples"),
        format!("{got} samples"),
    )
}

/// Averages the spectra of overlapping segments as samples arrive.
///
/// The memory does not depend on the length of the signal: one segment and one sum per bin.
pub struct Averager {
    config: SpectrumConfig,
    rate_hz: f64,
    transform: SegmentTransform,
    cutter: Cutter,
    sums: Vec<f64>,
    averages: usize,
    samples: usize,
}

impl Averager {
    /// An average for samples at `rate_hz`; the default resolution is 1 Hz, whatever will come.
    ///
    /// # Errors
    /// [`Error::Setting`] where the rate or a field of the configuration is out of range.
    pub fn new(rate_hz: f64, config: &SpectrumConfig) -> Result<Self> {
        let len = config.segment_len_for(rate_hz, None)?;
        Ok(Self::with_segment(rate_hz, config, len))
    }

    fn with_segment(rate_hz: f64, config: &SpectrumConfig, len: usize) -> Self {
        Self {
            config: SpectrumConfig { segment_len: Some(len), ..config.clone() },
            rate_hz,
            transform: SegmentTransform::new(config.window, len, len, config.remove_mean),
            cutter: Cutter::new(len, config.hop(len)),
            sums: vec![0.0; len / 2 + 1],
            averages: 0,
            samples: 0,
        }
    }

    /// Takes more samples.
    pub fn push(&mut self, samples: &[f32]) {
        let Self { transform, cutter, sums, averages, .. } = self;
        cutter.push(samples, |segment| {
            for (sum, bin) in sums.iter_mut().zip(transform.bins_of(segment)) {
                *sum += f64::from(bin.norm_sqr());
            }
            *averages += 1;
        });
        self.samples += samples.len();
    }

    /// The average of all whole segments.
    ///
    /// # Errors
    /// [`Error::TooLittle`] where not one segment was full.
    pub fn finish(self) -> Result<AveragedPower> {
        let len = self.transform.segment_len();
        if self.averages == 0 {
            return Err(too_little(len, self.samples));
        }
        let power = self
            .sums
            .iter()
            .enumerate()
            .map(|(k, sum)| sum / self.averages as f64 * self.transform.power_factor(k))
            .collect();
        Ok(AveragedPower {
            power,
            rate_hz: self.rate_hz,
            averages: self.averages,
            noise_bandwidth_hz: self.transform.noise_bandwidth_hz(self.rate_hz),
            effective_averages: effective_averages(
                self.config.window,
                len,
                self.config.hop(len),
                self.averages,
            ),
            config: self.config,
        })
    }
}

/// An averaged power spectrum from which every scaling can be had.
#[derive(Debug, Clone, PartialEq)]
pub struct AveragedPower {
    power: Vec<f64>,
    rate_hz: f64,
    averages: usize,
    effective_averages: f64,
    noise_bandwidth_hz: f64,
    config: SpectrumConfig,
}

impl AveragedPower {
    /// Number of segments averaged.
    pub fn averages(&self) -> usize {
        self.averages
    }

    /// Independent segments that would scatter as little: a line of Gaussian noise has a relative
    /// standard deviation of one over its root.
    pub fn effective_averages(&self) -> f64 {
        self.effective_averages
    }

    /// The configuration, with the segment length in full.
    pub fn config(&self) -> &SpectrumConfig {
        &self.config
    }

    /// The spectrum in a scaling. Amplitudes are rms averages: `sqrt(2 mean(|X|²)) ...`, so noise
    /// does not fall with more averages.
    pub fn spectrum(&self, scaling: Scaling) -> Spectrum {
        let len = self.config.segment_len.unwrap_or(2 * (self.power.len() - 1));
        let power = Spectrum {
            start_hz: 0.0,
            bin_hz: self.rate_hz / len as f64,
            values: Vec::new(),
            scaling: Scaling::Power,
            window: self.config.window,
            averages: self.averages,
            effective_averages: self.effective_averages,
            noise_bandwidth_hz: self.noise_bandwidth_hz,
            nyquist_hz: 0.5 * self.rate_hz,
            unit: String::new(),
        };
        // converted before rounding to single precision: squares of small units underflow
        let value = |(k, &p): (usize, &f64)| power.value_from_power(p, k, scaling) as f32;
        let values = self.power.iter().enumerate().map(value).collect();
        Spectrum { values, scaling, ..power }
    }

    /// The averaged amplitude spectrum, zero-to-peak.
    pub fn amplitude(&self) -> Spectrum {
        self.spectrum(Scaling::Amplitude)
    }

    /// The power spectral density.
    pub fn density(&self) -> Spectrum {
        self.spectrum(Scaling::Density)
    }
}

/// The averaged spectrum of samples at hand, without copying them.
///
/// # Errors
/// [`Error::Setting`] where the rate or a field is out of range, [`Error::TooLittle`] where there are
/// fewer samples than one segment holds.
pub fn averaged_spectrum(
    samples: &[f32],
    rate_hz: f64,
    config: &SpectrumConfig,
) -> Result<AveragedPower> {
    let len = config.segment_len_for(rate_hz, Some(samples.len()))?;
    let mut averager = Averager::with_segment(rate_hz, config, len);
    averager.push(samples);
    averager.finish()
}

#[cfg(test)]
mod tests {
    use rand::SeedableRng;
    use rand_distr::{Distribution, StandardNormal};

    use super::*;
    use crate::dsp::stats;

    fn noise(n: usize) -> Vec<f32> {
        let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(7);
        (0..n).map(|_| StandardNormal.sample(&mut random)).collect()
    }

    fn tone(rate_hz: f64, hz: f64, amplitude: f64, n: usize) -> Vec<f32> {
        let phase = |i: usize| std::f64::consts::TAU * hz * i as f64 / rate_hz + 0.4;
        (0..n).map(|i| (amplitude * phase(i).cos()) as f32).collect()
    }

    #[test]
    fn a_tone_on_a_bin_has_its_amplitude_for_every_window_and_parity() {
        for len in [400, 405] {
            for window in [Window::Rectangle, Window::Hann, Window::FlatTop, Window::Kaiser(2.0)] {
                let config =
                    SpectrumConfig { window, segment_len: Some(len), ..SpectrumConfig::default() };
                let hz = 40.0 * 1000.0 / len as f64;
                let samples = tone(1000.0, hz, 2.5, 4000);
                let average = averaged_spectrum(&samples, 1000.0, &config).expect("enough");
                let spectrum = average.amplitude();
                assert!((spectrum.values[40] - 2.5).abs() < 2e-5, "{window:?} {len}");
                let rms = spectrum.rms_in([0.0, 500.0]);
                assert!((rms - 2.5 / 2.0_f64.sqrt()).abs() < 1e-3, "{window:?} {rms}");
            }
        }
    }

    #[test]
    fn a_tone_between_bins_is_read_to_a_thousandth() {
        for hz in [100.3, 100.5, 101.9] {
            let samples = tone(1000.0, hz, 1.0, 8000);
            let config = SpectrumConfig::with_resolution_hz(1.0);
            let spectrum = averaged_spectrum(&samples, 1000.0, &config).expect("enough").density();
            let line = spectrum.line_near(100.0, 5.0).expect("in range");
            assert!((line.frequency_hz - hz).abs() < 1e-3, "{line:?}");
            assert!((line.amplitude - 1.0).abs() < 1e-3, "{line:?}");
        }
    }

    #[test]
    fn white_noise_has_its_density_and_the_whole_axis_its_rms() {
        let samples = noise(200_000);
        for len in [1000, 1001] {
            let config = SpectrumConfig { segment_len: Some(len), ..SpectrumConfig::default() };
            let average = averaged_spectrum(&samples, 2000.0, &config).expect("enough");
            let density = average.density();
            // unit variance over 1000 Hz
            let mean = stats::mean_f32(&density.values[5..490]);
            assert!((mean / 1e-3 - 1.0).abs() < 0.01, "{mean}");
            let rms = density.rms_in([0.0, 1000.0]);
            assert!((rms - 1.0).abs() < 0.01, "{rms}");
            let spread = stats::rms_f32(&density.values[5..490], mean) / mean;
            let expected = average.effective_averages().sqrt().recip();
            assert!((spread / expected - 1.0).abs() < 0.15, "{spread} {expected}");
        }
    }

    /// Parseval: one rectangular segment keeps the mean square exactly.
    #[test]
    fn one_rectangular_segment_keeps_the_mean_square() {
        for len in [512, 513] {
            let samples = noise(len);
            let config = SpectrumConfig {
                window: Window::Rectangle,
                segment_len: Some(len),
                remove_mean: false,
                ..SpectrumConfig::default()
            };
            let spectrum = averaged_spectrum(&samples, 100.0, &config).expect("enough").amplitude();
            let rms = stats::rms_f32(&samples, 0.0);
            assert!((spectrum.rms_in([0.0, 50.0]) / rms - 1.0).abs() < 1e-5);
        }
    }

    #[test]
    fn pieces_give_the_same_as_the_whole() {
        let samples = noise(10_000);
        let config = SpectrumConfig { segment_len: Some(600), ..SpectrumConfig::default() };
        let whole = averaged_spectrum(&samples, 1000.0, &config).expect("enough");
        let mut averager = Averager::new(1000.0, &config).expect("valid");
        samples.chunks(777).for_each(|piece| averager.push(piece));
        assert_eq!(averager.finish().expect("enough"), whole);
    }

    #[test]
    fn refuses_what_makes_no_spectrum() {
        let run = |config: SpectrumConfig| averaged_spectrum(&[0.0; 100], 1000.0, &config);
        assert!(run(SpectrumConfig { overlap: 1.0, ..Default::default() }).is_err());
        assert!(run(SpectrumConfig::with_resolution_hz(0.0)).is_err());
        assert!(matches!(
            run(SpectrumConfig::with_resolution_hz(1.0)),
            Err(Error::TooLittle { .. })
        ));
        assert!(averaged_spectrum(&[], 1000.0, &SpectrumConfig::default()).is_err());
        assert!(averaged_spectrum(&[0.0; 100], f64::NAN, &SpectrumConfig::default()).is_err());
        assert!(run(SpectrumConfig::default()).is_ok());
    }
}
