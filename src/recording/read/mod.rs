//! Reading recordings from files: WAV, CSV, NPY and NPZ, told apart by their content.
//!
//! Every reader returns a [`Content`]; here it becomes a [`Recording`]: channels get their names,
//! samples that are no numbers are replaced, roles are guessed, and the file is hashed.

#![deny(clippy::indexing_slicing, clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod csv;
mod decode;
pub(crate) mod guess;
mod npy;
mod source;
mod timebase;
mod wav;

use std::collections::HashMap;
use std::path::Path;

use crate::error::{Error, Result};
use crate::progress::Progress;
use crate::recording::{Channel, ChannelSpec, RATES_HZ, Recording, check_rate};
use crate::units::Unit;
use source::Source;

/// The most channels that a file may hold.
const MAX_CHANNELS: usize = 4096;

/// What the user states about a file beyond its content.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct ReadOptions {
    /// Sampling rate in Hz: for files that state none, and to overrule a wrong one. `None`: the
    /// file's own.
    pub rate_hz: Option<f64>,
}

impl ReadOptions {
    fn checked(self) -> Result<Self> {
        self.rate_hz.map_or(Ok(()), check_rate)?;
        Ok(self)
    }
}

/// Reads a recording; its kind is told from its content, not from its name.
///
/// Samples of integer files become fractions of full scale (-1 to 1); files of floats are taken to
/// hold the unit itself. Roles are guessed, and the guesses stand in [`Recording::notes`].
///
/// # Errors
/// [`Error::Io`] where the file cannot be read, [`Error::Input`] where its content is no recording,
/// [`Error::Stopped`] where `progress` asks to stop.
pub fn read(path: &Path, progress: &mut dyn Progress) -> Result<Recording> {
    read_with(path, &ReadOptions::default(), progress)
}

/// As [`read`], with what the user states about the file.
///
/// # Errors
/// As [`read`]; [`Error::Setting`] where the stated rate is not one of [`RATES_HZ`].
pub fn read_with(
    path: &Path,
    options: &ReadOptions,
    progress: &mut dyn Progress,
) -> Result<Recording> {
    let options = options.checked()?;
    let mut source = Source::open(path, progress)?;
    let content = match kind_of(&mut source)? {
        Kind::Wav => wav::read(&mut source, &options)?,
        Kind::Npy => npy::read(&mut source, &options)?,
        Kind::Npz => npy::read_archive(&mut source, &options)?,
        Kind::Csv => csv::read(&mut source, &options)?,
    };
    let sha256 = source.sha256()?;
    assemble(path, content, sha256)
}

/// Kinds of file that can be read.
enum Kind {
    Wav,
    Npy,
    Npz,
    Csv,
}

/// Beginnings of files that are known, but cannot be read.
const STRANGERS: &[(&[u8], &str)] = &[
    (b"RIFX", "a big-endian WAVE file"),
    (b"riff", "a Wave64 file"),
    (b"fLaC", "a FLAC file"),
    (b"OggS", "an Ogg file"),
    (b"ID3", "an MP3 file"),
    (b"\xff\xfb", "an MP3 file"),
    (b"FORM", "an AIFF file"),
    (b"caff", "a Core Audio file"),
    (b"\x89HDF", "an HDF5 file"),
    (b"MATLAB", "a MAT file"),
    (b"\xff\xfe", "text in UTF-16"),
    (b"\xfe\xff", "text in UTF-16"),
    (b"\x1f\x8b", "a gzip archive"),
    (b"%PDF", "a PDF document"),
];

/// Tells the kind of a file by its first bytes.
fn kind_of(source: &mut Source<'_>) -> Result<Kind> {
    let head = source.at(0, 4096)?;
    if head.is_empty() {
        return Err(source.refuse("", "the file is empty", "record again or copy it again"));
    }
    let text = head.trim_ascii_start();
    if [&b"<!DOCTYPE"[..], b"<!doctype", b"<html", b"<?xml"].iter().any(|s| text.starts_with(s)) {
        return Err(stranger(source, "a web page or other markup"));
    }
    if head.get(4..8) == Some(b"ftyp") {
        return Err(stranger(source, "an MP4 or M4A file"));
    }
    if let Some((_, what)) = STRANGERS.iter().find(|(start, _)| head.starts_with(start)) {
        return Err(stranger(source, what));
    }
    if [&b"RIFF"[..], b"RF64", b"BW64"].iter().any(|start| head.starts_with(start)) {
        return Ok(Kind::Wav);
    }
    if head.starts_with(b"\x93NUMPY") {
        return Ok(Kind::Npy);
    }
    if head.starts_with(b"PK\x03\x04") || head.starts_with(b"PK\x05\x06") {
        return Ok(Kind::Npz);
    }
    let is_control = |byte: &u8| *byte < 0x20 && !matches!(byte, b'\t' | b'\n' | b'\r' | 0x0c);
    if head.iter().any(is_control) {
        return Err(source.refuse(
            "byte 0",
            "this is neither WAV, CSV, NPY nor NPZ",
            "export the recording as one of these",
        ));
    }
    Ok(Kind::Csv)
}

fn stranger(source: &Source<'_>, what: &str) -> Error {
    source.refuse("byte 0", format!("this is {what}"), "export it as WAV, CSV in UTF-8, NPY or NPZ")
}

/// What a reader found in a file.
struct Content {
    rate_hz: f64,
    start_s: f64,
    columns: Vec<Column>,
    notes: Vec<String>,
    /// Share of the stated samples that the file holds, where it is cut short.
    held: Option<f64>,
}

