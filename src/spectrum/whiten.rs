//! Spectral whitening: every frequency brought to the same strength, so that a strong resonance or the
//! lines of the shaft no longer hide weak impacts.
//!
//! Source of the prewhitening by the modulus alone (setting the whole real cepstrum but its zeroth value
//! to zero): P. Borghesani, P. Pennacchi, R. B. Randall, N. Sawalhi, R. Ricci, Mech. Syst. Signal
//! Process. 36 (2013) 370-384 (from memory). Dividing by a smoothed modulus is common practice, no
//! source.

use serde::{Deserialize, Serialize};

use super::check_rate;
use crate::dsp::fft::{Complex32, forward_plan_f32, good_length, inverse_f32};
use crate::dsp::floor::running_median;
use crate::dsp::moments;
use crate::error::{Error, Result};

/// What each bin is divided by.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
#[non_exhaustive]
pub enum Whitening {
    /// By its own modulus: broad band and lines alike (cepstrum prewhitening).
    Modulus,
    /// By the running median of the modulus over `width_hz` around it: colours go, lines stay.
    Floor {
        /// Full width of the median in Hz.
        width_hz: f64,
    },
    /// As `Floor`, and what then stands more than `ceiling` times above the floor is cut to that: lines
    /// go as well, yet weak bins are not raised.
    Clipped {
        /// Full width of the median in Hz.
        width_hz: f64,
        /// Highest modulus over the floor that is kept, at least 1; 3 is exceeded by one bin of
        /// Gaussian noise in five hundred.
        ceiling: f32,
    },
}

/// Longest block in samples that is transformed at once.
pub const LONGEST_BLOCK: usize = 1 << 22;

/// Median of the modulus of a Gaussian bin over its rms: `sqrt(ln 2)` (Rayleigh distribution).
const RAYLEIGH_MEDIAN: f32 = 0.832_554_6;

/// The whitened signal: as long as `samples`, without mean, and such that Gaussian noise of any colour
/// comes out white with unit variance.
///
/// Up to [`LONGEST_BLOCK`] samples are transformed as a whole, so lines are as sharp as the recording
/// allows. Longer signals run through blocks of that length, half overlapped, under the root of a Hann
/// window before and after, whose squares add up to one.
///
/// # Errors
/// [`Error::Setting`] where the rate, the width or the ceiling is out of range, [`Error::TooLittle`] for
/// fewer than 16 samples.
pub fn whitened(samples: &[f32], rate_hz: f64, how: Whitening) -> Result<Vec<f32>> {
    whitened_in_blocks(samples, rate_hz, how, LONGEST_BLOCK)
}

fn whitened_in_blocks(
    samples: &[f32],
    rate_hz: f64,
    how: Whitening,
    longest: usize,
) -> Result<Vec<f32>> {
    check_rate(rate_hz)?;
    check(how)?;
    if samples.len() < 16 {
        return Err(Error::too_little(
            "whitening",
            "16 samples",
            format!("{} samples", samples.len()),
        ));
    }
    if samples.len() <= longest {
        let len = good_length(samples.len());
        let mut block = vec![0.0; len];
        copy_centred(&mut block, samples, 0);
        let mut white = whiten_block(block, rate_hz, how, samples.len() as f64);
        white.truncate(samples.len());
        return Ok(white);
    }
    Ok(overlapped(samples, rate_hz, how, longest))
}

fn check(how: Whitening) -> Result<()> {
    let (width_hz, ceiling) = match how {
        Whitening::Modulus => return Ok(()),
        Whitening::Floor { width_hz } => (width_hz, 1.0),
        Whitening::Clipped { width_hz, ceiling } => (width_hz, ceiling),
    };
    if !(width_hz.is_finite() && width_hz > 0.0) {
        return Err(Error::setting(
            "width_hz",
            format!("{width_hz} Hz is no width"),
            "state a positive one, several lines of the shaft wide",
        ));
    }
    if !(ceiling.is_finite() && ceiling >= 1.0) {
        return Err(Error::setting("ceiling", format!("{ceiling} is too low"), "choose 1 or more"));
    }
    Ok(())
}

