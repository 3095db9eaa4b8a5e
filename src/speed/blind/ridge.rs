//! The ridge: the line, or family of lines, that moves most consistently through the recording.

use super::frames::{BAND, Floor, Frame, Signal, for_each_frame};
use super::path::{Inertia, Map, Path, best_path, smooth};
use super::standing::parts;

/// Cell of the search in ln f: 0.75 %.
const CELL: f64 = 0.0075;
/// Shortest window in seconds. A line of slope s Hz/s is sharpest with a window of 1 / sqrt(s):
/// 0.05 s suits 400 Hz/s, and each doubling a fourth of that.
const SHORTEST_WINDOW_S: f64 = 0.05;
/// Windows tried, each twice as long as the one before.
const WINDOWS: usize = 4;
/// A window must fit this often into the recording.
const FEWEST_WINDOWS: f64 = 12.0;
/// More windows than this are not searched (an hour is searched with windows of a second).
const MOST_WINDOWS: f64 = 4000.0;
/// Weights of orders 1 to 6 in the map. The first weighs most, since imbalance dominates.
const ORDER_WEIGHTS: [f32; 6] = [1.0, 0.7, 0.5, 0.4, 0.35, 0.3];
/// Evidence of one order counts up to this (natural log of power over floor), so that no single tone
/// outvotes the family.
const EVIDENCE_CAP: f32 = 4.0;
/// Mean of ln of an exponentially distributed power of mean 1 (minus Euler's constant).
pub(super) const NOISE_LN: f32 = -0.577_22;
/// Fewest rows of a part in the search for what stands still.
const ROWS_PER_PART: usize = 12;
const INERTIA: Inertia = Inertia { largest_step: 5, change_cost: 1.0, start_cost: 0.02 };

/// A path found by the search.
#[derive(Debug, Clone)]
pub(super) struct Ridge {
    /// Length of the windows in which it was seen best.
    pub window_s: f64,
    /// Mean evidence along it, in deviations of the map.
    pub score: f64,
    /// Range of ln f between its 5 % and 95 % quantiles.
    pub span: f64,
    /// Sum of all changes of ln f, smoothed.
    pub travel: f64,
    /// The curve.
    pub path: Path,
}

/// The best ridge over all windows; `None` where the recording is too short for the shortest.
pub(super) fn find(signal: &Signal, lowest_hz: f64) -> Option<Ridge> {
    let duration_s = signal.duration_s();
    let mut window_s = SHORTEST_WINDOW_S;
    while duration_s / window_s > MOST_WINDOWS {
        window_s *= 2.0;
    }
    (0..WINDOWS)
        .map(|k| window_s * f64::from(1 << k))
        .filter(|w| duration_s / w >= FEWEST_WINDOWS)
        .filter_map(|w| find_with(signal, w, lowest_hz))
        .max_by(|a, b| a.score.total_cmp(&b.score))
}

fn find_with(signal: &Signal, window_s: f64, lowest_hz: f64) -> Option<Ridge> {
    let bin_hz = 1.0 / window_s;
    let first_hz = lowest_hz.max(2.5 * bin_hz);
    let grid = LogGrid::new(first_hz, BAND * signal.rate_hz, CELL)?;
    let mut map = Map::new(grid.len());
    let mut times = Vec::new();
    let mut floor = Floor::default();
    let mut counts = Vec::new();
    for_each_frame(signal, window_s, None, |frame| {
        floor.measure(frame.power);
        if counts.is_empty() {
            counts = grid.bins_per_cell(frame.bin_hz);
        }
        times.push(frame.time_s);
        grid.add_row(frame, &floor, &mut map);
    });
    if times.len() < 12 {
        return None;
    }
    for value in &mut map.values {
        if value.is_nan() {
            *value = NOISE_LN;
        }
    }
    remove_standing(&mut map, &counts);
    let mut evidence = combine_orders(&map);
    let deviation = evidence.deviation().max(1e-6);
    evidence.values.iter_mut().for_each(|v| *v /= deviation);
    let (cells, score) = best_path(&evidence, INERTIA);
    let logs: Vec<f64> = cells.iter().map(|&cell| grid.ln_at(cell)).collect();
    let mut sorted = logs.clone();
    sorted.sort_by(f64::total_cmp);
    let quantile = |q: f64| sorted[((sorted.len() - 1) as f64 * q).round() as usize];
    let travel = smooth(&logs, 9).windows(2).map(|p| (p[1] - p[0]).abs()).sum();
    Some(Ridge {
        window_s,
        score,
        span: quantile(0.95) - quantile(0.05),
        travel,
        path: Path::through(&times, &smooth(&logs, 7)),
    })
}

