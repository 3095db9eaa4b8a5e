//! The samples between places, with their carriers.

use std::ops::Range;

use super::places::Places;
use crate::angle::wave::{Carriers, Wave};
use crate::recording::Channel;

/// Samples whose carriers are held at a time.
const CARRIED: usize = 1 << 15;

/// The samples of a stretch.
pub(super) struct Signal<'a> {
    pub channel: &'a Channel,
    pub waves: &'a [Wave<'a>],
    pub range: Range<usize>,
    pub centre: f64,
}

impl Signal<'_> {
    /// For the places of `around` but the last, in turn: samples from it to the next, each with its
    /// carriers, its value and its share of the way. Carriers are made for some samples at a time, so a
    /// place may come more than once.
    pub fn each_part(
        &self,
        places: &Places,
        around: &Range<usize>,
        mut each: impl FnMut(usize, &mut dyn Iterator<Item = (&[f64], f64, f64)>),
    ) {
        let last = around.end.saturating_sub(2);
        let mut place = around.start;
        for start in self.range.clone().step_by(CARRIED) {
            let samples = start..(start + CARRIED).min(self.range.end);
            let carriers = Carriers::over(self.channel, self.waves, samples.clone());
            let values = &self.channel.values()[samples.clone()];
            let mut rows = samples.zip(carriers.rows().zip(values)).peekable();
            while rows.peek().is_some() {
                let (from, to) = (places.at[place], places.at[place + 1]);
                let inside = |index: usize| (index as f64) < to || place == last;
                let mut part = std::iter::from_fn(|| {
                    let (index, (row, &x)) = rows.next_if(|(index, _)| inside(*index))?;
                    let share = (index as f64 - from) / (to - from);
                    Some((row, f64::from(x) - self.centre, share.clamp(0.0, 1.0)))
                });
                each(place, &mut part);
                place += usize::from(rows.peek().is_some());
            }
        }
    }
}
