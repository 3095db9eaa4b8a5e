//! A smooth curve of turns over time through scattered observations, with its standard error.
//!
//! The shaft's acceleration is taken as a random walk, the observations as scattered about the curve:
//! the most probable curve is then a smoothing spline of the fifth degree (G. Wahba, "Improper priors,
//! spline smoothing and the problem of guarding against model errors in regression", J. R. Stat. Soc.
//! B 40, 1978; from memory). A Kalman filter and its backward pass find it and its covariance in one
//! sweep each way. How far the walk steps is chosen by maximum likelihood from the data, so that
//! jitter is averaged and ramps are followed; where the acceleration changes at a corner the walk is
//! let go further there.

use nalgebra::{Matrix3, Vector3};

use super::Knot;
use crate::dsp::stats::quantile_of;

/// What is observed at a time.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Observed {
    /// The angle in turns.
    Turns,
    /// The speed in turns per second.
    Hz,
}

/// One observation, usually the mean of several neighbours.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Observation {
    pub time_s: f64,
    pub value: f64,
    /// Variance up to a common factor, which the fit finds.
    pub variance: f64,
}

/// The fitted curve: knots at the observations.
#[derive(Debug, Clone)]
pub(super) struct Fit {
    pub knots: Vec<Knot>,
    /// Standard error of the angle in turns at each knot.
    pub turns_error: Vec<f64>,
    /// Standard error of the speed in turns per second at each knot.
    pub hz_error: Vec<f64>,
    /// Acceleration in turns per second squared at each knot.
    pub acceleration: Vec<f64>,
    /// The walk found, to start from in a fit to nearly the same observations.
    walk: Walk,
    /// The local factors on the walk's variance found at corners.
    loosened: Vec<f64>,
    /// The common factor on the variances.
    #[cfg(test)]
    pub factor: f64,
}

/// Steps of the search over the logarithm of the smoothing time.
const COARSE: f64 = 0.8;
const FINE: f64 = 0.06;
/// Of many observations so many parts of so many are judged.
const PARTS: usize = 8;
const PART: usize = 200;
/// How often the walk's local steps are found anew.
const CORNER_ROUNDS: usize = 2;
/// Degrees of freedom of the steps: few, so that a corner is no wonder (Student's t).
const STEP_FREEDOM: f64 = 3.0;
/// Largest local factor on the walk's variance.
const MOST_LOOSENED: f64 = 1e4;
/// The walk goes further than the likelihood asks by this factor on its variance. The likelihood weighs
/// all of the curve alike; near its ends and where it bends most the curve would lag by several times
/// its standard error. The price is a third more scatter elsewhere.
const EAGERNESS: f64 = 2.0;

type State = Vector3<f64>;
type Covariance = Matrix3<f64>;

/// Fits the curve, letting it go at corners if asked to. `known` is a fit to nearly the same
/// observations, near whose walk the likelihood is sought. `None` with fewer than four observations or
/// where they are not finite.
pub(super) fn fit(
    observations: &[Observation],
    what: Observed,
    corners: bool,
    known: Option<&Fit>,
) -> Option<Fit> {
    let finite = |o: &Observation| o.time_s.is_finite() && o.value.is_finite() && o.variance > 0.0;
    if observations.len() < 4 || !observations.iter().all(finite) {
        return None;
    }
    let rising = observations.windows(2).all(|w| matches!(w, [a, b] if b.time_s > a.time_s));
    if !rising {
        return None;
    }
    let mut filter = Filter::new(observations, what);
    if let Some(known) = known.filter(|known| known.loosened.len() == observations.len()) {
        filter.loosened.clone_from(&known.loosened);
    }
    let mut walk = filter.most_likely_walk(known.map(|known| known.walk));
    let mut smoothed = filter.smooth(walk.variance())?;
    for _ in 0..if corners { CORNER_ROUNDS } else { 0 } {
        filter.let_corners_go(&smoothed, walk.variance());
        walk = filter.most_likely_walk(Some(walk));
        smoothed = filter.smooth(walk.variance())?;
    }
    Some(smoothed.into_fit(filter, walk))
}

struct Filter<'a> {
    observations: &'a [Observation],
    what: Observed,
    /// Local factor on the walk's variance for the step that ends at each observation.
    loosened: Vec<f64>,
}

/// Filtered and smoothed states.
struct Smoothed {
    states: Vec<State>,
    covariances: Vec<Covariance>,
    factor: f64,
}

/// What one forward sweep finds.
struct Sweep {
    log_likelihood: f64,
    factor: f64,
}

/// The states of a forward sweep, before and after each observation.
#[derive(Default)]
struct States {
    predicted: Vec<(State, Covariance)>,
    filtered: Vec<(State, Covariance)>,
}

