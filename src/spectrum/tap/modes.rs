//! The modes in the spectra of free decays.

use std::f64::consts::TAU;
use std::ops::Range;

use super::{LEAST_TAPS, Ringing};
use crate::dsp::columns::{norm, orthonormal, without};
use crate::dsp::fft::{self, Complex64};
use crate::dsp::least_squares;
use crate::dsp::stats;

/// Share of the sampling rate up to which modes are looked for, and the lowest frequency in Hz.
const HIGHEST_SHARE: f64 = 0.42;
const LOWEST_HZ: f64 = 20.0;
/// A peak stands this many times (in amplitude) above the median around it.
const PROMINENCE: f64 = 4.0;
/// A broad peak, whose flanks lift that median, falls to this share of its height on either side.
const FLANK: f64 = 0.5;
/// Peaks below this share of the highest are left out.
const LEAST_PEAK: f64 = 0.02;
/// Most modes told of a channel.
const MOST_MODES: usize = 12;
/// Damping ratios of what can be called ringing.
const ZETA: (f64, f64) = (1e-4, 0.2);

/// Spectra of the decays.
pub(super) struct Response {
    spectra: Vec<Vec<Complex64>>,
    bin_hz: f64,
    rate_hz: f64,
}

impl Response {
    /// Of decays that are equally long.
    pub(super) fn of<'a>(decays: impl Iterator<Item = &'a [f32]>, rate_hz: f64) -> Self {
        let mut len = 1;
        let spectra = decays.map(|decay| {
            len = decay.len().max(1);
            let mut values: Vec<f64> = decay.iter().map(|&x| f64::from(x)).collect();
            fft::forward_f64(&mut values)
        });
        let spectra = spectra.collect();
        Self { spectra, bin_hz: rate_hz / len as f64, rate_hz }
    }

    /// The modes that ring, lowest first.
    pub(super) fn modes(&self) -> Vec<Ringing> {
        let mean = self.mean_amplitude();
        let peaks = self.peaks(&mean);
        let highest = peaks.iter().map(|&k| mean[k]).fold(0.0, f64::max);
        let mut modes: Vec<Ringing> =
            peaks.iter().filter_map(|&k| self.mode_at(k, &mean, &peaks, highest)).collect();
        modes.sort_by(|a, b| a.hz.total_cmp(&b.hz));
        // a broad mode with two bumps is one
        modes.dedup_by(|b, a| (b.hz - a.hz).abs() < 0.5 * (a.damping * a.hz + b.damping * b.hz));
        modes
    }

    /// Bins in which modes are looked for; none without a decay.
    fn searched(&self) -> Range<usize> {
        let last = (HIGHEST_SHARE * self.rate_hz / self.bin_hz) as usize;
        let first = ((LOWEST_HZ / self.bin_hz).ceil() as usize).max(3);
        let bins = self.spectra.first().map_or(0, Vec::len);
        first..last.min(bins).max(first)
    }

    /// Lowest and highest frequency at which modes are looked for, in Hz; the same where there are none.
    pub(super) fn searched_hz(&self) -> [f64; 2] {
        let searched = self.searched();
        [searched.start, searched.end].map(|bin| bin as f64 * self.bin_hz)
    }

    /// Root mean square over the taps, each brought to the same size.
    fn mean_amplitude(&self) -> Vec<f64> {
        let bins = self.spectra.first().map_or(0, Vec::len);
        let mut power = vec![0.0; bins];
        for spectrum in &self.spectra {
            let total = norm(spectrum).max(f64::MIN_POSITIVE);
            for (sum, bin) in power.iter_mut().zip(spectrum) {
                *sum += (bin.norm() / total).powi(2);
            }
        }
        power.iter().map(|p| (p / self.spectra.len().max(1) as f64).sqrt()).collect()
    }

    /// Bins of the peaks that stand out, highest first.
    fn peaks(&self, mean: &[f64]) -> Vec<usize> {
        let searched = self.searched();
        let highest =
            mean.get(searched.clone()).unwrap_or_default().iter().copied().fold(0.0, f64::max);
        let stands = |k: usize| {
            let reach = (k / 3).max(12);
            let around = &mean[k.saturating_sub(reach).max(1)..(k + reach).min(mean.len())];
            let local =
                (k.saturating_sub(2)..=(k + 2).min(mean.len() - 1)).all(|j| mean[j] <= mean[k]);
            local
                && mean[k] > LEAST_PEAK * highest
                && (mean[k] > PROMINENCE * stats::median(around) || is_broad_peak(mean, k))
        };
        let mut peaks: Vec<usize> = searched.filter(|&k| stands(k)).collect();
        peaks.sort_by(|&a, &b| mean[b].total_cmp(&mean[a]));
        peaks.truncate(MOST_MODES);
        peaks
    }

    fn mode_at(&self, peak: usize, mean: &[f64], peaks: &[usize], highest: f64) -> Option<Ringing> {
        // the bins around the peak, up to half the way to its neighbours
        let half = (1..).take_while(|&j| {
            let above = |k: Option<usize>| {
                k.and_then(|k| mean.get(k)).is_some_and(|&a| a > 0.5 * mean[peak])
            };
            above(Some(peak + j)) || above(peak.checked_sub(j))
        });
        let width = half.count().max(1);
        let neighbour = peaks
            .iter()
            .filter(|&&k| k != peak)
            .map(|k| k.abs_diff(peak))
            .min()
            .unwrap_or(usize::MAX);
        let reach = (4 * width + 3).min((neighbour / 2).max(4));
        let from = peak.saturating_sub(reach).max(1);
        let to = (peak + reach + 1).min(mean.len());
        if to - from < 7 {
            return None;
        }
        let start = [
            (TAU * peak as f64 * self.bin_hz).ln(),
            (0.5 * width as f64 / peak as f64).clamp(ZETA.0, ZETA.1).ln(),
        ];
        let all: Vec<usize> = (0..self.spectra.len()).collect();
        let (hz, damping) = self.fitted(&all, from, to, start)?;
        // each tap left out in turn: their scatter is the error (the jackknife)
        let count = all.len() as f64;
        let others: Vec<(f64, f64)> = if all.len() >= LEAST_TAPS {
            let left_out = |i: &usize| {
                let kept: Vec<usize> = all.iter().copied().filter(|j| j != i).collect();
                self.fitted(&kept, from, to, [(TAU * hz).ln(), damping.ln()])
            };
            all.iter().filter_map(left_out).collect()
        } else {
            Vec::new()
        };
        let error = |value: f64, of: &dyn Fn(&(f64, f64)) -> f64, floor: f64| {
            if others.len() < LEAST_TAPS {
                // one or two taps tell nothing of their scatter
                return 10.0 * floor;
            }
            let squares = others.iter().map(|other| (of(other) - value).powi(2)).sum::<f64>();
            ((count - 1.0) / count * squares).sqrt().max(floor)
        };
        let inside = damping > 1.01 * ZETA.0 && damping < 0.99 * ZETA.1;
        let near = (hz / self.bin_hz - peak as f64).abs() <= reach as f64;
        (inside && near).then(|| Ringing {
            hz,
            hz_error: error(hz, &|o| o.0, 0.02 * damping * hz),
            damping,
            damping_error: error(damping, &|o| o.1, 0.02 * damping),
            share: mean[peak] / highest.max(f64::MIN_POSITIVE),
        })
    }

    /// Natural frequency in Hz and damping ratio that fit the bins `from..to` of the chosen taps best.
    fn fitted(
        &self,
        taps: &[usize],
        from: usize,
        to: usize,
        start: [f64; 2],
    ) -> Option<(f64, f64)> {
        let middle = 0.5 * (from + to) as f64;
        let line: Vec<Complex64> =
            (from..to).map(|k| Complex64::new(k as f64 - middle, 0.0)).collect();
        let mut base = Vec::new();
        for column in [vec![Complex64::ONE; to - from], line] {
            base.extend(orthonormal(column, &base));
        }
        // each tap counts the same
        let data: Vec<Vec<Complex64>> = taps
            .iter()
            .filter_map(|&tap| {
                let bins = self.spectra.get(tap)?.get(from..to)?;
                let size = norm(bins).max(f64::MIN_POSITIVE);
                Some(without(bins.iter().map(|b| b / size).collect(), &base))
            })
            .collect();
        let residual = |x: &[f64]| {
            let (wn, zeta) = (x[0].exp(), x[1].exp());
            let pole = Complex64::new(-zeta, (1.0 - zeta * zeta).sqrt()) * (wn / self.rate_hz);
            // the mirror image of a broad peak is no straight line
            let column = |pole: Complex64| -> Vec<Complex64> {
                let bin = |k: usize| {
                    let turn = Complex64::new(0.0, -TAU * k as f64 * self.bin_hz / self.rate_hz);
                    1.0 / (1.0 - (pole + turn).exp())
                };
                (from..to).map(bin).collect()
            };
            let mut unit: Vec<Vec<Complex64>> = Vec::new();
            for column in [column(pole), column(pole.conj())] {
                let column = without(column, &base);
                unit.extend(orthonormal(column, &unit));
            }
            let left = data.iter().flat_map(|bins| without(bins.clone(), &unit));
            left.flat_map(|value| [value.re, value.im]).collect::<Vec<f64>>()
        };
        let reach = (to as f64 / from as f64).ln();
        let bounds = [(start[0] - reach, start[0] + reach), (ZETA.0.ln(), ZETA.1.ln())];
        let found = least_squares::levenberg_marquardt(&residual, start.to_vec(), &bounds, 1e-6);
        let (wn, zeta) = (found.x.first()?.exp(), found.x.get(1)?.exp());
        Some((wn / TAU, zeta))
    }
}

/// Whether a peak stands out that is so broad that its own flanks fill what lies around it: it falls to half
/// of its height on either side before it rises above it, and stands above the lower quarter of all that
/// lies within two thirds of its frequency.
fn is_broad_peak(mean: &[f64], k: usize) -> bool {
    let ends = |a: &&f64| **a < FLANK * mean[k] || **a > mean[k];
    let (below, above) = (mean[1..k].iter().rev().find(ends), mean[k + 1..].iter().find(ends));
    let falls = |end: Option<&f64>| end.is_some_and(|a| *a < mean[k]);
    let reach = 2 * k / 3;
    let around = &mean[(k - reach).max(1)..(k + reach).min(mean.len())];
    falls(below)
        && falls(above)
        && mean[k] > PROMINENCE * stats::quantile_of(&mut around.to_vec(), 0.25)
}
