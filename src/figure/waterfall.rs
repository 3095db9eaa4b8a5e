//! The waterfall: spectra one behind the other.

use super::map::{Look, gathered};
use super::order_map::orders_shown;
use super::orders::{Against, Orders};
use super::plot::Curve;
use super::spectrogram::columns;
use super::{Axis, Figure, Map, Subject};
use crate::angle::OrderMap;
use crate::error::Result;
use crate::spectrum::spectrogram::Spectrogram;

/// Spectra shown, at most: more run into each other.
const TRACES: usize = 28;

/// What a waterfall is made from.
#[derive(Debug, Clone, Copy)]
pub enum Falling<'a> {
    /// Spectra over frequency: the spectrogram, and the time of its start in seconds.
    Spectrogram(&'a Spectrogram, f64),
    /// Spectra over orders.
    OrderMap(&'a OrderMap),
}

/// A waterfall: spectra gathered (root mean square) into at most 28 steps of speed, or of time where no
/// speed is known or it is steady, and drawn one behind the other on a linear scale.
///
/// `orders` puts order lines through spectra over frequency; `band` bounds the axis across, in Hz or in
/// orders.
///
/// # Errors
/// [`Error::Setting`](crate::Error::Setting) where the band holds fewer than two values, there are fewer
/// than two spectra, or an order is none.
pub fn waterfall(
    subject: &Subject,
    falling: Falling,
    orders: Option<Orders>,
    band: Option<[f64; 2]>,
) -> Result<Figure> {
    let map = match falling {
        Falling::Spectrogram(spectrogram, start_s) => {
            over_frequency(subject, spectrogram, start_s, orders, band)?
        }
        Falling::OrderMap(map) => over_orders(subject, map, band)?,
    };
    Ok(Figure::of(subject.title("waterfall"), map.drawn(Look::Traces)))
}

fn over_frequency(
    subject: &Subject,
    spectrogram: &Spectrogram,
    start_s: f64,
    orders: Option<Orders>,
    band_hz: Option<[f64; 2]>,
) -> Result<Map> {
    let columns = columns(spectrogram, orders, band_hz)?;
    let times: Vec<f64> = spectrogram.times_s.iter().map(|t| t + start_s).collect();
    let rpm_at = |t: &f64| orders.map_or(0.0, |orders| orders.speed.rpm_at(*t));
    let by_speed = Against::Fitting.is_speed(times.iter().map(rpm_at));
    let (axis, places) = if by_speed {
        (Axis::linear("speed", "rpm"), times.iter().map(rpm_at).collect())
    } else {
        (Axis::linear("time", "s"), times)
    };
    let rows = spectrogram.values.rows().into_iter();
    let (first, count) = (columns.start, columns.len());
    let rows = rows.map(|row| row.into_iter().skip(first).take(count));
    let (middles, values) = gathered(&places, rows, TRACES);
    let axis_hz = spectrogram.axis_hz();
    let hz = axis_hz.get(columns).unwrap_or_default().to_vec();
    let across = (Axis::linear("frequency", "Hz"), hz);
    let map = Map::new("", across, (axis, middles), (subject.amplitudes(), values))?;
    let Some(orders) = orders else { return Ok(map) };
    orders.check()?;
    if !by_speed {
        return Ok(map.with_marks(orders.marks_hz()));
    }
    let (low, high) = orders.speed.range_rpm();
    let line = |&order: &f64| {
        let hz = [low, high].map(|rpm| order * rpm / 60.0).to_vec();
        Curve::new(orders.name(order), hz, vec![low, high])
    };
    Ok(map.with_lines(orders.orders.iter().map(line).collect::<Result<_>>()?))
}

fn over_orders(subject: &Subject, map: &OrderMap, band: Option<[f64; 2]>) -> Result<Map> {
    let columns = orders_shown(map, band)?;
    let by_speed = Against::Fitting.is_speed(map.rpm.iter().copied());
    let (axis, places) = if by_speed {
        (Axis::linear("speed", "rpm"), &map.rpm)
    } else {
        (Axis::linear("time", "s"), &map.times_s)
    };
    let rows: Vec<Vec<f32>> = (map.phasors.rows().into_iter())
        .map(|row| columns.clone().filter_map(|k| row.get(k)).map(|bin| bin.norm()).collect())
        .collect();
    let (middles, values) = gathered(places, rows.iter().map(|row| row.iter()), TRACES);
    let orders = columns.map(|k| k as f64 * map.order_step()).collect();
    let across = (Axis::linear("order", ""), orders);
    Map::new("", across, (axis, middles), (subject.amplitudes(), values))
}
