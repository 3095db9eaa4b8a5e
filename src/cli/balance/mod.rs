//! `quietspin balance STEP JOB`: a rotor balanced step by step, one file per step.

mod certificate;
mod drilled;
mod found;
mod new;
mod plan;
mod spin;
mod test;
mod undo;
mod value;
mod without_phase;

use std::path::{Path, PathBuf};

use clap::{Args, Subcommand};

use super::terminal::{self, Colour};
use crate::balance::job::next::Next;
use crate::balance::job::{Folded, Job};
use crate::error::Result;
use crate::report::{balance, json};

/// Balance a rotor step by step: spin, drill, spin again, until it passes
#[derive(Debug, Args)]
#[command(after_help = AFTER_HELP)]
pub(super) struct Arguments {
    #[command(subcommand)]
    step: Step,
}

const AFTER_HELP: &str = "A job is one TOML file for one rotor. `new` begins it from a machine file; then `spin` each recording in, do \
     what it says is next, and tell it what you drilled. `plan` shows at any time where the rotor stands, what \
     to do next and how many spins are likely still needed.\n\nSpin only inside rated containment, nobody in the \
     plane of the wheels; a trial mass that comes off is a bullet. quietspin is no protection system; the maker's \
     limits, local codes and licensed practice decide.";

#[derive(Debug, Subcommand)]
enum Step {
    New(new::Arguments),
    Spin(spin::Arguments),
    Plan(plan::Arguments),
    Drilled(drilled::Arguments),
    Found(found::Arguments),
    Undo(undo::Arguments),
    Test(test::Arguments),
    Certificate(certificate::Arguments),
    WithoutPhase(without_phase::Arguments),
}

/// What every step takes.
#[derive(Debug, Args)]
struct Common {
    /// The job's file
    #[arg(value_name = "JOB.toml")]
    job: PathBuf,

    /// Print JSON (schema quietspin.balance/1) instead of text
    #[arg(long)]
    json: bool,

    /// When to use colours
    #[arg(long, value_name = "WHEN", value_enum, default_value_t)]
    colour: Colour,
}

impl Arguments {
    /// Whether the output is for other programs.
    pub(super) fn json(&self) -> bool {
        match &self.step {
            Step::New(step) => step.common.json,
            Step::Spin(step) => step.common.json,
            Step::Plan(step) => step.common.json,
            Step::Drilled(step) => step.common.json,
            Step::Found(step) => step.common.json,
            Step::Undo(step) => step.common.json,
            Step::Test(step) => step.common.json,
            Step::Certificate(step) => step.common.json,
            Step::WithoutPhase(step) => step.json,
        }
    }
}

/// Runs a step and returns its exit status.
pub(super) fn run(arguments: &Arguments) -> Result<u8> {
    match &arguments.step {
        Step::New(step) => new::run(step),
        Step::Spin(step) => spin::run(step),
        Step::Plan(step) => plan::run(step),
        Step::Drilled(step) => drilled::run(step),
        Step::Found(step) => found::run(step),
        Step::Undo(step) => undo::run(step),
        Step::Test(step) => test::run(step),
        Step::Certificate(step) => certificate::run(step),
        Step::WithoutPhase(step) => without_phase::run(step),
    }
}

impl Common {
    /// Shows where a job stands, and returns the exit status: 1 where it has stopped.
    fn show(&self, job: &Job, folded: &Folded) -> Result<u8> {
        let next = folded.next(&job.rotor)?;
        let text = if self.json {
            json::balance::job(job, folded, &next)
        } else {
            balance::job(&name(&self.job), job, folded, &next, terminal::style(self.colour))
        };
        terminal::show(&text)?;
        Ok(u8::from(matches!(next, Next::Look(_))))
    }
}

/// The name of a file without its folders.
fn name(path: &Path) -> String {
    path.file_name().map_or_else(|| path.to_string_lossy(), |name| name.to_string_lossy()).into()
}
