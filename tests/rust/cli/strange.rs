//! `quietspin check` on WAVs as people really have them: nothing panics, and each gets a sentence that helps.

use std::f64::consts::TAU;
use std::fs;
use std::path::Path;

use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;

use super::{GOOD, Simulated, complaint, run, shown, status, text};

const RATE_HZ: u32 = 44_100;

/// A WAV of 16-bit samples, the channels side by side.
fn wav(channels: u16, samples: &[f64]) -> Vec<u8> {
    let data: Vec<u8> = samples
        .iter()
        .flat_map(|x| ((x * 32767.0).clamp(-32768.0, 32767.0) as i16).to_le_bytes())
        .collect();
    with_format(1, channels, 16, &data)
}

fn with_format(tag: u16, channels: u16, bits: u16, data: &[u8]) -> Vec<u8> {
    let frame = channels * bits / 8;
    let mut bytes = b"RIFF".to_vec();
    bytes.extend((36 + data.len() as u32).to_le_bytes());
    bytes.extend(b"WAVEfmt ");
    bytes.extend(16_u32.to_le_bytes());
    bytes.extend(tag.to_le_bytes());
    bytes.extend(channels.to_le_bytes());
    bytes.extend(RATE_HZ.to_le_bytes());
    bytes.extend((RATE_HZ * u32::from(frame)).to_le_bytes());
    bytes.extend(frame.to_le_bytes());
    bytes.extend(bits.to_le_bytes());
    bytes.extend(b"data");
    bytes.extend((data.len() as u32).to_le_bytes());
    bytes.extend(data);
    bytes
}

/// A turbine beside a phone, from 20 000 to 60 000 rpm in 4 s.
fn turbine() -> Vec<f64> {
    let mut random = ChaCha8Rng::seed_from_u64(4);
    let mut turns = 0.0;
    (0..4 * RATE_HZ)
        .map(|i| {
            let share = f64::from(i) / f64::from(4 * RATE_HZ);
            turns += (20_000.0 + 40_000.0 * share) / 60.0 / f64::from(RATE_HZ);
            let line = |order: f64, height: f64| height * (TAU * order * turns).sin();
            line(1.0, 0.1) + line(2.0, 0.05) + line(11.0, 0.03) + random.random_range(-0.03..0.03)
        })
        .collect()
}

/// Notes of a scale one after another, each dying away.
fn music() -> Vec<f64> {
    let mut random = ChaCha8Rng::seed_from_u64(9);
    let mut samples = Vec::new();
    for _ in 0..16 {
        let hz = 220.0 * 2.0_f64.powf(f64::from(random.random_range(0..24)) / 12.0);
        samples.extend((0..RATE_HZ / 4).map(|i| {
            let time_s = f64::from(i) / f64::from(RATE_HZ);
            let partials = (1..6).map(|k| (TAU * hz * f64::from(k) * time_s).sin() / f64::from(k));
            0.2 * partials.sum::<f64>() * (-4.0 * time_s).exp()
        }));
    }
    samples
}

fn twice(samples: &[f64]) -> Vec<f64> {
    samples.iter().flat_map(|x| [*x, 0.8 * x]).collect()
}

fn floats(samples: &[f64]) -> Vec<u8> {
    let data: Vec<u8> = samples.iter().flat_map(|x| (*x as f32).to_le_bytes()).collect();
    with_format(3, 1, 32, &data)
}

/// What `check` says of the bytes as a WAV: exit status, and the page or the complaint.
fn checked(folder: &Path, name: &str, bytes: &[u8]) -> (i32, String) {
    let path = folder.join(name);
    fs::write(&path, bytes).expect("a file");
    let output = run(&["check", text(&path)]);
    let said = if output.stdout.is_empty() { complaint(&output) } else { shown(&output) };
    // a page breaks its lines where it likes
    (status(&output), said.split_whitespace().collect::<Vec<_>>().join(" "))
}

