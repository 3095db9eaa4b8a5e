//! Small pictures in characters: a curve as bars, a map in shades.
//!
//! Each column and row of characters shows the greatest value that falls into it, because in a spectrum
//! the peaks are the message. Values between the places of a figure are not invented: a column that no
//! place falls into shows the nearest one.

use super::Style;
use super::layout::{shortened, width};
use super::words::{BOUND, harmless, number, stated};
use crate::figure::{Axis, Curve, Figure, Map, Mark, Panel, Plot};

/// Rows of characters in a curve.
const CURVE_ROWS: usize = 8;
/// Rows of characters in a map, at most.
const MAP_ROWS: usize = 12;
/// Columns before the picture: numbers of the axis and its line.
const AXIS_COLUMNS: usize = 9;

/// Bars that fill a character from its foot, in eighths; and what plain terminals get.
const BARS: [char; 9] = [' ', '▁', '▂', '▃', '▄', '▅', '▆', '▇', '█'];
const PLAIN_BARS: [char; 3] = [' ', '.', '|'];
/// Shades from nothing to the greatest value.
const SHADES: [char; 5] = [' ', '░', '▒', '▓', '█'];
const PLAIN_SHADES: [char; 7] = [' ', '.', ':', '-', '+', '*', '#'];

/// The figure in characters, on lines of at most [`Style::columns`] columns, each ended. Plots (their first
/// curve) and maps are drawn, one below the other; other panels say in a picture what text says better.
pub fn draw(figure: &Figure, style: Style) -> String {
    let canvas = Canvas { style };
    let lines: Vec<String> = figure
        .panels()
        .flat_map(|panel| match panel {
            Panel::Plot(plot) => {
                plot.curves.first().map_or(Vec::new(), |curve| canvas.curve(plot, curve))
            }
            Panel::Map(map) => canvas.map(map),
            Panel::Polar(_) | Panel::Rows(_) | Panel::Words(_) => Vec::new(),
        })
        .collect();
    lines.iter().flat_map(|line| [line.trim_end(), "\n"]).collect()
}

struct Canvas {
    style: Style,
}

impl Canvas {
    /// Columns of the picture itself.
    fn columns(&self) -> usize {
        self.style.columns() - AXIS_COLUMNS
    }

    fn curve(&self, plot: &Plot, curve: &Curve) -> Vec<String> {
        let mut points: Vec<(f64, f32)> =
            curve.x().iter().zip(curve.y()).map(|(&x, &y)| (x, y as f32)).collect();
        points.sort_by(|a, b| a.0.total_cmp(&b.0));
        let (places, heights): (Vec<f64>, Vec<f32>) = points.into_iter().unzip();
        let x = Span::of(&places);
        let values = gathered(&places, &heights, x, self.columns());
        let top = greatest(&values);
        let scaled: Vec<f64> = values.iter().map(|v| level(*v, top, &plot.y_axis)).collect();
        let mut lines = self.title(&plot.title, &plot.y_axis, top);
        lines.extend(self.marks(&plot.marks, x));
        let bars: &[char] = if self.style.unicode { &BARS } else { &PLAIN_BARS };
        for row in (0..CURVE_ROWS).rev() {
            let cells = scaled.iter().map(|v| {
                let fill = (v * CURVE_ROWS as f64 - row as f64).clamp(0.0, 1.0);
                filled(bars, fill)
            });
            // every other row has a number: at the height of its upper edge
            let tick = match row % 2 {
                1 => tick(&plot.y_axis, top, (row + 1) as f64 / CURVE_ROWS as f64),
                _ => String::new(),
            };
            lines.push(self.line(&tick, cells.collect::<String>()));
        }
        lines.extend(self.foot(x, &plot.x_axis));
        lines
    }

