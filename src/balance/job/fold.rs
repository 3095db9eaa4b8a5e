//! Where a rotor stands: the fold of a job's events.

use std::collections::BTreeMap;

use nalgebra::{DMatrix, DVector};

use super::event::{Corrected, Mass, Metal, Spin, Undone, What};
use super::record::holes_of;
use super::repeats::{RigScatter, refit_scatter};
use super::{Event, Job, Rotor};
use crate::balance::estimate::{self, Correction, History, Known, Posterior, Spread, Uncertain};
use crate::balance::judgement::{Judgement, Verdict};
use crate::balance::mishap::{self, Alarm, Change};
use crate::balance::plan::{Allowed, Hole};
use crate::balance::{heavy_spot, influence, size_at};
use crate::dsp::fft::Complex64;
use crate::error::{Error, Result};
use crate::machine::Machine;
use crate::units::Unit;

/// Refits that passing needs where parts are refitted after balancing (common practice, no source).
pub const LEAST_REFITS: usize = 3;

/// Where a rotor stands.
#[derive(Debug, Clone)]
pub struct Folded {
    /// The machine of the job.
    pub machine: Machine,
    /// All that counts, with the number of each event, counted from 1, as what was found says it was.
    pub spins: Vec<(usize, Spin)>,
    /// Corrections that count, likewise.
    pub corrections: Vec<(usize, Corrected)>,
    /// All metal of the corrections.
    pub metal: Vec<Metal>,
    /// What the estimate rests on.
    pub history: History,
    /// Spin-to-spin scatter of each reading; `None` where nothing tells it yet.
    pub scatter: Option<RigScatter>,
    /// Standard deviation of both parts of the unbalance that a refit adds in each plane, in g mm, with the
    /// number of refits that it rests on.
    pub refit: Option<(Vec<f64>, usize)>,
    /// What all spins say together, or why nothing yet.
    pub posterior: std::result::Result<Posterior, String>,
    /// What the rotor is judged by; limits of vibration need coefficients first.
    pub judgement: Option<Judgement>,
    /// How it stands.
    pub verdict: Option<Verdict>,
    /// What the last spin contradicts.
    pub alarm: Option<Alarm>,
    /// Whether the last spin is as predicted once the planned correction counts, which nobody wrote down.
    pub untold: bool,
    /// What is odd about the last spin without contradicting anything, a sentence each.
    pub doubts: Vec<String>,
    /// Spins whose readings stand although they contradicted the record, by event.
    pub overridden: Vec<usize>,
    /// Metal that is gone beyond the maker's limits, a sentence each.
    pub outside: Vec<String>,
    /// Why it could not be looked whether the last spin contradicts the record.
    pub unchecked: Option<String>,
    /// Planes that the readings can hardly tell apart: the ratio, and the unbalance told worst as shares of the
    /// planes.
    pub ill_conditioned: Option<(f64, Vec<Complex64>)>,
}

/// Until a spin was repeated, two spins of a rig may differ by this share of the largest reading (common practice,
/// no source).
const UNKNOWN_SCATTER: f64 = 0.1;

/// Readings that differ by less of their size are the same (common practice, no source).
const SAME_READING: f64 = 0.02;

/// An unbalance in the course of a job.
#[derive(Debug, Clone, PartialEq)]
pub struct State {
    /// Corrections before it.
    pub corrections: usize,
    /// Most probable unbalance in each plane, in g mm.
    pub unbalance: Vec<Complex64>,
    /// Standard deviation of both its parts.
    pub errors_g_mm: Vec<f64>,
}

impl Job {
    /// Numbers of the events that count, counted from 1.
    pub fn live(&self) -> Vec<usize> {
        let undone: Vec<usize> = (self.events.iter())
            .filter_map(|event| match &event.what {
                What::Undone(undone) => Some(undone.event),
                _ => None,
            })
            .collect();
        (1..=self.events.len())
            .filter(|number| !undone.contains(number))
            .filter(|number| !matches!(self.events[number - 1].what, What::Undone(_)))
            .collect()
    }

    /// Whether any spin counts.
    pub fn has_spins(&self) -> bool {
        self.live().iter().any(|number| matches!(self.events[number - 1].what, What::Spin(_)))
    }

