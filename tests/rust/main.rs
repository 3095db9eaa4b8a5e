//! The single integration test binary.

mod pulse_signals;
mod speed;
