//! Which frequencies come and go with which rhythm: spectral correlation and coherence over cyclic orders (or
//! frequencies) and carriers, and the envelope spectra that are drawn from them.
//!
//! The spectral correlation `S(α, f)` is the correlation of the components at `f` and at `f - α` over time; the
//! coherence `γ² = abs(S(α, f))² / (S(0, f) S(0, f - α))` is 0 where a carrier's level is steady, and 1 where
//! it is wholly modulated. Noise modulated as `1 + m cos(α t)` has `γ = m / (1 + m² / 2)` at `α` (exact).
//!
//! The estimator is the fast one from short transforms, whose products at neighbouring carriers are brought
//! to the phase of the middle of their window and summed before one transform over time: J. Antoni, G. Xin,
//! N. Hamzaoui, Mech. Syst. Signal Process. 92 (2017) 248-277 (from memory). With a speed, windows lie at
//! equal steps of shaft angle, so the transform over them runs over orders at any speed, while carriers stay
//! in Hz (order-frequency spectral correlation: D. Abboud, S. Baudin, J. Antoni, D. Rémond, M. Eltabach,
//! O. Sauvage, Mech. Syst. Signal Process. 75 (2016) 280-300; from memory).

mod frames;
mod noise;

use ndarray::Array2;
use serde::{Deserialize, Serialize};

use super::{check_band, check_rate};
use crate::dsp::fft::{Complex32, good_length, good_length_below, inverse_complex_f32};
use crate::dsp::segments::effective_averages;
use crate::dsp::window::Window;
use crate::error::{Error, Result};
use crate::speed::Speed;
use frames::Frames;

/// Steps of the cyclic axis that the windows of one block make at least.
const LEAST_STEPS: f64 = 8.0;
/// Most values held at once, products of one block or values of the result: 256 MB.
const MOST_VALUES: f64 = 3.2e7;
/// Highest cyclic frequency over the sampling rate.
const HIGHEST_SHARE: f64 = 0.25;

/// How the correlation is estimated.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct CyclicConfig {
    /// Highest cyclic order (with a speed) or frequency in Hz; default 22.
    pub highest: f64,
    /// Wanted distance of cyclic lines in orders or Hz: blocks last one over this, or as long as there is;
    /// default 1/256.
    pub resolution: f64,
    /// Samples in a short window, 16 to 8192 (made even and 7-smooth): carriers lie the rate over this apart,
    /// and blur over two of these distances; default 256.
    pub window_len: usize,
}

impl Default for CyclicConfig {
    fn default() -> Self {
        Self { highest: 22.0, resolution: 1.0 / 256.0, window_len: 256 }
    }
}

impl CyclicConfig {
    fn check(&self) -> Result<()> {
        let refuse = |name: &str, value: f64, mend: &str| {
            Err(Error::setting(name, format!("{value} is out of range"), mend))
        };
        if !(self.highest > 0.0 && self.highest.is_finite()) {
            return refuse("highest", self.highest, "choose above 0");
        }
        if !(self.resolution > 0.0 && self.resolution * LEAST_STEPS <= self.highest) {
            return refuse(
                "resolution",
                self.resolution,
                "choose an eighth of the highest or less",
            );
        }
        if !(16..=8192).contains(&self.window_len) {
            return refuse("window_len", self.window_len as f64, "choose 16 to 8192 samples");
        }
        Ok(())
    }
}

/// What the cyclic axis counts.
#[derive(Debug, Clone, Copy)]
pub enum Rhythm<'a> {
    /// Cycles per second.
    Hz,
    /// Cycles per turn of a shaft.
    Orders {
        /// The shaft.
        speed: &'a Speed,
        /// The recording's time of the first sample in seconds.
        start_s: f64,
    },
}

/// Spectral coherence over cyclic lines and carriers.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CyclicSpectrum {
    /// Distance of the rows in orders or Hz; the first row is 0 and holds the coherence of each carrier with
    /// itself, 1.
    pub cyclic_step: f64,
    /// Whether rows are orders; else Hz.
    pub in_orders: bool,
    /// Distance of the columns in Hz; the first is 0.
    pub carrier_step_hz: f64,
    /// Squared coherence, mean over the blocks: cyclic lines x carriers. The carrier of a column is the upper of
    /// the two components, `f`.
    pub coherence: Array2<f32>,
    /// Density of each carrier, one-sided, in the samples' unit squared per Hz.
    pub density: Vec<f32>,
    /// Independent averages of one block: squared coherence of white noise without rhythm has the mean one over
    /// this, from three carrier distances of cyclic frequency on.
    pub independent: f64,
    /// Blocks averaged, half overlapped under a Hann window.
    pub blocks: usize,
    /// Independent blocks that would scatter as little.
    pub effective_blocks: f64,
    /// Turns per second, mean over what is used, where rows are orders.
    pub speed_hz: Option<f64>,
}

