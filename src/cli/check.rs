//! `quietspin check FILE`: one recording, judged.

use clap::Args;

use super::source::Source;
use super::terminal::{self, Bar, Colour};
use crate::diagnose::Verdict;
use crate::error::Result;
use crate::figure;
use crate::report::{json, picture, text};

/// Judge one recording: may the machine run, and if not, why
#[derive(Debug, Args)]
pub(super) struct Arguments {
    #[command(flatten)]
    source: Source,

    /// Print JSON (schema quietspin.check/1) instead of text
    #[arg(long)]
    pub(super) json: bool,

    /// Draw a picture in characters; on a terminal this is the default
    #[arg(long, overrides_with = "no_picture")]
    picture: bool,

    /// Draw no picture
    #[arg(long, overrides_with = "picture")]
    no_picture: bool,

    /// When to use colours
    #[arg(long, value_name = "WHEN", value_enum, default_value_t)]
    colour: Colour,

    /// Print nothing: the exit status tells the verdict
    #[arg(long, conflicts_with = "json")]
    quiet: bool,
}

impl Arguments {
    fn wants_picture(&self) -> bool {
        self.picture || (terminal::shows() && !self.no_picture)
    }
}

/// Judges the recording, prints the result and returns the exit status.
pub(super) fn run(arguments: &Arguments) -> Result<u8> {
    let judged = arguments.source.judged(&mut Bar::new(arguments.quiet))?;
    let diagnosis = judged.diagnosis;
    if arguments.json {
        terminal::show(&json::check(&diagnosis))?;
    } else if !arguments.quiet {
        let style = terminal::style(arguments.colour);
        let mut page = text::check(&diagnosis, style);
        let figure = arguments.wants_picture().then(|| figure::of_case(&judged.case));
        if let Some(figure) = figure.flatten() {
            page = format!("{}\n{page}", picture::draw(&figure, style));
        }
        terminal::show(&page)?;
    }
    Ok(status(diagnosis.verdict))
}

pub(super) fn status(verdict: Verdict) -> u8 {
    match verdict {
        Verdict::Accept => 0,
        Verdict::Investigate | Verdict::Reject => 1,
        Verdict::NoVerdict => 3,
    }
}