/// How far the walk goes, by the smoothing time that it makes.
#[derive(Debug, Clone, Copy)]
struct Walk {
    density: f64,
    log_time: f64,
    what: Observed,
}

impl Walk {
    /// Variance of the walk per second: that of the observations' density over the smoothing time to
    /// the sixth power (fourth for speeds), as the units ask.
    fn variance(self) -> f64 {
        let power = if self.what == Observed::Turns { 6.0 } else { 4.0 };
        EAGERNESS * self.density / (power * self.log_time).exp()
    }
}

impl<'a> Filter<'a> {
    fn new(observations: &'a [Observation], what: Observed) -> Self {
        Self { observations, what, loosened: vec![1.0; observations.len()] }
    }

    /// The walk's variance per second that makes the observations most likely, by a coarse and a
    /// fine search over its logarithm; near `known` where a first value is known.
    fn most_likely_walk(&self, known: Option<Walk>) -> Walk {
        let first = self.observations.first().map_or(0.0, |o| o.time_s);
        let span_s = self.observations.last().map_or(0.0, |o| o.time_s) - first;
        let step_s = span_s / self.observations.len() as f64;
        let density = self.density();
        let walk_at = |log_time: f64| Walk { density, log_time, what: self.what };
        let parts = self.parts();
        let cost = |log_time: f64| -> f64 {
            let variance = walk_at(log_time).variance();
            -parts
                .iter()
                .map(|part| self.sweep(part.clone(), variance, None).log_likelihood)
                .sum::<f64>()
        };
        // smoothing times from below one step to beyond the whole span
        let (low, high) = ((0.3 * step_s).ln(), (3.0 * span_s).ln());
        let places: Vec<f64> = match known {
            Some(walk) => vec![walk.log_time],
            None => {
                let steps = ((high - low) / COARSE).ceil().max(3.0);
                (0..=steps as usize).map(|i| low + i as f64 * (high - low) / steps).collect()
            }
        };
        let (mut best, mut least) = (low, f64::INFINITY);
        for place in places {
            let here = cost(place);
            if here < least {
                (best, least) = (place, here);
            }
        }
        let mut width = 0.5 * COARSE;
        while width > FINE {
            let before = best;
            for place in [best - width, best + width] {
                let here = cost(place);
                if here < least {
                    (best, least) = (place.clamp(low, high), here);
                }
            }
            // far from the known value: walk on before halving
            if known.is_none() || best == before {
                width *= 0.5;
            }
        }
        walk_at(best)
    }

    /// Usual variance of an observation times the time between two.
    fn density(&self) -> f64 {
        let pairs = self.observations.windows(2);
        let mut densities: Vec<f64> = pairs
            .map(|w| match w {
                [a, b] => b.variance * (b.time_s - a.time_s),
                _ => 0.0,
            })
            .collect();
        quantile_of(&mut densities, 0.5)
    }

    /// The parts by which a walk is judged: all, or of many observations some spread evenly.
    fn parts(&self) -> Vec<std::ops::Range<usize>> {
        let total = self.observations.len();
        if total <= PARTS * PART {
            return std::iter::once(0..total).collect();
        }
        let start = |i: usize| i * (total - PART) / (PARTS - 1);
        (0..PARTS).map(|i| start(i)..start(i) + PART).collect()
    }

    /// One forward sweep over a part; the states are kept if asked for.
    fn sweep(
        &self,
        part: std::ops::Range<usize>,
        walk: f64,
        mut states: Option<&mut States>,
    ) -> Sweep {
        let observations = self.observations.get(part.clone()).unwrap_or(&[]);
        let loosened = self.loosened.get(part).unwrap_or(&[]);
        let (mut state, mut covariance) = diffuse_start(observations, self.what);
        let (mut sum, mut logs, mut counted) = (0.0, 0.0, 0.0_f64);
        let mut time_s = observations.first().map_or(0.0, |o| o.time_s);
        let row = usize::from(self.what == Observed::Hz);
        for (i, (observation, loosened)) in observations.iter().zip(loosened).enumerate() {
            let h = observation.time_s - time_s;
            time_s = observation.time_s;
            if h > 0.0 {
                let step = transition(h);
                state = step * state;
                covariance = step * covariance * step.transpose();
                covariance += walk_covariance(h, walk * loosened);
            }
            if let Some(states) = states.as_deref_mut() {
                states.predicted.push((state, covariance));
            }
            let column = covariance.column(row).into_owned();
            let innovation = observation.value - state[row];
            let variance = column[row] + observation.variance;
            let gain = column / variance;
            state += gain * innovation;
            covariance -= gain * column.transpose();
            covariance = 0.5 * (covariance + covariance.transpose());
            // the first three only fix the start
            if i >= 3 {
                sum += innovation * innovation / variance;
                logs += variance.ln();
                counted += 1.0;
            }
            if let Some(states) = states.as_deref_mut() {
                states.filtered.push((state, covariance));
            }
        }
        let factor = sum / counted.max(1.0);
        let log_likelihood = -0.5 * (counted * factor.max(1e-300).ln() + logs);
        Sweep { log_likelihood, factor }
    }