    /// Where the rotor stands.
    ///
    /// # Errors
    /// [`Error::Setting`] where events name planes or events that are not there.
    pub fn folded(&self) -> Result<Folded> {
        let machine = self.rotor.machine()?;
        let events = self.effective(&machine)?;
        let mut spins = Vec::new();
        let mut corrections: Vec<(usize, Corrected)> = Vec::new();
        let mut history_spins = Vec::new();
        for (number, what) in events {
            match what {
                What::Spin(spin) => {
                    history_spins.push(self.history_spin(&machine, &spin, corrections.len())?);
                    spins.push((number, spin));
                }
                What::Corrected(corrected) => corrections.push((number, corrected)),
                _ => {}
            }
        }
        let metal: Vec<Metal> = corrections.iter().flat_map(|(_, c)| c.metal.clone()).collect();
        let spread = self.rotor.spread();
        let planned: Vec<Correction> = (corrections.iter())
            .map(|(_, c)| Ok(Correction { planned: self.sums(&machine, &c.metal)?, spread }))
            .collect::<Result<_>>()?;
        let coefficients = match &self.rotor.of_type {
            Some(of_type) => Some((self.type_coefficients(of_type)?, of_type.spread())),
            None => None,
        };
        let scatter = self.scatter_of(&spins, &history_spins)?;
        let mut history = History {
            known: Known {
                scatter: scatter.as_ref().map_or_else(Vec::new, |known| known.deviations.clone()),
                refit_g_mm: Vec::new(),
                bend: 0.01 * self.rotor.amplitude_dependence_percent,
                coefficients,
            },
            spins: history_spins,
            corrections: planned,
        };
        let mut posterior = history.posterior().map_err(|error| told(&error, &self.rotor));
        let refit = match &posterior {
            Ok(found) => refit_scatter(&history, found, &spins),
            Err(_) => None,
        };
        if let Some((refit_g_mm, _)) = &refit {
            history.known.refit_g_mm.clone_from(refit_g_mm);
            posterior = history.posterior().map_err(|error| told(&error, &self.rotor));
        }
        let mut folded = Folded {
            machine,
            spins,
            corrections,
            metal,
            history,
            scatter,
            refit,
            posterior,
            judgement: None,
            verdict: None,
            alarm: None,
            unchecked: None,
            untold: false,
            doubts: Vec::new(),
            overridden: self.overridden(),
            outside: Vec::new(),
            ill_conditioned: None,
        };
        folded.outside = folded.beyond_limits(&self.rotor);
        folded.doubts = Self::doubts(&folded.spins, &folded.history.spins);
        folded.judge(&self.rotor)?;
        if !self.stands(&folded) {
            match self.to_check(&folded).and_then(|history| mishap::check(&history)) {
                Ok(alarm) => {
                    folded.untold = alarm.is_some() && self.is_explained_by_the_plan()?;
                    folded.alarm = alarm;
                }
                Err(error) => folded.unchecked = Some(error.to_string()),
            }
        }
        Ok(folded)
    }

    /// Whether the last spin is as predicted where what was planned before it counts as done.
    fn is_explained_by_the_plan(&self) -> Result<bool> {
        let Some(last) = self.live().pop() else { return Ok(false) };
        let spin = self.events[last - 1].clone();
        if !matches!(spin.what, What::Spin(_)) {
            return Ok(false);
        }
        // undone and told again, as a user would: what other events call by number stays where it is
        let mut told = self.clone();
        let add = |job: &mut Self, what| job.events.push(Event { at: spin.at.clone(), what });
        add(&mut told, What::Undone(Undone { event: last }));
        let Ok(planned) = told.corrected_as_planned(&told.folded()?) else { return Ok(false) };
        add(&mut told, planned);
        add(&mut told, spin.what.clone());
        Ok(told.folded()?.alarm.is_none())
    }

    /// What is odd about the last spin: as it was stated it should read like the one before, or otherwise.
    fn doubts(spins: &[(usize, Spin)], history: &[estimate::Spin]) -> Vec<String> {
        let ([.., (_, earlier), (_, spin)], [.., before, last]) = (spins, history) else {
            return Vec::new();
        };
        let sizes: f64 = before.readings.iter().map(Complex64::norm_sqr).sum::<f64>().sqrt();
        let moved = before.readings.iter().zip(&last.readings).map(|(a, b)| (a - b).norm_sqr());
        let share = moved.sum::<f64>().sqrt() / sizes.max(f64::MIN_POSITIVE);
        let is_same = before.trial == last.trial && before.corrections == last.corrections;
        let same_masses = earlier.trial == spin.trial;
        if is_same && !spin.refitted && share > 2.0 * UNKNOWN_SCATTER {
            return vec![format!(
                "the last spin is stated as unchanged and reads {:.0} % away from the one before: were trial masses \
                 moved, or came one off?",
                100.0 * share
            )];
        }
        if !same_masses && before.corrections == last.corrections && share < SAME_READING {
            return vec![
                "the last spin is stated with other trial masses and reads like the one before: were they moved?"
                    .to_owned(),
            ];
        }
        Vec::new()
    }

