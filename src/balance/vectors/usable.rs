//! What of a recording cannot give a vector, by the checks of its fitness.

use super::super::chain::Chain;
use super::span::Span;
use crate::angle::map::JUDGED_SHARE_OF_RATE;
use crate::error::{Error, Result};
use crate::fitness::{self, Check, Fit};
use crate::machine::Machine;
use crate::recording::{Channel, Recording};
use crate::speed::{Speed, SpeedSource};
use crate::units::{clause, grouped};

/// Share of clipped samples, in percent, from which a vector is refused: an odd impact that is cut does not move
/// the first order, tops that are cut every few turns do (common practice, no source).
const MOST_CLIPPED_PERCENT: f64 = 0.1;
/// Pulses per expected one that were put right at the time read, from which angle is not trusted: as
/// the fitness check of the whole recording (common practice, no source).
const MOST_REPAIRED: f64 = 0.05;

/// A channel's samples at a time, and how it is spoken of.
pub struct Place {
    /// The samples.
    pub channel: Channel,
    /// Channel and time, in words.
    pub words: String,
}

/// A channel from one time to another.
pub fn place(channel: &Channel, from_s: f64, to_s: f64) -> Place {
    let words = format!("channel {}, {from_s:.2} to {to_s:.2} s", channel.name());
    Place { channel: cut(channel, [from_s, to_s]), words }
}

/// The part of a channel between two times in seconds.
pub fn cut(channel: &Channel, [from_s, to_s]: [f64; 2]) -> Channel {
    let last = channel.len() as f64;
    let from = channel.index_at(from_s).floor().clamp(0.0, last) as usize;
    let to = (channel.index_at(to_s).ceil() + 1.0).clamp(from as f64, last) as usize;
    let samples = channel.values().get(from..to).unwrap_or_default().to_vec();
    Channel {
        start_s: channel.start_s + from as f64 / channel.rate_hz,
        replaced: 0,
        samples: samples.into(),
        ..channel.clone()
    }
}

/// Refuses a speed whose angle does not count from the stated edge of the pulse.
pub fn check_pulse(recording: &Recording, chain: &Chain, speed: &Speed) -> Result<()> {
    let refuse = |problem: String| {
        Error::input(
            recording.source(),
            format!("channel {}", chain.pulse.channel),
            problem,
            "mend the mark or the pulse sensor, state one mark per turn and its edge, and record again",
        )
    };
    if speed.source() != SpeedSource::Pulse {
        let why =
            speed.notes.first().map_or_else(String::new, |note| format!(": {}", clause(note)));
        return Err(refuse(format!(
            "no phase is known, as the speed is {}{why}",
            match speed.source() {
                SpeedSource::Channel => "from a speed channel",
                SpeedSource::Stated => "stated",
                _ => "estimated from the vibration",
            }
        )));
    }
    if speed.edge != Some(chain.pulse.edge) {
        let about = |note: &&String| note.contains("no phase");
        let why = speed.notes.iter().find(about).map_or_else(
            || "the speed was not read with the edge that is stated".to_owned(),
            |note| clause(note),
        );
        return Err(refuse(format!("its pulses mark no angle on the shaft: {why}")));
    }
    Ok(())
}

/// Refuses pulses lost beyond use, channels that hold pulses, and automatic gain.
pub fn check_whole(
    recording: &Recording,
    machine: &Machine,
    chain: &Chain,
    speed: &Speed,
) -> Result<()> {
    let read = |channel: &&Channel| {
        channel.name() == chain.pulse.channel
            || chain.sensor.iter().any(|sensor| sensor.channel == channel.name())
    };
    let channels = recording.channels.iter().filter(read).cloned().collect();
    let alone = Recording { channels, ..recording.clone() };
    for check in fitness::judge(&alone, machine, Some(speed)) {
        let mend = match (check.id.as_str(), check.fit) {
            ("pulse_loss", Fit::Unfit) => "mend the mark or the pulse sensor and record again",
            ("pulse_shape", _) => {
                "correct the channel's number or role in the machine file, or lower the gain where tops are cut to this shape"
            }
            ("automatic_gain", Fit::Limited | Fit::Unfit) => {
                "switch the automatic gain off and record again"
            }
            _ => continue,
        };
        let place = check.channel.as_ref().map_or_else(String::new, |c| format!("channel {c}"));
        return Err(Error::input(recording.source(), place, clause(&check.found), mend));
    }
    Ok(())
}

/// Refuses a span in which pulses are missing or too many were put right.
pub fn check_pulses_within(
    recording: &Recording,
    chain: &Chain,
    speed: &Speed,
    span: &Span,
) -> Result<()> {
    let [from_s, to_s] = span.used_s;
    let place = format!("channel {}, {from_s:.2} to {to_s:.2} s", chain.pulse.channel);
    let refuse = |problem: String| {
        let mend = "mend the mark or the pulse sensor and record again, or choose a window in which the pulses are whole";
        Err(Error::input(recording.source(), place.clone(), problem, mend))
    };
    if let Some([a, b]) = speed.gaps_s.iter().find(|[a, b]| *b > from_s && *a < to_s) {
        return refuse(format!("pulses are missing from {a:.3} to {b:.3} s"));
    }
    let turns = speed.turns_at(to_s) - speed.turns_at(from_s);
    let expected = turns * f64::from(chain.pulse.pulses_per_turn);
    let within = |time: &&f64| **time >= from_s && **time <= to_s;
    let repaired = speed.repairs.times_s.iter().filter(within).count() as f64;
    if repaired > MOST_REPAIRED * expected {
        return refuse(format!(
            "{repaired} of {expected:.0} pulses were lost or too many, and 5 % are allowed"
        ));
    }
    Ok(())
}

/// Refuses a first order above the judged share of a channel's rate.
pub fn check_rate(recording: &Recording, channel: &Channel, rpm: f64) -> Result<()> {
    let top_rpm = 60.0 * JUDGED_SHARE_OF_RATE * channel.rate_hz;
    if rpm <= top_rpm {
        return Ok(());
    }
    Err(Error::input(
        recording.source(),
        format!("channel {}", channel.name()),
        format!(
            "its {} samples a second carry a first order up to {} rpm, and {} are asked for",
            grouped(channel.rate_hz),
            grouped(top_rpm),
            grouped(rpm)
        ),
        "record with a higher sampling rate",
    ))
}

/// Refuses a sensor that is silent, clipped, interrupted or under automatic gain at the time read.
pub fn check_within(
    recording: &Recording,
    machine: &Machine,
    speed: &Speed,
    channel: &Channel,
    place: &Place,
) -> Result<()> {
    let alone = Recording { channels: vec![place.channel.clone()], ..recording.clone() };
    let own = |check: &Check| check.channel.as_deref() == Some(channel.name());
    for check in fitness::judge(&alone, machine, Some(speed)).into_iter().filter(own) {
        let mend = match (check.id.as_str(), check.fit) {
            ("silence", Fit::Unfit) => "look for a dead sensor, a loose cable or a muted input",
            ("dropout", Fit::Unfit) => "mend the connection and record again",
            ("clipping", _) if check.value.is_some_and(|v| v >= MOST_CLIPPED_PERCENT) => {
                "lower the gain and record again"
            }
            _ => continue,
        };
        return Err(Error::input(
            recording.source(),
            place.words.clone(),
            clause(&check.found),
            mend,
        ));
    }
    Ok(())
}
