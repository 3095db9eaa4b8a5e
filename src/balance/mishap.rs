//! Whether a change did what it should, and what went wrong where it did not.
//!
//! What all spins before the last one say is carried through the changes made since, and the last spin is held
//! against it. Beyond 3 standard deviations the job stops. Every way in which any earlier change may have gone
//! wrong is then tried on the record: how probable the readings are with it ranks it. A wrong trial
//! mass of a rotor of a new type shows only at the first correction, since nothing could be predicted before; so
//! every change of the job is under suspicion, not only the last.

use std::f64::consts::{PI, SQRT_2};

use nalgebra::{DMatrix, DVector};

use super::estimate::{History, Posterior, Spin, Vague, Values};
use crate::dsp::fft::Complex64;
use crate::error::{Error, Result};

/// A job stops where a spin lies further from what was predicted, in standard deviations (common practice, no
/// source): by chance one spin in 370.
const STOP_SIGMAS: f64 = 3.0;
/// From here on the suspects are weighed before the job goes on: what no single spin proves, several may.
const DOUBT_SIGMAS: f64 = 1.8;
/// A job stops as well where all spins together leave less probability than this that nothing went wrong.
const LEAST_CHANCE: f64 = 0.05;
/// Share of changes that go wrong, before anything is read (common practice, no source).
const STRUCK: f64 = 0.05;
/// The same for whatever has no other name: a shifted sensor, a changed rig, a bad reading.
const STRUCK_OTHERWISE: f64 = 0.005;
/// Range of the factors by which a depth may be wrong.
const FACTORS: (f64, f64) = (0.2, 3.0);
/// Factors tried over that range, before the search about the best of them.
const FACTORS_TRIED: usize = 12;
/// Steps of that search.
const FACTOR_STEPS: usize = 12;

/// What may have gone wrong with a change.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Cause {
    /// The angle was counted the wrong way round.
    MirroredAngle,
    /// Opposite to where it should be.
    HalfTurn,
    /// What belongs to one plane was done in the other.
    SwappedPlanes,
    /// The trial mass is gone, or the hole was not drilled.
    LostMass,
    /// At the right place, but by this factor too much or too little.
    WrongDepth {
        /// What was done over what was planned.
        factor: f64,
    },
    /// The rig or a sensor changed, or the reading is bad.
    Other,
}

/// What was done to the rotor before a spin, or for it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Change {
    /// Trial masses set for a spin, counted from 0.
    Trial {
        /// Index of the spin.
        spin: usize,
    },
    /// A correction, counted from 0.
    Correction {
        /// Index of the correction.
        index: usize,
    },
}

/// An account of a job in which something went wrong.
#[derive(Debug, Clone, PartialEq)]
pub struct Suspect {
    /// What went wrong.
    pub cause: Cause,
    /// With which change; `None` for [`Cause::Other`].
    pub change: Option<Change>,
    /// In which planes, counted from 0: where it may be one plane or several, the likeliest of these.
    pub planes: Vec<usize>,
    /// How probable this is, against all other suspects and against chance.
    pub probability: f64,
    /// The job as it would be if this is what happened.
    pub mended: History,
}

/// One reading of the last spin against what was predicted.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Deviation {
    /// As read.
    pub measured: Complex64,
    /// As it should be.
    pub predicted: Complex64,
    /// How far apart they are, in standard deviations in that direction.
    pub sigmas: f64,
}

/// The last spin is not what was predicted.
#[derive(Debug, Clone, PartialEq)]
pub struct Alarm {
    /// How far off all readings are together: the two-sided standard deviations of a normal distribution that
    /// are as improbable.
    pub sigmas: f64,
    /// Each reading.
    pub readings: Vec<Deviation>,
    /// How probable it is that nothing went wrong.
    pub by_chance: f64,
    /// What may have gone wrong, the most probable first.
    pub suspects: Vec<Suspect>,
}

