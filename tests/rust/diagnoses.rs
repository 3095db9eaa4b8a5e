//! Invented diagnoses, one for each verdict and for each way a report can be troubled.

use quietspin::case::{Decision, Level};
use quietspin::diagnose::{ChannelSummary, Diagnosis, Finding, SpeedSummary, Verdict};
use quietspin::fitness::{Affects, Check, Fit};
use quietspin::signature::{Evidence, Kind, Severity};
use quietspin::speed::{SpeedAlternative, SpeedSource};

/// All of them, by the name of their snapshot.
pub fn all() -> Vec<(&'static str, Diagnosis)> {
    vec![
        ("accept", accept()),
        ("reject", reject()),
        ("investigate", investigate()),
        ("no_verdict", no_verdict()),
        ("unfit", unfit()),
        ("hostile", hostile()),
    ]
}

fn channel(name: &str, role: &str, unit: &str) -> ChannelSummary {
    ChannelSummary {
        name: name.to_owned(),
        role: role.to_owned(),
        unit: unit.to_owned(),
        rate_hz: 51_200.0,
        calibrated: unit != "FS",
    }
}

fn finding(fault: &str, title: &str, place: Option<&str>, confidence: f64) -> Finding {
    Finding {
        fault: fault.to_owned(),
        title: title.to_owned(),
        kind: Kind::Fault,
        place: place.map(str::to_owned),
        confidence,
        severity: None,
        evidence: Vec::new(),
        advice: String::new(),
        remark: None,
        holds_for: None,
        source: "ISO 13373-2:2016".to_owned(),
    }
}

fn because(mut finding: Finding, remark: &str) -> Finding {
    finding.remark = Some(remark.to_owned());
    finding
}

fn level(channel: &str, value: f64, limit: Option<f64>, decision: Decision) -> Level {
    Level {
        channel: channel.to_owned(),
        id: "order1_velocity".to_owned(),
        name: "1x velocity".to_owned(),
        value,
        unit: "mm/s rms".to_owned(),
        band_hz: None,
        at_rpm: Some(95_980.0),
        uncertainty: 0.05,
        limit,
        decision,
        zone: None,
    }
}

fn check(id: &str, fit: Fit, channel: Option<&str>, found: &str, consequence: &str) -> Check {
    Check {
        id: id.to_owned(),
        channel: channel.map(str::to_owned),
        fit,
        value: Some(1.5),
        unit: "%".to_owned(),
        found: found.to_owned(),
        consequence: consequence.to_owned(),
        affects: vec![Affects::Levels],
    }
}

/// Fit, at full speed, limits kept, nothing found.
pub fn accept() -> Diagnosis {
    Diagnosis {
        recording: "cartridge-012.wav".to_owned(),
        sha256: Some("5d".repeat(32)),
        duration_s: 42.02,
        channels: vec![
            channel("front", "vibration", "g"),
            channel("rear", "vibration", "g"),
            channel("mark", "pulse", "FS"),
        ],
        machine_sha256: "0a".repeat(32),
        machine_given: true,
        verdict: Verdict::Accept,
        reason: "full speed held for 12 s, both limits kept, nothing found".to_owned(),
        fitness: vec![check("clipping", Fit::Good, Some("front"), "no sample at full scale", "")],
        speed: Some(SpeedSummary {
            source: SpeedSource::Pulse,
            min_rpm: 18_213.0,
            max_rpm: 96_412.0,
            error_percent: 0.0041,
            turns: 41_306.4,
            repaired: 0,
            alternatives: Vec::new(),
            notes: Vec::new(),
        }),
        levels: vec![
            level("rear", 1.24, Some(4.5), Decision::Within),
            level("front", 2.11, Some(4.5), Decision::Within),
        ],
        findings: Vec::new(),
        considered: vec![
            finding("imbalance", "imbalance", None, 0.06),
            finding("misalignment", "misalignment", None, 0.021),
            finding("bearing_outer", "outer-race defect", Some("front"), 0.018),
            finding("bearing_outer", "outer-race defect", Some("rear"), 0.004),
        ],
        notes: Vec::new(),
        suggestions: Vec::new(),
    }
}

