//! A screen for people: what came out, worst first.

use std::collections::HashMap;
use std::path::{Path, PathBuf};

use super::Style;
use super::layout::{Page, Paint, shortened, width};
use super::text::CAUTION;
use super::words::{count, duration, harmless, number, percent};
use crate::screen::row::RowFinding;
use crate::screen::{Outcome, Row, rank};
use crate::units::clause;

/// Reasons shown for recordings without a verdict.
const MOST_REASONS: usize = 3;
/// Unreadable files shown, each with its sentence.
const MOST_UNREADABLE: usize = 10;
/// The fewest columns for the names of recordings beside what else is told, where they are longer.
const LEAST_NAME: usize = 20;
/// Columns between two cells.
const GAP: usize = 2;

/// What a screen did and found.
#[derive(Debug, Clone, Copy)]
pub struct Screened<'a> {
    /// One row for each recording.
    pub rows: &'a [Row],
    /// How many of them were judged now; the rest stood in the journal.
    pub judged: usize,
    /// How long that took in seconds.
    pub seconds: f64,
    /// The journal.
    pub journal: &'a Path,
    /// The exported table, if one was asked for.
    pub table: Option<&'a PathBuf>,
    /// Whether a pattern for names was given.
    pub names_given: bool,
}

impl Screened<'_> {
    /// How many rows have each outcome, in the order of [`Outcome::ALL`].
    pub fn counts(&self) -> [(Outcome, usize); 5] {
        Outcome::ALL
            .map(|outcome| (outcome, self.rows.iter().filter(|row| row.outcome == outcome).count()))
    }
}

/// The page of a screen, with at most `most` rows in its table, on lines of at most [`Style::columns`]
/// columns, each ended.
pub fn page(screened: &Screened, most: usize, style: Style) -> String {
    let mut page = Page::new(style);
    page.row("screen", &did(screened));
    page.row("", &counted(screened));
    page.gap();
    table(&mut page, screened.rows, most, style);
    page.gap();
    reasons(&mut page, screened.rows);
    unreadable(&mut page, screened.rows);
    if screened.names_given {
        unnamed(&mut page, screened.rows);
    }
    page.row("journal", &told(screened.journal));
    if let Some(table) = screened.table {
        page.row("table", &told(table));
    }
    page.gap();
    page.painted_row(("caution", Paint::Faint), (CAUTION, Paint::Faint));
    page.finish()
}

fn told(path: &Path) -> String {
    path.to_string_lossy().into_owned()
}

fn did(screened: &Screened) -> String {
    let all = screened.rows.len();
    let word = if all == 1 { "recording" } else { "recordings" };
    let judged = format!("{} {word}", count(all as u64));
    match screened.judged {
        0 => format!("{judged}, all of them judged before"),
        now if now == all => format!("{judged}, judged in {}", duration(screened.seconds)),
        now => format!(
            "{judged}: {} judged now in {}, {} judged before",
            count(now as u64),
            duration(screened.seconds),
            count((all - now) as u64)
        ),
    }
}

/// `2 reject, 3 investigate, 1 unreadable, 14 accept`.
fn counted(screened: &Screened) -> String {
    let counted = screened.counts();
    let there = counted.iter().filter(|(_, number)| *number > 0);
    let told = there.map(|(outcome, number)| {
        format!("{}\u{a0}{}", count(*number as u64), outcome.word().replace('_', "\u{a0}"))
    });
    told.collect::<Vec<_>>().join(", ")
}

/// A cell of the table and its look.
struct Cell {
    text: String,
    paint: Paint,
    /// Whether the text stands at the right.
    right: bool,
}

impl Cell {
    fn left(text: impl Into<String>) -> Self {
        Self { text: text.into(), paint: Paint::Plain, right: false }
    }

    fn right(text: impl Into<String>) -> Self {
        Self { text: text.into(), paint: Paint::Plain, right: true }
    }

    fn painted(self, paint: Paint) -> Self {
        Self { paint, ..self }
    }

    /// The text as it is set: harmless, on one line.
    fn set(&self, style: Style) -> String {
        harmless(&self.text, style.unicode).replace('\u{a0}', " ")
    }
}

