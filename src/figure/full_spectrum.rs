//! The full spectrum: circles with the rotation to the right, against it to the left.

use super::plot::{Curve, Mark, Plot};
use super::{Axis, Figure, Subject};
use crate::error::Result;
use crate::spectrum::FullSpectrum;
use crate::units::grouped;

/// Share of the highest line from which another can be seen.
const SEEN: f64 = 0.02;
/// How far above the highest line seen a picture over frequency reaches.
const ABOVE: f64 = 1.3;
/// Whole orders marked on each side.
const MARKED: i32 = 3;

/// A full spectrum: amplitudes of the circles with the rotation over positive orders or frequencies, of
/// those against it over negative ones.
///
/// # Errors
/// [`Error::TooLittle`](crate::Error::TooLittle) for a spectrum of no lines.
pub fn full_spectrum(subject: &Subject, spectrum: &FullSpectrum) -> Result<Figure> {
    let axis = spectrum.axis();
    let end = axis.last().copied().unwrap_or(0.0);
    let values: Vec<f64> = spectrum.values().into_iter().map(f64::from).collect();
    let top = values.iter().copied().fold(0.0, f64::max);
    let across = if spectrum.in_orders {
        Axis::linear("against the rotation  ←  order  →  with the rotation", "")
    } else {
        Axis::linear("against the rotation  ←  frequency  →  with the rotation", "Hz")
    };
    let shown = if spectrum.in_orders { end } else { reach(&axis, &values, top).min(end) };
    let upwards = subject.amplitudes();
    let upwards = Axis { label: format!("{} of the circle", upwards.label), ..upwards };
    let upwards = upwards.between(0.0, if top > 0.0 { 1.08 * top } else { 1.0 });
    let mut plot = Plot::new("", across.between(-shown, shown), upwards);
    if spectrum.in_orders {
        let orders = (-MARKED..=MARKED).filter(|order| *order != 0);
        let mark = |order: i32| {
            let sign = if order < 0 { "−" } else { "" };
            Mark::new(f64::from(order), format!("{sign}{}x", order.abs())).of("")
        };
        plot.marks = orders.map(mark).filter(|mark| mark.at.abs() <= shown).collect();
    }
    let plot = plot.with_curve(Curve::new("", axis, values)?);
    let speeds = spectrum.rpm.map_or(String::new(), |[low, high]| {
        format!(" at {} to {} rpm", grouped(low), grouped(high))
    });
    Ok(Figure::of(subject.title("full spectrum"), plot)
        .with_note(format!(
            "root mean square of {} block{}{speeds}; zero to peak, the radius of each circle",
            spectrum.averages,
            if spectrum.averages == 1 { "" } else { "s" },
        ))
        .with_note(
            "a line on one side alone is a circle; both alike, a line; unlike, an ellipse with their sum and difference as semi-axes"
                .to_owned(),
        ))
}

/// How far the picture reaches over frequency: somewhat above the highest line that can be seen.
fn reach(axis: &[f64], values: &[f64], top: f64) -> f64 {
    let seen = axis.iter().zip(values).filter(|(_, value)| **value > SEEN * top);
    let highest = seen.map(|(at, _)| at.abs()).fold(0.0, f64::max);
    if highest > 0.0 { ABOVE * highest } else { f64::INFINITY }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::figure::Panel;
    use crate::recording::{Channel, ChannelSpec};

    #[test]
    fn with_the_rotation_is_to_the_right() {
        let spectrum = FullSpectrum {
            in_orders: true,
            step: 0.5,
            forward: vec![0.0, 0.0, 4.0, 0.0, 0.0],
            backward: vec![0.0, 0.0, 1.0, 0.0, 0.0],
            averages: 3,
            rpm: Some([5990.0, 6000.0]),
        };
        let channel = Channel::new(ChannelSpec::named("x"), 1000.0, vec![0.0]).expect("a channel");
        let figure = full_spectrum(&Subject::of(&channel), &spectrum).expect("drawn");
        let Some(Panel::Plot(plot)) = figure.panels().next() else { unreachable!("one plot") };
        let value = |at: f64| {
            let curve = &plot.curves[0];
            curve.x().iter().position(|x| *x == at).map(|k| curve.y()[k])
        };
        assert_eq!((value(1.0), value(-1.0), value(0.0)), (Some(4.0), Some(1.0), Some(0.0)));
        let labels: Vec<&str> = plot.marks.iter().map(|mark| mark.label.as_str()).collect();
        assert_eq!(labels, ["−2x", "−1x", "1x", "2x"]);
        assert!(figure.notes[0].contains("3 blocks at 5990 to 6000 rpm"), "{:?}", figure.notes);
    }
}
