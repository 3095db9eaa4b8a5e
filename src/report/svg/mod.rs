//! A figure as SVG, for pages that are read without any program but a browser.
//!
//! Curves, maps and polar pictures are drawn here; rows of bars and words are text, and the page that
//! holds the picture sets them itself. Colours differ in lightness too, so that a print without colour
//! can be read.

mod axes;
mod legend;
mod map;
mod paper;
mod plot;
mod polar;
mod wheel;

use plotters::coord::Shift;
use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, Pos, VPos};

use axes::Coordinate;

use crate::error::{Error, Result};
use crate::figure::{Figure, Panel, Row};
pub use wheel::{wheel_picture, wheel_template};

/// Width of a picture in pixels of 1/96 inch: the text width of an A4 page with margins of 15 mm.
const WIDTH: u32 = 680;
/// Room at the left, in pixels: letters on their side reach a little over the place they are set at.
const LEFT_ROOM: u32 = 3;
/// Height of a row of height 1.
const ROW_HEIGHT: f64 = 230.0;

type Area<'a> = DrawingArea<SVGBackend<'a>, Shift>;
type Chart<'a, 'b> = ChartContext<'a, SVGBackend<'b>, Cartesian2d<Coordinate, Coordinate>>;

/// Colours of curves and families of marks, in the order of their importance; all differ in lightness.
const INKS: [RGBColor; 5] = [
    RGBColor(23, 58, 94),
    RGBColor(200, 98, 28),
    RGBColor(72, 140, 132),
    RGBColor(150, 52, 92),
    RGBColor(148, 148, 60),
];
/// Axes and words.
const DARK: RGBColor = RGBColor(40, 44, 50);
/// Grid lines, minor marks.
const FAINT: RGBColor = RGBColor(190, 196, 204);
/// Size of all words, as plotters counts it: the letters come out by a fifth smaller, 8 pt on paper.
const WORDS: i32 = 13;

/// The colour of curve or family `index`.
fn ink(index: usize) -> RGBColor {
    INKS[index % INKS.len()]
}

fn words() -> TextStyle<'static> {
    ("sans-serif", WORDS).into_font().color(&DARK)
}

/// Width of a letter of [`WORDS`], about, and height of a line of them, in pixels.
const LETTER: f64 = 5.3;
const LINE: i32 = 13;

/// Width that a word takes, about, in pixels.
fn width_of(word: &str) -> f64 {
    LETTER * word.chars().count() as f64
}

/// A name to stand above the frame of a chart.
struct Above<'n> {
    /// Its place across, in the chart's own axis.
    at: f64,
    name: &'n str,
    colour: RGBColor,
}

/// Lines of names above the frame of a chart.
struct Lanes<'n> {
    names: Vec<Placed<'n>>,
    count: i32,
}

/// A name with its line, the lowest first, and how far it is moved to the right so that it stays inside.
struct Placed<'n> {
    above: Above<'n>,
    lane: i32,
    moved: f64,
}

/// Lays names, the most important first, in at most three lines so that they stand apart; one that finds no
/// room is left out. `pixels` is the width of the frame, of the axis from `from` to `to`, and `beside` how far
/// names may reach beyond it at each side.
fn lanes(
    names: Vec<Above<'_>>,
    (from, to): (f64, f64),
    pixels: f64,
    beside: [f64; 2],
) -> Lanes<'_> {
    let mut taken: [Vec<(f64, f64)>; 3] = Default::default();
    let mut laid = Lanes { names: Vec::new(), count: 0 };
    for one in names.into_iter().filter(|one| !one.name.is_empty()) {
        let wished = (one.at - from) / (to - from) * pixels;
        let half = 0.5 * width_of(one.name) + 3.0;
        let centre = wished.min(pixels + beside[1] - half).max(half - beside[0]);
        let is_free = |lane: &Vec<(f64, f64)>| {
            lane.iter().all(|(begin, end)| centre + half <= *begin || centre - half >= *end)
        };
        if let Some(lane) = taken.iter().position(is_free) {
            taken[lane].push((centre - half, centre + half));
            laid.count = laid.count.max(lane as i32 + 1);
            laid.names.push(Placed { above: one, lane: lane as i32, moved: centre - wished });
        }
    }
    laid
}

impl Lanes<'_> {
    /// Room that they need above the frame, in pixels.
    fn height(&self) -> i32 {
        LINE * self.count + 5
    }

    /// Writes them above the frame whose upper edge is at `top`, where the chart itself does not draw.
    fn draw(&self, chart: &Chart, area: &Area, top: f64) -> std::result::Result<(), Failure> {
        let (left, above) = area.get_base_pixel();
        for Placed { above: one, lane, moved } in &self.names {
            let (x, y) = chart.backend_coord(&(one.at, top));
            let style = words().color(&one.colour).pos(Pos::new(HPos::Center, VPos::Bottom));
            let place = (x - left + *moved as i32, y - above - 2 - LINE * lane);
            area.draw(&Text::new(one.name.to_owned(), place, style))?;
        }
        Ok(())
    }
}

