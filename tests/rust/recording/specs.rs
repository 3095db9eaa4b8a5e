//! Roles guessed, and what a machine file states about channels.

use std::collections::BTreeMap;
use std::path::Path;

use quietspin::Result;
use quietspin::progress::Silent;
use quietspin::recording::read::read;
use quietspin::recording::spec::apply_specs;
use quietspin::recording::{ChannelSpec, Recording, Role};
use quietspin::units::Unit;

use super::{
    Folder, chunk, data, f32_bytes, format_body, good, i16_bytes, plain, repairs, riff, values,
};

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

#[test]
fn two_channels_of_sound_are_a_stereo_recording_where_they_are_alike() {
    let folder = Folder::new();
    let hum = |i: i32| 3000.0 * (f64::from(i) * 0.05).sin() + 900.0 * (f64::from(i) * 0.31).sin();
    let read = |right: &dyn Fn(i32) -> f64, rate| {
        let both = (0..4000).flat_map(|i| [hum(i) as i16, right(i) as i16]);
        let bytes = i16_bytes(&both.collect::<Vec<_>>());
        let format = chunk(b"fmt ", &format_body(1, 2, rate, 16, 4));
        folder.read(&riff(&[format, chunk(b"data", &bytes)])).expect("a good file")
    };
    let stereo = read(&|i| 0.8 * hum(i - 1), 44_100);
    assert_eq!(roles(&stereo), [Role::Sound, Role::Sound]);
    let told = "channel 2 is taken for sound: the two are nearly the same, as in stereo, at a rate usual for sound";
    assert_eq!(stereo.notes[1], told);
    // who describes one of them has sensors, and the other is one too
    let described = specs("[channel.front]\nnumber = 1\nunit = \"g\"\nfull_scale = 50");
    let sensors = apply_specs(stereo, &described, Path::new("m.toml")).expect("applied");
    assert_eq!(roles(&sensors), [Role::Vibration, Role::Vibration], "{:?}", sensors.notes);
    assert_eq!(
        sensors.notes,
        [
            "channel 1 (front) is taken for vibration: its unit says so",
            "channel 2 is taken for vibration: nothing says otherwise",
        ]
    );
    for other in [
        read(&|i| 3000.0 * (f64::from(i) * 0.073).sin(), 44_100),
        read(&|i| -hum(i), 44_100),
        read(&|i| 0.1 * hum(i), 44_100),
        read(&|_| 0.0, 44_100),
        read(&|i| 0.8 * hum(i - 1), 51_200),
    ] {
        assert_eq!(roles(&other), [Role::Vibration, Role::Vibration]);
    }
}

/// The open recordings hold no pulse; those of the folder `sound` are microphones.
#[test]
fn roles_of_the_open_recordings() {
    if data::folder().is_none() {
        return;
    }
    let mut seen = 0;
    for folder in data::KINDS {
        for path in data::recordings(folder) {
            let recording = read(&path, &mut Silent).expect("an open recording");
            let wanted = if folder == "sound" { Role::Sound } else { Role::Vibration };
            assert!(roles(&recording).iter().all(|role| *role == wanted), "{:?}", recording.notes);
            assert!(repairs(&recording).is_empty(), "{:?}", recording.notes);
            seen += 1;
        }
    }
    assert!(seen > 60, "{seen} recordings below QUIETSPIN_DATA");
}

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
            b"time_s,front\n0,0.5\n0.001,-12.25\n0.002,3\n".to_vec(),
            "[channel.front]\nunit = \"g\"\nfull_scale = 50",
            "m.toml, channel.front: full scale is stated, and the file holds floats that reach 12.250, which are no fractions of it; remove full_scale or full_scale_v where they hold the unit itself",
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