impl Cause {
    /// A stable word for it.
    pub fn word(&self) -> &'static str {
        match self {
            Self::MirroredAngle => "mirrored_angle",
            Self::HalfTurn => "half_turn",
            Self::SwappedPlanes => "swapped_planes",
            Self::LostMass => "lost_mass",
            Self::WrongDepth { .. } => "wrong_depth",
            Self::Other => "other",
        }
    }

    /// How many of all mishaps are of this kind, before anything is read (common practice, no source).
    fn share(&self) -> f64 {
        match self {
            Self::MirroredAngle | Self::HalfTurn | Self::LostMass => 0.2,
            Self::SwappedPlanes => 0.15,
            Self::WrongDepth { .. } => 0.25,
            Self::Other => 1.0,
        }
    }

    /// What becomes of a plan in the given planes.
    fn done(&self, planned: &[Complex64], planes: &[usize]) -> Vec<Complex64> {
        let mut done = planned.to_vec();
        for &plane in planes {
            done[plane] = match self {
                Self::MirroredAngle => planned[plane].conj(),
                Self::HalfTurn => -planned[plane],
                Self::SwappedPlanes => planned[planes[0] + planes[1] - plane],
                Self::LostMass => Complex64::ZERO,
                Self::WrongDepth { factor } => planned[plane] * *factor,
                Self::Other => planned[plane],
            };
        }
        done
    }
}

/// Holds the last spin against what all spins before it and the changes since predict.
///
/// `None` where it agrees, or where nothing can be predicted: at the first spin of a rotor, and at the trial
/// spins of a new type.
///
/// # Errors
/// [`Error::Setting`] and [`Error::Numerical`] as [`History::posterior`].
pub fn check(history: &History) -> Result<Option<Alarm>> {
    let Some((last, before)) = history.spins.split_last() else { return Ok(None) };
    let upto = last.corrections.min(history.corrections.len());
    let earlier = History {
        known: history.known.clone(),
        spins: before.to_vec(),
        corrections: history.corrections[..upto].to_vec(),
    };
    let posterior = match earlier.posterior() {
        Ok(posterior) => posterior,
        Err(Error::TooLittle { .. }) => return Ok(None),
        Err(error) => return Err(error),
    };
    let (predicted, covariance) = posterior.predict(&earlier, last);
    let off = DVector::from_iterator(
        2 * predicted.len(),
        last.readings.iter().zip(&predicted).flat_map(|(read, p)| {
            let off = read - p;
            [off.re, off.im]
        }),
    );
    let square = mahalanobis(&off, &covariance)?;
    let sigmas = sigmas_of_chi_square(square, predicted.len());
    if sigmas <= DOUBT_SIGMAS {
        return Ok(None);
    }
    let (by_chance, suspects) = rank(history, &posterior)?;
    if sigmas <= STOP_SIGMAS && by_chance > LEAST_CHANCE {
        return Ok(None);
    }
    let readings = deviations(last, &predicted, &off, &covariance)?;
    Ok(Some(Alarm { sigmas, readings, by_chance, suspects }))
}

fn deviations(
    last: &Spin,
    predicted: &[Complex64],
    off: &DVector<f64>,
    covariance: &DMatrix<f64>,
) -> Result<Vec<Deviation>> {
    let of_one = |(r, (measured, predicted)): (usize, (&Complex64, &Complex64))| {
        let part = off.rows(2 * r, 2).into_owned();
        let spread = covariance.view((2 * r, 2 * r), (2, 2)).into_owned();
        let sigmas = mahalanobis(&part, &spread)?.sqrt();
        Ok(Deviation { measured: *measured, predicted: *predicted, sigmas })
    };
    last.readings.iter().zip(predicted).enumerate().map(of_one).collect()
}

/// Square of a deviation over its spread.
fn mahalanobis(off: &DVector<f64>, covariance: &DMatrix<f64>) -> Result<f64> {
    let factor = covariance.clone().cholesky().ok_or_else(|| {
        Error::numerical("the readings expected of a spin", "their spread is no number")
    })?;
    Ok(off.dot(&factor.solve(off)))
}

/// One way in which a change may have gone wrong, weighed.
struct Account {
    suspect: Suspect,
    /// Logarithm of prior times evidence.
    weight: f64,
}

/// A record on trial.
struct Trial<'a> {
    history: &'a History,
    /// Sizes of what nothing is known of.
    vague: Vague,
    /// Values to search from.
    near: Vec<Values>,
}

