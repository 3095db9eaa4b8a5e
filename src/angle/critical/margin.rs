//! Separation margins of critical speeds against a range of operating speeds.
//!
//! The rules are those of the API standard paragraphs, 6.8.2.10 and 6.8.2.11 (from memory): with an
//! amplification factor AF below 2.5 a mode is critically damped and needs no margin; else it must stay
//! away from the operating speeds by `17 (1 - 1 / (AF - 1.5))` percent, 16 at most, below the lowest, and by
//! `10 + 17 (1 - 1 / (AF - 1.5))` percent, 26 at most, above the highest.

use super::{Critical, LEAST_AMPLIFICATION};

/// The side of the operating speeds on which a critical speed lies.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Side {
    /// Below the lowest.
    Below,
    /// Among them.
    Within,
    /// Above the highest.
    Above,
}

/// Whether a margin suffices.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Met {
    /// It does, beyond two standard errors.
    Yes,
    /// It does not, beyond two standard errors.
    No,
    /// Actual and required margin are closer than two standard errors.
    CannotTell,
}

/// The margin of one critical speed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Margin {
    /// Where the critical speed lies.
    pub side: Side,
    /// Distance of the peak of the response from the nearest operating speed in percent of that speed;
    /// negative within the range.
    pub actual_percent: f64,
    /// Its standard error.
    pub error_percent: f64,
    /// The margin required; 0 for a critically damped mode.
    pub required_percent: f64,
    /// Whether it is kept.
    pub met: Met,
}

/// The margin in percent that is required of a mode of this amplification factor.
pub fn required_percent(factor: f64, side: Side) -> f64 {
    if factor < LEAST_AMPLIFICATION {
        return 0.0;
    }
    let grown = 17.0 * (1.0 - 1.0 / (factor - 1.5));
    match side {
        Side::Below => grown.min(16.0),
        Side::Within | Side::Above => (10.0 + grown).min(26.0),
    }
}

/// The margin of a critical speed against the operating speeds from `low_rpm` to `high_rpm`.
pub fn margin(critical: &Critical, low_rpm: f64, high_rpm: f64) -> Margin {
    let peak = critical.half_power().peak_rpm;
    let (below, above) = (1.0 - peak / low_rpm, peak / high_rpm - 1.0);
    // within the range the nearer end counts, and the margin is negative
    let (side, actual, end_rpm) = match (below > 0.0, above > 0.0) {
        (true, _) => (Side::Below, below, low_rpm),
        (_, true) => (Side::Above, above, high_rpm),
        _ if below > above => (Side::Within, below, low_rpm),
        _ => (Side::Within, above, high_rpm),
    };
    let rule = if side == Side::Within && end_rpm == low_rpm { Side::Below } else { side };
    let (factor, error) = critical.half_power_factor();
    let actual_percent = 100.0 * actual;
    let error_percent = 100.0 * critical.rpm_error / end_rpm;
    let required = |factor: f64| required_percent(factor, rule);
    // a mode that is critically damped at either end of its uncertainty may need no margin at all
    let (least, most) = (required(factor - 2.0 * error), required(factor + 2.0 * error));
    let (least_actual, most_actual) =
        (actual_percent - 2.0 * error_percent, actual_percent + 2.0 * error_percent);
    let damped = factor + 2.0 * error < LEAST_AMPLIFICATION;
    let met = if damped || least_actual >= most {
        Met::Yes
    } else if factor - 2.0 * error >= LEAST_AMPLIFICATION && most_actual < least {
        Met::No
    } else {
        Met::CannotTell
    };
    Margin { side, actual_percent, error_percent, required_percent: required(factor), met }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn critical(rpm: f64, amplification: f64, error: f64) -> Critical {
        Critical {
            rpm_error: error * rpm,
            amplification_error: error * amplification,
            ..Critical::example(rpm, amplification)
        }
    }

    /// API standard paragraphs, from memory; arithmetic own.
    #[test]
    fn required_margins_of_the_api_standard_paragraphs() {
        for (factor, below, above) in [
            (2.4, 0.0, 0.0),
            (3.0, 5.667, 15.667),
            (4.0, 10.2, 20.2),
            (5.0, 12.143, 22.143),
            (8.0, 14.385, 24.385),
            (10.0, 15.0, 25.0),
            (20.0, 16.0, 26.0),
        ] {
            assert!((required_percent(factor, Side::Below) - below).abs() < 1e-3, "{factor}");
            assert!((required_percent(factor, Side::Above) - above).abs() < 1e-3, "{factor}");
        }
    }

    #[test]
    fn a_margin_is_kept_missed_or_cannot_be_told() {
        let below = margin(&critical(41_000.0, 8.0, 0.01), 60_000.0, 96_000.0);
        assert_eq!((below.side, below.met), (Side::Below, Met::Yes));
        assert!((below.actual_percent - 31.4).abs() < 0.5, "{below:?}");
        let near = margin(&critical(55_000.0, 8.0, 0.01), 60_000.0, 96_000.0);
        assert_eq!((near.side, near.met), (Side::Below, Met::No));
        let unsure = margin(&critical(51_000.0, 8.0, 0.03), 60_000.0, 96_000.0);
        assert_eq!(unsure.met, Met::CannotTell, "{unsure:?}");
        let within = margin(&critical(70_000.0, 8.0, 0.01), 60_000.0, 96_000.0);
        assert_eq!((within.side, within.met), (Side::Within, Met::No));
        assert!(within.actual_percent < 0.0, "{within:?}");
        let above = margin(&critical(110_000.0, 8.0, 0.01), 60_000.0, 96_000.0);
        assert_eq!((above.side, above.met), (Side::Above, Met::No));
        // 14.6 % above, where 24.4 are asked for; damped enough, nothing is asked
        let damped = margin(&critical(70_000.0, 2.1, 0.01), 60_000.0, 96_000.0);
        assert_eq!(damped.met, Met::Yes, "{damped:?}");
    }
}
