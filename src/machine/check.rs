//! Whether a machine file makes sense: known keys, right types, ranges, no contradictions.

#![deny(clippy::indexing_slicing, clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::collections::BTreeMap;
use std::path::Path;

use toml::{Table, Value};

use super::keys::{ANGLE, Kind, Range, TABLES, of_table};
use super::{Bearing, Machine, Method, Plane};
use crate::error::{Error, Result};
use crate::recording::{ChannelSpec, Role};

/// How far a constant speed may exceed the top speed before the two contradict each other.
const OVERSPEED: f64 = 1.2;

/// Where each key stands in the text, for messages: byte offset and line by dotted key.
pub(super) struct Places<'a> {
    pub(super) file: &'a Path,
    pub(super) lines: BTreeMap<String, (usize, usize)>,
}

impl Places<'_> {
    /// An [`Error::Input`] at a key; at its table where the key itself is not in the text.
    pub(super) fn refuse(
        &self,
        key: &str,
        problem: impl Into<String>,
        mend: impl Into<String>,
    ) -> Error {
        let mut known = key;
        while !self.lines.contains_key(known) {
            match known.rsplit_once('.') {
                Some((table, _)) => known = table,
                None => break,
            }
        }
        let place = match self.lines.get(known) {
            Some((_, line)) => format!("line {line}, {key}"),
            None => key.to_owned(),
        };
        Error::input(self.file, place, problem, mend)
    }
}

/// Refuses unknown keys, wrong types and numbers out of range.
pub(super) fn keys(root: &Table, places: &Places<'_>) -> Result<()> {
    let plain: Vec<&str> = TABLES.iter().filter_map(|(table, _)| table.split('.').next()).collect();
    for (name, value) in root {
        let table =
            TABLES.iter().map(|row| row.0).find(|table| table.split('.').next() == Some(name));
        match table.filter(|table| !table.is_empty()) {
            Some(table) if table.contains('.') => {
                for (own, inner) in as_table(value, name, places)? {
                    let dotted = format!("{name}.{own}");
                    flat(as_table(inner, &dotted, places)?, table, &dotted, places)?;
                }
            }
            Some(table) => flat(as_table(value, name, places)?, table, name, places)?,
            None => one(name, value, "", name, &plain, places)?,
        }
    }
    Ok(())
}

fn as_table<'a>(value: &'a Value, dotted: &str, places: &Places<'_>) -> Result<&'a Table> {
    let named = TABLES.iter().any(|row| row.0.strip_suffix(".NAME") == Some(dotted));
    let header = if named { format!("[{dotted}.NAME]") } else { format!("[{dotted}]") };
    value.as_table().ok_or_else(|| {
        let problem = format!("this is {}, and a table is needed", words(value));
        places.refuse(dotted, problem, format!("write it under {header}"))
    })
}

fn flat(content: &Table, table: &str, dotted: &str, places: &Places<'_>) -> Result<()> {
    for (key, value) in content {
        one(key, value, table, &format!("{dotted}.{key}"), &[], places)?;
    }
    Ok(())
}

/// Checks one key of `table`; `others` are further names that are known there.
fn one(
    key: &str,
    value: &Value,
    table: &str,
    dotted: &str,
    others: &[&str],
    places: &Places<'_>,
) -> Result<()> {
    match of_table(table).find(|row| row.key == key) {
        Some(row) => typed(row.kind, value).map_err(|problem| {
            places.refuse(dotted, problem, format!("state {}", row.kind.words()))
        }),
        None => {
            let known = of_table(table).map(|row| row.key).chain(others.iter().copied());
            let header = if table.is_empty() { "the top".into() } else { format!("[{table}]") };
            let problem = format!("{header} has no key {key:?}");
            Err(places.refuse(dotted, problem, nearest(key, known.filter(|k| !k.is_empty()))))
        }
    }
}

/// "did you mean ..." for the known word nearest to `word`; all of them where none is near.
pub(super) fn nearest<'a>(word: &str, known: impl Iterator<Item = &'a str>) -> String {
    let mut known: Vec<&str> = known.collect();
    let lower = word.to_lowercase();
    let nearness = |candidate: &str| strsim::jaro_winkler(&lower, candidate);
    let best = known.iter().copied().max_by(|a, b| nearness(a).total_cmp(&nearness(b)));
    match best {
        Some(best) if nearness(best) >= 0.7 => format!("did you mean {best:?}?"),
        Some(_) => {
            known.sort_unstable();
            format!("known are {}", known.join(", "))
        }
        None => "remove it".into(),
    }
}

/// What a value is, in words.
fn words(value: &Value) -> String {
    match value {
        Value::String(text) => format!("the text {text:?}"),
        Value::Integer(x) => format!("the number {x}"),
        Value::Float(x) => format!("the number {x}"),
        Value::Boolean(x) => format!("{x}"),
        Value::Datetime(x) => format!("the date {x}"),
        Value::Array(_) => "a list".into(),
        Value::Table(_) => "a table".into(),
    }
}

