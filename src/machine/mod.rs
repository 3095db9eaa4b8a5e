//! The machine file: what the user states about the machine, its sensors and its limits.
//!
//! A machine file is TOML with `format = 1` and the tables `shaft`, `channel`, `bearing`, `blade`,
//! `plane`, `limits`, `acceptance`, `prevalence` and `convention`. Everything is optional; what is missing is either
//! derived from the recording (and said so) or leaves a question undecided.

pub mod bearing;
mod check;
pub mod keys;
pub mod parse;
mod plane;
pub mod zone;

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use crate::error::{Error, Result};
use crate::recording::ChannelSpec;
use crate::units::wrap_deg;
pub use bearing::{Bearing, BearingType, Multipliers};
pub use plane::{Bore, Method, Plane, Sense};
pub use zone::{Zone, ZoneClass};

/// No shaft turns faster, in rpm: a larger number is a slip of the pen.
pub const FASTEST_RPM: f64 = 1e7;

/// The machine file, resolved. [`Machine::default`] is the file that states nothing.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Machine {
    /// Format of the file; this library reads 1.
    pub format: u32,
    /// What the machine is called, for reports.
    pub name: Option<String>,
    /// The shaft and its speeds.
    pub shaft: Shaft,
    /// Channels by name.
    pub channel: BTreeMap<String, ChannelSpec>,
    /// Bearings by name.
    pub bearing: BTreeMap<String, Bearing>,
    /// Rows of blades or vanes by name.
    pub blade: BTreeMap<String, BladeRow>,
    /// Balancing planes by name.
    pub plane: BTreeMap<String, Plane>,
    /// Limits of vibration.
    pub limits: Limits,
    /// Conditions under which a recording may be accepted.
    pub acceptance: Acceptance,
    /// How often each fault is there among the machines that are checked.
    pub prevalence: Prevalence,
    /// How angles are counted.
    pub convention: Convention,
}

impl Default for Machine {
    fn default() -> Self {
        Self {
            format: 1,
            name: None,
            shaft: Shaft::default(),
            channel: BTreeMap::new(),
            bearing: BTreeMap::new(),
            blade: BTreeMap::new(),
            plane: BTreeMap::new(),
            limits: Limits::default(),
            acceptance: Acceptance::default(),
            prevalence: Prevalence::default(),
            convention: Convention::default(),
        }
    }
}

/// `[shaft]`: the rotor and its speeds.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Shaft {
    /// Highest service speed in rpm; the maker's limit is never exceeded on its account.
    pub top_rpm: Option<f64>,
    /// Lowest speed of interest in rpm; narrows the search for a speed without pulses, and begins the
    /// service speeds in an interference diagram.
    pub lowest_rpm: Option<f64>,
    /// Constant speed in rpm during the recording, where neither pulse nor speed channel is there.
    pub constant_rpm: Option<f64>,
    /// Lowest and highest speed in rpm between which a caller asks to search where there are no
    /// pulses. Stated with the call and in no file; it says nothing about the machine itself.
    #[serde(skip)]
    pub search_rpm: Option<[f64; 2]>,
    /// Mass of the rotor in kg, for balancing.
    pub mass_kg: Option<f64>,
    /// Whether a coupling joins the shaft to another; without one there is no misalignment.
    pub coupling: Option<bool>,
    /// Pole pairs of a generator or motor on the shaft.
    pub pole_pairs: Option<u32>,
    /// Known critical speeds in rpm.
    pub critical_rpm: Vec<f64>,
    /// First bending critical speed in rpm: a balance quality grade holds well below it.
    pub bending_critical_rpm: Option<f64>,
    /// Balance quality grade G in mm/s (ISO 21940-11), for balancing.
    pub balance_grade_mm_s: Option<f64>,
    /// Distance between the bearings in mm, for the shares of the permissible unbalance.
    pub span_mm: Option<f64>,
    /// Distance of the centre of mass along the shaft from the first bearing, in mm.
    pub centre_mm: Option<f64>,
}

impl Shaft {
    /// Asks to search for the speed between two speeds in rpm, see [`Shaft::search_rpm`].
    ///
    /// # Errors
    /// [`Error::Setting`] where they are not above 0, or the lower one does not come first.
    pub fn search_between(&mut self, low_rpm: f64, high_rpm: f64) -> Result<()> {
        if !(low_rpm > 0.0 && high_rpm > low_rpm && high_rpm <= FASTEST_RPM) {
            return Err(Error::setting(
                "range of speed",
                format!("{low_rpm} to {high_rpm} rpm is none"),
                format!("state two speeds above 0 and up to {FASTEST_RPM:e} rpm, the lower first"),
            ));
        }
        self.search_rpm = Some([low_rpm, high_rpm]);
        Ok(())
    }

    /// Takes what a caller states about the speed: a constant in rpm, a range to search in, or nothing.
    ///
    /// # Errors
    /// [`Error::Setting`] where a speed is not above 0 or beyond [`FASTEST_RPM`], or the range is none.
    pub fn state_speed(&mut self, rpm: Option<f64>, range_rpm: Option<(f64, f64)>) -> Result<()> {
        if let Some(rpm) = rpm {
            if !(rpm > 0.0 && rpm <= FASTEST_RPM) {
                let mend = format!("state one above 0 and up to {FASTEST_RPM:e} rpm");
                return Err(Error::setting("rpm", format!("{rpm} is no speed"), mend));
            }
            self.constant_rpm = Some(rpm);
        }
        range_rpm.map_or(Ok(()), |(low, high)| self.search_between(low, high))
    }
}

