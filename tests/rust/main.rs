//! The single integration test binary.

mod diagnoses;
mod fitness;
mod layers;
mod machine;
mod pulse_signals;
mod recording;
mod report;
mod schema;
mod simulate;
mod snapshots;
mod spectrum;
mod speed;
