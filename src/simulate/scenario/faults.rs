//! Faults of a scenario.

use serde::{Deserialize, Serialize};

use super::{Place, Unbalance};
use crate::error::{Error, Result};

/// `[fault]`: what is wrong. A fault is present where its table is.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Faults {
    /// Unbalance beyond the residual one.
    pub imbalance: Option<Imbalance>,
    /// Shafts out of line; needs `coupling = true`.
    pub misalignment: Option<Misalignment>,
    /// A bent shaft.
    pub bent_shaft: Option<BentShaft>,
    /// A loose bearing seat or housing.
    pub looseness: Option<Looseness>,
    /// A rotor that touches its casing.
    pub rub: Option<Rub>,
    /// A pit in an outer race.
    pub bearing_outer: Option<BearingDefect>,
    /// A pit in an inner race.
    pub bearing_inner: Option<BearingDefect>,
    /// A damaged rolling element.
    pub bearing_ball: Option<BearingDefect>,
    /// A damaged cage.
    pub bearing_cage: Option<BearingDefect>,
}

impl Faults {
    /// Adds a fault by its id, plain to see on the default cartridge; what is there already stays.
    ///
    /// # Errors
    /// [`Error::Setting`] naming the faults that there are.
    pub(super) fn add(&mut self, id: &str) -> Result<()> {
        match id {
            "imbalance" => _ = self.imbalance.get_or_insert_with(Imbalance::plain),
            "misalignment" => _ = self.misalignment.get_or_insert_default(),
            "bent_shaft" => _ = self.bent_shaft.get_or_insert_default(),
            "looseness" => _ = self.looseness.get_or_insert_default(),
            "rub" => _ = self.rub.get_or_insert_default(),
            "bearing_outer" => _ = self.bearing_outer.get_or_insert_default(),
            "bearing_inner" => _ = self.bearing_inner.get_or_insert_default(),
            "bearing_ball" => _ = self.bearing_ball.get_or_insert_default(),
            "bearing_cage" => _ = self.bearing_cage.get_or_insert_default(),
            _ => {
                return Err(Error::setting(
                    "fault",
                    format!("{id:?} is unknown"),
                    format!("name one of {}", super::super::population::FAULTS.join(", ")),
                ));
            }
        }
        Ok(())
    }
}

impl Imbalance {
    /// About the permissible unbalance of the default cartridge (G 2.5), all of it in an overhung plane,
    /// where it shakes the rotor most.
    fn plain() -> Self {
        Self { plane: vec![Unbalance { position_mm: -20.0, g_mm: 0.09, deg: 220.0 }] }
    }
}

/// `[fault.imbalance]`.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Imbalance {
    /// Heavy spots, added to the residual ones.
    pub plane: Vec<Unbalance>,
}

/// `[fault.misalignment]`: a force across the coupling at twice shaft speed, fixed in direction, with
/// a smaller part at shaft speed, and both along the shaft (signature: ISO 13373-1, from memory).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Misalignment {
    /// Axial position of the coupling in mm from the front bearing. Default 130.
    pub position_mm: f64,
    /// Radial force of the second order at top speed in N peak; grows in proportion to speed.
    /// Default 8.
    pub force_n: f64,
    /// First-order force in parts of the second-order one. Default 0.25.
    pub order1: f64,
    /// Axial force in parts of the radial one. Default 0.6.
    pub axial: f64,
    /// Direction of the force, in degrees from the pulse sensor, with the rotation. Default 30.
    pub deg: f64,
}

impl Default for Misalignment {
    fn default() -> Self {
        Self { position_mm: 130.0, force_n: 8.0, order1: 0.25, axial: 0.6, deg: 30.0 }
    }
}

/// `[fault.bent_shaft]`: the centre of mass lies off the line of the journals. The housing feels the
/// unbalance of it; a displacement sensor at the shaft sees the bow from slow roll on.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct BentShaft {
    /// Offset of the centre of mass in µm. Default 3.
    pub bow_um: f64,
    /// Bow of the shaft under the displacement sensors in µm, zero to peak, beside the run-out of the
    /// surfaces there. Default 8.
    pub runout_um: f64,
    /// Place of the bow in degrees from the mark, against the rotation. Default 70.
    pub deg: f64,
}

