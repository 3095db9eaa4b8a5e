//! A plot: curves over one axis, with marks, spans, limits and single points.

use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, Pos, VPos};

use super::axes::{Laid, title};
use super::legend::Legend;
use super::{Above, Area, Chart, DARK, FAINT, Failure, LINE, ink, lanes, spread, width_of, words};
use crate::figure::{Arrow, Curve, Mark, Plot, Points, Stroke, Symbol};

/// Columns that a long curve is gathered into.
const COLUMNS: usize = 500;
/// Room below and left of a plot for its axes, and least room right of it, in pixels.
const BELOW: u32 = 34;
const LEFT: u32 = 62;
const RIGHT: u32 = 16;
/// Distance of the names of lines from their ends, in pixels.
const BESIDE_END: f64 = 5.0;

pub(super) fn draw(plot: &Plot, body: &Area) -> Result<(), Failure> {
    let points = plot.points.iter();
    let across = plot.curves.iter().flat_map(|c| c.x()).chain(points.clone().flat_map(|p| &p.x));
    let across = Laid::of(&plot.x_axis, across.copied());
    let bands = plot.curves.iter().filter_map(Curve::band).flatten().flatten();
    let heights = plot.curves.iter().flat_map(|c| c.y()).chain(bands);
    let limits = plot.limits.iter().map(|limit| limit.at);
    let heights = heights.chain(points.flat_map(|p| &p.y)).copied().chain(limits);
    let up = Laid::of(&plot.y_axis, heights).with_room(&plot.y_axis);
    let colours = Colours::of(plot);
    let paper = Paper { across: &across, up: &up, colours: &colours };
    let (width, height) = body.dim_in_pixel();
    let named = plot.lines.iter().filter(|line| !paper.leaves_above(line));
    let widest = named.map(|line| width_of(&line.name)).fold(0.0, f64::max);
    let mut right = if widest > 0.0 { (widest + 2.0 * BESIDE_END) as u32 } else { RIGHT };
    let inner = f64::from(width.saturating_sub(LEFT + right));
    let above = lanes(
        paper.names_above(plot),
        (across.from, across.to),
        inner,
        [LEFT.into(), right.into()],
    );
    let legend = Legend::of(plot, &colours, (LEFT as i32, width as i32));
    let top = if above.count > 0 { above.height() } else { 8 } + legend.height();
    if plot.equal {
        // a square, as both axes of such plots reach equally far
        let side = height.saturating_sub(BELOW + top as u32);
        right = right.max(width.saturating_sub(LEFT + side));
    }
    let mut chart = ChartBuilder::on(body)
        .margin_top(top)
        .margin_right(right)
        .x_label_area_size(BELOW)
        .y_label_area_size(LEFT)
        .build_cartesian_2d(across.coordinate(if plot.equal { 5 } else { 8 }), up.coordinate(6))?;
    chart
        .configure_mesh()
        .light_line_style(TRANSPARENT)
        .bold_line_style(FAINT.mix(0.5))
        .axis_style(DARK)
        .label_style(words())
        .axis_desc_style(words())
        .x_desc(title(&plot.x_axis))
        .y_desc(title(&plot.y_axis))
        .x_label_formatter(&|place| across.number(*place))
        .y_label_formatter(&|place| up.number(*place))
        .draw()?;
    for span in plot.spans.iter().filter(|span| span.whole) {
        let corners = [(across.at(span.from), up.from), (across.at(span.to), up.to)];
        chart.draw_series(std::iter::once(Rectangle::new(corners, FAINT.mix(0.4).filled())))?;
    }
    paper.marks(&mut chart, &plot.marks)?;
    above.draw(&chart, body, up.to)?;
    for limit in plot.limits.iter().filter(|limit| limit.uncertain_by > 0.0) {
        let [low, high] = [-1.0, 1.0].map(|side| up.at(limit.at + side * limit.uncertain_by));
        let corners = [(across.from, low), (across.to, high)];
        chart.draw_series(std::iter::once(Rectangle::new(corners, FAINT.mix(0.6).filled())))?;
    }
    for (index, curve) in plot.curves.iter().enumerate().filter(|(_, c)| c.stroke == Stroke::Faint)
    {
        paper.curve(&mut chart, curve, index)?;
    }
    // what was found lies under the lines that it is held against
    for points in plot.points.iter().filter(|points| !points.sizes.is_empty()) {
        paper.points(&mut chart, points, false)?;
    }
    paper.lines(&mut chart, &plot.lines, body)?;
    for (index, curve) in plot.curves.iter().enumerate().filter(|(_, c)| c.stroke != Stroke::Faint)
    {
        paper.curve(&mut chart, curve, index)?;
    }
    for limit in &plot.limits {
        let height = up.at(limit.at);
        let line = [(across.from, height), (across.to, height)];
        chart.draw_series(DashedLineSeries::new(line, 6, 3, DARK.stroke_width(1)))?;
        if limit.label.is_empty() {
            continue;
        }
        let (at_right, below) = paper.free_corner(&chart, plot, height, &limit.label);
        let wide = width_of(&limit.label) as i32;
        let (end, side, from) = if at_right {
            (across.to, HPos::Right, -7 - wide)
        } else {
            (across.from, HPos::Left, 3)
        };
        let (anchor, up) = if below { (VPos::Top, 3) } else { (VPos::Bottom, -2) };
        let style = words().pos(Pos::new(side, anchor));
        let ground_from = if below { 2 } else { -LINE };
        let corners = [(from, ground_from), (from + 4 + wide, ground_from + LINE - 2)];
        let start = EmptyElement::at((end, height));
        let ground = Rectangle::new(corners, WHITE.mix(0.85).filled());
        let place = (if at_right { -5 } else { 5 }, up);
        let text = start + ground + Text::new(limit.label.clone(), place, style);
        chart.draw_series(std::iter::once(text))?;
    }
    for points in plot.points.iter().filter(|points| points.sizes.is_empty()) {
        paper.points(&mut chart, points, !plot.lines.is_empty())?;
    }
    for arrow in &plot.arrows {
        paper.arrow(&chart, arrow, body)?;
    }
    legend.draw(body)
}

