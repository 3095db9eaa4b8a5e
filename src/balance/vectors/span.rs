//! Where a recording can be read at a balancing speed: held, or passed slowly.

use std::ops::Range;

use crate::angle::Track;
use crate::error::{Error, Result};
use crate::recording::Recording;
use crate::speed::Speed;
use crate::units::{grouped, listed};

/// How far the speed may lie from the one asked for, and drift in a hold, as a share (common practice, no source).
pub const TOLERANCE: f64 = 0.005;
/// What lies this close belongs to a visit to the speed; a passage goes from beyond it on one side to beyond it
/// on the other.
const NEAR: f64 = 0.02;
/// Turns between two looks at the speed.
const LOOK_TURNS: f64 = 4.0;
/// Most looks at a recording: a longer one is looked at more coarsely.
const MOST_LOOKS: f64 = 2e6;
/// Shortest hold that is told to the user, in seconds, and how many are.
const TOLD_S: f64 = 0.5;
const MOST_TOLD: usize = 4;

/// Where to read.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Span {
    /// What is read, from and to, in seconds.
    pub used_s: [f64; 2],
    /// With what lies near in time and in speed.
    pub around_s: [f64; 2],
    /// Whether the speed is held; else it is passed.
    pub held: bool,
}

/// The span in which a speed is read: in `window_s` where the user states one, else the longest hold, else
/// the slowest passage.
///
/// # Errors
/// [`Error::Input`] where the speed is not reached, not held, or drifts.
pub fn find(
    recording: &Recording,
    speed: &Speed,
    rpm: f64,
    window_s: Option<[f64; 2]>,
) -> Result<Span> {
    let search = Search { recording, speed, rpm };
    match window_s {
        Some(window_s) => search.in_window(window_s),
        None => search.longest(),
    }
}

/// The points of `range` next to `from` whose speed lies near: those on the way into a hold or out of it, or
/// through a speed.
pub fn near(track: &Track, range: Range<usize>, rpm: f64, from: usize) -> Range<usize> {
    let is_near = |i: &usize| {
        let found = track.rpm.get(*i).copied().unwrap_or(f64::NAN);
        (found / rpm).ln().abs() <= NEAR
    };
    if range.end <= from {
        let count = range.clone().rev().take_while(is_near).count();
        return range.end - count..range.end;
    }
    let start = range.clone().find(is_near).unwrap_or(range.end);
    start..start + (start..range.end).take_while(is_near).count()
}

struct Search<'a> {
    recording: &'a Recording,
    speed: &'a Speed,
    rpm: f64,
}

/// The speed at one look: its distance from the one asked for, as a logarithm.
#[derive(Clone, Copy)]
struct Look {
    time_s: f64,
    off: f64,
}

/// A stretch during which the speed is near.
struct Visit {
    looks: Vec<Look>,
    /// Whether it comes from one side and goes on to the other.
    through: bool,
}

/// What a visit is.
enum Kind {
    Held(Span),
    Passed(Span),
    /// Held, but at another speed in rpm.
    Elsewhere(f64),
    /// From and to, in rpm.
    Drifted(f64, f64),
}

