//! Rotor, supports and speed profile of a scenario.

use serde::{Deserialize, Serialize};

/// `[rotor]`: a rigid rotor in two bearings, each in a housing on a soft mount.
///
/// Axial positions count from the front bearing towards the rear one.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Rotor {
    /// Mass in kg. Default 0.35.
    pub mass_kg: f64,
    /// Moment of inertia about the shaft in kg m². Default 1.1e-4.
    pub polar_kg_m2: f64,
    /// Moment of inertia across the shaft through the centre of mass in kg m². Default 1.5e-4.
    pub transverse_kg_m2: f64,
    /// Distance between the bearings in mm. Default 110.
    pub span_mm: f64,
    /// Centre of mass in mm. Default 53.
    pub centre_mm: f64,
    /// The front support.
    pub front: Support,
    /// The rear support.
    pub rear: Support,
    /// Unbalance that a good rotor keeps. Default 0.020 and 0.016 g mm in two planes.
    pub residual: Vec<Unbalance>,
}

impl Default for Rotor {
    fn default() -> Self {
        Self {
            mass_kg: 0.35,
            polar_kg_m2: 1.1e-4,
            transverse_kg_m2: 1.5e-4,
            span_mm: 110.0,
            centre_mm: 53.0,
            front: Support::default(),
            rear: Support::default(),
            residual: vec![
                Unbalance { position_mm: 20.0, g_mm: 0.020, deg: 40.0 },
                Unbalance { position_mm: 88.0, g_mm: 0.016, deg: 110.0 },
            ],
        }
    }
}

/// `[rotor.front]`, `[rotor.rear]`: a bearing between rotor and housing, and a mount between housing
/// and ground.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Support {
    /// Stiffness of the bearing in N/m. Default 1.2e7.
    pub bearing_n_m: f64,
    /// Damping of the bearing in N s/m. Default 40.
    pub bearing_n_s_m: f64,
    /// Mass of the housing (bearing carrier) in kg. Default 0.02.
    pub housing_kg: f64,
    /// Stiffness of the mount in N/m. Default 4.8e6.
    pub mount_n_m: f64,
    /// Damping of the mount in N s/m. Default 200.
    pub mount_n_s_m: f64,
    /// Anisotropy of the mount: stiffness is `(1 + a)` times `mount_n_m` towards the pulse sensor
    /// (angle 0) and `(1 - a)` times across it. Default 0; between -0.9 and 0.9.
    pub anisotropy: f64,
}

impl Default for Support {
    fn default() -> Self {
        Self {
            bearing_n_m: 1.2e7,
            bearing_n_s_m: 40.0,
            housing_kg: 0.02,
            mount_n_m: 4.8e6,
            mount_n_s_m: 200.0,
            anisotropy: 0.0,
        }
    }
}

/// A heavy spot in one plane.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Unbalance {
    /// Axial position in mm from the front bearing. Default 0.
    pub position_mm: f64,
    /// Unbalance in g mm. Default 0.
    pub g_mm: f64,
    /// Place of the heavy spot, in degrees from the mark, against the rotation. Default 0.
    pub deg: f64,
}

/// How speed goes from one value to another.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum RampShape {
    /// Constant acceleration with rounded ends.
    #[default]
    Smooth,
    /// Fast at first, then ever slower: three time constants.
    Exponential,
}

/// `[speed]`: wait, run up, hold, run down, wait.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct SpeedProfile {
    /// Speed at the start in rpm; 0 is standstill. Default 9 600.
    pub start_rpm: f64,
    /// Speed reached in rpm. Default 96 000.
    pub top_rpm: f64,
    /// Speed after the run-down in rpm. Default 9 600.
    pub end_rpm: f64,
    /// Time at the start speed in s. Default 0.2.
    pub wait_s: f64,
    /// Duration of the run-up in s. Default 4.
    pub up_s: f64,
    /// Time at top speed in s. Default 2.5.
    pub hold_s: f64,
    /// Duration of the run-down in s. Default 0: none.
    pub down_s: f64,
    /// Time at the end speed in s, after a run-down. Default 0.
    pub after_s: f64,
    /// Shape of run-up and run-down. Default `smooth`.
    pub shape: RampShape,
    /// Slow random wander of speed in percent, rms. Default 0.02.
    pub wander_percent: f64,
}

impl Default for SpeedProfile {
    fn default() -> Self {
        Self {
            start_rpm: 9600.0,
            top_rpm: 96_000.0,
            end_rpm: 9600.0,
            wait_s: 0.2,
            up_s: 4.0,
            hold_s: 2.5,
            down_s: 0.0,
            after_s: 0.0,
            shape: RampShape::Smooth,
            wander_percent: 0.02,
        }
    }
}

impl SpeedProfile {
    /// Length of the recording in seconds.
    pub fn duration_s(&self) -> f64 {
        self.wait_s + self.up_s + self.hold_s + self.down_s + self.after_s
    }

    /// The profile of a constant speed.
    pub fn constant(rpm: f64, duration_s: f64) -> Self {
        Self {
            start_rpm: rpm,
            top_rpm: rpm,
            end_rpm: rpm,
            wait_s: 0.0,
            up_s: 0.0,
            hold_s: duration_s,
            ..Self::default()
        }
    }
}
