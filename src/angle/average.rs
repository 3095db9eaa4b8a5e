//! Synchronous average: what repeats each turn, and what does not.

use serde::{Deserialize, Serialize};

use super::resample::AngleSignal;

/// The mean turn.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SynchronousAverage {
    /// Mean of the channel at each step of angle, over all turns.
    pub values: Vec<f32>,
    /// Turns averaged.
    pub turns: usize,
    /// Rms of the mean turn about its own mean.
    pub locked_rms: f64,
    /// Rms of what is left when the mean turn is taken away.
    pub residual_rms: f64,
}

/// Averages all whole turns of `signal` (S. Braun, Acustica 32 (1975) 69-77: from memory).
///
/// Noise that is not locked to the shaft falls as the square root of the number of turns.
pub fn synchronous_average(signal: &AngleSignal) -> SynchronousAverage {
    let n = signal.samples_per_turn;
    let turns = signal.turns();
    let mut sums = vec![0.0_f64; n];
    for turn in signal.values.chunks_exact(n) {
        for (sum, &x) in sums.iter_mut().zip(turn) {
            *sum += f64::from(x);
        }
    }
    let mean: Vec<f64> = sums.iter().map(|sum| sum / turns.max(1) as f64).collect();
    let centre = mean.iter().sum::<f64>() / n as f64;
    let locked = mean.iter().map(|m| (m - centre).powi(2)).sum::<f64>() / n as f64;
    let mut left = 0.0;
    for turn in signal.values.chunks_exact(n) {
        left += turn.iter().zip(&mean).map(|(&x, m)| (f64::from(x) - m).powi(2)).sum::<f64>();
    }
    SynchronousAverage {
        values: mean.iter().map(|&m| m as f32).collect(),
        turns,
        locked_rms: locked.sqrt(),
        residual_rms: (left / (turns * n).max(1) as f64).sqrt(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::TAU;

    #[test]
    fn keeps_what_is_locked_and_reports_the_rest() {
        let n = 16;
        let value = |i: usize| {
            let turns = i as f64 / n as f64;
            (TAU * turns).cos() + 0.5 * (TAU * 0.3 * turns).sin()
        };
        let signal = AngleSignal {
            samples_per_turn: n,
            first_turn: 0.0,
            values: (0..1000 * n).map(|i| value(i) as f32).collect(),
            turn_times_s: (0..=1000).map(f64::from).collect(),
            source_rate_hz: 100.0,
        };
        let average = synchronous_average(&signal);
        assert_eq!(average.turns, 1000);
        assert!((average.locked_rms - 0.5_f64.sqrt()).abs() < 1e-3);
        assert!((average.residual_rms - 0.125_f64.sqrt()).abs() < 1e-3);
        assert!((average.values[0] - 1.0).abs() < 1e-3);
    }
}
