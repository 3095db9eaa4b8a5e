//! The page to file: self-contained, complete, and deaf to markup in names.

use quietspin::diagnose::{Diagnosis, diagnose};
use quietspin::progress::Silent;
use quietspin::report::html::page;
use quietspin::signature::Kind;
use quietspin::simulate::{Scenario, simulate};

/// The page of a simulated cartridge with a bearing defect, its first channel and the recording renamed.
fn made(channel: &str, recording: &str, machine: &str) -> String {
    let mut scenario = Scenario::default();
    scenario.speed.top_rpm = 15_000.0;
    scenario.speed.start_rpm = 5_000.0;
    scenario.add_fault("bearing_outer").expect("a known fault");
    let mut simulated = simulate(&scenario, 3).expect("a valid scenario");
    let first = simulated.recording.channels.first_mut().expect("a channel");
    let old = first.name().to_owned();
    first.spec.name = channel.to_owned();
    let mut spec = simulated.machine.channel.remove(&old).expect("described");
    spec.name = channel.to_owned();
    simulated.machine.channel.insert(channel.to_owned(), spec);
    simulated.recording.name = recording.to_owned();
    simulated.machine.name = Some(machine.to_owned());
    let (recording, machine) = (&simulated.recording, &simulated.machine);
    let (case, diagnosis) = diagnose(recording, machine, true, &mut Silent).expect("a diagnosis");
    page(&case, &diagnosis, machine).expect("a page")
}

#[test]
fn a_page_needs_nothing_else_and_holds_what_it_rests_on() {
    let page = made("front", "spin.wav", "cartridge 7");
    for outside in ["http://", "https://", "<script", "@import", "url("] {
        // the namespace of SVG is a name, not a place
        let found = page.replace("http://www.w3.org/2000/svg", "").contains(outside);
        assert!(!found, "{outside}");
    }
    for part in [
        "bearing outer race",
        "<svg",
        "Caution.",
        "SHA-256 of the settings",
        "[channel.front]",
        env!("CARGO_PKG_VERSION"),
        "Next: ",
        "Levels against their limits",
        "Upright lines on the bars: investigate, reject.",
        "Upright lines on the bars: limit.",
        "local floor",
        "multiples of BPFO",
        "lines that stand out",
    ] {
        assert!(page.contains(part), "{part} is missing");
    }
    assert_eq!(page.matches("<svg").count(), page.matches("</svg>").count());
    let (head, _) = page.split_once("</header>").expect("a head");
    assert!(head.contains("<p>cartridge 7</p>"), "the machine is named at the top: {head}");
}

#[test]
fn what_was_put_lower_is_folded_with_its_picture() {
    let mut scenario = Scenario { coupling: true, ..Scenario::default() };
    scenario.add_fault("misalignment").expect("a known fault");
    let simulated = simulate(&scenario, 1).expect("a valid scenario");
    let (recording, machine) = (&simulated.recording, &simulated.machine);
    let (case, mut diagnosis) =
        diagnose(recording, machine, true, &mut Silent).expect("a diagnosis");
    let faults = |diagnosis: &Diagnosis| {
        let faults = diagnosis.considered.iter().filter(|one| one.kind == Kind::Fault);
        faults.filter(|one| one.confidence >= 0.1).count()
    };
    // 10 % from above and from below
    for (place, one) in diagnosis.considered.iter_mut().enumerate() {
        one.confidence = if place == 0 { 0.1 } else { one.confidence.min(0.099) };
    }
    let first = diagnosis.considered[0].clone();
    assert_eq!((first.kind, faults(&diagnosis)), (Kind::Fault, 1));
    let page = page(&case, &diagnosis, machine).expect("a page");
    assert_eq!(page.matches("<details>").count(), 1);
    let (_, folded) = page.split_once("<details>").expect("folded");
    let (folded, _) = folded.split_once("</details>").expect("closed");
    assert!(folded.contains("<svg") && folded.contains("10\u{a0}% sure"), "{:?}", folded.get(..99));
    assert!(folded.contains(&first.title) && folded.contains(&first.evidence[0].text));
}

#[test]
fn names_with_markup_do_no_harm() {
    let page = made(
        "a<img src=x onerror=alert(1)>",
        "</title><script>alert(2)</script>.wav",
        "</p><script>alert(3)</script>",
    );
    assert!(!page.contains("<img src=x") && !page.contains("<script>"), "markup came through");
    for name in ["&lt;script&gt;alert(2)", "&lt;/p&gt;&lt;script&gt;alert(3)"] {
        assert!(page.contains(name), "{name} is missing");
    }
}
