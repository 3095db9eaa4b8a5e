//! `quietspin balance undo JOB`: the last step does not count.

use clap::Args;

use super::Common;
use crate::balance::job::file::JobFile;
use crate::error::Result;

/// Take back the last step that was written down (metal that is gone stays gone)
#[derive(Debug, Args)]
pub(super) struct Arguments {
    #[command(flatten)]
    pub common: Common,
}

/// Adds the event and shows where the rotor stands.
pub(super) fn run(arguments: &Arguments) -> Result<u8> {
    let mut file = JobFile::open(&arguments.common.job)?;
    let event = file.job.undone()?;
    file.push(event)?;
    arguments.common.show(&file.job)
}
