//! Dropouts: stretches of exactly equal values that quantisation does not explain, and numbers that
//! are none.

use crate::dsp::stats;
use crate::recording::survey::Survey;

use super::words::{count, counted, number};
use super::{Affects, Check, Fit};

/// Shortest stretch that counts. Where neighbouring samples usually differ by [`LEAST_MOVE`] steps,
/// they are equal by chance once in ten: sixteen in a row never happen.
const LEAST_RUN: usize = 16;
/// How far neighbouring samples beside the stretch must usually differ, in steps. A smooth wave that
/// turns within one step for a whole stretch moves by less than one step a sample beside it.
const LEAST_MOVE: f64 = 4.0;
/// Share of lost samples above which nothing is judged (common practice, no source).
const UNFIT_SHARE: f64 = 0.01;
/// Share of the record that may be missing at its ends without a word: the rest is whole.
const END_SHARE: f64 = 0.01;

/// Looks for dropouts in one channel.
pub fn check(survey: &Survey) -> Check {
    let name = survey.channel.name();
    let len = survey.values().len().max(1);
    if survey.non_finite > 0 {
        let found =
            format!("{} of {} are not numbers.", count(survey.non_finite), counted(len, "sample"));
        return Check::good("dropout", survey.non_finite as f64, "", found)
            .on(name)
            .so("No spectrum can be made of them: write the recording again without gaps.")
            .rated(Fit::Unfit, &[Affects::Levels, Affects::Speed]);
    }
    if let Some(check) = replaced(survey) {
        return check;
    }
    let gaps = gaps(survey);
    let lost: usize = gaps.iter().map(|gap| gap.len).sum();
    let Some(longest) = gaps.iter().max_by_key(|gap| gap.len) else {
        return Check::good("dropout", 0.0, "%", "No stretch of samples is frozen or missing.")
            .on(name);
    };
    let share = lost as f64 / len as f64;
    let first = gaps.first().map_or(0, |gap| gap.start);
    let fit = if share > UNFIT_SHARE { Fit::Unfit } else { Fit::Limited };
    let found = format!(
        "{} of equal samples ({} % of the record), the longest {} ms, the first at {} s.",
        counted(gaps.len(), "gap"),
        number(100.0 * share),
        number(1e3 * longest.len as f64 / survey.channel.rate_hz),
        number(survey.channel.time_s(first as f64)),
    );
    let consequence = match fit {
        Fit::Unfit => "Too much is missing for a verdict: mend the connection and record again.",
        _ => {
            "Each edge of a gap looks like an impact; impacts at these times are not the machine's."
        }
    };
    Check::good("dropout", 100.0 * share, "%", found)
        .on(name)
        .so(consequence)
        .rated(fit, &[Affects::Levels, Affects::Bearings])
}

/// Samples that were no numbers in the file and repeat the one before.
fn replaced(survey: &Survey) -> Option<Check> {
    let (count_replaced, len) = (survey.channel.replaced, survey.values().len().max(1));
    if count_replaced == 0 {
        return None;
    }
    let share = count_replaced as f64 / len as f64;
    let found = format!(
        "{} of {} ({} %) were not numbers and repeat the one before.",
        count(count_replaced),
        counted(len, "sample"),
        number(100.0 * share)
    );
    let (fit, consequence) = if share > UNFIT_SHARE {
        (Fit::Unfit, "Too much is made up for a verdict: export the recording again without gaps.")
    } else {
        (
            Fit::Limited,
            "Each repeat is a small step of its own: export the recording again without gaps.",
        )
    };
    let check = Check::good("dropout", 100.0 * share, "%", found).on(survey.channel.name());
    Some(check.so(consequence).rated(fit, &[Affects::Levels, Affects::Bearings]))
}

struct Gap {
    start: usize,
    len: usize,
}

fn gaps(survey: &Survey) -> Vec<Gap> {
    let values = survey.values();
    let mut gaps = Vec::new();
    let mut start = 0;
    for index in 1..=values.len() {
        if index < values.len() && values[index] == values[start] {
            continue;
        }
        let gap = Gap { start, len: index - start };
        if gap.len >= LEAST_RUN && is_unexplained(survey, &gap) {
            gaps.push(gap);
        }
        start = index;
    }
    gaps
}

fn is_unexplained(survey: &Survey, gap: &Gap) -> bool {
    let values = survey.values();
    let end = gap.start + gap.len;
    let at_end = gap.start == 0 || end == values.len();
    if at_end && (gap.len as f64) < END_SHARE * values.len() as f64 {
        return false;
    }
    let value = values[gap.start];
    // tops cut flat are the business of another check, unless they stay for long
    let is_top = value == survey.low || value == survey.high;
    if is_top && gap.len < 4 * LEAST_RUN {
        return false;
    }
    let reach = gap.len.min(256);
    let before = typical_move(&values[gap.start.saturating_sub(reach)..gap.start]);
    let after = typical_move(&values[end..(end + reach).min(values.len())]);
    before.max(after) > LEAST_MOVE * survey.resolution()
}

/// Median distance of neighbouring samples; 0 for fewer than two.
fn typical_move(stretch: &[f32]) -> f64 {
    let mut moves: Vec<f64> =
        stretch.windows(2).map(|pair| (f64::from(pair[1]) - f64::from(pair[0])).abs()).collect();
    stats::median_of(&mut moves)
}