/// Length of the strokes of a mark and of the gaps between them, in pixels; those of a lesser one are dots.
pub(super) fn dashes(minor: bool) -> (u32, u32) {
    if minor { (2, 3) } else { (5, 3) }
}

/// Colours of families of marks: those that the first two curves leave, so that a family has the same one in
/// every panel.
const MARK_INKS: [usize; 4] = [2, 3, 4, 1];

/// Which colour is whose.
pub(super) struct Colours<'p> {
    families: Vec<&'p str>,
}

impl<'p> Colours<'p> {
    /// Families are numbered from the left.
    pub fn of(plot: &'p Plot) -> Self {
        let mut marks: Vec<&Mark> = plot.marks.iter().collect();
        marks.sort_by(|a, b| a.at.total_cmp(&b.at));
        let mut families: Vec<&str> = Vec::new();
        for mark in marks {
            if !families.contains(&mark.family.as_str()) {
                families.push(&mark.family);
            }
        }
        Self { families }
    }

    pub fn of_curve(&self, index: usize, stroke: Stroke) -> RGBAColor {
        if stroke == Stroke::Faint { ink(1).mix(0.5) } else { ink(index).to_rgba() }
    }

    pub fn of_mark(&self, mark: &Mark) -> RGBColor {
        let family = self.families.iter().position(|name| *name == mark.family).unwrap_or(0);
        ink(MARK_INKS[family % MARK_INKS.len()])
    }
}

/// Share of the height that a lesser mark has, from the foot.
const MINOR_SHARE: f64 = 0.6;
/// Length of the strokes of a broken curve and of the gaps between them, in pixels.
const DASH: f64 = 6.0;
const GAP: f64 = 3.0;

