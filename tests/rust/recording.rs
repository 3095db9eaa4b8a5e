//! Reading recordings: WAV here; tables, refusals, roles and specs in files of their own.

mod refusals;
mod specs;
mod tables;

use std::io::Cursor;
use std::path::PathBuf;

use hound::{SampleFormat, WavSpec, WavWriter};
use quietspin::Result;
use quietspin::progress::Silent;
use quietspin::recording::read::{ReadOptions, read, read_with};
use quietspin::recording::{Channel, Recording};

use crate::data;

/// A folder for the files of one test.
struct Folder(tempfile::TempDir);

impl Folder {
    fn new() -> Self {
        Self(tempfile::tempdir().expect("a folder"))
    }

    fn put(&self, name: &str, bytes: &[u8]) -> PathBuf {
        let path = self.0.path().join(name);
        std::fs::write(&path, bytes).expect("written");
        path
    }

    fn read(&self, bytes: &[u8]) -> Result<Recording> {
        read(&self.put("r", bytes), &mut Silent)
    }

    fn read_at(&self, bytes: &[u8], rate_hz: f64) -> Result<Recording> {
        read_with(&self.put("r", bytes), &ReadOptions { rate_hz: Some(rate_hz) }, &mut Silent)
    }

    /// The message of a refusal, without the folder's name.
    fn refusal(&self, bytes: &[u8], rate_hz: Option<f64>) -> String {
        let path = self.put("r", bytes);
        let outcome = read_with(&path, &ReadOptions { rate_hz }, &mut Silent);
        let error = outcome.map(|r| r.notes).expect_err("refused").to_string();
        error.replace(&path.display().to_string(), "r")
    }
}

/// Notes other than guesses of roles.
fn repairs(recording: &Recording) -> Vec<&str> {
    let notes = recording.notes.iter().map(String::as_str);
    notes.filter(|note| !note.contains(" is taken for ")).collect()
}

fn values(recording: &Recording) -> Vec<&[f32]> {
    recording.channels.iter().map(Channel::values).collect()
}

fn chunk(id: &[u8; 4], body: &[u8]) -> Vec<u8> {
    let mut bytes = id.to_vec();
    bytes.extend((body.len() as u32).to_le_bytes());
    bytes.extend(body);
    if body.len() % 2 == 1 {
        bytes.push(0);
    }
    bytes
}

fn riff(chunks: &[Vec<u8>]) -> Vec<u8> {
    let body = chunks.concat();
    let mut bytes = b"RIFF".to_vec();
    bytes.extend((body.len() as u32 + 4).to_le_bytes());
    bytes.extend(b"WAVE");
    bytes.extend(body);
    bytes
}

fn format_body(tag: u16, channels: u16, rate: u32, bits: u16, align: u16) -> Vec<u8> {
    let mut body = Vec::new();
    body.extend(tag.to_le_bytes());
    body.extend(channels.to_le_bytes());
    body.extend(rate.to_le_bytes());
    body.extend((rate * u32::from(align)).to_le_bytes());
    body.extend(align.to_le_bytes());
    body.extend(bits.to_le_bytes());
    body
}

fn plain(tag: u16, channels: u16, bits: u16) -> Vec<u8> {
    chunk(b"fmt ", &format_body(tag, channels, 51_200, bits, channels * bits / 8))
}

fn extensible(tag: u16, channels: u16, bits: u16, valid: u16) -> Vec<u8> {
    let mut body = format_body(0xfffe, channels, 51_200, bits, channels * bits / 8);
    body.extend(22_u16.to_le_bytes());
    body.extend(valid.to_le_bytes());
    body.extend(3_u32.to_le_bytes());
    body.extend(tag.to_le_bytes());
    body.extend([0, 0, 0, 0, 0x10, 0, 0x80, 0, 0, 0xaa, 0, 0x38, 0x9b, 0x71]);
    chunk(b"fmt ", &body)
}

fn i16_bytes(samples: &[i16]) -> Vec<u8> {
    samples.iter().flat_map(|x| x.to_le_bytes()).collect()
}

fn f32_bytes(samples: &[f32]) -> Vec<u8> {
    samples.iter().flat_map(|x| x.to_le_bytes()).collect()
}

/// A small good file: two channels of 16 bits.
fn good() -> Vec<u8> {
    riff(&[plain(1, 2, 16), chunk(b"data", &i16_bytes(&[1, -1, 2, -2, 3, -3, 4, -4]))])
}

