//! The command as its users meet it: what it prints where, and the status it leaves.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};

use quietspin::report::json;
use serde_json::Value;
use tempfile::TempDir;
use unicode_width::UnicodeWidthStr;

mod screen;
mod strange;

/// The command, with an environment that no user's settings reach.
fn quietspin(arguments: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_quietspin"));
    command.args(arguments).env_clear().env("LANG", "C.UTF-8").stdin(Stdio::null());
    command
}

fn run(arguments: &[&str]) -> Output {
    quietspin(arguments).output().expect("the command starts")
}

fn status(output: &Output) -> i32 {
    output.status.code().expect("the command ends by itself")
}

fn shown(output: &Output) -> String {
    String::from_utf8(output.stdout.clone()).expect("UTF-8")
}

fn complaint(output: &Output) -> String {
    String::from_utf8(output.stderr.clone()).expect("UTF-8")
}

fn parsed(output: &Output) -> Value {
    serde_json::from_slice(&output.stdout).expect("JSON alone on the standard output")
}

fn fits(schema: &str, value: &Value) {
    let schema: Value = serde_json::from_str(schema).expect("the schema is JSON");
    let errors: Vec<String> = jsonschema::validator_for(&schema)
        .expect("a sound schema")
        .iter_errors(value)
        .map(|error| format!("{}: {error}", error.instance_path()))
        .collect();
    assert!(errors.is_empty(), "{errors:#?}");
}

/// A simulated recording in a folder of its own.
struct Simulated {
    folder: TempDir,
}

impl Simulated {
    /// Of a short run-up that keeps or breaks the limits, as asked.
    fn new(scenario: &str) -> Self {
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().join("scenario.toml");
        fs::write(&path, scenario).expect("a scenario");
        let out = folder.path().join("spin.wav");
        let output = run(&["simulate", text(&path), "--seed", "5", "--out", text(&out)]);
        assert_eq!(status(&output), 0, "{}", complaint(&output));
        Self { folder }
    }

    fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// `check` of the recording with its machine file and further arguments.
    fn check(&self, arguments: &[&str]) -> Output {
        let (wav, machine) = (self.path("spin.wav"), self.path("spin.machine.toml"));
        let own = ["check", text(&wav), "--machine", text(&machine)];
        run(&[&own, arguments].concat())
    }
}

fn text(path: &Path) -> &str {
    path.to_str().expect("a plain path")
}

/// A healthy cartridge, held long enough to be accepted.
const GOOD: &str = "[speed]\nup_s = 3.0\nhold_s = 2.5\n";
/// The same with a limit that no machine keeps.
const OVER: &str = "[speed]\nup_s = 3.0\nhold_s = 2.5\n[limits]\noverall_mm_s_rms = 0.001\n";

#[test]
fn help_and_version_are_no_errors() {
    for arguments in [&["--version"][..], &["--help"], &["check", "--help"], &["simulate", "-h"]] {
        let output = run(arguments);
        assert_eq!(status(&output), 0);
        assert!(!output.stdout.is_empty() && output.stderr.is_empty(), "{arguments:?}");
    }
    assert_eq!(shown(&run(&["--version"])), format!("quietspin {}\n", env!("CARGO_PKG_VERSION")));
    assert!(shown(&run(&["machine-keys"])).contains("| `top_rpm` |"));
}

#[test]
fn shells_complete_the_command_line_and_its_manual_reads() {
    for (shell, sign) in
        [("bash", "complete -F"), ("zsh", "#compdef quietspin"), ("fish", "complete -c quietspin")]
    {
        let script = shown(&run(&["completions", shell]));
        for word in [sign, "speed-range", "name-pattern", "simulate"] {
            assert!(script.contains(word), "{shell}: {word}");
        }
    }
    let page = shown(&run(&["man"]));
    assert!(page.contains(".TH quietspin 1") && page.contains("no protection system"), "{page}");
    let page = shown(&run(&["man", "check"]));
    assert!(page.contains("quietspin\\-check") || page.contains("quietspin-check"), "{page}");
    assert!(page.contains("speed\\-range"), "{page}");
    let output = run(&["man", "chek"]);
    assert_eq!(status(&output), 2);
    assert!(complaint(&output).contains("choose among check, report, screen"));
}

