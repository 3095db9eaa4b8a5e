//! Resonances at standstill, from a recording of taps.
//!
//! Each tap rings the structure; what follows it is a sum of decaying modes. The spectrum of a decay
//! `e^{(-z + i sqrt(1 - z²)) wn t}` is, bin by bin and exactly, a constant over `1 - e^{s / rate - i w}`
//! (the geometric series), however early it is cut off. So natural frequency and damping of a mode, common
//! to all taps, are fitted to the bins around its peak with one complex factor for each tap; other modes
//! add a straight line there (D. J. Ewins, Modal Testing, 2nd ed. 2000, chapter 4: from memory).

use std::f64::consts::TAU;

use serde::{Deserialize, Serialize};

use crate::dsp::columns::{norm, orthonormal, without};
use crate::dsp::fft::{self, Complex64};
use crate::dsp::least_squares;
use crate::dsp::stats;
use crate::error::{Error, Result};
use crate::progress::Silent;
use crate::recording::{Recording, Role};
use crate::speed::pulses::speed_from_pulses;

/// Frames in which taps are heard, in s.
const FRAME_S: f64 = 1e-3;
/// A tap stands this many times above the quiet between taps, and above what rings just before it.
const ABOVE_QUIET: f64 = 8.0;
const ABOVE_BEFORE: f64 = 3.0;
/// Taps weaker than this share of the strongest are left out.
const LEAST_SHARE: f64 = 0.05;
/// Shortest and longest decay used, in s.
const DECAY_S: (f64, f64) = (0.02, 0.5);
/// Share of the sampling rate up to which modes are looked for, and the lowest frequency in Hz.
const HIGHEST_SHARE: f64 = 0.42;
const LOWEST_HZ: f64 = 20.0;
/// A peak stands this many times (in amplitude) above the median around it.
const PROMINENCE: f64 = 4.0;
/// Peaks below this share of the highest are left out.
const LEAST_PEAK: f64 = 0.02;
/// Most modes told of a channel.
const MOST_MODES: usize = 12;
/// Damping ratios of what can be called ringing.
const ZETA: (f64, f64) = (1e-4, 0.2);

/// A mode that rings at standstill.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Ringing {
    /// Undamped natural frequency in Hz.
    pub hz: f64,
    /// Its standard error in Hz, from the scatter between taps.
    pub hz_error: f64,
    /// Damping ratio.
    pub damping: f64,
    /// Its standard error.
    pub damping_error: f64,
    /// Height of its peak in the averaged response, as a share of the highest.
    pub share: f64,
}

/// What a channel of a tap recording shows.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TapResponse {
    /// Name of the channel.
    pub channel: String,
    /// Taps used.
    pub taps: usize,
    /// The modes that ring, lowest first.
    pub modes: Vec<Ringing>,
}

/// The modes that ring in each judged channel of a recording of taps on a machine at standstill.
///
/// # Errors
/// [`Error::Input`] where a pulse channel shows that the shaft turns, or no channel holds a tap.
pub fn ringing(recording: &Recording) -> Result<Vec<TapResponse>> {
    for channel in recording.with_role(Role::Pulse) {
        if let Ok(speed) = speed_from_pulses(channel, &mut Silent) {
            let rpm = speed.range_rpm().1;
            return Err(Error::input(
                recording.source(),
                format!("channel {}", channel.name()),
                format!("its pulses show that the shaft turns, at up to {rpm:.0} rpm"),
                "record the taps with the shaft at standstill",
            ));
        }
    }
    let judged = recording.judged();
    let responses: Vec<TapResponse> = judged
        .iter()
        .filter_map(|channel| response(channel.name(), channel.values(), channel.rate_hz))
        .collect();
    if responses.is_empty() {
        return Err(Error::input(
            recording.source(),
            "",
            "no taps are in it: nothing starts at once, rings and dies away",
            "tap the casing at standstill, about ten times and a second apart",
        ));
    }
    Ok(responses)
}

