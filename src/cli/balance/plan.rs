//! `quietspin balance plan JOB`: where the rotor stands and what to do next, with pictures of the wheels.

use std::path::PathBuf;

use clap::Args;

use super::Common;
use crate::balance::job::file;
use crate::cli::terminal;
use crate::error::Result;
use crate::report::{Style, balance, text};

/// Show where the rotor stands, what to do next, and what is likely still to come
#[derive(Debug, Args)]
pub(super) struct Arguments {
    #[command(flatten)]
    pub common: Common,

    /// Also draw each wheel with its holes into this folder, as a picture and as a template that prints 1:1
    #[arg(long, value_name = "FOLDER")]
    pictures: Option<PathBuf>,
}

/// Shows the job; changes nothing in it.
pub(super) fn run(arguments: &Arguments) -> Result<u8> {
    let job = file::read(&arguments.common.job)?;
    let folded = job.folded()?;
    let status = arguments.common.show(&job, &folded)?;
    if let Some(folder) = &arguments.pictures {
        let next = folded.next(&job.rotor)?;
        let written = balance::pictures(&job, &folded, &next, folder)?;
        if !arguments.common.json {
            terminal::show(&text::written(&written, Style::default()))?;
        }
    }
    Ok(status)
}
