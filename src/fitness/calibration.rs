//! Whether levels are absolute.

use crate::recording::Channel;

use super::{Affects, Check, Fit};

/// Whether the channel's unit is a physical one; its full scale in that unit is the number.
pub fn check(channel: &Channel) -> Check {
    let unit = channel.spec.unit().symbol();
    let full_scale = channel.full_scale.unwrap_or(f64::NAN);
    if channel.is_calibrated() {
        let found = format!("Levels are absolute, {} in {unit}.", channel.spec.quantity().word());
        return Check::good("calibration", full_scale, unit, found).on(channel.name());
    }
    Check::good(
        "calibration",
        full_scale,
        unit,
        format!("Levels are relative: the samples are in {unit}, of no physical quantity."),
    )
    .on(channel.name())
    .so("No limit can be checked on it: state unit and full_scale of the channel in the machine file.")
    .rated(Fit::Limited, &[Affects::Levels])
}
