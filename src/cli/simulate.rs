//! `quietspin simulate`: a run-up of an invented machine, with its machine file and the truth.

use std::path::{Path, PathBuf};

use clap::Args;

use super::terminal;
use crate::error::Result;
use crate::report::{json, text};
use crate::simulate::{Scenario, Written, folder_and_name, simulate};

/// Make a recording of an invented machine with chosen faults, and write the truth beside it
#[derive(Debug, Args)]
pub(super) struct Arguments {
    /// Scenario as TOML; without it a 3 kW microturbine generator cartridge in good order (invented)
    scenario: Option<PathBuf>,

    /// Fault to add, may be repeated: imbalance, misalignment, bearing_outer, ...
    #[arg(long, value_name = "NAME")]
    fault: Vec<String>,

    /// The same seed gives the same files
    #[arg(long, value_name = "N", default_value_t = 0, allow_negative_numbers = true)]
    seed: u64,

    /// Folder to write into, or the name of the recording, ending in .wav; only files that were
    /// simulated are replaced
    #[arg(long, value_name = "DIR|FILE.wav", default_value = ".")]
    out: PathBuf,

    /// Print JSON (schema quietspin.simulate/1) instead of text
    #[arg(long)]
    pub(super) json: bool,
}

/// Simulates, writes the three files and returns the exit status.
pub(super) fn run(arguments: &Arguments) -> Result<u8> {
    let mut scenario = match &arguments.scenario {
        Some(path) => Scenario::read(path)?,
        None => Scenario::default(),
    };
    for fault in &arguments.fault {
        scenario.add_fault(fault)?;
    }
    let folder = settle_name(arguments, &mut scenario);
    let written = simulate(&scenario, arguments.seed)?.write(&folder)?;
    let told = if arguments.json {
        json::simulated(&files(&written, arguments.seed))
    } else {
        let style = terminal::style(terminal::Colour::Never);
        text::written(&[&written.wav, &written.machine, &written.truth], style)
    };
    terminal::show(&told)?;
    Ok(0)
}

fn files(written: &Written, seed: u64) -> json::SimulatedFiles {
    let told = |path: &Path| path.to_string_lossy().into_owned();
    json::SimulatedFiles {
        recording: told(&written.wav),
        machine: told(&written.machine),
        truth: told(&written.truth),
        seed,
    }
}

/// The folder to write into; names the scenario after the file asked for, else after its faults.
fn settle_name(arguments: &Arguments, scenario: &mut Scenario) -> PathBuf {
    if let Some((folder, name)) = folder_and_name(&arguments.out) {
        scenario.name = name;
        return folder;
    }
    if arguments.scenario.is_none() && !arguments.fault.is_empty() {
        scenario.name = arguments.fault.join("-");
    }
    arguments.out.clone()
}
