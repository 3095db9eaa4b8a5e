//! A plot: curves over one axis, with marks, spans, limits and single points.

use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, Pos, VPos};

use super::axes::{Laid, title};
use super::{Area, Chart, DARK, FAINT, Failure, ink, name_above, words};
use crate::figure::{Curve, Mark, Plot, Points, Stroke, Symbol};

/// Columns that a long curve is gathered into.
const COLUMNS: usize = 500;
/// Least distance of two labels of marks, as a share of the width: closer ones would overlap.
const LABEL_ROOM: f64 = 0.053;

pub(super) fn draw(plot: &Plot, body: &Area) -> Result<(), Failure> {
    let points = plot.points.iter();
    let across = plot.curves.iter().flat_map(|c| c.x()).chain(points.clone().flat_map(|p| &p.x));
    let across = Laid::of(&plot.x_axis, across.copied());
    let bands = plot.curves.iter().filter_map(Curve::band).flatten().flatten();
    let heights = plot.curves.iter().flat_map(|c| c.y()).chain(bands);
    let limits = plot.limits.iter().map(|limit| limit.at);
    let heights = heights.chain(points.flat_map(|p| &p.y)).copied().chain(limits);
    let up = Laid::of(&plot.y_axis, heights).with_room(&plot.y_axis);
    let has_labels = plot.marks.iter().any(|mark| !mark.label.is_empty());
    let mut chart = ChartBuilder::on(body)
        .margin_top(if has_labels { 18 } else { 8 })
        .margin_right(16)
        .x_label_area_size(34)
        .y_label_area_size(62)
        .build_cartesian_2d(across.from..across.to, up.from..up.to)?;
    chart
        .configure_mesh()
        .light_line_style(TRANSPARENT)
        .bold_line_style(FAINT.mix(0.5))
        .axis_style(DARK)
        .label_style(words())
        .axis_desc_style(words())
        .x_desc(title(&plot.x_axis))
        .y_desc(title(&plot.y_axis))
        .x_labels(8)
        .y_labels(6)
        .x_label_formatter(&|place| across.number(*place))
        .y_label_formatter(&|place| up.number(*place))
        .draw()?;
    let paper = Paper { across: &across, up: &up };
    for span in plot.spans.iter().filter(|span| span.whole) {
        let corners = [(across.at(span.from), up.from), (across.at(span.to), up.to)];
        chart.draw_series(std::iter::once(Rectangle::new(corners, FAINT.mix(0.4).filled())))?;
    }
    paper.marks(&mut chart, &plot.marks, body)?;
    for (index, curve) in plot.curves.iter().enumerate() {
        paper.curve(&mut chart, curve, index)?;
    }
    for limit in &plot.limits {
        let height = up.at(limit.at);
        let line = [(across.from, height), (across.to, height)];
        chart.draw_series(DashedLineSeries::new(line, 6, 3, DARK.stroke_width(1)))?;
        // at the left, where a run-up is still quiet
        let style = words().pos(Pos::new(HPos::Left, VPos::Bottom));
        let start = EmptyElement::at((across.from, height));
        let text = start + Text::new(limit.label.clone(), (5, -2), style);
        chart.draw_series(std::iter::once(text))?;
    }
    for points in &plot.points {
        paper.points(&mut chart, points)?;
    }
    // an empty legend would veil what lies under it
    let is_told = |curve: &Curve| curve.stroke == Stroke::Line && !curve.name.is_empty();
    if plot.curves.len() > 1 && plot.curves.iter().any(is_told) {
        chart
            .configure_series_labels()
            .position(SeriesLabelPosition::UpperLeft)
            .background_style(WHITE.mix(0.8))
            .label_font(words())
            .draw()?;
    }
    Ok(())
}

/// The two axes that everything is laid on.
struct Paper<'l> {
    across: &'l Laid,
    up: &'l Laid,
}

