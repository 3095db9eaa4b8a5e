//! `quietspin screen`: what it finds, what it prints, and what a kill leaves.

use std::fs;
use std::path::PathBuf;
use std::process::Output;

use quietspin::report::json;
use quietspin::screen::row::SCHEMA;
use serde_json::Value;
use tempfile::TempDir;
use unicode_width::UnicodeWidthStr;

use super::{GOOD, OVER, Simulated, complaint, fits, parsed, quietspin, shown, status, text};

/// An archive: quick recordings without a verdict, and one file that is none.
struct Archive {
    folder: TempDir,
}

impl Archive {
    fn new() -> Self {
        let archive = Self { folder: tempfile::tempdir().expect("a folder") };
        fs::create_dir_all(archive.path("2026/march")).expect("folders");
        for (name, scale) in [("cart-1_2026-03-01", 1.0), ("cart-2_2026-03-02", 2.0)] {
            let rows = (0..4000).map(|i| {
                let time_s = f64::from(i) / 8000.0;
                format!("{time_s:.6},{:.5}\n", scale * (f64::from(i) * 0.37).sin())
            });
            let table = format!("time_s,front\n{}", rows.collect::<String>());
            fs::write(archive.path(&format!("2026/march/{name}.csv")), table).expect("a file");
        }
        fs::write(archive.path("2026/noise.wav"), "no recording").expect("a file");
        fs::write(archive.path("2026/notes.txt"), "no recording either").expect("a file");
        archive
    }

    fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// `screen` with the archive as the current folder.
    fn screen(&self, arguments: &[&str]) -> Output {
        quietspin(&[&["screen"], arguments].concat())
            .current_dir(self.folder.path())
            .output()
            .expect("the command starts")
    }

    fn journal(&self) -> String {
        fs::read_to_string(self.path("quietspin-screen.jsonl")).expect("a journal")
    }
}

#[test]
fn an_archive_is_screened_once() {
    let archive = Archive::new();
    let output = archive.screen(&["2026", "--name-pattern", "cart-{serial}_{date}"]);
    let page = shown(&output);
    assert_eq!(status(&output), 3, "{page}{}", complaint(&output));
    assert!(output.stderr.is_empty(), "no progress where nobody watches");
    assert!(page.contains("3 recordings, judged in"), "{page}");
    assert!(page.contains("1 unreadable, 2 no verdict"), "{page}");
    assert!(page.contains("cart-1_2026-03-01.csv"), "{page}");
    assert!(page.contains("unreadable   ") && page.contains("noise.wav"), "{page}");
    assert!(page.contains("1 do not fit the pattern, as noise.wav"), "{page}");
    assert!(page.lines().all(|line| line.width() <= 80), "{page}");
    assert!(page.contains("protection system"), "{page}");

    let journal = archive.journal();
    assert_eq!(journal.lines().count(), 3);
    for line in journal.lines() {
        fits(SCHEMA, &serde_json::from_str(line).expect("JSON"));
    }
    assert!(journal.contains("\"serial\":\"2\",\"date\":\"2026-03-02\""), "{journal}");

    let again = archive.screen(&["2026"]);
    assert_eq!(status(&again), 3);
    assert!(shown(&again).contains("3 recordings, all of them judged before"), "{}", shown(&again));
    assert_eq!(archive.journal(), journal, "nothing is doubled");

    fs::write(archive.path("2026/noise.wav"), "another").expect("a file");
    let renewed = parsed(&archive.screen(&["2026/**/*", "2026/noise.wav", "--json"]));
    fits(json::SCREEN_SCHEMA, &renewed);
    assert_eq!(
        (&renewed["judged_now"], &renewed["judged_before"]),
        (&Value::from(1), &Value::from(2))
    );
    assert_eq!(renewed["recordings"][0]["verdict"], "unreadable");
    assert_eq!(renewed["counts"]["no_verdict"], 2);

    let all = parsed(&archive.screen(&["2026", "--again", "--json", "--jobs", "1"]));
    assert_eq!(all["judged_now"], 3);
    let quiet = archive.screen(&["2026", "--quiet"]);
    assert_eq!((status(&quiet), quiet.stdout.len(), quiet.stderr.len()), (3, 0, 0));
}

#[test]
fn a_torn_journal_goes_on_where_it_was() {
    let archive = Archive::new();
    assert_eq!(status(&archive.screen(&["2026"])), 3);
    let complete = archive.journal();
    fs::write(archive.path("quietspin-screen.jsonl"), &complete[..complete.len() - 40])
        .expect("torn");
    let resumed = parsed(&archive.screen(&["2026", "--json"]));
    assert_eq!(
        (&resumed["judged_now"], &resumed["judged_before"]),
        (&Value::from(1), &Value::from(2))
    );
    assert_eq!(archive.journal(), complete);
}

