//! The single integration test binary.

mod layers;