    fn map(&self, map: &Map) -> Vec<String> {
        let (x, y) = (Span::of(map.x()), Span::of(map.y()));
        let rows = MAP_ROWS.min(map.y().len());
        let mut cells = vec![vec![f32::NAN; self.columns()]; rows];
        for (place, values) in map.y().iter().zip(map.rows()) {
            let values = gathered(map.x(), values, x, self.columns());
            if let Some(row) = cells.get_mut(y.cell(*place, rows)) {
                row.iter_mut().zip(values).for_each(|(cell, value)| *cell = cell.max(value));
            }
        }
        // a row that no place falls into repeats the one below it
        for row in 1..rows {
            if cells[row].iter().all(|v| v.is_nan()) {
                cells[row] = cells[row - 1].clone();
            }
        }
        let top = cells.iter().map(|row| greatest(row)).fold(0.0, f32::max);
        let mut lines = self.title(&map.title, &map.value_axis, top);
        lines.extend(self.marks(&map.marks, x));
        let shades: &[char] = if self.style.unicode { &SHADES } else { &PLAIN_SHADES };
        for (row, values) in cells.iter().enumerate().rev() {
            let shown = values.iter().map(|v| share(shades, level(*v, top, &map.value_axis)));
            let tick = if row % 3 == (rows - 1) % 3 {
                number(y.centre(row, rows), 3)
            } else {
                String::new()
            };
            lines.push(self.line(&tick, shown.collect()));
        }
        let mut foot = self.foot(x, &map.x_axis);
        if let Some(line) = foot.last_mut() {
            line.push_str(&format!("; upwards {}", map.y_axis.words()));
        }
        lines.extend(foot.iter().map(|line| self.fitted(line)));
        lines
    }

    /// What is shown, the greatest value, and the depth below it; on two lines if one is too short.
    fn title(&self, title: &str, axis: &Axis, top: f32) -> Vec<String> {
        let greatest = format!("{} {}", number(f64::from(top), 2), axis.unit);
        let scale = match axis.depth_db() {
            None => format!("greatest {}", greatest.trim()),
            Some(range_db) => {
                format!("0 dB is {}, {} dB shown", greatest.trim(), number(range_db, 2))
            }
        };
        let pad = " ".repeat(AXIS_COLUMNS);
        let one_line = harmless(&format!("{pad}{title}, {scale}"), self.style.unicode);
        if width(&one_line) <= self.style.columns() {
            vec![self.fitted(&one_line)]
        } else {
            vec![self.fitted(&format!("{pad}{title}")), self.fitted(&format!("{pad}{scale}"))]
        }
    }

    fn line(&self, tick: &str, cells: String) -> String {
        let edge = if self.style.unicode { '│' } else { '|' };
        let numbers = AXIS_COLUMNS - 2;
        format!("{} {edge}{cells}", right(tick, numbers))
    }

    /// The names of the marks over their places; one that would run into the last is left out.
    fn marks(&self, marks: &[Mark], x: Span) -> Option<String> {
        let mut sorted: Vec<&Mark> = marks.iter().filter(|mark| x.holds(mark.at)).collect();
        sorted.sort_by(|a, b| a.at.total_cmp(&b.at));
        let mut line = String::new();
        for mark in sorted {
            let label = harmless(&mark.label, self.style.unicode);
            let centre = AXIS_COLUMNS + x.cell(mark.at, self.columns());
            let start = centre.saturating_sub((width(&label).max(1) - 1) / 2);
            let used = width(&line);
            let free = used == 0 || start > used;
            if free && start + width(&label) <= self.style.columns() {
                line.push_str(&" ".repeat(start - used));
                line.push_str(&label);
            }
        }
        if line.is_empty() { None } else { Some(line) }
    }

    /// The axis across: its line, its numbers, its name.
    fn foot(&self, x: Span, axis: &Axis) -> Vec<String> {
        let (corner, bar, tick) =
            if self.style.unicode { ('└', '─', '┴') } else { ('+', '-', '+') };
        let columns = self.columns();
        let mut line = vec![bar; columns];
        let mut numbers = String::new();
        for value in x.round_values(columns / 12) {
            let cell = x.cell(value, columns);
            let text = stated(value, 4).replace(BOUND, " ");
            let start = (AXIS_COLUMNS + cell).saturating_sub((text.len() - 1) / 2);
            if start + text.len() <= self.style.columns() && start >= numbers.len() {
                line[cell] = tick;
                numbers.push_str(&" ".repeat(start - numbers.len()));
                numbers.push_str(&text);
            }
        }
        let line: String = line.into_iter().collect();
        let pad = " ".repeat(AXIS_COLUMNS);
        vec![
            format!("{}{corner}{line}", " ".repeat(AXIS_COLUMNS - 1)),
            numbers,
            self.fitted(&format!("{pad}{}", axis.words())),
        ]
    }

