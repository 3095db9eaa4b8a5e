//! From an unbalance in a plane to the fewest holes, cuts or masses that take it away within the maker's limits.
//!
//! A heavy spot is drilled or ground at its place; a mass is added opposite. Everything stays within
//! [`Allowed`]; what cannot be reached is said, with the limit that stands in the way.

pub mod allowed;
mod breach;
mod drilled;
mod share;
mod split;
mod tool;
pub mod zones;

use serde::{Deserialize, Serialize};

pub use allowed::Allowed;
use allowed::Limit;
pub use drilled::drilled;
use split::{Found, Search};

use super::estimate::Spread;
use super::forecast::chance_within;
use super::hole::force_n;
use super::{check_positive, heavy_spot, size_at};
use crate::dsp::fft::Complex64;
use crate::error::{Error, Result};
use crate::machine::{Count, Method};
use crate::units::{grouped, three_digits, wrap_deg};

/// An angle is set no finer: a hole this close to another in degrees goes on in it.
const SETTING_DEG: f64 = 0.5;
/// What steps leave counts as reached below this share of the limit.
const CLOSE: f64 = 0.1;
/// And below this share of what drilling and estimate miss anyway: in squares it adds a tenth.
const CLOSE_TO_MISS: f64 = 0.35;

/// A larger rest still counts as reached, up to this share of the limit, where the plane is so surely within.
const CLOSE_WITHIN: f64 = 0.5;
const SURELY: f64 = 0.995;

/// A hole, a ground cut or an added mass.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Hole {
    /// How it is made.
    #[serde(default)]
    pub method: Method,
    /// Its place in degrees against the rotation from the mark: the axis of a hole, the middle of a cut.
    pub deg: f64,
    /// Diameter of the drill in mm; nought where nothing is drilled.
    #[serde(default)]
    pub drill_mm: f64,
    /// Depth to the tip of a hole, from where the drill first touches, or of a cut, in mm.
    #[serde(default)]
    pub tip_mm: f64,
    /// Depth in mm of the hole that it deepens; nought for a new one.
    #[serde(default)]
    pub from_mm: f64,
    /// Arc of a cut in degrees.
    #[serde(default)]
    pub arc_deg: f64,
    /// Unbalance in g mm that it takes away or adds; of a deepened hole the gain alone.
    pub g_mm: f64,
    /// Mass in g that it takes away or adds; of a deepened hole the gain alone.
    pub mass_g: f64,
}

impl Hole {
    /// Change of the unbalance that it makes, in g mm.
    pub fn change(&self) -> Complex64 {
        match self.method {
            Method::Add => heavy_spot(self.g_mm, self.deg),
            Method::Drill | Method::Grind => -heavy_spot(self.g_mm, self.deg),
        }
    }

    /// Whether it goes on in another hole: no two holes of their own lie within a degree.
    pub fn deepens(&self, other: &Self) -> bool {
        self.from_mm > 0.0
            && self.method == other.method
            && apart_deg(self.deg, other.deg) <= SETTING_DEG
    }

    /// The holes as they are after some more were made: one that was deepened stands once, with all that is
    /// gone at its place.
    pub fn after(holes: &[Self], more: &[Self]) -> Vec<Self> {
        let mut all: Vec<Self> = Vec::with_capacity(holes.len() + more.len());
        for hole in holes.iter().chain(more) {
            match all.iter_mut().find(|earlier| hole.deepens(earlier)) {
                Some(earlier) => {
                    earlier.tip_mm = earlier.tip_mm.max(hole.tip_mm);
                    earlier.g_mm += hole.g_mm;
                    earlier.mass_g += hole.mass_g;
                }
                None => all.push(*hole),
            }
        }
        all
    }
}

/// Degrees between two angles, 0 to 180.
pub(crate) fn apart_deg(a: f64, b: f64) -> f64 {
    let apart = wrap_deg(a - b);
    apart.min(360.0 - apart)
}

fn total_mass_g(holes: &[Hole]) -> f64 {
    holes.iter().map(|hole| hole.mass_g).sum()
}

