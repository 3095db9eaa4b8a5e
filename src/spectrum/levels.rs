//! Overall levels: rms, peak, crest factor and kurtosis of samples, and band-limited rms over time.

use serde::{Deserialize, Serialize};

use super::integrate::{derivatives, omega_factor};
use super::{check_band, check_rate};
use crate::dsp::fft::good_length;
use crate::dsp::moments::{Moments, extremes};
use crate::dsp::segments::SegmentTransform;
use crate::dsp::window::Window;
use crate::error::{Error, Result};
use crate::recording::Channel;
use crate::units::Quantity;

/// Levels of samples about their mean, in the samples' own unit.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Levels {
    /// Arithmetic mean.
    pub mean: f64,
    /// Root mean square about the mean.
    pub rms: f64,
    /// Greatest distance from the mean.
    pub peak: f64,
    /// Greatest less least sample.
    pub peak_to_peak: f64,
    /// Peak over rms: 1.414 for a sine; 0 for samples that are all equal.
    pub crest_factor: f64,
    /// Pearson's kurtosis, fourth central moment over squared variance: 3 for Gaussian noise, 1.5 for
    /// a sine; 0 for samples that are all equal.
    pub kurtosis: f64,
}

/// The levels of samples.
///
/// # Errors
/// [`Error::TooLittle`] where there are no samples.
pub fn levels(samples: &[f32]) -> Result<Levels> {
    let (least, greatest) =
        extremes(samples).ok_or_else(|| Error::too_little("levels", "samples", "none"))?;
    let (least, greatest) = (f64::from(least), f64::from(greatest));
    let moments = Moments::of(samples);
    let rms = moments.second.sqrt();
    let peak = (greatest - moments.mean).max(moments.mean - least);
    Ok(Levels {
        mean: moments.mean,
        rms,
        peak,
        peak_to_peak: greatest - least,
        crest_factor: if rms > 0.0 { peak / rms } else { 0.0 },
        kurtosis: moments.kurtosis(),
    })
}

/// A level at a time.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct LevelAt {
    /// Middle of the block in seconds.
    pub time_s: f64,
    /// Root mean square in SI.
    pub rms: f64,
}

/// Periods of the lower band edge that one block holds: a Hann window then parts the edge from zero.
const PERIODS_PER_BLOCK: f64 = 8.0;
/// Shortest block in seconds.
const LEAST_BLOCK_S: f64 = 0.05;

/// Rms in a band over time, in blocks under a Hann window that overlap by half.
///
/// `samples` hold the quantity `from` in SI (m, m/s, m/s²; multiply by
/// [`Unit::si_factor`](crate::units::Unit::si_factor) first, or multiply the result by it: the
/// conversion is linear). The result is `to` in SI. Each block's spectrum is multiplied by the power of
/// omega that leads from one quantity to the other and summed over `band_hz`, whose lower edge must be
/// above zero where integration is asked for. A block lasts eight periods of the lower edge and at least
/// 0.05 s, or what there is. `time_s` counts from the first sample to the middle of the block.
///
/// The window's width raises the level of a tone by about `(p / n)²` parts, for n periods of it in a block
/// and p = 0.7 for velocity from acceleration, 1.3 for displacement: 0.8 % at the lower edge, nothing
/// further up.
///
/// # Errors
/// [`Error::Setting`] for a bad rate or band, or quantities that are not linked by derivatives;
/// [`Error::TooLittle`] for fewer samples than three periods of the lower band edge, or than 16.
pub fn overall_in_band(
    samples: &[f32],
    rate_hz: f64,
    from: Quantity,
    to: Quantity,
    band_hz: [f64; 2],
) -> Result<Vec<LevelAt>> {
    let found = overall_in_bands(samples, rate_hz, from, &[(to, band_hz)])?;
    Ok(found.into_iter().next().unwrap_or_default())
}

