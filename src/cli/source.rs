//! The recording that a verb judges, and what the command line states about it.

use std::path::{Path, PathBuf};

use clap::Args;
use serde::Deserialize;
use serde::de::IntoDeserializer;

use crate::case::Case;
use crate::diagnose::{Diagnosis, diagnose_with_taps};
use crate::error::{Error, Result};
use crate::machine::{self, FASTEST_RPM, Machine};
use crate::progress::Progress;
use crate::recording::read::{ReadOptions, read_with};
use crate::recording::spec::{apply_specs, owner};
use crate::recording::{Channel, ChannelSpec, RATES_HZ, Recording, Role};
use crate::spectrum::tap;

/// What `check` and `report` have in common.
#[derive(Debug, Args)]
pub(super) struct Source {
    /// The recording: WAV, CSV, NPY or NPZ
    pub file: PathBuf,

    /// Machine file with limits, bearings and calibration (see `quietspin machine-keys`)
    #[arg(long, value_name = "FILE")]
    pub machine: Option<PathBuf>,

    /// A recording of taps on the machine at standstill, by the same sensors: critical speeds that ring there
    /// too are told apart. Its channels are matched with the run's by name, or in order where there are as many,
    /// with or without those that feel no vibration
    #[arg(long, value_name = "FILE")]
    pub tap: Option<PathBuf>,

    #[command(flatten)]
    pub stated: Stated,

    /// What a channel is for, instead of what was guessed; by its name or number, as in 2=pulse.
    /// Roles: vibration, pulse, speed, sound, slow, other
    #[arg(long, value_name = "CHANNEL=ROLE", value_parser = role)]
    pub role: Vec<(String, Role)>,
}

/// What the command line states about every recording that it judges.
#[derive(Debug, Clone, Copy, Args)]
pub(super) struct Stated {
    /// Constant speed in rpm, where nothing recorded tells it
    #[arg(long, value_name = "N", value_parser = rpm, allow_negative_numbers = true, conflicts_with = "speed_range")]
    pub rpm: Option<f64>,

    /// Lowest and highest speed in rpm between which to look, where there are no pulses
    #[arg(long, value_name = "LOW,HIGH", value_parser = speed_range, allow_hyphen_values = true)]
    pub speed_range: Option<(f64, f64)>,

    /// Sampling rate in Hz, for files that do not state it or state it wrongly
    #[arg(long, value_name = "HZ", value_parser = rate, allow_negative_numbers = true)]
    pub rate: Option<f64>,
}

/// A recording with its verdict, and all that it rests on.
pub(super) struct Judged {
    pub case: Case,
    pub diagnosis: Diagnosis,
    pub machine: Machine,
}

impl Source {
    /// Reads the recording and judges it.
    pub fn judged(&self, progress: &mut dyn Progress) -> Result<Judged> {
        let mut machine = match &self.machine {
            Some(path) => machine::parse::read(path)?,
            None => Machine::default(),
        };
        let options = ReadOptions { rate_hz: self.stated.rate };
        let recording = read_with(&self.file, &options, progress)?;
        let file = self.machine.as_deref().unwrap_or(Path::new("command line"));
        state(self, &mut machine, &recording, file)?;
        let recording = apply_specs(recording, &machine.channel, file)?;
        let (taps, note) = match &self.tap {
            Some(path) => {
                let taps = read_with(path, &ReadOptions::default(), progress)?;
                let (taps, note) = tapped(taps, &recording, &machine, file)?;
                (tap::ringing(&taps)?, note)
            }
            None => (Vec::new(), None),
        };
        let given = self.machine.is_some();
        let (case, mut diagnosis) =
            diagnose_with_taps(&recording, &machine, given, taps, progress)?;
        diagnosis.notes.extend(note);
        if let Some(beside) = self.machine_beside() {
            diagnosis.suggestions = vec![format!(
                "{} lies beside the recording and is not used: name it by --machine",
                beside.display()
            )];
        }
        Ok(Judged { case, diagnosis, machine })
    }
}

