//! Speed below the width of a bin: the lines of known orders measured frame by frame.

use crate::dsp::peaks::parabolic;
use crate::dsp::stats::{median, quantile_of};

use super::frames::{BAND, Floor, Frame, Signal, for_each_frame};
use super::path::{Path, smooth};

/// A line counts from this power over the floor upwards (noise reaches 12 in 6 of a million bins).
const LEAST_POWER: f64 = 12.0;
/// Power over the floor at which a line is half as exact as a clean one, other things being equal.
const HALF_WEIGHT_POWER: f64 = 50.0;
/// Higher orders know the speed better in proportion, up to this one: beyond it resonances and other
/// lines in between spoil more than is gained.
const BEST_ORDER: f64 = 4.0;
/// Bins to each side over which the floor under a line is taken.
const FLOOR_BINS: usize = 30;
/// Values further from the weighted median than this (in ln f) and than three median deviations are
/// left out of the mean over the orders.
const APART: f64 = 0.002;

/// A step in ln f, beyond what the slopes on both sides explain, that no shaft makes within a gap. The
/// least step of a melody is 0.058.
const JUMP: f64 = 0.03;

/// What one pass measured.
pub(super) struct Pass {
    times: Vec<f64>,
    /// ln of the speed that each measured offset belongs to.
    ln_mean_hz: Vec<f64>,
    /// Offset of the shaft from the path in ln f, where a line was found.
    offsets: Vec<Option<f64>>,
    /// Scatter of the offsets between the orders.
    scatter: Vec<f64>,
}

/// One order measured in one frame: offset in ln f and weight.
type Value = (f64, f64);

impl Pass {
    /// Measures `orders` of `path` within `reach` (in ln f) of their expected places.
    pub fn along(signal: &Signal, path: &Path, window_s: f64, orders: &[f64], reach: f64) -> Self {
        let mut pass = Self { times: vec![], ln_mean_hz: vec![], offsets: vec![], scatter: vec![] };
        let mut floor = Floor::default();
        for_each_frame(signal, window_s, Some(path), |frame| {
            floor.measure(frame.power);
            let values: Vec<Value> = orders
                .iter()
                .filter_map(|&order| measure_order(frame, &floor, order, reach))
                .collect();
            let (offset, scatter) = agree(&values).unzip();
            pass.times.push(frame.time_s);
            pass.ln_mean_hz.push(frame.mean_hz.ln());
            pass.offsets.push(offset);
            pass.scatter.push(scatter.unwrap_or(0.0));
        });
        pass
    }

    /// Frames in which a line was found.
    pub fn found(&self) -> usize {
        self.offsets.iter().flatten().count()
    }

    /// Share of the frames in which a line was found.
    pub fn coverage(&self) -> f64 {
        self.found() as f64 / self.offsets.len().max(1) as f64
    }

    /// Median disagreement between the orders, in ln f.
    pub fn scatter(&self) -> f64 {
        median(&self.scatter)
    }

    /// A new path through the measured speeds themselves; `None` with too few of them.
    pub fn path(&self) -> Option<Path> {
        let offsets = filled(&self.offsets)?;
        let logs: Vec<f64> = self.ln_mean_hz.iter().zip(offsets).map(|(m, o)| m + o).collect();
        Some(Path::through(&self.times, &smooth(&logs, 5)))
    }

    /// The path with the smoothed offsets put right; `None` with too few of them.
    pub fn corrected(&self, path: &Path) -> Option<Path> {
        let offsets = smooth(&filled(&self.offsets)?, 5);
        let logs: Vec<f64> =
            self.times.iter().zip(offsets).map(|(&t, o)| path.ln_at(t) + o).collect();
        Some(Path::through(&self.times, &logs))
    }

