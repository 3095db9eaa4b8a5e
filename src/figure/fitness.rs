//! The fitness overview: what stands in the way of a verdict, row by row.

use super::Figure;
use super::rows::{Entry, Rows, State};
use crate::fitness::{Check, Fit};
use crate::units::{clause, three_digits};

/// All checks, what restricts the recording first.
pub fn fitness(checks: &[Check]) -> Figure {
    let entries = checks.iter().map(entry).collect();
    let rows = Rows { title: String::new(), x_axis: None, entries, marks: Vec::new() };
    Figure::of("fitness of the recording", rows)
}

/// The checks that restrict the recording, and in how many others nothing was found.
pub(super) fn in_short(checks: &[Check], at_most: usize) -> Rows {
    let restricting: Vec<&Check> = checks.iter().filter(|check| check.fit != Fit::Good).collect();
    let mut entries: Vec<Entry> =
        restricting.iter().take(at_most).map(|check| entry(check)).collect();
    let more = restricting.len().saturating_sub(at_most);
    let good = checks.len() - restricting.len();
    let others = |count: usize, text: &str, state: State| Entry {
        label: format!("{count} {}", if restricting.is_empty() { "checks" } else { "others" }),
        state,
        bar: None,
        value: String::new(),
        text: text.to_owned(),
    };
    if more > 0 {
        entries.push(others(more, "restrict it as well", State::Limited));
    }
    if good > 0 {
        entries.push(others(good, "good", State::Good));
    }
    Rows { title: "fitness of the recording".to_owned(), x_axis: None, entries, marks: Vec::new() }
}

fn entry(check: &Check) -> Entry {
    let name = check.id.replace('_', " ");
    let label = check.channel.as_ref().map_or(name.clone(), |channel| format!("{name}, {channel}"));
    let state = match check.fit {
        Fit::Good => State::Good,
        Fit::Limited => State::Limited,
        Fit::Unfit => State::Bad,
    };
    let value = check.value.map_or(String::new(), |value| {
        format!("{} {}", three_digits(value), check.unit).trim_end().to_owned()
    });
    let text = match (check.found.as_str(), check.consequence.as_str()) {
        (found, "") => found.to_owned(),
        (found, consequence) => format!("{}: {}", found.trim_end_matches('.'), clause(consequence)),
    };
    Entry { label, state, bar: None, value, text }
}