const RAMP: [f32; 4] = [1.0 / 32768.0, 2.0 / 32768.0, 3.0 / 32768.0, 4.0 / 32768.0];

/// A file written by hound, and its samples as hound reads them back, as fractions of full scale.
fn by_hound(spec: WavSpec) -> (Vec<u8>, Vec<f32>) {
    let frames = 70_001_usize; // more than a block
    let mut file = Cursor::new(Vec::new());
    let mut writer = WavWriter::new(&mut file, spec).expect("a writer");
    let full = 2.0_f64.powi(i32::from(spec.bits_per_sample) - 1);
    for i in 0..frames * usize::from(spec.channels) {
        let x = (i as f64 * 0.618_033_988_75).fract() * 2.0 - 1.0;
        match spec.sample_format {
            SampleFormat::Float => writer.write_sample(40.0 * x as f32).expect("written"),
            SampleFormat::Int => writer.write_sample((x * full) as i32).expect("written"),
        }
    }
    writer.finalize().expect("finished");
    let bytes = file.into_inner();
    let mut reader = hound::WavReader::new(Cursor::new(&bytes)).expect("a reader");
    let samples = match spec.sample_format {
        SampleFormat::Float => reader.samples::<f32>().map(|x| x.expect("a sample")).collect(),
        SampleFormat::Int => {
            let ints = reader.samples::<i32>().map(|x| x.expect("a sample"));
            ints.map(|x| (f64::from(x) / full) as f32).collect()
        }
    };
    (bytes, samples)
}

#[test]
fn wav_of_every_depth_equals_the_control() {
    let folder = Folder::new();
    let depths = [
        (8, SampleFormat::Int),
        (16, SampleFormat::Int),
        (24, SampleFormat::Int),
        (32, SampleFormat::Int),
        (32, SampleFormat::Float),
    ];
    for (bits_per_sample, sample_format) in depths {
        for channels in [1, 2, 3, 7] {
            let sample_rate = 48_828;
            let spec = WavSpec { channels, sample_rate, bits_per_sample, sample_format };
            let (bytes, control) = by_hound(spec);
            let recording = folder.read(&bytes).expect("a good file");
            assert_eq!(recording.channels.len(), usize::from(channels), "{spec:?}");
            assert!(repairs(&recording).is_empty(), "{spec:?}: {:?}", recording.notes);
            for (i, channel) in recording.channels.iter().enumerate() {
                let wanted = control.iter().skip(i).step_by(usize::from(channels));
                assert!(channel.values().iter().eq(wanted), "{spec:?}, channel {i}");
                assert_eq!((channel.rate_hz, channel.start_s), (48_828.0, 0.0));
                let is_int = sample_format == SampleFormat::Int;
                let step = 0.5_f64.powi(i32::from(bits_per_sample) - 1);
                assert_eq!(channel.full_scale, is_int.then_some(1.0));
                assert_eq!(channel.least_step, is_int.then_some(step));
            }
        }
    }
}

#[test]
fn wav_of_24_bits_at_the_low_end_of_32_equals_the_control() {
    let spec = hound::WavSpecEx {
        spec: WavSpec {
            channels: 2,
            sample_rate: 48_000,
            bits_per_sample: 24,
            sample_format: SampleFormat::Int,
        },
        bytes_per_sample: 4,
    };
    let mut file = Cursor::new(Vec::new());
    let mut writer = WavWriter::new_with_spec_ex(&mut file, spec).expect("a writer");
    let samples = [1, -1, 8_388_607, -8_388_608, 5, 6];
    samples.iter().for_each(|&x: &i32| writer.write_sample(x).expect("written"));
    writer.finalize().expect("finished");
    let recording = Folder::new().read(&file.into_inner()).expect("a good file");
    let wanted = |x: i32| x as f32 / 8_388_608.0;
    assert_eq!(
        values(&recording),
        [[1, 8_388_607, 5].map(wanted), [-1, -8_388_608, 6].map(wanted)]
    );
    assert_eq!(
        repairs(&recording),
        ["samples of 24 bits sit at the low end of 32 bits; full scale is that of 24 bits"]
    );
}

