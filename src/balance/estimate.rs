//! What all spins of a rotor say together: its unbalance now, with its spread.
//!
//! Unknown are the first unbalance, the coefficients, how far they depend on the amplitude, and what
//! each correction really took away; known are the readings with their errors, what was planned with its
//! spread, and, for a type seen before, coefficients from earlier rotors. The most probable values
//! follow from a damped Gauss-Newton search, their covariance from the curvature there (maximum a posteriori
//! with the normal approximation: A. Gelman et al., Bayesian Data Analysis, 3rd ed. 2013, chapter 4; from
//! memory). A spin thus serves twice: for the unbalance and for the coefficients, trial masses and drilled
//! holes alike.

use nalgebra::{DMatrix, DVector, Matrix2, Vector2};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

use super::influence;
use crate::dsp::fft::Complex64;
use crate::error::{Error, Result};

/// Steps of the search.
const MOST_STEPS: usize = 60;
/// The search ends where a step lowers the cost by less.
const LEAST_GAIN: f64 = 1e-7;
/// The same where only the evidence is asked for.
const LEAST_GAIN_OF_EVIDENCE: f64 = 1e-2;
/// Starts from which the evidence is searched, those of least cost.
const STARTS: usize = 2;
/// Draws from the normal approximation in the question whether a rotor is within its tolerance.
const DRAWS: usize = 4000;

/// Spread of a complex number about its mean: along it, as a share, and across it, in radians.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Spread {
    /// Standard deviation of the size, as a share.
    pub share: f64,
    /// Standard deviation of the angle, in radians.
    pub angle_rad: f64,
}

/// What is known of a rig, or of a type of rotor on it, before a rotor's first spin.
#[derive(Debug, Clone, PartialEq)]
pub struct Known {
    /// Spin-to-spin standard deviation of the real and of the imaginary part of each reading, beyond the error of
    /// the reading itself.
    pub scatter: Vec<f64>,
    /// Standard deviation of both parts of the unbalance that each refit adds in a plane, in g mm.
    pub refit_g_mm: Vec<f64>,
    /// How far the coefficients change from no vibration to the largest reading, as a share (standard
    /// deviation).
    pub bend: f64,
    /// Coefficients from earlier rotors of the type (rows: readings, columns: planes), with their spread.
    pub coefficients: Option<(DMatrix<Complex64>, Spread)>,
}

/// A correction: what was planned to be taken away or added in each plane, in g mm (negative: taken away), and
/// how far the result may be from it.
#[derive(Debug, Clone, PartialEq)]
pub struct Correction {
    /// Change of the unbalance in each plane, in g mm.
    pub planned: Vec<Complex64>,
    /// How exactly it is done.
    pub spread: Spread,
}

/// One spin.
#[derive(Debug, Clone, PartialEq)]
pub struct Spin {
    /// Trial unbalance in each plane during this spin alone, in g mm.
    pub trial: Vec<Complex64>,
    /// Number of corrections made before it.
    pub corrections: usize,
    /// 1x phasor of each reading: a sensor at a speed.
    pub readings: Vec<Complex64>,
    /// Standard error of both parts of each reading.
    pub errors: Vec<f64>,
}

/// The spins and corrections of one rotor.
#[derive(Debug, Clone, PartialEq)]
pub struct History {
    /// What is known beforehand.
    pub known: Known,
    /// All spins, in order.
    pub spins: Vec<Spin>,
    /// All corrections, in order.
    pub corrections: Vec<Correction>,
}

/// An unbalance that is known with a spread: normally distributed.
#[derive(Debug, Clone, PartialEq)]
pub struct Uncertain {
    /// Most probable unbalance in each plane, in g mm.
    pub mean: Vec<Complex64>,
    /// Covariance of real and imaginary part of each plane in turn, in g² mm².
    pub covariance: DMatrix<f64>,
}