    /// The history as the last spin is held against it: what is known of scatter and refits comes from the spins
    /// before, so that no spin excuses itself.
    fn to_check(&self, folded: &Folded) -> Result<History> {
        let mut history = folded.history.clone();
        let before = folded.spins.len().saturating_sub(1);
        let (spins, of_history) = (&folded.spins[..before], &folded.history.spins[..before]);
        let known = self.scatter_of(spins, of_history)?;
        let largest = history.largest_readings();
        history.known.scatter = known.map_or_else(
            || largest.iter().map(|size| UNKNOWN_SCATTER * size).collect(),
            |known| known.deviations,
        );
        let is_refitted = folded.spins.last().is_some_and(|(_, spin)| spin.refitted);
        if let (true, Ok(posterior)) = (is_refitted, &folded.posterior) {
            let earlier = History { spins: of_history.to_vec(), ..history.clone() };
            let refit = refit_scatter(&earlier, posterior, spins);
            // a first refit may be anything
            history.known.refit_g_mm = refit.map_or_else(
                || posterior.now.mean.iter().map(|u| u.norm().max(1.0)).collect(),
                |(refit_g_mm, _)| refit_g_mm,
            );
        }
        Ok(history)
    }

    /// Whether somebody has looked after the last spin, and its reading stands.
    fn stands(&self, folded: &Folded) -> bool {
        folded.spins.last().is_none_or(|(last, _)| folded.overridden.contains(last))
    }

    fn history_spin(
        &self,
        machine: &Machine,
        spin: &Spin,
        corrections: usize,
    ) -> Result<estimate::Spin> {
        let readings = self.rotor.ordered(&spin.reading)?;
        let phasors = readings.iter().map(|reading| reading.phasor).collect();
        let errors = readings.iter().map(|reading| reading.error).collect();
        let masses = |mass: &Mass| (mass.plane.clone(), mass.g_mm, mass.deg);
        let trial = self.sum(machine, spin.trial.iter().map(masses))?;
        Ok(estimate::Spin { trial, corrections, readings: phasors, errors })
    }

    /// Change of the unbalance in each plane by holes, cuts and masses, in g mm.
    fn sums(&self, machine: &Machine, metal: &[Metal]) -> Result<Vec<Complex64>> {
        self.sum(machine, metal.iter().map(|m| (m.plane.clone(), m.g_mm, m.deg)))
    }

    fn sum(
        &self,
        machine: &Machine,
        masses: impl Iterator<Item = (String, f64, f64)>,
    ) -> Result<Vec<Complex64>> {
        let count = machine.convention.count;
        let mut sums = vec![Complex64::ZERO; self.rotor.planes.len()];
        for (plane, g_mm, deg) in masses {
            sums[self.rotor.plane(&plane)?] += heavy_spot(g_mm, count.turned(deg));
        }
        Ok(sums)
    }
}

impl Rotor {
    /// How exactly corrections are made.
    pub fn spread(&self) -> Spread {
        Spread { share: 0.01 * self.drilling_percent, angle_rad: self.drilling_deg.to_radians() }
    }
}

impl super::OfType {
    fn spread(&self) -> Spread {
        Spread { share: 0.01 * self.spread_percent, angle_rad: self.spread_deg.to_radians() }
    }
}

impl Folded {
    /// The unbalance as it will be in use: after refits, where there are any.
    pub fn in_use(&self) -> Option<Uncertain> {
        let mut now = self.posterior.as_ref().ok()?.now.clone();
        if let Some(refit) = self.refit_in_use() {
            now.covariance += refit;
        }
        Some(now)
    }

    /// Covariance of what the refits add to the unbalance in use: it stands as the last refit left it, or will after
    /// the next. `None` where nothing was refitted.
    pub(super) fn refit_in_use(&self) -> Option<DMatrix<f64>> {
        let (refit_g_mm, _) = self.refit.as_ref()?;
        Some(independent(refit_g_mm))
    }

    /// The same about no unbalance at all.
    pub(super) fn refit_alone(&self) -> Option<Uncertain> {
        let covariance = self.refit_in_use()?;
        Some(Uncertain { mean: vec![Complex64::ZERO; covariance.nrows() / 2], covariance })
    }

    /// Refits that are still missing before anything can pass.
    pub fn refits_missing(&self, rotor: &Rotor) -> usize {
        if !rotor.refitted_after {
            return 0;
        }
        LEAST_REFITS.saturating_sub(self.refit.as_ref().map_or(0, |(_, count)| *count))
    }

    /// The unbalance that was most probable before the first correction and after each, where spins told it.
    pub fn course(&self) -> Vec<State> {
        let corrections = self.history.corrections.len();
        (0..=corrections)
            .filter_map(|count| {
                let mut then = self.history.clone();
                then.spins.retain(|spin| spin.corrections <= count);
                then.corrections.truncate(count);
                // what nobody spun nobody saw
                then.spins.iter().find(|spin| spin.corrections == count)?;
                let now = then.posterior().ok()?.now;
                Some(State {
                    corrections: count,
                    errors_g_mm: now.deviations(),
                    unbalance: now.mean,
                })
            })
            .collect()
    }

