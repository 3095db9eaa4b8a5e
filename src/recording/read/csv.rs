//! CSV files: comma, semicolon or tab; with or without header, units, time column, decimal comma.

#![deny(clippy::indexing_slicing, clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::borrow::Cow;
use std::io::BufReader;

use csv::ByteRecord;

use super::guess;
use super::source::{BLOCK, Source};
use super::timebase::{self, Timebase};
use super::{Column, Content, MAX_CHANNELS, ReadOptions, settle_rate};
use crate::error::{Error, Result};
use crate::units::Unit;

pub(super) fn read(source: &mut Source<'_>, options: &ReadOptions) -> Result<Content> {
    let dialect = Dialect::of(&source.at(0, BLOCK)?);
    let table = Table::read(source, dialect)?;
    table.into_content(source, options)
}

/// What parts columns. Where it is no comma, a comma within a number is a decimal comma.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Dialect {
    delimiter: u8,
    /// Whether lines end with a carriage return too.
    has_returns: bool,
}

impl Dialect {
    /// The dialect of a file that begins with `head`: tab or semicolon wherever there is one, else
    /// comma.
    fn of(head: &[u8]) -> Self {
        let text = text_of(head);
        let lines = || text.lines().filter(|line| !line.starts_with('#')).take(20);
        let delimiter = [b'\t', b';']
            .into_iter()
            .find(|d| lines().any(|line| line.as_bytes().contains(d)))
            .unwrap_or(b',');
        Self { delimiter, has_returns: text.contains("\r\n") }
    }

    /// The line of the record just read, where the reader stands in `now` and the record before was on
    /// `before`: comments and empty lines belong to none, and of a carriage return and a line feed the
    /// reader has taken the first only.
    fn line(self, now: u64, before: u64) -> u64 {
        let of_end = if self.has_returns { now } else { now.saturating_sub(1) };
        // the last line may end without either
        of_end.max(before + 1)
    }

    fn number(self, cell: &str) -> Option<f64> {
        let cell = cell.trim();
        if self.delimiter != b',' && cell.contains(',') {
            cell.replacen(',', ".", 1).parse().ok()
        } else {
            cell.parse().ok()
        }
    }
}

/// Text of bytes in UTF-8 or, failing that, Latin-1.
fn text_of(bytes: &[u8]) -> Cow<'_, str> {
    match std::str::from_utf8(bytes) {
        Ok(text) => Cow::Borrowed(text),
        Err(_) => Cow::Owned(bytes.iter().map(|&b| char::from(b)).collect()),
    }
}

/// Name and unit of a column, as in `front [g]`.
#[derive(Debug, Clone, Default, PartialEq)]
pub(super) struct Label {
    pub(super) name: String,
    pub(super) unit: Option<Unit>,
    /// Whether the name is one by which times are known.
    is_time: bool,
    /// Factor to seconds of the unit of time that the label states.
    to_seconds: Option<f64>,
    /// What stands in brackets and is no known unit.
    unknown_unit: Option<String>,
}

/// Names by which a column of times is known, with the factor to seconds.
const TIME_NAMES: &[(&str, f64)] = &[
    ("time", 1.0),
    ("t", 1.0),
    ("s", 1.0),
    ("sec", 1.0),
    ("seconds", 1.0),
    ("time_s", 1.0),
    ("t_s", 1.0),
    ("ms", 1e-3),
    ("milliseconds", 1e-3),
    ("time_ms", 1e-3),
    ("t_ms", 1e-3),
    ("us", 1e-6),
    ("microseconds", 1e-6),
    ("time_us", 1e-6),
];

/// Units of time as they stand in brackets or below the name, with the factor to seconds.
const TIME_UNITS: &[(&str, f64)] = &[
    ("s", 1.0),
    ("sec", 1.0),
    ("seconds", 1.0),
    ("ms", 1e-3),
    ("milliseconds", 1e-3),
    ("us", 1e-6),
    ("microseconds", 1e-6),
    ("ns", 1e-9),
    ("nanoseconds", 1e-9),
    ("min", 60.0),
    ("minutes", 60.0),
    ("h", 3600.0),
    ("hours", 3600.0),
];

/// Names of a column that counts samples.
const COUNT_NAMES: &[&str] = &["n", "no", "sample", "samples", "index", "number"];

