//! The wheel as it is seen from the side it is drilled from: mark, rotation, zones, holes and unbalance.

use serde::{Deserialize, Serialize};

use crate::balance::plan::{Allowed, Hole, Plan};
use crate::balance::size_at;
use crate::dsp::fft::Complex64;
use crate::error::{Error, Result};
use crate::machine::{Bore, Count, Machine, Method, Sense};
use crate::units::{three_digits, without_noughts, wrap_deg};

/// An unbalance on the wheel.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Spot {
    /// Its size in g mm.
    pub g_mm: f64,
    /// Its place in degrees against the rotation from the mark.
    pub deg: f64,
    /// Standard deviation of both its parts in g mm.
    pub spread_g_mm: f64,
}

/// An arc on the wheel.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Arc {
    /// Its middle in degrees against the rotation from the mark.
    pub middle_deg: f64,
    /// Its length in degrees.
    pub length_deg: f64,
}

/// A hole, cut or mass with the words beside it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Marked {
    /// What is there.
    pub hole: Hole,
    /// Whether it is still to be made.
    pub is_new: bool,
    /// Its place as the machine file counts angles.
    pub place: String,
    /// Its depth, or the mass.
    pub size: String,
}

/// A wheel seen from a stated side, with the mark at the top. All angles count against the rotation.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Wheel {
    /// The plane.
    pub plane: String,
    /// What the machine is called; empty where it has no name.
    pub machine: String,
    /// The side, in the words of the machine file.
    pub seen_from: String,
    /// Sense of rotation from there.
    pub rotation: Sense,
    /// Sense in which the angles written beside it are counted.
    pub count: Count,
    /// Radius in mm at which the drill enters, the edge lies or masses sit.
    pub radius_mm: f64,
    /// Whether holes run along the axis, so that they are seen as circles.
    pub axial: bool,
    /// Arcs in which metal may be taken away or added.
    pub zones: Vec<Arc>,
    /// Blades.
    pub blades: Vec<Arc>,
    /// Holes that are there and holes to make.
    pub holes: Vec<Marked>,
    /// Unbalance before.
    pub before: Spot,
    /// Unbalance expected after.
    pub after: Spot,
    /// Permissible unbalance in g mm.
    pub limit_g_mm: f64,
    /// What the reader has to know, a sentence each.
    pub notes: Vec<String>,
}

impl Wheel {
    /// An angle against the rotation as it is on paper: clockwise from the top, in degrees.
    pub fn on_paper_deg(&self, deg: f64) -> f64 {
        match self.rotation {
            Sense::Clockwise => wrap_deg(-deg),
            Sense::CounterClockwise => wrap_deg(deg),
        }
    }

    /// An angle against the rotation as the machine file counts it.
    pub fn counted_deg(&self, deg: f64) -> f64 {
        self.count.turned(deg)
    }

    /// Size and place of an unbalance in words, to the first digit of its spread; no place where that says
    /// nothing.
    pub fn told(&self, spot: &Spot) -> String {
        if !(spot.spread_g_mm > 0.0) {
            return format!(
                "{} g mm at {}",
                three_digits(spot.g_mm),
                degrees(self.counted_deg(spot.deg))
            );
        }
        let places = (-spot.spread_g_mm.log10().floor()).clamp(0.0, 9.0) as usize;
        let size = format!("{:.places$} ± {:.places$} g mm", spot.g_mm, spot.spread_g_mm);
        if spot.g_mm < 2.0 * spot.spread_g_mm {
            return size;
        }
        format!("{size} at {}", degrees(self.counted_deg(spot.deg)))
    }

    /// Side and sense of rotation in words.
    pub fn side(&self) -> String {
        let sense = match self.rotation {
            Sense::Clockwise => "clockwise",
            Sense::CounterClockwise => "anticlockwise",
        };
        let count = self.count.word();
        format!(
            "seen from {}; turns {sense}; angles count {count} the rotation from the mark",
            self.seen_from
        )
    }
}

