//! `quietspin balance drilled JOB`: metal that was taken away or added.

use clap::Args;

use super::{Common, value};
use crate::balance::job::event::Mass;
use crate::balance::job::file::JobFile;
use crate::balance::job::record::{Done, DrilledHole};
use crate::error::Result;

/// Tell what was drilled, ground or added
#[derive(Debug, Args)]
pub(super) struct Arguments {
    #[command(flatten)]
    pub common: Common,

    /// A hole: depth to its tip in mm and angle from the mark, as in compressor=2.35@124; of a hole that was made
    /// deeper the whole depth
    #[arg(long, value_name = "PLANE=DEPTH_MM@DEG", num_args = 1.., value_parser = value::hole)]
    hole: Vec<DrilledHole>,

    /// Metal taken away in any other way: what it took away in g mm, and the middle of the cut
    #[arg(long, value_name = "PLANE=G_MM@DEG", num_args = 1.., value_parser = value::mass)]
    taken: Vec<Mass>,

    /// Mass added for good: in g times its radius in mm
    #[arg(long, value_name = "PLANE=G_MM@DEG", num_args = 1.., value_parser = value::mass)]
    added: Vec<Mass>,

    /// Everything was done as the plan says
    #[arg(long, conflicts_with_all = ["hole", "taken", "added"])]
    as_planned: bool,
}

/// Adds the event and shows where the rotor stands.
pub(super) fn run(arguments: &Arguments) -> Result<u8> {
    let mut file = JobFile::open(&arguments.common.job)?;
    let done = if arguments.as_planned {
        Done::AsPlanned
    } else {
        Done::Stated {
            holes: arguments.hole.clone(),
            taken: arguments.taken.clone(),
            added: arguments.added.clone(),
        }
    };
    let event = file.job.corrected(&done)?;
    let folded = file.push(event)?;
    arguments.common.show(&file.job, &folded)
}
