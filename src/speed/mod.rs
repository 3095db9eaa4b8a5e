//! Shaft speed and angle over time, and where they come from.
//!
//! Whatever the source, the result is one smooth curve of turns over time, [`Speed`]: cubic Hermite
//! pieces between knots, so that speed is continuous and both directions (turns at a time, time at a
//! turn) are cheap. Turns count from the first stated pulse edge, or from the start without one.

pub mod blind;
pub mod choose;
pub mod pulses;
pub mod recorded;
mod smooth;

use serde::{Deserialize, Serialize};

use crate::dsp::hermite::{Node, Piece};
use crate::error::{Error, Result};
use crate::recording::Edge;

/// Where the speed comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum SpeedSource {
    /// Pulses of the shaft.
    Pulse,
    /// A recorded speed channel.
    Channel,
    /// Stated by the user as a constant.
    Stated,
    /// Estimated from the vibration or the sound itself.
    Estimated,
}

impl SpeedSource {
    /// The source as one word: `pulse`, `channel`, `stated` or `estimated`.
    pub fn word(self) -> &'static str {
        match self {
            Self::Pulse => "pulse",
            Self::Channel => "channel",
            Self::Stated => "stated",
            Self::Estimated => "estimated",
        }
    }
}

/// One knot of the curve.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Knot {
    /// Time in seconds, of the recording.
    pub time_s: f64,
    /// Shaft angle in turns.
    pub turns: f64,
    /// Speed in turns per second.
    pub speed_hz: f64,
}

impl Knot {
    fn node(&self) -> Node {
        Node { at: self.time_s, value: self.turns, slope: self.speed_hz }
    }
}

/// What was put right in a train of pulses.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct PulseRepairs {
    /// Turns covered by the pulses.
    pub turns: u64,
    /// Pulses that so many turns should give.
    pub expected: u64,
    /// Pulses that were missing and stepped over.
    pub lost: u64,
    /// Pulses too many, left out.
    pub extra: u64,
    /// Times in seconds of the repairs (the first thousand).
    pub times_s: Vec<f64>,
}

impl PulseRepairs {
    /// All repairs.
    pub fn count(&self) -> u64 {
        self.lost + self.extra
    }
}

/// Another reading of the same signal, with its odds.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SpeedAlternative {
    /// The factor on the speed given, 0.5 for half of it.
    pub factor: f64,
    /// Probability that this reading is the true one, 0 to 1.
    pub probability: f64,
    /// Why it is thinkable, in words.
    pub reason: String,
}

/// Shaft angle and speed over time.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Speed {
    source: SpeedSource,
    knots: Vec<Knot>,
    /// Standard error of the speed in percent of it (typical over the recording).
    pub error_percent: f64,
    /// Standard error of the shaft angle in degrees (of one turn), where the source knows it.
    pub angle_error_deg: Option<f64>,
    /// The edge whose passing is the angle zero; without it angles are relative and no phase is given.
    pub edge: Option<Edge>,
    /// What was put right in the pulses.
    pub repairs: PulseRepairs,
    /// Spans `[from, to]` in seconds without usable pulses, in which the speed is only bridged.
    pub gaps_s: Vec<[f64; 2]>,
    /// Other readings, most likely first (estimated speeds only).
    pub alternatives: Vec<SpeedAlternative>,
    /// Remarks for the user, a sentence each.
    pub notes: Vec<String>,
}

