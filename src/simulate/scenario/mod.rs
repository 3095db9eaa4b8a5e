//! The scenario: everything that can be chosen about a simulated machine and its recording.
//!
//! A scenario is TOML; what is left out keeps its default, and the default is an invented 3 kW
//! microturbine generator cartridge in good order. Unknown keys are refused.

mod check;
mod faults;
mod recording;
mod rotor;

use std::collections::BTreeMap;
use std::path::Path;

use serde::{Deserialize, Serialize};

use crate::error::{Error, Result};
use crate::machine::parse::read_text;
use crate::machine::{Acceptance, Bearing, Limits};
pub(super) use check::check_name;
pub use faults::{BearingDefect, BentShaft, Faults, Imbalance, Looseness, Misalignment, Ring, Rub};
pub use recording::{Bits, Burst, Converter, Dropouts, GapKind, PulseSensor, Sensor, SensorKind};
pub use rotor::{RampShape, Rotor, SpeedProfile, Support, Unbalance};

/// One of the two bearings of the rotor.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default, Serialize, Deserialize,
)]
#[serde(rename_all = "snake_case")]
pub enum Place {
    /// The front bearing, at axial position 0.
    #[default]
    Front,
    /// The rear bearing, at axial position `rotor.span_mm`.
    Rear,
}

impl Place {
    /// Both places, front first.
    pub const BOTH: [Self; 2] = [Self::Front, Self::Rear];

    /// The place's name in scenario and machine files: `front` or `rear`.
    pub fn word(self) -> &'static str {
        match self {
            Self::Front => "front",
            Self::Rear => "rear",
        }
    }

    /// 0 for the front, 1 for the rear.
    pub(crate) fn index(self) -> usize {
        match self {
            Self::Front => 0,
            Self::Rear => 1,
        }
    }
}

/// A simulated machine, its recording and its faults.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Scenario {
    /// Name of the files written: letters, digits, `-` and `_`. Default `cartridge`.
    pub name: String,
    /// What the machine is called in the machine file. Default an invented cartridge.
    pub machine: String,
    /// The rotor, its supports and its residual unbalance.
    pub rotor: Rotor,
    /// Speed over time.
    pub speed: SpeedProfile,
    /// Geometry of the bearings, for `front` and `rear`, as in the machine file.
    pub bearing: BTreeMap<Place, Bearing>,
    /// Rows of blades by name.
    pub blade: BTreeMap<String, Blades>,
    /// The generator on the shaft. Default none.
    pub generator: Option<Generator>,
    /// Whether a coupling joins the shaft to another. Default false.
    pub coupling: bool,
    /// Background: noise, structure, harmonics, hum.
    pub background: Background,
    /// Further lines, locked to the shaft or fixed in Hz.
    pub line: Vec<Line>,
    /// Vibration sensors and microphones, in channel order. Default two accelerometers.
    pub sensor: Vec<Sensor>,
    /// The shaft pulse, recorded after the sensors.
    pub pulse: PulseSensor,
    /// The converter that all channels share.
    pub converter: Converter,
    /// What is wrong with the machine. Default nothing.
    pub fault: Faults,
    /// Limits, copied to the machine file.
    pub limits: Limits,
    /// Conditions of acceptance, copied to the machine file.
    pub acceptance: Acceptance,
}

impl Default for Scenario {
    fn default() -> Self {
        let ball_bearing = Bearing {
            elements: Some(9),
            element_mm: Some(3.175),
            pitch_mm: Some(14.5),
            contact_deg: Some(15.0),
            ..Bearing::default()
        };
        Self {
            name: "cartridge".into(),
            machine: "3 kW microturbine generator cartridge (invented)".into(),
            rotor: Rotor::default(),
            speed: SpeedProfile::default(),
            bearing: Place::BOTH.into_iter().map(|place| (place, ball_bearing.clone())).collect(),
            blade: BTreeMap::from([("compressor".to_owned(), Blades::default())]),
            generator: None,
            coupling: false,
            background: Background::default(),
            line: Vec::new(),
            sensor: vec![Sensor::accelerometer(Place::Front), Sensor::accelerometer(Place::Rear)],
            pulse: PulseSensor::default(),
            converter: Converter::default(),
            fault: Faults::default(),
            limits: Limits {
                order1_mm_s_rms: Some(4.5),
                overall_mm_s_rms: Some(7.1),
                ..Limits::default()
            },
            acceptance: Acceptance::default(),
        }
    }
}

