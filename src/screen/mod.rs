//! Screening: many recordings judged at once, one [`Row`] each, in a [`Journal`] that survives a kill.
//!
//! [`jobs`] finds the recordings and states for each all that its row depends on; [`row()`] judges one and
//! touches nothing else, so that it may run on any thread, process or machine; [`run`] does so on threads.
//! Whoever called appends the rows to the journal, alone. A job whose row the journal holds already, for
//! the same path, size, time of change and settings, need not be run again.

mod course;
pub mod export;
mod find;
pub mod journal;
mod label;
pub mod rank;
pub mod row;

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::sync::mpsc;
use std::time::SystemTime;

use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};

use crate::error::{Error, Result};
use crate::machine::{Machine, Shaft, parse};
use crate::progress::Progress;
use crate::recording::check_rate;

pub use course::Course;
pub use find::ENDINGS;
pub use journal::Journal;
pub use label::{Label, NamePattern};
pub use row::{Key, Outcome, Row, row};

/// What all recordings of a screen are judged with.
#[derive(Debug, Clone, Default)]
pub struct Settings {
    /// Machine file for all recordings, with its path for messages. `None`: each recording's own
    /// `NAME.machine.toml` where one stands beside it, else none.
    pub machine: Option<(Machine, PathBuf)>,
    /// What in the names of files is serial number and date.
    pub names: Option<NamePattern>,
    /// What is stated about all recordings.
    pub stated: Stated,
}

/// What is stated about all recordings of a screen: the speed where neither pulses nor a speed channel tell
/// it, the rate over what files state.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct Stated {
    /// Constant speed in rpm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rpm: Option<f64>,
    /// Lowest and highest speed in rpm between which to look where there are no pulses.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub range_rpm: Option<(f64, f64)>,
    /// Sampling rate in Hz.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rate_hz: Option<f64>,
}

impl Stated {
    /// Refuses what is no speed, no range of speeds or no sampling rate.
    fn check(&self) -> Result<()> {
        if let Some(rate_hz) = self.rate_hz {
            check_rate(rate_hz)?;
        }
        Shaft::default().state_speed(self.rpm, self.range_rpm)
    }
}

/// One recording to be judged, with all that its row depends on.
///
/// Serialises without the path, which need not be text; it travels beside the job.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Job {
    /// Where the recording is.
    #[serde(skip)]
    pub path: PathBuf,
    /// What the journal knows it by.
    pub key: Key,
    /// Serial number and date.
    pub label: Label,
    /// Whether a pattern or a file beside the recording states the label; where neither does, a label that
    /// the journal holds stands.
    pub label_stated: bool,
    machine: MachineSource,
    stated: Stated,
}

/// The machine file of one recording.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
enum MachineSource {
    /// There is none.
    Missing,
    /// Its text, and its path for messages.
    Text { text: Arc<str>, path: String },
    /// It stands beside the recording and cannot be read: kind of the error and its sentence.
    Refused { kind: String, sentence: String },
}

/// Finds the recordings in files, folders (with all folders in them) and glob patterns, and states the job
/// of each, sorted by path. A recording named twice is one job.
///
/// Folders and patterns give files that end in one of [`ENDINGS`] and are not hidden; a file that is named
/// is always a job, whatever it is called, unless it is a companion of recordings (`.toml`, `.json`,
/// `.jsonl`). A file of [`export`] is none either.
///
/// # Errors
/// [`Error::Io`] where a path is not there, [`Error::Setting`] where a pattern is none or no recording is
/// found or what is stated cannot be, [`Error::Input`] where a `NAME.about.toml` beside a recording cannot be used.
pub fn jobs(paths: &[PathBuf], settings: &Settings) -> Result<Vec<Job>> {
    settings.stated.check()?;
    let shared = settings.machine.as_ref().map(|(machine, path)| MachineSource::Text {
        text: parse::resolved_toml(machine).into(),
        path: told(path),
    });
    let found = find::recordings(paths)?;
    if found.is_empty() {
        let names: Vec<String> = paths.iter().map(|path| told(path)).collect();
        return Err(Error::setting(
            "PATH",
            format!("no recording is found in {}", names.join(", ")),
            format!("name files, or folders that hold files ending in {}", ENDINGS.join(", ")),
        ));
    }
    found.into_iter().map(|path| job(path, shared.as_ref(), settings)).collect()
}

