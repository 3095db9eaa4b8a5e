//! Shaft angle and speed over time, as the simulation defines them.
//!
//! The profile is integrated once to knots of turns and speed; between knots the angle *is* the cubic
//! Hermite piece through them, so the truth handed out with a recording is the angle used, exactly.

use std::f64::consts::TAU;

use rand::Rng;
use rand_chacha::ChaCha8Rng;
use serde::{Deserialize, Serialize};

use super::scenario::{RampShape, SpeedProfile};
use crate::dsp::hermite::{Node, Piece};

/// Time between knots in s.
const KNOT_STEP_S: f64 = 0.004;

/// Part of a smooth ramp in which the acceleration rises, and again in which it falls.
const ROUNDED: f64 = 0.15;

/// Time constants in an exponential ramp.
const TIME_CONSTANTS: f64 = 3.0;

/// One knot of the true curve.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct TrueKnot {
    /// Time in s.
    pub time_s: f64,
    /// Shaft angle in turns; the stated edge passes at whole turns.
    pub turns: f64,
    /// Speed in turns per second.
    pub speed_hz: f64,
}

impl TrueKnot {
    fn node(&self) -> Node {
        Node { at: self.time_s, value: self.turns, slope: self.speed_hz }
    }
}

/// Angle, speed and acceleration at an instant.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Motion {
    /// Shaft angle in turns.
    pub turns: f64,
    /// Speed in turns per second.
    pub hz: f64,
    /// Acceleration in turns per second squared.
    pub hz_per_s: f64,
}

/// Shaft angle over time; at constant speed before and after its knots.
#[derive(Debug, Clone, PartialEq)]
pub struct Curve {
    knots: Vec<TrueKnot>,
    step_s: f64,
}

/// One stretch of a profile, speeds in Hz.
struct Stretch {
    start_s: f64,
    length_s: f64,
    from_hz: f64,
    to_hz: f64,
}

/// A slow sine in the relative wander of speed.
struct Wave {
    hz: f64,
    amplitude: f64,
    phase: f64,
}

impl Curve {
    /// Integrates a profile from a shaft angle at time 0.
    pub fn new(profile: &SpeedProfile, start_turns: f64, rng: &mut ChaCha8Rng) -> Self {
        let stretches = stretches(profile);
        let waves = waves(profile.wander_percent / 100.0, rng);
        let hz_at = |t: f64| speed_at(&stretches, profile.shape, t) * (1.0 + wander_at(&waves, t));
        let count = (profile.duration_s() / KNOT_STEP_S).ceil().max(1.0) as usize;
        let mut turns = start_turns;
        let mut knots = vec![TrueKnot { time_s: 0.0, turns, speed_hz: hz_at(0.0) }];
        for i in 1..=count {
            let (from, to) = ((i - 1) as f64 * KNOT_STEP_S, i as f64 * KNOT_STEP_S);
            turns += integral(&hz_at, from, to);
            knots.push(TrueKnot { time_s: to, turns, speed_hz: hz_at(to) });
        }
        Self { knots, step_s: KNOT_STEP_S }
    }

    /// The knots, in order of time.
    pub fn knots(&self) -> &[TrueKnot] {
        &self.knots
    }

    /// Angle, speed and acceleration at a time in s.
    pub fn at(&self, time_s: f64) -> Motion {
        let last = self.knots.len() - 1;
        let index = ((time_s / self.step_s) as usize).min(last - 1);
        let piece = self.piece(index);
        // the first and the last knot belong to the constant speed beyond them
        let inside = time_s > self.knots[0].time_s && time_s < self.knots[last].time_s;
        Motion {
            turns: piece.value_at(time_s),
            hz: piece.slope_at(time_s),
            hz_per_s: if inside { piece.bend_at(time_s) } else { 0.0 },
        }
    }

    fn piece(&self, index: usize) -> Piece {
        Piece { from: self.knots[index].node(), to: self.knots[index + 1].node() }
    }

    /// The time in s at which the shaft first stands at `turns`; `None` where it never does.
    pub fn time_at_turns(&self, turns: f64) -> Option<f64> {
        let after = self.knots.partition_point(|k| k.turns < turns);
        let b = *self.knots.get(after)?;
        let Some(a) = after.checked_sub(1).and_then(|i| self.knots.get(i)) else {
            let early = b.time_s - (b.turns - turns) / b.speed_hz;
            return early.is_finite().then_some(early);
        };
        Some(Piece { from: a.node(), to: b.node() }.place_of(turns))
    }

    /// Shaft angle in turns at the last knot.
    pub fn end_turns(&self) -> f64 {
        self.knots[self.knots.len() - 1].turns
    }
}

