//! Offset: a constant part, harmless in itself, that may eat the converter's room.

use crate::recording::survey::Survey;

use super::words::number;
use super::{Affects, Check, Fit};

/// Share of full scale that an offset may take: half the room is 6 dB (common practice, no source).
const LIMITED_SHARE: f64 = 0.5;

/// The offset of one channel against full scale, or against the signal where that is not known.
///
/// A constant alone is no fault: sensors without AC coupling carry a bias, and it is taken out before
/// every spectrum.
pub fn check(survey: &Survey) -> Option<Check> {
    if survey.values().is_empty() || survey.non_finite == survey.values().len() {
        return None;
    }
    let offset = format!("The offset is {} {}", number(survey.mean), survey.unit());
    let name = survey.channel.name();
    let Some(full_scale) = survey.channel.full_scale.map(f64::abs).filter(|fs| *fs > 0.0) else {
        let ratio = survey.mean.abs() / survey.rms;
        let found = format!("{offset}, {} times the vibration's rms.", number(ratio));
        let check = Check::good("offset", survey.mean, survey.unit(), found).on(name);
        let bias = "A constant bias is taken out and touches nothing else.";
        return Some(if ratio > 1.0 { check.so(bias) } else { check });
    };
    let share = survey.mean.abs() / full_scale;
    let found = format!("{offset}, {} % of full scale.", number(100.0 * share));
    let check = Check::good("offset", 100.0 * share, "%", found).on(name);
    Some(if share > LIMITED_SHARE {
        check
            .so("Less than half the converter's room is left on one side: expect clipping, and look to the sensor's supply.")
            .rated(Fit::Limited, &[Affects::Levels])
    } else {
        check
    })
}
