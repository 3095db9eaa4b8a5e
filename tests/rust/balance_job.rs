//! A balancing job from its machine file to its certificate, with recordings of a rotor of which everything is
//! known, through the command.

use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use quietspin::balance::job::event::What;
use quietspin::balance::job::file::{self, JobFile};
use quietspin::balance::judgement::Standing;
use quietspin::report::json;
use quietspin::simulate::{Place, Scenario, Sensor, SpeedProfile, Unbalance, simulate};
use serde_json::Value;
use tempfile::TempDir;

/// Balancing speed.
const RPM: f64 = 24_000.0;
/// Planes and their places along the shaft.
const PLANES: [(&str, f64); 2] = [("compressor", 20.0), ("turbine", 88.0)];

/// What a machine file says beside what the simulation states of its sensors.
const MACHINE: &str = r#"
format = 1
name = "3 kW microturbine generator cartridge (invented)"

[shaft]
top_rpm = 96000
mass_kg = 0.35
balance_grade_mm_s = 2.5
span_mm = 110
centre_mm = 53
bending_critical_rpm = 180000

[channel.front]
number = 1
role = "vibration"
unit = "g"
full_scale = 20.0
sensor_angle_deg = 90

[channel.rear]
number = 2
role = "vibration"
unit = "g"
full_scale = 20.0
sensor_angle_deg = 90

[channel.pulse]
number = 3
role = "pulse"
unit = "V"
full_scale = 10.0
edge = "rising"
pulses_per_turn = 1

[plane.compressor]
position_mm = 20
radius_mm = 18
density_g_cm3 = 2.81
bore = "axial"
drill_mm = 2
depth_max_mm = 3
edge_mm = 0.5
spacing_mm = 1
removal_max_g = 0.2
zones_deg = [[0, 360]]
seen_from = "the inlet"
rotation_seen = "clockwise"

[plane.turbine]
position_mm = 88
radius_mm = 17
density_g_cm3 = 8.19
bore = "axial"
drill_mm = 2
depth_max_mm = 2
edge_mm = 0.5
spacing_mm = 1
removal_max_g = 0.3
zones_deg = [[0, 360]]
seen_from = "the outlet"
rotation_seen = "counter_clockwise"
"#;

/// A rotor on its rig: what is heavy, and how often it was spun.
struct Bench {
    folder: TempDir,
    heavy: Vec<Unbalance>,
    /// Balancing speeds, held one after the other.
    speeds: Vec<f64>,
    spins: u64,
}

impl Bench {
    fn new() -> Self {
        let folder = tempfile::tempdir().expect("a folder");
        std::fs::write(folder.path().join("machine.toml"), MACHINE).expect("written");
        let mut bench = Self { folder, heavy: Vec::new(), speeds: vec![RPM], spins: 0 };
        bench.add("compressor", 0.62, 140.0);
        bench.add("turbine", 0.48, 285.0);
        bench
    }

    /// Adds unbalance for good; below 0 takes it away.
    fn add(&mut self, plane: &str, g_mm: f64, deg: f64) {
        let (_, position_mm) = PLANES.into_iter().find(|p| p.0 == plane).expect("a plane");
        let deg = if g_mm < 0.0 { deg + 180.0 } else { deg };
        self.heavy.push(Unbalance { position_mm, g_mm: g_mm.abs(), deg: deg.rem_euclid(360.0) });
    }

    fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// Spins with trial masses and records.
    fn spin(&mut self, trial: &[(String, f64, f64)]) -> PathBuf {
        self.spins += 1;
        let mut heavy = self.heavy.clone();
        for (plane, g_mm, deg) in trial {
            self.add(plane, *g_mm, *deg);
            heavy.extend(self.heavy.pop());
        }
        let mut scenario = Scenario {
            name: format!("spin-{}", self.spins),
            speed: match self.speeds[..] {
                [top, lower] => SpeedProfile {
                    start_rpm: lower,
                    top_rpm: top,
                    wait_s: 1.4,
                    up_s: 1.0,
                    hold_s: 1.4,
                    ..SpeedProfile::default()
                },
                _ => SpeedProfile::constant(RPM, 1.6),
            },
            sensor: [("front", Place::Front), ("rear", Place::Rear)]
                .map(|(name, place)| Sensor {
                    name: name.to_owned(),
                    angle_deg: 90.0,
                    full_scale: 20.0,
                    ..Sensor::accelerometer(place)
                })
                .to_vec(),
            ..Scenario::default()
        };
        scenario.converter.rate_hz = 25_600.0;
        // a rotor and its stand come back to 0.3 % from spin to spin
        for (index, spot) in heavy.iter_mut().enumerate() {
            let turn = self.spins as f64 * 2.4 + index as f64;
            spot.g_mm *= 1.0 + 0.003 * turn.sin();
        }
        scenario.rotor.residual = heavy;
        let made = simulate(&scenario, self.spins).expect("simulated");
        made.write(self.folder.path()).expect("written").wav
    }

    /// Unbalance that is really left at the bearings, in g mm.
    fn left(&self) -> [f64; 2] {
        let at = |share: &dyn Fn(f64) -> f64| {
            let (mut x, mut y) = (0.0, 0.0);
            for spot in &self.heavy {
                let size = spot.g_mm * share(spot.position_mm / 110.0);
                x += size * spot.deg.to_radians().cos();
                y += size * spot.deg.to_radians().sin();
            }
            f64::hypot(x, y)
        };
        [at(&|second| 1.0 - second), at(&|second| second)]
    }

    fn run(&self, arguments: &[&str]) -> Output {
        Command::new(env!("CARGO_BIN_EXE_quietspin"))
            .arg("balance")
            .args(arguments)
            .current_dir(self.folder.path())
            .output()
            .expect("started")
    }

    /// Runs a step that must succeed and returns its JSON.
    fn step(&self, arguments: &[&str]) -> Value {
        let mut all = arguments.to_vec();
        all.push("--json");
        let output = self.run(&all);
        let text = String::from_utf8_lossy(&output.stdout);
        let told = String::from_utf8_lossy(&output.stderr);
        assert!(output.status.code().is_some_and(|code| code < 2), "{arguments:?}: {told}");
        serde_json::from_str(&text).unwrap_or_else(|error| panic!("{error}: {text}"))
    }

    fn begin(&self, job: &str) -> Value {
        self.step(&[
            "new",
            job,
            "--machine",
            "machine.toml",
            "--serial",
            "421 (invented)",
            "--rpm",
            "24000",
            "--rig",
            "stand 1",
        ])
    }

    /// Spins as the job asks for and records it.
    fn follow(&mut self, job: &str, state: &Value) -> Value {
        let trial: Vec<(String, f64, f64)> = masses(&state["next"]["trial"]);
        let wav = self.spin(&trial);
        self.record(job, &wav, &trial)
    }

    fn record(&self, job: &str, wav: &Path, trial: &[(String, f64, f64)]) -> Value {
        let stated: Vec<String> =
            trial.iter().map(|(plane, g_mm, deg)| format!("{plane}={g_mm}@{deg}")).collect();
        let wav = wav.to_string_lossy().into_owned();
        let mut arguments = vec!["spin", job, wav.as_str()];
        for one in &stated {
            arguments.extend(["--trial", one.as_str()]);
        }
        self.step(&arguments)
    }

    /// Drills what is planned, `share` of each effect and turned by `off_deg`.
    fn drill(&mut self, state: &Value, share: f64, turned: impl Fn(f64) -> f64) {
        for plane in state["next"]["planes"].as_array().expect("planes") {
            for (plane, g_mm, deg) in masses(&plane["metal"]) {
                self.add(&plane, share * g_mm, turned(deg));
            }
        }
    }
}

fn masses(rows: &Value) -> Vec<(String, f64, f64)> {
    let number = |row: &Value, key: &str| row[key].as_f64().expect("a number");
    rows.as_array().map_or_else(Vec::new, |rows| {
        rows.iter()
            .map(|row| {
                let plane = row["plane"].as_str().expect("a plane").to_owned();
                (plane, number(row, "g_mm"), number(row, "deg"))
            })
            .collect()
    })
}