impl Scenario {
    /// Adds a fault by its id (`imbalance`, `misalignment`, `bearing_outer`, ...), large enough to be
    /// plain on the default cartridge. A misaligned machine gets the coupling that it needs. Knows the
    /// observations too: `sub_synchronous`, `blade_pass`, `mains_hum`, `generator_lines`.
    ///
    /// # Errors
    /// [`Error::Setting`] naming the faults that there are.
    pub fn add_fault(&mut self, id: &str) -> Result<()> {
        if self.add_observation(id) {
            return Ok(());
        }
        self.fault.add(id)?;
        self.coupling |= id == "misalignment";
        Ok(())
    }

    /// Adds what a healthy machine may show as well, by the id of its observation; whether it is known.
    fn add_observation(&mut self, id: &str) -> bool {
        match id {
            "sub_synchronous" => self.line.push(Line {
                order: 0.43,
                m_s2: 1.5,
                wander_deg: 1.0,
                from_rpm: 0.5 * self.speed.top_rpm,
                ..Line::default()
            }),
            "blade_pass" => {
                let row = self.blade.entry("compressor".to_owned()).or_default();
                (row.m_s2, row.uneven) = (6.0, 0.3);
            }
            "mains_hum" => self.background.hum_percent = 0.5,
            "generator_lines" => _ = self.generator.get_or_insert_default(),
            _ => return false,
        }
        true
    }

    /// A scenario from TOML text; `path` is named in errors.
    ///
    /// # Errors
    /// [`Error::Input`] where the text is no TOML, has an unknown key or a wrong type, or a value is out
    /// of range.
    pub fn from_toml(text: &str, path: impl AsRef<Path>) -> Result<Self> {
        let scenario: Self = toml::from_str(text).map_err(|error| {
            let place = error.span().map_or_else(String::new, |span| {
                let before = text.get(..span.start).unwrap_or_default();
                format!("line {}", before.matches('\n').count() + 1)
            });
            let problem = error.message().trim().replace('\n', " ");
            Error::input(&path, place, problem, "correct the scenario file")
        })?;
        match scenario.check() {
            Ok(()) => Ok(scenario),
            Err(Error::Setting { name, problem, mend }) => {
                Err(Error::input(&path, name, problem, mend))
            }
            Err(other) => Err(other),
        }
    }

    /// Reads a scenario file.
    ///
    /// # Errors
    /// [`Error::Io`] where the file cannot be read, [`Error::Input`] where it is no text or too long, else
    /// as [`Scenario::from_toml`].
    pub fn read(path: impl AsRef<Path>) -> Result<Self> {
        let text = read_text(path.as_ref(), "a scenario")?;
        Self::from_toml(&text, path)
    }

    /// Highest speed of the profile in Hz, the speed to which levels refer.
    pub(crate) fn top_hz(&self) -> f64 {
        self.speed.top_rpm / 60.0
    }
}

/// `[blade.NAME]`: a row of blades and the tone that it makes.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Blades {
    /// Number of blades. Default 12.
    pub count: u32,
    /// Acceleration of the housing at blade passing and top speed, in m/s² peak; grows as speed
    /// squared. Default 0.6.
    pub m_s2: f64,
    /// Sound pressure of the tone at the microphone and top speed, in Pa peak; grows as speed cubed
    /// (pressure of a dipole at rising tip speed, from memory). Default 0.3.
    pub pressure_pa: f64,
    /// How much of the tone stands in each of its two sidebands, one order away: blades that are not all
    /// alike. Default 0.
    pub uneven: f64,
    /// The row as the machine file states it; false leaves it out. Default true.
    pub stated: bool,
}

impl Default for Blades {
    fn default() -> Self {
        Self { count: 12, m_s2: 0.6, pressure_pa: 0.3, uneven: 0.0, stated: true }
    }
}

