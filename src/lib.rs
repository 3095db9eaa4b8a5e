//! Spectral vibration diagnostics for small, very fast rotors.

pub mod error;
pub mod progress;
pub mod units;

pub mod dsp;
pub mod recording;

pub mod machine;

pub mod simulate;

pub mod speed;

pub mod angle;

pub mod spectrum;

pub mod fitness;

pub mod case;

pub mod signature;

pub mod balance;

pub mod diagnose;

pub mod screen;

pub mod figure;

pub mod report;

#[cfg(feature = "cli")]
pub mod cli;
#[cfg(feature = "python")]
mod python;

pub use error::{Error, Result};