#[test]
fn a_wrong_command_line_is_told_and_leaves_2() {
    let wrong = [
        &["check"][..],
        &["chek", "a.wav"],
        &["check", "a.wav", "--rpm", "fast"],
        &["check", "a.wav", "--rpm", "0"],
        &["check", "a.wav", "--rpm", "1000", "--speed-range", "1000,2000"],
        &["check", "a.wav", "--speed-range", "2000,1000"],
        &["check", "a.wav", "--role", "pulse"],
        &["check", "a.wav", "--role", "1=pulses"],
        &["check", "a.wav", "--quiet", "--json"],
        &["simulate", "--seed", "-1"],
    ];
    for arguments in wrong {
        let output = run(arguments);
        assert_eq!(status(&output), 2, "{arguments:?}");
        let told = complaint(&output);
        assert!(told.starts_with("quietspin: ") && told.ends_with("; see --help\n"), "{told}");
        assert_eq!(told.matches('\n').count(), 1, "{told}");
        let json_wanted = arguments.contains(&"--json");
        assert_eq!(output.stdout.is_empty(), !json_wanted, "{arguments:?}");
    }
    let output = run(&["check", "a.wav", "--rpm", "fast", "--json"]);
    let error = parsed(&output);
    fits(json::ERROR_SCHEMA, &error);
    assert_eq!(error["error"]["kind"], "usage");
    let message = error["error"]["message"].as_str().expect("a message");
    assert!(message.contains("'fast'") && !message.contains('\u{1b}'), "{message}");
    let error = parsed(&run(&["check", "--json"]));
    let message = error["error"]["message"].as_str().expect("a message");
    assert!(message.ends_with("not provided: <FILE>; see --help"), "{message}");
}

#[test]
fn an_unusable_file_is_one_sentence_and_leaves_2() {
    let folder = tempfile::tempdir().expect("a folder");
    let missing = folder.path().join("missing.wav");
    let strange = folder.path().join("strange\u{1b}[2J\nname.wav");
    fs::write(&strange, b"\x00\x01\x02\x03").expect("a file");
    for path in [&missing, &strange, &folder.path().to_owned()] {
        let output = run(&["check", text(path)]);
        assert_eq!(status(&output), 2, "{}", path.display());
        assert!(output.stdout.is_empty());
        let complaint = complaint(&output);
        assert!(complaint.starts_with("quietspin: "), "{complaint:?}");
        assert_eq!(complaint.matches('\n').count(), 1, "{complaint:?}");
        assert!(!complaint.trim_end().contains(char::is_control), "{complaint:?}");

        let output = run(&["check", text(path), "--json"]);
        assert_eq!(status(&output), 2);
        let error = parsed(&output);
        fits(json::ERROR_SCHEMA, &error);
        assert_eq!(error["error"]["path"], text(path));
    }
}

#[test]
fn the_status_tells_the_verdict() {
    let good = Simulated::new(GOOD);
    let output = good.check(&[]);
    assert!(shown(&output).contains("ACCEPT"), "{}", shown(&output));
    assert_eq!(status(&output), 0);
    assert!(output.stderr.is_empty(), "no progress where nobody watches");

    let quiet = good.check(&["--quiet"]);
    assert_eq!((status(&quiet), quiet.stdout.len(), quiet.stderr.len()), (0, 0, 0));

    let silent = good.path("silent.csv");
    fs::write(&silent, "front\n".to_owned() + &"0\n".repeat(8000)).expect("a file");
    let output = run(&["check", text(&silent), "--rate", "8000"]);
    assert!(shown(&output).contains("NO VERDICT"), "{}", shown(&output));
    assert!(shown(&output).contains("unfit"), "{}", shown(&output));
    assert_eq!(status(&output), 3);

    let over = Simulated::new(OVER);
    let output = over.check(&[]);
    assert!(shown(&output).contains("REJECT"), "{}", shown(&output));
    assert_eq!(status(&output), 1);
    assert_eq!(status(&over.check(&["--quiet"])), 1);
}

