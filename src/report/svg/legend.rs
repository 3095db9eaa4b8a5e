//! The legend of a plot, in lines above everything else so that it covers nothing.

use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, Pos, VPos};

use super::plot::{Colours, dashes};
use super::{Area, DARK, Failure, LINE, width_of, words};
use crate::figure::{Plot, Stroke, Symbol};

/// Width of a sample, of the gap between it and its name, and of that between entries, in pixels.
const SAMPLE: i32 = 16;
const BESIDE: i32 = 4;
const APART: i32 = 16;

/// What stands before a name.
enum Sample {
    Curve(Stroke, RGBAColor),
    Mark(bool, RGBColor),
    Symbol(Symbol),
}

struct Entry<'p> {
    name: &'p str,
    sample: Sample,
    /// Place of its sample, from the left, and its line, from the top.
    at: (i32, i32),
}

/// A legend, laid.
pub(super) struct Legend<'p> {
    entries: Vec<Entry<'p>>,
    lines: i32,
}

impl<'p> Legend<'p> {
    /// Curves where there are several, families of several marks, and named points, in lines from `from` to `to`,
    /// in pixels.
    pub fn of(plot: &'p Plot, colours: &Colours, (from, to): (i32, i32)) -> Self {
        let mut legend = Self { entries: Vec::new(), lines: 0 };
        let several = plot.curves.len() > 1;
        for (index, curve) in plot.curves.iter().enumerate().filter(|_| several) {
            let sample = Sample::Curve(curve.stroke, colours.of_curve(index, curve.stroke));
            legend.add(&curve.name, sample, (from, to));
        }
        let mut told: Vec<&str> = Vec::new();
        for mark in &plot.marks {
            let of_family = plot.marks.iter().filter(|other| other.family == mark.family);
            if of_family.count() > 1 && !told.contains(&mark.family.as_str()) {
                told.push(&mark.family);
                let sample = Sample::Mark(mark.minor, colours.of_mark(mark));
                legend.add(&mark.family, sample, (from, to));
            }
        }
        for points in plot.points.iter().filter(|points| points.sizes.is_empty()) {
            legend.add(&points.name, Sample::Symbol(points.symbol), (from, to));
        }
        legend
    }

    fn add(&mut self, name: &'p str, sample: Sample, (from, to): (i32, i32)) {
        if name.is_empty() {
            return;
        }
        let width = |name: &str| SAMPLE + BESIDE + width_of(name) as i32;
        let next = self
            .entries
            .last()
            .map_or((from, 0), |last| (last.at.0 + width(last.name) + APART, last.at.1));
        let at = if next.0 + width(name) > to { (from, next.1 + 1) } else { next };
        // the first entry stays where it is, however long
        let at = if self.entries.is_empty() { (from, 0) } else { at };
        self.lines = at.1 + 1;
        self.entries.push(Entry { name, sample, at });
    }

    /// Room that it needs, in pixels.
    pub fn height(&self) -> i32 {
        if self.lines == 0 { 0 } else { LINE * self.lines + 3 }
    }

    /// Draws it at the top of an area.
    pub fn draw(&self, area: &Area) -> Result<(), Failure> {
        for Entry { name, sample, at: (x, line) } in &self.entries {
            let middle = LINE * line + LINE / 2;
            sample.draw(area, *x, middle)?;
            let style = words().pos(Pos::new(HPos::Left, VPos::Center));
            area.draw(&Text::new((*name).to_owned(), (x + SAMPLE + BESIDE, middle), style))?;
        }
        Ok(())
    }
}

impl Sample {
    fn draw(&self, area: &Area, x: i32, y: i32) -> Result<(), Failure> {
        match self {
            Self::Curve(Stroke::Dashed, colour) => {
                for from in [x, x + 9] {
                    area.draw(&PathElement::new(
                        vec![(from, y), (from + 6, y)],
                        colour.stroke_width(1),
                    ))?;
                }
            }
            Self::Curve(_, colour) => {
                area.draw(&PathElement::new(
                    vec![(x, y), (x + SAMPLE, y)],
                    colour.stroke_width(1),
                ))?;
            }
            Self::Mark(minor, colour) => {
                let (on, off) = dashes(*minor);
                let step = (on + off) as usize;
                for from in (y - 6..=y + 4).step_by(step.max(1)) {
                    let stroke = vec![(x + SAMPLE / 2, from), (x + SAMPLE / 2, from + on as i32)];
                    area.draw(&PathElement::new(stroke, colour.stroke_width(1)))?;
                }
            }
            Self::Symbol(symbol) => {
                let at = (x + SAMPLE / 2, y);
                match symbol {
                    Symbol::Ring => area.draw(&Circle::new(at, 4, DARK.stroke_width(1)))?,
                    Symbol::Cross => {
                        area.draw(&Cross::new(at, 4, super::ink(1).stroke_width(1)))?
                    }
                    Symbol::Disc => area.draw(&Circle::new(at, 3, DARK.filled()))?,
                    Symbol::Sensor => area.draw(&TriangleMarker::new(at, 5, DARK.filled()))?,
                }
            }
        }
        Ok(())
    }
}
