//! Order tracks: amplitude and phase over speed or time.

use super::orders::Against;
use super::plot::{Curve, Limit, Mark, Plot, Stroke};
use super::{Axis, Figure, Row, Subject};
use crate::angle::critical::Critical;
use crate::angle::{SlowRoll, Track};
use crate::error::{Error, Result};
use crate::units::{
    grouped, listed, order_word, rpm_with_error, three_digits, with_error, wrap_deg,
};

/// Width of the bands in standard errors.
const BAND_ERRORS: f64 = 2.0;
/// An amplitude below this many standard errors has no phase.
const PHASE_FROM_ERRORS: f64 = 3.0;
/// Points in a row that noise alone hardly lifts: their phase is followed on from one stretch to the next.
const STRETCH: usize = 3;
/// Share of the points below which those that stand clear may be noise.
const NOISE_SHARE: f64 = 0.03;

/// One track with what its pictures need to know.
#[derive(Debug, Clone, Copy)]
pub struct TrackOf<'a> {
    /// The channel.
    pub subject: &'a Subject,
    /// The track, in the subject's unit.
    pub track: &'a Track,
    /// Whether its phase counts from a stated pulse edge; else it is relative.
    pub phase_stated: bool,
    /// What was taken away from it.
    pub slow_roll: Option<&'a SlowRoll>,
    /// Critical speeds of its channel; marked over speed.
    pub criticals: &'a [Critical],
}

impl TrackOf<'_> {
    /// Whether no more phases stand clear than noise alone lifts: 1.1 % of a Rayleigh law lies above three
    /// standard errors.
    pub(super) fn is_hidden(&self) -> bool {
        let clear = self.lags_deg().iter().filter(|lag| lag.is_finite()).count();
        (clear as f64) < NOISE_SHARE * self.track.len() as f64
    }

    /// Phase lags in degrees; not a number where noise hides them.
    pub(super) fn lags_deg(&self) -> Vec<f64> {
        let track = self.track;
        let clear = |i: usize| {
            let error = track.errors.get(i).copied().unwrap_or(0.0);
            track.phasors.get(i).is_some_and(|c| c.norm() >= PHASE_FROM_ERRORS * error)
        };
        (0..track.len())
            .map(|i| track.lag_deg(i).filter(|_| clear(i)).unwrap_or(f64::NAN))
            .collect()
    }

    /// Phase lags in degrees without steps at whole cycles of the order: each within half a cycle of the one
    /// before it or, after a gap, of the end of the last stretch that noise does not explain. The middle
    /// between the lowest and the highest lies within the first cycle.
    pub(super) fn unwrapped_deg(&self) -> Vec<f64> {
        let cycle = 360.0 / self.track.order;
        let mut lags = self.lags_deg();
        let stretch = lags.windows(STRETCH).find(|lags| lags.iter().all(|lag| lag.is_finite()));
        // points before the first stretch are held against its begin
        let mut settled = stretch.and_then(|lags| lags.first().copied());
        let (mut before, mut in_a_row) = (None, 0);
        for lag in &mut lags {
            if !lag.is_finite() {
                (before, in_a_row) = (None, 0);
                continue;
            }
            if let Some(near) = before.or(settled) {
                *lag += cycle * ((near - *lag) / cycle).round();
            }
            in_a_row += 1;
            before = Some(*lag);
            if in_a_row >= STRETCH {
                settled = before;
            }
        }
        if let Some([low, high]) = extent(lags.iter().copied()) {
            let back = cycle * (0.5 * (low + high) / cycle).floor();
            lags.iter_mut().for_each(|lag| *lag -= back);
        }
        lags
    }
}

/// What of the tracks is shown.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum TracksShown {
    /// Amplitude, and phase below it.
    #[default]
    Both,
    /// Amplitude alone.
    Amplitude,
    /// Phase alone.
    Phase,
}

