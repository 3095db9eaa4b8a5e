//! What cannot be read and in which words it is refused; damaged and hostile bytes.

use std::io::Write;

use ndarray::{Array1, arr0, array};
use proptest::prelude::*;
use quietspin::Error;
use quietspin::progress::{Progress, Silent};
use quietspin::recording::Channel;
use quietspin::recording::read::{ReadOptions, read, read_with};

use super::tables::{npy, npz, npz_rate, stored};
use super::{Folder, RAMP, chunk, extensible, f32_bytes, format_body, good, plain, riff};

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
        (good(), Some(-1.0), "rate_hz: the sampling rate is -1 Hz; state one from 0.001 to 1e9 Hz".into()),
        (good(), Some(f64::NAN), "rate_hz: the sampling rate is NaN Hz; state one from 0.001 to 1e9 Hz".into()),
        (good(), Some(1e30), "rate_hz: the sampling rate is 1000000000000000000000000000000 Hz; state one from 0.001 to 1e9 Hz".into()),
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
        (format(&format_body(1, 1, 0, 16, 2)), None, "r, chunk 'fmt ': the sampling rate is 0 Hz; state the rate (--rate, or rate_hz in Python)".into()),
        (riff(&[chunk(b"fmt ", &format_body(1, 1, 2_000_000_000, 16, 2)), data()]), None, "r: its times or its header give a sampling rate of 2000000000 Hz; state the rate (--rate, or rate_hz in Python)".into()),
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
        (b"hello".to_vec(), None, "r: this is text without a line of numbers; export it again".into()),
        (b"1\n2\n".to_vec(), None, "r: there is no time column; add one, or state the rate (--rate, or rate_hz in Python)".into()),
        (b"a,b\n1,2\n7,3\n".to_vec(), None, "r: there is no time column; add one, or state the rate (--rate, or rate_hz in Python)".into()),
        (b"time\n0\n1\n".to_vec(), Some(1.0), "r: there is a time column only; add a column of samples".into()),
        (b"time,a\n0,1\n1,2,3\n2,3\n".to_vec(), None, "r, line 3: it has 3 columns, and the first line of numbers has 2; give every line the same columns".into()),
        (b"time,a\n0,1\n1\n".to_vec(), None, "r, line 3: it has 1 column, and the first line of numbers has 2; give every line the same columns".into()),
        (b"time,a\n0,1\n1,x7\n2,3\n".to_vec(), None, "r, line 3, column 2 (a): \"x7\" is not a number; write plain numbers, and times in seconds".into()),
        (b"0,1\n1,\n2,3\n".to_vec(), None, "r, line 2, column 2: the cell is empty; fill it or remove the line".into()),
        (b"time,a\n0,1\n1,2\n2,3\n9,4\n".to_vec(), None, "r, line 5, column 1: times are uneven: a step of 7.000e0 s among steps of 1.000e0 s; record at an even rate, or state the rate (--rate, or rate_hz in Python)".into()),
        (b"time,a\n3,1\n2,2\n1,3\n".to_vec(), None, "r, line 3, column 1: times do not rise; record at an even rate, or state the rate (--rate, or rate_hz in Python)".into()),
        (b"time,a\n3,1\n".to_vec(), None, "r, line 2, column 1: a single time gives no sampling rate; record at an even rate, or state the rate (--rate, or rate_hz in Python)".into()),
        (b"time,a\n0,1\n2000,2\n4000,3\n".to_vec(), None, "r: its times or its header give a sampling rate of 0.0005 Hz; state the rate (--rate, or rate_hz in Python)".into()),
        (b"# by hand\n\nTime [ticks],a\n0,1\n1,2\n".to_vec(), Some(1.0), "r, line 3, column 1: \"ticks\" is no known unit of time; write times in s, ms, us, ns, min or h".into()),
        (b"Winkel [Grad],a\n0,1\n15,2\n30,2\n".to_vec(), None, "r: there is no time column; add one, or state the rate (--rate, or rate_hz in Python)".into()),
        (b"# by hand\na\n1,2\n".to_vec(), Some(1.0), "r, line 2: the header has 1 column, and the first line of numbers has 2; give every column a name".into()),
        (b"# by hand\r\ntime,a\r\n0,1\r\n\r\n# a note\r\n1,x7\r\n2,3\r\n".to_vec(), None, "r, line 6, column 2 (a): \"x7\" is not a number; write plain numbers, and times in seconds".into()),
        (b"time,a\n0,1\n# a note\n1,1\n2,1\n9,4".to_vec(), None, "r, line 6, column 1: times are uneven: a step of 7.000e0 s among steps of 1.000e0 s; record at an even rate, or state the rate (--rate, or rate_hz in Python)".into()),
        (b"a,b\n# by hand\nfast,slow\n1,2\n".to_vec(), Some(1.0), "r, line 3, column 1: \"fast\" is neither a number nor a unit; leave one line of names above the numbers".into()),
        (b"a\n1,2\n".to_vec(), Some(1.0), "r, line 1: the header has 1 column, and the first line of numbers has 2; give every column a name".into()),
        (b"a,b\nfast,slow\n1,2\n".to_vec(), Some(1.0), "r, line 2, column 1: \"fast\" is neither a number nor a unit; leave one line of names above the numbers".into()),
        // NPY and NPZ
        (npy(&array![1.0]), None, "r: an NPY file states no sampling rate; state it (--rate, or rate_hz in Python), or save an NPZ file with rate_hz".into()),
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
        (npz(stored(), |w| w.add_array("a", &array![1.0]).expect("added")), None, "r: no array states the sampling rate; save rate_hz or time with the samples, or state the rate (--rate, or rate_hz in Python)".into()),
        (npz_rate(&array![8.0, 9.0]), None, "r, array rate_hz: the rate is an array of 2; save the rate as one number from 0.001 to 1e9 Hz".into()),
        (npz_rate(&arr0(0.0)), None, "r, array rate_hz: the sampling rate is 0 Hz; save the rate as one number from 0.001 to 1e9 Hz".into()),
        (npz_rate(&arr0(1e30)), None, "r, array rate_hz: the sampling rate is 1000000000000000000000000000000 Hz; save the rate as one number from 0.001 to 1e9 Hz".into()),
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

/// What every reading must keep to, whatever the bytes: no panic, no more samples than bytes.
fn survives(folder: &Folder, bytes: &[u8]) -> Result<(), TestCaseError> {
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
fn many_columns_of_one_name_are_told_apart_quickly() {
    let row = |cell: &str| vec![cell; 4096].join(",");
    let text = format!("{}\n{}\n{}\n", row("a"), row("4"), row("4"));
    let begun = std::time::Instant::now();
    let recording = Folder::new().read_at(text.as_bytes(), 100.0).expect("a wide table");
    // comparing each copy with all names before it takes 10^10 comparisons, minutes
    assert!(begun.elapsed().as_secs() < 10, "{:?}", begun.elapsed());
    let names: std::collections::BTreeSet<&str> =
        recording.channels.iter().map(Channel::name).collect();
    assert_eq!((names.len(), recording.channels[4095].name()), (4096, "a (4096)"));
}

#[test]
fn a_long_file_of_tiny_chunks_ends() {
    let mut bytes = riff(&[]);
    for _ in 0..100_000 {
        bytes.write_all(b"JUNK\0\0\0\0").expect("written");
    }
    assert!(Folder::new().refusal(&bytes, None).contains("no 'fmt ' chunk"));
}
