//! `quietspin report FILE`: one recording, judged, as a page to file.

use std::path::{Path, PathBuf};

use clap::Args;

use super::check::status;
use super::source::Source;
use super::terminal::{self, Bar, Colour};
use crate::error::Result;
use crate::report::{html, json, text, write_text};

/// Judge one recording and write a page to file: HTML that opens anywhere and prints on A4
#[derive(Debug, Args)]
pub(super) struct Arguments {
    #[command(flatten)]
    source: Source,

    /// The page to write; by default the recording's name, ending in .report.html, beside it
    #[arg(long, value_name = "FILE.html")]
    out: Option<PathBuf>,

    /// Print JSON (schema quietspin.report/1) instead of text
    #[arg(long)]
    pub(super) json: bool,
}

/// Judges the recording, writes the page and returns the exit status of the verdict.
pub(super) fn run(arguments: &Arguments) -> Result<u8> {
    let out = arguments.out.clone().unwrap_or_else(|| beside(&arguments.source.file));
    html::check_replaceable(&out)?;
    let judged = arguments.source.judged(&mut Bar::new(arguments.json))?;
    let page = html::page(&judged.case, &judged.diagnosis, &judged.machine)?;
    write_text(&out, &page)?;
    let diagnosis = &judged.diagnosis;
    let told = if arguments.json {
        json::reported(&out.to_string_lossy(), diagnosis)
    } else {
        text::written(&[&out], terminal::style(Colour::Never))
    };
    terminal::show(&told)?;
    Ok(status(diagnosis.verdict))
}

/// `runup.wav` becomes `runup.report.html`.
fn beside(recording: &Path) -> PathBuf {
    recording.with_extension("report.html")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_page_stands_beside_the_recording() {
        assert_eq!(beside(Path::new("a/b.wav")), Path::new("a/b.report.html"));
        assert_eq!(beside(Path::new("b")), Path::new("b.report.html"));
    }
}
