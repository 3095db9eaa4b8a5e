//! The smooth curve through numbered pulses.
//!
//! Neighbouring pulses are drawn together into one observation each, by the mean of their distances
//! from the curve found so far; pulses far from it count less or not at all. From the distances the
//! spacing of several pulses per turn is corrected as well.

use crate::dsp::stats::{median, robust_deviation};

use super::super::Knot;
use super::super::smooth::{self, Fit, Observation, Observed};
use super::pattern::Pattern;
use super::train::Numbered;

/// Turns are drawn together as long as they take no longer than this, in seconds: far below the time
/// in which the acceleration of a shaft changes.
const TOGETHER_S: f64 = 0.004;
/// Most turns that are drawn together.
const MOST_TOGETHER: usize = 16;
/// Rounds of weighting and fitting: how much wider than finally a pulse may lie from the curve, and
/// whether the curve may follow corners. Wide and without corners first, so that a burst of wrong
/// pulses is known for what it is before the curve can follow it.
const ROUNDS: [(f64, bool); 3] = [(4.0, false), (2.0, true), (1.0, true)];
/// Pulses up to this many deviations from the curve count in full, so that what is mere scatter is not
/// thinned; beyond the second number they do not count at all.
const NEAR: f64 = 3.5;
const FAR: f64 = 7.0;
/// Pulses that share one value of what is usual around them.
const ANCHOR: usize = 16;
/// Pulses on either side from which the local scatter is taken.
const NEIGHBOURS: usize = 32;
/// Standard error of the speed in percent that always remains: no converter's clock is known to better than
/// a part in a million (common practice, no source).
const LEAST_ERROR_PERCENT: f64 = 1e-4;

/// A curve and the spacing it was drawn with.
pub(super) struct Curve {
    fit: Fit,
    pub pattern: Pattern,
    first: Numbered,
    last: Numbered,
}

impl Curve {
    /// Draws the curve; `None` with too few pulses.
    pub fn through(pulses: &[Numbered], mut pattern: Pattern) -> Option<Self> {
        let (mut first, mut last) = (*pulses.first()?, *pulses.last()?);
        let groups = groups_of(pulses, &pattern);
        let weights = first_weights(pulses, &pattern);
        let observed = first_observations(pulses, &pattern, &groups, &weights);
        let mut fit = smooth::fit(&observed, Observed::Turns, false, None)?;
        // the first walk includes what the angles of the means lack: only later ones are kept
        let mut known = false;
        for (reach, corners) in ROUNDS {
            let mut distances = distances_s(pulses, &pattern, &fit);
            if pattern.len() > 1 && correct_pattern(pulses, &mut pattern, &distances, &fit) {
                distances = distances_s(pulses, &pattern, &fit);
            }
            let weights = weights_of(&distances, &local_scatter(&distances), reach);
            // pulses that do not count at the ends do not carry the curve there either
            let mut counting = pulses.iter().zip(&weights).filter(|(_, w)| **w > 0.0);
            first = counting.next().map_or(first, |(pulse, _)| *pulse);
            last = counting.next_back().map_or(last, |(pulse, _)| *pulse);
            let observed = observations(pulses, &groups, &distances, &weights, &fit);
            fit = smooth::fit(&observed, Observed::Turns, corners, known.then_some(&fit))?;
            known = true;
        }
        Some(Self { fit, pattern, first, last })
    }

    /// Knots from the first to the last pulse, turns counted from turn `zero`.
    pub fn knots(&self, zero: f64) -> Vec<Knot> {
        let inner = &self.fit.knots;
        let mut knots: Vec<Knot> = Vec::with_capacity(inner.len() + 2);
        knots.extend(self.extended(0, self.first.time_s).filter(|k| k.time_s < inner[0].time_s));
        knots.extend(inner);
        let end = inner.len() - 1;
        knots.extend(self.extended(end, self.last.time_s).filter(|k| k.time_s > inner[end].time_s));
        for knot in &mut knots {
            knot.turns -= zero;
            // a shaft that starts from standstill may scatter about zero speed
            knot.speed_hz = knot.speed_hz.max(0.0);
        }
        knots.dedup_by(|later, kept| later.turns <= kept.turns);
        knots
    }

