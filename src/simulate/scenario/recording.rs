//! Sensors, pulse and converter of a scenario.

use serde::{Deserialize, Serialize};

use crate::recording::{Direction, Edge, PulseKind};
use crate::units::{Quantity, Unit};

use super::Place;

/// What a sensor is fixed to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum SensorKind {
    /// Fixed to the housing of a bearing.
    #[default]
    Housing,
    /// Looks at the shaft from the housing: the motion of the shaft against it.
    Shaft,
    /// A microphone near the machine.
    Microphone,
}

/// `[[sensor]]`: one sensor and its channel.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Sensor {
    /// Name of the channel. Default `front`.
    pub name: String,
    /// What it is fixed to. Default `housing`.
    pub kind: SensorKind,
    /// The bearing at which it sits (not for a microphone). Default `front`.
    pub place: Place,
    /// Radial or axial. Default radial.
    pub direction: Direction,
    /// Angle from the pulse sensor, with the rotation, in degrees. Default 0.
    pub angle_deg: f64,
    /// Unit: of acceleration, velocity, displacement or pressure. Default g.
    pub unit: Unit,
    /// Value in `unit` at the converter's full scale. Default 50.
    pub full_scale: f64,
    /// Whether the machine file states unit and full scale; an uncalibrated channel holds parts of
    /// full scale. Default true.
    pub calibrated: bool,
    /// Error of the sensitivity in percent. Default 0.
    pub gain_error_percent: f64,
    /// Noise of sensor and amplifier, white over the whole band, in `unit` rms. Default 0.005.
    pub noise_rms: f64,
    /// Constant offset in percent of full scale. Default 0.
    pub offset_percent: f64,
    /// Slow drift of a badly fixed or heated sensor, in percent of full scale, rms. Default 0.
    pub drift_percent: f64,
    /// Mounted resonance in Hz, stated in the machine file. Default none: no sensor resonance.
    pub mounted_resonance_hz: Option<f64>,
    /// Damping ratio of the mounted resonance. Default 0.03.
    pub mounted_damping: f64,
    /// Corner of the AC coupling in Hz. Default none.
    pub corner_hz: Option<f64>,
    /// Mounted or wired the other way round, and stated so. Default false.
    pub inverted: bool,
    /// How much later than the first channel it is sampled, in µs. Default 0.
    pub skew_us: f64,
    /// Shaft sensors: run-out of the surface looked at, in µm zero to peak. Default 0.
    pub runout_um: f64,
    /// Place of its high spot in degrees from the mark, against the rotation. Default 0.
    pub runout_deg: f64,
    /// Microphones: distance in m. Default 0.3.
    pub distance_m: f64,
    /// Microphones: radiating area of each housing in m². Default 0.01.
    pub area_m2: f64,
}

impl Default for Sensor {
    fn default() -> Self {
        Self {
            name: "front".into(),
            kind: SensorKind::Housing,
            place: Place::Front,
            direction: Direction::Radial,
            angle_deg: 0.0,
            unit: Unit::G,
            full_scale: 50.0,
            calibrated: true,
            gain_error_percent: 0.0,
            noise_rms: 0.005,
            offset_percent: 0.0,
            drift_percent: 0.0,
            mounted_resonance_hz: None,
            mounted_damping: 0.03,
            corner_hz: None,
            inverted: false,
            skew_us: 0.0,
            runout_um: 0.0,
            runout_deg: 0.0,
            distance_m: 0.3,
            area_m2: 0.01,
        }
    }
}

impl Sensor {
    /// An accelerometer in g at a bearing, 90 degrees from the pulse sensor.
    pub fn accelerometer(place: Place) -> Self {
        Self { name: place.word().into(), place, angle_deg: 90.0, ..Self::default() }
    }

    /// A displacement sensor at the shaft, in µm with 250 µm full scale.
    pub fn shaft_displacement(name: &str, place: Place, angle_deg: f64) -> Self {
        Self {
            name: name.into(),
            kind: SensorKind::Shaft,
            place,
            angle_deg,
            unit: Unit::Micrometer,
            full_scale: 250.0,
            noise_rms: 0.05,
            ..Self::default()
        }
    }

    /// An uncalibrated microphone with 10 Pa at full scale and 0.02 Pa rms of room noise.
    pub fn microphone(name: &str) -> Self {
        Self {
            name: name.into(),
            kind: SensorKind::Microphone,
            unit: Unit::Pascal,
            full_scale: 10.0,
            calibrated: false,
            noise_rms: 0.02,
            corner_hz: Some(20.0),
            ..Self::default()
        }
    }

    /// The quantity that its unit measures.
    pub fn quantity(&self) -> Quantity {
        self.unit.quantity()
    }
}

/// A burst of false pulses.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Burst {
    /// When it begins in s.
    pub time_s: f64,
    /// How long it lasts in s.
    pub length_s: f64,
    /// False pulses per second in it.
    pub rate_hz: f64,
}

