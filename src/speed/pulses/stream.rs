//! Chooses which points of the pulses are used: rising edges, falling edges or their middles.

use crate::dsp::stats::{median_of, quantile_of};
use crate::recording::{Channel, Edge};

use super::edges;
use super::pattern;
use super::timing::{SHORT_PULSE, Timer, Transition, transitions};

/// Passages that are timed in each way to find the most regular one.
const TRIED: usize = 1000;
/// Pulses wide enough to be measured that are needed to learn the width of a mark.
const LEAST_WIDE: usize = 10;

/// Which points of the pulses are timed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum StreamKind {
    /// Rising edges.
    Rising,
    /// Falling edges.
    Falling,
    /// The middle between both edges of each pulse.
    Middle,
}

/// The times of the pulses.
#[derive(Debug, Clone)]
pub(super) struct Stream {
    pub kind: StreamKind,
    /// Times in seconds of the recording, delay and skew accounted for, rising.
    pub times_s: Vec<f64>,
    pub rate_hz: f64,
    /// Whether edges are known to a whole sample only.
    pub two_valued: bool,
}

impl Stream {
    /// Finds and times the pulses of a channel: the stated edge where there is one, else the most
    /// regular. `None` without swings.
    pub fn choose(channel: &Channel) -> Option<Self> {
        let samples = channel.values();
        let extremes = edges::turning_points(samples, channel.spec.pulse_kind);
        let mut passages = transitions(samples, &extremes);
        // a slow passage cut off by an end of the recording has lost one of its levels
        passages.pop_if(|last| last.is_slow());
        if passages.first().is_some_and(Transition::is_slow) {
            passages.remove(0);
        }
        if passages.len() < 2 {
            return None;
        }
        let timer = Timer::new(samples, &passages);
        let marks = Marks::of(&passages);
        let (kind, places) = match channel.spec.edge {
            Some(edge) => marks.stated(&timer, edge),
            None => marks.most_regular(&timer, channel.spec.pulses_per_turn),
        };
        let delay_s = channel.spec.delay_us * 1e-6;
        let mut times_s: Vec<f64> =
            places.iter().map(|&place| channel.time_s(place) - delay_s).collect();
        times_s.sort_by(f64::total_cmp);
        times_s.dedup();
        let (rate_hz, two_valued) = (channel.rate_hz, timer.is_two_valued());
        Some(Self { kind, times_s, rate_hz, two_valued })
    }
}

/// The passages seen as pulses: the shorter of high and low is the mark.
struct Marks<'a> {
    passages: &'a [Transition],
    /// Whether a mark is a high pulse.
    high: bool,
    /// Usual width of a mark in samples at the highest speeds.
    shortest: f64,
}

impl<'a> Marks<'a> {
    fn of(passages: &'a [Transition]) -> Self {
        let widths = |rising: bool| -> Vec<f64> {
            passages
                .windows(2)
                .filter_map(|pair| match pair {
                    [a, b] if a.rising == rising => Some(b.centre - a.centre),
                    _ => None,
                })
                .collect()
        };
        let (mut highs, mut lows) = (widths(true), widths(false));
        let high = median_of(&mut highs) <= median_of(&mut lows);
        let mut marks = if high { highs } else { lows };
        Self { passages, high, shortest: quantile_of(&mut marks, 0.1) }
    }

    /// Indices of the passages that are timed for a kind.
    fn indices(&self, kind: StreamKind) -> impl Iterator<Item = usize> + '_ {
        let rising = match kind {
            StreamKind::Rising => true,
            StreamKind::Falling => false,
            StreamKind::Middle => self.high,
        };
        let of_kind =
            move |(i, passage): (usize, &Transition)| (passage.rising == rising).then_some(i);
        self.passages.iter().enumerate().filter_map(of_kind)
    }

    fn time(&self, timer: &Timer, kind: StreamKind, from: usize, most: usize) -> Vec<f64> {
        let indices = self.indices(kind).skip(from).take(most);
        match kind {
            StreamKind::Middle => {
                indices.filter_map(|i| timer.middle(i)).map(|(middle, _)| middle).collect()
            }
            _ => indices.filter_map(|i| timer.edge(i)).collect(),
        }
    }

    /// The points with the least scatter from one interval to the next, found on a stretch in the
    /// middle of the recording.
    fn most_regular(&self, timer: &Timer, stated: Option<u32>) -> (StreamKind, Vec<f64>) {
        let from = (self.passages.len() / 2).saturating_sub(TRIED) / 2;
        let scatter = |kind: StreamKind| {
            let places = self.time(timer, kind, from, TRIED);
            let lag = pattern::repeat_of(&places, stated).max(stated.unwrap_or(1) as usize);
            pattern::scatter_at_lag(&places, lag)
        };
        let kinds = [StreamKind::Rising, StreamKind::Falling, StreamKind::Middle];
        let scatters = kinds.map(scatter);
        let best = (0..3).min_by(|&a, &b| scatters[a].total_cmp(&scatters[b])).unwrap_or(0);
        (kinds[best], self.time(timer, kinds[best], 0, usize::MAX))
    }

    /// The stated edge. Where pulses are too short for the sampling rate their two edges merge into
    /// one blip: its middle is sure, and the edge lies half the mark's width from it, which is a
    /// constant angle and is learned where the shaft turns slowly enough. Without that only the
    /// middles are left.
    fn stated(&self, timer: &Timer, edge: Edge) -> (StreamKind, Vec<f64>) {
        let rising = edge == Edge::Rising;
        let kind = if rising { StreamKind::Rising } else { StreamKind::Falling };
        if self.shortest >= SHORT_PULSE {
            return (kind, self.time(timer, kind, 0, usize::MAX));
        }
        let marks: Vec<(f64, f64)> =
            self.indices(StreamKind::Middle).filter_map(|i| timer.middle(i)).collect();
        let middles = || marks.iter().map(|mark| mark.0).collect::<Vec<f64>>();
        let lag = pattern::repeat_of(&middles(), None);
        let Some(width) = width_of_turn(&marks, lag) else {
            return (StreamKind::Middle, middles());
        };
        // the mark's leading edge is the rising one of a high mark, the falling one of a low mark
        let side = if rising == self.high { -0.5 } else { 0.5 };
        let places = marks.iter().enumerate().map(|(i, &(middle, own))| {
            let turning = width * turn_at(&marks, i, lag);
            middle + side * if own < SHORT_PULSE { turning } else { own }
        });
        (kind, places.collect())
    }
}

/// Width of the mark as a share of the time of `lag` intervals, from the wide ones.
fn width_of_turn(marks: &[(f64, f64)], lag: usize) -> Option<f64> {
    let mut shares: Vec<f64> = (0..marks.len())
        .filter(|&i| marks[i].1 >= SHORT_PULSE)
        .map(|i| marks[i].1 / turn_at(marks, i, lag))
        .collect();
    (shares.len() >= LEAST_WIDE).then(|| median_of(&mut shares))
}

/// The usual time of `lag` intervals between marks around mark `i`.
fn turn_at(marks: &[(f64, f64)], i: usize, lag: usize) -> f64 {
    let reach = 4 + lag;
    let near = marks.get(i.saturating_sub(reach)..(i + reach + 1).min(marks.len())).unwrap_or(&[]);
    let mut turns: Vec<f64> =
        near.iter().zip(near.iter().skip(lag)).map(|(a, b)| b.0 - a.0).collect();
    median_of(&mut turns)
}
