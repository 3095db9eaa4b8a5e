//! A balancing job: one rotor, everything that happened to it, and what follows from that.
//!
//! The file is TOML with `format = 1`, a table `[rotor]` and events `[[event]]` in their order. Nothing
//! else is stored: where the rotor stands is worked out from the events each time ([`fold`]), and undoing is
//! an event itself.

pub mod begin;
pub mod event;
pub mod file;
pub mod fold;
mod mended;
pub mod next;
pub mod record;
pub mod repeats;
pub mod setup;

use serde::{Deserialize, Serialize};

pub use event::{Event, What};
pub use fold::Folded;

use super::chain::Chain;
use super::judgement::Judgement;
use super::vectors::Reading;
use crate::error::{Error, Result};
use crate::machine::{Machine, parse};
use crate::recording::Role;

/// A job.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Job {
    /// Format of the file; this library reads 1.
    pub format: u32,
    /// The rotor and all that is fixed for the job.
    pub rotor: Rotor,
    /// What happened, in order.
    #[serde(default, rename = "event", skip_serializing_if = "Vec::is_empty")]
    pub events: Vec<Event>,
}

/// `[rotor]`: what a job is about; nothing of it changes within the job.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Rotor {
    /// Serial number or another name of the rotor.
    pub serial: String,
    /// What is balanced.
    #[serde(default)]
    pub stage: Stage,
    /// Fixture with its sensors, oil and mounts, by any name: coefficients belong to it.
    #[serde(default)]
    pub rig: String,
    /// Balancing planes, names of `[plane.NAME]` in the machine file.
    pub planes: Vec<String>,
    /// Sensors, names of channels.
    pub sensors: Vec<String>,
    /// Balancing speeds in rpm.
    pub balance_rpm: Vec<f64>,
    /// Whether parts are taken off and refitted after balancing.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub refitted_after: bool,
    /// How exactly metal is taken away: standard deviation of its amount in percent.
    #[serde(default = "default_drilling_percent")]
    pub drilling_percent: f64,
    /// Standard deviation of its angle in degrees.
    #[serde(default = "default_drilling_deg")]
    pub drilling_deg: f64,
    /// How far coefficients change from no vibration to the first spin's, in percent (standard deviation).
    #[serde(default = "default_amplitude_dependence_percent")]
    pub amplitude_dependence_percent: f64,
    /// What is fixed about pulse and sensors, from the first spin on.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub chain: Option<Chain>,
    /// What earlier rotors of the type told.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub of_type: Option<OfType>,
    /// The machine file as it was resolved when the job began.
    pub machine: String,
}

fn default_drilling_percent() -> f64 {
    5.0
}

fn default_drilling_deg() -> f64 {
    2.0
}

fn default_amplitude_dependence_percent() -> f64 {
    5.0
}

/// What is balanced.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Stage {
    /// A wheel or shaft alone on a mandrel.
    Component,
    /// The assembled rotor.
    #[default]
    Assembly,
    /// The rotor within its finished machine.
    Trim,
}

/// `[rotor.of_type]`: coefficients from earlier jobs, with their spread.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct OfType {
    /// Serials of the rotors it comes from.
    pub from: Vec<String>,
    /// Standard deviation of the size of a coefficient in percent.
    pub spread_percent: f64,
    /// Standard deviation of its angle in degrees.
    pub spread_deg: f64,
    /// Spin-to-spin standard deviation of both parts of each reading, in the order of the readings.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub scatter_peak: Vec<f64>,
    /// Degrees of freedom that it rests on.
    #[serde(default)]
    pub scatter_freedom: f64,
    /// The coefficients.
    pub coefficient: Vec<Coefficient>,
}

/// One influence coefficient.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Coefficient {
    /// The sensor.
    pub sensor: String,
    /// Balancing speed in rpm.
    pub rpm: f64,
    /// The plane.
    pub plane: String,
    /// Amplitude, zero to peak in the sensor's unit, for 1 g mm.
    pub peak_per_g_mm: f64,
    /// Lag of the reading in degrees for an unbalance at the mark.
    pub lag_deg: f64,
}

impl Rotor {
    /// The machine of the job.
    ///
    /// # Errors
    /// [`Error::Input`] where the copy in the job was changed so that it cannot be read.
    pub fn machine(&self) -> Result<Machine> {
        parse::from_text(&self.machine, std::path::Path::new("machine file within the job"))
    }

