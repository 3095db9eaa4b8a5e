//! What to do next with a rotor, why, and how much is likely still to come.

use super::event::{Mass, Metal};
use super::fold::Folded;
use super::record::{mass_of, metal_of_hole};
use super::{Rotor, counted};
use crate::balance::design::trial_masses;
use crate::balance::estimate::Uncertain;
use crate::balance::forecast::{Advice, Aim, Outlook, advise, after_a_spin};
use crate::balance::judgement::{Basis, SURE, Standing};
use crate::balance::mishap::Alarm;
use crate::balance::plan::{self, Allowed, Need, Plan};
use crate::dsp::fft::Complex64;
use crate::error::Result;
use crate::units::{grouped, three_digits};

/// Cost of a correction beyond that of the spin after it, in spins: metal cannot be put back (common
/// practice, no source).
const CORRECTION_COST: f64 = 8.0;
/// Trial masses are so many times the permissible unbalance of a plane (common practice, no source).
const TRIAL_OVER_PERMISSIBLE: f64 = 5.0;
/// Or they press on the bearings with this share of the rotor's weight at the balancing speed, if that is more
/// (common practice, no source).
const TRIAL_OVER_WEIGHT: f64 = 0.1;
/// A plane is left alone where the chance to pass stays at least this share of what it is with all planes
/// corrected.
const AS_GOOD: f64 = 0.95;

/// The next step.
#[derive(Debug, Clone)]
pub enum Next {
    /// Spin it, with these trial masses, if any.
    Spin {
        /// What to put on for this spin alone.
        trial: Vec<Mass>,
        /// Why.
        why: String,
        /// What is likely still to come.
        ahead: Ahead,
    },
    /// Look at the rotor: the last spin contradicts the record.
    Look(Alarm),
    /// Take metal away, or add mass.
    Correct {
        /// Each plane with what is wrong in it.
        planes: Vec<PlanePlan>,
        /// What is likely still to come, this correction included.
        forecast: Advice,
    },
    /// Spin it again as it is.
    SpinAgain {
        /// Why.
        why: String,
        /// What is likely still to come, that spin included.
        forecast: Advice,
    },
    /// Take the parts off, refit them to their marks, and spin.
    Refit {
        /// Refits still missing.
        missing: usize,
    },
    /// Nothing that balancing could do makes it pass.
    Hopeless {
        /// Why.
        why: String,
    },
    /// Nothing: it passes.
    Done,
}

/// What is likely still to come.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Ahead {
    /// So many spins, the next one included, before anything can be planned.
    SpinsToPlan(usize),
    /// Spins and corrections until it passes, the next spin included.
    ToPass(Advice),
    /// Nothing can be said.
    Open,
}

/// One plane to be corrected.
#[derive(Debug, Clone)]
pub struct PlanePlan {
    /// The plane.
    pub plane: String,
    /// Its unbalance now: size in g mm and place as the job counts.
    pub unbalance: Mass,
    /// Standard deviation of both its parts in g mm.
    pub error_g_mm: f64,
    /// What to do, `None` where it is best left alone; or why nothing can be planned.
    pub plan: Option<std::result::Result<Plan, String>>,
    /// The same as rows of the job.
    pub metal: Vec<Metal>,
}

impl Folded {
    /// The next step.
    ///
    /// # Errors
    /// As the parts of the job refuse.
    pub fn next(&self, rotor: &Rotor) -> Result<Next> {
        if let Some(alarm) = &self.alarm {
            return Ok(Next::Look(alarm.clone()));
        }
        let Ok(posterior) = &self.posterior else { return Ok(self.trial_spin(rotor)) };
        let advice = self.advice(rotor);
        let ahead = advice.as_ref().map_or(Ahead::Open, |(_, spin)| Ahead::ToPass(*spin));
        let spin = |trial, why: &str| Next::Spin { trial, why: why.to_owned(), ahead };
        if self.scatter.is_none() {
            let why = "how far two spins of this rig differ with nothing changed is not known yet; \
                       without it nothing passes";
            let trial = self.spins.last().map_or_else(Vec::new, |(_, spin)| spin.trial.clone());
            return Ok(spin(trial, why));
        }
        let (Some(verdict), Some((forecast, _))) = (&self.verdict, advice) else {
            return Ok(spin(Vec::new(), "the rotor cannot be judged yet"));
        };
        if self.is_unspun() {
            return Ok(spin(Vec::new(), "to see what the correction did"));
        }
        if let Some(why) = self.hopeless(rotor) {
            return Ok(Next::Hopeless { why });
        }
        if self.spins.last().is_some_and(|(_, s)| !s.trial.is_empty()) && verdict.chance >= SURE {
            return Ok(spin(Vec::new(), "take the trial masses off; it is shown as it is to be"));
        }
        if verdict.standing == Standing::Passes {
            return Ok(match self.refits_missing(rotor) {
                0 => Next::Done,
                missing => Next::Refit { missing },
            });
        }
        if !forecast.correct {
            let why =
                "too little is known to drill: another spin tells more than a hole would mend";
            return Ok(Next::SpinAgain { why: why.to_owned(), forecast });
        }
        Ok(Next::Correct { planes: self.plane_plans(rotor, &posterior.now), forecast })
    }

