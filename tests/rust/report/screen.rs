//! The page of a screen: compared to the byte, worst first, never wider than the page.

use std::path::{Path, PathBuf};

use quietspin::report::Style;
use quietspin::report::screening::{Screened, page};
use quietspin::screen::Row;
use serde_json::{Value, json};

use super::keeps_width;
use crate::snapshots;

/// A row with what it needs, changed as asked.
fn row(path: &str, verdict: &str, reason: &str, change: Value) -> Row {
    let mut row = json!({
        "schema": "quietspin.row/1", "version": "0.1.0", "path": path, "size_bytes": 9000,
        "mtime": "2026-03-01T08:15:00.000000000Z", "settings_sha256": "5e".repeat(32),
        "sha256": "5d".repeat(32), "serial": null, "date": null, "verdict": verdict, "reason": reason,
        "machine_given": true,
        "speed": {"source": "pulse", "min_rpm": 18_213.0, "max_rpm": 96_412.0, "error_percent": 0.004},
        "worst": null, "levels": [], "findings": [], "notes": 2, "duration_s": 42.0, "error": null,
        "error_kind": null,
    });
    let into = row.as_object_mut().expect("an object");
    into.extend(change.as_object().expect("an object").clone());
    Row::from_line(&row.to_string()).expect("a row")
}

fn worst(ratio: f64) -> Value {
    json!({"ratio": ratio, "channel": "front", "id": "order1_velocity", "decision": "exceeded"})
}

fn finding(fault: &str, title: &str, place: Option<&str>, confidence: f64) -> Value {
    json!({"fault": fault, "title": title, "kind": "fault", "place": place, "confidence": confidence})
}

/// An invented archive.
fn archive() -> Vec<Row> {
    let unknown = "nothing found, which is no release: no limit is stated";
    let error = "/archive/cartridge-020.wav, byte 0: this is a FLAC file; export it as WAV, CSV in UTF-8, \
                 NPY or NPZ";
    vec![
        row("/archive/cartridge-012.wav", "accept", "kept", json!({"worst": worst(0.47)})),
        row(
            "/archive/cartridge-015-with-a-name-that-goes-on-and-on-spin-2.wav",
            "investigate",
            "a fault",
            json!({
                "serial": "015", "worst": worst(0.912),
                "findings": [finding("bearing_outer", "bearing outer race", Some("front"), 0.714)],
            }),
        ),
        row(
            "/archive/cartridge-017.wav",
            "reject",
            "a limit",
            json!({"worst": worst(2.178), "findings": [finding("imbalance", "imbalance", None, 0.972)]}),
        ),
        row("/archive/cartridge-018.wav", "no_verdict", unknown, json!({"speed": null})),
        row("/archive/cartridge-019.wav", "no_verdict", unknown, json!({})),
        row(
            "/archive/cartridge-020.wav",
            "unreadable",
            error,
            json!({"speed": null, "error": error, "error_kind": "input"}),
        ),
        row(
            "/archive/cartridge-021.wav",
            "no_verdict",
            "the recording is unfit: silence",
            json!({}),
        ),
        row("/archive/\u{1b}[2Jµ\n\u{202e}.wav", "accept", "kept", json!({"worst": worst(0.5)})),
    ]
}

fn screened<'a>(rows: &'a [Row], table: Option<&'a PathBuf>) -> Screened<'a> {
    let journal = Path::new("quietspin-screen.jsonl");
    let here = Some(Path::new("/archive"));
    let judged = rows.len().min(5);
    Screened { rows, judged, seconds: 73.2, journal, table, names_given: true, here }
}

#[test]
fn a_screen_reads_as_kept() {
    let (rows, table) = (archive(), PathBuf::from("table.csv"));
    let shown = page(&screened(&rows, Some(&table)), 40, Style::default());
    snapshots::compare("screen.txt", &shown);
    let narrow = Style { unicode: false, width: 48, ..Style::default() };
    snapshots::compare("screen_narrow.txt", &page(&screened(&rows, None), 3, narrow));
}

#[test]
fn a_screen_without_limits_shows_what_is_unusual() {
    let with_level = |number: usize, value: f64| {
        let level = json!({
            "channel": "front", "id": "overall_velocity", "value": value, "unit": "mm/s rms",
            "decision": "no_limit",
        });
        let change = json!({"levels": [level]});
        row(&format!("/a/{number}.wav"), "no_verdict", "no limit is stated", change)
    };
    let rows: Vec<Row> =
        [1.0, 1.1, 0.9, 3.3, 1.0].iter().enumerate().map(|(i, v)| with_level(i, *v)).collect();
    let shown = page(&screened(&rows, None), 40, Style::default());
    let first = shown.lines().find(|line| line.starts_with("NO VERDICT")).expect("a row");
    assert!(first.contains(" 3.3 ") && first.ends_with("3.wav"), "{shown}");
    assert!(shown.contains("x usual      highest level over the median"), "{shown}");
}

