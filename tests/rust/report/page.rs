//! The page to file: self-contained, complete, and deaf to markup in names.

use quietspin::diagnose::diagnose;
use quietspin::progress::Silent;
use quietspin::report::html::page;
use quietspin::simulate::{Scenario, simulate};

/// The page of a simulated cartridge with a bearing defect, its first channel and the recording renamed.
fn made(channel: &str, recording: &str) -> String {
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
    let (recording, machine) = (&simulated.recording, &simulated.machine);
    let (case, diagnosis) = diagnose(recording, machine, true, &mut Silent).expect("a diagnosis");
    page(&case, &diagnosis, machine).expect("a page")
}

#[test]
fn a_page_needs_nothing_else_and_holds_what_it_rests_on() {
    let page = made("front", "spin.wav");
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
    ] {
        assert!(page.contains(part), "{part} is missing");
    }
    assert_eq!(page.matches("<svg").count(), page.matches("</svg>").count());
}

#[test]
fn names_with_markup_do_no_harm() {
    let page = made("a<img src=x onerror=alert(1)>", "</title><script>alert(2)</script>.wav");
    assert!(!page.contains("<img src=x") && !page.contains("<script>"), "markup came through");
    assert!(page.contains("&lt;script&gt;alert(2)"), "the name is missing");
}
