//! NPY and NPZ files, as NumPy writes them.
//!
//! In an NPY file the longer axis is time. In an NPZ file every array of numbers is a channel (or
//! several, if it has two axes), except those that state the rate or the times.

#![deny(clippy::indexing_slicing, clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::io::{BufReader, Read};

use ndarray_npy::npy::header;

use super::csv::Label;
use super::decode::{Layout, Number};
use super::source::{BLOCK, Source, fill};
use super::timebase::{self, Timebase};
use super::{Column, Content, MAX_CHANNELS, ReadOptions, settle_rate};
use crate::error::{Error, Result};
use crate::recording::{RATES_HZ, rates};

/// Names of the arrays that state the sampling rate in Hz.
const RATE_NAMES: &[&str] =
    &["rate_hz", "fs", "sampling_rate", "sample_rate", "sampling_rate_hz", "sample_rate_hz"];
/// Names of the arrays of times in seconds.
const TIME_NAMES: &[&str] = &["time", "time_s", "t", "t_s"];
/// From this relative difference on the stated rate and that of the times contradict each other: times
/// are often rounded.
const RATES_DIFFER: f64 = 1e-3;
/// The longest header, in bytes; NumPy too reads no longer ones.
const MAX_HEADER: usize = 10_000;
/// The deepest nesting of brackets in a header of plain numbers.
const MAX_NESTING: usize = 4;
/// Samples of all channels for which memory is set aside before they have been seen.
const FIRST_RESERVE: usize = 1 << 20;

pub(super) fn read(source: &mut Source<'_>, options: &ReadOptions) -> Result<Content> {
    let Some(rate_hz) = options.rate_hz else {
        return Err(source.refuse(
            "",
            "an NPY file states no sampling rate",
            "state it (--rate, or rate_hz in Python), or save an NPZ file with rate_hz",
        ));
    };
    source.seek(0)?;
    let mut file = BufReader::with_capacity(BLOCK, source.handle()?);
    let len = source.len;
    let array = Array::begin(source, &mut file, "", len)?;
    let columns = array.columns(source, &mut file, "", "")?;
    Ok(Content { rate_hz, start_s: 0.0, columns, notes: Vec::new(), held: None })
}

pub(super) fn read_archive(source: &mut Source<'_>, options: &ReadOptions) -> Result<Content> {
    source.seek(0)?;
    let file = BufReader::with_capacity(BLOCK, source.handle()?);
    let mut archive = zip::ZipArchive::new(file).map_err(|e| zip_error(source, "", &e))?;
    let mut parts = Parts::default();
    for index in 0..archive.len() {
        let entry = archive.by_index(index).map_err(|e| zip_error(source, "", &e))?;
        parts.add(source, entry)?;
        source.step(source.len * (index as u64 + 1) / archive.len() as u64)?;
    }
    parts.into_content(source, options)
}

fn zip_error(source: &Source<'_>, place: &str, error: &zip::result::ZipError) -> Error {
    let problem = format!("the archive cannot be read ({error})");
    source.refuse(place, problem, "save it again with numpy.savez or savez_compressed")
}

/// What the arrays of an archive amount to.
#[derive(Default)]
struct Parts {
    rate_hz: Option<f64>,
    base: Option<Timebase>,
    columns: Vec<Column>,
    notes: Vec<String>,
}

