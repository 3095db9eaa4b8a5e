//! The angle domain: equal-angle signals, synchronous averages, order maps and order tracks.
//!
//! Phasors here are zero-to-peak, in the channel's unit, with `x = Re(c e^{i 2 pi order turns})`: their
//! argument is a lead. The trade's phase is the lag, see [`track::Track::lag_deg`].

pub mod average;
pub mod critical;
pub mod follow;
pub mod growth;
pub mod map;
mod noise;
pub mod orbit;
pub mod probes;
pub mod resample;
pub mod slow_roll;
pub mod track;
pub mod tracking_filter;
mod wave;
pub mod windows;

pub use average::SynchronousAverage;
pub use follow::{Method, follow};
pub use map::{OrderMap, OrderMapMaker};
pub use orbit::{Ellipse, Orbit, Precession};
pub use probes::ProbePair;
pub use resample::{AngleSignal, Resampler};
pub use slow_roll::SlowRoll;
pub use track::Track;
pub use tracking_filter::TrackingFilter;
pub use wave::Wave;