/// Follows the advice until it passes; returns the last state.
fn to_the_end(bench: &mut Bench, job: &str) -> Value {
    let mut state = bench.step(&["plan", job]);
    for _ in 0..20 {
        state = match state["next"]["step"].as_str().expect("a step") {
            "done" => return state,
            "correct" => {
                bench.drill(&state, 0.97, |deg| deg + 1.5);
                bench.step(&["drilled", job, "--as-planned"])
            }
            "spin" | "spin_again" => bench.follow(job, &state),
            other => panic!("{other}: {state:#}"),
        };
    }
    panic!("it does not end: {state:#}")
}

/// The whole job of a rotor of a new type on a new rig, then of the next one of the type.
#[test]
fn a_rotor_is_balanced_by_following_the_advice() {
    let mut bench = Bench::new();
    let schema = serde_json::from_str(json::balance::SCHEMA).expect("JSON");
    let schema = jsonschema::validator_for(&schema).expect("a sound schema");
    let begun = bench.begin("job.toml");
    assert!(schema.is_valid(&begun), "{begun:#}");
    assert_eq!(begun["next"]["step"], "spin");
    let end = to_the_end(&mut bench, "job.toml");
    assert!(schema.is_valid(&end), "{:?}", schema.iter_errors(&end).next().map(|e| e.to_string()));
    assert_eq!(end["standing"], "passes");
    // one spin repeated, three of the design, then spins after corrections
    let (spins, corrections) = (end["spins"].as_u64(), end["corrections"].as_u64());
    assert!(spins <= Some(8) && corrections <= Some(3), "{end:#}");
    let left = bench.left();
    for (m, measure) in end["tolerance"]["measures"].as_array().expect("two").iter().enumerate() {
        let number = |key: &str| measure[key].as_f64().expect("a number");
        assert!(left[m] <= number("limit"), "{left:?}: {end:#}");
        assert!((left[m] - number("value")).abs() < 4.0 * number("error"), "{left:?}: {end:#}");
    }

    let output = bench.run(&["certificate", "job.toml"]);
    assert_eq!(output.status.code(), Some(0));
    let page = std::fs::read_to_string(bench.path("job.certificate.html")).expect("a page");
    for words in ["PASSES", "421 (invented)", "ISO 21940-11", "Caution", "<svg"] {
        assert!(page.contains(words), "{words}");
    }
    let beside = std::fs::read_to_string(bench.path("job.certificate.json")).expect("JSON");
    assert!(schema.is_valid(&serde_json::from_str(&beside).expect("JSON")));

    // a certificate replaces no other JSON, and what was not spun since it was drilled does not pass
    std::fs::write(bench.path("data.json"), "{}").expect("written");
    let refused = bench.run(&["certificate", "job.toml", "--out", "data.html"]);
    assert!(String::from_utf8_lossy(&refused.stderr).contains("data.json"));
    let unspun = bench.step(&["drilled", "job.toml", "--taken", "compressor=0.001@137"]);
    assert_eq!(unspun["next"]["step"], "spin", "{unspun:#}");
    assert_eq!(bench.run(&["certificate", "job.toml"]).status.code(), Some(3));
    let wrong = bench.run(&["drilled", "job.toml", "--taken", "compressor=-0.4@152"]);
    assert!(String::from_utf8_lossy(&wrong.stderr).contains("above 0"));
    let deep = bench.step(&["drilled", "job.toml", "--hole", "compressor=9@330"]);
    let notes = deep["notes"].to_string();
    assert!(notes.contains("9.00 mm deep at 330 deg, 3.00 are allowed"), "{notes}");
    bench.step(&["undo", "job.toml"]);
    bench.step(&["undo", "job.toml"]);
    assert_eq!(bench.run(&["certificate", "job.toml"]).status.code(), Some(0));

    // the next rotor of the type: no trial masses, no repeated spin
    bench.heavy.clear();
    bench.add("compressor", 0.4, 10.0);
    bench.add("turbine", 0.7, 200.0);
    bench.step(&[
        "new",
        "next.toml",
        "--machine",
        "machine.toml",
        "--serial",
        "422 (invented)",
        "--rpm",
        "24000",
        "--rig",
        "stand 1",
        "--like",
        "job.toml",
    ]);
    let end = to_the_end(&mut bench, "next.toml");
    assert!(end["spins"].as_u64() <= Some(5), "{end:#}");
    let job = file::read(&bench.path("next.toml")).expect("a job");
    assert!(job.events.iter().all(|e| !matches!(&e.what, What::Spin(s) if !s.trial.is_empty())));
    let folded = job.folded().expect("it folds");
    assert_eq!(folded.verdict.expect("judged").standing, Standing::Passes);
}

