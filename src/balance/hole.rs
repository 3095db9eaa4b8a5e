//! What a hole takes away: mass and unbalance of a drilled hole with its point, and the way back.

use std::f64::consts::PI;

use serde::{Deserialize, Serialize};

use super::check_positive;
use crate::error::{Error, Result};
pub use crate::machine::Bore;

/// Angles in a quarter turn at which the curved entry face is summed: the sum is smooth and ends within
/// 1e-6 long before.
const SPOKES: usize = 12;

/// What a hole takes away.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Taken {
    /// Mass in g.
    pub mass_g: f64,
    /// Unbalance in g mm: mass times the radius of its centre.
    pub g_mm: f64,
}

/// A twist drill in a material: what shapes every hole that it makes.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Drill {
    /// Diameter in mm.
    pub diameter_mm: f64,
    /// Full angle of the point in degrees; 180 for a flat bottom.
    pub point_deg: f64,
    /// Density of the material in g/cm³.
    pub density_g_cm3: f64,
}

impl Drill {
    /// A drill.
    ///
    /// # Errors
    /// [`Error::Setting`] where the diameter or the density is not positive, or the angle of the point
    /// does not lie above 30 and up to 180 degrees.
    pub fn new(diameter_mm: f64, point_deg: f64, density_g_cm3: f64) -> Result<Self> {
        check_positive("drill_mm", diameter_mm, "write what the drawing states")?;
        check_positive("density_g_cm3", density_g_cm3, "write what the drawing states")?;
        if !(point_deg > 30.0 && point_deg <= 180.0) {
            let problem = format!("a point of {point_deg} degrees");
            let mend = "write the full angle between the lips, 118 for most drills";
            return Err(Error::setting("drill_point_deg", problem, mend));
        }
        Ok(Self { diameter_mm, point_deg, density_g_cm3 })
    }

    /// Length of the point in mm: depth at which the full diameter is reached.
    pub fn point_mm(&self) -> f64 {
        0.5 * self.diameter_mm * self.cotangent()
    }

    /// Cotangent of half the point's angle; 0 for a flat bottom.
    fn cotangent(&self) -> f64 {
        1.0 / (0.5 * self.point_deg.to_radians()).tan()
    }

    /// Volume in mm³ of a hole whose tip lies at `tip_mm`: a cylinder over a cone, or while it is shallower
    /// than the point a cone alone, `pi tan²(phi/2) L³ / 3` (solid geometry). For a flat entry face; what a
    /// radial hole takes from a rim tells [`Drill::taken`].
    pub fn volume_mm3(&self, tip_mm: f64) -> f64 {
        let (cylinder, cone) = self.parts_mm3(tip_mm);
        cylinder + cone
    }

    /// Volumes in mm³ of the full diameter and of the point.
    fn parts_mm3(&self, tip_mm: f64) -> (f64, f64) {
        let area = 0.25 * PI * self.diameter_mm.powi(2);
        let point = self.point_mm();
        if tip_mm <= point {
            let share = if point > 0.0 { (tip_mm.max(0.0) / point).powi(3) } else { 0.0 };
            return (0.0, area * point / 3.0 * share);
        }
        (area * (tip_mm - point), area * point / 3.0)
    }

    /// Mass in g that a hole takes away from a flat face.
    pub fn mass_g(&self, tip_mm: f64) -> f64 {
        self.volume_mm3(tip_mm) * self.density_g_cm3 * 1e-3
    }

    /// Depth in mm of the centre of mass of what a hole takes away from a flat face.
    pub fn centroid_mm(&self, tip_mm: f64) -> f64 {
        let (cylinder, cone) = self.parts_mm3(tip_mm);
        let point = self.point_mm().min(tip_mm);
        let full_mm = tip_mm - point;
        let volume = cylinder + cone;
        if volume <= 0.0 {
            return 0.0;
        }
        (cylinder * 0.5 * full_mm + cone * (full_mm + 0.25 * point)) / volume
    }