/// Heights of names, in pixels, moved as little as keeps them `apart`, within `from` and `to`; the heights
/// must rise.
fn spread(heights: &[f64], apart: f64, (from, to): (f64, f64)) -> Vec<f64> {
    let mut moved = heights.to_vec();
    for k in 0..moved.len() {
        let least = if k == 0 { from } else { moved[k - 1] + apart };
        moved[k] = moved[k].max(least);
    }
    for k in (0..moved.len()).rev() {
        let most = if k + 1 == moved.len() { to } else { moved[k + 1] - apart };
        moved[k] = moved[k].min(most);
    }
    moved
}

/// The drawable panels of a figure as one SVG picture; `None` where there are none.
///
/// # Errors
/// [`Error::Bug`] where drawing fails, which it has no reason to.
pub fn draw(figure: &Figure) -> Result<Option<String>> {
    let rows: Vec<&Row> =
        figure.rows.iter().filter(|row| row.panels.iter().any(is_drawn)).collect();
    if rows.is_empty() {
        return Ok(None);
    }
    let heights: Vec<u32> = rows.iter().map(|row| (ROW_HEIGHT * row.height) as u32).collect();
    let mut text = String::new();
    {
        let backend = SVGBackend::with_string(&mut text, (WIDTH, heights.iter().sum()));
        let mut rest = backend.into_drawing_area().margin(0, 0, LEFT_ROOM, 0);
        for (row, height) in rows.iter().zip(heights) {
            let (here, below) = rest.split_vertically(height);
            rest = below;
            panels(row, &figure.title, &here)
                .map_err(|error| Error::Bug(format!("a picture failed: {error}")))?;
        }
    }
    Ok(Some(text))
}

fn is_drawn(panel: &Panel) -> bool {
    matches!(panel, Panel::Plot(_) | Panel::Map(_) | Panel::Polar(_))
}

/// What drawing can fail with.
type Failure = Box<dyn std::error::Error>;

/// `told` is the figure's own title, which no panel repeats.
fn panels(row: &Row, told: &str, area: &Area) -> std::result::Result<(), Failure> {
    let drawn: Vec<&Panel> = row.panels.iter().filter(|panel| is_drawn(panel)).collect();
    let places = area.split_evenly((1, drawn.len()));
    for (panel, place) in drawn.into_iter().zip(&places) {
        match panel {
            Panel::Plot(plot) => plot::draw(plot, &titled(place, &plot.title, told)?)?,
            Panel::Map(map) => map::draw(map, &titled(place, &map.title, told)?)?,
            Panel::Polar(polar) => polar::draw(polar, &titled(place, &polar.title, told)?)?,
            Panel::Rows(_) | Panel::Words(_) => {}
        }
    }
    Ok(())
}

/// Titles a panel, if it has a title of its own, and returns the area below.
fn titled<'a>(area: &Area<'a>, title: &str, told: &str) -> std::result::Result<Area<'a>, Failure> {
    if title.is_empty() || title == told {
        return Ok(area.clone());
    }
    let (head, body) = area.split_vertically(20);
    let style = ("sans-serif", WORDS + 1).into_font().style(FontStyle::Bold).color(&DARK);
    head.draw(&Text::new(title.to_owned(), (6, 5), style))?;
    Ok(body)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_moved_no_further_than_needed() {
        assert_eq!(spread(&[10.0, 50.0], 12.0, (0.0, 100.0)), [10.0, 50.0]);
        assert_eq!(spread(&[10.0, 11.0, 12.0], 12.0, (0.0, 100.0)), [10.0, 22.0, 34.0]);
        assert_eq!(spread(&[95.0, 99.0], 12.0, (0.0, 100.0)), [88.0, 100.0]);
        assert!(spread(&[], 12.0, (0.0, 100.0)).is_empty());
    }

    #[test]
    fn names_above_stand_apart() {
        let above = |at: f64, name: &'static str| Above { at, name, colour: DARK };
        let names =
            vec![above(1.0, "1x"), above(1.05, "BPFO front"), above(9.0, "9x"), above(2.0, "")];
        let laid = lanes(names, (0.0, 10.0), 500.0, [0.0, 0.0]);
        let lanes: Vec<i32> = laid.names.iter().map(|placed| placed.lane).collect();
        assert_eq!((lanes, laid.count), (vec![0, 1, 0], 2));
        assert_eq!(laid.names[2].moved, 0.0);
    }

    #[test]
    fn a_name_at_the_edge_stays_inside() {
        let names = vec![Above { at: 10.0, name: "top service speed", colour: DARK }];
        let laid = lanes(names, (0.0, 10.0), 500.0, [60.0, 16.0]);
        let half = 0.5 * width_of("top service speed") + 3.0;
        assert!((laid.names[0].moved - (16.0 - half)).abs() < 1e-9);
    }
}
