//! The picture of a case: an order map of a run-up, else a spectrum.

use super::order_map::{marks, named, of_map};
use super::orders::Against;
use super::plot::{Curve, Mark, Plot};
use super::{Axis, Figure, Map, Subject};
use crate::angle::OrderMap;
use crate::case::{Case, NamedOrder, View, interference};

/// Orders shown, unless blades stand higher.
const ORDERS: f64 = 6.0;
/// Rows of speed shown.
const ROWS: usize = 24;
/// A speed that changes by less than this share is a spectrum, not a map.
const STEADY: f64 = 0.2;
/// A speed that changes by less than this share keeps its lines in the bins of a spectrum.
const SHARP: f64 = 0.01;
/// Depth of the pictures in decibels.
const RANGE_DB: f64 = 60.0;

/// The picture of the judged channel whose limit is used up most, of the first one where no limit is
/// stated; `None` where there is nothing to draw.
pub fn of_case(case: &Case) -> Option<Figure> {
    of_view(&fullest(case)?, ROWS, Some(RANGE_DB), &[])
}

/// The picture of one channel: its order map where the speed changes, else its spectrum; a map has so many
/// rows of speed at most, and so many decibels (`None`: as many as it needs). Beside the shaft's own orders
/// and the blades it names the lines of `found`. `None` where there is nothing to draw.
pub fn of_view(
    view: &View,
    rows: usize,
    range_db: Option<f64>,
    found: &[NamedOrder],
) -> Option<Figure> {
    let steady = view.case.speed.as_ref().is_none_or(|speed| speed.is_steady(STEADY));
    if !steady && let Some(map) = view.order_map() {
        let map = named(map_of(view, map, rows, range_db)?.with_marks(marks(found, 1.0)));
        return Some(Figure::of(map.title.clone(), map));
    }
    let plot = curve_of(view)?;
    Some(Figure::of(plot.title.clone(), plot))
}

/// The channel that shows a critical speed most clearly; where none does, the one whose limit is used up
/// most.
pub fn clearest(case: &Case) -> Option<View<'_>> {
    let seen = case.views().filter(|view| interference::evidence(view) > 0.0);
    let clearer = |best: View<'_>, view: View<'_>| {
        interference::evidence(&view) > interference::evidence(&best)
    };
    seen.reduce(|best, view| if clearer(best, view) { view } else { best })
        .or_else(|| fullest(case))
}

/// The channel whose limit is used up most, else the first.
pub(super) fn fullest(case: &Case) -> Option<View<'_>> {
    let ratio = |view: &View| {
        let own = case.levels().iter().filter(|level| level.channel == view.name());
        own.filter_map(|level| level.ratio()).fold(0.0, f64::max)
    };
    case.views().reduce(|best, view| if ratio(&view) > ratio(&best) { view } else { best })
}

/// Rms of the amplitudes over orders and speed, speeds gathered into rows; rows that no block falls
/// into are left out.
fn map_of(view: &View, map: &OrderMap, rows: usize, range_db: Option<f64>) -> Option<Map> {
    let subject = Subject::of(view.channel);
    let highest = highest_order(view).min((map.phasors.ncols() as f64 - 1.0) * map.order_step());
    let mut made =
        of_map(&subject, map, Against::Speed, Some([0.0, highest]), rows, range_db).ok()?;
    made.title = subject.title("orders over speed");
    Some(made.with_marks(order_marks(view, 1.0)))
}

fn highest_order(view: &View) -> f64 {
    let blades = view.case.machine.blade.values().map(|row| row.count).max().unwrap_or(0);
    // a little more than the blades, so that their line stands inside
    (1.1 * f64::from(blades)).max(ORDERS)
}

/// Marks at the first two orders and at the blades; `scale` units of the x axis make one order.
fn order_marks(view: &View, scale: f64) -> Vec<Mark> {
    let blades = view.case.machine.blade.iter();
    let blades = blades.map(|(name, row)| (f64::from(row.count), format!("{name} {}x", row.count)));
    let orders = [(1.0, "1x".to_owned()), (2.0, "2x".to_owned())];
    let marks = orders.into_iter().chain(blades);
    marks.map(|(order, label)| Mark::new(order * scale, label)).collect()
}

/// The averaged spectrum up to where it is judged, its orders marked where they are sharp.
fn curve_of(view: &View) -> Option<Plot> {
    let (subject, spectrum) = (Subject::of(view.channel), view.spectrum()?);
    let places: Vec<f64> =
        spectrum.axis_hz().into_iter().take_while(|hz| *hz <= view.judged_hz()).collect();
    let values = spectrum.values.iter().take(places.len()).map(|&v| f64::from(v)).collect();
    let sharp = view.case.speed.as_ref().filter(|speed| speed.is_steady(SHARP));
    let marks = sharp.map_or(Vec::new(), |speed| {
        let (low, high) = speed.range_rpm();
        order_marks(view, 0.5 * (low + high) / 60.0)
    });
    let title = subject.title("averaged spectrum");
    let plot = Plot::new(title, Axis::linear("frequency", "Hz"), subject.decibels(RANGE_DB));
    let curve = Curve::new("", places, values).ok().filter(|curve| curve.x().len() > 1)?;
    Some(plot.with_curve(curve).with_marks(marks))
}