impl Parts {
    fn add<R: Read>(
        &mut self,
        source: &mut Source<'_>,
        mut entry: zip::read::ZipFile<'_, R>,
    ) -> Result<()> {
        let Some(name) = entry.name().strip_suffix(".npy").map(str::to_owned) else {
            self.notes.push(format!("{:?} is no array and is left out", entry.name()));
            return Ok(());
        };
        let (place, size) = (format!("array {name}"), entry.size());
        let array = Array::begin(source, &mut entry, &place, size)?;
        let lower = name.to_lowercase();
        if RATE_NAMES.contains(&lower.as_str()) {
            self.rate_hz = Some(array.rate(source, &mut entry, &place)?);
        } else if TIME_NAMES.contains(&lower.as_str()) {
            let times = array.values(source, &mut entry, &place)?;
            let base = timebase::from_times(&times).map_err(|uneven| {
                let place = format!("{place}, element {}", uneven.index);
                let mend = "record at an even rate, or save rate_hz instead of times";
                source.refuse(place, uneven.problem, mend)
            })?;
            self.base = Some(base);
        } else if array.shape.is_empty() || array.kind == Kind::Words {
            self.notes.push(format!("array {name:?} holds no samples and is left out"));
        } else {
            self.columns.extend(array.columns(source, &mut entry, &place, &name)?);
        }
        Ok(())
    }

    fn into_content(mut self, source: &Source<'_>, options: &ReadOptions) -> Result<Content> {
        if let (Some(stated), Some(base)) = (self.rate_hz, &self.base)
            && (stated / base.rate_hz - 1.0).abs() > RATES_DIFFER
        {
            self.notes.push(format!(
                "the file states a sampling rate of {stated} Hz and its times give {} Hz; the stated one is used",
                base.rate_hz
            ));
        }
        let of_file = self.rate_hz.or(self.base.as_ref().map(|base| base.rate_hz));
        let rate_hz = match (of_file, options.rate_hz) {
            (Some(of_file), _) => settle_rate(options, of_file, &mut self.notes),
            (None, Some(stated)) => stated,
            (None, None) => {
                return Err(source.refuse(
                    "",
                    "no array states the sampling rate",
                    "save rate_hz or time with the samples, or state the rate (--rate, or rate_hz in Python)",
                ));
            }
        };
        let lengths = || self.columns.iter().map(|column| column.samples.len());
        if let (Some(least), Some(most)) = (lengths().min(), lengths().max())
            && least != most
        {
            return Err(source.refuse(
                "",
                format!("the channels have {least} to {most} samples"),
                "save channels of one rate and length, others in a file of their own",
            ));
        }
        let start_s = self.base.map_or(0.0, |base| base.start_s);
        Ok(Content { rate_hz, start_s, columns: self.columns, notes: self.notes, held: None })
    }
}

/// Kinds of element.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Kind {
    /// Numbers that can be samples.
    Samples(Number),
    /// Whole numbers of a size in bytes, that can state a rate but are no samples.
    Whole { bytes: usize, signed: bool },
    /// Text and everything else.
    Words,
}

/// An array whose header has been read; its elements come next.
struct Array {
    kind: Kind,
    descriptor: String,
    big_endian: bool,
    shape: Vec<usize>,
    column_major: bool,
    elements: usize,
}

impl Array {
    /// Reads the header; `bytes` is the length of the whole array file.
    fn begin(source: &Source<'_>, reader: &mut dyn Read, place: &str, bytes: u64) -> Result<Self> {
        let (header, header_bytes) = read_header(source, reader, place)?;
        let bytes = bytes.saturating_sub(header_bytes as u64);
        let descriptor = header.type_descriptor.to_string().trim_matches('\'').to_owned();
        let kind = kind_of(descriptor.get(1..).unwrap_or_default());
        let element_bytes = match kind {
            Kind::Samples(number) => number.bytes(),
            Kind::Whole { bytes, .. } => bytes,
            Kind::Words => 0,
        };
        let elements = header.shape.iter().try_fold(1_usize, |n, &axis| n.checked_mul(axis));
        let needed = elements.and_then(|n| n.checked_mul(element_bytes));
        let (Some(elements), Some(_)) = (elements, needed.filter(|&needed| needed as u64 <= bytes))
        else {
            return Err(source.refuse(
                place,
                format!(
                    "the header promises an array of {}, and only {bytes} bytes follow",
                    shown(&header.shape)
                ),
                "save it again, or copy it again",
            ));
        };
        Ok(Self {
            kind,
            big_endian: descriptor.starts_with('>'),
            descriptor,
            shape: header.shape,
            column_major: header.layout.is_fortran(),
            elements,
        })
    }

