//! Signatures: what a fault looks like, with evidence and odds.
//!
//! Each file of this room exports one `SIGNATURE` per fault; [`ALL`] names them, a line each. A
//! signature scores a [`Case`] at one or more places; [`weigh`] turns scores into calibrated
//! probabilities and parts the faults that mimic each other.

pub mod bearing;
pub mod bent_shaft;
pub mod blade_pass;
pub mod generator_lines;
pub mod imbalance;
pub mod looseness;
pub mod mains_hum;
pub mod resonance;
pub mod rub;
pub mod second_order;
pub mod sub_synchronous;
pub mod weigh;

use serde::{Deserialize, Serialize};

use crate::case::Case;

/// All signatures, a line each.
pub const ALL: &[&Signature] = &[
    &imbalance::SIGNATURE,
    &second_order::MISALIGNMENT,
    &second_order::RAISED_2X,
    &bent_shaft::SIGNATURE,
    &looseness::SIGNATURE,
    &rub::SIGNATURE,
    &bearing::OUTER,
    &bearing::INNER,
    &bearing::BALL,
    &bearing::CAGE,
    &resonance::SIGNATURE,
    &sub_synchronous::SIGNATURE,
    &blade_pass::SIGNATURE,
    &generator_lines::SIGNATURE,
    &mains_hum::SIGNATURE,
];

/// A fault needs mending; an observation is worth knowing.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Kind {
    /// Something is wrong with the machine.
    Fault,
    /// A property of the machine or the measurement.
    Observation,
}

/// What a signature needs of a recording before it can say anything.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Need {
    /// A shaft speed from whatever source.
    Speed,
    /// A speed range of at least 1.25:1, for growth laws.
    RunUp,
    /// A vibration channel.
    Vibration,
    /// A rolling bearing with known multipliers in the machine file.
    Bearing,
    /// A coupling in the machine file.
    Coupling,
    /// No statement that there is a coupling.
    NoCoupling,
    /// The pole pairs of a generator in the machine file.
    PolePairs,
}

/// One piece of evidence: a number, its unit and a sentence.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Evidence {
    /// Stable key, with the unit in its name where it has one.
    pub key: String,
    /// The number.
    pub value: f64,
    /// Its unit; empty for ratios and counts.
    pub unit: String,
    /// The sentence that explains it.
    pub text: String,
}

impl Evidence {
    /// A piece of evidence.
    pub fn new(key: &str, value: f64, unit: &str, text: impl Into<String>) -> Self {
        Self { key: key.to_owned(), value, unit: unit.to_owned(), text: text.into() }
    }
}

/// How far a limit is used up.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Severity {
    /// Value over limit: 2.2 is 2.2 times the limit.
    pub ratio: f64,
    /// Relative standard uncertainty of the ratio.
    pub uncertainty: f64,
    /// The limit in words: `order1_mm_s_rms 4.5 at front`.
    pub limit: String,
}

/// What a signature says about one place.
#[derive(Debug, Clone, PartialEq)]
pub struct Score {
    /// The bearing or channel concerned; `None` for the machine as a whole.
    pub place: Option<String>,
    /// The channel whose signal was scored; `None` where several were.
    pub channel: Option<String>,
    /// What the odds rest on; each basis is calibrated by itself: `limit`, `absolute`, ...
    pub basis: &'static str,
    /// Raw natural log-odds from the physics, before calibration.
    pub log_odds: f64,
    /// The evidence, most telling first.
    pub evidence: Vec<Evidence>,
    /// Ratio to the limit that was checked, if one was.
    pub severity: Option<Severity>,
    /// Why nothing can be said, where that is so; then the log-odds count for nothing.
    pub cannot_tell: Option<String>,
    /// What to do about it here, where that says more than the signature's own advice.
    pub advice: Option<String>,
}

/// Another fault or observation that shows some of the same evidence.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Rival {
    /// Its id.
    pub id: &'static str,
    /// What parts the two, to follow 'put lower, as RIVAL explains it too; what parts them: '.
    pub parted_by: &'static str,
}

/// One fault or observation: the contract that every file of this room fulfils.
pub struct Signature {
    /// Stable id, as in reports.
    pub id: &'static str,
    /// Name in running text.
    pub title: &'static str,
    /// Fault or observation.
    pub kind: Kind,
    /// What a recording must offer.
    pub needs: &'static [Need],
    /// Where the signature is published.
    pub source: &'static str,
    /// What to do about it.
    pub advice: &'static str,
    /// Scores a case, one [`Score`] per place.
    pub score: fn(&Case) -> Vec<Score>,
    /// Simulated faults (names understood by `simulate`) that prove the signature.
    pub proofs: &'static [&'static str],
    /// What mimics it. How much each counts against it is calibrated.
    pub rivals: &'static [Rival],
}
