//! The envelope spectrum, with the lines of damaged bearing parts.

use super::plot::{Curve, Mark, Plot};
use super::{Axis, Figure, Subject};
use crate::case::bearing::Element;
use crate::error::{Error, Result};
use crate::machine::Multipliers;
use crate::units::grouped;

/// Harmonics of a part that are marked, the fundamental counted: as many as are looked for where it stands
/// alone, fewer beside others.
const HARMONICS: u32 = 5;
const HARMONICS_BESIDE: u32 = 3;
/// Harmonics whose sidebands are marked.
const WITH_SIDEBANDS: u32 = 2;
/// Below this part of a turn an envelope only shows how the run's own level drifts.
pub(super) const FROM_ORDER: f64 = 0.2;

/// An envelope spectrum as numbers.
#[derive(Debug, Clone, Copy)]
pub struct EnvelopeCurve<'a> {
    /// The channel.
    pub subject: &'a Subject,
    /// Orders or frequencies in Hz.
    pub axis: &'a [f64],
    /// The values: over orders mean squares relative to the squared mean, over Hz amplitudes.
    pub values: &'a [f32],
    /// Whether the axis is orders.
    pub in_orders: bool,
    /// The demodulated band in Hz.
    pub band_hz: [f64; 2],
}

/// The lines to be marked: parts of one bearing.
#[derive(Debug, Clone)]
pub struct DefectLines<'a> {
    /// Name of the bearing.
    pub bearing: &'a str,
    /// Its multipliers.
    pub multipliers: Multipliers,
    /// Share by which the cage lags its geometry; 0 where nothing is known of it.
    pub slip: f64,
    /// The parts.
    pub parts: &'a [Element],
}

impl DefectLines<'_> {
    /// Marks up to `end`, where `shaft` is the shaft's own place on the axis: fundamentals, harmonics, and
    /// fainter the sidebands that belong to parts which pass the load zone.
    pub(super) fn marks(&self, shaft: f64, end: f64) -> Vec<Mark> {
        let cage = shaft * Element::Cage.impact_order(&self.multipliers, self.slip);
        let harmonics = if self.parts.len() > 1 { HARMONICS_BESIDE } else { HARMONICS };
        let mut marks = Vec::new();
        for &part in self.parts {
            let order = shaft * part.impact_order(&self.multipliers, self.slip);
            // the harmonics of an element are counted from its spin
            let (short, family) = (part.motion().line(), part.words());
            for harmonic in 1..=harmonics {
                let at = f64::from(harmonic) * order;
                let label = match (part, harmonic) {
                    (Element::Ball, _) => format!("{} {short}", 2 * harmonic),
                    (_, 1) => short.to_owned(),
                    _ => format!("{harmonic} {short}"),
                };
                marks.push(Mark::new(at, label).of(family));
                let distance = match part {
                    Element::Inner => shaft,
                    Element::Ball => cage,
                    Element::Outer | Element::Cage => continue,
                };
                if harmonic <= WITH_SIDEBANDS {
                    let side = |by: f64| Mark::new(at + by, "").of(family).minor();
                    marks.extend([side(-distance), side(distance)]);
                }
            }
        }
        marks.retain(|mark| mark.at > 0.0 && mark.at <= end);
        marks
    }
}

/// An envelope spectrum; the lines of a bearing need the place of the shaft on the axis: 1 in orders, its
/// frequency in Hz else.
///
/// # Errors
/// [`Error::TooLittle`] for a spectrum of no values; [`Error::Setting`] where lines are asked for over Hz
/// without a shaft speed.
pub fn envelope(
    curve: EnvelopeCurve,
    lines: Option<&DefectLines>,
    shaft_hz: Option<f64>,
) -> Result<Figure> {
    let EnvelopeCurve { subject, axis, values, in_orders, band_hz } = curve;
    let y: Vec<f64> = values.iter().map(|&v| v.into()).collect();
    let end = axis.last().copied().unwrap_or(0.0);
    let shaft = if in_orders { Some(1.0) } else { shaft_hz };
    let from = FROM_ORDER * shaft.unwrap_or(0.0);
    let above = axis.iter().zip(&y).filter(|(place, _)| **place > from.max(0.0));
    let top = above.fold(0.0_f64, |top, (_, &value)| top.max(value));
    let (across, upwards) = if in_orders {
        (Axis::linear("order", ""), Axis::linear("squared depth of modulation", ""))
    } else {
        let unit = match subject.unit_words() {
            unit if unit.contains(['/', ' ']) => format!("({unit})² peak"),
            unit => format!("{unit}² peak"),
        };
        (Axis::linear("frequency", "Hz"), Axis::linear("squared envelope", unit))
    };
    let plot = Plot::new("", across.between(0.0, end), upwards.between(0.0, 1.1 * top));
    let mut plot = plot.with_curve(Curve::new("", axis.to_vec(), y)?);
    plot.marks.extend(shaft.filter(|at| *at <= end).map(|at| Mark::new(at, "1x").of("shaft")));
    let mut what = "envelope spectrum".to_owned();
    if let Some(lines) = lines {
        let shaft = shaft.ok_or_else(|| {
            Error::setting(
                "bearing",
                "the lines of a bearing need a shaft speed, and none is known",
                "pass speed to envelope_spectrum",
            )
        })?;
        plot.marks.extend(lines.marks(shaft, end));
        what = format!("{what}, lines of bearing {}", lines.bearing);
    }
    let note = format!("demodulated band {} to {} Hz", grouped(band_hz[0]), grouped(band_hz[1]));
    Ok(Figure::of(subject.title(&what), plot).with_note(note))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 6205-2RS JEM, multipliers printed by the Case Western Reserve University Bearing Data Center
    /// (its "rolling element 4.7135" is twice BSF).
    #[test]
    fn lines_of_a_6205_stand_where_the_tables_say() {
        let lines = DefectLines {
            bearing: "front",
            multipliers: Multipliers { bpfo: 3.5848, bpfi: 5.4152, bsf: 2.35675, ftf: 0.39828 },
            slip: 0.0,
            parts: &Element::ALL,
        };
        let marks = lines.marks(1.0, 12.0);
        let at = |label: &str| {
            marks.iter().find(|mark| mark.label == label).map(|mark| mark.at).unwrap_or_default()
        };
        assert!((at("BPFO") - 3.5848).abs() < 1e-9 && (at("3 BPFO") - 10.7544).abs() < 1e-9);
        assert!((at("BPFI") - 5.4152).abs() < 1e-9 && (at("2 BSF") - 4.7135).abs() < 1e-9);
        assert!((at("FTF") - 0.39828).abs() < 1e-9);
        let sides: Vec<f64> = marks.iter().filter(|m| m.minor).map(|m| m.at).collect();
        assert!(sides.iter().any(|at| (at - 4.4152).abs() < 1e-9), "{sides:?}");
        assert!(sides.iter().any(|at| (at - 4.31522).abs() < 1e-9), "{sides:?}");
        assert!(marks.iter().all(|mark| mark.at <= 12.0));
        // over Hz everything is stretched by the shaft's own frequency
        assert!((lines.marks(100.0, 1e4)[0].at - 358.48).abs() < 1e-9);
    }
}
