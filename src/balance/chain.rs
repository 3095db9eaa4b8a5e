//! The measuring chain: what fixes the meaning of a phase and the size of an amplitude.
//!
//! A phase is the lag from one edge of one pulse to the peak of one sensor, so that vectors can be held against
//! each other only while edge, delays, sensors and their places stay as they are. A job keeps the chain of its
//! first spin, and every later spin is held against it.

use serde::{Deserialize, Serialize};

use crate::error::{Error, Result};
use crate::machine::{Count, Machine};
use crate::recording::{Channel, Direction, Edge, PulseKind, Recording, Role};
use crate::units::{Quantity, Unit};

/// Share of a stated number by which another may differ and still be the same: what writing it to a file and
/// reading it back may leave.
const SAME: f64 = 1e-9;

/// What fixes the meaning of a phase in a recording; `[chain]` in a job file.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Chain {
    /// How angles on the rotor are counted.
    pub count: Count,
    /// Where angle zero comes from.
    pub pulse: PulseChain,
    /// The sensors, in the order in which their readings stand.
    pub sensor: Vec<SensorChain>,
}

/// The pulse; `[chain.pulse]` in a job file.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PulseChain {
    /// Name of the channel.
    pub channel: String,
    /// What makes the pulses.
    pub kind: PulseKind,
    /// The edge that marks angle zero.
    pub edge: Edge,
    /// Whether the samples are negated, which makes a rising edge of a falling one.
    pub inverted: bool,
    /// Pulses per turn as stated; one where none are.
    pub pulses_per_turn: u32,
    /// Delay of the pulse chain, in microseconds.
    pub delay_us: f64,
    /// How much later than the first channel the converter samples it, in microseconds.
    pub skew_us: f64,
    /// High-pass corner of an AC-coupled input, in Hz.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub corner_hz: Option<f64>,
}

/// A vibration sensor; `[[chain.sensor]]` in a job file.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SensorChain {
    /// Name of the channel.
    pub channel: String,
    /// Unit of its samples.
    pub unit: Unit,
    /// Whether the samples are negated.
    pub inverted: bool,
    /// Radial or axial.
    pub direction: Direction,
    /// Sensitivity in mV per unit, where stated.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub sensitivity_mv_per_unit: Option<f64>,
    /// Value in `unit` at the converter's full scale, where that and no sensitivity is stated.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub full_scale: Option<f64>,
    /// Angle from the pulse sensor, with the rotation, in degrees, where stated.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub sensor_angle_deg: Option<f64>,
    /// The bearing at which it sits, where stated.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub bearing: Option<String>,
    /// How much later than the first channel the converter samples it, in microseconds.
    pub skew_us: f64,
    /// High-pass corner of an AC-coupled input, in Hz.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub corner_hz: Option<f64>,
}

impl Chain {
    /// The chain from the shaft's mark to the readings of `sensors`, channels of the recording by name.
    ///
    /// # Errors
    /// [`Error::Input`] where there is no pulse channel or more than one, its edge is not stated, a sensor is
    /// missing or no vibration channel, or two channels cannot come from one converter; [`Error::Setting`] for
    /// no sensor, or one named twice.
    pub fn of(recording: &Recording, machine: &Machine, sensors: &[String]) -> Result<Self> {
        check_names(sensors)?;
        let pulse = pulse_channel(recording)?;
        let of_sensor = |name: &String| {
            let channel = sensor_channel(recording, name)?;
            check_one_converter(recording, channel, pulse)?;
            Ok(SensorChain::of(channel))
        };
        Ok(Self {
            count: machine.convention.count,
            pulse: PulseChain::of(recording, pulse)?,
            sensor: sensors.iter().map(of_sensor).collect::<Result<_>>()?,
        })
    }

    /// What of this chain is not as in a job's, in words with both values; `None` where vectors of both can be
    /// held against each other.
    ///
    /// Sensors beyond those of the job do not matter, nor does their order. Where the sensitivity of a sensor
    /// is stated, the range of the converter does not matter either, as it is accounted for.
    pub fn differs_from(&self, job: &Self) -> Option<String> {
        let mut differences = Vec::new();
        let counted = |count: Count| format!("{} the rotation", count.word());
        differ(&mut differences, "angles are counted", counted(self.count), counted(job.count));
        self.pulse.compare(&job.pulse, &mut differences);
        for theirs in &job.sensor {
            match self.sensor.iter().find(|own| own.channel == theirs.channel) {
                Some(own) => own.compare(theirs, &mut differences),
                None => differences.push(format!("sensor {} is not read", theirs.channel)),
            }
        }
        (!differences.is_empty()).then(|| differences.join("; "))
    }
}