/// One channel as it stands in a file.
#[derive(Default)]
struct Column {
    /// Its name in the file; empty where the file gives none.
    name: String,
    unit: Option<Unit>,
    full_scale: Option<f64>,
    least_step: Option<f64>,
    samples: Vec<f32>,
}

fn assemble(path: &Path, content: Content, sha256: String) -> Result<Recording> {
    let Content { rate_hz, start_s, columns, mut notes, held } = content;
    if columns.iter().all(|column| column.samples.is_empty()) {
        return Err(Error::input(path, "", "the file holds no samples", "record again"));
    }
    if !RATES_HZ.contains(&rate_hz) {
        let problem = format!("its times or its header give a sampling rate of {rate_hz} Hz");
        return Err(Error::input(
            path,
            "",
            problem,
            "state the rate (--rate, or rate_hz in Python)",
        ));
    }
    let mut channels: Vec<Channel> = Vec::with_capacity(columns.len());
    let mut names = Names::default();
    for (i, column) in columns.into_iter().enumerate() {
        let name = names.unique(&column.name, i);
        let spec = ChannelSpec { unit: column.unit, ..ChannelSpec::named(name) };
        let (mut channel, note) = whole_channel(path, spec, rate_hz, column.samples)?;
        notes.extend(note);
        channel.start_s = start_s;
        channel.full_scale = column.full_scale;
        channel.least_step = column.least_step;
        channels.push(channel);
    }
    notes.extend(guess::roles(&mut channels));
    let name = path.file_name().unwrap_or(path.as_os_str()).to_string_lossy().into_owned();
    let (path, sha256) = (Some(path.to_owned()), Some(sha256));
    Ok(Recording { name, path, sha256, channels, notes, held })
}

/// The name that an unnamed channel gets: `ch1`, `ch2` ...
pub(in crate::recording) fn plain_name(index: usize) -> String {
    format!("ch{}", index + 1)
}

/// A channel of samples some of which may be no numbers: each of these repeats the one before, which is
/// counted and said in a note. `path` is for messages.
///
/// # Errors
/// [`Error::Input`] where no sample is a number, [`Error::Setting`] as [`Channel::new`].
pub(crate) fn whole_channel(
    path: &Path,
    spec: ChannelSpec,
    rate_hz: f64,
    mut samples: Vec<f32>,
) -> Result<(Channel, Option<String>)> {
    let gap = hold_last(&mut samples);
    let sentence = |gap: &Gap| gap.sentence(path, &spec.name, samples.len(), rate_hz);
    let note = gap.as_ref().map(sentence).transpose()?;
    let mut channel = Channel::new(spec, rate_hz, samples)?;
    channel.replaced = gap.map_or(0, |gap| gap.count);
    Ok((channel, note))
}

/// The names given so far, each with the number of the next copy of it.
#[derive(Default)]
struct Names(HashMap<String, usize>);

impl Names {
    /// `wanted`, or a plain name, made different from all earlier ones.
    fn unique(&mut self, wanted: &str, index: usize) -> String {
        let base = if wanted.is_empty() { plain_name(index) } else { wanted.to_owned() };
        let mut copy = self.0.get(&base).copied().unwrap_or(1);
        let mut name = base.clone();
        while self.0.contains_key(&name) {
            copy += 1;
            name = format!("{base} ({copy})");
        }
        self.0.insert(base, copy);
        self.0.entry(name.clone()).or_insert(1);
        name
    }
}

/// Samples that were no numbers.
struct Gap {
    count: usize,
    first: usize,
}

impl Gap {
    fn sentence(&self, path: &Path, name: &str, samples: usize, rate_hz: f64) -> Result<String> {
        if self.count == samples {
            return Err(Error::input(
                path,
                format!("channel {name}"),
                "no sample is a number",
                "export the recording again",
            ));
        }
        Ok(format!(
            "{} samples of {name} are not numbers (first at {:.4} s); each repeats the one before",
            self.count,
            self.first as f64 / rate_hz
        ))
    }
}

/// Replaces every sample that is no finite number by the last one that is (the leading ones by the
/// first).
fn hold_last(samples: &mut [f32]) -> Option<Gap> {
    let first = samples.iter().position(|x| !x.is_finite())?;
    let mut last = samples.iter().copied().find(|x| x.is_finite()).unwrap_or(0.0);
    let mut count = 0;
    for x in samples {
        if x.is_finite() {
            last = *x;
        } else {
            *x = last;
            count += 1;
        }
    }
    Some(Gap { count, first })
}

/// The rate to use: the stated one overrules the file's, with a note where they differ.
fn settle_rate(options: &ReadOptions, of_file: f64, notes: &mut Vec<String>) -> f64 {
    match options.rate_hz {
        Some(stated) => {
            if (stated / of_file - 1.0).abs() > 1e-6 {
                notes.push(format!(
                    "the file states a sampling rate of {of_file} Hz; the stated {stated} Hz is used"
                ));
            }
            stated
        }
        None => of_file,
    }
}

#[cfg(test)]
#[allow(clippy::indexing_slicing, clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn gaps_repeat_the_last_good_sample() {
        let mut samples = [f32::NAN, 1.0, f32::INFINITY, f32::NAN, 2.0];
        let gap = hold_last(&mut samples).unwrap();
        assert_eq!((gap.count, gap.first), (3, 0));
        assert_eq!(samples, [1.0, 1.0, 1.0, 1.0, 2.0]);
        assert!(hold_last(&mut samples).is_none());
    }
}
