//! The response of one mode to unbalance while the speed changes.
//!
//! Seen from the shaft, the displacement `D` of a mode under the unbalance force obeys
//! `D'' + (2 z wn + 2 i w) D' + (wn² - w² + i w' + 2 i z wn w) D = (w² - i w') u`: the equation of one
//! vibrating mass in a frame that turns with the shaft (F. M. Lewis, Trans. ASME 54, 1932, poses it:
//! from memory). Its two poles are `-z wn ± i wd` less `i w`. Only the pole that the shaft passes can
//! be left behind by the sweep; the other answers at once, to within `w' / 4 w²`.

use super::course::Passage;
use crate::dsp::fft::Complex64;

/// Relative distance from a mode from which it is far away.
const FAR: f64 = 0.3;

/// A mode in trial.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Mode {
    /// Undamped natural frequency in rad/s, at the critical speed.
    pub wn: f64,
    /// Damping ratio.
    pub zeta: f64,
    /// How fast the whirl frequency changes with speed, per unit of speed: 0 without gyroscopic effect.
    pub slope: f64,
}

impl Mode {
    /// The steady displacement at a constant speed for a unit of unbalance.
    pub fn steady(&self, w: f64) -> Complex64 {
        let Self { wn, zeta, .. } = *self;
        Complex64::new(w * w, 0.0) / Complex64::new(wn * wn - w * w, 2.0 * zeta * wn * w)
    }

    /// The displacement along a passage for a unit of unbalance, as the track sees it.
    pub fn swept(&self, passage: &Passage) -> Vec<Complex64> {
        let damped = self.wn * (1.0 - self.zeta * self.zeta).max(1e-6).sqrt();
        let pole = Complex64::new(-self.zeta * self.wn, damped);
        let share = Complex64::new(0.0, -0.5 / damped);
        let force = |w: f64, w_rate: f64| Complex64::new(w * w, -w_rate);
        let settled =
            |pole: Complex64, w: f64, force: Complex64| force / (Complex64::new(0.0, w) - pole);
        let mut at_nodes = Vec::with_capacity(passage.nodes.len());
        // how far the mode is from the steady state of its instant
        let mut lag = Complex64::ZERO;
        let mut before: Option<(f64, f64, Complex64)> = None;
        for node in &passage.nodes {
            let f = force(node.w, node.w_rate);
            let ahead = settled(pole, node.w, f) * share;
            let behind = settled(pole.conj(), node.w, f) * -share;
            if let Some((time_s, w, last)) = before {
                // exact for a steady state that moves evenly between the nodes
                let h = node.time_s - time_s;
                let rate = (pole - Complex64::new(0.0, 0.5 * (w + node.w))) * (1.0 - self.slope);
                let moved = (ahead - last) / h;
                let following = moved / rate;
                let far = (node.w / self.wn - 1.0).abs() > FAR;
                // far away it follows evenly once its own ringing has died away
                if far && (lag - following).norm_sqr() < 1e-8 * ahead.norm_sqr() {
                    lag = following;
                } else {
                    let decay = (rate * h).exp();
                    lag = decay * lag - following * (decay - 1.0);
                }
            }
            before = Some((node.time_s, node.w, ahead));
            let whole = ahead + lag;
            at_nodes.push(match passage.observed.derivative {
                0 => whole + behind,
                1 => pole * whole + pole.conj() * behind,
                _ => pole * pole * whole + (pole * pole).conj() * behind + f,
            });
        }
        passage.seen(&at_nodes)
    }
}

/// The displacement that all modes far above (`power` 2 and 4) or far below (0) add, as the track sees
/// it: `w^power` in units of `scale`.
pub fn rest(passage: &Passage, power: i32, scale: f64) -> Vec<Complex64> {
    let at_nodes: Vec<Complex64> = passage
        .nodes
        .iter()
        .map(|node| {
            let derivative = i32::from(passage.observed.derivative);
            turned(power, derivative, node.w, node.w_rate) / scale.powi(power)
        })
        .collect();
    passage.seen(&at_nodes)
}

