//! Tables: CSV, NPY and NPZ as people and NumPy write them.

use std::io::Cursor;

use ndarray::{Array1, Array2, ShapeBuilder, arr0, array};
use ndarray_npy::{NpzWriter, WriteNpyExt};
use quietspin::recording::Channel;
use quietspin::units::Unit;

use super::{Folder, repairs, values};

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
    assert_eq!(repairs(&ramp), ["column 1 rises evenly and is read as times in seconds"]);
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
fn csv_times_are_in_the_unit_that_they_state() {
    let folder = Folder::new();
    let cases: &[(&str, f64)] = &[
        ("Time [ns],front\n0,1\n19531,2\n39062,1\n", 1e9 / 19_531.0),
        ("time (us),front\n0,1\n20,2\n40,1\n", 50_000.0),
        ("t [min],front\n0,1\n0.5,2\n1,1\n", 1.0 / 30.0),
        ("Time [h],front\n0,1\n0.01,2\n0.02,1\n", 1.0 / 36.0),
        ("time,front\nns,g\n0,1\n19531,2\n39062,1\n", 1e9 / 19_531.0),
        ("Zeit [ms],front\n0,1\n2,2\n4,1\n", 500.0),
        ("Zeit,front\nms,g\n0,1\n2,2\n4,1\n", 500.0),
        ("Zeit,front\n0,1\n2,2\n4,1\n", 0.5),
    ];
    for (text, rate_hz) in cases {
        let recording = folder.read(text.as_bytes()).unwrap_or_else(|e| panic!("{text}: {e}"));
        let found = recording.channels[0].rate_hz;
        assert!((found / rate_hz - 1.0).abs() < 1e-3, "{text}: {found} Hz");
        let guessed = repairs(&recording);
        assert_eq!(!guessed.is_empty(), text.starts_with("Zeit"), "{text}: {guessed:?}");
    }
    let guessed = folder.read(b"Zeit [ms],front\n0,1\n2,2\n4,1\n").expect("guessed");
    assert_eq!(repairs(&guessed), ["column 1 (Zeit [ms]) rises evenly and is read as times"]);
    let guessed = folder.read(b"0,1\n2,2\n4,1\n").expect("guessed");
    assert_eq!(repairs(&guessed), ["column 1 rises evenly and is read as times in seconds"]);
}

#[test]
fn csv_decimal_commas_may_come_late() {
    let folder = Folder::new();
    let whole: String = (0..40).map(|i| format!("{i};{}\n", i % 3)).collect();
    let late = folder.read(format!("t;front\n{whole}40;0,013\n").as_bytes()).expect("a number");
    assert_eq!(late.channels[0].values().last(), Some(&0.013));
    // a decimal comma that parts columns cannot be told from one that does: both are said
    let split = folder.read_at(b"0,012\n-0,013\n0,011\n", 1000.0).expect("two columns");
    assert_eq!(split.channels.len(), 2);
    assert_eq!(
        repairs(&split),
        [
            "commas are taken to part columns; where they are decimal commas, write decimal points or part columns by semicolons"
        ]
    );
    for clear in [&b"0.1,7\n-0.2,8\n0.1,7\n"[..], b"a,b\n0,7\n-1,8\n0,7\n"] {
        let recording = folder.read_at(clear, 1000.0).expect("two columns");
        assert!(repairs(&recording).is_empty(), "{:?}", recording.notes);
    }
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

pub(super) fn npy(array: &impl WriteNpyExt) -> Vec<u8> {
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

pub(super) fn npz(
    options: zip::write::SimpleFileOptions,
    add: impl FnOnce(&mut NpzWriter<Cursor<Vec<u8>>>),
) -> Vec<u8> {
    let mut writer = NpzWriter::new_with_options(Cursor::new(Vec::new()), options);
    add(&mut writer);
    writer.finish().expect("finished").into_inner()
}

pub(super) fn stored() -> zip::write::SimpleFileOptions {
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
    let contradicting = npz(stored(), |w| {
        w.add_array("time", &array![1.0, 1.25, 1.5]).expect("added");
        w.add_array("fs", &arr0(8.0)).expect("added");
        w.add_array("a", &array![1_i16, 2, 3]).expect("added");
    });
    let recording = folder.read(&contradicting).expect("the stated rate");
    assert_eq!(recording.channels[0].rate_hz, 8.0);
    assert_eq!(
        repairs(&recording),
        ["the file states a sampling rate of 8 Hz and its times give 4 Hz; the stated one is used"]
    );
    for rate in [npz_rate(&arr0(8.0_f32)), npz_rate(&array![8_u16]), npz_rate(&arr0(8_i32))] {
        assert_eq!(folder.read(&rate).expect("a rate of any type").channels[0].rate_hz, 8.0);
    }
}

pub(super) fn npz_rate(rate: &impl WriteNpyExt) -> Vec<u8> {
    npz(stored(), |w| {
        w.add_array("a", &array![1.0, 2.0]).expect("added");
        w.add_array("rate_hz", rate).expect("added");
    })
}
