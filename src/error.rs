//! The one error type: every message names the file, the place in it, the problem and the mend.

use std::path::{Path, PathBuf};

/// Shorthand for results of this library.
pub type Result<T> = std::result::Result<T, Error>;

/// What can go wrong. An unfit recording is no error: it is a result with its reasons (see `fitness`).
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum Error {
    /// A file or an array cannot be used as it is.
    #[error("{}{}{}: {problem}; {mend}", path.display(), if place.is_empty() { "" } else { ", " }, place)]
    Input {
        /// The file, or a name for data that came from memory.
        path: PathBuf,
        /// Where in the file: a byte offset, line, key or channel; may be empty.
        place: String,
        /// What is wrong, with the value met and the limit.
        problem: String,
        /// What the user can do.
        mend: String,
    },
    /// The operating system refused to read or write a file.
    #[error("{}: {source}", path.display())]
    Io {
        /// The file concerned.
        path: PathBuf,
        /// The system's own error.
        source: std::io::Error,
    },
    /// A setting or argument is out of range or contradicts another.
    #[error("{name}: {problem}; {mend}")]
    Setting {
        /// The setting's name, as the user writes it.
        name: String,
        /// What is wrong, with the value met and the limit.
        problem: String,
        /// What the user can do.
        mend: String,
    },
    /// There is too little data for the question asked.
    #[error("{what}: needs {needed}, has {got}")]
    TooLittle {
        /// What was to be computed.
        what: String,
        /// What it needs.
        needed: String,
        /// What there is.
        got: String,
    },
    /// A computation has no usable answer (singular system, no convergence).
    #[error("{what}: {problem}")]
    Numerical {
        /// What was to be computed.
        what: String,
        /// Why it has no answer.
        problem: String,
    },
    /// The work was stopped by its caller.
    #[error("stopped on request")]
    Stopped,
    /// A fault of the library itself.
    #[error("a fault in quietspin itself: {0}; please report it with the recording")]
    Bug(String),
}

impl Error {
    /// An [`Error::Input`]; `place` may be empty.
    pub fn input(
        path: impl AsRef<Path>,
        place: impl Into<String>,
        problem: impl Into<String>,
        mend: impl Into<String>,
    ) -> Self {
        Self::Input {
            path: path.as_ref().to_owned(),
            place: one_line(place),
            problem: one_line(problem),
            mend: one_line(mend),
        }
    }

    /// An [`Error::Io`].
    pub fn io(path: impl AsRef<Path>, source: std::io::Error) -> Self {
        Self::Io { path: path.as_ref().to_owned(), source }
    }

    /// An [`Error::Setting`].
    pub fn setting(
        name: impl Into<String>,
        problem: impl Into<String>,
        mend: impl Into<String>,
    ) -> Self {
        Self::Setting { name: one_line(name), problem: one_line(problem), mend: one_line(mend) }
    }

    /// An [`Error::TooLittle`].
    pub fn too_little(
        what: impl Into<String>,
        needed: impl Into<String>,
        got: impl Into<String>,
    ) -> Self {
        Self::TooLittle { what: one_line(what), needed: one_line(needed), got: one_line(got) }
    }

    /// An [`Error::Numerical`].
    pub fn numerical(what: impl Into<String>, problem: impl Into<String>) -> Self {
        Self::Numerical { what: one_line(what), problem: one_line(problem) }
    }
}

/// Names and values from files may hold line ends and worse; a message is one line.
fn one_line(text: impl Into<String>) -> String {
    let text = text.into();
    if text.contains(char::is_control) { text.replace(char::is_control, " ") } else { text }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_message_is_one_line_whatever_a_file_holds() {
        let error = Error::input("a.csv", "line 3, column 1 (a\n\u{1b}[31mb)", "x\ty", "mend");
        assert_eq!(error.to_string(), "a.csv, line 3, column 1 (a  [31mb): x y; mend");
    }

    /// The stable word for the kind of error: `input`, `io`, `setting`, `too_little`, `numerical`,
    /// `stopped` or `bug`.
    pub fn kind(&self) -> &'static str {
        match self {
            Self::Input { .. } => "input",
            Self::Io { .. } => "io",
            Self::Setting { .. } => "setting",
            Self::TooLittle { .. } => "too_little",
            Self::Numerical { .. } => "numerical",
            Self::Stopped => "stopped",
            Self::Bug(_) => "bug",
        }
    }
}