impl PulseChain {
    fn of(recording: &Recording, channel: &Channel) -> Result<Self> {
        let spec = &channel.spec;
        let edge = spec.edge.ok_or_else(|| {
            Error::input(
                recording.source(),
                format!("channel {}", channel.name()),
                "the edge of the pulse that marks angle zero is not stated, so that no phase is known",
                format!(
                    "look at the signal on a scope and state edge = \"rising\" or \"falling\" in [channel.{}] of the machine file",
                    channel.name()
                ),
            )
        })?;
        Ok(Self {
            channel: channel.name().to_owned(),
            kind: spec.pulse_kind,
            edge,
            inverted: spec.inverted,
            pulses_per_turn: spec.pulses_per_turn.unwrap_or(1),
            delay_us: spec.delay_us,
            skew_us: spec.skew_us,
            corner_hz: spec.corner_hz,
        })
    }

    fn compare(&self, job: &Self, into: &mut Vec<String>) {
        let name = &self.channel;
        differ(into, "the pulse channel is", name.clone(), job.channel.clone());
        differ(into, "pulse: kind is", pulse_kind(self.kind), pulse_kind(job.kind));
        differ(into, "pulse: edge is", edge_word(self.edge), edge_word(job.edge));
        differ(into, "pulse: inverted is", self.inverted.to_string(), job.inverted.to_string());
        differ(
            into,
            "pulse: pulses per turn are",
            self.pulses_per_turn.to_string(),
            job.pulses_per_turn.to_string(),
        );
        differ_by(into, "pulse: delay is", Some(self.delay_us), Some(job.delay_us), " µs");
        differ_by(into, "pulse: skew is", Some(self.skew_us), Some(job.skew_us), " µs");
        differ_by(into, "pulse: AC corner is", self.corner_hz, job.corner_hz, " Hz");
    }
}

impl SensorChain {
    fn of(channel: &Channel) -> Self {
        let spec = &channel.spec;
        let sensitivity = spec.sensitivity_mv_per_unit;
        Self {
            channel: channel.name().to_owned(),
            unit: spec.unit(),
            inverted: spec.inverted,
            direction: spec.direction,
            sensitivity_mv_per_unit: sensitivity,
            full_scale: spec.full_scale.filter(|_| sensitivity.is_none()),
            sensor_angle_deg: spec.sensor_angle_deg,
            bearing: spec.bearing.clone(),
            skew_us: spec.skew_us,
            corner_hz: spec.corner_hz,
        }
    }

    fn compare(&self, job: &Self, into: &mut Vec<String>) {
        let about = |what: &str| format!("{}: {what}", self.channel);
        differ(into, &about("unit is"), self.unit.symbol(), job.unit.symbol());
        differ(into, &about("inverted is"), self.inverted.to_string(), job.inverted.to_string());
        differ(
            into,
            &about("direction is"),
            direction_word(self.direction),
            direction_word(job.direction),
        );
        let place = |bearing: &Option<String>| bearing.clone().unwrap_or_else(|| NONE.to_owned());
        differ(into, &about("bearing is"), place(&self.bearing), place(&job.bearing));
        let numbers = [
            (
                "sensitivity is",
                self.sensitivity_mv_per_unit,
                job.sensitivity_mv_per_unit,
                " mV per unit",
            ),
            ("full scale is", self.full_scale, job.full_scale, ""),
            ("angle from the pulse sensor is", self.sensor_angle_deg, job.sensor_angle_deg, "°"),
            ("skew is", Some(self.skew_us), Some(job.skew_us), " µs"),
            ("AC corner is", self.corner_hz, job.corner_hz, " Hz"),
        ];
        for (what, own, theirs, unit) in numbers {
            differ_by(into, &about(what), own, theirs, unit);
        }
    }
}

const NONE: &str = "not stated";

fn differ(into: &mut Vec<String>, what: &str, own: impl AsRef<str>, job: impl AsRef<str>) {
    if own.as_ref() != job.as_ref() {
        into.push(format!("{what} {}, in the job {}", own.as_ref(), job.as_ref()));
    }
}