/// What the spins say together.
#[derive(Debug, Clone, PartialEq)]
pub struct Posterior {
    /// Unbalance after the last correction.
    pub now: Uncertain,
    /// Most probable coefficients: rows are readings, columns planes.
    pub coefficients: DMatrix<Complex64>,
    /// Twice the negative logarithm of the probability of all there is, up to a constant: the sum of the
    /// squares of all deviations over their spreads.
    pub misfit: f64,
    values: Values,
    reference: Vec<f64>,
    /// Covariance of everything unknown.
    spread: DMatrix<f64>,
}

impl Uncertain {
    /// Probability that every plane lies within its limit in g mm, from draws that are the same each time.
    pub fn probability_within(&self, limits_g_mm: &[f64]) -> f64 {
        let size = self.covariance.nrows();
        let ridge = DMatrix::identity(size, size) * (1e-12 * self.covariance.trace() + 1e-300);
        let Some(factor) = (&self.covariance + ridge).cholesky() else { return 0.0 };
        let root = factor.l();
        let mut rng = ChaCha8Rng::seed_from_u64(0);
        let within = (0..DRAWS)
            .filter(|_| {
                let normal = DVector::from_fn(size, |_, _| StandardNormal.sample(&mut rng));
                let off: DVector<f64> = &root * normal;
                let plane = |p: usize| self.mean[p] + Complex64::new(off[2 * p], off[2 * p + 1]);
                limits_g_mm.iter().enumerate().all(|(p, limit)| plane(p).norm() <= *limit)
            })
            .count();
        within as f64 / DRAWS as f64
    }

    /// What weighted sums of the planes, a row each, are known to be.
    pub fn through(&self, map: &DMatrix<Complex64>) -> Self {
        let mean = map * DVector::from_column_slice(&self.mean);
        let by = parts_of(map);
        let covariance = &by * &self.covariance * by.transpose();
        Self { mean: mean.iter().copied().collect(), covariance }
    }

    /// Standard deviation of both parts of each, in the unit of the mean.
    pub fn deviations(&self) -> Vec<f64> {
        let variance = |i: usize| self.covariance[(i, i)];
        (0..self.mean.len())
            .map(|p| (0.5 * (variance(2 * p) + variance(2 * p + 1))).max(0.0).sqrt())
            .collect()
    }
}

/// A value for everything unknown.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Values {
    first: DVector<Complex64>,
    coefficients: DMatrix<Complex64>,
    bend: DVector<Complex64>,
    /// What each correction did over what was planned: rows are corrections.
    done: DMatrix<Complex64>,
}

/// Places of the unknowns in one vector of real numbers.
#[derive(Debug, Clone, Copy)]
struct Layout {
    planes: usize,
    readings: usize,
    corrections: usize,
}

impl Layout {
    fn len(&self) -> usize {
        self.done(self.corrections, 0)
    }

    fn first(&self, plane: usize) -> usize {
        2 * plane
    }

    fn coefficient(&self, reading: usize, plane: usize) -> usize {
        2 * (self.planes + reading * self.planes + plane)
    }

    fn bend(&self, reading: usize) -> usize {
        2 * (self.planes + self.readings * self.planes + reading)
    }

    fn done(&self, correction: usize, plane: usize) -> usize {
        2 * (self.planes * (1 + self.readings + correction) + self.readings + plane)
    }
}

/// A complex factor as a matrix on real and imaginary part.
fn turn(factor: Complex64) -> Matrix2<f64> {
    Matrix2::new(factor.re, -factor.im, factor.im, factor.re)
}

/// Complex factors as a matrix on real and imaginary parts in turn.
pub fn parts_of(map: &DMatrix<Complex64>) -> DMatrix<f64> {
    let (rows, columns) = map.shape();
    let mut parts = DMatrix::zeros(2 * rows, 2 * columns);
    for row in 0..rows {
        for column in 0..columns {
            let block = turn(map[(row, column)]);
            parts.fixed_view_mut::<2, 2>(2 * row, 2 * column).copy_from(&block);
        }
    }
    parts
}

fn parts(value: Complex64) -> Vector2<f64> {
    Vector2::new(value.re, value.im)
}

