//! Reading and writing the machine file.

#![deny(clippy::indexing_slicing, clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::collections::BTreeMap;
use std::path::Path;

use serde::Deserialize;
use sha2::{Digest, Sha256};
use toml::de::{DeTable, DeValue};
use toml::{Spanned, Table, Value};

use super::Machine;
use super::check::{self, Places};
use super::keys::TABLES;
use crate::error::{Error, Result};
use crate::units::Unit;

/// The format that is read.
const FORMAT: i64 = 1;
/// The largest file in bytes that people write.
const MAX_BYTES: u64 = 4 << 20;

/// Reads a machine file.
///
/// # Errors
/// [`Error::Io`] where the file cannot be read; else as [`from_text`].
pub fn read(path: &Path) -> Result<Machine> {
    from_text(&read_text(path, "a machine file")?, path)
}

/// The text of a TOML file that people write; `what` it should be is for messages.
pub(crate) fn read_text(path: &Path, what: &str) -> Result<String> {
    let io = |e| Error::io(path, e);
    let meta = std::fs::metadata(path).map_err(io)?;
    if !meta.is_file() {
        return Err(Error::input(path, "", "this is no file", "name a TOML file"));
    }
    let bytes_there = meta.len();
    if bytes_there > MAX_BYTES {
        return Err(Error::input(
            path,
            "",
            format!("it has {bytes_there} bytes, too many for {what}"),
            "name a TOML file",
        ));
    }
    let bytes = std::fs::read(path).map_err(io)?;
    String::from_utf8(bytes).map_err(|e| {
        let place = format!("byte {}", e.utf8_error().valid_up_to());
        Error::input(path, place, "this is no text in UTF-8", "name a TOML file, saved as UTF-8")
    })
}

/// The machine of a file's text; `path` is for messages only.
///
/// # Errors
/// [`Error::Input`] naming line, key and mend where the text is no TOML, a key is not known, a value
/// has the wrong type or range, or two statements contradict each other.
pub fn from_text(text: &str, path: &Path) -> Result<Machine> {
    let spanned = DeTable::parse(text).map_err(|e| syntax(text, path, &e))?;
    let mut places = Places { file: path, lines: BTreeMap::new() };
    locate(text, "", spanned.get_ref(), &mut places.lines);
    let mut table: Table = toml::from_str(text).map_err(|e| syntax(text, path, &e))?;
    check_format(&table, &places)?;
    settle_units(&mut table);
    check::keys(&table, &places)?;
    let mut machine = Machine::deserialize(table)
        .map_err(|e| Error::input(path, "", e.message().to_owned(), "correct the file"))?;
    name_channels(&mut machine, &places);
    check::whole(&machine, &places)?;
    Ok(machine)
}

/// Checks a machine that was made in memory as if it came from a file; `path` is for messages only.
///
/// # Errors
/// As [`from_text`], without lines.
pub fn validate(machine: &Machine, path: &Path) -> Result<()> {
    let places = Places { file: path, lines: BTreeMap::new() };
    let table = table_of(machine);
    check_format(&table, &places)?;
    check::keys(&table, &places)?;
    check::whole(machine, &places)
}

/// The machine as a complete file: all that was stated and all defaults that are not empty, in a
/// fixed order. [`from_text`] gives the same machine back.
pub fn resolved_toml(machine: &Machine) -> String {
    let root = table_of(machine);
    let mut text = String::new();
    for (table, _) in TABLES {
        match (table.strip_suffix(".NAME"), root.get(*table)) {
            (Some(family), _) => {
                let Some(Value::Table(members)) = root.get(family) else { continue };
                for name in member_names(machine, family, members) {
                    let Some(Value::Table(member)) = members.get(&name) else { continue };
                    section(&mut text, &format!("{family}.{}", quoted(&name)), member);
                }
            }
            (None, Some(Value::Table(content))) if !content.is_empty() => {
                section(&mut text, table, content);
            }
            _ if table.is_empty() => {
                let plain = root.iter().filter(|(_, value)| !value.is_table());
                let top: Table = plain.map(|(k, v)| (k.clone(), v.clone())).collect();
                text.push_str(&top.to_string());
            }
            _ => {}
        }
    }
    text
}