/// An angle with at most one decimal.
fn degrees(deg: f64) -> String {
    let digits = format!("{deg:.1}");
    let told = without_noughts(&digits);
    format!("{}°", if told == "360" { "0" } else { told })
}

/// The wheel of the plane `name` with the holes that are there, the plan, and the unbalance before it in g mm with
/// the standard deviation of both its parts.
///
/// # Errors
/// [`Error::Setting`] where there is no such plane, or side or sense of rotation are not stated.
pub fn wheel(
    machine: &Machine,
    allowed: &Allowed,
    old: &[Hole],
    plan: &Plan,
    before: (Complex64, f64),
    limit_g_mm: f64,
) -> Result<Wheel> {
    let name = &allowed.plane;
    let lacking = |key: &str, mend: &str| {
        let problem = "without it nobody knows which way round the picture is";
        Error::setting(format!("plane.{name}.{key}"), problem, mend)
    };
    let plane = machine.plane.get(name);
    let plane = plane.ok_or_else(|| {
        Error::setting("plane", format!("there is no plane {name:?}"), "name one")
    })?;
    let seen_from = plane.seen_from.clone();
    let seen_from =
        seen_from.ok_or_else(|| lacking("seen_from", "write, say, \"the nut side\""))?;
    let rotation = plane.rotation_seen;
    let rotation = rotation
        .ok_or_else(|| lacking("rotation_seen", "look at the wheel from that side and write it"))?;
    let count = machine.convention.count;
    let spot = |unbalance: Complex64, spread_g_mm: f64| {
        let (g_mm, deg) = size_at(unbalance);
        Spot { g_mm, deg, spread_g_mm }
    };
    let old = Hole::after(&[], old);
    let marked = |hole: &Hole, is_new: bool| Marked {
        hole: *hole,
        is_new,
        place: place(hole, count),
        size: size(hole),
    };
    let there = old.iter().filter(|old| !plan.holes.iter().any(|new| new.deepens(old)));
    let mut holes: Vec<Marked> = there.map(|hole| marked(hole, false)).collect();
    holes.extend(plan.holes.iter().map(|hole| marked(hole, true)));
    let arc = |(middle_deg, length_deg): (f64, f64)| Arc { middle_deg, length_deg };
    Ok(Wheel {
        plane: name.clone(),
        machine: machine.name.clone().unwrap_or_default(),
        seen_from,
        rotation,
        count,
        radius_mm: plane.radius_mm.unwrap_or(0.0),
        axial: plane.method == Method::Drill && plane.bore == Some(Bore::Axial),
        zones: allowed.zones().map(arc).collect(),
        blades: allowed.blades(machine).into_iter().map(arc).collect(),
        holes,
        before: spot(before.0, before.1),
        after: spot(plan.residual, plan.residual_spread_g_mm),
        limit_g_mm,
        notes: plan.notes.clone(),
    })
}

fn place(hole: &Hole, count: Count) -> String {
    let middle = degrees(count.turned(hole.deg));
    match hole.method {
        Method::Grind if hole.arc_deg > 0.0 => {
            format!("{middle} ± {}", degrees(0.5 * hole.arc_deg))
        }
        Method::Drill | Method::Grind | Method::Add => middle,
    }
}

