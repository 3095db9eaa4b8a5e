//! A rotor of which everything is known, and what befalls it.

use std::f64::consts::TAU;

use nalgebra::DMatrix;
use num_complex::Complex64;
use quietspin::balance::estimate::Spread;
use quietspin::balance::mishap::Change;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

use super::column::{Column, DRILLING, STRUCK, UNBALANCE};
use super::recorded;
use super::rig::{Layout, Rig};
use super::strike::Strike;

pub const NOTHING: [Complex64; 2] = [Complex64::ZERO; 2];

/// Which rotors, and whether disasters strike.
#[derive(Debug, Clone, Copy)]
pub struct Case {
    pub layout: Layout,
    pub column: Column,
    pub disasters: bool,
    /// Whether readings come from recordings.
    pub recorded: bool,
}

/// What a spin gives.
pub struct Read {
    pub readings: Vec<Complex64>,
    /// Standard error of both parts of each.
    pub errors: Vec<f64>,
}

/// A disaster that nobody has found yet.
#[derive(Debug, Clone)]
pub struct Struck {
    pub strike: Strike,
    pub change: Change,
    /// What was done in truth where this was planned, drilling error aside.
    pub done: Vec<Complex64>,
    /// Whether it changes the unbalance of a plane by more than what is permitted there.
    pub matters: bool,
}

/// A rotor on its rig.
pub struct Rotor {
    rng: ChaCha8Rng,
    pub case: Case,
    pub rig: Rig,
    pub of_type: DMatrix<Complex64>,
    /// Noise of both parts of each reading.
    pub noise: Vec<f64>,
    /// Reading at the largest vibration.
    largest: Vec<f64>,
    bend: f64,
    pub unbalance: Vec<Complex64>,
    pub spins: usize,
    pub corrections: usize,
    /// Planes in which more was taken away than was there, so that they are out of tolerance on the other side.
    overshoots: usize,
    refused_recordings: usize,
    /// What was planned since the last spin, with the unbalance before.
    undone: Option<(Vec<Complex64>, Vec<Complex64>)>,
    pub struck: Vec<Struck>,
}

fn normal(rng: &mut ChaCha8Rng) -> f64 {
    StandardNormal.sample(rng)
}

fn both_parts(rng: &mut ChaCha8Rng, deviation: f64) -> Complex64 {
    Complex64::new(normal(rng), normal(rng)) * deviation
}

fn scattered(rng: &mut ChaCha8Rng, spread: Spread) -> Complex64 {
    let size = 1.0 + spread.share * normal(rng);
    Complex64::from_polar(size, spread.angle_rad * normal(rng))
}

impl Rotor {
    pub fn new(seed: u64, case: Case) -> Self {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let column = case.column;
        let rig = Rig::draw(case.layout, &mut rng);
        let unbalance = (rig.limits_g_mm.iter())
            .map(|limit| {
                let size = rng.random_range(UNBALANCE.0.ln()..UNBALANCE.1.ln()).exp();
                Complex64::from_polar(size * limit, rng.random_range(0.0..TAU))
            })
            .collect();
        let of_type = rig.coefficients.map(|c| c * scattered(&mut rng, column.of_type));
        let bend = column.bend * rng.random_range(-1.0..1.0);
        let reads = rig.reads_at_limit();
        Self {
            rng,
            case,
            of_type,
            noise: reads.iter().map(|r| column.noise * r).collect(),
            largest: reads.iter().map(|r| UNBALANCE.1 * r).collect(),
            rig,
            bend,
            unbalance,
            spins: 0,
            corrections: 0,
            overshoots: 0,
            refused_recordings: 0,
            undone: None,
            struck: Vec::new(),
        }
    }

    /// Trial masses of a size for each plane.
    pub fn trial_g_mm(&self) -> Vec<f64> {
        self.rig.limits_g_mm.iter().map(|limit| self.case.column.trial * limit).collect()
    }

    /// Readings of a spin with trial masses; now and then they, or the last correction, went wrong. `None` where
    /// its recording is refused.
    pub fn spin(&mut self, trial: &[Complex64]) -> Option<Read> {
        let trial = self.after_change(trial);
        self.spins += 1;
        let refit = self.case.column.refit;
        let present: Vec<Complex64> = (0..2)
            .map(|p| {
                let by = refit * self.rig.limits_g_mm[p];
                self.unbalance[p] + trial[p] + both_parts(&mut self.rng, by)
            })
            .collect();
        let linear = |r: usize| -> Complex64 {
            (0..2).map(|p| self.rig.coefficients[(r, p)] * present[p]).sum()
        };
        let gain = |r: usize| self.bend * linear(r).norm() / self.largest[r];
        if self.case.recorded {
            let white = self.white();
            let mut rig = recorded::Rig {
                body: &self.rig.body.clone().expect("a rotor with a body"),
                noise: &white,
                gain_percent: (0..self.noise.len()).map(|r| 100.0 * gain(r)).collect(),
                largest: self.largest.iter().copied().fold(0.0, f64::max),
                seed: self.rng.random(),
            };
            // a spin whose recording is refused is recorded once more, and then again
            for _ in 0..3 {
                if let Some((mut readings, errors)) = rig.read(&present) {
                    for (reading, scatter) in readings.iter_mut().zip(self.scatter()) {
                        *reading += both_parts(&mut self.rng, scatter);
                    }
                    return Some(Read { readings, errors });
                }
                rig.seed = self.rng.random();
                self.spins += 1;
                self.refused_recordings += 1;
            }
            return None;
        }
        let bent: Vec<Complex64> =
            (0..self.noise.len()).map(|r| linear(r) * (1.0 + gain(r))).collect();
        let readings = (bent.into_iter().zip(&self.noise))
            .map(|(bent, noise)| bent + both_parts(&mut self.rng, *noise))
            .collect();
        Some(Read { readings, errors: self.noise.clone() })
    }

