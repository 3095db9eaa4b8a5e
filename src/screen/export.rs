//! Rows as a table of columns, and as a CSV file.

use std::fmt::Display;
use std::io::Write;
use std::path::Path;

use super::Row;
use crate::error::{Error, Result};
use crate::simulate::write_whole;

/// What every exported table begins with: its first columns.
pub const MARK: &str = "path,serial,date,verdict,reason,speed_source,";

/// The values of one column, one for each row.
#[derive(Debug, Clone, PartialEq)]
pub enum Column {
    /// Text; `None` where there is none.
    Text(Vec<Option<String>>),
    /// A number; `None` where there is none.
    Number(Vec<Option<f64>>),
    /// A whole number.
    Count(Vec<u64>),
}

/// The rows as named columns; units stand in the names.
///
/// Fixed columns come first, then one for each level that any row has, `CHANNEL ID (UNIT)`, in the order in
/// which they first come. `worst_` is the level highest over its limit, `finding` the first fault.
pub fn columns(rows: &[Row]) -> Vec<(String, Column)> {
    let text = |of: &dyn Fn(&Row) -> Option<&str>| {
        Column::Text(rows.iter().map(|row| of(row).map(str::to_owned)).collect())
    };
    let number = |of: &dyn Fn(&Row) -> Option<f64>| Column::Number(rows.iter().map(of).collect());
    let count = |of: &dyn Fn(&Row) -> u64| Column::Count(rows.iter().map(of).collect());
    let mut columns: Vec<(String, Column)> = [
        ("path", text(&|row| Some(&row.key.path))),
        ("serial", text(&|row| row.serial.as_deref())),
        ("date", text(&|row| row.date.as_deref())),
        ("verdict", text(&|row| Some(row.outcome.word()))),
        ("reason", text(&|row| Some(&row.reason))),
        ("speed_source", text(&|row| Some(&row.speed.as_ref()?.source))),
        ("min_rpm", number(&|row| row.speed.as_ref()?.min_rpm)),
        ("max_rpm", number(&|row| row.speed.as_ref()?.max_rpm)),
        ("speed_error_percent", number(&|row| row.speed.as_ref()?.error_percent)),
        ("worst_ratio", number(&|row| Some(row.worst.as_ref()?.ratio))),
        ("worst_channel", text(&|row| Some(&row.worst.as_ref()?.channel))),
        ("worst_level", text(&|row| Some(&row.worst.as_ref()?.id))),
        ("finding", text(&|row| Some(&row.first_fault()?.fault))),
        ("finding_place", text(&|row| row.first_fault()?.place.as_deref())),
        ("finding_confidence", number(&|row| row.first_fault()?.confidence)),
        ("findings", count(&|row| row.findings.len() as u64)),
        ("notes", count(&|row| row.notes as u64)),
        ("duration_s", number(&|row| row.duration_s)),
        ("size_bytes", count(&|row| row.key.size)),
        ("mtime", text(&|row| row.key.mtime.as_deref())),
        ("sha256", text(&|row| row.sha256.as_deref())),
        ("settings_sha256", text(&|row| Some(&row.key.settings_sha256))),
        ("error", text(&|row| row.error.as_deref())),
    ]
    .map(|(name, column)| (name.to_owned(), column))
    .into();
    columns.extend(levels(rows));
    columns
}

/// One column for each level.
fn levels(rows: &[Row]) -> Vec<(String, Column)> {
    let mut places = std::collections::HashMap::new();
    let mut columns: Vec<(String, Vec<Option<f64>>)> = Vec::new();
    for (at, row) in rows.iter().enumerate() {
        for level in &row.levels {
            let name = format!("{} {} ({})", level.channel, level.id, level.unit);
            let place = *places.entry(name.clone()).or_insert_with(|| {
                columns.push((name, vec![None; rows.len()]));
                columns.len() - 1
            });
            if let Some(value) = columns.get_mut(place).and_then(|(_, values)| values.get_mut(at)) {
                *value = level.value;
            }
        }
    }
    columns.into_iter().map(|(name, values)| (name, Column::Number(values))).collect()
}

/// The rows as CSV (RFC 4180, with line feeds), the names of the columns first.
///
/// A text that a spreadsheet would take for a formula is led by an apostrophe.
///
/// # Errors
/// [`Error::Bug`] where the table cannot be written, which memory always can.
pub fn csv(rows: &[Row]) -> Result<Vec<u8>> {
    fn plain(value: Option<impl Display>) -> String {
        value.map(|value| value.to_string()).unwrap_or_default()
    }
    let columns = columns(rows);
    let mut writer = csv::Writer::from_writer(Vec::new());
    let fault =
        |error: &dyn Display| Error::Bug(format!("a table that cannot be written: {error}"));
    writer
        .write_record(columns.iter().map(|(name, _)| harmless(name)))
        .map_err(|error| fault(&error))?;
    for at in 0..rows.len() {
        let cells = columns.iter().map(|(_, column)| match column {
            Column::Text(values) => {
                values.get(at).and_then(Option::as_deref).map_or_else(String::new, harmless)
            }
            Column::Number(values) => plain(values.get(at).copied().flatten()),
            Column::Count(values) => plain(values.get(at)),
        });
        writer.write_record(cells).map_err(|error| fault(&error))?;
    }
    writer.into_inner().map_err(|error| fault(&error))
}

