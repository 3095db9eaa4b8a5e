//! Least squares for one passage: what the response is made of, and how well it is told.
//!
//! For trial modes the rest is linear and solved exactly, so that only natural frequency and damping
//! of each mode are searched (variable projection: G. H. Golub and V. Pereyra, 1973, from memory).

use std::cell::RefCell;

use super::course::{Passage, Point};
use super::response::{self, Mode};
use crate::dsp::columns;
use crate::dsp::fft::Complex64;
use crate::dsp::least_squares as solve;

/// Powers of speed of what other modes add, where phase is known.
pub const FULL_REST: &[i32] = &[0, 2, 4];
/// The same with fewer terms, to see how much the result depends on them.
pub const SHORT_REST: &[i32] = &[0, 2];
/// The damping ratios searched: amplification 0.8 to 60.
const ZETA: (f64, f64) = (0.008, 0.6);
/// Least share of the remaining squares that a further mode must promise to explain.
const LEAST_GAIN: f64 = 0.02;
/// How far from 0 the slope of the whirl frequency may well be: bouncing modes have none, and a
/// tilting disc about a third.
const SLOPE_DEVIATION: f64 = 0.1;

/// What a fit found.
#[derive(Debug, Clone)]
pub struct Fitted {
    pub modes: Vec<Mode>,
    /// Largest displacement of each mode by itself along the passage.
    pub sizes: Vec<f64>,
    /// The displacement fitted at each point of the passage; its modulus where phase is not known.
    pub response: Vec<Complex64>,
    /// Mean squared misfit, in squares of the granted deviation.
    pub misfit: f64,
    /// Covariance of the natural logarithms of natural frequency and damping ratio, two rows for each
    /// mode, from scatter alone.
    pub covariance: Vec<Vec<f64>>,
    /// Independent points in the misfit.
    pub independent: f64,
}

/// The data of a passage as the fit sees it.
pub struct Data<'a> {
    passage: &'a Passage,
    /// Orthonormal columns of the rest, weighted.
    rest: Vec<Vec<Complex64>>,
    /// Weighted phasors.
    y: Vec<Complex64>,
    /// Weighted rest, as it is, for the fit of amplitudes.
    plain_rest: Vec<Vec<Complex64>>,
}

impl<'a> Data<'a> {
    pub fn new(passage: &'a Passage, powers: &[i32]) -> Self {
        let (low, high) = passage.range();
        let scale = (low * high).sqrt();
        let mut data = Self {
            passage,
            rest: Vec::new(),
            y: passage.points.iter().map(|p| p.d / p.sigma).collect(),
            plain_rest: Vec::new(),
        };
        for &power in powers {
            let column = data.weighted(response::rest(passage, power, scale));
            data.plain_rest.push(column.clone());
            if let Some(column) = columns::orthonormal(column, &data.rest) {
                data.rest.push(column);
            }
        }
        data
    }

    fn weighted(&self, mut column: Vec<Complex64>) -> Vec<Complex64> {
        for (value, point) in column.iter_mut().zip(&self.passage.points) {
            *value /= point.sigma;
        }
        column
    }

    fn swept(&self, mode: &Mode) -> Vec<Complex64> {
        self.weighted(mode.swept(self.passage))
    }

    /// What is left of the phasors when the rest and these columns are fitted.
    fn left(&self, columns: &[Vec<Complex64>]) -> Vec<Complex64> {
        let mut base = self.rest.clone();
        for column in columns {
            if let Some(column) = columns::orthonormal(column.clone(), &base) {
                base.push(column);
            }
        }
        columns::without(self.y.clone(), &base)
    }

    /// Mean squared misfit with the rest alone.
    pub fn misfit_without(&self) -> f64 {
        norm_sqr(&self.left(&[])) / self.numbers().max(1) as f64
    }

    /// How many real numbers are fitted: two for each point, or its amplitude alone.
    fn numbers(&self) -> usize {
        if self.passage.observed.phase_known { 2 * self.y.len() } else { self.y.len() }
    }

