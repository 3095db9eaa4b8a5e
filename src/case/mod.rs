//! One recording's products, each computed once and on demand.

use serde::{Deserialize, Serialize};

/// A level of one channel, with the limit it was held against.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Level {
    /// The channel.
    pub channel: String,
    /// What it is: `overall velocity`, `1x velocity`, ...
    pub name: String,
    /// The value, in `unit`.
    pub value: f64,
    /// Unit with its convention: `mm/s rms`, `g peak`, `um p-p`, `FS rms`.
    pub unit: String,
    /// Band in Hz, for overall levels.
    pub band_hz: Option<[f64; 2]>,
    /// Speed in rpm at which the value was found, where a speed is known.
    pub at_rpm: Option<f64>,
    /// Relative standard uncertainty of the value.
    pub uncertainty: f64,
    /// The limit, in the same unit, if one is stated.
    pub limit: Option<f64>,
    /// What the limit says.
    pub decision: Decision,
}

/// What a limit says about a level.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Decision {
    /// No limit is stated.
    NoLimit,
    /// Within the limit by more than twice the standard uncertainty.
    Within,
    /// Beyond the limit by more than twice the standard uncertainty.
    Exceeded,
    /// Too close to the limit to tell.
    Undecided,
}

/// One recording with its machine, and everything derived from them.
#[derive(Debug)]
pub struct Case {}
