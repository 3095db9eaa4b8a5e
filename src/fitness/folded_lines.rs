//! Folded lines: orders above half the sampling rate that come back mirrored.
//!
//! Order k of a shaft at f appears at rate - k f where k f lies between half the rate and the rate: it
//! falls while the speed rises. Every such track is followed through short spectra at even steps of
//! speed. Where it crosses true orders it is passed over, and the median contrast along the rest is
//! taken, so that a chance encounter does not count. Side lines of an inverter's switching frequency
//! fall too, but about another frequency.

use crate::dsp::stats;
use crate::recording::survey::Survey;
use crate::speed::Speed;

use super::frames::{self, Frames};
use super::words::{number, whole};
use super::{Affects, Check, Fit, JUDGED_SHARE_OF_RATE};

/// Median contrast along a track as a ratio of powers, 6 dB; noise exceeds it in 15 % of the frames
/// (three bins, each with 2^-4), so that a median over 40 frames does so once in 10 million.
const LEAST_CONTRAST: f64 = 4.0;
/// Frames that a track must cross.
const LEAST_FRAMES: usize = 40;
/// Way of a track in bins below which it could be a fixed line.
const LEAST_WAY_BINS: f64 = 20.0;
/// Distance in bins that true orders must keep from the track: two of the window's lobe, one for the
/// three bins looked at, two for the way of a line within a frame.
const CLEAR_BINS: f64 = 5.0;
/// Part of the spectrum in which tracks are followed, as shares of the rate.
const TRACK_FROM: f64 = 0.01;
const TRACK_TO: f64 = 0.48;
/// Share of the power above the judged band from which a word is due: white noise has 16 % there, and
/// no converter with a filter shows twice that.
const LIMITED_SHARE: f64 = 0.32;
/// Highest order followed; beyond, tracks lie closer than bins.
const HIGHEST_ORDER: usize = 2000;

struct Track {
    order: usize,
    contrast: f64,
}

/// Looks for folded orders, and at the power above the judged band.
pub fn check(
    survey: &Survey,
    long: Option<&Frames>,
    sweep: Option<&Frames>,
    speed: Option<&Speed>,
) -> Option<Check> {
    let name = survey.channel.name();
    let rate_hz = survey.channel.rate_hz;
    let tracks = match (sweep, speed) {
        (Some(sweep), Some(speed)) => folded(sweep, speed, rate_hz),
        _ => Vec::new(),
    };
    if let (Some(strongest), Some(speed)) = (tracks.first(), speed) {
        let mut orders: Vec<usize> = tracks.iter().take(4).map(|track| track.order).collect();
        orders.sort_unstable();
        let named: Vec<String> = orders.iter().map(ToString::to_string).collect();
        let height_db = 10.0 * strongest.contrast.log10();
        let found = format!(
            "{} falls in frequency while the speed rises, {} dB above the floor: it is folded at half the rate.",
            if named.len() == 1 {
                format!("Order {}", named[0])
            } else {
                format!("Each of orders {}", named.join(", "))
            },
            number(height_db),
        );
        let top_hz = orders.last().copied().unwrap_or(0) as f64 * speed.range_rpm().1 / 60.0;
        return Some(
            Check::good("folded_lines", height_db, "dB", found)
                .on(name)
                .so(format!("These lines stand at false frequencies: filter before the converter, or record at {} Hz.", number(top_hz / JUDGED_SHARE_OF_RATE)))
                .rated(Fit::Limited, &[Affects::Bearings]),
        );
    }
    let share = share_above(&long?.mean_power());
    let looked = if sweep.is_some() {
        "No line falls while the speed rises"
    } else {
        "Whether lines are folded cannot be told without a change of speed"
    };
    let found = format!(
        "{looked}; {} % of the power lies above {} Hz.",
        number(100.0 * share),
        whole(JUDGED_SHARE_OF_RATE * rate_hz)
    );
    let check = Check::good("folded_lines", 100.0 * share, "%", found).on(name);
    Some(if share > LIMITED_SHARE {
        check
            .so("So much near half the rate is likely folded and is not judged: filter before the converter, or record faster.")
            .rated(Fit::Limited, &[Affects::Bearings])
    } else {
        check
    })
}

fn share_above(mean_power: &[f64]) -> f64 {
    let total: f64 = mean_power.iter().skip(1).sum();
    let from = (2.0 * JUDGED_SHARE_OF_RATE * mean_power.len() as f64) as usize;
    if total > 0.0 { mean_power.iter().skip(from.max(1)).sum::<f64>() / total } else { 0.0 }
}

/// Folded orders, strongest first.
fn folded(sweep: &Frames, speed: &Speed, rate_hz: f64) -> Vec<Track> {
    let shaft_hz: Vec<f64> = sweep.mid_s.iter().map(|&t| speed.hz_at(t)).collect();
    let (low_hz, high_hz) = shaft_hz
        .iter()
        .fold((f64::INFINITY, 0.0_f64), |(low, high), &hz| (low.min(hz), high.max(hz)));
    if !(low_hz > 0.0) {
        return Vec::new();
    }
    let first = (0.5 * rate_hz / high_hz).ceil() as usize;
    let last = ((rate_hz / low_hz) as usize).min(HIGHEST_ORDER);
    let mut tracks: Vec<Track> =
        (first..=last).filter_map(|order| follow(sweep, &shaft_hz, order, rate_hz)).collect();
    tracks.sort_by(|a, b| b.contrast.total_cmp(&a.contrast));
    tracks
}

fn follow(sweep: &Frames, shaft_hz: &[f64], order: usize, rate_hz: f64) -> Option<Track> {
    let (mut low_hz, mut high_hz) = (f64::INFINITY, 0.0_f64);
    let mut contrasts = Vec::new();
    for (frame, &hz) in sweep.power.iter().zip(shaft_hz) {
        if !is_clear(hz, rate_hz, sweep.resolution_hz) {
            continue;
        }
        let mirrored_hz = rate_hz - order as f64 * hz;
        if mirrored_hz < TRACK_FROM * rate_hz || mirrored_hz > TRACK_TO * rate_hz {
            continue;
        }
        let bin = (mirrored_hz / sweep.resolution_hz).round() as usize;
        if let Some(contrast) = frames::contrast(frame, bin, 4, 16) {
            contrasts.push(contrast);
            low_hz = low_hz.min(mirrored_hz);
            high_hz = high_hz.max(mirrored_hz);
        }
    }
    if contrasts.len() < LEAST_FRAMES || high_hz - low_hz < LEAST_WAY_BINS * sweep.resolution_hz {
        return None;
    }
    let contrast = stats::median_of(&mut contrasts);
    (contrast >= LEAST_CONTRAST).then_some(Track { order, contrast })
}

/// Whether mirrored orders fall between the true ones at this speed. Both kinds are a shaft frequency
/// apart, so either all of them do or none.
fn is_clear(shaft_hz: f64, rate_hz: f64, resolution_hz: f64) -> bool {
    let orders = rate_hz / shaft_hz;
    (orders - orders.round()).abs() * shaft_hz > CLEAR_BINS * resolution_hz
}
