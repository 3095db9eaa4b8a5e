//! The single integration test binary.

mod diagnoses;
mod fitness;
mod layers;
mod pulse_signals;
mod report;
mod schema;
mod snapshots;
mod spectrum;
mod speed;