    /// The longest stretch over which lines were found and the speed ran smoothly.
    pub fn stretch(&self) -> Option<Stretch> {
        let ln_hz: Vec<Option<f64>> =
            self.offsets.iter().zip(&self.ln_mean_hz).map(|(o, m)| o.map(|o| o + m)).collect();
        let all = interpolated(&ln_hz)?;
        let residuals: Vec<f64> =
            smooth(&all, 9).iter().zip(&all).map(|(s, y)| (s - y).abs()).collect();
        let found = |i: usize| ln_hz[i].is_some();
        let of_found: Vec<f64> =
            (0..all.len()).filter(|&i| found(i)).map(|i| residuals[i]).collect();
        if of_found.len() < 8 {
            return None;
        }
        // shafts do not jump: 0.6 % between frames, more only where all frames scatter
        let tolerance = (4.0 * median(&of_found)).max(0.006);
        let good: Vec<bool> =
            (0..all.len()).map(|i| found(i) && residuals[i] < tolerance).collect();
        let (first, last) = longest_run(&good, &self.times, &all)?;
        let inside = first..=last;
        let mut seen: Vec<f64> =
            inside.clone().filter(|&i| found(i)).map(|i| residuals[i]).collect();
        let kept: Vec<f64> = inside.clone().filter(|&i| good[i]).map(|i| residuals[i]).collect();
        let scatter: Vec<f64> =
            inside.clone().filter(|&i| good[i]).map(|i| self.scatter[i]).collect();
        Some(Stretch {
            start_s: self.times[first],
            end_s: self.times[last],
            coverage: kept.len() as f64 / (last - first + 1) as f64,
            residual: median(&kept),
            worst_residual: quantile_of(&mut seen, 0.95),
            scatter: median(&scatter),
        })
    }
}

/// The part of a recording over which the speed was followed. Offsets are in ln f.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Stretch {
    /// Middle of the first frame.
    pub start_s: f64,
    /// Middle of the last frame.
    pub end_s: f64,
    /// Share of its frames with a line.
    pub coverage: f64,
    /// Median distance of a frame's speed from a smooth curve.
    pub residual: f64,
    /// 95 % quantile of it.
    pub worst_residual: f64,
    /// Median disagreement between the orders.
    pub scatter: f64,
}

/// Place of one order in one frame, by a parabola through ln power at the largest bin.
fn measure_order(frame: &Frame<'_>, floor: &Floor, order: f64, reach: f64) -> Option<Value> {
    let expected = order * frame.axis_hz / frame.bin_hz;
    let half = (reach * expected).max(2.0);
    let (low, high) = ((expected - half).ceil().max(2.0) as usize, (expected + half) as usize);
    let highest = BAND * 2.0 * (frame.power.len() - 1) as f64;
    if high + 2 >= frame.power.len() || expected > highest || low > high {
        return None;
    }
    let top = (low..=high).max_by(|&a, &b| frame.power[a].total_cmp(&frame.power[b]))?;
    let near = [top - 1, top, top + 1].map(|i| f64::from(frame.power[i].ln()));
    let ln_floor = floor.ln_at(top as f32).max(local_ln_floor(frame.power, low, high));
    let power = (near[1] - f64::from(ln_floor)).exp();
    if power < LEAST_POWER || near[1] < near[0] || near[1] < near[2] {
        return None;
    }
    let place = (top - 1) as f64 + parabolic(&near, 1)?.position;
    // the error in Hz is the same for all orders, so that in the speed falls with the order
    let gain = order.min(BEST_ORDER).powi(2);
    Some(((place / expected).ln(), gain * power / (power + HALF_WEIGHT_POWER)))
}

/// ln of the mean noise power beside the bins `low` to `high`: on a resonance it lies above the floor of
/// the band.
fn local_ln_floor(power: &[f32], low: usize, high: usize) -> f32 {
    const GAP: usize = 3;
    let below = low.saturating_sub(GAP + FLOOR_BINS).max(1)..low.saturating_sub(GAP).max(1);
    let above = (high + GAP).min(power.len())..(high + GAP + FLOOR_BINS).min(power.len());
    let mut bins: Vec<f32> = power[below].iter().chain(&power[above]).copied().collect();
    if bins.is_empty() {
        return f32::NEG_INFINITY;
    }
    let middle = bins.len() / 2;
    let (_, &mut median, _) = bins.select_nth_unstable_by(middle, f32::total_cmp);
    (median / std::f32::consts::LN_2).ln()
}