fn table(page: &mut Page, rows: &[Row], most: usize, style: Style) {
    let of_median = rank::of_median(rows);
    let with_limits = rows.iter().any(|row| row.worst.is_some());
    let measure = match (with_limits, of_median.iter().any(Option::is_some)) {
        (true, _) => Some("x limit"),
        (false, true) => Some("x usual"),
        (false, false) => None,
    };
    let mut order = rank::worst_first(rows);
    // those with their sentences below need no line here
    order.retain(|&at| rows.get(at).is_some_and(|row| row.outcome != Outcome::Unreadable));
    if order.is_empty() || most == 0 {
        return;
    }
    let shown: Vec<(&Row, Option<f64>)> = order
        .iter()
        .take(most)
        .filter_map(|&at| {
            let row = rows.get(at)?;
            let ratio = match with_limits {
                true => row.worst.as_ref().map(|worst| worst.ratio),
                false => of_median.get(at).copied().flatten(),
            };
            Some((row, ratio))
        })
        .collect();
    let lines = |fault: Fault| {
        let rows = shown.iter().map(|&(row, ratio)| line(row, measure.map(|_| ratio), fault));
        std::iter::once(heading(measure, fault)).chain(rows).collect::<Vec<_>>()
    };
    let forms = [Fault::WithPlace, Fault::Alone, Fault::Hidden].map(lines);
    let [.., last] = &forms;
    let fitting = forms.iter().find(|lines| fits(lines, style)).unwrap_or(last);
    set(page, fitting, style);
    let left = order.len().saturating_sub(most);
    if left > 0 {
        page.line(&[(&format!("and {} more in the journal", count(left as u64)), Paint::Faint)]);
    }
    if measure == Some("x usual") {
        page.gap();
        page.row("x usual", "highest level over the median of all recordings; no limit is stated");
    }
}

/// How much is told of the first fault, as the page has room.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Fault {
    WithPlace,
    Alone,
    Hidden,
}

fn heading(measure: Option<&str>, fault: Fault) -> Vec<Cell> {
    let mut cells = vec![Cell::left("verdict")];
    cells.extend(measure.map(Cell::right));
    cells.push(Cell::right("up to rpm"));
    if fault != Fault::Hidden {
        cells.push(Cell::left("first fault"));
    }
    cells.push(Cell::left("recording"));
    cells.into_iter().map(|cell| cell.painted(Paint::Faint)).collect()
}

fn line(row: &Row, ratio: Option<Option<f64>>, told: Fault) -> Vec<Cell> {
    let paint = match row.outcome {
        Outcome::Accept => Paint::Good,
        Outcome::Investigate => Paint::Doubtful,
        Outcome::Reject => Paint::Bad,
        Outcome::NoVerdict | Outcome::Unreadable => Paint::Open,
    };
    let number_or_none = |value: Option<f64>, digits| {
        value.map_or_else(|| "-".to_owned(), |value| number(value, digits))
    };
    let word = row.outcome.word().replace('_', " ").to_uppercase();
    let mut cells = vec![Cell::left(word).painted(paint)];
    cells.extend(ratio.map(|ratio| Cell::right(number_or_none(ratio, 2))));
    let top = row.speed.as_ref().and_then(|speed| speed.max_rpm);
    cells.push(Cell::right(number_or_none(top, 3)));
    if told != Fault::Hidden {
        let fault = |finding| fault(finding, told == Fault::WithPlace);
        cells.push(Cell::left(row.first_fault().map_or_else(|| "-".to_owned(), fault)));
    }
    cells.push(Cell::left(name(row)));
    cells
}

/// `imbalance at front 97 %`.
fn fault(finding: &RowFinding, with_place: bool) -> String {
    let place = finding.place.as_ref().filter(|_| with_place);
    let place = place.map_or_else(String::new, |place| format!(" at {place}"));
    let sure = finding.confidence.map_or_else(String::new, |sure| format!(" {}", percent(sure)));
    format!("{}{place}{sure}", finding.title)
}

/// The serial number and the name of the file, or that alone.
fn name(row: &Row) -> String {
    let path = &row.key.path;
    let file = path.rsplit(['/', '\\']).next().filter(|name| !name.is_empty()).unwrap_or(path);
    match &row.serial {
        Some(serial) if !file.contains(serial.as_str()) => format!("{serial} {file}"),
        _ => file.to_owned(),
    }
}

