//! Rows of a screen, and what it says to programs.

use std::fs;
use std::path::Path;

use quietspin::progress::Silent;
use quietspin::report::json;
use quietspin::report::screening::Screened;
use quietspin::screen::row::SCHEMA;
use quietspin::screen::{Outcome, Row, Settings, jobs, row};
use serde_json::json;

use super::{closed, fits, parsed};

/// Rows of the samples and of what cannot be read.
fn rows() -> Vec<Row> {
    let samples = Path::new(env!("CARGO_MANIFEST_DIR")).join("samples/recordings");
    let folder = tempfile::tempdir().expect("a folder");
    fs::write(folder.path().join("noise.wav"), "no recording").expect("a file");
    fs::write(folder.path().join("017_2026-03-01.csv"), "front\n".to_owned() + &"0\n".repeat(999))
        .expect("a file");
    let names = quietspin::screen::NamePattern::parse("{serial}_{date}").ok();
    let jobs =
        jobs(&[samples, folder.path().to_owned()], &Settings { names, ..Settings::default() });
    jobs.expect("jobs").iter().map(|job| row(job, &mut Silent).expect("a row")).collect()
}

#[test]
fn every_row_fits_its_schema() {
    let validator = closed(SCHEMA);
    let rows = rows();
    for outcome in Outcome::ALL {
        assert!(rows.iter().any(|row| row.outcome == outcome), "no row shows {}", outcome.word());
    }
    for row in &rows {
        let value = parsed(&row.line());
        fits(&validator, &value, &row.key.path);
        assert_eq!(Row::from_line(&row.line()).as_ref(), Some(row), "reads back");
        for key in ["path", "settings_sha256", "verdict", "speed"] {
            let mut lacking = value.clone();
            lacking.as_object_mut().expect("an object").remove(key);
            assert!(!validator.is_valid(&lacking), "{key} is needed");
        }
        let mut wrong = value.clone();
        wrong["verdict"] = json!("fine");
        assert!(!validator.is_valid(&wrong));
    }
    let imbalanced = rows.iter().find(|row| row.key.path.ends_with("imbalanced.wav")).expect("one");
    let value = parsed(&imbalanced.line());
    assert_eq!(value["verdict"], "reject");
    assert_eq!(value["findings"][0]["fault"], "imbalance");
    assert_eq!(value["speed"]["source"], "pulse");
    assert_eq!(value["worst"]["decision"], "exceeded");
    assert!(value["worst"]["ratio"].as_f64().expect("a ratio") > 1.0);
    assert_eq!(value["machine_given"], true);
    let greatest = value["levels"]
        .as_array()
        .expect("levels")
        .iter()
        .filter_map(|level| Some(level["value"].as_f64()? / level["limit"].as_f64()?))
        .fold(0.0, f64::max);
    assert_eq!(value["worst"]["ratio"], greatest);
}

#[test]
fn a_screen_fits_its_schema() {
    let rows = rows();
    let journal = Path::new("screen.jsonl");
    let screened = Screened {
        rows: &rows,
        judged: 2,
        seconds: 0.5,
        journal,
        table: None,
        names_given: true,
        here: None,
    };
    let value = parsed(&json::screened(&screened));
    fits(&closed(json::SCREEN_SCHEMA), &value, "screened");
    assert_eq!(
        (&value["judged_now"], &value["judged_before"]),
        (&json!(2), &json!(rows.len() - 2))
    );
    let recordings = value["recordings"].as_array().expect("recordings");
    assert_eq!(recordings.len(), rows.len());
    assert_eq!(recordings[0]["verdict"], "reject", "worst first");
    let counted = value["counts"].as_object().expect("counts").values();
    assert_eq!(counted.filter_map(|count| count.as_u64()).sum::<u64>(), rows.len() as u64);
}
