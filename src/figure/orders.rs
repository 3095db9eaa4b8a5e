//! Where the orders of a shaft stand in a picture over frequency or time.

use super::plot::{Curve, Mark, Span};
use crate::case::NamedOrder;
use crate::error::{Error, Result};
use crate::speed::Speed;
use crate::units::order_word;

/// A speed that changes by less than this share keeps its lines in the bins of a spectrum.
const SHARP: f64 = 0.01;
/// A speed that changes by less than this share is no run-up: over it nothing can be shown.
pub(super) const STEADY: f64 = 0.02;
/// Share of the speed that the reach of an order and the distance of two lines may take for one to be told.
const LEAST_APART: f64 = 0.2;
/// Points of an order line over time, at most.
const LINE_POINTS: usize = 400;

/// What a result over a run is shown against.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Against {
    /// Speed where it changes, else time.
    #[default]
    Fitting,
    /// Speed.
    Speed,
    /// Time.
    Time,
}

impl Against {
    /// Whether speed it is, for a run with these speeds in rpm.
    pub(super) fn is_speed(self, rpm: impl Iterator<Item = f64>) -> bool {
        let (low, high) =
            rpm.fold((f64::INFINITY, 0.0_f64), |(low, high), rpm| (low.min(rpm), high.max(rpm)));
        match self {
            Self::Fitting => high - low > STEADY * high,
            Self::Speed => true,
            Self::Time => false,
        }
    }
}

/// Orders to be marked.
#[derive(Debug, Clone, Copy)]
pub struct Orders<'a> {
    /// The shaft's speed.
    pub speed: &'a Speed,
    /// The orders, multiples of it.
    pub orders: &'a [f64],
    /// Names of what makes orders; those without one are called by their number.
    pub names: &'a [NamedOrder],
    /// The highest order that sets how far a picture reaches; lines above may leave it.
    pub reach: f64,
}

impl<'a> Orders<'a> {
    /// Orders without other names than their numbers, all inside the picture.
    pub fn new(speed: &'a Speed, orders: &'a [f64]) -> Self {
        let reach = orders.iter().copied().fold(0.0, f64::max);
        Self { speed, orders, names: &[], reach }
    }

    /// What an order is called.
    pub(super) fn name(&self, order: f64) -> String {
        let known = self.names.iter().find(|one| one.is_near(order));
        known.map_or_else(|| order_word(order), |one| short(&one.name))
    }

    /// Refuses orders that are none.
    ///
    /// # Errors
    /// [`Error::Setting`] where one is not above zero or no finite number.
    pub fn check(&self) -> Result<()> {
        match self.orders.iter().find(|order| !(**order > 0.0 && order.is_finite())) {
            None => Ok(()),
            Some(order) => Err(Error::setting(
                "orders",
                format!("{order} is no order"),
                "give multiples of shaft speed above 0",
            )),
        }
    }

    /// Whether the orders stand sharp over frequency.
    pub(super) fn are_sharp(&self) -> bool {
        self.speed.is_steady(SHARP)
    }

    /// Marks over frequency in Hz, where the speed is steady enough for sharp lines.
    pub(super) fn marks_hz(&self) -> Vec<Mark> {
        if !self.are_sharp() {
            return Vec::new();
        }
        let (low, high) = self.speed.range_rpm();
        let mean_hz = 0.5 * (low + high) / 60.0;
        self.orders.iter().map(|&order| Mark::new(order * mean_hz, self.name(order))).collect()
    }

    /// What the order of a line at a frequency in Hz is called, where the speed is steady enough to tell: one
    /// of those marked, else a whole number. `None` where it is neither, as far as lines so far apart tell.
    pub(super) fn name_hz(&self, hz: f64, bin_hz: f64) -> Option<String> {
        let (low, high) = self.speed.range_rpm();
        let (low_hz, high_hz) = (low / 60.0, high / 60.0);
        let holds = |order: f64| {
            order > 0.0 && hz > order * low_hz - bin_hz && hz < order * high_hz + bin_hz
        };
        let whole = (120.0 * hz / (low + high)).round();
        // lines closer than this cannot be told apart
        let is_told =
            bin_hz < LEAST_APART * low_hz && whole * (high_hz - low_hz) < LEAST_APART * low_hz;
        let marked = self.orders.iter().copied().find(|order| holds(*order));
        let order = marked.or(Some(whole).filter(|whole| holds(*whole)));
        order.filter(|_| self.are_sharp() && is_told).map(|order| self.name(order))
    }