#[test]
fn json_holds_to_its_schema_and_leaves_the_same_status() {
    for (scenario, verdict, wanted) in [(GOOD, "accept", 0), (OVER, "reject", 1)] {
        let output = Simulated::new(scenario).check(&["--json"]);
        let check = parsed(&output);
        fits(json::CHECK_SCHEMA, &check);
        assert_eq!((check["verdict"].as_str(), status(&output)), (Some(verdict), wanted));
        assert_eq!(check["speed"]["source"], "pulse");
        assert_eq!(check["machine"]["given"], true);
        assert_eq!(check["recording"]["name"], "spin.wav");
        assert_eq!(check["recording"]["sha256"].as_str().map(str::len), Some(64));
    }
}

#[test]
fn text_into_a_pipe_is_plain_and_narrow() {
    let good = Simulated::new(GOOD);
    let plain = shown(&good.check(&["--picture"]));
    assert!(plain.contains('█') && plain.contains("order"), "{plain}");
    assert!(plain.lines().all(|line| line.width() <= 80), "{plain}");
    assert!(!plain.contains('\u{1b}'));
    assert!(!shown(&good.check(&[])).contains('█'), "no picture unless asked for");
    assert!(!shown(&good.check(&["--picture", "--no-picture"])).contains('█'));
    assert!(shown(&good.check(&["--colour", "always"])).contains("\u{1b}[1;32mACCEPT\u{1b}[0m"));
    assert!(!shown(&good.check(&["--colour", "never"])).contains('\u{1b}'));

    let (wav, machine) = (good.path("spin.wav"), good.path("spin.machine.toml"));
    let arguments = ["check", text(&wav), "--machine", text(&machine), "--picture"];
    let output = quietspin(&arguments).env("LC_ALL", "C").output().expect("the command starts");
    assert!(shown(&output).is_ascii(), "{}", shown(&output));
}

#[test]
fn what_the_command_line_states_is_used() {
    let good = Simulated::new(GOOD);
    // the third channel is the pulse; without it the stated speed is the only one
    let stated = parsed(&good.check(&["--json", "--role", "3=other", "--rpm", "48000"]));
    assert_eq!(stated["speed"]["source"], "stated");
    assert_eq!(stated["speed"]["max_rpm"], 48_000.0);
    assert_eq!(stated["recording"]["channels"][2]["role"], "other");
    let plain = parsed(&good.check(&["--json"]));
    assert_ne!(
        stated["machine"]["sha256"], plain["machine"]["sha256"],
        "the resolved settings differ"
    );

    // where to look for a speed says nothing about the machine: full speed stays its own
    let sought = good.check(&["--json", "--speed-range", "20000,200000"]);
    assert_eq!(parsed(&sought), plain);

    // taps are made at standstill
    let turning = good.path("spin.wav");
    let output = good.check(&["--tap", text(&turning)]);
    assert_eq!(status(&output), 2);
    assert!(complaint(&output).contains("the shaft turns"), "{}", complaint(&output));

    let output = good.check(&["--role", "9=pulse"]);
    assert_eq!(status(&output), 2);
    assert!(complaint(&output).contains("spin.wav has no channel \"9\""), "{}", complaint(&output));

    let wav = good.path("spin.wav");
    let bare = run(&["check", text(&wav), "--json", "--role", "ch2=sound", "--role", "3=pulse"]);
    let roles: Vec<Value> = parsed(&bare)["recording"]["channels"]
        .as_array()
        .expect("channels")
        .iter()
        .map(|channel| channel["role"].clone())
        .collect();
    assert_eq!(roles[1..], ["sound", "pulse"]);
}

