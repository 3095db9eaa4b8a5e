//! The single integration test binary.

mod diagnoses;
mod report;
mod schema;
mod snapshots;
