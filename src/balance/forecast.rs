//! What to do next, and how many spins are likely still needed: the rest of the job played through many
//! times.
//!
//! Each measure that the rotor is judged by is followed as a normally distributed unbalance, equally uncertain in all directions. A spin
//! narrows it, a correction takes its mean away and leaves what drilling misses. The first step is chosen
//! by the mean cost of all that follows it (a rollout: D. P. Bertsekas, Dynamic Programming and Optimal
//! Control, 4th ed. 2017, chapter 6; from memory), the steps after it by a plain rule.

use nalgebra::DMatrix;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

use super::estimate::{History, Known, Posterior, Spin, Spread, Uncertain};
use crate::dsp::fft::Complex64;

/// Games played for each first step.
const GAMES: usize = 200;
/// A game ends here.
const MOST_MOVES: usize = 24;
/// Spins that stand for very many.
const MANY: usize = 100;
/// The plain rule of the games: correct below this chance that the rotor is within.
const CORRECT_BELOW: f64 = 0.6;

/// What a job asks for and what its steps cost.
#[derive(Debug, Clone, PartialEq)]
pub struct Aim {
    /// Limit of the size of each measure that the rotor is judged by.
    pub limits: Vec<f64>,
    /// The rotor passes from this probability upwards that all are within their limits.
    pub pass_at: f64,
    /// Cost of a correction beyond that of the spin after it, in spins.
    pub correction_cost: f64,
    /// How exactly corrections are made.
    pub spread: Spread,
}

/// What is known before the next step.
#[derive(Debug, Clone, PartialEq)]
pub struct Outlook {
    /// Most probable size of each measure.
    pub sizes: Vec<f64>,
    /// Standard deviation of both its parts.
    pub deviations: Vec<f64>,
    /// The same after one more spin as the rotor is.
    pub after_spin: Vec<f64>,
    /// The same after very many: what the coefficients leave open, which no spin of the rotor as it is tells.
    pub after_many: Vec<f64>,
    /// Standard deviation that comes on top whatever is done: of a refit still to come. Empty for none.
    pub always: Vec<f64>,
    /// Standard deviation that one spin alone leaves, with coefficients known.
    pub one_spin: Vec<f64>,
}

impl Outlook {
    /// The outlook after all spins and corrections of a job, should the next spin be as exact as the last:
    /// of each measure that the rotor is judged by (`map`: what each plane's unbalance weighs in it).
    pub fn of(history: &History, posterior: &Posterior, map: &DMatrix<Complex64>) -> Self {
        let mean = &posterior.now.mean;
        let again = Spin {
            trial: vec![Complex64::ZERO; mean.len()],
            corrections: history.corrections.len(),
            readings: Vec::new(),
            errors: history.spins.last().map_or_else(Vec::new, |spin| spin.errors.clone()),
        };
        let through = |covariance: DMatrix<f64>| {
            Uncertain { mean: mean.clone(), covariance }.through(map).deviations()
        };
        let exact = 1.0 / (MANY as f64).sqrt();
        let scatter = &history.known.scatter;
        let errors = again.errors.iter().enumerate();
        // the scatter from spin to spin averages out as well
        let many = Spin {
            errors: errors
                .map(|(r, error)| error.hypot(scatter.get(r).copied().unwrap_or(0.0)) * exact)
                .collect(),
            ..again.clone()
        };
        let without_scatter = History {
            known: Known { scatter: Vec::new(), ..history.known.clone() },
            ..history.clone()
        };
        let now = posterior.now.through(map);
        Self {
            sizes: now.mean.iter().map(|unbalance| unbalance.norm()).collect(),
            deviations: now.deviations(),
            after_spin: through(posterior.covariance_after(history, &again)),
            after_many: through(posterior.covariance_after(&without_scatter, &many)),
            always: Vec::new(),
            one_spin: through(posterior.covariance_of_one(history, &again)),
        }
    }
}

/// A step, with what is likely to follow.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Advice {
    /// Whether to correct now; otherwise to spin again as it is.
    pub correct: bool,
    /// Mean number of spins until it passes.
    pub spins: f64,
    /// Mean number of corrections until it passes.
    pub corrections: f64,
}

/// One plane in a game.
#[derive(Debug, Clone, Copy)]
struct Plane {
    mean: Complex64,
    deviation: f64,
    /// What no further spin of the rotor as it is takes off the deviation.
    floor: f64,
    /// What comes on top whatever is done.
    always: f64,
}

