//! The machine file: what it accepts, what it refuses and in which words, and its resolved copy.

use std::path::Path;

use proptest::prelude::*;
use quietspin::machine::{BearingType, Bore, Count, Machine, Method, Sense, parse};
use quietspin::recording::{Edge, PulseKind, Role};
use quietspin::units::Unit;

const CARTRIDGE: &str = r#"
format = 1
name = "3 kW cartridge (invented)"

[shaft]
top_rpm = 96_000
lowest_rpm = 10_000.0
mass_kg = 0.21
coupling = false
critical_rpm = [41_300, 88_000.5]

[channel.rear]
number = 2
role = "vibration"
unit = "m/s²"
sensitivity_mv_per_unit = 1.02
full_scale_v = 10.0
sensor_angle_deg = 90.0
bearing = "rear"
mounted_resonance_hz = 42e3

[channel.front]
unit = "g"
full_scale = 50.0
inverted = true
bearing = "front"

[channel."once per turn"]
role = "pulse"
pulses_per_turn = 1
edge = "falling"
pulse_kind = "magnet"
delay_us = -1.5

[bearing.front]
elements = 9
element_mm = 3.0
pitch_mm = 14.0
contact_deg = 15.0

[bearing.rear]
type = "foil"

[blade.turbine]
count = 11

[plane.compressor]
position_mm = -12.0
radius_mm = 18.0
density_g_cm3 = 2.7
bore = "radial"
drill_mm = 3.0
depth_max_mm = 5.0
zones_deg = [[20, 160], [340.0, 10.0]]
blades = "turbine"
seen_from = "the nut side"
rotation_seen = "counter_clockwise"

[limits]
overall_mm_s_rms = 4.5
band_hz = [10, 5000]

[acceptance]
hold_s = 3
tolerated = ["looseness"]

[convention]
count = "with_rotation"
"#;

fn parsed(text: &str) -> quietspin::Result<Machine> {
    parse::from_text(text, Path::new("m.toml"))
}

#[test]
fn a_full_file_is_read() {
    let machine = parsed(CARTRIDGE).expect("all keys are good");
    assert_eq!(machine.shaft.top_rpm, Some(96_000.0));
    assert_eq!(machine.shaft.critical_rpm, [41_300.0, 88_000.5]);
    let rear = &machine.channel["rear"];
    assert_eq!((rear.name.as_str(), rear.order, rear.number), ("rear", 0, Some(2)));
    assert_eq!(rear.unit, Some(Unit::MeterPerSecond2), "units may be written as people do");
    let pulse = &machine.channel["once per turn"];
    assert_eq!((pulse.order, pulse.role, pulse.edge), (2, Some(Role::Pulse), Some(Edge::Falling)));
    assert_eq!((pulse.pulse_kind, pulse.delay_us), (PulseKind::Magnet, -1.5));
    assert_eq!(machine.bearing["rear"].kind, BearingType::Foil);
    assert_eq!(machine.limits.band_hz, Some([10.0, 5000.0]));
    assert_eq!(machine.convention.count, Count::WithRotation);
    let plane = &machine.plane["compressor"];
    assert_eq!(plane.zones_deg, [[20.0, 160.0], [340.0, 10.0]]);
    assert_eq!((plane.method, plane.bore), (Method::Drill, Some(Bore::Radial)));
    assert_eq!(plane.rotation_seen, Some(Sense::CounterClockwise));
}

#[test]
fn the_shortest_file_is_the_default() {
    assert_eq!(parsed("format = 1").expect("nothing else is needed"), Machine::default());
}

#[test]
fn the_resolved_copy_reads_back_equal() {
    let machine = parsed(CARTRIDGE).expect("all keys are good");
    let resolved = parse::resolved_toml(&machine);
    assert_eq!(parsed(&resolved).expect("the copy is a machine file"), machine, "{resolved}");
    assert!(resolved.starts_with("format = 1\n"), "{resolved}");
    assert!(resolved.contains("[channel.\"once per turn\"]"), "{resolved}");
    parse::validate(&machine, Path::new("<memory>")).expect("a machine read is a machine checked");
}

#[test]
fn the_hash_follows_the_meaning() {
    let machine = parsed(CARTRIDGE).expect("all keys are good");
    let hash = parse::sha256(&machine);
    assert_eq!(hash.len(), 64);
    let spaced = CARTRIDGE.replace(" = ", "   =   ").replace("96_000", "96000.0 # maker's limit");
    assert_eq!(parse::sha256(&parsed(&spaced).expect("the same file")), hash);
    let other = parsed(&CARTRIDGE.replace("4.5", "4.6")).expect("another limit");
    assert_ne!(parse::sha256(&other), hash);
}