/// A hole at the mirrored angle stops the job; the cause stands first or second, and naming it goes on.
#[test]
fn a_mirrored_hole_stops_the_job_and_is_named() {
    let mut bench = Bench::new();
    let mut state = bench.begin("job.toml");
    while state["next"]["step"] != "correct" {
        state = bench.follow("job.toml", &state);
    }
    bench.drill(&state, 1.0, |deg| -deg);
    bench.step(&["drilled", "job.toml", "--as-planned"]);
    let wav = bench.spin(&[]);
    let stopped = bench.record("job.toml", &wav, &[]);
    assert_eq!(stopped["stopped"], true, "{stopped:#}");
    assert!(stopped["next"]["sigmas"].as_f64() > Some(3.0));
    let suspects = stopped["next"]["suspects"].as_array().expect("suspects");
    let rank = suspects.iter().position(|s| s["cause"] == "mirrored_angle").expect("it is named");
    assert!(rank < 2, "{stopped:#}");

    // nothing goes on before somebody has looked
    let tested = bench.run(&["test", "job.toml", "repeatability"]);
    assert!(String::from_utf8_lossy(&tested.stderr).contains("it has stopped"));
    let beyond = bench.run(&["found", "job.toml", "5"]);
    assert!(String::from_utf8_lossy(&beyond.stderr).contains("4 listed"));
    let refused = bench.run(&["drilled", "job.toml", "--as-planned"]);
    assert_eq!(refused.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&refused.stderr).contains("it has stopped"));
    let mended = bench.step(&["found", "job.toml", &(rank + 1).to_string()]);
    assert_eq!(mended["stopped"], false, "{mended:#}");
    let end = to_the_end(&mut bench, "job.toml");
    assert_eq!(end["standing"], "passes");
}

/// Holes that were drilled and not told are named before every other cause, whatever was undone since.
#[test]
fn holes_that_nobody_told_are_named() {
    let mut bench = Bench::new();
    let mut state = bench.begin("job.toml");
    while state["next"]["step"] != "correct" {
        state = bench.follow("job.toml", &state);
    }
    bench.drill(&state, 1.0, |deg| deg);
    let told = |state: &Value| state["next"]["told"].to_string().contains("drilled and not told");
    for _ in 0..2 {
        let wav = bench.spin(&[]);
        let stopped = bench.record("job.toml", &wav, &[]);
        assert!(stopped["stopped"] == true && told(&stopped), "{stopped:#}");
        bench.step(&["undo", "job.toml"]);
    }
    bench.step(&["drilled", "job.toml", "--as-planned"]);
    let wav = bench.spin(&[]);
    let after = bench.record("job.toml", &wav, &[]);
    assert_eq!(after["stopped"], false, "{after:#}");
}

