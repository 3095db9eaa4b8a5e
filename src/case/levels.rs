//! Levels: overall values in a stated band and the first order, held against the limits.

use serde::{Deserialize, Serialize};

use super::{Case, View};
use crate::machine::Limits;
use crate::spectrum::levels::{channel_overall, overall_in_band};
use crate::units::{Amplitude, Quantity, Unit};

/// Lower end of the default band of overall values in Hz (ISO 20816-1: from memory).
const BAND_FROM_HZ: f64 = 10.0;
/// Upper end of the default band in Hz for slow machines (ISO 20816-1: from memory).
const BAND_TO_HZ: f64 = 1000.0;
/// The band reaches at least this many times the top speed, so that it holds the first order of fast
/// machines with two harmonics (common practice, no source).
const BAND_TOP_ORDERS: f64 = 3.2;

/// A level of one channel, with the limit it was held against.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Level {
    /// The channel.
    pub channel: String,
    /// Stable id: `overall_velocity`, `overall_acceleration`, `overall`, `order1_velocity`, ...
    pub id: String,
    /// What it is, in words: `overall velocity`, `1x velocity`, ...
    pub name: String,
    /// The value, in `unit`.
    pub value: f64,
    /// Unit with its convention: `mm/s rms`, `g peak`, `um p-p`, `FS rms`.
    pub unit: String,
    /// Band in Hz, for overall levels.
    pub band_hz: Option<[f64; 2]>,
    /// Speed in rpm at which the value was found, where a speed is known.
    pub at_rpm: Option<f64>,
    /// Relative standard uncertainty of the value.
    pub uncertainty: f64,
    /// The limit, in the same unit, if one is stated.
    pub limit: Option<f64>,
    /// What the limit says.
    pub decision: Decision,
}

impl Level {
    /// Value over limit, if there is a limit.
    pub fn ratio(&self) -> Option<f64> {
        self.limit.map(|limit| self.value / limit)
    }
}

/// What a limit says about a level.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Decision {
    /// No limit is stated.
    NoLimit,
    /// Within the limit by more than twice the standard uncertainty.
    Within,
    /// Beyond the limit by more than twice the standard uncertainty.
    Exceeded,
    /// Too close to the limit to tell.
    Undecided,
}

/// Holds a value with a relative standard uncertainty against a limit, at twice the uncertainty.
///
/// The guard band on both sides is that of ISO 21940-14 for measured residuals (from memory).
pub fn decide(value: f64, uncertainty: f64, limit: Option<f64>) -> Decision {
    let Some(limit) = limit else { return Decision::NoLimit };
    let guard = 2.0 * uncertainty * value;
    if value - guard > limit {
        Decision::Exceeded
    } else if value + guard < limit {
        Decision::Within
    } else {
        Decision::Undecided
    }
}

/// The levels of all judged channels.
pub fn of(case: &Case) -> Vec<Level> {
    case.views().flat_map(|view| of_view(&view)).collect()
}

/// The band of overall values for a case: the machine file's, else 10 Hz to 1 kHz or 3.2 times the
/// top speed, whichever is higher, and never above what the channel's rate carries.
fn band_hz(view: &View) -> [f64; 2] {
    let top_hz = view.case.speed.as_ref().map_or(0.0, |speed| speed.range_rpm().1 / 60.0);
    let default = [BAND_FROM_HZ, BAND_TO_HZ.max(BAND_TOP_ORDERS * top_hz)];
    let [low, high] = view.case.machine.limits.band_hz.unwrap_or(default);
    [low, high.min(view.judged_hz())]
}

fn of_view(view: &View) -> Vec<Level> {
    if !view.channel.is_calibrated() || view.channel.spec.quantity() == Quantity::Pressure {
        return relative(view);
    }
    let mut found = Vec::new();
    for quantity in [Quantity::Velocity, Quantity::Acceleration] {
        let limit = stated(&view.case.machine.limits, "overall", quantity);
        let native = quantity == view.channel.spec.quantity();
        // velocity is the trade's default; the sensor's own quantity comes beside it
        if quantity == Quantity::Velocity || native || limit.is_some() {
            found.extend(overall(view, quantity, limit));
        }
    }
    for quantity in [Quantity::Velocity, Quantity::Acceleration, Quantity::Displacement] {
        let limit = stated(&view.case.machine.limits, "order1", quantity);
        if quantity == Quantity::Velocity || limit.is_some() {
            found.extend(first_order(view, quantity, limit));
        }
    }
    found
}

