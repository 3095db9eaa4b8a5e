//! The picture of a case: an order map of a run-up, else a spectrum.

use super::{Axis, Curve, Figure, Map, Mark};
use crate::angle::OrderMap;
use crate::case::{Case, View};

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
    let view = fullest(case)?;
    let steady = case.speed.as_ref().is_none_or(|speed| speed.is_steady(STEADY));
    if !steady && let Some(map) = view.order_map() {
        return map_of(&view, map).map(Figure::Map);
    }
    curve_of(&view).map(Figure::Curve)
}

fn fullest(case: &Case) -> Option<View<'_>> {
    let ratio = |view: &View| {
        let own = case.levels().iter().filter(|level| level.channel == view.name());
        own.filter_map(|level| level.ratio()).fold(0.0, f64::max)
    };
    case.views().reduce(|best, view| if ratio(&view) > ratio(&best) { view } else { best })
}

fn amplitude_axis(view: &View) -> Axis {
    let spec = &view.channel.spec;
    Axis::decibel(spec.quantity().word(), format!("{} peak", spec.unit().symbol()), RANGE_DB)
}

/// Rms of the amplitudes over orders and speed, speeds gathered into rows; rows that no block falls
/// into are left out.
fn map_of(view: &View, map: &OrderMap) -> Option<Map> {
    let columns = (highest_order(view) / map.order_step()) as usize + 1;
    let columns = columns.min(map.phasors.ncols());
    let (low, high) = map
        .rpm
        .iter()
        .fold((f64::INFINITY, 0.0_f64), |(low, high), &rpm| (low.min(rpm), high.max(rpm)));
    let mut rows = vec![(0_u32, vec![0.0_f64; columns]); ROWS];
    for (&rpm, phasors) in map.rpm.iter().zip(map.phasors.rows()) {
        let row = (((rpm - low) / (high - low) * ROWS as f64) as usize).min(ROWS - 1);
        let Some((count, power)) = rows.get_mut(row) else { continue };
        *count += 1;
        power.iter_mut().zip(phasors).for_each(|(sum, bin)| *sum += f64::from(bin.norm_sqr()));
    }
    let (mut speeds, mut values) = (Vec::new(), Vec::new());
    for (row, (count, power)) in rows.iter().enumerate().filter(|(_, (count, _))| *count > 0) {
        speeds.push(low + (high - low) * (row as f64 + 0.5) / ROWS as f64);
        values.extend(power.iter().map(|power| (power / f64::from(*count)).sqrt() as f32));
    }
    let orders: Vec<f64> = (0..columns).map(|k| k as f64 * map.order_step()).collect();
    let made = Map::new(
        format!("{}: orders over speed", view.name()),
        (Axis::linear("order", ""), orders),
        (Axis::linear("speed", "rpm"), speeds),
        (amplitude_axis(view), values),
    );
    Some(made.ok()?.with_marks(order_marks(view, 1.0)))
}

fn highest_order(view: &View) -> f64 {
    let blades = view.case.machine.blade.values().map(|row| row.count).max().unwrap_or(0);
    // a little more than the blades, so that their line stands inside
    (1.1 * f64::from(blades)).max(ORDERS)
}

/// Marks at the first two orders and at the blades; `scale` units of the x axis make one order.
fn order_marks(view: &View, scale: f64) -> Vec<Mark> {
    let blades = view.case.machine.blade.iter();
    let blades = blades.map(|(name, row)| (f64::from(row.count), name.clone()));
    let orders = [(1.0, "1x".to_owned()), (2.0, "2x".to_owned())];
    let marks = orders.into_iter().chain(blades);
    marks.map(|(order, label)| Mark { at: order * scale, label }).collect()
}

/// The averaged spectrum up to where it is judged, its orders marked where they are sharp.
fn curve_of(view: &View) -> Option<Curve> {
    let spectrum = view.spectrum()?;
    let places: Vec<f64> =
        spectrum.axis_hz().into_iter().take_while(|hz| *hz <= view.judged_hz()).collect();
    let values = spectrum.values.iter().take(places.len()).copied().collect();
    let made = Curve::new(
        format!("{}: averaged spectrum", view.name()),
        (Axis::linear("frequency", "Hz"), places),
        (amplitude_axis(view), values),
    );
    let sharp = view.case.speed.as_ref().filter(|speed| speed.is_steady(SHARP));
    let marks = sharp.map_or(Vec::new(), |speed| {
        let (low, high) = speed.range_rpm();
        order_marks(view, 0.5 * (low + high) / 60.0)
    });
    Some(made.ok()?.with_marks(marks))
}
