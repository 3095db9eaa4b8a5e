//! Critical speeds from the first order of a run-up or a run-down.
//!
//! Amplitude and phase are fitted together, through the transient: each trial mode's equation of motion
//! is followed along the measured course of speed (`response`), seen through the same windows as the
//! track, and what all other modes add is a short series in speed (`fit`). A fast passage shifts the peak
//! by up to 2 %, and the shift is part of the model. Without pulses the phase drifts and amplitude alone is
//! fitted. As many modes are told as the data clearly need (`search`); bearings that are not equally
//! stiff all round split a critical speed in two, which are then told as a pair.
//!
//! **Uncertainty.** A standard error holds the scatter that remains, its correlation between
//! neighbouring points, how far the result moves when the model is varied, and the error of the speed.
//!
//! **What is told** is the critical speed without damping and the amplification of the response to
//! unbalance, 1 / (2 damping ratio), both as speed passes. Where the gyroscopic moment makes a whirl faster
//! with speed, this amplification is lower than that of the free whirl at constant speed.

pub mod bow;
mod bracket;
mod course;
mod fit;
mod half_power;
pub mod margin;
mod response;
mod search;

use super::track::Track;
use crate::dsp::fft::Complex64;
use crate::dsp::hermite::{Node, Piece};
use crate::units::Quantity;

pub use half_power::HalfPower;

/// A fitted mode is believed only if it is amplified by at least this: below, the API standard
/// paragraphs call it critically damped (from memory).
pub(crate) const LEAST_AMPLIFICATION: f64 = 2.5;

/// A critical speed passed during a recording.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Critical {
    /// Undamped critical speed in rpm.
    pub rpm: f64,
    /// Its standard error in rpm.
    pub rpm_error: f64,
    /// Amplification factor of the response to unbalance, 1 / (2 damping ratio).
    pub amplification: f64,
    /// Its standard error.
    pub amplification_error: f64,
    /// By how much all modes found lower the misfit: rms without them over rms with them.
    pub improvement: f64,
    /// Largest displacement of this mode by itself over that of the largest mode seen, 0 to 1.
    pub share: f64,
    /// Whether phase took part in the fit, or amplitude alone.
    pub with_phase: bool,
    /// Whether it is one of two that stand so close together that they are most likely one mode, split
    /// by supports that are not equally stiff all round.
    pub is_pair: bool,
    /// What the run-ups alone say.
    pub up: Option<Reading>,
    /// What the run-downs alone say.
    pub down: Option<Reading>,
}

/// A critical speed as read from passages in one sense.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reading {
    /// Undamped critical speed in rpm.
    pub rpm: f64,
    /// Its standard error in rpm.
    pub rpm_error: f64,
    /// Amplification factor.
    pub amplification: f64,
    /// Its standard error.
    pub amplification_error: f64,
}

impl Reading {
    fn of(critical: &Critical) -> Self {
        let Critical { rpm, rpm_error, amplification, amplification_error, .. } = *critical;
        Self { rpm, rpm_error, amplification, amplification_error }
    }
}

/// How far run-up and run-down are apart.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SweepDifference {
    /// Run-up less run-down in rpm.
    pub rpm: f64,
    /// Its standard error in rpm.
    pub rpm_error: f64,
}

impl SweepDifference {
    /// Whether the difference is beyond two standard errors. The model holds the shift of a fast passage
    /// already; what is left comes from the machine: temperature, or supports that are not linear.
    pub fn is_real(&self) -> bool {
        self.rpm.abs() > 2.0 * self.rpm_error
    }
}

impl Critical {
    /// How much the mode raises the response at a speed, against the same rotor without resonance:
    /// `1 / |1 - r² + i r / Q|` below, `r² / |..|` above.
    pub fn raises_by(&self, rpm: f64) -> f64 {
        let r = rpm / self.rpm;
        let denominator = Complex64::new(1.0 - r * r, r / self.amplification).norm();
        (r * r).max(1.0) / denominator
    }