    /// The part of the noise that is in a recording, as much as in the easy columns.
    fn white(&self) -> Vec<f64> {
        let share = (0.05 / self.case.column.noise).min(1.0);
        self.noise.iter().map(|noise| share * noise).collect()
    }

    /// The rest of it where readings come from recordings: scatter from spin to spin.
    pub fn scatter(&self) -> Vec<f64> {
        if !self.case.recorded {
            return vec![0.0; self.noise.len()];
        }
        let rest = |(all, white): (&f64, f64)| (all * all - white * white).max(0.0).sqrt();
        self.noise.iter().zip(self.white()).map(rest).collect()
    }

    /// Does the correction that was planned, and returns the trial masses as they really are.
    fn after_change(&mut self, trial: &[Complex64]) -> Vec<Complex64> {
        let mut trial = trial.to_vec();
        let tried = trial.iter().any(|mass| mass.norm() > 0.0);
        let drilled = self.undone.take();
        let changed = tried || drilled.is_some();
        let struck = changed && self.case.disasters && self.rng.random_bool(STRUCK);
        let strike = struck.then(|| Strike::draw(&mut self.rng));
        let (mut planned, before) = drilled.unzip();
        if let Some(strike) = strike {
            let (change, plan) = match &mut planned {
                Some(plan) => (Change::Correction { index: self.corrections - 1 }, plan),
                None => (Change::Trial { spin: self.spins }, &mut trial),
            };
            let done = strike.done(plan);
            let off = |p: usize| (done[p] - plan[p]).norm() / self.rig.limits_g_mm[p];
            let matters = (0..2).any(|p| off(p) > 1.0);
            self.struck.push(Struck { strike, change, done: done.clone(), matters });
            *plan = done;
        }
        if let (Some(planned), Some(before)) = (planned, before) {
            for p in 0..2 {
                self.unbalance[p] += planned[p] * scattered(&mut self.rng, DRILLING);
                let over = (self.unbalance[p] * before[p].conj()).re < 0.0;
                if over && self.unbalance[p].norm() > self.rig.limits_g_mm[p] {
                    self.overshoots += 1;
                }
            }
        }
        trial
    }

    /// Drills before the next spin.
    pub fn correct(&mut self, planned: &[Complex64]) {
        self.corrections += 1;
        self.undone = Some((planned.to_vec(), self.unbalance.clone()));
    }

    /// Whether every plane lies within its limit in truth.
    pub fn is_within(&self) -> bool {
        self.over_limit() <= 1.0
    }

    /// The worst plane's unbalance over its limit.
    fn over_limit(&self) -> f64 {
        let over = |p: usize| self.unbalance[p].norm() / self.rig.limits_g_mm[p];
        (0..2).map(over).fold(0.0, f64::max)
    }

    pub fn ends(&self, end: End) -> Outcome {
        Outcome {
            end,
            corrections: self.corrections,
            spins: self.spins,
            over_limit: self.over_limit(),
            overshoots: self.overshoots,
            refused_recordings: self.refused_recordings,
            ..Outcome::default()
        }
    }
}

/// How a job ends.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum End {
    /// Found to be within tolerance.
    Passed,
    /// Refused: the readings cannot tell the planes apart.
    Refused,
    /// Given up after too many spins.
    #[default]
    GivenUp,
}

/// How a job went.
#[derive(Debug, Clone, Default)]
pub struct Outcome {
    pub end: End,
    pub corrections: usize,
    pub spins: usize,
    /// The worst plane's unbalance over its limit, in truth.
    pub over_limit: f64,
    pub overshoots: usize,
    /// Recordings that gave no vectors and were made again.
    pub refused_recordings: usize,
    /// Stops without any disaster.
    pub false_stops: usize,
    pub strikes: Vec<Fate>,
}

/// What became of a disaster.
#[derive(Debug, Clone, Copy)]
pub struct Fate {
    pub matters: bool,
    /// Place of the true cause among the suspects, from 1, where the job stopped; 0 where it was not among them.
    pub rank: Option<usize>,
}