#[test]
fn a_machine_made_in_memory_is_checked_too() {
    let mut machine = Machine::default();
    machine.shaft.top_rpm = Some(f64::NAN);
    let message = parse::validate(&machine, Path::new("<memory>")).expect_err("NaN").to_string();
    assert_eq!(
        message,
        "<memory>, shaft.top_rpm: this is the number NaN; state a number above 0 and up to 1e7"
    );
}

/// Text after `format = 1`, and the message it must give, without the file's name.
const REFUSED: &[(&str, &str)] = &[
    (
        "[plane.a]\nzones_deg = [[0, 90], [80, 120]]",
        "line 3, plane.a.zones_deg: the arcs [0.0, 90.0] and [80.0, 120.0] overlap; join them to one",
    ),
    (
        "[plane.a]\nzones_deg = [[0, 400]]",
        "line 3, plane.a.zones_deg: 0 to 400 does not lie within 0 to 360; state a list of arcs from and to, as in [[20.0, 160.0], [340.0, 10.0]]",
    ),
    (
        "[plane.a]\nzones_deg = [0, 90]",
        "line 3, plane.a.zones_deg: the number 0 stands in a list of arcs; state a list of arcs from and to, as in [[20.0, 160.0], [340.0, 10.0]]",
    ),
    (
        "[plane.a]\nzones_deg = [[350, 10], [5, 20]]",
        "line 3, plane.a.zones_deg: the arcs [350.0, 10.0] and [5.0, 20.0] overlap; join them to one",
    ),
    (
        "[plane.a]\nmethod = \"grind\"\ndrill_mm = 3.0",
        "line 4, plane.a.drill_mm: this belongs to method \"drill\", and the plane's is \"grind\"; remove one of them",
    ),
    (
        "[plane.a]\nblades = \"fan\"",
        "line 3, plane.a.blades: there is no row of blades \"fan\"; add the table [blade.fan]",
    ),
    (
        "[plane.a]\nradius_mm = 10\nfloor_radius_mm = 12",
        "line 4, plane.a.floor_radius_mm: 12 mm leaves nothing of radius_mm, 10 mm; correct one of them",
    ),
    (
        "[plane.a]\nradius_mm = 2\ndrill_mm = 3",
        "line 4, plane.a.drill_mm: a drill of 3 mm is too thick for radius_mm, 2 mm; correct one of them",
    ),
    (
        "[shaft]\ntop_rmp = 9",
        r#"line 3, shaft.top_rmp: [shaft] has no key "top_rmp"; did you mean "top_rpm"?"#,
    ),
    (
        "[shafts]\ntop_rpm = 9",
        r#"line 2, shafts: the top has no key "shafts"; did you mean "shaft"?"#,
    ),
    (
        "[channel.front]\nsensitivity = 9",
        r#"line 3, channel.front.sensitivity: [channel.NAME] has no key "sensitivity"; did you mean "sensitivity_mv_per_unit"?"#,
    ),
    (
        "[convention]\nxyzzy = 1",
        r#"line 3, convention.xyzzy: [convention] has no key "xyzzy"; known are count"#,
    ),
    (
        "[channel]\nunit = \"g\"",
        r#"line 3, channel.unit: this is the text "g", and a table is needed; write it under [channel.unit]"#,
    ),
    (
        "channel = 3",
        "line 2, channel: this is the number 3, and a table is needed; write it under [channel.NAME]",
    ),
    (
        "[[limits]]\nhold_s = 3",
        "line 2, limits: this is a list, and a table is needed; write it under [limits]",
    ),
    (
        "[shaft]\ntop_rpm = \"fast\"",
        r#"line 3, shaft.top_rpm: this is the text "fast"; state a number above 0 and up to 1e7"#,
    ),
    (
        "[shaft]\ntop_rpm = -9",
        "line 3, shaft.top_rpm: this is the number -9; state a number above 0 and up to 1e7",
    ),
    (
        "[shaft]\ntop_rpm = inf",
        "line 3, shaft.top_rpm: this is the number inf; state a number above 0 and up to 1e7",
    ),
    (
        "[shaft]\nconstant_rpm = 1e12",
        "line 3, shaft.constant_rpm: this is the number 1000000000000; state a number above 0 and up to 1e7",
    ),
    ("[shaft]\ncoupling = 1", "line 3, shaft.coupling: this is the number 1; state true or false"),
    (
        "[shaft]\ncritical_rpm = [9, 0]",
        "line 3, shaft.critical_rpm: this is the number 0; state a list of numbers",
    ),
    (
        "[shaft]\ntop_rpm = 100\nlowest_rpm = 200",
        "line 4, shaft.lowest_rpm: 200 rpm is above shaft.top_rpm, 100 rpm; correct one of them",
    ),
    (
        "[shaft]\ntop_rpm = 100\nconstant_rpm = 121",
        "line 4, shaft.constant_rpm: 121 rpm is above shaft.top_rpm, 100 rpm; correct one of them",
    ),
    (
        "[shaft]\ntop_rpm = 100\n[acceptance]\nfull_speed_rpm = 101",
        "line 5, acceptance.full_speed_rpm: 101 rpm is above shaft.top_rpm, 100 rpm; correct one of them",
    ),
    (
        "[limits]\nband_hz = [1000, 10]",
        "line 3, limits.band_hz: 1000 to 10 is no band; state two numbers above 0, the lower first, as in [10.0, 5000.0]",
    ),
    (
        "[limits]\nband_hz = [1000]",
        "line 3, limits.band_hz: this is a list of 1; state two numbers above 0, the lower first, as in [10.0, 5000.0]",
    ),
    (
        "[limits]\nband_hz = [0, 1000]",
        "line 3, limits.band_hz: 0 to 1000 is no band; state two numbers above 0, the lower first, as in [10.0, 5000.0]",
    ),
    (
        "[channel.a]\nrole = \"vibration\"\nunit = \"rpm\"",
        "line 4, channel.a.unit: the role is vibration, and rpm is no unit of it; correct role or unit",
    ),
    (
        "[channel.a]\nunit = \"Pa\"\nrole = \"vibration\"",
        "line 3, channel.a.unit: the role is vibration, and Pa is no unit of it; correct role or unit",
    ),
    (
        "[channel.a]\nrole = \"sound\"\nunit = \"mm/s\"",
        "line 4, channel.a.unit: the role is sound, and mm/s is no unit of it; correct role or unit",
    ),
    (
        "[limits]\nuncertainty_percent = 200",
        "line 3, limits.uncertainty_percent: this is the number 200; state a number from 0 to 100",
    ),
    (
        "[channel.a]\nrole = \"vibrations\"",
        r#"line 3, channel.a.role: this is the text "vibrations"; state one of "vibration", "pulse", "speed", "sound", "slow", "other""#,
    ),
    (
        "[channel.a]\nnumber = 0",
        "line 3, channel.a.number: this is the number 0; state a whole number from 1 upwards",
    ),
    (
        "[channel.a]\nnumber = 1.5",
        "line 3, channel.a.number: this is the number 1.5; state a whole number from 1 upwards",
    ),
    (
        "[channel.a]\nnumber = 1\n[channel.b]\nnumber = 1",
        "line 5, channel.b.number: channel.a has the same number; correct one",
    ),
    (
        "[channel.A]\n[channel.a]",
        "line 3, channel.a: channel.A has the same name but for capitals; rename one",
    ),
    (
        "[channel.a]\nbearing = \"frnt\"\n[bearing.front]\n[bearing.rear]",
        r#"line 3, channel.a.bearing: there is no bearing "frnt"; did you mean "front"?"#,
    ),
    (
        "[channel.a]\nbearing = \"front\"",
        r#"line 3, channel.a.bearing: there is no bearing "front"; add the table [bearing.front]"#,
    ),
    (
        "[channel.a]\nfull_scale = 50",
        "line 3, channel.a.full_scale: the full scale is stated without a unit; state unit too",
    ),
    (
        "[channel.a]\nsensitivity_mv_per_unit = 10\nfull_scale_v = 5",
        "line 3, channel.a.sensitivity_mv_per_unit: the sensitivity is stated without a unit; state unit too",
    ),
    (
        "[channel.a]\nrole = \"sound\"\nedge = \"rising\"",
        "line 4, channel.a.edge: this belongs to a pulse channel; remove it, or state role = \"pulse\"",
    ),
    (
        "[bearing.b]\nelements = 9\nelement_mm = 3",
        "line 2, bearing.b: the geometry is incomplete; give elements, element_mm and pitch_mm together",
    ),
    (
        "[bearing.b]\nelements = 2",
        "line 3, bearing.b.elements: this is the number 2; state a whole number from 3 upwards",
    ),
    (
        "[bearing.b]\nelements = 9\nelement_mm = 7.94\npitch_mm = 39.04\nbpfo = 3.8\nbpfi = 5.4152\nbsf = 2.357\nftf = 0.398",
        "line 2, bearing.b: bpfo is stated as 3.8, but the geometry gives 3.5848; correct one, or leave one out",
    ),
    (
        "[blade.turbine]",
        "line 2, blade.turbine.count: the number of blades is missing; state count",
    ),
    (
        "[acceptance]\ntolerated = [\"rub\", 3]",
        "line 3, acceptance.tolerated: the number 3 stands in a list of texts; state a list of texts",
    ),
    (
        "[shaft]\npole_pairs = 0",
        "line 3, shaft.pole_pairs: this is the number 0; state a whole number from 1 upwards",
    ),
    (
        "[limits]\nsub_synchronous_mm_s_rms = -1",
        "line 3, limits.sub_synchronous_mm_s_rms: this is the number -1; state a number above 0",
    ),
    (
        "[limits]\nzone_class = \"class 1\"",
        "line 3, limits.zone_class: this is the text \"class 1\"; state one of \"iso_10816_1_class_1\", \"iso_10816_1_class_2\", \"iso_10816_1_class_3\", \"iso_10816_1_class_4\", \"iso_10816_3_group_1_rigid\", \"iso_10816_3_group_1_flexible\", \"iso_10816_3_group_2_rigid\", \"iso_10816_3_group_2_flexible\"",
    ),
    ("name = \"\"", "line 2, name: the text is empty; state a text in quotes"),
    ("name = 2026-01-01", "line 2, name: this is the date 2026-01-01; state a text in quotes"),
];