#[test]
fn wav_variants_by_hand() {
    let folder = Folder::new();
    let data = || chunk(b"data", &i16_bytes(&[1, 2, 3, 4]));
    let doubles: Vec<u8> = RAMP.iter().flat_map(|x| f64::from(*x).to_le_bytes()).collect();
    // 12 valid bits at the high end of 16
    let high: Vec<u8> = i16_bytes(&[16, -16, 0x7ff0, -0x8000]);
    let low: Vec<u8> = i16_bytes(&[1, -1, 0x7ff, -0x800]);
    let twelve = [1.0 / 2048.0, -1.0 / 2048.0, 2047.0 / 2048.0, -1.0];
    let justified =
        &["samples of 12 bits sit at the low end of 16 bits; full scale is that of 12 bits"];
    let mut unpadded = plain(1, 1, 16);
    unpadded.extend(b"junk\x03\x00\x00\x00abc");
    let zero_align = chunk(b"fmt ", &format_body(1, 1, 51_200, 16, 0));
    /// Name, bytes, samples, notes.
    type Case<'a> = (&'a str, Vec<u8>, [f32; 4], &'a [&'a str]);
    let cases: Vec<Case<'_>> = vec![
        ("plain", riff(&[plain(1, 1, 16), data()]), RAMP, &[]),
        ("extensible", riff(&[extensible(1, 1, 16, 16), data()]), RAMP, &[]),
        ("0 valid bits", riff(&[extensible(1, 1, 16, 0), data()]), RAMP, &[]),
        (
            "extensible float",
            riff(&[extensible(3, 1, 32, 32), chunk(b"data", &f32_bytes(&RAMP))]),
            RAMP,
            &[],
        ),
        (
            "quiet floats of 24 valid bits",
            riff(&[extensible(3, 1, 32, 24), chunk(b"data", &f32_bytes(&RAMP))]),
            RAMP,
            &[],
        ),
        ("doubles", riff(&[plain(3, 1, 64), chunk(b"data", &doubles)]), RAMP, &[]),
        ("high end", riff(&[extensible(1, 1, 16, 12), chunk(b"data", &high)]), twelve, &[]),
        ("low end", riff(&[extensible(1, 1, 16, 12), chunk(b"data", &low)]), twelve, justified),
        (
            "junk of odd size first",
            riff(&[chunk(b"JUNK", b"abc"), plain(1, 1, 16), data()]),
            RAMP,
            &[],
        ),
        ("format last", riff(&[data(), chunk(b"LIST", b"INFOx"), plain(1, 1, 16)]), RAMP, &[]),
        ("odd chunk, not padded", riff(&[unpadded, data()]), RAMP, &[]),
        ("frame size 0", riff(&[zero_align, data()]), RAMP, &[]),
        ("second data chunk", riff(&[plain(1, 1, 16), data(), chunk(b"data", &[9, 9])]), RAMP, &[]),
        (
            "bytes of no chunk after the samples",
            [riff(&[plain(1, 1, 16), data()]), vec![0; 9]].concat(),
            RAMP,
            &["the last 9 bytes of the file belong to no chunk and are left out"],
        ),
    ];
    for (name, bytes, wanted, notes) in cases {
        let recording = folder.read(&bytes).unwrap_or_else(|e| panic!("{name}: {e}"));
        assert_eq!(values(&recording), [wanted], "{name}");
        assert_eq!(repairs(&recording), notes, "{name}");
    }
}

#[test]
fn wav_with_an_unfinished_header() {
    let folder = Folder::new();
    let with_size = |size: u32, tail: &[u8]| {
        let mut data = b"data".to_vec();
        data.extend(size.to_le_bytes());
        data.extend(i16_bytes(&[1, 2, 3, 4]));
        data.extend(tail);
        riff(&[plain(1, 1, 16), data])
    };
    let unfinished = |states: &str, there: usize| {
        format!(
            "the header was left unfinished: it states {states} bytes of samples and the file holds {there}; what is there is used"
        )
    };
    let slip = riff(&[plain(1, 1, 16), {
        let mut data = b"data".to_vec();
        data.extend(8036_u32.to_le_bytes());
        data.extend(vec![0; 8034]);
        data
    }]);
    let slip = folder.read(&slip).expect("what is there");
    assert_eq!(slip.held, None, "a header that counts itself in is no copy cut short");
    assert!(repairs(&slip)[0].starts_with("the header is a little wrong"));
    let cut = folder.read(&with_size(16, &[])).expect("what is there");
    assert_eq!((values(&cut), cut.held), (vec![&RAMP[..]], Some(0.5)));
    let told = "the file is cut short: its header states 16 bytes of samples and the file holds 8; what is there is used";
    assert_eq!(repairs(&cut), [told]);
    // 3 GB are a size that a file may have
    let long = folder.read(&with_size(3_000_000_000, &[])).expect("what is there");
    assert!(repairs(&long)[0].starts_with("the file is cut short") && long.held.is_some());
    for (size, states) in [(0, "0"), (u32::MAX, "an unknown number"), (0x7fff_ffff, "2147483647")] {
        let recording = folder.read(&with_size(size, &[])).expect("what is there");
        assert_eq!((values(&recording), recording.held), (vec![&RAMP[..]], None), "{size}");
        assert_eq!(repairs(&recording), [unfinished(states, 8)]);
    }
    let torn = folder.read(&with_size(0, &[7])).expect("what is there");
    assert_eq!(values(&torn), [RAMP]);
    let incomplete = "the last frame is incomplete and is left out".to_owned();
    assert_eq!(repairs(&torn), [unfinished("0", 9), incomplete]);
}

