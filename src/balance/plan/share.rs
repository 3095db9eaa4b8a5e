//! How much of an unbalance to take away at once, where too much costs more than too little.

use crate::balance::estimate::Spread;

/// Cost of a rotor that is not within because too little is gone: the same hole is deepened.
const TOO_LITTLE: f64 = 1.0;
/// Cost where too much is gone: metal must go on the other side too (common practice, no source).
const TOO_MUCH: f64 = 2.0;
/// The share nearest to the whole is taken whose cost lies so close to the least.
const SLACK: f64 = 0.005;
/// The least share, and the shares that are tried above it.
const LEAST: f64 = 0.75;
const SHARES: usize = 100;
/// Cells along the unbalance and across it at one side, over four deviations.
const ALONG: usize = 96;
const ACROSS: usize = 40;
const REACH: f64 = 4.0;

/// An unbalance that is to go.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Cut {
    /// Its size in g mm.
    pub size_g_mm: f64,
    /// Standard deviation of both its parts.
    pub deviation_g_mm: f64,
    /// How exactly metal is taken away.
    pub spread: Spread,
    /// Permissible unbalance.
    pub limit_g_mm: f64,
}

impl Cut {
    /// The share of it to take away: the whole where that is within anyway.
    pub fn share(&self) -> f64 {
        let costs: Vec<(f64, f64)> = (0..=SHARES)
            .map(|i| {
                let share = 1.0 - (1.0 - LEAST) * i as f64 / SHARES as f64;
                (share, self.cost(share))
            })
            .collect();
        let least = costs.iter().map(|c| c.1).fold(f64::INFINITY, f64::min);
        costs.iter().find(|c| c.1 <= least + SLACK).map_or(1.0, |c| c.0)
    }

    /// Mean cost of taking a share of it away: [`TOO_LITTLE`] or [`TOO_MUCH`] where the rotor is then not
    /// within, and what the whole cut of the rest would cost after that.
    ///
    /// Along the unbalance the rest is normal about `(1 - s) U` with the deviations of the estimate and of the
    /// size of the cut, across it about nought with those of the estimate and of the angle; summed over the
    /// plane in small cells.
    pub fn cost(&self, share: f64) -> f64 {
        let cut = share * self.size_g_mm;
        let along = self.deviation_g_mm.hypot(cut * self.spread.share);
        let across = self.deviation_g_mm.hypot(cut * self.spread.angle_rad);
        let rest = self.size_g_mm - cut;
        let (mut sum, mut weights) = (0.0, 0.0);
        for i in 0..ALONG {
            let u = REACH * (2.0 * (i as f64 + 0.5) / ALONG as f64 - 1.0);
            let x = rest + along * u;
            let cost = if x > 0.0 { TOO_LITTLE } else { TOO_MUCH };
            for k in 0..ACROSS {
                let v = REACH * (k as f64 + 0.5) / ACROSS as f64;
                let size = x.hypot(across * v);
                let weight = (-0.5 * (u * u + v * v)).exp();
                weights += weight;
                if size > self.limit_g_mm {
                    sum += weight * (cost + self.after(size));
                }
            }
        }
        sum / weights
    }

    /// Mean cost of the whole cut of what is left, with its error taken as equal in all directions: beyond the
    /// limit with `exp(-L² / 2 s²)` (the distribution of Lord Rayleigh), on either side alike.
    fn after(&self, size: f64) -> f64 {
        let spread = (0.5 * (self.spread.share.powi(2) + self.spread.angle_rad.powi(2))).sqrt();
        let deviation = self.deviation_g_mm.hypot(size * spread).max(f64::MIN_POSITIVE);
        let beyond = (-0.5 * (self.limit_g_mm / deviation).powi(2)).exp();
        0.5 * (TOO_LITTLE + TOO_MUCH) * beyond
    }
}

#[cfg(test)]
mod tests {
    use rand::SeedableRng;
    use rand_chacha::ChaCha8Rng;
    use rand_distr::{Distribution, StandardNormal};

    use super::*;
    use crate::dsp::fft::Complex64;

    fn cut(size_g_mm: f64, deviation_g_mm: f64) -> Cut {
        let spread = Spread { share: 0.05, angle_rad: 0.035 };
        Cut { size_g_mm, deviation_g_mm, spread, limit_g_mm: 1.0 }
    }

    /// The same cost by drawing unbalances and holes.
    fn drawn(cut: &Cut, share: f64) -> f64 {
        let mut rng = ChaCha8Rng::seed_from_u64(7);
        let mut draw = || -> f64 { StandardNormal.sample(&mut rng) };
        let draws = 100_000;
        let mut sum = 0.0;
        for _ in 0..draws {
            let off = Complex64::new(draw(), draw()) * cut.deviation_g_mm;
            let gone = share * cut.size_g_mm * (1.0 + cut.spread.share * draw());
            let hole = Complex64::from_polar(gone, cut.spread.angle_rad * draw());
            let left = Complex64::new(cut.size_g_mm, 0.0) + off - hole;
            if left.norm() > cut.limit_g_mm {
                sum += if left.re > 0.0 { TOO_LITTLE } else { TOO_MUCH } + cut.after(left.norm());
            }
        }
        sum / f64::from(draws)
    }

    #[test]
    fn costs_agree_with_draws() {
        for (size, deviation) in [(5.0, 0.1), (15.0, 0.3), (30.0, 0.2), (40.0, 0.6), (2.0, 0.5)] {
            let cut = cut(size, deviation);
            for share in [1.0, 0.97, 0.9, 0.7] {
                let (summed, drawn) = (cut.cost(share), drawn(&cut, share));
                assert!((summed - drawn).abs() < 0.02, "{cut:?} {share}: {summed}, not {drawn}");
            }
        }
    }

    #[test]
    fn the_share_costs_no_more_than_any_other_in_the_draws() {
        for (size, deviation) in [(15.0, 0.3), (30.0, 0.2), (40.0, 0.1)] {
            let cut = cut(size, deviation);
            let chosen = drawn(&cut, cut.share());
            for share in [1.0, 0.98, 0.95, 0.92, 0.88, 0.8] {
                assert!(chosen < drawn(&cut, share) + 0.02, "{cut:?}, {share} costs less");
            }
        }
    }

    #[test]
    fn the_whole_goes_where_that_is_within_and_less_where_drilling_misses() {
        assert_eq!(cut(3.0, 0.05).share(), 1.0);
        assert_eq!(cut(6.0, 0.1).share(), 1.0);
        let far = cut(40.0, 0.1).share();
        assert!((0.85..0.98).contains(&far), "{far}");
        assert!(cut(20.0, 0.1).share() > far);
    }
}