    /// Labels of the readings, sensor and speed in rpm: for each speed, for each sensor.
    pub fn readings(&self) -> Vec<(&str, f64)> {
        let at = |rpm: f64| self.sensors.iter().map(move |sensor| (sensor.as_str(), rpm));
        self.balance_rpm.iter().flat_map(|&rpm| at(rpm)).collect()
    }

    /// Rows of a spin in the order of the readings.
    ///
    /// # Errors
    /// [`Error::Setting`] where one is missing.
    pub fn ordered(&self, reads: &[event::Read]) -> Result<Vec<Reading>> {
        let of = |(sensor, rpm): (&str, f64)| {
            let is_this = |read: &&event::Read| read.sensor == sensor && read.rpm == rpm;
            reads.iter().find(is_this).map(event::Read::reading).ok_or_else(|| {
                let problem = format!("{sensor} at {rpm:.0} rpm is missing in a spin");
                Error::setting("reading", problem, "undo that spin and record it again")
            })
        };
        self.readings().into_iter().map(of).collect()
    }

    /// Number of a plane.
    ///
    /// # Errors
    /// [`Error::Setting`] where the job has no such plane.
    pub fn plane(&self, name: &str) -> Result<usize> {
        self.planes.iter().position(|plane| plane == name).ok_or_else(|| {
            let known = self.planes.join(", ");
            Error::setting("plane", format!("the job has no {name:?}"), format!("choose: {known}"))
        })
    }

    /// Checks a rotor before a job begins with it.
    ///
    /// # Errors
    /// [`Error::Setting`] naming what is missing or contradicts: no plane, no sensor, fewer readings than
    /// planes, no tolerance.
    pub fn check(&self) -> Result<()> {
        let machine = self.machine()?;
        if self.serial.trim().is_empty() {
            return Err(Error::setting("serial", "it is empty", "name the rotor"));
        }
        if self.planes.is_empty() {
            let mend = "describe each balancing plane in the machine file, [plane.NAME]";
            return Err(Error::setting("planes", "there is none", mend));
        }
        for plane in &self.planes {
            if !machine.plane.contains_key(plane) {
                let mend = format!("describe it in the machine file, [plane.{plane}]");
                return Err(Error::setting("planes", format!("{plane:?} is not described"), mend));
            }
        }
        for sensor in &self.sensors {
            if !machine.channel.contains_key(sensor) {
                let mend = format!("describe it in the machine file, [channel.{sensor}]");
                return Err(Error::setting(
                    "sensors",
                    format!("{sensor:?} is not described"),
                    mend,
                ));
            }
        }
        for (name, value) in [
            ("drilling_percent", self.drilling_percent),
            ("drilling_deg", self.drilling_deg),
            ("amplitude_dependence_percent", self.amplitude_dependence_percent),
        ] {
            super::check_positive(name, value, "state a standard deviation above 0")?;
        }
        check_once("planes", &self.planes)?;
        check_once("sensors", &self.sensors)?;
        let is_pulse = |spec: &&crate::recording::ChannelSpec| spec.role() == Role::Pulse;
        let pulse = machine.channel.values().find(is_pulse).ok_or_else(|| {
            let mend = "describe it in the machine file: without a pulse no vector has an angle (for amplitudes \
                        alone see `quietspin balance without-phase`)";
            Error::setting("channel", "no channel is the pulse", mend)
        })?;
        if pulse.edge.is_none() {
            let key = format!("channel.{}.edge", pulse.name);
            let mend = "look which edge marks angle zero and state it";
            return Err(Error::setting(key, "the edge of the pulse is not stated", mend));
        }
        self.check_speeds(&machine)?;
        if machine.shaft.mass_kg.is_none() {
            let problem = "the machine file does not state it, and trial masses are sized by it";
            return Err(Error::setting("shaft.mass_kg", problem, "add it to the machine file"));
        }
        let (readings, planes) = (self.readings().len(), self.planes.len());
        if readings < planes {
            return Err(Error::setting(
                "balance_rpm",
                format!(
                    "{} at {} {} {}, and {planes} planes need as many",
                    counted(self.sensors.len(), "sensor"),
                    counted(self.balance_rpm.len(), "speed"),
                    if readings == 1 { "tells" } else { "tell" },
                    counted(readings, "vector"),
                ),
                "add a second sensor, or a second balancing speed at which the planes act differently \
                 (best on the other side of a critical speed)",
            ));
        }
        match machine.shaft.balance_grade_mm_s {
            Some(_) => Judgement::by_grade(&machine, &self.planes).map(|_| ()),
            None if machine.limits.order1_mm_s_rms.is_some()
                || machine.limits.order1_g_peak.is_some()
                || machine.limits.order1_um_pp.is_some() =>
            {
                Ok(())
            }
            None => Err(Error::setting(
                "shaft.balance_grade_mm_s",
                "the machine file states neither a grade nor a limit of the first order",
                "state the grade with mass_kg and top_rpm, or limits.order1_mm_s_rms: without a \
                 tolerance nothing passes",
            )),
        }
    }

