//! Pulse loss: how many pulses had to be put right.

use crate::recording::{Recording, Role};
use crate::speed::{Speed, SpeedSource};

use super::words::{count, number};
use super::{Affects, Check, Fit};

/// Share of repaired pulses from which the speed is used with care (common practice, no source).
const LIMITED_SHARE: f64 = 0.05;
/// Share from which the pulses are no measure of angle (common practice, no source).
const UNFIT_SHARE: f64 = 0.20;

/// The share of pulses lost or too many; `None` where the speed does not come from pulses.
pub fn check(recording: &Recording, speed: &Speed) -> Option<Check> {
    if speed.source() != SpeedSource::Pulse {
        return None;
    }
    let channel = recording.with_role(Role::Pulse).next();
    let expected = speed.repairs.expected.max(1) as f64;
    let share = speed.repairs.count() as f64 / expected;
    let found = format!(
        "{} pulses lost and {} too many were put right, {} % of {}.",
        count(speed.repairs.lost as usize),
        count(speed.repairs.extra as usize),
        number(100.0 * share),
        count(expected as usize),
    );
    let check = Check::good("pulse_loss", 100.0 * share, "%", found);
    let check = match channel {
        Some(channel) => check.on(channel.name()),
        None => check,
    };
    Some(if share > UNFIT_SHARE {
        check
            .so("Speed and angle are guesses: mend the mark or the pulse sensor and record again.")
            .rated(Fit::Unfit, &[Affects::Speed, Affects::Phase])
    } else if share > LIMITED_SHARE {
        check
            .so("Phase and speed are less sure than their scatter says: look to the mark and the trigger level.")
            .rated(Fit::Limited, &[Affects::Speed, Affects::Phase])
    } else {
        check
    })
}
