//! Squared envelope of a band, its decimation, and its spectrum in Hz.
//!
//! The squared envelope (squared modulus of the analytic signal) of a band carries the repetition of
//! impacts that ring in the band; its spectrum, the squared envelope spectrum, has no difference
//! frequencies of higher order as that of the modulus has. Sources: R. B. Randall and J. Antoni, Mech.
//! Syst. Signal Process. 25 (2011) 485-520; J. Antoni, ibid. 21 (2007) 108-124 (from memory).

use serde::{Deserialize, Serialize};

use super::averaged::{SpectrumConfig, averaged_spectrum};
use super::split::Splitter;
use super::{Scaling, Spectrum};
use crate::dsp::halfband;
use crate::dsp::moments;
use crate::error::{Error, Result};

/// Width of each edge of the band filter, as a fraction of the band's width.
const EDGE: f64 = 0.1;
/// Rate of the envelope over the width of the band. The squared modulus of a band with its edges
/// reaches up to `1 + EDGE` widths, so 2.2 would just keep aliases out.
const RATE_FACTOR: f64 = 2.5;

/// The squared envelope of one band.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Envelope {
    /// Rate of `values` in Hz.
    pub rate_hz: f64,
    /// Time of the first value after the first sample of the signal, in seconds.
    pub offset_s: f64,
    /// The band in Hz, edges at half amplitude.
    pub band_hz: [f64; 2],
    /// Up to this frequency in Hz modulations are kept unchanged and free of aliases.
    pub bandwidth_hz: f64,
    /// Squared envelope in the samples' unit squared: A² for a tone of zero-to-peak amplitude A.
    pub values: Vec<f32>,
}

/// The squared envelope of a signal in a band.
///
/// The band filter has smooth edges of a tenth of the band's width, centred on the band's limits (at
/// zero and at half the rate they are moved inside); it has no delay. The envelope's rate is at least
/// 2.5 times the band's width. The signal runs through in blocks of bounded memory whose borders leave no
/// trace. Beyond its ends it is taken as mirrored: near either end the
/// envelope depends on that, strongly within one over the band's width and to a thousandth within forty
/// times as long.
///
/// # Errors
/// [`Error::Setting`] where the rate or band is out of range or the band narrower than about
/// a thirteen-thousandth of the rate, [`Error::TooLittle`] where there are no samples.
pub fn squared_envelope(samples: &[f32], rate_hz: f64, band_hz: [f64; 2]) -> Result<Envelope> {
    let mut envelopes = squared_envelopes(samples, rate_hz, &[band_hz])?;
    envelopes.pop().ok_or_else(|| Error::Bug("no envelope for one band".into()))
}

/// The squared envelopes of several bands, for little more than the cost of the widest: the forward
/// transforms are shared.
///
/// # Errors
/// As [`squared_envelope`].
pub fn squared_envelopes(
    samples: &[f32],
    rate_hz: f64,
    bands_hz: &[[f64; 2]],
) -> Result<Vec<Envelope>> {
    let splitter = Splitter::new(rate_hz, bands_hz, EDGE, RATE_FACTOR)?;
    if samples.is_empty() {
        return Err(Error::too_little("an envelope", "samples", "none"));
    }
    let empty = |(index, &band_hz): (usize, &[f64; 2])| Envelope {
        rate_hz: splitter.rate_hz(index),
        offset_s: 0.0,
        band_hz,
        bandwidth_hz: band_hz[1] - band_hz[0],
        values: Vec::with_capacity(splitter.output_len(index, samples.len())),
    };
    let mut envelopes: Vec<Envelope> = bands_hz.iter().enumerate().map(empty).collect();
    splitter.run(samples, |index, part| {
        envelopes[index].values.extend(part.iter().map(|z| z.norm_sqr()));
    });
    Ok(envelopes)
}

impl Envelope {
    /// Length in seconds.
    pub fn duration_s(&self) -> f64 {
        self.values.len() as f64 / self.rate_hz
    }

    /// Mean squared envelope: twice the mean square of the signal in the band.
    pub fn mean(&self) -> f64 {
        moments::mean(&self.values)
    }

    /// The same envelope at the lowest rate, by halvings, that keeps modulations up to `keep_hz`
    /// unchanged and free of aliases.
    #[must_use]
    pub fn decimated(&self, keep_hz: f64) -> Self {
        let mut envelope = self.clone();
        while halfband::PASS * 0.5 * envelope.rate_hz >= keep_hz && envelope.values.len() > 1024 {
            envelope.values = halfband::halve(&envelope.values);
            envelope.rate_hz *= 0.5;
            envelope.bandwidth_hz = envelope.bandwidth_hz.min(halfband::PASS * envelope.rate_hz);
        }
        envelope
    }
}

/// The averaged spectrum of a squared envelope in Hz, up to its bandwidth: above that modulations are
/// weakened or folded.
///
/// As amplitude, a line over the envelope's mean is the depth of the modulation.
///
/// # Errors
/// As [`averaged_spectrum`].
pub fn envelope_spectrum_hz(
    envelope: &Envelope,
    config: &SpectrumConfig,
    scaling: Scaling,
) -> Result<Spectrum> {
    let averaged = averaged_spectrum(&envelope.values, envelope.rate_hz, config)?;
    let mut spectrum = averaged.spectrum(scaling);
    let kept = (envelope.bandwidth_hz / spectrum.bin_hz) as usize + 1;
    spectrum.values.truncate(kept);
    Ok(spectrum)
}

#[cfg(test)]
mod tests {
    use std::f64::consts::TAU;

    use rand::SeedableRng;
    use rand_distr::{Distribution, StandardNormal};

    use super::*;