fn job(path: PathBuf, shared: Option<&MachineSource>, settings: &Settings) -> Result<Job> {
    let machine = shared.cloned().unwrap_or_else(|| beside(&path));
    // what cannot be asked about is a row with its reason, once it is read
    let (size, mtime) = match std::fs::metadata(&path) {
        Ok(meta) => (meta.len(), meta.modified().ok().map(time_text)),
        Err(_) => (0, None),
    };
    let (label, label_stated) = label::of(&path, settings.names.as_ref())?;
    let settings_sha256 = settings_sha256(&machine, &settings.stated)?;
    let key = Key { path: told(&path), size, mtime, settings_sha256 };
    Ok(Job { path, key, label, label_stated, machine, stated: settings.stated })
}

/// The machine file `NAME.machine.toml` beside `NAME.wav`.
fn beside(path: &Path) -> MachineSource {
    let path = path.with_extension("machine.toml");
    if !path.exists() {
        return MachineSource::Missing;
    }
    match parse::read_text(&path, "a machine file") {
        Ok(text) => MachineSource::Text { text: text.into(), path: told(&path) },
        Err(error) => {
            MachineSource::Refused { kind: error.kind().to_owned(), sentence: error.to_string() }
        }
    }
}

/// SHA-256 in hexadecimal of all that a row depends on beside the recording itself: the machine file, what
/// is stated, and the version of this library, because another may judge otherwise.
fn settings_sha256(machine: &MachineSource, stated: &Stated) -> Result<String> {
    let (word, text) = match machine {
        MachineSource::Missing => ("missing", ""),
        MachineSource::Text { text, .. } => ("text", text.as_ref()),
        MachineSource::Refused { sentence, .. } => ("refused", sentence.as_str()),
    };
    let stated = serde_json::to_string(stated).map_err(|error| Error::Bug(error.to_string()))?;
    let version = env!("CARGO_PKG_VERSION");
    let settings = format!("{} {version} {stated} {word}\n{text}", row::SCHEMA_ID);
    Ok(hexadecimal(&Sha256::digest(settings)))
}

fn hexadecimal(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}

/// A path as text that no other path has: bytes that are no UTF-8 are written `\xNN`.
fn told(path: &Path) -> String {
    let mut text = String::new();
    for chunk in path.as_os_str().as_encoded_bytes().utf8_chunks() {
        text.push_str(chunk.valid());
        text.extend(chunk.invalid().iter().map(|byte| format!("\\x{byte:02x}")));
    }
    text
}

/// A time as text in UTC to the nanosecond, `2026-03-01T08:15:00.000000000Z` (RFC 3339).
fn time_text(time: SystemTime) -> String {
    // fails only beyond the year 9999
    let time = jiff::Timestamp::try_from(time).unwrap_or(jiff::Timestamp::MAX);
    format!("{time:.9}")
}

/// Whether the rest of a screen still is wanted.
struct Wanted<'a>(&'a AtomicBool);

impl Progress for Wanted<'_> {
    fn advance(&mut self, _stage: &str, _done: u64, _total: u64) -> bool {
        self.0.load(Ordering::Relaxed)
    }
}

