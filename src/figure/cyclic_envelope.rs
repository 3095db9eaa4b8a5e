//! The envelope spectrum that a cyclic spectrum makes, with what noise reaches in it.

use super::cyclic::CyclicShown;
use super::plot::{Curve, Plot, Stroke};
use super::{Axis, Figure};
use crate::dsp::stats;
use crate::error::Result;
use crate::units::{grouped, three_digits, without_noughts};

/// Room above the highest value and below the middle one, on the logarithmic axis.
const ABOVE: f64 = 1.6;
const BELOW: f64 = 0.5;

/// Mean squared coherence over the carriers of a band at each cyclic line, and the height that noise of a steady
/// level exceeds anywhere with the chance given.
///
/// # Errors
/// [`Error::Setting`](crate::Error::Setting) where the band or the cyclic range holds no lines, the chance is none, or
/// lines of a bearing are asked for over Hz without a shaft speed.
pub fn cyclic_envelope(shown: &CyclicShown) -> Result<Figure> {
    let spectrum = shown.spectrum;
    let rows = shown.rows()?;
    let part = |values: Vec<f32>| -> Vec<f64> {
        values.into_iter().map(f64::from).skip(rows.start).take(rows.len()).collect()
    };
    let envelope = part(spectrum.envelope(shown.band_hz)?);
    let reaches = part(spectrum.noise_reaches(shown.band_hz, shown.chance)?);
    let x: Vec<f64> = rows.clone().map(|row| spectrum.cyclic(row)).collect();
    let highest = |values: &[f64]| values.iter().copied().fold(0.0, f64::max);
    let top = highest(&envelope).max(highest(&reaches));
    let foot = stats::median_of(&mut envelope.clone()).min(highest(&reaches));
    let up = Axis::log("mean squared coherence", "").between(BELOW * foot, ABOVE * top);
    let end = spectrum.cyclic(rows.end - 1);
    let across = shown.across().between(spectrum.cyclic(rows.start), end);
    let often = three_digits(1.0 / shown.chance);
    let often = without_noughts(&often);
    let bound = format!("what one record of noise in {often} reaches");
    let plot = Plot::new("", across, up)
        .with_curve(Curve::new("", x.clone(), envelope)?)
        .with_curve(Curve::new(bound, x, reaches)?.drawn(Stroke::Dashed))
        .with_marks(shown.marks(end)?);
    let columns = spectrum.band_columns(shown.band_hz)?;
    let [first, last] = [columns.start, columns.end - 1].map(|k| grouped(spectrum.carrier_hz(k)));
    let band = format!(
        "mean over {} carriers from {first} to {last} Hz; each counts alike, however weak",
        columns.len()
    );
    let law = format!(
        "broken line: noise of a steady level exceeds it anywhere in about one record in {often}; noise that \
         comes and goes within a block reaches higher"
    );
    let what = if shown.band_hz.is_some() { "improved" } else { "enhanced" };
    let title = shown.title(&format!("{what} envelope spectrum"));
    Ok(Figure::of(title, plot).with_note(band).with_note(law).with_note(shown.beside()))
}