/// One offset from those of all orders: weighted mean of those near the weighted median; and their
/// weighted scatter. `None` without values.
fn agree(values: &[Value]) -> Option<(f64, f64)> {
    let mut sorted = values.to_vec();
    sorted.sort_by(|a, b| a.0.total_cmp(&b.0));
    let half = 0.5 * sorted.iter().map(|v| v.1).sum::<f64>();
    let mut sum = 0.0;
    let middle = sorted
        .iter()
        .find(|v| {
            sum += v.1;
            sum >= half
        })?
        .0;
    let distances: Vec<f64> = sorted.iter().map(|v| (v.0 - middle).abs()).collect();
    let limit = APART.max(3.0 * median(&distances));
    let (mut weights, mut mean) = (0.0, 0.0);
    for (offset, weight) in sorted.iter().filter(|v| (v.0 - middle).abs() < limit) {
        weights += weight;
        mean += weight * offset;
    }
    let mean = mean / weights;
    let square: f64 = sorted.iter().map(|v| v.1 * (v.0 - mean).powi(2)).sum();
    Some((mean, (square / (2.0 * half)).sqrt()))
}

/// Missing values interpolated, ends continued; `None` with fewer than three.
fn interpolated(values: &[Option<f64>]) -> Option<Vec<f64>> {
    let known: Vec<(usize, f64)> =
        values.iter().enumerate().filter_map(|(i, v)| v.map(|v| (i, v))).collect();
    if known.len() < 3 {
        return None;
    }
    let mut after = 0;
    let fill = |i: usize| {
        while after < known.len() && known[after].0 < i {
            after += 1;
        }
        match (after.checked_sub(1).map(|b| known[b]), known.get(after)) {
            (_, Some(&(j, v))) if j == i => v,
            (Some((a, y)), Some(&(b, z))) => y + (z - y) * (i - a) as f64 / (b - a) as f64,
            (Some((_, y)), None) => y,
            (None, Some(&(_, z))) => z,
            (None, None) => 0.0,
        }
    };
    Some((0..values.len()).map(fill).collect())
}

/// Missing values interpolated, and wild ones replaced: those far from the median of five.
fn filled(values: &[Option<f64>]) -> Option<Vec<f64>> {
    let all = interpolated(values)?;
    let last = all.len() - 1;
    let distances: Vec<f64> = (0..all.len())
        .map(|i| {
            let five: Vec<f64> = (0..5).map(|k| all[(i + k).saturating_sub(2).min(last)]).collect();
            (all[i] - median(&five)).abs()
        })
        .collect();
    let limit = 5.0 * median(&distances) + 3e-4;
    let calm = |i: usize| i < 2 || i + 2 > last || distances[i] <= limit;
    let kept: Vec<Option<f64>> = (0..all.len()).map(|i| calm(i).then(|| all[i])).collect();
    interpolated(&kept)
}

