//! Numbers the pulses of a train: steps over lost ones, leaves out those too many, bridges gaps.
//!
//! From the most regular stretch outwards, each pulse is predicted by a parabola through the last
//! ones. The pulse nearest to the prediction is kept, others are extra; where none comes the number
//! moves on. Where too many are missing in a row the stretch ends and the next regular one is sought.

use nalgebra::{Matrix3, Vector3};

use super::pattern::{self, Pattern};

/// Pulses missing in a row after which a stretch ends.
const MOST_LOST_IN_A_ROW: i64 = 10;
/// A stretch ends where fewer than half of this many pulses in a row came close to their prediction:
/// what fits it by chance (a burst of spikes) would lead it astray.
const LOOK_BACK: i64 = 12;
/// Close is within so many times the usual scatter, or this part of the space between pulses.
const CLOSE_SCATTERS: f64 = 12.0;
const CLOSE: f64 = 0.02;
/// Fewest pulses in a regular run from which a stretch can grow.
const LEAST_RUN: usize = 8;
/// Pulses through which the prediction is drawn.
const HISTORY: usize = 10;
/// So many pulses left out among so many kept ones in a row are a crowd, if it is so many times what the
/// stretch shows on average (set on simulated bursts).
const CROWD: f64 = 7.0;
const CROWD_SPAN: usize = 12;
const MORE_THAN_USUAL: f64 = 6.0;
/// Pulses at the ends of a gap from which its turns are reckoned.
const GAP_HISTORY: usize = 40;

/// A pulse with its number, counted from the first pulse of a turn.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Numbered {
    pub time_s: f64,
    pub number: i64,
}

/// A span without usable pulses.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Gap {
    pub from_s: f64,
    pub to_s: f64,
    /// Whether the turns in it are certain.
    pub sure: bool,
}

/// The numbered pulses.
#[derive(Debug, Clone, Default)]
pub(super) struct Train {
    pub pulses: Vec<Numbered>,
    pub lost: u64,
    pub extra: u64,
    /// Times of the repairs.
    pub repairs_s: Vec<f64>,
    pub gaps: Vec<Gap>,
}

/// A stretch of pulses numbered among themselves.
#[derive(Debug, Clone, Default)]
struct Stretch {
    /// Indices into the times, and numbers.
    kept: Vec<(usize, i64)>,
}

impl Stretch {
    /// The parts on either side of each place where pulses that do not fit crowd together: among the
    /// spikes of a burst some fit by chance, and may have led the count astray.
    fn without_crowds(self) -> Vec<Self> {
        // pulses left out before each one that is kept
        let left_out = |pair: &[(usize, i64)]| match pair {
            [a, b] => (b.0 - a.0).saturating_sub(1),
            _ => 0,
        };
        let extra: Vec<usize> =
            std::iter::once(0).chain(self.kept.windows(2).map(left_out)).collect();
        let usual = extra.iter().sum::<usize>() as f64 / extra.len().max(1) as f64;
        let crowd = CROWD.max(MORE_THAN_USUAL * usual * CROWD_SPAN as f64);
        let mut crowded = vec![false; extra.len()];
        for (i, window) in extra.windows(CROWD_SPAN).enumerate() {
            if window.iter().sum::<usize>() as f64 >= crowd {
                // the pulse before the first one left out fits as well as any
                let first = window.iter().position(|&n| n > 0).unwrap_or(0);
                let last = window.iter().rposition(|&n| n > 0).unwrap_or(0);
                crowded[i + first..i + last].fill(true);
            }
        }
        let kept = self.kept.iter().zip(&crowded);
        let kept: Vec<(&(usize, i64), &bool)> = kept.collect();
        kept.chunk_by(|a, b| a.1 == b.1)
            .filter(|part| part.first().is_some_and(|first| !first.1) && part.len() >= LEAST_RUN)
            .map(|part| Self { kept: part.iter().map(|(kept, _)| **kept).collect() })
            .collect()
    }
}

/// Finds the longest run in which the time of a turn changes by less than `tolerance` of an interval
/// from pulse to pulse. Returns the range of the pulses.
pub(super) fn regular_run(times: &[f64], count: usize, tolerance: f64) -> std::ops::Range<usize> {
    let mut best = 0..0;
    let mut start = 0;
    for k in 0..times.len() {
        if pattern::change_at(times, k, count) > tolerance || !even_enough(times, k, count) {
            start = k + 1;
        } else if k + count + 2 - start > best.len() {
            best = start..k + count + 2;
        }
    }
    best
}

