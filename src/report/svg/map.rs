//! A map: values as shades, or as traces one above the other.

use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, Pos, VPos};

use super::axes::{Laid, title};
use super::{Above, Area, Chart, DARK, FAINT, Failure, ink, lanes, words};
use crate::figure::{Look, Map, Mark};

/// Shades from the foot to the top of the values, light to dark so that a print saves its ink; lightness
/// falls evenly.
const SHADES: [(u8, u8, u8); 6] = [
    (252, 252, 250),
    (214, 226, 232),
    (158, 190, 208),
    (92, 142, 180),
    (42, 86, 138),
    (14, 30, 66),
];
/// Height of a trace over the distance of two, where it is highest.
const TRACE_HEIGHT: f64 = 6.0;
/// Length of the ticks that mark a place, and distance of an order line's two strokes from what they mark,
/// in pixels.
const TICK: f64 = 8.0;
const BESIDE: f64 = 4.0;
/// Room left of a map for its axis, and right of it, in pixels.
const LEFT: u32 = 62;
const RIGHT: u32 = 8;
/// Width of the strip that tells the shades, in pixels.
const STRIP: u32 = 74;

/// Numbers across and upwards, about.
const NUMBERS: [usize; 2] = [8, 6];

pub(super) fn draw(map: &Map, body: &Area) -> Result<(), Failure> {
    let across = Laid::of(&map.x_axis, map.x().iter().copied());
    let mut up = Laid::of(&map.y_axis, map.y().iter().copied());
    let value = Laid::of(&map.value_axis, map.values().iter().map(|&v| f64::from(v)));
    let is_shaded = map.look == Look::Shades;
    if !is_shaded {
        up.to += TRACE_HEIGHT * step(map);
    }
    let (width, _) = body.dim_in_pixel();
    let (main, strip) = body.split_horizontally(width - if is_shaded { STRIP } else { 0 });
    let marks = map.marks.iter().filter(|mark| holds(&across, mark.at));
    let above = |mark| {
        let Mark { at, label, .. }: &Mark = mark;
        Above { at: across.at(*at), name: label, colour: ink(1) }
    };
    let inner = f64::from(main.dim_in_pixel().0.saturating_sub(LEFT + RIGHT));
    let names = lanes(
        marks.clone().map(above).collect(),
        (across.from, across.to),
        inner,
        [f64::from(LEFT), f64::from(RIGHT)],
    );
    let top = names.height().max(18);
    let mut chart = ChartBuilder::on(&main)
        .margin_top(top)
        .margin_right(RIGHT)
        .x_label_area_size(34)
        .y_label_area_size(LEFT)
        .build_cartesian_2d(across.coordinate(NUMBERS[0]), up.coordinate(NUMBERS[1]))?;
    let shade = |v: f64| (value.at(v) - value.from) / (value.to - value.from);
    if is_shaded {
        let pixels = chart.plotting_area().dim_in_pixel();
        let picture = picture(map, (&across, &up), shade, pixels);
        let element = BitMapElement::with_owned_buffer((across.from, up.to), pixels, picture);
        chart.draw_series(element)?;
    } else {
        traces(map, &mut chart, (&across, &up), shade)?;
    }
    chart
        .configure_mesh()
        .disable_mesh()
        .axis_style(DARK)
        .label_style(words())
        .axis_desc_style(words())
        .x_desc(title(&map.x_axis))
        .y_desc(title(&map.y_axis))
        .x_label_formatter(&|place| across.number(*place))
        .y_label_formatter(&|place| up.number(*place))
        .draw()?;
    let tick = TICK / f64::from(chart.plotting_area().dim_in_pixel().1) * (up.to - up.from);
    for mark in marks {
        let place = across.at(mark.at);
        // at the edges alone, so that what stands there is seen
        for (from, to) in [(up.from, up.from + tick), (up.to - tick, up.to)] {
            let line = [(place, from), (place, to)];
            chart.draw_series(LineSeries::new(line, ink(1).stroke_width(2)))?;
        }
    }
    for outline in &map.outlines {
        let ([left, right], [foot, head]) =
            (outline.x.map(|x| across.at(x)), outline.y.map(|y| up.at(y)));
        let corners = [(left, foot), (right, foot), (right, head), (left, head), (left, foot)];
        chart.draw_series(LineSeries::new(corners, ink(1).stroke_width(2)))?;
    }
    names.draw(&chart, &main, up.to)?;
    for line in &map.lines {
        let points = line.x().iter().zip(line.y()).map(|(&x, &y)| (across.at(x), up.at(y)));
        let points: Vec<(f64, f64)> = points.collect();
        let (width, height) = chart.plotting_area().dim_in_pixel();
        let pixel =
            ((across.to - across.from) / f64::from(width), (up.to - up.from) / f64::from(height));
        // traces hide little of what they cross, and two strokes would part them
        let sides: &[f64] = if is_shaded { &[-BESIDE, BESIDE] } else { &[0.0] };
        for &side in sides {
            let inside = beside(&points, pixel, side).into_iter().filter(|(x, y)| {
                (across.from..=across.to).contains(x) && (up.from..=up.to).contains(y)
            });
            chart.draw_series(LineSeries::new(inside, ink(1).mix(0.7).stroke_width(1)))?;
        }
        // by where the line leaves the picture, but inside it
        let inside = |(x, y): &&(f64, f64)| {
            (across.from..=across.to).contains(x) && (up.from..=up.to).contains(y)
        };
        let inside: Vec<&(f64, f64)> = points.iter().filter(inside).collect();
        if let Some(at) = inside.get(inside.len().saturating_sub(1) * 9 / 10) {
            let colour = ink(1);
            let style = words().color(&colour).pos(Pos::new(HPos::Right, VPos::Bottom));
            let name = EmptyElement::at(**at) + Text::new(line.name.clone(), (-5, -5), style);
            chart.draw_series(std::iter::once(name))?;
        }
    }
    if is_shaded { told(map, &value, &strip, top) } else { Ok(()) }
}

