//! As the library advises, with a stop where a spin is not what was predicted.

use nalgebra::DMatrix;
use num_complex::Complex64;
use quietspin::balance::design::trial_masses;
use quietspin::balance::estimate::{Correction, History, Known, Posterior, Spin};
use quietspin::balance::forecast::{Aim, Outlook, advise};
use quietspin::balance::influence;
use quietspin::balance::mishap::{self, Alarm, Change};

use super::column::{DRILLING, MOST_SPINS};
use super::rotor::{Case, End, Fate, NOTHING, Outcome, Read, Rotor, Struck};

pub fn run(seed: u64, case: Case) -> Outcome {
    let mut job = Job::new(seed, case);
    let end = job.run();
    let missed = job.rotor.struck.iter().map(|s| Fate { matters: s.matters, rank: None });
    let strikes = job.fates.iter().copied().chain(missed).collect();
    Outcome { false_stops: job.false_stops, strikes, ..job.rotor.ends(end) }
}

/// A set-up that likely needs more spins than this is refused before anything is drilled: its readings are not
/// sharp enough for the tolerance.
const HOPELESS_SPINS: f64 = 12.0;

struct Job {
    rotor: Rotor,
    history: History,
    false_stops: usize,
    fates: Vec<Fate>,
}

impl Job {
    fn new(seed: u64, case: Case) -> Self {
        let rotor = Rotor::new(seed, case);
        let column = case.column;
        let known = Known {
            scatter: rotor.scatter(),
            refit_g_mm: rotor.rig.limits_g_mm.iter().map(|l| column.refit * l).collect(),
            bend: 0.6 * column.bend,
            coefficients: column.known_type.then(|| (rotor.of_type.clone(), column.of_type)),
        };
        let history = History { known, spins: Vec::new(), corrections: Vec::new() };
        Self { rotor, history, false_stops: 0, fates: Vec::new() }
    }

    fn run(&mut self) -> End {
        let first = if self.rotor.case.column.known_type {
            vec![NOTHING.to_vec()]
        } else {
            trial_masses(&self.rotor.trial_g_mm())
        };
        for trial in first {
            if self.spin(trial).is_none() {
                return End::Refused;
            }
        }
        let aim = Aim {
            limits: self.rotor.rig.limits_g_mm.clone(),
            pass_at: 0.985,
            correction_cost: 8.0,
            spread: DRILLING,
        };
        let each_plane = DMatrix::identity(2, 2);
        loop {
            let Ok(posterior) = self.history.posterior() else { return End::Refused };
            if self.cannot_tell_planes_apart(&posterior) {
                return End::Refused;
            }
            if posterior.now.probability_within(&aim.limits) >= aim.pass_at {
                return End::Passed;
            }
            if self.rotor.spins >= MOST_SPINS {
                return End::GivenUp;
            }
            let advice = advise(&aim, &Outlook::of(&self.history, &posterior, &each_plane));
            if self.history.corrections.is_empty() && advice.spins > HOPELESS_SPINS {
                return End::Refused;
            }
            if advice.correct {
                let planned: Vec<Complex64> = posterior.now.mean.iter().map(|u| -u).collect();
                self.rotor.correct(&planned);
                self.history.corrections.push(Correction { planned, spread: DRILLING });
            }
            if self.spin(NOTHING.to_vec()).is_none() {
                return End::Refused;
            }
        }
    }

    fn cannot_tell_planes_apart(&self, posterior: &Posterior) -> bool {
        let Some(last) = self.history.spins.last() else { return false };
        influence::unbalance(&posterior.coefficients, &last.readings, &last.errors)
            .map_or(true, |found| found.is_ill_conditioned())
    }

    /// One spin; `None` where its recording is refused.
    fn spin(&mut self, trial: Vec<Complex64>) -> Option<()> {
        let Read { readings, errors } = self.rotor.spin(&trial)?;
        let corrections = self.history.corrections.len();
        self.history.spins.push(Spin { trial, corrections, readings, errors });
        // what is found may hide something else
        while let Ok(Some(alarm)) = mishap::check(&self.history) {
            if !self.look_at_the_rotor(&alarm) {
                break;
            }
        }
        Some(())
    }

    /// The operator goes through the suspects in their order. What is found first is put right in the record;
    /// where nothing is found the reading stands.
    fn look_at_the_rotor(&mut self, alarm: &Alarm) -> bool {
        if self.rotor.struck.is_empty() {
            self.false_stops += 1;
            return false;
        }
        let found = alarm.suspects.iter().enumerate().find_map(|(place, suspect)| {
            let is = |struck: &Struck| {
                suspect.change == Some(struck.change) && struck.strike.is(&suspect.cause)
            };
            Some((place + 1, self.rotor.struck.iter().position(is)?))
        });
        let Some((rank, index)) = found else { return false };
        let struck = self.rotor.struck.remove(index);
        self.fates.push(Fate { matters: struck.matters, rank: Some(rank) });
        match struck.change {
            Change::Trial { spin } => self.history.spins[spin].trial = struck.done,
            Change::Correction { index } => self.history.corrections[index].planned = struck.done,
        }
        true
    }
}
