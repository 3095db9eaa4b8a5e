//! What a hole has taken away that was drilled, whether or not it was planned.

use super::allowed::tool;
use super::{Hole, SETTING_DEG, apart_deg};
use crate::balance::check_positive;
use crate::balance::hole::Taken;
use crate::error::{Error, Result};
use crate::machine::{Machine, Method};
use crate::units::wrap_deg;

/// The hole that was drilled in a plane at `deg` against the rotation, `tip_mm` deep to its tip: where one of the
/// `old` ones is there already, what making it deeper took away.
///
/// # Errors
/// [`Error::Setting`] where the plane's drill, density, radius or bore is not stated, or the old hole is deeper.
pub fn drilled(
    machine: &Machine,
    plane: &str,
    old: &[Hole],
    deg: f64,
    tip_mm: f64,
) -> Result<Hole> {
    let here = |key: &str| format!("plane.{plane}.{key}");
    let stated = machine.plane.get(plane).cloned().unwrap_or_default();
    let mend =
        "add it to the machine file before the job begins, or state what was taken away in g mm";
    let missing = [
        ("radius_mm", stated.radius_mm.is_none()),
        ("density_g_cm3", stated.density_g_cm3.is_none()),
        ("drill_mm", stated.drill_mm.is_none()),
        ("bore", stated.bore.is_none()),
    ];
    if let Some((key, _)) = missing.into_iter().find(|(_, is_missing)| *is_missing) {
        return Err(Error::setting(here(key), "a hole cannot be weighed without it", mend));
    }
    check_positive("depth", tip_mm, "state the depth to the tip in mm")?;
    let radius_mm = stated.radius_mm.unwrap_or(0.0);
    let drill = tool(plane, &crate::machine::Plane { method: Method::Drill, ..stated })?;
    let holes = Hole::after(&[], old);
    let near = |hole: &&Hole| {
        hole.method == Method::Drill && hole.tip_mm > 0.0 && apart_deg(hole.deg, deg) <= SETTING_DEG
    };
    let earlier = holes.iter().find(near);
    let from_mm = earlier.map_or(0.0, |hole| hole.tip_mm);
    if from_mm >= tip_mm {
        return Err(Error::setting(
            "depth",
            format!("a hole {from_mm:.2} mm deep is there already, and {tip_mm:.2} mm are stated"),
            "state its whole depth to the tip, as it is now",
        ));
    }
    // two holes that overlap take away less than both
    let overlaps = |hole: &&Hole| {
        let between_mm = 2.0 * radius_mm * (0.5 * apart_deg(hole.deg, deg).to_radians()).sin();
        hole.method == Method::Drill
            && hole.drill_mm > 0.0
            && between_mm < 0.5 * (hole.drill_mm + drill.diameter_mm())
    };
    if let (None, Some(other)) = (earlier, holes.iter().find(overlaps)) {
        return Err(Error::setting(
            "hole",
            format!(
                "it would overlap the one at {:.1} degrees",
                machine.convention.count.turned(other.deg)
            ),
            "state the angle of that hole if it was made deeper, or what was taken away in g mm",
        ));
    }
    let (now, before) = (drill.taken(radius_mm, tip_mm), drill.taken(radius_mm, from_mm));
    let gone = |value: fn(&Taken) -> f64| value(&now) - value(&before);
    Ok(Hole {
        method: Method::Drill,
        // on in the same hole, not beside it
        deg: earlier.map_or_else(|| wrap_deg(deg), |hole| hole.deg),
        drill_mm: drill.diameter_mm(),
        tip_mm,
        from_mm,
        arc_deg: 0.0,
        g_mm: gone(|taken| taken.g_mm),
        mass_g: gone(|taken| taken.mass_g),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::machine::{Bore, Plane};

    fn machine() -> Machine {
        let plane = Plane {
            radius_mm: Some(20.0),
            density_g_cm3: Some(2.81),
            drill_mm: Some(3.0),
            bore: Some(Bore::Axial),
            ..Plane::default()
        };
        let mut machine = Machine::default();
        machine.plane.insert("compressor".to_owned(), plane);
        machine
    }

    /// 3 mm in 7075 from radius 20 mm takes 2.105 62 g mm 5.901 29 mm deep to its tip (own arithmetic; 5 mm of
    /// full depth over the point of 118 degrees).
    #[test]
    fn a_hole_is_weighed_and_a_deeper_one_by_its_gain() {
        let tip_mm = 5.0 + 1.5 / 59.0_f64.to_radians().tan();
        let whole = drilled(&machine(), "compressor", &[], 370.0, tip_mm).expect("a hole");
        assert!((whole.g_mm - 2.105_62).abs() < 1e-5, "{whole:?}");
        assert!((whole.deg - 10.0).abs() < 1e-9 && whole.from_mm == 0.0);
        let first = drilled(&machine(), "compressor", &[], 10.0, 2.0).expect("a hole");
        let more = drilled(&machine(), "compressor", &[first], 10.3, tip_mm).expect("deeper");
        assert!((first.g_mm + more.g_mm - whole.g_mm).abs() < 1e-12);
        assert_eq!((more.from_mm, more.deg), (2.0, first.deg));
        let overlaps = drilled(&machine(), "compressor", &[first], 12.0, 2.0);
        assert!(overlaps.expect_err("they overlap").to_string().contains("10.0 degrees"));
        let beside = drilled(&machine(), "compressor", &[first], 22.0, 2.0).expect("another");
        assert_eq!(beside.from_mm, 0.0);
        let again = drilled(&machine(), "compressor", &[first, more], 10.0, 2.5);
        assert!(again.expect_err("it is deeper already").to_string().contains("5.90 mm deep"));
        let other = drilled(&machine(), "turbine", &[], 10.0, 2.5).expect_err("not described");
        assert!(other.to_string().contains("plane.turbine.radius_mm"), "{other}");
    }
}
