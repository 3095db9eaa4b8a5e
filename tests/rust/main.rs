//! The single integration test binary.