#[test]
fn what_is_wrong_is_refused_in_these_words() {
    for (text, expected) in REFUSED {
        let message = parsed(&format!("format = 1\n{text}")).expect_err(text).to_string();
        assert_eq!(message, format!("m.toml, {expected}"), "for {text:?}");
    }
}

#[test]
fn units_that_go_with_a_role_are_taken() {
    for (role, unit) in
        [("vibration", "um"), ("vibration", "V"), ("sound", "Pa"), ("sound", "V"), ("slow", "Pa")]
    {
        let text = format!("format = 1\n[channel.a]\nrole = {role:?}\nunit = {unit:?}\n");
        assert!(parsed(&text).is_ok(), "{role} in {unit}");
    }
}

#[test]
fn format_and_syntax_come_first() {
    let message = |text: &str| parsed(text).expect_err(text).to_string();
    assert_eq!(message("[shaft]"), "m.toml, format: it is missing; write format = 1 at the top");
    assert_eq!(
        message("format = 2\n[rotor]"),
        "m.toml, line 1, format: this is 2, and format 1 can be read; write format = 1, or use the release that the file was written for"
    );
    for (text, place) in
        [("format = 1\n[shaft", "line 2"), ("a = 1\na = 2", "line 2"), ("=", "line 1")]
    {
        let message = message(text);
        assert!(message.starts_with(&format!("m.toml, {place}: ")), "{message}");
        assert!(message.ends_with("; correct the TOML") && !message.contains('\n'), "{message}");
    }
}

