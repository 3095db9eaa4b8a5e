//! From one recording to one [`Diagnosis`].

use serde::{Deserialize, Serialize};

use crate::case::Level;
use crate::fitness::Check;
use crate::signature::{Evidence, Kind, Severity};
use crate::speed::{SpeedAlternative, SpeedSource};

/// The decision about a machine.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Verdict {
    /// Fit recording, full speed held, limits checked and kept, nothing found.
    Accept,
    /// A fault at 50 % or more, or a limit that cannot be decided.
    Investigate,
    /// A limit exceeded beyond its uncertainty, or a fault at 90 % or more.
    Reject,
    /// The recording cannot carry a verdict; this is no release.
    NoVerdict,
}

impl Verdict {
    /// The verdict in capitals, for people: `ACCEPT`, `INVESTIGATE`, `REJECT`, `NO VERDICT`.
    pub fn word(self) -> &'static str {
        match self {
            Self::Accept => "ACCEPT",
            Self::Investigate => "INVESTIGATE",
            Self::Reject => "REJECT",
            Self::NoVerdict => "NO VERDICT",
        }
    }
}

/// One fault or observation with its probability.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Finding {
    /// Stable id of the signature.
    pub fault: String,
    /// Name in running text.
    pub title: String,
    /// Fault or observation.
    pub kind: Kind,
    /// Bearing or channel; `None` for the machine as a whole.
    pub place: Option<String>,
    /// Probability that it is present, 0 to 1.
    pub confidence: f64,
    /// Ratio to the limit that was checked; `None`: no limit given.
    pub severity: Option<Severity>,
    /// The evidence, most telling first.
    pub evidence: Vec<Evidence>,
    /// What to do next.
    pub advice: String,
    /// Why it was put lower or cannot be told, if so.
    pub remark: Option<String>,
    /// Where the signature is published.
    pub source: String,
}

/// A channel in brief.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ChannelSummary {
    /// Name.
    pub name: String,
    /// Role, as in the machine file.
    pub role: String,
    /// Unit symbol.
    pub unit: String,
    /// Sampling rate in Hz.
    pub rate_hz: f64,
    /// Whether levels are absolute.
    pub calibrated: bool,
}

/// The speed in brief.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SpeedSummary {
    /// Where it comes from.
    pub source: SpeedSource,
    /// Lowest speed in rpm.
    pub min_rpm: f64,
    /// Highest speed in rpm.
    pub max_rpm: f64,
    /// Standard error in percent.
    pub error_percent: f64,
    /// Turns covered.
    pub turns: f64,
    /// Pulses repaired.
    pub repaired: u64,
    /// Other readings.
    pub alternatives: Vec<SpeedAlternative>,
    /// Remarks.
    pub notes: Vec<String>,
}

/// Everything that `check` shows and `qs.diagnose` returns.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Diagnosis {
    /// Name of the recording.
    pub recording: String,
    /// SHA-256 of the file, if there is one.
    pub sha256: Option<String>,
    /// Length in seconds.
    pub duration_s: f64,
    /// The channels.
    pub channels: Vec<ChannelSummary>,
    /// SHA-256 of the resolved machine file; of the empty one where none was given.
    pub machine_sha256: String,
    /// Whether a machine file was given.
    pub machine_given: bool,
    /// The decision.
    pub verdict: Verdict,
    /// Why, in one sentence.
    pub reason: String,
    /// Fitness checks: what limits the recording first, then what is good.
    pub fitness: Vec<Check>,
    /// The speed; `None` where there is none, with the reason in `notes`.
    pub speed: Option<SpeedSummary>,
    /// Levels.
    pub levels: Vec<Level>,
    /// Findings at 50 % or more, and observations; most important first.
    pub findings: Vec<Finding>,
    /// What else was considered, and why it was put lower.
    pub considered: Vec<Finding>,
    /// What the reader guessed or repaired and what else the user should know.
    pub notes: Vec<String>,
}
