//! Shaft angle and speed from a channel of pulses.
//!
//! Swings of the signal are found ([`edges`]), their edges timed ([`timing`]), the pulses numbered
//! ([`pattern`], [`train`]) and a smooth curve drawn through them ([`curve`]). For speed alone the most
//! regular edge serves; phase needs the edge that the user states (an AC-coupled mark that is half
//! painted looks the same either way round, and the wrong edge is half a turn off).

mod curve;
mod edges;
mod pattern;
mod stream;
mod timing;
mod train;

use crate::error::{Error, Result};
use crate::progress::{Progress, step};
use crate::recording::{Channel, PulseKind};

use super::{PulseRepairs, Speed, SpeedSource};
use curve::Curve;
use pattern::Pattern;
use stream::{Stream, StreamKind};
use train::Train;

/// Fewest pulses from which a speed is drawn.
const LEAST_PULSES: usize = 8;
/// Least share of the pulses found that must fit a turning shaft.
const LEAST_SHARE: f64 = 0.5;
/// Repairs whose times are kept.
const KEPT_REPAIRS: usize = 1000;

/// Shaft angle and speed from a channel of pulses, one or more per turn.
///
/// The speed covers the time from the first to the last usable pulse. With a stated edge
/// (`spec.edge`) turns count from the first passing of that edge, delay and skew subtracted, and
/// `Speed::edge` is set; otherwise angles are relative. Lost and doubled pulses are repaired and
/// counted. Spans without pulses are bridged and named in the notes and in `Speed::gaps_s`.
///
/// # Errors
/// [`Error::TooLittle`] where there are fewer than eight pulses or four turns;
/// [`Error::Setting`] for a blade counter whose blades are not stated; [`Error::Numerical`] where the
/// pulses are too irregular for a turning shaft; [`Error::Stopped`].
pub fn speed_from_pulses(channel: &Channel, progress: &mut dyn Progress) -> Result<Speed> {
    let what = format!("shaft speed from the pulses of channel {:?}", channel.name());
    step(progress, "pulses", 0, 4)?;
    if channel.spec.pulse_kind == PulseKind::Blades && channel.spec.pulses_per_turn.is_none() {
        return Err(Error::setting(
            format!("channel.{}.pulses_per_turn", channel.name()),
            "it is a blade counter, and the number of blades is not stated",
            "state the blades as pulses_per_turn",
        ));
    }
    let stream = Stream::choose(channel).ok_or_else(|| {
        Error::too_little(&what, format!("at least {LEAST_PULSES} pulses"), "none that stand out")
    })?;
    step(progress, "pulses", 1, 4)?;
    if stream.times_s.len() < LEAST_PULSES {
        let needed = format!("at least {LEAST_PULSES} pulses");
        return Err(Error::too_little(&what, needed, stream.times_s.len().to_string()));
    }
    let numbering = Numbering::of(channel, &stream);
    step(progress, "pulses", 2, 4)?;
    let found = stream.times_s.len();
    let fitting = numbering.train.pulses.len();
    if (fitting as f64) < LEAST_SHARE * found as f64 || fitting < LEAST_PULSES {
        let percent = 100.0 * fitting as f64 / found as f64;
        return Err(Error::numerical(
            &what,
            format!(
                "only {percent:.0} % of the {found} pulses follow each other like those of a turning shaft; check the pulse sensor, its mark and the stated pulses per turn"
            ),
        ));
    }
    let curve = Curve::through(&numbering.train.pulses, numbering.pattern.clone())
        .ok_or_else(|| Error::numerical(&what, "no smooth curve passes through the pulses"))?;
    step(progress, "pulses", 3, 4)?;
    assemble(channel, &stream, numbering, curve)
}

/// The pulses with their numbers, and how they are spaced.
struct Numbering {
    pattern: Pattern,
    train: Train,
    notes: Vec<String>,
    /// Whether the stated pulses per turn can be right.
    agrees: bool,
}

impl Numbering {
    fn of(channel: &Channel, stream: &Stream) -> Self {
        let times = &stream.times_s;
        let stated = channel.spec.pulses_per_turn.filter(|&count| count > 0);
        let repeat = pattern::repeat_of(times, stated);
        let (count, agrees, notes) = pulses_per_turn(stated, repeat);
        let scatter = pattern::scatter_at_lag(times, count);
        // four deviations of a change
        let tolerance = (10.0 * scatter).clamp(0.02, 0.4);
        let run = times.get(train::regular_run(times, count, tolerance)).unwrap_or(&[]);
        let spaced = pattern::learn(run, count);
        let train = train::number(times, &spaced, tolerance);
        Self { pattern: spaced, train, notes, agrees }
    }
}