/// First and last good frame of the longest run, in which no gap is longer than a second or six
/// frames and the speed does not jump over a gap. A frame counts only where most of the five around it are
/// good.
fn longest_run(good: &[bool], times: &[f64], ln_hz: &[f64]) -> Option<(usize, usize)> {
    let supported = |i: usize| {
        let near = &good[i.saturating_sub(2)..(i + 3).min(good.len())];
        let share = near.iter().filter(|&&g| g).count() as f64 / near.len() as f64;
        good[i] && share > 0.7
    };
    let frames: Vec<usize> = (0..good.len()).filter(|&i| supported(i)).collect();
    if frames.len() < 8 {
        return None;
    }
    let hop_s = times.get(1)? - times.first()?;
    let gap = ((1.0 / hop_s) as usize).max(6);
    let slope = |from: usize, to: usize| (ln_hz[to] - ln_hz[from]) / (to - from).max(1) as f64;
    let jumps = |a: usize, b: usize| {
        let before = slope(a.saturating_sub(4), a);
        let after = slope(b, (b + 4).min(good.len() - 1));
        let frames = (b - a) as f64;
        let expected = 0.5 * (before + after) * frames;
        // the ramp may begin or end anywhere within the gap
        let corner = 0.5 * (after - before).abs() * frames;
        b > a + 1 && (ln_hz[b] - ln_hz[a] - expected).abs() > JUMP + corner
    };
    frames
        .chunk_by(|&a, &b| b - a <= gap && !jumps(a, b))
        .max_by_key(|run| run.len())
        .and_then(|run| Some((*run.first()?, *run.last()?)))
}

/// Passes that settle a path on `orders` of it: the first takes the measured speeds themselves, the
/// others put small offsets right. Returns the path and the last pass; `None` where lines are lost.
pub(super) fn settle(
    signal: &Signal,
    path: Path,
    window_s: f64,
    long_window_s: f64,
    orders: &[f64],
) -> Option<(Path, Pass)> {
    let first = Pass::along(signal, &path, window_s, orders, 0.01);
    let path = first.path()?;
    let second = Pass::along(signal, &path, long_window_s, orders, 0.006);
    let path = second.corrected(&path)?;
    let last = Pass::along(signal, &path, window_s, orders, 0.004);
    let path = last.corrected(&path)?;
    (last.found() >= 5).then_some((path, last))
}

/// A path through the strongest line alone, `None` where it is found in less than a third of the
/// frames.
pub(super) fn follow_line(signal: &Signal, path: &Path, window_s: f64, order: f64) -> Option<Path> {
    let pass = Pass::along(signal, path, window_s, &[order], 0.02);
    if pass.coverage() < 0.3 { None } else { pass.path() }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn orders_that_agree_outvote_one_that_does_not() {
        let (offset, scatter) =
            agree(&[(0.001, 4.0), (0.0011, 9.0), (0.009, 1.0)]).expect("values");
        assert!((offset - 0.00107).abs() < 1e-5);
        assert!(scatter > 1e-3);
        assert!(agree(&[]).is_none());
    }

    #[test]
    fn gaps_are_filled_and_wild_values_replaced() {
        let mut values: Vec<Option<f64>> = (0..40).map(|i| Some(f64::from(i) * 1e-4)).collect();
        values[10] = None;
        values[20] = Some(0.1);
        let filled = filled(&values).expect("enough values");
        assert!((filled[10] - 1e-3).abs() < 1e-9);
        assert!((filled[20] - 2e-3).abs() < 1e-9);
        assert!(interpolated(&[None, Some(1.0), None, Some(2.0)]).is_none());
    }

    #[test]
    fn the_longest_run_bridges_short_gaps_only() {
        let mut good = vec![true; 100];
        good[30..60].fill(false);
        good[80..83].fill(false);
        let times: Vec<f64> = (0..100).map(|i| f64::from(i) * 0.1).collect();
        let level = vec![5.0; 100];
        assert_eq!(longest_run(&good, &times, &level), Some((61, 99)));
        assert_eq!(longest_run(&[true; 5], &times, &level), None);
    }

    #[test]
    fn a_run_ends_where_the_speed_jumps_over_a_gap() {
        let times: Vec<f64> = (0..100).map(|i| f64::from(i) * 0.1).collect();
        let mut good = vec![true; 100];
        good[40..43].fill(false);
        let rising = |step: f64| -> Vec<f64> {
            (0..100).map(|i| 0.02 * f64::from(i) + if i > 41 { step } else { 0.0 }).collect()
        };
        assert_eq!(longest_run(&good, &times, &rising(0.0)), Some((0, 99)));
        assert_eq!(longest_run(&good, &times, &rising(0.058)), Some((44, 99)));
    }
}