    /// Whether something was corrected since the last spin.
    pub fn is_unspun(&self) -> bool {
        self.corrections.len() > self.history.spins.last().map_or(0, |spin| spin.corrections)
    }

    /// Why no correction can make it pass: what refits scatter is too much.
    fn hopeless(&self, rotor: &Rotor) -> Option<String> {
        let verdict = self.judgement.as_ref()?.judge(&self.refit_alone()?);
        (self.refits_missing(rotor) == 0 && verdict.chance < SURE).then(|| {
            format!(
                "refitting alone scatters so much that a rotor without any unbalance would be within with {:.0} % \
                 only: mend the fit (marks, nut torque, seats), or balance the parts as they stay together",
                100.0 * verdict.chance
            )
        })
    }

    /// What is best, with what is likely still to come; and the same where a spin comes first. `None` before
    /// anything is known.
    fn advice(&self, rotor: &Rotor) -> Option<(Advice, Advice)> {
        let (Ok(posterior), Some(judgement)) = (&self.posterior, &self.judgement) else {
            return None;
        };
        let aim = Aim {
            limits: judgement.limits(),
            pass_at: SURE,
            correction_cost: CORRECTION_COST,
            spread: rotor.spread(),
        };
        let mut outlook = Outlook::of(&self.history, posterior, &judgement.map);
        if let Some(refit) = self.refit_alone() {
            outlook.always = refit.through(&judgement.map).deviations();
        }
        Some((advise(&aim, &outlook), after_a_spin(&aim, &outlook)))
    }

    /// The next spin of those that tell the coefficients of a new type.
    fn trial_spin(&self, rotor: &Rotor) -> Next {
        let repeats = usize::from(self.scatter.is_none());
        if rotor.of_type.is_some() {
            let why = "the type is known: no trial mass is needed".to_owned();
            return Next::Spin { trial: Vec::new(), why, ahead: Ahead::SpinsToPlan(1 + repeats) };
        }
        let sizes = self.trial_sizes_g_mm(rotor);
        let design = trial_masses(&sizes);
        // a spin repeated unchanged fills one place of the design
        let mut distinct: Vec<&Vec<Mass>> = Vec::new();
        for (_, spin) in &self.spins {
            if !distinct.contains(&&spin.trial) {
                distinct.push(&spin.trial);
            }
        }
        let ahead =
            Ahead::SpinsToPlan(design.len().saturating_sub(distinct.len()).max(1) + repeats);
        if self.spins.len() == 1 && repeats > 0 {
            let why = "the same once more, nothing changed: it tells how far two spins of this rig \
                       differ";
            return Next::Spin { trial: self.spins[0].1.trial.clone(), why: why.to_owned(), ahead };
        }
        let masses = design.get(distinct.len()).unwrap_or(&design[0]);
        let trial = rotor.planes.iter().zip(masses);
        let trial = trial.map(|(plane, mass)| rounded(mass_of(plane, *mass, &self.machine)));
        let why = format!(
            "trial masses in {} at once, moved on from spin to spin: {} tell what each does",
            counted(rotor.planes.len(), "plane"),
            counted(design.len(), "spin"),
        );
        Next::Spin { trial: trial.collect(), why, ahead }
    }

    /// The same for one plane.
    pub fn trial_size_g_mm(&self, rotor: &Rotor) -> f64 {
        self.trial_sizes_g_mm(rotor).into_iter().fold(0.0, f64::max)
    }