/// What is known of the unbalance in a plane, and what is asked.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Need {
    /// Most probable unbalance in g mm.
    pub unbalance: Complex64,
    /// Standard deviation of both its parts in g mm.
    pub deviation_g_mm: f64,
    /// How exactly metal is taken away or added.
    pub spread: Spread,
    /// Permissible unbalance in g mm.
    pub limit_g_mm: f64,
}

/// What to drill, grind or add in a plane, and what to expect of it.
#[derive(Debug, Clone, PartialEq)]
pub struct Plan {
    /// The holes, in the order of their angles; none where there is nothing to do, or nothing may be done.
    pub holes: Vec<Hole>,
    /// Change of the unbalance in g mm: what the holes take away, negative.
    pub planned: Complex64,
    /// Most probable unbalance after it, in g mm.
    pub residual: Complex64,
    /// Standard deviation of both parts of that, from the estimate and from the drilling.
    pub residual_spread_g_mm: f64,
    /// Probability that the plane is within its limit after it.
    pub chance_within: f64,
    /// Share of the unbalance that is deliberately left.
    pub undershoot: f64,
    /// What the technician has to know, a sentence each.
    pub notes: Vec<String>,
}

/// The plan for a plane: the fewest places, at angles and depths that can be set, whose sum comes within what
/// the steps leave of the wanted vector.
///
/// `old` are the holes that are there. What drilling misses is taken as its [`Spread`] of the whole vector, or of
/// each hole on its own, whichever is more.
///
/// # Errors
/// [`Error::Setting`] where the limit is no positive number, or a number of the unbalance or of an old hole is
/// none.
pub fn plan(allowed: &Allowed, old: &[Hole], need: &Need) -> Result<Plan> {
    check(old, need)?;
    let old = Hole::after(&[], old);
    let sign = if allowed.is_added() { -1.0 } else { 1.0 };
    let share = share_of(allowed, need);
    let wanted = need.unbalance * share * sign;
    let close = closeness(need, wanted.norm());
    let found =
        if wanted.norm() > 0.0 { Search::new(allowed, &old).run(wanted, close) } else { nothing() };
    let mut holes = found.holes;
    holes.sort_by(|a, b| a.deg.total_cmp(&b.deg));
    let planned = -found.sum * sign;
    let residual = need.unbalance + planned;
    let residual_spread_g_mm = need.deviation_g_mm.hypot(missed(&holes, planned, need.spread));
    let mut notes = Vec::new();
    let left = wanted - found.sum;
    if left.norm() > close {
        notes.push(left_note(allowed, &old, wanted, left, close));
    } else if share < 1.0 {
        notes.push(format!(
            "{:.0} % of the unbalance is left on purpose: drilling scatters, and too much gone costs metal on \
             the other side too",
            100.0 * residual.norm() / need.unbalance.norm()
        ));
    }
    notes.extend(deepened_note(&holes, allowed.count));
    notes.extend(force_note(allowed, &holes));
    Ok(Plan {
        chance_within: chance_within(residual.norm(), residual_spread_g_mm, need.limit_g_mm),
        holes,
        planned,
        residual,
        residual_spread_g_mm,
        undershoot: 1.0 - share,
        notes,
    })
}

fn check(old: &[Hole], need: &Need) -> Result<()> {
    check_positive("limit_g_mm", need.limit_g_mm, "state the permissible unbalance of the plane")?;
    let spread = need.spread;
    let stated = [need.deviation_g_mm, spread.share, spread.angle_rad];
    let is_sound = |value: &f64| value.is_finite() && *value >= 0.0;
    if !(need.unbalance.is_finite() && stated.iter().all(is_sound)) {
        let problem = "the unbalance or its spread is no number";
        return Err(Error::setting("unbalance", problem, "correct the readings it comes from"));
    }
    let sizes = |hole: &Hole| {
        [hole.drill_mm, hole.tip_mm, hole.from_mm, hole.arc_deg, hole.g_mm, hole.mass_g]
    };
    let unsound =
        old.iter().position(|hole| !(hole.deg.is_finite() && sizes(hole).iter().all(is_sound)));
    match unsound {
        None => Ok(()),
        Some(place) => {
            let problem = format!("a size or the angle of hole {} is none", place + 1);
            Err(Error::setting("holes", problem, "write angle and depth as they were drilled"))
        }
    }
}

