//! The high-pass corner of an AC-coupled input.

use crate::recording::Channel;
use crate::speed::Speed;

use super::words::{number, whole};
use super::{Affects, Check, Fit};

/// Multiple of the corner below which neither slow roll nor phase is trusted: there a first-order
/// corner turns the phase by atan(1/10) = 5.7 degrees.
const TRUSTED_MULTIPLE: f64 = 10.0;
/// Multiple of the corner below which amplitudes are not: there a first-order corner takes 5 % away,
/// 1 - 3 / sqrt(10).
const LEVEL_MULTIPLE: f64 = 3.0;

/// The speed below which phase is not trusted; `None` where no corner is stated.
pub fn check(channel: &Channel, speed: &Speed) -> Option<Check> {
    let corner_hz = channel.spec.corner_hz.filter(|hz| *hz > 0.0)?;
    let from_rpm = 60.0 * TRUSTED_MULTIPLE * corner_hz;
    let (low_rpm, high_rpm) = speed.range_rpm();
    let found = format!(
        "The input is AC-coupled at {} Hz: phase is true above {} rpm, and the recording runs from {} to {} rpm.",
        number(corner_hz),
        whole(from_rpm),
        whole(low_rpm),
        whole(high_rpm),
    );
    let check = Check::good("low_corner", from_rpm, "rpm", found).on(channel.name());
    Some(if high_rpm < 60.0 * LEVEL_MULTIPLE * corner_hz {
        check
            .so("The corner takes away more than 5 % of the first order: levels are too low, and neither phase nor slow roll can be trusted.")
            .rated(Fit::Limited, &[Affects::Levels, Affects::Phase])
    } else if high_rpm < from_rpm {
        check
            .so("Neither phase nor slow roll can be trusted anywhere in it.")
            .rated(Fit::Limited, &[Affects::Phase])
    } else if low_rpm < from_rpm {
        check
            .so(format!(
                "Below {} rpm neither phase nor slow roll can be trusted.",
                whole(from_rpm)
            ))
            .rated(Fit::Limited, &[Affects::Phase])
    } else {
        check
    })
}
