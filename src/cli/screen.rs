//! `quietspin screen PATH...`: many recordings, judged; a kill loses nothing.

use std::io::IsTerminal;
use std::num::NonZeroUsize;
use std::path::PathBuf;
use std::time::{Duration, Instant};

use clap::Args;
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};

use super::source;
use super::terminal::{self, Colour};
use crate::error::Result;
use crate::machine;
use crate::report::json;
use crate::report::screening::{Screened, page};
use crate::screen::{
    Journal, NamePattern, Outcome, Settings, Stated, export, jobs, run as run_jobs,
};

/// How often a line tells the progress where the standard error is no terminal.
const LINE_EVERY: Duration = Duration::from_secs(10);

/// Judge many recordings: which machines stand out, and why. Stop it and start it again as you like
#[derive(Debug, Args)]
pub(super) struct Arguments {
    /// Recordings, folders (with all folders in them) and patterns such as 'archive/**/*.wav'
    #[arg(value_name = "PATH", required = true)]
    paths: Vec<PathBuf>,

    /// Machine file for all recordings; without it NAME.machine.toml beside NAME.wav, where there is one
    #[arg(long, value_name = "FILE")]
    machine: Option<PathBuf>,

    #[command(flatten)]
    stated: source::Stated,

    /// Journal: one row of JSON (schema quietspin.row/1) for each recording. Recordings that it holds
    /// already are not judged again, unless they, the machine file or what is stated changed
    #[arg(long, value_name = "FILE", default_value = "quietspin-screen.jsonl")]
    out: PathBuf,

    /// Write the rows as a table too
    #[arg(long, value_name = "FILE")]
    csv: Option<PathBuf>,

    /// Recordings judged at once [default: as many as the processor has cores]; fewer need less memory
    #[arg(long, value_name = "N")]
    jobs: Option<NonZeroUsize>,

    /// Where serial number and date stand in the names of the files, as in 'cartridge-{serial}_{date}*';
    /// also {year}, {month} and {day}. * is any characters, / takes in the folder above.
    /// NAME.about.toml with serial and date beside NAME.wav comes first
    #[arg(long, value_name = "PATTERN", value_parser = pattern)]
    name_pattern: Option<NamePattern>,

    /// Judge all again, whatever the journal holds
    #[arg(long)]
    again: bool,

    /// Most rows to print, worst first; the journal holds them all
    #[arg(long, value_name = "N", default_value_t = 40)]
    rows: usize,

    /// Print JSON (schema quietspin.screen/1) instead of a table
    #[arg(long)]
    pub(super) json: bool,

    /// When to use colours
    #[arg(long, value_name = "WHEN", value_enum, default_value_t)]
    colour: Colour,

    /// Print nothing: the exit status tells whether any machine needs a look
    #[arg(long, conflicts_with = "json")]
    quiet: bool,
}

/// Judges the recordings that the journal does not hold, prints the result and returns the exit status.
pub(super) fn run(arguments: &Arguments) -> Result<u8> {
    let machine = match &arguments.machine {
        Some(path) => Some((machine::parse::read(path)?, path.clone())),
        None => None,
    };
    let source::Stated { rpm, speed_range, rate } = arguments.stated;
    let stated = Stated { rpm, range_rpm: speed_range, rate_hz: rate };
    let settings = Settings { machine, names: arguments.name_pattern.clone(), stated };
    // everything that can be refused is, before hours of work
    if let Some(table) = &arguments.csv {
        export::check_replaceable(table)?;
    }
    let jobs = jobs(&arguments.paths, &settings)?;
    let mut journal = Journal::open(&arguments.out)?;
    let mut rows = Vec::with_capacity(jobs.len());
    for job in &jobs {
        rows.push(if arguments.again { None } else { journal.kept(job)? });
    }
    let (places, open): (Vec<usize>, Vec<_>) =
        jobs.iter().enumerate().filter(|(at, _)| rows[*at].is_none()).unzip();
    let started = Instant::now();
    let sizes: Vec<u64> = open.iter().map(|job| job.key.size).collect();
    let mut progress = Progress::new(&sizes, arguments.quiet);
    let workers = arguments.jobs.or_else(|| std::thread::available_parallelism().ok());
    run_jobs(&open, workers.map_or(1, NonZeroUsize::get), |index, row| {
        journal.append(&row)?;
        rows[places[index]] = Some(row);
        progress.finished(sizes[index]);
        Ok(())
    })?;
    drop(progress);
    journal.close()?;
    let rows: Vec<_> = rows.into_iter().flatten().collect();
    if let Some(table) = &arguments.csv {
        export::write_csv(&rows, table)?;
    }
    let here = std::env::current_dir().ok();
    let screened = Screened {
        rows: &rows,
        judged: open.len(),
        seconds: started.elapsed().as_secs_f64(),
        journal: &arguments.out,
        table: arguments.csv.as_ref(),
        names_given: arguments.name_pattern.is_some(),
        here: here.as_deref(),
    };
    if arguments.json {
        terminal::show(&json::screened(&screened))?;
    } else if !arguments.quiet {
        terminal::show(&page(&screened, arguments.rows, terminal::style(arguments.colour)))?;
    }
    Ok(status(&screened))
}

