//! `quietspin balance certificate JOB`: the evidence to file.

use std::path::PathBuf;

use clap::Args;

use super::Common;
use crate::balance::job::file;
use crate::balance::judgement::Standing;
use crate::cli::terminal;
use crate::error::Result;
use crate::report::{Style, balance, json, text};

/// Write the certificate: one page of HTML and the same as JSON
#[derive(Debug, Args)]
pub(super) struct Arguments {
    #[command(flatten)]
    pub common: Common,

    /// The page to write; by default the job's name, ending in .certificate.html, beside it. The JSON stands
    /// beside the page
    #[arg(long, value_name = "FILE.html")]
    out: Option<PathBuf>,
}

/// Writes page and JSON; the exit status is 0 where it passes, 1 where it fails, 3 where it cannot be told.
pub(super) fn run(arguments: &Arguments) -> Result<u8> {
    let path = &arguments.common.job;
    let job = file::read(path)?;
    let folded = job.folded()?;
    let next = folded.next(&job.rotor)?;
    let page = arguments.out.clone().unwrap_or_else(|| path.with_extension("certificate.html"));
    let beside = balance::certificate::write(&page, &job, &folded, &next)?;
    let told = if arguments.common.json {
        json::balance::job(&job, &folded, &next)
    } else {
        text::written(&[&page, &beside], Style::default())
    };
    terminal::show(&told)?;
    Ok(match balance::standing_of(&job, &folded, &next).0 {
        Standing::Passes => 0,
        Standing::Fails => 1,
        Standing::CannotTell => 3,
    })
}