/// Copies samples from `start` on less their mean; what lies outside is zero.
fn copy_centred(block: &mut [f32], samples: &[f32], start: i64) {
    let from = start.clamp(0, samples.len() as i64) as usize;
    let to = (start + block.len() as i64).clamp(0, samples.len() as i64) as usize;
    let inside = &samples[from..to];
    let mean = moments::mean(inside) as f32;
    block.fill(0.0);
    let place = (from as i64 - start) as usize;
    for (y, x) in block[place..].iter_mut().zip(inside) {
        *y = x - mean;
    }
}

/// Whitens one block; `energy` is the sum of the squared weights that its samples carry.
fn whiten_block(mut block: Vec<f32>, rate_hz: f64, how: Whitening, energy: f64) -> Vec<f32> {
    let len = block.len();
    let plan = forward_plan_f32(len);
    let mut bins = plan.make_output_vec();
    if plan.process(&mut block, &mut bins).is_err() {
        return vec![f32::NAN; len];
    }
    drop(block);
    // unit variance under weights of this energy has bins of modulus sqrt(energy)
    let level = energy.sqrt() as f32;
    match how {
        Whitening::Modulus => bins.iter_mut().for_each(|bin| *bin = to_modulus(*bin, level)),
        Whitening::Floor { width_hz } => divide(&mut bins, rate_hz, len, width_hz, f32::MAX, level),
        Whitening::Clipped { width_hz, ceiling } => {
            divide(&mut bins, rate_hz, len, width_hz, ceiling, level);
        }
    }
    bins[0] = Complex32::default();
    let scale = 1.0 / len as f32;
    let mut white = inverse_f32(&mut bins, len);
    white.iter_mut().for_each(|x| *x *= scale);
    white
}

/// The same phase with another modulus; zero stays zero.
fn to_modulus(bin: Complex32, modulus: f32) -> Complex32 {
    let own = bin.norm();
    if own > 0.0 { bin * (modulus / own) } else { Complex32::default() }
}

fn divide(
    bins: &mut [Complex32],
    rate_hz: f64,
    len: usize,
    width_hz: f64,
    ceiling: f32,
    level: f32,
) {
    let moduli: Vec<f32> = bins.iter().map(|bin| bin.norm()).collect();
    let half = (0.5 * width_hz * len as f64 / rate_hz).round().clamp(4.0, len as f64) as usize;
    let floor = running_median(&moduli, half);
    // where there is nothing (a low-pass filter of a converter, say) nothing is raised to life
    let least = floor.iter().copied().fold(0.0, f32::max) * 1e-5;
    for ((bin, own), floor) in bins.iter_mut().zip(&moduli).zip(&floor) {
        let floor = floor.max(least);
        if floor > 0.0 && *own > 0.0 {
            let height = (own / floor).min(ceiling);
            *bin *= height / own * RAYLEIGH_MEDIAN * level;
        } else {
            *bin = Complex32::default();
        }
    }
}

fn overlapped(samples: &[f32], rate_hz: f64, how: Whitening, len: usize) -> Vec<f32> {
    let weight = |i: usize| (std::f64::consts::PI * (i as f64 + 0.5) / len as f64).sin() as f32;
    let weights: Vec<f32> = (0..len).map(weight).collect();
    let hop = len / 2;
    // the phases of noise keep pi/4 of its power in place under the weights; the rest is spread evenly
    // over the block, and half of it is lost to the weights after
    let kept = if how == Whitening::Modulus { 0.5 + std::f64::consts::FRAC_PI_8 } else { 1.0 };
    let mut white = vec![0.0_f32; samples.len()];
    let mut start = -(hop as i64);
    while start < samples.len() as i64 {
        let mut block = vec![0.0; len];
        copy_centred(&mut block, samples, start);
        block.iter_mut().zip(&weights).for_each(|(x, w)| *x *= w);
        let first = start.max(0) as usize;
        let skipped = (first as i64 - start) as usize;
        let count = (len - skipped).min(samples.len() - first);
        let inside = &weights[skipped..skipped + count];
        let energy: f64 = inside.iter().map(|&w| f64::from(w * w)).sum::<f64>() / kept;
        let block = whiten_block(block, rate_hz, how, energy);
        let places = white[first..first + count].iter_mut();
        for ((y, x), w) in places.zip(&block[skipped..]).zip(inside) {
            *y += x * w;
        }
        start += hop as i64;
    }
    white
}