impl CyclicSpectrum {
    /// Cyclic order or frequency of a row.
    pub fn cyclic(&self, row: usize) -> f64 {
        row as f64 * self.cyclic_step
    }

    /// Row nearest to a cyclic order or frequency; `None` outside.
    pub fn row_of(&self, cyclic: f64) -> Option<usize> {
        let row = (cyclic / self.cyclic_step).round();
        (row >= 0.0 && row < self.coherence.nrows() as f64).then_some(row as usize)
    }

    /// Carrier of a column in Hz.
    pub fn carrier_hz(&self, column: usize) -> f64 {
        column as f64 * self.carrier_step_hz
    }

    /// Columns whose carriers lie in a band.
    fn columns(&self, band_hz: [f64; 2]) -> std::ops::Range<usize> {
        let [low, high] = band_hz.map(|hz| hz / self.carrier_step_hz);
        let end = ((high + 1e-9).floor() + 1.0).min(self.coherence.ncols() as f64) as usize;
        ((low - 1e-9).ceil().max(0.0) as usize).min(end)..end
    }

    /// Columns whose carriers lie in a band of the signal, or all; at least one.
    pub(crate) fn band_columns(&self, band_hz: Option<[f64; 2]>) -> Result<std::ops::Range<usize>> {
        let rate_hz = 2.0 * self.carrier_step_hz * (self.coherence.ncols() - 1) as f64;
        let band_hz = band_hz.unwrap_or([0.0, 0.5 * rate_hz]);
        check_band(band_hz, rate_hz)?;
        let columns = self.columns(band_hz);
        if columns.is_empty() {
            return Err(Error::setting(
                "band_hz",
                format!("{} to {} Hz holds no carrier", band_hz[0], band_hz[1]),
                format!("choose one wider than {} Hz", self.carrier_step_hz),
            ));
        }
        Ok(columns)
    }

    /// The envelope spectrum that the carriers of a band make, or all: the mean squared coherence at each cyclic
    /// line. Over all it is called the enhanced, over a chosen band the improved envelope spectrum; each carrier
    /// counts alike, however weak. (A. Mauricio, W. A. Smith, R. B. Randall, J. Antoni, K. Gryllias, Mech.
    /// Syst. Signal Process. 144 (2020) 106891, from memory.)
    ///
    /// # Errors
    /// [`Error::Setting`] where the band is none of the signal or holds no carrier.
    pub fn envelope(&self, band_hz: Option<[f64; 2]>) -> Result<Vec<f32>> {
        let columns = self.band_columns(band_hz)?;
        let count = columns.len() as f32;
        let mean = |row: ndarray::ArrayView1<f32>| {
            row.iter().skip(columns.start).take(columns.len()).sum::<f32>() / count
        };
        Ok(self.coherence.rows().into_iter().map(mean).collect())
    }
}

/// Spectral coherence of samples, by the fast estimator.
///
/// # Errors
/// [`Error::Setting`] where the rate or the configuration is out of range, the highest cyclic frequency above a
/// quarter of the rate, or the result larger than the memory should hold; [`Error::TooLittle`] where the
/// samples that the speed covers are too short for the cyclic axis.
pub fn cyclic_spectrum(
    samples: &[f32],
    rate_hz: f64,
    rhythm: Rhythm,
    config: &CyclicConfig,
) -> Result<CyclicSpectrum> {
    check_rate(rate_hz)?;
    config.check()?;
    let plan = Plan::of(samples.len(), rate_hz, rhythm, config)?;
    let mut frames = Frames::new(samples, rate_hz, rhythm, plan.window_len, config.highest);
    let mut sums = Sums::new(&plan);
    for block in 0..plan.blocks {
        let from = plan.from + (block * plan.hop) as f64 * plan.step;
        sums.add(&plan, &mut frames, from);
    }
    Ok(sums.finish(&plan, rate_hz, rhythm))
}

