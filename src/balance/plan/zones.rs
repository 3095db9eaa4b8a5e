//! The arcs in which metal may be taken away or added, less the blades.

use crate::machine::{Count, Machine, Plane};
use crate::units::wrap_deg;

/// An arc, counted against the rotation from where it begins.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Zone {
    /// Where it begins, in degrees.
    pub from_deg: f64,
    /// Its length in degrees; 360 has no edges.
    pub length_deg: f64,
}

impl Zone {
    pub(super) const WHOLE: Self = Self { from_deg: 0.0, length_deg: 360.0 };

    /// Whether it is the whole turn.
    pub fn is_whole(&self) -> bool {
        self.length_deg >= 360.0
    }

    /// Whether `deg` lies in it with `margin_deg` to both edges.
    pub(super) fn holds(&self, deg: f64, margin_deg: f64) -> bool {
        let after = wrap_deg(deg - self.from_deg);
        self.is_whole() || (margin_deg..=self.length_deg - margin_deg).contains(&after)
    }

    /// What is left of it outside an arc of `length_deg` that begins at `from_deg`.
    fn less(self, from_deg: f64, length_deg: f64) -> Vec<Self> {
        let begins = wrap_deg(from_deg - self.from_deg);
        let ends = begins + length_deg;
        if self.is_whole() {
            let left =
                Self { from_deg: wrap_deg(from_deg + length_deg), length_deg: 360.0 - length_deg };
            return if left.length_deg > 0.0 { vec![left] } else { Vec::new() };
        }
        // the arc may reach into the zone's beginning from behind it
        let first = if ends > 360.0 { ends - 360.0 } else { 0.0 };
        let second = ends.min(360.0);
        let parts = [(first, begins.min(self.length_deg)), (second, self.length_deg)];
        (parts.into_iter())
            .filter(|(from, to)| to > from)
            .map(|(from, to)| Self {
                from_deg: wrap_deg(self.from_deg + from),
                length_deg: to - from,
            })
            .collect()
    }
}

/// The zones of a plane, less the blades that stand in them.
pub(super) fn of(machine: &Machine, plane: &Plane) -> Vec<Zone> {
    let count = machine.convention.count;
    let mut zones: Vec<Zone> = (plane.zones_deg.iter())
        .map(|&[from, to]| {
            let length_deg = if to > from { to - from } else { to - from + 360.0 };
            let begins = if count == Count::AgainstRotation { from } else { to };
            Zone { from_deg: count.turned(begins), length_deg }
        })
        .collect();
    for (middle, width) in blades(machine, plane) {
        zones = zones.into_iter().flat_map(|zone| zone.less(middle - 0.5 * width, width)).collect();
    }
    zones
}

/// Middle and width of every blade in degrees, at the plane's radius.
pub(super) fn blades(machine: &Machine, plane: &Plane) -> Vec<(f64, f64)> {
    let row = plane.blades.as_ref().and_then(|row| machine.blade.get(row));
    let (Some(row), Some(first), Some(width), Some(radius)) =
        (row, plane.blade_first_deg, plane.blade_width_mm, plane.radius_mm)
    else {
        return Vec::new();
    };
    let first = machine.convention.count.turned(first);
    let apart = 360.0 / f64::from(row.count.max(1));
    (0..row.count)
        .map(|i| (wrap_deg(first + apart * f64::from(i)), (width / radius).to_degrees()))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn zone(from_deg: f64, length_deg: f64) -> Zone {
        Zone { from_deg, length_deg }
    }

    #[test]
    fn margins_are_kept_at_both_edges_and_across_the_mark() {
        let across = zone(340.0, 40.0);
        assert!(across.holds(350.0, 10.0) && across.holds(5.0, 10.0) && across.holds(10.0, 10.0));
        assert!(
            !across.holds(349.0, 10.0) && !across.holds(11.0, 10.0) && !across.holds(180.0, 0.0)
        );
        assert!(!across.holds(0.0, 21.0));
        assert!(Zone::WHOLE.holds(123.0, 50.0));
    }

    #[test]
    fn a_blade_cuts_a_zone() {
        assert_eq!(Zone::WHOLE.less(350.0, 20.0), [zone(10.0, 340.0)]);
        assert_eq!(zone(0.0, 90.0).less(40.0, 10.0), [zone(0.0, 40.0), zone(50.0, 40.0)]);
        assert_eq!(zone(0.0, 90.0).less(85.0, 10.0), [zone(0.0, 85.0)]);
        assert_eq!(zone(0.0, 90.0).less(355.0, 10.0), [zone(5.0, 85.0)]);
        assert_eq!(zone(0.0, 90.0).less(200.0, 10.0), [zone(0.0, 90.0)]);
        assert_eq!(zone(20.0, 10.0).less(10.0, 40.0), []);
    }
}