fn harmless(text: &str) -> String {
    match text.starts_with(['=', '+', '-', '@', '\t', '\r']) {
        true => format!("'{text}"),
        false => text.to_owned(),
    }
}

/// Writes the rows as a CSV file, whole or not at all.
///
/// # Errors
/// [`Error::Input`] where a file is there that is no such table: it could be a recording, which nobody can
/// make again. [`Error::Io`] where the system refuses.
pub fn write_csv(rows: &[Row], path: &Path) -> Result<()> {
    check_replaceable(path)?;
    let bytes = csv(rows)?;
    write_whole(path, |file| file.write_all(&bytes).map_err(|source| Error::io(path, source)))
}

/// Refuses a path at which [`write_csv`] would replace what is no table of a screen.
///
/// # Errors
/// As [`write_csv`].
pub fn check_replaceable(path: &Path) -> Result<()> {
    let start = match std::fs::read(path) {
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok(()),
        other => other.map_err(|source| Error::io(path, source))?,
    };
    if start.is_empty() || start.starts_with(MARK.as_bytes()) {
        return Ok(());
    }
    let problem = "it is there already and is no table of a screen";
    Err(Error::input(path, "", problem, "choose another name for the table"))
}

#[cfg(test)]
mod tests {
    use std::fs;

    use super::*;
    use crate::case::Decision;
    use crate::screen::Outcome;
    use crate::screen::row::{RowLevel, SpeedRange, tests::bare};

    fn rows() -> Vec<Row> {
        let level = |channel: &str, value| RowLevel {
            channel: channel.to_owned(),
            id: "overall_velocity".to_owned(),
            value,
            unit: "mm/s rms".to_owned(),
            at_rpm: None,
            limit: None,
            decision: Decision::NoLimit,
        };
        let speed = SpeedRange {
            source: "pulse".to_owned(),
            min_rpm: Some(18_213.5),
            max_rpm: None,
            error_percent: None,
        };
        let first = Row {
            serial: Some("=1+1".to_owned()),
            speed: Some(speed),
            levels: vec![level("front, \"a\"", Some(0.25)), level("rear", None)],
            ..bare("/a/µ 1.wav", Outcome::Reject)
        };
        let second =
            Row { levels: vec![level("rear", Some(7.0))], ..bare("/a/2.wav", Outcome::Accept) };
        vec![first, second]
    }

    #[test]
    fn columns_hold_one_value_for_each_row() {
        let columns = columns(&rows());
        let of = |name: &str| &columns.iter().find(|(own, _)| own == name).expect(name).1;
        assert_eq!(of("min_rpm"), &Column::Number(vec![Some(18_213.5), None]));
        assert_eq!(of("size_bytes"), &Column::Count(vec![3, 3]));
        let words = ["reject", "accept"].map(|word| Some(word.to_owned())).to_vec();
        assert_eq!(of("verdict"), &Column::Text(words));
        assert_eq!(of("rear overall_velocity (mm/s rms)"), &Column::Number(vec![None, Some(7.0)]));
        assert_eq!(columns.len(), 25);
    }

    #[test]
    fn the_table_reads_back() {
        let text = csv(&rows()).expect("a table");
        assert!(text.starts_with(MARK.as_bytes()));
        let mut reader = csv::Reader::from_reader(&text[..]);
        let names = reader.headers().expect("names").clone();
        let read: Vec<csv::StringRecord> =
            reader.records().map(|row| row.expect("a row")).collect();
        let cell = |row: usize, name: &str| {
            let at = names.iter().position(|own| own == name).expect(name);
            read[row][at].to_owned()
        };
        assert_eq!(read.len(), 2);
        assert_eq!(cell(0, "path"), "/a/µ 1.wav");
        assert_eq!(cell(0, "serial"), "'=1+1", "no formula");
        assert_eq!(cell(0, "min_rpm"), "18213.5");
        assert_eq!(cell(1, "min_rpm"), "");
        assert_eq!(cell(0, "front, \"a\" overall_velocity (mm/s rms)"), "0.25");
    }

    #[test]
    fn a_table_replaces_tables_alone() {
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().join("table.csv");
        for _ in 0..2 {
            write_csv(&rows(), &path).expect("written");
        }
        assert_eq!(fs::read(&path).expect("a table"), csv(&rows()).expect("a table"));
        assert_eq!(fs::read_dir(folder.path()).expect("a folder").count(), 1, "no part is left");
        fs::write(&path, "front\n1\n").expect("a recording");
        let error = write_csv(&rows(), &path).expect_err("refused").to_string();
        assert!(error.contains("table.csv: it is there already"), "{error}");
        assert_eq!(fs::read(&path).expect("still there"), b"front\n1\n");
    }
}
