//! Whether a recording can carry a verdict: one file per check, each with its number and consequence.
//!
//! [`judge`] runs all checks. Thresholds stand as constants in the file of their check, each with its
//! reason; where that reads 'common practice, no source', the figure is one and nothing more. The
//! checks cost a few passes over the samples and at most one short-time transform of them.

mod automatic_gain;
mod calibration;
mod clipping;
mod dropout;
mod folded_lines;
mod frames;
mod full_speed;
mod hum;
mod known_speed;
mod length;
mod loose_sensor;
mod low_corner;
mod offset;
mod pulse_loss;
mod pulse_shape;
mod rate;
mod sensor_resonance;
mod silence;
mod turns;
mod words;

use serde::{Deserialize, Serialize};

pub use crate::angle::map::JUDGED_SHARE_OF_RATE;
use crate::machine::Machine;
use crate::recording::survey::Survey;
use crate::recording::{Recording, Role};
use crate::speed::Speed;
use frames::Frames;
pub use hum::{Hum, HumLine};

/// How far a check lets the recording be used.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Fit {
    /// Nothing stands in the way.
    Good,
    /// Usable with the stated restriction.
    Limited,
    /// No verdict may rest on it.
    Unfit,
}

/// What a check stands in the way of, beside the general verdict.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
#[non_exhaustive]
pub enum Affects {
    /// Absolute levels and limits.
    Levels,
    /// Shaft speed and everything in orders.
    Speed,
    /// Phase.
    Phase,
    /// High frequencies, where bearings are judged.
    Bearings,
    /// Acceptance: full speed not reached or not held, or the end of the run missing.
    Acceptance,
}

/// The outcome of one fitness check.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Check {
    /// Stable id: `clipping`, `dropout`, `silence`, `pulse_shape`, `offset`, `loose_sensor`, `automatic_gain`, `hum`,
    /// `pulse_loss`, `folded_lines`, `rate`, `sensor_resonance`, `turns`, `length`, `full_speed`,
    /// `low_corner`, `speed`, `calibration`.
    pub id: String,
    /// The channel concerned, if one.
    pub channel: Option<String>,
    /// How far the recording can be used.
    pub fit: Fit,
    /// The number found, in `unit`.
    pub value: Option<f64>,
    /// Unit of `value`; empty for a count or ratio.
    pub unit: String,
    /// What was found, one sentence with the number.
    pub found: String,
    /// What follows from it, one sentence; empty where nothing does.
    pub consequence: String,
    /// What is touched by it.
    pub affects: Vec<Affects>,
}

impl Check {
    /// A check that stands in nothing's way so far; the other parts are added by the methods below.
    fn good(id: &str, value: f64, unit: &str, found: impl Into<String>) -> Self {
        Self {
            id: id.to_owned(),
            channel: None,
            fit: Fit::Good,
            value: value.is_finite().then_some(value),
            unit: unit.to_owned(),
            found: found.into(),
            consequence: String::new(),
            affects: Vec::new(),
        }
    }

    /// The same check of one channel.
    fn on(mut self, channel: &str) -> Self {
        self.channel = Some(channel.to_owned());
        self
    }

    /// The same check with its consequence in words.
    fn so(mut self, consequence: impl Into<String>) -> Self {
        self.consequence = consequence.into();
        self
    }

    /// The same check with another outcome and what it touches.
    fn rated(mut self, fit: Fit, affects: &[Affects]) -> Self {
        self.fit = fit;
        self.affects = affects.to_vec();
        self
    }
}

/// Runs every check on a recording whose channels carry their final specs.
///
/// `speed` is `None` where no speed is known; the checks that need one then say nothing, and the check
/// `speed` says that it is missing. The result is ordered: unfit first, then limited, then good, and
/// within each in the order in which the checks are listed at [`Check::id`].
pub fn judge(recording: &Recording, machine: &Machine, speed: Option<&Speed>) -> Vec<Check> {
    measure(recording, machine, speed).checks
}

/// The checks, with what they measured that others ask for too.
#[derive(Debug)]
pub struct Measured {
    /// As of [`judge`].
    pub checks: Vec<Check>,
    /// Lines at multiples of a mains frequency, one for each channel in which they can be placed.
    pub hum: Vec<Hum>,
}

/// As [`judge`], with what was measured on the way.
pub fn measure(recording: &Recording, machine: &Machine, speed: Option<&Speed>) -> Measured {
    let judged = recording.judged();
    let surveys: Vec<Survey> = judged.iter().map(|channel| Survey::of(channel)).collect();
    let mut checks: Vec<Check> = Vec::new();
    let mut hum = Vec::new();
    if judged.is_empty() {
        checks.push(silence::check_none());
    }
    checks.extend(surveys.iter().map(clipping::check));
    checks.extend(surveys.iter().map(dropout::check));
    checks.extend(silence::check(&surveys));
    checks.extend(recording.with_role(Role::Pulse).filter_map(silence::check_pulse));
    checks.extend(judged.iter().filter_map(|channel| pulse_shape::check(channel)));
    checks.extend(surveys.iter().filter_map(offset::check));
    for survey in &surveys {
        checks.extend(spectral_checks(survey, speed, &mut hum));
    }
    checks.extend(speed.and_then(|speed| pulse_loss::check(recording, speed)));
    checks.extend(judged.iter().filter_map(|channel| rate::check(channel, machine, speed?)));
    checks.extend(judged.iter().filter_map(|channel| sensor_resonance::check(channel, speed?)));
    checks.extend(speed.map(turns::check));
    checks.push(length::check(recording));
    checks.push(full_speed::check(machine, speed));
    checks.extend(judged.iter().filter_map(|channel| low_corner::check(channel, speed?)));
    checks.push(known_speed::check(recording, speed));
    checks.extend(judged.iter().map(|channel| calibration::check(channel)));
    checks.sort_by_key(|check| std::cmp::Reverse(check.fit));
    Measured { checks, hum }
}

/// The checks that look at spectra; a silent channel has none worth looking at.
fn spectral_checks(survey: &Survey, speed: Option<&Speed>, hum: &mut Vec<Hum>) -> Vec<Check> {
    if silence::is_silent(survey) {
        return Vec::new();
    }
    let long = Frames::long(survey);
    let sweep = speed.and_then(|speed| Frames::along_sweep(survey, speed));
    let mut checks = Vec::new();
    checks.extend(loose_sensor::check(survey, long.as_ref(), speed));
    checks.extend(
        speed
            .zip(sweep.as_ref())
            .and_then(|(speed, sweep)| automatic_gain::check(survey, sweep, speed)),
    );
    let measured = long.as_ref().and_then(|long| hum::measure(survey, long, speed));
    checks.extend(measured.as_ref().map(|measured| hum::check(measured, speed.is_some())));
    hum.extend(measured);
    checks.extend(folded_lines::check(survey, long.as_ref(), sweep.as_ref(), speed));
    checks
}