    /// The channels of an array of one or two axes, the longer of which is time.
    fn columns(
        &self,
        source: &mut Source<'_>,
        reader: &mut dyn Read,
        place: &str,
        name: &str,
    ) -> Result<Vec<Column>> {
        let Kind::Samples(number) = self.kind else {
            return Err(source.refuse(
                place,
                format!("elements of type {} are no samples", self.descriptor),
                "save float32, float64, int16 or int32",
            ));
        };
        let (frames, channels, interleaved) = self.axes(source, place)?;
        let layout = Layout { number, big_endian: self.big_endian };
        let room = reserve(frames, channels);
        let mut out: Vec<Vec<f32>> = (0..channels).map(|_| Vec::with_capacity(room)).collect();
        if interleaved {
            blocks(source, reader, place, frames, channels * number.bytes(), &mut |block| {
                layout.deinterleave(block, &mut out);
            })?;
        } else {
            for channel in &mut out {
                let channel = std::slice::from_mut(channel);
                blocks(source, reader, place, frames, number.bytes(), &mut |block| {
                    layout.deinterleave(block, channel);
                })?;
            }
        }
        expect_end(source, reader, place)?;
        Ok(named_columns(name, number, out))
    }

    /// Samples, channels, and whether the samples of one instant lie together.
    fn axes(&self, source: &Source<'_>, place: &str) -> Result<(usize, usize, bool)> {
        let (frames, channels, time_is_first) = match *self.shape.as_slice() {
            [n] => (n, 1, true),
            [rows, columns] if rows >= columns => (rows, columns, true),
            [rows, columns] => (columns, rows, false),
            _ => {
                return Err(source.refuse(
                    place,
                    format!("the array has {} axes", self.shape.len()),
                    "save samples, or samples by channels",
                ));
            }
        };
        if channels > MAX_CHANNELS {
            return Err(source.refuse(
                place,
                format!("there are {channels} channels; {MAX_CHANNELS} can be read"),
                "save fewer",
            ));
        }
        Ok((frames, channels, time_is_first != self.column_major))
    }

    /// All elements in double precision, in the order of the file.
    fn values(
        &self,
        source: &mut Source<'_>,
        reader: &mut dyn Read,
        place: &str,
    ) -> Result<Vec<f64>> {
        let (bytes, decode): (usize, fn([u8; 8]) -> f64) = match self.kind {
            Kind::Samples(Number::F64) => (8, f64::from_be_bytes),
            Kind::Samples(Number::F32) => (4, |b| f64::from(f32::from_be_bytes(tail(b)))),
            Kind::Samples(Number::I16) => (2, |b| f64::from(i16::from_be_bytes(tail(b)))),
            Kind::Samples(Number::I32) => (4, |b| f64::from(i32::from_be_bytes(tail(b)))),
            Kind::Whole { bytes, signed: true } => (bytes, |b| i64::from_be_bytes(b) as f64),
            Kind::Whole { bytes, signed: false } => (bytes, |b| u64::from_be_bytes(b) as f64),
            _ => {
                return Err(source.refuse(
                    place,
                    format!("elements of type {} are no numbers", self.descriptor),
                    "save float64",
                ));
            }
        };
        let mut values = Vec::new();
        let big_endian = self.big_endian;
        blocks(source, reader, place, self.elements, bytes, &mut |block| {
            values.extend(block.chunks_exact(bytes).map(|b| decode(widened(b, big_endian))));
        })?;
        expect_end(source, reader, place)?;
        Ok(values)
    }

