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
            let w = node.w;
            let size = (w / scale).powi(power);
            // D = w^k (1 - i w'/w²), and its derivatives to the first order of w'
            let sweep = node.w_rate / (w * w);
            let k = f64::from(power);
            match passage.observed.derivative {
                0 => Complex64::new(1.0, -sweep) * size,
                1 => Complex64::new((k + 1.0) * sweep, 1.0) * (size * w),
                _ => Complex64::new(-1.0, (2.0 * k + 2.0) * sweep) * (size * w * w),
            }
        })
        .collect();
    passage.seen(&at_nodes)
}

#[cfg(test)]
mod tests {
    use super::*;

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
