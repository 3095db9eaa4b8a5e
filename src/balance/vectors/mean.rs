//! The mean of a stretch of a track, what it may be off, and whether it still moves.

use std::ops::Range;

use nalgebra::{DMatrix, DVector};

use crate::angle::Track;
use crate::dsp::fft::Complex64;

/// Most that a settled vector may grow or shrink over the time that is read, as a share, and turn, in radians
/// (common practice, no source).
const MOST_GROWTH: f64 = 0.05;
const MOST_TURN_RAD: f64 = 2.0 * std::f64::consts::PI / 180.0;
/// Standard errors by noise that a drift may seem larger than it is.
const DOUBT: f64 = 2.0;
/// Beginnings that are tried, in shares of the hold; the last leaves a quarter, as what is short always seems
/// to have settled.
const STARTS: [f64; 6] = [0.0, 0.15, 0.3, 0.45, 0.6, 0.75];
/// Fewest points from which a slope with speed is told.
const LEAST_OF_SLOPE: usize = 5;
/// Fewest independent points that a scatter is taken to come from.
const LEAST_EFFECTIVE: f64 = 3.0;
/// Least spread of the logarithm of speed, rms, from which a slope is told.
const LEAST_SPREAD: f64 = 1e-6;

/// A mean vector.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Mean {
    /// The phasor.
    pub phasor: Complex64,
    /// Standard error of both parts by the noise beside the order.
    pub noise_error: f64,
    /// Standard error of both parts by the scatter of the points.
    pub turns_error: f64,
}

/// How a vector still moves.
#[derive(Debug, Clone, PartialEq)]
pub struct Moving {
    /// The points over which it does.
    pub over: Range<usize>,
    /// Growth over them, as a share.
    pub growth: f64,
    /// Turn over them, in radians.
    pub turn_rad: f64,
}

/// How the phase turns with speed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Slope {
    /// Degrees of lead per 1 % of speed.
    pub deg_per_percent: f64,
    /// Its standard error.
    pub error: f64,
}

/// The mean over points of a track.
pub fn of(track: &Track, points: Range<usize>) -> Mean {
    let phasors = track.phasors.get(points.clone()).unwrap_or_default();
    let phasor = phasors.iter().sum::<Complex64>() / phasors.len().max(1) as f64;
    let residuals: Vec<Complex64> = phasors.iter().map(|c| c - phasor).collect();
    let errors = track.errors.get(points).unwrap_or_default();
    Mean { phasor, noise_error: noise_of_mean(errors), turns_error: error_of_mean(&residuals, 1) }
}

/// The value at a speed of the line through points of a passage, over the logarithm of speed.
pub fn at_speed(track: &Track, points: Range<usize>, rpm: f64) -> Mean {
    let plain = of(track, points.clone());
    let phasors = track.phasors.get(points.clone()).unwrap_or_default();
    let over: Vec<f64> = logarithms(track, &points).iter().map(|x| x - rpm.ln()).collect();
    let Some(line) = Line::through(&[vec![1.0; over.len()], over], phasors) else { return plain };
    Mean { phasor: line.coefficients[0], turns_error: error_of_mean(&line.residuals, 2), ..plain }
}

/// The longest end of a hold over which the vector drifts by no more than is allowed and its noise explains.
///
/// # Errors
/// How the vector moves over the last quarter, or over the last `least` points where these are more.
pub fn settled_end(
    track: &Track,
    held: Range<usize>,
    least: usize,
) -> Result<Range<usize>, Moving> {
    let latest = held.end.saturating_sub(least).max(held.start);
    let mut last = Moving { over: held.clone(), growth: 0.0, turn_rad: 0.0 };
    for share in STARTS {
        let start = (held.start + (share * held.len() as f64) as usize).min(latest);
        let over = start..held.end;
        let Some(drift) = drift(track, &over) else { return Ok(over) };
        let noise = of(track, over.clone());
        // a slope times its length has sqrt(12) times the error of the mean
        let doubt = DOUBT * 12.0_f64.sqrt() * noise.noise_error / noise.phasor.norm();
        if drift.re.abs() <= MOST_GROWTH + doubt && drift.im.abs() <= MOST_TURN_RAD + doubt {
            return Ok(over);
        }
        last = Moving { over, growth: drift.re, turn_rad: drift.im };
    }
    Err(last)
}