/// `[generator]`: an electrical machine with permanent magnets on the shaft, and the bridge that rectifies
/// its current: lines at 2, 6 and 12 times the pole pairs (two pulls of the magnets in each period; the
/// ripple of a three-phase bridge of six pulses: from memory).
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Generator {
    /// Pole pairs. Default 3.
    pub pole_pairs: u32,
    /// Acceleration of the housing at six times the pole pairs and top speed, in m/s² peak; the line at twice
    /// has as much, that at twelve times half of it; grows as speed squared, as the current does with the load
    /// of a wheel. 0: no load, no line. Default 3.
    pub m_s2: f64,
    /// The pole pairs as the machine file states them; false leaves them out. Default true.
    pub stated: bool,
}

impl Default for Generator {
    fn default() -> Self {
        Self { pole_pairs: 3, m_s2: 3.0, stated: true }
    }
}

impl Generator {
    /// Multiples of the pole pairs at which lines stand, each with its share of [`Generator::m_s2`].
    pub(crate) const LINES: [(u32, f64); 3] = [(2, 1.0), (6, 1.0), (12, 0.5)];
}

/// `[[line]]`: a further line in the housing acceleration.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Line {
    /// Order of the shaft; leave at 0 for a line fixed in Hz. Default 0.
    pub order: f64,
    /// Fixed frequency in Hz, where `order` is 0. Default 0.
    pub hz: f64,
    /// Acceleration at top speed in m/s² peak. Default 1.
    pub m_s2: f64,
    /// Exponent of its growth with speed. Default 2; use 0 for a constant line.
    pub growth: f64,
    /// Standard deviation of its phase per square root of a turn, in degrees. Default 0.
    pub wander_deg: f64,
    /// Present above this speed in rpm, fading in over a tenth of it. Default 0.
    pub from_rpm: f64,
}

impl Default for Line {
    fn default() -> Self {
        Self { order: 0.0, hz: 0.0, m_s2: 1.0, growth: 2.0, wander_deg: 0.0, from_rpm: 0.0 }
    }
}

/// `[[background.resonance]]`: a fixed resonance of the structure between bearing and sensor.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Resonance {
    /// Frequency in Hz.
    pub hz: f64,
    /// Damping ratio, 0.002 to 0.5.
    pub damping: f64,
    /// Share of the mode in the motion of the sensor; its peak is `share / (2 damping)`.
    pub share: f64,
}

/// `[background]`: what every machine has, healthy or not.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Background {
    /// Broadband acceleration at standstill over the whole band, in m/s² rms. Default 0.2.
    pub idle_m_s2_rms: f64,
    /// Broadband acceleration at top speed over the whole band, in m/s² rms. Default 1.5.
    pub top_m_s2_rms: f64,
    /// Exponent of the growth of the noise with speed. Default 1.5.
    pub growth: f64,
    /// Depth of the modulation of the noise at shaft rate, 0 to 1 (a flow that pulses). Default 0.
    pub modulation: f64,
    /// Share of the noise that is common to both places, 0 to 1. Default 0.3.
    pub common: f64,
    /// Acceleration of the second order at top speed in m/s² peak; the third has half of it, the
    /// fourth a third, up to the sixth; grows as speed squared. Default 0.5.
    pub harmonics_m_s2: f64,
    /// Share of a fault's or line's acceleration at one bearing that reaches the other, 0 to 1.
    /// Default 0.3.
    pub crosstalk: f64,
    /// Share of radial vibration that an axial sensor feels, 0 to 1. Default 0.15.
    pub axial_share: f64,
    /// Fixed resonances of the structure. Default one at 5 200 Hz.
    pub resonance: Vec<Resonance>,
    /// Frequency of the mains in Hz. Default 50.
    pub mains_hz: f64,
    /// Hum in percent of full scale, peak, in all channels; with a third harmonic of 40 % of it.
    /// Default 0.
    pub hum_percent: f64,
    /// Hum at twice the mains frequency in percent of full scale, peak, in all channels: what iron makes that a
    /// mains current magnetises. Default 0.
    pub hum_twice_percent: f64,
}

impl Default for Background {
    fn default() -> Self {
        Self {
            idle_m_s2_rms: 0.2,
            top_m_s2_rms: 1.5,
            growth: 1.5,
            modulation: 0.0,
            common: 0.3,
            harmonics_m_s2: 0.5,
            crosstalk: 0.3,
            axial_share: 0.15,
            resonance: vec![Resonance { hz: 5200.0, damping: 0.03, share: 0.1 }],
            mains_hz: 50.0,
            hum_percent: 0.0,
            hum_twice_percent: 0.0,
        }
    }
}
