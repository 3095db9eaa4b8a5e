//! What can be done at one place, in the steps in which it can be set: deeper holes, longer cuts, larger masses.

use super::allowed::{Allowed, Limit};
use crate::balance::hole::{Bore, Drill, Taken, arc_share};
use crate::machine::Method;

/// How a plane is corrected.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Tool {
    Drill {
        drill: Drill,
        bore: Bore,
    },
    /// A cut of a width along the axis.
    Grind {
        width_mm: f64,
        arc_max_deg: f64,
        density_g_cm3: f64,
    },
    /// Masses in g, rising.
    Add {
        masses_g: Vec<f64>,
    },
}

/// One setting of the tool, with what it takes away or adds.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Level {
    pub tip_mm: f64,
    pub arc_deg: f64,
    pub mass_g: f64,
    pub g_mm: f64,
}

impl Tool {
    pub fn method(&self) -> Method {
        match self {
            Self::Drill { .. } => Method::Drill,
            Self::Grind { .. } => Method::Grind,
            Self::Add { .. } => Method::Add,
        }
    }

    /// Half its width across a radius, in mm, beyond the arc of a cut.
    pub fn half_width_mm(&self) -> f64 {
        0.5 * self.diameter_mm()
    }

    /// Diameter of the drill in mm; nought without one.
    pub fn diameter_mm(&self) -> f64 {
        match self {
            Self::Drill { drill, .. } => drill.diameter_mm,
            _ => 0.0,
        }
    }

    /// What a hole with its tip at `tip_mm` has taken away.
    pub fn taken(&self, radius_mm: f64, tip_mm: f64) -> Taken {
        match self {
            Self::Drill { drill, bore } => drill.taken(*bore, radius_mm, tip_mm),
            _ => Taken::default(),
        }
    }

    /// Its settings within depth and floor, in the order of what they do.
    pub fn levels(&self, allowed: &Allowed) -> Vec<Level> {
        let (radius, step) = (allowed.radius_mm, allowed.depth_step_mm);
        let steps = (allowed.deepest_mm() / step + 1e-9).floor().max(0.0) as usize;
        let depths = (1..=steps).map(|k| k as f64 * step);
        match self {
            Self::Drill { .. } => depths
                .map(|tip_mm| {
                    let Taken { mass_g, g_mm } = self.taken(radius, tip_mm);
                    Level { tip_mm, arc_deg: 0.0, mass_g, g_mm }
                })
                .filter(|level| level.g_mm > 0.0)
                .collect(),
            Self::Grind { width_mm, arc_max_deg, density_g_cm3 } => {
                let arcs = (arc_max_deg / allowed.angle_step_deg + 1e-9).floor().max(1.0) as usize;
                let arc = |j: usize| (j as f64 * allowed.angle_step_deg).min(*arc_max_deg);
                let all = depths.flat_map(|depth| (1..=arcs).map(move |j| (depth, arc(j))));
                // as few passes as will do: a deeper cut only beyond what the longest arc takes
                let mut levels: Vec<Level> = Vec::new();
                for (tip_mm, arc_deg) in all {
                    let cut = ground(radius, tip_mm, arc_deg, *width_mm * density_g_cm3);
                    if levels.last().is_none_or(|last| cut.g_mm > last.g_mm) {
                        levels.push(Level { tip_mm, arc_deg, mass_g: cut.mass_g, g_mm: cut.g_mm });
                    }
                }
                levels
            }
            Self::Add { masses_g } => (masses_g.iter())
                .map(|&mass_g| Level { tip_mm: 0.0, arc_deg: 0.0, mass_g, g_mm: mass_g * radius })
                .collect(),
        }
    }

    /// The same tool without one limit of its own.
    pub fn freed(&self, limit: Limit) -> Option<Self> {
        match (self, limit) {
            (Self::Grind { width_mm, density_g_cm3, .. }, Limit::Arc) => Some(Self::Grind {
                width_mm: *width_mm,
                arc_max_deg: 180.0,
                density_g_cm3: *density_g_cm3,
            }),
            (Self::Add { masses_g }, Limit::Masses) => {
                let largest = masses_g.last().copied().unwrap_or(0.0);
                let more = (1..=500).map(|i| 0.02 * f64::from(i) * largest);
                let mut masses_g: Vec<f64> = masses_g.iter().copied().chain(more).collect();
                masses_g.sort_by(f64::total_cmp);
                Some(Self::Add { masses_g })
            }
            _ => None,
        }
    }
}

/// What a cut of `depth_mm` over an arc takes from the edge of a disc; `width_density` is width in mm times
/// density in g/cm³. Mass `w rho (R² - r²) b / 2`, its centre at `2/3 (R³ - r³) / (R² - r²)` times
/// `sin(b/2) / (b/2)` (centre of mass of a sector of a ring, solid geometry).
fn ground(radius_mm: f64, depth_mm: f64, arc_deg: f64, width_density: f64) -> Taken {
    let (outer, inner) = (radius_mm, radius_mm - depth_mm);
    let mass_g = 0.5e-3 * width_density * (outer * outer - inner * inner) * arc_deg.to_radians();
    let centre_mm = 2.0 / 3.0 * (outer.powi(3) - inner.powi(3)) / (outer * outer - inner * inner);
    Taken { mass_g, g_mm: mass_g * centre_mm * arc_share(arc_deg) }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Against summing small pieces over the cut.
    #[test]
    fn a_cut_over_an_arc_agrees_with_numerical_integration() {
        for (radius, depth, arc) in
            [(20.0_f64, 0.5, 60.0_f64), (15.0, 2.0, 120.0), (40.0, 0.1, 5.0)]
        {
            let (rings, spokes) = (400, 400);
            let (mut mass, mut along) = (0.0, 0.0);
            for i in 0..rings {
                let r = radius - depth * (f64::from(i) + 0.5) / f64::from(rings);
                for k in 0..spokes {
                    let share = (f64::from(k) + 0.5) / f64::from(spokes) - 0.5;
                    let piece = r * arc.to_radians() / f64::from(spokes) * depth / f64::from(rings);
                    mass += piece * 3.0 * 2.7e-3;
                    along += piece * 3.0 * 2.7e-3 * r * (share * arc.to_radians()).cos();
                }
            }
            let found = ground(radius, depth, arc, 3.0 * 2.7);
            assert!((found.mass_g / mass - 1.0).abs() < 1e-4, "{found:?}, not {mass}");
            assert!((found.g_mm / along - 1.0).abs() < 1e-4, "{found:?}, not {along}");
        }
    }
}
