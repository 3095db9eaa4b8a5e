//! The journal of a screen: one row a line, appended as recordings are finished.
//!
//! A kill may tear the last line, nothing else; whoever opens the journal drops what is torn. Of several
//! rows with one key the last stands.

use std::collections::HashMap;
use std::fs::{File, TryLockError};
use std::io::{Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

use super::{Job, Key, Row};
use crate::error::{Error, Result};

/// What the first line of a journal begins with.
const MARK: &[u8] = b"{\"schema\":\"quietspin.row/";

/// A journal open for appending; no other process can open it meanwhile.
#[derive(Debug)]
pub struct Journal {
    path: PathBuf,
    file: File,
    /// Length of the whole lines in bytes.
    length: u64,
    rows: HashMap<Key, Row>,
}

impl Journal {
    /// Opens a journal, or makes one that is empty, and drops a torn last line.
    ///
    /// # Errors
    /// [`Error::Io`] where the system refuses; [`Error::Input`] where the file is no journal, is damaged
    /// before its last line, or is being written by another screen. Nothing is changed then.
    pub fn open(path: &Path) -> Result<Self> {
        let io = |source| Error::io(path, source);
        if path.exists() && !path.is_file() {
            return Err(Error::input(path, "", "this is no file", "name another journal"));
        }
        let mut file =
            File::options().read(true).append(true).create(true).open(path).map_err(io)?;
        match file.try_lock() {
            Err(TryLockError::WouldBlock) => {
                let mend = "wait until it is done, or name another journal";
                return Err(Error::input(path, "", "another screen is writing this journal", mend));
            }
            // some file systems have no locks; one screen at a time is still the user's wish
            Ok(()) | Err(TryLockError::Error(_)) => {}
        }
        let mut bytes = Vec::new();
        file.read_to_end(&mut bytes).map_err(io)?;
        let (rows, length, torn) = parsed(&bytes, path)?;
        let rows = rows.into_iter().map(|row| (row.key.clone(), row)).collect();
        let mut journal = Self { path: path.to_owned(), file, length, rows };
        match torn {
            Torn::Nothing => {}
            Torn::End => journal.put(b"\n")?,
            Torn::Line => journal.file.set_len(length).map_err(io)?,
        }
        Ok(journal)
    }

    /// The row of a job that need not be run again: the key is the same, and the system did not refuse to
    /// read the file then.
    pub fn row(&self, job: &Job) -> Option<&Row> {
        self.rows.get(&job.key).filter(|row| !row.is_passing())
    }

    /// The row of a job as [`Journal::row`] gives it, with the label that is stated now.
    ///
    /// # Errors
    /// As [`Journal::append`], to which a changed label goes.
    pub fn kept(&mut self, job: &Job) -> Result<Option<Row>> {
        let Some(mut row) = self.row(job).cloned() else { return Ok(None) };
        if job.label_stated {
            row.serial.clone_from(&job.label.serial);
            row.date.clone_from(&job.label.date);
            self.append(&row)?;
        }
        Ok(Some(row))
    }

    /// Appends a row, unless the journal's row of that key is the same already.
    ///
    /// # Errors
    /// [`Error::Io`] where the system refuses, on a full disk for example; the journal stays whole.
    pub fn append(&mut self, row: &Row) -> Result<()> {
        if self.rows.get(&row.key) == Some(row) {
            return Ok(());
        }
        // one write, so that a kill tears the last line at most
        self.put(format!("{}\n", row.line()).as_bytes())?;
        self.rows.insert(row.key.clone(), row.clone());
        Ok(())
    }

    fn put(&mut self, bytes: &[u8]) -> Result<()> {
        let written = self.file.write_all(bytes);
        if written.is_err() {
            // as good as can be: what remains is a torn line, which the next start drops
            let _ = self.file.set_len(self.length);
        }
        written.map_err(|source| Error::io(&self.path, source))?;
        self.length = self.file.seek(SeekFrom::End(0)).map_err(|e| Error::io(&self.path, e))?;
        Ok(())
    }

    /// Brings everything to the disk and gives the journal free for others.
    ///
    /// # Errors
    /// [`Error::Io`] where the system refuses.
    pub fn close(self) -> Result<()> {
        self.file.sync_all().map_err(|source| Error::io(&self.path, source))
    }
}

/// The rows of a journal, the last of each path, in the order in which the paths first came.
///
/// # Errors
/// [`Error::Io`] where the file cannot be read; [`Error::Input`] where it is no journal or is damaged
/// before its last line. A torn last line is left out.
pub fn read(path: &Path) -> Result<Vec<Row>> {
    let bytes = std::fs::read(path).map_err(|source| Error::io(path, source))?;
    let mut rows: Vec<Row> = Vec::new();
    let mut places: HashMap<String, usize> = HashMap::new();
    for row in parsed(&bytes, path)?.0 {
        let place = *places.entry(row.key.path.clone()).or_insert(rows.len());
        match rows.get_mut(place) {
            Some(earlier) => *earlier = row,
            None => rows.push(row),
        }
    }
    Ok(rows)
}

/// What a kill did to the end of a journal.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Torn {
    Nothing,
    /// The last row is whole, only its line end is missing.
    End,
    /// The last row is not whole.
    Line,
}

