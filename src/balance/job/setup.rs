//! Tests of the set-up: each ends in whether it can balance to what is asked.

use super::event::{Read, Test, Tested};
use super::fold::{Folded, independent};
use super::{Job, counted};
use crate::balance::estimate::Uncertain;
use crate::balance::forecast::chance_within;
use crate::balance::index::{ResidualTest, parted, reduction_ratio};
use crate::balance::influence;
use crate::balance::judgement::{Judgement, SURE};
use crate::dsp::fft::Complex64;
use crate::error::{Error, Result};
use crate::units::{listed, three_digits, with_error};

/// The mandrel may carry this share of a limit (common practice, no source).
const MANDREL_SHARE: f64 = 1.0 / 3.0;
/// Reduction that balancing machines usually claim (ISO 21940-21; from memory).
const CLAIMED_REDUCTION: f64 = 0.95;
/// Spins for one verdict that are bearable (common practice, no source).
const MOST_SPINS: usize = 5;
/// Mass of the residual test over the residual claimed (ISO 21940-21; from memory, fairly sure).
const MASS_OVER_CLAIM: f64 = 10.0;
/// Places of the residual test at least; the standard has twelve.
const LEAST_PLACES: usize = 6;

/// An unbalance in each plane from one spin alone, with its standard errors.
struct Alone {
    unbalance: Vec<Complex64>,
    errors: Vec<f64>,
}

impl Job {
    /// A test of the set-up: `spins` holds the vectors of each of its recordings, `plane` and `g_mm` are those of the
    /// mass of the residual test.
    ///
    /// # Errors
    /// [`Error::Setting`] where recordings, plane or mass are missing; else as the tests themselves.
    pub fn test(
        &self,
        which: Test,
        spins: &[Vec<Read>],
        plane: Option<&str>,
        g_mm: Option<f64>,
    ) -> Result<Tested> {
        let folded = &self.going()?;
        let missing = |what: &str| Error::setting(what, "the residual test needs it", "state it");
        match (which, spins) {
            (Test::Index, [as_mounted, turned]) => self.index_test(folded, as_mounted, turned),
            (Test::Index, other) => {
                let problem = format!("the index test takes two recordings, not {}", other.len());
                let mend = "name the one as mounted, then the one with the rotor turned";
                Err(Error::setting("recordings", problem, mend))
            }
            (Test::Residual, places) => {
                let plane = plane.ok_or_else(|| missing("plane"))?;
                self.residual_test(folded, plane, g_mm.ok_or_else(|| missing("mass"))?, places)
            }
            (Test::Reduction, _) => self.reduction_test(folded),
            (Test::Repeatability, _) => self.repeatability_test(folded),
        }
    }

    /// The index test: one spin as mounted, one with the rotor turned by 180 degrees upon its mandrel, the mark
    /// on the mandrel.
    ///
    /// # Errors
    /// [`Error::TooLittle`] where the job has no coefficients yet.
    fn index_test(&self, folded: &Folded, as_mounted: &[Read], turned: &[Read]) -> Result<Tested> {
        let judgement = judgement_of(folded)?;
        let (first, second) = (self.alone(folded, as_mounted)?, self.alone(folded, turned)?);
        let planes = self.rotor.planes.len();
        let both = |p: usize| parted(first.unbalance[p], second.unbalance[p]);
        // half the sum of two readings with the same error
        let error = |p: usize| 0.5 * first.errors[p].hypot(second.errors[p]);
        let mandrel = uncertain((0..planes).map(|p| (both(p).mandrel, error(p))));
        let verdict = judgement.judge(&mandrel);
        let passed =
            verdict.judged.iter().all(|j| j.value + 2.0 * j.error <= MANDREL_SHARE * j.limit);
        let told = |p: usize| {
            format!(
                "{}: rotor {}, mandrel {} g mm",
                self.rotor.planes[p],
                with_error(both(p).rotor.norm(), error(p)),
                with_error(both(p).mandrel.norm(), error(p)),
            )
        };
        let parts: Vec<String> = (0..planes).map(told).collect();
        let end = if passed {
            "the mandrel carries less than a third of every limit, so this set-up can balance to it"
        } else {
            "the mandrel cannot be shown to carry less than a third of every limit: balance the mandrel, or test \
             every rotor both ways and correct by the rotor's part"
        };
        Ok(self.tested(Test::Index, passed, format!("{}; {end}", listed(&parts))))
    }