    /// What a hole takes away at `radius_mm`, its tip `tip_mm` below where the drill first touches.
    ///
    /// An axial hole enters a flat face. A radial one enters the cylinder of `radius_mm`, which falls away at
    /// both sides of the drill by `R - sqrt(R² - x²)`: a flat face would give too much, by 1 to 3 % for full
    /// holes of 4 mm at 15 mm radius and more for those that are only a cone.
    pub fn taken(&self, bore: Bore, radius_mm: f64, tip_mm: f64) -> Taken {
        match bore {
            Bore::Axial => {
                let mass_g = self.mass_g(tip_mm);
                Taken { mass_g, g_mm: mass_g * radius_mm }
            }
            Bore::Radial => self.taken_from_rim(radius_mm, tip_mm),
        }
    }

    /// Volume and first moment between the bottom of a radial hole, at depth `h(r) = L - r cot(phi/2)`, and
    /// the cylinder's surface at depth `s = R - sqrt(R² - r² cos² t)`, with r and t the polar coordinates
    /// about the hole's axis and t counted from the rim's own direction (solid geometry: the integrals of
    /// `h - s` and of `(h² - s²) / 2` over the mouth). Exact along r; along t a sum of equal steps.
    fn taken_from_rim(&self, radius_mm: f64, tip_mm: f64) -> Taken {
        let (big, slope) = (radius_mm, self.cotangent());
        if !(tip_mm > 0.0) {
            return Taken::default();
        }
        let (mut volume, mut moment) = (0.0, 0.0);
        for spoke in 0..SPOKES {
            let c2 = (0.5 * PI * (spoke as f64 + 0.5) / SPOKES as f64).cos().powi(2);
            // the mouth ends at the drill's wall, or where the cone meets the surface:
            // (R - L + r k)² = R² - r² c²
            let (a, half_b) = (slope * slope + c2, slope * (big - tip_mm));
            let meets = ((half_b * half_b + a * tip_mm * (2.0 * big - tip_mm)).sqrt() - half_b) / a;
            let r = meets.min(0.5 * self.diameter_mm);
            let q = (big * big - r * r * c2).max(0.0).sqrt();
            // integral of sqrt(R² - r² c²) r dr, without a difference of cubes
            let root = r * r * (big * big + big * q + q * q) / (3.0 * (big + q));
            let bottom = tip_mm * r * r / 2.0 - slope * r.powi(3) / 3.0;
            volume += bottom - big * r * r / 2.0 + root;
            let bottom_square = tip_mm.powi(2) * r * r / 2.0
                - 2.0 * tip_mm * slope * r.powi(3) / 3.0
                + slope.powi(2) * r.powi(4) / 4.0;
            let surface_square = big * big * r * r - c2 * r.powi(4) / 4.0 - 2.0 * big * root;
            moment += 0.5 * (bottom_square - surface_square);
        }
        let turn = 2.0 * PI / SPOKES as f64 * self.density_g_cm3 * 1e-3;
        let mass_g = volume * turn;
        Taken { mass_g, g_mm: mass_g * big - moment * turn }
    }

    /// Unbalance in g mm that a hole takes away at `radius_mm`, as [`Drill::taken`].
    pub fn unbalance_g_mm(&self, bore: Bore, radius_mm: f64, tip_mm: f64) -> f64 {
        self.taken(bore, radius_mm, tip_mm).g_mm
    }

    /// Depth in mm to the tip of the hole that takes `g_mm` away at `radius_mm`, no deeper than
    /// `deepest_mm`; `None` where even that takes away less.
    pub fn tip_mm(&self, bore: Bore, radius_mm: f64, g_mm: f64, deepest_mm: f64) -> Option<f64> {
        let taken = |tip_mm: f64| self.unbalance_g_mm(bore, radius_mm, tip_mm);
        // a radial hole takes away more as it deepens until its tip reaches the axis
        let deepest_mm = match bore {
            Bore::Radial => deepest_mm.min(radius_mm),
            Bore::Axial => deepest_mm,
        };
        if !(g_mm >= 0.0 && g_mm <= taken(deepest_mm)) {
            return None;
        }
        if g_mm == 0.0 {
            return Some(0.0);
        }
        let (mut low, mut high) = (0.0, deepest_mm);
        // halved until the ends are neighbouring numbers
        for _ in 0..60 {
            let middle = 0.5 * (low + high);
            if taken(middle) < g_mm { low = middle } else { high = middle }
        }
        Some(high)
    }
}

