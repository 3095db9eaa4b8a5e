//! What the terminal can show, and how it is written to.

use std::io::{ErrorKind, IsTerminal, Write};
use std::time::{Duration, Instant};

use clap::ValueEnum;
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use terminal_size::{Width, terminal_size_of};

use crate::error::{Error, Result};
use crate::progress::Progress;
use crate::report::Style;

/// Columns where the output is no terminal.
const PLAIN_COLUMNS: usize = 80;
/// Lines longer than this are hard to read, however wide the terminal is.
const MOST_COLUMNS: usize = 110;
/// Work shorter than this shows no progress.
const PATIENCE: Duration = Duration::from_millis(400);

/// When to use colours.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, ValueEnum)]
pub(super) enum Colour {
    /// On a terminal, unless the environment variable NO_COLOR is set
    #[default]
    Auto,
    /// Also into files and pipes
    Always,
    /// Nowhere
    Never,
}

/// Whether the standard output is a terminal.
pub(super) fn shows() -> bool {
    std::io::stdout().is_terminal()
}

/// How text is to be set on the standard output.
pub(super) fn style(colour: Colour) -> Style {
    let columns = terminal_size_of(std::io::stdout()).map(|(Width(columns), _)| columns.into());
    let colour = match colour {
        Colour::Auto => shows() && !is_set("NO_COLOR") && variable("TERM") != "dumb",
        Colour::Always => true,
        Colour::Never => false,
    };
    let locale = ["LC_ALL", "LC_CTYPE", "LANG"].into_iter().map(variable).find(|l| !l.is_empty());
    Style {
        colour,
        unicode: cfg!(windows) || locale.is_some_and(|locale| is_utf8(&locale)),
        width: columns.unwrap_or(PLAIN_COLUMNS).min(MOST_COLUMNS),
    }
}

fn variable(name: &str) -> String {
    std::env::var(name).unwrap_or_default()
}

fn is_set(name: &str) -> bool {
    std::env::var_os(name).is_some_and(|value| !value.is_empty())
}

/// Whether a locale's name (POSIX: `language_TERRITORY.codeset@modifier`) states UTF-8.
fn is_utf8(locale: &str) -> bool {
    let codeset = locale.split_once('.').map_or("", |(_, codeset)| codeset);
    let codeset = codeset.split('@').next().unwrap_or_default();
    codeset.replace('-', "").eq_ignore_ascii_case("utf8")
}

/// Writes to the standard output; a reader that has gone away is no error.
///
/// # Errors
/// [`Error::Io`] where the output cannot be written, on a full disk for example.
pub(super) fn show(text: &str) -> Result<()> {
    let mut output = std::io::stdout().lock();
    match output.write_all(text.as_bytes()).and_then(|()| output.flush()) {
        Err(error) if error.kind() == ErrorKind::BrokenPipe => Ok(()),
        other => other.map_err(|source| Error::io("standard output", source)),
    }
}

/// Writes to the standard error, as well as can be.
pub(super) fn complain(text: &str) {
    // there is nowhere left to say that this failed
    let _ = std::io::stderr().lock().write_all(text.as_bytes());
}

/// A bar on the standard error for work that takes long; nothing where that is no terminal.
pub(super) struct Bar {
    started: Instant,
    wanted: bool,
    bar: Option<ProgressBar>,
    stage: String,
}

impl Bar {
    pub(super) fn new(quiet: bool) -> Self {
        Self {
            started: Instant::now(),
            wanted: !quiet && std::io::stderr().is_terminal(),
            bar: None,
            stage: String::new(),
        }
    }
}

impl Progress for Bar {
    fn advance(&mut self, stage: &str, done: u64, total: u64) -> bool {
        if !self.wanted || self.started.elapsed() < PATIENCE {
            return true;
        }
        let bar = self.bar.get_or_insert_with(|| {
            let bar = ProgressBar::with_draw_target(Some(total), ProgressDrawTarget::stderr());
            match ProgressStyle::with_template("{msg:<22} {bar:32} {percent:>3} %  {elapsed}") {
                Ok(style) => bar.with_style(style),
                Err(_) => bar,
            }
        });
        if self.stage != stage {
            stage.clone_into(&mut self.stage);
            bar.set_message(self.stage.clone());
        }
        bar.set_length(total);
        bar.set_position(done);
        true
    }
}

impl Drop for Bar {
    fn drop(&mut self) {
        if let Some(bar) = &self.bar {
            bar.finish_and_clear();
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn utf8_is_told_from_the_codeset() {
        for name in ["en_GB.UTF-8", "C.utf8", "de_DE.UTF-8@euro"] {
            assert!(is_utf8(name), "{name}");
        }
        for name in ["", "C", "POSIX", "de_DE.ISO-8859-1", "utf8"] {
            assert!(!is_utf8(name), "{name}");
        }
    }
}