#[test]
fn files_that_are_no_machine_files() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("m.toml");
    let message = |path: &Path| parse::read(path).expect_err("no machine file").to_string();
    assert!(message(&path).contains("No such file"));
    assert!(message(folder.path()).ends_with(": this is no file; name a TOML file"));
    std::fs::write(&path, b"format = 1\nname = \"\xff\"").expect("written");
    assert!(
        message(&path)
            .ends_with(", byte 19: this is no text in UTF-8; name a TOML file, saved as UTF-8")
    );
    std::fs::write(&path, vec![b'#'; 5 << 20]).expect("written");
    assert!(message(&path).contains("5242880 bytes, too many"));
    std::fs::write(&path, CARTRIDGE).expect("written");
    assert_eq!(parse::read(&path).expect("a good file"), parsed(CARTRIDGE).expect("good text"));
}

proptest! {
    #[test]
    fn no_text_makes_it_panic(text in "\\PC{0,200}") {
        let _ = parsed(&text);
    }

    #[test]
    fn no_damage_makes_it_panic(at in 0..CARTRIDGE.len(), cut in 0_usize..40, put in "[\\[\\]\"={},.#a-z0-9\\n-]{0,6}") {
        let from = (0..=at).rev().find(|i| CARTRIDGE.is_char_boundary(*i)).unwrap_or(0);
        let to = (at + cut..CARTRIDGE.len()).find(|i| CARTRIDGE.is_char_boundary(*i)).unwrap_or(CARTRIDGE.len());
        let text = format!("{}{put}{}", &CARTRIDGE[..from], &CARTRIDGE[to..]);
        if let Ok(machine) = parsed(&text) {
            let resolved = parse::resolved_toml(&machine);
            prop_assert_eq!(parsed(&resolved).map_err(|e| TestCaseError::fail(format!("{e}\n{resolved}")))?, machine);
        }
    }
}
