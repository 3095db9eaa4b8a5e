//! The single integration test binary.

mod bearings;
mod blind;
mod blind_signals;
#[cfg(feature = "cli")]
mod cli;
mod diagnoses;
mod fitness;
mod layers;
mod machine;
mod orders;
mod pulse_signals;
mod recording;
mod report;
mod schema;
mod signatures;
mod simulate;
mod snapshots;
mod spectrum;
mod speed;