/// The probability that nothing went wrong, and all suspects with theirs.
fn rank(history: &History, before: &Posterior) -> Result<(f64, Vec<Suspect>)> {
    let trial = Trial {
        history,
        vague: Vague::like(before.values()),
        near: [Some(before.clone()), history.posterior().ok()]
            .into_iter()
            .flatten()
            .map(|posterior| posterior.values().clone())
            .collect(),
    };
    let nothing_wrong = trial.weigh(history);
    let mut accounts: Vec<Account> =
        changes(history).into_iter().flat_map(|change| trial.accounts_of(change)).collect();
    accounts.extend(trial.otherwise());
    let heaviest = accounts.iter().map(|a| a.weight).fold(nothing_wrong, f64::max);
    let share = |weight: f64| (weight - heaviest).exp();
    let sum = share(nothing_wrong) + accounts.iter().map(|a| share(a.weight)).sum::<f64>();
    let mut suspects: Vec<Suspect> = Vec::new();
    accounts.sort_by(|a, b| b.weight.total_cmp(&a.weight));
    for Account { mut suspect, weight } in accounts {
        suspect.probability = share(weight) / sum;
        let same = |other: &&mut Suspect| {
            other.change == suspect.change && other.cause.word() == suspect.cause.word()
        };
        // in which planes shows when the operator looks at the rotor
        match suspects.iter_mut().find(same) {
            Some(likelier) => likelier.probability += suspect.probability,
            None => suspects.push(suspect),
        }
    }
    suspects.sort_by(|a, b| b.probability.total_cmp(&a.probability));
    Ok((share(nothing_wrong) / sum, suspects))
}

/// All changes that the spins can tell of.
fn changes(history: &History) -> Vec<Change> {
    let spun = history.spins.iter().map(|spin| spin.corrections).max().unwrap_or(0);
    let trials = (0..history.spins.len()).map(|spin| Change::Trial { spin });
    let corrections =
        (0..spun.min(history.corrections.len())).map(|index| Change::Correction { index });
    trials.chain(corrections).collect()
}

fn planned(history: &History, change: Change) -> &[Complex64] {
    match change {
        Change::Trial { spin } => &history.spins[spin].trial,
        Change::Correction { index } => &history.corrections[index].planned,
    }
}

/// The history as it would be had a change gone wrong.
fn mended(history: &History, change: Change, cause: Cause, planes: &[usize]) -> History {
    let mut mended = history.clone();
    let done = cause.done(planned(history, change), planes);
    match change {
        Change::Trial { spin } => mended.spins[spin].trial = done,
        Change::Correction { index } => mended.corrections[index].planned = done,
    }
    mended
}