/// Change of the vector over points by the line through them in time, over its mean: growth and turn.
fn drift(track: &Track, points: &Range<usize>) -> Option<Complex64> {
    let phasors = track.phasors.get(points.clone())?;
    let times = track.times_s.get(points.clone())?;
    let (first, last) = (times.first()?, times.last()?);
    let over: Vec<f64> =
        times.iter().map(|t| (t - 0.5 * (first + last)) / (last - first)).collect();
    let line = Line::through(&[vec![1.0; over.len()], over], phasors)?;
    let drift = line.coefficients[1] / line.coefficients[0];
    drift.is_finite().then_some(drift)
}

/// How the phase turns with speed over points; `drifts`: beside a drift with time. `None` where the speed does
/// not change enough.
pub fn phase_slope(track: &Track, points: Range<usize>, drifts: bool) -> Option<Slope> {
    let phasors = track.phasors.get(points.clone())?;
    let n = phasors.len();
    if n < LEAST_OF_SLOPE {
        return None;
    }
    let logs = centred(&logarithms(track, &points));
    let spread = (logs.iter().map(|x| x * x).sum::<f64>() / n as f64).sqrt();
    let times = centred(track.times_s.get(points)?);
    let mut columns = vec![vec![1.0; n], logs.clone()];
    if drifts {
        let scale = times.iter().fold(0.0_f64, |most, t| most.max(t.abs()));
        columns.push(times.iter().map(|t| t / scale).collect());
    }
    if spread < LEAST_SPREAD {
        return None;
    }
    let line = Line::through(&columns, phasors)?;
    let mean = line.coefficients[0];
    let per_percent = |per_log: f64| per_log.to_degrees() / 100.0;
    let slope = line.coefficients[1] / mean;
    let freedom = 2.0 * (n as f64 - columns.len() as f64);
    let scatter = line.residuals.iter().map(Complex64::norm_sqr).sum::<f64>() / freedom;
    let variance = scatter * line.inverse[(1, 1)] * shared_correlation(&line.residuals, &logs);
    let told = Slope {
        deg_per_percent: per_percent(slope.im),
        error: per_percent(variance.sqrt() / mean.norm()),
    };
    (told.deg_per_percent.is_finite() && told.error.is_finite()).then_some(told)
}

/// By how much correlation among residuals that goes along with that of their place raises the variance of a
/// slope: `1 + 2 sum of the products of both autocorrelations` (M. S. Bartlett, J. Royal Stat. Soc. 98
/// (1935) 536-543: from memory).
fn shared_correlation(residuals: &[Complex64], places: &[f64]) -> f64 {
    let places: Vec<Complex64> = places.iter().map(|&x| Complex64::new(x, 0.0)).collect();
    let (own, theirs) = (covariance(residuals, 0), covariance(&places, 0));
    let mut sum = 1.0;
    for lag in 1..residuals.len() / 3 {
        let product = covariance(residuals, lag) * covariance(&places, lag) / (own * theirs);
        if !(product > 0.01) {
            break;
        }
        sum += 2.0 * product;
    }
    sum
}

fn logarithms(track: &Track, points: &Range<usize>) -> Vec<f64> {
    track.rpm.get(points.clone()).unwrap_or_default().iter().map(|rpm| rpm.ln()).collect()
}

fn centred(values: &[f64]) -> Vec<f64> {
    let mean = values.iter().sum::<f64>() / values.len().max(1) as f64;
    values.iter().map(|x| x - mean).collect()
}

/// Standard error of both parts of a mean by the errors of its points: windows of Hann that overlap by half
/// share a sixth of their noise (F. J. Harris, Proc. IEEE 66 (1978) 51-83, table 1: from memory).
fn noise_of_mean(errors: &[f64]) -> f64 {
    let squares: f64 = errors.iter().map(|e| e * e).sum();
    let shared: f64 = errors.iter().zip(errors.iter().skip(1)).map(|(a, b)| a * b).sum();
    (squares + shared / 3.0).sqrt() / errors.len().max(1) as f64
}