    /// The curve continued from knot `i` at its acceleration.
    fn extended(&self, i: usize, time_s: f64) -> std::option::IntoIter<Knot> {
        let (knot, acceleration) = (self.fit.knots[i], self.fit.acceleration[i]);
        let h = time_s - knot.time_s;
        let turns = knot.turns + h * (knot.speed_hz + 0.5 * h * acceleration);
        Some(Knot { time_s, turns, speed_hz: knot.speed_hz + h * acceleration }).into_iter()
    }

    /// Standard error of the speed in percent, root mean square over the recording; speeds below a
    /// tenth of the highest are left out, for at standstill no percentage means anything.
    pub fn error_percent(&self) -> f64 {
        let top = self.fit.knots.iter().map(|k| k.speed_hz).fold(0.0, f64::max);
        let (mut sum, mut count) = (0.0, 0.0);
        for (knot, error) in self.fit.knots.iter().zip(&self.fit.hz_error) {
            if knot.speed_hz > 0.1 * top {
                sum += (error / knot.speed_hz).powi(2);
                count += 1.0;
            }
        }
        (100.0 * (sum / f64::max(count, 1.0)).sqrt()).hypot(LEAST_ERROR_PERCENT)
    }

    /// Standard error of the angle in turns, root mean square over the recording.
    pub fn turns_error(&self) -> f64 {
        let errors = &self.fit.turns_error;
        (errors.iter().map(|e| e * e).sum::<f64>() / errors.len() as f64).sqrt()
    }
}

/// Ranges of pulses that are drawn together: whole turns within a short time, without a gap.
fn groups_of(pulses: &[Numbered], pattern: &Pattern) -> Vec<std::ops::Range<usize>> {
    let count = pattern.len() as i64;
    let most = (pulses.len() / pattern.len() / 60).clamp(1, MOST_TOGETHER) as i64 * count;
    let mut groups = Vec::new();
    let mut from = 0;
    for k in 1..=pulses.len() {
        let ends = match (pulses.get(k), pulses.get(k - 1), pulses.get(from)) {
            (Some(here), Some(before), Some(first)) => {
                let turns = here.number - first.number;
                let whole = turns >= count;
                (whole && here.time_s - first.time_s > TOGETHER_S)
                    || turns >= most
                    || here.number - before.number > most
            }
            _ => true,
        };
        if ends {
            groups.push(from..k);
            from = k;
        }
    }
    groups
}

/// 1 for a pulse close to the median of interpolations between its neighbours, 0 for others.
fn first_weights(pulses: &[Numbered], pattern: &Pattern) -> Vec<f64> {
    let off = |k: usize| -> f64 {
        let between = |reach: usize| -> Option<f64> {
            let (a, b) = (pulses.get(k.checked_sub(reach)?)?, pulses.get(k + reach)?);
            let (low, high) = (pattern.angle(a.number), pattern.angle(b.number));
            let share = (pattern.angle(pulses[k].number) - low) / (high - low);
            Some(pulses[k].time_s - a.time_s - share * (b.time_s - a.time_s))
        };
        middle_of_three([between(1), between(2), between(3)]).abs()
    };
    let offs: Vec<f64> = (0..pulses.len()).map(off).collect();
    let usual = |anchor: usize| {
        let from = (anchor * ANCHOR).saturating_sub(ANCHOR);
        median(offs.get(from..(from + 2 * ANCHOR + 1).min(offs.len())).unwrap_or(&[]))
    };
    let usual: Vec<f64> = (0..offs.len().div_ceil(ANCHOR)).map(usual).collect();
    let weight = |(k, &off): (usize, &f64)| if off <= 8.0 * usual[k / ANCHOR] { 1.0 } else { 0.0 };
    offs.iter().enumerate().map(weight).collect()
}