/// Logarithm of the determinant of a positive definite matrix.
fn log_determinant(matrix: DMatrix<f64>) -> Option<f64> {
    Some(2.0 * matrix.cholesky()?.l_dirty().diagonal().map(f64::ln).sum())
}

/// Inverse covariance of a number that scatters about `mean`.
fn precision(mean: Complex64, spread: Spread) -> Matrix2<f64> {
    let size = mean.norm().max(f64::MIN_POSITIVE);
    let along = turn(mean / size);
    let across = spread.angle_rad * size;
    let squares = Vector2::new((spread.share * size).powi(-2), across.powi(-2));
    along * Matrix2::from_diagonal(&squares) * along.transpose()
}

impl History {
    /// The most probable state and its spread.
    ///
    /// # Errors
    /// [`Error::TooLittle`] where neither trial spins nor earlier rotors give coefficients, or readings are
    /// fewer than planes.
    /// [`Error::Setting`] where spins differ in their numbers of planes or readings.
    /// [`Error::Numerical`] where planes cannot be told apart.
    pub fn posterior(&self) -> Result<Posterior> {
        let start = self.start()?;
        let reference = self.largest_readings();
        let layout = start.layout();
        let search = Search { history: self, reference: &reference, layout, vague: None };
        let (values, normal, misfit) = search.run(start)?;
        let what = "the unbalance of each plane";
        let problem = "the readings cannot tell the planes apart";
        let all = normal.cholesky().ok_or_else(|| Error::numerical(what, problem))?.inverse();
        let now = self.now(&values);
        let by = search.change_of_now();
        let covariance = &by * &all * by.transpose();
        Ok(Posterior {
            now: Uncertain { mean: now.iter().copied().collect(), covariance },
            coefficients: values.coefficients.clone(),
            misfit,
            values,
            reference,
            spread: all,
        })
    }

    /// How well this account of a job stands against another of the same spins, planes and corrections:
    /// the logarithm of the probability of all readings together, up to a constant that they share (Laplace's
    /// approximation of the evidence: D. J. C. MacKay, Information Theory, Inference, and Learning
    /// Algorithms, 2003, chapter 27; from memory). With it, the most probable values.
    ///
    /// `near` are values to search from. Without any, and where `own_start` is wished, the search begins as that
    /// of [`History::posterior`]. `None` where no search ends.
    pub(super) fn weigh(
        &self,
        vague: &Vague,
        near: &[&Values],
        own_start: bool,
    ) -> Option<(f64, Values)> {
        let reference = self.largest_readings();
        let mut starts: Vec<Values> =
            near.iter().map(|values| values.with(self.corrections.len())).collect();
        if own_start || starts.is_empty() {
            starts.extend(self.start());
        }
        let layout = starts.first()?.layout();
        let search = Search { history: self, reference: &reference, layout, vague: Some(vague) };
        let mut starts: Vec<(f64, Values)> =
            (starts.into_iter()).map(|start| (search.normal(&start, &start).cost, start)).collect();
        starts.sort_by(|a, b| a.0.total_cmp(&b.0));
        (starts.into_iter().take(STARTS))
            .filter_map(|(_, start)| {
                let end = search.run(start).ok()?;
                Some((search.evidence(&end)?, end.0))
            })
            .max_by(|a, b| a.0.total_cmp(&b.0))
    }

    /// Largest size of each reading over all spins.
    pub(super) fn largest_readings(&self) -> Vec<f64> {
        let readings = self.spins.first().map_or(0, |spin| spin.readings.len());
        let size = |spin: &Spin, r: usize| spin.readings.get(r).map_or(0.0, |z| z.norm());
        (0..readings)
            .map(|r| self.spins.iter().map(|s| size(s, r)).fold(1e-300, f64::max))
            .collect()
    }