impl Trial<'_> {
    /// Logarithm of the evidence of an account.
    fn weigh(&self, account: &History) -> f64 {
        let near: Vec<&Values> = self.near.iter().collect();
        account.weigh(&self.vague, &near, true).map_or(f64::NEG_INFINITY, |found| found.0)
    }

    /// Everything that may have gone wrong with a change.
    fn accounts_of(&self, change: Change) -> Vec<Account> {
        let planned = planned(self.history, change);
        let used: Vec<usize> = (0..planned.len()).filter(|&p| planned[p].norm() > 0.0).collect();
        if used.is_empty() {
            return Vec::new();
        }
        let mut sets: Vec<Vec<usize>> = used.iter().map(|&plane| vec![plane]).collect();
        if used.len() > 1 {
            sets.push(used.clone());
        }
        let pairs: Vec<Vec<usize>> = (0..planned.len())
            .flat_map(|a| (a + 1..planned.len()).map(move |b| vec![a, b]))
            .filter(|pair| pair.iter().any(|plane| used.contains(plane)))
            .collect();
        let plain = [Cause::MirroredAngle, Cause::HalfTurn, Cause::LostMass];
        let mut accounts = Vec::new();
        for planes in &sets {
            accounts.extend(plain.map(|cause| self.account(change, cause, planes, sets.len())));
            let (factor, evidence) = self.best_factor(change, planes);
            let cause = Cause::WrongDepth { factor };
            accounts.push(self.weighed(change, cause, planes, sets.len(), evidence));
        }
        let swapped =
            |pair: &Vec<usize>| self.account(change, Cause::SwappedPlanes, pair, pairs.len());
        accounts.extend(pairs.iter().map(swapped));
        accounts
    }

    /// One way in which a change may have gone wrong, of several `variants`.
    fn account(&self, change: Change, cause: Cause, planes: &[usize], variants: usize) -> Account {
        let evidence = self.weigh(&mended(self.history, change, cause, planes));
        self.weighed(change, cause, planes, variants, evidence)
    }

    fn weighed(
        &self,
        change: Change,
        cause: Cause,
        planes: &[usize],
        variants: usize,
        evidence: f64,
    ) -> Account {
        let suspect = Suspect {
            cause,
            change: Some(change),
            planes: planes.to_vec(),
            probability: 0.0,
            mended: mended(self.history, change, cause, planes),
        };
        Account { suspect, weight: (STRUCK * cause.share() / variants as f64).ln() + evidence }
    }

    /// Something else: the last spin tells nothing.
    fn otherwise(&self) -> Option<Account> {
        let mut silent = self.history.clone();
        silent.spins.last_mut()?.errors = self.history.largest_readings();
        let mut mended = self.history.clone();
        mended.spins.pop();
        let suspect = Suspect {
            cause: Cause::Other,
            change: None,
            planes: Vec::new(),
            probability: 0.0,
            mended,
        };
        Some(Account { suspect, weight: STRUCK_OTHERWISE.ln() + self.weigh(&silent) })
    }

    /// The factor of the greatest evidence, and the evidence over all factors, each as probable before as any
    /// other on a logarithmic scale.
    fn best_factor(&self, change: Change, planes: &[usize]) -> (f64, f64) {
        let (low, high) = (FACTORS.0.ln(), FACTORS.1.ln());
        let step = (high - low) / (FACTORS_TRIED - 1) as f64;
        let mut near = self.near.clone();
        // from the values of the factor before
        let mut at = |x: f64, own_start: bool| {
            let cause = Cause::WrongDepth { factor: x.exp() };
            let account = mended(self.history, change, cause, planes);
            let starts: Vec<&Values> = near.iter().collect();
            let Some((evidence, values)) = account.weigh(&self.vague, &starts, own_start) else {
                return f64::NEG_INFINITY;
            };
            near = vec![values];
            evidence
        };
        let (mut middle, mut best) = (low, f64::NEG_INFINITY);
        for i in 0..FACTORS_TRIED {
            let x = low + step * i as f64;
            let here = at(x, true);
            if here > best {
                (middle, best) = (x, here);
            }
        }
        // moves to the better neighbour, and halves the distance where there is none
        let mut reach = 0.5 * step;
        let mut curvature = 0.0;
        best = best.max(at(middle, true));
        for _ in 0..FACTOR_STEPS {
            let sides = [middle - reach, middle + reach];
            let there = sides.map(|x| at(x, false));
            let inside = |i: usize| (low..=high).contains(&sides[i]);
            match (0..2).find(|&i| inside(i) && there[i] > best) {
                Some(better) => (middle, best) = (sides[better], there[better]),
                None => {
                    let bend = (2.0 * best - there[0] - there[1]) / (reach * reach);
                    if bend.is_finite() && bend > 0.0 {
                        curvature = bend;
                    }
                    if bend * reach * reach < 0.3 {
                        break;
                    }
                    reach *= 0.5;
                }
            }
        }
        let width = if curvature > 0.0 { (2.0 * PI / curvature).sqrt() } else { high - low };
        (middle.exp(), best + (width / (high - low)).min(1.0).ln())
    }
}

/// The two-sided standard deviations of a normal distribution that are as improbable as a sum of `2 pairs`
/// squares of at least `square`.
fn sigmas_of_chi_square(square: f64, pairs: usize) -> f64 {
    if !square.is_finite() {
        return f64::INFINITY;
    }
    let half = 0.5 * square.max(0.0);
    // survival of an even number of degrees of freedom: e^-h sum of h^k / k! (M. Abramowitz, I. A. Stegun,
    // Handbook of Mathematical Functions, 26.4.21; from memory)
    let (mut term, mut sum) = (1.0_f64, 0.0_f64);
    for k in 0..pairs {
        sum += term;
        term *= half / (k + 1) as f64;
    }
    let wanted = sum.ln() - half;
    let (mut low, mut high) = (0.0, square.sqrt() + 1.0);
    for _ in 0..60 {
        let middle = 0.5 * (low + high);
        if log_two_sided(middle) > wanted { low = middle } else { high = middle }
    }
    0.5 * (low + high)
}