/// The middle one of three values, the mean of two, the only one; 0 for none.
fn middle_of_three(values: [Option<f64>; 3]) -> f64 {
    match values {
        [Some(a), Some(b), Some(c)] => a.max(b).min(a.min(b).max(c)),
        [Some(a), Some(b), None] => 0.5 * (a + b),
        [Some(a), None, None] => a,
        _ => 0.0,
    }
}

/// The first observations: the mean of each group's times and angles, the angle brought from the mean
/// of angles to the angle at the mean time by the group's own bend.
fn first_observations(
    pulses: &[Numbered],
    pattern: &Pattern,
    groups: &[std::ops::Range<usize>],
    weights: &[f64],
) -> Vec<Observation> {
    let means: Vec<(f64, f64, f64, f64)> = groups
        .iter()
        .filter_map(|group| {
            let members = || {
                group
                    .clone()
                    .map(|k| (pulses[k].time_s, pattern.angle(pulses[k].number), weights[k]))
            };
            let total: f64 = members().map(|m| m.2).sum();
            if total <= 0.0 {
                return None;
            }
            let time_s = members().map(|m| m.0 * m.2).sum::<f64>() / total;
            let turns = members().map(|m| m.1 * m.2).sum::<f64>() / total;
            let spread = members().map(|m| (m.0 - time_s).powi(2) * m.2).sum::<f64>() / total;
            Some((time_s, turns, spread, total))
        })
        .collect();
    let hz = |i: usize| {
        let (a, b) = (means[i.saturating_sub(1)], means[(i + 1).min(means.len() - 1)]);
        (b.1 - a.1) / (b.0 - a.0)
    };
    let bend = |i: usize| {
        let i = i.clamp(1, means.len().saturating_sub(2).max(1));
        match (means.get(i - 1), means.get(i), means.get(i + 1)) {
            (Some(a), Some(b), Some(c)) => {
                let (early, late) = ((b.1 - a.1) / (b.0 - a.0), (c.1 - b.1) / (c.0 - b.0));
                2.0 * (late - early) / (c.0 - a.0)
            }
            _ => 0.0,
        }
    };
    (0..means.len())
        .map(|i| {
            let (time_s, turns, spread, total) = means[i];
            let value = turns - 0.5 * bend(i) * spread;
            Observation { time_s, value, variance: hz(i).powi(2) / total }
        })
        .collect()
}

/// How much later than the curve each pulse came, in seconds.
fn distances_s(pulses: &[Numbered], pattern: &Pattern, fit: &Fit) -> Vec<f64> {
    let mut at = 0;
    pulses
        .iter()
        .map(|pulse| {
            let (turns, hz) = value_at(fit, &mut at, pulse.time_s);
            (turns - pattern.angle(pulse.number)) / hz
        })
        .collect()
}

/// The curve's angle and speed at a time; `at` remembers the piece for rising times. The pieces are
/// of the fifth degree, as the fit means them; beyond the ends the acceleration stays.
fn value_at(fit: &Fit, at: &mut usize, time_s: f64) -> (f64, f64) {
    while *at + 2 < fit.knots.len() && fit.knots[*at + 1].time_s <= time_s {
        *at += 1;
    }
    let (a, b) = (fit.knots[*at], fit.knots[*at + 1]);
    let (bend_a, bend_b) = (fit.acceleration[*at], fit.acceleration[*at + 1]);
    let outside = |k: Knot, bend: f64| {
        let x = time_s - k.time_s;
        (k.turns + x * (k.speed_hz + 0.5 * x * bend), k.speed_hz + x * bend)
    };
    if time_s <= a.time_s {
        return outside(a, bend_a);
    }
    if time_s >= b.time_s {
        return outside(b, bend_b);
    }
    let h = b.time_s - a.time_s;
    let s = (time_s - a.time_s) / h;
    // what a parabola from the left misses at the right, in angle, speed and acceleration
    let angle = b.turns - a.turns - h * (a.speed_hz + 0.5 * h * bend_a);
    let speed = h * (b.speed_hz - a.speed_hz - h * bend_a);
    let bend = h * h * (bend_b - bend_a);
    let c3 = 10.0 * angle - 4.0 * speed + 0.5 * bend;
    let c4 = -15.0 * angle + 7.0 * speed - bend;
    let c5 = 6.0 * angle - 3.0 * speed + 0.5 * bend;
    let x = s * h;
    let turns =
        a.turns + x * (a.speed_hz + 0.5 * x * bend_a) + s.powi(3) * (c3 + s * (c4 + s * c5));
    let hz = a.speed_hz + x * bend_a + s * s * (3.0 * c3 + s * (4.0 * c4 + s * 5.0 * c5)) / h;
    (turns, hz)
}