    /// The residual test: a mass of ten times the residual claimed, set at equal angles in one plane.
    ///
    /// # Errors
    /// [`Error::TooLittle`] with fewer than six places or without coefficients; [`Error::Setting`] for a plane
    /// that is not known or a mass that is none.
    fn residual_test(
        &self,
        folded: &Folded,
        plane: &str,
        g_mm: f64,
        places: &[Vec<Read>],
    ) -> Result<Tested> {
        let judgement = judgement_of(folded)?;
        let p = self.rotor.plane(plane)?;
        crate::balance::check_positive("mass", g_mm, "state the mass in g times its radius in mm")?;
        if places.len() < LEAST_PLACES {
            let needed = format!("{LEAST_PLACES} places (twelve in the standard)");
            let got = counted(places.len(), "recording");
            return Err(Error::too_little("the residual test", needed, got));
        }
        let amplitudes: Vec<f64> = places
            .iter()
            .map(|reads| Ok(self.alone(folded, reads)?.unbalance[p].norm()))
            .collect::<Result<_>>()?;
        let test = ResidualTest::of(&amplitudes).ok_or_else(|| {
            Error::too_little("the residual test", "vectors above nought", "none")
        })?;
        let claimed = g_mm / MASS_OVER_CLAIM;
        let limit = judgement.limit_in_plane(p);
        let passed = test.passes() && claimed <= limit;
        let (low, high) = ResidualTest::LIMITS;
        let outcome = format!(
            "{} of {} over the mean from {:.2} to {:.2}, {} outside {low} to {high}: {} g mm in {plane} can {}be \
             reached, {} are asked for",
            counted(places.len(), "amplitude"),
            three_digits(g_mm),
            test.least,
            test.largest,
            test.outside,
            three_digits(claimed),
            if test.passes() { "" } else { "not " },
            three_digits(limit),
        );
        Ok(self.tested(Test::Residual, passed, outcome))
    }

    /// How far the last correction lowered what is judged, against what drilling as exact as stated leaves.
    ///
    /// # Errors
    /// [`Error::TooLittle`] without a correction and a spin after it.
    fn reduction_test(&self, folded: &Folded) -> Result<Tested> {
        let judgement = judgement_of(folded)?;
        let corrections = folded.history.spins.last().map_or(0, |spin| spin.corrections);
        let mut before = folded.history.clone();
        before.spins.retain(|spin| spin.corrections < corrections);
        before.corrections.truncate(corrections.saturating_sub(1));
        if corrections == 0 || before.spins.is_empty() {
            let needed = "a correction with spins before and after it";
            return Err(Error::too_little("the reduction ratio", needed, "none"));
        }
        let size = |now: &Uncertain| {
            now.through(&judgement.map).mean.iter().map(|m| m.norm_sqr()).sum::<f64>().sqrt()
        };
        // a correction that nobody spun yet achieved nothing that is known
        let mut after = folded.history.clone();
        after.corrections.truncate(corrections);
        let (u1, u2) = (size(&before.posterior()?.now), size(&after.posterior()?.now));
        if !(u1 > 0.0) {
            let needed = "an unbalance before the correction";
            return Err(Error::too_little("the reduction ratio", needed, "none"));
        }
        let spread = self.rotor.spread();
        let asked = CLAIMED_REDUCTION - spread.share.hypot(spread.angle_rad);
        let ratio = reduction_ratio(u1, u2);
        let passed = ratio >= asked;
        let outcome = format!(
            "the last correction took away {:.0} % of what is judged, (U1 - U2) / U1 = ({} - {}) / {}; {:.0} % \
             are asked for: 95 % as machines claim, less what drilling to {} % and {} deg leaves",
            100.0 * ratio,
            three_digits(u1),
            three_digits(u2),
            three_digits(u1),
            100.0 * asked,
            self.rotor.drilling_percent,
            self.rotor.drilling_deg,
        );
        Ok(self.tested(Test::Reduction, passed, outcome))
    }