/// Logarithm of the probability that a normal number lies beyond `sigmas` on either side (W. J. Lentz's
/// continued fraction above 2, the series of the error function below; from memory).
fn log_two_sided(sigmas: f64) -> f64 {
    let x = sigmas / SQRT_2;
    if sigmas > 2.0 {
        let fraction = (1..=60).rev().fold(x, |below, k| x + 0.5 * f64::from(k) / below);
        return -x * x - (PI.sqrt() * fraction).ln();
    }
    let (mut term, mut sum) = (x, x);
    for k in 1..40 {
        term *= -x * x / f64::from(k);
        sum += term / f64::from(2 * k + 1);
    }
    (1.0 - 2.0 / PI.sqrt() * sum).ln()
}

#[cfg(test)]
mod tests {
    use super::super::design::trial_masses;
    use super::super::estimate::{Correction, Known, Spread};
    use super::*;

    const DRILLING: Spread = Spread { share: 0.05, angle_rad: 0.035 };

    /// A rotor without noise, its coefficients, and a record of it.
    struct Bench {
        coefficients: DMatrix<Complex64>,
        unbalance: [Complex64; 2],
        history: History,
    }

    fn at(size: f64, deg: f64) -> Complex64 {
        Complex64::from_polar(size, deg.to_radians())
    }

    impl Bench {
        fn new(known_type: bool) -> Self {
            let rows = [at(1.0, 20.0), at(0.3, 110.0), at(0.4, -70.0), at(0.9, 200.0)];
            let coefficients = DMatrix::from_row_slice(2, 2, &rows);
            let spread = Spread { share: 0.03, angle_rad: 0.035 };
            let known = Known {
                scatter: vec![0.0; 2],
                refit_g_mm: vec![0.0; 2],
                bend: 0.0,
                coefficients: known_type.then(|| (coefficients.clone(), spread)),
            };
            let history = History { known, spins: Vec::new(), corrections: Vec::new() };
            Self { coefficients, unbalance: [at(12.0, 35.0), at(7.0, 260.0)], history }
        }

        /// A spin in which the trial masses were `real` where `stated` were meant.
        fn spin(&mut self, stated: &[Complex64], real: &[Complex64]) {
            let reading = |r: usize| -> Complex64 {
                (0..2).map(|p| self.coefficients[(r, p)] * (self.unbalance[p] + real[p])).sum()
            };
            let readings = vec![reading(0), reading(1)];
            let corrections = self.history.corrections.len();
            let spin =
                Spin { trial: stated.to_vec(), corrections, readings, errors: vec![0.05; 2] };
            self.history.spins.push(spin);
        }

        /// Plans to take all away that is known, does what `done` makes of it, and spins.
        fn correct(&mut self, done: impl Fn(&[Complex64]) -> Vec<Complex64>) {
            let now = self.history.posterior().expect("a sound record").now;
            let planned: Vec<Complex64> = now.mean.iter().map(|u| -u).collect();
            let done = done(&planned);
            (0..2).for_each(|p| self.unbalance[p] += done[p]);
            self.history.corrections.push(Correction { planned, spread: DRILLING });
            let none = [Complex64::ZERO; 2];
            self.spin(&none, &none);
        }

        fn alarm(&self) -> Alarm {
            check(&self.history).expect("a sound record").expect("something went wrong")
        }
    }

    fn wrongs() -> Vec<(Cause, Vec<usize>)> {
        vec![
            (Cause::MirroredAngle, vec![0, 1]),
            (Cause::MirroredAngle, vec![1]),
            (Cause::HalfTurn, vec![0, 1]),
            (Cause::HalfTurn, vec![0]),
            (Cause::SwappedPlanes, vec![0, 1]),
            (Cause::LostMass, vec![1]),
            (Cause::WrongDepth { factor: 0.55 }, vec![0]),
            (Cause::WrongDepth { factor: 1.7 }, vec![0, 1]),
        ]
    }