impl Search<'_> {
    fn rpm_of(&self, off: f64) -> f64 {
        self.rpm * off.exp()
    }

    fn looks(&self, from_s: f64, to_s: f64) -> Vec<Look> {
        let length_s = to_s - from_s;
        let count = (length_s * self.rpm / 60.0 / LOOK_TURNS).ceil().clamp(1.0, MOST_LOOKS);
        let look = |i: usize| {
            let time_s = from_s + length_s * i as f64 / count;
            // a curve may touch standstill
            let found_rpm = self.speed.rpm_at(time_s).max(f64::MIN_POSITIVE);
            Look { time_s, off: (found_rpm / self.rpm).ln() }
        };
        (0..=count as usize).map(look).collect()
    }

    fn visits(&self, looks: &[Look]) -> Vec<Visit> {
        let inside = |look: &Look| look.off.abs() <= NEAR && !self.speed.is_bridged(look.time_s);
        let mut visits = Vec::new();
        let mut rest = 0;
        while let Some(start) = looks.iter().skip(rest).position(inside).map(|at| rest + at) {
            let stay = looks.iter().skip(start).take_while(|look| inside(look)).count();
            rest = start + stay;
            let before = start.checked_sub(1).and_then(|i| looks.get(i));
            let through = match (before, looks.get(rest)) {
                (Some(before), Some(after)) => {
                    before.off * after.off < 0.0 && before.off.abs().min(after.off.abs()) > NEAR
                }
                _ => false,
            };
            let looks = looks.iter().skip(start).take(stay).copied().collect();
            visits.push(Visit { looks, through });
        }
        visits
    }

    fn longest(&self) -> Result<Span> {
        let looks = self.looks(self.speed.start_s(), self.speed.end_s());
        let visits = self.visits(&looks);
        let kinds: Vec<Kind> = visits.iter().filter_map(|visit| self.kind(visit)).collect();
        let longest = |wanted: fn(&Kind) -> Option<Span>| {
            let length = |span: &Span| span.used_s[1] - span.used_s[0];
            kinds.iter().filter_map(wanted).max_by(|a, b| length(a).total_cmp(&length(b)))
        };
        let held = longest(|kind| if let Kind::Held(span) = kind { Some(*span) } else { None });
        let passed = longest(|kind| if let Kind::Passed(span) = kind { Some(*span) } else { None });
        if let Some(span) = held.or(passed) {
            return Ok(span);
        }
        let asked = grouped(self.rpm);
        for kind in &kinds {
            match kind {
                Kind::Drifted(from, to) => {
                    return Err(self.drifted(*from, *to, "in the hold"));
                }
                Kind::Elsewhere(rpm) => {
                    return Err(self.refuse(
                        format!(
                            "{asked} rpm is asked for, and the speed was held at {} rpm, which is more than 0.5 % away",
                            grouped(*rpm)
                        ),
                        "spin at the balancing speed again, or state the speed that was held where it is the same in all spins",
                    ));
                }
                _ => {}
            }
        }
        Err(self.refuse(
            format!("{asked} rpm was never held or passed: {}", self.told(&looks)),
            "spin to the balancing speed and hold it, or state one that was",
        ))
    }

    /// What a visit is; `None` for one that is too short to be anything.
    fn kind(&self, visit: &Visit) -> Option<Kind> {
        let (low, high) = densest_half(&visit.looks)?;
        let drift = 2.0 * (high - low);
        let around_s = [visit.looks.first()?.time_s, visit.looks.last()?.time_s];
        if drift <= TOLERANCE {
            let middle = 0.5 * (low + high);
            if middle.abs() > TOLERANCE {
                return Some(Kind::Elsewhere(self.rpm_of(middle)));
            }
            let used_s = longest_within(&visit.looks, middle, TOLERANCE, 0.5 * TOLERANCE)?;
            return Some(Kind::Held(Span { used_s, around_s, held: true }));
        }
        if visit.through {
            let used_s = longest_within(&visit.looks, 0.0, TOLERANCE, TOLERANCE)?;
            return Some(Kind::Passed(Span { used_s, around_s, held: false }));
        }
        // the middle nine tenths of the time, so that the ways in and out do not count
        let mut offs: Vec<f64> = visit.looks.iter().map(|look| look.off).collect();
        let low = crate::dsp::stats::quantile_of(&mut offs, 0.05);
        let high = crate::dsp::stats::quantile_of(&mut offs, 0.95);
        Some(Kind::Drifted(self.rpm_of(low), self.rpm_of(high)))
    }

    fn in_window(&self, [from_s, to_s]: [f64; 2]) -> Result<Span> {
        let (first_s, last_s) = (self.speed.start_s(), self.speed.end_s());
        if from_s < first_s || to_s > last_s {
            return Err(self.refuse(
                format!(
                    "the window from {from_s} to {to_s} s reaches beyond the pulses, which run from {first_s:.2} to {last_s:.2} s"
                ),
                "choose it within them",
            ));
        }
        let looks = self.looks(from_s, to_s);
        let offs = || looks.iter().map(|look| look.off);
        let (low, high) = (offs().fold(f64::INFINITY, f64::min), offs().fold(f64::MIN, f64::max));
        let (low_rpm, high_rpm) = (self.rpm_of(low), self.rpm_of(high));
        if high - low > TOLERANCE {
            return Err(self.drifted(low_rpm, high_rpm, "in the window"));
        }
        if low.abs().max(high.abs()) > TOLERANCE {
            return Err(self.refuse(
                format!(
                    "{} rpm is asked for, and the speed in the window is {} to {} rpm, which is more than 0.5 % away",
                    grouped(self.rpm), grouped(low_rpm), grouped(high_rpm)
                ),
                "choose a window in which it is reached",
            ));
        }
        Ok(Span { used_s: [from_s, to_s], around_s: [from_s, to_s], held: true })
    }

    fn drifted(&self, from_rpm: f64, to_rpm: f64, place: &str) -> Error {
        let percent = 100.0 * (to_rpm / from_rpm - 1.0).abs();
        self.refuse(
            format!(
                "near {} rpm the speed drifted between {} and {} rpm {place}, by {percent:.1} %, and 0.5 % is allowed",
                grouped(self.rpm), grouped(from_rpm), grouped(to_rpm)
            ),
            "hold the speed steadier, or choose a window in which it is",
        )
    }

    /// The speeds that there were, in words.
    fn told(&self, looks: &[Look]) -> String {
        let (low, high) = self.speed.range_rpm();
        let run = format!("it ran from {} to {} rpm", grouped(low), grouped(high));
        let mut held = holds(looks);
        held.retain(|(seconds, _)| *seconds >= TOLD_S);
        held.sort_by(|a, b| b.0.total_cmp(&a.0));
        held.truncate(MOST_TOLD);
        let speeds: Vec<String> = held.iter().map(|(_, off)| grouped(self.rpm_of(*off))).collect();
        if speeds.is_empty() {
            return format!("{run} and held none");
        }
        format!("{run} and held {} rpm", listed(&speeds))
    }

    fn refuse(&self, problem: String, mend: &str) -> Error {
        Error::input(self.recording.source(), "", problem, mend)
    }
}

