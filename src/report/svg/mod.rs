//! A figure as SVG, for pages that are read without any program but a browser.
//!
//! Curves, maps and polar pictures are drawn here; rows of bars and words are text, and the page that
//! holds the picture sets them itself. Colours differ in lightness too, so that a print without colour
//! can be read.

mod axes;
mod map;
mod plot;
mod polar;

use plotters::coord::Shift;
use plotters::coord::types::RangedCoordf64;
use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, Pos, VPos};

use crate::error::{Error, Result};
use crate::figure::{Figure, Panel, Row};

/// Width of a picture in pixels of 1/96 inch: the text width of an A4 page with margins of 15 mm.
const WIDTH: u32 = 680;
/// Room at the left, in pixels: letters on their side reach a little over the place they are set at.
const LEFT_ROOM: u32 = 3;
/// Height of a row of height 1.
const ROW_HEIGHT: f64 = 230.0;

type Area<'a> = DrawingArea<SVGBackend<'a>, Shift>;
type Chart<'a, 'b> = ChartContext<'a, SVGBackend<'b>, Cartesian2d<RangedCoordf64, RangedCoordf64>>;

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

/// Writes a name above the frame of a chart, where the chart itself does not draw.
fn name_above(
    chart: &Chart,
    area: &Area,
    at: (f64, f64),
    name: &str,
    colour: RGBColor,
) -> std::result::Result<(), Failure> {
    let (x, y) = chart.backend_coord(&at);
    let (left, top) = area.get_base_pixel();
    let style = words().color(&colour).pos(Pos::new(HPos::Center, VPos::Bottom));
    area.draw(&Text::new(name.to_owned(), (x - left, y - top - 2), style))?;
    Ok(())
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
