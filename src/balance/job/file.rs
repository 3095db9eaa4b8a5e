//! The file of a job: opened by one at a time, written whole.

use std::fs::{File, TryLockError};
use std::io::Write;
use std::path::{Path, PathBuf};

use serde::Deserialize;
use toml::{Table, Value};

use super::{Event, Folded, Job, Rotor};
use crate::error::{Error, Result};
use crate::machine::parse::read_text;
use crate::simulate::write_whole;

/// The format that is read.
const FORMAT: i64 = 1;
/// The first line of every job file.
const HEAD: &str =
    "# A balancing job of quietspin; every step is an [[event]], add them by the command\n\n";

/// A job with its file; nobody else can open it for writing meanwhile.
#[derive(Debug)]
pub struct JobFile {
    path: PathBuf,
    /// Holds the lock.
    _lock: File,
    /// The job.
    pub job: Job,
}

impl JobFile {
    /// Writes a job that begins into a file that is not there yet.
    ///
    /// # Errors
    /// [`Error::Input`] where the file is there; [`Error::Io`] where it cannot be written.
    pub fn create(path: &Path, job: &Job) -> Result<()> {
        // whoever makes the file first has it
        match File::options().write(true).create_new(true).open(path) {
            Err(source) if source.kind() == std::io::ErrorKind::AlreadyExists => {
                let mend = "name another file: a job is never begun over another";
                Err(Error::input(path, "", "it is there already", mend))
            }
            Err(source) => Err(Error::io(path, source)),
            Ok(_) => write(path, job),
        }
    }

    /// Opens a job for changes.
    ///
    /// # Errors
    /// As [`read`]; [`Error::Input`] where another process has it open for changes.
    pub fn open(path: &Path) -> Result<Self> {
        // behind a link the file itself is meant
        let path = std::fs::canonicalize(path).map_err(|source| Error::io(path, source))?;
        let lock = locked(&path)?;
        Ok(Self { _lock: lock, job: read(&path)?, path })
    }

    /// Adds an event, writes the file, and returns where the rotor stands then. The measuring chain belongs to the first spin: where no spin counts any
    /// more it is free again, unless it came with earlier jobs.
    ///
    /// # Errors
    /// [`Error::Io`] where it cannot be written, and whatever [`Job::folded`] refuses: file and job are as they
    /// were then.
    pub fn push(&mut self, what: super::What) -> Result<Folded> {
        // to the second
        let at = format!("{:.0}", jiff::Timestamp::now());
        let mut job = self.job.clone();
        job.events.push(Event { at, what });
        if !job.has_spins() && job.rotor.of_type.is_none() {
            job.rotor.chain = None;
        }
        let folded = job.folded()?;
        write(&self.path, &job)?;
        self.job = job;
        // the lock was on the file that is replaced now
        self._lock = locked(&self.path)?;
        Ok(folded)
    }
}

/// Opens a file and takes its lock.
fn locked(path: &Path) -> Result<File> {
    loop {
        let file = File::open(path).map_err(|source| Error::io(path, source))?;
        match file.try_lock() {
            Err(TryLockError::WouldBlock) => {
                let mend = "wait until the other command is done";
                return Err(Error::input(path, "", "another command is changing this job", mend));
            }
            // some file systems have no locks; one change at a time is still the user's wish
            Ok(()) | Err(TryLockError::Error(_)) => {}
        }
        // whoever held the lock before may have put a new file in its place
        if is_at(&file, path) {
            return Ok(file);
        }
    }
}

#[cfg(unix)]
fn is_at(file: &File, path: &Path) -> bool {
    use std::os::unix::fs::MetadataExt;
    match (file.metadata(), std::fs::metadata(path)) {
        (Ok(held), Ok(there)) => (held.dev(), held.ino()) == (there.dev(), there.ino()),
        _ => true,
    }
}

/// Where files have no number to compare: the system keeps others from replacing what is open.
#[cfg(not(unix))]
fn is_at(_: &File, _: &Path) -> bool {
    true
}

/// Reads a job.
///
/// # Errors
/// [`Error::Io`] where it cannot be read; [`Error::Input`] naming line or event where it is no job.
pub fn read(path: &Path) -> Result<Job> {
    from_text(&read_text(path, "a balancing job")?, path)
}

/// The job of a file's text; `path` is for messages only.
///
/// # Errors
/// [`Error::Input`] naming line or event where it is no job.
pub fn from_text(text: &str, path: &Path) -> Result<Job> {
    let refuse = |place: &str, problem: String| {
        let mend = "correct it, or take the copy from before it was edited by hand";
        Error::input(path, place, problem, mend)
    };
    let mut table: Table = toml::from_str(text).map_err(|error: toml::de::Error| {
        let before = error.span().map_or("", |span| text.get(..span.start).unwrap_or_default());
        let line = before.matches('\n').count() + 1;
        refuse(&format!("line {line}"), error.message().to_owned())
    })?;
    match table.remove("format") {
        Some(Value::Integer(FORMAT)) => {}
        Some(other) => {
            let mend = "use the version of quietspin that wrote it";
            return Err(Error::input(path, "format", format!("{other} is not known"), mend));
        }
        None => {
            let mend = "name a job made by `quietspin balance new`";
            return Err(Error::input(path, "", "it states no format, so it is no job", mend));
        }
    }
    if !table.contains_key("rotor") && table.contains_key("shaft") {
        let mend = "name a job; `quietspin balance new` begins one from this file";
        return Err(Error::input(path, "", "this is a machine file and no job", mend));
    }
    let rotor = table.remove("rotor").ok_or_else(|| refuse("", "[rotor] is missing".to_owned()))?;
    let rotor =
        Rotor::deserialize(rotor).map_err(|error| refuse("[rotor]", error.message().to_owned()))?;
    let events = match table.remove("event") {
        None => Vec::new(),
        Some(Value::Array(rows)) => rows,
        Some(_) => return Err(refuse("event", "it is no list of [[event]]".to_owned())),
    };
    if let Some(key) = table.keys().next() {
        return Err(refuse(key, "this key is not known".to_owned()));
    }
    let events = events.into_iter().enumerate().map(|(index, row)| {
        Event::deserialize(row).map_err(|error| {
            refuse(&format!("[[event]] number {}", index + 1), error.message().to_owned())
        })
    });
    let job = Job { format: 1, rotor, events: events.collect::<Result<_>>()? };
    job.rotor.check().map_err(|error| refuse("[rotor]", error.to_string()))?;
    Ok(job)
}

/// The job as the text of its file.
///
/// # Errors
/// [`Error::Bug`] where a number does not fit.
pub fn to_text(job: &Job) -> Result<String> {
    let body = toml::to_string_pretty(job).map_err(|error| Error::Bug(error.to_string()))?;
    Ok(format!("{HEAD}{body}"))
}

fn write(path: &Path, job: &Job) -> Result<()> {
    let text = to_text(job)?;
    write_whole(path, |file| {
        file.write_all(text.as_bytes()).map_err(|source| Error::io(path, source))
    })
}
