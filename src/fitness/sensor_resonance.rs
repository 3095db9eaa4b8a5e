//! The sensor's mounted resonance: above a third of it amplitudes read too high.

use crate::recording::Channel;
use crate::speed::Speed;

use super::words::{number, whole};
use super::{Affects, Check, Fit, JUDGED_SHARE_OF_RATE};

/// Share of the resonance up to which a sensor is taken to be true: there an undamped spring and mass
/// read 1 / (1 - 1/9) = 1.125 times too high.
const TRUE_SHARE: f64 = 1.0 / 3.0;
/// Orders of the shaft that the default band reaches.
const BAND_ORDERS: f64 = 3.0;

/// From which order on amplitudes are raised at top speed; `None` where no resonance is stated.
pub fn check(channel: &Channel, speed: &Speed) -> Option<Check> {
    let resonance_hz = channel.spec.mounted_resonance_hz.filter(|hz| *hz > 0.0)?;
    let top_hz = speed.range_rpm().1 / 60.0;
    if !(top_hz > 0.0) {
        return None;
    }
    let third_hz = TRUE_SHARE * resonance_hz;
    let order = third_hz / top_hz;
    let found = format!(
        "A third of the sensor's mounted resonance is {} Hz, order {} at {} rpm.",
        number(third_hz),
        number(order),
        whole(60.0 * top_hz),
    );
    let check = Check::good("sensor_resonance", order, "orders", found).on(channel.name());
    let affects = [Affects::Levels, Affects::Phase];
    Some(if top_hz >= resonance_hz {
        check
            .so("1x at top speed lies above the resonance, so its level means nothing: use a stiffer mount or another sensor.")
            .rated(Fit::Unfit, &affects)
    } else if order < BAND_ORDERS {
        let raise = |hz: f64| 100.0 * (1.0 / (1.0 - (hz / resonance_hz).powi(2)) - 1.0);
        let at_1x = if order < 1.0 {
            format!("; 1x at top speed by about {} %", number(raise(top_hz)))
        } else {
            String::new()
        };
        check
            .so(format!(
                "Above order {} amplitudes read high, by 12 % there and more beyond{at_1x}.",
                number(order)
            ))
            .rated(Fit::Limited, &affects)
    } else if third_hz < JUDGED_SHARE_OF_RATE * channel.rate_hz {
        check.so(format!(
            "Above {} Hz amplitudes read high, by 12 % there and more beyond.",
            number(third_hz)
        ))
    } else {
        check
    })
}
