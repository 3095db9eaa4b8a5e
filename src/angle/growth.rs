//! How the first order grows with speed, regime by regime.
//!
//! Unbalance response grows, in displacement, as speed² far below the governing resonance and not at
//! all far above it (velocity: 3 and 1, acceleration: 4 and 2). Source: W. T. Thomson, Theory of
//! Vibration, rotating unbalance: from memory.

use super::track::Track;
use crate::dsp::stats::{self, Line};
use crate::units::Quantity;

/// Least span of speed, high over low, over which an exponent is fitted.
const LEAST_SPAN: f64 = 1.25;
/// Regimes end at these fractions of the critical speed: there the exponent of a lightly damped mode,
/// 2 / (1 - r²), lies 0.67 from its limit, and closer further out.
const BELOW: f64 = 0.5;
const ABOVE: f64 = 2.0;

/// Where speeds lie against the critical speeds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Regime {
    /// Below all of them.
    Below,
    /// Above all of them.
    Above,
    /// No critical speed is known.
    Unknown,
}

/// A fitted growth law in one regime.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Growth {
    /// Exponent of speed, in displacement.
    pub exponent: f64,
    /// Its standard error from the scatter.
    pub error: f64,
    /// Displacement by the law at the geometric mean of the span, zero-to-peak, in the track's unit.
    pub level: f64,
    /// Lowest and highest speed of the fit in rpm.
    pub span_rpm: (f64, f64),
    /// Where these speeds lie.
    pub regime: Regime,
}

impl Growth {
    /// Displacement by the law at a speed in rpm, zero-to-peak, in the track's unit.
    pub fn displacement_at(&self, rpm: f64) -> f64 {
        self.level * (rpm / self.middle_rpm()).powf(self.exponent)
    }

    fn middle_rpm(&self) -> f64 {
        (self.span_rpm.0 * self.span_rpm.1).sqrt()
    }

    /// The exponent that pure unbalance has in this regime, in displacement; `None` where the regime
    /// is not known.
    pub fn expected(&self) -> Option<f64> {
        match self.regime {
            Regime::Below => Some(2.0),
            Regime::Above => Some(0.0),
            Regime::Unknown => None,
        }
    }

    /// The exponent and the expected one as seen in another quantity.
    pub fn in_quantity(&self, quantity: Quantity) -> (f64, Option<f64>) {
        let steps = f64::from(quantity.derivative_of_displacement().unwrap_or(0));
        (self.exponent + steps, self.expected().map(|expected| expected + steps))
    }
}

/// Fits the growth laws below and above the critical speeds in rpm, or one law over all speeds where
/// none is known.
///
/// `displacement` is the first order's track in displacement. Points below four times their noise are
/// left out. Regimes that span less than 1.25:1 are left out.
pub fn laws(displacement: &Track, criticals_rpm: &[f64]) -> Vec<Growth> {
    let lowest = criticals_rpm.iter().copied().reduce(f64::min);
    let highest = criticals_rpm.iter().copied().reduce(f64::max);
    match lowest.zip(highest) {
        Some((lowest, highest)) => {
            let below = law(displacement, |rpm| rpm < BELOW * lowest, Regime::Below);
            let above = law(displacement, |rpm| rpm > ABOVE * highest, Regime::Above);
            below.into_iter().chain(above).collect()
        }
        None => law(displacement, |_| true, Regime::Unknown).into_iter().collect(),
    }
}

fn law(track: &Track, chosen: impl Fn(f64) -> bool, regime: Regime) -> Option<Growth> {
    let part = track.where_rpm(chosen);
    let usable: Vec<usize> =
        (0..part.len()).filter(|&i| part.phasors[i].norm() > 4.0 * part.errors[i]).collect();
    let low = usable.iter().map(|&i| part.rpm[i]).fold(f64::INFINITY, f64::min);
    let high = usable.iter().map(|&i| part.rpm[i]).fold(0.0, f64::max);
    if usable.len() < 6 || high < LEAST_SPAN * low {
        return None;
    }
    let x: Vec<f64> = usable.iter().map(|&i| part.rpm[i].ln()).collect();
    let y: Vec<f64> = usable.iter().map(|&i| part.phasors[i].norm().ln()).collect();
    let weight = vec![1.0; usable.len()];
    let Line { slope, slope_error, intercept } = stats::fit_line(&x, &y, &weight)?;
    let level = (intercept + slope * 0.5 * (low * high).ln()).exp();
    Some(Growth { exponent: slope, error: slope_error, level, span_rpm: (low, high), regime })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dsp::fft::Complex64;

    #[test]
    fn the_law_of_unbalance_far_from_the_critical() {
        let mut track = Track::empty(1.0);
        for i in 0..300 {
            let rpm = 5_000.0 + 500.0 * f64::from(i);
            let r = rpm / 60_000.0;
            track.times_s.push(f64::from(i));
            track.rpm.push(rpm);
            track.phasors.push(Complex64::new(r * r, 0.0) / Complex64::new(1.0 - r * r, 0.1 * r));
            track.errors.push(1e-9);
        }
        let laws = laws(&track, &[60_000.0]);
        assert_eq!(laws.len(), 2);
        for law in laws {
            assert!(
                law.expected().is_some_and(|expected| (law.exponent - expected).abs() < 0.6),
                "{law:?}"
            );
            // the curve runs through the points that it was fitted to, high at one end and low at the other
            for (&rpm, phasor) in track.rpm.iter().zip(&track.phasors) {
                if (law.span_rpm.0..=law.span_rpm.1).contains(&rpm) {
                    let off = law.displacement_at(rpm) / phasor.norm();
                    assert!((0.9..1.1).contains(&off), "{rpm}: {off}");
                }
            }
        }
    }
}
