//! What happens to a rotor in the course of a job: the rows of its file.

use serde::{Deserialize, Serialize};

use crate::balance::heavy_spot;
use crate::balance::vectors::Reading;
use crate::dsp::fft::Complex64;
use crate::machine::{Machine, Method};

/// One thing that happened, with the time (RFC 3339, UTC).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Event {
    /// When it was written down.
    pub at: String,
    /// What happened.
    #[serde(flatten)]
    pub what: What,
}

/// What happened. Angles are counted as the machine file's `[convention]` says.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "snake_case")]
pub enum What {
    /// The rotor was spun and recorded.
    Spin(Spin),
    /// Metal was taken away, or mass added for good.
    Corrected(Corrected),
    /// After an alarm it was looked what had really happened.
    Found(Found),
    /// A test of the set-up.
    Tested(Tested),
    /// The event of this number, counted from 1, does not count any more.
    Undone(Undone),
}

/// `kind = "spin"`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Spin {
    /// The recording's path as it was given.
    pub recording: String,
    /// SHA-256 of the recording.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sha256: Option<String>,
    /// Whether parts were taken off and refitted to their marks before this spin.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub refitted: bool,
    /// Conditions in the user's words: nut torque, oil temperature, runout.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub note: Option<String>,
    /// What the sensors read.
    pub reading: Vec<Read>,
    /// Trial masses on the rotor during this spin alone.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub trial: Vec<Mass>,
}

/// One reading: the 1x vector of a sensor at a speed.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Read {
    /// Name of the sensor's channel.
    pub sensor: String,
    /// Balancing speed in rpm.
    pub rpm: f64,
    /// Amplitude, zero to peak, in `unit`.
    pub amplitude_peak: f64,
    /// Phase: lag in degrees of rotation from the pulse edge to the next positive peak, of the channel's own
    /// quantity.
    pub lag_deg: f64,
    /// Standard error of both parts of the vector, in `unit`.
    pub error_peak: f64,
    /// Unit of the channel.
    pub unit: String,
    /// Mean speed that was read at, in rpm.
    pub found_rpm: f64,
    /// Turns that it rests on.
    pub turns: f64,
    /// From when to when in seconds of the recording.
    pub window_s: [f64; 2],
    /// Whether the speed was held; else it was passed slowly.
    pub held: bool,
}

impl From<Reading> for Read {
    fn from(reading: Reading) -> Self {
        Self {
            amplitude_peak: reading.amplitude(),
            lag_deg: reading.lag_deg(),
            error_peak: reading.error,
            sensor: reading.sensor,
            rpm: reading.rpm,
            unit: reading.unit,
            found_rpm: reading.found_rpm,
            turns: reading.turns,
            window_s: [reading.from_s, reading.to_s],
            held: reading.held,
        }
    }
}

impl Read {
    /// The zero-to-peak phasor: its argument is a lead.
    pub fn phasor(&self) -> Complex64 {
        heavy_spot(self.amplitude_peak, self.lag_deg)
    }

    /// The same as a reading, its whole error taken as that of the turns.
    pub fn reading(&self) -> Reading {
        Reading {
            sensor: self.sensor.clone(),
            rpm: self.rpm,
            found_rpm: self.found_rpm,
            unit: self.unit.clone(),
            phasor: self.phasor(),
            noise_error: 0.0,
            turns_error: self.error_peak,
            error: self.error_peak,
            turns: self.turns,
            from_s: self.window_s[0],
            to_s: self.window_s[1],
            held: self.held,
        }
    }
}

/// A mass at a place: unbalance added in a plane.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Mass {
    /// The plane.
    pub plane: String,
    /// Mass times radius in g mm; below 0 for metal taken away.
    pub g_mm: f64,
    /// Place in degrees from the mark.
    pub deg: f64,
}

/// `kind = "corrected"`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Corrected {
    /// Holes, cuts and masses.
    pub metal: Vec<Metal>,
}

/// One hole, cut or mass.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Metal {
    /// The plane.
    pub plane: String,
    /// How it was done.
    pub method: Method,
    /// Place in degrees from the mark: the axis of a hole, the middle of a cut.
    pub deg: f64,
    /// Change of the unbalance at that place in g mm: below 0 for metal taken away. Of a hole that was made deeper the
    /// change alone.
    pub g_mm: f64,
    /// Diameter of the drill in mm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub drill_mm: Option<f64>,
    /// Depth of a cut, or to the tip of a hole, in mm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub depth_mm: Option<f64>,
    /// Depth of the hole that was made deeper, in mm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub from_mm: Option<f64>,
    /// Arc of a cut in degrees.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub arc_deg: Option<f64>,
    /// Mass taken away or added in g.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub mass_g: Option<f64>,
}

impl Metal {
    /// Its mass in g; where nobody weighed it what its effect needs at least, at the radius of its plane.
    pub fn mass_at_least_g(&self, machine: &Machine) -> f64 {
        let radius_mm = machine.plane.get(&self.plane).and_then(|plane| plane.radius_mm);
        self.mass_g.unwrap_or_else(|| radius_mm.map_or(0.0, |radius| self.g_mm.abs() / radius))
    }
}

/// `kind = "found"`: what a look at the rotor gave after an alarm.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Found {
    /// The event at which something had gone otherwise than written down, counted from 1; with `nothing` the
    /// spin whose reading stands.
    pub event: usize,
    /// What it was.
    pub cause: Cause,
    /// The planes concerned; all without them.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub planes: Vec<String>,
    /// Depth or mass over the one written down, for `wrong_depth`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub factor: Option<f64>,
}

/// What can have gone otherwise.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Cause {
    /// The angle was counted the other way round.
    MirroredAngle,
    /// It is on the opposite side.
    HalfTurn,
    /// What belonged into one plane is in the other.
    SwappedPlanes,
    /// The trial mass flew off, or the hole was not drilled.
    LostMass,
    /// Depth or mass differs.
    WrongDepth,
    /// Nothing: the reading stands.
    Nothing,
}

impl Cause {
    /// The cause in words.
    pub fn word(self) -> &'static str {
        match self {
            Self::MirroredAngle => "the angle was mirrored",
            Self::HalfTurn => "it was on the opposite side",
            Self::SwappedPlanes => "the planes were swapped",
            Self::LostMass => "the mass was lost, or the hole not drilled",
            Self::WrongDepth => "depth or mass was another",
            Self::Nothing => "nothing, the reading stands",
        }
    }
}

/// `kind = "tested"`: a test of the set-up with its outcome.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Tested {
    /// Which test.
    pub test: Test,
    /// Recordings it rests on.
    pub recordings: Vec<String>,
    /// Whether the set-up can balance to what is asked, as far as this test tells.
    pub passed: bool,
    /// What came out, in a sentence.
    pub outcome: String,
}

/// A test of the set-up.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Test {
    /// Rotor turned by 180 degrees upon its mandrel.
    Index,
    /// A mass at equal angles.
    Residual,
    /// How far one correction lowered the unbalance.
    Reduction,
    /// One spin repeated unchanged.
    Repeatability,
}

impl Test {
    /// The test in words.
    pub fn word(self) -> &'static str {
        match self {
            Self::Index => "index",
            Self::Residual => "residual",
            Self::Reduction => "reduction",
            Self::Repeatability => "repeatability",
        }
    }
}

/// `kind = "undone"`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Undone {
    /// Number of the event, counted from 1.
    pub event: usize,
}
