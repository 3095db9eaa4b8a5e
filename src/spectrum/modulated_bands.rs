//! Which band carries a wanted rhythm: bands ranked by the lines of their envelope's spectrum at given orders.
//!
//! Kurtosis finds what is impulsive, be it one knock or sparks of a drive. Here a band counts by how unlikely
//! noise is to show lines as high at the orders asked for, over the floor of its own envelope spectrum. A line
//! of noise averaged L times over its mean has a gamma distribution of shape L; the highest of n cells exceeds
//! a height with `1 - (1 - p)^n`; orders are put together by Fisher's sum of `-ln p`, a gamma distribution
//! again (R. A. Fisher, Statistical Methods for Research Workers, 1932; from memory), and bands are paid for
//! like cells.
//!
//! The chance is that of noise. A real machine has lines of other parts and other bearings too, and any of them
//! may lie within the tolerance: the choice tells where to listen, and is no verdict on a part.
//!
//! What is transformed is not the squared envelope but the logarithm of one and it over its median: in that a
//! knock a hundred times the noise counts for little more than one of ten, and single ones cannot raise the
//! floor (after P. Borghesani and J. Antoni, Mech. Syst. Signal Process. 90 (2017) 378-398, on logarithmic
//! envelopes; from memory).

use serde::{Deserialize, Serialize};

use super::bands::tree_bands;
use super::check_rate;
use super::envelope::{Envelope, squared_envelopes};
use super::envelope_floor::over_floor;
use super::envelope_order::{OrderEnvelope, OrderEnvelopeConfig, envelope_order_spectrum};
use crate::angle::map::JUDGED_SHARE_OF_RATE;
use crate::dsp::gamma::{ln_upper_tail, median_of_mean, upper_tail};
use crate::dsp::stats;
use crate::error::{Error, Result};
use crate::speed::Speed;

/// Least width of a band over the highest line looked for, so that its envelope can rise and fall with it.
const LEAST_WIDTH: f64 = 3.0;
/// Orders kept beyond the highest looked for, under which its floor lies.
const MARGIN_ORDERS: f64 = 1.0;
/// Half width of a line under a Hann window in cells of resolution.
const LINE_CELLS: f64 = 1.5;
/// Spread of a shaft harmonic with its order, from wander and error of the speed.
const SHAFT_WANDER: f64 = 0.0005;
/// Cells from order 0 on in which the drift of the level stands.
const DRIFT_CELLS: f64 = 4.0;
/// Values of an envelope at most from which its median is taken.
const MEDIAN_OF: usize = 1 << 15;
/// Share of the cells whose height tells how often noise was averaged.
const UPPER_SHARE: f64 = 0.16;

/// What is looked for, and where.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ModulationSearch {
    /// Orders of the lines looked for, one to thirty: those of a bearing's part and its harmonics, say. What lies
    /// on whole orders is the shaft's and is passed over.
    pub orders: Vec<f64>,
    /// How far a line may lie off its order, relative to it, 0 to 0.1; for bearings 0.015.
    pub tolerance: f64,
    /// Lower end of the tree of bands in Hz.
    #[serde(default)]
    pub low_hz: f64,
    /// Upper end of the tree in Hz; default 0.42 of the rate.
    #[serde(default)]
    pub high_hz: Option<f64>,
    /// Bands are at least this wide, in Hz; default three times the highest line at the highest speed, and at least
    /// 1/32 of the tree.
    #[serde(default)]
    pub least_width_hz: Option<f64>,
}

impl ModulationSearch {
    /// A search for lines at `orders` over all frequencies, with the tolerance for bearings.
    pub fn at(orders: impl Into<Vec<f64>>) -> Self {
        let orders = orders.into();
        Self { orders, tolerance: 0.015, low_hz: 0.0, high_hz: None, least_width_hz: None }
    }

    fn check(&self, rate_hz: f64) -> Result<()> {
        let wrong = |order: &f64| !(*order > 0.0 && *order <= 1000.0);
        if self.orders.is_empty() || self.orders.len() > 30 || self.orders.iter().any(wrong) {
            return Err(Error::setting(
                "orders",
                format!("{:?} cannot be looked for", self.orders),
                "give one to thirty, above 0 and up to 1000",
            ));
        }
        if !(0.0..=0.1).contains(&self.tolerance) {
            let problem = format!("{} is out of range", self.tolerance);
            return Err(Error::setting("tolerance", problem, "choose 0 to 0.1"));
        }
        let (low_hz, high_hz) = (self.low_hz, self.high_hz(rate_hz));
        if !(low_hz >= 0.0 && low_hz < high_hz) {
            let problem = format!("{low_hz} Hz is not below the upper end, {high_hz} Hz");
            return Err(Error::setting("low_hz", problem, "choose 0 or more, below high_hz"));
        }
        let nyquist_hz = 0.5 * rate_hz;
        if high_hz > nyquist_hz * (1.0 + 1e-9) {
            let problem = format!("{high_hz} Hz is above half the sampling rate");
            return Err(Error::setting("high_hz", problem, format!("choose at most {nyquist_hz}")));
        }
        if self.least_width_hz.is_some_and(|width| !(width > 0.0 && width <= high_hz - low_hz)) {
            let problem = format!("bands cannot be {} Hz wide", self.least_width_hz.unwrap_or(0.0));
            let hint = format!("choose above 0 and at most {}", high_hz - low_hz);
            return Err(Error::setting("least_width_hz", problem, hint));
        }
        Ok(())
    }