#[test]
fn a_rate_is_taken_where_the_file_has_none() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("bare.csv");
    let rows = (0..4000).map(|i| format!("{:.5}\n", (f64::from(i) * 0.37).sin()));
    fs::write(&path, format!("front\n{}", rows.collect::<String>())).expect("a file");
    assert_eq!(status(&run(&["check", text(&path)])), 2);
    let checked = parsed(&run(&["check", text(&path), "--rate", "8000", "--json"]));
    assert_eq!(checked["recording"]["channels"][0]["rate_hz"], 8000.0);
    assert_eq!(checked["recording"]["duration_s"], 0.5);
}

#[test]
fn a_hostile_name_is_shown_but_not_obeyed() {
    let good = Simulated::new(GOOD);
    let name = "\u{1b}[2Jcart\nREJECT\u{202e}vaw.wav";
    fs::copy(good.path("spin.wav"), good.path(name)).expect("a copy");
    let output = run(&["check", text(&good.path(name))]);
    let page = shown(&output);
    assert!(page.starts_with("\u{fffd}[2Jcart\u{fffd}REJECT\u{fffd}vaw.wav"), "{page}");
    assert!(page.chars().all(|c| c == '\n' || !c.is_control()));
}

#[test]
fn a_reader_that_goes_away_is_taken_in_silence() {
    let mut child = quietspin(&["machine-keys"])
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("the command starts");
    drop(child.stdout.take());
    let output = child.wait_with_output().expect("the command ends");
    assert_eq!(status(&output), 0);
    assert!(output.stderr.is_empty(), "{}", complaint(&output));
}

#[test]
fn a_full_disk_is_told() {
    let full = Path::new("/dev/full");
    if !full.exists() {
        return; // a device of Linux only
    }
    let output = quietspin(&["machine-keys"])
        .stdout(fs::File::options().write(true).open(full).expect("the device opens"))
        .output()
        .expect("the command starts");
    assert_eq!(status(&output), 2);
    assert!(complaint(&output).starts_with("quietspin: standard output: "));
}

#[test]
fn simulated_files_are_named_as_asked_and_repeat() {
    let folder = tempfile::tempdir().expect("a folder");
    let make = |name: &str, seed: &str| {
        let out = folder.path().join(name);
        let output = run(&[
            "simulate",
            "--fault",
            "imbalance",
            "--seed",
            seed,
            "--out",
            text(&out),
            "--json",
        ]);
        assert_eq!(status(&output), 0, "{}", complaint(&output));
        let files = parsed(&output);
        fits(json::SIMULATE_SCHEMA, &files);
        files
    };
    let in_folder = make("demo", "7");
    let recording = Path::new(in_folder["recording"].as_str().expect("a path")).to_owned();
    assert_eq!(recording, folder.path().join("demo/imbalance.wav"));
    let truth = fs::read_to_string(in_folder["truth"].as_str().expect("a path")).expect("a truth");
    let truth: Value = serde_json::from_str(&truth).expect("JSON");
    assert_eq!(truth["faults"][0]["fault"], "imbalance");

    let by_name = make("again.WAV", "7");
    let again = Path::new(by_name["recording"].as_str().expect("a path")).to_owned();
    assert_eq!(again, folder.path().join("again.wav"));
    let bytes = |path: &Path| fs::read(path).expect("a recording");
    assert_eq!(bytes(&recording), bytes(&again), "the same seed");
    let other = make("other.wav", "8");
    let other = Path::new(other["recording"].as_str().expect("a path")).to_owned();
    assert_ne!(bytes(&recording), bytes(&other), "another seed");
}

