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
/// The fewest columns for the names of recordings beside what else is told, where they are longer; fewer
/// where the serial numbers of all are told beside them.
const LEAST_NAME: usize = 20;
const LEAST_NAME_BESIDE_SERIAL: usize = 12;
/// The fewest columns for names on a narrow page.
const SHORTEST_NAME: usize = 8;
/// The most columns for a serial number.
const MOST_SERIAL: usize = 24;
/// The fewest letters that all names share for them to be left out.
const LEAST_SHARED: usize = 5;
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
    /// The current folder, from which paths are told.
    pub here: Option<&'a Path>,
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
    unreadable(&mut page, screened);
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

/// What the table tells of each recording, beside its verdict and name.
#[derive(Debug, Clone, Copy)]
struct Columns {
    limit: bool,
    usual: bool,
    speed: bool,
    fault: Fault,
    serial: bool,
    /// The fewest columns for names, where they are longer.
    least_name: usize,
}

/// How much is told of the first fault, as the page has room.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Fault {
    WithPlace,
    Alone,
    Hidden,
}

impl Columns {
    /// All that is known of any row, then less and less, as the page has room.
    fn forms(rows: &[&Row], of_median: &[Option<f64>]) -> [Self; 7] {
        let all = Self {
            limit: rows.iter().any(|row| row.worst.is_some()),
            usual: of_median.iter().any(Option::is_some),
            speed: true,
            fault: Fault::WithPlace,
            serial: rows.iter().any(|row| row.serial.is_some()),
            least_name: match rows.iter().all(|row| row.serial.is_some()) {
                true => LEAST_NAME_BESIDE_SERIAL,
                false => LEAST_NAME,
            },
        };
        let alone = Self { fault: Fault::Alone, ..all };
        let hidden = Self { fault: Fault::Hidden, ..all };
        let bare = Self { usual: all.usual && !all.limit, ..hidden };
        // a serial number says more than the rest of a name
        let still = Self { speed: false, least_name: SHORTEST_NAME, ..bare };
        let least = Self { serial: false, least_name: LEAST_NAME, ..still };
        [all, alone, Self { speed: false, ..alone }, hidden, bare, still, least]
    }

    fn heading(self) -> Vec<Cell> {
        let cells = [
            Some(Cell::left("verdict")),
            self.limit.then(|| Cell::right("x limit")),
            self.usual.then(|| Cell::right("x usual")),
            self.speed.then(|| Cell::right("up to rpm")),
            (self.fault != Fault::Hidden).then(|| Cell::left("first fault")),
            self.serial.then(|| Cell::left("serial")),
            Some(Cell::left("recording")),
        ];
        cells.into_iter().flatten().map(|cell| cell.painted(Paint::Faint)).collect()
    }

    fn line(self, row: &Row, of_median: Option<f64>) -> Vec<Cell> {
        let paint = match row.outcome {
            Outcome::Accept => Paint::Good,
            Outcome::Investigate => Paint::Doubtful,
            Outcome::Reject => Paint::Bad,
            Outcome::NoVerdict | Outcome::Unreadable => Paint::Open,
        };
        let or_none = |told: Option<String>| told.unwrap_or_else(|| "-".to_owned());
        let number_or_none =
            |value: Option<f64>, digits| or_none(value.map(|value| number(value, digits)));
        let word = row.outcome.word().replace('_', " ").to_uppercase();
        let of_limit = row.worst.as_ref().map(|worst| worst.ratio);
        let top = row.speed.as_ref().and_then(|speed| speed.max_rpm);
        let first = || or_none(row.first_fault().map(|first| fault(first, self.fault)));
        let cells = [
            Some(Cell::left(word).painted(paint)),
            self.limit.then(|| Cell::right(number_or_none(of_limit, 2))),
            self.usual.then(|| Cell::right(number_or_none(of_median, 2))),
            self.speed.then(|| Cell::right(number_or_none(top, 3))),
            (self.fault != Fault::Hidden).then(|| Cell::left(first())),
            self.serial.then(|| Cell::left(or_none(row.serial.as_deref().map(serial)))),
            Some(Cell::left(name(row))),
        ];
        cells.into_iter().flatten().collect()
    }

    /// Whether a table leaves room for the names, or for enough of them.
    fn fit(self, lines: &[Vec<Cell>], style: Style) -> bool {
        let widths = widths(lines, style);
        let names = widths.last().copied().unwrap_or_default();
        left_for_names(&widths, style) >= names.min(self.least_name)
    }
}

