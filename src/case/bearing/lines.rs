//! How much a line at a given order of an envelope's spectrum says.
//!
//! Every order gets an e-value: a number whose mean over noise is at most one, so that it can be
//! multiplied and averaged and still bounds the rate of false alarms (V. Vovk and R. Wang, Annals of
//! Statistics 49 (2021) 1736-1754, from memory).

use std::cell::RefCell;

use crate::dsp::gamma::{median_of_mean, upper_tail};
use crate::dsp::stats;
use crate::spectrum::envelope_order::OrderEnvelope;

pub(super) use crate::spectrum::envelope_floor::over_floor;

/// Half width of a line under a Hann window in cells of resolution (to the half-power point and a bin
/// of error on either side).
const LINE_CELLS: f64 = 1.5;
/// Spread of a shaft harmonic with its order, from speed wander and the error of the speed.
const SHAFT_WANDER: f64 = 0.0005;
/// Lowest order from which cells are ranked: below stand drift and the window's main lobe at zero.
const LEAST_RANKED_ORDER: f64 = 0.3;
/// Whole orders on either side over which cells equally far from a whole order are compared.
const LATTICE_REACH: usize = 5;
/// Share of the cells that a power law is fitted to.
const TAIL_SHARE: f64 = 0.05;
/// Fewest cells that make a law: its exponent then scatters by a quarter.
const LEAST_TAIL: usize = 16;
/// Exponent of the calibrator p -> k p^(k-1): small values reward small p most; 0.2 costs a fifth at
/// p = 1 and gives 10 at p = 0.0075.
const CALIBRATOR: f64 = 0.2;
/// Power over the floor (90 dB) that no line of an envelope's spectrum reaches.
const HIGHEST_RATIO: f32 = 1e9;

/// Power over the noise floor in an envelope's spectrum.
pub(super) struct LineSpectrum {
    /// Distance of the values in orders.
    step: f64,
    /// Power over the local floor; mean 1 in noise.
    ratio: Vec<f32>,
    /// What noise shows in the mean under every order: the local floor, and that of the shaft's lattice.
    floor: Vec<f32>,
    /// Squared amplitude of a line above the floor, relative to the envelope's mean squared.
    above: Vec<f32>,
    looks: f64,
    /// Width of a cell of resolution in orders.
    cell: f64,
}

impl LineSpectrum {
    /// From a spectrum in orders of the stated speed, the true speed being `factor` times that.
    pub fn new(spectrum: &OrderEnvelope, factor: f64) -> Self {
        let (mut ratio, mut floor) = over_floor(spectrum);
        let above = spectrum.values.iter().zip(&floor).map(|(v, f)| (v - f).max(0.0)).collect();
        let step = spectrum.order_step / factor;
        let kept = (spectrum.valid_to_order / factor / step) as usize + 1;
        ratio.truncate(kept);
        floor.truncate(kept);
        let looks = spectrum.effective_averages;
        let cell = 1.0 / (spectrum.turns_per_block as f64 * factor);
        let mut lines = Self { step, ratio, floor, above, looks, cell };
        lines.divide_by_lattice();
        lines
    }

    /// Divides by the floor of the shaft's own lattice: the median power at all orders nearby that lie
    /// equally far from a whole order.
    ///
    /// Skirts of shaft harmonics share that distance, and so do all lines a f + b 1x of another source.
    /// As the inner order is a whole number less the outer one, an outer-race fault modulated by the
    /// shaft puts lines on every inner place: only what stands above its own lattice counts.
    fn divide_by_lattice(&mut self) {
        let top = ((self.ratio.len().max(1) - 1) as f64 * self.step) as usize;
        let places = (0.5 / self.step) as usize + 2;
        let median = median_of_mean(self.looks);
        let floors: Vec<Vec<f32>> = (0..=top)
            .map(|whole| (0..places).map(|d| self.lattice_floor(whole, d, top, median)).collect())
            .collect();
        for index in 0..self.ratio.len() {
            let order = index as f64 * self.step;
            let whole = (order.round() as usize).min(top);
            let distance = ((order - order.round()).abs() / self.step).round() as usize;
            let lattice = floors[whole][distance.min(places - 1)];
            self.ratio[index] /= lattice;
            self.floor[index] *= lattice;
        }
    }

    fn lattice_floor(&self, whole: usize, distance: usize, top: usize, median: f64) -> f32 {
        // near either end of the axis the reach is moved inside
        let first = whole.saturating_sub(LATTICE_REACH).max(1);
        let first = first.min(top.saturating_sub(1 + 2 * LATTICE_REACH).max(1));
        let last = (first + 2 * LATTICE_REACH).min(top.saturating_sub(1));
        let mut values = [0.0_f64; 2 * (2 * LATTICE_REACH + 1)];
        let mut count = 0;
        for k in first..=last {
            for side in [-1.0, 1.0] {
                let place = (k as f64 / self.step + side * distance as f64).round().max(0.0);
                let index = (place as usize).min(self.ratio.len() - 1);
                values[count] = f64::from(self.ratio[index]);
                count += 1;
            }
        }
        (stats::median_of(&mut values[..count]) / median).max(1.0) as f32
    }

    fn index_of(&self, order: f64) -> Option<usize> {
        let index = (order / self.step).round();
        (index > 0.0 && index < self.ratio.len() as f64).then_some(index as usize)
    }

    /// Whether an order cannot be told from a harmonic of the shaft, or from the mean.
    fn is_shaft(&self, index: usize) -> bool {
        let order = index as f64 * self.step;
        order < LINE_CELLS * self.cell
            || (order - order.round()).abs() < LINE_CELLS * self.cell + SHAFT_WANDER * order
    }
}