/// A line moved sideways by some pixels, so that what lies on it stays seen; `pixel` is the size of one in
/// the units of the axes.
fn beside(points: &[(f64, f64)], pixel: (f64, f64), by: f64) -> Vec<(f64, f64)> {
    let place = |at: usize| points.get(at).copied().unwrap_or_default();
    let last = points.len().saturating_sub(1);
    let moved = |(at, &(x, y)): (usize, &(f64, f64))| {
        let (before, after) = (place(at.saturating_sub(1)), place((at + 1).min(last)));
        let (dx, dy) = ((after.0 - before.0) / pixel.0, (after.1 - before.1) / pixel.1);
        let length = dx.hypot(dy).max(f64::MIN_POSITIVE);
        (x - by * dy / length * pixel.0, y + by * dx / length * pixel.1)
    };
    points.iter().enumerate().map(moved).collect()
}

fn holds(axis: &Laid, value: f64) -> bool {
    (axis.from..=axis.to).contains(&axis.at(value))
}

/// Usual distance of two rows.
fn step(map: &Map) -> f64 {
    match map.y() {
        [first, .., last] => (last - first) / (map.y().len() - 1) as f64,
        _ => 1.0,
    }
}

/// The pixels of a map, rows from the top, three bytes each: the greatest value that falls into each, so
/// that no thin line is lost.
fn picture(
    map: &Map,
    (across, up): (&Laid, &Laid),
    shade: impl Fn(f64) -> f64,
    (width, height): (u32, u32),
) -> Vec<u8> {
    let places = |axis: &Laid, count: u32, index: u32| {
        let part = (axis.to - axis.from) / f64::from(count);
        let from = axis.from + f64::from(index) * part;
        (from, from + part)
    };
    let columns: Vec<_> = (0..width).map(|k| cells(map.x(), places(across, width, k))).collect();
    let lines: Vec<_> = (0..height).rev().map(|k| cells(map.y(), places(up, height, k))).collect();
    let rows: Vec<&[f32]> = map.rows().collect();
    let mut bytes = Vec::with_capacity(3 * (width * height) as usize);
    for line in lines {
        for column in &columns {
            let here = rows.get(line.clone()).unwrap_or_default().iter();
            let values = here.flat_map(|row| row.get(column.clone()).unwrap_or_default());
            let greatest = values.copied().fold(f32::NEG_INFINITY, f32::max);
            let (r, g, b) = colour(shade(f64::from(greatest.max(0.0))));
            bytes.extend([r, g, b]);
        }
    }
    bytes
}

