//! The single integration test binary.

mod fitness;