/// Runs the jobs on as many threads as `workers` (one at least) and hands each row, with the number of its
/// job, to `each` on the calling thread, in the order in which they are finished.
///
/// # Errors
/// The first error of `each`, after which the work stops; [`Error::Io`] where no thread can be started.
pub fn run(
    jobs: &[&Job],
    workers: usize,
    mut each: impl FnMut(usize, Row) -> Result<()>,
) -> Result<()> {
    let (next, wanted) = (AtomicUsize::new(0), AtomicBool::new(true));
    let work = |sender: mpsc::Sender<(usize, Row)>| {
        while wanted.load(Ordering::Relaxed) {
            let index = next.fetch_add(1, Ordering::Relaxed);
            let Some(job) = jobs.get(index) else { break };
            // an error only says that the rest is not wanted any more
            let Ok(row) = row(job, &mut Wanted(&wanted)) else { break };
            if sender.send((index, row)).is_err() {
                break;
            }
        }
    };
    let work = &work;
    std::thread::scope(|scope| {
        let (sender, finished) = mpsc::channel();
        let mut outcome = Ok(());
        for started in 0..workers.clamp(1, jobs.len().max(1)) {
            let sender = sender.clone();
            let thread = std::thread::Builder::new().spawn_scoped(scope, move || work(sender));
            // fewer threads than asked for do the same work
            if let Err(source) = thread {
                if started == 0 {
                    outcome = Err(Error::io("a thread for the screen", source));
                }
                break;
            }
        }
        drop(sender);
        for (index, row) in finished {
            if outcome.is_ok() {
                outcome = each(index, row);
                wanted.store(outcome.is_ok(), Ordering::Relaxed);
            }
        }
        outcome
    })
}

#[cfg(test)]
mod tests {
    use std::time::{Duration, UNIX_EPOCH};

    use super::*;

    #[test]
    fn times_are_told_as_dates() {
        // seconds since 1970 by GNU date
        let at = |seconds| time_text(UNIX_EPOCH + Duration::from_secs(seconds));
        assert_eq!(at(0), "1970-01-01T00:00:00.000000000Z");
        assert_eq!(at(951_827_696), "2000-02-29T12:34:56.000000000Z");
        assert_eq!(at(4_107_542_399), "2100-02-28T23:59:59.000000000Z");
        assert_eq!(at(4_107_542_400), "2100-03-01T00:00:00.000000000Z");
        let before = UNIX_EPOCH - Duration::from_nanos(1);
        assert_eq!(time_text(before), "1969-12-31T23:59:59.999999999Z");
        assert_eq!(
            time_text(UNIX_EPOCH - Duration::from_secs(86_400)),
            "1969-12-31T00:00:00.000000000Z"
        );
    }

    #[cfg(unix)]
    #[test]
    fn paths_that_are_no_text_stay_apart() {
        use std::os::unix::ffi::OsStrExt;
        let of = |bytes: &[u8]| told(Path::new(std::ffi::OsStr::from_bytes(bytes)));
        assert_eq!(of(b"a\xffb.wav"), "a\\xffb.wav");
        assert_ne!(of(b"a\xfe.wav"), of(b"a\xff.wav"));
        assert_eq!(of("rotor-µ.wav".as_bytes()), "rotor-µ.wav");
    }

    #[test]
    fn the_first_error_stops_the_run() {
        let folder = tempfile::tempdir().expect("a folder");
        for number in 0..40 {
            std::fs::write(folder.path().join(format!("{number:02}.csv")), "no numbers")
                .expect("a file");
        }
        let jobs = jobs(&[folder.path().to_owned()], &Settings::default()).expect("jobs");
        let jobs: Vec<&Job> = jobs.iter().collect();
        let mut seen = Vec::new();
        run(&jobs, 3, |index, row| {
            seen.push((index, row.outcome));
            Ok(())
        })
        .expect("all are rows");
        seen.sort_unstable_by_key(|(index, _)| *index);
        let all: Vec<_> = (0..40).map(|index| (index, Outcome::Unreadable)).collect();
        assert_eq!(seen, all);

        let mut handed = 0;
        let outcome = run(&jobs, 2, |_, _| {
            handed += 1;
            Err(Error::setting("journal", "is full", "make room"))
        });
        assert_eq!(outcome.expect_err("told").to_string(), "journal: is full; make room");
        assert_eq!(handed, 1, "nothing more is handed over");
    }
}