/// The places that fall into a stretch; the nearest one where none does.
fn cells(places: &[f64], (from, to): (f64, f64)) -> std::ops::Range<usize> {
    let first = places.partition_point(|&place| place < from);
    let last = places.partition_point(|&place| place < to);
    if last > first {
        return first..last;
    }
    let middle = 0.5 * (from + to);
    let after = first.min(places.len().saturating_sub(1));
    let before = after.saturating_sub(1);
    let nearer = |k: usize| (places[k] - middle).abs();
    let nearest = if nearer(before) <= nearer(after) { before } else { after };
    nearest..nearest + 1
}

/// The shade of a share of the whole range.
fn colour(share: f64) -> (u8, u8, u8) {
    // what is no number has the lightest shade
    let share = if share > 0.0 { share.min(1.0) } else { 0.0 };
    let place = share * (SHADES.len() - 1) as f64;
    let below = (place as usize).min(SHADES.len() - 2);
    let part = place - below as f64;
    let between =
        |a: u8, b: u8| (f64::from(a) + part * (f64::from(b) - f64::from(a))).round() as u8;
    let (low, high) = (SHADES[below], SHADES[below + 1]);
    (between(low.0, high.0), between(low.1, high.1), between(low.2, high.2))
}

/// Traces from the farthest to the nearest, each hiding what lies behind it.
fn traces(
    map: &Map,
    chart: &mut Chart,
    (across, up): (&Laid, &Laid),
    shade: impl Fn(f64) -> f64,
) -> Result<(), Failure> {
    let height = TRACE_HEIGHT * step(map);
    for (place, row) in map.y().iter().zip(map.rows()).rev() {
        let foot = up.at(*place);
        let above = |v: &f32| foot + height * shade(f64::from(*v)).clamp(0.0, 1.0);
        let curve: Vec<(f64, f64)> =
            map.x().iter().zip(row).map(|(&x, v)| (across.at(x), above(v))).collect();
        let (Some(first), Some(last)) = (curve.first(), curve.last()) else { continue };
        let mut outline = vec![(first.0, foot)];
        outline.extend(&curve);
        outline.push((last.0, foot));
        chart.draw_series(std::iter::once(Polygon::new(outline, WHITE.filled())))?;
        chart.draw_series(LineSeries::new(curve, ink(0).stroke_width(1)))?;
    }
    Ok(())
}

