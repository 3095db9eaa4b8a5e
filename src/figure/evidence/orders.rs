//! The order spectrum of a channel with whole and broken orders, over its floor.

use super::{number, views_of};
use crate::angle::OrderMap;
use crate::case::harmonics::Line;
use crate::case::{Case, Harmonics, View};
use crate::diagnose::Finding;
use crate::error::Result;
use crate::figure::plot::{Curve, Mark, Plot, Stroke};
use crate::figure::{Axis, Figure, Scale, Subject};
use crate::units::{grouped, order_word};

/// Orders shown: more would stand too close to be told apart in print.
const SHOWN: f64 = 8.0;
/// Orders shown beyond the last one named, and the lowest one with a spectrum: below lies what the window
/// makes of the mean.
const BEYOND: f64 = 0.3;
const FROM: f64 = 0.2;
/// How far above the lowest speed of the map fractions must be seen first for the spectrum to be parted there.
const WELL_ABOVE: f64 = 1.1;
/// Share of the top speed from which blocks are averaged where the evidence names no other speed.
const UPPER: f64 = 0.7;
/// Room on the logarithmic axis.
const ABOVE: f64 = 2.0;
const BELOW: f64 = 0.5;
/// Deepest foot of that axis below the highest line.
const DEEPEST: f64 = 1e-4;

/// Whole orders and the fractions that were judged, half orders or thirds, over the local floor. Where the evidence
/// says from which speed on fractions are seen, well above the lowest of the run, the spectrum above that speed and,
/// for comparison, the one below.
pub(super) fn of_harmonics(case: &Case, finding: &Finding) -> Option<Figure> {
    let view = views_of(case, finding).into_iter().find(|view| view.order_map().is_some())?;
    let map = view.order_map()?;
    let top = map.rpm.iter().copied().fold(0.0, f64::max);
    let lowest = map.rpm.iter().copied().fold(f64::INFINITY, f64::min);
    let seen_from = number(finding, "fractions_from_rpm");
    let parted = seen_from.filter(|rpm| *rpm < top && *rpm > WELL_ABOVE * lowest);
    let from_rpm = parted.unwrap_or(UPPER * top);
    let plot = plot(&view, map, from_rpm, parted.is_some()).ok()?;
    let subject = Subject::of(view.channel);
    let mut figure = Figure::of(subject.title(&format!("order spectrum, {}", finding.title)), plot);
    let speeds = format!("{} to {} rpm", grouped(from_rpm), grouped(top));
    figure.notes.push(format!(
        "root mean square of the amplitudes in blocks of {} turns, {speeds}; local floor: median between whole and \
         half orders",
        map.turns_per_block
    ));
    figure
        .notes
        .extend(seen_from.map(|rpm| format!("fractions seen from {} rpm on", grouped(rpm))));
    Some(figure)
}

fn plot(view: &View, map: &OrderMap, from_rpm: f64, with_lower: bool) -> Result<Plot> {
    let spectrum = map.order_spectrum_where(|rpm| rpm >= from_rpm);
    let floor = map.floor_under(&spectrum);
    let orders = map.orders();
    let last = orders.last().copied().unwrap_or(0.0).min(SHOWN + BEYOND);
    let shown = |values: &[f64]| -> (Vec<f64>, Vec<f64>) {
        let pairs = orders.iter().copied().zip(values.iter().copied());
        pairs.filter(|(order, _)| (FROM..=last).contains(order)).unzip()
    };
    let (places, values) = shown(&spectrum);
    let (_, floor) = shown(&floor);
    let top = values.iter().copied().fold(0.0, f64::max);
    let lower = with_lower.then(|| shown(&map.order_spectrum_where(|rpm| rpm < from_rpm)).1);
    let lower = lower.filter(|lower| lower.iter().any(|value| *value > 0.0));
    let all = floor.iter().chain(lower.iter().flatten()).copied();
    let foot = all.filter(|value| *value > 0.0).fold(top, f64::min).max(DEEPEST * top);
    let subject = Subject::of(view.channel);
    let up = Axis { scale: Scale::Log, ..subject.amplitudes() }.between(BELOW * foot, ABOVE * top);
    let name = if with_lower { format!("from {} rpm", grouped(from_rpm)) } else { String::new() };
    let across = Axis::linear("order", "").between(0.0, last);
    let mut plot = Plot::new("", across, up).with_curve(Curve::new(name, places.clone(), values)?);
    if let Some(lower) = lower {
        let name = format!("below {} rpm", grouped(from_rpm));
        plot = plot.with_curve(Curve::new(name, places.clone(), lower)?.drawn(Stroke::Faint));
    }
    let floor = Curve::new("local floor", places, floor)?.drawn(Stroke::Dashed);
    Ok(plot.with_curve(floor).with_marks(marks(view, last)))
}

/// Whole orders by name; the fractions that were judged as lesser marks of a family of their own.
fn marks(view: &View, last: f64) -> Vec<Mark> {
    let whole = (1..).map(f64::from).take_while(|order| *order <= last);
    let mut marks: Vec<Mark> =
        whole.map(|order| Mark::new(order, order_word(order)).of("whole orders")).collect();
    let judged = view.harmonics().map_or(&[][..], Harmonics::fractions);
    let is_half = |line: &Line| ((2.0 * line.order).round() - 2.0 * line.order).abs() < 1e-6;
    let fraction = |line: &Line| {
        let family = if is_half(line) { "half orders" } else { "third orders" };
        Mark::new(line.order, line.name()).of(family).minor()
    };
    marks.extend(judged.iter().filter(|line| line.order <= last).map(fraction));
    marks
}