impl Source {
    /// The machine file of the recording's name, where it is there and none is given.
    fn machine_beside(&self) -> Option<PathBuf> {
        let beside = self.file.with_extension("machine.toml");
        (self.machine.is_none() && beside.is_file()).then_some(beside)
    }
}

/// The recording of taps, its channels named like those of the run: by their own names where the run
/// has them all; else, where there are as many, or as many as channels of vibration, in the order of the run,
/// with a note. Where neither tells any channel apart, a note says what to do.
fn tapped(
    taps: Recording,
    run: &Recording,
    machine: &Machine,
    file: &Path,
) -> Result<(Recording, Option<String>)> {
    let among = |channels: &[Channel], name: &str| {
        channels.iter().any(|channel| channel.name().to_lowercase() == name.to_lowercase())
    };
    let known = taps.channels.iter().all(|channel| among(&run.channels, channel.name()));
    // nobody records pulses at standstill
    let vibration = run.channels.iter().filter(|channel| channel.spec.role() == Role::Vibration);
    let alike = [run.channels.iter().collect(), vibration.collect::<Vec<&Channel>>()]
        .into_iter()
        .find(|channels| channels.len() == taps.channels.len());
    if let Some(channels) = alike.filter(|_| !known) {
        let names: Vec<&str> = channels.iter().map(|channel| channel.name()).collect();
        let numbered = |(place, name): (usize, &&str)| {
            let stated = machine.channel.get(*name).cloned();
            let spec = stated.unwrap_or_else(|| ChannelSpec::named(*name));
            ((*name).to_owned(), ChannelSpec { number: Some(place + 1), ..spec })
        };
        let specs = names.iter().enumerate().map(numbered).collect();
        let note = format!(
            "{} does not name its channels like the run: they are taken in the run's order, {}",
            taps.name,
            names.join(", ")
        );
        return Ok((apply_specs(taps, &specs, file)?, Some(note)));
    }
    let mut specs = machine.channel.clone();
    specs.retain(|name, _| among(&taps.channels, name));
    specs.values_mut().for_each(|spec| spec.number = None);
    let shares = taps.channels.iter().any(|channel| among(&run.channels, channel.name()));
    let note = (!shares).then(|| unmatched(&taps, run));
    Ok((apply_specs(taps, &specs, file)?, note))
}

/// What to do where taps and run share no name and differ in the number of channels.
fn unmatched(taps: &Recording, run: &Recording) -> String {
    let counted = |recording: &Recording| match recording.channels.len() {
        1 => "1 channel".to_owned(),
        count => format!("{count} channels"),
    };
    format!(
        "{} has {}, the run {}: the order tells nothing of them; record the taps with the channels of the run in \
         its order, or name them alike in the first row of a CSV file",
        taps.name,
        counted(taps),
        counted(run)
    )
}

/// What the command line states goes over what the machine file states.
fn state(source: &Source, machine: &mut Machine, recording: &Recording, file: &Path) -> Result<()> {
    machine.shaft.state_speed(source.stated.rpm, source.stated.speed_range)?;
    for (channel, role) in &source.role {
        spec_of(channel, machine, recording, file)?.role = Some(*role);
    }
    Ok(())
}

/// The spec of a channel, asked for by its name in the machine file or in the recording or by its number:
/// the machine file's, or a new one for a channel that no table there describes.
fn spec_of<'a>(
    channel: &str,
    machine: &'a mut Machine,
    recording: &Recording,
    file: &Path,
) -> Result<&'a mut ChannelSpec> {
    let channels = &recording.channels;
    let named = || channels.iter().position(|found| found.name() == channel);
    let numbered = || channel.parse::<usize>().ok()?.checked_sub(1);
    let name = if machine.channel.contains_key(channel) {
        channel.to_owned()
    } else {
        let place = named().or_else(numbered).and_then(|i| Some((i, channels.get(i)?)));
        let Some((index, found)) = place else {
            return Err(unknown(channel, machine, recording));
        };
        let described = owner(recording, &machine.channel, file, index)?;
        described.map_or_else(|| found.name().to_owned(), String::clone)
    };
    Ok(machine.channel.entry(name.clone()).or_insert_with(|| ChannelSpec::named(name)))
}