    /// The best places for one more mode beside `modes`, as a steady response: a grid of natural
    /// frequencies and dampings within `range` of speeds. Best first, a few of them, apart from each
    /// other.
    pub fn candidates(&self, modes: &[Mode], range: (f64, f64)) -> Vec<Mode> {
        let columns: Vec<Vec<Complex64>> = modes.iter().map(|mode| self.swept(mode)).collect();
        let mut base = self.rest.clone();
        for column in columns {
            if let Some(column) = columns::orthonormal(column, &base) {
                base.push(column);
            }
        }
        let left = columns::without(self.y.clone(), &base);
        let steps = ((range.1 / range.0).ln() / 0.012).ceil().max(1.0) as usize;
        let mut best: Vec<(f64, Mode)> = Vec::new();
        for i in 0..=steps {
            let wn = range.0 * (range.1 / range.0).powf(i as f64 / steps as f64);
            let mut here: Option<(f64, Mode)> = None;
            for zeta in [0.016, 0.028, 0.05, 0.08, 0.13, 0.2] {
                let mode = Mode { wn, zeta, slope: 0.0 };
                let column = self.passage.points.iter().map(|p| mode.steady(p.w) / p.sigma);
                let gain = columns::orthonormal(column.collect(), &base)
                    .map_or(0.0, |column| columns::along(&column, &left).norm_sqr());
                if here.is_none_or(|(most, _)| gain > most) {
                    here = Some((gain, mode));
                }
            }
            best.extend(here);
        }
        let is_peak = |i: usize| {
            let gain = |j: usize| best.get(j).map_or(0.0, |b| b.0);
            gain(i) >= gain(i + 1) && (i == 0 || gain(i) > gain(i - 1))
        };
        let mut peaks: Vec<(f64, Mode)> =
            (0..best.len()).filter(|&i| is_peak(i)).map(|i| best[i]).collect();
        peaks.sort_by(|a, b| b.0.total_cmp(&a.0));
        // whoever explains little of what is left, or much less than the best, is not worth a search
        let worth = 0.5 * peaks.first().map_or(0.0, |best| best.0);
        let worth = worth.max(LEAST_GAIN * norm_sqr(&left));
        let worthy = peaks.into_iter().take(3).filter(|(gain, _)| *gain >= worth);
        worthy.map(|(_, mode)| mode).collect()
    }

    /// Refines modes to the least misfit, until a step lowers it by less than the share `tolerance`.
    pub fn refine(&self, start: &[Mode], tolerance: f64) -> Fitted {
        if self.passage.observed.phase_known {
            self.refine_phasors(start, tolerance)
        } else {
            self.refine_amplitudes(start, tolerance)
        }
    }

    fn refine_phasors(&self, start: &[Mode], tolerance: f64) -> Fitted {
        let memo = RefCell::new(Memo::default());
        let residual = |x: &[f64]| {
            let modes = modes_of(x);
            let columns: Vec<Vec<Complex64>> =
                modes.iter().map(|mode| memo.borrow_mut().column(self, mode)).collect();
            let left = self.left(&columns);
            let mut out: Vec<f64> = left.iter().flat_map(|r| [r.re, r.im]).collect();
            out.extend(priors(x));
            out
        };
        let found = solve::levenberg_marquardt(
            &residual,
            parameters(start),
            &bounds(start.len()),
            tolerance,
        );
        self.fitted(found, start.len(), |modes| {
            let columns: Vec<Vec<Complex64>> = modes.iter().map(|mode| self.swept(mode)).collect();
            let mut base = self.rest.clone();
            base.extend(columns.iter().cloned());
            let factors = columns::factors(&base, &self.y);
            factors.get(self.rest.len()..).unwrap_or_default().to_vec()
        })
    }

    /// Without phase the modes' factors are searched too, as complex numbers; the first is real, as
    /// amplitudes say nothing of a common turn.
    fn refine_amplitudes(&self, start: &[Mode], tolerance: f64) -> Fitted {
        let memo = RefCell::new(Memo::default());
        let m = start.len();
        let scale = columns::norm(&self.y);
        // factors are stated for columns brought to the length of the data
        let columns_of = |modes: &[Mode]| {
            let mut columns: Vec<Vec<Complex64>> =
                modes.iter().map(|mode| memo.borrow_mut().column(self, mode)).collect();
            columns.extend(self.plain_rest.iter().cloned());
            for column in &mut columns {
                let length = columns::norm(column).max(f64::MIN_POSITIVE);
                column.iter_mut().for_each(|value| *value *= scale / length);
            }
            columns
        };
        let noise: Vec<f64> =
            self.passage.points.iter().map(|p| 2.0 * (p.noise / p.sigma).powi(2)).collect();
        let residual = |x: &[f64]| {
            let columns = columns_of(&modes_of(&x[..3 * m]));
            let factors = factors_of(&x[3 * m..]);
            let mut out: Vec<f64> = (0..self.y.len())
                .map(|i| {
                    let sum: Complex64 = columns.iter().zip(&factors).map(|(c, f)| c[i] * *f).sum();
                    (sum.norm_sqr() + noise[i]).sqrt() - self.y[i].norm()
                })
                .collect();
            out.extend(priors(&x[..3 * m]));
            // a rest far larger than the response itself can only be a play of terms against each other
            out.extend(factors.iter().map(|f| 0.01 * scale * f.norm()));
            out
        };
        let mut x = parameters(start);
        let mut limits = bounds(m);
        // start from the factors that would fit if phases were those of the first mode
        let columns = columns_of(start);
        let turned: Vec<Complex64> = self
            .y
            .iter()
            .zip(&columns[0])
            .map(|(y, c)| Complex64::from_polar(y.norm(), c.arg()))
            .collect();
        let first = columns::factors(&columns, &turned);
        let turn = first.first().map_or(Complex64::ONE, |f| {
            if f.norm() > 0.0 { f.conj() / f.norm() } else { Complex64::ONE }
        });
        for (i, factor) in first.iter().enumerate() {
            let factor = factor * turn;
            x.push(factor.re);
            limits.push((-3.0, 3.0));
            if i > 0 {
                x.push(factor.im);
                limits.push((-3.0, 3.0));
            }
        }
        let found = solve::levenberg_marquardt(&residual, x, &limits, tolerance);
        let factors = factors_of(&found.x[3 * m..]);
        self.fitted(found, m, |modes| {
            let lengths = modes.iter().map(|mode| columns::norm(&self.swept(mode)));
            lengths.zip(&factors).map(|(length, f)| f * scale / length).collect()
        })
    }

