//! Order tracks as vectors: amplitude and phase in one polar picture.

use super::polar::{Polar, PolarPoint, Trace};
use super::tracks::{
    TrackOf, critical_note, first_of, hidden_note, phase_note, slow_roll_notes, title,
};
use super::{Axis, Figure};
use crate::error::Result;
use crate::units::{grouped, order_word, three_digits, wrap_deg};

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
        named: "rpm".to_owned(),
    };
    for (place, one) in tracks.iter().filter(|one| !one.track.is_empty()).enumerate() {
        let lags: Vec<f64> = one.lags_deg().iter().map(|lag| lag * one.track.order).collect();
        let amplitudes = one.track.amplitudes();
        // what stands clear of noise by chance is no speed to name
        let rounds = if place == 0 && !one.is_hidden() {
            speeds(&one.track.rpm, &lags, &amplitudes)
        } else {
            Vec::new()
        };
        // first, as renderers leave out a name that would cover an earlier one
        for critical in one.criticals {
            polar.points.extend(passed(critical.rpm, &one.track.rpm, &lags, &amplitudes).map(
                |point| PolarPoint {
                    label: format!(
                        "critical {}\namplification {}",
                        point.label,
                        three_digits(critical.amplification)
                    ),
                    is_critical: true,
                    ..point
                },
            ));
        }
        polar.points.extend(rounds);
        polar.traces.push(Trace::new(order_word(one.track.order), lags, amplitudes)?);
    }
    let mut figure = Figure::of(title(tracks), polar);
    // that nothing is seen is what has to be said first
    figure.notes.extend(hidden_note(tracks));
    figure.notes.push(phase_note(first));
    figure.notes.extend(slow_roll_notes(tracks));
    figure.notes.extend(tracks.iter().flat_map(|one| one.criticals).map(critical_note));
    Ok(figure)
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
        points.extend(passed(wanted * step, rpm, angles, radii));
        wanted += 1.0;
    }
    points
}

/// The first point at which a speed is passed, named by it; `None` where noise hides its phase.
fn passed(speed_rpm: f64, rpm: &[f64], angles: &[f64], radii: &[f64]) -> Option<PolarPoint> {
    let place = rpm.windows(2).position(|pair| match pair {
        [a, b] => (a - speed_rpm) * (b - speed_rpm) <= 0.0,
        _ => false,
    })?;
    let angle = angles.get(place).filter(|angle| angle.is_finite())?;
    Some(PolarPoint {
        angle_deg: wrap_deg(*angle),
        radius: radii.get(place).copied().unwrap_or(0.0),
        label: grouped(speed_rpm),
        is_critical: false,
    })
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;
    use crate::angle::critical::Critical;
    use crate::angle::{SlowRoll, Track};
    use crate::dsp::fft::Complex64;
    use crate::figure::Subject;
    use crate::recording::{Channel, ChannelSpec};

    /// A critical speed for a picture.
    pub(in crate::figure) fn critical(rpm: f64) -> Critical {
        Critical {
            rpm,
            rpm_error: 12.0,
            amplification: 6.0,
            amplification_error: 0.3,
            improvement: 5.0,
            share: 1.0,
            with_phase: true,
            is_pair: false,
            up: None,
            down: None,
        }
    }

    #[test]
    fn a_critical_speed_is_named_where_the_trace_passes_it() {
        let track = Track {
            order: 1.0,
            times_s: vec![0.0, 1.0, 2.0],
            rpm: vec![1000.0, 2000.0, 3000.0],
            phasors: vec![Complex64::new(0.0, -2.0); 3],
            errors: vec![0.01; 3],
        };
        let channel = Channel::new(ChannelSpec::named("front"), 1000.0, vec![0.0]).expect("valid");
        let subject = Subject::of(&channel);
        let points = |errors: f64| {
            let track = Track { errors: vec![errors; 3], ..track.clone() };
            let of = TrackOf {
                subject: &subject,
                track: &track,
                phase_stated: true,
                slow_roll: None,
                criticals: &[critical(2500.0)],
            };
            let figure = vectors(&[of]).expect("drawn");
            assert!(figure.notes.iter().any(|note| note.starts_with("critical speed 2500 ± 12")));
            let Some(super::super::Panel::Polar(polar)) = figure.panels().next() else {
                unreachable!("one polar picture")
            };
            let named = |point: &&PolarPoint| point.label.starts_with("critical");
            polar.points.iter().find(named).cloned()
        };
        let point = points(0.01).expect("it is passed");
        assert_eq!(point.label, "critical 2500\namplification 6.00");
        assert!(point.is_critical);
        assert!((point.angle_deg - 90.0).abs() < 1e-9 && point.radius == 2.0);
        assert_eq!(points(1.0), None);
    }

    #[test]
    fn a_track_below_noise_is_empty_with_a_word() {
        let track = Track {
            order: 2.0,
            times_s: vec![0.0, 1.0],
            rpm: vec![1000.0, 2000.0],
            phasors: vec![Complex64::ONE; 2],
            errors: vec![0.5; 2],
        };
        let channel = Channel::new(ChannelSpec::named("front"), 1000.0, vec![0.0]).expect("valid");
        let subject = Subject::of(&channel);
        let slow_roll = SlowRoll {
            vector: Complex64::new(0.0, -3.0),
            error: 0.02,
            points: 9,
            turns: 40.2,
            rpm: [400.0, 500.0],
            changes: false,
        };
        let of = TrackOf {
            subject: &subject,
            track: &track,
            phase_stated: true,
            slow_roll: Some(&slow_roll),
            criticals: &[],
        };
        let notes = vectors(&[of]).expect("drawn").notes;
        assert!(
            notes[0].starts_with("2x is lost in noise: nearly all points lie below three"),
            "{notes:?}"
        );
        let told = "2x: 3.00 ± 0.02 parts of full scale, peak at 45 degrees, the mean of 9 points over about 40 turns at 400 to 500 rpm";
        assert!(notes[2].ends_with(told), "{notes:?}");
        let clear = Track { errors: vec![0.1; 2], ..track.clone() };
        let of = TrackOf { track: &clear, slow_roll: None, ..of };
        assert_eq!(vectors(&[of]).expect("drawn").notes.len(), 1);
    }

    #[test]
    fn a_point_that_noise_lifted_is_not_named() {
        let count = 101;
        let mut track = Track {
            order: 2.0,
            times_s: (0..count).map(f64::from).collect(),
            rpm: (0..count).map(|i| 1000.0 + 40.0 * f64::from(i)).collect(),
            phasors: vec![Complex64::ONE; count as usize],
            errors: vec![0.5; count as usize],
        };
        // at 3000 rpm
        track.phasors[50] = Complex64::new(2.0, 0.0);
        let channel = Channel::new(ChannelSpec::named("front"), 1000.0, vec![0.0]).expect("valid");
        let subject = Subject::of(&channel);
        let points = |track: &Track| {
            let of = TrackOf {
                subject: &subject,
                track,
                phase_stated: true,
                slow_roll: None,
                criticals: &[],
            };
            let figure = vectors(&[of]).expect("drawn");
            let Some(super::super::Panel::Polar(polar)) = figure.panels().next() else {
                unreachable!("one polar picture")
            };
            polar.points.clone()
        };
        assert!(points(&track).is_empty());
        track.errors.fill(0.1);
        assert_eq!(points(&track).len(), 5);
    }

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