/// Where the windows lie, in units of the cyclic axis' own angle (turns, or seconds).
struct Plan {
    window_len: usize,
    /// Angle of the middle of the first window.
    from: f64,
    /// Angle from one window to the next.
    step: f64,
    /// Windows of a block.
    len: usize,
    /// Windows from one block to the next.
    hop: usize,
    blocks: usize,
    /// Cyclic lines kept.
    rows: usize,
    /// Carriers.
    columns: usize,
    /// Hann weights of the windows of a block, of sum 1.
    weights: Vec<f32>,
}

impl Plan {
    fn of(samples: usize, rate_hz: f64, rhythm: Rhythm, config: &CyclicConfig) -> Result<Self> {
        let window_len = good_length(config.window_len);
        let half = 0.5 * window_len as f64 / rate_hz;
        let (from, to) = rhythm.covered([half, samples as f64 / rate_hz - half]);
        let (low_hz, top_hz) = rhythm.speeds_hz(from, to);
        if config.highest * top_hz > HIGHEST_SHARE * rate_hz {
            return Err(Error::setting(
                "highest",
                format!("{} reaches {:.0} Hz", config.highest, config.highest * top_hz),
                format!("choose at most {:.3}", HIGHEST_SHARE * rate_hz / top_hz),
            ));
        }
        // products of a window's own width lie on either side of the cyclic axis: none is folded onto it
        let carrier_hz = rate_hz / window_len as f64;
        let per_angle = config.highest + frames::SKIRTS * carrier_hz / low_hz;
        let there = ((to - from) * per_angle).max(0.0) as usize;
        let wanted = (per_angle / config.resolution).ceil().min(1e12);
        let len = if (there as f64) < wanted {
            good_length_below(there)
        } else {
            good_length(wanted as usize).min(good_length_below(there))
        };
        let (step, columns) = (1.0 / per_angle, window_len / 2 + 1);
        let rows = (config.highest * len as f64 * step).floor() as usize + 1;
        if to <= from || (rows as f64) < LEAST_STEPS {
            let unit = rhythm.unit();
            let seconds = 2.0 * half;
            return Err(Error::too_little(
                "a cyclic spectrum",
                format!(
                    "{:.3} {unit} beside one window of {seconds:.4} s",
                    LEAST_STEPS / config.highest
                ),
                format!("{:.3} {unit}", (to - from).max(0.0)),
            ));
        }
        if (len.max(rows) * columns) as f64 > MOST_VALUES {
            return Err(Error::setting(
                "resolution",
                format!("{} over {columns} carriers fills the memory", config.resolution),
                "choose a coarser one, a lower highest, or leave out the slowest part",
            ));
        }
        let hop = (len / 2).max(1);
        let weights = Window::Hann.coefficients(len);
        let sum: f64 = weights.iter().sum();
        let weights = weights.iter().map(|w| (w / sum) as f32).collect();
        let blocks = (there.max(len) - len) / hop + 1;
        Ok(Self { window_len, from, step, len, hop, blocks, rows, columns, weights })
    }
}

impl Rhythm<'_> {
    fn unit(self) -> &'static str {
        if matches!(self, Self::Hz) { "seconds" } else { "turns" }
    }

    /// The angles between which a span of seconds after the first sample is covered.
    fn covered(self, [from_s, to_s]: [f64; 2]) -> (f64, f64) {
        match self {
            Self::Hz => (from_s, to_s),
            Self::Orders { speed, start_s } => {
                let at = |s: f64| speed.turns_at(s.clamp(speed.start_s(), speed.end_s()));
                (at(start_s + from_s), at(start_s + to_s))
            }
        }
    }

    /// Lowest and highest rate of the angle between two angles, per second.
    fn speeds_hz(self, from: f64, to: f64) -> (f64, f64) {
        let Self::Orders { speed, .. } = self else { return (1.0, 1.0) };
        let ends = [from, to].map(|turns| speed.hz_at(speed.time_at_turns(turns)));
        let inside = speed.knots().iter().filter(|k| k.turns > from && k.turns < to);
        let speeds = inside.map(|k| k.speed_hz).chain(ends).map(|hz| hz.max(1e-9));
        speeds.fold((f64::INFINITY, 0.0), |(low, top), hz| (low.min(hz), top.max(hz)))
    }

    /// Seconds after the first sample, and rate of the angle per second, at an angle.
    fn at(self, angle: f64) -> (f64, f64) {
        match self {
            Self::Hz => (angle, 1.0),
            Self::Orders { speed, start_s } => {
                let time_s = speed.time_at_turns(angle);
                (time_s - start_s, speed.hz_at(time_s))
            }
        }
    }
}