#[test]
fn the_status_tells_whether_any_machine_needs_a_look() {
    let (good, over) = (Simulated::new(GOOD), Simulated::new(OVER));
    let out = good.path("journal.jsonl");
    let screen = |paths: &[&str]| {
        let arguments = [&["screen", "--out", text(&out)], paths].concat();
        quietspin(&arguments).output().expect("the command starts")
    };
    // the machine file beside the recording is used
    let (kept, broken) = (good.path("spin.wav"), over.path("spin.wav"));
    let output = screen(&[text(&kept)]);
    assert_eq!(status(&output), 0, "{}{}", shown(&output), complaint(&output));
    assert!(shown(&output).contains("ACCEPT"), "{}", shown(&output));
    let output = screen(&[text(&kept), text(&broken)]);
    assert_eq!(status(&output), 1);
    let page = shown(&output);
    assert!(page.find("REJECT") < page.find("ACCEPT"), "worst first: {page}");
    assert!(page.contains("1 judged now") && page.contains("1 judged before"), "{page}");
    // the one on the command line comes before that beside the recording
    let machine = over.path("spin.machine.toml");
    let output = screen(&[text(&kept), "--machine", text(&machine)]);
    assert_eq!(status(&output), 1, "{}", shown(&output));
    let colour = screen(&[text(&kept), "--colour", "always"]);
    assert!(shown(&colour).contains("\u{1b}[1;32mACCEPT\u{1b}[0m"), "{}", shown(&colour));
}

#[test]
fn the_table_is_written_whole_and_is_no_recording() {
    let archive = Archive::new();
    let csv = ["2026", "--csv", "2026/table.csv"];
    for judged in [3, 0] {
        let output = parsed(&archive.screen(&[&csv[..], &["--json"]].concat()));
        assert_eq!(output["judged_now"], judged);
        assert_eq!(output["table"], "2026/table.csv");
    }
    let table = fs::read_to_string(archive.path("2026/table.csv")).expect("a table");
    assert!(table.starts_with("path,serial,date,verdict,"), "{table}");
    assert_eq!(table.lines().count(), 4);
    let cart = archive.path("2026/march/cart-1_2026-03-01.csv");
    let before = fs::read(&cart).expect("a recording");
    let output = archive.screen(&["2026", "--csv", text(&cart)]);
    assert_eq!(status(&output), 2);
    assert!(complaint(&output).contains("is no table of a screen"), "{}", complaint(&output));
    assert_eq!(fs::read(&cart).expect("a recording"), before);
}

#[test]
fn what_cannot_be_screened_is_told_and_leaves_2() {
    let archive = Archive::new();
    fs::write(archive.path("machine.toml"), "format = 1\nlimit = 3\n").expect("a file");
    fs::create_dir(archive.path("empty")).expect("a folder");
    for (arguments, told) in [
        (&["missing.wav"][..], "missing.wav: "),
        (&["empty"], "no recording is found in empty"),
        (&["2026/*.flac"], "no recording is found in 2026/*.flac"),
        (&["2026/***"], "is no pattern of names"),
        (&["2026", "--machine", "machine.toml"], "machine.toml, line 2"),
        (&["2026", "--out", "2026/notes.txt"], "is no journal of a screen"),
        (&["2026", "--out", "no/journal.jsonl"], "no/journal.jsonl: "),
    ] {
        let output = archive.screen(arguments);
        assert_eq!(status(&output), 2, "{arguments:?}");
        assert!(output.stdout.is_empty(), "{arguments:?}");
        let complaint = complaint(&output);
        assert!(complaint.contains(told), "{complaint}");
        assert_eq!(complaint.matches('\n').count(), 1, "{complaint}");
    }
    assert_eq!(fs::read(archive.path("2026/notes.txt")).expect("a file"), b"no recording either");
    for wrong in [
        &[][..],
        &["2026", "--jobs", "0"],
        &["2026", "--name-pattern", "{sreial}"],
        &["2026", "--quiet", "--json"],
    ] {
        let output = archive.screen(wrong);
        assert_eq!(status(&output), 2, "{wrong:?}");
        assert!(complaint(&output).starts_with("quietspin: "), "{}", complaint(&output));
    }
    let error = parsed(&archive.screen(&["empty", "--json"]));
    fits(json::ERROR_SCHEMA, &error);
}

#[cfg(unix)]
#[test]
fn hostile_names_are_shown_but_not_obeyed() {
    let archive = Archive::new();
    fs::write(archive.path("\u{1b}[2Ja\nb\u{202e}.wav"), "no recording").expect("a file");
    fs::copy(archive.path("2026/march/cart-1_2026-03-01.csv"), archive.path("\u{1b}[2Ja\nb.csv"))
        .expect("a copy");
    let output = archive.screen(&["."]);
    let page = shown(&output);
    assert!(page.contains("5 recordings"), "{page}");
    assert!(
        page.chars().all(|c| c == '\n' || !c.is_control()) && !page.contains('\u{202e}'),
        "{page}"
    );
    assert_eq!(archive.journal().lines().count(), 5);
    assert!(archive.journal().chars().all(|c| c == '\n' || !c.is_control()));
}