/// What to do with a rotor that does not pass yet.
pub fn advise(aim: &Aim, outlook: &Outlook) -> Advice {
    let correct = play(aim, outlook, true);
    let spin = play(aim, outlook, false);
    let cost = |a: &Advice| a.spins + aim.correction_cost * a.corrections;
    if cost(&correct) <= cost(&spin) { correct } else { spin }
}

/// What is likely to follow where the rotor is spun first.
pub fn after_a_spin(aim: &Aim, outlook: &Outlook) -> Advice {
    play(aim, outlook, false)
}

/// Plays the rest of the job many times, from a first step on.
fn play(aim: &Aim, outlook: &Outlook, correct: bool) -> Advice {
    let mut rng = ChaCha8Rng::seed_from_u64(1);
    let now: Vec<Plane> = (0..outlook.sizes.len())
        .map(|p| Plane {
            mean: Complex64::new(outlook.sizes[p], 0.0),
            deviation: outlook.deviations[p],
            floor: outlook.after_many[p].min(outlook.deviations[p]),
            always: outlook.always.get(p).copied().unwrap_or(0.0),
        })
        .collect();
    let (mut spins, mut corrections) = (0, 0);
    for _ in 0..GAMES {
        let (mut planes, mut corrects) = (now.clone(), correct);
        for step in 0..MOST_MOVES {
            if corrects {
                corrections += 1;
                planes.iter_mut().for_each(|plane| plane.correct(aim.spread));
            }
            // the first spin as the rotor is may tell less than one with known coefficients
            let as_it_is = step == 0 && !corrects;
            for (p, plane) in planes.iter_mut().enumerate() {
                let after = if as_it_is {
                    outlook.after_spin[p]
                } else {
                    plane.after_one(outlook.one_spin[p])
                };
                plane.spin(after.min(plane.deviation), &mut rng);
            }
            spins += 1;
            let chance = chance(aim, &planes);
            if chance >= aim.pass_at {
                break;
            }
            corrects = chance < CORRECT_BELOW;
        }
    }
    let mean = |count: usize| count as f64 / GAMES as f64;
    Advice { correct, spins: mean(spins), corrections: mean(corrections) }
}

fn chance(aim: &Aim, planes: &[Plane]) -> f64 {
    planes
        .iter()
        .zip(&aim.limits)
        .map(|(plane, limit)| {
            chance_within(plane.mean.norm(), plane.deviation.hypot(plane.always), *limit)
        })
        .product()
}

impl Plane {
    fn correct(&mut self, spread: Spread) {
        // what drilling misses, equal in all directions
        let missed =
            self.mean.norm() * (0.5 * (spread.share.powi(2) + spread.angle_rad.powi(2))).sqrt();
        // what the coefficients leave open shrinks with the unbalance
        let deviation = self.deviation.hypot(missed);
        *self = Self { mean: Complex64::ZERO, deviation, floor: 0.0, ..*self };
    }

    /// The deviation after a spin that alone leaves `one`.
    fn after_one(&self, one: f64) -> f64 {
        let told = self.deviation.powi(2) - self.floor.powi(2);
        let left = if told > 0.0 { (told.recip() + one.powi(-2)).recip() } else { 0.0 };
        left.sqrt().hypot(self.floor)
    }

    fn spin(&mut self, after: f64, rng: &mut ChaCha8Rng) {
        let moved = (self.deviation.powi(2) - after.powi(2)).max(0.0).sqrt();
        let mut draw = || -> f64 { StandardNormal.sample(rng) };
        self.mean += Complex64::new(moved * draw(), moved * draw());
        self.deviation = after;
    }
}

/// Probability that a complex number with this mean size and standard deviation of both parts is no larger
/// than `limit` (the distribution of S. O. Rice, 1944; from memory), by Simpson's rule over the size.
pub fn chance_within(size: f64, deviation: f64, limit: f64) -> f64 {
    if !(deviation > 0.0) {
        return if size <= limit { 1.0 } else { 0.0 };
    }
    let (size, limit) = (size / deviation, limit / deviation);
    // the density is nought 8 deviations from its mean
    let (from, to) = ((size - 8.0).max(0.0), limit.min(size + 8.0));
    if to <= from {
        return 0.0;
    }
    const STEPS: usize = 64;
    let step = (to - from) / STEPS as f64;
    let density = |r: f64| r * (-0.5 * (r - size).powi(2)).exp() * scaled_bessel(r * size);
    let sum: f64 = (0..=STEPS)
        .map(|i| {
            let weight = match i {
                0 | STEPS => 1.0,
                i if i % 2 == 1 => 4.0,
                _ => 2.0,
            };
            weight * density(from + i as f64 * step)
        })
        .sum();
    (sum * step / 3.0).min(1.0)
}

