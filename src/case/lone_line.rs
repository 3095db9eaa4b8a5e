//! A line at a whole order, held against the whole orders around it.
//!
//! Loose parts and rubs raise many orders at once; blades and electrical machines raise one.

use super::{OrderLine, View};

/// Height over the noise, in standard deviations of noise alone, from which a line is called seen.
const SEEN_SIGMAS: f64 = 4.0;
/// Ratio of the line's power to that of the strongest whole order around it that weighs as much for as
/// against.
const NOTABLE_ISOLATION: f64 = 3.0;
/// Distances in whole orders at which the orders around a line are looked at: without its sidebands, and
/// with their places where the line has none.
pub const BEYOND_SIDEBANDS: &[i32] = &[-4, -3, -2, 2, 3, 4];
/// As [`BEYOND_SIDEBANDS`], with the nearest two.
pub const ALL_AROUND: &[i32] = &[-4, -3, -2, -1, 1, 2, 3, 4];
/// Orders up to this are every shaft's own.
pub const OF_EVERY_SHAFT: u32 = 2;

/// A line at a whole order, with what surrounds it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LoneLine {
    /// The line.
    pub line: OrderLine,
    /// Its power over that of the strongest whole order around it, noise taken from both.
    pub isolation: f64,
    /// Whether none of those around it stands above what noise alone scatters, so that `isolation` is a lower
    /// bound.
    pub stands_alone: bool,
    /// Amplitudes of the orders below and above over its own, where they stand out of the noise.
    pub sidebands: [Option<f64>; 2],
}

impl LoneLine {
    /// The line at a whole order among those at the `distances`; `others` are orders that count for nothing
    /// there. `None` where the order is judged at no speed.
    pub fn at(view: &View, order: u32, others: &[u32], distances: &[i32]) -> Option<Self> {
        Self::among(order, others, distances, |at| view.line_at(f64::from(at)))
    }

    /// As [`LoneLine::at`], with the lines of whole orders from `line_at`.
    pub fn among(
        order: u32,
        others: &[u32],
        distances: &[i32],
        line_at: impl Fn(u32) -> Option<OrderLine>,
    ) -> Option<Self> {
        let line = line_at(order)?;
        let around = distances.iter().filter_map(|distance| order.checked_add_signed(*distance));
        let around = around.filter(|at| *at > OF_EVERY_SHAFT && !others.contains(at));
        let strongest = around.filter_map(|at| Some(line_at(at)?.excess)).fold(0.0, f64::max);
        // below what noise alone scatters, an order around it says nothing
        let least = 2.0 / line.looks.sqrt();
        let stands_alone = strongest <= least;
        let isolation = line.excess.max(0.0) / strongest.max(least);
        let sideband = |at: Option<u32>| {
            let other = line_at(at?).filter(|other| other.sigmas() >= SEEN_SIGMAS)?;
            Some(other.amplitude / line.amplitude.max(f64::MIN_POSITIVE))
        };
        let sidebands = [sideband(order.checked_sub(1)), sideband(order.checked_add(1))];
        Some(Self { line, isolation, stands_alone, sidebands })
    }

    /// Whether it stands clear of the noise.
    pub fn is_seen(&self) -> bool {
        self.line.sigmas() >= SEEN_SIGMAS
    }

    /// For each factor e that the line stands higher over the scatter of the noise, and over the strongest
    /// order around it, one; both bounded. One of many that are as strong tells little, however high.
    pub fn log_odds(&self) -> f64 {
        let most = if self.isolation > 1.0 { 8.0 } else { 1.0 };
        let height = (self.line.sigmas() / SEEN_SIGMAS).max(1e-3).ln();
        let isolation = (self.isolation / NOTABLE_ISOLATION).max(1e-3).ln();
        height.clamp(-3.0, most) + isolation.clamp(-3.0, 5.0)
    }

    /// `12.3 dB`.
    pub fn over_noise(&self) -> String {
        format!("{:.1} dB", self.line.over_noise_db())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn line(order: u32, excess: f64) -> OrderLine {
        let amplitude = excess.max(0.0).sqrt();
        OrderLine { order: f64::from(order), excess, looks: 100.0, amplitude, top_rpm: 60_000.0 }
    }

    fn among(excess: impl Fn(u32) -> f64) -> LoneLine {
        let at = |order| Some(line(order, excess(order)));
        LoneLine::among(12, &[], BEYOND_SIDEBANDS, at).expect("a line")
    }

    /// By hand: 100 times the noise over an order of 4 times the noise is 25 times its power; half the
    /// amplitude in a sideband is a quarter of the power.
    #[test]
    fn a_lone_line_is_told_from_one_of_many() {
        let lone = among(|order| match order {
            12 => 100.0,
            13 => 25.0,
            9 => 4.0,
            _ => 0.0,
        });
        assert!((lone.isolation - 25.0).abs() < 1e-9 && lone.is_seen() && !lone.stands_alone);
        assert_eq!(lone.sidebands[0], None);
        assert!(lone.sidebands[1].is_some_and(|share| (share - 0.5).abs() < 1e-9));
        let many = among(|_| 100.0);
        assert!((many.isolation - 1.0).abs() < 1e-9);
        assert!(lone.log_odds() > 5.0 && many.log_odds() < 0.0, "{lone:?} {many:?}");
        assert!(among(|_| 0.0).log_odds() < -3.0);
        // of 100 looks noise scatters by a tenth, and twice that is the least to divide by
        let alone = among(|order| if order == 12 { 100.0 } else { 0.0 });
        assert!(alone.stands_alone && (alone.isolation - 500.0).abs() < 1e-9, "{alone:?}");
    }

    #[test]
    fn orders_that_are_known_count_for_nothing_beside_it() {
        let at = |order| Some(line(order, if order == 12 || order == 14 { 100.0 } else { 0.0 }));
        let known = LoneLine::among(12, &[14], BEYOND_SIDEBANDS, at).expect("a line");
        let unknown = LoneLine::among(12, &[], BEYOND_SIDEBANDS, at).expect("a line");
        assert!(known.isolation > 100.0 && unknown.isolation < 1.1);
    }
}
