//! The instants at which everything is rendered, with the shaft's angle and speed at each.

use super::curve::Curve;
use super::scenario::Scenario;

/// Time rendered before the recording starts, so that filters and resonances have settled, in s.
pub const LEAD_S: f64 = 0.1;

/// Part of the rate above which a converter's anti-alias filter takes lines away.
const PASS_BAND: f64 = 0.45;

/// Sampling instants, the lead-in included.
#[derive(Debug, Clone)]
pub struct Timebase {
    /// Sampling rate in Hz.
    pub rate_hz: f64,
    /// Samples before the recording starts.
    pub lead: usize,
    /// Shaft angle in turns at each instant.
    pub turns: Vec<f64>,
    /// Speed in Hz at each instant.
    pub hz: Vec<f64>,
    /// Highest speed of the profile in Hz.
    pub top_hz: f64,
    anti_alias: bool,
}

impl Timebase {
    /// The instants of a scenario.
    pub fn new(scenario: &Scenario, curve: &Curve) -> Self {
        let rate_hz = scenario.converter.rate_hz;
        let lead = (LEAD_S * rate_hz).ceil() as usize;
        let samples = (scenario.speed.duration_s() * rate_hz).round() as usize;
        let mut turns = Vec::with_capacity(lead + samples);
        let mut hz = Vec::with_capacity(lead + samples);
        for i in 0..lead + samples {
            let motion = curve.at((i as f64 - lead as f64) / rate_hz);
            turns.push(motion.turns);
            hz.push(motion.hz);
        }
        let top_hz = scenario.top_hz();
        Self { rate_hz, lead, turns, hz, top_hz, anti_alias: scenario.converter.anti_alias }
    }

    /// Number of instants, the lead-in included.
    pub fn len(&self) -> usize {
        self.turns.len()
    }

    /// Time of an instant in s; negative in the lead-in.
    pub fn time_s(&self, index: usize) -> f64 {
        (index as f64 - self.lead as f64) / self.rate_hz
    }

    /// First time rendered in s.
    pub fn start_s(&self) -> f64 {
        self.time_s(0)
    }

    /// The fractional index of a time in s, from the first instant rendered.
    pub fn index_at(&self, time_s: f64) -> f64 {
        time_s * self.rate_hz + self.lead as f64
    }

    /// What the converter's filter leaves of a line: all of it below 0.45 of the rate, nothing at 0.5.
    pub fn pass(&self, line_hz: f64) -> f64 {
        if !self.anti_alias {
            return 1.0;
        }
        let above = (line_hz.abs() / self.rate_hz - PASS_BAND) / (0.5 - PASS_BAND);
        if above <= 0.0 {
            1.0
        } else if above >= 1.0 {
            0.0
        } else {
            (std::f64::consts::FRAC_PI_2 * above).cos().powi(2)
        }
    }
}