/// Whether no interval of the turn from pulse `k` is out of all proportion to its mean: a turn in
/// which one pulse is lost and another doubled must not pass.
fn even_enough(times: &[f64], k: usize, count: usize) -> bool {
    match times.get(k..k + count + 1) {
        Some(part) if count > 1 => {
            let mean = (part[count] - part[0]) / count as f64;
            part.windows(2).all(|w| (0.1..2.9).contains(&((w[1] - w[0]) / mean)))
        }
        _ => true,
    }
}

/// Numbers all pulses that fit; empty where there is no regular run at all.
pub(super) fn number(times: &[f64], known: &Pattern, tolerance: f64) -> Train {
    let mut stretches = Vec::new();
    let mut ranges = vec![0..times.len()];
    while let Some(range) = ranges.pop() {
        let Some(part) = times.get(range.clone()) else { continue };
        let run = regular_run(part, known.len(), tolerance);
        if run.len() < LEAST_RUN.max(2 * known.len() + 2) {
            continue;
        }
        let stretch =
            grow(times, range.clone(), range.start + run.start..range.start + run.end, known);
        let (Some(first), Some(last)) = (stretch.kept.first(), stretch.kept.last()) else {
            continue;
        };
        ranges.push(range.start..first.0);
        ranges.push(last.0 + 1..range.end);
        stretches.extend(stretch.without_crowds());
    }
    stretches.sort_by_key(|stretch| stretch.kept.first().map_or(0, |kept| kept.0));
    join(times, stretches, known)
}

/// Grows a regular run both ways within `range`.
fn grow(
    times: &[f64],
    range: std::ops::Range<usize>,
    run: std::ops::Range<usize>,
    known: &Pattern,
) -> Stretch {
    let first = pattern::locate(times.get(run.clone()).unwrap_or(&[]), known);
    let kept: Vec<(usize, i64)> = run.clone().zip(first..).collect();
    let forward = follow(&kept, run.end..range.end, |k| times[k], |n| known.angle(n), known);
    let mut kept: Vec<(usize, i64)> = kept.into_iter().chain(forward).collect();
    // backwards is forwards in a mirror: times, indices and numbers all change sign
    let mirror = Pattern { angles: mirrored(&known.angles), ..*known };
    let total = times.len();
    let reversed: Vec<(usize, i64)> =
        kept.iter().rev().map(|&(k, n)| (total - 1 - k, -n)).collect();
    let backward = follow(
        &reversed,
        total - run.start..total - range.start,
        |k| -times[total - 1 - k],
        |n| mirror.angle(n),
        &mirror,
    );
    let mut all: Vec<(usize, i64)> =
        backward.into_iter().rev().map(|(k, n)| (total - 1 - k, -n)).collect();
    all.append(&mut kept);
    Stretch { kept: all }
}

/// Angles of a pattern seen backwards, its pulse 0 staying at 0.
fn mirrored(angles: &[f64]) -> Vec<f64> {
    let others = angles.iter().skip(1).rev().map(|a| 1.0 - a);
    std::iter::once(0.0).chain(others).collect()
}

/// Follows a train from the end of `kept` through the pulses of `range`; returns those added.
fn follow(
    kept: &[(usize, i64)],
    range: std::ops::Range<usize>,
    time: impl Fn(usize) -> f64,
    angle: impl Fn(i64) -> f64,
    known: &Pattern,
) -> Vec<(usize, i64)> {
    let length = HISTORY.max(2 * known.len()).min(64);
    let mut history: Vec<(f64, f64)> =
        kept.iter().rev().take(length).rev().map(|&(k, n)| (time(k), angle(n))).collect();
    let Some(&(_, mut last)) = kept.last() else { return Vec::new() };
    let mut added = Vec::new();
    let mut close: Vec<i64> = ((last - LOOK_BACK + 1)..=last).collect();
    let mut scatter = first_scatter(&history, known.room(last));
    let mut next = range.start;
    while next < range.end {
        let Some(course) = Parabola::through(&history) else { break };
        // the candidates for the nearest pulse number
        let number = known.nearest(course.at(time(next)));
        if number - last > MOST_LOST_IN_A_ROW || course.slope(time(next)) <= 0.0 {
            break;
        }
        let off = |k: usize| (course.at(time(k)) - angle(number)) / known.room(number);
        let mut best = next;
        let mut after = next + 1;
        while after < range.end && known.nearest(course.at(time(after))) == number {
            if off(after).abs() < off(best).abs() {
                best = after;
            }
            after += 1;
        }
        next = after;
        let error = off(best).abs();
        // after missing pulses the prediction is less sure
        let missed = (number - last - 1).max(0) as f64;
        let tolerance = ((8.0 * scatter).max(0.06) * (1.0 + missed)).min(0.3);
        if number <= last || error > tolerance {
            continue;
        }
        added.push((best, number));
        last = number;
        if history.len() >= length {
            history.remove(0);
        }
        history.push((time(best), angle(number)));
        if error < (CLOSE_SCATTERS * scatter).max(CLOSE) {
            close.push(number);
        }
        // one bad pulse must not open the door to others
        scatter = 0.9 * scatter + 0.1 * error.min(3.0 * scatter);
        let recent = close.iter().rev().take_while(|&&n| n > number - LOOK_BACK).count() as i64;
        if 2 * recent < LOOK_BACK {
            added.retain(|kept| kept.1 <= number - LOOK_BACK);
            break;
        }
    }
    // the last ones of a stretch that goes astray have no successors to judge them by
    while added.last().is_some_and(|kept| close.binary_search(&kept.1).is_err()) {
        added.pop();
    }
    added
}