/// Imbalance beyond the limit, a critical speed beside it.
pub fn reject() -> Diagnosis {
    let mut imbalance = finding("imbalance", "imbalance", Some("front"), 0.972);
    imbalance.severity =
        Some(Severity { ratio: 2.178, uncertainty: 0.05, limit: "order1_mm_s_rms 4.5".to_owned() });
    imbalance.evidence = vec![
        Evidence::new(
            "order1_mm_s_rms",
            9.8,
            "mm/s rms",
            "1x is 9.8 mm/s rms at 96 000 rpm; the machine file allows 4.5",
        ),
        Evidence::new(
            "growth_exponent",
            3.02,
            "",
            "below the critical speed it grows as speed^3.02 (velocity far below: 3), above it as \
             speed^1.04 (far above: 1).",
        ),
        Evidence::new("phase_scatter_deg", 2.0, "deg", "phase steady to 2° over the last 8 s"),
    ];
    imbalance.advice = "balance it; the front plane first".to_owned();
    let mut resonance = finding("resonance", "critical speed 41 300 ± 150 rpm", None, 0.97);
    resonance.kind = Kind::Observation;
    resonance.evidence = vec![Evidence::new(
        "amplification",
        6.2,
        "",
        "amplification 6.2, margin to full speed 57 %",
    )];
    let accepted = accept();
    let speed = accepted.speed.clone().map(|speed| SpeedSummary { repaired: 2, ..speed });
    Diagnosis {
        recording: "cartridge-017.wav".to_owned(),
        verdict: Verdict::Reject,
        reason: "1x at front is beyond its limit by more than its uncertainty".to_owned(),
        speed,
        levels: vec![
            level("rear", 4.31, Some(4.5), Decision::Undecided),
            level("front", 9.8, Some(4.5), Decision::Exceeded),
        ],
        findings: vec![imbalance, resonance],
        considered: vec![
            because(
                finding("misalignment", "misalignment", None, 0.03),
                "no coupling, so there is nothing to be out of line",
            ),
            finding("looseness", "looseness", None, 0.011),
            finding("bearing_outer", "outer-race defect", Some("front"), 0.02),
            finding("bearing_outer", "outer-race defect", Some("rear"), 0.009),
        ],
        ..accepted
    }
}

/// A microphone alone: a speed that could be another, a bearing that could be heard.
pub fn investigate() -> Diagnosis {
    let mut bearing = finding("bearing_outer", "outer-race defect", Some("rear"), 0.64);
    bearing.evidence = vec![
        Evidence::new(
            "line_over_floor_db",
            14.2,
            "dB",
            "three lines at 3.58 orders and its multiples stand 14 dB over the floor of the envelope \
             (8.2 to 14.5 kHz)",
        ),
        Evidence::new(
            "slip_percent",
            0.6,
            "%",
            "0.6 % below the pure rolling value, as slip makes it",
        ),
    ];
    bearing.advice = "repeat with an accelerometer at the rear bearing".to_owned();
    bearing.remark = Some("sound alone never gives more than investigate".to_owned());
    let mut hum = finding("mains_hum", "mains hum", None, 0.7);
    hum.kind = Kind::Observation;
    Diagnosis {
        recording: "bench-mic.wav".to_owned(),
        sha256: None,
        duration_s: 8.5,
        channels: vec![ChannelSummary { rate_hz: 48_000.0, ..channel("1", "sound", "FS") }],
        machine_given: false,
        verdict: Verdict::Investigate,
        reason: "a fault is more likely than not".to_owned(),
        fitness: vec![check(
            "hum",
            Fit::Limited,
            Some("1"),
            "mains hum 12 dB over the floor",
            "lines at multiples of 50 Hz are not judged",
        )],
        speed: Some(SpeedSummary {
            source: SpeedSource::Estimated,
            min_rpm: 71_930.0,
            max_rpm: 72_040.0,
            error_percent: 0.08,
            turns: 10_190.0,
            repaired: 0,
            alternatives: vec![SpeedAlternative {
                factor: 0.5,
                probability: 0.12,
                reason: "every second line is weaker".to_owned(),
            }],
            notes: vec!["The speed rests on 5 orders.".to_owned()],
        }),
        levels: vec![Level {
            id: "overall".to_owned(),
            name: "overall".to_owned(),
            unit: "FS rms".to_owned(),
            band_hz: Some([10.0, 20_000.0]),
            at_rpm: None,
            ..level("1", 0.0312, None, Decision::NoLimit)
        }],
        findings: vec![bearing, hum],
        considered: vec![
            because(
                finding("bearing_inner", "inner-race defect", Some("front"), f64::NAN),
                "cannot tell, the impacts overlap at this speed",
            ),
            because(
                finding("bearing_inner", "inner-race defect", Some("rear"), f64::NAN),
                "cannot tell, the impacts overlap at this speed",
            ),
            because(
                finding("imbalance", "imbalance", None, 0.22),
                "sound gives no growth law of the vibration",
            ),
        ],
        notes: vec!["channel 1 was taken for a microphone".to_owned()],
        suggestions: vec!["to look for misalignment, state coupling = true in [shaft], or false where there is none".to_owned()],
        ..accept()
    }
}

