//! `quietspin report FILE`: one recording, judged, as a page to file.

use std::io::Read;
use std::path::{Path, PathBuf};

use clap::Args;

use super::check::status;
use super::source::Source;
use super::terminal::{self, Bar, Colour};
use crate::error::{Error, Result};
use crate::report::{html, json, text};
use crate::simulate::write_whole;

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
    check_replaceable(&out)?;
    let judged = arguments.source.judged(&mut Bar::new(arguments.json))?;
    let page = html::page(&judged.case, &judged.diagnosis, &judged.machine)?;
    write_whole(&out, |file| {
        std::io::Write::write_all(file, page.as_bytes()).map_err(|source| Error::io(&out, source))
    })?;
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

/// Refuses to replace what is no report, a recording above all.
fn check_replaceable(out: &Path) -> Result<()> {
    let refuse = |problem: &str, mend: &str| Err(Error::input(out, "", problem, mend));
    let is_page = |ending: &std::ffi::OsStr| {
        ending.eq_ignore_ascii_case("html") || ending.eq_ignore_ascii_case("htm")
    };
    if !out.extension().is_some_and(is_page) {
        return refuse("the page is HTML", "choose a name that ends in .html");
    }
    // its start tells; what stands there may be long
    match std::fs::File::open(out).and_then(|file| start(file, html::MARK_WITHIN)) {
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => Ok(()),
        Err(source) => Err(Error::io(out, source)),
        Ok(bytes) if bytes.is_empty() || html::is_report(&bytes) => Ok(()),
        Ok(_) => refuse("it is there already and is no report", "choose another name for the page"),
    }
}

/// The first bytes of a file, so many at most.
fn start(file: std::fs::File, most: u64) -> std::io::Result<Vec<u8>> {
    let mut bytes = Vec::new();
    file.take(most).read_to_end(&mut bytes)?;
    Ok(bytes)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_report_replaces_nothing_but_a_report() {
        let folder = tempfile::tempdir().expect("a folder");
        let path = |name: &str| folder.path().join(name);
        std::fs::write(path("mine.html"), "<!DOCTYPE html><p>notes").expect("written");
        for (name, told) in [("mine.html", "no report"), ("a.wav", ".html"), ("a", ".html")] {
            let error = check_replaceable(&path(name)).expect_err(name).to_string();
            assert!(error.contains(told), "{error}");
        }
        assert!(check_replaceable(&path("new.html")).is_ok());
        std::fs::write(path("old.html"), html::MARK).expect("written");
        assert!(check_replaceable(&path("old.html")).is_ok());
    }

    #[test]
    fn the_page_stands_beside_the_recording() {
        assert_eq!(beside(Path::new("a/b.wav")), Path::new("a/b.report.html"));
        assert_eq!(beside(Path::new("b")), Path::new("b.report.html"));
    }
}