/// Divides out what stays at one frequency: hum and resonances. The recording is cut into parts, and the
/// lowest of their medians is compared with the median of noise, so that a speed held through most of
/// the recording still counts: it was another once.
fn remove_standing(map: &mut Map, bins_per_cell: &[usize]) {
    let mut column = Vec::new();
    for cell in 0..map.cells {
        let lowest = parts(map.rows(), ROWS_PER_PART)
            .map(|part| {
                column.clear();
                column.extend(part.map(|row| map.values[row * map.cells + cell]));
                let middle = column.len() / 2;
                *column.select_nth_unstable_by(middle, f32::total_cmp).1
            })
            .fold(f32::INFINITY, f32::min);
        // median of the largest of n exponential powers, over its mean H_n
        let n = bins_per_cell.get(cell).copied().unwrap_or(1).max(1);
        let power = -(1.0 - 0.5_f64.powf(1.0 / n as f64)).ln();
        let excess = lowest - (power.ln() - ln_harmonic(n)) as f32;
        if excess > 0.0 {
            (0..map.rows()).for_each(|row| map.values[row * map.cells + cell] -= excess);
        }
    }
}

/// Evidence for each speed: the weighted sum over its orders. The mean over a row is taken off, so
/// that bursts, which lift all cells alike, do not count.
fn combine_orders(map: &Map) -> Map {
    let shifts: Vec<usize> =
        (1..=ORDER_WEIGHTS.len()).map(|k| ((k as f64).ln() / CELL).round() as usize).collect();
    let mut combined = Map::new(map.cells);
    combined.values.reserve(map.values.len());
    let mut row_evidence = vec![0.0_f32; map.cells];
    for row in 0..map.rows() {
        for (e, v) in row_evidence.iter_mut().zip(map.row(row)) {
            *e = v.clamp(0.0, EVIDENCE_CAP);
        }
        let mean = row_evidence.iter().sum::<f32>() / map.cells as f32;
        row_evidence.iter_mut().for_each(|e| *e -= mean);
        let mut sum = row_evidence.clone();
        for (weight, &shift) in ORDER_WEIGHTS.iter().zip(&shifts).skip(1) {
            let shifted = row_evidence.get(shift..).unwrap_or(&[]);
            sum.iter_mut().zip(shifted).for_each(|(s, e)| *s += weight * e);
        }
        combined.values.extend_from_slice(&sum);
    }
    combined
}

/// Natural logarithm of the n-th harmonic number: the expected largest of n exponential powers of
/// mean 1.
pub(super) fn ln_harmonic(n: usize) -> f64 {
    // H_n = ln n + gamma + 1/(2n) - 1/(12 n²), exact to 1e-4 from n = 2 on
    let x = n as f64;
    if n <= 1 {
        return 0.0;
    }
    (x.ln() + 0.577_215_664_9 + 0.5 / x - 1.0 / (12.0 * x * x)).ln()
}

/// A grid of equal cells in ln f, or in ln order.
#[derive(Debug, Clone)]
pub(super) struct LogGrid {
    first_ln: f64,
    step: f64,
    centres: Vec<f64>,
    half_ratio: f64,
}

