//! Simulation: run-ups of an invented machine with chosen faults, and the truth about them.
//!
//! A [`Scenario`] describes rotor, speed, faults, sensors, pulse and converter; [`simulate`] turns it
//! and a seed into a recording as a converter would have made it, the machine file that belongs to it,
//! and the [`Truth`]. The same scenario and seed give the same samples, bit for bit.
//!
//! The rotor is a rigid body in two bearings whose housings stand on soft mounts ([`rotor`]); its
//! first and second orders are integrated through the run-up, so that a fast passage shifts the peak
//! of a critical speed as it does in reality. Bearing defects are impacts that ring the housing. What
//! is phenomenological rather than derived (looseness, rub, harmonics) says so where it is defined.

mod converter;
pub mod curve;
mod faults;
mod impacts;
mod machine_file;
pub mod population;
mod pulse;
mod random;
pub mod rotor;
mod scenario;
mod sensors;
mod timebase;
mod tones;
pub mod transient;
mod truth;
mod write;

use rand::Rng;

use crate::error::Result;
use crate::machine::Machine;
use crate::recording::{Channel, ChannelSpec, Recording};
use crate::units::Unit;

use converter::Conversion;
use curve::Curve;
use random::{Purpose, stream};
use rotor::RotorModel;
pub use scenario::{
    Background, BearingDefect, BentShaft, Bits, Blades, Burst, Converter, Dropouts, Faults,
    GapKind, Generator, Imbalance, Line, Looseness, Misalignment, Place, PulseSensor, RampShape,
    Resonance, Ring, Rotor, Rub, Scenario, Sensor, SensorKind, SpeedProfile, Support, Unbalance,
};
use timebase::Timebase;
pub use truth::{PlantedFault, PlantedObservation, Truth};
pub use write::Written;
#[cfg(feature = "cli")]
pub(crate) use write::folder_and_name;
pub(crate) use write::write_whole;

/// A simulated recording with all that belongs to it.
#[derive(Debug, Clone)]
pub struct Simulated {
    /// The recording, its channels in the units of the machine file.
    pub recording: Recording,
    /// What the machine's owner would state.
    pub machine: Machine,
    /// What is true.
    pub truth: Truth,
    pub(crate) bits: Bits,
}

/// Simulates a scenario.
///
/// # Errors
/// [`crate::error::Error::Setting`] where a value is out of range or the rotor cannot be followed.
pub fn simulate(scenario: &Scenario, seed: u64) -> Result<Simulated> {
    scenario.check()?;
    let mut rng = stream(seed, Purpose::Speed);
    let start_turns = -rng.random_range(0.0..1.0);
    let curve = Curve::new(&scenario.speed, start_turns, &mut rng);
    let time = Timebase::new(scenario, &curve);
    let model = RotorModel::new(&scenario.rotor);
    let outputs = sensors::render(scenario, &model, &curve, &time, seed)?;
    let conversion = Conversion::new(scenario, &time, seed);
    let mut specs = machine_file::channels(scenario).into_iter();
    let mut channels = Vec::new();
    for ((sensor, output), spec) in scenario.sensor.iter().zip(outputs).zip(specs.by_ref()) {
        let scaled = machine_file::stated_full_scale(sensor) / sensor.full_scale;
        let output = output.into_iter().map(|value| value * scaled).collect();
        let full_scale = machine_file::stated_full_scale(sensor);
        let samples = conversion.record(output, full_scale, true);
        channels.push(channel(scenario, spec, full_scale, samples)?);
    }
    for spec in specs {
        let volts = pulse::render(&scenario.pulse, &curve, &time, seed);
        let full_scale = scenario.pulse.full_scale_v;
        let samples = conversion.record(volts, full_scale, false);
        channels.push(channel(scenario, spec, full_scale, samples)?);
    }
    Ok(Simulated {
        recording: Recording::from_channels(&scenario.name, channels)?,
        machine: machine_file::machine(scenario),
        truth: Truth::new(scenario, &model, &curve, seed)?,
        bits: scenario.converter.bits,
    })
}

/// A channel as the reader of its file would make it.
fn channel(
    scenario: &Scenario,
    mut spec: ChannelSpec,
    full_scale: f64,
    mut samples: Vec<f32>,
) -> Result<Channel> {
    spec.unit = spec.unit.or(Some(Unit::FullScale));
    if spec.inverted {
        // stated as wired the other way round, and so put right on reading
        samples.iter_mut().for_each(|value| *value = -*value);
    }
    let mut channel = Channel::new(spec, scenario.converter.rate_hz, samples)?;
    if let Some(codes) = scenario.converter.bits.codes() {
        channel.full_scale = Some(full_scale);
        channel.least_step = Some(full_scale / codes);
    }
    Ok(channel)
}