    /// Where the search begins: coefficients of the type, or of the spins before the first correction.
    fn start(&self) -> Result<Values> {
        let first = self
            .spins
            .first()
            .ok_or_else(|| Error::too_little("the unbalance of each plane", "a spin", "none"))?;
        let coefficients = match &self.known.coefficients {
            Some((mean, _)) => mean.clone(),
            // what corrections really did is less sure than what trial masses did
            None => {
                influence::coefficients(&self.runs(true))
                    .or_else(|_| influence::coefficients(&self.runs(false)))?
                    .values
            }
        };
        let found =
            influence::unbalance(&coefficients, &first.readings, &self.reading_errors(first))?;
        let trial = DVector::from_column_slice(&first.trial);
        Ok(Values {
            first: found.unbalance - trial,
            bend: DVector::zeros(first.readings.len()),
            done: DMatrix::from_element(self.corrections.len(), first.trial.len(), Complex64::ONE),
            coefficients,
        })
    }

    /// The spins with all that was put on or taken away before them as planned: those before the first
    /// correction, or all.
    fn runs(&self, before_corrections: bool) -> Vec<influence::Spin> {
        let wanted = |spin: &&Spin| !before_corrections || spin.corrections == 0;
        let added = |spin: &Spin| {
            let mut added = spin.trial.clone();
            for correction in self.corrections.iter().take(spin.corrections) {
                added
                    .iter_mut()
                    .zip(&correction.planned)
                    .for_each(|(sum, planned)| *sum += planned);
            }
            added
        };
        let run = |spin: &Spin| influence::Spin {
            added: added(spin),
            readings: spin.readings.clone(),
            errors: self.reading_errors(spin),
        };
        self.spins.iter().filter(wanted).map(run).collect()
    }

    /// Errors of a spin's readings with the scatter of the rig.
    pub fn reading_errors(&self, spin: &Spin) -> Vec<f64> {
        let scatter = |r: usize| self.known.scatter.get(r).copied().unwrap_or(0.0);
        spin.errors.iter().enumerate().map(|(r, e)| e.hypot(scatter(r))).collect()
    }

    /// Unbalance after the first `corrections` of them.
    fn after(&self, values: &Values, corrections: usize) -> DVector<Complex64> {
        let mut sum = values.first.clone();
        for (k, correction) in self.corrections.iter().take(corrections).enumerate() {
            for (plane, planned) in correction.planned.iter().enumerate() {
                sum[plane] += planned * values.done[(k, plane)];
            }
        }
        sum
    }

    fn now(&self, values: &Values) -> DVector<Complex64> {
        self.after(values, self.corrections.len())
    }
}

impl Values {
    fn layout(&self) -> Layout {
        Layout {
            planes: self.first.len(),
            readings: self.bend.len(),
            corrections: self.done.nrows(),
        }
    }

    /// These values for another number of corrections.
    fn with(&self, corrections: usize) -> Self {
        let done = DMatrix::from_fn(corrections, self.done.ncols(), |k, p| {
            self.done.get((k, p)).copied().unwrap_or(Complex64::ONE)
        });
        Self { done, ..self.clone() }
    }

    /// These values changed by a step.
    fn moved(&self, step: &DVector<f64>) -> Self {
        let layout = self.layout();
        let at = |place: usize| Complex64::new(step[place], step[place + 1]);
        let mut moved = self.clone();
        for p in 0..layout.planes {
            moved.first[p] += at(layout.first(p));
            for r in 0..layout.readings {
                moved.coefficients[(r, p)] += at(layout.coefficient(r, p));
            }
            for k in 0..layout.corrections {
                moved.done[(k, p)] += at(layout.done(k, p));
            }
        }
        for r in 0..layout.readings {
            moved.bend[r] += at(layout.bend(r));
        }
        moved
    }
}

impl Posterior {
    /// Standard deviation of both parts of each coefficient, over its size.
    pub fn coefficient_shares(&self) -> DMatrix<f64> {
        let layout = self.values.layout();
        DMatrix::from_fn(layout.readings, layout.planes, |reading, plane| {
            let place = layout.coefficient(reading, plane);
            let variance = |i: usize| self.spread[(i, i)];
            let deviation = (0.5 * (variance(place) + variance(place + 1))).max(0.0).sqrt();
            deviation / self.coefficients[(reading, plane)].norm().max(f64::MIN_POSITIVE)
        })
    }

