//! The single integration test binary.

mod spectrum;
