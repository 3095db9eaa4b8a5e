//! The single integration test binary.

mod diagnoses;
mod layers;
mod report;
mod schema;
mod snapshots;
mod spectrum;
