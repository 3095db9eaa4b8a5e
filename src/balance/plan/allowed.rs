//! What the maker allows in a plane, checked: without limits no plan.

use super::tool::{Level, Tool};
use super::{Hole, apart_deg, zones};
use crate::balance::hole::Drill;
use crate::balance::{check_positive, plan::zones::Zone};
use crate::error::{Error, Result};
use crate::machine::{Bore, Count, Machine, Method, Plane, keys};
use crate::units::{three_digits, wrap_deg};

/// Full angle of the point of a drill where none is stated (common practice, no source).
const POINT_DEG: f64 = 118.0;
/// Fineness of depths in mm where none is stated (common practice, no source).
const DEPTH_STEP_MM: f64 = 0.05;
/// Fineness of angles in degrees where none is stated (common practice, no source).
const ANGLE_STEP_DEG: f64 = 1.0;
/// A depth in more steps is a slip of the pen.
const MOST_STEPS: f64 = 5000.0;

/// The limits of one plane, complete and sound. All angles count from the mark against the rotation.
#[derive(Debug, Clone, PartialEq)]
pub struct Allowed {
    /// Name of the plane.
    pub plane: String,
    pub(super) tool: Tool,
    pub(super) radius_mm: f64,
    pub(super) depth_max_mm: f64,
    pub(super) depth_step_mm: f64,
    pub(super) floor_radius_mm: f64,
    pub(super) edge_mm: f64,
    pub(super) spacing_mm: f64,
    pub(super) removal_max_g: f64,
    pub(super) zones: Vec<Zone>,
    pub(super) sites_deg: Vec<f64>,
    pub(super) angle_step_deg: f64,
    pub(super) count: Count,
    /// Speed at which what is added is pulled outwards, in rpm.
    pub(super) top_rpm: f64,
    pub(super) levels: Vec<Level>,
}

/// A limit that may stand in the way of a plan.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Limit {
    Depth,
    Floor,
    Edge,
    Spacing,
    Removal,
    Zones,
    Sites,
    Arc,
    Masses,
}

impl Limit {
    pub(super) const ALL: [Self; 9] = [
        Self::Depth,
        Self::Floor,
        Self::Edge,
        Self::Spacing,
        Self::Removal,
        Self::Zones,
        Self::Sites,
        Self::Arc,
        Self::Masses,
    ];

    /// Its key in the machine file.
    pub(super) fn key(self) -> &'static str {
        match self {
            Self::Depth => "depth_max_mm",
            Self::Floor => "floor_radius_mm",
            Self::Edge => "edge_mm",
            Self::Spacing => "spacing_mm",
            Self::Removal => "removal_max_g",
            Self::Zones => "zones_deg",
            Self::Sites => "sites_deg",
            Self::Arc => "arc_max_deg",
            Self::Masses => "masses_g",
        }
    }
}

/// The keys without which a plane is not planned.
fn needed(plane: &Plane) -> Vec<(&'static str, bool)> {
    let mut needed = vec![
        ("radius_mm", plane.radius_mm.is_some()),
        ("zones_deg", !plane.zones_deg.is_empty()),
        ("edge_mm", plane.edge_mm.is_some()),
        ("spacing_mm", plane.spacing_mm.is_some()),
        ("removal_max_g", plane.removal_max_g.is_some()),
    ];
    let of_cuts = [
        ("density_g_cm3", plane.density_g_cm3.is_some()),
        ("depth_max_mm", plane.depth_max_mm.is_some()),
    ];
    match plane.method {
        Method::Drill => {
            needed.extend(of_cuts);
            needed.push(("bore", plane.bore.is_some()));
            needed.push(("drill_mm", plane.drill_mm.is_some()));
        }
        Method::Grind => {
            needed.extend(of_cuts);
            needed.push(("grind_width_mm", plane.grind_width_mm.is_some()));
            needed.push(("arc_max_deg", plane.arc_max_deg.is_some()));
        }
        Method::Add => {
            needed.push(("masses_g", !plane.masses_g.is_empty()));
            needed.push(("fixing_max_rpm", plane.fixing_max_rpm.is_some()));
        }
    }
    if plane.blades.is_some() {
        needed.push(("blade_first_deg", plane.blade_first_deg.is_some()));
        needed.push(("blade_width_mm", plane.blade_width_mm.is_some()));
    }
    needed
}

