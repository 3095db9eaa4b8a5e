//! Times the edges of pulses to a small part of a sample.
//!
//! An edge is where the signal passes half way between the levels just before and just after it. Sharp
//! edges are met on the band-limited interpolation of the signal: the converter's low-pass makes each
//! edge ring, but always in the same way, so that the half-way point does not depend on where the
//! samples fall. Slow edges (a magnet's sine at low speed) are met on a line fitted around half way.

use crate::dsp::kernel::KernelTable;

use super::edges::Extreme;

/// Cut-off of the interpolation as a fraction of Nyquist: what a converter leaves near Nyquist is
/// partly folded and is kept out.
const CUTOFF: f64 = 0.8;
/// Edges that take longer than this, in samples, are fitted instead of interpolated.
const SLOW_EDGE: f64 = 6.0;
/// An edge is sharp if this share of its swing is covered within a few samples.
const SHARP_WAY: f32 = 0.5;
/// A step towards the half-way point that is shorter than this, in samples, is the last: the next one
/// would be far below the error of the edge.
const NEAR: f64 = 0.1;
/// Pulses shorter than this, in samples, have no level of their own: their peak takes its place.
pub(super) const SHORT_PULSE: f64 = 6.0;

/// One passage from a low to a high level or back, between two turning points.
#[derive(Debug, Clone, Copy)]
pub(super) struct Transition {
    /// Whether the signal rises.
    pub rising: bool,
    /// Where the signal passes half way between the turning points, in samples (roughly).
    pub centre: f64,
    /// Samples from 20 % to 80 % of the way.
    rise: f64,
    from: Extreme,
    to: Extreme,
}

impl Transition {
    /// Whether the passage takes so long that it is fitted instead of interpolated.
    pub fn is_slow(&self) -> bool {
        self.rise > SLOW_EDGE
    }
}

/// All passages between neighbouring turning points.
pub(super) fn transitions(samples: &[f32], extremes: &[Extreme]) -> Vec<Transition> {
    extremes
        .windows(2)
        .filter_map(|pair| match pair {
            &[from, to] => transition(samples, from, to),
            _ => None,
        })
        .collect()
}

fn transition(samples: &[f32], from: Extreme, to: Extreme) -> Option<Transition> {
    let part = samples.get(from.index..=to.index)?;
    let rising = to.high;
    // values as a share of the way, so that both directions are one case
    let swing = to.value - from.value;
    let way = |x: f32| (x - from.value) / swing;
    let last_below = part.iter().rposition(|&x| way(x) < 0.5)?;
    let first_above = part.iter().position(|&x| way(x) >= 0.5)?;
    // a slow edge passes half way several times when there is noise: its middle counts; a sharp one
    // next to a small bump is where most of the way is made
    let first = (first_above.saturating_sub(1), first_above);
    let last = (last_below, last_below + 1);
    let (first_way, last_way) = (way_near(part, first.0, swing), way_near(part, last.0, swing));
    let (low, high) = match (first_way.max(last_way) > SHARP_WAY, first_way >= last_way) {
        (true, true) => first,
        (true, false) => last,
        (false, _) => (first.0.min(last.0), first.1.max(last.1)),
    };
    let centre = from.index as f64 + 0.5 * (low + high) as f64;
    let rise = rise_about(part, (low + high) / 2, from.value, to.value);
    if first_way.max(last_way) <= SHARP_WAY {
        return Some(Transition { rising, centre, rise, from, to });
    }
    // a sharp edge: the turning points may be far from its levels, its surroundings are not
    let near = part.get(low.saturating_sub(2)..(high + 3).min(part.len()))?;
    let (least, most) = range(near);
    let (a, b) = if rising { (least, most) } else { (most, least) };
    let rise = rise.min(rise_about(near, low - low.saturating_sub(2), a, b));
    Some(Transition { rising, centre, rise, from, to })
}

/// Share of the swing that is covered within two samples of `place` on either side.
fn way_near(part: &[f32], place: usize, swing: f32) -> f32 {
    let near = part.get(place.saturating_sub(2)..(place + 4).min(part.len())).unwrap_or(&[]);
    let (low, high) = range(near);
    (high - low) / swing.abs()
}

fn range(part: &[f32]) -> (f32, f32) {
    let start = (f32::INFINITY, f32::NEG_INFINITY);
    part.iter().fold(start, |(low, high), &x| (low.min(x), high.max(x)))
}

/// Samples from 20 % to 80 % of the way between two levels about `middle`.
fn rise_about(part: &[f32], middle: usize, from: f32, to: f32) -> f64 {
    let way = |x: f32| (x - from) / (to - from);
    let early = part.get(..=middle).unwrap_or(part);
    let before = early.iter().rposition(|&x| way(x) < 0.2).unwrap_or(0);
    let late = part.get(middle..).unwrap_or(&[]);
    let after = middle + late.iter().position(|&x| way(x) > 0.8).unwrap_or(late.len());
    // the two outer samples lie beyond 20 % and 80 %: one sample less is nearer
    (after as f64 - before as f64 - 1.0).max(1.0)
}

/// Times transitions of one channel.
pub(super) struct Timer<'a> {
    samples: &'a [f32],
    transitions: &'a [Transition],
    kernel: KernelTable,
}

impl<'a> Timer<'a> {
    pub fn new(samples: &'a [f32], transitions: &'a [Transition]) -> Self {
        Self { samples, transitions, kernel: KernelTable::new(CUTOFF) }
    }