fn unknown(channel: &str, machine: &Machine, recording: &Recording) -> Error {
    let mut names: Vec<&str> = machine.channel.keys().map(String::as_str).collect();
    for found in &recording.channels {
        if !names.contains(&found.name()) {
            names.push(found.name());
        }
    }
    Error::setting(
        "--role",
        format!("{} has no channel {channel:?}", recording.name),
        format!("choose among {}, or count the channels from 1", names.join(", ")),
    )
}

fn rpm(text: &str) -> std::result::Result<f64, String> {
    positive(text, "a speed in rpm", FASTEST_RPM)
}

fn rate(text: &str) -> std::result::Result<f64, String> {
    positive(text, "a sampling rate in Hz", *RATES_HZ.end())
}

fn positive(text: &str, what: &str, most: f64) -> std::result::Result<f64, String> {
    match text.trim().parse::<f64>() {
        Ok(value) if value > 0.0 && value <= most => Ok(value),
        _ => Err(format!("{what} is a number above 0, at most {most}")),
    }
}

fn speed_range(text: &str) -> std::result::Result<(f64, f64), String> {
    let (low, high) = text.split_once(',').ok_or("state two speeds in rpm, as in 20000,100000")?;
    let (low, high) = (rpm(low)?, rpm(high)?);
    if low < high { Ok((low, high)) } else { Err("the lower speed comes first".to_owned()) }
}