impl Paper<'_> {
    fn curve(&self, chart: &mut Chart, curve: &Curve, index: usize) -> Result<(), Failure> {
        let place = |x: f64, y: f64| (self.across.at(x), self.up.at(y));
        let style = ShapeStyle { color: ink(index).to_rgba(), filled: false, stroke_width: 1 };
        if let Some([low, high]) = curve.band() {
            let there = curve.x().iter().zip(low).map(|(&x, &y)| (x, y));
            let back = curve.x().iter().zip(high).rev().map(|(&x, &y)| (x, y));
            let finite = there.chain(back).filter(|(_, y)| y.is_finite());
            let outline: Vec<(f64, f64)> = finite.map(|(x, y)| place(x, y)).collect();
            let shade = ink(index).mix(0.22).filled();
            chart.draw_series(std::iter::once(Polygon::new(outline, shade)))?;
        }
        match curve.stroke {
            Stroke::Band => {}
            Stroke::Dots => {
                let all = curve.x().iter().zip(curve.y()).filter(|(_, y)| y.is_finite());
                let dots = all.map(|(&x, &y)| Circle::new(place(x, y), 1, ink(index).filled()));
                chart.draw_series(dots)?;
            }
            Stroke::Line => {
                for (k, run) in runs(curve).into_iter().enumerate() {
                    let laid = gathered(run).into_iter().map(|(x, y)| place(x, y));
                    let series = chart.draw_series(LineSeries::new(laid, style))?;
                    if k == 0 && !curve.name.is_empty() {
                        let legend =
                            move |(x, y)| PathElement::new(vec![(x, y), (x + 14, y)], style);
                        series.label(curve.name.clone()).legend(legend);
                    }
                }
            }
        }
        Ok(())
    }

    /// Upright lines with their names above, where there is room for them.
    fn marks(&self, chart: &mut Chart, marks: &[Mark], body: &Area) -> Result<(), Failure> {
        let mut families: Vec<&str> = Vec::new();
        let mut inside: Vec<&Mark> = marks.iter().filter(|mark| self.holds(mark.at)).collect();
        inside.sort_by(|a, b| a.at.total_cmp(&b.at));
        let mut taken = f64::NEG_INFINITY;
        for mark in inside {
            let family = families.iter().position(|name| *name == mark.family);
            let family = family.unwrap_or_else(|| {
                families.push(&mark.family);
                families.len() - 1
            });
            let colour = ink(family + 1).mix(if mark.minor { 0.35 } else { 0.8 });
            let place = self.across.at(mark.at);
            let line = [(place, self.up.from), (place, self.up.to)];
            chart.draw_series(DashedLineSeries::new(line, 3, 3, colour.stroke_width(1)))?;
            let room = LABEL_ROOM * (self.across.to - self.across.from);
            let width = room * (0.5 + 0.2 * mark.label.chars().count() as f64);
            if !mark.label.is_empty() && place - taken > width {
                taken = place;
                name_above(chart, body, (place, self.up.to), &mark.label, ink(family + 1))?;
            }
        }
        Ok(())
    }

    fn points(&self, chart: &mut Chart, points: &Points) -> Result<(), Failure> {
        let all = points.x.iter().zip(&points.y).enumerate();
        for (index, (&x, &y)) in all.filter(|(_, (x, y))| self.holds(**x) && y.is_finite()) {
            let at = (self.across.at(x), self.up.at(y));
            match points.symbol {
                Symbol::Cross => {
                    chart.draw_series(std::iter::once(Cross::new(
                        at,
                        4,
                        ink(1).stroke_width(1),
                    )))?;
                }
                Symbol::Ring => {
                    let ring = Circle::new(at, 5, DARK.stroke_width(1));
                    chart.draw_series(std::iter::once(ring))?;
                }
            }
            if let Some(label) = points.labels.get(index).filter(|label| !label.is_empty()) {
                let style = words().pos(Pos::new(HPos::Left, VPos::Bottom));
                let text = EmptyElement::at(at) + Text::new(label.clone(), (6, -4), style);
                chart.draw_series(std::iter::once(text))?;
            }
        }
        Ok(())
    }

    fn holds(&self, x: f64) -> bool {
        let place = self.across.at(x);
        place >= self.across.from && place <= self.across.to
    }
}

/// The stretches of a curve between values that are no numbers.
fn runs(curve: &Curve) -> Vec<Vec<(f64, f64)>> {
    let points: Vec<(f64, f64)> =
        curve.x().iter().copied().zip(curve.y().iter().copied()).collect();
    let stretches = points.split(|(_, y)| !y.is_finite()).filter(|run| !run.is_empty());
    stretches.map(<[_]>::to_vec).collect()
}

/// A long run with as many points as can be told apart: the lowest and the highest of every column, in
/// their order. A run whose places do not rise stays as it is.
fn gathered(run: Vec<(f64, f64)>) -> Vec<(f64, f64)> {
    let rises = run.windows(2).all(|pair| pair[1].0 >= pair[0].0);
    if run.len() <= 4 * COLUMNS || !rises {
        return run;
    }
    let extremes = |column: &[(f64, f64)]| {
        let low = (0..column.len()).min_by(|&a, &b| column[a].1.total_cmp(&column[b].1));
        let high = (0..column.len()).max_by(|&a, &b| column[a].1.total_cmp(&column[b].1));
        let (low, high) = (low.unwrap_or(0), high.unwrap_or(0));
        [column[low.min(high)], column[low.max(high)]]
    };
    run.chunks(run.len().div_ceil(COLUMNS)).flat_map(extremes).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_long_run_keeps_its_extremes_in_order() {
        let mut run: Vec<(f64, f64)> = (0..100_000).map(|i| (f64::from(i), 0.0)).collect();
        run[70_000].1 = 9.0;
        run[70_001].1 = -9.0;
        let short = gathered(run);
        assert!(short.len() <= 2 * COLUMNS);
        let at = |y: f64| short.iter().position(|p| p.1 == y).expect("kept");
        assert!(at(9.0) < at(-9.0));
        assert!(short.windows(2).all(|pair| pair[1].0 >= pair[0].0));
    }

    #[test]
    fn what_is_no_number_parts_a_curve() {
        let y = vec![1.0, f64::NAN, 2.0, 3.0];
        let curve = Curve::new("", vec![0.0, 1.0, 2.0, 3.0], y).expect("lengths fit");
        assert_eq!(runs(&curve), [vec![(0.0, 1.0)], vec![(2.0, 2.0), (3.0, 3.0)]]);
    }
}