impl LogGrid {
    /// Cells of `step` from `lowest` to below `highest`; `None` where there would be fewer than 16.
    pub fn new(lowest: f64, highest: f64, step: f64) -> Option<Self> {
        let count = ((highest / lowest).ln() / step).floor();
        if !(count.is_finite() && count >= 16.0) {
            return None;
        }
        let first_ln = lowest.ln();
        let centres = (0..count as usize).map(|j| (first_ln + j as f64 * step).exp()).collect();
        Some(Self { first_ln, step, centres, half_ratio: (0.5 * step).exp() })
    }

    pub fn len(&self) -> usize {
        self.centres.len()
    }

    /// Logarithm of a cell's centre.
    pub fn ln_at(&self, cell: usize) -> f64 {
        self.first_ln + cell as f64 * self.step
    }

    /// The cell whose centre is nearest to a value; `None` outside.
    pub fn cell_of(&self, value: f64) -> Option<usize> {
        let place = ((value.ln() - self.first_ln) / self.step).round();
        (place >= 0.0 && place < self.len() as f64).then_some(place as usize)
    }

    fn bins_per_cell(&self, bin_hz: f64) -> Vec<usize> {
        let count = |c: &f64| {
            let (low, high) = self.bins_of(c / bin_hz);
            high.saturating_sub(low)
        };
        self.centres.iter().map(count).collect()
    }

    /// First bin inside a cell and first bin beyond it.
    fn bins_of(&self, centre_bin: f64) -> (usize, usize) {
        let low = (centre_bin / self.half_ratio).ceil() as usize;
        (low, (centre_bin * self.half_ratio).floor() as usize + 1)
    }

    /// Appends one row to `map`: ln of power over the floor. A cell wider than a bin takes its largest
    /// bin over the expected largest of noise; narrower ones are interpolated. NaN where the frame has
    /// no such frequency, or none that may be judged.
    pub fn add_row(&self, frame: &Frame<'_>, floor: &Floor, map: &mut Map) {
        let last = frame.power.len() - 2;
        let highest = (BAND * 2.0 * (frame.power.len() - 1) as f64).min(last as f64);
        let scale = frame.axis_hz / frame.bin_hz;
        let mut ln_harmonics = Harmonics::default();
        for centre in &self.centres {
            let bin = centre * scale;
            let (low, high) = self.bins_of(bin);
            if bin < 1.5 || high as f64 > highest {
                map.values.push(f32::NAN);
                continue;
            }
            let value = if high > low + 1 {
                let largest = frame.power[low..high].iter().copied().fold(0.0, f32::max);
                largest.ln() - ln_harmonics.at(high - low)
            } else {
                let index = bin as usize;
                let fraction = (bin - index as f64) as f32;
                let (a, b) = (frame.power[index].ln(), frame.power[index + 1].ln());
                let between = a + (b - a) * fraction;
                if high > low { between.max(frame.power[low].ln()) } else { between }
            };
            map.values.push(value - floor.ln_at(bin as f32));
        }
    }
}

/// [`ln_harmonic`] of the number asked last, kept: neighbouring cells hold equally many bins.
#[derive(Debug, Default)]
struct Harmonics {
    n: usize,
    ln: f32,
}

impl Harmonics {
    fn at(&mut self, n: usize) -> f32 {
        if n != self.n {
            *self = Self { n, ln: ln_harmonic(n) as f32 };
        }
        self.ln
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn harmonic_numbers() {
        for n in 1..200_usize {
            let exact: f64 = (1..=n).map(|i| 1.0 / i as f64).sum();
            assert!((ln_harmonic(n) - exact.ln()).abs() < 2e-3, "{n}");
        }
    }

    #[test]
    fn standing_lines_are_removed_and_held_ones_stay() {
        let (rows, cells) = (80, 90);
        let mut map = Map::new(cells);
        for row in 0..rows {
            let mut values = vec![NOISE_LN; cells];
            values[10] = 5.0;
            values[30 + row.min(20)] = 3.0; // rises, then is held for three quarters of the time
            map.values.extend(values);
        }
        remove_standing(&mut map, &vec![1; cells]);
        assert!(map.row(50)[10] < 0.0);
        assert!((map.row(10)[40] - 3.0).abs() < 1e-6 && (map.row(75)[50] - 3.0).abs() < 1e-6);
    }
}
