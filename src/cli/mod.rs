//! The `quietspin` command: one file per verb.
//!
//! Results go to the standard output, everything else to the standard error. Exit status: 0 accept or
//! done, 1 investigate or reject, 2 a command line or input that cannot be used, 3 no verdict.

mod balance;
mod check;
mod completions;
mod machine_keys;
mod man;
mod report;
mod screen;
mod simulate;
mod source;
mod terminal;

use std::ffi::OsString;

use clap::error::ErrorKind;
use clap::{Parser, Subcommand};

use crate::error::Result;
use crate::report::{json, text};

/// Exit status where the command line or the input cannot be used.
const UNUSABLE: u8 = 2;

/// Tells from the vibration of a small, very fast rotor whether it may run, and if not, why.
#[derive(Debug, Parser)]
#[command(name = "quietspin", version, about, after_help = AFTER_HELP, max_term_width = 100)]
struct Command {
    #[command(subcommand)]
    verb: Verb,
}

const AFTER_HELP: &str = "Exit status: 0 accept or done, 1 investigate or reject, 2 unusable command \
                          line or input, 3 no verdict.\n\nSpin only inside rated containment, nobody \
                          in the plane of the wheels, never above the maker's speed. quietspin judges \
                          recordings; it is no protection system.";

#[derive(Debug, Subcommand)]
enum Verb {
    Check(check::Arguments),
    Report(report::Arguments),
    Screen(screen::Arguments),
    Balance(balance::Arguments),
    Simulate(simulate::Arguments),
    MachineKeys(machine_keys::Arguments),
    Completions(completions::Arguments),
    Man(man::Arguments),
}

impl Verb {
    fn wants_json(&self) -> bool {
        match self {
            Self::Check(arguments) => arguments.json,
            Self::Report(arguments) => arguments.json,
            Self::Screen(arguments) => arguments.json,
            Self::Balance(arguments) => arguments.json(),
            Self::Simulate(arguments) => arguments.json,
            Self::MachineKeys(_) | Self::Completions(_) | Self::Man(_) => false,
        }
    }

    fn run(&self) -> Result<u8> {
        match self {
            Self::Check(arguments) => check::run(arguments),
            Self::Report(arguments) => report::run(arguments),
            Self::Screen(arguments) => screen::run(arguments),
            Self::Balance(arguments) => balance::run(arguments),
            Self::Simulate(arguments) => simulate::run(arguments),
            Self::MachineKeys(_) => machine_keys::run(),
            Self::Completions(arguments) => completions::run(arguments),
            Self::Man(arguments) => man::run(arguments),
        }
    }
}

/// Runs a command line, the program's name first, and returns its exit status. Prints what went wrong;
/// never panics on bad input, and takes a closed pipe in silence.
pub fn run<T>(arguments: impl IntoIterator<Item = T>) -> u8
where
    T: Into<OsString> + Clone,
{
    let arguments: Vec<OsString> = arguments.into_iter().map(Into::into).collect();
    let command = match Command::try_parse_from(&arguments) {
        Ok(command) => command,
        Err(error) => return misunderstood(&error, &arguments),
    };
    match command.verb.run() {
        Ok(status) => status,
        Err(error) => {
            terminal::complain(&text::error(&error));
            if command.verb.wants_json() {
                // if the output is gone as well, the status alone must tell
                let _ = terminal::show(&json::error(&error));
            }
            UNUSABLE
        }
    }
}

/// Help and version, which were asked for, or a command line that cannot be understood.
fn misunderstood(error: &clap::Error, arguments: &[OsString]) -> u8 {
    if !error.use_stderr() || error.kind() == ErrorKind::DisplayHelpOnMissingArgumentOrSubcommand {
        // nothing can be done where not even this can be printed
        let _ = error.print();
        return if error.use_stderr() { UNUSABLE } else { 0 };
    }
    let sentence = sentence(error);
    terminal::complain(&text::complaint(&sentence));
    if arguments.iter().any(|argument| argument == "--json") {
        let _ = terminal::show(&json::usage_error(&sentence));
    }
    UNUSABLE
}

/// What is wrong with the command line, as one sentence: problem, then mend.
fn sentence(error: &clap::Error) -> String {
    let message = error.render().to_string();
    // what is missing or possible stands on lines of its own, hints and usage after empty ones
    let mut parts = message.split("\n\n").map(|part| {
        part.lines().map(str::trim).filter(|line| !line.is_empty()).collect::<Vec<_>>().join(" ")
    });
    let problem = parts.next().unwrap_or_default();
    let problem = problem.strip_prefix("error: ").unwrap_or(&problem).trim_end_matches('.');
    let hints = parts.filter_map(|part| part.strip_prefix("tip: ").map(str::to_owned));
    let hints: Vec<String> = hints.chain(["see --help".to_owned()]).collect();
    format!("{problem}; {}", hints.join("; "))
}

#[cfg(test)]
mod tests {
    use clap::CommandFactory;

    use super::*;

    #[test]
    fn the_command_line_is_sound() {
        Command::command().debug_assert();
    }

    #[test]
    fn a_slip_in_the_command_line_is_one_sentence_with_its_mend() {
        let told = |line: &str| {
            let error = Command::try_parse_from(line.split(' ')).expect_err("a slip");
            sentence(&error)
        };
        assert_eq!(
            told("quietspin check"),
            "the following required arguments were not provided: <FILE>; see --help"
        );
        let negative = told("quietspin check a.wav --rpm -5");
        assert!(
            negative.starts_with(
                "invalid value '-5' for '--rpm <N>': a speed in rpm is a number above 0"
            ),
            "{negative}"
        );
        assert!(!negative.contains("-- -5"), "{negative}");
        let misspelt = told("quietspin check a.wav --machin m.toml");
        assert_eq!(
            misspelt,
            "unexpected argument '--machin' found; a similar argument exists: '--machine'; see --help"
        );
        for line in [
            "quietspin chek a.wav",
            "quietspin screen",
            "quietspin check a --rpm 5 --speed-range 1,2",
        ] {
            let sentence = told(line);
            assert!(
                !sentence.contains(['\n', '\u{1b}']) && sentence.ends_with("; see --help"),
                "{sentence}"
            );
        }
    }
}
