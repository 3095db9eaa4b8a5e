//! The rig's scatter from spin to spin, learned by repeating one spin unchanged.
//!
//! What a vector scatters within a run says nothing of how well it comes back: the shaft settles
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

#[cfg(test)]
mod tests {
    use super::*;
    use rand::SeedableRng;
    use rand_chacha::ChaCha8Rng;
    use rand_distr::{Distribution, StandardNormal};

    fn reading(sensor: &str, phasor: Complex64, error: f64) -> Reading {
        Reading {
            sensor: sensor.to_owned(),
            rpm: 60_000.0,
            found_rpm: 60_000.0,
            unit: "g".to_owned(),
            phasor,
            noise_error: error,
            turns_error: 0.0,
            error,
            turns: 1000.0,
            from_s: 0.0,
            to_s: 1.0,
            held: true,
        }
    }

    /// Spins of two sensors, the second half as lively, whose seat scatters by `scatter` of their amplitudes.
    fn spins(rng: &mut ChaCha8Rng, count: usize, scatter: f64, error: f64) -> Vec<Vec<Reading>> {
        let mut both = |deviation: f64| {
            let mut part = || -> f64 { StandardNormal.sample(rng) };
            Complex64::new(part(), part()) * deviation
        };
        (0..count)
            .map(|_| {
                let seat = both(scatter);
                let at = |name, size: f64, own: Complex64| {
                    reading(name, (Complex64::ONE + seat) * size + own, error)
                };
                vec![at("front", 1.0, both(error)), at("rear", 0.5, both(error))]
            })
            .collect()
    }

    /// The sum of squares of two spins is exponentially distributed: its median is ln 2 of its mean, its 0.1
    /// quantile -ln 0.9 (own arithmetic).
    #[test]
    fn two_spins_in_closed_form() {
        let pair = |a: f64, b: f64| {
            vec![
                vec![reading("front", Complex64::new(a, 0.0), 0.0)],
                vec![reading("front", Complex64::new(b, 0.0), 0.0)],
            ]
        };
        let found = spin_scatter(&pair(1.0, 1.2)).expect("two spins")[0];
        // squares about the mean: 2 x 0.1², two degrees of freedom
        let seen = 0.01_f64;
        assert!((found.deviation - (seen / 2.0_f64.ln()).sqrt()).abs() < 1e-9, "{found:?}");
        assert!((found.at_most(0.9) - (seen / -(0.9_f64.ln())).sqrt()).abs() < 1e-6, "{found:?}");
        assert_eq!(found.freedom, 2);
        assert_eq!(spin_scatter(&pair(1.0, 1.0)).expect("two spins")[0].deviation, 0.0);
    }

    /// As often too large as too small with many spins, rather too large with two, and the bound holds as often
    /// as it says; the quantiles are those of a chi-square distribution (scipy.stats.chi2: from memory).
    #[test]
    fn the_estimate_leans_to_the_larger_side_and_the_bound_holds() {
        let mut rng = ChaCha8Rng::seed_from_u64(1);
        for (count, below) in [(2, 0.35..0.55), (3, 0.35..0.55), (10, 0.35..0.6)] {
            let (mut small, mut beyond) = (0, 0);
            const RIGS: usize = 2000;
            for _ in 0..RIGS {
                let found = spin_scatter(&spins(&mut rng, count, 0.04, 0.01)).expect("spins");
                small += usize::from(found[0].deviation < 0.04);
                beyond += usize::from(found[0].at_most(0.9) < 0.04);
            }
            let share = small as f64 / RIGS as f64;
            assert!(below.contains(&share), "{count} spins: too small in {share}");
            let share = beyond as f64 / RIGS as f64;
            assert!((0.05..0.115).contains(&share), "{count} spins: beyond the bound in {share}");
        }
        // many spins: the scatter itself, the errors taken off
        let found = spin_scatter(&spins(&mut rng, 4000, 0.04, 0.03)).expect("spins");
        assert!((found[0].deviation / 0.04 - 1.0).abs() < 0.1, "{:?}", found[0]);
        assert!((found[1].deviation / 0.02 - 1.0).abs() < 0.3, "{:?}", found[1]);
    }

    #[test]
    fn a_reading_that_came_back_by_chance_is_raised_by_the_others() {
        let at = |front: f64, rear: f64| {
            vec![
                reading("front", Complex64::new(front, 0.0), 0.001),
                reading("rear", Complex64::new(rear, 0.0), 0.001),
            ]
        };
        let found = spin_scatter(&[at(1.0, 0.5), at(1.1, 0.5)]).expect("two spins");
        // the mean square of both shares, of which the rear's is nought
        let shared = found[0].deviation / 1.05 / 2.0_f64.sqrt();
        assert!((found[1].deviation - 0.5 * shared).abs() < 1e-4, "{found:?}");
        // over an amplitude that may be nought nothing is told
        let found = spin_scatter(&[at(1.0, 1e-4), at(1.1, 1e-4)]).expect("two spins");
        assert_eq!(found[1].deviation, 0.0);
    }

    #[test]
    fn too_few_or_other_spins_are_refused() {
        let one = vec![reading("front", Complex64::ONE, 0.1)];
        let words = spin_scatter(std::slice::from_ref(&one)).expect_err("one").to_string();
        assert!(words.contains("nothing changed, has 1"), "{words}");
        assert!(spin_scatter(&[]).is_err() && spin_scatter(&[vec![], vec![]]).is_err());
        let other = vec![reading("rear", Complex64::ONE, 0.1)];
        let words = spin_scatter(&[one, other]).expect_err("another sensor").to_string();
        assert!(words.starts_with("spin 2: it has not the same sensors"), "{words}");
    }
}
