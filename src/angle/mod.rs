//! The angle domain: equal-angle signals, synchronous averages, order maps and order tracks.
//!
//! Phasors here are zero-to-peak, in the channel's unit, with `x = Re(c e^{i 2 pi order turns})`: their
//! argument is a lead. The trade's phase is the lag, see [`track::Track::lag_deg`].

pub mod average;
pub mod critical;
pub mod growth;
pub mod map;
pub mod orbit;
pub mod probes;
pub mod resample;
pub mod slow_roll;
pub mod track;

pub use average::SynchronousAverage;
pub use map::OrderMap;
pub use orbit::{Ellipse, Orbit, Precession};
pub use probes::ProbePair;
pub use resample::AngleSignal;
pub use slow_roll::SlowRoll;
pub use track::Track;
