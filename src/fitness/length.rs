//! Length: a recording that is cut short, or too short for anything.

use crate::recording::Recording;

use super::words::number;
use super::{Affects, Check, Fit};

/// Below this many seconds nothing is judged: the slowest machines of this library's trade turn 30 times in
/// it (common practice, no source).
const LEAST_S: f64 = 0.2;

/// Judges the length of a recording, and what of it is missing in the file.
pub fn check(recording: &Recording) -> Check {
    let length_s = recording.duration_s();
    let report = |found: String| Check::good("length", length_s, "s", found);
    if length_s < LEAST_S {
        return report(format!("It lasts only {} s.", number(length_s)))
            .so("That is too short to judge anything: record the whole run.")
            .rated(Fit::Unfit, &[Affects::Levels, Affects::Speed, Affects::Bearings]);
    }
    let Some(held) = recording.held else {
        return report(format!("The recording is {} s long.", number(length_s)));
    };
    report(format!(
        "The file is cut short: it holds {} s, and by its header {} s are missing.",
        number(length_s),
        number(length_s / held - length_s)
    ))
    .so("The end of the run is missing, so the recording cannot release a machine: copy the file again.")
    .rated(Fit::Limited, &[Affects::Acceptance])
}