/// The refusal that names every limit that is missing, with its meaning.
fn missing(name: &str, plane: &Plane) -> Option<Error> {
    let lacking: Vec<&str> = (needed(plane).into_iter())
        .filter(|(_, is_stated)| !is_stated)
        .map(|(key, _)| key)
        .collect();
    let meaning = |key: &str| {
        let row = keys::of_table("plane.NAME").find(|row| row.key == key);
        let told = row.map_or("", |row| row.meaning).trim_end_matches('.');
        format!("{key} ({told})")
    };
    let told: Vec<String> = lacking.iter().map(|key| meaning(key)).collect();
    let (verb, one) = if told.len() == 1 { ("is", "it") } else { ("are", "them") };
    (!told.is_empty()).then(|| {
        let problem = format!("without limits no plan, and {} {verb} not stated", told.join(", "));
        let mend = format!("ask the maker and write {one} into the machine file");
        Error::setting(format!("plane.{name}"), problem, mend)
    })
}

impl Allowed {
    /// The limits of the plane `name`, from a machine file that was checked.
    ///
    /// # Errors
    /// [`Error::Setting`] where there is no such plane, where a limit is missing (all of them are named), where
    /// sites lie outside the zones, where nothing fits in any zone, or where the top speed is above that of the
    /// way in which masses are fixed.
    pub fn of(machine: &Machine, name: &str) -> Result<Self> {
        let here = |key: &str| format!("plane.{name}.{key}");
        let Some(plane) = machine.plane.get(name) else {
            let known: Vec<&str> = machine.plane.keys().map(String::as_str).collect();
            let mend = match known.len() {
                0 => format!("add the table [plane.{name}]"),
                _ => format!("known are {}", known.join(", ")),
            };
            return Err(Error::setting("plane", format!("there is no plane {name:?}"), mend));
        };
        if let Some(refusal) = missing(name, plane) {
            return Err(refusal);
        }
        let count = machine.convention.count;
        let value = |stated: Option<f64>| stated.unwrap_or(0.0);
        let radius_mm = value(plane.radius_mm);
        let depth_step_mm = plane.depth_step_mm.unwrap_or(DEPTH_STEP_MM);
        let angle_step_deg = plane.angle_step_deg.unwrap_or(ANGLE_STEP_DEG);
        check_positive(&here("radius_mm"), radius_mm, "write what the drawing states")?;
        check_positive(&here("depth_step_mm"), depth_step_mm, "write, say, 0.05")?;
        check_positive(&here("angle_step_deg"), angle_step_deg, "write, say, 1")?;
        let mut allowed = Self {
            plane: name.to_owned(),
            tool: tool(name, plane)?,
            radius_mm,
            depth_max_mm: value(plane.depth_max_mm),
            depth_step_mm,
            floor_radius_mm: value(plane.floor_radius_mm),
            edge_mm: value(plane.edge_mm),
            spacing_mm: value(plane.spacing_mm),
            removal_max_g: value(plane.removal_max_g),
            zones: zones::of(machine, plane),
            sites_deg: plane.sites_deg.iter().map(|deg| count.turned(*deg)).collect(),
            angle_step_deg,
            count,
            top_rpm: machine.shaft.top_rpm.unwrap_or(0.0),
            levels: Vec::new(),
        };
        allowed.check_fixing(machine, plane)?;
        allowed.check_depths()?;
        allowed.levels = allowed.tool.levels(&allowed);
        allowed.check_sites(plane)?;
        Ok(allowed)
    }

    fn here(&self, key: &str) -> String {
        format!("plane.{}.{key}", self.plane)
    }

    fn check_fixing(&self, machine: &Machine, plane: &Plane) -> Result<()> {
        if plane.method != Method::Add {
            return Ok(());
        }
        let highest = plane.fixing_max_rpm.unwrap_or(0.0);
        match machine.shaft.top_rpm {
            None => Err(Error::setting(
                "shaft.top_rpm",
                "the force on an added mass is not known without the top speed",
                "state the highest speed that the rotor will ever reach",
            )),
            Some(top) if top > highest => Err(Error::setting(
                self.here("fixing_max_rpm"),
                format!(
                    "masses fixed this way hold up to {highest:.0} rpm, and the rotor reaches {top:.0} rpm"
                ),
                "take metal away instead, or fix masses in a way that the maker allows at this speed",
            )),
            Some(_) => Ok(()),
        }
    }

