//! The rig's scatter from spin to spin, learned by repeating one spin unchanged.
//!
//! What a vector scatters within a run says nothing of how well it comes back (DESIGN 6.4): the shaft settles
//! anew in its seats, oil and temperatures differ. Few repeats tell little of it, so what is told here leans
//! to the larger side: an estimate that is as often too large as too small, raised to what the readings
//! share where one of them came back well by chance, and a bound for those who must be sure.
//!
//! Readings of the same spins are pooled only so far as to raise, never to lower: all of them feel the same
//! new seat, so that two sensors do not count for two repeats.

use super::vectors::Reading;
use crate::dsp::fft::Complex64;
use crate::dsp::gamma;
use crate::error::{Error, Result};

/// Spin-to-spin scatter of one reading.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Scatter {
    /// Standard deviation of the real and of the imaginary part from spin to spin, beyond the reading's own
    /// error, in the reading's unit. 0: the spins differ no more than the errors.
    pub deviation: f64,
    /// Degrees of freedom: twice the repeats, as a vector has two parts.
    pub freedom: usize,
    /// Mean square of the differences from the mean, for each part, errors included.
    seen: f64,
    /// Mean square of the errors.
    of_errors: f64,
}

impl Scatter {
    /// What the deviation is not above with probability `sure` (above 0, below 1), by the distribution of
    /// squares of normal numbers.
    pub fn at_most(&self, sure: f64) -> f64 {
        let bound = self.seen / quantile_of_mean(0.5 * self.freedom as f64, 1.0 - sure);
        (bound - self.of_errors).max(0.0).sqrt().max(self.deviation)
    }
}

/// Spin-to-spin scatter of each reading, from spins repeated unchanged: `spins` holds the readings of each.
///
/// # Errors
/// [`Error::TooLittle`] with fewer than two spins; [`Error::Setting`] where a spin holds other sensors or speeds
/// than the first.
pub fn spin_scatter(spins: &[Vec<Reading>]) -> Result<Vec<Scatter>> {
    let first = match spins {
        [first, _, ..] if !first.is_empty() => first,
        _ => {
            let needed = "one spin and the same again, nothing changed";
            let got = spins.iter().filter(|spin| !spin.is_empty()).count();
            return Err(Error::too_little("spin-to-spin scatter", needed, format!("{got} spins")));
        }
    };
    let same = |spin: &Vec<Reading>| {
        spin.len() == first.len()
            && spin
                .iter()
                .zip(first)
                .all(|(a, b)| (&a.sensor, &a.unit) == (&b.sensor, &b.unit) && a.rpm == b.rpm)
    };
    if let Some(odd) = spins.iter().position(|spin| !same(spin)) {
        return Err(Error::setting(
            format!("spin {}", odd + 1),
            "it has not the same sensors at the same speeds as the first",
            "repeat the spin with nothing changed",
        ));
    }
    let own: Vec<Own> = (0..first.len()).map(|r| Own::of(spins, r)).collect();
    let shared = shared_share(&own);
    Ok(own.iter().map(|reading| reading.scatter(shared)).collect())
}

/// What the spins say of one reading alone.
struct Own {
    amplitude: f64,
    stands_out: bool,
    freedom: usize,
    seen: f64,
    of_errors: f64,
}

impl Own {
    fn of(spins: &[Vec<Reading>], reading: usize) -> Self {
        let all: Vec<&Reading> = spins.iter().filter_map(|spin| spin.get(reading)).collect();
        let count = all.len() as f64;
        let mean = all.iter().map(|r| r.phasor).sum::<Complex64>() / count;
        let freedom = 2 * (all.len() - 1);
        let squares: f64 = all.iter().map(|r| (r.phasor - mean).norm_sqr()).sum();
        Self {
            amplitude: mean.norm(),
            stands_out: all.iter().all(|r| r.stands_out()),
            freedom,
            seen: squares / freedom as f64,
            of_errors: all.iter().map(|r| r.error * r.error).sum::<f64>() / count,
        }
    }

    /// Variance of both parts beyond the errors, as often too large as too small; may be negative.
    fn variance(&self) -> f64 {
        self.seen / gamma::median_of_mean(0.5 * self.freedom as f64) - self.of_errors
    }

    fn scatter(&self, shared: f64) -> Scatter {
        let floor = if self.stands_out { shared * self.amplitude } else { 0.0 };
        Scatter {
            deviation: self.variance().max(0.0).sqrt().max(floor),
            freedom: self.freedom,
            seen: self.seen,
            of_errors: self.of_errors,
        }
    }
}

/// The scatter that the readings share, over their amplitudes: of those that stand out of their errors, as
/// over an amplitude that may be nought nothing is told.
fn shared_share(own: &[Own]) -> f64 {
    let shares: Vec<f64> = own
        .iter()
        .filter(|reading| reading.stands_out)
        .map(|reading| reading.variance() / reading.amplitude.powi(2))
        .collect();
    (shares.iter().sum::<f64>() / shares.len().max(1) as f64).max(0.0).sqrt()
}

/// The `fraction` quantile of the mean of `looks` exponential powers of mean 1.
fn quantile_of_mean(looks: f64, fraction: f64) -> f64 {
    let (mut low, mut high) = (0.0, 50.0);
    // sixty halvings leave nothing to find in double precision
    for _ in 0..60 {
        let middle = 0.5 * (low + high);
        if gamma::upper_tail(looks, looks * middle) > 1.0 - fraction {
            low = middle;
        } else {
            high = middle;
        }
    }
    0.5 * (low + high)
}