/// The response of one channel; `None` without taps.
fn response(name: &str, samples: &[f32], rate_hz: f64) -> Option<TapResponse> {
    let decays = decays(samples, rate_hz);
    let shortest = decays.iter().map(|(from, to)| to - from).min()?;
    let len = fft::good_length_below(shortest);
    let spectra: Vec<Vec<Complex64>> = decays
        .iter()
        .map(|&(from, _)| {
            let piece = samples.get(from..from + len).unwrap_or_default();
            let mut values: Vec<f64> = piece.iter().map(|&x| f64::from(x)).collect();
            fft::forward_f64(&mut values)
        })
        .collect();
    let bin_hz = rate_hz / len as f64;
    let response = Response { spectra, bin_hz, rate_hz };
    Some(TapResponse { channel: name.to_owned(), taps: decays.len(), modes: response.modes() })
}

/// Sample ranges of free decays: from just after the stroke of a tap to the next tap, or until it is
/// lost in the quiet.
fn decays(samples: &[f32], rate_hz: f64) -> Vec<(usize, usize)> {
    let frame = ((FRAME_S * rate_hz) as usize).max(4);
    let mean = stats::mean_f32(samples);
    let rms: Vec<f64> =
        samples.chunks_exact(frame).map(|chunk| stats::rms_f32(chunk, mean)).collect();
    let quiet = stats::quantile_of(&mut rms.clone(), 0.25);
    let highest = rms.iter().copied().fold(0.0, f64::max);
    let least = (ABOVE_QUIET * quiet).max(LEAST_SHARE * highest);
    let mut onsets: Vec<usize> = Vec::new();
    for i in 1..rms.len() {
        let before = rms[i.saturating_sub(4)..i].iter().copied().fold(0.0, f64::max);
        let apart =
            onsets.last().is_none_or(|&last| ((i - last) * frame) as f64 > DECAY_S.0 * rate_hz);
        if rms[i] > least && rms[i] > ABOVE_BEFORE * before && apart {
            onsets.push(i);
        }
    }
    let ends = onsets.iter().skip(1).copied().chain([rms.len()]);
    let ranges = onsets.iter().zip(ends).filter_map(|(&onset, next)| {
        // the stroke is over where the level no longer rises
        let mut top = onset;
        while top + 1 < next && rms[top + 1] > rms[top] {
            top += 1;
        }
        let from = top + 2;
        let longest = from + (DECAY_S.1 * rate_hz) as usize / frame;
        let heard = (from..next.min(longest)).rev().find(|&i| rms[i] > 2.0 * quiet).unwrap_or(from);
        let to = (heard + 1).min(next).min(longest);
        let (from, to) = (from * frame, to * frame);
        (to > from && (to - from) as f64 >= DECAY_S.0 * rate_hz).then_some((from, to))
    });
    ranges.collect()
}

/// Spectra of the decays.
struct Response {
    spectra: Vec<Vec<Complex64>>,
    bin_hz: f64,
    rate_hz: f64,
}