impl Speed {
    /// A speed from knots.
    ///
    /// # Errors
    /// [`Error::Numerical`] where there are fewer than two knots, or times or turns do not increase,
    /// or a number is not finite.
    pub fn from_knots(source: SpeedSource, knots: Vec<Knot>, error_percent: f64) -> Result<Self> {
        let problem = |problem: &str| Error::numerical("shaft speed", problem);
        if knots.len() < 2 {
            return Err(problem("fewer than two points of the speed are known"));
        }
        let finite =
            |k: &Knot| k.time_s.is_finite() && k.turns.is_finite() && k.speed_hz.is_finite();
        if !knots.iter().all(finite) {
            return Err(problem("a point of the speed is not a finite number"));
        }
        let rising = |pair: &[Knot]| match pair {
            [a, b] => b.time_s > a.time_s && b.turns > a.turns,
            _ => true,
        };
        if !knots.windows(2).all(rising) {
            return Err(problem("time or angle runs backwards"));
        }
        Ok(Self {
            source,
            knots,
            error_percent,
            angle_error_deg: None,
            edge: None,
            repairs: PulseRepairs::default(),
            gaps_s: Vec::new(),
            alternatives: Vec::new(),
            notes: Vec::new(),
        })
    }

    /// A constant speed from `start_s` to `end_s`.
    ///
    /// # Errors
    /// [`Error::Setting`] where the speed is not positive or the span is empty.
    pub fn constant(source: SpeedSource, rpm: f64, start_s: f64, end_s: f64) -> Result<Self> {
        let speed_hz = rpm / 60.0;
        if !(speed_hz.is_finite() && speed_hz > 0.0) {
            return Err(Error::setting(
                "rpm",
                format!("{rpm} is no speed"),
                "state a positive number",
            ));
        }
        let knot = |time_s: f64| Knot { time_s, turns: (time_s - start_s) * speed_hz, speed_hz };
        Self::from_knots(source, vec![knot(start_s), knot(end_s)], 0.0)
            .map_err(|_| Error::too_little("a constant speed", "a span of time", "none"))
    }

    /// Whether a time lies in a span without usable pulses, where the speed is only bridged.
    pub fn is_bridged(&self, time_s: f64) -> bool {
        self.gaps_s.iter().any(|[from, to]| time_s > *from && time_s < *to)
    }

    /// The time in seconds over which the speed was measured: all covered less what is only bridged.
    pub fn measured_s(&self) -> f64 {
        let bridged: f64 = self.gaps_s.iter().map(|[from, to]| to - from).sum();
        (self.end_s() - self.start_s() - bridged).max(0.0)
    }

    /// Where the speed comes from.
    pub fn source(&self) -> SpeedSource {
        self.source
    }

    /// The knots of the curve, in order of time.
    pub fn knots(&self) -> &[Knot] {
        &self.knots
    }

    /// First time covered, in seconds.
    pub fn start_s(&self) -> f64 {
        self.knots.first().map_or(0.0, |k| k.time_s)
    }

    /// Last time covered, in seconds.
    pub fn end_s(&self) -> f64 {
        self.knots.last().map_or(0.0, |k| k.time_s)
    }

    /// Shaft angle in turns at the first and at the last time covered.
    pub fn turns_range(&self) -> (f64, f64) {
        (self.knots.first().map_or(0.0, |k| k.turns), self.knots.last().map_or(0.0, |k| k.turns))
    }

    /// Shaft angle in turns at a time; continued at constant speed outside the time covered.
    pub fn turns_at(&self, time_s: f64) -> f64 {
        let piece = self.piece_at(|k| k.time_s <= time_s);
        piece.value_at(time_s)
    }

    /// Shaft angles in turns at times `start_s`, `start_s + step_s`, ...; continued at constant speed
    /// outside the time covered. Cheaper than one by one, as the knots are walked along.
    pub fn turns_into(&self, start_s: f64, step_s: f64, turns: &mut [f64]) {
        let last = self.knots.len() - 1;
        let mut after = self.knots.partition_point(|k| k.time_s <= start_s).clamp(1, last);
        for (index, slot) in turns.iter_mut().enumerate() {
            let time_s = start_s + index as f64 * step_s;
            while after < last && self.knots[after].time_s <= time_s {
                after += 1;
            }
            let piece = Piece { from: self.knots[after - 1].node(), to: self.knots[after].node() };
            *slot = piece.value_at(time_s);
        }
    }