/// Deviation of the pulses around each one, in seconds: a magnet's slow sine is timed far worse than
/// its fast one.
fn local_scatter(distances: &[f64]) -> Vec<f64> {
    let least = 1e-3 * robust_deviation(distances) + 1e-12;
    let at = |k: usize| {
        let near =
            distances.get(k.saturating_sub(NEIGHBOURS)..(k + NEIGHBOURS).min(distances.len()));
        // about zero: a bend that the curve has not yet followed counts as scatter
        1.4826 * median(&near.unwrap_or(&[]).iter().map(|d| d.abs()).collect::<Vec<f64>>())
    };
    let anchors: Vec<f64> = (0..distances.len()).step_by(NEIGHBOURS / 2).map(at).collect();
    (0..distances.len()).map(|k| anchors[k / (NEIGHBOURS / 2)].max(least)).collect()
}

/// Weights in 1/s², falling to nothing with the distance from the curve.
fn weights_of(distances: &[f64], scatter: &[f64], reach: f64) -> Vec<f64> {
    let weight = |(d, s): (&f64, &f64)| {
        let share = ((d.abs() / (reach * s) - NEAR) / (FAR - NEAR)).clamp(0.0, 1.0);
        (1.0 - share * share).powi(2) / (s * s)
    };
    distances.iter().zip(scatter).map(weight).collect()
}

/// Observations at the groups' mean times: the curve there plus the mean distance from it.
fn observations(
    pulses: &[Numbered],
    groups: &[std::ops::Range<usize>],
    distances: &[f64],
    weights: &[f64],
    fit: &Fit,
) -> Vec<Observation> {
    let mut at = 0;
    groups
        .iter()
        .filter_map(|group| {
            let total: f64 = group.clone().map(|k| weights[k]).sum();
            if total <= 0.0 {
                return None;
            }
            let mean = |value: &dyn Fn(usize) -> f64| {
                group.clone().map(|k| weights[k] * value(k)).sum::<f64>() / total
            };
            let time_s = mean(&|k| pulses[k].time_s);
            let late_s = mean(&|k| distances[k]);
            let (turns, hz) = value_at(fit, &mut at, time_s);
            let variance = hz.powi(2).max(1e-12) / total;
            Some(Observation { time_s, value: turns - late_s * hz, variance })
        })
        .collect()
}

/// Moves the angles of the pattern to the median of their pulses; the first stays at zero. Returns
/// whether they moved: not with too few pulses, nor out of order.
fn correct_pattern(
    pulses: &[Numbered],
    pattern: &mut Pattern,
    distances: &[f64],
    fit: &Fit,
) -> bool {
    let count = pattern.len();
    let mut late: Vec<Vec<f64>> = vec![Vec::new(); count];
    let mut at = 0;
    for (pulse, &distance) in pulses.iter().zip(distances) {
        let (_, hz) = value_at(fit, &mut at, pulse.time_s);
        late[pulse.number.rem_euclid(count as i64) as usize].push(distance * hz);
    }
    if late.iter().any(|own| own.len() < 4) {
        return false;
    }
    let shift: Vec<f64> = late.iter().map(|own| median(own)).collect();
    let moved: Vec<f64> =
        pattern.angles.iter().zip(&shift).map(|(a, s)| a + s - shift[0]).collect();
    let rising = moved.windows(2).all(|w| w[1] > w[0]) && moved.last().is_some_and(|&a| a < 1.0);
    if rising {
        pattern.angles = moved;
    }
    rising
}