    /// Text made harmless and cut to the page.
    fn fitted(&self, text: &str) -> String {
        shortened(&harmless(text, self.style.unicode).replace(BOUND, " "), self.style.columns())
    }
}

fn right(text: &str, columns: usize) -> String {
    let text = text.replace(BOUND, " ");
    format!("{text:>columns$}")
}

/// The number at a height of the axis upwards, from 0 at its foot to 1.
fn tick(axis: &Axis, top: f32, height: f64) -> String {
    match axis.depth_db() {
        None => stated(f64::from(top) * height, 2),
        Some(range_db) => match range_db * (height - 1.0) {
            below if below > -0.5 => "0 dB".to_owned(),
            below => format!("{below:.0}"),
        },
    }
}

/// The height of a value on its axis, 0 to 1; 0 for what is no number.
fn level(value: f32, top: f32, axis: &Axis) -> f64 {
    let part = f64::from(value) / f64::from(top);
    if !(part.is_finite() && part > 0.0) {
        return 0.0;
    }
    match axis.depth_db() {
        None => part.min(1.0),
        Some(range_db) => (1.0 + 20.0 * part.log10() / range_db).clamp(0.0, 1.0),
    }
}

/// The character of a height from 0 to 1, each for an equal share of it.
fn share(characters: &[char], height: f64) -> char {
    let index = (height * characters.len() as f64) as usize;
    characters.get(index.min(characters.len() - 1)).copied().unwrap_or(' ')
}

/// The character that fills a height from 0 to 1; the first is kept for nothing at all.
fn filled(characters: &[char], height: f64) -> char {
    let last = characters.len() - 1;
    let index = (height * last as f64).ceil() as usize;
    characters.get(index.min(last)).copied().unwrap_or(' ')
}

fn greatest(values: &[f32]) -> f32 {
    values.iter().copied().filter(|v| v.is_finite()).fold(0.0, f32::max)
}

/// The greatest value of each of `cells` columns; empty columns take the nearest place's value.
fn gathered(places: &[f64], values: &[f32], span: Span, cells: usize) -> Vec<f32> {
    let mut columns = vec![f32::NAN; cells];
    for (place, value) in places.iter().zip(values) {
        if let Some(column) = columns.get_mut(span.cell(*place, cells)) {
            *column = column.max(*value);
        }
    }
    let empty: Vec<bool> = columns.iter().map(|v| v.is_nan()).collect();
    for (cell, is_empty) in empty.iter().enumerate() {
        if *is_empty {
            let centre = span.centre(cell, cells);
            let above = places.partition_point(|place| *place < centre).min(places.len() - 1);
            let below = above.saturating_sub(1);
            let near = |i: usize| (places[i] - centre).abs();
            columns[cell] = values[if near(below) < near(above) { below } else { above }];
        }
    }
    columns
}

/// What an axis covers.
#[derive(Debug, Clone, Copy)]
struct Span {
    low: f64,
    high: f64,
}

impl Span {
    fn of(places: &[f64]) -> Self {
        let low = places.first().copied().unwrap_or(0.0);
        let high = places.last().copied().unwrap_or(1.0);
        Self { low, high }
    }

    fn holds(self, place: f64) -> bool {
        place >= self.low && place <= self.high
    }

    /// The cell, of `cells` equal ones, into which a place falls.
    fn cell(self, place: f64, cells: usize) -> usize {
        let part = (place - self.low) / (self.high - self.low);
        ((part * cells as f64) as usize).min(cells - 1)
    }

    fn centre(self, cell: usize, cells: usize) -> f64 {
        self.low + (cell as f64 + 0.5) / cells as f64 * (self.high - self.low)
    }

    /// Round values inside: 1, 2 or 5 times a power of ten apart, at most about `most` of them.
    fn round_values(self, most: usize) -> Vec<f64> {
        let least_step = (self.high - self.low) / most.max(2) as f64;
        let decade = 10f64.powf(least_step.log10().floor());
        let step = [1.0, 2.0, 5.0, 10.0]
            .into_iter()
            .map(|factor| factor * decade)
            .find(|step| *step >= least_step)
            .unwrap_or(10.0 * decade);
        let first = (self.low / step).ceil();
        // by whole numbers, so that rounding does not gather
        (0..=most as u32 + 1)
            .map(|i| (first + f64::from(i)) * step)
            .filter(|value| *value <= self.high)
            .collect()
    }
}
