//! Whether enough turns were recorded.

use crate::speed::Speed;

use super::words::{number, whole};
use super::{Affects, Check, Fit};

/// Turns below which orders run into each other: a spectrum over ten turns parts lines 0.15 orders
/// apart (Hann, 1.5 bins), hardly enough for 1x beside a sub-synchronous line.
const UNFIT_TURNS: f64 = 10.0;
/// Turns below which bearing lines and their sidebands (0.4 orders, harmonics beside shaft orders a
/// few hundredths away) are not parted: over 100 turns 0.015 orders (common practice, no source).
const LIMITED_TURNS: f64 = 100.0;

/// The number of turns that the speed covers.
pub fn check(speed: &Speed) -> Check {
    let (first, last) = speed.turns_range();
    let turns = last - first;
    let check = Check::good(
        "turns",
        turns,
        "turns",
        format!("{} turns are recorded.", whole(turns.floor())),
    );
    if turns < UNFIT_TURNS {
        check
            .so("Orders cannot be parted: record at least 100 turns.")
            .rated(Fit::Unfit, &[Affects::Levels, Affects::Bearings])
    } else if turns < LIMITED_TURNS {
        check
            .so(format!("Lines closer than {} orders are not parted, which bearing lines may be: record at least 100 turns.", number(1.5 / turns)))
            .rated(Fit::Limited, &[Affects::Bearings])
    } else {
        check
    }
}