#[test]
fn a_simulation_that_cannot_be_is_refused() {
    let folder = tempfile::tempdir().expect("a folder");
    let scenario = folder.path().join("scenario.toml");
    fs::write(&scenario, "[speed]\ntop_rmp = 1000\n").expect("a file");
    let out = text(folder.path()).to_owned();
    let wrong = [
        &["simulate", "--fault", "gremlins", "--out", &out][..],
        &["simulate", text(&scenario), "--out", &out],
        &["simulate", "--out", "/dev/null/nowhere"],
    ];
    for arguments in wrong {
        let output = run(arguments);
        assert_eq!(status(&output), 2, "{arguments:?}");
        assert_eq!(complaint(&output).matches('\n').count(), 1, "{}", complaint(&output));
    }
    assert!(!folder.path().join("gremlins.wav").exists());
    for (bytes, told) in [
        (b"[speed]\nwait_s = -1\n".to_vec(), "scenario.toml, speed.wait_s: -1 is out of range"),
        (b"name = \"\xff\"".to_vec(), "scenario.toml, byte 8: this is no text in UTF-8"),
        (vec![b'#'; 5 << 20], "scenario.toml: it has 5242880 bytes, too many for a scenario"),
    ] {
        fs::write(&scenario, bytes).expect("a file");
        let output = run(&["simulate", text(&scenario), "--out", &out]);
        assert_eq!(status(&output), 2);
        assert!(complaint(&output).contains(told), "{}", complaint(&output));
    }
}

#[test]
fn a_simulation_replaces_nothing_but_simulations() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = |name: &str| folder.path().join(name);
    let wav = path("runup.wav");
    let simulate = || run(&["simulate", "--seed", "1", "--out", text(&wav)]);
    for taken in ["runup.wav", "runup.machine.toml", "runup.truth.json"] {
        fs::write(path(taken), "mine\n").expect("a file");
        let output = simulate();
        assert_eq!(status(&output), 2, "{taken}");
        assert!(complaint(&output).contains(taken), "{}", complaint(&output));
        assert_eq!(fs::read(path(taken)).expect("still there"), b"mine\n");
        fs::remove_file(path(taken)).expect("removed");
    }
    assert_eq!(status(&simulate()), 0);
    assert_eq!(status(&simulate()), 0, "its own files are replaced");
    let left: Vec<_> = fs::read_dir(folder.path()).expect("a folder").collect();
    assert_eq!(left.len(), 3, "no part is left: {left:?}");
    fs::write(path("runup.machine.toml"), "format = 1\n").expect("a file");
    assert_eq!(status(&simulate()), 2, "the machine file was rewritten by hand");
}

#[test]
fn a_report_is_written_whole_beside_the_recording_or_where_it_is_asked_for() {
    let folder = tempfile::tempdir().expect("a folder");
    let wav = folder.path().join("spin.wav");
    let sample = Path::new(env!("CARGO_MANIFEST_DIR")).join("samples/recordings/bearing.wav");
    fs::copy(sample, &wav).expect("copied");
    let run = |arguments: &[&str]| {
        Command::new(env!("CARGO_BIN_EXE_quietspin")).args(arguments).output().expect("run")
    };
    let done = run(&["report", wav.to_str().expect("UTF-8")]);
    assert_eq!(done.status.code(), Some(3), "no machine file, no verdict");
    let page = folder.path().join("spin.report.html");
    let text = fs::read_to_string(&page).expect("a page");
    assert!(text.starts_with("<!DOCTYPE html>") && text.ends_with("</html>"));
    let out = folder.path().join("other.html");
    let done = run(&[
        "report",
        wav.to_str().expect("UTF-8"),
        "--json",
        "--out",
        out.to_str().expect("UTF-8"),
    ]);
    let told: Value = serde_json::from_slice(&done.stdout).expect("JSON");
    fits(json::REPORT_SCHEMA, &told);
    assert_eq!(told["page"].as_str(), out.to_str());
    assert_eq!(told["verdict"], "no_verdict");
    assert!(out.is_file());
    let done = run(&["report", folder.path().join("none.wav").to_str().expect("UTF-8")]);
    assert_eq!(done.status.code(), Some(2));
    assert_eq!(fs::read_dir(folder.path()).expect("a folder").count(), 3);
}