/// Sums over blocks.
struct Sums {
    coherence: Array2<f32>,
    density: Vec<f64>,
    /// Sum of one over the independent averages.
    variance: f64,
    /// Products of a block: carriers x windows.
    products: Vec<Complex32>,
    power: Vec<f64>,
}

impl Sums {
    fn new(plan: &Plan) -> Self {
        Self {
            coherence: Array2::zeros((plan.rows, plan.columns)),
            density: vec![0.0; plan.columns],
            variance: 0.0,
            products: vec![Complex32::default(); plan.columns * plan.len],
            power: vec![0.0; plan.columns],
        }
    }

    /// Adds the block whose first window has its middle at `from`.
    fn add(&mut self, plan: &Plan, frames: &mut Frames, from: f64) {
        self.power.fill(0.0);
        for (index, &weight) in plan.weights.iter().enumerate() {
            let hop = frames.at(from + index as f64 * plan.step, plan.step);
            for (k, (product, power)) in frames.products().enumerate() {
                self.products[k * plan.len + index] = product;
                self.power[k] += f64::from(weight) * f64::from(power);
            }
            self.variance += f64::from(weight * weight) / hop * frames.window_squares();
        }
        let scale = frames.to_spectrum();
        for k in 0..plan.columns {
            let row = &mut self.products[k * plan.len..(k + 1) * plan.len];
            correlate(row, &plan.weights);
            for (index, value) in row.iter().take(plan.rows).enumerate().skip(1) {
                let cyclic_hz = index as f64 / (plan.len as f64 * plan.step) * frames.mean_hz();
                let lower = power_at(&self.power, k as f64 - cyclic_hz / frames.carrier_hz());
                let level = self.power[k] * lower;
                if level > 0.0 {
                    let squared = f64::from(value.norm_sqr()) * scale * scale / level;
                    self.coherence[[index, k]] += squared as f32;
                }
            }
        }
        self.density.iter_mut().zip(&self.power).for_each(|(sum, power)| *sum += power);
        frames.begin_block();
    }

    fn finish(mut self, plan: &Plan, rate_hz: f64, rhythm: Rhythm) -> CyclicSpectrum {
        let blocks = plan.blocks as f64;
        self.coherence.mapv_inplace(|sum| (sum / blocks as f32).min(1.0));
        self.coherence.row_mut(0).fill(1.0);
        let squares: f64 =
            Window::Hann.coefficients(plan.window_len).iter().map(|w| w * w).sum::<f64>();
        let density = self.density.iter().enumerate().map(|(k, sum)| {
            let sides = if k == 0 || k + 1 == plan.columns { 1.0 } else { 2.0 };
            (sides * sum / (blocks * rate_hz * squares)) as f32
        });
        let angle = (plan.len + (plan.blocks - 1) * plan.hop) as f64 * plan.step;
        let seconds = rhythm.at(plan.from + angle).0 - rhythm.at(plan.from).0;
        CyclicSpectrum {
            cyclic_step: 1.0 / (plan.len as f64 * plan.step),
            in_orders: matches!(rhythm, Rhythm::Orders { .. }),
            carrier_step_hz: rate_hz / plan.window_len as f64,
            density: density.collect(),
            coherence: self.coherence,
            independent: blocks / self.variance,
            blocks: plan.blocks,
            effective_blocks: effective_averages(Window::Hann, plan.len, plan.hop, plan.blocks),
            speed_hz: matches!(rhythm, Rhythm::Orders { .. }).then(|| angle / seconds),
        }
    }
}

/// Transforms the products of a carrier over the windows of a block under their weights, less their mean, whose
/// skirts would hide the lowest rhythms. The conjugate comes out, of the same modulus.
fn correlate(products: &mut [Complex32], weights: &[f32]) {
    let mean: Complex32 = products.iter().zip(weights).map(|(z, w)| z * w).sum();
    for (z, w) in products.iter_mut().zip(weights) {
        *z = ((*z - mean) * w).conj();
    }
    inverse_complex_f32(products);
}

/// Power at a fractional carrier, on the line between its neighbours; negative ones are mirrored.
fn power_at(power: &[f64], carrier: f64) -> f64 {
    let place = carrier.abs();
    let index = (place as usize).min(power.len().saturating_sub(2));
    let share = (place - index as f64).min(1.0);
    match power.get(index..index + 2) {
        Some([a, b]) => a + (b - a) * share,
        _ => 0.0,
    }
}

#[cfg(test)]
mod tests;
