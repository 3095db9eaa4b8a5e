//! Paths: the search for the best one through a map, smoothing, and the curve through its points.

/// Speed of a ridge over time: a natural cubic spline of its logarithm, continued straight beyond its
/// ends (slope of the outer five points), at most three point distances far.
#[derive(Debug, Clone)]
pub(super) struct Path {
    times: Vec<f64>,
    logs: Vec<f64>,
    curvature: Vec<f64>,
    /// Number of points added at each end.
    added: usize,
}

/// Points added at each end, so that the continuation is part of the spline.
const ADDED: usize = 3;

impl Path {
    /// The path through at least two points at increasing times; `ln_hz` are logarithms of speed.
    pub fn through(times: &[f64], ln_hz: &[f64]) -> Self {
        let outer = times.len().min(5);
        let (first, last) = (times[0], times[times.len() - 1]);
        let step = (last - first) / (times.len() - 1) as f64;
        let start_slope = slope(&times[..outer], &ln_hz[..outer]);
        let end = times.len() - outer;
        let end_slope = slope(&times[end..], &ln_hz[end..]);
        let before = (1..=ADDED).rev().map(|i| -(i as f64) * step);
        let after = (1..=ADDED).map(|i| i as f64 * step);
        let all_times: Vec<f64> = before
            .clone()
            .map(|d| first + d)
            .chain(times.iter().copied())
            .chain(after.clone().map(|d| last + d))
            .collect();
        let all_logs: Vec<f64> = before
            .map(|d| ln_hz[0] + d * start_slope)
            .chain(ln_hz.iter().copied())
            .chain(after.map(|d| ln_hz[ln_hz.len() - 1] + d * end_slope))
            .collect();
        let curvature = natural_spline(&all_times, &all_logs);
        Self { times: all_times, logs: all_logs, curvature, added: ADDED }
    }

    /// The same path with every speed multiplied by `factor`.
    pub fn scaled(mut self, factor: f64) -> Self {
        self.logs.iter_mut().for_each(|l| *l += factor.ln());
        self
    }

    /// The times of the points given.
    pub fn times(&self) -> &[f64] {
        &self.times[self.added..self.times.len() - self.added]
    }

    /// The speeds at the points given, in Hz.
    pub fn speeds(&self) -> impl Iterator<Item = f64> {
        self.logs[self.added..self.logs.len() - self.added].iter().map(|l| l.exp())
    }

    /// Speed in Hz at a time.
    pub fn hz_at(&self, time_s: f64) -> f64 {
        self.ln_at(time_s).exp()
    }

    /// Logarithm of the speed in Hz at a time.
    pub fn ln_at(&self, time_s: f64) -> f64 {
        let last = self.times.len() - 1;
        let t = time_s.clamp(self.times[0], self.times[last]);
        let i = self.times.partition_point(|&x| x <= t).clamp(1, last) - 1;
        let h = self.times[i + 1] - self.times[i];
        let b = (t - self.times[i]) / h;
        let a = 1.0 - b;
        let bend = (a * a * a - a) * self.curvature[i] + (b * b * b - b) * self.curvature[i + 1];
        a * self.logs[i] + b * self.logs[i + 1] + bend * h * h / 6.0
    }
}

fn slope(x: &[f64], y: &[f64]) -> f64 {
    let n = x.len() as f64;
    let (mx, my) = (x.iter().sum::<f64>() / n, y.iter().sum::<f64>() / n);
    let products = x.iter().zip(y).map(|(a, b)| (a - mx) * (b - my)).sum::<f64>();
    let squares = x.iter().map(|a| (a - mx).powi(2)).sum::<f64>();
    if squares > 0.0 { products / squares } else { 0.0 }
}

/// Second derivatives of the natural cubic spline through the points (tridiagonal elimination).
fn natural_spline(x: &[f64], y: &[f64]) -> Vec<f64> {
    let n = x.len();
    let (mut second, mut upper) = (vec![0.0; n], vec![0.0; n]);
    for i in 1..n - 1 {
        let (before, after) = (x[i] - x[i - 1], x[i + 1] - x[i]);
        let share = before / (before + after);
        let pivot = share * second[i - 1] + 2.0;
        second[i] = (share - 1.0) / pivot;
        let bend = (y[i + 1] - y[i]) / after - (y[i] - y[i - 1]) / before;
        upper[i] = (6.0 * bend / (before + after) - share * upper[i - 1]) / pivot;
    }
    second[n - 1] = 0.0;
    for i in (0..n - 1).rev() {
        second[i] = second[i] * second[i + 1] + upper[i];
    }
    second[0] = 0.0;
    second
}