    /// Whether one spin repeats well enough for a verdict.
    ///
    /// # Errors
    /// [`Error::TooLittle`] where no spin was repeated unchanged, or without coefficients.
    fn repeatability_test(&self, folded: &Folded) -> Result<Tested> {
        let judgement = judgement_of(folded)?;
        if folded.scatter.is_none() {
            let needed = "one spin repeated with nothing changed";
            return Err(Error::too_little("repeatability", needed, "none"));
        }
        let last = folded.spins.last().map(|(_, spin)| spin.reading.as_slice());
        let alone = self.alone(folded, last.unwrap_or_default())?;
        let none = alone.errors.iter().map(|error| (Complex64::ZERO, *error));
        let verdict = judgement.judge(&uncertain(none));
        let spins_of = |j: &crate::balance::judgement::Judged| {
            (1..100)
                .find(|&n| chance_within(0.0, j.error / f64::from(n).sqrt(), j.limit) >= SURE)
                .unwrap_or(100)
        };
        let spins = verdict.judged.iter().map(spins_of).max().unwrap_or(1) as usize;
        let errors: Vec<String> = (verdict.judged.iter())
            .map(|j| {
                let (error, limit) = (three_digits(j.error), three_digits(j.limit));
                format!("{error} of {limit} {} at {}", j.unit, j.name)
            })
            .collect();
        let outcome = format!(
            "one spin tells to {} (standard deviation of both parts); a rotor without any unbalance needs {} to \
             pass, {MOST_SPINS} are bearable",
            listed(&errors),
            counted(spins, "spin"),
        );
        Ok(self.tested(Test::Repeatability, spins <= MOST_SPINS, outcome))
    }

    fn tested(&self, test: Test, passed: bool, outcome: String) -> Tested {
        Tested { test, recordings: Vec::new(), passed, outcome }
    }

    /// What the readings of one spin say by themselves, with the coefficients of the job.
    fn alone(&self, folded: &Folded, reads: &[Read]) -> Result<Alone> {
        let posterior = folded.posterior.as_ref().map_err(|why| too_early(why))?;
        let readings = self.rotor.ordered(reads)?;
        let scatter = folded.scatter.as_ref().map_or(&[][..], |known| known.deviations.as_slice());
        let phasors: Vec<Complex64> = readings.iter().map(|reading| reading.phasor).collect();
        let errors: Vec<f64> = (readings.iter().enumerate())
            .map(|(r, reading)| reading.error.hypot(scatter.get(r).copied().unwrap_or(0.0)))
            .collect();
        let found = influence::unbalance(&posterior.coefficients, &phasors, &errors)?;
        Ok(Alone {
            unbalance: found.unbalance.iter().copied().collect(),
            errors: found.errors.iter().copied().collect(),
        })
    }
}

fn too_early(why: &str) -> Error {
    Error::too_little(
        "a test of the set-up",
        "coefficients from spins of this job or earlier ones",
        why,
    )
}

fn judgement_of(folded: &Folded) -> Result<&Judgement> {
    let why = folded.posterior.as_ref().err().map_or("", String::as_str);
    folded.judgement.as_ref().ok_or_else(|| too_early(why))
}

fn uncertain(planes: impl Iterator<Item = (Complex64, f64)>) -> Uncertain {
    let (mean, errors): (Vec<Complex64>, Vec<f64>) = planes.unzip();
    Uncertain { mean, covariance: independent(&errors) }
}