fn differ_by(into: &mut Vec<String>, what: &str, own: Option<f64>, job: Option<f64>, unit: &str) {
    let same = match (own, job) {
        (Some(a), Some(b)) => (a - b).abs() <= SAME * a.abs().max(b.abs()),
        (a, b) => a.is_none() && b.is_none(),
    };
    if !same {
        let word = |value: Option<f64>| value.map_or(NONE.to_owned(), |v| format!("{v}{unit}"));
        into.push(format!("{what} {}, in the job {}", word(own), word(job)));
    }
}

fn pulse_kind(kind: PulseKind) -> &'static str {
    match kind {
        PulseKind::Mark => "mark",
        PulseKind::Magnet => "magnet",
        PulseKind::Blades => "blades",
    }
}

fn edge_word(edge: Edge) -> &'static str {
    match edge {
        Edge::Rising => "rising",
        Edge::Falling => "falling",
    }
}

fn direction_word(direction: Direction) -> &'static str {
    match direction {
        Direction::Radial => "radial",
        Direction::Axial => "axial",
    }
}

fn check_names(sensors: &[String]) -> Result<()> {
    let problem = if sensors.is_empty() {
        "there are none".to_owned()
    } else if let Some(twice) =
        sensors.iter().enumerate().find(|(i, name)| sensors.iter().take(*i).any(|n| n == *name))
    {
        format!("{} is named twice", twice.1)
    } else {
        return Ok(());
    };
    Err(Error::setting("sensors", problem, "name each vibration channel that is to be read once"))
}

/// The one channel of pulses.
fn pulse_channel(recording: &Recording) -> Result<&Channel> {
    let all: Vec<&Channel> = recording.with_role(Role::Pulse).collect();
    match all[..] {
        [one] => Ok(one),
        [] => Err(Error::input(
            recording.source(),
            "",
            "there is no pulse channel, so that no phase is known",
            "record the pulse with the sensors on one converter, and state role = \"pulse\" for it in the machine file",
        )),
        _ => {
            let names: Vec<&str> = all.iter().map(|channel| channel.name()).collect();
            Err(Error::input(
                recording.source(),
                "",
                format!(
                    "there are several pulse channels ({}), and phase counts from one",
                    names.join(", ")
                ),
                "state role = \"other\" in the machine file for those from which it does not count",
            ))
        }
    }
}

/// A channel from which a vector may come.
pub(super) fn sensor_channel<'a>(recording: &'a Recording, name: &str) -> Result<&'a Channel> {
    let refuse = |problem: String, mend: String| {
        Error::input(recording.source(), format!("channel {name}"), problem, mend)
    };
    let Some(channel) = recording.channels.iter().find(|channel| channel.name() == name) else {
        let names: Vec<&str> = recording.with_role(Role::Vibration).map(Channel::name).collect();
        let there = if names.is_empty() { "none".to_owned() } else { names.join(", ") };
        return Err(refuse(
            "there is no such channel".into(),
            format!("the recording's vibration channels are: {there}"),
        ));
    };
    let sound = channel.spec.role() == Role::Sound || channel.spec.quantity() == Quantity::Pressure;
    if sound {
        return Err(refuse(
            "it is a microphone, and sound never gives a balance vector".into(),
            "take a vibration sensor at a bearing".into(),
        ));
    }
    let odd = match channel.spec.role() {
        Role::Vibration => channel.spec.contradiction(),
        Role::Pulse => Some("it holds pulses and no motion".into()),
        Role::Speed => Some("it holds speeds and no motion".into()),
        Role::Slow => Some("it holds slow values and no motion".into()),
        _ => Some("it is not stated to hold vibration".into()),
    };
    match odd {
        None => Ok(channel),
        Some(problem) => Err(refuse(
            problem,
            "name a vibration sensor, or correct role and unit in the machine file".into(),
        )),
    }
}

