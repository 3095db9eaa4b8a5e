//! Polar pictures: amplitude and phase in one.

use serde::{Deserialize, Serialize};

use super::axis::{Axis, check_count};
use crate::error::{Error, Result};

/// One trace: phasors in the order in which they were met.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Trace {
    /// The name in the legend; empty where there is only one.
    pub name: String,
    angle_deg: Vec<f64>,
    radius: Vec<f64>,
}

impl Trace {
    /// A trace through points of an angle in degrees and a radius.
    ///
    /// # Errors
    /// [`Error::TooLittle`] for no points; [`Error::Setting`] where the lengths differ.
    pub fn new(name: impl Into<String>, angle_deg: Vec<f64>, radius: Vec<f64>) -> Result<Self> {
        check_count("radius", radius.len(), angle_deg.len())?;
        if radius.is_empty() {
            return Err(Error::too_little("a picture", "at least one point", "none"));
        }
        Ok(Self { name: name.into(), angle_deg, radius })
    }

    /// Angles in degrees.
    pub fn angle_deg(&self) -> &[f64] {
        &self.angle_deg
    }

    /// Radii, in the unit of the radius axis.
    pub fn radius(&self) -> &[f64] {
        &self.radius
    }
}

/// A named point of a polar picture.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PolarPoint {
    /// Its angle in degrees.
    pub angle_deg: f64,
    /// Its radius, in the unit of the radius axis.
    pub radius: f64,
    /// The name shown.
    pub label: String,
    /// Whether it is a critical speed: ringed, and named before others.
    #[serde(default)]
    pub is_critical: bool,
}

/// A polar picture. Zero degrees stand at the top and angles grow clockwise: a lag read off it counts
/// against the rotation of a shaft that turns anticlockwise.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Polar {
    /// What is shown, in a few words; empty where the figure's own title says it.
    pub title: String,
    /// What the angle means.
    pub angle_axis: Axis,
    /// What the radius means.
    pub radius_axis: Axis,
    /// The traces.
    pub traces: Vec<Trace>,
    /// Named points, such as speeds.
    pub points: Vec<PolarPoint>,
    /// What the names of the points are: `rpm`.
    pub named: String,
}