fn role(text: &str) -> std::result::Result<(String, Role), String> {
    let (channel, role) = text.rsplit_once('=').ok_or("state channel and role, as in 2=pulse")?;
    if channel.is_empty() {
        return Err("the channel is missing, as in 2=pulse".to_owned());
    }
    // the words are those of the machine file
    let role =
        Role::deserialize(role.into_deserializer()).map_err(|_: serde::de::value::Error| {
            format!("{role:?} is no role; choose among vibration, pulse, speed, sound, slow, other")
        })?;
    Ok((channel.to_owned(), role))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_on_the_command_line_are_checked() {
        assert_eq!(rpm("48000"), Ok(48_000.0));
        for bad in ["0", "-1", "nan", "inf", "1e9", "fast", ""] {
            assert!(rpm(bad).is_err(), "{bad}");
        }
        assert_eq!(speed_range("20000, 1e5"), Ok((20_000.0, 100_000.0)));
        for bad in ["20000", "5,5", "9,3", ",", "1,2,3"] {
            assert!(speed_range(bad).is_err(), "{bad}");
        }
    }

    #[test]
    fn roles_are_those_of_the_machine_file() {
        assert_eq!(role("a=b=pulse"), Ok(("a=b".to_owned(), Role::Pulse)));
        assert!(role("1=puls").is_err_and(|text| text.contains("vibration, pulse, speed")));
        assert!(role("=pulse").is_err());
        assert!(role("pulse").is_err());
    }

    #[test]
    fn taps_go_by_name_and_only_else_by_number() {
        let recording = |names: [&str; 2]| {
            let channel = |(i, name): (usize, &str)| {
                let samples = vec![i as f32 + 1.0; 8];
                Channel::new(ChannelSpec::named(name), 1000.0, samples).expect("a channel")
            };
            let channels = names.into_iter().enumerate().map(channel).collect();
            Recording::from_channels("taps", channels).expect("a recording")
        };
        let file = Path::new("m.toml");
        let mut machine = Machine::default();
        for (i, name) in ["front", "rear"].into_iter().enumerate() {
            let spec = ChannelSpec { number: Some(i + 1), ..ChannelSpec::named(name) };
            machine.channel.insert(name.to_owned(), spec);
        }
        let run = recording(["front", "rear"]);
        let told = |names: [&str; 2]| {
            let (taps, note) =
                tapped(recording(names), &run, &machine, file).expect("they can be named");
            let front = taps.channels.iter().find(|channel| channel.name() == "front");
            (front.expect("named").values()[0], note)
        };
        assert_eq!(told(["rear", "front"]), (2.0, None));
        let (first, note) = told(["ch1", "ch2"]);
        assert_eq!(first, 1.0);
        assert!(note.is_some_and(|note| note.contains("in the run's order, front, rear")));

        // as many as feel vibration: the pulse is left out
        let mut with_pulse = recording(["front", "pulse"]);
        with_pulse.channels[0].spec.role = Some(Role::Vibration);
        with_pulse.channels[1].spec.role = Some(Role::Pulse);
        let alone =
            vec![Channel::new(ChannelSpec::named("ch1"), 1000.0, vec![7.0; 8]).expect("a channel")];
        let alone = Recording::from_channels("taps", alone).expect("a recording");
        let (taps, note) = tapped(alone, &with_pulse, &machine, file).expect("it can be named");
        assert_eq!((taps.channels[0].name(), taps.channels[0].values()[0]), ("front", 7.0));
        assert!(note.is_some_and(|note| note.ends_with("in the run's order, front")));

        // more or fewer channels than the run: order says nothing
        let named = |names: &[&str]| {
            let channel = |name: &&str| {
                Channel::new(ChannelSpec::named(*name), 1000.0, vec![0.0; 8]).expect("a channel")
            };
            let taps = Recording::from_channels("knocks.wav", names.iter().map(channel).collect());
            tapped(taps.expect("a recording"), &run, &machine, file).expect("it is left as it is")
        };
        let (left, note) = named(&["ch1"]);
        assert_eq!(left.channels[0].name(), "ch1");
        let note = note.expect("it has no partner");
        let told = "knocks.wav has 1 channel, the run 2 channels: the order tells nothing";
        assert!(note.starts_with(told) && note.contains("first row of a CSV"), "{note}");
        // one name in common: they go by name, and nothing is wrong
        assert_eq!(named(&["Rear"]).1, None);
        assert_eq!(named(&["front", "rear", "stand"]).1, None);
    }

    #[test]
    fn roles_reach_the_channel_meant() {
        let channel = |name: &str| {
            Channel::new(ChannelSpec::named(name), 1000.0, vec![0.0; 8]).expect("a channel")
        };
        let recording = Recording::from_channels("r", vec![channel("ch1"), channel("ch2")])
            .expect("a recording");
        let file = Path::new("m.toml");
        let mut machine = Machine::default();
        machine.channel.insert(
            "front".to_owned(),
            ChannelSpec { number: Some(1), ..ChannelSpec::named("front") },
        );
        for (asked, name) in [("front", "front"), ("1", "front"), ("ch2", "ch2"), ("2", "ch2")] {
            let spec = spec_of(asked, &mut machine, &recording, file).expect("known");
            assert_eq!(spec.name, name, "{asked}");
        }
        let error = spec_of("3", &mut machine, &recording, file).expect_err("not there");
        let error = error.to_string();
        assert!(error.contains("front, ch2") || error.contains("ch2, front"), "{error}");
        assert!(spec_of("0", &mut machine, &recording, file).is_err());

        // tables without numbers take the channels in their order
        let mut machine = Machine::default();
        for (order, name) in ["rear", "front"].into_iter().enumerate() {
            machine
                .channel
                .insert(name.to_owned(), ChannelSpec { order, ..ChannelSpec::named(name) });
        }
        for (asked, name) in [("1", "rear"), ("2", "front"), ("ch2", "front")] {
            let spec = spec_of(asked, &mut machine, &recording, file).expect("known");
            assert_eq!(spec.name, name, "{asked}");
        }
        assert_eq!(machine.channel.len(), 2, "no table was added");
    }
}
