//! Reports: one diagnosis, told to people ([`text`], [`picture`]) and to programs ([`json`]).
//!
//! Nothing is decided here. A renderer turns what it is given into characters and neither computes nor
//! judges; it does neutralise what a terminal would obey instead of show, because names come from files.

pub mod balance;
pub mod html;
pub mod json;
mod layout;
pub mod picture;
pub mod screening;
mod svg;
pub mod text;
mod words;

use std::io::Write;
use std::path::Path;
pub use svg::{wheel_picture, wheel_template};

use crate::error::{Error, Result};
use crate::simulate::write_whole;

#[cfg(feature = "python")]
pub(crate) use words::harmless;

/// Writes a text to a file, whole or not at all.
///
/// # Errors
/// [`Error::Io`] where it cannot be written: what stood there stands there still.
pub(crate) fn write_text(path: &Path, text: &str) -> Result<()> {
    write_whole(path, |file| {
        file.write_all(text.as_bytes()).map_err(|source| Error::io(path, source))
    })
}

/// How text for people is set.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Style {
    /// Whether the terminal understands colours (ANSI sequences).
    pub colour: bool,
    /// Whether the terminal can show more than ASCII.
    pub unicode: bool,
    /// Columns to fill at most; narrower than [`Style::LEAST_WIDTH`] counts as that.
    pub width: usize,
}

impl Style {
    /// The narrowest page that is set, in columns.
    pub const LEAST_WIDTH: usize = 40;

    /// The width that is really used, in columns.
    pub fn columns(self) -> usize {
        self.width.max(Self::LEAST_WIDTH)
    }
}

impl Default for Style {
    /// Plain text with all characters on 80 columns.
    fn default() -> Self {
        Self { colour: false, unicode: true, width: 80 }
    }
}
