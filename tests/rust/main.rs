//! The single integration test binary.

mod machine;
mod recording;