impl Default for BentShaft {
    fn default() -> Self {
        Self { bow_um: 3.0, runout_um: 8.0, deg: 70.0 }
    }
}

/// `[fault.looseness]`: harmonics and their fractions with unsteady phase and a raised floor
/// (phenomenological; signature: ISO 13373-1, from memory).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Looseness {
    /// Where it is loose. Default `front`.
    pub place: Place,
    /// Acceleration of the second order at top speed in m/s² peak; the other lines follow from it.
    /// Default 12.
    pub m_s2: f64,
    /// Half orders (or thirds) in parts of the neighbouring whole ones. Default 0.4.
    pub half_orders: f64,
    /// Standard deviation of the phases per square root of a turn, in degrees. Default 1.
    pub wander_deg: f64,
    /// Factor on the broadband noise. Default 1.5.
    pub noise_factor: f64,
    /// Into how many parts the shaft's order is divided: 2 for half orders, 3 for thirds. Default 2.
    pub fraction: u32,
}

impl Default for Looseness {
    fn default() -> Self {
        Self {
            place: Place::Front,
            m_s2: 12.0,
            half_orders: 0.4,
            wander_deg: 1.0,
            noise_factor: 1.5,
            fraction: 2,
        }
    }
}

/// `[fault.rub]`: one light touch per turn above a speed, with a fraction of the first order, a wave that is
/// cut short, and a first order that turns slowly as the touch heats and bows the shaft (phenomenological;
/// signature: Muszynska, Rotordynamics, 2005, from memory).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Rub {
    /// Where it rubs. Default `front`.
    pub place: Place,
    /// It rubs above this speed in rpm. Default 60 000.
    pub from_rpm: f64,
    /// Peak acceleration of a touch at top speed in m/s². Default 20.
    pub m_s2: f64,
    /// Acceleration of the half order (or third) at top speed in m/s² peak. Default 6.
    pub half_order_m_s2: f64,
    /// The touch comes back after so many turns: 2 for half orders, 3 for thirds. Default 2.
    pub fraction: u32,
    /// Second order of the truncated wave in parts of the half order; the third has half of it.
    /// Default 0.5.
    pub truncation: f64,
    /// How fast the first order that the rub adds turns, in degrees per second. Default 0.
    pub spiral_deg_s: f64,
}

impl Default for Rub {
    fn default() -> Self {
        Self {
            place: Place::Front,
            from_rpm: 60_000.0,
            m_s2: 20.0,
            half_order_m_s2: 6.0,
            fraction: 2,
            truncation: 0.5,
            spiral_deg_s: 0.0,
        }
    }
}

/// A resonance of the housing that impacts set ringing.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Ring {
    /// Frequency in Hz.
    pub hz: f64,
    /// Damping ratio.
    pub damping: f64,
    /// Share of the impact.
    pub share: f64,
}

/// `[fault.bearing_outer]` and its kin: impacts at the defect's order, with slip and random jitter,
/// weighted by the load zone, each ringing the housing (Antoni and Randall, J. Vib. Acoust. 125
/// (2003); McFadden and Smith, J. Sound Vib. 96 (1984); both from memory).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct BearingDefect {
    /// Which bearing. Default `front`.
    pub place: Place,
    /// Peak acceleration of an impact at top speed and full load in m/s²; grows in proportion to
    /// speed. Default 25.
    pub m_s2: f64,
    /// Slip in percent: how much slower than its geometry the cage turns. Default 0.8.
    pub slip_percent: f64,
    /// Random part of each interval between impacts, in percent, rms. Default 1.
    pub jitter_percent: f64,
    /// How far the load changes around the bearing, 0 (even, preloaded) to 1. Default 0.7.
    pub load_zone: f64,
    /// Resonances set ringing. Default 9 200 Hz and 13 500 Hz.
    pub ring: Vec<Ring>,
}

impl Default for BearingDefect {
    fn default() -> Self {
        Self {
            place: Place::Front,
            m_s2: 25.0,
            slip_percent: 0.8,
            jitter_percent: 1.0,
            load_zone: 0.7,
            ring: vec![
                Ring { hz: 9200.0, damping: 0.04, share: 0.6 },
                Ring { hz: 13_500.0, damping: 0.05, share: 1.0 },
            ],
        }
    }
}
