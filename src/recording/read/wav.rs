//! WAV files: RIFF, RF64 and BW64, PCM of 8 to 32 bits and floats of 32 and 64.
//!
//! Source of the layout: Microsoft and IBM, "Multimedia Programming Interface and Data
//! Specifications 1.0" (1991) for RIFF; ITU-R BS.2088 for `ds64` (both from memory).

#![deny(clippy::indexing_slicing, clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use super::decode::{Layout, Number};
use super::source::{BLOCK, Source};
use super::{Column, Content, MAX_CHANNELS, ReadOptions, settle_rate};
use crate::error::Result;

/// Sizes that recorders write who do not know them yet: about 2 GiB, about 4 GiB (what a field of 32 bits
/// holds, less the headers), and in RF64 all that no disk holds.
const PLACEHOLDERS: [std::ops::RangeInclusive<u64>; 3] =
    [0x7fff_0000..=0x8000_0000, 0xffff_0000..=0xffff_ffff, 1 << 60..=u64::MAX];
/// Less than this share missing is a slip of the header, not of the copy: some count it in with the samples.
const SLIP: f64 = 1e-3;
/// A size field that says "unknown", or in RF64 "see ds64".
const UNKNOWN: u32 = u32::MAX;
/// More chunks than any recorder writes: the walk ends here.
const MAX_CHUNKS: usize = 10_000;

pub(super) fn read(source: &mut Source<'_>, options: &ReadOptions) -> Result<Content> {
    let mut notes = Vec::new();
    let chunks = walk(source, &mut notes)?;
    let format = Format::parse(source, &chunks.format)?;
    let rate_hz = rate(source, options, format.rate_hz, &mut notes)?;
    let mut channels = samples(source, &chunks, &format, &mut notes)?;
    let is_float = format.layout.number.is_float();
    let is_padded = !is_float && format.valid_bits < format.container_bits();
    if let Some(filling) = is_padded.then(|| low_filling(&channels, &format)).flatten() {
        raise(&mut channels, &format, &filling);
        notes.push(format!(
            "samples of {} bits sit at the low end of {} bits; full scale is that of {} bits",
            format.valid_bits,
            format.container_bits(),
            format.valid_bits
        ));
    }
    let least_step = (!is_float).then(|| 0.5_f64.powi(i32::from(format.valid_bits) - 1));
    let columns = channels.into_iter().map(|samples| Column {
        full_scale: (!is_float).then_some(1.0),
        least_step,
        samples,
        ..Column::default()
    });
    Ok(Content { rate_hz, start_s: 0.0, columns: columns.collect(), notes, held: chunks.data.held })
}

fn rate(
    source: &Source<'_>,
    options: &ReadOptions,
    of_file: u32,
    notes: &mut Vec<String>,
) -> Result<f64> {
    match (of_file, options.rate_hz) {
        (0, None) => Err(source.refuse(
            "chunk 'fmt '",
            "the sampling rate is 0 Hz",
            "state the rate (--rate, or rate_hz in Python)",
        )),
        (0, Some(stated)) => Ok(stated),
        (of_file, _) => Ok(settle_rate(options, f64::from(of_file), notes)),
    }
}

/// What the walk over the chunks found.
struct Chunks {
    /// Content of `fmt `.
    format: Vec<u8>,
    /// The samples.
    data: Data,
}

/// Where the samples lie.
#[derive(Clone, Copy)]
struct Data {
    at: u64,
    /// How many bytes of them there are.
    bytes: u64,
    /// Share of the stated bytes that the file holds, where it is cut short.
    held: Option<f64>,
}

/// Where one chunk lies.
struct Chunk {
    id: [u8; 4],
    stated: u32,
    at: u64,
}

