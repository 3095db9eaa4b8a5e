//! The single integration test binary.

mod simulate;
