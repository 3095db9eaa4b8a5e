//! The spectrogram: amplitude over time and frequency, with order lines.

use super::map::depth_db;
use super::orders::Orders;
use super::{Axis, Figure, Map, Subject};
use crate::error::{Error, Result};
use crate::spectrum::spectrogram::Spectrogram;

/// How far above the highest order line the picture reaches where no band is given.
const ABOVE_ORDERS: f64 = 1.6;

/// The columns of a spectrogram that lie in a band; by default up to somewhat above the orders marked.
pub(super) fn columns(
    spectrogram: &Spectrogram,
    orders: Option<Orders>,
    band_hz: Option<[f64; 2]>,
) -> Result<std::ops::Range<usize>> {
    let axis = spectrogram.axis_hz();
    let end_hz = axis.last().copied().unwrap_or(0.0);
    let to_orders = || orders.map(|orders| ABOVE_ORDERS * orders.highest_hz());
    let [low, high] = band_hz.unwrap_or([0.0, to_orders().unwrap_or(end_hz)]);
    let first = axis.partition_point(|hz| *hz < low - 1e-9);
    let end = axis.partition_point(|hz| *hz <= high + 1e-9);
    if end < first + 2 {
        return Err(Error::setting(
            "band_hz",
            format!("{low} to {high} Hz holds fewer than two lines of the spectrogram"),
            format!("choose a band within 0 to {end_hz} Hz"),
        ));
    }
    Ok(first..end)
}

/// A spectrogram; its times count from `start_s`.
///
/// # Errors
/// [`Error::Setting`] where fewer than two lines lie in the band, the spectrogram holds fewer than two
/// times, or an order is none.
pub fn spectrogram(
    subject: &Subject,
    spectrogram: &Spectrogram,
    start_s: f64,
    orders: Option<Orders>,
    band_hz: Option<[f64; 2]>,
) -> Result<Figure> {
    if let Some(orders) = &orders {
        orders.check()?;
    }
    let columns = columns(spectrogram, orders, band_hz)?;
    let axis_hz = spectrogram.axis_hz();
    let values: Vec<f32> =
        columns.clone().flat_map(|k| spectrogram.values.column(k).to_vec()).collect();
    let mut map = Map::new(
        "",
        (Axis::linear("time", "s"), spectrogram.times_s.iter().map(|t| t + start_s).collect()),
        (Axis::linear("frequency", "Hz"), axis_hz.get(columns).unwrap_or_default().to_vec()),
        (subject.decibels(depth_db(&values)), values),
    )?;
    let Some(orders) = orders else {
        return Ok(Figure::of(subject.title("spectrogram"), map));
    };
    map = map.with_lines(orders.lines()?);
    let figure = Figure::of(subject.title("spectrogram"), map);
    Ok(figure.with_note("dashed: an order runs between each pair, named at its end".to_owned()))
}
