//! Progress of long work, passed down by the caller, who may also stop it.

use crate::error::{Error, Result};

/// Told how far a piece of work has come; answers whether to go on.
pub trait Progress {
    /// `done` of `total` steps of `stage` are finished. Returns `false` to stop the work.
    fn advance(&mut self, stage: &str, done: u64, total: u64) -> bool;
}

/// Shows nothing and never stops.
#[derive(Debug, Clone, Copy, Default)]
pub struct Silent;

impl Progress for Silent {
    fn advance(&mut self, _stage: &str, _done: u64, _total: u64) -> bool {
        true
    }
}

/// Reports to `progress` and turns a request to stop into an error.
///
/// # Errors
/// [`Error::Stopped`] where the caller asked to stop.
pub fn step(progress: &mut dyn Progress, stage: &str, done: u64, total: u64) -> Result<()> {
    if progress.advance(stage, done, total) { Ok(()) } else { Err(Error::Stopped) }
}