/// `[blade.NAME]`: a row of blades or vanes on the shaft.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct BladeRow {
    /// Number of blades.
    pub count: u32,
}

/// `[limits]`: the largest vibration allowed, above `from_rpm`.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Limits {
    /// Overall velocity in mm/s rms within `band_hz`.
    pub overall_mm_s_rms: Option<f64>,
    /// Overall acceleration in g rms within `band_hz`.
    pub overall_g_rms: Option<f64>,
    /// Overall displacement in µm rms within `band_hz`.
    pub overall_um_rms: Option<f64>,
    /// Velocity of the first order in mm/s rms.
    pub order1_mm_s_rms: Option<f64>,
    /// Acceleration of the first order in g peak.
    pub order1_g_peak: Option<f64>,
    /// Displacement of the first order in µm peak-to-peak.
    pub order1_um_pp: Option<f64>,
    /// Velocity of all that lies between 0.1 and 0.65 orders, in mm/s rms.
    pub sub_synchronous_mm_s_rms: Option<f64>,
    /// Class of machines whose zones of velocity hold, where a standard has one.
    pub zone_class: Option<ZoneClass>,
    /// Band of the overall values in Hz, `[low, high]`, `low` above 0; default 10 Hz to at least three times the top
    /// speed.
    pub band_hz: Option<[f64; 2]>,
    /// The limits hold from this speed in rpm upwards; default: everywhere.
    pub from_rpm: Option<f64>,
    /// Standard uncertainty of a calibrated level in percent (sensor, mounting, converter); default 5.
    pub uncertainty_percent: Option<f64>,
}

impl Limits {
    /// Whether any limit is stated.
    pub fn any(&self) -> bool {
        let stated = [
            self.overall_mm_s_rms,
            self.overall_g_rms,
            self.overall_um_rms,
            self.order1_mm_s_rms,
            self.order1_g_peak,
            self.order1_um_pp,
            self.sub_synchronous_mm_s_rms,
        ];
        stated.iter().any(Option::is_some) || self.zone_class.is_some()
    }

    /// The relative standard uncertainty of a calibrated level, 0.05 by default (common practice, no
    /// source).
    pub fn uncertainty(&self) -> f64 {
        self.uncertainty_percent.unwrap_or(5.0) / 100.0
    }
}

/// `[acceptance]`: what a recording must show before it can be accepted.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Acceptance {
    /// Full speed that must be reached, in rpm; default `shaft.top_rpm`.
    pub full_speed_rpm: Option<f64>,
    /// How close to full speed counts as reached, in percent; default 1.
    pub full_speed_tolerance_percent: Option<f64>,
    /// How long full speed must be held, in seconds; default 2.
    pub hold_s: Option<f64>,
    /// Faults that are tolerated, by id; they never lead to a rejection.
    pub tolerated: Vec<String>,
}

/// `[prevalence]`: the share of machines with each fault, in percent, among those that are checked.
///
/// A probability holds for a population; where the user's own machines have a fault more or less often than
/// the one it was calibrated on, the odds are moved by the ratio of the two prior odds (Bayes).
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Prevalence {
    /// Share of machines with imbalance left, in percent.
    pub imbalance: Option<f64>,
    /// Share of machines with misalignment, in percent.
    pub misalignment: Option<f64>,
    /// Share of machines with a bent shaft, in percent.
    pub bent_shaft: Option<f64>,
    /// Share of machines with something loose, in percent.
    pub looseness: Option<f64>,
    /// Share of machines that rub, in percent.
    pub rub: Option<f64>,
    /// Share of machines with a damaged outer race, in percent.
    pub bearing_outer: Option<f64>,
    /// Share of machines with a damaged inner race, in percent.
    pub bearing_inner: Option<f64>,
    /// Share of machines with a damaged rolling element, in percent.
    pub bearing_ball: Option<f64>,
    /// Share of machines with a damaged cage, in percent.
    pub bearing_cage: Option<f64>,
}

impl Prevalence {
    /// The stated share of machines with the fault of this id, 0 to 1; `None` where none is stated.
    pub fn of(&self, fault: &str) -> Option<f64> {
        let percent = match fault {
            "imbalance" => self.imbalance,
            "misalignment" => self.misalignment,
            "bent_shaft" => self.bent_shaft,
            "looseness" => self.looseness,
            "rub" => self.rub,
            "bearing_outer" => self.bearing_outer,
            "bearing_inner" => self.bearing_inner,
            "bearing_ball" => self.bearing_ball,
            "bearing_cage" => self.bearing_cage,
            _ => None,
        };
        percent.map(|percent| percent / 100.0)
    }
}

/// `[convention]`: how angles on the rotor are counted, for balancing.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Convention {
    /// Whether angles on the rotor are counted against the rotation (the default) or with it.
    pub count: Count,
}

/// Sense in which angles on the rotor are counted from the mark.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Count {
    /// Against the rotation: a lag read on the scope is the place on the rotor.
    #[default]
    AgainstRotation,
    /// With the rotation.
    WithRotation,
}

impl Count {
    /// An angle counted so, against the rotation; and an angle against the rotation, counted so: 0 to 360 degrees.
    pub fn turned(self, deg: f64) -> f64 {
        match self {
            Self::AgainstRotation => wrap_deg(deg),
            Self::WithRotation => wrap_deg(-deg),
        }
    }

    /// The sense in a word, to stand before "the rotation".
    pub fn word(self) -> &'static str {
        match self {
            Self::AgainstRotation => "against",
            Self::WithRotation => "with",
        }
    }
}
