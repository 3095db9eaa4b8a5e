//! Clipping: samples held at the converter's rail, or tops cut flat below it (`recording::clipping`).

use super::words::{count, counted, number};
use super::{Affects, Check, Fit};
use crate::recording::clipping::cuts;
use crate::recording::survey::Survey;

/// Share of clipped samples above which nothing is judged (common practice, no source).
const UNFIT_SHARE: f64 = 0.01;

/// Looks for clipping in one channel.
pub fn check(survey: &Survey) -> Check {
    let cuts = cuts(survey);
    let clipped: usize = cuts.iter().map(|cut| cut.count).sum();
    let len = survey.values().len().max(1);
    let share = clipped as f64 / len as f64;
    let name = survey.channel.name();
    if clipped == 0 {
        return Check::good("clipping", 0.0, "%", "No sample is clipped.").on(name);
    }
    let longest = cuts.iter().map(|cut| cut.longest).max().unwrap_or(0);
    let first = cuts.iter().filter_map(|cut| cut.first).min().unwrap_or(0);
    let fit = if share > UNFIT_SHARE { Fit::Unfit } else { Fit::Limited };
    let found = format!(
        "{} of {} are clipped ({} %), the longest run is {}, the first at {} s.",
        count(clipped),
        counted(len, "sample"),
        number(100.0 * share),
        counted(longest, "sample"),
        number(survey.channel.time_s(first as f64)),
    );
    let consequence = match fit {
        Fit::Unfit => {
            "The tops are missing and false harmonics stand in their place: lower the gain and record again."
        }
        _ => "The highest peaks are too low, and impacts count for less than they are.",
    };
    Check::good("clipping", 100.0 * share, "%", found)
        .on(name)
        .so(consequence)
        .rated(fit, &[Affects::Levels, Affects::Bearings])
}