/// The strip that tells which shade means what.
fn told(map: &Map, value: &Laid, strip: &Area, top: i32) -> Result<(), Failure> {
    let (_, height) = strip.dim_in_pixel();
    let bottom = height as i32 - 36;
    for y in top..bottom {
        let share = f64::from(bottom - y) / f64::from(bottom - top);
        let (r, g, b) = colour(share);
        strip.draw(&Rectangle::new([(4, y), (14, y + 1)], RGBColor(r, g, b).filled()))?;
    }
    strip.draw(&Rectangle::new([(4, top), (14, bottom)], FAINT.stroke_width(1)))?;
    for (share, anchor) in [(0.0, VPos::Bottom), (0.5, VPos::Center), (1.0, VPos::Top)] {
        let y = bottom - (share * f64::from(bottom - top)) as i32;
        let number = value.number(value.from + share * (value.to - value.from));
        let style = words().pos(Pos::new(HPos::Left, anchor));
        strip.draw(&Text::new(number, (18, y), style))?;
    }
    let name = title(&map.value_axis);
    let turned = words().transform(FontTransform::Rotate90).pos(Pos::new(HPos::Center, VPos::Top));
    strip.draw(&Text::new(name, (66, (top + bottom) / 2), turned))?;
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::super::draw as draw_figure;
    use super::*;
    use crate::figure::{Axis, Figure};

    #[test]
    fn every_pixel_has_a_cell_and_thin_lines_stay() {
        assert_eq!(cells(&[0.0, 1.0, 2.0, 3.0], (0.5, 2.5)), 1..3);
        assert_eq!(cells(&[0.0, 10.0], (6.0, 7.0)), 1..2);
        assert_eq!(cells(&[0.0, 10.0], (2.0, 3.0)), 0..1);
        assert_eq!(cells(&[0.0, 10.0], (20.0, 21.0)), 1..2);
    }

    #[test]
    fn a_mark_does_not_cover_what_it_marks() {
        let axis = |label: &str| Axis::linear(label, "");
        let map = Map::new(
            "",
            (axis("order"), vec![0.0, 1.0, 2.0]),
            (axis("speed"), vec![1.0, 2.0]),
            (axis("value"), vec![0.0, 1.0, 0.0, 0.0, 1.0, 0.0]),
        );
        let map = map.expect("a map").with_marks([Mark::new(1.0, "1x")]);
        let svg = draw_figure(&Figure::of("", map)).expect("drawn").expect("a picture");
        let strokes: Vec<f64> = svg
            .lines()
            .filter(|line| line.contains("<polyline") && line.contains("#C8621C"))
            .filter_map(|line| line.split("points=\"").nth(1)?.split('"').next())
            .map(|points| {
                let heights = points.split_whitespace().filter_map(|p| p.split(',').nth(1));
                let heights: Vec<f64> = heights.filter_map(|y| y.parse().ok()).collect();
                let low = heights.iter().copied().fold(f64::INFINITY, f64::min);
                heights.iter().copied().fold(0.0, f64::max) - low
            })
            .collect();
        assert_eq!(strokes.len(), 2, "{svg}");
        assert!(strokes.iter().all(|length| *length <= TICK + 1.0), "{strokes:?}");
    }

    #[test]
    fn strokes_keep_their_distance_from_a_line() {
        // a pixel is 2 across and 0.5 upwards: a rise of one pixel for each to the right is 45 degrees
        let moved = beside(&[(0.0, 0.0), (2.0, 0.5), (4.0, 1.0)], (2.0, 0.5), 4.0);
        let (x, y) = moved[1];
        let (across, up) = ((x - 2.0) / 2.0, (y - 0.5) / 0.5);
        assert!((across + 8.0_f64.sqrt()).abs() < 1e-12, "{across}");
        assert!((up - 8.0_f64.sqrt()).abs() < 1e-12, "{up}");
        assert_eq!(beside(&[(1.0, 1.0)], (1.0, 1.0), 4.0), [(1.0, 1.0)]);
    }

    #[test]
    fn shades_darken_evenly() {
        let lightness = |share: f64| {
            let (r, g, b) = colour(share);
            0.2126 * f64::from(r) + 0.7152 * f64::from(g) + 0.0722 * f64::from(b)
        };
        let steps: Vec<f64> = (0..=20).map(|k| lightness(f64::from(k) / 20.0)).collect();
        assert!(steps.windows(2).all(|pair| pair[1] < pair[0]), "{steps:?}");
        assert_eq!(colour(-1.0), colour(0.0));
        assert_eq!(colour(f64::NAN), colour(0.0));
    }
}