/// Local quadratic least-squares smoothing over `width` points (a line where `width` is 3); at the
/// ends the outermost full window serves (Savitzky and Golay, Anal. Chem. 36 (1964) 1627-1639).
pub(super) fn smooth(values: &[f64], width: usize) -> Vec<f64> {
    let n = values.len();
    let width = width.min(if n % 2 == 1 { n } else { n.saturating_sub(1) });
    if width < 3 {
        return values.to_vec();
    }
    let half = width / 2;
    (0..n)
        .map(|i| {
            let centre = i.clamp(half, n - 1 - half);
            let window = &values[centre - half..=centre + half];
            quadratic_at(window, i as f64 - centre as f64, width > 3)
        })
        .collect()
}

/// Least-squares quadratic (or line) through values at -h..h, read at `place`.
fn quadratic_at(window: &[f64], place: f64, curved: bool) -> f64 {
    let half = (window.len() / 2) as f64;
    let n = window.len() as f64;
    let (mut s2, mut s4, mut y0, mut y1, mut y2) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for (i, &y) in window.iter().enumerate() {
        let x = i as f64 - half;
        s2 += x * x;
        s4 += x.powi(4);
        y0 += y;
        y1 += x * y;
        y2 += x * x * y;
    }
    let bend = if curved { (n * y2 - s2 * y0) / (n * s4 - s2 * s2) } else { 0.0 };
    (y0 - bend * s2) / n + y1 / s2 * place + bend * place * place
}

/// Limits of the search for a path.
#[derive(Debug, Clone, Copy)]
pub(super) struct Inertia {
    /// Largest change in cells from one row to the next.
    pub largest_step: usize,
    /// Cost of a change of the step by one.
    pub change_cost: f32,
    /// Cost of the first step, per cell.
    pub start_cost: f32,
}

/// A map of evidence: rows over time, cells over the logarithm of speed.
#[derive(Debug, Clone, Default)]
pub(super) struct Map {
    pub cells: usize,
    pub values: Vec<f32>,
}

impl Map {
    pub fn new(cells: usize) -> Self {
        Self { cells, values: Vec::new() }
    }

    pub fn rows(&self) -> usize {
        self.values.len().checked_div(self.cells).unwrap_or(0)
    }

    pub fn row(&self, row: usize) -> &[f32] {
        &self.values[row * self.cells..(row + 1) * self.cells]
    }

    /// Standard deviation of all values.
    pub fn deviation(&self) -> f32 {
        let n = self.values.len().max(1) as f64;
        let mean = self.values.iter().map(|&v| f64::from(v)).sum::<f64>() / n;
        let square = self.values.iter().map(|&v| (f64::from(v) - mean).powi(2)).sum::<f64>();
        (square / n).sqrt() as f32
    }
}

