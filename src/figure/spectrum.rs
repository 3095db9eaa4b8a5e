//! The averaged spectrum.

use super::orders::Orders;
use super::plot::{Curve, Plot, Points, Symbol};
use super::{Axis, Figure, Scale, Subject};
use crate::error::{Error, Result};
use crate::spectrum::{Scaling, Spectrum};
use crate::units::three_digits;

/// Decades of amplitude shown below the greatest value, at most: what lies deeper is the converter's own floor.
const DECADES: f64 = 5.0;
/// Share of the values that may lie below the foot of a logarithmic axis.
const BELOW_FOOT: f64 = 0.02;

/// A spectrum of amplitudes (or powers) over frequency, its highest line named, by its order too where the
/// speed is steady, orders marked: as lines
/// where the speed is steady, else as the stretches that they pass through.
///
/// # Errors
/// [`Error::Setting`] where fewer than two values lie in the band or an order is none.
pub fn spectrum(
    subject: &Subject,
    spectrum: &Spectrum,
    orders: Option<Orders>,
    band_hz: Option<[f64; 2]>,
    scale: Scale,
) -> Result<Figure> {
    let unit = match spectrum.scaling {
        Scaling::Amplitude => subject.amplitude_unit(),
        Scaling::Power => format!("{} mean square", spectrum.unit_text()),
        Scaling::Density => spectrum.unit_text(),
    };
    let axis = Axis { scale, ..Axis::linear(subject.quantity.word(), unit.clone()) };
    let (plot, highest) = over_frequency(spectrum, axis, orders, band_hz)?;
    let order = orders.and_then(|orders| orders.name_hz(highest[0], spectrum.bin_hz));
    let label = format!(
        "{} Hz{}\n{} {}",
        three_digits(highest[0]),
        order.map_or_else(String::new, |order| format!(", {order}")),
        three_digits(highest[1]),
        plot.y_axis.unit
    );
    let plot = plot.with_points(Points {
        name: String::new(),
        symbol: Symbol::Ring,
        x: vec![highest[0]],
        y: vec![highest[1]],
        labels: vec![label],
        sizes: Vec::new(),
    });
    Ok(Figure::of(subject.title("averaged spectrum"), plot).with_note(made_of(spectrum)))
}

/// How the spectrum was made, for its foot.
pub(super) fn made_of(spectrum: &Spectrum) -> String {
    format!(
        "mean of {} segment{}, lines {} Hz apart",
        spectrum.averages,
        if spectrum.averages == 1 { "" } else { "s" },
        three_digits(spectrum.bin_hz)
    )
}

/// The plot of a spectrum and its highest line, as frequency and value.
pub(super) fn over_frequency(
    spectrum: &Spectrum,
    y_axis: Axis,
    orders: Option<Orders>,
    band_hz: Option<[f64; 2]>,
) -> Result<(Plot, [f64; 2])> {
    let [low, high] = band_hz.unwrap_or([0.0, spectrum.end_hz()]);
    let inside = |hz: f64| hz >= low - 1e-9 && hz <= high + 1e-9;
    let axis = spectrum.axis_hz().into_iter().zip(&spectrum.values);
    let (x, y): (Vec<f64>, Vec<f64>) =
        axis.filter(|(hz, _)| inside(*hz)).map(|(hz, &v)| (hz, f64::from(v))).unzip();
    if x.len() < 2 {
        return Err(Error::setting(
            "band_hz",
            format!("{low} to {high} Hz holds fewer than two lines of the spectrum"),
            format!("choose a band within 0 to {} Hz", spectrum.end_hz()),
        ));
    }
    // the first bin is the mean of the samples and no vibration
    let vibration = || x.iter().zip(&y).filter(|(hz, _)| **hz > 0.0);
    let highest =
        vibration().fold([0.0, 0.0], |best, (&hz, &v)| if v > best[1] { [hz, v] } else { best });
    let y_axis = match y_axis.scale {
        Scale::Log => {
            // powers go by the square of amplitudes
            let decades =
                if spectrum.scaling == Scaling::Amplitude { DECADES } else { 2.0 * DECADES };
            with_foot(y_axis, vibration().map(|(_, &v)| v).collect(), highest[1], decades)
        }
        Scale::Linear => y_axis.between(0.0, 1.15 * highest[1]),
        Scale::Decibel { .. } => y_axis,
    };
    let mut plot =
        Plot::new("", Axis::linear("frequency", "Hz").between(x[0], x[x.len() - 1]), y_axis)
            .with_curve(Curve::new("", x, y)?);
    if let Some(orders) = orders {
        orders.check()?;
        let spans = orders.spans_hz().into_iter().filter(|span| span.to > low && span.from < high);
        plot = plot
            .with_marks(orders.marks_hz().into_iter().filter(|mark| inside(mark.at)))
            .with_spans(spans);
    }
    Ok((plot, highest))
}

/// A logarithmic axis from below nearly all values to above the greatest.
fn with_foot(axis: Axis, mut values: Vec<f64>, greatest: f64, decades: f64) -> Axis {
    values.retain(|value| *value > 0.0);
    values.sort_by(f64::total_cmp);
    let index = (BELOW_FOOT * values.len() as f64) as usize;
    let foot = values.get(index).map_or(0.0, |low| 0.5 * low);
    let foot = foot.max(greatest * 10f64.powf(-decades));
    axis.between(foot, 3.0 * greatest)
}