/// What is undone does not count and is not lost; a job in use is refused to others; a torn file is refused in a
/// sentence.
#[test]
fn a_job_file_keeps_everything_and_is_changed_by_one_at_a_time() {
    let mut bench = Bench::new();
    let state = bench.begin("job.toml");
    let after = bench.follow("job.toml", &state);
    assert_eq!(after["spins"], 1);
    let undone = bench.step(&["undo", "job.toml"]);
    assert_eq!(undone["spins"], 0);
    assert_eq!(undone["history"].as_array().map(Vec::len), Some(2));
    let text = std::fs::read_to_string(bench.path("job.toml")).expect("a file");
    let again = file::from_text(&text, Path::new("job.toml")).expect("a job");
    assert_eq!(file::to_text(&again).expect("text"), text);

    let held = JobFile::open(&bench.path("job.toml")).expect("free");
    let refused = bench.run(&["undo", "job.toml"]);
    assert_eq!(refused.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&refused.stderr).contains("another command is changing"));
    drop(held);
    let refused = bench.run(&["undo", "job.toml"]);
    assert!(String::from_utf8_lossy(&refused.stderr).contains("nothing is left to undo"));

    for (bad, told) in [
        (text.replace("kind = \"spin\"", "kind = \"spun\""), "[[event]] number 1"),
        (text.replace("format = 1", "format = 9"), "format"),
        (text[..text.len() / 3].to_owned(), "line"),
        (text.replace("serial =", "serials ="), "[rotor]"),
    ] {
        std::fs::write(bench.path("bad.toml"), &bad).expect("written");
        let refused = bench.run(&["plan", "bad.toml"]);
        let sentence = String::from_utf8_lossy(&refused.stderr).into_owned();
        assert_eq!(refused.status.code(), Some(2), "{sentence}");
        assert!(sentence.contains("bad.toml") && sentence.contains(told), "{sentence}");
        assert_eq!(sentence.lines().count(), 1, "{sentence}");
    }
}

/// The rotor's own part and the mandrel's are told apart; a heavy mandrel fails the set-up. A mass at equal angles shows
/// whether the residual can be reached.
#[test]
fn the_set_up_is_tested_with_recordings() {
    let mut bench = Bench::new();
    let mut state = bench.begin("job.toml");
    while state["next"]["step"] != "correct" {
        state = bench.follow("job.toml", &state);
    }
    let rotor = std::mem::take(&mut bench.heavy);
    let mounted = |bench: &mut Bench, turned: f64, mandrel: f64| {
        bench.heavy = rotor
            .iter()
            .cloned()
            .map(|s| Unbalance { deg: (s.deg + turned).rem_euclid(360.0), ..s })
            .collect();
        bench.add("compressor", mandrel, 77.0);
        bench.spin(&[]).to_string_lossy().into_owned()
    };
    for (mandrel, status, word) in [(0.002, 0, "GOOD"), (0.2, 1, "NOT GOOD")] {
        let both = [mounted(&mut bench, 0.0, mandrel), mounted(&mut bench, 180.0, mandrel)];
        let output = bench.run(&["test", "job.toml", "index", &both[0], &both[1]]);
        let text = String::from_utf8_lossy(&output.stdout).into_owned();
        assert_eq!(output.status.code(), Some(status), "{text}");
        assert!(text.contains(word), "{text}");
        let told = text.split_whitespace().collect::<Vec<_>>().join(" ");
        let share = told.split("mandrel ").nth(1).and_then(|rest| rest.split(' ').next());
        let share: f64 = share.and_then(|digits| digits.parse().ok()).expect("the mandrel's part");
        assert!((share - mandrel).abs() < 0.03, "{told}");
    }

    bench.heavy.clear();
    bench.add("turbine", 0.005, 10.0);
    let schema = serde_json::from_str(json::balance::TEST_SCHEMA).expect("JSON");
    let schema = jsonschema::validator_for(&schema).expect("a sound schema");
    // ten times a residual of 0.04 g mm, which the rotor with its 0.005 keeps to
    let places: Vec<String> = (0..6)
        .map(|place| {
            let mass = [("turbine".to_owned(), 0.4, 60.0 * f64::from(place))];
            bench.spin(&mass).to_string_lossy().into_owned()
        })
        .collect();
    let mut arguments = vec!["test", "job.toml", "residual", "--plane", "turbine", "--mass", "0.4"];
    arguments.extend(places.iter().map(String::as_str));
    let tested = bench.step(&arguments);
    assert!(schema.is_valid(&tested), "{tested:#}");
    assert_eq!(tested["passed"], true, "{tested:#}");
    let few = bench.run(&arguments[..10]);
    assert!(String::from_utf8_lossy(&few.stderr).contains("6 places"));
}

