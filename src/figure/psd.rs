//! The power spectral density.

use super::orders::Orders;
use super::spectrum::{made_of, over_frequency};
use super::{Axis, Figure, Scale, Subject};
use crate::error::Result;
use crate::spectrum::Spectrum;

/// A power spectral density over frequency, with orders as in [`spectrum`](super::spectrum()).
///
/// # Errors
/// As [`spectrum`](super::spectrum()).
pub fn psd(
    subject: &Subject,
    density: &Spectrum,
    orders: Option<Orders>,
    band_hz: Option<[f64; 2]>,
    scale: Scale,
) -> Result<Figure> {
    let label = format!("density of {}", subject.quantity.word());
    let axis = Axis { scale, ..Axis::linear(label, density.unit_text()) };
    let (plot, _) = over_frequency(density, axis, orders, band_hz)?;
    Ok(Figure::of(subject.title("power spectral density"), plot).with_note(made_of(density)))
}