#[test]
fn serial_numbers_and_both_measures_have_columns_of_their_own() {
    let kept = |number: usize, value: f64| {
        let level = json!({
            "channel": "front", "id": "overall_acceleration", "value": value, "unit": "g peak",
            "decision": "within",
        });
        let change = json!({
            "serial": format!("Q-{number}"), "worst": worst(0.4 + 0.1 * number as f64),
            "levels": [level],
            "findings": [finding("bearing_outer", "bearing outer race", Some("front"), 0.3)],
        });
        let path = format!("/archive/a-type-with-a-long-name_Q-{number}_on-the-second-bench.wav");
        row(&path, "accept", "kept", change)
    };
    let rows: Vec<Row> =
        [1.0, 1.1, 0.9, 4.2, 1.0].iter().enumerate().map(|(i, v)| kept(i, *v)).collect();
    let shown = page(&screened(&rows, None), 40, Style { width: 80, ..Style::default() });
    let line = |start: &str| {
        let mut found = shown.lines().filter(|line| line.starts_with(start));
        found.next().map(|line| line.split_whitespace().collect::<Vec<_>>()).unwrap_or_default()
    };
    let heading = line("verdict").join(" ");
    assert_eq!(heading, "verdict x limit x usual first fault serial recording", "{shown}");
    // four times what is usual stands out more than four fifths of the limit
    assert_eq!(line("ACCEPT")[..3], ["ACCEPT", "0.70", "4.2"], "{shown}");
    let odd = shown.lines().find(|line| line.contains("Q-3")).expect("a row");
    assert!(odd.contains(" 0.70 ") && odd.contains(" 4.2 "), "{shown}");
    for number in 0..5 {
        assert_eq!(shown.matches(&format!(" Q-{number} ")).count(), 1, "{shown}");
    }
    keeps_width(&shown, 80, "screen");
    let wide = page(&screened(&rows, None), 40, Style { width: 140, ..Style::default() });
    assert!(wide.contains("up to rpm") && wide.contains("bearing outer race at front"), "{wide}");
}

#[test]
fn names_that_do_not_fit_lose_what_they_share_first() {
    let rows: Vec<Row> = ["017", "018", "023"]
        .map(|number| {
            let path = format!("/a/a-type-of-cartridge-with-a-name-that-is-long_{number}.wav");
            row(&path, "no_verdict", "as told", json!({"worst": worst(0.5)}))
        })
        .into();
    let shown = page(&screened(&rows, None), 40, Style { width: 60, ..Style::default() });
    for number in ["017", "018", "023"] {
        assert!(shown.contains(&format!("..._{number}.wav")), "{shown}");
    }
}

#[test]
fn a_sentence_tells_a_file_from_here_or_by_its_name() {
    let error = "/somewhere/far away/deep/a.wav, byte 0: this is a FLAC file";
    let change = json!({"error": error, "error_kind": "input"});
    let rows = [row("/somewhere/far away/deep/a.wav", "unreadable", error, change)];
    let shown = |here: Option<&str>| {
        let screened = Screened { here: here.map(Path::new), ..screened(&rows, None) };
        page(&screened, 40, Style::default())
    };
    let sentence = |path: &str| format!("unreadable   {path}, byte 0: this is a FLAC file");
    assert!(shown(Some("/somewhere")).contains(&sentence("far away/deep/a.wav")));
    assert!(shown(Some("/some")).contains(&sentence("a.wav")), "no folder of that name");
    assert!(shown(None).contains(&sentence("a.wav")));
}

#[test]
fn every_page_of_a_screen_keeps_its_width_and_is_harmless() {
    let rows = archive();
    for width in [0, 40, 60, 80, 200] {
        for (unicode, most) in [(false, 0), (true, 2), (true, 40), (false, 40)] {
            let style = Style { colour: false, unicode, width };
            let shown = page(&screened(&rows, None), most, style);
            keeps_width(&shown, width.max(Style::LEAST_WIDTH), "screen");
            assert!(shown.chars().all(|c| c == '\n' || !c.is_control()), "{shown}");
            assert!(unicode || shown.is_ascii(), "{shown}");
            let words = shown.split_whitespace().collect::<Vec<_>>().join(" ");
            assert_eq!(words.matches("no protection system").count(), 1, "{shown}");
        }
    }
}