/// Tracks of one channel: amplitude with a band of two standard errors, phase lag where noise does not
/// hide it, followed on over whole turns instead of stepping back to zero.
///
/// # Errors
/// [`Error::TooLittle`] where there is no track with a point in it; [`Error::Setting`] where tracks of
/// different units are to share an axis.
pub fn tracks(tracks: &[TrackOf], against: Against, shown: TracksShown) -> Result<Figure> {
    let first = first_of(tracks)?;
    let by_speed = against.is_speed(tracks.iter().flat_map(|t| t.track.rpm.iter().copied()));
    let across = if by_speed { Axis::linear("speed", "rpm") } else { Axis::linear("time", "s") };
    let mut amplitude = Plot::new("", across.clone(), first.subject.amplitudes());
    let mut phase = Plot::new("", across, Axis::linear("phase lag", "degrees"));
    for one in tracks.iter().filter(|one| !one.track.is_empty()) {
        let x = if by_speed { &one.track.rpm } else { &one.track.times_s };
        let curve = amplitude_curve(x, one.track, order_word(one.track.order))?;
        amplitude.curves.push(curve);
        let lags = Curve::new(order_word(one.track.order), x.clone(), one.unwrapped_deg())?;
        phase.curves.push(lags.drawn(Stroke::Dots));
    }
    phase.y_axis = phase_axis(tracks, &phase.curves);
    let criticals = || tracks.iter().flat_map(|one| one.criticals).filter(|_| by_speed);
    amplitude.marks = criticals().map(critical_mark).collect();
    phase.marks = amplitude.marks.clone();
    if shown == TracksShown::Both {
        // they are named above the upper panel
        phase.marks.iter_mut().for_each(|mark| mark.label.clear());
    }
    let mut figure = Figure::of(title(tracks), amplitude);
    figure.notes.push("band: two standard errors".to_owned());
    let below = Row { height: 0.7, panels: vec![phase.into()], joined: true };
    match shown {
        TracksShown::Amplitude => {}
        TracksShown::Phase => figure.rows = vec![Row { height: 1.0, joined: false, ..below }],
        TracksShown::Both => figure.rows.push(below),
    }
    if shown == TracksShown::Phase {
        figure.notes.clear();
    }
    if shown != TracksShown::Amplitude {
        figure.notes.push(phase_note(first));
        figure.notes.extend(hidden_note(tracks));
    }
    figure.notes.extend(slow_roll_notes(tracks));
    figure.notes.extend(criticals().map(critical_note));
    Ok(figure)
}

/// A critical speed across the picture, with its amplification.
fn critical_mark(critical: &Critical) -> Mark {
    let amplification = three_digits(critical.amplification);
    Mark::new(critical.rpm, format!("{} rpm, amplification {amplification}", grouped(critical.rpm)))
        .of("critical speed")
}

/// A critical speed in a sentence.
pub(super) fn critical_note(critical: &Critical) -> String {
    format!(
        "critical speed {} rpm, amplification {}",
        rpm_with_error(critical.rpm, critical.rpm_error),
        three_digits(critical.amplification)
    )
}

/// A sentence on tracks whose phase noise hides, so that hardly anything of it can be drawn.
pub(super) fn hidden_note(tracks: &[TrackOf]) -> Option<String> {
    let hidden = tracks.iter().filter(|one| one.is_hidden());
    let words: Vec<String> = hidden.map(|one| order_word(one.track.order)).collect();
    (!words.is_empty()).then(|| {
        let are = if words.len() > 1 { "are" } else { "is" };
        format!(
            "{} {are} lost in noise: nearly all points lie below three standard errors and have no phase to draw",
            words.join(", ")
        )
    })
}