/// As [`overall_in_band`] for several quantities, each in its band, from one pass over the samples: one
/// list for each. The lowest edge of all bands sets the length of the blocks.
///
/// # Errors
/// As [`overall_in_band`], for any of them; [`Error::Setting`] where none is asked for.
pub fn overall_in_bands(
    samples: &[f32],
    rate_hz: f64,
    from: Quantity,
    wanted: &[(Quantity, [f64; 2])],
) -> Result<Vec<Vec<LevelAt>>> {
    check_rate(rate_hz)?;
    let mut steps = Vec::with_capacity(wanted.len());
    for &(to, band_hz) in wanted {
        check_band(band_hz, rate_hz)?;
        steps.push(derivatives(from, to)?);
        if steps.last().is_some_and(|steps| *steps < 0) && band_hz[0] <= 0.0 {
            return Err(Error::setting(
                "band_hz",
                "integration down to zero frequency has no end",
                "choose a lower edge above zero, 10 Hz for instance",
            ));
        }
    }
    let Some(low_hz) = wanted.iter().map(|(_, band_hz)| band_hz[0]).reduce(f64::min) else {
        return Err(Error::setting("wanted", "no quantity is asked for", "name one at least"));
    };
    let len = block_len(samples.len(), rate_hz, low_hz)?;
    let mut transform = SegmentTransform::new(Window::Hann, len, len, true);
    let weights = wanted.iter().zip(&steps);
    let weights: Vec<BandWeights> =
        weights.map(|((_, band_hz), &steps)| band_weights(len, rate_hz, *band_hz, steps)).collect();
    // Parseval under the window: mean square = Σ|X|² / (n Σw²), one-sided sum twice
    let scale = 2.0 / (len as f64 * transform.window_squares);
    let hop = len / 2;
    let mut found: Vec<Vec<LevelAt>> = vec![Vec::new(); wanted.len()];
    let mut start = 0;
    while let Some(block) = samples.get(start..start + len) {
        let spectrum = transform.bins_of(block);
        let time_s = (start as f64 + 0.5 * len as f64) / rate_hz;
        for (found, weights) in found.iter_mut().zip(&weights) {
            let bins = spectrum.iter().skip(weights.first).zip(&weights.values);
            let sum: f64 = bins.map(|(x, w)| f64::from(x.norm_sqr()) * w).sum();
            found.push(LevelAt { time_s, rms: (sum * scale).sqrt() });
        }
        start += hop;
    }
    Ok(found)
}

/// As [`overall_in_band`] for a channel in its own unit: the result is in SI and times are those of
/// the recording.
///
/// # Errors
/// As [`overall_in_band`]; channels of unknown quantity are refused unless `to` is unknown too.
pub fn channel_overall(channel: &Channel, to: Quantity, band_hz: [f64; 2]) -> Result<Vec<LevelAt>> {
    let found = channel_overalls(channel, &[(to, band_hz)])?;
    Ok(found.into_iter().next().unwrap_or_default())
}

/// As [`channel_overall`] for several quantities, each in its band: one list for each.
///
/// # Errors
/// As [`channel_overall`], for any of them; [`Error::Setting`] where none is asked for.
pub fn channel_overalls(
    channel: &Channel,
    wanted: &[(Quantity, [f64; 2])],
) -> Result<Vec<Vec<LevelAt>>> {
    let from = channel.spec.quantity();
    let factor = channel.spec.unit().si_factor();
    let start_s = channel.time_s(0.0);
    let found = overall_in_bands(channel.values(), channel.rate_hz, from, wanted)?;
    let in_si = |at: LevelAt| LevelAt { time_s: at.time_s + start_s, rms: at.rms * factor };
    Ok(found.into_iter().map(|list| list.into_iter().map(in_si).collect()).collect())
}

fn block_len(available: usize, rate_hz: f64, low_hz: f64) -> Result<usize> {
    let wanted_s = (PERIODS_PER_BLOCK / low_hz).max(LEAST_BLOCK_S);
    let wanted_s = if wanted_s.is_finite() { wanted_s } else { 1.0 };
    let wanted = good_length((wanted_s * rate_hz).ceil().clamp(16.0, 1e9) as usize);
    let least = if low_hz > 0.0 { (3.0 / low_hz * rate_hz).ceil() } else { 0.0 };
    if (available as f64) < least.max(16.0) {
        return Err(Error::too_little(
            "a level in a band",
            format!("{} samples, three periods of the lower edge", least.max(16.0)),
            format!("{available} samples"),
        ));
    }
    Ok(if wanted <= available { wanted } else { crate::dsp::fft::good_length_below(available) })
}

/// Weights of the bins of a band, from bin `first` on.
struct BandWeights {
    first: usize,
    values: Vec<f64>,
}

