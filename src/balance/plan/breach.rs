//! Where metal is gone beyond the maker's limits.

use super::{Allowed, Hole};

impl Allowed {
    /// Where holes are beyond the maker's limits, a sentence each.
    pub fn breaches(&self, holes: &[Hole]) -> Vec<String> {
        let holes = Hole::after(&[], holes);
        let mut told = Vec::new();
        let mut tell = |what: String| told.push(format!("{}: {what}", self.plane));
        for (index, hole) in holes.iter().enumerate() {
            let deg = format!("{:.0} deg", self.count.turned(hole.deg));
            if hole.tip_mm > self.deepest_mm() + 1e-6 {
                let most = self.deepest_mm();
                tell(format!("{:.2} mm deep at {deg}, {most:.2} are allowed", hole.tip_mm));
            }
            if !self.in_zone(hole.deg, hole.arc_deg) {
                tell(format!("metal was taken away or added at {deg}, outside the zones"));
            }
            let near = |other: &&Hole| {
                other.drill_mm > 0.0
                    && hole.drill_mm > 0.0
                    && self.wall_mm(hole, other) < self.spacing_mm - 1e-6
            };
            if let Some(other) = holes[..index].iter().find(near) {
                let other = self.count.turned(other.deg);
                tell(format!("the wall between {deg} and {other:.0} deg is thinner than allowed"));
            }
        }
        let mass_g: f64 = holes.iter().map(|hole| hole.mass_g).sum();
        if mass_g > self.removal_max_g * (1.0 + 1e-9) {
            let (mg, most) = (1000.0 * mass_g, 1000.0 * self.removal_max_g);
            tell(format!("{mg:.0} mg are changed in all, {most:.0} are allowed"));
        }
        told
    }
}
