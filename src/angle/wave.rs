//! What is followed through a recording: orders of one shaft or of several.

use std::f64::consts::TAU;
use std::ops::Range;

use super::map::JUDGED_SHARE_OF_RATE;
use crate::error::{Error, Result};
use crate::recording::Channel;
use crate::speed::Speed;

/// The most waves that are followed together.
const MOST_WAVES: usize = 32;

/// An order of a shaft. A tone of fixed frequency is the first order of a constant speed.
#[derive(Debug, Clone, Copy)]
pub struct Wave<'a> {
    /// The shaft's angle and speed.
    pub speed: &'a Speed,
    /// The multiple of its speed, above 0.
    pub order: f64,
}

impl Wave<'_> {
    /// Frequency in Hz at a time.
    pub fn hz_at(&self, time_s: f64) -> f64 {
        self.order * self.speed.hz_at(time_s)
    }

    /// Whether the wave lies in the judged part of a channel's band at a time.
    pub(super) fn is_judged(&self, channel: &Channel, time_s: f64) -> bool {
        self.hz_at(time_s) <= JUDGED_SHARE_OF_RATE * channel.rate_hz
    }
}

/// Refuses waves that are none.
///
/// # Errors
/// [`Error::Setting`] for no waves or too many, an order that is not above zero, or two waves that are
/// the same.
pub(super) fn check(waves: &[Wave]) -> Result<()> {
    let refuse = |problem: String, mend: &str| Err(Error::setting("orders", problem, mend));
    if waves.is_empty() {
        return refuse("none is given".to_owned(), "give at least one order");
    }
    if waves.len() > MOST_WAVES {
        let mend = format!("follow up to {MOST_WAVES} at a time");
        return refuse(format!("{} are too many", waves.len()), &mend);
    }
    for (place, wave) in waves.iter().enumerate() {
        if !(wave.order > 0.0 && wave.order.is_finite()) {
            return refuse(format!("{} is no order", wave.order), "give multiples above 0");
        }
        let same =
            |other: &Wave| other.order == wave.order && other.speed.knots() == wave.speed.knots();
        if waves[..place].iter().any(same) {
            let rpm = wave.speed.range_rpm().1;
            let what = format!("order {} of a speed up to {rpm:.0} rpm is given twice", wave.order);
            return refuse(what, "give each order and each tone once");
        }
    }
    Ok(())
}

/// The samples that lie within the time covered by all speeds.
///
/// # Errors
/// [`Error::TooLittle`] where there are none.
pub(super) fn covered(channel: &Channel, waves: &[Wave]) -> Result<Range<usize>> {
    let starts = waves.iter().map(|wave| wave.speed.start_s());
    let ends = waves.iter().map(|wave| wave.speed.end_s());
    let from = channel.index_at(starts.fold(f64::NEG_INFINITY, f64::max)).ceil().max(0.0);
    let to = channel.index_at(ends.fold(f64::INFINITY, f64::min)).floor() + 1.0;
    let to = to.clamp(0.0, channel.len() as f64);
    if from >= to {
        return Err(Error::too_little(
            format!("channel {} in shaft angle", channel.name()),
            "some time at which both it and the speed are known",
            "none",
        ));
    }
    Ok(from as usize..to as usize)
}

/// Cosines and sines of waves over a stretch of samples.
pub(super) struct Carriers {
    /// `cos` and `-sin` of each wave's angle, sample by sample: a wave of phasor `a + ib` adds
    /// `a cos - b sin`. Zero while the wave lies above half the sampling rate, where it cannot be seen.
    rows: Vec<f64>,
    width: usize,
}

impl Carriers {
    /// Over the samples of `range`.
    pub fn over(channel: &Channel, waves: &[Wave], range: Range<usize>) -> Self {
        let width = 2 * waves.len();
        let mut rows = vec![0.0; width * range.len()];
        let (start_s, step_s) = (channel.time_s(range.start as f64), 1.0 / channel.rate_hz);
        let mut turns = vec![0.0; range.len()];
        let mut known: Option<&Speed> = None;
        for (place, wave) in waves.iter().enumerate() {
            if !known.is_some_and(|speed| std::ptr::eq(speed, wave.speed)) {
                wave.speed.turns_into(start_s, step_s, &mut turns);
                known = Some(wave.speed);
            }
            let most_turns = 0.5 / wave.order;
            let mut before = turns.first().copied().unwrap_or(0.0);
            for (row, &now) in rows.chunks_exact_mut(width).zip(&turns) {
                if now - before < most_turns {
                    let (sin, cos) = (TAU * (wave.order * now).fract()).sin_cos();
                    (row[2 * place], row[2 * place + 1]) = (cos, -sin);
                }
                before = now;
            }
        }
        Self { rows, width }
    }

    /// The row of each sample: `cos`, `-sin` of each wave in turn.
    pub fn rows(&self) -> impl Iterator<Item = &[f64]> {
        self.rows.chunks_exact(self.width)
    }
}
