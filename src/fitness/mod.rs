//! Whether a recording can carry a verdict: one file per check, each with its number and consequence.

use serde::{Deserialize, Serialize};

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
    /// Acceptance: full speed not reached or not held.
    Acceptance,
}

/// The outcome of one fitness check.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Check {
    /// Stable id: `clipping`, `dropout`, `silence`, `offset`, `automatic_gain`, `hum`, `pulse_loss`,
    /// `folded_lines`, `rate`, `sensor_resonance`, `turns`, `full_speed`, ...
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
