//! Critical speeds from the first order of a run-up.
//!
//! Around one lightly damped mode the unbalance response of a linear rotor is, in displacement,
//! `D = w² (a / (wn² - w² + 2 i z wn w) + b + c / w²)`: the mode, and what all higher and lower modes
//! add (D. J. Ewins, Modal Testing, 2nd ed. 2000, section 4.3: from memory). For a trial of natural
//! frequency and damping the rest is linear, so only two numbers are searched.

use nalgebra::{Complex, DMatrix, DVector};

use super::track::Track;
use crate::dsp::fft::Complex64;

/// A fitted mode is believed only if it is amplified by at least this: below, the API standard
/// paragraphs call it critically damped (from memory).
const LEAST_AMPLIFICATION: f64 = 2.5;
/// Relative error that the model itself is granted: bearings are not quite linear.
const MODEL_ERROR: f64 = 0.03;
/// Points kept for the fit, evenly spread over the logarithm of speed.
const FIT_POINTS: usize = 160;

/// A critical speed passed during a run-up.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Critical {
    /// Undamped critical speed in rpm.
    pub rpm: f64,
    /// Its standard error in rpm.
    pub rpm_error: f64,
    /// Amplification factor, 1 / (2 damping ratio).
    pub amplification: f64,
    /// Its standard error.
    pub amplification_error: f64,
    /// By how much the mode lowers the misfit: rms without it over rms with it.
    pub improvement: f64,
    /// Whether phase took part in the fit, or amplitude alone.
    pub with_phase: bool,
}

impl Critical {
    /// How much the mode raises the response at a speed, against the same rotor without resonance:
    /// `1 / |1 - r² + i r / Q|` below, `r² / |..|` above.
    pub fn raises_by(&self, rpm: f64) -> f64 {
        let r = rpm / self.rpm;
        let denominator = Complex64::new(1.0 - r * r, r / self.amplification).norm();
        (r * r).max(1.0) / denominator
    }
}

/// Looks for a critical speed in the first order's displacement.
///
/// `displacement` is the track in metres (or any unit proportional to displacement). With
/// `phase_known` (angles counted from pulses) the complex response is fitted, otherwise its amplitude
/// alone, which needs a clearer peak. `None` where the run-up is shorter than 1.3:1 or shows no mode
/// amplified by 2.5 or more inside it.
pub fn find(displacement: &Track, phase_known: bool) -> Option<Critical> {
    let points = thinned(displacement, phase_known);
    let (low, high) = match (points.first(), points.last()) {
        (Some(a), Some(b)) if points.len() >= 12 && b.w >= 1.3 * a.w => (a.w, b.w),
        _ => return None,
    };
    let fit = |wn: f64, q: f64| misfit(&points, Some((wn, q)), phase_known);
    let (mut best, mut at) = (f64::INFINITY, (0.0, 0.0));
    let (from, to) = (1.03 * low, 0.98 * high);
    let steps = ((to / from).ln() / 0.01).ceil() as usize;
    for i in 0..=steps {
        let wn = from * (to / from).powf(i as f64 / steps as f64);
        for q in [1.6, 2.5, 4.0, 6.0, 9.0, 14.0, 22.0, 35.0, 55.0] {
            let value = fit(wn, q);
            if value < best {
                (best, at) = (value, (wn, q));
            }
        }
    }
    let (best, (wn, q)) = refine(&fit, best, at);
    let without = misfit(&points, None, phase_known);
    let improvement = (without / best.max(f64::MIN_POSITIVE)).sqrt();
    let needed = if phase_known { 1.5 } else { 2.0 };
    let inside = wn > from && wn < to;
    if !inside || q < LEAST_AMPLIFICATION || improvement < needed || !seen(&points, wn, q) {
        return None;
    }
    let (wn_error, q_error) = errors(&fit, best, (wn, q), points.len());
    let rpm_per_rad_s = 30.0 / std::f64::consts::PI;
    Some(Critical {
        rpm: wn * rpm_per_rad_s,
        rpm_error: wn_error * rpm_per_rad_s,
        amplification: q,
        amplification_error: q_error,
        improvement,
        with_phase: phase_known,
    })
}

#[derive(Debug, Clone, Copy)]
struct Point {
    w: f64,
    d: Complex64,
    weight: f64,
}

