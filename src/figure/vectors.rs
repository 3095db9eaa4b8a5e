//! Order tracks as vectors: amplitude and phase in one polar picture.

use super::orders::word;
use super::polar::{Polar, PolarPoint, Trace};
use super::tracks::{TrackOf, first_of, phase_note, title};
use super::{Axis, Figure};
use crate::error::Result;
use crate::units::{grouped, wrap_deg};

/// Speeds named along a trace, at most about.
const SPEEDS: f64 = 6.0;

/// Tracks in a polar picture: the radius is the amplitude, the angle the phase lag of the order (of its own
/// cycle, so that every order fills the circle), speeds named along the way.
///
/// # Errors
/// As [`tracks`](super::tracks()).
pub fn vectors(tracks: &[TrackOf]) -> Result<Figure> {
    let first = first_of(tracks)?;
    let mut polar = Polar {
        title: String::new(),
        angle_axis: Axis::linear("phase lag", "degrees"),
        radius_axis: first.subject.amplitudes(),
        traces: Vec::new(),
        points: Vec::new(),
    };
    for (place, one) in tracks.iter().filter(|one| !one.track.is_empty()).enumerate() {
        let lags: Vec<f64> = one.lags_deg().iter().map(|lag| lag * one.track.order).collect();
        let amplitudes = one.track.amplitudes();
        if place == 0 {
            polar.points = speeds(&one.track.rpm, &lags, &amplitudes);
        }
        polar.traces.push(Trace::new(word(one.track.order), lags, amplitudes)?);
    }
    Ok(Figure::of(title(tracks), polar).with_note(phase_note(first)))
}

/// The first points at which round speeds are passed.
fn speeds(rpm: &[f64], angles: &[f64], radii: &[f64]) -> Vec<PolarPoint> {
    let (low, high) = rpm.iter().fold((f64::INFINITY, 0.0_f64), |(l, h), &r| (l.min(r), h.max(r)));
    let least = (high - low) / SPEEDS;
    if !(least > 0.0 && least.is_finite()) {
        return Vec::new();
    }
    let decade = 10f64.powf(least.log10().floor());
    let step = [1.0, 2.0, 5.0, 10.0].map(|f| f * decade).into_iter().find(|s| *s >= least);
    let step = step.unwrap_or(10.0 * decade);
    let mut points: Vec<PolarPoint> = Vec::new();
    let mut wanted = (low / step).ceil();
    while wanted * step <= high {
        let passed = rpm.windows(2).position(|pair| match pair {
            [a, b] => (a - wanted * step) * (b - wanted * step) <= 0.0,
            _ => false,
        });
        if let Some(i) = passed.filter(|&i| angles.get(i).is_some_and(|a| a.is_finite())) {
            points.push(PolarPoint {
                angle_deg: wrap_deg(angles[i]),
                radius: radii.get(i).copied().unwrap_or(0.0),
                label: grouped(wanted * step),
            });
        }
        wanted += 1.0;
    }
    points
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn round_speeds_are_named_once_on_the_way_up() {
        let rpm: Vec<f64> = (0..=100).map(|i| 1000.0 + 40.0 * f64::from(i)).collect();
        let points = speeds(&rpm, &vec![370.0; 101], &vec![2.0; 101]);
        let labels: Vec<&str> = points.iter().map(|p| p.label.as_str()).collect();
        assert_eq!(labels, ["1000", "2000", "3000", "4000", "5000"]);
        assert!(points.iter().all(|p| p.angle_deg == 10.0 && p.radius == 2.0));
        assert!(speeds(&[1000.0, 1000.0], &[0.0; 2], &[1.0; 2]).is_empty());
    }
}