impl Label {
    /// Reads a label; brackets that hold no unit belong to the name.
    pub(super) fn parse(text: &str) -> Self {
        let text = text.trim().trim_matches('"').trim();
        let parts = text
            .strip_suffix([']', ')'])
            .and_then(|inner| inner.rsplit_once(['[', '(']))
            .map(|(name, unit)| (name.trim(), unit.trim()));
        let Some((name, unit)) = parts else {
            let to_seconds = factor(TIME_NAMES, text);
            let is_time = to_seconds.is_some();
            return Self { name: text.into(), is_time, to_seconds, ..Self::default() };
        };
        if let Some(unit) = Unit::from_symbol(unit) {
            return Self { name: name.into(), unit: Some(unit), ..Self::default() };
        }
        let is_time = factor(TIME_NAMES, name).is_some();
        let to_seconds = factor(TIME_UNITS, unit);
        let unknown_unit = to_seconds.is_none().then(|| unit.to_owned());
        let name = if is_time { name } else { text };
        Self { name: name.into(), unit: None, is_time, to_seconds, unknown_unit }
    }
}

fn factor(table: &[(&str, f64)], word: &str) -> Option<f64> {
    let lower = word.to_lowercase().replace(['µ', 'μ'], "u");
    table.iter().find(|row| row.0 == lower).map(|row| row.1)
}

/// What the rows so far amount to.
struct Table {
    labels: Vec<Label>,
    has_header: bool,
    /// Column that may hold times, kept in double precision.
    time: Option<usize>,
    times: Vec<f64>,
    /// Line of each row in the file is `first_line + row` unless lines are skipped; kept for messages.
    lines: Lines,
    columns: Vec<Vec<f32>>,
    /// Whether commas part columns of which no number so far has a decimal point.
    whole: bool,
    notes: Vec<String>,
}

/// Line numbers of rows: runs of consecutive lines.
#[derive(Default)]
struct Lines(Vec<(usize, u64)>);

impl Lines {
    fn push(&mut self, row: usize, line: u64) {
        let expected = self.0.last().map(|(from, first)| first + (row - from) as u64);
        if expected != Some(line) {
            self.0.push((row, line));
        }
    }

    fn of(&self, row: usize) -> u64 {
        let run = self.0.iter().rev().find(|(from, _)| *from <= row);
        run.map_or(0, |(from, first)| first + (row - from) as u64)
    }
}

impl Table {
    fn read(source: &mut Source<'_>, dialect: Dialect) -> Result<Self> {
        source.seek(0)?;
        let ends_whole = ends_with_newline(source)?;
        source.seek(0)?;
        let mut rows = csv::ReaderBuilder::new()
            .delimiter(dialect.delimiter)
            .has_headers(false)
            .flexible(true)
            .comment(Some(b'#'))
            .from_reader(BufReader::with_capacity(BLOCK, source.handle()?));
        let mut record = ByteRecord::new();
        let mut table: Option<Self> = None;
        let mut heads: Vec<Head> = Vec::new();
        let mut torn: Option<Error> = None;
        let (mut reported, mut line) = (0, 0);
        while read_record(source, &mut rows, &mut record)? {
            if let Some(error) = torn.take() {
                return Err(error);
            }
            line = dialect.line(rows.position().line(), line);
            if table.is_none() && heads.len() < 2 && is_head(&record, dialect) {
                let cells = record.iter().map(|cell| text_of(cell).trim().to_owned()).collect();
                heads.push(Head { line, cells });
                continue;
            }
            let table = match &mut table {
                Some(table) => table,
                None => table.insert(Self::begin(source, &heads, &record, dialect)?),
            };
            torn = table.push(source, &record, dialect, line).err();
            let done = rows.position().byte();
            if done > reported + BLOCK as u64 {
                reported = done;
                source.step(reported)?;
            }
        }
        match (torn, ends_whole) {
            (Some(error), true) => return Err(error),
            (Some(_), false) => {
                if let Some(table) = &mut table {
                    table.notes.push("the last line is incomplete and is left out".into());
                }
            }
            (None, _) => {}
        }
        table.ok_or_else(|| {
            source.refuse("", "this is text without a line of numbers", "export it again")
        })
    }

