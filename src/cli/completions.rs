//! `quietspin completions SHELL`: the command line for a shell that completes it.

use clap::{Args, CommandFactory};
use clap_complete::{Shell, generate};

use super::{Command, terminal};
use crate::error::{Error, Result};

/// Print what a shell needs to complete the command line
#[derive(Debug, Args)]
pub(super) struct Arguments {
    /// The shell
    #[arg(value_name = "SHELL", value_enum)]
    shell: Shell,
}

/// Prints the script for the shell.
pub(super) fn run(arguments: &Arguments) -> Result<u8> {
    let mut command = Command::command();
    let name = command.get_name().to_owned();
    let mut script = Vec::new();
    generate(arguments.shell, &mut command, name, &mut script);
    let script = String::from_utf8(script).map_err(|error| Error::Bug(error.to_string()))?;
    terminal::show(&script)?;
    Ok(0)
}
