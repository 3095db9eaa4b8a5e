//! The mean turn: a synchronous average over shaft angle.

use super::plot::{Curve, Plot};
use super::{Axis, Figure, Subject};
use crate::angle::SynchronousAverage;
use crate::error::Result;
use crate::units::{grouped, three_digits};

/// A synchronous average over one turn, with a band of two standard errors from what is left beside it.
///
/// # Errors
/// [`Error::TooLittle`](crate::Error::TooLittle) for an average of no steps.
pub fn turn(subject: &Subject, average: &SynchronousAverage) -> Result<Figure> {
    let n = average.values.len();
    let y: Vec<f64> = average.values.iter().map(|&v| v.into()).collect();
    let error = average.residual_rms / (average.turns.max(1) as f64).sqrt();
    let edge = |sign: f64| y.iter().map(|v| v + sign * 2.0 * error).collect();
    let (low, high) = (edge(-1.0), edge(1.0));
    let x = (0..n).map(|i| 360.0 * i as f64 / n as f64).collect();
    let across = Axis::linear("shaft angle", "degrees").between(0.0, 360.0);
    let curve = Curve::new("", x, y)?.with_band(low, high)?;
    let note = format!(
        "mean of {} turns; locked to the shaft {} {unit} rms, the rest {} {unit} rms; band: two standard errors",
        grouped(average.turns as f64),
        three_digits(average.locked_rms),
        three_digits(average.residual_rms),
        unit = subject.unit_words(),
    );
    let plot = Plot::new("", across, subject.values()).with_curve(curve);
    Ok(Figure::of(subject.title("mean turn"), plot).with_note(note))
}