/// Nothing found, but no limit stated.
pub fn no_verdict() -> Diagnosis {
    Diagnosis {
        verdict: Verdict::NoVerdict,
        reason: "no machine file, so no limit to hold the levels against".to_owned(),
        machine_given: false,
        levels: vec![
            level("front", 2.11, None, Decision::NoLimit),
            level("rear", 1.24, None, Decision::NoLimit),
        ],
        ..accept()
    }
}

/// A recording that cannot carry a verdict.
pub fn unfit() -> Diagnosis {
    Diagnosis {
        recording: "cartridge-020.wav".to_owned(),
        verdict: Verdict::NoVerdict,
        reason: "the recording is unfit: front is clipped".to_owned(),
        fitness: vec![
            check(
                "rate",
                Fit::Limited,
                None,
                "the rate of 51.2 kHz reaches 26 orders at full speed.",
                "bearing lines above are not judged.",
            ),
            check(
                "clipping",
                Fit::Unfit,
                Some("front"),
                "11.8 % of the samples stand at full scale",
                "neither levels nor lines can be trusted; record again with less gain",
            ),
        ],
        speed: None,
        levels: Vec::new(),
        considered: Vec::new(),
        notes: vec!["no speed: the pulses are lost in 61 % of the time".to_owned()],
        suggestions: Vec::new(),
        ..accept()
    }
}

/// Names and numbers that try to do harm.
pub fn hostile() -> Diagnosis {
    let name =
        "\u{1b}[2J\u{202e}vaw.\u{7}<script>\r\n\u{9b}31m漢字漢字".to_owned() + &"long".repeat(40);
    let mut fault = finding("imbalance", &name, Some(&name), f64::NAN);
    fault.severity =
        Some(Severity { ratio: f64::INFINITY, uncertainty: f64::NAN, limit: name.clone() });
    fault.evidence = vec![Evidence::new("x", f64::NAN, &name, name.clone())];
    fault.advice = name.clone();
    fault.remark = Some(name.clone());
    let mut seen = fault.clone();
    seen.kind = Kind::Observation;
    Diagnosis {
        recording: name.clone(),
        duration_s: f64::NAN,
        channels: vec![ChannelSummary { rate_hz: f64::INFINITY, ..channel(&name, "other", &name) }],
        verdict: Verdict::Reject,
        reason: name.clone(),
        fitness: vec![Check {
            value: Some(f64::NAN),
            ..check("clipping", Fit::Limited, Some(&name), &name, &name)
        }],
        speed: Some(SpeedSummary {
            source: SpeedSource::Pulse,
            min_rpm: f64::NAN,
            max_rpm: f64::INFINITY,
            error_percent: f64::NAN,
            turns: f64::NAN,
            repaired: u64::MAX,
            alternatives: vec![SpeedAlternative {
                factor: f64::NAN,
                probability: 0.5,
                reason: name.clone(),
            }],
            notes: vec![name.clone()],
        }),
        levels: vec![Level {
            band_hz: Some([f64::NAN, 1.0]),
            at_rpm: Some(f64::NAN),
            uncertainty: f64::NAN,
            ..level(&name, f64::NEG_INFINITY, Some(f64::NAN), Decision::Exceeded)
        }],
        findings: vec![fault.clone(), seen],
        considered: vec![fault.clone(), Finding { remark: None, ..fault }],
        notes: vec![name],
        suggestions: Vec::new(),
        ..accept()
    }
}
