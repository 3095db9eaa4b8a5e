//! How high noise of a steady level, without any rhythm, comes out in a cyclic spectrum.
//!
//! A cell of one block is exponential, blocks average it to a gamma distribution, and so does the mean over
//! carriers. Neighbouring carriers share what a Hann window blurs; of a real signal the carriers `f` and `α - f` are
//! the same as well, and the one between them, `α / 2`, is a product of a component with itself, of twice the mean.
//! The products of Gaussian numbers that this rests on: L. Isserlis, Biometrika 12 (1918) 134-139 (from memory).
//! That the mean over carriers is a gamma distribution of its own mean and variance is a model: white noise exceeded
//! heights of one line in 100 to 10 000 0.7 to 1.1 times as often as stated in the mean of 14 blocks, and in a single
//! block 1.1 to 1.6 times.
//! Noise of a level that changes within a block comes out higher; lines that fill a carrier make it lower.

use super::CyclicSpectrum;
use crate::dsp::gamma::upper_quantile;
use crate::error::{Error, Result};

/// Bins from its place beyond which a squared Hann window's own transform counts for nothing.
const BLUR: i64 = 3;
/// Places for each carrier distance of cyclic frequency at which the reach is reckoned; between them it is a line.
const PLACES: f64 = 2.0;
/// Shapes beyond are taken as this one, whose reach is 5 % above the mean at the most and higher than their own.
const MOST_SHAPE: f64 = 1e4;

impl CyclicSpectrum {
    /// Squared coherence of one cell that noise of a steady level exceeds with a chance, from three carrier
    /// distances of cyclic frequency on.
    ///
    /// # Errors
    /// [`Error::Setting`] where the chance does not lie between 0 and 1.
    pub fn cell_of_noise(&self, chance: f64) -> Result<f64> {
        check(chance)?;
        let shape = self.effective_blocks.clamp(1.0, MOST_SHAPE);
        Ok(upper_quantile(shape, chance) / shape / self.independent)
    }

    /// What the envelope spectrum of a band ([`envelope`](Self::envelope)) must exceed: at each cyclic line the
    /// height that noise of a steady level exceeds anywhere among all lines with this chance, or a lower one, as
    /// neighbouring lines come together.
    ///
    /// # Errors
    /// As [`envelope`](Self::envelope); [`Error::Setting`] where the chance does not lie between 0 and 1.
    pub fn noise_reaches(&self, band_hz: Option<[f64; 2]>, chance: f64) -> Result<Vec<f32>> {
        check(chance)?;
        let columns = self.band_columns(band_hz)?;
        let carriers = Carriers {
            from: columns.start as i64,
            count: columns.len() as i64,
            period: 2 * (self.coherence.ncols() as i64 - 1),
        };
        let lines = self.coherence.nrows().saturating_sub(1).max(1);
        let of_one = -((-chance).ln_1p() / lines as f64).exp_m1();
        let to_carriers = self.speed_hz.unwrap_or(1.0) / self.carrier_step_hz;
        let places = (self.cyclic(lines) * to_carriers * PLACES).ceil() as usize + 1;
        let reaches: Vec<f64> = (0..=places)
            .map(|k| {
                let (mean, looks) = carriers.law(k as f64 / PLACES);
                let shape = (looks * self.effective_blocks).min(MOST_SHAPE);
                mean * upper_quantile(shape, of_one) / shape / self.independent
            })
            .collect();
        let at = |row: usize| {
            let place = self.cyclic(row) * to_carriers * PLACES;
            let index = (place as usize).min(places - 1);
            let (before, after) = (reaches[index], reaches[index + 1]);
            (before + (after - before) * (place - index as f64)) as f32
        };
        Ok((0..self.coherence.nrows()).map(at).collect())
    }
}

fn check(chance: f64) -> Result<()> {
    if chance > 0.0 && chance < 1.0 {
        return Ok(());
    }
    Err(Error::setting("chance", format!("{chance} is none"), "choose between 0 and 1"))
}

/// Neighbouring carriers that are averaged.
struct Carriers {
    /// The first.
    from: i64,
    count: i64,
    /// Bins of a window's transform, after which carriers come again.
    period: i64,
}

impl Carriers {
    /// Mean over that of a cell, and independent cells that scatter as little, at a cyclic frequency in carrier
    /// distances.
    fn law(&self, cyclic: f64) -> (f64, f64) {
        let count = self.count as f64;
        let pairs_apart = |d: i64| (count - d.abs() as f64).max(0.0);
        let mut covariance: f64 =
            (-BLUR..=BLUR).map(|d| pairs_apart(d) * alike(d as f64).powi(2)).sum();
        let mut sum_of_means = count;
        for centre in [cyclic, cyclic + self.period as f64] {
            let nearest = centre.round() as i64;
            for sum in nearest - BLUR..=nearest + BLUR {
                let mirrored = alike(sum as f64 - centre);
                covariance += self.pairs(sum) as f64 * mirrored.powi(2);
                // two carriers that are alike both ways
                let both = (-BLUR..=BLUR).filter(|d| self.is_pair(sum, *d));
                covariance += 2.0 * mirrored * both.map(|d| alike(d as f64)).sum::<f64>();
                sum_of_means += if self.is_pair(sum, 0) { mirrored } else { 0.0 };
            }
        }
        (sum_of_means / count, sum_of_means * sum_of_means / covariance)
    }

    /// Whether two carriers have this sum and this difference.
    fn is_pair(&self, sum: i64, difference: i64) -> bool {
        let held = |doubled: i64| {
            doubled % 2 == 0 && (self.from..self.from + self.count).contains(&(doubled / 2))
        };
        held(sum + difference) && held(sum - difference)
    }

    /// Pairs of carriers of this sum.
    fn pairs(&self, sum: i64) -> i64 {
        (self.count - (sum - 2 * self.from - self.count + 1).abs()).max(0)
    }
}

/// Correlation of what two carriers show of noise, by their distance in bins: the transform of a squared Hann
/// window.
fn alike(distance: f64) -> f64 {
    let sinc = |x: f64| {
        let angle = std::f64::consts::PI * x;
        if angle.abs() < 1e-9 { 1.0 } else { angle.sin() / angle }
    };
    let pair = |by: f64| sinc(distance - by) + sinc(distance + by);
    sinc(distance) + 2.0 / 3.0 * pair(1.0) + pair(2.0) / 6.0
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn carriers_blur_as_a_hann_window_does() {
        // 3/8, 1/4 and 1/16: the terms of the fourth power of a cosine
        for (distance, amplitude) in [(0.0, 1.0), (1.0, 2.0 / 3.0), (2.0, 1.0 / 6.0), (3.0, 0.0)] {
            assert!((alike(distance) - amplitude).abs() < 1e-12, "{distance}");
        }
    }

    #[test]
    fn pairs_are_counted() {
        let carriers = Carriers { from: 3, count: 4, period: 64 };
        for sum in 0..20 {
            let all = (3..7).flat_map(|a| (3..7).map(move |b| a + b));
            assert_eq!(carriers.pairs(sum), all.filter(|s| *s == sum).count() as i64);
        }
        // one carrier alone is one cell, at its own double a product with itself
        let one = Carriers { from: 10, count: 1, period: 64 };
        assert!((one.law(4.0).0 - 1.0).abs() < 1e-9 && (one.law(4.0).1 - 1.0).abs() < 1e-9);
        assert!((one.law(20.0).0 - 2.0).abs() < 1e-9 && (one.law(20.0).1 - 1.0).abs() < 1e-9);
    }
}
