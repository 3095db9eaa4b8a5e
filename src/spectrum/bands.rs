//! Which band carries impacts: spectral kurtosis over a tree of bands.
//!
//! The kurtosis of the complex envelope of a band, `mean(|z|⁴) / mean(|z|²)² - 2`, is zero for
//! stationary Gaussian noise, negative for tones and positive for impacts; over the 1/3-binary tree of
//! bands it shows where a train of impacts stands out most. Source: J. Antoni, Mech. Syst. Signal Process.
//! 21 (2007) 108-124 (from memory).

use serde::{Deserialize, Serialize};

use super::split::Splitter;
use crate::angle::map::JUDGED_SHARE_OF_RATE;
use crate::error::{Error, Result};

/// Edges of the band filters as a fraction of the band's width.
const EDGE: f64 = 0.25;
/// Output rate of the filters over the band's width: just what the band with its edges needs.
const RATE_FACTOR: f64 = 1.0 + EDGE;

/// How bands are tried.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct BandSearch {
    /// Lower end of the tree in Hz; default 0.
    pub low_hz: f64,
    /// Upper end of the tree in Hz; default 0.42 of the rate, above which converters fold.
    pub high_hz: Option<f64>,
    /// Bands are at least this wide, in Hz; default 1/32 of the whole. For bearings three times the
    /// highest defect frequency.
    pub least_width_hz: Option<f64>,
    /// Kurtosis is taken over stretches of this many seconds and averaged over them, so that changes of
    /// level from one to the next count for nothing; default 0.5. It should hold several impacts.
    pub stretch_s: f64,
}

impl Default for BandSearch {
    fn default() -> Self {
        Self { low_hz: 0.0, high_hz: None, least_width_hz: None, stretch_s: 0.5 }
    }
}

/// Kurtosis of one band.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct BandKurtosis {
    /// The band in Hz.
    pub band_hz: [f64; 2],
    /// Kurtosis of the complex envelope less 2: zero for Gaussian noise.
    pub kurtosis: f64,
    /// Its standard error: that of Gaussian noise, or the scatter between stretches where that is
    /// greater. One single shock has a kurtosis of about one standard error.
    pub standard_error: f64,
}

impl BandKurtosis {
    /// Kurtosis over its standard error.
    pub fn significance(&self) -> f64 {
        self.kurtosis / self.standard_error
    }
}

/// Standard errors that must lie between a band's kurtosis and zero for it to be [`chosen`]: among a
/// hundred bands of noise one exceeds four in about three hundred recordings (normal tail 3e-5).
pub const CLEAR_OF_NOISE: f64 = 4.0;

/// The bands of the 1/3-binary tree between two frequencies: the whole, and its equal parts by 2, 3, 4,
/// 6, 8, 12 ..., as long as they are at least `least_width_hz` wide. Wide bands come first.
pub fn tree_bands(low_hz: f64, high_hz: f64, least_width_hz: f64) -> Vec<[f64; 2]> {
    let span_hz = high_hz - low_hz;
    if !(span_hz > 0.0 && span_hz.is_finite() && least_width_hz > 0.0) {
        return Vec::new();
    }
    let binary = (0..16).map(|level| 1_usize << level);
    let levels = binary.flat_map(|parts| [parts, parts + parts / 2]);
    let mut bands = Vec::new();
    // 1 comes twice: it has no half
    for parts in levels.skip(1) {
        let width_hz = span_hz / parts as f64;
        // a hair's breadth, so that a least width of exactly one part is met
        if width_hz < least_width_hz * (1.0 - 1e-9) {
            break;
        }
        let edge = |k: usize| low_hz + span_hz * k as f64 / parts as f64;
        bands.extend((0..parts).map(|k| [edge(k), edge(k + 1)]));
    }
    bands
}

/// Kurtosis of the tree's bands, the most trustworthy first: sorted by kurtosis less
/// [`CLEAR_OF_NOISE`] standard errors.
///
/// # Errors
/// [`Error::Setting`] where the rate or the search is out of range, [`Error::TooLittle`] where the
/// samples last less than one stretch.
pub fn ranked_bands(
    samples: &[f32],
    rate_hz: f64,
    search: &BandSearch,
) -> Result<Vec<BandKurtosis>> {
    let high_hz = search.high_hz.unwrap_or(JUDGED_SHARE_OF_RATE * rate_hz);
    let span_hz = high_hz - search.low_hz;
    let bands = tree_bands(search.low_hz, high_hz, search.least_width_hz.unwrap_or(span_hz / 32.0));
    if bands.is_empty() {
        return Err(Error::setting(
            "least_width_hz",
            format!("no band of that width fits between {} and {high_hz} Hz", search.low_hz),
            "choose a narrower one",
        ));
    }
    let mut found = kurtosis_of_bands(samples, rate_hz, &bands, search.stretch_s)?;
    let sure = |band: &BandKurtosis| band.kurtosis - CLEAR_OF_NOISE * band.standard_error;
    found.sort_by(|a, b| sure(b).total_cmp(&sure(a)));
    Ok(found)
}

