//! The taps in a channel, and the free decays after them.

use std::ops::Range;

use crate::dsp::stats;
use crate::recording::Channel;
use crate::recording::clipping::cut_samples;
use crate::recording::survey::Survey;

/// Frames in which taps are heard, in s and at least in samples.
const FRAME_S: f64 = 1e-3;
const FRAME_SAMPLES: usize = 16;
/// A tap stands this many times above the quiet (what one frame in twenty stays below), and above all that
/// rings in a time before it, in s.
const ABOVE_QUIET: f64 = 5.0;
const ABOVE_BEFORE: f64 = 1.6;
const BEFORE_S: f64 = 0.02;
/// Taps weaker than this share of the strongest are left out.
const LEAST_SHARE: f64 = 0.05;
/// A decay is heard until it stays below this many times the level that a quarter of the frames stay below.
const HEARD: f64 = 2.0;
/// Shortest and longest decay used, in s.
const DECAY_S: (f64, f64) = (0.02, 0.5);

/// A tap.
pub(super) struct Tap {
    /// Sample at which it starts.
    pub onset: usize,
    /// What follows the stroke, until the next tap; not longer than any decay used.
    pub free: Range<usize>,
    /// Samples until the decay is lost in the quiet, or the shortest decay used.
    pub heard: usize,
    /// Whether stroke or decay are clipped.
    pub is_clipped: bool,
}

impl Tap {
    /// Whether enough of its decay is free.
    pub fn is_free(&self, rate_hz: f64) -> bool {
        self.free.len() as f64 >= DECAY_S.0 * rate_hz
    }
}

/// The taps in a channel, in order.
pub(super) fn taps(channel: &Channel) -> Vec<Tap> {
    let (samples, rate_hz) = (channel.values(), channel.rate_hz);
    let frame = ((FRAME_S * rate_hz) as usize).max(FRAME_SAMPLES);
    let frames = |time_s: f64| (time_s * rate_hz / frame as f64).ceil() as usize;
    let mean = stats::mean_f32(samples);
    let rms: Vec<f64> =
        samples.chunks_exact(frame).map(|chunk| stats::rms_f32(chunk, mean)).collect();
    let onsets = onsets(&rms, frames(BEFORE_S));
    if onsets.is_empty() {
        return Vec::new();
    }
    let lost = HEARD * stats::quantile_of(&mut rms.clone(), 0.25);
    let cut = cut_samples(&Survey::of(channel));
    let ends = onsets.iter().skip(1).copied().chain([rms.len()]);
    let taps = onsets.iter().zip(ends).map(|(&onset, next)| {
        // the stroke is over where the level no longer rises
        let mut top = onset;
        while top + 1 < next && rms[top + 1] > rms[top] {
            top += 1;
        }
        let from = (top + 2).min(next);
        let end = next.min(from + frames(DECAY_S.1));
        let last = (from..end).rev().find(|&i| rms[i] > lost).unwrap_or(from);
        let struck = onset.saturating_sub(1) * frame..next * frame;
        let first_cut = cut.partition_point(|&i| i < struck.start);
        Tap {
            onset: onset * frame,
            free: from * frame..end * frame,
            heard: (last + 1 - from).max(frames(DECAY_S.0)) * frame,
            is_clipped: cut.get(first_cut).is_some_and(|i| struck.contains(i)),
        }
    });
    taps.collect()
}

/// Frames in which the level rises at once.
fn onsets(rms: &[f64], before: usize) -> Vec<usize> {
    let quiet = stats::quantile_of(&mut rms.to_vec(), 0.05);
    let highest = rms.iter().copied().fold(0.0, f64::max);
    let least = (ABOVE_QUIET * quiet).max(LEAST_SHARE * highest);
    let mut onsets: Vec<usize> = Vec::new();
    for i in 1..rms.len() {
        let ringing = rms[i.saturating_sub(before)..i].iter().copied().fold(0.0, f64::max);
        let is_apart = onsets.last().is_none_or(|&last| i - last > before);
        if rms[i] > least && rms[i] > ABOVE_BEFORE * ringing && is_apart {
            onsets.push(i);
        }
    }
    onsets
}