    /// The most probable values.
    pub(super) fn values(&self) -> &Values {
        &self.values
    }

    /// The readings of a spin as they follow from here, and their covariance of real and imaginary parts in
    /// turn: what is not known exactly, the errors of the readings and what a refit does.
    pub fn predict(&self, history: &History, spin: &Spin) -> (Vec<Complex64>, DMatrix<f64>) {
        let search = self.search(history);
        let (predicted, change) = search.predict(spin, &self.values);
        let covariance =
            &change * &self.spread * change.transpose() + search.covariance(spin, &self.values);
        (predicted.into_iter().map(|p| p.value).collect(), covariance)
    }

    /// Covariance of the unbalance now after one more spin like `spin`, by the curvature here.
    pub fn covariance_after(&self, history: &History, spin: &Spin) -> DMatrix<f64> {
        let search = self.search(history);
        let (_, change) = search.predict(spin, &self.values);
        let gain = &self.spread * change.transpose();
        let all = &change * &gain + search.covariance(spin, &self.values);
        let Some(factor) = all.cholesky() else { return self.now.covariance.clone() };
        let by = search.change_of_now();
        let told = &by * &gain;
        &self.now.covariance - &told * factor.solve(&told.transpose())
    }

    /// Covariance of the unbalance that one spin alone leaves, with the coefficients as they are here.
    pub fn covariance_of_one(&self, history: &History, spin: &Spin) -> DMatrix<f64> {
        let search = self.search(history);
        let (_, change) = search.predict(spin, &self.values);
        let of_first = change.columns(0, 2 * self.values.layout().planes).into_owned();
        let covariance = search.covariance(spin, &self.values);
        let information = covariance.cholesky().map(|c| of_first.transpose() * c.solve(&of_first));
        information.and_then(|i| i.try_inverse()).unwrap_or_else(|| self.now.covariance.clone())
    }

    /// The search at its end.
    fn search<'a>(&'a self, history: &'a History) -> Search<'a> {
        let layout = self.values.layout();
        Search { history, reference: &self.reference, layout, vague: None }
    }
}

/// One reading as it follows from the values, and how it changes with them.
struct Predicted {
    value: Complex64,
    /// Change of the reading with the linear part of it.
    slope: Matrix2<f64>,
    /// The linear part.
    linear: Complex64,
}

/// Normal equations at some values.
struct Normal {
    matrix: DMatrix<f64>,
    right: DVector<f64>,
    cost: f64,
}

impl Normal {
    /// Adds a number that was expected with a precision and lies `off` it.
    fn add_prior(&mut self, place: usize, off: Complex64, precision: &Matrix2<f64>) {
        let off = parts(off);
        let pull = precision * off;
        let mut block = self.matrix.fixed_view_mut::<2, 2>(place, place);
        block += precision;
        let mut right = self.right.fixed_rows_mut::<2>(place);
        right -= pull;
        self.cost += off.dot(&pull);
    }
}

/// Sizes of what nothing is known of, so that accounts which leave much open gain nothing by it.
pub(super) struct Vague {
    first: f64,
    /// For each reading.
    coefficients: Vec<f64>,
}

impl Vague {
    /// Twice the sizes found (root mean squares).
    pub(super) fn like(values: &Values) -> Self {
        let size =
            |square: f64, count: usize| (2.0 * (square / count.max(1) as f64).sqrt()).max(1e-150);
        let row = |r: usize| values.coefficients.row(r).norm_squared();
        let planes = values.first.len();
        Self {
            first: size(values.first.norm_squared(), planes),
            coefficients: (0..values.bend.len()).map(|r| size(row(r), planes)).collect(),
        }
    }
}

struct Search<'a> {
    history: &'a History,
    reference: &'a [f64],
    layout: Layout,
    /// Held against what is unknown in a comparison of evidence.
    vague: Option<&'a Vague>,
}