#[test]
fn rf64_takes_its_size_from_ds64() {
    let folder = Folder::new();
    let with = |start: &[u8; 4], data_bytes: u64, field: u32| {
        let mut ds64 = Vec::new();
        ds64.extend(0_u64.to_le_bytes());
        ds64.extend(data_bytes.to_le_bytes());
        ds64.extend(4_u64.to_le_bytes());
        ds64.extend(0_u32.to_le_bytes());
        let mut data = chunk(b"data", &i16_bytes(&[1, 2, 3, 4]));
        data[4..8].copy_from_slice(&field.to_le_bytes());
        let mut bytes =
            riff(&[chunk(b"ds64", &ds64), plain(1, 1, 16), data, chunk(b"LIST", b"INFO")]);
        bytes[..4].copy_from_slice(start);
        bytes[4..8].copy_from_slice(&u32::MAX.to_le_bytes());
        bytes
    };
    for start in [b"RF64", b"BW64"] {
        let recording = folder.read(&with(start, 8, u32::MAX)).expect("a good file");
        assert_eq!(values(&recording), [RAMP]);
        assert!(repairs(&recording).is_empty(), "{:?}", recording.notes);
    }
    // a header that promises 8 EiB: what is there is used, the trailing chunk with it
    let recording = folder.read(&with(b"RF64", u64::MAX / 2, u32::MAX)).expect("what is there");
    assert_eq!(recording.channels[0].len(), 10);
    assert!(repairs(&recording)[0].starts_with("the header was left unfinished"));
    assert_eq!(recording.held, None);
}

#[test]
fn samples_that_are_no_numbers_repeat_the_one_before() {
    let samples = f32_bytes(&[f32::NAN, 1.0, 2.0, f32::INFINITY, f32::NAN, 3.0]);
    let recording =
        Folder::new().read(&riff(&[plain(3, 1, 32), chunk(b"data", &samples)])).expect("repaired");
    assert_eq!(values(&recording), [[1.0, 1.0, 2.0, 2.0, 2.0, 3.0]]);
    assert_eq!(recording.channels[0].replaced, 3);
    assert_eq!(
        repairs(&recording),
        ["3 samples of ch1 are not numbers (first at 0.0000 s); each repeats the one before"]
    );
}

#[test]
fn name_hash_and_stated_rate_of_a_file() {
    let folder = Folder::new();
    let path = folder.put("run 7.wav", &good());
    let recording = read(&path, &mut Silent).expect("a good file");
    assert_eq!(recording.name, "run 7.wav");
    assert_eq!(recording.path.as_deref(), Some(path.as_path()));
    assert_eq!(recording.sha256.map(|hash| hash.len()), Some(64));
    // by sha256sum of the GNU coreutils
    let table = folder.read(b"time,a\n0,1\n1,2\n").expect("a good file");
    assert_eq!(
        table.sha256.as_deref(),
        Some("43919537ad7878e90c1c91447e733a238ad31280aaedf3ff0228c163646b7bd1")
    );
    let overruled = folder.read_at(&good(), 48_000.0).expect("a good file");
    assert_eq!(overruled.channels[0].rate_hz, 48_000.0);
    assert_eq!(
        repairs(&overruled),
        ["the file states a sampling rate of 51200 Hz; the stated 48000 Hz is used"]
    );
    let unrated = riff(&[chunk(b"fmt ", &format_body(1, 1, 0, 16, 2)), chunk(b"data", &[1, 0])]);
    assert_eq!(folder.read_at(&unrated, 1000.0).expect("rated").channels[0].rate_hz, 1000.0);
}
