//! Whether the shaft's speed is known, how well and for how much of the recording.

use crate::recording::Recording;
use crate::speed::{Speed, SpeedSource};

use super::words::{number, whole};
use super::{Affects, Check, Fit};

/// Standard error of the speed in percent above which orders are blurred: 1 % moves order 10 by a
/// tenth of an order.
const LIMITED_ERROR_PERCENT: f64 = 1.0;
/// Probability of another reading from which the speed is in doubt (common practice, no source).
const LIMITED_DOUBT: f64 = 0.2;
/// An estimated speed that changes by less than this share was not seen to move as a shaft's does.
const MOVES: f64 = 0.04;
/// Share of the recording that the speed should cover (common practice, no source).
const LEAST_COVER: f64 = 0.8;

/// Source, error and reach of the speed.
pub fn check(recording: &Recording, speed: Option<&Speed>) -> Check {
    let limited = |check: Check| check.rated(Fit::Limited, &[Affects::Speed, Affects::Phase]);
    let Some(speed) = speed else {
        return limited(
            Check::good("speed", f64::NAN, "", "The speed of the shaft is not known.").so(
                "Nothing can be judged in orders of the shaft: record a pulse or state the speed.",
            ),
        );
    };
    let source = match speed.source() {
        SpeedSource::Pulse => "from the pulse",
        SpeedSource::Channel => "from a recorded channel",
        SpeedSource::Stated => "stated",
        SpeedSource::Estimated => "estimated from the signal itself",
    };
    let (low, high) = speed.range_rpm();
    let range = if speed.is_steady(1e-4) {
        whole(high)
    } else {
        format!("{} to {}", whole(low), whole(high))
    };
    let error = if speed.error_percent > 0.0 {
        format!(", with an error of {} %", number(speed.error_percent))
    } else {
        String::new()
    };
    let found = format!("The speed, {range} rpm, is {source}{error}.");
    let check = Check::good("speed", speed.error_percent, "%", found);
    if let Some(other) =
        speed.alternatives.first().filter(|other| other.probability > LIMITED_DOUBT)
    {
        return limited(check.so(format!(
            "It may as well be {} times that ({} % likely), and every order with it.",
            number(other.factor),
            number(100.0 * other.probability),
        )));
    }
    if speed.error_percent > LIMITED_ERROR_PERCENT {
        return limited(check.so("High orders are blurred and bearing lines hard to place."));
    }
    if speed.source() == SpeedSource::Estimated && speed.is_steady(MOVES) {
        return limited(check.so(
            "It hardly changes, so that nothing but the ratios of the lines speaks for it, and it cannot \
             release a machine: record a pulse.",
        ));
    }
    let cover = speed.measured_s() / recording.duration_s();
    if cover < LEAST_COVER {
        return limited(check.so(format!(
            "It was measured over {} % of the recording only.",
            number(100.0 * cover)
        )));
    }
    if speed.edge.is_none() {
        return check.so("No pulse edge marks angle zero, so phase is not given.");
    }
    check
}