fn table(page: &mut Page, rows: &[Row], most: usize, style: Style) {
    let of_median = rank::of_median(rows);
    let mut order = rank::worst_first(rows);
    // those with their sentences below need no line here
    order.retain(|&at| rows.get(at).is_some_and(|row| row.outcome != Outcome::Unreadable));
    if order.is_empty() || most == 0 {
        return;
    }
    let shown: Vec<(&Row, Option<f64>)> = order
        .iter()
        .take(most)
        .filter_map(|&at| Some((rows.get(at)?, of_median.get(at).copied().flatten())))
        .collect();
    let told: Vec<&Row> = order.iter().filter_map(|&at| rows.get(at)).collect();
    let tables = Columns::forms(&told, &of_median).map(|columns| {
        let rows = shown.iter().map(|&(row, of_median)| columns.line(row, of_median));
        (columns, std::iter::once(columns.heading()).chain(rows).collect::<Vec<_>>())
    });
    let [.., last] = &tables;
    let fitting = tables.iter().find(|(columns, lines)| columns.fit(lines, style));
    let (columns, lines) = fitting.unwrap_or(last);
    set(page, lines, style);
    let left = order.len().saturating_sub(most);
    if left > 0 {
        page.line(&[(&format!("and {} more in the journal", count(left as u64)), Paint::Faint)]);
    }
    if columns.usual {
        page.gap();
        let limits = if columns.limit { "" } else { "; no limit is stated" };
        page.row("x usual", &format!("highest level over the median of all recordings{limits}"));
    }
}

/// `imbalance at front 97 %`.
fn fault(finding: &RowFinding, told: Fault) -> String {
    let place = finding.place.as_ref().filter(|_| told == Fault::WithPlace);
    let place = place.map_or_else(String::new, |place| format!(" at {place}"));
    let sure = finding.confidence.map_or_else(String::new, |sure| format!(" {}", percent(sure)));
    format!("{}{place}{sure}", finding.title)
}

/// A serial number that leaves room for all else.
fn serial(number: &str) -> String {
    shortened(number, MOST_SERIAL)
}

/// The name of the file.
fn name(row: &Row) -> String {
    let path = &row.key.path;
    let file = path.rsplit(['/', '\\']).next().filter(|name| !name.is_empty()).unwrap_or(path);
    file.to_owned()
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

/// Length in bytes of what all names of a table start with, up to a last sign between words: what tells
/// them apart comes after it. 0 where that is too short to be worth leaving out.
fn shared_start(lines: &[Vec<Cell>]) -> usize {
    let mut names = lines.iter().skip(1).filter_map(|line| line.last());
    let Some(first) = names.next() else { return 0 };
    let shared = names.fold(first.text.as_str(), |shared, name| {
        let differ = |(a, b): &((usize, char), char)| a.1 != *b;
        let end = shared.char_indices().zip(name.text.chars()).find(differ);
        let end = end.map_or(shared.len().min(name.text.len()), |((end, _), _)| end);
        shared.get(..end).unwrap_or_default()
    });
    let is_plain = shared.bytes().all(|byte| byte == b' ' || byte.is_ascii_graphic());
    let differ = shared.len() < first.text.len();
    let end = shared.rfind(|c: char| !c.is_alphanumeric()).unwrap_or_default();
    if is_plain && differ && end > LEAST_SHARED { end } else { 0 }
}

/// Sets a table; names too long for the page lose what they all start with, then their middle.
fn set(page: &mut Page, lines: &[Vec<Cell>], style: Style) {
    let mut widths = widths(lines, style);
    let left = left_for_names(&widths, style);
    let shared = widths.last().filter(|names| **names > left).map_or(0, |_| shared_start(lines));
    if let Some(names) = widths.last_mut() {
        *names = (*names).min(left);
    }
    for (number, line) in lines.iter().enumerate() {
        let mut pieces: Vec<(String, Paint)> = Vec::new();
        let last = line.len().saturating_sub(1);
        for (at, (cell, &columns)) in line.iter().zip(&widths).enumerate() {
            let text = cell.set(style);
            let is_name = at == last && number > 0;
            let text = match text.get(shared..).filter(|_| is_name && shared > 0) {
                Some(rest) => format!("...{rest}"),
                None => text,
            };
            let text = shortened(&text, columns);
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

fn unreadable(page: &mut Page, screened: &Screened) {
    let unreadable = screened.rows.iter().filter(|row| row.error.is_some());
    let errors: Vec<String> = unreadable.map(|row| row.reason_from(screened.here)).collect();
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