/// The narrowest interval that holds half of the looks: a hold's, whatever leads into it and out of it.
fn densest_half(looks: &[Look]) -> Option<(f64, f64)> {
    let mut offs: Vec<f64> = looks.iter().map(|look| look.off).collect();
    offs.sort_by(f64::total_cmp);
    let half = offs.len().div_ceil(2).max(2);
    let width = |pair: &&[f64]| pair.last().zip(pair.first()).map_or(f64::MAX, |(b, a)| b - a);
    let narrowest = offs.windows(half).min_by(|a, b| width(a).total_cmp(&width(b)))?;
    Some((*narrowest.first()?, *narrowest.last()?))
}

/// The longest time during which the speed stays `within` of `middle`, its ends trimmed to where it is
/// `closer`.
fn longest_within(looks: &[Look], middle: f64, within: f64, closer: f64) -> Option<[f64; 2]> {
    let stays = looks
        .chunk_by(|a, b| ((a.off - middle).abs() <= within) == ((b.off - middle).abs() <= within));
    let is_close = |look: &&Look| (look.off - middle).abs() <= closer;
    stays
        .filter_map(|stay| {
            let from_s = stay.iter().find(is_close)?.time_s;
            let to_s = stay.iter().rev().find(is_close)?.time_s;
            Some([from_s, to_s])
        })
        .max_by(|a, b| (a[1] - a[0]).total_cmp(&(b[1] - b[0])))
}

/// Stretches during which the speed stays within the tolerance, one after the other: seconds and speed.
fn holds(looks: &[Look]) -> Vec<(f64, f64)> {
    let mut found = Vec::new();
    let mut rest = looks;
    while let Some(first) = rest.first() {
        let (mut low, mut high) = (first.off, first.off);
        let stays = |look: &&Look| {
            (low, high) = (low.min(look.off), high.max(look.off));
            high - low <= TOLERANCE
        };
        let count = rest.iter().take_while(stays).count().max(1);
        if let Some(last) = rest.get(count - 1) {
            let mut offs: Vec<f64> = rest.iter().take(count).map(|look| look.off).collect();
            found.push((last.time_s - first.time_s, crate::dsp::stats::median_of(&mut offs)));
        }
        rest = rest.get(count..).unwrap_or_default();
    }
    found
}