/// Refuses a sensor that cannot have been sampled by the clock of the pulse: one converter's rates are whole
/// multiples of each other, and what it starts together begins together. 50 ppm between two clocks
/// are 1 800 degrees in a minute at 100 000 rpm.
fn check_one_converter(recording: &Recording, sensor: &Channel, pulse: &Channel) -> Result<()> {
    let ratio = (sensor.rate_hz / pulse.rate_hz).max(pulse.rate_hz / sensor.rate_hz);
    let whole = (ratio - ratio.round()).abs() < 1e-9 * ratio;
    let step_s = 1.0 / sensor.rate_hz.min(pulse.rate_hz);
    let together = (sensor.start_s - pulse.start_s).abs() < step_s;
    if whole && together {
        return Ok(());
    }
    let problem = if whole {
        format!(
            "it starts at {} s and the pulse at {} s, so that they are not from one converter and have no common clock",
            sensor.start_s, pulse.start_s
        )
    } else {
        format!(
            "it has {} samples a second and the pulse {}, so that they are not from one converter and have no common clock",
            sensor.rate_hz, pulse.rate_hz
        )
    };
    Err(Error::input(
        recording.source(),
        format!("channel {}", sensor.name()),
        problem,
        "record both on one converter",
    ))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::recording::ChannelSpec;

    fn channel(spec: ChannelSpec) -> Channel {
        Channel::new(spec, 51_200.0, vec![0.0; 16]).expect("valid")
    }

    fn sensor(name: &str) -> ChannelSpec {
        ChannelSpec {
            role: Some(Role::Vibration),
            unit: Some(Unit::G),
            full_scale: Some(50.0),
            sensor_angle_deg: Some(90.0),
            bearing: Some("front".into()),
            ..ChannelSpec::named(name)
        }
    }

    fn pulse() -> ChannelSpec {
        ChannelSpec {
            role: Some(Role::Pulse),
            edge: Some(Edge::Rising),
            ..ChannelSpec::named("pulse")
        }
    }

    fn recording(specs: Vec<ChannelSpec>) -> Recording {
        let channels = specs.into_iter().map(channel).collect();
        Recording::from_channels("spin", channels).expect("channels")
    }

    fn names(names: &[&str]) -> Vec<String> {
        names.iter().map(|name| (*name).to_owned()).collect()
    }

    fn chain(specs: Vec<ChannelSpec>) -> Result<Chain> {
        Chain::of(&recording(specs), &Machine::default(), &names(&["front"]))
    }

    fn refusal(specs: Vec<ChannelSpec>) -> String {
        chain(specs).expect_err("refused").to_string()
    }

    #[test]
    fn a_chain_stays_itself_through_toml() {
        let written = chain(vec![
            ChannelSpec { skew_us: 0.1 + 0.2, corner_hz: Some(0.3), ..sensor("front") },
            pulse(),
        ])
        .expect("a chain");
        let text = toml::to_string(&written).expect("plain");
        let read: Chain = toml::from_str(&text).expect("the same");
        assert_eq!(read, written);
        assert_eq!(written.differs_from(&read), None);
        assert!(text.contains("[pulse]") && text.contains("[[sensor]]"), "{text}");
        let odd = text.replace("[pulse]", "[pulse]\ngain = 1");
        assert!(toml::from_str::<Chain>(&odd).is_err());
    }

    /// Each thing that turns or scales a vector is told with both values; what does not is not.
    #[test]
    fn what_matters_is_told_with_both_values() {
        let job = chain(vec![sensor("front"), pulse()]).expect("a chain");
        let differs = |front: ChannelSpec, pulse: ChannelSpec| {
            chain(vec![front, pulse]).expect("a chain").differs_from(&job)
        };
        let of_front = |change: &dyn Fn(&mut ChannelSpec)| {
            let mut spec = sensor("front");
            change(&mut spec);
            differs(spec, pulse())
        };
        let of_pulse = |change: &dyn Fn(&mut ChannelSpec)| {
            let mut spec = pulse();
            change(&mut spec);
            differs(sensor("front"), spec)
        };
        let told = [
            (
                of_pulse(&|p| p.edge = Some(Edge::Falling)),
                "pulse: edge is falling, in the job rising",
            ),
            (of_pulse(&|p| p.delay_us = 2.5), "pulse: delay is 2.5 µs, in the job 0 µs"),
            (of_pulse(&|p| p.inverted = true), "pulse: inverted is true, in the job false"),
            (of_pulse(&|p| p.pulses_per_turn = Some(3)), "pulses per turn are 3, in the job 1"),
            (
                of_pulse(&|p| p.name = "tacho".into()),
                "the pulse channel is tacho, in the job pulse",
            ),
            (of_pulse(&|p| p.pulse_kind = PulseKind::Magnet), "kind is magnet, in the job mark"),
            (of_front(&|s| s.sensor_angle_deg = Some(0.0)), "pulse sensor is 0°, in the job 90°"),
            (of_front(&|s| s.unit = Some(Unit::MillimeterPerSecond)), "unit is mm/s, in the job g"),
            (of_front(&|s| s.full_scale = Some(20.0)), "full scale is 20, in the job 50"),
            (of_front(&|s| s.skew_us = 1.0), "skew is 1 µs, in the job 0 µs"),
            (of_front(&|s| s.corner_hz = Some(5.0)), "corner is 5 Hz, in the job not stated"),
            (of_front(&|s| s.bearing = Some("rear".into())), "bearing is rear, in the job front"),
            (
                of_front(&|s| s.direction = Direction::Axial),
                "direction is axial, in the job radial",
            ),
            (of_front(&|s| s.inverted = true), "front: inverted is true, in the job false"),
        ];
        for (found, words) in told {
            let found = found.unwrap_or_default();
            assert!(found.contains(words), "{found:?} has not {words:?}");
            assert!(!found.contains(';'), "{found}");
        }
        assert_eq!(of_front(&|s| s.mounted_resonance_hz = Some(3e4)), None);
        assert_eq!(of_pulse(&|p| p.pulses_per_turn = Some(1)), None);
        let mut machine = Machine::default();
        machine.convention.count = Count::WithRotation;
        let other = recording(vec![sensor("front"), pulse()]);
        let other = Chain::of(&other, &machine, &names(&["front"])).expect("a chain");
        let words = other.differs_from(&job).expect("another convention");
        assert_eq!(words, "angles are counted with the rotation, in the job against the rotation");
    }

    #[test]
    fn the_converters_range_does_not_matter_where_the_sensitivity_is_stated() {
        let of = |mv: f64, volts: f64| {
            let spec = ChannelSpec {
                full_scale: None,
                sensitivity_mv_per_unit: Some(mv),
                full_scale_v: Some(volts),
                ..sensor("front")
            };
            chain(vec![spec, pulse()]).expect("a chain")
        };
        assert_eq!(of(100.0, 10.0).differs_from(&of(100.0, 5.0)), None);
        let words = of(100.0, 10.0).differs_from(&of(10.0, 10.0)).expect("another sensor");
        assert!(words.contains("sensitivity is 100 mV per unit, in the job 10 mV"), "{words}");
    }

    #[test]
    fn sensors_are_found_by_name_and_more_of_them_do_not_matter() {
        let both = || recording(vec![sensor("front"), sensor("rear"), pulse()]);
        let of = |wanted: &[&str]| Chain::of(&both(), &Machine::default(), &names(wanted));
        let job = of(&["front"]).expect("a chain");
        assert_eq!(of(&["rear", "front"]).expect("a chain").differs_from(&job), None);
        let words = of(&["rear"]).expect("a chain").differs_from(&job).expect("one missing");
        assert_eq!(words, "sensor front is not read");
        for (wanted, said) in [(vec![], "there are none"), (vec!["front", "front"], "twice")] {
            assert!(of(&wanted).expect_err("refused").to_string().contains(said));
        }
    }

    #[test]
    fn what_gives_no_phase_is_refused_with_its_mend() {
        let edgeless = refusal(vec![sensor("front"), ChannelSpec { edge: None, ..pulse() }]);
        assert!(
            edgeless.contains("channel pulse: the edge") && edgeless.contains("[channel.pulse]")
        );
        assert!(refusal(vec![sensor("front")]).contains("there is no pulse channel"));
        let second = ChannelSpec { name: "second".into(), ..pulse() };
        assert!(refusal(vec![sensor("front"), pulse(), second]).contains("(pulse, second)"));
        let missing = refusal(vec![sensor("rear"), pulse()]);
        assert!(missing.contains("channel front: there is no such") && missing.contains("rear"));
        let sound = ChannelSpec { role: Some(Role::Sound), unit: None, ..sensor("front") };
        assert!(refusal(vec![sound, pulse()]).contains("sound never gives a balance vector"));
        let slow = ChannelSpec { unit: Some(Unit::Celsius), ..sensor("front") };
        assert!(refusal(vec![slow, pulse()]).contains("degC"));
    }

    #[test]
    fn channels_of_two_clocks_are_refused() {
        let at = |rate_hz: f64, start_s: f64| {
            let mut front = Channel::new(sensor("front"), rate_hz, vec![0.0; 16]).expect("valid");
            front.start_s = start_s;
            let both = vec![front, channel(pulse())];
            let made = Recording::from_channels("spin", both).expect("channels");
            Chain::of(&made, &Machine::default(), &names(&["front"]))
        };
        assert!(at(51_200.0, 0.0).is_ok() && at(12_800.0, 0.0).is_ok());
        let words = at(48_000.0, 0.0).expect_err("two clocks").to_string();
        assert!(words.contains("48000 samples a second and the pulse 51200"), "{words}");
        assert!(at(51_200.0, 0.5).expect_err("two starts").to_string().contains("starts at 0.5 s"));
    }
}