/// The two axes that everything is laid on.
struct Paper<'l> {
    across: &'l Laid,
    up: &'l Laid,
    colours: &'l Colours<'l>,
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
            Stroke::Faint => {
                for run in runs(curve) {
                    let laid = run.into_iter().map(|(x, y)| place(x, y));
                    let style = self.colours.of_curve(index, curve.stroke).stroke_width(1);
                    chart.draw_series(LineSeries::new(laid, style))?;
                }
            }
            Stroke::Dots => {
                let all = curve.x().iter().zip(curve.y()).filter(|(_, y)| y.is_finite());
                let dots = all.map(|(&x, &y)| Circle::new(place(x, y), 1, ink(index).filled()));
                chart.draw_series(dots)?;
                for run in runs(curve) {
                    let laid = gathered(run).into_iter().map(|(x, y)| place(x, y));
                    chart.draw_series(LineSeries::new(laid, style))?;
                }
            }
            Stroke::Line => {
                for run in runs(curve) {
                    let laid = gathered(run).into_iter().map(|(x, y)| place(x, y));
                    chart.draw_series(LineSeries::new(laid, style))?;
                }
            }
            Stroke::Dashed => {
                for run in runs(curve) {
                    // strokes of a curve with many small steps are counted across alone
                    let steps = run.len() > COLUMNS;
                    let laid: Vec<(f64, f64)> =
                        gathered(run).into_iter().map(|(x, y)| place(x, y)).collect();
                    for piece in broken(&laid, chart, steps) {
                        chart.draw_series(LineSeries::new(piece, style))?;
                    }
                }
            }
        }
        Ok(())
    }

    /// Where the name of a limit stands: whether at the right, and whether below it. At the left and above, where
    /// a run-up is still quiet, unless a curve passes there and another corner is free.
    fn free_corner(&self, chart: &Chart, plot: &Plot, height: f64, label: &str) -> (bool, bool) {
        let wide = 7 + width_of(label) as i32;
        let is_free = |&(at_right, below): &(bool, bool)| {
            let end = if at_right { self.across.to } else { self.across.from };
            let (x, y) = chart.backend_coord(&(end, height));
            let across = if at_right { x - wide..=x } else { x..=x + wide };
            let up = if below { y..=y + LINE + 2 } else { y - LINE - 2..=y };
            let foot = chart.backend_coord(&(end, self.up.from)).1;
            *up.end() <= foot
                && plot.curves.iter().all(|curve| {
                    let points = curve.x().iter().zip(curve.y()).filter(|(_, y)| y.is_finite());
                    let mut places = points
                        .map(|(&x, &y)| chart.backend_coord(&(self.across.at(x), self.up.at(y))));
                    places.all(|(x, y)| !(across.contains(&x) && up.contains(&y)))
                })
        };
        let corners = [(false, false), (true, false), (false, true), (true, true)];
        corners.into_iter().find(is_free).unwrap_or((false, false))
    }

    /// Marks inside the plot, from the left.
    fn inside<'m>(&self, marks: &'m [Mark]) -> Vec<&'m Mark> {
        let mut inside: Vec<&Mark> = marks.iter().filter(|mark| self.holds(mark.at)).collect();
        inside.sort_by(|a, b| a.at.total_cmp(&b.at));
        inside
    }

    /// What is named above the plot: its marks, and the lines that leave it there.
    fn names_above<'m>(&self, plot: &'m Plot) -> Vec<Above<'m>> {
        let mark = |mark: &'m Mark| Above {
            at: self.across.at(mark.at),
            name: &mark.label,
            colour: self.colours.of_mark(mark),
        };
        let lines = plot.lines.iter().filter(|line| self.leaves_above(line)).filter_map(|line| {
            let at = self.across.at(*line.x().last()?);
            Some(Above { at, name: &line.name, colour: ink(0) })
        });
        let mut spans: Vec<Above> = Vec::new();
        for span in plot.spans.iter().filter(|span| span.whole) {
            if spans.iter().all(|other| other.name != span.label) {
                let at = 0.5 * (self.across.at(span.from) + self.across.at(span.to));
                spans.push(Above { at, name: &span.label, colour: DARK });
            }
        }
        // where room is scarce, lesser marks go without a name
        let (minor, major): (Vec<&Mark>, Vec<&Mark>) =
            self.inside(&plot.marks).into_iter().partition(|mark| mark.minor);
        let marks = major.into_iter().chain(minor).map(mark);
        marks.chain(lines).chain(spans).collect()
    }

    /// Upright lines at marks.
    fn marks(&self, chart: &mut Chart, marks: &[Mark]) -> Result<(), Failure> {
        for mark in self.inside(marks) {
            let style = self.colours.of_mark(mark).mix(0.85).stroke_width(1);
            let place = self.across.at(mark.at);
            let share = if mark.minor { MINOR_SHARE } else { 1.0 };
            let end = self.up.from + share * (self.up.to - self.up.from);
            let (on, off) = dashes(mark.minor);
            let line = [(place, self.up.from), (place, end)];
            chart.draw_series(DashedLineSeries::new(line, on, off, style))?;
        }
        Ok(())
    }

    /// Whether a line ends at the upper edge.
    fn leaves_above(&self, line: &Curve) -> bool {
        let end = line.y().last().map_or(self.up.from, |&y| self.up.at(y));
        let right = line.x().last().map_or(self.across.to, |&x| self.across.at(x));
        end >= self.up.to - 1e-6 * (self.up.to - self.up.from)
            && right < self.across.to - 0.005 * (self.across.to - self.across.from)
    }

    /// Named lines, those that do not leave above named right of the plot.
    fn lines(&self, chart: &mut Chart, lines: &[Curve], body: &Area) -> Result<(), Failure> {
        let mut ends = Vec::new();
        for line in lines {
            let laid =
                line.x().iter().zip(line.y()).map(|(&x, &y)| (self.across.at(x), self.up.at(y)));
            let laid: Vec<(f64, f64)> = laid.collect();
            let last = laid.last().copied().unwrap_or_default();
            chart.draw_series(LineSeries::new(laid, ink(0).mix(0.85).stroke_width(1)))?;
            if !self.leaves_above(line) && !line.name.is_empty() {
                ends.push((f64::from(chart.backend_coord(&last).1), line.name.as_str()));
            }
        }
        ends.sort_by(|a, b| a.0.total_cmp(&b.0));
        let (left, above) = body.get_base_pixel();
        let [top, foot] = [self.up.to, self.up.from]
            .map(|y| f64::from(chart.backend_coord(&(self.across.to, y)).1));
        let heights: Vec<f64> = ends.iter().map(|(y, _)| *y).collect();
        let x = chart.backend_coord(&(self.across.to, self.up.to)).0 - left + BESIDE_END as i32;
        for (y, (_, name)) in spread(&heights, LINE.into(), (top, foot)).into_iter().zip(&ends) {
            let colour = ink(0);
            let style = words().color(&colour).pos(Pos::new(HPos::Left, VPos::Center));
            body.draw(&Text::new((*name).to_owned(), (x, y as i32 - above), style))?;
        }
        Ok(())
    }

    /// The head of an arrow, in pixels.
    fn arrow(&self, chart: &Chart, arrow: &Arrow, body: &Area) -> Result<(), Failure> {
        let (left, above) = body.get_base_pixel();
        let place = |[x, y]: [f64; 2]| {
            let (x, y) = chart.backend_coord(&(self.across.at(x), self.up.at(y)));
            (f64::from(x - left), f64::from(y - above))
        };
        let (tip, from) = (place(arrow.at), place(arrow.from));
        // a step of a pixel or two has hardly a direction: take that of the numbers
        let scale = |axis: &Laid, pixels: f64| pixels / (axis.to - axis.from);
        let (width, height) = chart.plotting_area().dim_in_pixel();
        let dx = (arrow.at[0] - arrow.from[0]) * scale(self.across, f64::from(width));
        let dy = (arrow.from[1] - arrow.at[1]) * scale(self.up, f64::from(height));
        let length = dx.hypot(dy);
        if !(length > 0.0 && from.0.is_finite()) {
            return Ok(());
        }
        let (ux, uy) = (dx / length, dy / length);
        let corner = |back: f64, side: f64| {
            let x = tip.0 - back * ux - side * uy;
            let y = tip.1 - back * uy + side * ux;
            (x.round() as i32, y.round() as i32)
        };
        let head = vec![corner(-6.0, 0.0), corner(5.0, 5.0), corner(5.0, -5.0)];
        body.draw(&Polygon::new(head, ink(0).filled()))?;
        Ok(())
    }

    /// Single points; `below` puts their names below them instead of above.
    fn points(&self, chart: &mut Chart, points: &Points, below: bool) -> Result<(), Failure> {
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
                Symbol::Sensor => {
                    let sensor = TriangleMarker::new(at, 5, DARK.filled());
                    chart.draw_series(std::iter::once(sensor))?;
                }
                Symbol::Disc => {
                    let disc = match points.sizes.get(index) {
                        None => Circle::new(at, 4, DARK.filled()),
                        Some(&size) => {
                            let radius = (1.0 + 3.0 * size.clamp(0.0, 1.0)).round() as i32;
                            Circle::new(at, radius, ink(2).mix(0.75).filled())
                        }
                    };
                    chart.draw_series(std::iter::once(disc))?;
                }
            }
            if let Some(label) = points.labels.get(index).filter(|label| !label.is_empty()) {
                let (up, anchor) = if below { (6, VPos::Top) } else { (-4, VPos::Bottom) };
                // at the right edge the name stands on the other side
                let is_last = at.0 > self.across.from + 0.8 * (self.across.to - self.across.from);
                let (side, aside) =
                    if is_last && !below { (HPos::Right, -8) } else { (HPos::Left, 6) };
                let style = words().pos(Pos::new(side, anchor));
                let wide = 8 + width_of(label) as i32;
                let shade = if below { WHITE.mix(0.85) } else { TRANSPARENT };
                let ground = Rectangle::new([(4, up), (wide, up + LINE)], shade.filled());
                let text =
                    EmptyElement::at(at) + ground + Text::new(label.clone(), (aside, up), style);
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

/// The strokes of a broken line, by the length of the way in pixels, or of the way across alone.
fn broken(laid: &[(f64, f64)], chart: &Chart, across_alone: bool) -> Vec<Vec<(f64, f64)>> {
    let pixels = |place: &(f64, f64)| {
        let (x, y) = chart.backend_coord(place);
        (f64::from(x), f64::from(y))
    };
    let mut pieces: Vec<Vec<(f64, f64)>> = Vec::new();
    let (mut gone, mut piece) = (0.0, Vec::new());
    for pair in laid.windows(2) {
        let [from, to] = [pixels(&pair[0]), pixels(&pair[1])];
        let length =
            if across_alone { (to.0 - from.0).abs() } else { (to.0 - from.0).hypot(to.1 - from.1) };
        // a long way from point to point holds several strokes
        let parts = (length / (0.5 * GAP)).ceil().max(1.0);
        for part in 0..parts as usize {
            let at = |part: f64| {
                let share = part / parts;
                (
                    pair[0].0 + share * (pair[1].0 - pair[0].0),
                    pair[0].1 + share * (pair[1].1 - pair[0].1),
                )
            };
            if gone % (DASH + GAP) < DASH {
                if piece.is_empty() {
                    piece.push(at(part as f64));
                }
                piece.push(at((part + 1) as f64));
            } else if !piece.is_empty() {
                pieces.push(std::mem::take(&mut piece));
            }
            gone += length / parts;
        }
    }
    if !piece.is_empty() {
        pieces.push(piece);
    }
    pieces
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
    use super::super::draw as draw_figure;
    use super::*;
    use crate::figure::{Axis, Figure};

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

    /// The lowest point of every text that is one of `names`, and where it stands across.
    fn texts(svg: &str, names: &[&str]) -> Vec<(f64, f64)> {
        let lines: Vec<&str> = svg.lines().collect();
        let number = |line: &str, key: &str| {
            let after = line.split(&format!("{key}=\"")).nth(1)?;
            after.split('"').next()?.parse::<f64>().ok()
        };
        let told = |name: &&str| {
            let at = lines.iter().position(|line| line.trim() == *name)?;
            let opening = lines.get(at - 1)?;
            Some((number(opening, " x")?, number(opening, " y")?))
        };
        names.iter().filter_map(told).collect()
    }

    #[test]
    fn lines_are_named_where_they_end_and_names_stand_apart() {
        let mut plot = Plot::new(
            "",
            Axis::linear("speed", "rpm").between(0.0, 100.0),
            Axis::linear("frequency", "Hz").between(0.0, 100.0),
        );
        let line = |name: &str, to: f64, at: f64| Curve::new(name, vec![0.0, to], vec![0.0, at]);
        for (name, to, at) in [("low", 100.0, 40.0), ("near", 100.0, 40.5), ("steep", 30.0, 100.0)]
        {
            plot.lines.push(line(name, to, at).expect("two points"));
        }
        plot.equal = true;
        plot.arrows.push(Arrow { at: [50.0, 50.0], from: [49.0, 50.0] });
        let svg = draw_figure(&Figure::of("", plot)).expect("drawn").expect("a picture");
        let places = texts(&svg, &["near", "low", "steep"]);
        let [near, low, steep] = places[..] else { unreachable!("three names in {svg}") };
        assert!((low.1 - near.1 - f64::from(LINE)).abs() < 2.0, "{places:?}");
        assert!((near.0 - low.0).abs() < 1.0 && steep.0 < near.0 && steep.1 < near.1);
        // the head of the arrow is one triangle that points to the right
        let heads = svg.lines().filter(|line| line.contains("<polygon")).count();
        assert_eq!(heads, 1, "{svg}");
    }

    /// Two curves and two families of marks, one of them lesser.
    fn explained() -> Plot {
        let across = Axis::linear("order", "").between(0.0, 10.0);
        let curve = |name: &str, y: f64| Curve::new(name, vec![0.0, 10.0], vec![y, y]);
        let marks = [2.0, 4.0].map(|at| Mark::new(at, "").of("harmonics"));
        let sides = [1.5, 2.5].map(|at| Mark::new(at, "").of("sidebands").minor());
        Plot::new("", across, Axis::linear("level", "").between(0.0, 4.0))
            .with_curve(curve("level", 1.0).expect("two points"))
            .with_curve(curve("bound", 2.0).expect("two points").drawn(Stroke::Dashed))
            .with_marks(marks.into_iter().chain(sides))
    }

    #[test]
    fn a_legend_stands_above_the_frame() {
        let svg = draw_figure(&Figure::of("", explained())).expect("drawn").expect("a picture");
        let names = texts(&svg, &["level", "bound", "harmonics", "sidebands"]);
        // the label of the axis is called like the curve
        assert_eq!(names.len(), 4, "{svg}");
        let [top] = texts(&svg, &["4"])[..] else { unreachable!("one number {svg}") };
        assert!(names[1..].iter().all(|(_, y)| *y < top.1), "{names:?} against {top:?}");
        assert!(names[1].0 < names[2].0 && names[2].0 < names[3].0, "{names:?}");
    }

    #[test]
    fn a_broken_line_has_gaps_and_lesser_marks_are_low_dots() {
        let laid = vec![(0.0, 0.0), (90.0, 0.0)];
        let mut text = String::new();
        let area = SVGBackend::with_string(&mut text, (90, 90)).into_drawing_area();
        let axis = |to: f64| Laid::of(&Axis::linear("", "").between(0.0, to), std::iter::empty());
        let (across, up) = (axis(90.0).coordinate(2), axis(90.0).coordinate(2));
        let chart = ChartBuilder::on(&area).build_cartesian_2d(across, up).expect("a chart");
        let strokes = broken(&laid, &chart, false);
        assert_eq!(strokes.len(), 10);
        let drawn: f64 =
            strokes.iter().map(|stroke| stroke[stroke.len() - 1].0 - stroke[0].0).sum();
        assert!((55.0..65.0).contains(&drawn), "{drawn}");
        assert!(dashes(true).0 < dashes(false).0);
    }

    #[test]
    fn the_name_of_a_limit_keeps_clear_of_curves() {
        let across = Axis::linear("", "").between(0.0, 100.0);
        let up = Axis::linear("", "").between(0.0, 100.0);
        let mut plot = Plot::new("", across, up);
        plot.limits.push(crate::figure::Limit::new(50.0, "limit"));
        let place = |plot: &Plot| {
            let svg = draw_figure(&Figure::of("", plot.clone())).expect("drawn").expect("one");
            texts(&svg, &["limit"])[0]
        };
        let free = place(&plot);
        let level = |from: f64| (0..50).map(|k| from + f64::from(k)).collect::<Vec<f64>>();
        let crossing = Curve::new("", level(0.0), vec![52.0; 50]).expect("points");
        let left = place(&plot.clone().with_curve(crossing.clone()));
        assert!(left.0 > free.0 + 300.0, "at the right: {left:?} against {free:?}");
        let other = Curve::new("", level(50.0), vec![52.0; 50]).expect("points");
        let both = place(&plot.with_curve(crossing).with_curve(other));
        assert!((both.0 - free.0).abs() < 1.0 && both.1 >= free.1 + 5.0, "below: {both:?}");
    }

    #[test]
    fn what_is_no_number_parts_a_curve() {
        let y = vec![1.0, f64::NAN, 2.0, 3.0];
        let curve = Curve::new("", vec![0.0, 1.0, 2.0, 3.0], y).expect("lengths fit");
        assert_eq!(runs(&curve), [vec![(0.0, 1.0)], vec![(2.0, 2.0), (3.0, 3.0)]]);
    }
}
