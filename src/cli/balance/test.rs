//! `quietspin balance test JOB WHICH`: can this set-up balance to what is asked?

use std::path::PathBuf;

use clap::{Args, ValueEnum};

use super::{Common, name};
use crate::balance::job::event::{Read, Test, Tested, What};
use crate::balance::job::file::JobFile;
use crate::cli::terminal::{self, Bar};
use crate::error::Result;
use crate::recording::read::{ReadOptions, read_with};
use crate::report::{balance, json};

/// Test the set-up: can it balance to what is asked?
#[derive(Debug, Args)]
pub(super) struct Arguments {
    #[command(flatten)]
    pub common: Common,

    /// Which test
    #[arg(value_enum)]
    which: Which,

    /// index: two recordings, as mounted and with the rotor turned by 180 degrees upon its mandrel (the mark on
    /// the mandrel); residual: one for each place of the mass
    #[arg(value_name = "RECORDING")]
    recordings: Vec<PathBuf>,

    /// residual: the plane in which the mass is set
    #[arg(long)]
    plane: Option<String>,

    /// residual: the mass in g times its radius in mm, ten times the residual that is to be reached
    #[arg(long, value_name = "G_MM")]
    mass: Option<f64>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Which {
    /// Rotor turned by 180 degrees upon its mandrel: what belongs to which
    Index,
    /// A mass at equal angles: the residual that can be reached
    Residual,
    /// How far the last correction lowered the unbalance; needs no recording
    Reduction,
    /// Whether one spin repeats well enough; needs no recording
    Repeatability,
}

impl From<Which> for Test {
    fn from(which: Which) -> Self {
        match which {
            Which::Index => Self::Index,
            Which::Residual => Self::Residual,
            Which::Reduction => Self::Reduction,
            Which::Repeatability => Self::Repeatability,
        }
    }
}

/// Runs the test, adds it to the job and shows its outcome: 0 good, 1 not good.
pub(super) fn run(arguments: &Arguments) -> Result<u8> {
    let mut file = JobFile::open(&arguments.common.job)?;
    let progress = &mut Bar::new(arguments.common.json);
    let mut all: Vec<Vec<Read>> = Vec::new();
    for path in &arguments.recordings {
        let recording = read_with(path, &ReadOptions::default(), progress)?;
        all.push(file.job.read(&file.job.described(recording)?, None, progress)?.0);
    }
    let (plane, mass) = (arguments.plane.as_deref(), arguments.mass);
    let tested = file.job.test(arguments.which.into(), &all, plane, mass)?;
    let recordings = arguments.recordings.iter().map(|path| name(path)).collect();
    let tested = Tested { recordings, ..tested };
    file.push(What::Tested(tested.clone()))?;
    let text = if arguments.common.json {
        json::balance::tested(&tested)
    } else {
        let style = terminal::style(arguments.common.colour);
        balance::tested(&name(&arguments.common.job), &tested, style)
    };
    terminal::show(&text)?;
    Ok(u8::from(!tested.passed))
}
