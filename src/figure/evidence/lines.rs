//! The map or spectrum of a channel with the lines that the evidence names.

use super::{numbers, views_of};
use crate::case::{Case, View};
use crate::diagnose::Finding;
use crate::figure::order_map::of_map;
use crate::figure::orders::Against;
use crate::figure::plot::{Curve, Mark};
use crate::figure::spectrum::over_frequency;
use crate::figure::{Axis, Figure, Map, Scale, Subject};
use crate::units::{listed, order_word, three_digits, without_noughts};

/// A speed that changes by less than this share is a spectrum with its orders marked, not a map.
const STEADY: f64 = 0.01;
/// Rows of speed in a map.
const ROWS: usize = 120;
/// Pictures reach this many times as high as the highest line named, and at least to the second order, or to so
/// many Hz.
const REACH: f64 = 1.6;
const LEAST_ORDER: f64 = 2.5;
const LEAST_HZ: f64 = 200.0;

/// The order map of a run, the spectrum of a steady speed, with the lines that the evidence names by
/// `line_order` or `line_hz`; `None` where it names none.
pub(super) fn of_lines(case: &Case, finding: &Finding) -> Option<Figure> {
    let orders = numbers(finding, "line_order");
    let hz = numbers(finding, "line_hz");
    let view = views_of(case, finding).into_iter().next()?;
    let steady = case.speed.as_ref().is_none_or(|speed| speed.is_steady(STEADY));
    // what hangs on the shaft is told by its order; what does not, such as hum, by its frequency alone
    if !orders.is_empty() && !steady {
        let mut map = map_of(&view, orders.iter().copied().fold(0.0, f64::max))?;
        map.marks = vec![Mark::new(1.0, "1x")];
        map.marks.extend(orders.iter().map(|order| Mark::new(*order, order_name(*order))));
        return Some(Figure::of(Subject::of(view.channel).title(&finding.title), map));
    }
    if hz.is_empty() && orders.is_empty() {
        return None;
    }
    if !hz.is_empty() && orders.is_empty() && !steady && finding.fault == "sub_synchronous" {
        return locked(&view, finding, &hz);
    }
    spectrum_of(&view, finding, &orders, &hz)
}

/// An order with as many digits as part it from its neighbours.
fn order_name(order: f64) -> String {
    if (order - order.round()).abs() < 0.005 {
        order_word(order.round())
    } else {
        format!("{order:.2}x")
    }
}

fn hz_name(hz: f64) -> String {
    format!("{} Hz", without_noughts(&three_digits(hz)))
}

fn map_of(view: &View, highest: f64) -> Option<Map> {
    let map = view.order_map()?;
    let last = map.orders().last().copied()?;
    let between = [0.0, (REACH * highest).max(LEAST_ORDER).min(last)];
    let subject = Subject::of(view.channel);
    of_map(&subject, map, Against::Fitting, Some(between), ROWS, None).ok()
}

/// A line that keeps its frequency crosses the orders of a map as a curve.
fn locked(view: &View, finding: &Finding, hz: &[f64]) -> Option<Figure> {
    let map = map_of(view, LEAST_ORDER / REACH)?;
    let last = map.x().last().copied()?;
    let rows = map.y().to_vec();
    // the title names them: words along a curve would cover it
    let line = |hz: &f64| {
        let inside = rows.iter().copied().filter(|rpm| 60.0 * hz / rpm <= last);
        let (x, y): (Vec<f64>, Vec<f64>) = inside.map(|rpm| (60.0 * hz / rpm, rpm)).unzip();
        Curve::new("", x, y).ok()
    };
    let lines = hz.iter().filter_map(line).collect();
    let map = map.with_lines(lines).with_marks([Mark::new(1.0, "1x")]);
    let names: Vec<String> = hz.iter().map(|hz| hz_name(*hz)).collect();
    let what = format!("{}, steady at {}", finding.title, listed(&names));
    Some(Figure::of(Subject::of(view.channel).title(&what), map))
}

/// The averaged spectrum, the lines and, at a steady speed, the shaft marked.
fn spectrum_of(view: &View, finding: &Finding, orders: &[f64], hz: &[f64]) -> Option<Figure> {
    let spectrum = view.spectrum()?;
    let speed = view.case.speed.as_ref().filter(|speed| speed.is_steady(STEADY));
    let shaft_hz = speed.map(|speed| {
        let (low, high) = speed.range_rpm();
        0.5 * (low + high) / 60.0
    });
    let mut marks: Vec<Mark> = shaft_hz.map(|hz| Mark::new(hz, "1x")).into_iter().collect();
    if let (Some(shaft_hz), false) = (shaft_hz, orders.is_empty()) {
        marks.extend(orders.iter().map(|order| Mark::new(order * shaft_hz, order_name(*order))));
    } else {
        marks.extend(hz.iter().map(|hz| Mark::new(*hz, hz_name(*hz))));
    }
    let highest = marks.iter().map(|mark| mark.at).fold(LEAST_HZ, f64::max);
    let band = [0.0, (REACH * highest).min(view.judged_hz())];
    let subject = Subject::of(view.channel);
    let up = Axis { scale: Scale::Log, ..subject.amplitudes() };
    let (plot, _) = over_frequency(spectrum, up, None, Some(band)).ok()?;
    Some(Figure::of(subject.title(&finding.title), plot.with_marks(marks)))
}