fn size(hole: &Hole) -> String {
    match hole.method {
        Method::Add => format!("{} mg", three_digits(1000.0 * hole.mass_g)),
        Method::Drill | Method::Grind if hole.tip_mm <= 0.0 => {
            format!("{} g mm", three_digits(hole.g_mm))
        }
        Method::Drill | Method::Grind if hole.from_mm > 0.0 => {
            format!("{:.2} to {:.2} mm", hole.from_mm, hole.tip_mm)
        }
        Method::Drill | Method::Grind => format!("{:.2} mm", hole.tip_mm),
    }
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;
    use crate::balance::estimate::Spread;
    use crate::balance::heavy_spot;
    use crate::balance::plan::{Need, plan};
    use crate::machine::{BladeRow, Plane};

    /// An invented wheel with two old holes, and the plan for it.
    pub(crate) fn shown(change: impl FnOnce(&mut Machine)) -> Result<Wheel> {
        let mut machine =
            Machine { name: Some("Demo cartridge 7 (invented)".into()), ..Machine::default() };
        machine.blade.insert("inducer".into(), BladeRow { count: 6 });
        let plane = Plane {
            radius_mm: Some(18.0),
            density_g_cm3: Some(2.81),
            bore: Some(Bore::Radial),
            drill_mm: Some(3.0),
            depth_max_mm: Some(4.0),
            edge_mm: Some(0.5),
            spacing_mm: Some(0.8),
            removal_max_g: Some(1.0),
            zones_deg: vec![[0.0, 360.0]],
            blades: Some("inducer".into()),
            blade_first_deg: Some(20.0),
            blade_width_mm: Some(3.0),
            seen_from: Some("the nut side".into()),
            rotation_seen: Some(Sense::CounterClockwise),
            ..Plane::default()
        };
        machine.plane.insert("compressor".into(), plane);
        change(&mut machine);
        let allowed = Allowed::of(&machine, "compressor").expect("complete limits");
        let of_before = |deg: f64, tip_mm: f64| Hole {
            method: Method::Drill,
            deg,
            drill_mm: 3.0,
            tip_mm,
            from_mm: 0.0,
            arc_deg: 0.0,
            g_mm: 0.5,
            mass_g: 0.03,
        };
        let old = [of_before(50.0, 1.6), of_before(260.0, 2.4)];
        let need = Need {
            unbalance: heavy_spot(1.4, 75.0),
            deviation_g_mm: 0.02,
            spread: Spread { share: 0.02, angle_rad: 0.02 },
            limit_g_mm: 0.12,
        };
        let plan = plan(&allowed, &old, &need).expect("a plan");
        wheel(&machine, &allowed, &old, &plan, (need.unbalance, 0.02), need.limit_g_mm)
    }

    #[test]
    fn a_wheel_shows_what_is_there_and_what_is_to_do() {
        let wheel = shown(|_| {}).expect("side and sense are stated");
        assert_eq!(wheel.blades.len(), 6);
        assert_eq!(wheel.zones.len(), 6);
        // the old hole that goes deeper stands once, and as new
        let at_50 = wheel.holes.iter().filter(|one| one.hole.deg == 50.0);
        assert_eq!(at_50.count(), 1, "{wheel:?}");
        assert!(
            wheel
                .holes
                .iter()
                .any(|one| !one.is_new && one.place == "260°" && one.size == "2.40 mm")
        );
        assert!(wheel.holes.iter().any(|one| one.is_new));
        assert!(
            wheel
                .side()
                .starts_with("seen from the nut side; turns anticlockwise; angles count against")
        );
        assert_eq!(wheel.told(&wheel.before), "1.40 ± 0.02 g mm at 75°");
        assert!(wheel.told(&wheel.after).ends_with("g mm"), "{:?}", wheel.after);
    }

    #[test]
    fn angles_on_paper_count_against_the_rotation() {
        let mut wheel = shown(|_| {}).expect("side and sense are stated");
        // the shaft turns anticlockwise, so that angles count clockwise
        assert_eq!(wheel.on_paper_deg(90.0), 90.0);
        wheel.rotation = Sense::Clockwise;
        assert_eq!(wheel.on_paper_deg(90.0), 270.0);
        wheel.count = Count::WithRotation;
        assert_eq!((wheel.on_paper_deg(90.0), wheel.counted_deg(90.0)), (270.0, 270.0));
        assert_eq!(degrees(359.97), "0°");
    }

    #[test]
    fn a_side_that_is_not_stated_is_refused() {
        let without = |change: fn(&mut Plane)| {
            let change = move |machine: &mut Machine| machine.plane.values_mut().for_each(change);
            shown(change).expect_err("not stated").to_string()
        };
        assert!(
            without(|plane| plane.seen_from = None).starts_with("plane.compressor.seen_from: ")
        );
        assert!(
            without(|plane| plane.rotation_seen = None)
                .starts_with("plane.compressor.rotation_seen: ")
        );
    }
}
