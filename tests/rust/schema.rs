//! JSON against the committed schemas, and the schemas against careless growth.

use quietspin::Error;
use quietspin::report::json;
use serde_json::{Value, json};

use crate::diagnoses;

mod screen;

fn parsed(text: &str) -> Value {
    serde_json::from_str(text).expect("valid JSON")
}

/// The schema with every object closed, so that a key which it does not describe is refused. Users get
/// the open form, because keys may be added within a major number.
fn closed(schema: &str) -> jsonschema::Validator {
    fn close(value: &mut Value) {
        match value {
            Value::Object(object) => {
                if object.contains_key("properties") {
                    object.insert("additionalProperties".to_owned(), json!(false));
                }
                object.values_mut().for_each(close);
            }
            Value::Array(items) => items.iter_mut().for_each(close),
            _ => {}
        }
    }
    let mut schema = parsed(schema);
    close(&mut schema);
    jsonschema::validator_for(&schema).expect("a sound schema")
}

fn fits(validator: &jsonschema::Validator, value: &Value, name: &str) {
    let errors: Vec<String> = validator
        .iter_errors(value)
        .map(|error| format!("{}: {error}", error.instance_path()))
        .collect();
    assert!(errors.is_empty(), "{name}: {errors:#?}");
}

#[test]
fn every_check_fits_its_schema() {
    let validator = closed(json::CHECK_SCHEMA);
    for (name, mut diagnosis) in diagnoses::all() {
        fits(&validator, &parsed(&json::check(&diagnosis)), name);
        // an empty reason would be a fault of the diagnosis: the schema must notice it
        diagnosis.reason.clear();
        assert!(!validator.is_valid(&parsed(&json::check(&diagnosis))), "{name}");
    }
}

#[test]
fn a_check_holds_what_was_promised() {
    let check = parsed(&json::check(&diagnoses::reject()));
    assert_eq!(check["schema"], "quietspin.check/1");
    assert_eq!(check["verdict"], "reject");
    assert_eq!(check["speed"]["source"], "pulse");
    assert_eq!(check["speed"]["max_rpm"], 96_412.0);
    let imbalance = &check["findings"][0];
    assert_eq!(imbalance["fault"], "imbalance");
    assert_eq!(imbalance["kind"], "fault");
    assert_eq!(imbalance["place"], "front");
    assert_eq!(imbalance["confidence"], 0.972);
    assert_eq!(imbalance["severity"]["ratio"], 2.178);
    assert_eq!(imbalance["severity"]["uncertainty_percent"], 5.0);
    assert_eq!(imbalance["evidence"][0]["unit"], "mm/s rms");
    assert_eq!(imbalance["advice"], "balance it; the front plane first");
    assert_eq!(check["considered"][0]["fault"], "misalignment");
    assert_eq!(check["levels"][1]["decision"], "exceeded");
    assert_eq!(check["fitness"][0]["fit"], "good");
}

#[test]
fn numbers_that_are_not_finite_are_left_out() {
    let text = json::check(&diagnoses::hostile());
    let check = parsed(&text);
    assert!(check["findings"][0].get("confidence").is_none());
    assert!(check["findings"][0]["severity"].get("ratio").is_none());
    assert!(check["levels"][0].get("value").is_none());
    assert!(check["levels"][0].get("band_hz").is_none());
    assert!(check["recording"].get("duration_s").is_none());
    // no raw control character either, whatever the names hold, and yet the names come back whole
    assert!(text.chars().all(|c| c == '\n' || !c.is_control()));
    assert_eq!(check["recording"]["name"], diagnoses::hostile().recording);
}

#[test]
fn every_report_fits_its_schema() {
    let validator = closed(json::REPORT_SCHEMA);
    for (name, mut diagnosis) in diagnoses::all() {
        let value = parsed(&json::reported("out/spin.report.html", &diagnosis));
        fits(&validator, &value, name);
        let keys: Vec<&String> = value.as_object().expect("an object").keys().collect();
        for key in keys {
            let mut lacking = value.clone();
            lacking.as_object_mut().expect("an object").remove(key);
            assert!(!validator.is_valid(&lacking), "{name}: {key} is needed");
        }
        let changes = [
            ("schema", json!("quietspin.report/2")),
            ("verdict", json!("fine")),
            ("page", json!("")),
            ("pages", json!(1)),
        ];
        for (key, wrong) in changes {
            let mut changed = value.clone();
            changed[key] = wrong;
            assert!(!validator.is_valid(&changed), "{name}: {key}");
        }
        // the verdict is the same word as that of `check`
        assert_eq!(value["verdict"], parsed(&json::check(&diagnosis))["verdict"]);
        diagnosis.reason.clear();
        let silent = parsed(&json::reported("spin.report.html", &diagnosis));
        assert!(!validator.is_valid(&silent), "{name}: a verdict has its reason");
    }
}

#[test]
fn names_in_a_report_come_back_whole() {
    let (page, hostile) = ("a\u{1b}[2J\u{9b}\"<b>.report.html", diagnoses::hostile());
    let text = json::reported(page, &hostile);
    assert!(text.chars().all(|c| c == '\n' || !c.is_control()));
    let told = parsed(&text);
    assert_eq!((&told["page"], &told["reason"]), (&json!(page), &json!(hostile.reason)));
}

#[test]
fn every_error_fits_its_schema() {
    let validator = closed(json::ERROR_SCHEMA);
    let io = std::io::Error::from(std::io::ErrorKind::NotFound);
    let errors = [
        Error::input("a.wav", "", "is empty", "record again"),
        Error::input("a.wav", "byte 3", "is torn", "record again"),
        Error::io("a.wav", io),
        Error::setting("rpm", "is negative", "state a positive number"),
        Error::too_little("a spectrum", "8 samples", "3"),
        Error::numerical("a fit", "is singular"),
        Error::Stopped,
        Error::Bug("no such thing".to_owned()),
    ];
    for error in &errors {
        let value = parsed(&json::error(error));
        fits(&validator, &value, &error.to_string());
        assert_eq!(value["error"]["message"], error.to_string());
    }
    fits(&validator, &parsed(&json::usage_error("no such option")), "usage");
    assert!(!validator.is_valid(&json!({"schema": "quietspin.error/1", "error": {}})));
}

#[test]
fn a_simulation_fits_its_schema() {
    let files = json::SimulatedFiles {
        recording: "out/spin.wav".to_owned(),
        machine: "out/machine.toml".to_owned(),
        truth: "out/truth.json".to_owned(),
        seed: 7,
    };
    let value = parsed(&json::simulated(&files));
    fits(&closed(json::SIMULATE_SCHEMA), &value, "simulated");
    assert_eq!(value["seed"], 7);
}