    /// Place of transition `i` in samples.
    pub fn edge(&self, i: usize) -> Option<f64> {
        let this = self.transitions.get(i)?;
        let room_before = self.gap(i.checked_sub(1), Some(i));
        let room_after = self.gap(Some(i), Some(i + 1));
        let before = self.level(this, -1.0, room_before, this.from);
        let after = self.level(this, 1.0, room_after, this.to);
        let half = 0.5 * (before + after);
        if this.is_slow() { self.fitted(this, half) } else { self.interpolated(this, half) }
    }

    /// Middle of the pulse between transitions `i` and `i + 1`, and its width, in samples.
    pub fn middle(&self, i: usize) -> Option<(f64, f64)> {
        let (a, b) = (self.edge(i)?, self.edge(i + 1)?);
        Some((0.5 * (a + b), b - a))
    }

    /// Whether the samples jump from level to level with nothing in between: a comparator's output
    /// sampled without a low-pass, whose edges are known to a whole sample only.
    pub fn is_two_valued(&self) -> bool {
        let partway = |t: &&Transition| {
            let swing = t.to.value - t.from.value;
            let first = (t.centre - 1.5).max(0.0) as usize;
            let near = self.samples.get(first..first + 4).unwrap_or(&[]);
            near.iter().any(|&x| {
                let way = (x - t.from.value) / swing;
                (0.04..0.96).contains(&way) || !(-0.04..1.04).contains(&way)
            })
        };
        let looked_at = self.transitions.len().min(2000);
        let count = self.transitions.iter().take(looked_at).filter(partway).count();
        looked_at > 0 && count * 20 < looked_at
    }

    /// Samples between two transitions; endless where one is missing.
    fn gap(&self, a: Option<usize>, b: Option<usize>) -> f64 {
        let centre = |i: Option<usize>| i.and_then(|i| self.transitions.get(i)).map(|t| t.centre);
        match (centre(a), centre(b)) {
            (Some(a), Some(b)) => b - a,
            _ => f64::INFINITY,
        }
    }

    /// Level on one side (`side` -1 or 1) of a transition with `room` samples to the next one.
    fn level(&self, edge: &Transition, side: f64, room: f64, extreme: Extreme) -> f64 {
        if room < SHORT_PULSE {
            return self.peak(extreme);
        }
        // a slow edge goes over into the next one without a level in between
        if edge.rise > 0.25 * room {
            return f64::from(extreme.value);
        }
        // clear of the edge itself, and of the ringing of the next one
        let near = 1.5 * edge.rise + 0.5;
        let far = (near + 4.0).max(3.0 * edge.rise).min(room - 2.0).max(near + 1.0);
        let (a, b) = (edge.centre + side * near, edge.centre + side * far);
        let from = a.min(b).round().max(0.0) as usize;
        let to = (a.max(b).round() as usize + 1).min(self.samples.len());
        match self.samples.get(from..to) {
            Some(part) if !part.is_empty() => {
                part.iter().map(|&x| f64::from(x)).sum::<f64>() / part.len() as f64
            }
            _ => f64::from(extreme.value),
        }
    }

    fn at(&self, position: f64) -> f64 {
        f64::from(self.kernel.at(self.samples, position))
    }

    /// Height of the peak at a turning point, from a parabola through the interpolated signal.
    fn peak(&self, extreme: Extreme) -> f64 {
        let i = extreme.index as f64;
        let (a, b, c) = (self.at(i - 0.7), self.at(i), self.at(i + 0.7));
        let bend = a - 2.0 * b + c;
        let is_peak = if extreme.high { b >= a && b >= c } else { b <= a && b <= c };
        if bend == 0.0 || !is_peak { b } else { b - (a - c) * (a - c) / (8.0 * bend) }
    }

    fn interpolated(&self, edge: &Transition, half: f64) -> Option<f64> {
        let mut place = self.roughly(edge, half);
        let sign = if edge.rising { 1.0 } else { -1.0 };
        for step in [0.4, 0.3, 0.3] {
            let (before, a) = self.kernel.near(self.samples, place - step);
            let (after, b) = self.kernel.near(self.samples, place + step);
            let slope = f64::from(b - a) / (after - before);
            if sign * slope <= 0.0 {
                return None;
            }
            let middle = 0.5 * (f64::from(a) + f64::from(b));
            let crossing = 0.5 * (before + after) + (half - middle) / slope;
            let shift = (crossing - place).clamp(-1.5, 1.5);
            place += shift;
            if shift.abs() < NEAR {
                break;
            }
        }
        Some(place)
    }

    /// Where the straight line between the two samples about an edge passes half way.
    fn roughly(&self, edge: &Transition, half: f64) -> f64 {
        let before = edge.centre.floor();
        match self.samples.get(before as usize..before as usize + 2) {
            Some(&[a, b]) if a != b => {
                let (a, b) = (f64::from(a), f64::from(b));
                before + ((half - a) / (b - a)).clamp(0.0, 1.0)
            }
            _ => edge.centre,
        }
    }

    fn fitted(&self, edge: &Transition, half: f64) -> Option<f64> {
        let reach = (0.4 * edge.rise).round().max(3.0) as i64;
        let mut place = edge.centre;
        for _ in 0..2 {
            let middle = place.round() as i64;
            let (mut sum, mut slope, mut weight) = (0.0, 0.0, 0.0);
            for offset in -reach..=reach {
                let index = usize::try_from(middle + offset).ok()?;
                let x = f64::from(*self.samples.get(index)?);
                sum += x;
                slope += offset as f64 * x;
                weight += (offset * offset) as f64;
            }
            let (mean, slope) = (sum / (2 * reach + 1) as f64, slope / weight);
            let expected = if edge.rising { slope > 0.0 } else { slope < 0.0 };
            if !expected {
                return None;
            }
            place = middle as f64 + ((half - mean) / slope).clamp(-edge.rise, edge.rise);
        }
        Some(place)
    }
}
