//! Balancing planes: where and how metal may be taken away or added, which only the maker knows.

use serde::{Deserialize, Serialize};

/// `[plane.NAME]`: a plane in which the rotor can be balanced, with the maker's limits.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Plane {
    /// Distance along the shaft from the first bearing, in mm.
    pub position_mm: Option<f64>,
    /// How the plane is corrected.
    pub method: Method,
    /// Radius in mm at which the drill enters, the ground edge lies, or mass is added.
    pub radius_mm: Option<f64>,
    /// Density of the material removed, in g/cm³.
    pub density_g_cm3: Option<f64>,
    /// Which way holes are drilled.
    pub bore: Option<Bore>,
    /// Diameter of the drill, in mm.
    pub drill_mm: Option<f64>,
    /// Full angle of the drill's point, in degrees; default 118.
    pub drill_point_deg: Option<f64>,
    /// Fineness in mm to which a depth can be set; of grinding one pass; default 0.05.
    pub depth_step_mm: Option<f64>,
    /// Deepest hole to its tip, or deepest cut, allowed, in mm.
    pub depth_max_mm: Option<f64>,
    /// No tip and no cut comes nearer to the axis than this, in mm.
    pub floor_radius_mm: Option<f64>,
    /// Least distance in mm of the rim of a hole, the end of a cut or the place of a mass from the edges of the zones.
    pub edge_mm: Option<f64>,
    /// Least wall in mm between two holes or cuts, or least distance between two masses.
    pub spacing_mm: Option<f64>,
    /// Most material in g that may be removed, or added, in all.
    pub removal_max_g: Option<f64>,
    /// Arcs in degrees, each from and to, where metal may be taken away or added.
    pub zones_deg: Vec<[f64; 2]>,
    /// Fixed sites in degrees; with none, any angle in the zones serves.
    pub sites_deg: Vec<f64>,
    /// Name of the row of blades whose blades part the zones.
    pub blades: Option<String>,
    /// Middle of any blade at `radius_mm`, in degrees.
    pub blade_first_deg: Option<f64>,
    /// Width of a blade with its fillets across the radius, at `radius_mm`, in mm.
    pub blade_width_mm: Option<f64>,
    /// Fineness in degrees to which an angle can be set; default 1.
    pub angle_step_deg: Option<f64>,
    /// Grinding: width of the cut along the axis, in mm.
    pub grind_width_mm: Option<f64>,
    /// Grinding: longest arc of a cut, in degrees.
    pub arc_max_deg: Option<f64>,
    /// Adding: masses in g that are at hand; one is fixed at a place.
    pub masses_g: Vec<f64>,
    /// Adding: highest speed in rpm for the way in which masses are fixed.
    pub fixing_max_rpm: Option<f64>,
    /// Words for the side from which the wheel is seen and drilled.
    pub seen_from: Option<String>,
    /// Sense of rotation seen from that side.
    pub rotation_seen: Option<Sense>,
}

/// How a plane is corrected.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Method {
    /// Holes are drilled at the heavy side.
    #[default]
    Drill,
    /// An edge is ground over an arc at the heavy side.
    Grind,
    /// Masses are fixed at the light side.
    Add,
}

/// Which way a hole is drilled.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Bore {
    /// Towards the axis, from the rim at the given radius.
    Radial,
    /// Along the axis, at the given radius.
    Axial,
}

/// Sense of rotation, seen from a stated side.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Sense {
    /// As the hands of a clock.
    Clockwise,
    /// Against them.
    CounterClockwise,
}
