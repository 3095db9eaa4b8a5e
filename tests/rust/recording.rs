//! Reading recordings: every format, every repair and its note, every refusal and its words.

use std::collections::BTreeMap;
use std::io::{Cursor, Write};
use std::path::{Path, PathBuf};

use hound::{SampleFormat, WavSpec, WavWriter};
use ndarray::{Array1, Array2, ShapeBuilder, arr0, array};
use ndarray_npy::{NpzWriter, WriteNpyExt};
use proptest::prelude::*;
use quietspin::progress::{Progress, Silent};
use quietspin::recording::read::{ReadOptions, read, read_with};
use quietspin::recording::spec::apply_specs;
use quietspin::recording::{Channel, ChannelSpec, Recording, Role};
use quietspin::units::Unit;
use quietspin::{Error, Result};

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

// ---- WAV: bytes by hand -------------------------------------------------------------------------

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

// ---- WAV: hound as writer and control -----------------------------------------------------------

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
    let cases: Vec<(&str, Vec<u8>, [f32; 4], &[&str])> = vec![
        ("plain", riff(&[plain(1, 1, 16), data()]), RAMP, &[]),
        ("extensible", riff(&[extensible(1, 1, 16, 16), data()]), RAMP, &[]),
        ("0 valid bits", riff(&[extensible(1, 1, 16, 0), data()]), RAMP, &[]),
        (
            "extensible float",
            riff(&[extensible(3, 1, 32, 32), chunk(b"data", &f32_bytes(&RAMP))]),
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
    for (size, states) in [(0, "0"), (u32::MAX, "an unknown number"), (4_000_000_000, "4000000000")]
    {
        let recording = folder.read(&with_size(size, &[])).expect("what is there");
        assert_eq!(values(&recording), [RAMP], "{size}");
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

// ---- CSV ----------------------------------------------------------------------------------------

#[test]
fn csv_as_people_write_it() {
    let folder = Folder::new();
    let cases: &[(&str, &str)] = &[
        ("comma", "time,front [g],rear\n0,1,-1\n0.001,2,-2\n0.002,3,-3\n"),
        ("semicolon", "t;front [g];rear\n0;1;-1\n0.001;2;-2\n0.002;3;-3\n"),
        ("tab, milliseconds", "ms\tfront [g]\trear\n0\t1\t-1\n1\t2\t-2\n2\t3\t-3\n"),
        ("decimal comma", "t;front [g];rear\n0,000;1,0;-1,0\n0,001;2,0;-2,0\n0,002;3,0;-3,0\n"),
        ("units in brackets", "Time (ms),front (g),rear\n0,1,-1\n1,2,-2\n2,3,-3\n"),
        ("units below", "time,front,rear\nms,g,\n0,1,-1\n1,2,-2\n2,3,-3\n"),
        ("windows", "\u{feff}time,front [g],rear\r\n0,1,-1\r\n0.001,2,-2\r\n0.002,3,-3\r\n"),
        ("trailing delimiter", "time,front [g],rear,\n0,1,-1,\n0.001,2,-2,\n0.002,3,-3,\n"),
        ("quotes and spaces", "\"time\", \"front [g]\" ,rear\n0, 1,-1\n1e-3,2 ,-2\n2e-3,3,-3"),
        ("comments", "# invented\ntime,front [g],rear\n0,1,-1\n# a note\n0.001,2,-2\n0.002,3,-3\n"),
        ("time in the middle", "front [g],time,rear\n1,0,-1\n2,0.001,-2\n3,0.002,-3\n"),
    ];
    for (name, text) in cases {
        let recording = folder.read(text.as_bytes()).unwrap_or_else(|e| panic!("{name}: {e}"));
        assert_eq!(values(&recording), [[1.0, 2.0, 3.0], [-1.0, -2.0, -3.0]], "{name}");
        let names: Vec<&str> = recording.channels.iter().map(Channel::name).collect();
        assert_eq!(names, ["front", "rear"], "{name}");
        assert_eq!(recording.channels[0].spec.unit, Some(Unit::G), "{name}");
        assert_eq!(recording.channels[1].spec.unit, None, "{name}");
        assert!((recording.channels[0].rate_hz - 1000.0).abs() < 1e-6, "{name}");
        assert_eq!(recording.channels[0].full_scale, None, "{name}");
        assert!(repairs(&recording).is_empty(), "{name}: {:?}", recording.notes);
    }
}

#[test]
fn csv_without_names_or_times() {
    let folder = Folder::new();
    let ramp = folder.read(b"5.0,1\n5.5,2\n6.0,3\n6.5,2\n").expect("times by their even ramp");
    assert_eq!(values(&ramp), [[1.0, 2.0, 3.0, 2.0]]);
    assert_eq!((ramp.channels[0].rate_hz, ramp.channels[0].start_s), (2.0, 5.0));
    let bare = folder.read_at(b"1\n2\n3\n", 25_600.0).expect("one column");
    assert_eq!(values(&bare), [[1.0, 2.0, 3.0]]);
    let counted = folder.read_at(b"0,7\n1,8\n2,7\n", 100.0).expect("a count of samples");
    assert_eq!(values(&counted), [[7.0, 8.0, 7.0]]);
    assert_eq!(repairs(&counted), ["column 1 counts samples and is left out"]);
    let twice = folder.read_at(b"a,a\n4,7\n4,8\n", 100.0).expect("two of a name");
    assert_eq!(twice.channels[1].name(), "a (2)");
    let latin = folder.read_at(b"weg [\xb5m],b\n4,7\n4,8\n", 100.0).expect("Latin-1");
    assert_eq!(latin.channels[0].spec.unit, Some(Unit::Micrometer));
    // a speed that rises evenly is no time
    let speed = folder.read_at(b"speed [rpm],a\n10,7\n20,8\n30,9\n", 100.0).expect("two channels");
    assert_eq!(speed.channels.len(), 2);
}

#[test]
fn csv_repairs_are_told() {
    let folder = Folder::new();
    let torn = folder.read(b"time,a\n0,1\n0.5,2\n1.0,3\n1.5").expect("a torn last line");
    assert_eq!(values(&torn), [[1.0, 2.0, 3.0]]);
    assert_eq!(repairs(&torn), ["the last line is incomplete and is left out"]);
    let uneven =
        folder.read_at(b"time,a\n0,1\n0.5,2\n1.0,2\n3.5,3\n", 2.0).expect("the stated rate");
    assert_eq!(uneven.channels[0].rate_hz, 2.0);
    assert_eq!(
        repairs(&uneven),
        [
            "the time column is not used (times are uneven: a step of 2.500e0 s among steps of 5.000e-1 s); the stated rate is"
        ]
    );
    let nan = folder.read(b"time,a\n0,1\n0.5,nan\n1.0,3\n").expect("one repaired");
    assert_eq!((values(&nan)[0], nan.channels[0].replaced), (&[1.0, 1.0, 3.0][..], 1));
}

// ---- NPY and NPZ --------------------------------------------------------------------------------

fn npy(array: &impl WriteNpyExt) -> Vec<u8> {
    let mut bytes = Vec::new();
    array.write_npy(&mut bytes).expect("written");
    bytes
}

#[test]
fn npy_of_every_shape_and_type() {
    let folder = Folder::new();
    let one = Array1::from(vec![1.0_f64, 2.0, 3.0]);
    assert_eq!(values(&folder.read_at(&npy(&one), 10.0).expect("1-D")), [[1.0, 2.0, 3.0]]);
    let rows = array![[1.0_f32, -1.0], [2.0, -2.0], [3.0, -3.0]];
    let mut fortran = Array2::zeros((3, 2).f());
    fortran.assign(&rows);
    let across = rows.t().as_standard_layout().to_owned();
    for (name, bytes) in [
        ("samples x channels", npy(&rows)),
        ("column-major", npy(&fortran)),
        ("channels x samples", npy(&across)),
        ("transposed view", npy(&rows.t())),
    ] {
        let recording = folder.read_at(&bytes, 51_200.0).unwrap_or_else(|e| panic!("{name}: {e}"));
        assert_eq!(values(&recording), [[1.0, 2.0, 3.0], [-1.0, -2.0, -3.0]], "{name}");
        assert_eq!(recording.channels[0].full_scale, None, "{name}");
    }
    let short = folder.read_at(&npy(&array![i16::MIN, 1]), 10.0).expect("int16");
    assert_eq!(values(&short), [[-1.0, 1.0 / 32768.0]]);
    assert_eq!(short.channels[0].least_step, Some(1.0 / 32768.0));
    let long = folder.read_at(&npy(&array![i32::MIN, 0]), 10.0).expect("int32");
    assert_eq!((values(&long)[0], long.channels[0].full_scale), (&[-1.0, 0.0][..], Some(1.0)));
    let mut big = npy(&array![1.5_f64, -2.0]);
    let at = big.windows(3).position(|w| w == b"<f8").expect("a descriptor");
    big[at] = b'>';
    let data = big.len() - 16;
    big[data..data + 8].reverse();
    big[data + 8..].reverse();
    assert_eq!(values(&folder.read_at(&big, 10.0).expect("big-endian")), [[1.5, -2.0]]);
}

fn npz(
    options: zip::write::SimpleFileOptions,
    add: impl FnOnce(&mut NpzWriter<Cursor<Vec<u8>>>),
) -> Vec<u8> {
    let mut writer = NpzWriter::new_with_options(Cursor::new(Vec::new()), options);
    add(&mut writer);
    writer.finish().expect("finished").into_inner()
}

fn stored() -> zip::write::SimpleFileOptions {
    zip::write::SimpleFileOptions::default().compression_method(zip::CompressionMethod::Stored)
}

#[test]
fn npz_arrays_are_channels_by_name() {
    let folder = Folder::new();
    let deflated = stored().compression_method(zip::CompressionMethod::Deflated);
    for options in [stored(), deflated] {
        let bytes = npz(options, |w| {
            w.add_array("front [g]", &array![1.0_f32, 2.0, 3.0]).expect("added");
            w.add_array("xy", &array![[1.0_f64, 4.0], [2.0, 5.0], [3.0, 6.0]]).expect("added");
            w.add_array("fs", &arr0(51_200_i64)).expect("added");
            w.add_array("load", &arr0(3.0)).expect("added");
        });
        let recording = folder.read(&bytes).expect("a good archive");
        let names: Vec<&str> = recording.channels.iter().map(Channel::name).collect();
        assert_eq!(names, ["front", "xy 1", "xy 2"]);
        assert_eq!(values(&recording), [[1.0, 2.0, 3.0], [1.0, 2.0, 3.0], [4.0, 5.0, 6.0]]);
        assert_eq!(recording.channels[0].spec.unit, Some(Unit::G));
        assert_eq!(recording.channels[0].rate_hz, 51_200.0);
        assert_eq!(repairs(&recording), ["array \"load\" holds no samples and is left out"]);
    }
    let timed = npz(stored(), |w| {
        w.add_array("time", &array![1.0, 1.25, 1.5]).expect("added");
        w.add_array("a", &array![1_i16, 2, 3]).expect("added");
    });
    let recording = folder.read(&timed).expect("a rate by times");
    assert_eq!((recording.channels[0].rate_hz, recording.channels[0].start_s), (4.0, 1.0));
    for rate in [npz_rate(&arr0(8.0_f32)), npz_rate(&array![8_u16]), npz_rate(&arr0(8_i32))] {
        assert_eq!(folder.read(&rate).expect("a rate of any type").channels[0].rate_hz, 8.0);
    }
}

fn npz_rate(rate: &impl WriteNpyExt) -> Vec<u8> {
    npz(stored(), |w| {
        w.add_array("a", &array![1.0, 2.0]).expect("added");
        w.add_array("rate_hz", rate).expect("added");
    })
}

// ---- Refusals -----------------------------------------------------------------------------------

fn npy_header(text: &str) -> Vec<u8> {
    let mut bytes = b"\x93NUMPY\x01\x00".to_vec();
    bytes.extend((text.len() as u16 + 1).to_le_bytes());
    bytes.extend(text.as_bytes());
    bytes.push(b'\n');
    bytes
}

fn stored_in_tag(tag: u16) -> Vec<u8> {
    riff(&[plain(tag, 1, 8), chunk(b"data", &[1, 2])])
}

#[test]
fn what_cannot_be_read_is_refused_in_these_words() {
    let data = || chunk(b"data", &[1, 0]);
    let format = |body: &[u8]| riff(&[chunk(b"fmt ", body), data()]);
    let mut maker = extensible(1, 1, 16, 16);
    let last = maker.len() - 1;
    maker[last] = 0;
    let cut = &npy(&array![1.0, 2.0])[..130];
    let mut damaged = npz(stored(), |w| w.add_array("a", &array![1.0, 2.0]).expect("added"));
    let flipped = damaged.windows(8).position(|w| w == 2_f64.to_le_bytes()).expect("the sample");
    damaged[flipped] ^= 1;
    let lengths = npz(stored(), |w| {
        w.add_array("a", &array![1.0, 2.0]).expect("added");
        w.add_array("b", &array![1.0]).expect("added");
        w.add_array("fs", &arr0(5.0)).expect("added");
    });
    let deep = format!("{{'descr': {}{}}}", "(".repeat(5000), ")".repeat(4000));
    let pcm = "export the recording as PCM or float WAV";
    let cases: Vec<(Vec<u8>, Option<f64>, String)> = vec![
        (vec![], None, "r: the file is empty; record again or copy it again".into()),
        (b"fLaC....".to_vec(), None, "r, byte 0: this is a FLAC file; export it as WAV, CSV in UTF-8, NPY or NPZ".into()),
        (b"\0\0\0\x18ftypM4A ".to_vec(), None, "r, byte 0: this is an MP4 or M4A file; export it as WAV, CSV in UTF-8, NPY or NPZ".into()),
        (b"\xff\xfet\0i\0".to_vec(), None, "r, byte 0: this is text in UTF-16; export it as WAV, CSV in UTF-8, NPY or NPZ".into()),
        (b"\x01\x02\x03".to_vec(), None, "r, byte 0: this is neither WAV, CSV, NPY nor NPZ; export the recording as one of these".into()),
        (good(), Some(-1.0), "rate_hz: the sampling rate is stated as -1 Hz; state a positive rate".into()),
        (good(), Some(f64::NAN), "rate_hz: the sampling rate is stated as NaN Hz; state a positive rate".into()),
        // WAV
        (b"RIFF".to_vec(), None, "r, byte 8: this is a RIFF file, but not a WAVE file; export the recording as WAV".into()),
        (b"RIFF\0\0\0\0AVI LIST".to_vec(), None, "r, byte 8: this is a RIFF file, but not a WAVE file; export the recording as WAV".into()),
        (riff(&[]), None, "r: there is no 'fmt ' chunk to describe the samples; export it again".into()),
        (riff(&[data()]), None, "r: there is no 'fmt ' chunk to describe the samples; export it again".into()),
        (riff(&[plain(1, 1, 16)]), None, "r: there is no 'data' chunk with samples; record or export it again".into()),
        (riff(&[plain(1, 1, 16), chunk(b"data", &[])]), None, "r: the file holds no samples; record again".into()),
        (riff(&[plain(1, 1, 16), chunk(b"data", &[]), chunk(b"LIST", b"INFO")]), None, "r: the file holds no samples; record again".into()),
        (riff(&[plain(1, 1, 16), chunk(b"data", &[5])]), None, "r: the file holds no samples; record again".into()),
        (format(&[1, 0, 1]), None, format!("r, chunk 'fmt ': it has 3 bytes and needs 16; {pcm}")),
        (format(&format_body(1, 0, 1000, 16, 2)), None, format!("r, chunk 'fmt ': it states 0 channels; 1 to 4096 can be read; {pcm}")),
        (format(&format_body(1, 65_535, 1000, 8, 65_535)), None, format!("r, chunk 'fmt ': it states 65535 channels; 1 to 4096 can be read; {pcm}")),
        (format(&format_body(1, 1, 0, 16, 2)), None, "r, chunk 'fmt ': the sampling rate is 0 Hz; state the rate (option rate_hz)".into()),
        (format(&format_body(1, 2, 1000, 16, 3)), None, format!("r, chunk 'fmt ': 3 bytes a frame cannot be shared by 2 channels; {pcm}")),
        (format(&format_body(1, 1, 1000, 40, 5)), None, format!("r, chunk 'fmt ': PCM samples of 5 bytes cannot be read; {pcm}")),
        (format(&format_body(3, 1, 1000, 16, 2)), None, format!("r, chunk 'fmt ': float samples of 2 bytes cannot be read; {pcm}")),
        (format(&format_body(1, 1, 1000, 24, 2)), None, format!("r, chunk 'fmt ': 24 bits do not fit in 2 bytes; {pcm}")),
        (format(&format_body(1, 1, 1000, 0, 2)), None, format!("r, chunk 'fmt ': 0 bits do not fit in 2 bytes; {pcm}")),
        (stored_in_tag(6), None, format!("r, chunk 'fmt ': the samples are stored as A-law; {pcm}")),
        (stored_in_tag(7), None, format!("r, chunk 'fmt ': the samples are stored as mu-law; {pcm}")),
        (stored_in_tag(0x11), None, format!("r, chunk 'fmt ': the samples are stored as IMA ADPCM; {pcm}")),
        (stored_in_tag(0x1234), None, format!("r, chunk 'fmt ': the samples are stored in format 0x1234; {pcm}")),
        (riff(&[maker, data()]), None, format!("r, chunk 'fmt ': the samples are in a format of some maker; {pcm}")),
        (riff(&[plain(3, 1, 32), chunk(b"data", &f32_bytes(&[f32::NAN; 3]))]), None, "r, channel ch1: no sample is a number; export the recording again".into()),
        // CSV
        (b"hello".to_vec(), None, "r: there is no line of numbers; export it again".into()),
        (b"1\n2\n".to_vec(), None, "r: there is no time column; add one, or state the rate (option rate_hz)".into()),
        (b"a,b\n1,2\n7,3\n".to_vec(), None, "r: there is no time column; add one, or state the rate (option rate_hz)".into()),
        (b"time\n0\n1\n".to_vec(), Some(1.0), "r: there is a time column only; add a column of samples".into()),
        (b"time,a\n0,1\n1,2,3\n2,3\n".to_vec(), None, "r, line 3: it has 3 columns, and the first line of numbers has 2; give every line the same columns".into()),
        (b"time,a\n0,1\n1\n".to_vec(), None, "r, line 3: it has 1 column, and the first line of numbers has 2; give every line the same columns".into()),
        (b"time,a\n0,1\n1,x7\n2,3\n".to_vec(), None, "r, line 3, column 2 (a): \"x7\" is not a number; write plain numbers, and times in seconds".into()),
        (b"0,1\n1,\n2,3\n".to_vec(), None, "r, line 2, column 2: the cell is empty; fill it or remove the line".into()),
        (b"time,a\n0,1\n1,2\n2,3\n9,4\n".to_vec(), None, "r, line 5, column 1: times are uneven: a step of 7.000e0 s among steps of 1.000e0 s; record at an even rate, or state the rate (option rate_hz)".into()),
        (b"time,a\n3,1\n2,2\n1,3\n".to_vec(), None, "r, line 3, column 1: times do not rise; record at an even rate, or state the rate (option rate_hz)".into()),
        (b"time,a\n3,1\n".to_vec(), None, "r, line 2, column 1: a single time gives no sampling rate; record at an even rate, or state the rate (option rate_hz)".into()),
        (b"a\n1,2\n".to_vec(), Some(1.0), "r, line 1: the header has 1 column, and the first line of numbers has 2; give every column a name".into()),
        (b"a,b\nfast,slow\n1,2\n".to_vec(), Some(1.0), "r, line 2, column 1: \"fast\" is neither a number nor a unit; leave one line of names above the numbers".into()),
        // NPY and NPZ
        (npy(&array![1.0]), None, "r: an NPY file states no sampling rate; state it (option rate_hz), or save an NPZ file with rate_hz".into()),
        (b"\x93NUMPY".to_vec(), Some(1.0), "r: this is no NPY array; save it again with numpy.save".into()),
        (b"\x93NUMPY\x02\x00\xff\xff\xff\xff".to_vec(), Some(1.0), "r: the header has 4294967295 bytes; 10000 can be read; save it again with numpy.save".into()),
        (b"\x93NUMPY\x01\x00\x76\x00{".to_vec(), Some(1.0), "r: the header is cut off; save it again with numpy.save".into()),
        (npy_header(&deep), Some(1.0), "r: the header describes no plain array of numbers; save it again with numpy.save".into()),
        (cut.to_vec(), Some(1.0), "r: the header promises an array of 2, and only 2 bytes follow; save it again, or copy it again".into()),
        (npy_header("{'descr': '<f4', 'fortran_order': False, 'shape': (1000000000, 4), }"), Some(1.0), "r: the header promises an array of 1000000000 x 4, and only 0 bytes follow; save it again, or copy it again".into()),
        (npy_header("{'descr': '<f4', 'fortran_order': False, 'shape': (18446744073709551615, 18446744073709551615), }"), Some(1.0), "r: the header promises an array of 18446744073709551615 x 18446744073709551615, and only 0 bytes follow; save it again, or copy it again".into()),
        (npy(&Array1::<f32>::zeros(0)), Some(1.0), "r: the file holds no samples; record again".into()),
        (npy(&arr0(1.0)), Some(1.0), "r: the array has 0 axes; save samples, or samples by channels".into()),
        (npy(&array![1_i64]), Some(1.0), "r: elements of type <i8 are no samples; save float32, float64, int16 or int32".into()),
        (npy(&array![true]), Some(1.0), "r: elements of type |b1 are no samples; save float32, float64, int16 or int32".into()),
        ([npy(&array![1.0]), vec![0]].concat(), Some(1.0), "r: the array is cut off or damaged (it is followed by more bytes than its header states); copy it again".into()),
        (npz(stored(), |w| w.add_array("a", &array![1.0]).expect("added")), None, "r: no array states the sampling rate; save rate_hz or time with the samples, or state the rate (option rate_hz)".into()),
        (npz_rate(&array![8.0, 9.0]), None, "r, array rate_hz: the rate is an array of 2; save the rate in Hz as one positive number".into()),
        (npz_rate(&arr0(0.0)), None, "r, array rate_hz: the sampling rate is 0 Hz; save the rate in Hz as one positive number".into()),
        (lengths, None, "r: the channels have 1 to 2 samples; save channels of one rate and length, others in a file of their own".into()),
        (damaged, Some(1.0), "r, array a: the array is cut off or damaged (Invalid checksum); copy it again".into()),
        (b"PK\x03\x04 and no more".to_vec(), Some(1.0), "r: the archive cannot be read (invalid Zip archive: Could not find EOCD); save it again with numpy.savez or savez_compressed".into()),
    ];
    let folder = Folder::new();
    let mut wrong = Vec::new();
    for (bytes, rate_hz, expected) in cases {
        wrong.extend(Some(folder.refusal(&bytes, rate_hz)).filter(|m| *m != expected));
    }
    assert!(wrong.is_empty(), "{wrong:#?}");
}

#[test]
fn files_that_are_not_there() {
    let folder = Folder::new();
    let missing = read(&folder.0.path().join("no.wav"), &mut Silent);
    assert!(matches!(missing, Err(Error::Io { .. })));
    let message = read(folder.0.path(), &mut Silent).map(|r| r.name).expect_err("a folder");
    assert!(message.to_string().ends_with(": this is no file; name one recording"), "{message}");
}

#[test]
fn reading_reports_and_stops() {
    struct Count(u32, bool);
    impl Progress for Count {
        fn advance(&mut self, stage: &str, done: u64, total: u64) -> bool {
            assert!(stage == "reading" && done <= total);
            self.0 += 1;
            self.1
        }
    }
    let folder = Folder::new();
    let bytes = riff(&[plain(1, 1, 16), chunk(b"data", &vec![0; 1 << 20])]);
    let path = folder.put("r", &bytes);
    let mut patient = Count(0, true);
    read(&path, &mut patient).expect("a good file");
    assert!(patient.0 >= 4, "{} reports", patient.0);
    assert!(matches!(read(&path, &mut Count(0, false)), Err(Error::Stopped)));
}

// ---- Roles --------------------------------------------------------------------------------------

fn roles(recording: &Recording) -> Vec<Role> {
    recording.channels.iter().map(|channel| channel.spec.role()).collect()
}

#[test]
fn roles_are_guessed_and_the_guess_is_stated() {
    let folder = Folder::new();
    let named = folder
        .read(b"time,front [g],oil temp,tacho,mic,speed,x\n0,1,2,3,4,5,6\n1,1,2,3,4,5,6\n")
        .expect("a good file");
    assert_eq!(
        roles(&named),
        [Role::Vibration, Role::Slow, Role::Pulse, Role::Sound, Role::Speed, Role::Vibration]
    );
    assert_eq!(
        named.notes,
        [
            "channel 1 (front) is taken for vibration: its unit says so",
            "channel 2 (oil temp) is taken for a slow value: its name says so",
            "channel 3 (tacho) is taken for the pulse: its name says so",
            "channel 4 (mic) is taken for sound: its name says so",
            "channel 5 (speed) is taken for the speed: its name says so",
            "channel 6 (x) is taken for vibration: nothing says otherwise",
        ]
    );
    let frames = (0..40_000).flat_map(|i| {
        let turn = 0.002 * f64::from(i) + 1e-7 * f64::from(i).powi(2);
        let pulse = if turn.fract() < 0.05 { 20_000 } else { -300 };
        [((std::f64::consts::TAU * turn).sin() * 9000.0) as i16, pulse]
    });
    let frames: Vec<i16> = frames.collect();
    let shaped = folder
        .read(&riff(&[plain(1, 2, 16), chunk(b"data", &i16_bytes(&frames))]))
        .expect("a good file");
    assert_eq!(roles(&shaped), [Role::Vibration, Role::Pulse]);
    assert_eq!(
        shaped.notes[1],
        "channel 2 is taken for the pulse: the signal has two levels and even gaps"
    );
    // two channels of pulses leave nothing to judge: the shape is no evidence then
    let twice: Vec<i16> = frames.chunks(2).flat_map(|frame| [frame[1], frame[1]]).collect();
    let twice = folder.read(&riff(&[plain(1, 2, 16), chunk(b"data", &i16_bytes(&twice))]));
    assert_eq!(roles(&twice.expect("a good file")), [Role::Vibration, Role::Vibration]);
}

#[test]
fn one_channel_as_a_phone_records_it_is_sound() {
    let folder = Folder::new();
    let single = |rate: u32, tag: u16, bits: u16, data: Vec<u8>| {
        riff(&[chunk(b"fmt ", &format_body(tag, 1, rate, bits, bits / 8)), chunk(b"data", &data)])
    };
    let phone = folder.read(&single(44_100, 1, 16, i16_bytes(&[5, 6, 7]))).expect("good");
    assert_eq!(roles(&phone), [Role::Sound]);
    assert_eq!(
        phone.notes,
        [
            "channel 1 is taken for sound: it is the only one, with 16 bits at a rate usual for sound"
        ]
    );
    let float = folder.read(&single(24_000, 3, 32, f32_bytes(&[0.5, -0.9]))).expect("good");
    assert_eq!(
        float.notes,
        [
            "channel 1 is taken for sound: it is the only one, within full scale at a rate usual for sound"
        ]
    );
    let beyond = folder.read(&single(24_000, 3, 32, f32_bytes(&[5.0, -9.0]))).expect("good");
    let analyser = folder.read(&single(51_200, 1, 16, i16_bytes(&[5, 6, 7]))).expect("good");
    assert_eq!((roles(&beyond), roles(&analyser)), (vec![Role::Vibration], vec![Role::Vibration]));
}

/// The open recordings hold no pulse; those of the folder `sound` are microphones.
#[test]
fn roles_of_the_open_recordings() {
    let Some(data) = std::env::var_os("QUIETSPIN_DATA") else { return };
    let mut seen = 0;
    for folder in ["cwru", "mfpt", "hit", "motor_rig", "sound"] {
        let Ok(files) = std::fs::read_dir(Path::new(&data).join(folder)) else { continue };
        for path in files.map(|file| file.expect("an entry").path()) {
            if path.extension().is_none_or(|extension| extension != "wav") {
                continue;
            }
            let recording = read(&path, &mut Silent).expect("an open recording");
            let wanted = if folder == "sound" { Role::Sound } else { Role::Vibration };
            assert!(roles(&recording).iter().all(|role| *role == wanted), "{:?}", recording.notes);
            assert!(repairs(&recording).is_empty(), "{:?}", recording.notes);
            seen += 1;
        }
    }
    assert!(seen > 60, "{seen} recordings below QUIETSPIN_DATA");
}

// ---- Specs of the machine file ------------------------------------------------------------------

fn specs(text: &str) -> BTreeMap<String, ChannelSpec> {
    let text = format!("format = 1\n{text}");
    quietspin::machine::parse::from_text(&text, Path::new("m.toml")).expect("a good file").channel
}

fn applied(bytes: &[u8], text: &str) -> Result<Recording> {
    let recording = Folder::new().read(bytes).expect("a good file");
    apply_specs(recording, &specs(text), Path::new("m.toml"))
}

#[test]
fn specs_scale_counts_to_the_unit() {
    let step = 100.0 / 32768.0;
    for (text, sign) in [
        ("unit = \"g\"\nfull_scale = 100", 1.0),
        ("unit = \"g\"\nfull_scale = 100\ninverted = true", -1.0),
        ("unit = \"g\"\nsensitivity_mv_per_unit = 50\nfull_scale_v = 5", 1.0),
        ("unit = \"g\"\nsensitivity_mv_per_unit = 50\nfull_scale_v = 5\nfull_scale = 100.5", 1.005),
    ] {
        let recording = applied(&good(), &format!("[channel.front]\n{text}")).expect("applied");
        let front = recording.channel("front").expect("renamed");
        assert_eq!(front.spec.unit(), Unit::G, "{text}");
        for (i, x) in front.values().iter().enumerate() {
            let wanted = sign * step * (i + 1) as f64;
            assert!((f64::from(*x) - wanted).abs() < 1e-7 * wanted.abs(), "{text}: {x}");
        }
        let full_scale = 100.0 * f64::abs(sign);
        assert!((front.full_scale.expect("stated") - full_scale).abs() < 1e-9, "{text}");
        assert!((front.least_step.expect("a step") - full_scale / 32768.0).abs() < 1e-12);
        assert!(front.is_calibrated());
        // the other channel keeps what was guessed
        assert_eq!(recording.channels[1].name(), "ch2");
        assert_eq!(recording.channels[1].spec.role, Some(Role::Vibration));
    }
}

#[test]
fn specs_find_their_channels() {
    let names = |recording: Recording| -> Vec<String> {
        recording.channels.iter().map(|channel| channel.name().to_owned()).collect()
    };
    let by_order = applied(&good(), "[channel.zeta]\n[channel.alpha]").expect("in file order");
    assert_eq!(names(by_order), ["zeta", "alpha"]);
    let by_number = applied(&good(), "[channel.zeta]\nnumber = 2\n[channel.alpha]").expect("mixed");
    assert_eq!(names(by_number), ["alpha", "zeta"]);
    let csv = b"time,Front [g],rear [g]\n0,1,2\n1,3,4\n";
    let by_name = applied(csv, "[channel.front]\ninverted = true").expect("whatever the case");
    assert_eq!(values(&by_name), [[-1.0, -3.0], [2.0, 4.0]]);
    assert_eq!(names(by_name), ["front", "rear"]);
}

#[test]
fn specs_change_units_and_guesses() {
    let csv = b"time,front [g],x [V]\n0,1,2\n1,3,4\n";
    let text = "[channel.front]\nunit = \"m/s2\"\n[channel.x]\nunit = \"g\"\nsensitivity_mv_per_unit = 500";
    let recording = applied(csv, text).expect("applied");
    assert_eq!(values(&recording), [[9.80665, 29.41995], [4.0, 8.0]]);
    assert_eq!(recording.channels[1].spec.unit(), Unit::G);
    let text = "[channel.tacho]\nunit = \"V\"\n[channel.front]\nunit = \"g\"";
    let guessed = applied(&good(), text).expect("applied");
    assert_eq!(roles(&guessed), [Role::Pulse, Role::Vibration]);
    let relative = "tacho holds fractions of full scale, and the machine file states V without full_scale: its levels are relative";
    assert_eq!(
        repairs(&guessed),
        [relative, &relative.replace("tacho", "front").replace(" V ", " g ")]
    );
    assert!(!guessed.channels[1].is_calibrated());
    assert!(
        guessed
            .notes
            .contains(&"channel 1 (tacho) is taken for the pulse: its name says so".to_owned())
    );
    assert!(!guessed.notes.iter().any(|note| note.starts_with("channel 1 is taken")));
    let stated = applied(&good(), "[channel.front]\nrole = \"other\"").expect("applied");
    assert_eq!(stated.notes, ["channel 2 is taken for vibration: nothing says otherwise"]);
    let floats = riff(&[plain(3, 1, 32), chunk(b"data", &f32_bytes(&[3.0, 4.0]))]);
    let floats = applied(&floats, "[channel.front]\nunit = \"g\"").expect("floats hold the unit");
    assert!(floats.channels[0].is_calibrated() && values(&floats) == [[3.0, 4.0]]);
}

#[test]
fn specs_that_do_not_fit_are_refused_in_these_words() {
    let csv = b"time,front [g]\n0,1\n1,3\n".to_vec();
    let volts = b"time,front [V]\n0,1\n1,3\n".to_vec();
    let cases: &[(Vec<u8>, &str, &str)] = &[
        (
            good(),
            "[channel.a]\nnumber = 5",
            "m.toml, channel.a: number is 5, and r has 2 channels; count the channels of the file from 1",
        ),
        (
            good(),
            "[channel.ch1]\n[channel.b]\nnumber = 1",
            "m.toml, channel.ch1: channel 1 belongs to channel.b already; correct the numbers",
        ),
        (
            good(),
            "[channel.a]\n[channel.b]\n[channel.c]",
            "m.toml, channel.c: r has 2 channels (ch1, ch2) and none is left for this one; state its number, use its name in the file, or remove the table",
        ),
        (
            csv.clone(),
            "[channel.frnt]",
            "m.toml, channel.frnt: r has 1 channel (front) and none is left for this one; state its number, use its name in the file, or remove the table",
        ),
        (
            good(),
            "[channel.ch2]\nnumber = 1",
            "m.toml, channel: channels: two are named \"ch2\"; give each its own name; rename one",
        ),
        (
            csv.clone(),
            "[channel.front]\nunit = \"g\"\nfull_scale = 50",
            "m.toml, channel.front: full_scale is stated, and the file itself states g; remove full_scale",
        ),
        (
            csv.clone(),
            "[channel.front]\nfull_scale_v = 5",
            "m.toml, channel.front: a converter's scale is stated, and the file itself states g; remove full_scale_v or sensitivity_mv_per_unit",
        ),
        (
            csv,
            "[channel.front]\nunit = \"mm/s\"",
            "m.toml, channel.front: unit is mm/s, and the file itself states g; remove the unit or correct it",
        ),
        (
            volts,
            "[channel.front]\nunit = \"g\"",
            "m.toml, channel.front: unit is g, and the file holds volts; state sensitivity_mv_per_unit",
        ),
        (
            good(),
            "[channel.a]\nunit = \"g\"\nsensitivity_mv_per_unit = 10",
            "m.toml, channel.a: sensitivity_mv_per_unit is stated without full_scale_v; add the converter's full scale in volts",
        ),
        (
            good(),
            "[channel.a]\nunit = \"g\"\nfull_scale_v = 10",
            "m.toml, channel.a: unit is g, and full_scale_v gives volts; add sensitivity_mv_per_unit",
        ),
        (
            good(),
            "[channel.a]\nunit = \"g\"\nsensitivity_mv_per_unit = 10\nfull_scale_v = 1\nfull_scale = 102",
            "m.toml, channel.a: full_scale is 102, and full_scale_v gives 100.000000; correct one, or leave one out",
        ),
    ];
    for (bytes, text, expected) in cases {
        let message = applied(bytes, text).map(|r| r.notes).expect_err(text).to_string();
        assert_eq!(&message, expected, "for {text:?}");
    }
}

// ---- Hostile bytes ------------------------------------------------------------------------------

/// What every reading must keep to, whatever the bytes: no panic, no more samples than bytes.
fn survives(folder: &Folder, bytes: &[u8]) -> std::result::Result<(), TestCaseError> {
    for rate in [None, Some(1000.0)] {
        let path = folder.put("r", bytes);
        if let Ok(recording) = read_with(&path, &ReadOptions { rate_hz: rate }, &mut Silent) {
            let room: usize = recording.channels.iter().map(Channel::len).sum();
            let spare: usize =
                recording.channels.iter().map(|c| c.samples.shared().capacity()).sum();
            prop_assert!(
                room <= bytes.len() && spare <= 2 * bytes.len() + 64 * recording.channels.len()
            );
            prop_assert!(
                recording.channels.iter().flat_map(Channel::values).all(|x| x.is_finite())
            );
        }
    }
    Ok(())
}

/// Good files to be damaged, with headers of every kind.
fn seeds() -> Vec<Vec<u8>> {
    let deflated = stored().compression_method(zip::CompressionMethod::Deflated);
    vec![
        good(),
        riff(&[extensible(1, 1, 16, 12), chunk(b"LIST", b"INFOx"), chunk(b"data", &[1, 0, 2, 0])]),
        riff(&[plain(3, 1, 32), chunk(b"data", &f32_bytes(&RAMP))]),
        b"time;front [g];b\nms;;\n0,0;1,5;2\n1,0;2,5;3\n2,0;3,5;4\n".to_vec(),
        npy(&array![[1.0, 2.0], [3.0, 4.0], [5.0, 6.0]]),
        npz_rate(&arr0(5.0)),
        npz(deflated, |w| {
            w.add_array("a", &array![1.0, 2.0, 2.0]).expect("added");
            w.add_array("time", &array![1.0, 2.0, 3.0]).expect("added");
        }),
    ]
}

proptest! {
    #[test]
    fn no_bytes_make_it_panic(start in 0_usize..5, rest in prop::collection::vec(any::<u8>(), 0..300)) {
        let starts: [&[u8]; 5] = [b"", b"RIFF\0\0\0\0WAVEfmt \x10\0\0\0", b"\x93NUMPY\x01\0", b"PK\x03\x04", b"t,a\n0,"];
        survives(&Folder::new(), &[starts[start], &rest].concat())?;
    }

    #[test]
    fn no_damage_makes_it_panic(
        which in 0_usize..7,
        damage in prop::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 1..6),
        cut in any::<prop::sample::Index>(),
        is_cut in any::<bool>(),
    ) {
        let mut bytes = seeds().swap_remove(which);
        for (at, value) in damage {
            let at = at.index(bytes.len());
            bytes[at] = value;
        }
        if is_cut {
            bytes.truncate(cut.index(bytes.len()));
        }
        survives(&Folder::new(), &bytes)?;
    }
}

#[test]
fn a_long_file_of_tiny_chunks_ends() {
    let mut bytes = riff(&[]);
    for _ in 0..100_000 {
        bytes.write_all(b"JUNK\0\0\0\0").expect("written");
    }
    assert!(Folder::new().refusal(&bytes, None).contains("no 'fmt ' chunk"));
}