/// The path of the largest sum over the map, its cell in each row, and the sum per row.
///
/// Second-order dynamic programming: the state is (cell, step), and the step changes by one at most
/// from row to row, at a cost. So the speed has inertia: it runs through gaps and crossing lines, and
/// cannot jump.
pub(super) fn best_path(map: &Map, inertia: Inertia) -> (Vec<usize>, f64) {
    let (rows, cells) = (map.rows(), map.cells);
    if rows == 0 {
        return (Vec::new(), 0.0);
    }
    let reach = inertia.largest_step as isize;
    let steps = 2 * inertia.largest_step + 1;
    let mut score = vec![0.0_f32; steps * cells];
    for (v, lane) in score.chunks_mut(cells).enumerate() {
        let cost = inertia.start_cost * (v as isize - reach).unsigned_abs() as f32;
        lane.iter_mut().zip(map.row(0)).for_each(|(s, m)| *s = m - cost);
    }
    let mut next = vec![f32::NEG_INFINITY; steps * cells];
    let mut back = vec![0_i8; rows * steps * cells];
    let nowhere = vec![f32::NEG_INFINITY; cells];
    for row in 1..rows {
        let values = map.row(row);
        for v in 0..steps {
            let shift = v as isize - reach;
            let (low, high) = target_range(shift, cells);
            let from = (low as isize - shift) as usize;
            let lane = |v: Option<usize>| {
                let lane = v.filter(|&v| v < steps).map_or(&nowhere[..], |v| &score[v * cells..]);
                &lane[from..from + high - low]
            };
            let slower = lane(v.checked_sub(1));
            let (same, faster) = (lane(Some(v)), lane(Some(v + 1)));
            let base = (row * steps + v) * cells;
            let changes = &mut back[base + low..base + high];
            let scores = &mut next[v * cells..(v + 1) * cells];
            scores.fill(f32::NEG_INFINITY);
            let scores = &mut scores[low..high];
            for i in 0..high - low {
                let (mut best, mut change) = (same[i], 0_i8);
                let less = slower[i] - inertia.change_cost;
                if less > best {
                    (best, change) = (less, -1);
                }
                let more = faster[i] - inertia.change_cost;
                if more > best {
                    (best, change) = (more, 1);
                }
                scores[i] = best + values[low + i];
                changes[i] = change;
            }
        }
        std::mem::swap(&mut score, &mut next);
    }
    let end = (0..score.len()).max_by(|&a, &b| score[a].total_cmp(&score[b])).unwrap_or(0);
    let total = f64::from(score[end]);
    let (mut v, mut cell) = (end / cells, end % cells);
    let mut path = vec![0; rows];
    for row in (0..rows).rev() {
        path[row] = cell;
        if row > 0 {
            let change = back[(row * steps + v) * cells + cell];
            cell = (cell as isize - (v as isize - reach)) as usize;
            v = (v as isize + isize::from(change)) as usize;
        }
    }
    (path, total / rows as f64)
}

/// Cells that can be reached by a shift from inside the map.
fn target_range(shift: isize, cells: usize) -> (usize, usize) {
    let size = shift.unsigned_abs().min(cells);
    if shift >= 0 { (size, cells) } else { (0, cells - size) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn follows_a_ridge_through_a_crossing_line_and_a_gap() {
        let (rows, cells) = (60, 200);
        let mut map = Map::new(cells);
        for row in 0..rows {
            let mut values = vec![0.0; cells];
            values[100] = 1.5; // stands still
            if !(40..45).contains(&row) {
                values[20 + 2 * row] += 2.5;
                values[21 + 2 * row] += 2.0;
            }
            map.values.extend(values);
        }
        let inertia = Inertia { largest_step: 5, change_cost: 1.0, start_cost: 0.02 };
        let (path, mean) = best_path(&map, inertia);
        assert!(path.iter().enumerate().all(|(row, &cell)| cell.abs_diff(20 + 2 * row) <= 1));
        assert!(mean > 2.0);
    }

    #[test]
    fn the_curve_meets_its_points_and_is_smooth_between() {
        let times: Vec<f64> = (0..30).map(|i| f64::from(i) * 0.1).collect();
        let logs: Vec<f64> = times.iter().map(|t| 5.0 + 0.3 * t + 0.05 * t * t).collect();
        let path = Path::through(&times, &logs);
        for t in [0.55, 1.0, 2.345] {
            let truth = 5.0 + 0.3 * t + 0.05 * t * t;
            assert!((path.ln_at(t) - truth).abs() < 1e-5, "{t}");
        }
        assert!((path.ln_at(3.0) - (5.9 + 0.45)).abs() < 0.01);
        assert!((path.clone().scaled(2.0).hz_at(1.0) - 2.0 * path.hz_at(1.0)).abs() < 1e-9);
    }

    #[test]
    fn smoothing_keeps_a_parabola() {
        let values: Vec<f64> = (0..20).map(|i| f64::from(i * i) - 3.0).collect();
        for (a, b) in smooth(&values, 7).iter().zip(&values) {
            assert!((a - b).abs() < 1e-9);
        }
        assert_eq!(smooth(&[1.0, 2.0], 5), vec![1.0, 2.0]);
    }
}