    fn high_hz(&self, rate_hz: f64) -> f64 {
        self.high_hz.unwrap_or(JUDGED_SHARE_OF_RATE * rate_hz)
    }

    /// The bands that are looked at where the shaft turns at most `top_hz` times a second.
    fn tree(&self, rate_hz: f64, top_hz: f64) -> Result<Vec<[f64; 2]>> {
        let high_hz = self.high_hz(rate_hz);
        let highest_hz = self.highest_order() * top_hz;
        let usual_hz = (LEAST_WIDTH * highest_hz).max((high_hz - self.low_hz) / 32.0);
        let tree = tree_bands(self.low_hz, high_hz, self.least_width_hz.unwrap_or(usual_hz));
        if tree.is_empty() {
            let span_hz = high_hz - self.low_hz;
            return Err(Error::setting(
                "orders",
                format!(
                    "lines up to {highest_hz:.0} Hz need a band of {usual_hz:.0} Hz, and there are {span_hz:.0} Hz"
                ),
                "look for lower orders, take a slower part of the run, or record at a higher rate",
            ));
        }
        Ok(tree)
    }

    fn highest_order(&self) -> f64 {
        self.orders.iter().copied().fold(0.0, f64::max) * (1.0 + self.tolerance)
    }
}

/// The highest line about one of the orders looked for.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct WantedLine {
    /// The order looked for.
    pub wanted_order: f64,
    /// Where the highest line within the tolerance stands.
    pub order: f64,
    /// Its power over the floor; noise has the mean 1.
    pub over_floor: f64,
    /// Natural logarithm of the probability that noise reaches that somewhere within the tolerance.
    pub ln_chance: f64,
}

/// What one band shows of the lines.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct BandModulation {
    /// The band in Hz.
    pub band_hz: [f64; 2],
    /// The lines that could be looked for in it: not those that are the shaft's or faster than the band carries.
    pub lines: Vec<WantedLine>,
    /// Natural logarithm of the probability that noise shows lines as clear in this one band.
    pub ln_chance: f64,
}

/// Bands, the one that shows the lines most clearly first.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct BandsByModulation {
    /// The bands.
    pub bands: Vec<BandModulation>,
    /// How many were looked at.
    pub looked_at: usize,
}

impl BandsByModulation {
    /// Probability that noise shows lines as clear as the first band's in any of the bands; 1 for no band. Bands of
    /// the tree overlap, so it is an upper bound.
    pub fn chance(&self) -> f64 {
        self.bands
            .first()
            .map_or(1.0, |band| ln_of_any(band.ln_chance, self.looked_at as f64).exp())
    }

    /// The first band, where noise would show one like it with a probability of at most `chance`.
    pub fn chosen(&self, chance: f64) -> Option<&BandModulation> {
        self.bands.first().filter(|_| self.chance() <= chance)
    }
}

/// Ranks the bands of the 1/3-binary tree by lines at wanted orders.
///
/// `start_s` is the recording's time of the first sample. Envelopes are taken at equal shaft angle, in blocks of
/// 256 turns.
///
/// # Errors
/// [`Error::Setting`] where the rate or the search is out of range or no band is wide enough for the lines;
/// [`Error::TooLittle`] where samples and speed share fewer than eight turns.
pub fn bands_by_modulation(
    samples: &[f32],
    rate_hz: f64,
    speed: &Speed,
    start_s: f64,
    search: &ModulationSearch,
) -> Result<BandsByModulation> {
    check_rate(rate_hz)?;
    search.check(rate_hz)?;
    let tree = search.tree(rate_hz, speed.range_rpm().1 / 60.0)?;
    let mut bands = Vec::with_capacity(tree.len());
    // the bands of one level, all as wide, together: memory for one level, transforms shared
    for level in tree.chunk_by(|a, b| a[0] < b[0]) {
        for envelope in squared_envelopes(samples, rate_hz, level)? {
            bands.push(examined(&envelope, speed, start_s, search)?);
        }
    }
    bands.sort_by(|a, b| a.ln_chance.total_cmp(&b.ln_chance));
    Ok(BandsByModulation { looked_at: bands.len(), bands })
}