/// The problem with a value of the given kind.
fn typed(kind: Kind, value: &Value) -> std::result::Result<(), String> {
    match (kind, value) {
        (Kind::Number(range), _) => number(range, value),
        (Kind::Whole(least), Value::Integer(x))
            if (i64::from(least)..=i64::from(u32::MAX)).contains(x) =>
        {
            Ok(())
        }
        (Kind::Text, Value::String(text)) if text.trim().is_empty() => {
            Err("the text is empty".into())
        }
        (Kind::Text, Value::String(_)) | (Kind::Flag, Value::Boolean(_)) => Ok(()),
        (Kind::Numbers(range), Value::Array(list)) => {
            list.iter().try_for_each(|x| number(range, x))
        }
        (Kind::Band, Value::Array(list)) => band(list),
        (Kind::Arcs, Value::Array(list)) => list.iter().try_for_each(arc),
        (Kind::Texts, Value::Array(list)) => match list.iter().find(|x| !x.is_str()) {
            Some(other) => Err(format!("{} stands in a list of texts", words(other))),
            None => Ok(()),
        },
        (Kind::Choice(known), Value::String(text)) if known.contains(&text.as_str()) => Ok(()),
        _ => Err(format!("this is {}", words(value))),
    }
}

fn number(range: Range, value: &Value) -> std::result::Result<(), String> {
    match as_number(value) {
        Some(x) if range.holds(x) => Ok(()),
        _ => Err(format!("this is {}", words(value))),
    }
}

fn as_number(value: &Value) -> Option<f64> {
    value.as_float().or_else(|| value.as_integer().map(|x| x as f64))
}

fn band(list: &[Value]) -> std::result::Result<(), String> {
    let [low, high] = list else {
        return Err(format!("this is a list of {}", list.len()));
    };
    match (as_number(low), as_number(high)) {
        (Some(low), Some(high)) if low > 0.0 && high > low && high.is_finite() => Ok(()),
        (Some(low), Some(high)) => Err(format!("{low} to {high} is no band")),
        _ => Err("this is a list, not of numbers".into()),
    }
}

fn arc(value: &Value) -> std::result::Result<(), String> {
    let ends: Vec<Option<f64>> = value.as_array().into_iter().flatten().map(as_number).collect();
    match ends.as_slice() {
        [Some(from), Some(to)] if from == to => Err(format!("{from} to {to} is no arc")),
        [Some(from), Some(to)] if ANGLE.holds(*from) && ANGLE.holds(*to) => Ok(()),
        [Some(from), Some(to)] => Err(format!("{from} to {to} does not lie within 0 to 360")),
        _ => Err(format!("{} stands in a list of arcs", words(value))),
    }
}

/// Refuses what contradicts itself.
pub(super) fn whole(machine: &Machine, places: &Places<'_>) -> Result<()> {
    speeds(machine, places)?;
    for (name, bearing) in &machine.bearing {
        multipliers(name, bearing, places)?;
    }
    for (name, blades) in &machine.blade {
        if blades.count == 0 {
            return Err(places.refuse(
                &format!("blade.{name}.count"),
                "the number of blades is missing",
                "state count",
            ));
        }
    }
    for (name, one) in &machine.plane {
        plane(name, one, machine, places)?;
    }
    for (name, spec) in &machine.channel {
        channel(name, spec, machine, places)?;
    }
    twins(machine, places)
}

fn speeds(machine: &Machine, places: &Places<'_>) -> Result<()> {
    let Some(top) = machine.shaft.top_rpm else { return Ok(()) };
    let shaft = &machine.shaft;
    let above = [
        ("shaft.lowest_rpm", shaft.lowest_rpm, 1.0),
        ("shaft.constant_rpm", shaft.constant_rpm, OVERSPEED),
        ("limits.from_rpm", machine.limits.from_rpm, 1.0),
        ("acceptance.full_speed_rpm", machine.acceptance.full_speed_rpm, 1.0),
    ];
    for (key, rpm, allowed) in above {
        if let Some(rpm) = rpm.filter(|rpm| *rpm > allowed * top) {
            return Err(places.refuse(
                key,
                format!("{rpm} rpm is above shaft.top_rpm, {top} rpm"),
                "correct one of them",
            ));
        }
    }
    Ok(())
}

fn multipliers(name: &str, bearing: &Bearing, places: &Places<'_>) -> Result<()> {
    match bearing.multipliers(name) {
        Ok(_) => Ok(()),
        Err(Error::Setting { name, problem, mend }) => Err(places.refuse(&name, problem, mend)),
        Err(other) => Err(other),
    }
}

