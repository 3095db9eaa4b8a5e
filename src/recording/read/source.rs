//! A file opened for reading: its length, its bytes in blocks, its hash, its error messages.

#![deny(clippy::indexing_slicing, clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::fs::File;
use std::io::{Read, Seek, SeekFrom};
use std::path::Path;

use sha2::{Digest, Sha256};

use crate::error::{Error, Result};
use crate::progress::{Progress, step};

/// Size of a block in bytes: small enough to stay in cache while it is decoded.
pub(super) const BLOCK: usize = 256 * 1024;

/// A file being read.
pub(super) struct Source<'a> {
    pub(super) path: &'a Path,
    /// Length in bytes when opened.
    pub(super) len: u64,
    file: File,
    progress: &'a mut dyn Progress,
}

impl<'a> Source<'a> {
    pub(super) fn open(path: &'a Path, progress: &'a mut dyn Progress) -> Result<Self> {
        let file = File::open(path).map_err(|e| Error::io(path, e))?;
        let meta = file.metadata().map_err(|e| Error::io(path, e))?;
        if !meta.is_file() {
            return Err(Error::input(path, "", "this is no file", "name one recording"));
        }
        Ok(Self { path, len: meta.len(), file, progress })
    }

    /// An [`Error::Input`] about this file.
    pub(super) fn refuse(
        &self,
        place: impl Into<String>,
        problem: impl Into<String>,
        mend: impl Into<String>,
    ) -> Error {
        Error::input(self.path, place, problem, mend)
    }

    pub(super) fn io_error(&self, error: std::io::Error) -> Error {
        Error::io(self.path, error)
    }

    /// Goes to a position.
    pub(super) fn seek(&mut self, position: u64) -> Result<()> {
        self.file.seek(SeekFrom::Start(position)).map(drop).map_err(|e| Error::io(self.path, e))
    }

    /// Up to `count` bytes at `position`; fewer at the end of the file.
    pub(super) fn at(&mut self, position: u64, count: usize) -> Result<Vec<u8>> {
        self.seek(position)?;
        let left = usize::try_from(self.len.saturating_sub(position)).unwrap_or(usize::MAX);
        let mut bytes = vec![0; count.min(left)];
        let got = self.fill(&mut bytes)?;
        bytes.truncate(got);
        Ok(bytes)
    }

    /// Fills `buffer` as far as the file goes; returns how far.
    pub(super) fn fill(&mut self, buffer: &mut [u8]) -> Result<usize> {
        fill(&mut self.file, buffer).map_err(|e| Error::io(self.path, e))
    }

    /// Reports progress through the file.
    pub(super) fn step(&mut self, done: u64) -> Result<()> {
        step(self.progress, "reading", done.min(self.len), self.len)
    }

    /// A second handle on the file, for parsers that want to own one; both share one position.
    pub(super) fn handle(&self) -> Result<File> {
        self.file.try_clone().map_err(|e| Error::io(self.path, e))
    }

    /// SHA-256 of the whole file in hexadecimal.
    pub(super) fn sha256(&mut self) -> Result<String> {
        self.seek(0)?;
        let mut hasher = Sha256::new();
        let mut block = vec![0; BLOCK];
        loop {
            let got = self.fill(&mut block)?;
            hasher.update(block.get(..got).unwrap_or_default());
            // all is read; the hash only asks whether to go on
            self.step(self.len)?;
            if got < block.len() {
                return Ok(hasher.finalize().iter().map(|byte| format!("{byte:02x}")).collect());
            }
        }
    }
}

/// Fills `buffer` from `reader` until it is full or the data end; returns the bytes read.
pub(super) fn fill(reader: &mut dyn Read, buffer: &mut [u8]) -> std::io::Result<usize> {
    let mut done = 0;
    while let Some(rest) = buffer.get_mut(done..).filter(|rest| !rest.is_empty()) {
        match reader.read(rest) {
            Ok(0) => break,
            Ok(got) => done += got,
            Err(e) if e.kind() == std::io::ErrorKind::Interrupted => {}
            Err(e) => return Err(e),
        }
    }
    Ok(done)
}