impl Response {
    fn modes(&self) -> Vec<Ringing> {
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
        let last = ((HIGHEST_SHARE * self.rate_hz / self.bin_hz) as usize).min(mean.len());
        let first = ((LOWEST_HZ / self.bin_hz).ceil() as usize).max(3);
        let highest = mean.get(first..last).unwrap_or_default().iter().copied().fold(0.0, f64::max);
        let stands = |k: usize| {
            let reach = (k / 3).max(12);
            let around = &mean[k.saturating_sub(reach).max(1)..(k + reach).min(mean.len())];
            let local =
                (k.saturating_sub(2)..=(k + 2).min(mean.len() - 1)).all(|j| mean[j] <= mean[k]);
            local && mean[k] > LEAST_PEAK * highest && mean[k] > PROMINENCE * stats::median(around)
        };
        let mut peaks: Vec<usize> = (first..last).filter(|&k| stands(k)).collect();
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
        let others: Vec<(f64, f64)> = if all.len() >= 3 {
            let left_out = |i: &usize| {
                let kept: Vec<usize> = all.iter().copied().filter(|j| j != i).collect();
                self.fitted(&kept, from, to, [(TAU * hz).ln(), damping.ln()])
            };
            all.iter().filter_map(left_out).collect()
        } else {
            Vec::new()
        };
        let error = |value: f64, of: &dyn Fn(&(f64, f64)) -> f64, floor: f64| {
            if others.len() < 3 {
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
            let column = (from..to).map(|k| {
                let turn = Complex64::new(0.0, -TAU * k as f64 * self.bin_hz / self.rate_hz);
                1.0 / (1.0 - (pole + turn).exp())
            });
            let unit: Vec<Vec<Complex64>> =
                orthonormal(column.collect(), &base).into_iter().collect();
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dsp::test_noise::Random;
    use crate::recording::{Channel, ChannelSpec};

    const RATE_HZ: f64 = 25_600.0;

    /// Taps every 0.7 s: modes given by frequency, damping ratio and size, each struck a little
    /// differently, in noise.
    fn tapped(modes: &[(f64, f64, f64)], noise: f64) -> Vec<f32> {
        let mut random = Random(11);
        let mut samples: Vec<f64> =
            (0..(8.0 * RATE_HZ) as usize).map(|_| noise * random.next()).collect();
        for tap in 0..10 {
            let start = ((0.5 + 0.7 * f64::from(tap)) * RATE_HZ) as usize;
            for &(hz, zeta, size) in modes {
                let (strength, lead) = (size * (1.0 + 0.4 * random.next()), 0.5 * random.next());
                let wn = TAU * hz;
                for (i, value) in samples.iter_mut().skip(start).take(12_000).enumerate() {
                    let t = i as f64 / RATE_HZ;
                    let turn = wn * (1.0 - zeta * zeta).sqrt() * t + lead;
                    *value += strength * (-zeta * wn * t).exp() * turn.sin();
                }
            }
        }
        samples.into_iter().map(|x| x as f32).collect()
    }

    fn recording(samples: Vec<f32>) -> Recording {
        let channel = Channel::new(
            ChannelSpec { role: Some(Role::Vibration), ..ChannelSpec::named("front") },
            RATE_HZ,
            samples,
        );
        Recording::from_channels("taps", vec![channel.expect("valid")]).expect("valid")
    }

    #[test]
    fn frequencies_and_dampings_of_what_rings() {
        let modes = [(310.0, 0.012, 1.0), (684.0, 0.03, 0.8), (1_450.0, 0.006, 0.5)];
        let found = ringing(&recording(tapped(&modes, 0.003))).expect("there are taps");
        let [front] = &found[..] else { panic!("{found:?}") };
        assert_eq!((front.channel.as_str(), front.taps), ("front", 10));
        assert_eq!(front.modes.len(), 3, "{front:?}");
        for (mode, (hz, zeta, _)) in front.modes.iter().zip(modes) {
            assert!((mode.hz / hz - 1.0).abs() < 0.002, "{mode:?}");
            assert!((mode.damping / zeta - 1.0).abs() < 0.1, "{mode:?}");
            assert!((mode.hz - hz).abs() < 3.0 * mode.hz_error, "{mode:?}");
            assert!((mode.damping - zeta).abs() < 3.0 * mode.damping_error, "{mode:?}");
            assert!(mode.hz_error < 0.01 * hz, "{mode:?}");
        }
    }

    #[test]
    fn a_recording_without_taps_is_refused() {
        let mut random = Random(3);
        let noise = (0..100_000).map(|_| random.next() as f32).collect();
        let error = ringing(&recording(noise)).expect_err("only noise").to_string();
        assert!(error.contains("no taps") && error.contains("standstill"), "{error}");
        let hum = (0..100_000).map(|i| (TAU * 50.0 * f64::from(i) / RATE_HZ).sin() as f32);
        assert!(ringing(&recording(hum.collect())).is_err());
    }

    #[test]
    fn a_turning_shaft_is_refused() {
        let mut taps = recording(tapped(&[(310.0, 0.012, 1.0)], 0.003));
        let pulses = (0..taps.channels[0].len())
            .map(|i| if (i as f64 / RATE_HZ * 50.0).fract() < 0.1 { 1.0 } else { 0.0 });
        let spec = ChannelSpec { role: Some(Role::Pulse), ..ChannelSpec::named("pulse") };
        let pulse = Channel::new(spec, RATE_HZ, pulses.collect()).expect("valid");
        taps.channels.push(pulse);
        let error = ringing(&taps).expect_err("the shaft turns").to_string();
        assert!(error.contains("turns") && error.contains("3000 rpm"), "{error}");
        assert!(error.contains("standstill"), "{error}");
    }
}
