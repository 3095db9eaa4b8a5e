//! How hard a job is, and how much of a job there is.

use quietspin::balance::estimate::Spread;

/// A job ends here, passed or not.
pub const MOST_SPINS: usize = 20;
/// Unbalance to begin with in multiples of what is permitted, spread evenly over its logarithm.
pub const UNBALANCE: (f64, f64) = (3.0, 40.0);
/// How exactly holes are drilled.
pub const DRILLING: Spread = Spread { share: 0.05, angle_rad: 0.034_906_6 };
/// Share of the spins after a change that a disaster strikes.
pub const STRUCK: f64 = 0.05;

/// How hard a job is. Unbalances and noise are in multiples of what is permitted.
#[derive(Debug, Clone, Copy)]
pub struct Column {
    pub name: &'static str,
    /// Noise of both parts of a reading, in multiples of what the permitted unbalance reads in the plane
    /// that the reading feels most.
    pub noise: f64,
    /// What a refit adds to both parts of the unbalance in a plane.
    pub refit: f64,
    /// How far the coefficients change up to the largest vibration, at most.
    pub bend: f64,
    pub trial: f64,
    pub of_type: Spread,
    pub known_type: bool,
}

const EASY: Column = Column {
    name: "easy, new type",
    noise: 0.05,
    refit: 0.0,
    bend: 0.0,
    trial: 10.0,
    of_type: Spread { share: 0.03, angle_rad: 0.034_906_6 },
    known_type: false,
};
const HARD: Column = Column {
    name: "hard, new type",
    noise: 0.3,
    refit: 0.15,
    bend: 0.2,
    trial: 3.0,
    of_type: Spread { share: 0.1, angle_rad: 0.122_173 },
    known_type: false,
};
pub const COLUMNS: [Column; 4] = [
    EASY,
    Column { name: "easy, known type", known_type: true, ..EASY },
    HARD,
    Column { name: "hard, known type", known_type: true, ..HARD },
];
