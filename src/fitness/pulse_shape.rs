//! A channel that is to be judged, and holds shaft pulses: the machine file names the wrong one.

use crate::recording::Channel;
use crate::recording::read::guess::is_pulse_train;

use super::{Affects, Check, Fit};

/// `None` where the signal is none of pulses.
pub fn check(channel: &Channel) -> Option<Check> {
    is_pulse_train(channel.values()).then(|| {
        Check::good(
            "pulse_shape",
            f64::NAN,
            "",
            "The signal has two levels and even gaps, as shaft pulses have.",
        )
        .on(channel.name())
        .so("It is no vibration: correct the channel's number or role in the machine file.")
        .rated(Fit::Unfit, &[Affects::Levels, Affects::Bearings, Affects::Speed])
    })
}
