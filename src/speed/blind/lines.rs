//! Lines locked to a path: found in the mean order spectrum along it, and used to improve it.

use crate::dsp::floor::running_median;
use crate::dsp::peaks::parabolic;

use super::frames::{BAND, Floor, Signal, for_each_frame};
use super::path::{Inertia, Map, Path, best_path, smooth};
use super::ridge::LogGrid;

/// Cell in ln order: 0.1 %.
const CELL: f64 = 0.001;
/// Lowest and highest order of the path that are looked at.
pub(super) const LOWEST_ORDER: f64 = 0.045;
const HIGHEST_ORDER: f64 = 26.0;
/// The mean spectrum is compared with its running median over this many cells to each side (8 %).
const BASE_CELLS: usize = 80;
/// Evidence of one frame (ln of power over floor) that counts at most: far above what any converter holds,
/// so that a line without noise keeps its peak and is no plateau.
const MOST_EVIDENCE: f32 = 30.0;
/// Its scatter is measured over this many cells to each side.
const SCATTER_CELLS: usize = 200;
/// A line stands out by so many deviations...
const LEAST_DEVIATIONS: f64 = 6.0;
/// ...and by so much in ln power, averaged over the frames.
const LEAST_EXCESS: f64 = 0.5;
/// No second line within this many cells.
const APART: usize = 8;
/// Speeds closer than this in ln f are alike.
const LIKE_SPEED: f64 = 0.01;
/// Share of all weight that must reach a cell.
const LEAST_SHARE: f32 = 0.25;
/// Most lines that steer a path.
const STEERING: usize = 12;
const INERTIA: Inertia = Inertia { largest_step: 6, change_cost: 1.5, start_cost: 0.1 };

/// A line in the order spectrum along a path, or in a spectrum.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Line {
    /// Its order of the path (or its frequency in Hz).
    pub place: f64,
    /// Mean of ln power over the surroundings.
    pub excess: f64,
}

/// Order spectra along a path, one row per frame.
pub(super) struct OrderMap {
    map: Map,
    grid: LogGrid,
    times: Vec<f64>,
    /// ln of the path's speed that each frame's measurement belongs to.
    ln_mean_hz: Vec<f64>,
    /// Width of a bin in Hz.
    pub bin_hz: f64,
}

impl OrderMap {
    /// `None` where the recording is too short for the window.
    pub fn along(signal: &Signal, path: &Path, window_s: f64) -> Option<Self> {
        let slowest = path.speeds().fold(f64::INFINITY, f64::min);
        let highest = HIGHEST_ORDER.min(BAND * signal.rate_hz / slowest);
        let grid = LogGrid::new(LOWEST_ORDER, highest, CELL)?;
        let mut floor = Floor::default();
        let (mut map, mut times, mut ln_mean_hz) = (Map::new(grid.len()), Vec::new(), Vec::new());
        let mut bin_hz = 0.0;
        for_each_frame(signal, window_s, Some(path), |frame| {
            floor.measure(frame.power);
            grid.add_row(frame, &floor, &mut map);
            times.push(frame.time_s);
            ln_mean_hz.push(frame.mean_hz.ln());
            bin_hz = frame.bin_hz;
        });
        (times.len() >= 5).then_some(Self { map, grid, times, ln_mean_hz, bin_hz })
    }

    /// The lines, strongest first.
    pub fn lines(&self) -> Vec<Line> {
        let (first, mean) = self.mean_spectrum();
        let base = running_median(&mean, BASE_CELLS);
        let excess: Vec<f64> = mean.iter().zip(&base).map(|(m, b)| f64::from(m - b)).collect();
        let size: Vec<f32> = excess.iter().map(|e| e.abs() as f32).collect();
        let scatter = running_median(&size, SCATTER_CELLS);
        let mut lines = Vec::new();
        for j in 2..excess.len().saturating_sub(2) {
            let near = &excess[j.saturating_sub(APART)..(j + APART + 1).min(excess.len())];
            let deviation = 1.4826 * f64::from(scatter[j]) + 1e-3;
            let stands_out = excess[j] > LEAST_EXCESS && excess[j] > LEAST_DEVIATIONS * deviation;
            if !stands_out || near.iter().any(|&e| e > excess[j]) {
                continue;
            }
            if let Some(peak) = parabolic(&excess, j) {
                let cell = first as f64 + peak.position;
                let place = (self.grid.ln_at(0) + cell * CELL).exp();
                lines.push(Line { place, excess: excess[j] });
            }
        }
        lines.sort_by(|a, b| b.excess.total_cmp(&a.excess));
        lines
    }

