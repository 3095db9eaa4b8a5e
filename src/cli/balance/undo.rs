//! `quietspin balance undo JOB`: the last step does not count.

use clap::Args;

use super::Common;
use crate::balance::job::file::JobFile;
use crate::cli::terminal;
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
    let told = file.job.taken_back(&event);
    let folded = file.push(event)?;
    if let (false, Some(told)) = (arguments.common.json, told) {
        terminal::show(&format!("{told}\n\n"))?;
    }
    arguments.common.show(&file.job, &folded)
}