    /// Speed in turns per second at a time; constant outside the time covered.
    pub fn hz_at(&self, time_s: f64) -> f64 {
        let piece = self.piece_at(|k| k.time_s <= time_s);
        piece.slope_at(time_s)
    }

    /// Speed in rpm at a time; constant outside the time covered.
    pub fn rpm_at(&self, time_s: f64) -> f64 {
        60.0 * self.hz_at(time_s)
    }

    /// The time in seconds at which the shaft stands at `turns`.
    pub fn time_at_turns(&self, turns: f64) -> f64 {
        let piece = self.piece_at(|k| k.turns <= turns);
        piece.place_of(turns)
    }

    /// The lowest and the highest speed at the knots, in rpm.
    pub fn range_rpm(&self) -> (f64, f64) {
        let speeds = self.knots.iter().map(|k| 60.0 * k.speed_hz);
        speeds.fold((f64::INFINITY, 0.0), |(low, high), rpm| (low.min(rpm), high.max(rpm)))
    }

    /// Whether the speed changes by no more than `fraction` of its highest value.
    pub fn is_steady(&self, fraction: f64) -> bool {
        let (low, high) = self.range_rpm();
        high - low <= fraction * high
    }

    fn piece_at(&self, before: impl Fn(&Knot) -> bool) -> Piece {
        let after = self.knots.partition_point(before);
        let index = after.clamp(1, self.knots.len() - 1);
        Piece { from: self.knots[index - 1].node(), to: self.knots[index].node() }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ramp() -> Speed {
        // 10 Hz to 50 Hz in 4 s: turns = 10 t + 5 t²
        let knots = (0..=4)
            .map(f64::from)
            .map(|t| Knot { time_s: t, turns: 10.0 * t + 5.0 * t * t, speed_hz: 10.0 + 10.0 * t })
            .collect();
        Speed::from_knots(SpeedSource::Pulse, knots, 0.0).expect("a rising curve")
    }

    #[test]
    fn a_quadratic_is_met_exactly_between_knots() {
        let speed = ramp();
        for t in [0.1, 1.7, 3.999] {
            let turns = 10.0 * t + 5.0 * t * t;
            assert!((speed.turns_at(t) - turns).abs() < 1e-10);
            assert!((speed.rpm_at(t) - 60.0 * (10.0 + 10.0 * t)).abs() < 1e-8);
            assert!((speed.time_at_turns(turns) - t).abs() < 1e-10);
        }
        assert_eq!(speed.range_rpm(), (600.0, 3000.0));
    }

    #[test]
    fn angles_along_the_way_are_those_one_by_one() {
        let speed = ramp();
        let mut turns = [0.0; 60];
        speed.turns_into(-0.7, 0.1, &mut turns);
        for (i, &found) in turns.iter().enumerate() {
            assert!((found - speed.turns_at(-0.7 + 0.1 * i as f64)).abs() < 1e-12, "{i}");
        }
    }

    #[test]
    fn outside_the_knots_the_speed_stays() {
        let speed = ramp();
        assert!((speed.turns_at(-1.0) + 10.0).abs() < 1e-12);
        assert!((speed.time_at_turns(speed.turns_at(5.0)) - 5.0).abs() < 1e-9);
        assert!((speed.rpm_at(9.0) - 3000.0).abs() < 1e-9);
    }

    #[test]
    fn refuses_curves_that_run_backwards() {
        let knot = |time_s, turns| Knot { time_s, turns, speed_hz: 1.0 };
        let back = Speed::from_knots(SpeedSource::Pulse, vec![knot(0.0, 1.0), knot(1.0, 0.5)], 0.0);
        assert!(back.is_err());
        assert!(Speed::constant(SpeedSource::Stated, 0.0, 0.0, 1.0).is_err());
        assert!(Speed::constant(SpeedSource::Stated, 100.0, 1.0, 1.0).is_err());
    }
}