    /// The peak of the mode's own response to unbalance and its half-power speeds, at a slow passage.
    pub fn half_power(&self) -> HalfPower {
        HalfPower::of(self.rpm, 0.5 / self.amplification)
    }

    /// The amplification factor by the half-power speeds, and its standard error.
    pub fn half_power_factor(&self) -> (f64, f64) {
        let factor = self.half_power().factor();
        (factor, factor * self.amplification_error / self.amplification)
    }

    /// How far run-up and run-down differ, where both were seen.
    pub fn sweep_difference(&self) -> Option<SweepDifference> {
        let (up, down) = (self.up?, self.down?);
        let rpm_error = up.rpm_error.hypot(down.rpm_error);
        Some(SweepDifference { rpm: up.rpm - down.rpm, rpm_error })
    }

    /// One for tests, known exactly.
    #[cfg(test)]
    pub(crate) fn example(rpm: f64, amplification: f64) -> Self {
        Self {
            rpm,
            rpm_error: 0.0,
            amplification,
            amplification_error: 0.0,
            improvement: 10.0,
            share: 1.0,
            with_phase: true,
            is_pair: false,
            up: None,
            down: None,
        }
    }

    fn with_reading(self, reading: &Reading) -> Self {
        let Reading { rpm, rpm_error, amplification, amplification_error } = *reading;
        Self { rpm, rpm_error, amplification, amplification_error, ..self }
    }
}

/// What the track was made of.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Observed {
    /// What the sensor measures, as a derivative of displacement: 0, 1 or 2.
    pub derivative: u8,
    /// Turns under the Hann window of each block.
    pub turns_per_block: f64,
    /// Whether angles are counted from pulses, so that phase can be followed over the run.
    pub phase_known: bool,
    /// Standard error of the speed in percent of it.
    pub speed_error_percent: f64,
}

impl Observed {
    /// Of a track of this quantity (one that is no motion counts as acceleration), its speed taken as
    /// exact.
    pub fn of(quantity: Quantity, turns_per_block: f64, phase_known: bool) -> Self {
        let derivative = quantity.derivative_of_displacement().unwrap_or(2);
        Self {
            derivative: derivative.clamp(0, 2) as u8,
            turns_per_block,
            phase_known,
            speed_error_percent: 0.0,
        }
    }
}

/// Looks for critical speeds in the first order's displacement, lowest first.
///
/// `displacement` is the track in metres (or any unit proportional to displacement), `rpm_at` the speed
/// in rpm at a time in seconds. With phase known the complex response is fitted, otherwise its
/// amplitude alone. Passages shorter than 1.3:1 show nothing; nor do modes that are amplified by less
/// than 2.5.
pub fn find(
    displacement: &Track,
    rpm_at: &dyn Fn(f64) -> f64,
    observed: Observed,
) -> Vec<Critical> {
    let passages = course::passages(displacement, rpm_at, observed);
    let read: Vec<(bool, Vec<Critical>)> =
        passages.iter().map(|passage| (passage.up, search::criticals(passage))).collect();
    bracket::joined(&read)
}

/// The speed in rpm at any time, as the track's own points tell it.
pub fn speed_of(track: &Track) -> impl Fn(f64) -> f64 {
    let nodes: Vec<Node> = (0..track.len())
        .map(|i| {
            let (a, b) = (i.saturating_sub(1), (i + 1).min(track.len() - 1));
            let span = track.times_s[b] - track.times_s[a];
            let slope = if span > 0.0 { (track.rpm[b] - track.rpm[a]) / span } else { 0.0 };
            Node { at: track.times_s[i], value: track.rpm[i], slope }
        })
        .collect();
    move |time_s| {
        let after = nodes.partition_point(|node| node.at <= time_s);
        let pair = after.checked_sub(1).and_then(|i| Some((nodes.get(i)?, nodes.get(i + 1)?)));
        let end = if after == 0 { nodes.first() } else { nodes.last() };
        match pair {
            Some((from, to)) => Piece { from: *from, to: *to }.value_at(time_s),
            None => end.map_or(0.0, |node| node.value),
        }
    }
}

#[cfg(test)]
mod tests;