/// The width of each column: that of its widest cell.
fn widths(lines: &[Vec<Cell>], style: Style) -> Vec<usize> {
    let columns = lines.first().map_or(0, Vec::len);
    let cells = |at: usize| lines.iter().filter_map(move |line| line.get(at));
    (0..columns)
        .map(|at| cells(at).map(|cell| width(&cell.set(style))).max().unwrap_or_default())
        .collect()
}

/// The columns left on a page for the names of the recordings.
fn left_for_names(widths: &[usize], style: Style) -> usize {
    let others = widths.split_last().map_or(&[][..], |(_, others)| others);
    let taken: usize = others.iter().map(|width| width + GAP).sum();
    style.columns().saturating_sub(taken)
}

/// Whether a table leaves room for the names, or for enough of them.
fn fits(lines: &[Vec<Cell>], style: Style) -> bool {
    let widths = widths(lines, style);
    let names = widths.last().copied().unwrap_or_default();
    left_for_names(&widths, style) >= names.min(LEAST_NAME)
}

/// Sets a table; names too long for the page lose their middle.
fn set(page: &mut Page, lines: &[Vec<Cell>], style: Style) {
    let mut widths = widths(lines, style);
    let left = left_for_names(&widths, style);
    if let Some(names) = widths.last_mut() {
        *names = (*names).min(left);
    }
    for line in lines {
        let mut pieces: Vec<(String, Paint)> = Vec::new();
        let last = line.len().saturating_sub(1);
        for (at, (cell, &columns)) in line.iter().zip(&widths).enumerate() {
            let text = shortened(&cell.set(style), columns);
            let blank = " ".repeat(columns.saturating_sub(width(&text)));
            let gap = " ".repeat(if at == last { 0 } else { GAP });
            match (cell.right, at == last) {
                (true, _) => {
                    pieces.extend([(blank, Paint::Plain), (text, cell.paint), (gap, Paint::Plain)])
                }
                (false, true) => pieces.push((text, cell.paint)),
                (false, false) => pieces.extend([(text, cell.paint), (blank + &gap, Paint::Plain)]),
            }
        }
        let pieces: Vec<(&str, Paint)> =
            pieces.iter().map(|(text, paint)| (text.as_str(), *paint)).collect();
        page.line(&pieces);
    }
}

/// Why there is no verdict, the commonest reason first.
fn reasons(page: &mut Page, rows: &[Row]) {
    let mut numbers: HashMap<&str, usize> = HashMap::new();
    for row in rows.iter().filter(|row| row.outcome == Outcome::NoVerdict) {
        *numbers.entry(&row.reason).or_default() += 1;
    }
    let mut reasons: Vec<(&str, usize)> = numbers.into_iter().collect();
    reasons.sort_by(|a, b| b.1.cmp(&a.1).then(a.0.cmp(b.0)));
    for (at, (reason, number)) in reasons.iter().take(MOST_REASONS).enumerate() {
        let label = if at == 0 { "no verdict" } else { "" };
        page.row(label, &format!("{}: {}", count(*number as u64), clause(reason)));
    }
    let left: usize = reasons.iter().skip(MOST_REASONS).map(|(_, number)| number).sum();
    if left > 0 {
        page.row("", &format!("{} for other reasons", count(left as u64)));
    }
}

fn unreadable(page: &mut Page, rows: &[Row]) {
    let errors: Vec<&str> = rows.iter().filter_map(|row| row.error.as_deref()).collect();
    for (at, sentence) in errors.iter().take(MOST_UNREADABLE).enumerate() {
        page.row(if at == 0 { "unreadable" } else { "" }, sentence);
    }
    let left = errors.len().saturating_sub(MOST_UNREADABLE);
    if left > 0 {
        page.row(
            "",
            &format!("and {} more, with their reasons in the journal", count(left as u64)),
        );
    }
}

/// How many names the pattern did not fit, where it was to be given.
fn unnamed(page: &mut Page, rows: &[Row]) {
    let unnamed: Vec<&Row> =
        rows.iter().filter(|row| row.serial.is_none() && row.date.is_none()).collect();
    if let [first, ..] = unnamed.as_slice() {
        let number = count(unnamed.len() as u64);
        let text = format!("{number} do not fit the pattern, as {}", name(first));
        page.row("names", &text);
    }
}