    /// A carrier with 40 % modulation beside two strong tones outside the band.
    fn modulated(n: usize, rate_hz: f64) -> Vec<f32> {
        let value = |t: f64| {
            let carrier = (1.0 + 0.4 * (TAU * 37.0 * t).cos()) * (TAU * 3000.0 * t + 0.5).cos();
            carrier + 3.0 * (TAU * 900.0 * t).sin() + 2.0 * (TAU * 6000.0 * t).cos()
        };
        (0..n).map(|i| value(i as f64 / rate_hz) as f32).collect()
    }

    #[test]
    fn a_modulated_carrier_gives_its_modulation_across_blocks() {
        let rate_hz = 20_000.0;
        let envelope = squared_envelope(&modulated(100_001, rate_hz), rate_hz, [2500.0, 3500.0])
            .expect("valid");
        assert!(envelope.rate_hz >= 2500.0 && envelope.rate_hz < 2700.0);
        assert_eq!(envelope.values.len(), (100_001.0 / rate_hz * envelope.rate_hz).ceil() as usize);
        let margin = (0.04 * envelope.rate_hz) as usize;
        for (i, &value) in envelope.values.iter().enumerate() {
            let t = i as f64 / envelope.rate_hz;
            let exact = (1.0 + 0.4 * (TAU * 37.0 * t).cos()).powi(2);
            let inner = i >= margin && i + margin < envelope.values.len();
            if inner {
                assert!((f64::from(value) - exact).abs() < 3e-4, "{i}: {value} {exact}");
            } else {
                assert!((0.0..2.3).contains(&value), "{i}: {value}");
            }
        }
    }

    #[test]
    fn several_bands_at_once_are_the_same_as_one_by_one() {
        let samples = modulated(30_000, 20_000.0);
        let bands = [[2500.0, 3500.0], [500.0, 1300.0]];
        let both = squared_envelopes(&samples, 20_000.0, &bands).expect("valid");
        let alone = squared_envelope(&samples, 20_000.0, bands[0]).expect("valid");
        let near = |at: f64, envelope: &Envelope| {
            f64::from(envelope.values[(at * envelope.rate_hz).round() as usize])
        };
        assert!((near(0.7, &both[0]) - near(0.7, &alone)).abs() < 0.02);
        // the tone of 900 Hz alone: a constant
        assert!(both[1].values[100..900].iter().all(|v| (v - 9.0).abs() < 2e-3));
    }

    /// The mean squared envelope is twice the mean square in the band (Parseval).
    #[test]
    fn noise_keeps_its_power() {
        let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(3);
        let samples: Vec<f32> = (0..200_000).map(|_| StandardNormal.sample(&mut random)).collect();
        for band in [[0.0, 5000.0], [1000.0, 2000.0], [4000.0, 5000.0], [10.0, 500.0]] {
            let envelope = squared_envelope(&samples, 10_000.0, band).expect("valid");
            // unit variance over 5000 Hz; smooth edges pass a little less than hard ones, and at zero and
            // half the rate they lie inside the band
            let fraction = (band[1] - band[0]) / 5000.0;
            let ratio = envelope.mean() / (2.0 * fraction);
            assert!((0.88..1.02).contains(&ratio), "{band:?}: {ratio}");
        }
    }

    /// Two tones 900 Hz apart in a band of 1000 Hz: the squared envelope beats at 900 Hz and nowhere
    /// else, before and after decimation.
    #[test]
    fn nothing_is_folded() {
        let rate_hz = 25_600.0;
        let tone = |t: f64| (TAU * 5050.0 * t).cos() + (TAU * 5950.0 * t).cos();
        let samples: Vec<f32> = (0..100_000).map(|i| tone(i as f64 / rate_hz) as f32).collect();
        let envelope = squared_envelope(&samples, rate_hz, [5000.0, 6000.0]).expect("valid");
        let config = SpectrumConfig::with_resolution_hz(4.0);
        let spectrum = envelope_spectrum_hz(&envelope, &config, Scaling::Amplitude).expect("long");
        let line = spectrum.line_near(900.0, 20.0).expect("in range");
        assert!((line.frequency_hz - 900.0).abs() < 0.01);
        let rest = (0..spectrum.values.len())
            .filter(|&k| k > 8 && (spectrum.frequency_hz(k) - 900.0).abs() > 30.0)
            .map(|k| spectrum.values[k])
            .fold(0.0, f32::max);
        assert!(f64::from(rest) < 2e-3 * line.amplitude, "{rest}");
        let slow = envelope.decimated(200.0);
        assert!((500.0..1300.0).contains(&slow.rate_hz), "{}", slow.rate_hz);
        let spectrum = envelope_spectrum_hz(&slow, &config, Scaling::Amplitude).expect("long");
        let left = spectrum.values[8..(200.0 / spectrum.bin_hz) as usize]
            .iter()
            .fold(0.0_f32, |a, &b| a.max(b));
        assert!(f64::from(left) < 2e-3 * line.amplitude, "{left}");
    }

    #[test]
    fn refuses_bands_that_are_none() {
        let run = |band| squared_envelope(&[0.0; 100], 1000.0, band);
        assert!(run([100.0, 100.0]).is_err());
        assert!(run([100.0, 501.0]).is_err());
        assert!(run([-1.0, 50.0]).is_err());
        assert!(run([100.0, 100.01]).is_err());
        assert!(run([f64::NAN, 50.0]).is_err());
        assert!(squared_envelope(&[], 1000.0, [100.0, 200.0]).is_err());
        assert!(squared_envelopes(&[0.0; 100], 1000.0, &[]).is_err());
        assert_eq!(
            run([100.0, 300.0]).map(|e| e.values.iter().all(|&v| v == 0.0)).ok(),
            Some(true)
        );
    }
}