fn nothing() -> Found {
    Found { holes: Vec::new(), sum: Complex64::ZERO }
}

/// The share of the unbalance to take away; what is added can be taken off again.
fn share_of(allowed: &Allowed, need: &Need) -> f64 {
    if allowed.is_added() {
        return 1.0;
    }
    share::Cut {
        size_g_mm: need.unbalance.norm(),
        deviation_g_mm: need.deviation_g_mm,
        spread: need.spread,
        limit_g_mm: need.limit_g_mm,
    }
    .share()
}

/// Below this, in g mm, a rest beside the `wanted` vector counts as reached: a further hole would not be worth it.
fn closeness(need: &Need, wanted_g_mm: f64) -> f64 {
    let spread = (0.5 * (need.spread.share.powi(2) + need.spread.angle_rad.powi(2))).sqrt();
    let deviation = need.deviation_g_mm.hypot(wanted_g_mm * spread);
    let limit = need.limit_g_mm;
    let on_purpose = (need.unbalance.norm() - wanted_g_mm).max(0.0);
    let is_within = |rest: &f64| chance_within(rest + on_purpose, deviation, limit) >= SURELY;
    let tried = (0..8).map(|i| (CLOSE_WITHIN - 0.05 * f64::from(i)) * limit);
    let surely = tried.filter(is_within).fold(0.0, f64::max);
    (CLOSE * limit).max(CLOSE_TO_MISS * deviation).max(surely)
}

/// Standard deviation of both parts of what drilling misses.
fn missed(holes: &[Hole], planned: Complex64, spread: Spread) -> f64 {
    let of_each: f64 = holes.iter().map(|hole| hole.g_mm.powi(2)).sum();
    let square = of_each.max(planned.norm_sqr());
    (0.5 * square * (spread.share.powi(2) + spread.angle_rad.powi(2))).sqrt()
}

/// An angle as the machine file counts it.
fn told_deg(deg: f64, count: Count) -> String {
    let digits = format!("{:.1}", count.turned(deg));
    crate::units::without_noughts(&digits).to_owned()
}

/// What cannot be reached, and the limit without which it, or most of it, could.
fn left_note(
    allowed: &Allowed,
    old: &[Hole],
    wanted: Complex64,
    left: Complex64,
    close: f64,
) -> String {
    let (size, deg) = size_at(left);
    let told = format!(
        "{} of the {} g mm wanted cannot be done within the limits, at {} degrees",
        three_digits(size),
        three_digits(wanted.norm()),
        told_deg(deg, allowed.count)
    );
    let without = |limit: Limit| {
        let free = allowed.without(limit)?;
        let found = Search::new(&free, old).run(wanted, close);
        Some(((wanted - found.sum).norm(), limit))
    };
    let best = Limit::ALL.into_iter().filter_map(without).min_by(|a, b| a.0.total_cmp(&b.0));
    match best {
        Some((rest, limit)) if rest < 0.9 * size => {
            format!("{told}: {} stands in the way", limit.key())
        }
        _ => format!("{told}: several limits stand in the way together"),
    }
}

fn deepened_note(holes: &[Hole], count: Count) -> Option<String> {
    let deeper = holes.iter().filter(|hole| hole.from_mm > 0.0);
    let told: Vec<String> = deeper
        .map(|hole| {
            format!(
                "that at {} degrees from {:.2} to {:.2} mm",
                told_deg(hole.deg, count),
                hole.from_mm,
                hole.tip_mm
            )
        })
        .collect();
    (!told.is_empty())
        .then(|| format!("holes that are there are drilled deeper: {}", told.join(", ")))
}

/// The pull on what is added.
fn force_note(allowed: &Allowed, holes: &[Hole]) -> Option<String> {
    let heaviest = holes.iter().map(|hole| hole.g_mm).fold(0.0, f64::max);
    (allowed.is_added() && heaviest > 0.0).then(|| {
        format!(
            "at {} rpm up to {} N pull at an added mass: fix it only as the maker allows, and check it before the spin",
            grouped(allowed.top_rpm),
            three_digits(force_n(heaviest, allowed.top_rpm))
        )
    })
}

#[cfg(test)]
mod tests;
