//! The order spectrum of a channel with whole and broken orders, over its floor.

use super::{number, views_of};
use crate::angle::OrderMap;
use crate::case::{Case, View};
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
/// Share of the top speed from which blocks are averaged where the evidence names no other speed.
const UPPER: f64 = 0.7;
/// Room on the logarithmic axis.
const ABOVE: f64 = 2.0;
const BELOW: f64 = 0.5;
/// Deepest foot of that axis below the highest line.
const DEEPEST: f64 = 1e-4;

/// Whole orders and halves, thirds too of a rub, over the local floor. Where the evidence says from which speed
/// on it rubs, the spectrum above that speed and, for comparison, the one below.
pub(super) fn of_harmonics(case: &Case, finding: &Finding) -> Option<Figure> {
    let view = views_of(case, finding).into_iter().find(|view| view.order_map().is_some())?;
    let map = view.order_map()?;
    let top = map.rpm.iter().copied().fold(0.0, f64::max);
    let onset = number(finding, "fractions_from_rpm").filter(|rpm| *rpm < top);
    let from_rpm = onset.unwrap_or(UPPER * top);
    let has_thirds = finding.fault == "rub";
    let plot = plot(&view, map, from_rpm, onset.is_some(), has_thirds).ok()?;
    let subject = Subject::of(view.channel);
    let mut figure = Figure::of(subject.title(&format!("order spectrum, {}", finding.title)), plot);
    let speeds = format!("{} to {} rpm", grouped(from_rpm), grouped(top));
    figure.notes.push(format!(
        "root mean square of the amplitudes in blocks of {} turns, {speeds}; local floor: median between whole and \
         half orders",
        map.turns_per_block
    ));
    figure.notes.extend(onset.map(|rpm| format!("it begins at {} rpm", grouped(rpm))));
    Some(figure)
}

fn plot(
    view: &View,
    map: &OrderMap,
    from_rpm: f64,
    with_lower: bool,
    has_thirds: bool,
) -> Result<Plot> {
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
    Ok(plot.with_curve(floor).with_marks(marks(last, has_thirds)))
}

/// Whole orders by name, halves and thirds as lesser marks of families of their own.
fn marks(last: f64, has_thirds: bool) -> Vec<Mark> {
    let whole = (1..).map(f64::from).take_while(|order| *order <= last);
    let mut marks: Vec<Mark> =
        whole.map(|order| Mark::new(order, order_word(order)).of("whole orders")).collect();
    let halves = (0..).map(|k| f64::from(k) + 0.5).take_while(|order| *order <= last);
    marks.extend(halves.map(|order| Mark::new(order, order_word(order)).of("half orders").minor()));
    if has_thirds {
        let thirds = (1..).filter(|k| k % 3 != 0).map(|k| f64::from(k) / 3.0);
        let thirds = thirds.take_while(|order| *order <= last);
        marks.extend(thirds.map(|order| Mark::new(order, "").of("third orders").minor()));
    }
    marks
}