/// What was taken away at slow roll, a sentence for each track.
pub(super) fn slow_roll_notes(tracks: &[TrackOf]) -> Vec<String> {
    let sentence = |one: &TrackOf| {
        let slow = one.slow_roll?;
        let changes = if slow.changes {
            "; within these speeds the vector changes by more than chance, so that it holds vibration: take a lower speed"
        } else {
            ""
        };
        Some(format!(
            "less the slow-roll vector of {}: {} {} at {:.0} degrees, the mean of {} points over about {} turns at {} to {} rpm{changes}",
            order_word(one.track.order),
            with_error(slow.vector.norm(), slow.error),
            one.subject.amplitudes().unit,
            wrap_deg(-slow.vector.arg().to_degrees()) / one.track.order,
            slow.points,
            grouped(slow.turns.round()),
            grouped(slow.rpm[0]),
            grouped(slow.rpm[1]),
        ))
    };
    tracks.iter().filter_map(sentence).collect()
}

/// The same figure of tracks with a limit on what its first panel shows.
pub(super) fn limited(mut figure: Figure, limit: Option<Limit>) -> Figure {
    let first = figure.rows.first_mut().and_then(|row| row.panels.first_mut());
    if let Some(super::Panel::Plot(plot)) = first {
        plot.limits.extend(limit);
    }
    figure
}

/// The first track that holds points, all being of one unit.
pub(super) fn first_of<'a>(tracks: &[TrackOf<'a>]) -> Result<TrackOf<'a>> {
    let Some(first) = tracks.iter().find(|one| !one.track.is_empty()) else {
        return Err(Error::too_little("a picture of tracks", "at least one point", "none"));
    };
    match tracks.iter().find(|one| one.subject.unit != first.subject.unit) {
        None => Ok(*first),
        Some(other) => Err(Error::setting(
            "tracks",
            format!("one is in {}, another in {}", first.subject.unit, other.subject.unit),
            "draw tracks of one unit together",
        )),
    }
}

/// `front: 1x and 2x`.
pub(super) fn title(tracks: &[TrackOf]) -> String {
    let words: Vec<String> = tracks.iter().map(|one| order_word(one.track.order)).collect();
    let orders = listed(&words);
    tracks.first().map_or(orders.clone(), |one| one.subject.title(&orders))
}

fn amplitude_curve(x: &[f64], track: &Track, name: String) -> Result<Curve> {
    let amplitudes = track.amplitudes();
    let edge = |sign: f64| -> Vec<f64> {
        let errors = track.errors.iter().map(|error| sign * BAND_ERRORS * error);
        amplitudes.iter().zip(errors).map(|(a, error)| (a + error).max(0.0)).collect()
    };
    let (low, high) = (edge(-1.0), edge(1.0));
    Curve::new(name, x.to_vec(), amplitudes)?.with_band(low, high)
}

/// The lowest and the highest of those values that are numbers.
fn extent(values: impl Iterator<Item = f64>) -> Option<[f64; 2]> {
    let numbers = values.filter(|value| value.is_finite());
    numbers.fold(None, |ends: Option<[f64; 2]>, value| {
        let [low, high] = ends.unwrap_or([value; 2]);
        Some([low.min(value), high.max(value)])
    })
}

/// An axis in quarters of the longest cycle that holds all phases.
fn phase_axis(tracks: &[TrackOf], curves: &[Curve]) -> Axis {
    let lowest = tracks.iter().map(|one| one.track.order).fold(f64::INFINITY, f64::min);
    let turn = match lowest {
        whole if whole >= 1.0 && whole.is_finite() => 360.0 / whole,
        // whole turns, so that the axis has round numbers for broken orders too
        broken if broken > 0.0 && broken < 1.0 => 360.0 * (1.0 / broken).ceil(),
        _ => 360.0,
    };
    let axis = Axis::linear("phase lag", "degrees");
    let lags = curves.iter().flat_map(|curve| curve.y()).copied();
    let Some([low, high]) = extent(lags) else { return axis.between(0.0, turn) };
    let quarter = 0.25 * turn;
    let low = quarter * (low / quarter).floor();
    axis.between(low, (quarter * (high / quarter).ceil()).max(low + 2.0 * quarter))
}

