//! Which rows to look at first.

use std::cmp::Ordering;
use std::collections::HashMap;

use super::row::RowLevel;
use super::{Outcome, Row};
use crate::dsp::stats::median;

/// The fewest recordings that have a level for its median to say what is usual (common practice, no
/// source).
pub const LEAST_OTHERS: usize = 5;

/// So many times the median count like being at the limit (common practice, no source).
const LIKE_THE_LIMIT: f64 = 2.0;

/// How high each row's levels stand over what is usual: the greatest ratio of a level to the median of the
/// same level of the same channel over all rows. `None` where fewer than five rows share a level.
///
/// Ratios such as the crest factor are left out: they tell of a shape, not of a height. Where no limit is known, this is what sets one machine apart from others of its type.
pub fn of_median(rows: &[Row]) -> Vec<Option<f64>> {
    most_unusual(rows).into_iter().map(|unusual| Some(unusual?.ratio)).collect()
}

/// The level of a row that stands highest over what is usual.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Unusual<'a> {
    /// The level over the median of the same level over all rows.
    pub ratio: f64,
    /// The level.
    pub level: &'a RowLevel,
}

/// The level behind each number of [`of_median`].
pub fn most_unusual(rows: &[Row]) -> Vec<Option<Unusual<'_>>> {
    fn key(level: &RowLevel) -> (&str, &str, &str) {
        (&level.channel, &level.id, &level.unit)
    }
    let mut values: HashMap<_, Vec<f64>> = HashMap::new();
    for level in rows.iter().flat_map(|row| &row.levels).filter(|level| !level.unit.is_empty()) {
        if let Some(value) = level.value {
            values.entry(key(level)).or_default().push(value);
        }
    }
    let medians: HashMap<_, f64> = values
        .into_iter()
        .filter(|(_, values)| values.len() >= LEAST_OTHERS)
        .map(|(key, values)| (key, median(&values)))
        .collect();
    rows.iter()
        .map(|row| {
            let levels = row.levels.iter().filter_map(|level| {
                let ratio = level.value? / medians.get(&key(level))?;
                ratio.is_finite().then_some(Unusual { ratio, level })
            });
            levels.max_by(|a, b| a.ratio.total_cmp(&b.ratio))
        })
        .collect()
}

/// The numbers of the rows, worst first: by verdict as in [`Outcome::ALL`], then by how much a row stands
/// out, over its limit or over half the ratio to the median, whichever is more, then by confidence in the
/// first fault, then by path.
///
/// So a machine at four times what is usual goes before its sisters, however far its limit is.
pub fn worst_first(rows: &[Row]) -> Vec<usize> {
    let of_median = of_median(rows);
    let mut order: Vec<(usize, &Row, Option<f64>)> =
        rows.iter().zip(of_median).enumerate().map(|(i, (row, ratio))| (i, row, ratio)).collect();
    let place = |row: &Row| Outcome::ALL.iter().position(|outcome| *outcome == row.outcome);
    let standing = |row: &Row, of_median: Option<f64>| {
        let limit = row.worst.as_ref().map(|worst| worst.ratio);
        let usual = of_median.map(|ratio| ratio / LIKE_THE_LIMIT);
        limit.into_iter().chain(usual).max_by(f64::total_cmp)
    };
    let confidence = |row: &Row| row.first_fault().and_then(|fault| fault.confidence);
    order.sort_by(|(_, a, a_of_median), (_, b, b_of_median)| {
        place(a)
            .cmp(&place(b))
            .then(greatest_first(standing(a, *a_of_median), standing(b, *b_of_median)))
            .then(greatest_first(confidence(a), confidence(b)))
            .then_with(|| a.key.path.cmp(&b.key.path))
    });
    order.into_iter().map(|(index, ..)| index).collect()
}

/// Numbers before none, great before small.
fn greatest_first(a: Option<f64>, b: Option<f64>) -> Ordering {
    b.unwrap_or(f64::NEG_INFINITY).total_cmp(&a.unwrap_or(f64::NEG_INFINITY))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::case::Decision;
    use crate::screen::row::{RowLevel, Worst, tests::bare};

    fn level(value: f64) -> RowLevel {
        RowLevel {
            channel: "front".to_owned(),
            id: "overall_velocity".to_owned(),
            value: Some(value),
            unit: "mm/s rms".to_owned(),
            at_rpm: None,
            limit: None,
            decision: Decision::NoLimit,
        }
    }

    fn with_level(name: &str, value: f64) -> Row {
        Row { levels: vec![level(value)], ..bare(name, Outcome::NoVerdict) }
    }

    #[test]
    fn what_stands_out_has_a_ratio_to_the_median() {
        let mut rows: Vec<Row> =
            [2.0, 1.0, 3.0, 2.5].iter().map(|value| with_level("r.wav", *value)).collect();
        assert_eq!(of_median(&rows), [None; 4], "four are too few");
        rows.push(with_level("r.wav", 20.0));
        // the median of 1, 2, 2.5, 3, 20 is 2.5
        let expected = [0.8, 0.4, 1.2, 1.0, 8.0].map(Some);
        assert_eq!(of_median(&rows), expected);
        rows.push(bare("r.wav", Outcome::Unreadable));
        assert_eq!(of_median(&rows)[5], None);
        let mut other = with_level("r.wav", 7.0);
        other.levels[0].unit = "g peak".to_owned();
        other.levels.push(RowLevel { value: None, ..level(0.0) });
        rows.push(other);
        assert_eq!(of_median(&rows)[6], None, "units are not mixed");
        assert_eq!(of_median(&rows)[..5], expected);
    }

    #[test]
    fn the_worst_comes_first() {
        let over = |name: &str, outcome, ratio| {
            let (channel, id) = ("front".to_owned(), "overall_velocity".to_owned());
            let worst = Worst { ratio, channel, id, decision: Decision::Within };
            Row { worst: Some(worst), ..bare(name, outcome) }
        };
        let mut rows = vec![
            over("accept", Outcome::Accept, 0.9),
            bare("unreadable", Outcome::Unreadable),
            over("reject", Outcome::Reject, 1.1),
            over("reject more", Outcome::Reject, 2.2),
            over("investigate", Outcome::Investigate, 9.0),
        ];
        rows.extend([1.0, 1.0, 1.0, 1.0, 1.0, 5.0].map(|value| with_level("no verdict", value)));
        let order = worst_first(&rows);
        assert_eq!(order, [3, 2, 4, 1, 10, 5, 6, 7, 8, 9, 0]);
    }
}