/// How much of its mass times radius a cut over an arc of `arc_deg` works with: `sin(b/2) / (b/2)`, b the
/// arc in radians (the centre of mass of an arc, solid geometry).
pub fn arc_share(arc_deg: f64) -> f64 {
    let half = 0.5 * arc_deg.to_radians();
    if half.abs() < 1e-9 { 1.0 } else { half.sin() / half }
}

/// Force in N at `rpm` on what is added with an unbalance of `g_mm`: `U omega²`.
pub fn force_n(g_mm: f64, rpm: f64) -> f64 {
    g_mm * 1e-6 * (std::f64::consts::TAU * rpm / 60.0).powi(2)
}

#[cfg(test)]
mod tests {
    use super::*;

    const AL_7075: f64 = 2.81;

    fn drill(diameter_mm: f64) -> Drill {
        Drill::new(diameter_mm, 118.0, AL_7075).expect("a sound drill")
    }

    fn near(value: f64, expected: f64, relative: f64) {
        assert!((value / expected - 1.0).abs() < relative, "{value}, not {expected}");
    }

    /// Tip depth of a hole with `full_mm` of full diameter.
    fn tip(drill: &Drill, full_mm: f64) -> f64 {
        full_mm + drill.point_mm()
    }

    /// Own arithmetic from solid geometry; densities of university and handbook tables of materials
    /// (7075: 2.81 g/cm³).
    #[test]
    fn holes_of_a_twist_drill() {
        let table = [
            // diameter, full depth, volume mm³, centroid mm, mass g
            (3.0, 5.0, 37.4665, 2.6545, 0.105_28),
            (2.0, 1.5, 5.3416, 0.8560, 0.015_01),
            (4.0, 0.0, 5.0338, 0.3004, 0.014_14),
        ];
        for (diameter, full, volume, centroid, mass) in table {
            let drill = drill(diameter);
            let tip = tip(&drill, full);
            near(drill.volume_mm3(tip), volume, 1e-4);
            near(drill.centroid_mm(tip), centroid, 2e-4);
            near(drill.mass_g(tip), mass, 5e-4);
        }
        near(drill(1.0).point_mm(), 0.300_430, 2e-6);
    }

    /// The same holes by summing thin discs, shallow ones within the point among them.
    #[test]
    fn volumes_and_centres_agree_with_numerical_integration() {
        for (diameter, point_deg) in [(3.0, 118.0), (2.0, 90.0), (4.0, 140.0), (2.5, 180.0)] {
            let drill = Drill::new(diameter, point_deg, 7.91).expect("a sound drill");
            for tip in [0.2, 0.5, 1.0, 2.0, 6.0] {
                let discs = 200_000;
                let (mut volume, mut moment) = (0.0, 0.0);
                for i in 0..discs {
                    let depth = tip * (f64::from(i) + 0.5) / f64::from(discs);
                    let in_cone = (tip - depth) * (0.5 * point_deg.to_radians()).tan();
                    let radius = in_cone.min(0.5 * diameter);
                    let disc = PI * radius * radius * tip / f64::from(discs);
                    volume += disc;
                    moment += disc * depth;
                }
                near(drill.volume_mm3(tip), volume, 1e-4);
                near(drill.centroid_mm(tip), moment / volume, 1e-4);
            }
        }
    }