/// One sensor at two speeds tells two planes; the tolerance is a limit of vibration.
#[test]
fn one_sensor_at_two_speeds_is_judged_by_vibration() {
    let mut bench = Bench::new();
    let machine = MACHINE
        .replace("balance_grade_mm_s = 2.5\n", "")
        .replace("[plane.compressor]", "[limits]\norder1_mm_s_rms = 0.12\n\n[plane.compressor]");
    std::fs::write(bench.path("machine.toml"), machine).expect("written");
    bench.speeds = vec![RPM, 18_000.0];
    let mut arguments = vec!["new", "job.toml", "--machine", "machine.toml", "--serial", "7"];
    arguments.extend(["--rpm", "24000,18000", "--sensor", "front"]);
    let begun = bench.step(&arguments);
    assert!(begun["tolerance"].is_null(), "{begun:#}");
    let end = to_the_end(&mut bench, "job.toml");
    assert_eq!(end["standing"], "passes", "{end:#}");
    assert_eq!(end["tolerance"]["by"], "vibration");
    let measures = end["tolerance"]["measures"].as_array().expect("a list");
    assert_eq!(measures.len(), 2);
    assert!(measures.iter().all(|m| m["unit"] == "mm/s rms" && m["limit"] == 0.12), "{end:#}");
}

/// A constructed case (own arithmetic): 20 g mm are heavy at 105 degrees.
#[test]
fn amplitudes_alone_tell_a_plane() {
    let bench = Bench::new();
    let arguments = ["without-phase", "--original", "5.0", "--trial", "10", "--at"];
    let places = ["0=4.977903562", "120=7.442993058", "240=3.684064396"];
    let found = bench.step(&[&arguments[..], &places[..]].concat());
    let schema = serde_json::from_str(json::balance::WITHOUT_PHASE_SCHEMA).expect("JSON");
    assert!(jsonschema::validator_for(&schema).expect("a sound schema").is_valid(&found));
    assert!((found["heavy_g_mm"].as_f64().expect("a number") - 20.0).abs() < 1e-3);
    assert!((found["heavy_deg"].as_f64().expect("a number") - 105.0).abs() < 1e-3);
    let two = bench.run(&[&arguments[..], &places[..2]].concat());
    assert_eq!(two.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&two.stderr).contains("three places"));
}

/// What a job cannot begin with is refused with what is missing.
#[test]
fn a_job_that_cannot_end_does_not_begin() {
    let bench = Bench::new();
    let refused = |change: &dyn Fn(&str) -> String, more: &[&str]| {
        std::fs::write(bench.path("m.toml"), change(MACHINE)).expect("written");
        let mut arguments =
            vec!["new", "j.toml", "--machine", "m.toml", "--serial", "1", "--rpm", "24000"];
        arguments.extend(more);
        let output = bench.run(&arguments);
        assert_eq!(output.status.code(), Some(2), "{}", String::from_utf8_lossy(&output.stdout));
        assert!(!bench.path("j.toml").exists());
        String::from_utf8_lossy(&output.stderr).into_owned()
    };
    let same = |text: &str| text.to_owned();
    let one = refused(&same, &["--sensor", "front"]);
    assert!(
        one.contains("2 planes need as many") && one.contains("second balancing speed"),
        "{one}"
    );
    let mass = refused(&|text| text.replace("mass_kg = 0.35\n", ""), &[]);
    assert!(mass.contains("shaft.mass_kg"), "{mass}");
    let bends = refused(&|text| text.replace("180000", "100000"), &[]);
    assert!(bends.contains("70000 rpm"), "{bends}");
    let fast = refused(&|text| text.replace("top_rpm = 96000", "top_rpm = 20000"), &[]);
    assert!(fast.contains("above the top speed"), "{fast}");
    let twice = refused(&same, &["--plane", "turbine,turbine"]);
    assert!(twice.contains("stands twice"), "{twice}");
    let same_speed = refused(&same, &["--rpm", "24050"]);
    assert!(
        same_speed.contains("one speed") || same_speed.contains("cannot be used"),
        "{same_speed}"
    );
    let plane = refused(&same, &["--plane", "fan"]);
    assert!(plane.contains("plane.fan"), "{plane}");
    let no_tolerance = refused(&|text| text.replace("balance_grade_mm_s = 2.5\n", ""), &[]);
    assert!(no_tolerance.contains("without a tolerance"), "{no_tolerance}");
}