/// Mean phasors in bins of the logarithm of speed, so that a long hold counts once. Where the phase
/// drifts (no pulse counts the turns), the mean of the amplitudes: phasors would cancel.
fn thinned(track: &Track, phase_known: bool) -> Vec<Point> {
    let phasor = |i: usize| {
        let c = track.phasors[i];
        if phase_known { c } else { Complex64::new(c.norm(), 0.0) }
    };
    let mut order: Vec<usize> = (0..track.len()).filter(|&i| track.rpm[i] > 0.0).collect();
    order.sort_by(|&a, &b| track.rpm[a].total_cmp(&track.rpm[b]));
    let (Some(&first), Some(&last)) = (order.first(), order.last()) else { return Vec::new() };
    let span = (track.rpm[last] / track.rpm[first]).ln().max(1e-9);
    let bin_of = |i: usize| {
        ((track.rpm[i] / track.rpm[first]).ln() / span * (FIT_POINTS - 1) as f64) as usize
    };
    order
        .chunk_by(|&a, &b| bin_of(a) == bin_of(b))
        .map(|chunk| {
            let n = chunk.len() as f64;
            let mean = |f: &dyn Fn(usize) -> f64| chunk.iter().map(|&i| f(i)).sum::<f64>() / n;
            let d: Complex64 = chunk.iter().map(|&i| phasor(i)).sum::<Complex64>() / n;
            let error = mean(&|i| track.errors[i]) / n.sqrt();
            let variance = error.powi(2) + (MODEL_ERROR * d.norm()).powi(2);
            let w = mean(&|i| track.angular_frequency(i));
            Point { w, d, weight: 1.0 / variance.max(f64::MIN_POSITIVE) }
        })
        .collect()
}

/// Whether there are points close enough to the resonance to see it: within one half-power width.
fn seen(points: &[Point], wn: f64, q: f64) -> bool {
    points.iter().filter(|p| (p.w / wn - 1.0).abs() < 1.0 / q).count() >= 3
}

/// Mean weighted squared misfit of the best linear terms for a trial mode (or for none).
fn misfit(points: &[Point], mode: Option<(f64, f64)>, phase_known: bool) -> f64 {
    if phase_known { misfit_complex(points, mode) } else { misfit_amplitude(points, mode) }
}

fn misfit_complex(points: &[Point], mode: Option<(f64, f64)>) -> f64 {
    let columns = if mode.is_some() { 3 } else { 2 };
    let row = |p: &Point| {
        let w2 = p.w * p.w;
        let rest = [Complex::new(w2 * 1e-6, 0.0), Complex::new(1.0, 0.0)];
        let resonant = mode.map(|(wn, q)| Complex::new(w2, 0.0) / resonance(p.w, wn, q));
        rest.into_iter().chain(resonant).collect::<Vec<Complex64>>()
    };
    let root = |p: &Point| p.weight.sqrt();
    let rows: Vec<Vec<Complex64>> = points.iter().map(row).collect();
    let a = DMatrix::from_fn(points.len(), columns, |i, j| rows[i][j] * root(&points[i]));
    let b = DVector::from_fn(points.len(), |i, _| points[i].d * root(&points[i]));
    let scale: Vec<f64> = a.column_iter().map(|c| c.norm().max(f64::MIN_POSITIVE)).collect();
    let a = DMatrix::from_fn(points.len(), columns, |i, j| a[(i, j)] / scale[j]);
    let normal = a.adjoint() * &a;
    let Some(x) = normal.lu().solve(&(a.adjoint() * &b)) else { return f64::INFINITY };
    (b - a * x).norm_squared() / points.len() as f64
}

/// With amplitude alone one factor is free, in the logarithm: the mode by itself, or a power law.
fn misfit_amplitude(points: &[Point], mode: Option<(f64, f64)>) -> f64 {
    let x = |p: &Point| match mode {
        Some((wn, q)) => (p.w * p.w / resonance(p.w, wn, q).norm()).ln(),
        None => p.w.ln(),
    };
    // relative variance of the amplitude becomes the variance of its logarithm
    let weights: Vec<f64> = points.iter().map(|p| p.weight * p.d.norm_sqr()).collect();
    let total: f64 = weights.iter().sum();
    let mean = |f: &dyn Fn(&Point) -> f64| {
        points.iter().zip(&weights).map(|(p, w)| w * f(p)).sum::<f64>() / total
    };
    let log_d = |p: &Point| p.d.norm().max(f64::MIN_POSITIVE).ln();
    let (mean_x, mean_y) = (mean(&x), mean(&log_d));
    let slope = match mode {
        Some(_) => 1.0,
        None => {
            let sxx = mean(&|p| (x(p) - mean_x).powi(2));
            mean(&|p| (x(p) - mean_x) * (log_d(p) - mean_y)) / sxx.max(f64::MIN_POSITIVE)
        }
    };
    mean(&|p| (log_d(p) - mean_y - slope * (x(p) - mean_x)).powi(2)) * total / points.len() as f64
}

fn resonance(w: f64, wn: f64, q: f64) -> Complex64 {
    Complex64::new(wn * wn - w * w, wn * w / q)
}