    /// 3 mm in 7075: from radius 20 mm 5 mm of full depth, and 1 g mm the other way round, all from a flat
    /// face (own arithmetic).
    #[test]
    fn unbalance_of_a_hole_and_the_hole_for_an_unbalance() {
        let drill = drill(3.0);
        let flat = |tip: f64| drill.mass_g(tip) * (20.0 - drill.centroid_mm(tip));
        let deep = tip(&drill, 5.0);
        near(flat(deep), 1.826_15, 1e-5);
        near(flat(3.301_620), 1.0, 1e-6);
        near(drill.unbalance_g_mm(Bore::Axial, 20.0, deep), 2.105_62, 1e-5);
        let axial = drill.tip_mm(Bore::Axial, 20.0, 1.0, 10.0).expect("deep enough");
        near(axial, 3.118_139, 1e-6);
        let radial = drill.tip_mm(Bore::Radial, 20.0, 1.0, 10.0).expect("deep enough");
        near(drill.unbalance_g_mm(Bore::Radial, 20.0, radial), 1.0, 1e-9);
        assert!(radial > 3.301_620, "the rim falls away beside the drill: {radial}");
        assert_eq!(drill.tip_mm(Bore::Radial, 20.0, 1.0, 3.0), None);
        assert_eq!(drill.tip_mm(Bore::Axial, 20.0, 0.0, 3.0), Some(0.0));
    }

    /// Volume and moment of a radial hole in a cylinder by summing small columns, with no formula but the two
    /// surfaces.
    fn summed(drill: &Drill, radius_mm: f64, tip_mm: f64) -> Taken {
        let (cells, half) = (240, 0.5 * drill.diameter_mm);
        let slope = 1.0 / (0.5 * drill.point_deg.to_radians()).tan();
        let side = drill.diameter_mm / f64::from(cells);
        let mut taken = Taken::default();
        for i in 0..cells {
            for k in 0..cells {
                let x = (f64::from(i) + 0.5) * side - half;
                let y = (f64::from(k) + 0.5) * side - half;
                let r = x.hypot(y);
                let top = radius_mm - (radius_mm * radius_mm - x * x).sqrt();
                let bottom = tip_mm - r * slope;
                if r < half && bottom > top {
                    let mass = (bottom - top) * side * side * drill.density_g_cm3 * 1e-3;
                    taken.mass_g += mass;
                    taken.g_mm += mass * (radius_mm - 0.5 * (bottom + top));
                }
            }
        }
        taken
    }

    #[test]
    fn a_hole_into_a_rim_agrees_with_numerical_integration() {
        for (diameter, point_deg) in [(2.0, 118.0), (3.0, 118.0), (4.0, 118.0), (3.0, 180.0)] {
            let drill = Drill::new(diameter, point_deg, AL_7075).expect("a sound drill");
            for radius in [15.0, 40.0] {
                for depth in [0.3, 1.2, 2.0, 6.0] {
                    let (found, sum) =
                        (drill.taken(Bore::Radial, radius, depth), summed(&drill, radius, depth));
                    near(found.mass_g, sum.mass_g, 2e-3);
                    near(found.g_mm, sum.g_mm, 2e-3);
                }
            }
        }
    }

    /// How far a flat face would be off, which is why the rim's curve is reckoned with: above 1 % for usual holes.
    #[test]
    fn a_flat_face_would_tell_too_much() {
        let off = |diameter, radius, depth| {
            let drill = drill(diameter);
            let flat = drill.mass_g(depth) * (radius - drill.centroid_mm(depth));
            flat / drill.unbalance_g_mm(Bore::Radial, radius, depth) - 1.0
        };
        assert!(off(4.0, 15.0, 1.0) > 0.05 && off(4.0, 15.0, 3.0) > 0.01);
        assert!(off(2.0, 40.0, 4.0) < 0.002);
        assert!(off(2.0, 1e6, 1.5).abs() < 1e-5);
    }

    #[test]
    fn arcs_and_forces() {
        near(arc_share(60.0), 0.954_930, 1e-6);
        near(arc_share(180.0), 2.0 / PI, 1e-12);
        assert!((arc_share(0.0) - 1.0).abs() < 1e-12);
        // 1 g mm at 100 000 rpm
        near(force_n(1.0, 100_000.0), 109.66, 1e-4);
    }

    #[test]
    fn nonsense_is_refused() {
        assert!(Drill::new(0.0, 118.0, 2.8).is_err());
        assert!(Drill::new(3.0, 118.0, -2.8).is_err());
        assert!(Drill::new(3.0, 200.0, 2.8).is_err());
        assert!(Drill::new(3.0, f64::NAN, 2.8).is_err());
    }
}