fn stretches(p: &SpeedProfile) -> Vec<Stretch> {
    let (start, top, end) = (p.start_rpm / 60.0, p.top_rpm / 60.0, p.end_rpm / 60.0);
    let parts = [
        (p.wait_s, start, start),
        (p.up_s, start, top),
        (p.hold_s, top, top),
        (p.down_s, top, end),
        (p.after_s, end, end),
    ];
    let mut start_s = 0.0;
    let mut stretches = Vec::new();
    for (length_s, from_hz, to_hz) in parts {
        if length_s > 0.0 {
            stretches.push(Stretch { start_s, length_s, from_hz, to_hz });
            start_s += length_s;
        }
    }
    stretches
}

fn speed_at(stretches: &[Stretch], shape: RampShape, time_s: f64) -> f64 {
    let after = stretches.partition_point(|s| s.start_s <= time_s);
    let Some(stretch) = stretches.get(after.saturating_sub(1)) else { return 0.0 };
    let s = ((time_s - stretch.start_s) / stretch.length_s).clamp(0.0, 1.0);
    let share = match shape {
        RampShape::Smooth => smooth_ramp(s),
        RampShape::Exponential => {
            (1.0 - (-TIME_CONSTANTS * s).exp()) / (1.0 - (-TIME_CONSTANTS).exp())
        }
    };
    stretch.from_hz + (stretch.to_hz - stretch.from_hz) * share
}

/// From 0 to 1 with an acceleration that rises, stays and falls linearly.
fn smooth_ramp(s: f64) -> f64 {
    let peak = 1.0 / (1.0 - ROUNDED);
    let rounded = |x: f64| 0.5 * peak * x * x / ROUNDED;
    if s < ROUNDED {
        rounded(s)
    } else if s > 1.0 - ROUNDED {
        1.0 - rounded(1.0 - s)
    } else {
        rounded(ROUNDED) + peak * (s - ROUNDED)
    }
}

fn waves(rms: f64, rng: &mut ChaCha8Rng) -> Vec<Wave> {
    const COUNT: usize = 5;
    let amplitude = rms * (2.0 / COUNT as f64).sqrt();
    (0..COUNT)
        .map(|_| Wave {
            hz: rng.random_range(0.2..3.0),
            amplitude,
            phase: rng.random_range(0.0..TAU),
        })
        .collect()
}

fn wander_at(waves: &[Wave], time_s: f64) -> f64 {
    waves.iter().map(|w| w.amplitude * (TAU * w.hz * time_s + w.phase).sin()).sum()
}

/// Composite Simpson rule with four intervals.
fn integral(f: &impl Fn(f64) -> f64, from: f64, to: f64) -> f64 {
    let h = 0.25 * (to - from);
    let at = |i: f64| f(from + i * h);
    h / 3.0 * (at(0.0) + 4.0 * at(1.0) + 2.0 * at(2.0) + 4.0 * at(3.0) + at(4.0))
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::SeedableRng;

    fn curve(profile: &SpeedProfile) -> Curve {
        Curve::new(profile, -0.4, &mut ChaCha8Rng::seed_from_u64(1))
    }

    #[test]
    fn a_profile_starts_holds_and_ends_where_it_says() {
        let profile = SpeedProfile {
            start_rpm: 0.0,
            down_s: 1.0,
            after_s: 0.5,
            wander_percent: 0.0,
            ..SpeedProfile::default()
        };
        let curve = curve(&profile);
        assert_eq!(curve.at(0.1).hz, 0.0);
        assert!((curve.at(5.0).hz - 1600.0).abs() < 1e-9);
        assert!((curve.at(8.0).hz - 160.0).abs() < 1e-9);
        assert!((curve.at(0.0).turns + 0.4).abs() < 1e-12);
        // mean speed of a symmetric ramp is the middle of its ends
        let ramp_turns = curve.at(4.2).turns - curve.at(0.2).turns;
        assert!((ramp_turns - 3200.0).abs() < 1e-6, "{ramp_turns}");
    }

    #[test]
    fn speed_and_acceleration_are_the_derivatives_of_the_angle() {
        let curve = curve(&SpeedProfile::default());
        let h = 1e-5;
        for t in [0.3, 1.2345, 3.3, 5.01] {
            let (before, here, after) = (curve.at(t - h), curve.at(t), curve.at(t + h));
            let hz = (after.turns - before.turns) / (2.0 * h);
            assert!((hz / here.hz - 1.0).abs() < 1e-6);
            let hz_per_s = (after.hz - before.hz) / (2.0 * h);
            assert!((hz_per_s - here.hz_per_s).abs() < 1e-3 * here.hz_per_s.abs().max(1.0));
        }
    }

    #[test]
    fn time_at_turns_is_the_inverse() {
        let curve = curve(&SpeedProfile { start_rpm: 0.0, ..SpeedProfile::default() });
        for t in [0.5, 1.0, 2.7, 6.0] {
            let back = curve.time_at_turns(curve.at(t).turns).expect("it turned so far");
            assert!((back - t).abs() < 1e-11);
        }
        assert_eq!(curve.time_at_turns(1e9), None);
    }
}
