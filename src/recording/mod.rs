//! Recordings: channels of samples with their names, units, roles and calibration.
//!
//! A [`Channel`] holds samples in the unit of its [`ChannelSpec`], as single-precision numbers, with
//! its own rate and start. A [`Recording`] is a set of channels of one converter, and remembers in
//! `notes` what its reader guessed or repaired.

pub(crate) mod clipping;
pub mod read;
pub mod spec;
pub(crate) mod survey;

use std::collections::BTreeSet;
use std::ops::RangeInclusive;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use serde::de::Visitor;
use serde::{Deserialize, Deserializer, Serialize, Serializer};

use crate::error::{Error, Result};
use crate::units::{Quantity, Unit};

/// Sampling rates in Hz that a channel can have: from one sample in a quarter of an hour to beyond any
/// converter for vibration. What lies outside is a slip of the pen or a damaged header.
pub const RATES_HZ: RangeInclusive<f64> = 1e-3..=1e9;

/// What a channel is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
#[non_exhaustive]
pub enum Role {
    /// Vibration of a casing, bearing or shaft.
    Vibration,
    /// Shaft pulses, one or more per turn.
    Pulse,
    /// Recorded speed.
    Speed,
    /// A microphone.
    Sound,
    /// Slowly changing values (temperature, pressure).
    Slow,
    /// Kept, but not analysed.
    Other,
}

/// Which edge of a pulse marks the angle zero.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Edge {
    /// The rising edge.
    Rising,
    /// The falling edge.
    Falling,
}

/// What makes the pulses.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum PulseKind {
    /// A reflective or dark mark seen by an optical sensor.
    #[default]
    Mark,
    /// A magnetised nut or magnet: nearly a sine.
    Magnet,
    /// Passing blades: speed only, unless an index blade is identified.
    Blades,
}

/// Direction in which a vibration sensor feels.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Direction {
    /// Across the shaft.
    #[default]
    Radial,
    /// Along the shaft.
    Axial,
}

/// Everything stated or guessed about one channel. In the machine file this is `[channel.NAME]`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct ChannelSpec {
    /// Name; in the machine file the table's own name.
    #[serde(skip)]
    pub name: String,
    /// Place of the table in the machine file, counted from 0; decides only between channels that
    /// neither number nor name tells apart.
    #[serde(skip)]
    pub order: usize,
    /// Which channel of the file, counted from 1; `None`: the one whose name in the file matches,
    /// else in the order of the machine file.
    pub number: Option<usize>,
    /// What the channel is for; `None`: guessed from name, unit and signal.
    pub role: Option<Role>,
    /// Unit of the samples; its quantity follows from it.
    pub unit: Option<Unit>,
    /// Value in `unit` of a sample at the converter's full scale (1.0). `None`: integer files are
    /// uncalibrated; files of floats hold the unit itself.
    pub full_scale: Option<f64>,
    /// Sensor sensitivity in mV per `unit`; needs `full_scale_v`, and replaces `full_scale`.
    pub sensitivity_mv_per_unit: Option<f64>,
    /// Converter input at full scale, in volts zero-to-peak.
    pub full_scale_v: Option<f64>,
    /// The sensor is mounted or wired the other way round: samples are negated.
    pub inverted: bool,
    /// Radial or axial.
    pub direction: Direction,
    /// Angle from the pulse sensor to this sensor, counted with the rotation, in degrees. Orbits and full
    /// spectra need it.
    pub sensor_angle_deg: Option<f64>,
    /// Name of the bearing at which the sensor sits.
    pub bearing: Option<String>,
    /// Resonance of the sensor as mounted, in Hz.
    pub mounted_resonance_hz: Option<f64>,
    /// High-pass corner of an AC-coupled input, in Hz.
    pub corner_hz: Option<f64>,
    /// Pulse channels: pulses per turn.
    pub pulses_per_turn: Option<u32>,
    /// Pulse channels: the edge that marks angle zero. Without it phase is not given.
    pub edge: Option<Edge>,
    /// Pulse channels: what makes the pulses.
    pub pulse_kind: PulseKind,
    /// Pulse channels: delay of the pulse chain, in microseconds.
    pub delay_us: f64,
    /// How much later than the first channel the converter samples this one, in microseconds.
    pub skew_us: f64,
}

impl Default for ChannelSpec {
    fn default() -> Self {
        Self {
            name: String::new(),
            order: 0,
            number: None,
            role: None,
            unit: None,
            full_scale: None,
            sensitivity_mv_per_unit: None,
            full_scale_v: None,
            inverted: false,
            direction: Direction::Radial,
            sensor_angle_deg: None,
            bearing: None,
            mounted_resonance_hz: None,
            corner_hz: None,
            pulses_per_turn: None,
            edge: None,
            pulse_kind: PulseKind::Mark,
            delay_us: 0.0,
            skew_us: 0.0,
        }
    }
}

