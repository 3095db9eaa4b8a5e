//! Values laid along an axis, and the numbers beside it.

use std::ops::Range;

use plotters::coord::ranged1d::{DefaultFormatting, KeyPointHint, Ranged};
use plotters::coord::types::RangedCoordf64;

use crate::figure::{Axis, Scale};

/// Numbers beside a logarithmic axis, at most.
const MOST_DECADES: f64 = 6.0;
/// Parts of a turn that numbers of degrees stand apart.
const DEGREES: [f64; 8] = [5.0, 10.0, 15.0, 30.0, 45.0, 90.0, 180.0, 360.0];

/// An axis ready to draw on: every value becomes a place between two ends.
pub(super) struct Laid {
    scale: Scale,
    /// Whether it tells degrees.
    degrees: bool,
    /// The greatest value, which decibels count from.
    top: f64,
    /// First and last place.
    pub from: f64,
    pub to: f64,
}

impl Laid {
    /// The axis for these values; what is no number does not count.
    pub fn of(axis: &Axis, values: impl Iterator<Item = f64>) -> Self {
        let (low, high) = axis.shown.map_or_else(|| extent(values), |[low, high]| (low, high));
        let top = high.max(f64::MIN_POSITIVE);
        let degrees = axis.unit == "degrees";
        let mut laid = Self { scale: axis.scale, degrees, top, from: 0.0, to: 1.0 };
        (laid.from, laid.to) = match axis.scale {
            Scale::Decibel { range_db } => (-range_db, 0.0),
            Scale::Log => {
                let depth = axis.depth_db().unwrap_or(60.0) / 20.0;
                (low.max(top * 10_f64.powf(-depth)).log10(), top.log10())
            }
            Scale::Linear => (low, high),
        };
        if laid.to <= laid.from {
            let half = (0.05 * laid.from.abs()).max(0.5);
            (laid.from, laid.to) = (laid.from - half, laid.to + half);
        }
        laid
    }

    /// The same axis with some room at both ends, or above alone where it begins at zero.
    pub fn with_room(mut self, axis: &Axis) -> Self {
        if matches!(self.scale, Scale::Linear) && axis.shown.is_none() {
            let room = 0.06 * (self.to - self.from);
            self.to += room;
            if self.from != 0.0 {
                self.from -= room;
            }
        }
        self
    }

    /// The place of a value; below the foot of a logarithmic axis, the foot.
    pub fn at(&self, value: f64) -> f64 {
        match self.scale {
            Scale::Linear => value,
            Scale::Log => value.max(f64::MIN_POSITIVE).log10().max(self.from),
            Scale::Decibel { .. } => {
                (20.0 * (value / self.top).max(f64::MIN_POSITIVE).log10()).max(self.from)
            }
        }
    }

    /// The coordinate of a chart, its numbers at round places, about `count` of them.
    pub fn coordinate(&self, count: usize) -> Coordinate {
        Coordinate { inner: (self.from..self.to).into(), numbered: self.round_places(count) }
    }

    fn round_places(&self, count: usize) -> Vec<f64> {
        match self.scale {
            Scale::Log => self.decades(),
            Scale::Linear if self.degrees => {
                let span = self.to - self.from;
                let apart = DEGREES.into_iter().find(|apart| span <= apart * count as f64);
                let turns = (span / (360.0 * count as f64)).ceil();
                let apart = apart.unwrap_or(360.0 * turns);
                let (first, last) = ((self.from / apart).ceil(), (self.to / apart).floor());
                (first as i64..=last as i64).map(|k| k as f64 * apart).collect()
            }
            Scale::Linear | Scale::Decibel { .. } => {
                RangedCoordf64::from(self.from..self.to).key_points(count)
            }
        }
    }

    /// Powers of ten, with twice and five times them where these alone are few.
    fn decades(&self) -> Vec<f64> {
        let span = self.to - self.from;
        let step = (span / MOST_DECADES).ceil().max(1.0);
        let first = (self.from / step).floor() as i64;
        let last = (self.to / step).ceil() as i64;
        let between: &[f64] = if span < 2.5 { &[1.0, 2.0, 5.0] } else { &[1.0] };
        let places = (first..=last)
            .flat_map(|k| between.iter().map(move |times| k as f64 * step + times.log10()));
        places.filter(|place| (self.from..=self.to).contains(place)).collect()
    }