fn status(screened: &Screened) -> u8 {
    let any =
        |outcomes: &[Outcome]| screened.rows.iter().any(|row| outcomes.contains(&row.outcome));
    if any(&[Outcome::Reject, Outcome::Investigate]) {
        1
    } else if any(&[Outcome::NoVerdict, Outcome::Unreadable]) {
        3
    } else {
        0
    }
}

fn pattern(text: &str) -> std::result::Result<NamePattern, String> {
    NamePattern::parse(text).map_err(|error| error.to_string())
}

/// How far a screen is, on the standard error: a bar on a terminal, else a line now and then.
struct Progress {
    started: Instant,
    told: Instant,
    quiet: bool,
    bar: Option<ProgressBar>,
    recordings: usize,
    done: usize,
    bytes: u64,
    bytes_done: u64,
}

impl Progress {
    fn new(sizes: &[u64], quiet: bool) -> Self {
        let bar = (!quiet && !sizes.is_empty() && std::io::stderr().is_terminal()).then(|| {
            let target = ProgressDrawTarget::stderr();
            let bar = ProgressBar::with_draw_target(Some(sizes.len() as u64), target);
            match ProgressStyle::with_template("{bar:24} {msg}") {
                Ok(style) => bar.with_style(style),
                Err(_) => bar,
            }
        });
        let now = Instant::now();
        let (recordings, bytes) = (sizes.len(), sizes.iter().sum());
        let progress =
            Self { started: now, told: now, quiet, bar, recordings, done: 0, bytes, bytes_done: 0 };
        if let Some(bar) = &progress.bar {
            bar.set_message(progress.told());
        }
        progress
    }

    fn finished(&mut self, bytes: u64) {
        self.done += 1;
        self.bytes_done += bytes;
        match &self.bar {
            Some(bar) => {
                bar.set_message(self.told());
                bar.set_position(self.done as u64);
            }
            None if !self.quiet && self.told.elapsed() >= LINE_EVERY => {
                terminal::complain(&format!("screen: {}\n", self.told()));
                self.told = Instant::now();
            }
            None => {}
        }
    }

    fn told(&self) -> String {
        let seconds = self.started.elapsed().as_secs_f64();
        told(self.done, self.recordings, self.bytes_done, self.bytes, seconds)
    }
}

impl Drop for Progress {
    fn drop(&mut self) {
        if let Some(bar) = &self.bar {
            bar.finish_and_clear();
        }
    }
}

/// `12 of 80 recordings, 2.1 a second, 1 min 4 s left`. What is left is told from bytes, because
/// recordings differ in length.
fn told(done: usize, recordings: usize, bytes_done: u64, bytes: u64, seconds: f64) -> String {
    let mut text = format!("{done} of {recordings} recordings");
    if done == 0 || seconds <= 0.0 {
        return text;
    }
    let rate = done as f64 / seconds;
    if rate >= 1.0 {
        text.push_str(&format!(", {rate:.1} a second"));
    } else {
        text.push_str(&format!(", {:.1} a minute", 60.0 * rate));
    }
    let share = match bytes {
        0 => done as f64 / recordings.max(1) as f64,
        _ => bytes_done as f64 / bytes as f64,
    };
    if share > 0.0 {
        let left = (seconds * (1.0 - share) / share).round();
        let (hours, minutes) = ((left / 3600.0).floor(), (left / 60.0).floor() % 60.0);
        text.push_str(&match left {
            ..60.0 => format!(", {left} s left"),
            ..3600.0 => format!(", {minutes} min {} s left", left % 60.0),
            _ => format!(", {hours} h {minutes} min left"),
        });
    }
    text
}

#[cfg(test)]
mod tests {
    use super::told;

    #[test]
    fn progress_tells_rate_and_time_left() {
        assert_eq!(told(0, 80, 0, 800, 0.0), "0 of 80 recordings");
        // a tenth of the bytes in 4 s leaves nine tenths: 36 s
        assert_eq!(told(8, 80, 80, 800, 4.0), "8 of 80 recordings, 2.0 a second, 36 s left");
        let slow = told(1, 3, 100, 300, 120.0);
        assert_eq!(slow, "1 of 3 recordings, 0.5 a minute, 4 min 0 s left");
        let long = told(10, 1000, 10, 1000, 110.0);
        assert_eq!(long, "10 of 1000 recordings, 5.5 a minute, 3 h 1 min left");
        assert_eq!(told(1, 4, 0, 0, 1.0), "1 of 4 recordings, 1.0 a second, 3 s left");
        assert_eq!(told(3, 3, 9, 9, 1.0), "3 of 3 recordings, 3.0 a second, 0 s left");
    }
}