#[cfg(test)]
mod tests {
    use rand::SeedableRng;
    use rand_distr::{Distribution, StandardNormal};

    use super::*;
    use crate::dsp::stats;
    use crate::spectrum::{SpectrumConfig, averaged_spectrum};

    const RATE_HZ: f64 = 10_000.0;

    /// Noise of first order (density falls by 400 over the axis) and a strong tone of 1000 Hz.
    fn coloured(n: usize, tone: f32) -> Vec<f32> {
        let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(11);
        let mut last = 0.0_f32;
        let mut next = |i: usize| {
            let white: f32 = StandardNormal.sample(&mut random);
            last = 0.905 * last + white;
            last + tone * (std::f32::consts::TAU * 0.1 * (i % 10) as f32).sin() + 4.0
        };
        (0..n).map(&mut next).collect()
    }

    fn densities(samples: &[f32]) -> Vec<f32> {
        let config = SpectrumConfig::with_resolution_hz(50.0);
        averaged_spectrum(samples, RATE_HZ, &config).expect("long enough").density().values
    }

    #[test]
    fn coloured_noise_comes_out_white_with_unit_variance() {
        let samples = coloured(100_000, 0.0);
        let width_hz = 200.0;
        for how in [
            Whitening::Modulus,
            Whitening::Floor { width_hz },
            Whitening::Clipped { width_hz, ceiling: 3.0 },
        ] {
            for longest in [1 << 20, 1 << 14] {
                let white =
                    whitened_in_blocks(&samples, RATE_HZ, how, longest).expect("long enough");
                assert_eq!(white.len(), samples.len());
                let rms = stats::rms_f32(&white, 0.0);
                assert!((rms - 1.0).abs() < 0.03, "{how:?} {longest}: {rms}");
                let densities = densities(&white);
                // unit variance over 5000 Hz
                for values in densities[4..densities.len() - 4].chunks(8) {
                    let level = stats::mean_f32(values) * 5000.0;
                    assert!((level - 1.0).abs() < 0.12, "{how:?} {longest}: {level}");
                }
            }
        }
    }

    #[test]
    fn lines_stay_or_go_as_asked() {
        let samples = coloured(100_000, 20.0);
        let line = |how| densities(&whitened(&samples, RATE_HZ, how).expect("long enough"))[20];
        let floor = line(Whitening::Floor { width_hz: 200.0 });
        let clipped = line(Whitening::Clipped { width_hz: 200.0, ceiling: 3.0 });
        assert!(floor * 5000.0 > 50.0, "{floor}");
        assert!(clipped * 5000.0 < 1.5, "{clipped}");
        assert!(line(Whitening::Modulus) * 5000.0 < 1.5);
    }

    #[test]
    fn silence_stays_silent_and_bad_settings_are_refused() {
        let silent = whitened(&[3.0; 1000], 100.0, Whitening::Floor { width_hz: 5.0 });
        assert!(silent.expect("valid").iter().all(|x| x.abs() < 1e-3));
        let run = |how| whitened(&[0.0; 100], 100.0, how).is_err();
        assert!(run(Whitening::Floor { width_hz: 0.0 }));
        assert!(run(Whitening::Clipped { width_hz: 5.0, ceiling: 0.5 }));
        assert!(whitened(&[0.0; 5], 100.0, Whitening::Modulus).is_err());
    }
}
