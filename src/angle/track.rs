//! Order tracks: one order's amplitude and phase over time and speed.

use std::f64::consts::{PI, TAU};

use serde::{Deserialize, Serialize};

use crate::dsp::fft::Complex64;
use crate::units::{Quantity, wrap_deg};

/// Amplitude and phase of one order, block by block.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Track {
    /// The order: multiples of shaft speed.
    pub order: f64,
    /// Time of each point in seconds.
    pub times_s: Vec<f64>,
    /// Speed of each point in rpm.
    pub rpm: Vec<f64>,
    /// Phasors, zero-to-peak, `x = Re(c e^{i 2 pi order turns})`, in the channel's unit or in SI
    /// after [`Track::converted`].
    pub phasors: Vec<Complex64>,
    /// Standard error of the real and of the imaginary part of each phasor.
    pub errors: Vec<f64>,
}

impl Track {
    /// A track without points.
    pub fn empty(order: f64) -> Self {
        Self {
            order,
            times_s: Vec::new(),
            rpm: Vec::new(),
            phasors: Vec::new(),
            errors: Vec::new(),
        }
    }

    /// Adds a point.
    pub(super) fn push(&mut self, time_s: f64, rpm: f64, phasor: Complex64, error: f64) {
        self.times_s.push(time_s);
        self.rpm.push(rpm);
        self.phasors.push(phasor);
        self.errors.push(error);
    }

    /// Number of points.
    pub fn len(&self) -> usize {
        self.phasors.len()
    }

    /// Whether there are no points.
    pub fn is_empty(&self) -> bool {
        self.phasors.is_empty()
    }

    /// Zero-to-peak amplitudes.
    pub fn amplitudes(&self) -> Vec<f64> {
        self.phasors.iter().map(|c| c.norm()).collect()
    }

    /// Phase of a point: the lag in degrees of rotation from angle zero (the stated pulse edge) to
    /// the next positive peak of the order, 0 to 360 / order. Without a stated edge it is relative.
    pub fn lag_deg(&self, index: usize) -> Option<f64> {
        self.phasors.get(index).map(|c| wrap_deg(-c.arg().to_degrees()) / self.order)
    }

    /// Angular frequency of the order at a point, in rad/s.
    pub fn angular_frequency(&self, index: usize) -> f64 {
        TAU * self.order * self.rpm.get(index).copied().unwrap_or(0.0) / 60.0
    }

    /// The track of another derivative of displacement, scaled by `factor` beforehand (the unit's
    /// factor to SI): each step up multiplies by `i omega`, each step down divides.
    ///
    /// `None` where either quantity is no motion.
    pub fn converted(&self, from: Quantity, to: Quantity, factor: f64) -> Option<Self> {
        let steps = to.derivative_of_displacement()? - from.derivative_of_displacement()?;
        let mut out = self.clone();
        for index in 0..self.len() {
            let omega = self.angular_frequency(index);
            let turn =
                Complex64::from_polar(factor * omega.powi(steps), 0.5 * PI * f64::from(steps));
            if let (Some(phasor), Some(error)) =
                (out.phasors.get_mut(index), out.errors.get_mut(index))
            {
                *phasor *= turn;
                *error *= turn.norm();
            }
        }
        Some(out)
    }

    /// The points whose speed in rpm satisfies `chosen`.
    pub fn where_rpm(&self, chosen: impl Fn(f64) -> bool) -> Self {
        let mut out = Self::empty(self.order);
        for index in (0..self.len()).filter(|&i| chosen(self.rpm[i])) {
            let (time_s, rpm) = (self.times_s[index], self.rpm[index]);
            out.push(time_s, rpm, self.phasors[index], self.errors[index]);
        }
        out
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 1 g peak at 100 Hz is 11.036 mm/s rms and 49.681 µm peak-to-peak (g = 9.80665 m/s²; own
    /// arithmetic), and phase lags grow as acceleration lag = displacement lag - 180.
    #[test]
    fn acceleration_becomes_velocity_and_displacement() {
        let track = Track {
            order: 1.0,
            times_s: vec![0.0],
            rpm: vec![6000.0],
            phasors: vec![Complex64::new(1.0, 0.0)],
            errors: vec![0.1],
        };
        let v = track.converted(Quantity::Acceleration, Quantity::Velocity, 9.80665);
        let v = v.expect("both are motion");
        assert!((v.phasors[0].norm() * 1e3 / 2.0_f64.sqrt() - 11.036).abs() < 1e-3);
        assert!((v.lag_deg(0).expect("one point") - 90.0).abs() < 1e-9);
        let d = track.converted(Quantity::Acceleration, Quantity::Displacement, 9.80665);
        let d = d.expect("both are motion");
        assert!((d.phasors[0].norm() * 2e6 - 49.681).abs() < 1e-3);
        assert!((d.lag_deg(0).expect("one point") - 180.0).abs() < 1e-9);
        assert!((d.errors[0] / d.phasors[0].norm() - 0.1).abs() < 1e-12);
        assert!(track.converted(Quantity::Unknown, Quantity::Velocity, 1.0).is_none());
    }
}