/// Standard error of both parts of a mean by the scatter about it, neighbours being alike: the sum of the
/// covariances up to the first pair that is not positive (C. J. Geyer, Stat. Sci. 7 (1992) 473-483), with the
/// part that taking the mean away hides put back (H. Flyvbjerg and H. G. Petersen, J. Chem. Phys. 91
/// (1989) 461-466; both from memory). `fitted` numbers were taken away from the points.
fn error_of_mean(residuals: &[Complex64], fitted: usize) -> f64 {
    let n = residuals.len();
    let mut sum = covariance(residuals, 0);
    let mut lags = 0;
    for lag in (1..(n / 2).max(2)).step_by(2) {
        let (one, two) = (covariance(residuals, lag), covariance(residuals, lag + 1));
        if lag > 1 && one + two <= 0.0 {
            break;
        }
        sum += 2.0 * (one + two);
        lags = lag + 1;
    }
    let (n, lags) = (n as f64, lags as f64);
    let left = n - 2.0 * lags - fitted as f64 + lags * (lags + 1.0) / n;
    // windows that overlap by half never tell more than if they stood alone
    let alone = covariance(residuals, 0);
    let variance = sum.max(alone) / left.max(1.0);
    if !(variance > 0.0) {
        return 0.0;
    }
    // a variance from few is too small more often than too large: as Student's distribution is wider
    let effective = (alone / variance).max(LEAST_EFFECTIVE);
    (variance * (effective + 1.0) / (effective - 1.0)).sqrt()
}

/// Mean product of either part with that `lag` points further on.
fn covariance(values: &[Complex64], lag: usize) -> f64 {
    let pairs = values.iter().zip(values.iter().skip(lag));
    let sum: f64 = pairs.map(|(a, b)| a.re * b.re + a.im * b.im).sum();
    0.5 * sum / values.len().max(1) as f64
}

/// Complex values as a sum of real columns, by least squares.
struct Line {
    coefficients: Vec<Complex64>,
    residuals: Vec<Complex64>,
    /// Inverse of the products of the columns.
    inverse: DMatrix<f64>,
}