/// The `derivative` of `D = w^power (1 - i c w'/w²)`, seen from the shaft, to the first order of `w'`.
///
/// The force of unbalance is `-(e^{i theta})''`. Far from their own frequency, modes below answer with
/// `e^{i theta}`, modes above with the force and its even derivatives: up to sign, `w^power` stands for the
/// derivative of that order of `e^{i theta}`. The n-th is `(i w)^n (1 - i n (n - 1) / 2 w'/w²)`, as `w'` comes
/// in once for each two of the n derivatives; so that c is 0, 1 and 6 for the powers 0, 2 and 4.
fn turned(power: i32, derivative: i32, w: f64, w_rate: f64) -> Complex64 {
    let n = power + derivative;
    let pairs = 0.5 * f64::from(n) * f64::from(n - 1);
    let swept = Complex64::new(1.0, -pairs * w_rate / (w * w));
    Complex64::I.powi(derivative) * swept * w.powi(n)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Velocity, acceleration and the next power by numeric differentiation of the displacement
    /// `D e^{i theta}` in a run of constant acceleration (five points, formulae of M. Abramowitz and
    /// I. Stegun, table 25.2: from memory).
    #[test]
    fn powers_of_a_swept_speed_are_derivatives_of_each_other() {
        let (w, sweep) = (3.0, 1e-4);
        let w_rate = sweep * w * w;
        let h = 0.02 / w;
        for power in [0, 2, 4] {
            let displacement = |t: f64| {
                let turn = Complex64::from_polar(1.0, w * t + 0.5 * w_rate * t * t);
                turned(power, 0, w + w_rate * t, w_rate) * turn
            };
            let [a, b, c, d, e] = [-2.0, -1.0, 0.0, 1.0, 2.0].map(|i| displacement(i * h));
            let first = (a - e + (d - b) * 8.0) / (12.0 * h);
            let second = ((b + d) * 16.0 - a - e - c * 30.0) / (12.0 * h * h);
            for (numeric, told) in [
                (first, turned(power, 1, w, w_rate)),
                (second, turned(power, 2, w, w_rate)),
                // modes above answer with the derivatives of the force: the next power
                (-second, turned(power + 2, 0, w, w_rate)),
            ] {
                let off = (told / numeric - 1.0).norm();
                assert!(off < 0.02 * sweep, "{power}: {told} for {numeric}");
            }
        }
        assert_eq!(turned(0, 0, w, w_rate), Complex64::ONE);
    }

    /// Jeffcott rotor with a damping ratio of 0.05: ratio of speed to natural frequency, amplitude over
    /// eccentricity, lag in degrees (formulae of S. S. Rao, Mechanical Vibrations, ch. 9: from memory;
    /// values by own arithmetic).
    #[test]
    fn steady_response_of_the_jeffcott_rotor() {
        let mode = Mode { wn: 4000.0, zeta: 0.05, slope: 0.0 };
        for (ratio, amplitude, lag_deg) in [
            (0.5, 0.332595, 3.8141),
            (0.9, 3.852777, 25.3462),
            (1.0, 10.0, 90.0),
            (1.1, 5.104077, 152.3540),
            (2.0, 1.330380, 176.1859),
            (5.0, 1.041441, 178.8065),
        ] {
            let here = mode.steady(ratio * 4000.0);
            assert!((here.norm() - amplitude).abs() < 1e-6, "{ratio}: {}", here.norm());
            assert!((-here.arg().to_degrees() - lag_deg).abs() < 1e-4, "{ratio}: {}", here.arg());
        }
    }

    /// Two problems of S. S. Rao, Mechanical Vibrations, ch. 9 (inputs from memory; answers by own arithmetic):
    /// a rotor of 60 kg on 3.75 MN/m, 2 mm off its centre, damping ratio 0.05, at 3600 rpm; and a flywheel of
    /// 100 lb, half an inch off, on a shaft of 2617.99 lb/in, undamped, at 1200 rpm
    /// (with 386.4 in/s²).
    #[test]
    fn worked_examples_of_whirling_rotors() {
        let wn = (3.75e6_f64 / 60.0).sqrt();
        assert!((wn - 250.0).abs() < 1e-9);
        let rotor = Mode { wn, zeta: 0.05, slope: 0.0 };
        let running = rotor.steady(3600.0 * std::f64::consts::TAU / 60.0) * 2.0;
        assert!((running.norm() - 3.5452).abs() < 1e-4, "{}", running.norm());
        assert!((-running.arg().to_degrees() - 173.249).abs() < 1e-3);
        let peak_rpm = super::super::HalfPower::of(wn * 30.0 / std::f64::consts::PI, 0.05).peak_rpm;
        assert!((peak_rpm - 2393.31).abs() < 0.01, "{peak_rpm}");
        let peak = rotor.steady(peak_rpm * std::f64::consts::PI / 30.0) * 2.0;
        assert!((peak.norm() - 20.0250).abs() < 1e-4, "{}", peak.norm());

        let wn = (2617.99_f64 * 386.4 / 100.0).sqrt();
        assert!((wn * 30.0 / std::f64::consts::PI - 960.449).abs() < 0.01, "{wn}");
        let flywheel = Mode { wn, zeta: 0.0, slope: 0.0 };
        let running = flywheel.steady(1200.0 * std::f64::consts::TAU / 60.0) * 0.5;
        assert!((running.norm() - 1.39120).abs() < 1e-4, "{}", running.norm());
    }
}
