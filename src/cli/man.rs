//! `quietspin man [VERB]`: the manual page.

use clap::{Args, CommandFactory};
use clap_mangen::Man;

use super::{Command, terminal};
use crate::error::{Error, Result};

/// Print the manual page, of the command or of one of its verbs, for `man -l -`
#[derive(Debug, Args)]
pub(super) struct Arguments {
    /// The verb
    #[arg(value_name = "VERB")]
    verb: Option<String>,
}

/// Prints the page.
pub(super) fn run(arguments: &Arguments) -> Result<u8> {
    let mut command = Command::command();
    // the verbs' names in full, `quietspin-check`, stand in their own pages only once they are built
    command.build();
    let page = match &arguments.verb {
        None => command,
        Some(verb) => {
            command.find_subcommand(verb).cloned().ok_or_else(|| unknown(verb, &command))?
        }
    };
    let mut text = Vec::new();
    Man::new(page.disable_help_subcommand(true))
        .render(&mut text)
        .map_err(|error| Error::Bug(error.to_string()))?;
    terminal::show(&String::from_utf8_lossy(&text))?;
    Ok(0)
}

fn unknown(verb: &str, command: &clap::Command) -> Error {
    let verbs: Vec<&str> = command.get_subcommands().map(clap::Command::get_name).collect();
    Error::setting(
        "man",
        format!("{verb:?} is no verb"),
        format!("choose among {}", verbs.join(", ")),
    )
}