impl ChannelSpec {
    /// A spec of a name alone.
    pub fn named(name: impl Into<String>) -> Self {
        Self { name: name.into(), ..Self::default() }
    }

    /// The channel's role; [`Role::Other`] while neither stated nor guessed.
    pub fn role(&self) -> Role {
        self.role.unwrap_or(Role::Other)
    }

    /// The unit; full scale where none is stated.
    pub fn unit(&self) -> Unit {
        self.unit.unwrap_or(Unit::FullScale)
    }

    /// The quantity that the unit measures.
    pub fn quantity(&self) -> Quantity {
        self.unit().quantity()
    }

    /// Why the role and the unit contradict each other, as a clause; `None` where they go together.
    pub(crate) fn contradiction(&self) -> Option<String> {
        let quantity = self.quantity();
        let fits = match self.role? {
            Role::Vibration => {
                !matches!(quantity, Quantity::Pressure | Quantity::Speed | Quantity::Temperature)
            }
            Role::Sound => matches!(quantity, Quantity::Pressure | Quantity::Unknown),
            _ => true,
        };
        let role = if self.role() == Role::Sound { "sound" } else { "vibration" };
        (!fits)
            .then(|| format!("the role is {role}, and {} is no unit of it", self.unit().symbol()))
    }
}

/// Refuses what is no sampling rate in Hz.
pub(crate) fn check_rate(rate_hz: f64) -> Result<()> {
    if RATES_HZ.contains(&rate_hz) {
        return Ok(());
    }
    let mend = format!("state one {}", rates());
    Err(Error::setting("rate_hz", format!("the sampling rate is {rate_hz} Hz"), mend))
}

/// [`RATES_HZ`] in words.
fn rates() -> String {
    format!("from {} to {:e} Hz", RATES_HZ.start(), RATES_HZ.end())
}

/// Samples of one channel, shared and never changed. Serialised as bytes, four little-endian ones to a
/// sample.
#[derive(Debug, Clone)]
pub struct Samples(Arc<Vec<f32>>);

impl Serialize for Samples {
    fn serialize<S: Serializer>(&self, serializer: S) -> std::result::Result<S::Ok, S::Error> {
        let bytes: Vec<u8> = self.0.iter().flat_map(|sample| sample.to_le_bytes()).collect();
        serializer.serialize_bytes(&bytes)
    }
}

impl<'de> Deserialize<'de> for Samples {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> std::result::Result<Self, D::Error> {
        struct Bytes;
        impl Visitor<'_> for Bytes {
            type Value = Samples;

            fn expecting(&self, words: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                words.write_str("bytes of samples")
            }

            fn visit_bytes<E: serde::de::Error>(
                self,
                bytes: &[u8],
            ) -> std::result::Result<Samples, E> {
                let (samples, []) = bytes.as_chunks::<4>() else {
                    return Err(E::invalid_length(bytes.len(), &self));
                };
                Ok(samples.iter().map(|b| f32::from_le_bytes(*b)).collect::<Vec<f32>>().into())
            }

            fn visit_byte_buf<E: serde::de::Error>(
                self,
                bytes: Vec<u8>,
            ) -> std::result::Result<Samples, E> {
                self.visit_bytes(&bytes)
            }
        }
        deserializer.deserialize_byte_buf(Bytes)
    }
}

impl Samples {
    /// All samples as one slice, in the channel's unit.
    pub fn as_slice(&self) -> &[f32] {
        &self.0
    }

    /// The shared vector itself, for views that must keep it alive.
    pub fn shared(&self) -> Arc<Vec<f32>> {
        Arc::clone(&self.0)
    }
}

impl From<Vec<f32>> for Samples {
    fn from(samples: Vec<f32>) -> Self {
        Self(Arc::new(samples))
    }
}

/// One channel: a spec and its samples.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct Channel {
    /// What is known about the channel.
    pub spec: ChannelSpec,
    /// Sampling rate in Hz.
    pub rate_hz: f64,
    /// Time of the first sample in the recording's own time, in seconds.
    pub start_s: f64,
    /// Value in the channel's unit at the converter's full scale; `None` for floats without one.
    pub full_scale: Option<f64>,
    /// Smallest step between two values, in the channel's unit (integer files only).
    pub least_step: Option<f64>,
    /// How many samples were no numbers in the file (NaN or infinite): each repeats the one before.
    pub replaced: usize,
    /// The samples, in the channel's unit.
    pub samples: Samples,
}

