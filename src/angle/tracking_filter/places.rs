//! The places at which phasors are held.

use std::ops::Range;

use super::Bandwidth;
use crate::angle::wave::Wave;
use crate::error::{Error, Result};
use crate::recording::Channel;

/// Bandwidth times distance of the places at which phasors are held.
const PLACED: f64 = 0.02;

/// The places at which phasors are held.
pub(super) struct Places {
    /// Indices of samples, not whole where bands are in orders; one more than there are stretches
    /// between them.
    pub(super) at: Vec<f64>,
    /// Cycles of the bandwidth from one place to the next.
    pub(super) bandwidth: f64,
    /// The samples that are used.
    covered: Range<usize>,
}

impl Places {
    pub(super) fn new(
        channel: &Channel,
        first: &Wave,
        bandwidth: Bandwidth,
        covered: Range<usize>,
    ) -> Result<Self> {
        let (start, end) = (covered.start as f64, (covered.end - 1) as f64);
        let (at, bandwidth): (Vec<f64>, f64) = match bandwidth {
            Bandwidth::Hz(hz) => {
                let samples = (PLACED * channel.rate_hz / hz).floor().max(1.0);
                let places = (0..).map(|i| start + f64::from(i) * samples);
                // the last place lies at or just beyond the last sample
                let count = ((end - start) / samples).ceil() as usize + 1;
                (places.take(count).collect(), hz * samples / channel.rate_hz)
            }
            Bandwidth::Orders(orders) => {
                let turns = PLACED / orders;
                let speed = first.speed;
                let from = speed.turns_at(channel.time_s(start));
                let to = speed.turns_at(channel.time_s(end));
                let count = ((to - from) / turns).ceil() as usize + 1;
                let index = |i: usize| {
                    channel
                        .index_at(speed.time_at_turns(from + i as f64 * turns))
                        .clamp(start, end + 1.0)
                };
                ((0..count).map(index).collect(), orders * turns)
            }
        };
        let needed = (1.0 / bandwidth).ceil() as usize;
        if at.len() < needed {
            let wide = at.len() as f64 * bandwidth;
            return Err(Error::too_little(
                format!("order tracks of channel {}", channel.name()),
                "at least one inverse bandwidth",
                format!("{wide:.2} of it: take a wider band"),
            ));
        }
        Ok(Self { at, bandwidth, covered })
    }

    pub(super) fn count(&self) -> usize {
        self.at.len()
    }

    /// The samples between the first and the last of some places, the last sample with them at the end.
    pub(super) fn samples(&self, places: &Range<usize>) -> Range<usize> {
        let from = self.at[places.start].ceil() as usize;
        let to = self.at[places.end - 1].ceil() as usize;
        let to = if places.end == self.count() { self.covered.end } else { to };
        from..to.clamp(from, self.covered.end)
    }

    /// Samples that a place stands for.
    pub(super) fn span(&self, place: usize) -> f64 {
        let before = place.saturating_sub(1);
        let after = (place + 1).min(self.count() - 1);
        (self.at[after] - self.at[before]) / (after - before) as f64
    }
}