    /// A table whose first row of numbers is `record`.
    fn begin(
        source: &Source<'_>,
        heads: &[Head],
        record: &ByteRecord,
        dialect: Dialect,
    ) -> Result<Self> {
        let mut width = record.len();
        let head = heads.first();
        let is_blank = |cells: Option<&str>| cells.is_none_or(|cell| cell.trim().is_empty());
        // lines that end with a delimiter have one empty column too many
        let last = record.get(width.saturating_sub(1)).map(text_of);
        if width > 1
            && is_blank(last.as_deref())
            && head.is_none_or(|h| is_blank(h.cells.get(width - 1).map(String::as_str)))
        {
            width -= 1;
        }
        if width > MAX_CHANNELS {
            return Err(source.refuse(
                "",
                format!("there are {width} columns; {MAX_CHANNELS} can be read"),
                "split the file",
            ));
        }
        let labels = labels(source, heads, width)?;
        let named = labels.iter().position(|label| label.is_time);
        let time = named.or((width > 1).then_some(0));
        Ok(Self {
            labels,
            has_header: !heads.is_empty(),
            time,
            times: Vec::new(),
            lines: Lines::default(),
            columns: vec![Vec::new(); width],
            whole: dialect.delimiter == b',' && width > 1,
            notes: Vec::new(),
        })
    }

    fn push(
        &mut self,
        source: &Source<'_>,
        record: &ByteRecord,
        dialect: Dialect,
        line: u64,
    ) -> Result<()> {
        let width = self.columns.len();
        let extra_is_blank = record.len() == width + 1
            && record.get(width).is_some_and(|cell| cell.trim_ascii().is_empty());
        if record.len() != width && !extra_is_blank {
            return Err(source.refuse(
                format!("line {line}"),
                format!(
                    "it has {}, and the first line of numbers has {width}",
                    counted(record.len())
                ),
                "give every line the same columns",
            ));
        }
        let mut values = Vec::with_capacity(width);
        for (i, cell) in record.iter().take(width).enumerate() {
            let text = text_of(cell);
            let value =
                dialect.number(&text).ok_or_else(|| self.no_number(source, line, i, &text))?;
            values.push(value);
            self.whole = self.whole && !text.contains(['.', 'e', 'E']);
        }
        self.lines.push(self.columns.first().map_or(0, Vec::len), line);
        for (i, (column, value)) in self.columns.iter_mut().zip(values).enumerate() {
            if self.time == Some(i) {
                self.times.push(value);
            }
            column.push(value as f32);
        }
        Ok(())
    }

    fn no_number(&self, source: &Source<'_>, line: u64, column: usize, text: &str) -> Error {
        let label = self.labels.get(column).filter(|label| !label.name.is_empty());
        let name = label.map_or(String::new(), |label| format!(" ({})", label.name));
        let shown: String = text.trim().chars().take(30).collect();
        let (problem, mend) = match shown.as_str() {
            "" => ("the cell is empty".to_owned(), "fill it or remove the line"),
            _ => {
                (format!("{shown:?} is not a number"), "write plain numbers, and times in seconds")
            }
        };
        source.refuse(format!("line {line}, column {}{name}", column + 1), problem, mend)
    }

    fn into_content(mut self, source: &Source<'_>, options: &ReadOptions) -> Result<Content> {
        let time = self.time_column();
        let base = match time {
            Role::Times(index, factor) => {
                self.tell_guessed_times(index);
                self.base(source, index, factor, options)?
            }
            Role::Count(index) => {
                let name = self.labels.get(index).map_or("", |label| label.name.as_str());
                let name = if name.is_empty() { String::new() } else { format!(" ({name})") };
                self.notes
                    .push(format!("column {}{name} counts samples and is left out", index + 1));
                None
            }
            Role::Data => {
                if self.whole && !self.has_header {
                    self.notes.push(
                        "commas are taken to part columns; where they are decimal commas, write decimal points or part columns by semicolons".into(),
                    );
                }
                None
            }
        };
        let (rate_hz, start_s) = match (base, options.rate_hz) {
            (Some(base), _) => (settle_rate(options, base.rate_hz, &mut self.notes), base.start_s),
            (None, Some(stated)) => (stated, 0.0),
            (None, None) => {
                return Err(source.refuse(
                    "",
                    "there is no time column",
                    "add one, or state the rate (--rate, or rate_hz in Python)",
                ));
            }
        };
        let skipped = match time {
            Role::Times(index, _) | Role::Count(index) => Some(index),
            Role::Data => None,
        };
        let columns: Vec<Column> = self
            .labels
            .into_iter()
            .zip(self.columns)
            .enumerate()
            .filter(|(i, _)| Some(*i) != skipped)
            .map(|(_, (label, samples))| Column {
                name: label.name,
                unit: label.unit,
                samples,
                ..Column::default()
            })
            .collect();
        if columns.is_empty() {
            return Err(source.refuse(
                "",
                "there is a time column only",
                "add a column of samples",
            ));
        }
        Ok(Content { rate_hz, start_s, columns, notes: self.notes, held: None })
    }