/// The power law of the highest cells of a record: P(ratio > x) = [`TAIL_SHARE`] (x / from)^-exponent.
struct Tail {
    from: f32,
    exponent: f64,
}

impl Tail {
    /// Hill's estimator over the highest cells (B. M. Hill, Annals of Statistics 3 (1975) 1163-1174, from
    /// memory). The lines sought are among them and make the tail look heavier: that errs to the safe
    /// side.
    fn of(ranked: &[f32]) -> Self {
        let count = (TAIL_SHARE * ranked.len() as f64) as usize;
        let Some((_, above)) = ranked.split_at_checked(ranked.len().saturating_sub(count)) else {
            return Self::none();
        };
        let Some((&from, above)) = above.split_first().filter(|(from, _)| **from > 0.0) else {
            return Self::none();
        };
        let mean: f64 = above.iter().map(|&x| f64::from(x / from).ln()).sum::<f64>()
            / above.len().max(1) as f64;
        if above.len() < LEAST_TAIL || mean <= 0.0 {
            return Self::none();
        }
        Self { from, exponent: mean.recip() }
    }

    /// Too few cells for a law: ranks alone count.
    fn none() -> Self {
        Self { from: f32::INFINITY, exponent: 1.0 }
    }
}

/// E-values of a spectrum's lines, each computed once.
pub(super) struct LineGains {
    lines: LineSpectrum,
    /// Ratios of independent cells away from the shaft, rising.
    ranked: Vec<f32>,
    tail: Tail,
    gains: RefCell<Vec<f32>>,
}

impl LineGains {
    pub fn new(lines: LineSpectrum) -> Self {
        let stride = ((LINE_CELLS * lines.cell / lines.step) as usize).max(1);
        let from = (LEAST_RANKED_ORDER / lines.step) as usize;
        let free = (from..lines.ratio.len()).filter(|&i| !lines.is_shaft(i));
        let mut ranked: Vec<f32> = free.step_by(stride).map(|i| lines.ratio[i]).collect();
        ranked.sort_by(f32::total_cmp);
        let gains = RefCell::new(vec![f32::NAN; lines.ratio.len()]);
        let tail = Tail::of(&ranked);
        Self { lines, ranked, tail, gains }
    }

    /// The e-value of a line at an order; 1 (says nothing) beyond the axis and on harmonics of the shaft.
    pub fn at(&self, order: f64) -> f64 {
        let Some(index) = self.lines.index_of(order) else { return 1.0 };
        let known = self.gains.borrow()[index];
        if !known.is_nan() {
            return f64::from(known);
        }
        let gain = self.gain(index);
        self.gains.borrow_mut()[index] = gain as f32;
        gain
    }

    /// Squared depth of modulation of a line at an order.
    pub fn squared_depth(&self, order: f64) -> f64 {
        self.lines.index_of(order).map_or(0.0, |index| f64::from(self.lines.above[index]))
    }

    /// The share of the record's own cells that reach a ratio: its rank, or the power law fitted to the
    /// highest cells where that says less, as a rank alone could not tell the highest of all, ten times
    /// over the floor, from one a thousand times over it.
    fn own_tail(&self, ratio: f32) -> f64 {
        let below = self.ranked.partition_point(|&r| r < ratio);
        let rank = (self.ranked.len() - below + 1) as f64 / (self.ranked.len() + 1) as f64;
        if ratio > self.tail.from {
            let law = TAIL_SHARE * f64::from(ratio / self.tail.from).powf(-self.tail.exponent);
            return rank.min(law);
        }
        rank
    }

    /// The larger of two p-values: the tail of noise averaged as often, and the tail of the record's
    /// own cells. A record full of foreign lines thereby prices them out by itself.
    fn chance(&self, ratio: f32) -> f64 {
        let tail = upper_tail(self.lines.looks, self.lines.looks * f64::from(ratio));
        tail.max(self.own_tail(ratio))
    }

    fn gain(&self, index: usize) -> f64 {
        if self.lines.is_shaft(index) {
            return 1.0;
        }
        CALIBRATOR * self.chance(self.lines.ratio[index]).powf(CALIBRATOR - 1.0)
    }

    /// Distance of the values in orders of the true speed.
    pub fn step(&self) -> f64 {
        self.lines.step
    }

    /// The floor that lines are held against, from order 0 on as far as they are; not a number where an
    /// order cannot be told from a harmonic of the shaft, so that nothing is judged.
    pub fn floor(&self) -> Vec<f32> {
        let lines = &self.lines;
        let judged = |(i, &floor): (usize, &f32)| if lines.is_shaft(i) { f32::NAN } else { floor };
        lines.floor.iter().enumerate().map(judged).collect()
    }

    /// Power over the floor from which a line has at least an e-value; `None` where no line of this record
    /// can have it.
    pub fn ratio_of(&self, e_value: f64) -> Option<f64> {
        let chance = chance_of(e_value);
        let (mut low, mut high) = (0.0_f32, HIGHEST_RATIO);
        if self.chance(high) > chance {
            return None;
        }
        // as often as a float of single precision can be halved
        for _ in 0..60 {
            let middle = 0.5 * (low + high);
            if self.chance(middle) > chance { low = middle } else { high = middle }
        }
        Some(f64::from(high))
    }
}

/// The probability that noise, or a line of the record that has nothing to do with the bearing, reaches an
/// e-value.
pub(super) fn chance_of(e_value: f64) -> f64 {
    (e_value / CALIBRATOR).powf((CALIBRATOR - 1.0).recip())
}