    /// The unbalance in one plane alone that just reaches a limit, in g mm.
    pub fn limit_in_plane(&self, plane: usize) -> Option<f64> {
        Some(self.judgement.as_ref()?.limit_in_plane(plane))
    }

    fn judge(&mut self, rotor: &Rotor) -> Result<()> {
        let by_grade = self.machine.shaft.balance_grade_mm_s.is_some();
        if by_grade {
            self.judgement = Some(Judgement::by_grade(&self.machine, &rotor.planes)?);
        }
        let Ok(posterior) = &self.posterior else { return Ok(()) };
        if !by_grade {
            let unit = |sensor: &str, rpm: f64| {
                let read = self.spins.iter().flat_map(|(_, spin)| &spin.reading);
                let unit = read.clone().find(|r| r.sensor == sensor).map(|r| r.unit.as_str());
                let unit = unit.and_then(Unit::from_symbol)?;
                Some((format!("{sensor} at {rpm:.0} rpm"), unit, rpm))
            };
            let labels: Option<Vec<_>> =
                rotor.readings().into_iter().map(|(sensor, rpm)| unit(sensor, rpm)).collect();
            let labels = labels.ok_or_else(|| {
                Error::setting("unit", "a reading has an unknown one", "begin the job anew")
            })?;
            let coefficients = &posterior.coefficients;
            self.judgement =
                Some(Judgement::by_vibration(&self.machine.limits, &labels, coefficients)?);
        }
        if let (Some(judgement), Some(in_use)) = (&self.judgement, self.in_use()) {
            self.verdict = Some(judgement.judge(&in_use));
        }
        let last = self.history.spins.last();
        self.ill_conditioned = last.and_then(|spin| {
            let (readings, errors) = (&spin.readings, &spin.errors);
            let found = influence::unbalance(&posterior.coefficients, readings, errors).ok()?;
            found
                .is_ill_conditioned()
                .then(|| (found.condition, found.weakest.iter().copied().collect()))
        });
        Ok(())
    }

    /// Number of the event that a change of the history is.
    pub fn event_of(&self, change: Change) -> Option<usize> {
        match change {
            Change::Trial { spin } => self.spins.get(spin).map(|(number, _)| *number),
            Change::Correction { index } => self.corrections.get(index).map(|(n, _)| *n),
        }
    }

    /// Holes, cuts and masses in a plane so far.
    pub fn holes_in(&self, plane: &str) -> Vec<Hole> {
        holes_of(self.metal.iter().filter(|metal| metal.plane == plane), &self.machine)
    }

    /// What is gone beyond the maker's limits, where these are stated.
    fn beyond_limits(&self, rotor: &Rotor) -> Vec<String> {
        let of = |plane: &String| {
            let allowed = Allowed::of(&self.machine, plane).ok()?;
            Some(allowed.breaches(&self.holes_in(plane)))
        };
        rotor.planes.iter().filter_map(of).flatten().collect()
    }

    /// Mass in g taken away so far in each plane; of metal that nobody weighed at least what its effect needs at the
    /// plane's radius.
    pub fn removed_g(&self) -> BTreeMap<String, f64> {
        let mut removed = BTreeMap::new();
        for metal in self.metal.iter().filter(|metal| metal.g_mm < 0.0) {
            *removed.entry(metal.plane.clone()).or_insert(0.0) +=
                metal.mass_at_least_g(&self.machine);
        }
        removed
    }

    /// Static and couple parts of the unbalance now, for two planes: the sum of both, and half the difference,
    /// which stands in the first plane and opposite in the second; size in g mm and place in degrees against the
    /// rotation.
    pub fn static_and_couple(&self) -> Option<[(f64, f64); 2]> {
        let now = &self.posterior.as_ref().ok()?.now.mean;
        let [first, second] = now.as_slice() else { return None };
        Some([size_at(first + second), size_at(0.5 * (first - second))])
    }
}

/// Covariance of planes that are known independently, the same in both parts of each, from their standard deviations.
pub(super) fn independent(deviations: &[f64]) -> DMatrix<f64> {
    let both = |i: usize| deviations[i / 2].powi(2);
    DMatrix::from_diagonal(&DVector::from_fn(2 * deviations.len(), |i, _| both(i)))
}

/// Why there is no estimate yet, with planes by their names.
fn told(error: &Error, rotor: &Rotor) -> String {
    let text = error.to_string();
    rotor.planes.iter().enumerate().fold(text, |text, (index, name)| {
        text.replace(&format!("plane {}", index + 1), &format!("plane {name}"))
    })
}