    /// Mean over the frames of each cell that enough of them reach; and the first such cell.
    ///
    /// Each speed counts once: frames of like speed share their weight. So a tone that stands still is no
    /// line, however long the speed is held.
    fn mean_spectrum(&self) -> (usize, Vec<f32>) {
        let weights = self.weights();
        let least = LEAST_SHARE * weights.iter().sum::<f32>();
        let mut sums = vec![(0.0_f32, 0.0_f32); self.grid.len()];
        for (row, weight) in weights.iter().enumerate() {
            for (sum, value) in sums.iter_mut().zip(self.map.row(row)) {
                if !value.is_nan() {
                    sum.0 += weight * value.clamp(-1.5, MOST_EVIDENCE);
                    sum.1 += weight;
                }
            }
        }
        let enough = |sum: &(f32, f32)| sum.1 >= least;
        let first = sums.iter().position(enough).unwrap_or(sums.len());
        let mean = sums[first..].iter().take_while(|s| enough(s)).map(|s| s.0 / s.1);
        (first, mean.collect())
    }

    /// One over the number of frames of like speed, for each frame.
    fn weights(&self) -> Vec<f32> {
        let class = |ln: f64| (ln / LIKE_SPEED).floor() as i64;
        let mut counts = std::collections::HashMap::new();
        for &ln in &self.ln_mean_hz {
            *counts.entry(class(ln)).or_insert(0.0_f32) += 1.0;
        }
        self.ln_mean_hz.iter().map(|&ln| 1.0 / counts[&class(ln)]).collect()
    }

    /// The path steered by the lines, which may pull it by `reach` (in ln f) at most.
    pub fn steer(&self, lines: &[Line], reach: f64) -> Path {
        let half = (reach / CELL).round() as usize;
        let mut map = Map::new(2 * half + 1);
        map.values = vec![0.0; self.map.rows() * map.cells];
        for line in lines.iter().take(STEERING) {
            let Some(cell) = self.grid.cell_of(line.place) else { continue };
            if cell < half || cell + half >= self.grid.len() {
                continue;
            }
            let weight = line.excess.min(6.0) as f32;
            for row in 0..self.map.rows() {
                let values = &self.map.row(row)[cell - half..=cell + half];
                let sums = &mut map.values[row * map.cells..(row + 1) * map.cells];
                for (sum, value) in sums.iter_mut().zip(values).filter(|(_, v)| !v.is_nan()) {
                    *sum += weight * value.clamp(0.0, 12.0);
                }
            }
        }
        let deviation = map.deviation().max(1e-6);
        map.values.iter_mut().for_each(|v| *v /= deviation);
        let (cells, _) = best_path(&map, INERTIA);
        let logs: Vec<f64> = cells
            .iter()
            .zip(&self.ln_mean_hz)
            .map(|(&cell, ln)| ln + (cell as f64 - half as f64) * CELL)
            .collect();
        Path::through(&self.times, &smooth(&logs, 5))
    }
}

/// The path improved by the lines that follow it, and the order of the strongest of them.
pub(super) fn steer(
    signal: &Signal,
    path: &Path,
    window_s: f64,
    reach: f64,
) -> Option<(Path, f64)> {
    let map = OrderMap::along(signal, path, window_s)?;
    let mut lines = map.lines();
    let strongest = lines.first()?.place;
    if !lines.iter().any(|l| (l.place - 1.0).abs() < 0.02) {
        lines.insert(0, Line { place: 1.0, excess: 1.0 });
    }
    Some((map.steer(&lines, reach), strongest))
}
