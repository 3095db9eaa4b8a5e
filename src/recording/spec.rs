//! What the machine file states about channels, applied to a recording: names, roles, scaling.

#![deny(clippy::indexing_slicing, clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::collections::BTreeMap;
use std::path::Path;

use super::read::{guess, plain_name};
use super::{Channel, ChannelSpec, Recording, Samples};
use crate::error::{Error, Result};
use crate::units::{Quantity, Unit};

/// Applies channel specs by name to a recording as read: renames channels, scales their samples to
/// the stated unit, turns inverted ones round.
///
/// A spec belongs to the channel of its `number`; else to the one of its name, whatever the case;
/// else, in files that name no channels, to the next channel that no other spec claims, in the order
/// of the machine file. Channels without a spec keep what was read and guessed. To be applied once:
/// a second time would scale again. `file` is the machine file, for messages.
///
/// # Errors
/// [`Error::Input`] where a spec has no channel, two have the same one, what is stated about the
/// scaling contradicts itself or the recording, or the unit of a channel does not go with its role.
pub fn apply_specs(
    mut recording: Recording,
    specs: &BTreeMap<String, ChannelSpec>,
    file: &Path,
) -> Result<Recording> {
    if !specs.is_empty() {
        guess::forget_stereo(&mut recording);
    }
    for (index, name) in assign(&recording, specs, file)? {
        let (Some(channel), Some(spec)) = (recording.channels.get_mut(index), specs.get(name))
        else {
            continue;
        };
        let old_name = channel.name().to_owned();
        recording.notes.retain(|note| !guess::is_about(note, index, &old_name));
        let place = Place { file, name };
        let scaling = Scaling::of(channel, spec, &place)?;
        recording.notes.extend(scaling.note(name));
        scaling.apply(channel);
        channel.spec = ChannelSpec {
            name: name.clone(),
            number: Some(index + 1),
            unit: scaling.unit,
            ..spec.clone()
        };
    }
    recording.notes.extend(guess::roles(&mut recording.channels));
    for channel in &recording.channels {
        if let Some(problem) = channel.spec.contradiction() {
            let place = Place { file, name: channel.name() };
            return Err(place.refuse(problem, "correct role or unit"));
        }
    }
    recording
        .check_names()
        .map_err(|e| Error::input(file, "channel", e.to_string(), "rename one"))?;
    Ok(recording)
}

/// The name of the spec to which the channel at `index` belongs, by the rules of [`apply_specs`]; `None`
/// where no spec does.
///
/// # Errors
/// As [`apply_specs`], where the specs do not fit the recording.
pub fn owner<'a>(
    recording: &Recording,
    specs: &'a BTreeMap<String, ChannelSpec>,
    file: &Path,
    index: usize,
) -> Result<Option<&'a String>> {
    Ok(assign(recording, specs, file)?.remove(&index))
}

/// Where a message points.
struct Place<'a> {
    file: &'a Path,
    name: &'a str,
}

impl Place<'_> {
    fn refuse(&self, problem: impl Into<String>, mend: impl Into<String>) -> Error {
        Error::input(self.file, format!("channel.{}", self.name), problem, mend)
    }
}

/// Which channel (by index) each spec belongs to.
fn assign<'a>(
    recording: &Recording,
    specs: &'a BTreeMap<String, ChannelSpec>,
    file: &Path,
) -> Result<BTreeMap<usize, &'a String>> {
    let mut taken: BTreeMap<usize, &String> = BTreeMap::new();
    let mut waiting = Vec::new();
    for (name, spec) in specs {
        let place = Place { file, name };
        match found(recording, spec, &place)? {
            Some(index) => claim(&mut taken, index, &place, name)?,
            None => waiting.push((spec.order, name)),
        }
    }
    waiting.sort();
    for (_, name) in waiting {
        let place = Place { file, name };
        let index = next_unnamed(recording, &taken, &place)?;
        claim(&mut taken, index, &place, name)?;
    }
    Ok(taken)
}

fn claim<'a>(
    taken: &mut BTreeMap<usize, &'a String>,
    index: usize,
    place: &Place<'_>,
    name: &'a String,
) -> Result<()> {
    match taken.insert(index, name) {
        None => Ok(()),
        Some(other) => Err(place.refuse(
            format!("channel {} belongs to channel.{other} already", index + 1),
            "correct the numbers",
        )),
    }
}