impl Line {
    fn through(columns: &[Vec<f64>], values: &[Complex64]) -> Option<Self> {
        let (rows, count) = (values.len(), columns.len());
        if rows <= count || columns.iter().any(|column| column.len() != rows) {
            return None;
        }
        let design = DMatrix::from_fn(rows, count, |row, column| columns[column][row]);
        let inverse = (design.transpose() * &design).try_inverse()?;
        let solve = |part: fn(&Complex64) -> f64| {
            let right = DVector::from_iterator(rows, values.iter().map(part));
            &inverse * (design.transpose() * right)
        };
        let (re, im) = (solve(|c| c.re), solve(|c| c.im));
        let coefficients: Vec<Complex64> =
            re.iter().zip(im.iter()).map(|(&re, &im)| Complex64::new(re, im)).collect();
        let model = |row: usize| -> Complex64 {
            coefficients.iter().zip(columns).map(|(c, column)| c * column[row]).sum()
        };
        let residuals = values.iter().enumerate().map(|(row, c)| c - model(row)).collect();
        Some(Self { coefficients, residuals, inverse })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::SeedableRng;
    use rand_chacha::ChaCha8Rng;
    use rand_distr::{Distribution, StandardNormal};

    fn track(
        count: usize,
        phasor: impl Fn(usize) -> Complex64,
        rpm: impl Fn(usize) -> f64,
    ) -> Track {
        Track {
            order: 1.0,
            times_s: (0..count).map(|i| i as f64).collect(),
            rpm: (0..count).map(rpm).collect(),
            phasors: (0..count).map(phasor).collect(),
            errors: vec![0.01; count],
        }
    }

    /// A first-order process of correlation `keep` has, in the mean of n points, a variance of
    /// `(1 + keep) / (1 - keep) / n` (G. Box and G. Jenkins, Time Series Analysis: from memory), less
    /// what few points take from it.
    #[test]
    fn the_error_of_a_mean_knows_that_neighbours_are_alike() {
        let mut rng = ChaCha8Rng::seed_from_u64(7);
        for (keep, count) in [(0.0, 30), (0.0, 100), (0.5, 100), (0.9, 400)] {
            let mut part = || -> f64 { StandardNormal.sample(&mut rng) };
            let (mut stated, mut seen) = (0.0, 0.0);
            const SEEDS: usize = 300;
            for _ in 0..SEEDS {
                let mut state = Complex64::new(part(), part());
                let values: Vec<Complex64> = (0..count)
                    .map(|_| {
                        let push = Complex64::new(part(), part());
                        state = state * keep + push * (1.0_f64 - keep * keep).sqrt();
                        state
                    })
                    .collect();
                let found = of(&track(count, |i| values[i], |_| 6000.0), 0..count);
                stated += found.turns_error.powi(2);
                seen += found.phasor.norm_sqr() / 2.0;
            }
            let ratio = (seen / stated).sqrt();
            assert!((0.75..1.2).contains(&ratio), "{keep}, {count}: true over stated {ratio}");
            let theory = (1.0 + keep) / (1.0 - keep) / count as f64;
            assert!((seen / SEEDS as f64 / theory - 1.0).abs() < 0.3, "{keep}: {theory}");
        }
    }

    /// Points of equal error e, neighbours sharing a sixth: variance e² (1 + 1/3) / n for many.
    #[test]
    fn the_error_by_noise_counts_what_windows_share() {
        let found = noise_of_mean(&[0.3; 10_000]);
        assert!((found / (0.3 * (4.0_f64 / 3.0 / 1e4).sqrt()) - 1.0).abs() < 1e-4);
        assert!((noise_of_mean(&[0.3]) - 0.3).abs() < 1e-12);
    }

    #[test]
    fn a_slope_with_speed_is_told_beside_a_drift() {
        let rpm = |i: usize| 6000.0 * (1.0 + 1e-3 * (0.37 * i as f64).sin());
        let vector = |i: usize| {
            let percent = 100.0 * (rpm(i) / 6000.0_f64).ln();
            Complex64::from_polar(2.0, (3.0 * percent + 0.005 * i as f64).to_radians())
        };
        let slope = phase_slope(&track(200, vector, rpm), 0..200, true).expect("it wanders");
        assert!((slope.deg_per_percent - 3.0).abs() < 0.05, "{slope:?}");
        assert!(slope.error < 0.05, "{slope:?}");
        assert_eq!(phase_slope(&track(200, vector, |_| 6000.0), 0..200, true), None);
        assert_eq!(phase_slope(&track(200, vector, rpm), 0..4, false), None);
    }

    /// A vector proportional to the logarithm of speed about 6 000 rpm, passed off its middle.
    #[test]
    fn a_passage_is_read_at_its_speed() {
        let rpm = |i: usize| 5990.0 + i as f64;
        let vector = |i: usize| Complex64::new(1.0, 0.5) * (1.0 + 7.0 * (rpm(i) / 6000.0).ln());
        let found = at_speed(&track(40, vector, rpm), 0..40, 6000.0);
        assert!((found.phasor - Complex64::new(1.0, 0.5)).norm() < 1e-9, "{found:?}");
        assert!(found.turns_error < 1e-9);
    }

    #[test]
    fn the_settled_end_is_as_long_as_it_can_be() {
        let settle = |after: usize| {
            let vector = move |i: usize| {
                let left = after.saturating_sub(i) as f64 / 100.0;
                Complex64::new(1.0 + left, 0.0)
            };
            settled_end(&track(100, vector, |_| 6000.0), 0..100, 7)
        };
        assert_eq!(settle(0), Ok(0..100));
        assert_eq!(settle(29), Ok(30..100));
        assert_eq!(settle(59), Ok(60..100));
        let moving = settle(100).expect_err("it moves to the end");
        assert_eq!(moving.over, 75..100);
        assert!((moving.growth + 0.21).abs() < 0.02 && moving.turn_rad.abs() < 1e-9, "{moving:?}");
    }
}
