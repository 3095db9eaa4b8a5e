//! Whether the sampling rate reaches the lines that matter at top speed.

use crate::machine::{Machine, Multipliers};
use crate::recording::Channel;
use crate::speed::Speed;

use super::words::{number, whole};
use super::{Affects, Check, Fit, JUDGED_SHARE_OF_RATE};

/// Orders of the shaft that the default band reaches.
const BAND_ORDERS: f64 = 3.0;

/// The highest order that can be judged at the top speed of the recording, against what is wanted:
/// 1x, the band up to 3x, blade passing, and the lines of the bearings.
pub fn check(channel: &Channel, machine: &Machine, speed: &Speed) -> Option<Check> {
    let top_rpm = speed.range_rpm().1;
    if !(top_rpm > 0.0) {
        return None;
    }
    let reach = JUDGED_SHARE_OF_RATE * channel.rate_hz / (top_rpm / 60.0);
    let found = format!(
        "At {} rpm a rate of {} Hz shows orders up to {}.",
        whole(top_rpm),
        whole(channel.rate_hz),
        number(reach),
    );
    let check = Check::good("rate", reach, "orders", found).on(channel.name());
    let wanted_hz = |order: f64| number(order * top_rpm / 60.0 / JUDGED_SHARE_OF_RATE);
    if reach < 1.0 {
        return Some(
            check
                .so(format!(
                    "1x itself is out of reach: record at {} Hz at least.",
                    wanted_hz(BAND_ORDERS)
                ))
                .rated(Fit::Unfit, &[Affects::Levels, Affects::Bearings]),
        );
    }
    if reach < BAND_ORDERS {
        return Some(
            check
                .so(format!(
                    "Harmonics up to 3x are not all seen: record at {} Hz at least.",
                    wanted_hz(BAND_ORDERS)
                ))
                .rated(Fit::Limited, &[Affects::Levels, Affects::Bearings]),
        );
    }
    Some(match highest_wanted(machine) {
        Some((name, order)) if reach < order => check
            .so(format!("{name} (order {}) is out of reach at top speed: record at {} Hz, or judge it where the machine runs slower.", number(order), wanted_hz(order)))
            .rated(Fit::Limited, &[Affects::Bearings]),
        _ => check,
    })
}

/// The highest order that the machine file asks for, with its name.
fn highest_wanted(machine: &Machine) -> Option<(String, f64)> {
    let inner = machine.bearing.iter().filter_map(|(name, bearing)| {
        let Multipliers { bpfi, .. } = bearing.multipliers(name).ok().flatten()?;
        Some((format!("The inner-race frequency of bearing {name:?}"), bpfi))
    });
    let blades = machine
        .blade
        .iter()
        .map(|(name, row)| (format!("Blade passing of row {name:?}"), f64::from(row.count)));
    inner.chain(blades).max_by(|a, b| a.1.total_cmp(&b.1))
}