/// Halving steps around the best point of the grid.
fn refine(fit: &impl Fn(f64, f64) -> f64, mut best: f64, mut at: (f64, f64)) -> (f64, (f64, f64)) {
    let (mut step_w, mut step_q) = (0.005, 0.25);
    while step_w > 1e-6 {
        let mut moved = false;
        for (dw, dq) in [(1.0, 0.0), (-1.0, 0.0), (0.0, 1.0), (0.0, -1.0)] {
            let trial = (at.0 * (1.0 + dw * step_w), at.1 * (1.0 + dq * step_q));
            let value = fit(trial.0, trial.1);
            if value < best {
                (best, at, moved) = (value, trial, true);
            }
        }
        if !moved {
            step_w *= 0.5;
            step_q *= 0.5;
        }
    }
    (best, at)
}

/// Standard errors of natural frequency and amplification from the curvature of the misfit, scaled
/// by the misfit that remains.
fn errors(
    fit: &impl Fn(f64, f64) -> f64,
    best: f64,
    (wn, q): (f64, f64),
    points: usize,
) -> (f64, f64) {
    let (hw, hq) = (wn * 1e-3 / q.max(1.0), q * 0.02);
    let at = |i: f64, j: f64| fit(wn + i * hw, q + j * hq);
    let ww = (at(1.0, 0.0) - 2.0 * best + at(-1.0, 0.0)) / (hw * hw);
    let qq = (at(0.0, 1.0) - 2.0 * best + at(0.0, -1.0)) / (hq * hq);
    let wq = (at(1.0, 1.0) - at(1.0, -1.0) - at(-1.0, 1.0) + at(-1.0, -1.0)) / (4.0 * hw * hq);
    let determinant = ww * qq - wq * wq;
    if determinant <= 0.0 {
        return (0.05 * wn, 0.5 * q);
    }
    // chi² = points * misfit; covariance = 2 * inverse curvature, with the scatter as it is
    let scatter = best.max(1.0) * 2.0 / points as f64;
    ((scatter * qq / determinant).sqrt(), (scatter * ww / determinant).sqrt())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Unbalance response of a Jeffcott rotor with the given critical speed and amplification.
    fn jeffcott(critical_rpm: f64, q: f64, noise: f64) -> Track {
        let mut track = Track::empty(1.0);
        let mut state = 7_u32;
        let mut random = || {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            f64::from(state >> 8) / f64::from(1 << 23) - 1.0
        };
        for i in 0..400 {
            let rpm = 10_000.0 + 200.0 * f64::from(i);
            let r = rpm / critical_rpm;
            let clean = Complex64::new(r * r, 0.0) / Complex64::new(1.0 - r * r, r / q);
            let scatter = Complex64::new(random(), random()) * noise * 3.0_f64.sqrt();
            track.times_s.push(0.1 * f64::from(i));
            track.rpm.push(rpm);
            track.phasors.push(clean * Complex64::from_polar(1e-6, 0.7) + scatter * 1e-6);
            track.errors.push(noise * 1e-6);
        }
        track
    }

    #[test]
    fn finds_the_critical_of_a_jeffcott_rotor() {
        for (phase, tolerance) in [(true, 0.001), (false, 0.005)] {
            let found = find(&jeffcott(41_000.0, 8.0, 0.02), phase).expect("passed at 41 000");
            assert!((found.rpm / 41_000.0 - 1.0).abs() < tolerance, "{found:?}");
            assert!((found.amplification / 8.0 - 1.0).abs() < 0.05, "{found:?}");
            assert!((found.rpm - 41_000.0).abs() < 4.0 * found.rpm_error.max(1.0), "{found:?}");
        }
    }

    #[test]
    fn without_known_phase_a_drifting_one_does_no_harm() {
        let mut track = jeffcott(41_000.0, 8.0, 0.02);
        // a hold at the top, as long as the run-up, through which the phase drifts by ten turns
        for i in 0..400 {
            let drift = Complex64::from_polar(1.0, 0.05 * std::f64::consts::PI * f64::from(i));
            track.times_s.push(40.0 + 0.1 * f64::from(i));
            track.rpm.push(89_800.0);
            track.phasors.push(track.phasors[399] * drift);
            track.errors.push(track.errors[399]);
        }
        let found = find(&track, false).expect("passed at 41 000");
        assert!((found.rpm / 41_000.0 - 1.0).abs() < 0.005, "{found:?}");
    }

    #[test]
    fn finds_none_outside_the_run_up_nor_in_a_damped_one() {
        assert_eq!(find(&jeffcott(160_000.0, 8.0, 0.01), true), None);
        assert_eq!(find(&jeffcott(41_000.0, 1.2, 0.02), true), None);
        assert_eq!(find(&Track::empty(1.0), true), None);
    }

    /// FACTS of the Jeffcott rotor: at r = 1 the response is 1 / (2 z), far above it tends to 1.
    #[test]
    fn raises_by_follows_the_jeffcott_curve() {
        let critical = find(&jeffcott(41_000.0, 10.0, 0.005), true).expect("passed");
        assert!((critical.raises_by(critical.rpm) / critical.amplification - 1.0).abs() < 1e-9);
        assert!((critical.raises_by(5.0 * critical.rpm) - 1.0414).abs() < 2e-3);
    }
}