/// `[pulse]`: the shaft pulse. Defaults are those of a clean optical mark, one per turn.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct PulseSensor {
    /// Whether there is a pulse channel. Default true.
    pub fitted: bool,
    /// Name of the channel. Default `pulse`.
    pub name: String,
    /// What makes the pulses; a magnet gives nearly a sine. Default `mark`.
    pub kind: PulseKind,
    /// Pulses per turn. Default 1.
    pub per_turn: u32,
    /// Width of a pulse in parts of a turn. Default 0.1.
    pub width: f64,
    /// Unevenness of several pulses per turn, in degrees rms, the same every turn. Default 0.
    pub uneven_deg: f64,
    /// The edge in the recorded signal that marks angle zero. Default rising.
    pub edge: Edge,
    /// Whether the machine file states the edge. Default true.
    pub edge_stated: bool,
    /// The signal is high and falls at the mark. Default false.
    pub idle_high: bool,
    /// Random error of each edge in µs rms. Default 0.2.
    pub jitter_us: f64,
    /// Delay of the pulse chain in µs, stated in the machine file. Default 0.
    pub delay_us: f64,
    /// Pulses lost in percent. Default 0.
    pub lost_percent: f64,
    /// Pulses doubled in percent. Default 0.
    pub doubled_percent: f64,
    /// A burst of false pulses. Default none.
    pub burst: Option<Burst>,
    /// Height of the pulse in V. Default 5.
    pub height_v: f64,
    /// Noise in V rms. Default 0.02.
    pub noise_v_rms: f64,
    /// Slow variation of the height in percent. Default 0.
    pub sag_percent: f64,
    /// Voltage at the converter's full scale. Default 10.
    pub full_scale_v: f64,
    /// Corner of the AC coupling in Hz. Default none.
    pub corner_hz: Option<f64>,
    /// Whether edges pass the converter's anti-alias filter, and so are rounded and placed between
    /// samples; false samples the bare logic level. Default true.
    pub band_limited: bool,
    /// How much later than the first channel it is sampled, in µs. Default 0.
    pub skew_us: f64,
}

impl Default for PulseSensor {
    fn default() -> Self {
        Self {
            fitted: true,
            name: "pulse".into(),
            kind: PulseKind::Mark,
            per_turn: 1,
            width: 0.1,
            uneven_deg: 0.0,
            edge: Edge::Rising,
            edge_stated: true,
            idle_high: false,
            jitter_us: 0.2,
            delay_us: 0.0,
            lost_percent: 0.0,
            doubled_percent: 0.0,
            burst: None,
            height_v: 5.0,
            noise_v_rms: 0.02,
            sag_percent: 0.0,
            full_scale_v: 10.0,
            corner_hz: None,
            band_limited: true,
            skew_us: 0.0,
        }
    }
}

/// Resolution of the converter, in scenario files 16, 24 or 32 (32-bit float).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(try_from = "u32", into = "u32")]
pub enum Bits {
    /// 16-bit integers.
    Sixteen,
    /// 24-bit integers.
    #[default]
    TwentyFour,
    /// 32-bit floats holding the channel's own unit.
    Float,
}

impl Bits {
    /// Codes from zero to full scale; `None` for floats.
    pub fn codes(self) -> Option<f64> {
        match self {
            Self::Sixteen => Some(32_768.0),
            Self::TwentyFour => Some(8_388_608.0),
            Self::Float => None,
        }
    }
}

impl TryFrom<u32> for Bits {
    type Error = String;

    fn try_from(bits: u32) -> Result<Self, Self::Error> {
        match bits {
            16 => Ok(Self::Sixteen),
            24 => Ok(Self::TwentyFour),
            32 => Ok(Self::Float),
            other => Err(format!("bits = {other} cannot be written; state 16, 24 or 32 (float)")),
        }
    }
}

impl From<Bits> for u32 {
    fn from(bits: Bits) -> Self {
        match bits {
            Bits::Sixteen => 16,
            Bits::TwentyFour => 24,
            Bits::Float => 32,
        }
    }
}

/// What stands in a gap of the recording.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum GapKind {
    /// Zeros.
    #[default]
    Zero,
    /// The last value before the gap.
    Frozen,
}

/// `[converter.dropouts]`: gaps in all channels at once.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Dropouts {
    /// Number of gaps, at random times. Default 0.
    pub count: u32,
    /// Length of each in ms. Default 5.
    pub length_ms: f64,
    /// What stands in them. Default zeros.
    pub kind: GapKind,
}

impl Default for Dropouts {
    fn default() -> Self {
        Self { count: 0, length_ms: 5.0, kind: GapKind::Zero }
    }
}

/// `[converter]`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Converter {
    /// Sampling rate in Hz. Default 51 200.
    pub rate_hz: f64,
    /// Resolution: 16, 24 or 32 (float). Default 24.
    pub bits: Bits,
    /// Whether lines above 0.45 of the rate are taken away; without it they fold. Default true.
    pub anti_alias: bool,
    /// Levels follow an automatic gain that evens them out within about half a second (microphones
    /// of telephones). Default false.
    pub automatic_gain: bool,
    /// Gaps.
    pub dropouts: Dropouts,
}

impl Default for Converter {
    fn default() -> Self {
        Self {
            rate_hz: 51_200.0,
            bits: Bits::TwentyFour,
            anti_alias: true,
            automatic_gain: false,
            dropouts: Dropouts::default(),
        }
    }
}