pub(super) fn phase_note(one: TrackOf) -> String {
    let from = if one.phase_stated {
        format!(
            "phase: lag of the {} from the pulse edge to its next peak, in degrees of rotation",
            one.subject.quantity.word()
        )
    } else {
        "phase is relative: no pulse edge is stated".to_owned()
    };
    format!("{from}; followed on over whole turns, left out below three standard errors")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dsp::fft::Complex64;
    use crate::figure::Panel;
    use crate::recording::{Channel, ChannelSpec};

    /// The unwrapped lags of a first order with these lags, hidden by noise where they are no number.
    fn unwrapped(lags_deg: &[f64]) -> Vec<f64> {
        let track = Track {
            order: 1.0,
            times_s: (0..lags_deg.len()).map(|i| i as f64).collect(),
            rpm: (0..lags_deg.len()).map(|i| 1000.0 + i as f64).collect(),
            phasors: (lags_deg.iter())
                .map(|lag| match lag {
                    lag if lag.is_finite() => Complex64::from_polar(1.0, -lag.to_radians()),
                    _ => Complex64::ZERO,
                })
                .collect(),
            errors: vec![0.1; lags_deg.len()],
        };
        let channel = Channel::new(ChannelSpec::named("front"), 1000.0, vec![0.0]).expect("valid");
        let subject = Subject::of(&channel);
        let of = TrackOf {
            subject: &subject,
            track: &track,
            phase_stated: true,
            slow_roll: None,
            criticals: &[],
        };
        of.unwrapped_deg()
    }

    fn assert_near(got: &[f64], wanted: &[f64]) {
        assert_eq!(got.len(), wanted.len());
        for (got, wanted) in got.iter().zip(wanted) {
            let same = (got - wanted).abs() < 1e-9 || (got.is_nan() && wanted.is_nan());
            assert!(same, "{got} is not {wanted}");
        }
    }

    #[test]
    fn phase_goes_on_over_whole_turns_and_leaves_gaps() {
        let nan = f64::NAN;
        assert_near(
            &unwrapped(&[300.0, 340.0, 350.0, nan, 20.0, 90.0, 150.0, 170.0, 180.0]),
            &[-60.0, -20.0, -10.0, nan, 20.0, 90.0, 150.0, 170.0, 180.0],
        );
        // a point that noise lifted before all others stands by them
        assert_near(
            &unwrapped(&[20.0, nan, 310.0, 330.0, 350.0, 10.0, 30.0]),
            &[380.0, nan, 310.0, 330.0, 350.0, 370.0, 390.0],
        );
        // one point that noise lifted does not carry the rest round
        assert_near(
            &unwrapped(&[10.0, 20.0, 30.0, nan, 200.0, nan, 20.0, 10.0, 0.0, 350.0]),
            &[10.0, 20.0, 30.0, nan, 200.0, nan, 20.0, 10.0, 0.0, -10.0],
        );
    }

    #[test]
    fn critical_speeds_are_marked_over_speed_and_not_over_time() {
        let track = Track {
            order: 1.0,
            times_s: vec![0.0, 1.0],
            rpm: vec![1000.0, 2000.0],
            phasors: vec![Complex64::ONE; 2],
            errors: vec![0.01; 2],
        };
        let channel = Channel::new(ChannelSpec::named("front"), 1000.0, vec![0.0]).expect("valid");
        let subject = Subject::of(&channel);
        let critical = super::super::vectors::tests::critical(1500.0);
        let of = TrackOf {
            subject: &subject,
            track: &track,
            phase_stated: true,
            slow_roll: None,
            criticals: &[critical],
        };
        let told = |against: Against| {
            let figure = tracks(&[of], against, TracksShown::Both).expect("drawn");
            let marks: Vec<f64> = (figure.panels())
                .filter_map(|panel| if let Panel::Plot(plot) = panel { Some(plot) } else { None })
                .flat_map(|plot| plot.marks.iter().map(|mark| mark.at))
                .collect();
            let notes = figure.notes.iter().filter(|note| note.starts_with("critical speed 1500"));
            (marks, notes.count())
        };
        assert_eq!(told(Against::Speed), (vec![1500.0, 1500.0], 1));
        assert_eq!(told(Against::Time), (vec![], 0));
    }
}
