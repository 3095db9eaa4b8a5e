//! The machine file that belongs to a scenario: what its owner would state.

use crate::machine::{BladeRow, Machine, Plane, Shaft};
use crate::recording::{ChannelSpec, Role};
use crate::units::Unit;

use super::scenario::{Bits, PulseSensor, Scenario, Sensor, SensorKind};

/// The first line of every machine file that is written here: what it describes may be written anew.
pub const MARK: &str = "# Invented: simulated by quietspin, no real machine";

/// The specs of all channels, in file order: sensors, then the pulse.
pub fn channels(scenario: &Scenario) -> Vec<ChannelSpec> {
    let bits = scenario.converter.bits;
    let sensors = scenario.sensor.iter().map(|sensor| sensor_spec(sensor, scenario, bits));
    let pulse = scenario.pulse.fitted.then(|| pulse_spec(&scenario.pulse, bits));
    let mut specs: Vec<ChannelSpec> = sensors.chain(pulse).collect();
    for (i, spec) in specs.iter_mut().enumerate() {
        spec.number = Some(i + 1);
    }
    specs
}

/// Value at full scale in the unit that the channel's file states.
pub fn stated_full_scale(sensor: &Sensor) -> f64 {
    if sensor.calibrated { sensor.full_scale } else { 1.0 }
}

fn sensor_spec(sensor: &Sensor, scenario: &Scenario, bits: Bits) -> ChannelSpec {
    let microphone = sensor.kind == SensorKind::Microphone;
    let at_bearing = !microphone && scenario.bearing.contains_key(&sensor.place);
    ChannelSpec {
        role: Some(if microphone { Role::Sound } else { Role::Vibration }),
        unit: sensor.calibrated.then_some(sensor.unit),
        full_scale: (sensor.calibrated && bits != Bits::Float).then_some(sensor.full_scale),
        inverted: sensor.inverted,
        direction: sensor.direction,
        sensor_angle_deg: (!microphone).then_some(sensor.angle_deg),
        bearing: at_bearing.then(|| sensor.place.word().to_owned()),
        mounted_resonance_hz: sensor.mounted_resonance_hz,
        corner_hz: sensor.corner_hz,
        skew_us: sensor.skew_us,
        ..ChannelSpec::named(&sensor.name)
    }
}

fn pulse_spec(pulse: &PulseSensor, bits: Bits) -> ChannelSpec {
    ChannelSpec {
        role: Some(Role::Pulse),
        unit: Some(Unit::Volt),
        full_scale: (bits != Bits::Float).then_some(pulse.full_scale_v),
        corner_hz: pulse.corner_hz,
        pulses_per_turn: Some(pulse.per_turn),
        edge: pulse.edge_stated.then_some(pulse.edge),
        pulse_kind: pulse.kind,
        delay_us: pulse.delay_us,
        skew_us: pulse.skew_us,
        ..ChannelSpec::named(&pulse.name)
    }
}

/// The machine file.
pub fn machine(scenario: &Scenario) -> Machine {
    let rows = scenario.blade.iter().filter(|(_, row)| row.stated);
    let planes = scenario.rotor.residual.iter().enumerate().map(|(i, plane)| {
        let position_mm = Some(plane.position_mm);
        (format!("plane{}", i + 1), Plane { position_mm, ..Plane::default() })
    });
    Machine {
        name: Some(scenario.machine.clone()),
        shaft: Shaft {
            top_rpm: Some(scenario.speed.top_rpm),
            mass_kg: Some(scenario.rotor.mass_kg),
            coupling: Some(scenario.coupling),
            pole_pairs: scenario.generator.filter(|g| g.stated).map(|g| g.pole_pairs),
            ..Shaft::default()
        },
        channel: channels(scenario).into_iter().map(|spec| (spec.name.clone(), spec)).collect(),
        bearing: scenario
            .bearing
            .iter()
            .map(|(place, bearing)| (place.word().to_owned(), bearing.clone()))
            .collect(),
        blade: rows.map(|(name, row)| (name.clone(), BladeRow { count: row.count })).collect(),
        plane: planes.collect(),
        limits: scenario.limits.clone(),
        acceptance: scenario.acceptance.clone(),
        ..Machine::default()
    }
}

/// The machine as the text of a machine file, without what equals the defaults.
///
/// # Errors
/// [`crate::error::Error::Bug`] where a machine cannot be written as TOML.
pub fn text(machine: &Machine) -> crate::error::Result<String> {
    let fault = |error: toml::ser::Error| crate::error::Error::Bug(error.to_string());
    let mut table = toml::Table::try_from(machine).map_err(fault)?;
    let plain = toml::Table::try_from(Machine::default()).map_err(fault)?;
    let channel = toml::Table::try_from(ChannelSpec::default()).map_err(fault)?;
    let bearing = toml::Table::try_from(crate::machine::Bearing::default()).map_err(fault)?;
    let plane = toml::Table::try_from(Plane::default()).map_err(fault)?;
    for (key, defaults) in [("channel", &channel), ("bearing", &bearing), ("plane", &plane)] {
        for (_, entry) in table.get_mut(key).and_then(|t| t.as_table_mut()).into_iter().flatten() {
            if let Some(entry) = entry.as_table_mut() {
                // a channel's name is its table's
                entry.remove("name");
                prune(entry, defaults);
            }
        }
    }
    let format = table.remove("format");
    prune(&mut table, &plain);
    let body = toml::to_string(&table).map_err(fault)?;
    Ok(format!(
        "{MARK}\nformat = {}\n{body}",
        format.and_then(|value| value.as_integer()).unwrap_or(1)
    ))
}

/// Takes away what equals the defaults, and tables left empty.
fn prune(table: &mut toml::Table, defaults: &toml::Table) {
    for (key, value) in table.iter_mut() {
        if let toml::Value::Table(inner) = value {
            let empty = toml::Table::new();
            prune(inner, defaults.get(key).and_then(|d| d.as_table()).unwrap_or(&empty));
        }
    }
    table.retain(|key, value| {
        defaults.get(key) != Some(value) && value.as_table().is_none_or(|inner| !inner.is_empty())
    });
}
