//! The converter: hum, automatic gain, gaps, clipping and quantisation.

use std::f64::consts::TAU;
use std::ops::Range;

use rand::Rng;

use super::random::{Purpose, stream};
use super::scenario::{Bits, GapKind, Scenario};
use super::timebase::Timebase;

/// Time constant of the automatic gain in s.
const GAIN_TIME_S: f64 = 0.3;

/// The level, in parts of full scale rms, that the automatic gain aims at.
const GAIN_TARGET: f64 = 0.15;

/// Converts the outputs of sensors to recorded channels.
#[derive(Debug)]
pub struct Conversion<'a> {
    scenario: &'a Scenario,
    time: &'a Timebase,
    gaps: Vec<Range<usize>>,
    hum_phase: f64,
}

impl<'a> Conversion<'a> {
    /// Draws the gaps, which strike all channels at once.
    pub fn new(scenario: &'a Scenario, time: &'a Timebase, seed: u64) -> Self {
        let mut rng = stream(seed, Purpose::Gaps);
        let hum_phase = rng.random_range(0.0..TAU);
        let dropouts = &scenario.converter.dropouts;
        let length = (dropouts.length_ms * 1e-3 * time.rate_hz).round() as usize;
        let samples = time.len() - time.lead;
        let gaps = (0..dropouts.count)
            .map(|_| rng.random_range(0..samples.saturating_sub(length).max(1)))
            .map(|start| start..(start + length).min(samples))
            .collect();
        Self { scenario, time, gaps, hum_phase }
    }

    /// The channel as recorded, in its unit, the lead-in cut off.
    ///
    /// `full_scale` is in the channel's unit; integers are clipped there and floats are not.
    pub fn record(&self, mut signal: Vec<f64>, full_scale: f64, gain_controlled: bool) -> Vec<f32> {
        self.add_hum(&mut signal, full_scale);
        if gain_controlled && self.scenario.converter.automatic_gain {
            even_out(&mut signal, full_scale, self.time.rate_hz);
        }
        let mut samples: Vec<f64> = signal.split_off(self.time.lead);
        self.cut_gaps(&mut samples);
        let bits = self.scenario.converter.bits;
        samples.into_iter().map(|value| quantised(value, full_scale, bits)).collect()
    }

    fn add_hum(&self, signal: &mut [f64], full_scale: f64) {
        let background = &self.scenario.background;
        if background.hum_percent <= 0.0 && background.hum_twice_percent <= 0.0 {
            return;
        }
        let peak = background.hum_percent / 100.0 * full_scale;
        let twice = background.hum_twice_percent / 100.0 * full_scale;
        for (i, value) in signal.iter_mut().enumerate() {
            let phase = TAU * background.mains_hz * self.time.time_s(i) + self.hum_phase;
            *value += peak * (phase.sin() + 0.4 * (3.0 * phase).sin());
            *value += twice * (2.0 * phase).sin();
        }
    }

    fn cut_gaps(&self, samples: &mut [f64]) {
        for gap in &self.gaps {
            let held = match self.scenario.converter.dropouts.kind {
                GapKind::Zero => 0.0,
                GapKind::Frozen => {
                    gap.start.checked_sub(1).and_then(|i| samples.get(i)).copied().unwrap_or(0.0)
                }
            };
            if let Some(part) = samples.get_mut(gap.clone()) {
                part.fill(held);
            }
        }
    }
}

/// Multiplies by what brings the slow rms level to the target.
fn even_out(signal: &mut [f64], full_scale: f64, rate_hz: f64) {
    let forget = 1.0 / (GAIN_TIME_S * rate_hz);
    let target = (GAIN_TARGET * full_scale).powi(2);
    let start = (0.1 * rate_hz) as usize;
    let first: f64 = signal.iter().take(start.max(1)).map(|v| v * v).sum();
    let mut power = first / start.max(1) as f64;
    for value in signal {
        power += forget * (*value * *value - power);
        *value *= (target / power.max(1e-9 * target)).sqrt();
    }
}

/// The value that a file of these bits can hold.
fn quantised(value: f64, full_scale: f64, bits: Bits) -> f32 {
    let Some(codes) = bits.codes() else { return value as f32 };
    let code = (value / full_scale * codes).round().clamp(-codes, codes - 1.0);
    (code / codes * full_scale) as f32
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn integers_are_rounded_to_steps_and_clipped_at_full_scale() {
        let step = 10.0 / 32_768.0;
        assert_eq!(quantised(2.4 * step, 10.0, Bits::Sixteen), (2.0 * step) as f32);
        assert_eq!(quantised(99.0, 10.0, Bits::Sixteen), (10.0 - step) as f32);
        assert_eq!(quantised(-99.0, 10.0, Bits::Sixteen), -10.0);
        assert_eq!(quantised(99.0, 10.0, Bits::Float), 99.0);
    }

    #[test]
    fn automatic_gain_evens_out_a_rise_of_ten() {
        let mut signal: Vec<f64> =
            (0..40_000).map(|i| if i < 20_000 { 0.01 } else { 0.1 } * f64::from(i).sin()).collect();
        even_out(&mut signal, 1.0, 10_000.0);
        let rms =
            |part: &[f64]| (part.iter().map(|v| v * v).sum::<f64>() / part.len() as f64).sqrt();
        let rise = rms(&signal[38_000..]) / rms(&signal[15_000..18_000]);
        assert!((rise - 1.0).abs() < 0.05, "{rise}");
    }
}