/// The chunk whose head is at `position`; `None` at the end or where no chunk can be.
fn chunk_at(source: &mut Source<'_>, position: u64) -> Result<Option<Chunk>> {
    let head = source.at(position, 8)?;
    let (Some(id), Some(size)) = (head.first_chunk::<4>(), head.last_chunk::<4>()) else {
        return Ok(None);
    };
    if head.len() < 8 || !id.iter().all(|b| (0x20..0x7f).contains(b)) {
        return Ok(None);
    }
    Ok(Some(Chunk { id: *id, stated: u32::from_le_bytes(*size), at: position + 8 }))
}

/// Walks over all chunks, in whatever order they stand.
fn walk(source: &mut Source<'_>, notes: &mut Vec<String>) -> Result<Chunks> {
    let head = source.at(0, 12)?;
    if head.get(8..12) != Some(b"WAVE") {
        return Err(source.refuse(
            "byte 8",
            "this is a RIFF file, but not a WAVE file",
            "export the recording as WAV",
        ));
    }
    let mut position = 12;
    let mut format = None;
    let mut data = None;
    let mut long_size = None;
    for _ in 0..MAX_CHUNKS {
        let Some(chunk) = chunk_at(source, position)? else { break };
        let mut size = u64::from(chunk.stated);
        match &chunk.id {
            b"ds64" => {
                let body = source.at(chunk.at, 16)?;
                long_size =
                    body.get(8..).and_then(|b| b.first_chunk()).map(|b| u64::from_le_bytes(*b));
            }
            b"fmt " if format.is_none() => {
                let count = size.min(40) as usize;
                format = Some(source.at(chunk.at, count)?);
            }
            b"data" if data.is_none() => {
                let found = data_size(source, &chunk, long_size, notes)?;
                size = found.bytes;
                data = Some(found);
            }
            _ => {}
        }
        position = next_chunk(source, chunk.at.saturating_add(size), size)?;
    }
    tell_leftover(source, position, data.map(|data| (data.at, data.bytes)), notes);
    let format = format.ok_or_else(|| {
        source.refuse("", "there is no 'fmt ' chunk to describe the samples", "export it again")
    })?;
    let data = data.ok_or_else(|| {
        source.refuse("", "there is no 'data' chunk with samples", "record or export it again")
    })?;
    Ok(Chunks { format, data })
}

/// Where the next chunk begins: odd chunks are padded to even length, but not by every writer.
fn next_chunk(source: &mut Source<'_>, end: u64, size: u64) -> Result<u64> {
    if size.is_multiple_of(2) {
        return Ok(end);
    }
    let padded = end.saturating_add(1);
    let is_unpadded = chunk_at(source, padded)?.is_none() && chunk_at(source, end)?.is_some();
    Ok(if is_unpadded { end } else { padded })
}

/// The samples of the data chunk: as many bytes as it states, or what is there if the recorder never came
/// to write that down or the file is cut short.
fn data_size(
    source: &mut Source<'_>,
    chunk: &Chunk,
    long_size: Option<u64>,
    notes: &mut Vec<String>,
) -> Result<Data> {
    let there = source.len.saturating_sub(chunk.at);
    let stated = match (chunk.stated, long_size) {
        (UNKNOWN, Some(size)) => Some(size),
        (UNKNOWN, None) => None,
        (size, _) => Some(u64::from(size)),
    };
    let is_open = match stated {
        Some(0) => there > 0 && !is_chain(source, chunk.at)?,
        Some(size) => size > there,
        None => true,
    };
    if !is_open {
        return Ok(Data { at: chunk.at, bytes: stated.unwrap_or(there), held: None });
    }
    let says = stated.map_or("an unknown number".to_owned(), |size| size.to_string());
    let is_placeholder =
        |size: &u64| *size == 0 || PLACEHOLDERS.iter().any(|range| range.contains(size));
    let counts = stated.filter(|size| !is_placeholder(size));
    let held = counts.map(|size| there as f64 / size as f64).filter(|held| *held < 1.0 - SLIP);
    let what = match (counts, held) {
        (Some(_), Some(_)) => "the file is cut short: its header",
        (Some(_), None) => "the header is a little wrong: it",
        _ => "the header was left unfinished: it",
    };
    notes.push(format!(
        "{what} states {says} bytes of samples and the file holds {there}; what is there is used"
    ));
    Ok(Data { at: chunk.at, bytes: there, held })
}

