//! `quietspin balance found JOB`: what a look at the rotor gave after an alarm.

use clap::Args;

use super::Common;
use crate::balance::job::file::JobFile;
use crate::error::Result;

/// After a stop, tell what a look at the rotor gave
#[derive(Debug, Args)]
pub(super) struct Arguments {
    #[command(flatten)]
    pub common: Common,

    /// Number of the cause as the plan lists it, or `nothing` where the reading stands
    #[arg(value_name = "NUMBER|nothing", value_parser = cause)]
    cause: Cause,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Cause {
    Number(usize),
    Nothing,
}

fn cause(text: &str) -> std::result::Result<Cause, String> {
    match text.trim() {
        "nothing" => Ok(Cause::Nothing),
        number => number
            .parse()
            .map(Cause::Number)
            .map_err(|_| "name the number of a cause, or nothing".to_owned()),
    }
}

/// Adds the event and shows where the rotor stands.
pub(super) fn run(arguments: &Arguments) -> Result<u8> {
    let mut file = JobFile::open(&arguments.common.job)?;
    let event = file.job.found(match arguments.cause {
        Cause::Number(number) => Some(number),
        Cause::Nothing => None,
    })?;
    let folded = file.push(event)?;
    arguments.common.show(&file.job, &folded)
}
