//! The single integration test binary.

// tests say what they skip and print their figures
#![allow(clippy::print_stdout)]

#[cfg(feature = "cli")]
mod balance_job;
mod balance_vectors;
mod bearings;
mod blind;
mod blind_signals;
#[cfg(feature = "cli")]
mod cli;
mod closed_loop;
mod criticals;
mod data;
mod diagnoses;
mod fitness;
mod layers;
mod levels;
mod limits;
mod machine;
mod mimics;
mod observations;
mod orbits;
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