    /// Forward sweep and backward pass (Rauch, Tung and Striebel 1965; from memory).
    fn smooth(&self, walk: f64) -> Option<Smoothed> {
        let mut found = States::default();
        let sweep = self.sweep(0..self.observations.len(), walk, Some(&mut found));
        let mut states = Vec::with_capacity(found.filtered.len());
        let mut covariances = Vec::with_capacity(found.filtered.len());
        let &(mut state, mut covariance) = found.filtered.last()?;
        states.push(state);
        covariances.push(covariance);
        for i in (0..found.filtered.len() - 1).rev() {
            let h = self.observations[i + 1].time_s - self.observations[i].time_s;
            let (filtered, spread) = found.filtered[i];
            let (predicted, predicted_spread) = found.predicted[i + 1];
            let gain = spread * transition(h).transpose() * inverse(&predicted_spread)?;
            state = filtered + gain * (state - predicted);
            covariance = spread + gain * (covariance - predicted_spread) * gain.transpose();
            states.push(state);
            covariances.push(covariance);
        }
        states.reverse();
        covariances.reverse();
        Some(Smoothed { states, covariances, factor: sweep.factor })
    }

    /// Lets the walk go further where the smoothed curve steps more than its share.
    fn let_corners_go(&mut self, smoothed: &Smoothed, walk: f64) {
        let steps: Vec<f64> = (1..self.observations.len())
            .map(|i| {
                let h = self.observations[i].time_s - self.observations[i - 1].time_s;
                let step = smoothed.states[i] - transition(h) * smoothed.states[i - 1];
                let variance = walk * smoothed.factor.max(1e-300);
                step_size(&step, h, variance)
            })
            .collect();
        for i in 1..self.observations.len() {
            // neighbours share a corner: its place is known to a step or two only
            let near = steps.get(i.saturating_sub(3)..(i + 2).min(steps.len())).unwrap_or(&[]);
            let mean = near.iter().sum::<f64>() / near.len().max(1) as f64;
            let share = (STEP_FREEDOM + mean) / (STEP_FREEDOM + 3.0);
            self.loosened[i] = share.clamp(1.0, MOST_LOOSENED);
        }
    }
}

impl Smoothed {
    fn into_fit(self, filter: Filter, walk: Walk) -> Fit {
        let knots = self.states.iter().zip(filter.observations);
        let error = |row: usize| -> Vec<f64> {
            let variances = self.covariances.iter().map(|c| c[(row, row)]);
            variances.map(|v| (v.max(0.0) * self.factor).sqrt()).collect()
        };
        Fit {
            knots: knots
                .map(|(s, o)| Knot { time_s: o.time_s, turns: s[0], speed_hz: s[1] })
                .collect(),
            turns_error: error(0),
            hz_error: error(1),
            acceleration: self.states.iter().map(|s| s[2]).collect(),
            walk,
            loosened: filter.loosened,
            #[cfg(test)]
            factor: self.factor,
        }
    }
}

/// A start that says nearly nothing: a parabola (for speeds a line) through the first observations,
/// with a spread a thousand times what they leave open.
fn diffuse_start(observations: &[Observation], what: Observed) -> (State, Covariance) {
    let [a, b, c, ..] = observations else { return (State::zeros(), Covariance::identity()) };
    let pace =
        |from: &Observation, to: &Observation| (to.value - from.value) / (to.time_s - from.time_s);
    let h = c.time_s - a.time_s;
    let deviation = 1e3 * a.variance.max(b.variance).max(c.variance).sqrt();
    let (state, spread) = match what {
        Observed::Turns => {
            let bend = 2.0 * (pace(b, c) - pace(a, b)) / h;
            let hz = pace(a, b) - 0.5 * bend * (b.time_s - a.time_s);
            let spread = State::new(1.0, 1.0 / h, 1.0 / (h * h));
            (State::new(a.value, hz, bend), spread)
        }
        // the angle is nought at the start, by definition
        Observed::Hz => (State::new(0.0, a.value, pace(a, c)), State::new(1e-6 * h, 1.0, 1.0 / h)),
    };
    let variances = (deviation * spread).map(|s| s * s);
    (state, Covariance::from_diagonal(&variances))
}

