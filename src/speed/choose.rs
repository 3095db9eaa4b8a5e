//! Which source of the speed is used: pulses, a speed channel, a stated constant, then an estimate.

use serde::{Deserialize, Serialize};

use crate::error::{Error, Result};
use crate::machine::Machine;
use crate::progress::Progress;
use crate::recording::{Recording, Role};
use crate::units::grouped;

use super::blind::{self, Estimate, Prior};
use super::pulses::speed_from_pulses;
use super::recorded::{speed_as_stated, speed_from_channel};
use super::{Speed, SpeedSource};

/// How far above the stated top speed a machine may be met when its speed is searched.
const OVERSPEED: f64 = 1.05;

/// A speed from pulses this many times above the top speed comes from pulses per turn that are stated
/// wrongly: halfway to the next whole ratio, 2, in the logarithm.
const BEYOND: f64 = std::f64::consts::SQRT_2;

/// Why a source gave no speed.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct NoSpeed {
    /// The source tried.
    pub from: SpeedSource,
    /// The reason, a sentence.
    pub reason: String,
}

/// What came of the search for a speed.
#[derive(Debug, Clone, PartialEq)]
pub enum Choice {
    /// The speed, from the first source that gave one; what the sources before it lacked stands in
    /// its notes.
    Found(Speed),
    /// No source gave a speed: why, in the order tried. Never empty.
    Missing(Vec<NoSpeed>),
}

impl Choice {
    /// The speed, if there is one.
    pub fn speed(&self) -> Option<&Speed> {
        match self {
            Self::Found(speed) => Some(speed),
            Self::Missing(_) => None,
        }
    }

    /// The speed, or one sentence that says why there is none.
    ///
    /// # Errors
    /// [`Error::Numerical`] with the reasons joined.
    pub fn into_speed(self) -> Result<Speed> {
        match self {
            Self::Found(speed) => Ok(speed),
            Self::Missing(reasons) => {
                let reasons: Vec<String> = reasons.into_iter().map(|r| r.reason).collect();
                Err(Error::numerical("shaft speed", reasons.join("; ")))
            }
        }
    }
}

/// Finds the shaft speed as [`choose_with`] does, with [`blind::estimate`] as the last resort.
///
/// # Errors
/// As [`choose_with`].
pub fn choose(
    recording: &Recording,
    machine: &Machine,
    progress: &mut dyn Progress,
) -> Result<Choice> {
    choose_with(recording, machine, |_| estimated(recording, machine), progress)
}

/// The speed read from the judged channels themselves, with what the machine file knows.
fn estimated(recording: &Recording, machine: &Machine) -> Result<Speed> {
    match blind::estimate_from(&recording.judged(), &prior(machine)) {
        Estimate::Speed(speed) => Ok(speed),
        Estimate::NoSpeed(none) => {
            Err(Error::numerical("speed from the signal itself", none.reason))
        }
    }
}

/// What is known before listening: the range that the caller asks for, else that of the machine file.
fn prior(machine: &Machine) -> Prior {
    let bearings = machine.bearing.iter();
    let multipliers = bearings.filter_map(|(name, bearing)| bearing.multipliers(name).ok()?);
    let shaft = &machine.shaft;
    let (lowest_rpm, highest_rpm) = match shaft.search_rpm {
        Some([low, high]) => (Some(low), Some(high)),
        None => (shaft.lowest_rpm, shaft.top_rpm.map(|rpm| rpm * OVERSPEED)),
    };
    Prior {
        lowest_rpm,
        highest_rpm,
        blade_counts: machine.blade.values().map(|row| row.count).collect(),
        bearing_multipliers: multipliers.flat_map(|m| [m.ftf, m.bsf, m.bpfo, m.bpfi]).collect(),
    }
}

/// Finds the shaft speed: from each pulse channel, each speed channel, `shaft.constant_rpm`, and last
/// from `estimate`, which judges the vibration or sound itself.
///
/// A source that fails does not end the search; its reason is kept.
///
/// # Errors
/// [`Error::Stopped`] and [`Error::Bug`], and [`Error::Setting`] for a stated constant that is no
/// speed.
pub fn choose_with(
    recording: &Recording,
    machine: &Machine,
    estimate: impl FnOnce(&mut dyn Progress) -> Result<Speed>,
    progress: &mut dyn Progress,
) -> Result<Choice> {
    let mut search = Search::default();
    for channel in recording.with_role(Role::Pulse) {
        let outcome = speed_from_pulses(channel, progress).map(|mut speed| {
            doubt_pulses_per_turn(&mut speed, machine, channel.name());
            speed
        });
        if search.tried(SpeedSource::Pulse, outcome)? {
            return Ok(search.done());
        }
    }
    for channel in recording.with_role(Role::Speed) {
        if search.tried(SpeedSource::Channel, speed_from_channel(channel, progress))? {
            return Ok(search.done());
        }
    }
    if let Some(speed) = speed_as_stated(recording, machine)? {
        search.found = Some(speed);
        return Ok(search.done());
    }
    search.tried(SpeedSource::Estimated, estimate(progress))?;
    Ok(search.done())
}

/// Says so, and gives no phase, where the speed from pulses lies so far beyond what the machine file
/// states that the pulses per turn must be other than stated.
fn doubt_pulses_per_turn(speed: &mut Speed, machine: &Machine, channel: &str) {
    let found_rpm = speed.range_rpm().1;
    let Some(top_rpm) = machine.shaft.top_rpm.filter(|rpm| found_rpm > BEYOND * rpm) else {
        return;
    };
    speed.edge = None;
    speed.notes.push(format!(
        "the pulses of channel {channel:?} give up to {} rpm, but the machine file states at most {} rpm: \
         check pulses_per_turn; no phase is given",
        grouped(found_rpm),
        grouped(top_rpm)
    ));
}