/// The channel that the spec's number or name points to.
fn found(recording: &Recording, spec: &ChannelSpec, place: &Place<'_>) -> Result<Option<usize>> {
    let count = recording.channels.len();
    if let Some(number) = spec.number {
        if number == 0 || number > count {
            return Err(place.refuse(
                format!("number is {number}, and {} has {}", recording.name, counted(count)),
                "count the channels of the file from 1",
            ));
        }
        return Ok(Some(number - 1));
    }
    let names = || recording.channels.iter().map(Channel::name);
    let exact = names().position(|name| name == place.name);
    let lower = place.name.to_lowercase();
    Ok(exact.or_else(|| names().position(|name| name.to_lowercase() == lower)))
}

fn counted(channels: usize) -> String {
    if channels == 1 { "1 channel".into() } else { format!("{channels} channels") }
}

/// The next channel that the file does not name and no spec claims.
fn next_unnamed(
    recording: &Recording,
    taken: &BTreeMap<usize, &String>,
    place: &Place<'_>,
) -> Result<usize> {
    let is_free = |(index, channel): &(usize, &Channel)| {
        !taken.contains_key(index) && channel.name() == plain_name(*index)
    };
    let next = recording.channels.iter().enumerate().find(is_free).map(|(index, _)| index);
    next.ok_or_else(|| {
        let names: Vec<&str> = recording.channels.iter().map(Channel::name).collect();
        let count = counted(names.len());
        place.refuse(
            format!(
                "{} has {count} ({}) and none is left for this one",
                recording.name,
                names.join(", ")
            ),
            "state its number, use its name in the file, or remove the table",
        )
    })
}

/// How the samples of a channel become those of the stated unit.
struct Scaling {
    factor: f64,
    unit: Option<Unit>,
    /// Value in `unit` at full scale, before inversion; `None`: unknown.
    full_scale: Option<f64>,
    /// The unit that was stated but could not be reached.
    unreached: Option<Unit>,
}

impl Scaling {
    fn of(channel: &Channel, spec: &ChannelSpec, place: &Place<'_>) -> Result<Self> {
        let stated = stated_full_scale(channel, spec, place)?;
        let mut scaling = match (stated, channel.spec.unit, spec.unit) {
            (Some(Stated { factor, unit, full_scale }), _, _) => {
                Self { factor, unit: Some(unit), full_scale, unreached: None }
            }
            (None, of_file, None) => Self::unscaled(channel, of_file),
            (None, Some(of_file), Some(wanted)) => {
                let factor = conversion(of_file, wanted, place)?;
                let full_scale = channel.full_scale.map(|x| x * factor);
                Self { factor, unit: Some(wanted), full_scale, unreached: None }
            }
            // counts of a converter are in no unit without a scale; floats hold the unit itself
            (None, None, Some(wanted))
                if channel.full_scale.is_some() && wanted != Unit::FullScale =>
            {
                Self { unreached: Some(wanted), ..Self::unscaled(channel, None) }
            }
            (None, None, Some(wanted)) => Self::unscaled(channel, Some(wanted)),
        };
        if spec.inverted {
            scaling.factor = -scaling.factor;
        }
        Ok(scaling)
    }

    fn unscaled(channel: &Channel, unit: Option<Unit>) -> Self {
        Self { factor: 1.0, unit, full_scale: channel.full_scale, unreached: None }
    }

    fn note(&self, name: &str) -> Option<String> {
        let unit = self.unreached?.symbol();
        Some(format!(
            "{name} holds fractions of full scale, and the machine file states {unit} without full_scale: its levels are relative"
        ))
    }

    fn apply(&self, channel: &mut Channel) {
        channel.least_step = channel.least_step.map(|step| step * self.factor.abs());
        channel.full_scale = self.full_scale;
        if self.factor != 1.0 {
            let scaled = channel.values().iter().map(|x| (f64::from(*x) * self.factor) as f32);
            channel.samples = Samples::from(scaled.collect::<Vec<f32>>());
        }
    }
}

/// Factor from the file's own unit to the wanted one.
fn conversion(of_file: Unit, wanted: Unit, place: &Place<'_>) -> Result<f64> {
    let known = of_file.quantity() != Quantity::Unknown;
    if of_file == wanted {
        Ok(1.0)
    } else if known && of_file.quantity() == wanted.quantity() {
        Ok(of_file.si_factor() / wanted.si_factor())
    } else if of_file == Unit::Volt {
        Err(place.refuse(
            format!("unit is {}, and the file holds volts", wanted.symbol()),
            "state sensitivity_mv_per_unit",
        ))
    } else {
        Err(place.refuse(
            format!("unit is {}, and the file itself states {}", wanted.symbol(), of_file.symbol()),
            "remove the unit or correct it",
        ))
    }
}