    fn rate(&self, source: &mut Source<'_>, reader: &mut dyn Read, place: &str) -> Result<f64> {
        let mend = format!("save the rate as one number {}", rates());
        if self.elements != 1 {
            let problem = format!("the rate is an array of {}", shown(&self.shape));
            return Err(source.refuse(place, problem, mend));
        }
        let values = self.values(source, reader, place)?;
        match values.as_slice() {
            [rate] if RATES_HZ.contains(rate) => Ok(*rate),
            other => {
                let rate = other.first().copied().unwrap_or(f64::NAN);
                Err(source.refuse(place, format!("the sampling rate is {rate} Hz"), mend))
            }
        }
    }
}

/// Samples for which every channel gets memory before any has been seen: a header may promise more than
/// the file holds.
fn reserve(frames: usize, channels: usize) -> usize {
    frames.min(FIRST_RESERVE / channels.max(1))
}

/// An element of up to 8 bytes as the low end of 8 big-endian bytes.
fn widened(element: &[u8], big_endian: bool) -> [u8; 8] {
    let mut wide = [0; 8];
    let room = wide.iter_mut().rev();
    if big_endian {
        room.zip(element.iter().rev()).for_each(|(to, from)| *to = *from);
    } else {
        room.zip(element).for_each(|(to, from)| *to = *from);
    }
    wide
}

/// The last `N` of 8 bytes.
fn tail<const N: usize>(bytes: [u8; 8]) -> [u8; N] {
    bytes.last_chunk().copied().unwrap_or([0; N])
}

fn shown(shape: &[usize]) -> String {
    let axes: Vec<String> = shape.iter().map(usize::to_string).collect();
    if axes.is_empty() { "one element".into() } else { axes.join(" x ") }
}

/// The kind of a type descriptor without its byte order.
fn kind_of(descriptor: &str) -> Kind {
    match descriptor {
        "f4" => Kind::Samples(Number::F32),
        "f8" => Kind::Samples(Number::F64),
        "i2" => Kind::Samples(Number::I16),
        "i4" => Kind::Samples(Number::I32),
        "i8" => Kind::Whole { bytes: 8, signed: true },
        "u1" => Kind::Whole { bytes: 1, signed: false },
        "u2" => Kind::Whole { bytes: 2, signed: false },
        "u4" => Kind::Whole { bytes: 4, signed: false },
        "u8" => Kind::Whole { bytes: 8, signed: false },
        _ => Kind::Words,
    }
}

/// Reads the header and returns it with its length; length and nesting are limited before it is
/// parsed.
fn read_header(
    source: &Source<'_>,
    reader: &mut dyn Read,
    place: &str,
) -> Result<(header::Header, usize)> {
    let refuse = |problem: String| source.refuse(place, problem, "save it again with numpy.save");
    let io = |e: std::io::Error| refuse(format!("the header cannot be read ({e})"));
    let mut bytes = vec![0; 10];
    let got = fill(reader, &mut bytes).map_err(io)?;
    let version = bytes.get(6).copied().unwrap_or(0);
    if got < 10 || !bytes.starts_with(b"\x93NUMPY") {
        return Err(refuse("this is no NPY array".into()));
    }
    let mut length = usize::from(bytes.get(8).copied().unwrap_or(0))
        | usize::from(bytes.get(9).copied().unwrap_or(0)) << 8;
    if version > 1 {
        let mut more = [0; 2];
        fill(reader, &mut more).map_err(io)?;
        let [low, high] = more;
        length |= usize::from(low) << 16 | usize::from(high) << 24;
        bytes.extend(more);
    }
    if length > MAX_HEADER {
        return Err(refuse(format!("the header has {length} bytes; {MAX_HEADER} can be read")));
    }
    let from = bytes.len();
    bytes.resize(from + length, 0);
    let got = fill(reader, bytes.get_mut(from..).unwrap_or_default()).map_err(io)?;
    if got < length {
        return Err(refuse("the header is cut off".into()));
    }
    if nesting(bytes.get(from..).unwrap_or_default()) > MAX_NESTING {
        return Err(refuse("the header describes no plain array of numbers".into()));
    }
    let header = header::Header::from_reader(&mut bytes.as_slice());
    Ok((header.map_err(|e| refuse(e.to_string()))?, bytes.len()))
}

