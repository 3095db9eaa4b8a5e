//! The picture of a case: an order map of a run-up, else a spectrum.

use super::{Axis, Curve, Figure, Map, Mark};
use crate::angle::OrderMap;
use crate::case::{Case, View};

/// Orders shown.
const ORDERS: f64 = 10.0;
/// Rows of speed shown.
const ROWS: usize = 24;
/// A speed that changes by less than this share is a spectrum, not a map.
const STEADY: f64 = 0.2;
/// Depth of the pictures in decibels.
const RANGE_DB: f64 = 60.0;

/// The picture of the first judged channel; `None` where there is nothing to draw.
pub fn of_case(case: &Case) -> Option<Figure> {
    let view = case.views().next()?;
    let steady = case.speed.as_ref().is_none_or(|speed| speed.is_steady(STEADY));
    if !steady && let Some(map) = view.order_map() {
        return map_of(&view, map).map(Figure::Map);
    }
    curve_of(&view).map(Figure::Curve)
}

/// Rms amplitude over orders and speed, speeds gathered into rows.
fn map_of(view: &View, map: &OrderMap) -> Option<Map> {
    let columns = (ORDERS / map.order_step()) as usize + 1;
    let columns = columns.min(map.phasors.ncols());
    let (low, high) = map.rpm.iter().fold((f64::INFINITY, 0.0_f64), |(low, high), &rpm| {
        (low.min(rpm), high.max(rpm))
    });
    let row_of = |rpm: f64| (((rpm - low) / (high - low) * ROWS as f64) as usize).min(ROWS - 1);
    let mut power = vec![0.0_f64; ROWS * columns];
    let mut counts = vec![0_usize; ROWS];
    for (block, &rpm) in map.rpm.iter().enumerate() {
        let row = row_of(rpm);
        if let Some(count) = counts.get_mut(row) {
            *count += 1;
        }
        let target = power.iter_mut().skip(row * columns).take(columns);
        for (sum, bin) in target.zip(map.phasors.row(block)) {
            *sum += f64::from(bin.norm_sqr());
        }
    }
    let values: Vec<f32> = power
        .iter()
        .enumerate()
        .map(|(i, p)| (p / counts.get(i / columns).copied().unwrap_or(1).max(1) as f64).sqrt() as f32)
        .collect();
    let orders: Vec<f64> = (0..columns).map(|k| k as f64 * map.order_step()).collect();
    let speeds: Vec<f64> =
        (0..ROWS).map(|row| low + (high - low) * (row as f64 + 0.5) / ROWS as f64).collect();
    let unit = format!("{} peak", view.channel.spec.unit().symbol());
    let title = format!("{}: orders over speed", view.name());
    let made = Map::new(
        title,
        (Axis::linear("order", ""), orders),
        (Axis::linear("speed", "rpm"), speeds),
        (Axis::decibel(view.channel.spec.quantity().word(), unit, RANGE_DB), values),
    );
    made.ok()
}

/// The averaged spectrum with the first orders marked.
fn curve_of(view: &View) -> Option<Curve> {
    let spectrum = view.spectrum()?;
    let unit = format!("{} peak", view.channel.spec.unit().symbol());
    let made = Curve::new(
        format!("{}: averaged spectrum", view.name()),
        (Axis::linear("frequency", "Hz"), spectrum.axis_hz()),
        (
            Axis::decibel(view.channel.spec.quantity().word(), unit, RANGE_DB),
            spectrum.values.clone(),
        ),
    );
    let shaft_hz = view.case.speed.as_ref().map(|speed| speed.range_rpm().1 / 60.0);
    let mark = |hz: f64| Mark { at: hz, label: "1x".to_owned() };
    Some(made.ok()?.with_marks(shaft_hz.map(mark).into_iter().collect()))
}