/// A scale that the machine file states.
struct Stated {
    /// From the samples as read to `unit`.
    factor: f64,
    unit: Unit,
    full_scale: Option<f64>,
}

/// The scale by `full_scale`, by sensitivity, or in volts; `None` where none is stated.
fn stated_full_scale(
    channel: &Channel,
    spec: &ChannelSpec,
    place: &Place<'_>,
) -> Result<Option<Stated>> {
    let of_file = channel.spec.unit.filter(|unit| *unit != Unit::FullScale);
    let in_volts = of_file == Some(Unit::Volt);
    if let Some(of_file) = of_file.filter(|_| spec.full_scale.is_some()) {
        let problem =
            format!("full_scale is stated, and the file itself states {}", of_file.symbol());
        return Err(place.refuse(problem, "remove full_scale"));
    }
    let by_sensitivity = match (spec.sensitivity_mv_per_unit, spec.full_scale_v) {
        (Some(mv), None) if in_volts => {
            let unit = needs_unit(spec, "sensitivity_mv_per_unit", place)?;
            let factor = 1000.0 / mv;
            let full_scale = channel.full_scale.map(|volts| volts * factor);
            return Ok(Some(Stated { factor, unit, full_scale }));
        }
        (_, Some(_)) | (Some(_), None) if of_file.is_some() => {
            let symbol = of_file.map_or("", Unit::symbol);
            let problem =
                format!("a converter's scale is stated, and the file itself states {symbol}");
            return Err(place.refuse(problem, "remove full_scale_v or sensitivity_mv_per_unit"));
        }
        (Some(_), None) => {
            let problem = "sensitivity_mv_per_unit is stated without full_scale_v";
            return Err(place.refuse(problem, "add the converter's full scale in volts"));
        }
        (Some(mv), Some(volts)) => {
            Some((volts * 1000.0 / mv, needs_unit(spec, "sensitivity_mv_per_unit", place)?))
        }
        (None, Some(volts)) => match spec.unit {
            None | Some(Unit::Volt) => Some((volts, Unit::Volt)),
            Some(_) if spec.full_scale.is_some() => None,
            Some(unit) => {
                let problem = format!("unit is {}, and full_scale_v gives volts", unit.symbol());
                return Err(place.refuse(problem, "add sensitivity_mv_per_unit"));
            }
        },
        (None, None) => None,
    };
    let is_scaled = spec.full_scale.is_some() || by_sensitivity.is_some();
    if let Some(reach) = beyond_full_scale(channel).filter(|_| is_scaled) {
        let problem = format!(
            "full scale is stated, and the file holds floats that reach {reach:.3}, which are no fractions of it"
        );
        return Err(place
            .refuse(problem, "remove full_scale or full_scale_v where they hold the unit itself"));
    }
    let (full_scale, unit) = match (spec.full_scale, by_sensitivity) {
        (Some(stated), Some((other, _))) if (stated / other - 1.0).abs() > 0.01 => {
            let problem = format!("full_scale is {stated}, and full_scale_v gives {other:.6}");
            return Err(place.refuse(problem, "correct one, or leave one out"));
        }
        (Some(stated), _) => (stated, needs_unit(spec, "full_scale", place)?),
        (None, Some(scale)) => scale,
        (None, None) => return Ok(None),
    };
    Ok(Some(Stated { factor: full_scale, unit, full_scale: Some(full_scale) }))
}

/// How far floats reach that are no fractions of full scale: a recorder of floats goes over it by a little,
/// but not to twice of it (common practice, no source).
fn beyond_full_scale(channel: &Channel) -> Option<f32> {
    if channel.full_scale.is_some() {
        return None;
    }
    let reach = channel.values().iter().fold(0.0, |most: f32, x| most.max(x.abs()));
    (reach > 2.0).then_some(reach)
}

fn needs_unit(spec: &ChannelSpec, key: &str, place: &Place<'_>) -> Result<Unit> {
    match spec.unit {
        Some(Unit::FullScale) | None => {
            Err(place.refuse(format!("{key} is stated without a unit"), "state the unit"))
        }
        Some(unit) => Ok(unit),
    }
}