fn channel(name: &str, spec: &ChannelSpec, machine: &Machine, places: &Places<'_>) -> Result<()> {
    let key = |key: &str| format!("channel.{name}.{key}");
    if let Some(bearing) = spec.bearing.as_ref().filter(|b| !machine.bearing.contains_key(*b)) {
        let mend = match machine.bearing.len() {
            0 => format!("add the table [bearing.{bearing}]"),
            _ => nearest(bearing, machine.bearing.keys().map(String::as_str)),
        };
        return Err(places.refuse(
            &key("bearing"),
            format!("there is no bearing {bearing:?}"),
            mend,
        ));
    }
    if spec.sensitivity_mv_per_unit.is_some() && spec.unit.is_none() {
        let problem = "the sensitivity is stated without a unit";
        return Err(places.refuse(&key("sensitivity_mv_per_unit"), problem, "state unit too"));
    }
    if spec.full_scale.is_some() && spec.unit.is_none() {
        let problem = "the full scale is stated without a unit";
        return Err(places.refuse(&key("full_scale"), problem, "state unit too"));
    }
    if let Some(problem) = spec.contradiction() {
        return Err(places.refuse(&key("unit"), problem, "correct role or unit"));
    }
    let of_pulses =
        [("edge", spec.edge.is_some()), ("pulses_per_turn", spec.pulses_per_turn.is_some())];
    let is_pulse = spec.role.is_none_or(|role| role == Role::Pulse);
    if let Some((wrong, _)) = of_pulses.into_iter().find(|(_, is_stated)| *is_stated && !is_pulse) {
        return Err(places.refuse(
            &key(wrong),
            "this belongs to a pulse channel",
            "remove it, or state role = \"pulse\"",
        ));
    }
    Ok(())
}

fn plane(name: &str, plane: &Plane, machine: &Machine, places: &Places<'_>) -> Result<()> {
    let refuse = |key: &str, problem: String, mend: String| {
        Err(places.refuse(&format!("plane.{name}.{key}"), problem, mend))
    };
    if let Some(row) = plane.blades.as_ref().filter(|row| !machine.blade.contains_key(*row)) {
        let mend = match machine.blade.len() {
            0 => format!("add the table [blade.{row}]"),
            _ => nearest(row, machine.blade.keys().map(String::as_str)),
        };
        return refuse("blades", format!("there is no row of blades {row:?}"), mend);
    }
    let method = plane.method;
    let of_others = [
        ("bore", plane.bore.is_some(), Method::Drill),
        ("drill_mm", plane.drill_mm.is_some(), Method::Drill),
        ("drill_point_deg", plane.drill_point_deg.is_some(), Method::Drill),
        ("grind_width_mm", plane.grind_width_mm.is_some(), Method::Grind),
        ("arc_max_deg", plane.arc_max_deg.is_some(), Method::Grind),
        ("masses_g", !plane.masses_g.is_empty(), Method::Add),
        ("fixing_max_rpm", plane.fixing_max_rpm.is_some(), Method::Add),
    ];
    if let Some((key, _, of)) = of_others.iter().find(|row| row.1 && row.2 != method) {
        let word = |method| match method {
            Method::Drill => "drill",
            Method::Grind => "grind",
            Method::Add => "add",
        };
        let problem = format!(
            "this belongs to method {:?}, and the plane's is {:?}",
            word(*of),
            word(method)
        );
        return refuse(key, problem, "remove one of them".into());
    }
    if let (Some(radius), Some(floor)) = (plane.radius_mm, plane.floor_radius_mm)
        && floor >= radius
    {
        let problem = format!("{floor} mm leaves nothing of radius_mm, {radius} mm");
        return refuse("floor_radius_mm", problem, "correct one of them".into());
    }
    if let (Some(radius), Some(drill)) = (plane.radius_mm, plane.drill_mm)
        && drill >= radius
    {
        let problem = format!("a drill of {drill} mm is too thick for radius_mm, {radius} mm");
        return refuse("drill_mm", problem, "correct one of them".into());
    }
    let arcs = || plane.zones_deg.iter().enumerate();
    for (i, zone) in arcs() {
        let twin = arcs().take(i).find(|(_, earlier)| overlap(**earlier, *zone));
        if let Some((_, earlier)) = twin {
            let problem = format!("the arcs {earlier:?} and {zone:?} overlap");
            return refuse("zones_deg", problem, "join them to one".into());
        }
    }
    Ok(())
}

/// Whether two arcs have more than an end in common.
fn overlap(a: [f64; 2], b: [f64; 2]) -> bool {
    let length =
        |arc: [f64; 2]| if arc[1] > arc[0] { arc[1] - arc[0] } else { arc[1] - arc[0] + 360.0 };
    let after = |start: f64, from: f64| (start - from).rem_euclid(360.0);
    after(b[0], a[0]) < length(a) || after(a[0], b[0]) < length(b)
}

/// Refuses channels of one number, or of names that differ in case only.
fn twins(machine: &Machine, places: &Places<'_>) -> Result<()> {
    let channels = || machine.channel.iter();
    for (i, (name, spec)) in channels().enumerate() {
        for (other, earlier) in channels().take(i) {
            if spec.number.is_some() && spec.number == earlier.number {
                let problem = format!("channel.{other} has the same number");
                return Err(places.refuse(
                    &format!("channel.{name}.number"),
                    problem,
                    "correct one",
                ));
            }
            if name.to_lowercase() == other.to_lowercase() {
                let problem = format!("channel.{other} has the same name but for capitals");
                return Err(places.refuse(&format!("channel.{name}"), problem, "rename one"));
            }
        }
    }
    Ok(())
}
