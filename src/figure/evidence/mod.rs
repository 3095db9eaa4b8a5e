//! The picture that shows why a finding was made.

mod bearing;
mod lines;
mod orders;
mod response;
mod stated;
#[cfg(test)]
mod tests;

use super::Figure;
use super::of_case::fullest;
use crate::case::bearing::Element;
use crate::case::{Case, View};
use crate::diagnose::Finding;

/// The picture behind a finding, from the products that its case holds already: the envelope spectrum of a
/// bearing with the lines of the part and the floor that they are held against; tracks with growth laws,
/// limit, ratio, slow roll or fitted response; order spectra and maps with the lines that the evidence names.
/// `None` for findings without one.
pub fn evidence(case: &Case, finding: &Finding) -> Option<Figure> {
    if let Some(part) = Element::of_fault(&finding.fault) {
        return bearing::of_part(case, finding, part);
    }
    match finding.fault.as_str() {
        "imbalance" => response::of_imbalance(case, finding),
        "bent_shaft" => response::of_bent_shaft(case, finding),
        "misalignment" | "raised_2x" => response::of_second_order(case, finding),
        "resonance" => response::of_critical(case, finding),
        "looseness" | "rub" => orders::of_harmonics(case, finding),
        _ => lines::of_lines(case, finding),
    }
}

/// Probability from which what was considered has a picture of its own.
const LEAST_CONFIDENCE: f64 = 0.1;

/// The picture behind what was considered and put lower; `None` for what is hardly probable, or cannot be told.
pub fn of_considered(case: &Case, finding: &Finding) -> Option<Figure> {
    (finding.confidence >= LEAST_CONFIDENCE).then(|| evidence(case, finding)).flatten()
}

/// The judged channels at a finding's place, across the shaft before along it; for the machine as a whole
/// the one whose limit is used up most.
fn views_of<'a>(case: &'a Case, finding: &Finding) -> Vec<View<'a>> {
    let Some(place) = finding.place.as_deref() else { return fullest(case).into_iter().collect() };
    let is_there = |view: &View| view.place() == place || view.name() == place;
    let mut views: Vec<View> = case.views().filter(is_there).collect();
    views.sort_by_key(View::is_axial);
    views
}

/// The channel at a finding's place whose `value` comes closest to what the evidence says under a key; where
/// it says nothing, the first.
fn view_by<'a>(
    case: &'a Case,
    finding: &Finding,
    key: &str,
    value: impl Fn(&View) -> Option<f64>,
) -> Option<View<'a>> {
    let views = views_of(case, finding);
    let Some(wanted) = number(finding, key) else { return views.into_iter().next() };
    let off = |view: &View| value(view).map_or(f64::INFINITY, |value| (value - wanted).abs());
    views.into_iter().min_by(|a, b| off(a).total_cmp(&off(b)))
}

fn number(finding: &Finding, key: &str) -> Option<f64> {
    finding.evidence.iter().find(|evidence| evidence.key == key).map(|evidence| evidence.value)
}

/// All numbers under a key, and under the same key with the number of a further line: `line_order_2`.
fn numbers(finding: &Finding, key: &str) -> Vec<f64> {
    let is_one = |own: &str| {
        own.strip_prefix(key).is_some_and(|rest| {
            rest.is_empty()
                || rest.strip_prefix('_').is_some_and(|number| number.parse::<u32>().is_ok())
        })
    };
    let told = finding.evidence.iter().filter(|evidence| is_one(&evidence.key));
    told.map(|evidence| evidence.value).filter(|value| value.is_finite()).collect()
}