/// The rows of a journal's bytes, the length of its whole rows, and what is torn after them.
fn parsed(bytes: &[u8], path: &Path) -> Result<(Vec<Row>, u64, Torn)> {
    let whole = bytes.iter().rposition(|byte| *byte == b'\n').map_or(0, |at| at + 1);
    let (lines, tail) = bytes.split_at(whole);
    let begun = &bytes[..bytes.len().min(MARK.len())];
    if !MARK.starts_with(begun) {
        return Err(Error::input(
            path,
            "",
            "the file is there and is no journal of a screen",
            "name another journal (.jsonl); this one is left as it is",
        ));
    }
    let mut rows = Vec::new();
    for (number, line) in lines.split_inclusive(|byte| *byte == b'\n').enumerate() {
        let row = std::str::from_utf8(line).ok().and_then(Row::from_line);
        rows.push(row.ok_or_else(|| {
            Error::input(
                path,
                format!("line {}", number + 1),
                format!("this is no row of {}", super::row::SCHEMA_ID),
                "take the line out, or name another journal; what is in it is left as it is",
            )
        })?);
    }
    if tail.is_empty() {
        return Ok((rows, whole as u64, Torn::Nothing));
    }
    match std::str::from_utf8(tail).ok().and_then(Row::from_line) {
        Some(row) => {
            rows.push(row);
            Ok((rows, bytes.len() as u64, Torn::End))
        }
        None => Ok((rows, whole as u64, Torn::Line)),
    }
}

#[cfg(test)]
mod tests {
    use std::fs;

    use super::*;
    use crate::progress::Silent;
    use crate::screen::{NamePattern, Settings, jobs, row};

    /// Jobs of bad files, whose rows are quickly made, in a folder that also holds the journal.
    struct Archive {
        folder: tempfile::TempDir,
        jobs: Vec<Job>,
        rows: Vec<Row>,
    }

    impl Archive {
        fn new(count: usize) -> Self {
            let folder = tempfile::tempdir().expect("a folder");
            for number in 0..count {
                fs::write(folder.path().join(format!("µ{number}.wav")), "x").expect("a file");
            }
            let jobs = jobs(&[folder.path().to_owned()], &Settings::default()).expect("jobs");
            let rows = jobs.iter().map(|job| row(job, &mut Silent).expect("a row")).collect();
            Self { folder, jobs, rows }
        }

        fn journal(&self) -> PathBuf {
            self.folder.path().join("screen.jsonl")
        }

        fn bytes(&self) -> Vec<u8> {
            fs::read(self.journal()).expect("a journal")
        }

        /// What a screen does: appends the rows that the journal has not; returns how many.
        fn screen(&self) -> usize {
            let mut journal = Journal::open(&self.journal()).expect("a journal");
            let mut run = 0;
            for (job, row) in self.jobs.iter().zip(&self.rows) {
                if journal.row(job).is_none() {
                    journal.append(row).expect("appended");
                    run += 1;
                }
            }
            journal.close().expect("closed");
            run
        }
    }

    #[test]
    fn a_kill_at_any_byte_loses_and_repeats_nothing() {
        let archive = Archive::new(3);
        assert_eq!((archive.screen(), archive.screen()), (3, 0));
        let complete = archive.bytes();
        assert_eq!(complete.iter().filter(|byte| **byte == b'\n').count(), 3);
        let of_two =
            complete[..complete.len() - 1].iter().rposition(|b| *b == b'\n').expect("lines") + 1;
        for length in of_two..=complete.len() {
            fs::write(archive.journal(), &complete[..length]).expect("torn");
            let whole = length >= complete.len() - 1;
            assert_eq!(read(&archive.journal()).expect("rows").len(), 2 + usize::from(whole));
            assert_eq!(archive.screen(), usize::from(!whole), "torn at byte {length}");
            assert_eq!(archive.bytes(), complete, "torn at byte {length}");
        }
        // the very first line too
        let first = complete.iter().position(|byte| *byte == b'\n').expect("a line") + 1;
        for length in 0..first {
            fs::write(archive.journal(), &complete[..length]).expect("torn");
            assert_eq!(archive.screen(), if length + 1 == first { 2 } else { 3 });
            assert_eq!(archive.bytes(), complete, "torn at byte {length}");
        }
        // what a power cut may leave at the end
        fs::write(archive.journal(), [&complete[..], &[0; 700]].concat()).expect("torn");
        assert_eq!((archive.screen(), archive.bytes()), (0, complete));
    }