/// For each bin the part of it inside the band times the squared factor of omega.
fn band_weights(len: usize, rate_hz: f64, band_hz: [f64; 2], steps: i32) -> BandWeights {
    let bin_hz = rate_hz / len as f64;
    let [low, high] = band_hz;
    let first = (low / bin_hz - 0.5).floor().max(0.0) as usize;
    let last = ((high / bin_hz + 0.5).ceil() as usize).min(len / 2);
    let weight = |k: usize| {
        let hz = k as f64 * bin_hz;
        let inside = ((hz + 0.5 * bin_hz).min(high) - (hz - 0.5 * bin_hz).max(low)).max(0.0);
        // the part of an edge bin that counts stands for frequencies inside the band
        let omega = std::f64::consts::TAU * hz.clamp(low, high);
        inside / bin_hz * omega_factor(omega, steps).powi(2)
    };
    BandWeights { first, values: (first..=last).map(weight).collect() }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::recording::ChannelSpec;
    use crate::units::{STANDARD_GRAVITY_M_S2, Unit};

    fn tone(rate_hz: f64, hz: f64, peak: f64, seconds: f64) -> Vec<f32> {
        let n = (rate_hz * seconds) as usize;
        let value = |i: usize| peak * (std::f64::consts::TAU * hz * i as f64 / rate_hz).sin();
        (0..n).map(|i| value(i) as f32).collect()
    }

    /// Exact: a sine has rms 1/√2 of its peak, crest √2, kurtosis 1.5; a square wave has 1 for all.
    #[test]
    fn shapes_with_known_levels() {
        let sine = levels(&tone(1000.0, 10.0, 2.0, 10.0)).expect("samples");
        assert!((sine.rms - 2.0_f64.sqrt()).abs() < 1e-5);
        assert!((sine.crest_factor - 2.0_f64.sqrt()).abs() < 1e-5);
        assert!((sine.kurtosis - 1.5).abs() < 1e-5);
        assert!((sine.peak_to_peak - 4.0).abs() < 1e-5);
        let square: Vec<f32> = (0..1000).map(|i| if i % 2 == 0 { 4.0 } else { 2.0 }).collect();
        let square = levels(&square).expect("samples");
        assert_eq!((square.mean, square.rms, square.crest_factor), (3.0, 1.0, 1.0));
        assert!(levels(&[]).is_err());
        assert_eq!(levels(&[5.0; 7]).map(|l| l.crest_factor).ok(), Some(0.0));
    }

    /// 1 g rms at 100 Hz is 15.608 mm/s rms and 24.841 µm rms (recomputed from 9.80665 m/s²).
    #[test]
    fn one_g_at_100_hz() {
        let peak = STANDARD_GRAVITY_M_S2 * 2.0_f64.sqrt();
        let samples = tone(51_200.0, 100.0, peak, 4.0);
        for (to, expected) in [(Quantity::Velocity, 15.608e-3), (Quantity::Displacement, 24.841e-6)]
        {
            let found =
                overall_in_band(&samples, 51_200.0, Quantity::Acceleration, to, [10.0, 1000.0])
                    .expect("a valid band");
            assert!(found.len() > 5);
            for level in found {
                assert!((level.rms / expected - 1.0).abs() < 3e-4, "{to:?} {level:?}");
            }
        }
    }

    #[test]
    fn channels_come_in_their_own_unit_and_time() {
        let spec = ChannelSpec { unit: Some(Unit::G), ..ChannelSpec::named("front") };
        let samples = tone(10_000.0, 200.0, 1.0, 2.0);
        let mut channel = Channel::new(spec, 10_000.0, samples).expect("valid");
        channel.start_s = 5.0;
        let found = channel_overall(&channel, Quantity::Velocity, [20.0, 2000.0]).expect("valid");
        // 1 g peak at 200 Hz is half of 11.036 mm/s rms
        assert!(found.iter().all(|level| (level.rms / 5.518e-3 - 1.0).abs() < 2e-4));
        assert!((found[0].time_s - 5.2).abs() < 0.01);
    }

    #[test]
    fn what_lies_outside_the_band_is_left_out() {
        let mut samples = tone(10_000.0, 200.0, 1.0, 2.0);
        for (x, y) in samples.iter_mut().zip(tone(10_000.0, 3000.0, 5.0, 2.0)) {
            *x += y + 3.0;
        }
        let same = Quantity::Velocity;
        let found = overall_in_band(&samples, 10_000.0, same, same, [50.0, 1000.0]).expect("valid");
        assert!(found.iter().all(|level| (level.rms * 2.0_f64.sqrt() - 1.0).abs() < 1e-3));
    }

    #[test]
    fn one_pass_gives_what_each_gives_alone() {
        let samples = tone(10_000.0, 200.0, 3.0, 1.0);
        let from = Quantity::Acceleration;
        let wanted = [
            (Quantity::Velocity, [50.0, 1000.0]),
            (from, [50.0, 4000.0]),
            (Quantity::Displacement, [50.0, 1000.0]),
        ];
        let together = overall_in_bands(&samples, 10_000.0, from, &wanted).expect("valid");
        for ((to, band_hz), list) in wanted.into_iter().zip(&together) {
            let alone = overall_in_band(&samples, 10_000.0, from, to, band_hz).expect("valid");
            assert_eq!(&alone, list);
        }
        assert!(overall_in_bands(&samples, 10_000.0, from, &[]).is_err());
    }

    #[test]
    fn refuses_bad_bands_and_quantities() {
        let run = |from, to, band| overall_in_band(&[0.0; 9999], 1000.0, from, to, band);
        let (a, v) = (Quantity::Acceleration, Quantity::Velocity);
        assert!(run(a, v, [0.0, 100.0]).is_err());
        assert!(run(a, v, [10.0, 501.0]).is_err());
        assert!(run(a, v, [0.01, 100.0]).is_err());
        assert!(run(Quantity::Pressure, v, [10.0, 100.0]).is_err());
        assert!(run(a, v, [10.0, 100.0]).is_ok());
        assert!(run(Quantity::Pressure, Quantity::Pressure, [0.0, 100.0]).is_ok());
    }
}