/// The deepest nesting of brackets.
fn nesting(text: &[u8]) -> usize {
    let (mut depth, mut deepest) = (0_usize, 0);
    for byte in text {
        match byte {
            b'(' | b'[' | b'{' => depth += 1,
            b')' | b']' | b'}' => depth = depth.saturating_sub(1),
            _ => {}
        }
        deepest = deepest.max(depth);
    }
    deepest
}

/// Reads `count` items of `size` bytes in blocks of whole items.
fn blocks(
    source: &mut Source<'_>,
    reader: &mut dyn Read,
    place: &str,
    count: usize,
    size: usize,
    take: &mut dyn FnMut(&[u8]),
) -> Result<()> {
    let per_block = (BLOCK / size.max(1)).max(1);
    let mut buffer = vec![0; per_block.min(count) * size];
    let mut left = count;
    while left > 0 && size > 0 {
        let items = left.min(per_block);
        let Some(block) = buffer.get_mut(..items * size) else { break };
        let got = fill(reader, block).map_err(|e| torn(source, place, &e.to_string()))?;
        if got < block.len() {
            return Err(torn(
                source,
                place,
                &format!("{} of {count} items are there", count - left),
            ));
        }
        take(block);
        left -= items;
        let share = (count - left) as f64 / count as f64;
        source.step((share * source.len as f64) as u64)?;
    }
    Ok(())
}

fn torn(source: &Source<'_>, place: &str, detail: &str) -> Error {
    source.refuse(place, format!("the array is cut off or damaged ({detail})"), "copy it again")
}

/// Reads on to the end, where an archive's checksum is verified.
fn expect_end(source: &Source<'_>, reader: &mut dyn Read, place: &str) -> Result<()> {
    match fill(reader, &mut [0]) {
        Ok(0) => Ok(()),
        Ok(_) => Err(torn(source, place, "it is followed by more bytes than its header states")),
        Err(e) => Err(torn(source, place, &e.to_string())),
    }
}

fn named_columns(name: &str, number: Number, samples: Vec<Vec<f32>>) -> Vec<Column> {
    let label = Label::parse(name);
    let many = samples.len() > 1 && !label.name.is_empty();
    let least_step = match number {
        Number::I16 => Some(0.5_f64.powi(15)),
        Number::I32 => Some(0.5_f64.powi(31)),
        _ => None,
    };
    let column = |(i, samples)| Column {
        name: if many { format!("{} {}", label.name, i + 1) } else { label.name.clone() },
        unit: label.unit,
        full_scale: least_step.map(|_| 1.0),
        least_step,
        samples,
    };
    samples.into_iter().enumerate().map(column).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn elements_are_widened_from_either_byte_order() {
        assert_eq!(widened(&[1, 2], false), [0, 0, 0, 0, 0, 0, 2, 1]);
        assert_eq!(widened(&[1, 2], true), [0, 0, 0, 0, 0, 0, 1, 2]);
        assert_eq!(widened(&5_f64.to_le_bytes(), false), 5_f64.to_be_bytes());
    }

    #[test]
    fn no_header_makes_much_be_set_aside() {
        for channels in [1, 7, MAX_CHANNELS] {
            assert!(reserve(1 << 40, channels) * channels <= FIRST_RESERVE, "{channels}");
        }
        assert_eq!((reserve(1000, 2), reserve(5, 0)), (1000, 5));
    }

    #[test]
    fn brackets_are_counted() {
        assert_eq!(nesting(b"{'shape': (3,), }"), 2);
        assert_eq!(nesting(b"))(("), 2);
    }
}
