//! `quietspin balance spin JOB RECORDING`: a recorded spin.

use std::path::PathBuf;

use clap::Args;

use super::{Common, value};
use crate::balance::job::event::Mass;
use crate::balance::job::file::JobFile;
use crate::balance::job::record::SpinFacts;
use crate::cli::terminal::Bar;
use crate::error::Result;
use crate::recording::read::{ReadOptions, read_with};

/// Record a spin: read the 1x vectors of a recording into the job
#[derive(Debug, Args)]
pub(super) struct Arguments {
    #[command(flatten)]
    pub common: Common,

    /// The recording: WAV, CSV, NPY or NPZ, with the pulse
    #[arg(value_name = "RECORDING")]
    recording: PathBuf,

    /// A trial mass that was on the rotor during this spin: mass in g times radius in mm, or both with an x,
    /// and its angle from the mark, as in compressor=0.4@120 or compressor=0.02x20@120
    #[arg(long, value_name = "PLANE=G_MM@DEG", num_args = 1.., value_parser = value::mass)]
    trial: Vec<Mass>,

    /// Parts were taken off and refitted to their marks before this spin
    #[arg(long)]
    refitted: bool,

    /// From and to in seconds, where only a part of the recording is to be read
    #[arg(long, value_name = "FROM,TO", value_parser = window)]
    window: Option<[f64; 2]>,

    /// Conditions, for the certificate: nut torque, oil temperature, runout
    #[arg(long, value_name = "TEXT")]
    note: Option<String>,
}

fn window(text: &str) -> std::result::Result<[f64; 2], String> {
    let wanted = "write from and to in seconds, as in 2.5,6";
    let (from, to) = text.split_once(',').ok_or(wanted)?;
    let seconds = |text: &str| text.trim().parse::<f64>().map_err(|_| wanted.to_owned());
    let (from, to) = (seconds(from)?, seconds(to)?);
    if from >= 0.0 && to > from { Ok([from, to]) } else { Err(wanted.to_owned()) }
}

/// Reads the recording, adds the event and shows where the rotor stands.
pub(super) fn run(arguments: &Arguments) -> Result<u8> {
    let mut file = JobFile::open(&arguments.common.job)?;
    let progress = &mut Bar::new(arguments.common.json);
    let recording =
        file.job.described(read_with(&arguments.recording, &ReadOptions::default(), progress)?)?;
    let facts = SpinFacts {
        trial: arguments.trial.clone(),
        refitted: arguments.refitted,
        note: arguments.note.clone(),
        window_s: arguments.window,
    };
    let (event, chain) = file.job.read_spin(&recording, facts, progress)?;
    file.job.rotor.chain.get_or_insert(chain);
    let folded = file.push(event)?;
    arguments.common.show(&file.job, &folded)
}