impl Channel {
    /// A channel from samples in the unit of `spec`.
    ///
    /// # Errors
    /// [`Error::Setting`] where the rate is not one of [`RATES_HZ`].
    pub fn new(spec: ChannelSpec, rate_hz: f64, samples: Vec<f32>) -> Result<Self> {
        check_rate(rate_hz)?;
        Ok(Self {
            spec,
            rate_hz,
            start_s: 0.0,
            full_scale: None,
            least_step: None,
            replaced: 0,
            samples: samples.into(),
        })
    }

    /// The channel's name.
    pub fn name(&self) -> &str {
        &self.spec.name
    }

    /// Number of samples.
    pub fn len(&self) -> usize {
        self.samples.as_slice().len()
    }

    /// Whether there are no samples.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// Length in seconds.
    pub fn duration_s(&self) -> f64 {
        self.len() as f64 / self.rate_hz
    }

    /// Samples in the channel's unit.
    pub fn values(&self) -> &[f32] {
        self.samples.as_slice()
    }

    /// Time of sample `index`, which may be fractional, in seconds, skew included.
    pub fn time_s(&self, index: f64) -> f64 {
        self.start_s + self.spec.skew_us * 1e-6 + index / self.rate_hz
    }

    /// The fractional sample index at a time in seconds; the inverse of [`Channel::time_s`].
    pub fn index_at(&self, time_s: f64) -> f64 {
        (time_s - self.start_s - self.spec.skew_us * 1e-6) * self.rate_hz
    }

    /// Whether levels are absolute: the unit is a physical one.
    pub fn is_calibrated(&self) -> bool {
        self.spec.quantity() != Quantity::Unknown
    }
}

/// Channels recorded together.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct Recording {
    /// Name shown to the user: the file's name, or one given with the arrays.
    pub name: String,
    /// The file read, if any.
    pub path: Option<PathBuf>,
    /// SHA-256 of the file in hexadecimal, if read from one.
    pub sha256: Option<String>,
    /// The channels, in file order.
    pub channels: Vec<Channel>,
    /// What the reader guessed, repaired or left out, a sentence each.
    pub notes: Vec<String>,
    /// Share of the samples stated by the file that it holds, where it is cut short.
    #[serde(default)]
    pub held: Option<f64>,
}

impl Recording {
    /// A recording from channels in memory.
    ///
    /// # Errors
    /// [`Error::Setting`] where there is no channel, or two share a name.
    pub fn from_channels(name: impl Into<String>, channels: Vec<Channel>) -> Result<Self> {
        let recording = Self {
            name: name.into(),
            path: None,
            sha256: None,
            channels,
            notes: Vec::new(),
            held: None,
        };
        recording.check_names()?;
        Ok(recording)
    }

    pub(crate) fn check_names(&self) -> Result<()> {
        if self.channels.is_empty() {
            return Err(Error::setting("channels", "there are none", "give at least one channel"));
        }
        let mut names = BTreeSet::new();
        for channel in &self.channels {
            if !names.insert(channel.name()) {
                return Err(Error::setting(
                    "channels",
                    format!("two are named {:?}", channel.name()),
                    "give each its own name",
                ));
            }
        }
        Ok(())
    }

    /// The channel of a name.
    ///
    /// # Errors
    /// [`Error::Setting`] naming the channels that there are.
    pub fn channel(&self, name: &str) -> Result<&Channel> {
        self.channels.iter().find(|channel| channel.name() == name).ok_or_else(|| {
            let names: Vec<&str> = self.channels.iter().map(Channel::name).collect();
            Error::setting(
                "channel",
                format!("{} has no channel {name:?}", self.name),
                format!("it has {}", names.join(", ")),
            )
        })
    }

    /// Channels of a role, in file order.
    pub fn with_role(&self, role: Role) -> impl Iterator<Item = &Channel> {
        self.channels.iter().filter(move |channel| channel.spec.role() == role)
    }

    /// The channels to be judged: vibration, and where there is none, sound.
    pub fn judged(&self) -> Vec<&Channel> {
        let vibration: Vec<&Channel> = self.with_role(Role::Vibration).collect();
        if vibration.is_empty() { self.with_role(Role::Sound).collect() } else { vibration }
    }

    /// Length of the longest channel in seconds.
    pub fn duration_s(&self) -> f64 {
        self.channels.iter().map(Channel::duration_s).fold(0.0, f64::max)
    }

    /// The path for error messages: the file, or the name in angle brackets.
    pub fn source(&self) -> PathBuf {
        self.path.clone().unwrap_or_else(|| Path::new(&format!("<{}>", self.name)).to_owned())
    }
}