    fn check_speeds(&self, machine: &Machine) -> Result<()> {
        if self.sensors.is_empty() || self.balance_rpm.is_empty() {
            let mend = "name the sensors and the balancing speeds";
            return Err(Error::setting("sensors", "there is no reading", mend));
        }
        for (index, &rpm) in self.balance_rpm.iter().enumerate() {
            let same = |other: &&f64| (*other / rpm - 1.0).abs() < 0.01;
            if let Some(other) = self.balance_rpm[..index].iter().find(same) {
                let problem = format!("{other:.0} and {rpm:.0} rpm are one speed");
                let mend = "state speeds at which the planes act differently";
                return Err(Error::setting("balance_rpm", problem, mend));
            }
            super::check_positive("balance_rpm", rpm, "state the balancing speed in rpm")?;
            if let Some(top) = machine.shaft.top_rpm.filter(|top| rpm > 1.005 * top) {
                let problem = format!("{rpm:.0} rpm is above the top speed, {top:.0} rpm");
                let mend = "balance at or below the maker's highest speed";
                return Err(Error::setting("balance_rpm", problem, mend));
            }
        }
        Ok(())
    }
}

/// Refuses names that stand twice.
fn check_once(what: &str, names: &[String]) -> Result<()> {
    let twice = names.iter().enumerate().find(|(index, name)| names[..*index].contains(name));
    twice.map_or(Ok(()), |(_, name)| {
        Err(Error::setting(what, format!("{name:?} stands twice"), "name each once"))
    })
}

/// `1 sensor`, `2 sensors`.
pub(crate) fn counted(count: usize, what: &str) -> String {
    if count == 1 { format!("1 {what}") } else { format!("{count} {what}s") }
}

impl Job {
    /// A job that begins.
    ///
    /// # Errors
    /// As [`Rotor::check`].
    pub fn begin(rotor: Rotor) -> Result<Self> {
        rotor.check()?;
        Ok(Self { format: 1, rotor, events: Vec::new() })
    }

    /// Coefficients of readings and planes as the job stores them, from its `[rotor.of_type]`.
    fn type_coefficients(&self, of_type: &OfType) -> Result<nalgebra::DMatrix<super::Complex64>> {
        let readings = self.rotor.readings();
        let mut all = nalgebra::DMatrix::zeros(readings.len(), self.rotor.planes.len());
        for (r, (sensor, rpm)) in readings.iter().enumerate() {
            for (p, plane) in self.rotor.planes.iter().enumerate() {
                let is_this = |c: &&Coefficient| {
                    c.sensor == *sensor && c.plane == *plane && (c.rpm / rpm - 1.0).abs() < 0.005
                };
                let one = of_type.coefficient.iter().find(is_this).ok_or_else(|| {
                    let problem = format!("{plane} at {sensor} at {rpm:.0} rpm is missing");
                    Error::setting("rotor.of_type.coefficient", problem, "begin the job anew")
                })?;
                all[(r, p)] = super::heavy_spot(one.peak_per_g_mm, one.lag_deg);
            }
        }
        Ok(all)
    }
}

/// The coefficients as rows of the file.
pub fn coefficient_rows(
    rotor: &Rotor,
    all: &nalgebra::DMatrix<super::Complex64>,
) -> Vec<Coefficient> {
    let readings = rotor.readings();
    let mut rows = Vec::new();
    for (r, (sensor, rpm)) in readings.iter().enumerate() {
        for (p, plane) in rotor.planes.iter().enumerate() {
            let (peak_per_g_mm, lag_deg) = super::size_at(all[(r, p)]);
            rows.push(Coefficient {
                sensor: (*sensor).to_owned(),
                rpm: *rpm,
                plane: plane.clone(),
                peak_per_g_mm,
                lag_deg,
            });
        }
    }
    rows
}