/// SHA-256 in hexadecimal of [`resolved_toml`].
pub fn sha256(machine: &Machine) -> String {
    let hash = Sha256::digest(resolved_toml(machine));
    hash.iter().map(|byte| format!("{byte:02x}")).collect()
}

/// The machine as a TOML table with the keys of a file only.
fn table_of(machine: &Machine) -> Table {
    // fails for no machine whose numbers fit in 63 bits
    let mut root = Table::try_from(machine).unwrap_or_default();
    if let Some(Value::Table(channels)) = root.get_mut("channel") {
        for (_, channel) in channels.iter_mut() {
            if let Value::Table(channel) = channel {
                channel.remove("name");
            }
        }
    }
    root
}

/// Names of a family's tables: channels in file order, which may decide what they belong to.
fn member_names(machine: &Machine, family: &str, members: &Table) -> Vec<String> {
    let mut names: Vec<String> = members.keys().cloned().collect();
    if family == "channel" {
        names.sort_by_key(|name| machine.channel.get(name).map(|spec| spec.order));
    }
    names
}

fn section(text: &mut String, header: &str, content: &Table) {
    text.push_str(&format!("\n[{header}]\n{content}"));
}

/// A name as it may stand in a table's header.
fn quoted(name: &str) -> String {
    let is_bare = |c: char| c.is_ascii_alphanumeric() || matches!(c, '_' | '-');
    if !name.is_empty() && name.chars().all(is_bare) {
        name.to_owned()
    } else {
        Value::from(name).to_string()
    }
}

fn syntax(text: &str, path: &Path, error: &toml::de::Error) -> Error {
    let place =
        error.span().map_or(String::new(), |span| format!("line {}", line(text, span.start)));
    Error::input(path, place, error.message().replace('\n', ", "), "correct the TOML")
}

/// The line of a byte offset, counted from 1.
fn line(text: &str, offset: usize) -> usize {
    text.bytes().take(offset).filter(|b| *b == b'\n').count() + 1
}

/// Writes down where every key stands.
fn locate(
    text: &str,
    prefix: &str,
    table: &DeTable<'_>,
    lines: &mut BTreeMap<String, (usize, usize)>,
) {
    for (key, value) in table {
        let name: &str = key.get_ref();
        let dotted = if prefix.is_empty() { name.to_owned() } else { format!("{prefix}.{name}") };
        let offset = key.span().start;
        if let DeValue::Table(inner) = Spanned::get_ref(value) {
            locate(text, &dotted, inner, lines);
        }
        lines.insert(dotted, (offset, line(text, offset)));
    }
}

fn check_format(table: &Table, places: &Places<'_>) -> Result<()> {
    match table.get("format") {
        None => Err(places.refuse("format", "it is missing", "write format = 1 at the top")),
        Some(Value::Integer(FORMAT)) => Ok(()),
        Some(other) => Err(places.refuse(
            "format",
            format!("this is {other}, and format {FORMAT} can be read"),
            "write format = 1, or use the release that the file was written for",
        )),
    }
}

/// Writes units as the table of units does, however they were typed (`m/s²`).
fn settle_units(table: &mut Table) {
    let Some(Value::Table(channels)) = table.get_mut("channel") else { return };
    for (_, channel) in channels.iter_mut() {
        let unit = channel.as_table_mut().and_then(|channel| channel.get_mut("unit"));
        if let Some(Value::String(symbol)) = unit
            && let Some(unit) = Unit::from_symbol(symbol)
        {
            *symbol = unit.symbol().to_owned();
        }
    }
}

/// Tells every channel its name and its place in the file.
fn name_channels(machine: &mut Machine, places: &Places<'_>) {
    let offset = |name: &str| places.lines.get(&format!("channel.{name}")).map(|place| place.0);
    let mut names: Vec<String> = machine.channel.keys().cloned().collect();
    names.sort_by_key(|name| offset(name));
    for (order, name) in names.into_iter().enumerate() {
        if let Some(spec) = machine.channel.get_mut(&name) {
            spec.order = order;
            spec.name = name;
        }
    }
}