#[derive(Default)]
struct Search {
    failed: Vec<NoSpeed>,
    found: Option<Speed>,
}

impl Search {
    /// Notes the outcome of one source; whether it gave a speed.
    fn tried(&mut self, from: SpeedSource, outcome: Result<Speed>) -> Result<bool> {
        match outcome {
            Ok(speed) => self.found = Some(speed),
            Err(fatal @ (Error::Stopped | Error::Bug(_) | Error::Io { .. })) => return Err(fatal),
            Err(error) => self.failed.push(NoSpeed { from, reason: error.to_string() }),
        }
        Ok(self.found.is_some())
    }

    fn done(self) -> Choice {
        match self.found {
            Some(mut speed) => {
                let reasons = self.failed.into_iter().map(|failed| failed.reason);
                speed.notes.splice(0..0, reasons);
                Choice::Found(speed)
            }
            None => Choice::Missing(self.failed),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::progress::Silent;
    use crate::recording::{Channel, ChannelSpec};
    use crate::units::Unit;

    fn channel(name: &str, role: Role, unit: Unit, samples: Vec<f32>) -> Channel {
        let spec = ChannelSpec { role: Some(role), unit: Some(unit), ..ChannelSpec::named(name) };
        Channel::new(spec, 1000.0, samples).expect("a channel")
    }

    fn no_estimate(_: &mut dyn Progress) -> Result<Speed> {
        Err(Error::numerical("shaft speed from vibration", "no order stands out"))
    }

    fn pulses() -> Vec<f32> {
        (0..4000).map(|i| if i % 20 < 4 { 1.0 } else { 0.0 }).collect()
    }

    fn choose(channels: Vec<Channel>, machine: &Machine) -> Choice {
        let recording = Recording::from_channels("test", channels).expect("a recording");
        choose_with(&recording, machine, no_estimate, &mut Silent).expect("a choice")
    }

    #[test]
    fn pulses_come_first() {
        let channels = vec![
            channel("tacho", Role::Speed, Unit::Rpm, vec![1234.0; 4000]),
            channel("pulse", Role::Pulse, Unit::Volt, pulses()),
        ];
        let choice = choose(channels, &Machine::default());
        let speed = choice.speed().expect("a speed");
        assert_eq!(speed.source(), SpeedSource::Pulse);
        assert!((speed.rpm_at(2.0) - 3000.0).abs() < 0.1);
    }

    #[test]
    fn a_speed_far_above_the_top_speed_is_doubted() {
        let doubted = |lowest_rpm: Option<f64>, top_rpm: Option<f64>| {
            let mut machine = Machine::default();
            (machine.shaft.lowest_rpm, machine.shaft.top_rpm) = (lowest_rpm, top_rpm);
            // 3 000 rpm
            let choice =
                choose(vec![channel("pulse", Role::Pulse, Unit::Volt, pulses())], &machine);
            let notes = &choice.speed().expect("a speed").notes;
            notes.iter().any(|note| note.contains("check pulses_per_turn"))
        };
        assert!(doubted(None, Some(1_500.0)));
        assert!(!doubted(None, Some(2_500.0)) && !doubted(None, None));
        // a slow roll or an aborted start may stay below all speeds of interest
        assert!(!doubted(Some(6_000.0), None));
    }

    #[test]
    fn a_dead_pulse_channel_falls_back_with_a_note() {
        let channels = vec![
            channel("pulse", Role::Pulse, Unit::Volt, vec![0.0; 4000]),
            channel("tacho", Role::Speed, Unit::Rpm, vec![1234.0; 4000]),
        ];
        let choice = choose(channels, &Machine::default());
        let speed = choice.speed().expect("a speed");
        assert_eq!(speed.source(), SpeedSource::Channel);
        assert!(speed.notes.iter().any(|note| note.contains("pulse")), "{:?}", speed.notes);
    }

    #[test]
    fn a_range_asked_for_goes_over_that_of_the_machine_and_leaves_it_alone() {
        let mut machine = Machine::default();
        machine.shaft.lowest_rpm = Some(10_000.0);
        machine.shaft.top_rpm = Some(100_000.0);
        let range = |machine: &Machine| {
            let prior = prior(machine);
            (prior.lowest_rpm, prior.highest_rpm)
        };
        assert_eq!(range(&machine), (Some(10_000.0), Some(100_000.0 * OVERSPEED)));
        machine.shaft.search_between(40_000.0, 200_000.0).expect("a range");
        assert_eq!(range(&machine), (Some(40_000.0), Some(200_000.0)));
        assert_eq!(machine.shaft.top_rpm, Some(100_000.0));
        for (low, high) in [(2.0, 1.0), (1.0, 1.0), (-1.0, 5.0), (0.0, 5.0), (f64::NAN, 5.0)] {
            let error = machine.shaft.search_between(low, high).expect_err("no range");
            assert!(error.to_string().contains("the lower first"), "{error}");
        }
    }

    #[test]
    fn a_stated_constant_and_nothing_at_all() {
        let vibration = || vec![channel("a", Role::Vibration, Unit::G, vec![0.0; 100])];
        let mut machine = Machine::default();
        assert!(matches!(choose(vibration(), &machine), Choice::Missing(why) if why.len() == 1));
        machine.shaft.constant_rpm = Some(6000.0);
        let choice = choose(vibration(), &machine);
        assert_eq!(choice.speed().map(Speed::source), Some(SpeedSource::Stated));
    }
}
