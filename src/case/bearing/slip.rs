//! The slips of a cage that are searched, each with its probability beforehand.
//!
//! A cage lags its geometry by a percent or two, or leads it where a contact angle has built up. At high speed it may
//! do far more: rolling elements are pressed against the outer race, the inner one loses its grip and the set skids,
//! or the contact angle changes; cages are then met from 0.33 to 0.45 of the shaft's speed (common practice, no
//! source).

use crate::machine::Multipliers;

/// Lowest and highest slip that is searched everywhere: two percent of lag at light load, and as much lead as a
/// contact angle of 15 degrees gives a deep-groove bearing.
const USUAL: [f64; 2] = [-0.012, 0.020];
/// A cell of resolution at the highest harmonics.
const STEP: f64 = 0.000_25;
/// Mean and standard deviation of slip beforehand. Slip of 1 to 2 % is common in the literature
/// (Randall and Antoni 2011, from memory); a contact angle shifts it the other way.
const MEAN: f64 = 0.001;
const SPREAD: f64 = 0.007;
/// Orders of the cage that are searched at high speed.
const FAST_CAGE_ORDERS: [f64; 2] = [0.33, 0.45];
/// Shaft speed in Hz from which a cage may skid: 10 000 rpm (judgement, no source).
const FAST_HZ: f64 = 10_000.0 / 60.0;
/// Probability of slip beyond the usual at such speeds (judgement, no source).
const SKIDS: f64 = 0.1;

/// Slips in rising order; a slip of 0.02 is a cage 2 % slower than its geometry.
#[derive(Debug, Clone)]
pub(super) struct Slips {
    pub values: Vec<f64>,
    /// Natural logarithm of each one's probability beforehand; they add up to one.
    pub ln_prior: Vec<f64>,
}

impl Slips {
    /// For a bearing whose shaft turns `speed_hz` times a second.
    pub fn at(m: &Multipliers, speed_hz: f64) -> Self {
        let [slowest, fastest] = FAST_CAGE_ORDERS.map(|order| 1.0 - order / m.ftf);
        let skids = if speed_hz >= FAST_HZ { SKIDS } else { 0.0 };
        let [low, high] = match skids > 0.0 {
            true => [USUAL[0].min(fastest), USUAL[1].max(slowest)],
            false => USUAL,
        };
        let count = ((high - low) / STEP).round() as usize + 1;
        let values: Vec<f64> = (0..count).map(|k| low + k as f64 * STEP).collect();
        let usual: Vec<f64> = values
            .iter()
            .map(|slip| match (USUAL[0]..=USUAL[1] + 1e-9).contains(slip) {
                true => (-0.5 * ((slip - MEAN) / SPREAD).powi(2)).exp(),
                false => 0.0,
            })
            .collect();
        let total: f64 = usual.iter().sum();
        let even = skids / count as f64;
        let ln_prior = usual.iter().map(|u| ((1.0 - skids) * u / total + even).ln()).collect();
        Self { values, ln_prior }
    }

    /// How far a slip lies outside those of a cage in good order; 0 inside.
    pub fn beyond_usual(slip: f64) -> f64 {
        (USUAL[0] - slip).max(slip - USUAL[1]).max(0.0)
    }

    /// Standard deviation of the slip under weights given by their natural logarithms.
    pub fn deviation(&self, ln_weights: &[f64]) -> f64 {
        let top = ln_weights.iter().copied().fold(f64::MIN, f64::max);
        let (mut sum, mut first, mut second) = (0.0, 0.0, 0.0);
        for (slip, ln_weight) in self.values.iter().zip(ln_weights) {
            let weight = (ln_weight - top).exp();
            sum += weight;
            first += weight * slip;
            second += weight * slip * slip;
        }
        let mean = first / sum;
        // the steps themselves scatter by one over the root of twelve
        (second / sum - mean * mean + STEP * STEP / 12.0).max(0.0).sqrt()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const M: Multipliers = Multipliers { bpfo: 3.5848, bpfi: 5.4152, bsf: 2.35675, ftf: 0.39828 };

    #[test]
    fn probabilities_add_up_and_skidding_is_searched_at_high_speed_alone() {
        let slow = Slips::at(&M, 30.0);
        let fast = Slips::at(&M, 1000.0);
        for slips in [&slow, &fast] {
            let sum: f64 = slips.ln_prior.iter().map(|p| p.exp()).sum();
            assert!((sum - 1.0).abs() < 1e-12, "{sum}");
        }
        assert_eq!(slow.values.len(), 129);
        let cage = |slip: f64| M.ftf * (1.0 - slip);
        let ends = [cage(fast.values[fast.values.len() - 1]), cage(fast.values[0])];
        assert!((ends[0] - 0.33).abs() < 2e-4 && (ends[1] - 0.45).abs() < 2e-4, "{ends:?}");
        assert!((Slips::beyond_usual(0.03) - 0.01).abs() < 1e-12);
        assert!((Slips::beyond_usual(-0.02) - 0.008).abs() < 1e-12);
        assert_eq!(Slips::beyond_usual(0.02), 0.0);
    }

    /// A parabola of known curvature is the logarithm of a Gaussian of known deviation.
    #[test]
    fn the_deviation_of_a_gaussian_is_its_own() {
        let slips = Slips::at(&M, 30.0);
        let weights: Vec<f64> =
            slips.values.iter().map(|s| -0.5 * ((s - 0.0071) / 0.0005).powi(2)).collect();
        assert!((slips.deviation(&weights) / 0.0005 - 1.0).abs() < 0.02);
    }
}