    /// The number beside a place.
    pub fn number(&self, place: f64) -> String {
        match self.scale {
            Scale::Linear => plain(place, self.to - self.from),
            Scale::Log => plain(10_f64.powf(place), 10_f64.powf(place)),
            Scale::Decibel { .. } => format!("{place:.0}"),
        }
    }
}

/// The coordinate of a chart that has numbers at places of our own.
pub(super) struct Coordinate {
    inner: RangedCoordf64,
    numbered: Vec<f64>,
}

impl Ranged for Coordinate {
    type FormatOption = DefaultFormatting;
    type ValueType = f64;

    fn map(&self, value: &f64, limit: (i32, i32)) -> i32 {
        self.inner.map(value, limit)
    }

    fn key_points<Hint: KeyPointHint>(&self, _hint: Hint) -> Vec<f64> {
        self.numbered.clone()
    }

    fn range(&self) -> Range<f64> {
        self.inner.range()
    }
}

/// What stands beside an axis.
pub(super) fn title(axis: &Axis) -> String {
    match axis.scale {
        Scale::Decibel { .. } => format!("{}, dB below its maximum", axis.label),
        _ => axis.words(),
    }
}

/// Lowest and highest of the values that are numbers; 0 to 1 for none.
fn extent(values: impl Iterator<Item = f64>) -> (f64, f64) {
    let found = values.filter(|v| v.is_finite()).fold(None, |found, v| match found {
        None => Some((v, v)),
        Some((low, high)) => Some((f64::min(low, v), f64::max(high, v))),
    });
    found.unwrap_or((0.0, 1.0))
}

/// A number as long as the span of its axis asks for, thousands apart.
fn plain(value: f64, span: f64) -> String {
    if span >= 20.0 {
        return crate::units::grouped(value);
    }
    if span.abs() < 1e-4 && value != 0.0 {
        return format!("{value:.1e}");
    }
    let places = (2.0 - span.abs().max(1e-12).log10().floor()).clamp(0.0, 9.0) as usize;
    crate::units::without_noughts(&format!("{value:.places$}")).to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn values_find_their_place() {
        let linear = Laid::of(&Axis::linear("a", ""), [2.0, f64::NAN, 6.0].into_iter());
        assert_eq!((linear.from, linear.to, linear.at(3.0)), (2.0, 6.0, 3.0));
        let decibel = Laid::of(&Axis::decibel("a", "", 60.0), [0.0, 10.0].into_iter());
        assert_eq!((decibel.from, decibel.to), (-60.0, 0.0));
        assert!((decibel.at(1.0) + 20.0).abs() < 1e-12 && decibel.at(0.0) == -60.0);
        let none = Laid::of(&Axis::linear("a", ""), std::iter::empty());
        assert!(none.to > none.from);
        let one = Laid::of(&Axis::linear("a", ""), std::iter::once(5.0));
        assert!(one.from < 5.0 && one.to > 5.0);
    }

    #[test]
    fn numbers_stand_at_round_places() {
        let numbers = |axis: Axis, from: f64, to: f64| {
            let laid = Laid::of(&axis.between(from, to), std::iter::empty());
            laid.round_places(6).iter().map(|place| laid.number(*place)).collect::<Vec<_>>()
        };
        assert_eq!(
            numbers(Axis::log("a", ""), 0.008, 0.6),
            ["0.01", "0.02", "0.05", "0.1", "0.2", "0.5"]
        );
        assert_eq!(numbers(Axis::log("a", ""), 0.0005, 2.0), ["0.001", "0.01", "0.1", "1"]);
        let phase = Axis::linear("phase lag", "degrees");
        assert_eq!(numbers(phase, -90.0, 270.0), ["-90", "0", "90", "180", "270"]);
        assert_eq!(numbers(Axis::linear("a", ""), 0.0, 10.0), ["0", "2", "4", "6", "8", "10"]);
    }

    #[test]
    fn numbers_are_as_long_as_needed() {
        assert_eq!(plain(60_000.0, 50_000.0), "60 000");
        assert_eq!(plain(0.25, 1.0), "0.25");
        assert_eq!(plain(2.0, 4.0), "2");
        assert_eq!((plain(1.5e-9, 3e-9), plain(0.0, 3e-9)), ("1.5e-9".to_owned(), "0".to_owned()));
    }
}