/// The first of [`ranked_bands`] that stands clear of noise; `None` where none does.
pub fn chosen(ranked: &[BandKurtosis]) -> Option<[f64; 2]> {
    ranked.iter().find(|band| band.significance() > CLEAR_OF_NOISE).map(|band| band.band_hz)
}

/// Sums of one stretch of one band, and what the finished stretches gave.
#[derive(Debug, Clone, Default)]
struct Gauge {
    count: usize,
    square: f64,
    fourth: f64,
    kurtoses: Vec<f64>,
}

impl Gauge {
    /// Closes a stretch. For n independent values of Gaussian noise the ratio has the mean
    /// 2 n / (n + 1) (exact, Dirichlet distribution); the factor takes that away.
    fn close(&mut self, independent: f64) {
        if self.count > 0 && self.square > 0.0 {
            let n = self.count as f64;
            let ratio = self.fourth * n / (self.square * self.square);
            self.kurtoses.push(ratio * (independent + 1.0) / independent - 2.0);
        }
        (self.count, self.square, self.fourth) = (0, 0.0, 0.0);
    }
}

/// Kurtosis of each band, in the order given.
///
/// # Errors
/// [`Error::Setting`] where the rate, a band or the stretch is out of range, [`Error::TooLittle`] where
/// the samples last less than one stretch, or one has no length for 16 independent values.
pub fn kurtosis_of_bands(
    samples: &[f32],
    rate_hz: f64,
    bands_hz: &[[f64; 2]],
    stretch_s: f64,
) -> Result<Vec<BandKurtosis>> {
    let splitter = Splitter::new(rate_hz, bands_hz, EDGE, RATE_FACTOR)?;
    check_stretch(samples.len() as f64 / rate_hz, bands_hz, stretch_s)?;
    let mut gauges = vec![Gauge::default(); bands_hz.len()];
    splitter.run(samples, |index, part| {
        let gauge = &mut gauges[index];
        let wanted = (stretch_s * splitter.rate_hz(index)).round().max(1.0) as usize;
        let independent = stretch_s * (bands_hz[index][1] - bands_hz[index][0]);
        let mut rest = part;
        while !rest.is_empty() {
            let (head, tail) = rest.split_at((wanted - gauge.count).min(rest.len()));
            for z in head {
                let square = f64::from(z.norm_sqr());
                gauge.square += square;
                gauge.fourth += square * square;
            }
            gauge.count += head.len();
            if gauge.count >= wanted {
                gauge.close(independent);
            }
            rest = tail;
        }
    });
    let judge = |(gauge, band): (&Gauge, &[f64; 2])| judged(&gauge.kurtoses, *band, stretch_s);
    Ok(gauges.iter().zip(bands_hz).map(judge).collect())
}

fn check_stretch(duration_s: f64, bands_hz: &[[f64; 2]], stretch_s: f64) -> Result<()> {
    let narrowest = bands_hz.iter().map(|b| b[1] - b[0]).fold(f64::INFINITY, f64::min);
    if !(stretch_s.is_finite() && stretch_s * narrowest >= 16.0) {
        return Err(Error::setting(
            "stretch_s",
            format!("{stretch_s} s is too short for a band of {narrowest} Hz"),
            format!("choose at least {} s", 16.0 / narrowest),
        ));
    }
    if duration_s < stretch_s {
        return Err(Error::too_little(
            "kurtosis of bands",
            format!("{stretch_s} s"),
            format!("{duration_s} s"),
        ));
    }
    Ok(())
}

fn judged(kurtoses: &[f64], band_hz: [f64; 2], stretch_s: f64) -> BandKurtosis {
    let count = kurtoses.len() as f64;
    let mean = kurtoses.iter().sum::<f64>() / count.max(1.0);
    let scatter = kurtoses.iter().map(|k| (k - mean).powi(2)).sum::<f64>() / (count - 1.0).max(1.0);
    // n independent values of Gaussian noise: the ratio has variance 4/n (delta method on the
    // moments 1, 2, 6, 24 of the exponential distribution)
    let noise = 4.0 / (stretch_s * (band_hz[1] - band_hz[0]));
    let standard_error = (scatter.max(noise) / count.max(1.0)).sqrt();
    BandKurtosis { band_hz, kurtosis: mean, standard_error }
}

#[cfg(test)]
mod tests {
    use rand::SeedableRng;
    use rand_distr::{Distribution, StandardNormal};

    use super::*;

    const RATE_HZ: f64 = 20_000.0;

