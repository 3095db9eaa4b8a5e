//! `quietspin machine-keys`.

use clap::Args;

use super::terminal;
use crate::error::Result;
use crate::machine::keys;

/// Print every key of the machine file with its unit and default
#[derive(Debug, Args)]
pub(super) struct Arguments {}

/// Prints the documentation of the machine file.
pub(super) fn run() -> Result<u8> {
    terminal::show(&keys::documentation())?;
    Ok(0)
}