    /// Says where nothing but its even rise makes a column one of times.
    fn tell_guessed_times(&mut self, index: usize) {
        let Some(label) = self.labels.get(index).filter(|label| !label.is_time) else { return };
        let name = if label.name.is_empty() { String::new() } else { format!(" ({})", label.name) };
        let unit = if label.to_seconds.is_some() { "" } else { " in seconds" };
        self.notes
            .push(format!("column {}{name} rises evenly and is read as times{unit}", index + 1));
    }

    fn base(
        &mut self,
        source: &Source<'_>,
        index: usize,
        factor: f64,
        options: &ReadOptions,
    ) -> Result<Option<Timebase>> {
        let times: Vec<f64> = self.times.iter().map(|t| t * factor).collect();
        match timebase::from_times(&times) {
            Ok(base) => Ok(Some(base)),
            Err(uneven) if options.rate_hz.is_some() => {
                self.notes.push(format!(
                    "the time column is not used ({}); the stated rate is",
                    uneven.problem
                ));
                Ok(None)
            }
            Err(uneven) => Err(source.refuse(
                format!("line {}, column {}", self.lines.of(uneven.index), index + 1),
                uneven.problem,
                "record at an even rate, or state the rate (--rate, or rate_hz in Python)",
            )),
        }
    }

    /// What the candidate for the time column turned out to be.
    fn time_column(&self) -> Role {
        let Some((index, label)) =
            self.time.and_then(|index| self.labels.get(index).map(|label| (index, label)))
        else {
            return Role::Data;
        };
        let to_seconds = label.to_seconds.unwrap_or(1.0);
        if label.is_time {
            return Role::Times(index, to_seconds);
        }
        let lower = label.name.to_lowercase();
        // what rises evenly in another unit is no time
        if label.unit.is_some()
            || label.unknown_unit.is_some()
            || guess::by_name(&label.name).is_some_and(|_| lower != "index")
        {
            return Role::Data;
        }
        let is_named_count = COUNT_NAMES.contains(&lower.as_str());
        match timebase::from_times(&self.times) {
            Ok(base) if (base.rate_hz - 1.0).abs() < 1e-9 => Role::Count(index),
            Ok(_) if self.times.len() > 2 && !is_named_count => Role::Times(index, to_seconds),
            _ if is_named_count && self.has_header => Role::Count(index),
            _ => Role::Data,
        }
    }
}

/// What a column is.
#[derive(Clone, Copy)]
enum Role {
    /// Times, with their factor to seconds.
    Times(usize, f64),
    /// Numbers of samples.
    Count(usize),
    /// Samples.
    Data,
}

fn counted(columns: usize) -> String {
    if columns == 1 { "1 column".into() } else { format!("{columns} columns") }
}

fn ends_with_newline(source: &mut Source<'_>) -> Result<bool> {
    let last = source.at(source.len.saturating_sub(1), 1)?;
    Ok(matches!(last.first(), Some(b'\n' | b'\r')))
}

fn read_record(
    source: &Source<'_>,
    rows: &mut csv::Reader<BufReader<std::fs::File>>,
    record: &mut ByteRecord,
) -> Result<bool> {
    rows.read_byte_record(record).map_err(|error| match error.into_kind() {
        csv::ErrorKind::Io(error) => source.io_error(error),
        other => source.refuse("", format!("{other:?}"), "export the table again"),
    })
}