fn stated(limits: &Limits, what: &str, quantity: Quantity) -> Option<f64> {
    match (what, quantity) {
        ("overall", Quantity::Velocity) => limits.overall_mm_s_rms,
        ("overall", Quantity::Acceleration) => limits.overall_g_rms,
        ("order1", Quantity::Velocity) => limits.order1_mm_s_rms,
        ("order1", Quantity::Acceleration) => limits.order1_g_peak,
        ("order1", Quantity::Displacement) => limits.order1_um_pp,
        _ => None,
    }
}

/// Whether limits hold at a speed; where no speed is known they hold throughout.
fn counts(case: &Case, rpm: Option<f64>) -> bool {
    match (case.machine.limits.from_rpm, rpm) {
        (Some(from_rpm), Some(rpm)) => rpm >= from_rpm,
        _ => true,
    }
}

/// The highest short-time overall level at speeds where the limits hold.
fn overall(view: &View, quantity: Quantity, limit: Option<f64>) -> Option<Level> {
    let band = band_hz(view);
    let (channel, case) = (view.channel, view.case);
    let unit = Unit::shown_for(quantity)?;
    let loudest = channel_overall(channel, quantity, band)
        .ok()?
        .into_iter()
        .filter(|at| counts(case, rpm_at(case, at.time_s)))
        .max_by(|a, b| a.rms.total_cmp(&b.rms))?;
    let value = loudest.rms / unit.si_factor();
    let at_rpm = rpm_at(case, loudest.time_s);
    Some(level(view, "overall", quantity, (value, unit, Amplitude::Rms), Some(band), at_rpm, limit))
}

fn rpm_at(case: &Case, time_s: f64) -> Option<f64> {
    case.speed
        .as_ref()
        .filter(|speed| time_s >= speed.start_s() && time_s <= speed.end_s())
        .map(|speed| speed.rpm_at(time_s))
}

/// The highest first-order amplitude at speeds where the limits hold.
fn first_order(view: &View, quantity: Quantity, limit: Option<f64>) -> Option<Level> {
    let unit = Unit::shown_for(quantity)?;
    let convention = Amplitude::usual_for(quantity);
    let track = view.track_as(1.0, quantity)?;
    let (rpm, amplitude) = track
        .rpm
        .iter()
        .zip(track.amplitudes())
        .map(|(&rpm, amplitude)| (rpm, amplitude))
        .filter(|&(rpm, _)| counts(view.case, Some(rpm)))
        .max_by(|a, b| a.1.total_cmp(&b.1))?;
    let value = amplitude * convention.from_peak() / unit.si_factor();
    Some(level(view, "order1", quantity, (value, unit, convention), None, Some(rpm), limit))
}

fn level(
    view: &View,
    what: &str,
    quantity: Quantity,
    (value, unit, convention): (f64, Unit, Amplitude),
    band_hz: Option<[f64; 2]>,
    at_rpm: Option<f64>,
    limit: Option<f64>,
) -> Level {
    let uncertainty = view.case.machine.limits.uncertainty();
    let words = if what == "order1" { "1x" } else { what };
    Level {
        channel: view.name().to_owned(),
        id: format!("{what}_{}", quantity.word()),
        name: format!("{words} {}", quantity.word()),
        value,
        unit: format!("{} {}", unit.symbol(), convention.word()),
        band_hz,
        at_rpm,
        uncertainty,
        limit,
        decision: decide(value, uncertainty, limit),
    }
}

/// Overall level of an uncalibrated channel: a number to compare with others of the same chain only.
fn relative(view: &View) -> Vec<Level> {
    let band = band_hz(view);
    let (channel, case) = (view.channel, view.case);
    let quantity = view.quantity();
    let blocks = overall_in_band(channel.values(), channel.rate_hz, quantity, quantity, band);
    let loudest = blocks.unwrap_or_default().into_iter().max_by(|a, b| a.rms.total_cmp(&b.rms));
    let Some(loudest) = loudest else { return Vec::new() };
    let time_s = channel.time_s(0.0) + loudest.time_s;
    vec![Level {
        channel: view.name().to_owned(),
        id: "overall".to_owned(),
        name: "overall, relative".to_owned(),
        value: loudest.rms,
        unit: format!("{} rms", channel.spec.unit().symbol()),
        band_hz: Some(band),
        at_rpm: rpm_at(case, time_s),
        uncertainty: case.machine.limits.uncertainty(),
        limit: None,
        decision: Decision::NoLimit,
    }]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_limit_decides_only_beyond_twice_the_uncertainty() {
        assert_eq!(decide(4.0, 0.05, Some(4.5)), Decision::Within);
        assert_eq!(decide(4.3, 0.05, Some(4.5)), Decision::Undecided);
        assert_eq!(decide(4.8, 0.05, Some(4.5)), Decision::Undecided);
        assert_eq!(decide(5.1, 0.05, Some(4.5)), Decision::Exceeded);
        assert_eq!(decide(5.1, 0.05, None), Decision::NoLimit);
    }
}