    #[test]
    fn what_is_no_journal_is_left_alone() {
        let archive = Archive::new(2);
        let refused = |bytes: &[u8]| {
            fs::write(archive.journal(), bytes).expect("a file");
            let error = Journal::open(&archive.journal()).expect_err("no journal").to_string();
            assert_eq!(archive.bytes(), bytes, "{error}");
            assert!(read(&archive.journal()).is_err());
            error
        };
        assert!(refused(b"RIFF....WAVEfmt precious").contains("no journal of a screen"));
        assert!(refused(b"mine\n").contains("no journal of a screen"));
        fs::remove_file(archive.journal()).expect("removed");
        archive.screen();
        let complete = archive.bytes();
        let damaged = [b"{\"schema\":\"quietspin.row/1\"\n", &complete[..]].concat();
        assert!(refused(&damaged).contains("screen.jsonl, line 1: this is no row"));
        let later = String::from_utf8(complete).expect("text").replace("row/1", "row/2");
        assert!(refused(later.as_bytes()).contains("line 1"));
        assert!(Journal::open(archive.folder.path()).is_err());
        assert!(Journal::open(&archive.folder.path().join("no/such.jsonl")).is_err());
    }

    #[test]
    fn two_screens_do_not_share_a_journal() {
        let archive = Archive::new(1);
        let first = Journal::open(&archive.journal()).expect("a journal");
        let error = Journal::open(&archive.journal()).expect_err("taken").to_string();
        assert!(error.contains("another screen is writing this journal"), "{error}");
        first.close().expect("closed");
        Journal::open(&archive.journal()).expect("free again");
    }

    #[test]
    fn a_row_is_kept_only_where_its_key_is_the_same() {
        let archive = Archive::new(1);
        archive.screen();
        let journal = Journal::open(&archive.journal()).expect("a journal");
        let job = &archive.jobs[0];
        assert_eq!(journal.row(job), Some(&archive.rows[0]));
        let changed = |change: fn(&mut Key)| {
            let mut job = job.clone();
            change(&mut job.key);
            journal.row(&job).is_some()
        };
        assert!(changed(|_| {}));
        assert!(!changed(|key| key.path.push('x')));
        assert!(!changed(|key| key.size += 1));
        assert!(!changed(|key| key.mtime = None));
        assert!(!changed(|key| key.settings_sha256.push('0')));
    }

    #[test]
    fn what_the_system_refused_is_tried_again_and_not_doubled() {
        let archive = Archive::new(1);
        let mut refused = archive.rows[0].clone();
        refused.error_kind = Some("io".to_owned());
        let mut journal = Journal::open(&archive.journal()).expect("a journal");
        journal.append(&refused).expect("appended");
        assert!(journal.row(&archive.jobs[0]).is_none());
        journal.append(&refused).expect("the same");
        journal.append(&archive.rows[0]).expect("better");
        journal.close().expect("closed");
        assert_eq!(archive.bytes().iter().filter(|byte| **byte == b'\n').count(), 2);
        assert_eq!(read(&archive.journal()).expect("rows"), archive.rows, "the last stands");
    }

    #[test]
    fn a_new_pattern_renews_labels_and_judges_nothing() {
        let archive = Archive::new(1);
        archive.screen();
        let names = NamePattern::parse("?{serial}").ok();
        let settings = Settings { names, ..Settings::default() };
        let named = jobs(&[archive.folder.path().to_owned()], &settings).expect("jobs");
        let mut journal = Journal::open(&archive.journal()).expect("a journal");
        let kept = journal.kept(&named[0]).expect("kept").expect("a row");
        assert_eq!(kept.serial.as_deref(), Some("0"));
        let kept = journal.kept(&archive.jobs[0]).expect("kept").expect("a row");
        assert_eq!(kept.serial.as_deref(), Some("0"), "stands where nothing states it anew");
        journal.close().expect("closed");
        assert_eq!(read(&archive.journal()).expect("rows"), [kept]);
        assert_eq!(archive.bytes().iter().filter(|byte| **byte == b'\n').count(), 2);
    }
}