    /// Whether metal is added, and not taken away.
    pub(super) fn is_added(&self) -> bool {
        self.tool.method() == Method::Add
    }

    fn check_depths(&self) -> Result<()> {
        if self.is_added() {
            return Ok(());
        }
        let refuse = |key: &str, problem: String, mend: &str| {
            Err(Error::setting(self.here(key), problem, mend))
        };
        let is_axial = matches!(self.tool, Tool::Drill { bore: Bore::Axial, .. });
        if is_axial && self.radius_mm - self.tool.half_width_mm() < self.floor_radius_mm {
            let problem = format!(
                "a hole of {} mm at radius {} mm comes nearer to the axis",
                self.tool.diameter_mm(),
                self.radius_mm
            );
            return refuse("floor_radius_mm", problem, "take a smaller drill or a larger radius");
        }
        let deepest = self.deepest_mm();
        if self.depth_step_mm > deepest {
            let problem = format!(
                "a step of {} mm is more than the deepest hole allowed, {} mm",
                three_digits(self.depth_step_mm),
                three_digits(deepest.max(0.0))
            );
            return refuse("depth_step_mm", problem, "correct one of them");
        }
        if deepest / self.depth_step_mm > MOST_STEPS {
            let problem = format!("{} mm parts the depth in too many steps", self.depth_step_mm);
            return refuse("depth_step_mm", problem, "write how finely a depth can really be set");
        }
        match self.tool {
            Tool::Drill { drill, .. } if drill.diameter_mm >= self.radius_mm => {
                let problem =
                    format!("a drill of {} mm is too thick for this radius", drill.diameter_mm);
                refuse("drill_mm", problem, "correct drill_mm or radius_mm")
            }
            _ => Ok(()),
        }
    }

    /// Refuses sites at which nothing may be done, and zones in which nothing fits.
    fn check_sites(&self, plane: &Plane) -> Result<()> {
        let fits = |deg: f64| self.levels.iter().any(|level| self.in_zone(deg, level.arc_deg));
        let outside = plane.sites_deg.iter().zip(&self.sites_deg).find(|(_, deg)| !fits(**deg));
        if let Some((stated, _)) = outside {
            return Err(Error::setting(
                self.here("sites_deg"),
                format!(
                    "the site at {stated} degrees lies outside the zones, or nearer to an edge than edge_mm"
                ),
                "correct the site or the zones",
            ));
        }
        if self.places_deg().is_empty() {
            return Err(Error::setting(
                self.here("zones_deg"),
                "no zone is wide enough for the tool with edge_mm at both sides",
                "take a smaller drill, or correct the zones",
            ));
        }
        Ok(())
    }

    /// Deepest tip or cut in mm that depth and floor allow.
    pub(super) fn deepest_mm(&self) -> f64 {
        let is_axial = matches!(self.tool, Tool::Drill { bore: Bore::Axial, .. });
        if is_axial {
            self.depth_max_mm
        } else {
            self.depth_max_mm.min(self.radius_mm - self.floor_radius_mm)
        }
    }

    /// Angles at which a new hole may begin: fixed sites, or every step within the zones.
    pub(super) fn places_deg(&self) -> Vec<f64> {
        let fits = |deg: &f64| self.levels.iter().any(|level| self.in_zone(*deg, level.arc_deg));
        if !self.sites_deg.is_empty() {
            return self.sites_deg.clone();
        }
        let steps = (360.0 / self.angle_step_deg - 1e-9).ceil() as usize;
        let all = (0..steps).map(|i| self.count.turned(i as f64 * self.angle_step_deg));
        all.filter(fits).collect()
    }

    /// Whether a hole, or a cut over an arc, at `deg` keeps its distance from the edges of a zone.
    pub fn in_zone(&self, deg: f64, arc_deg: f64) -> bool {
        let reach = (self.tool.half_width_mm() + self.edge_mm) / self.radius_mm;
        if reach >= 1.0 {
            return self.zones.iter().any(Zone::is_whole);
        }
        let margin = reach.asin().to_degrees() + 0.5 * arc_deg;
        self.zones.iter().any(|zone| zone.holds(deg, margin))
    }

    /// Middle and length in degrees of every arc in which metal may be taken away or added, blades taken out.
    pub fn zones(&self) -> impl Iterator<Item = (f64, f64)> {
        let middle = |zone: &Zone| wrap_deg(zone.from_deg + 0.5 * zone.length_deg);
        self.zones.iter().map(move |zone| (middle(zone), zone.length_deg))
    }