/// Pulses per turn from what is stated and after how many pulses the spacing repeats, whether both
/// agree, and what to say.
fn pulses_per_turn(stated: Option<u32>, repeat: usize) -> (usize, bool, Vec<String>) {
    match stated.map(|count| count as usize) {
        Some(count) if count.is_multiple_of(repeat) => (count, true, Vec::new()),
        Some(count) => {
            let note = format!(
                "{count} pulses per turn are stated, but their spacing repeats every {repeat}: \
                 {repeat} per turn are used and no phase is given; correct pulses_per_turn or the mark"
            );
            (repeat, false, vec![note])
        }
        None if repeat > 1 => {
            let note = format!(
                "pulses per turn are not stated; their spacing repeats every {repeat}, so {repeat} \
                 per turn are assumed"
            );
            (repeat, true, vec![note])
        }
        None => {
            let note = "pulses per turn are not stated; one per turn is assumed".to_owned();
            (1, true, vec![note])
        }
    }
}

fn assemble(
    channel: &Channel,
    stream: &Stream,
    numbering: Numbering,
    curve: Curve,
) -> Result<Speed> {
    let Numbering { train, mut notes, agrees, .. } = numbering;
    let first_pulse = train.pulses.first().map_or(0, |p| p.number);
    let count = curve.pattern.len() as i64;
    // zero is the first pulse that begins a turn
    let zero = -(-first_pulse).div_euclid(count);
    let knots = curve.knots(zero as f64);
    let mut speed = Speed::from_knots(SpeedSource::Pulse, knots, curve.error_percent())?;
    let (start, end) = speed.turns_range();
    if end - start < 4.0 {
        let what = format!("shaft speed from the pulses of channel {:?}", channel.name());
        return Err(Error::too_little(what, "at least 4 turns", format!("{:.1}", end - start)));
    }
    speed.angle_error_deg = Some(angle_error_deg(stream, &curve, speed.range_rpm().1 / 60.0));
    speed.repairs = PulseRepairs {
        turns: (end - start).round() as u64,
        expected: ((end - start) * count as f64).round() as u64,
        lost: train.lost,
        extra: train.extra,
        times_s: train.repairs_s.iter().copied().take(KEPT_REPAIRS).collect(),
    };
    speed.gaps_s = train.gaps.iter().map(|gap| [gap.from_s, gap.to_s]).collect();
    notes.extend(train.gaps.iter().map(gap_note));
    let marked = agrees && phase_is_marked(channel, &curve.pattern, stream, &mut notes);
    if marked {
        speed.edge = channel.spec.edge;
    }
    if stream.two_valued {
        notes.push(
            "the pulses were sampled without a low-pass, so that their edges are known to a whole \
             sample only"
                .to_owned(),
        );
    }
    speed.notes = notes;
    Ok(speed)
}

fn gap_note(gap: &train::Gap) -> String {
    let (from, to) = (gap.from_s, gap.to_s);
    if gap.sure {
        format!("no usable pulses from {from:.3} to {to:.3} s; the speed is bridged there")
    } else {
        format!(
            "no usable pulses from {from:.3} to {to:.3} s; the speed there is a guess and the turns \
             in between are not certain"
        )
    }
}

/// Standard error of the angle: the curve's own, and how far the half-way point of an edge may be off at
/// the highest speed: 0.007 of a sample, somewhat more than simulated converters show; 0.29, a whole
/// sample's uniform error, without a low-pass.
fn angle_error_deg(stream: &Stream, curve: &Curve, top_hz: f64) -> f64 {
    let samples = if stream.two_valued { 1.0 / 12.0_f64.sqrt() } else { 0.007 };
    let systematic = samples / stream.rate_hz * top_hz;
    360.0 * curve.turns_error().hypot(systematic)
}

/// Whether the edge stated marks an angle on the shaft; says why not.
fn phase_is_marked(
    channel: &Channel,
    pattern: &Pattern,
    stream: &Stream,
    notes: &mut Vec<String>,
) -> bool {
    if channel.spec.edge.is_none() {
        return false;
    }
    let name = channel.name();
    if !pattern.index && pattern.len() > 1 {
        let why = if channel.spec.pulse_kind == PulseKind::Blades {
            "no blade stands out as an index"
        } else {
            "they are evenly spaced, so that none is the first"
        };
        notes.push(format!(
            "no phase from channel {name:?}: of its {} pulses per turn {why}",
            pattern.len()
        ));
        return false;
    }
    if stream.kind == StreamKind::Middle {
        notes.push(format!(
            "no phase from channel {name:?}: its pulses are too short for the sampling rate to tell \
             the stated edge; lengthen the mark or record faster"
        ));
        return false;
    }
    if channel.spec.pulse_kind == PulseKind::Blades && pattern.len() > 1 {
        notes.push(format!(
            "phase from channel {name:?} counts from the blade after the widest space, {:.1} % wider than \
             the next ({:.1} % likely the index blade)",
            100.0 * pattern.lead,
            // rounded down: what is not certain is not called so
            (1000.0 * pattern.index_odds).floor() / 10.0
        ));
    }
    true
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn stated_and_seen_pulses_per_turn() {
        assert_eq!(pulses_per_turn(Some(4), 2).0, 4);
        assert!(pulses_per_turn(Some(4), 2).1);
        let (count, agrees, notes) = pulses_per_turn(Some(1), 2);
        assert_eq!((count, agrees, notes.len()), (2, false, 1));
        assert_eq!(pulses_per_turn(None, 1).0, 1);
        assert_eq!(pulses_per_turn(None, 3).0, 3);
    }
}