    fn fitted(
        &self,
        found: solve::Solved,
        count: usize,
        factors: impl Fn(&[Mode]) -> Vec<Complex64>,
    ) -> Fitted {
        let modes = modes_of(&found.x[..3 * count]);
        let points = self.numbers();
        let residual = &found.residual[..points.min(found.residual.len())];
        let square: f64 = residual.iter().map(|r| r * r).sum();
        let step = points / self.y.len().max(1);
        let correlated = solve::correlation_length(residual, step);
        let free = (points as f64 / correlated - found.x.len() as f64).max(1.0);
        // only independent points are counted: errors that go together do not average out
        let scatter = square / free;
        let keep: Vec<usize> = (0..count).flat_map(|k| [3 * k, 3 * k + 1]).collect();
        let covariance = solve::covariance(&found.jacobian, points, scatter);
        let covariance = keep
            .iter()
            .map(|&i| keep.iter().map(|&j| covariance.get(i).map_or(0.0, |row| row[j])).collect())
            .collect();
        let sizes = factors(&modes)
            .iter()
            .zip(&modes)
            .map(|(factor, mode)| {
                let swept = mode.swept(self.passage);
                factor.norm() * swept.iter().map(|d| d.norm()).fold(0.0, f64::max)
            })
            .collect();
        Fitted {
            response: self.response(residual, step),
            sizes,
            misfit: square / points as f64,
            covariance,
            independent: points as f64 / correlated,
            modes,
        }
    }

    /// The points less what is left of them; `step` numbers stand for each.
    fn response(&self, left: &[f64], step: usize) -> Vec<Complex64> {
        let points = self.passage.points.iter().zip(left.chunks_exact(step.max(1)));
        let fitted = |(point, left): (&Point, &[f64])| match *left {
            [re, im] => point.d - Complex64::new(re, im) * point.sigma,
            // the amplitude fitted less the one that was seen
            [more] => Complex64::new(point.d.norm() + more * point.sigma, 0.0),
            _ => point.d,
        };
        points.map(fitted).collect()
    }
}

fn norm_sqr(left: &[Complex64]) -> f64 {
    left.iter().map(|r| r.norm_sqr()).sum()
}

/// Columns of the modes tried last, as most trials change one mode of several.
#[derive(Default)]
struct Memo(Vec<(Mode, Vec<Complex64>)>);

impl Memo {
    fn column(&mut self, data: &Data, mode: &Mode) -> Vec<Complex64> {
        if let Some((_, column)) = self.0.iter().find(|(known, _)| known == mode) {
            return column.clone();
        }
        if self.0.len() >= 16 {
            self.0.remove(0);
        }
        let column = data.swept(mode);
        self.0.push((*mode, column.clone()));
        column
    }
}

/// Per mode the logarithms of natural frequency and damping, and the slope.
fn parameters(modes: &[Mode]) -> Vec<f64> {
    modes.iter().flat_map(|mode| [mode.wn.ln(), mode.zeta.ln(), mode.slope]).collect()
}

fn modes_of(x: &[f64]) -> Vec<Mode> {
    let of = |p: &[f64]| Mode { wn: p[0].exp(), zeta: p[1].exp(), slope: p[2] };
    x.chunks_exact(3).map(of).collect()
}

fn bounds(modes: usize) -> Vec<(f64, f64)> {
    let one = [(f64::NEG_INFINITY, f64::INFINITY), (ZETA.0.ln(), ZETA.1.ln()), (-0.4, 0.6)];
    (0..modes).flat_map(|_| one).collect()
}

fn priors(x: &[f64]) -> Vec<f64> {
    x.chunks_exact(3).map(|p| p[2] / SLOPE_DEVIATION).collect()
}

fn factors_of(x: &[f64]) -> Vec<Complex64> {
    let Some((first, rest)) = x.split_first() else { return Vec::new() };
    let rest = rest.chunks_exact(2).map(|p| Complex64::new(p[0], p[1]));
    std::iter::once(Complex64::new(*first, 0.0)).chain(rest).collect()
}