/// Whether chunk follows chunk from `position` exactly to the end of the file.
fn is_chain(source: &mut Source<'_>, mut position: u64) -> Result<bool> {
    for _ in 0..MAX_CHUNKS {
        if position >= source.len {
            return Ok(position <= source.len + 1);
        }
        let Some(chunk) = chunk_at(source, position)? else { return Ok(false) };
        let size = u64::from(chunk.stated);
        position = chunk.at + size + size % 2;
    }
    Ok(false)
}

/// Says where bytes after the samples belong to no chunk.
fn tell_leftover(
    source: &Source<'_>,
    position: u64,
    data: Option<(u64, u64)>,
    notes: &mut Vec<String>,
) {
    let left = source.len.saturating_sub(position);
    if data.is_some() && left > 1 {
        notes
            .push(format!("the last {left} bytes of the file belong to no chunk and are left out"));
    }
}

/// What `fmt ` says.
struct Format {
    layout: Layout,
    channels: usize,
    rate_hz: u32,
    /// Bits that carry signal; the rest of the container is filling.
    valid_bits: u16,
    frame_bytes: usize,
}

/// The fixed part of the identifiers of WAVE_FORMAT_EXTENSIBLE: the format tag comes before it.
const GUID_TAIL: [u8; 14] = [0, 0, 0, 0, 0x10, 0, 0x80, 0, 0, 0xaa, 0, 0x38, 0x9b, 0x71];

/// The name of a format of samples that is not read.
fn tag_name(tag: u16) -> String {
    let name = match tag {
        0x0002 => "ADPCM",
        0x0006 => "A-law",
        0x0007 => "mu-law",
        0x0011 => "IMA ADPCM",
        0x0031 => "GSM",
        0x0050 | 0x0055 => "MPEG audio",
        _ => return format!("in format 0x{tag:04x}"),
    };
    format!("as {name}")
}

impl Format {
    fn container_bits(&self) -> u16 {
        self.layout.number.bytes() as u16 * 8
    }

    fn parse(source: &Source<'_>, body: &[u8]) -> Result<Self> {
        let refuse =
            |problem: String, mend: &str| Err(source.refuse("chunk 'fmt '", problem, mend));
        let again = "export the recording as PCM or float WAV";
        let field = |at: usize| {
            body.get(at..).and_then(|b| b.first_chunk()).map(|b| u16::from_le_bytes(*b))
        };
        let (Some(tag), Some(channels), Some(rate_low), Some(rate_high), Some(align), Some(bits)) =
            (field(0), field(2), field(4), field(6), field(12), field(14))
        else {
            return refuse(format!("it has {} bytes and needs 16", body.len()), again);
        };
        let (tag, valid_bits) = match tag {
            0xfffe => match extension(body) {
                Some((tag, valid)) => (tag, if (1..=bits).contains(&valid) { valid } else { bits }),
                None => {
                    return refuse("the samples are in a format of some maker".into(), again);
                }
            },
            tag => (tag, bits),
        };
        let channels = usize::from(channels);
        if channels == 0 || channels > MAX_CHANNELS {
            return refuse(
                format!("it states {channels} channels; 1 to {MAX_CHANNELS} can be read"),
                again,
            );
        }
        let stated = usize::from(align) / channels;
        // some writers leave the frame size at 0
        let bytes = if align == 0 { usize::from(bits).div_ceil(8) } else { stated };
        if align != 0 && stated * channels != usize::from(align) {
            return refuse(
                format!("{align} bytes a frame cannot be shared by {channels} channels"),
                again,
            );
        }
        let number = match (tag, bytes) {
            (1, 1) => Number::U8,
            (1, 2) => Number::I16,
            (1, 3) => Number::I24,
            (1, 4) => Number::I32,
            (3, 4) => Number::F32,
            (3, 8) => Number::F64,
            (1 | 3, _) => {
                let kind = if tag == 1 { "PCM" } else { "float" };
                return refuse(format!("{kind} samples of {bytes} bytes cannot be read"), again);
            }
            (tag, _) => return refuse(format!("the samples are stored {}", tag_name(tag)), again),
        };
        if valid_bits == 0 || usize::from(valid_bits) > 8 * bytes {
            return refuse(format!("{valid_bits} bits do not fit in {bytes} bytes"), again);
        }
        let rate_hz = u32::from(rate_low) | u32::from(rate_high) << 16;
        let layout = Layout { number, big_endian: false };
        Ok(Self { layout, channels, rate_hz, valid_bits, frame_bytes: bytes * channels })
    }
}