/// `e^-x I0(x)` of the modified Bessel function (M. Abramowitz, I. A. Stegun, Handbook of Mathematical
/// Functions, 9.8.1 and 9.8.2: within 2e-7).
fn scaled_bessel(x: f64) -> f64 {
    let sum = |terms: &[f64], t: f64| terms.iter().rev().fold(0.0, |sum, c| sum * t + c);
    if x < 3.75 {
        let t = (x / 3.75).powi(2);
        let terms =
            [1.0, 3.515_622_9, 3.089_942_4, 1.206_749_2, 0.265_973_2, 0.036_076_8, 0.004_581_3];
        return sum(&terms, t) * (-x).exp();
    }
    let terms = [
        0.398_942_28,
        0.013_285_92,
        0.002_253_19,
        -0.001_575_65,
        0.009_162_81,
        -0.020_577_06,
        0.026_355_37,
        -0.016_476_33,
        0.003_923_77,
    ];
    sum(&terms, 3.75 / x) / x.sqrt()
}

#[cfg(test)]
mod tests {
    use std::f64::consts::TAU;

    use super::*;

    /// Central case: 1 - exp(-L²/2); others against direct integration of the plane.
    #[test]
    fn chances_agree_with_integration_over_the_plane() {
        for limit in [0.3_f64, 1.0, 2.5] {
            let exact = 1.0 - (-0.5 * limit * limit).exp();
            assert!((chance_within(0.0, 1.0, limit) - exact).abs() < 1e-6);
        }
        for (size, deviation, limit) in [(0.8, 0.3, 1.0), (3.0, 0.5, 2.0), (0.2, 0.05, 0.3)] {
            let (rings, spokes) = (400, 360);
            let mut sum = 0.0;
            for i in 0..rings {
                let r: f64 = limit * (f64::from(i) + 0.5) / f64::from(rings);
                for k in 0..spokes {
                    let angle = TAU * f64::from(k) / f64::from(spokes);
                    let square: f64 = (r * angle.cos() - size).powi(2) + (r * angle.sin()).powi(2);
                    sum += r * (-0.5 * square / (deviation * deviation)).exp();
                }
            }
            let area = limit / f64::from(rings) * TAU / f64::from(spokes);
            let exact = sum * area / (TAU * deviation * deviation);
            let found = chance_within(size, deviation, limit);
            assert!((found - exact).abs() < 1e-4, "{found}, not {exact}");
        }
        assert!(chance_within(0.5, 0.0, 1.0) > 0.999 && chance_within(1.5, 0.0, 1.0) < 1e-9);
    }

    fn aim() -> Aim {
        Aim {
            limits: vec![1.0, 1.0],
            pass_at: 0.985,
            correction_cost: 1.5,
            spread: Spread { share: 0.05, angle_rad: 0.035 },
        }
    }

    fn outlook(size: f64, deviation: f64) -> Outlook {
        Outlook {
            sizes: vec![size; 2],
            deviations: vec![deviation; 2],
            after_spin: vec![deviation * 0.7; 2],
            after_many: vec![0.0; 2],
            always: Vec::new(),
            one_spin: vec![deviation; 2],
        }
    }

    #[test]
    fn a_large_unbalance_is_corrected_and_a_doubtful_one_spun_again() {
        assert!(advise(&aim(), &outlook(20.0, 0.4)).correct);
        assert!(!advise(&aim(), &outlook(0.3, 0.4)).correct);
        // near the limit, and nothing that further spins would tell
        let dear = Aim { correction_cost: 8.0, ..aim() };
        let near = Outlook { after_many: vec![0.18; 2], ..outlook(0.75, 0.18) };
        assert!(advise(&dear, &near).correct);
        assert!(!advise(&dear, &outlook(0.75, 0.18)).correct);
        let far = advise(&aim(), &outlook(40.0, 0.05));
        let near = advise(&aim(), &outlook(2.0, 0.05));
        assert!(far.corrections > near.corrections && near.corrections >= 1.0);
    }
}
