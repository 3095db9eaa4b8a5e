//! The order map: amplitude over orders and speed or time.

use std::ops::Range;

use super::map::{depth_db, gathered};
use super::orders::{Against, short};
use super::plot::Mark;
use super::{Axis, Figure, Map, Subject};
use crate::angle::OrderMap;
use crate::case::NamedOrder;
use crate::error::{Error, Result};

/// Steps of speed that the blocks of a run are gathered into.
const SPEED_STEPS: usize = 120;

/// The columns of a map that lie between two orders; all of them where none are given.
pub(super) fn orders_shown(map: &OrderMap, between: Option<[f64; 2]>) -> Result<Range<usize>> {
    let orders = map.orders();
    let end = orders.last().copied().unwrap_or(0.0);
    let [low, high] = between.unwrap_or([0.0, end]);
    let first = orders.partition_point(|order| *order < low - 1e-9);
    let past = orders.partition_point(|order| *order <= high + 1e-9);
    if past < first + 2 {
        return Err(Error::setting(
            "between_orders",
            format!("{low} to {high} holds fewer than two orders of the map"),
            format!("choose two within 0 to {end}"),
        ));
    }
    Ok(first..past)
}

/// An order map, the first two orders and further ones marked by name: against time block by block, against speed gathered (root mean
/// square) into 120 steps.
///
/// # Errors
/// [`Error::Setting`] where fewer than two orders are asked for, or there are fewer than two blocks.
pub fn order_map(
    subject: &Subject,
    map: &OrderMap,
    against: Against,
    between_orders: Option<[f64; 2]>,
    further: &[NamedOrder],
) -> Result<Figure> {
    let shown = of_map(subject, map, against, between_orders, SPEED_STEPS, None)?;
    let marks = [Mark::new(1.0, "1x"), Mark::new(2.0, "2x")].into_iter().chain(marks(further, 1.0));
    Ok(Figure::of(subject.title("order map"), shown.with_marks(marks)))
}

/// Marks at named orders; `scale` units of the axis make one order.
pub(super) fn marks(named: &[NamedOrder], scale: f64) -> impl Iterator<Item = Mark> + '_ {
    named.iter().map(move |one| Mark::new(one.order * scale, short(&one.name)))
}

/// The map without marks, against speed in `steps`; as deep as its own ground where no depth is given.
pub(super) fn of_map(
    subject: &Subject,
    map: &OrderMap,
    against: Against,
    between_orders: Option<[f64; 2]>,
    steps: usize,
    range_db: Option<f64>,
) -> Result<Map> {
    let columns = orders_shown(map, between_orders)?;
    let rows: Vec<Vec<f32>> = (map.phasors.rows().into_iter())
        .map(|row| columns.clone().filter_map(|k| row.get(k)).map(|bin| bin.norm()).collect())
        .collect();
    let (axis, places, values) = if against.is_speed(map.rpm.iter().copied()) {
        let (middles, values) = gathered(&map.rpm, rows.iter().map(|row| row.iter()), steps);
        (Axis::linear("speed", "rpm"), middles, values)
    } else {
        (Axis::linear("time", "s"), map.times_s.clone(), rows.concat())
    };
    let orders = columns.map(|k| k as f64 * map.order_step()).collect();
    let across = (Axis::linear("order", ""), orders);
    let range_db = range_db.unwrap_or_else(|| depth_db(&values));
    Map::new("", across, (axis, places), (subject.decibels(range_db), values))
}