    /// Middle and width in degrees of every blade in the plane.
    pub fn blades(&self, machine: &Machine) -> Vec<(f64, f64)> {
        machine.plane.get(&self.plane).map_or_else(Vec::new, |plane| zones::blades(machine, plane))
    }

    /// Wall in mm between two holes or cuts where they are nearest; below nought where they overlap.
    ///
    /// Both are taken as straight to their full depth: radial ones draw near each other towards the axis, and
    /// each is counted with its full width down to its tip.
    pub fn wall_mm(&self, a: &Hole, b: &Hole) -> f64 {
        let between = apart_deg(a.deg, b.deg) - 0.5 * (a.arc_deg + b.arc_deg);
        if between <= 1e-9 {
            return f64::NEG_INFINITY;
        }
        let ends = [a, b].map(|hole| self.radius_mm - self.inward_mm(hole));
        segments_apart(ends, between.to_radians()) - 0.5 * (a.drill_mm + b.drill_mm)
    }

    /// How far a hole or cut reaches towards the axis, in mm.
    fn inward_mm(&self, hole: &Hole) -> f64 {
        match self.tool {
            Tool::Drill { bore: Bore::Axial, .. } | Tool::Add { .. } => 0.0,
            _ => hole.tip_mm.min(self.radius_mm),
        }
    }

    /// The same limits without one of them; `None` where that one does not apply.
    pub(super) fn without(&self, limit: Limit) -> Option<Self> {
        let mut free = self.clone();
        match limit {
            Limit::Depth if !self.is_added() => {
                let most = self.depth_step_mm * MOST_STEPS;
                free.depth_max_mm = (10.0 * self.depth_max_mm).min(0.95 * self.radius_mm).min(most);
            }
            Limit::Floor if self.floor_radius_mm > 0.0 => free.floor_radius_mm = 0.0,
            Limit::Edge if self.edge_mm > 0.0 => free.edge_mm = 0.0,
            Limit::Spacing if self.spacing_mm > 0.0 => free.spacing_mm = 0.0,
            Limit::Removal => free.removal_max_g = f64::INFINITY,
            Limit::Zones if !self.zones.iter().any(Zone::is_whole) => {
                free.zones = vec![Zone::WHOLE];
            }
            Limit::Sites if !self.sites_deg.is_empty() => free.sites_deg = Vec::new(),
            Limit::Arc | Limit::Masses => free.tool = self.tool.freed(limit)?,
            _ => return None,
        }
        if free.depth_max_mm < self.depth_max_mm {
            return None;
        }
        free.levels = free.tool.levels(&free);
        Some(free)
    }
}

pub(super) fn tool(name: &str, plane: &Plane) -> Result<Tool> {
    let value = |stated: Option<f64>| stated.unwrap_or(0.0);
    let density_g_cm3 = value(plane.density_g_cm3);
    Ok(match plane.method {
        Method::Drill => {
            let point = plane.drill_point_deg.unwrap_or(POINT_DEG);
            let drill = Drill::new(value(plane.drill_mm), point, density_g_cm3)?;
            Tool::Drill { drill, bore: plane.bore.unwrap_or(Bore::Radial) }
        }
        Method::Grind => {
            for (key, value) in
                [("grind_width_mm", plane.grind_width_mm), ("arc_max_deg", plane.arc_max_deg)]
            {
                check_positive(
                    &format!("plane.{name}.{key}"),
                    value.unwrap_or(0.0),
                    "write what the maker states",
                )?;
            }
            Tool::Grind {
                width_mm: value(plane.grind_width_mm),
                arc_max_deg: value(plane.arc_max_deg),
                density_g_cm3,
            }
        }
        Method::Add => {
            let mut masses_g = plane.masses_g.clone();
            masses_g.sort_by(f64::total_cmp);
            Tool::Add { masses_g }
        }
    })
}

/// Distance between two straight lines towards an axis, `angle` apart, from one radius in to `ends`.
fn segments_apart(ends: [f64; 2], angle: f64) -> f64 {
    let (near, far) = (ends[0].min(ends[1]), ends[0].max(ends[1]));
    // the inner end of the shallower one is nearest to the deeper one's line, where that reaches so far in
    if far * angle.cos() >= near {
        return far * angle.sin();
    }
    (near * near + far * far - 2.0 * near * far * angle.cos()).max(0.0).sqrt()
}