/// Scatter of predictions, in spaces between pulses, expected from the scatter about a parabola: a
/// prediction errs about twice as much as what it is drawn through.
fn first_scatter(history: &[(f64, f64)], room: f64) -> f64 {
    let Some(course) = Parabola::through(history) else { return 0.03 };
    let sum: f64 = history.iter().map(|&(t, angle)| (course.at(t) - angle).abs()).sum();
    (2.0 * sum / history.len() as f64 / room).clamp(5e-3, 0.03)
}

/// A parabola through angles over time, about the last of them.
#[derive(Debug, Clone, Copy)]
struct Parabola {
    time_s: f64,
    scale_s: f64,
    turns: f64,
    coefficients: Vector3<f64>,
}

impl Parabola {
    /// Least squares through `(time, turns)`; `None` with fewer than four points.
    fn through(points: &[(f64, f64)]) -> Option<Self> {
        let (&(first, _), &(time_s, turns)) = (points.first()?, points.last()?);
        if points.len() < 4 {
            return None;
        }
        let scale_s = time_s - first;
        let (mut normal, mut right) = (Matrix3::zeros(), Vector3::zeros());
        for &(t, angle) in points {
            let x = (t - time_s) / scale_s;
            let row = Vector3::new(1.0, x, x * x);
            normal += row * row.transpose();
            right += row * (angle - turns);
        }
        let coefficients = normal.try_inverse()? * right;
        Some(Self { time_s, scale_s, turns, coefficients })
    }

    fn at(&self, time_s: f64) -> f64 {
        let x = (time_s - self.time_s) / self.scale_s;
        let c = &self.coefficients;
        self.turns + c[0] + x * (c[1] + x * c[2])
    }

    /// Turns per second.
    fn slope(&self, time_s: f64) -> f64 {
        let x = (time_s - self.time_s) / self.scale_s;
        (self.coefficients[1] + 2.0 * x * self.coefficients[2]) / self.scale_s
    }

    /// Turns per second squared.
    fn bend(&self) -> f64 {
        2.0 * self.coefficients[2] / (self.scale_s * self.scale_s)
    }
}

/// Puts the stretches into one train, its numbers running through.
fn join(times: &[f64], stretches: Vec<Stretch>, known: &Pattern) -> Train {
    let mut train = Train::default();
    let mut previous: Option<(usize, i64)> = None;
    for stretch in stretches {
        let Some(&(first, own)) = stretch.kept.first() else { continue };
        let mut shift = 0;
        if let Some((_, last)) = previous {
            let head: Vec<(f64, f64)> = stretch
                .kept
                .iter()
                .take(GAP_HISTORY)
                .map(|&(k, n)| (times[k], known.angle(n)))
                .collect();
            let (number, sure) = number_after_gap(&train.pulses, &head, own, known);
            shift = number - own;
            let from_s = train.pulses.last().map_or(times[first], |p| p.time_s);
            if !sure || number - last > MOST_LOST_IN_A_ROW {
                train.gaps.push(Gap { from_s, to_s: times[first], sure });
            }
            if sure {
                // counted here; the loop below counts only what lies within a stretch
                train.lost += (number - last - 1).max(0) as u64;
                train.repairs_s.push(from_s);
            }
        }
        let mut within = false;
        for &(k, n) in &stretch.kept {
            let n = n + shift;
            if let Some((before, last)) = previous {
                note_repairs(&mut train, times, before, k, if within { n - last - 1 } else { 0 });
            } else if k > 0 {
                note_repairs(&mut train, times, usize::MAX, k, 0);
            }
            train.pulses.push(Numbered { time_s: times[k], number: n });
            previous = Some((k, n));
            within = true;
        }
    }
    if let Some((last, _)) = previous {
        note_repairs(&mut train, times, last, times.len(), 0);
    }
    train
}

