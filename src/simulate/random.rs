//! Random numbers: one independent stream per purpose, so that adding one part of a scenario leaves
//! the others as they were.

use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;

/// What a stream is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Purpose {
    /// Wander of speed and first angle.
    Speed,
    /// Phases and wander of the tones.
    Tones,
    /// Impacts, per fault.
    Impacts(u32),
    /// Noise common to all places.
    CommonNoise,
    /// Noise of one sensor, by its number.
    Sensor(u32),
    /// Edges of the pulse.
    PulseEdges,
    /// Noise of the pulse.
    PulseNoise,
    /// Gaps of the converter.
    Gaps,
    /// Drawing a scenario.
    Scenario,
    /// Drawing the sensors at the shaft of a scenario.
    ShaftSensors,
}

/// The stream of a seed for a purpose.
pub fn stream(seed: u64, purpose: Purpose) -> ChaCha8Rng {
    let number = match purpose {
        Purpose::Speed => 1,
        Purpose::Tones => 2,
        Purpose::CommonNoise => 3,
        Purpose::PulseEdges => 4,
        Purpose::PulseNoise => 5,
        Purpose::Gaps => 6,
        Purpose::Scenario => 7,
        Purpose::ShaftSensors => 8,
        Purpose::Impacts(fault) => 1000 + u64::from(fault),
        Purpose::Sensor(sensor) => 1_000_000 + u64::from(sensor),
    };
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    rng.set_stream(number);
    rng
}