/// Angle, speed and acceleration after `h` seconds at constant acceleration.
fn transition(h: f64) -> Covariance {
    Matrix3::new(1.0, h, 0.5 * h * h, 0.0, 1.0, h, 0.0, 0.0, 1.0)
}

/// Covariance that a random walk of the acceleration adds within `h` seconds.
fn walk_covariance(h: f64, walk: f64) -> Covariance {
    let (h2, h3) = (h * h, h * h * h);
    let (a, b, c) = (h2 * h3 / 20.0, h2 * h2 / 8.0, h3 / 6.0);
    let (d, e) = (h3 / 3.0, h2 / 2.0);
    walk * Matrix3::new(a, b, c, b, d, e, c, e, h)
}

/// Squared size of a step against the walk's covariance; 3 on average for a true walk.
fn step_size(step: &State, h: f64, walk: f64) -> f64 {
    // with x = (angle/h^2, speed/h, acceleration) the inverse of the covariance is a fixed matrix
    let x = State::new(step[0] / (h * h), step[1] / h, step[2]);
    let inverse = Matrix3::new(720.0, -360.0, 60.0, -360.0, 192.0, -36.0, 60.0, -36.0, 9.0);
    (x.dot(&(inverse * x)) / (walk * h)).max(0.0)
}

/// Inverse of a covariance whose rows differ by many powers of ten: scaled to a unit diagonal first.
fn inverse(covariance: &Covariance) -> Option<Covariance> {
    let scale = covariance.diagonal().map(|v| 1.0 / v.max(f64::MIN_POSITIVE).sqrt());
    let scaling = Matrix3::from_diagonal(&scale);
    let scaled = scaling * covariance * scaling;
    scaled.try_inverse().map(|inverse| scaling * inverse * scaling)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn noise(i: usize) -> f64 {
        // a fixed, well-mixed sequence of about unit deviation
        let x = (i as f64 * 12.9898).sin() * 43758.5453;
        (x - x.floor() - 0.5) * 12.0_f64.sqrt()
    }

    fn observe(turns: impl Fn(f64) -> f64, deviation: f64) -> Vec<Observation> {
        (0..1000)
            .map(|i| {
                let time_s = i as f64 * 0.01;
                Observation { time_s, value: turns(time_s) + deviation * noise(i), variance: 1.0 }
            })
            .collect()
    }

    #[test]
    fn finds_a_ramp_and_the_scatter_about_it() {
        let ramp = |t: f64| 50.0 * t + 5.0 * t * t;
        let fit = fit(&observe(ramp, 1e-3), Observed::Turns, true, None).expect("a fit");
        assert!((fit.factor.sqrt() / 1e-3 - 1.0).abs() < 0.1, "{}", fit.factor.sqrt());
        for (knot, error) in fit.knots.iter().zip(&fit.hz_error) {
            let off = (knot.speed_hz - 50.0 - 10.0 * knot.time_s).abs();
            assert!(off < 4.5 * error && off < 1e-3 * knot.speed_hz, "{off} {error}");
        }
    }

    #[test]
    fn follows_a_corner() {
        let corner =
            |t: f64| if t < 5.0 { 50.0 * t + 5.0 * t * t } else { 375.0 + 100.0 * (t - 5.0) };
        let fit = fit(&observe(corner, 1e-4), Observed::Turns, true, None).expect("a fit");
        for knot in &fit.knots {
            let hz = if knot.time_s < 5.0 { 50.0 + 10.0 * knot.time_s } else { 100.0 };
            assert!((knot.speed_hz - hz).abs() < 0.15, "{knot:?} {hz}");
        }
    }

    #[test]
    fn integrates_a_speed() {
        let speeds: Vec<Observation> = (0..500)
            .map(|i| {
                let time_s = i as f64 * 0.02;
                let value = 20.0 + time_s + 0.01 * noise(i);
                Observation { time_s, value, variance: 1.0 }
            })
            .collect();
        let fit = fit(&speeds, Observed::Hz, true, None).expect("a fit");
        let last = fit.knots.last().expect("knots");
        let turns = 20.0 * last.time_s + 0.5 * last.time_s * last.time_s;
        assert!((last.turns - turns).abs() < 0.05, "{} {turns}", last.turns);
    }

    #[test]
    fn refuses_what_it_cannot_fit() {
        assert!(fit(&observe(|t| t, 0.0)[..3], Observed::Turns, true, None).is_none());
        assert!(fit(&observe(|_| f64::NAN, 0.0), Observed::Turns, true, None).is_none());
    }
}