/// Counts the pulses left out between the kept ones `before` and `k`, and those `lost`.
fn note_repairs(train: &mut Train, times: &[f64], before: usize, k: usize, lost: i64) {
    let from = before.wrapping_add(1);
    train.extra += (k - from) as u64;
    train.repairs_s.extend(times.get(from..k).unwrap_or(&[]));
    if lost > 0 {
        train.lost += lost as u64;
        train.repairs_s.push(times.get(before).copied().unwrap_or_default());
    }
}

/// The number of the first pulse after a gap, and whether it is sure. The angle between is that of
/// the cubic that meets speed and acceleration on both sides; what the accelerations contribute and
/// one part in a thousand count as its uncertainty.
fn number_after_gap(
    before: &[Numbered],
    head: &[(f64, f64)],
    own: i64,
    known: &Pattern,
) -> (i64, bool) {
    let tail: Vec<(f64, f64)> = before
        .iter()
        .rev()
        .take(GAP_HISTORY)
        .rev()
        .map(|p| (p.time_s, known.angle(p.number)))
        .collect();
    let last = before.last().map_or(0, |p| p.number);
    let (Some(a), Some(b)) = (Parabola::through(&tail), Parabola::through(head)) else {
        return (last + 1, false);
    };
    let (Some(&(from_s, angle)), Some(&(to_s, _))) = (tail.last(), head.first()) else {
        return (last + 1, false);
    };
    let h = to_s - from_s;
    let mean = 0.5 * h * (a.slope(from_s).max(0.0) + b.slope(to_s).max(0.0));
    let bend = h * h * (a.bend() - b.bend()) / 12.0;
    let turns = if mean + bend > 0.0 { mean + bend } else { mean };
    let uncertainty = bend.abs() + 1e-3 * mean;
    let nearest = nearest_alike(angle + turns, own, last, known);
    (nearest, uncertainty < 0.2 * known.room(own))
}

/// The number nearest to an angle, above `last`; with an uneven pattern only those like `own`.
fn nearest_alike(turns: f64, own: i64, last: i64, known: &Pattern) -> i64 {
    let count = known.len() as i64;
    if !known.uneven {
        return known.nearest(turns).max(last + 1);
    }
    let whole = (turns - known.angle(own.rem_euclid(count))).round() as i64;
    let mut number = whole * count + own.rem_euclid(count);
    while number <= last {
        number += count;
    }
    number
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ramp(turns: usize) -> Vec<f64> {
        // 100 Hz rising by 50 Hz/s
        (0..turns).map(|n| ((100.0_f64.powi(2) + 100.0 * n as f64).sqrt() - 100.0) / 50.0).collect()
    }

    #[test]
    fn lost_and_doubled_pulses_are_counted() {
        let mut times = ramp(400);
        times.remove(200);
        times.remove(100);
        times.remove(100);
        times.push(0.7312);
        times.sort_by(f64::total_cmp);
        let train = number(&times, &Pattern::even(1), 0.02);
        assert_eq!((train.lost, train.extra), (3, 1));
        let last = train.pulses[train.pulses.len() - 1].number - train.pulses[0].number;
        assert_eq!(last, 399);
        assert!(train.gaps.is_empty());
    }

    #[test]
    fn a_gap_in_a_steady_ramp_is_counted_through() {
        let mut times = ramp(2000);
        times.drain(700..760);
        let train = number(&times, &Pattern::even(1), 0.02);
        assert_eq!(train.gaps.len(), 1);
        assert!(train.gaps[0].sure);
        let last = train.pulses[train.pulses.len() - 1].number - train.pulses[0].number;
        assert_eq!(last, 1999);
    }

    #[test]
    fn starts_from_standstill() {
        let times: Vec<f64> = (0..300).map(|n| (f64::from(n) / 25.0).sqrt()).collect();
        let train = number(&times, &Pattern::even(1), 0.02);
        assert!(train.pulses.len() >= 297, "{}", train.pulses.len());
        let first = train.pulses[0];
        let index = times.iter().position(|&t| t == first.time_s).expect("one of them") as i64;
        assert!(train.pulses.iter().zip(index..).all(|(p, k)| p.time_s == times[k as usize]));
    }

    #[test]
    fn noise_is_no_train() {
        let times: Vec<f64> =
            (0..400).map(|k| f64::from(k) + 0.45 * (f64::from(k * k) * 0.37).sin()).collect();
        assert!(number(&times, &Pattern::even(1), 0.02).pulses.is_empty());
    }
}