/// Whether a row holds words: some cell is neither empty nor a number.
fn is_head(record: &ByteRecord, dialect: Dialect) -> bool {
    record.iter().any(|cell| {
        let text = text_of(cell);
        !text.trim().is_empty() && dialect.number(&text).is_none()
    })
}

/// A row of words and its line.
struct Head {
    line: u64,
    cells: Vec<String>,
}

/// Labels from a row of names and, below it, perhaps a row of units.
fn labels(source: &Source<'_>, heads: &[Head], width: usize) -> Result<Vec<Label>> {
    let Some(Head { line, cells: names }) = heads.first() else {
        return Ok(vec![Label::default(); width]);
    };
    let spare = names.get(width..).unwrap_or_default();
    if names.len() < width || spare.iter().any(|name| !name.is_empty()) {
        return Err(source.refuse(
            format!("line {line}"),
            format!(
                "the header has {}, and the first line of numbers has {width}",
                counted(names.len())
            ),
            "give every column a name",
        ));
    }
    let mut labels: Vec<Label> = names.iter().take(width).map(|name| Label::parse(name)).collect();
    let is_odd = |label: &Label| label.is_time && label.unknown_unit.is_some();
    if let Some((i, label)) = labels.iter().enumerate().find(|(_, label)| is_odd(label)) {
        let unit = label.unknown_unit.as_deref().unwrap_or_default();
        return Err(source.refuse(
            format!("line {line}, column {}", i + 1),
            format!("{unit:?} is no known unit of time"),
            "write times in s, ms, us, ns, min or h",
        ));
    }
    let Some(Head { line, cells: units }) = heads.get(1) else { return Ok(labels) };
    for (i, (label, unit)) in labels.iter_mut().zip(units).enumerate() {
        let inner = unit.trim_matches(['[', ']', '(', ')']);
        match (Unit::from_symbol(inner), factor(TIME_UNITS, inner), inner) {
            (Some(unit), _, _) => (label.unit, label.is_time) = (Some(unit), false),
            (None, Some(factor), _) => label.to_seconds = Some(factor),
            (None, None, "" | "-") => {}
            _ => {
                return Err(source.refuse(
                    format!("line {line}, column {}", i + 1),
                    format!("{unit:?} is neither a number nor a unit"),
                    "leave one line of names above the numbers",
                ));
            }
        }
    }
    Ok(labels)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn labels_as_people_write_them() {
        let label = Label::parse("front [g]");
        assert_eq!((label.name.as_str(), label.unit), ("front", Some(Unit::G)));
        let label = Label::parse("rear bearing (m/s²)");
        assert_eq!(
            (label.name.as_str(), label.unit),
            ("rear bearing", Some(Unit::MeterPerSecond2))
        );
        let label = Label::parse("bearing (left)");
        assert_eq!((label.name.as_str(), label.unit), ("bearing (left)", None));
        let time = |text: &str| {
            let label = Label::parse(text);
            label.is_time.then_some(label.to_seconds)
        };
        assert_eq!(time("Time [ms]"), Some(Some(1e-3)));
        assert_eq!(time("t"), Some(Some(1.0)));
        assert_eq!(time("temperature"), None);
        assert_eq!(time("t [degC]"), None, "a temperature");
        assert_eq!(Label::parse("Zeit [µs]").to_seconds, Some(1e-6));
    }

    #[test]
    fn dialects() {
        let of = |text: &str| char::from(Dialect::of(text.as_bytes()).delimiter);
        assert_eq!(of("t;a\n0,0;1,5\n"), ';');
        assert_eq!(of("t,a\n0.0,1.5\n"), ',');
        assert_eq!(of("# made by hand; twice\n0.0\t1.5\n"), '\t');
        let number = |delimiter, cell| Dialect { delimiter, has_returns: false }.number(cell);
        assert_eq!((number(b';', " 1,5"), number(b',', "1,5")), (Some(1.5), None));
    }

    #[test]
    fn line_numbers_skip_comments() {
        let mut lines = Lines::default();
        for (row, line) in [(0, 3), (1, 4), (2, 7), (3, 8)] {
            lines.push(row, line);
        }
        assert_eq!([0, 1, 2, 3].map(|row| lines.of(row)), [3, 4, 7, 8]);
    }
}