#[test]
fn each_of_them_is_judged_or_told_why_not() {
    let folder = tempfile::tempdir().expect("a folder");
    let (turbine, music) = (turbine(), music());
    let phone = wav(1, &turbine);
    let silence = vec![0.0; RATE_HZ as usize];
    let loud: Vec<f64> = turbine.iter().map(|x| 20.0 * x).collect();
    let page = b"<!DOCTYPE html><title>404</title>";
    let rows: [(&str, &[u8], i32, &[&str]); 12] = [
        (
            "phone.wav",
            &phone,
            3,
            &["estimated from the signal itself", "sound alone cannot release"],
        ),
        ("stereo.wav", &wav(2, &twice(&turbine)), 3, &["2 sound", "as in stereo"]),
        ("float.wav", &floats(&turbine), 3, &["taken for sound", "within full scale"]),
        ("music.wav", &wav(1, &music), 3, &["speed not known", "no line moves as a shaft's does"]),
        (
            "silence.wav",
            &wav(1, &silence),
            3,
            &["unfit: the channel holds no signal", "muted input"],
        ),
        (
            "loud.wav",
            &wav(1, &loud),
            3,
            &["samples are clipped", "lower the gain and record again"],
        ),
        (
            "click.wav",
            &wav(1, &turbine[..900]),
            3,
            &["unfit: it lasts only 0.0204 s", "record the whole run"],
        ),
        (
            "cut.wav",
            &phone[..phone.len() / 2],
            3,
            &[
                "limited: the file is cut short: it holds 2 s, and by its header 2 s are missing",
                "copy the file again",
            ],
        ),
        ("page.wav", page, 2, &["this is a web page", "export it as WAV"]),
        ("empty.wav", b"", 2, &["the file is empty"]),
        ("notes.wav", b"turbine, day 3", 2, &["without a line of numbers"]),
        (
            "packed.wav",
            &with_format(0x55, 1, 16, &[0; 400]),
            2,
            &["MPEG audio", "export the recording as PCM"],
        ),
    ];
    for (name, bytes, wanted, told) in rows {
        let (status, said) = checked(folder.path(), name, bytes);
        assert_eq!(status, wanted, "{name}: {said}");
        for part in told {
            assert!(said.contains(part), "{name}: {part:?} is not in {said}");
        }
        if wanted == 2 {
            assert!(said.starts_with("quietspin: ") && said.contains(name), "{said}");
        } else {
            let open = "describe the machine in a file (--machine";
            assert!(said.contains(open), "{name}: {said}");
        }
    }
}

#[test]
fn a_recording_that_is_cut_short_releases_no_machine() {
    let simulated = Simulated::new(GOOD);
    let whole = simulated.check(&[]);
    assert_eq!(status(&whole), 0, "{}", shown(&whole));
    let path = simulated.path("spin.wav");
    let bytes = fs::read(&path).expect("a recording");
    // full speed still is held long enough
    fs::write(&path, &bytes[..bytes.len() - bytes.len() / 50]).expect("written");
    let cut = simulated.check(&[]);
    assert_eq!(status(&cut), 3, "{}", shown(&cut));
    assert!(shown(&cut).contains("the file is cut short"), "{}", shown(&cut));
}

#[test]
fn a_machine_file_with_gaps_is_told_what_to_add() {
    let simulated = Simulated::new(GOOD);
    let path = simulated.path("spin.machine.toml");
    let full = fs::read_to_string(&path).expect("a machine file");
    assert!(!shown(&simulated.check(&[])).contains("to judge bearings"));
    let kept = full.split("\n[").filter(|table| !table.starts_with("bearing."));
    let bare = kept.collect::<Vec<_>>().join("\n[");
    let bare = bare.lines().filter(|line| !line.starts_with("bearing =")).collect::<Vec<_>>();
    fs::write(&path, bare.join("\n")).expect("written");
    let page = shown(&simulated.check(&[]));
    assert!(page.contains("to add       to judge bearings, add [bearing.NAME]"), "{page}");
    let json = shown(&simulated.check(&["--json"]));
    assert!(json.contains("\"to judge bearings, add [bearing.NAME]"), "{json}");
}