    /// The stretches over frequency in Hz that the orders pass through, where the speed changes.
    pub(super) fn spans_hz(&self) -> Vec<Span> {
        if self.are_sharp() {
            return Vec::new();
        }
        let (low, high) = self.speed.range_rpm();
        let span = |&order: &f64| Span {
            from: order * low / 60.0,
            to: order * high / 60.0,
            label: self.name(order),
            whole: false,
        };
        self.orders.iter().map(span).collect()
    }

    /// Lines of frequency in Hz over time in seconds.
    pub(super) fn lines(&self) -> Result<Vec<Curve>> {
        let (from_s, to_s) = (self.speed.start_s(), self.speed.end_s());
        let step_s = (to_s - from_s) / (LINE_POINTS - 1) as f64;
        let times: Vec<f64> = (0..LINE_POINTS).map(|i| from_s + i as f64 * step_s).collect();
        let line = |&order: &f64| {
            let hz = times.iter().map(|&t| order * self.speed.hz_at(t)).collect();
            Curve::new(self.name(order), times.clone(), hz)
        };
        self.orders.iter().map(line).collect()
    }

    /// The highest frequency in Hz that those within reach come to.
    pub(super) fn highest_hz(&self) -> f64 {
        self.reach * self.speed.range_rpm().1 / 60.0
    }
}

/// Letters of the name of a line that leave room for others.
const LETTERS: usize = 24;

/// A name from a file that is cut where it is too long to stand beside a line.
pub(super) fn short(name: &str) -> String {
    let letters: Vec<char> = name.chars().collect();
    if letters.len() <= LETTERS {
        return name.to_owned();
    }
    letters.into_iter().take(LETTERS - 1).chain(['…']).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::speed::SpeedSource;

    #[test]
    fn a_steady_speed_gives_marks_and_a_changing_one_stretches() {
        let steady = Speed::constant(SpeedSource::Stated, 6000.0, 0.0, 1.0).expect("a speed");
        let orders = Orders::new(&steady, &[1.0, 0.5]);
        let marks = orders.marks_hz();
        assert_eq!(marks.iter().map(|m| m.at).collect::<Vec<_>>(), [100.0, 50.0]);
        assert_eq!(marks.iter().map(|m| m.label.as_str()).collect::<Vec<_>>(), ["1x", "0.5x"]);
        assert!(orders.spans_hz().is_empty());
        let names =
            [NamedOrder::of_bearing(0.501, "FTF", crate::case::bearing::Element::Cage, &["front"])];
        let named = Orders { names: &names, reach: 0.5, ..orders };
        assert_eq!((named.name(0.5).as_str(), named.name(1.0).as_str()), ("FTF", "1x"));
        assert_eq!(named.highest_hz(), 50.0);
        let told = |hz: f64, bin_hz: f64| orders.name_hz(hz, bin_hz);
        assert_eq!(told(901.0, 2.0).as_deref(), Some("9x"));
        assert_eq!(told(50.5, 1.0).as_deref(), Some("0.5x"));
        assert_eq!((told(930.0, 2.0), told(10.0, 2.0), told(900.0, 30.0)), (None, None, None));
        assert_eq!(short("a name that goes on and on and on"), "a name that goes on and…");
        assert!(!Against::Fitting.is_speed([5990.0, 6000.0].into_iter()));
        assert!(Against::Fitting.is_speed([3000.0, 6000.0].into_iter()));
        assert!(Orders::new(&steady, &[0.0]).check().is_err());
        assert!(Orders::new(&steady, &[f64::NAN]).check().is_err());
    }
}
