//! The wave: a channel over time.

use super::plot::{Curve, Plot, Stroke};
use super::{Axis, Figure, Subject};
use crate::error::{Error, Result};
use crate::recording::Channel;

/// Samples up to which each is drawn; more are gathered into columns.
const EXACT_SAMPLES: usize = 8000;
/// Columns that more samples are gathered into.
const COLUMNS: usize = 2000;

/// A channel from one time to another (all of it where none are given): each sample, or of very many the
/// least, the mean and the greatest in each of 2000 columns.
///
/// # Errors
/// [`Error::Setting`] where no two samples lie between the times.
pub fn wave(subject: &Subject, channel: &Channel, between_s: Option<[f64; 2]>) -> Result<Figure> {
    let values = channel.values();
    let [from_s, to_s] = between_s.unwrap_or([f64::NEG_INFINITY, f64::INFINITY]);
    // a hair's breadth, so that the times of samples themselves are inside
    let first = (channel.index_at(from_s) - 1e-6).ceil().max(0.0) as usize;
    let end = ((channel.index_at(to_s) + 1e-6).floor() + 1.0).max(0.0) as usize;
    let end = end.min(values.len());
    let Some(part) = values.get(first..end).filter(|part| part.len() > 1 && from_s < to_s) else {
        return Err(Error::setting(
            "between_s",
            format!("no two samples lie from {from_s} to {to_s} s"),
            format!(
                "choose times from {} to {} s",
                channel.time_s(0.0),
                channel.time_s(values.len().saturating_sub(1) as f64)
            ),
        ));
    };
    let plot = Plot::new("", Axis::linear("time", "s"), subject.values());
    let time = |index: f64| channel.time_s(first as f64 + index);
    if part.len() <= EXACT_SAMPLES {
        let x = (0..part.len()).map(|i| time(i as f64)).collect();
        let curve = Curve::new("", x, part.iter().map(|&v| v.into()).collect())?;
        return Ok(Figure::of(subject.title("wave"), plot.with_curve(curve)));
    }
    let width = part.len().div_ceil(COLUMNS);
    let (mut x, mut mean) = (Vec::new(), Vec::new());
    let (mut low, mut high) = (Vec::new(), Vec::new());
    for (column, samples) in part.chunks(width).enumerate() {
        let count = samples.len() as f64;
        x.push(time(column as f64 * width as f64 + 0.5 * (count - 1.0)));
        mean.push(samples.iter().map(|&v| f64::from(v)).sum::<f64>() / count);
        low.push(f64::from(samples.iter().copied().fold(f32::INFINITY, f32::min)));
        high.push(f64::from(samples.iter().copied().fold(f32::NEG_INFINITY, f32::max)));
    }
    let curve = Curve::new("", x, mean)?.with_band(low, high)?.drawn(Stroke::Band);
    let note = format!("least to greatest value of every {width} samples");
    Ok(Figure::of(subject.title("wave"), plot.with_curve(curve)).with_note(note))
}