fn examined(
    envelope: &Envelope,
    speed: &Speed,
    start_s: f64,
    search: &ModulationSearch,
) -> Result<BandModulation> {
    let config = OrderEnvelopeConfig {
        max_order: search.highest_order() + MARGIN_ORDERS,
        relative: false,
        ..OrderEnvelopeConfig::default()
    };
    let spectrum = envelope_order_spectrum(&compressed(envelope), speed, start_s, &config)?;
    let heights = Heights::of(&spectrum);
    let lines: Vec<WantedLine> =
        search.orders.iter().filter_map(|&o| heights.highest_near(o, search.tolerance)).collect();
    // Fisher: the sum of n logarithms of probabilities is distributed as gamma of shape n
    let sum: f64 = lines.iter().map(|line| -line.ln_chance).sum();
    let ln_chance = if lines.is_empty() { 0.0 } else { ln_upper_tail(lines.len() as f64, sum) };
    Ok(BandModulation { band_hz: envelope.band_hz, lines, ln_chance })
}

/// The logarithm of one and the squared envelope over its median.
fn compressed(envelope: &Envelope) -> Envelope {
    let stride = envelope.values.len().div_ceil(MEDIAN_OF).max(1);
    let mut some: Vec<f64> = envelope.values.iter().step_by(stride).map(|&x| x.into()).collect();
    let median = stats::median_of(&mut some).max(f64::from(f32::MIN_POSITIVE)) as f32;
    let values = envelope.values.iter().map(|x| (x / median).ln_1p()).collect();
    Envelope { values, ..*envelope }
}

/// Heights of a spectrum's cells over its floor.
struct Heights<'a> {
    spectrum: &'a OrderEnvelope,
    over_floor: Vec<f32>,
    /// Averages that scatter as the cells do.
    looks: f64,
    cell: f64,
}

impl<'a> Heights<'a> {
    fn of(spectrum: &'a OrderEnvelope) -> Self {
        let (mut over_floor, _) = over_floor(spectrum);
        let cell = 1.0 / spectrum.turns_per_block as f64;
        let looks = own_looks(&over_floor, spectrum.effective_averages);
        // the floor was scaled from median to mean by the averages made; these are those that count
        let scale = median_of_mean(looks) / median_of_mean(spectrum.effective_averages);
        over_floor.iter_mut().for_each(|x| *x *= scale as f32);
        Self { spectrum, over_floor, looks, cell }
    }

    fn is_shaft(&self, order: f64) -> bool {
        let off = (order - order.round()).abs();
        off <= LINE_CELLS * self.cell + SHAFT_WANDER * order
    }

    /// The highest cell about an order; `None` where all are the shaft's, or beyond what the band carries.
    fn highest_near(&self, wanted: f64, tolerance: f64) -> Option<WantedLine> {
        let step = self.spectrum.order_step;
        let reach = (tolerance * wanted).max(self.cell);
        let from = (wanted - reach).max(DRIFT_CELLS * self.cell);
        let to = (wanted + reach).min(self.spectrum.valid_to_order);
        let first = (from / step).ceil() as usize;
        let cells = (first..self.over_floor.len()).take_while(|&k| k as f64 * step <= to);
        let free = cells.filter(|&k| !self.is_shaft(k as f64 * step));
        let (mut count, mut best) = (0.0, None);
        for index in free {
            count += 1.0;
            let height = self.over_floor[index];
            if best.is_none_or(|(_, top)| height > top) {
                best = Some((index, height));
            }
        }
        let (index, height) = best?;
        let over_floor = f64::from(height);
        let ln_chance = ln_of_any(ln_upper_tail(self.looks, self.looks * over_floor), count);
        Some(WantedLine { wanted_order: wanted, order: index as f64 * step, over_floor, ln_chance })
    }
}

/// Averages of exponential powers that scatter as cells do: those made, or fewer where blocks are unlike and one
/// of them rules the sum. Read off the height that [`UPPER_SHARE`] of the cells exceed, over the median.
fn own_looks(over_floor: &[f32], made: f64) -> f64 {
    let mut cells: Vec<f64> = over_floor.iter().map(|&x| x.into()).collect();
    let median = stats::median_of(&mut cells);
    let upper = stats::quantile_of(&mut cells, 1.0 - UPPER_SHARE) / median.max(f64::MIN_POSITIVE);
    let exceeded = |looks: f64| upper_tail(looks, looks * median_of_mean(looks) * upper);
    // more averages leave less of noise above a height over the median
    let (mut low, mut high) = (0.5, made.max(0.5));
    if exceeded(high) >= UPPER_SHARE {
        return high;
    }
    for _ in 0..20 {
        let middle = 0.5 * (low + high);
        if exceeded(middle) > UPPER_SHARE { low = middle } else { high = middle }
    }
    0.5 * (low + high)
}

/// Logarithm of the probability that any of `count` independent events of probability `e^ln_chance` occurs.
fn ln_of_any(ln_chance: f64, count: f64) -> f64 {
    // below, the sum of the probabilities is as good as exact
    if ln_chance < -30.0 {
        return ln_chance + count.ln();
    }
    (-(count * (-ln_chance.exp()).ln_1p()).exp_m1()).ln()
}

#[cfg(test)]
mod tests;
