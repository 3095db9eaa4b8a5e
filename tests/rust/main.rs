//! The single integration test binary.

mod diagnoses;
mod layers;
mod pulse_signals;
mod report;
mod schema;
mod snapshots;
mod spectrum;
mod speed;
