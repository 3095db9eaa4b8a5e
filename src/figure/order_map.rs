//! The order map: amplitude over orders and speed or time.

use std::ops::Range;

use super::map::{depth_db, gathered};
use super::orders::{Against, short};
use super::plot::Mark;
use super::{Axis, Figure, Map, Subject};
use crate::angle::OrderMap;
use crate::case::NamedOrder;
use crate::dsp::stats;
use crate::error::{Error, Result};
use crate::units::order_word;

/// Steps of speed that the blocks of a run are gathered into.
const SPEED_STEPS: usize = 120;

/// Least share of the strongest line for another to be named by its number, where it has no name.
const NAMED_FROM: f64 = 0.3;
/// Least height of such a line above the middle of all.
const CLEAR: f64 = 5.0;
/// Orders to each side of a name that its line and the skirts of it take up; below the same lies the mean.
const SKIRT: f64 = 0.3;

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
    Ok(Figure::of(subject.title("order map"), named(shown.with_marks(marks))))
}

/// The map of orders with its strongest line named by its number where no mark names it.
pub(super) fn named(map: Map) -> Map {
    let strongest = strongest_unnamed(&map).map(|order| Mark::new(order, order_word(order)));
    map.with_marks(strongest)
}

/// The order of the strongest line that no mark names; `None` where it is far below the strongest of all, or
/// hardly stands out.
fn strongest_unnamed(map: &Map) -> Option<f64> {
    let orders = map.x();
    let mut powers = vec![0.0; orders.len()];
    for row in map.rows() {
        for (sum, &value) in powers.iter_mut().zip(row) {
            *sum += f64::from(value).powi(2);
        }
    }
    let is_named = |order: f64| map.marks.iter().any(|mark| (mark.at - order).abs() < SKIRT);
    let lines = || orders.iter().zip(&powers).filter(|(order, _)| **order > SKIRT);
    let highest = lines().map(|(_, &power)| power).fold(0.0, f64::max);
    let unnamed = lines().filter(|(order, _)| !is_named(**order));
    let (&order, &power) = unnamed.max_by(|a, b| a.1.total_cmp(b.1))?;
    let floor = stats::median_of(&mut powers.clone());
    let stands_out = power > NAMED_FROM.powi(2) * highest && power > CLEAR.powi(2) * floor;
    let step = orders.get(1)? - orders.first()?;
    let whole = order.round();
    stands_out.then_some(if (order - whole).abs() <= step { whole } else { order })
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

#[cfg(test)]
mod tests {
    use super::*;

    /// A map of orders in steps of a quarter with these lines on a floor of one.
    fn map(lines: &[(usize, f32)]) -> Map {
        let orders: Vec<f64> = (0..60).map(|k| 0.25 * f64::from(k)).collect();
        let mut row = vec![1.0_f32; orders.len()];
        for &(at, value) in lines {
            row[at] = value;
        }
        let values = [row.clone(), row].concat();
        let axis = || Axis::linear("", "");
        let map = Map::new("", (axis(), orders), (axis(), vec![0.0, 1.0]), (axis(), values));
        map.expect("lengths fit").with_marks([Mark::new(1.0, "1x")])
    }

    #[test]
    fn the_strongest_line_without_a_name_is_called_by_its_order() {
        let names = |lines: &[(usize, f32)]| {
            let marks = named(map(lines)).marks;
            marks.into_iter().map(|mark| mark.label).collect::<Vec<_>>()
        };
        // 1x stands in column 4, its skirt beside it, 9x in column 36; the mean in column 0 is no line
        assert_eq!(names(&[(0, 900.0), (4, 90.0), (5, 40.0), (36, 30.0)]), ["1x", "9x"]);
        assert_eq!(names(&[(4, 90.0), (5, 40.0), (38, 30.0)]), ["1x", "9.5x"]);
        assert_eq!(names(&[(4, 90.0), (36, 20.0)]), ["1x"]);
        assert_eq!(names(&[(4, 4.0), (36, 4.0)]), ["1x"]);
    }
}