/// Format tag and valid bits of an extensible header.
fn extension(body: &[u8]) -> Option<(u16, u16)> {
    let valid = body.get(18..).and_then(|b| b.first_chunk())?;
    let tag = body.get(24..).and_then(|b| b.first_chunk())?;
    (body.get(26..40)? == GUID_TAIL.as_slice())
        .then(|| (u16::from_le_bytes(*tag), u16::from_le_bytes(*valid)))
}

/// Decodes the data chunk in blocks.
fn samples(
    source: &mut Source<'_>,
    chunks: &Chunks,
    format: &Format,
    notes: &mut Vec<String>,
) -> Result<Vec<Vec<f32>>> {
    let frame = format.frame_bytes as u64;
    let there = chunks.data.bytes.min(source.len.saturating_sub(chunks.data.at));
    let frames = there / frame;
    if frames * frame != there {
        notes.push("the last frame is incomplete and is left out".into());
    }
    let capacity = usize::try_from(frames).unwrap_or(0);
    let mut out: Vec<Vec<f32>> =
        (0..format.channels).map(|_| Vec::with_capacity(capacity)).collect();
    let mut block = vec![0; (BLOCK / format.frame_bytes).max(1) * format.frame_bytes];
    let mut left = frames * frame;
    source.seek(chunks.data.at)?;
    while left > 0 {
        let wanted = usize::try_from(left).unwrap_or(usize::MAX).min(block.len());
        let Some(part) = block.get_mut(..wanted) else { break };
        let got = source.fill(part)?;
        format.layout.deinterleave(part.get(..got).unwrap_or_default(), &mut out);
        if got < wanted {
            notes.push("the file became shorter while it was read".into());
            break;
        }
        left -= wanted as u64;
        source.step(chunks.data.at + frames * frame - left)?;
    }
    Ok(out)
}

/// How samples of fewer bits than their container fill its upper bits, where they sit at its low end.
enum Filling {
    Sign,
    Zeros,
}

/// How samples are justified at the low end of their container; `None` where they are not: some bit
/// below the valid ones must be set, and no sample may exceed them.
fn low_filling(channels: &[Vec<f32>], format: &Format) -> Option<Filling> {
    let limit = low_limit(format);
    let step = 0.5_f32.powi(i32::from(format.valid_bits) - 1);
    let mut below = false;
    let (mut least, mut most) = (0.0_f32, 0.0_f32);
    for &x in channels.iter().flatten() {
        (least, most) = (least.min(x), most.max(x));
        if least < -limit || most >= 2.0 * limit {
            return None;
        }
        below |= x % step != 0.0;
    }
    match (below, least, most) {
        (false, ..) => None,
        (true, _, most) if most < limit => Some(Filling::Sign),
        (true, 0.0, _) => Some(Filling::Zeros),
        _ => None,
    }
}

/// Full scale of samples at the low end, as a fraction of the container's.
fn low_limit(format: &Format) -> f32 {
    0.5_f32.powi(i32::from(format.container_bits() - format.valid_bits))
}

fn raise(channels: &mut [Vec<f32>], format: &Format, filling: &Filling) {
    let limit = low_limit(format);
    for x in channels.iter_mut().flatten() {
        if matches!(filling, Filling::Zeros) && *x >= limit {
            *x -= 2.0 * limit;
        }
        *x /= limit;
    }
}