    fn noise(seed: u64, n: usize) -> Vec<f32> {
        let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(seed);
        (0..n).map(|_| StandardNormal.sample(&mut random)).collect()
    }

    /// Adds impacts every `period_s` from `start_s` that ring at 6 kHz.
    fn add_impacts(samples: &mut [f32], start_s: f64, period_s: f64, height: f64) {
        let n = samples.len();
        let mut at = start_s;
        while at < n as f64 / RATE_HZ {
            let first = (at * RATE_HZ) as usize;
            for (i, x) in samples.iter_mut().enumerate().skip(first).take(200) {
                let t = (i - first) as f64 / RATE_HZ;
                let ring = (-t / 6e-4).exp() * (std::f64::consts::TAU * 6000.0 * t).sin();
                *x += (height * ring) as f32;
            }
            at += period_s;
        }
    }

    #[test]
    fn the_tree_has_its_levels() {
        let bands = tree_bands(0.0, 24.0, 3.0);
        let widths: Vec<f64> = bands.iter().map(|b| b[1] - b[0]).collect();
        let count = |width: f64| widths.iter().filter(|&&w| (w - width).abs() < 1e-9).count();
        assert_eq!([24.0, 12.0, 8.0, 6.0, 4.0, 3.0].map(count), [1, 2, 3, 4, 6, 8]);
        assert_eq!(bands.len(), 24);
        assert_eq!(tree_bands(0.0, 24.0, 20.0), vec![[0.0, 24.0]]);
        assert!(tree_bands(0.0, 24.0, 25.0).is_empty() && tree_bands(5.0, 5.0, 1.0).is_empty());
    }

    #[test]
    fn noise_has_no_kurtosis_and_a_true_standard_error() {
        let (mut sum, mut squares, mut count) = (0.0, 0.0, 0.0);
        for seed in 0..10 {
            let ranked =
                ranked_bands(&noise(seed, 80_000), RATE_HZ, &BandSearch::default()).expect("long");
            assert_eq!(chosen(&ranked), None, "{seed}: {:?}", ranked.first());
            for band in ranked {
                let z = band.significance();
                sum += z;
                squares += z * z;
                count += 1.0;
            }
        }
        let (mean, spread) = (sum / count, (squares / count).sqrt());
        assert!(mean.abs() < 0.15, "{mean}");
        assert!((0.7..1.1).contains(&spread), "{spread}");
    }

    #[test]
    fn a_train_of_impacts_is_found_where_it_rings() {
        let mut samples = noise(5, 80_000);
        add_impacts(&mut samples, 0.003, 0.011, 6.0);
        let ranked = ranked_bands(&samples, RATE_HZ, &BandSearch::default()).expect("long");
        let [low, high] = chosen(&ranked).expect("clear of noise");
        assert!(low < 6100.0 && high > 5900.0 && high - low < 4500.0, "{low} {high}");
    }

    #[test]
    fn one_shock_and_changing_levels_are_not_chosen() {
        let mut samples = noise(6, 80_000);
        for (i, x) in samples.iter_mut().enumerate() {
            *x *= 1.0 + (i / 10_000) as f32;
        }
        add_impacts(&mut samples, 2.2, 99.0, 200.0);
        let ranked = ranked_bands(&samples, RATE_HZ, &BandSearch::default()).expect("long");
        assert_eq!(chosen(&ranked), None, "{:?}", ranked.first());
    }

    /// A tone fills its band alone: constant modulus, kurtosis -1 (exact).
    #[test]
    fn a_tone_has_kurtosis_minus_one() {
        let tone = |i: i32| (std::f64::consts::TAU * 0.1 * f64::from(i % 10)).sin() as f32;
        let samples: Vec<f32> = (0..40_000).map(tone).collect();
        let found = kurtosis_of_bands(&samples, RATE_HZ, &[[1500.0, 2500.0]], 0.5).expect("long");
        // the factor for noise of 500 values makes -1 to 1 * 501 / 500 - 2
        assert!((found[0].kurtosis + 0.998).abs() < 2e-3, "{:?}", found[0]);
    }

    #[test]
    fn refuses_searches_that_cannot_be() {
        let run = |search: BandSearch| ranked_bands(&[0.0; 30_000], RATE_HZ, &search);
        assert!(run(BandSearch { high_hz: Some(10_001.0), ..Default::default() }).is_err());
        assert!(run(BandSearch { least_width_hz: Some(9e3), ..Default::default() }).is_err());
        assert!(run(BandSearch { stretch_s: 1e-3, ..Default::default() }).is_err());
        assert!(run(BandSearch { stretch_s: 9.0, ..Default::default() }).is_err());
        // silence has no kurtosis
        assert_eq!(run(BandSearch::default()).map(|r| chosen(&r)).ok(), Some(None));
    }
}