impl Search<'_> {
    /// The most probable values, the curvature there and the cost.
    fn run(&self, mut values: Values) -> Result<(Values, DMatrix<f64>, f64)> {
        let least = if self.vague.is_some() { LEAST_GAIN_OF_EVIDENCE } else { LEAST_GAIN };
        let mut damping = 1e-3;
        let mut normal = self.normal(&values, &values);
        for _ in 0..MOST_STEPS {
            let mut damped = normal.matrix.clone();
            for i in 0..self.layout.len() {
                damped[(i, i)] *= 1.0 + damping;
            }
            let Some(factor) = damped.cholesky() else { break };
            let moved = values.moved(&factor.solve(&normal.right));
            let there = self.normal(&moved, &values);
            if there.cost < normal.cost {
                let gain = normal.cost - there.cost;
                values = moved;
                // the covariance of the readings follows the coefficients
                normal = self.normal(&values, &values);
                damping = (0.2 * damping).max(1e-12);
                if gain < least {
                    break;
                }
            } else {
                damping *= 6.0;
                if damping > 1e9 {
                    break;
                }
            }
        }
        if !normal.cost.is_finite() {
            let problem = "the search for the most probable unbalance went astray";
            return Err(Error::numerical("the unbalance of each plane", problem));
        }
        Ok((values, normal.matrix, normal.cost))
    }

    /// Logarithm of the evidence at the end of a search.
    fn evidence(&self, (values, matrix, cost): &(Values, DMatrix<f64>, f64)) -> Option<f64> {
        let unknown = log_determinant(matrix.clone())?;
        let mut spins = 0.0;
        for spin in &self.history.spins {
            spins += log_determinant(self.covariance(spin, values))?;
        }
        Some(-0.5 * (cost + unknown + spins))
    }

    /// Normal equations at `values`, with the covariance of the readings as at `weights`.
    fn normal(&self, values: &Values, weights: &Values) -> Normal {
        let size = self.layout.len();
        let mut normal =
            Normal { matrix: DMatrix::zeros(size, size), right: DVector::zeros(size), cost: 0.0 };
        self.add_priors(&mut normal, values);
        for spin in &self.history.spins {
            self.add_spin(&mut normal, spin, values, weights);
        }
        normal
    }

    fn add_priors(&self, normal: &mut Normal, values: &Values) {
        let known = &self.history.known;
        let bend = Matrix2::identity() * known.bend.max(1e-4).powi(-2);
        for r in 0..self.layout.readings {
            normal.add_prior(self.layout.bend(r), values.bend[r], &bend);
            for p in 0..self.layout.planes {
                let Some((mean, spread)) = &known.coefficients else {
                    if let Some(vague) = self.vague {
                        let width = Matrix2::identity() * vague.coefficients[r].powi(-2);
                        let place = self.layout.coefficient(r, p);
                        normal.add_prior(place, values.coefficients[(r, p)], &width);
                    }
                    continue;
                };
                let off = values.coefficients[(r, p)] - mean[(r, p)];
                let place = self.layout.coefficient(r, p);
                normal.add_prior(place, off, &precision(mean[(r, p)], *spread));
            }
        }
        if let Some(vague) = self.vague {
            let width = Matrix2::identity() * vague.first.powi(-2);
            for p in 0..self.layout.planes {
                normal.add_prior(self.layout.first(p), values.first[p], &width);
            }
        }
        for (k, correction) in self.history.corrections.iter().enumerate() {
            let done = precision(Complex64::ONE, correction.spread);
            for p in 0..self.layout.planes {
                let off = values.done[(k, p)] - Complex64::ONE;
                normal.add_prior(self.layout.done(k, p), off, &done);
            }
        }
    }

    fn add_spin(&self, normal: &mut Normal, spin: &Spin, values: &Values, weights: &Values) {
        let (predicted, change) = self.predict(spin, values);
        let off = DVector::from_iterator(
            2 * self.layout.readings,
            predicted.iter().zip(&spin.readings).flat_map(|(p, read)| {
                let off = read - p.value;
                [off.re, off.im]
            }),
        );
        let covariance = self.covariance(spin, weights);
        let Some(factor) = covariance.cholesky() else {
            normal.cost = f64::NAN;
            return;
        };
        let weighted = factor.solve(&change);
        normal.matrix += weighted.transpose() * &change;
        normal.right += weighted.transpose() * &off;
        normal.cost += off.dot(&factor.solve(&off));
    }

    /// The readings of a spin as they follow from the values, and their change with all unknowns.
    fn predict(&self, spin: &Spin, values: &Values) -> (Vec<Predicted>, DMatrix<f64>) {
        let layout = &self.layout;
        let mut unbalance = self.history.after(values, spin.corrections);
        for (plane, trial) in spin.trial.iter().enumerate() {
            unbalance[plane] += trial;
        }
        let mut change = DMatrix::zeros(2 * layout.readings, layout.len());
        let mut all = Vec::with_capacity(layout.readings);
        for r in 0..layout.readings {
            let predicted = self.reading(r, &unbalance, values);
            let mut put = |place: usize, by: Matrix2<f64>| {
                change.fixed_view_mut::<2, 2>(2 * r, place).copy_from(&by);
            };
            for p in 0..layout.planes {
                let coefficient = values.coefficients[(r, p)];
                put(layout.first(p), predicted.slope * turn(coefficient));
                put(layout.coefficient(r, p), predicted.slope * turn(unbalance[p]));
                for (k, correction) in
                    self.history.corrections.iter().take(spin.corrections).enumerate()
                {
                    let by = coefficient * correction.planned[p];
                    put(layout.done(k, p), predicted.slope * turn(by));
                }
            }
            let size = predicted.linear.norm() / self.reference[r];
            put(layout.bend(r), turn(predicted.linear * size));
            all.push(predicted);
        }
        (all, change)
    }

    /// One reading: the sum over the planes, bent in proportion to its own size.
    fn reading(&self, r: usize, unbalance: &DVector<Complex64>, values: &Values) -> Predicted {
        let linear: Complex64 =
            (0..self.layout.planes).map(|p| values.coefficients[(r, p)] * unbalance[p]).sum();
        let size = linear.norm().max(f64::MIN_POSITIVE);
        let bend = values.bend[r] / self.reference[r];
        let along = parts(linear / size);
        let slope = turn(Complex64::ONE + bend * size) + parts(linear * bend) * along.transpose();
        Predicted { value: linear * (Complex64::ONE + bend * size), slope, linear }
    }

    /// Covariance of a spin's readings: their own errors, and what a refit does through the coefficients.
    fn covariance(&self, spin: &Spin, values: &Values) -> DMatrix<f64> {
        let layout = &self.layout;
        let errors = self.history.reading_errors(spin);
        let mut covariance = DMatrix::from_fn(2 * layout.readings, 2 * layout.readings, |i, j| {
            if i == j { errors[i / 2].powi(2).max(1e-300) } else { 0.0 }
        });
        let refit = |p: usize| self.history.known.refit_g_mm.get(p).copied().unwrap_or(0.0);
        for p in (0..layout.planes).filter(|&p| refit(p) > 0.0) {
            let mut effect = DMatrix::zeros(2 * layout.readings, 2);
            for r in 0..layout.readings {
                let by = turn(values.coefficients[(r, p)] * refit(p));
                effect.fixed_view_mut::<2, 2>(2 * r, 0).copy_from(&by);
            }
            covariance += &effect * effect.transpose();
        }
        covariance
    }

    /// Change of the unbalance now with all unknowns.
    fn change_of_now(&self) -> DMatrix<f64> {
        let layout = &self.layout;
        let mut change = DMatrix::zeros(2 * layout.planes, layout.len());
        for p in 0..layout.planes {
            let mut put = |place: usize, by: Matrix2<f64>| {
                change.fixed_view_mut::<2, 2>(2 * p, place).copy_from(&by);
            };
            put(layout.first(p), Matrix2::identity());
            for (k, correction) in self.history.corrections.iter().enumerate() {
                put(layout.done(k, p), turn(correction.planned[p]));
            }
        }
        change
    }
}