    #[test]
    fn a_correction_that_went_wrong_is_named_first() {
        for (cause, planes) in wrongs() {
            let mut bench = Bench::new(true);
            let none = [Complex64::ZERO; 2];
            bench.spin(&none, &none);
            bench.correct(|planned| cause.done(planned, &planes));
            let alarm = bench.alarm();
            let first = &alarm.suspects[0];
            let told = format!("{cause:?} {planes:?}: {:?}", first.cause);
            assert_eq!(first.cause.word(), cause.word(), "{told}");
            assert_eq!(first.change, Some(Change::Correction { index: 0 }), "{told}");
            assert_eq!(first.planes, planes, "{told}");
            assert!(alarm.sigmas > 5.0 && alarm.by_chance < 1e-3, "{told}");
            if let (Cause::WrongDepth { factor }, Cause::WrongDepth { factor: truth }) =
                (first.cause, cause)
            {
                assert!((factor / truth - 1.0).abs() < 0.06, "{told}");
            }
            assert_eq!(check(&first.mended).expect("a sound record"), None, "{told}");
        }
    }

    /// A wrong trial mass of a new type shows at the first correction, together with the coefficients.
    #[test]
    fn a_trial_mass_that_went_wrong_is_named_after_the_first_correction() {
        for (cause, planes) in wrongs() {
            let mut bench = Bench::new(false);
            for (i, stated) in trial_masses(&[10.0, 10.0]).into_iter().enumerate() {
                let real = if i == 1 { cause.done(&stated, &planes) } else { stated.clone() };
                bench.spin(&stated, &real);
                assert_eq!(check(&bench.history).expect("a sound record"), None);
            }
            bench.correct(<[Complex64]>::to_vec);
            let alarm = bench.alarm();
            let place = alarm.suspects.iter().position(|suspect| {
                suspect.change == Some(Change::Trial { spin: 1 })
                    && suspect.cause.word() == cause.word()
            });
            assert!(place.is_some_and(|place| place < 2), "{cause:?} {planes:?}: {place:?}");
        }
    }

    #[test]
    fn what_goes_as_planned_or_changes_nothing_is_no_alarm() {
        let mut bench = Bench::new(true);
        bench.unbalance = [at(12.0, 0.0), at(7.0, 180.0)];
        let none = [Complex64::ZERO; 2];
        assert_eq!(check(&bench.history).expect("an empty record"), None);
        bench.spin(&none, &none);
        assert_eq!(check(&bench.history).expect("one spin"), None);
        bench.correct(|planned| planned.iter().map(Complex64::conj).collect());
        assert_eq!(check(&bench.history).expect("two spins"), None);
    }

    #[test]
    fn a_reading_that_nothing_explains_is_left_to_something_else() {
        let mut bench = Bench::new(true);
        let none = [Complex64::ZERO; 2];
        bench.spin(&none, &none);
        bench.spin(&none, &none);
        let last = bench.history.spins.last_mut().expect("two spins");
        last.readings[0] *= at(1.0, 40.0);
        let alarm = bench.alarm();
        let first = &alarm.suspects[0];
        assert_eq!(first.cause, Cause::Other);
        assert_eq!(first.mended.spins.len(), 1);
        assert!(alarm.readings[0].sigmas > 10.0 && alarm.readings[1].sigmas < 1.0);
    }

    /// Chi-square at 2 and 4 degrees of freedom: R. A. Fisher's table (from memory) 5.991 and 9.488 at 5 %,
    /// 9.210 and 13.277 at 1 %; the normal distribution's 1.960 and 2.576.
    #[test]
    fn sigmas_are_as_improbable_as_the_sum_of_squares() {
        for (square, pairs, sigmas) in
            [(5.991, 1, 1.960), (9.488, 2, 1.960), (9.210, 1, 2.576), (13.277, 2, 2.576)]
        {
            assert!((sigmas_of_chi_square(square, pairs) - sigmas).abs() < 1e-3);
        }
        assert!(sigmas_of_chi_square(0.0, 2).abs() < 1e-6);
        // far out, z²/2 + ln(z sqrt(pi/2)) = 5e5 - ln(5e5 + 1) (own arithmetic)
        assert!((sigmas_of_chi_square(1e6, 2) - 999.979_75).abs() < 1e-4);
        // both branches meet
        assert!((log_two_sided(2.0 - 1e-9) - log_two_sided(2.0 + 1e-9)).abs() < 1e-6);
    }
}