    /// Trial masses large enough to be told from noise, as unbalance in g mm in each plane.
    fn trial_sizes_g_mm(&self, rotor: &Rotor) -> Vec<f64> {
        let planes = rotor.planes.len() as f64;
        let permissible = self.judgement.as_ref().map_or(0.0, |judgement| match judgement.basis {
            Basis::Grade { permissible_g_mm, .. } => permissible_g_mm / planes,
            Basis::Vibration => 0.0,
        });
        let slowest = rotor.balance_rpm.iter().copied().fold(f64::INFINITY, f64::min);
        let omega = std::f64::consts::TAU * slowest / 60.0;
        // kg times m/s² over (rad/s)² is kg m, a million g mm
        let by_weight = self.machine.shaft.mass_kg.map_or(0.0, |mass_kg| {
            1e6 * TRIAL_OVER_WEIGHT * mass_kg * crate::units::STANDARD_GRAVITY_M_S2
                / (omega * omega)
        });
        let size = (TRIAL_OVER_PERMISSIBLE * permissible).max(by_weight / planes);
        vec![size; rotor.planes.len()]
    }

    /// What to do in each plane.
    fn plane_plans(&self, rotor: &Rotor, now: &Uncertain) -> Vec<PlanePlan> {
        let errors = now.deviations();
        let left = self.left_alone(rotor, now);
        (rotor.planes.iter().enumerate())
            .map(|(p, plane)| {
                let plan = (!left[p]).then(|| self.plan_of(rotor, p, now.mean[p], errors[p]));
                let metal = match &plan {
                    Some(Ok(plan)) => {
                        let row = |hole| metal_of_hole(plane, hole, &self.machine);
                        plan.holes.iter().map(row).collect()
                    }
                    _ => Vec::new(),
                };
                PlanePlan {
                    metal,
                    plane: plane.clone(),
                    unbalance: mass_of(plane, now.mean[p], &self.machine),
                    error_g_mm: errors[p],
                    plan,
                }
            })
            .collect()
    }

    fn plan_of(
        &self,
        rotor: &Rotor,
        plane: usize,
        mean: Complex64,
        error_g_mm: f64,
    ) -> std::result::Result<Plan, String> {
        let name = &rotor.planes[plane];
        let allowed = Allowed::of(&self.machine, name).map_err(|error| error.to_string())?;
        let old = self.holes_in(name);
        let need = Need {
            unbalance: mean,
            deviation_g_mm: error_g_mm,
            spread: rotor.spread(),
            // the other planes keep something as well
            limit_g_mm: self.limit_in_plane(plane).unwrap_or(0.0) / rotor.planes.len() as f64,
        };
        plan::plan(&allowed, &old, &need).map_err(|error| error.to_string())
    }

    /// Planes that are better left alone: correcting them adds no chance to pass worth a hole.
    fn left_alone(&self, rotor: &Rotor, now: &Uncertain) -> Vec<bool> {
        let mut left = vec![false; rotor.planes.len()];
        let Some(judgement) = &self.judgement else { return left };
        let chance = |left: &[bool]| {
            let mean = now.mean.iter().zip(left);
            let mean = mean.map(|(u, left)| if *left { *u } else { Complex64::ZERO }).collect();
            judgement.judge(&Uncertain { mean, covariance: now.covariance.clone() }).chance
        };
        let all = chance(&left);
        let mut order: Vec<usize> = (0..left.len()).collect();
        order.sort_by(|a, b| now.mean[*a].norm().total_cmp(&now.mean[*b].norm()));
        // something has to be corrected, or the rotor would pass as it is
        for plane in order.into_iter().take(left.len() - 1) {
            left[plane] = true;
            left[plane] = chance(&left) >= AS_GOOD * all;
        }
        left
    }
}

/// A mass as a technician sets it: two digits, whole degrees.
fn rounded(mass: Mass) -> Mass {
    let scale = 10_f64.powf(1.0 - mass.g_mm.abs().max(1e-9).log10().floor());
    Mass { g_mm: (mass.g_mm * scale).round() / scale, deg: mass.deg.round(), ..mass }
}

/// `0.40 g mm at 124 deg`.
pub fn told(mass: &Mass) -> String {
    format!("{} g mm at {} deg", three_digits(mass.g_mm), grouped(mass.deg))
}
