//! Levels: overall values in a stated band and the first order, held against the limits.
//!
//! A stated limit that a channel gives no level for is no limit kept: [`unchecked`] names it.

use serde::{Deserialize, Serialize};

use super::{Case, View};
use crate::angle::Track;
use crate::machine::Limits;
use crate::spectrum::levels::{channel_overall, overall_in_band};
use crate::units::{Amplitude, Quantity, Unit, grouped};

/// Lower end of the default band of overall values in Hz (ISO 20816-1: from memory).
const BAND_FROM_HZ: f64 = 10.0;
/// Upper end of the default band in Hz for slow machines (ISO 20816-1: from memory).
const BAND_TO_HZ: f64 = 1000.0;
/// The band reaches at least this many times the top speed, so that it holds the first order of fast
/// machines with two harmonics (common practice, no source).
const BAND_TOP_ORDERS: f64 = 3.2;
/// Height of the first order over its own standard error above which it is more than noise.
const CLEAR_OF_NOISE: f64 = 4.0;

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
    let [low, high] = wanted_band_hz(view.case);
    [low, high.min(view.judged_hz())]
}

fn wanted_band_hz(case: &Case) -> [f64; 2] {
    let default = [BAND_FROM_HZ, BAND_TO_HZ.max(BAND_TOP_ORDERS * top_rpm(case) / 60.0)];
    case.machine.limits.band_hz.unwrap_or(default)
}

/// The first stated limit that a channel was not held against as stated, with the reason in words;
/// `None` where every channel was held against every limit.
pub fn unchecked(case: &Case) -> Option<String> {
    case.views().find_map(|view| {
        let stated = MEASURED.iter().filter(|m| m.limit(&case.machine.limits).is_some());
        stated.map(|measured| measured.obstacle(&view)).find_map(|obstacle| obstacle)
    })
}

/// What is measured of a calibrated channel, and may carry a limit.
struct Measured {
    what: What,
    quantity: Quantity,
}

#[derive(Clone, Copy, PartialEq)]
enum What {
    Overall,
    Order1,
}

const MEASURED: [Measured; 5] = [
    Measured { what: What::Overall, quantity: Quantity::Velocity },
    Measured { what: What::Overall, quantity: Quantity::Acceleration },
    Measured { what: What::Order1, quantity: Quantity::Velocity },
    Measured { what: What::Order1, quantity: Quantity::Acceleration },
    Measured { what: What::Order1, quantity: Quantity::Displacement },
];

impl Measured {
    fn id(&self) -> String {
        let what = if self.what == What::Overall { "overall" } else { "order1" };
        format!("{what}_{}", self.quantity.word())
    }

    fn name(&self) -> String {
        let what = if self.what == What::Overall { "overall" } else { "1x" };
        format!("{what} {}", self.quantity.word())
    }

    fn limit(&self, limits: &Limits) -> Option<f64> {
        match (self.what, self.quantity) {
            (What::Overall, Quantity::Velocity) => limits.overall_mm_s_rms,
            (What::Overall, Quantity::Acceleration) => limits.overall_g_rms,
            (What::Order1, Quantity::Velocity) => limits.order1_mm_s_rms,
            (What::Order1, Quantity::Acceleration) => limits.order1_g_peak,
            (What::Order1, Quantity::Displacement) => limits.order1_um_pp,
            _ => None,
        }
    }

    /// The limit that a channel has to keep. Limits of velocity and acceleration are set for housings (ISO
    /// 20816-1: from memory); a displacement sensor looks at the shaft, whose run-out is no vibration.
    fn limit_of(&self, view: &View) -> Option<f64> {
        self.limit(&view.case.machine.limits).filter(|_| self.concerns(view))
    }

    fn concerns(&self, view: &View) -> bool {
        self.quantity == Quantity::Displacement || !view.looks_at_shaft()
    }

    /// Velocity is the trade's default; of overall values the sensor's own quantity comes beside it.
    fn is_shown(&self, view: &View) -> bool {
        let native = self.what == What::Overall && self.quantity == view.channel.spec.quantity();
        native || self.quantity == Quantity::Velocity || self.limit_of(view).is_some()
    }

    fn level(&self, view: &View) -> Option<Level> {
        match self.what {
            What::Overall => overall(view, self),
            What::Order1 => first_order(view, self),
        }
    }

    /// Why the channel's level does not stand for the limit as stated.
    fn obstacle(&self, view: &View) -> Option<String> {
        let (name, channel) = (self.name(), view.name());
        if !self.concerns(view) {
            let at_housing = view.case.views().any(|other| self.concerns(&other));
            return (!at_housing).then(|| {
                format!("{name} is limited at the housings, and {channel} looks at the shaft")
            });
        }
        let levels = &mut view.case.levels().iter();
        if !levels.any(|level| level.channel == channel && level.id == self.id()) {
            return Some(match view.case.machine.limits.from_rpm {
                Some(from_rpm) if top_rpm(view.case) < from_rpm => format!(
                    "the limits hold from {} rpm, which the recording does not reach",
                    grouped(from_rpm)
                ),
                _ => format!("{name} at {channel} could not be measured against its limit"),
            });
        }
        let ([_, high], [_, wanted]) = (band_hz(view), wanted_band_hz(view.case));
        (self.what == What::Overall && high < wanted).then(|| {
            format!(
                "{name} at {channel} is to be held against its limit up to {} Hz, and the sampling rate \
                 carries {} Hz",
                grouped(wanted),
                grouped(high)
            )
        })
    }
}

fn top_rpm(case: &Case) -> f64 {
    case.speed.as_ref().map_or(0.0, |speed| speed.range_rpm().1)
}

fn of_view(view: &View) -> Vec<Level> {
    if !view.measures_motion() {
        return relative(view);
    }
    let shown = MEASURED.iter().filter(|measured| measured.is_shown(view));
    shown.filter_map(|measured| measured.level(view)).collect()
}

/// Whether limits hold at a time or speed: with a speed from which they hold, only where the speed is
/// known to be as high; where no speed is known at all they hold throughout.
fn counts(case: &Case, rpm: Option<f64>) -> bool {
    match (case.machine.limits.from_rpm, rpm) {
        (Some(from_rpm), Some(rpm)) => rpm >= from_rpm,
        (Some(_), None) => case.speed.is_none(),
        (None, _) => true,
    }
}

/// The highest short-time overall level at speeds where the limits hold.
fn overall(view: &View, measured: &Measured) -> Option<Level> {
    let band = band_hz(view);
    let (channel, case) = (view.channel, view.case);
    let unit = Unit::shown_for(measured.quantity)?;
    let loudest = channel_overall(channel, measured.quantity, band)
        .ok()?
        .into_iter()
        .filter(|at| counts(case, rpm_at(case, at.time_s)))
        .max_by(|a, b| a.rms.total_cmp(&b.rms))?;
    let value = loudest.rms / unit.si_factor();
    let at_rpm = rpm_at(case, loudest.time_s);
    let level = level(view, measured, (value, unit, Amplitude::Rms), 0.0, at_rpm);
    Some(Level { band_hz: Some(band), ..level })
}

fn rpm_at(case: &Case, time_s: f64) -> Option<f64> {
    case.speed
        .as_ref()
        .filter(|speed| time_s >= speed.start_s() && time_s <= speed.end_s())
        .map(|speed| speed.rpm_at(time_s))
}

/// The highest first-order amplitude at speeds where the limits hold.
///
/// Integration divides by frequency and so blows up noise at low speed: only speeds from the lower end
/// of the usual band count, and amplitudes clear of their noise go before all others. Where none is,
/// the highest stands for an upper bound, with the noise in its uncertainty.
fn first_order(view: &View, measured: &Measured) -> Option<Level> {
    let unit = Unit::shown_for(measured.quantity)?;
    let convention = Amplitude::usual_for(measured.quantity);
    let track = counted(view, &view.track_as(1.0, measured.quantity)?);
    let amplitudes = track.amplitudes();
    let is_clear = |i: usize| amplitudes[i] > CLEAR_OF_NOISE * track.errors[i];
    let highest = (0..track.len()).max_by(|&i, &j| {
        is_clear(i).cmp(&is_clear(j)).then(amplitudes[i].total_cmp(&amplitudes[j]))
    })?;
    let amplitude = amplitudes[highest];
    let value = amplitude * convention.from_peak() / unit.si_factor();
    let noise = track.errors[highest] / amplitude.max(f64::MIN_POSITIVE);
    let at_rpm = Some(track.rpm[highest]);
    Some(level(view, measured, (value, unit, convention), noise, at_rpm))
}

/// The part of a track at the speeds that count for levels of the first order.
pub(crate) fn counted(view: &View, track: &Track) -> Track {
    track.where_rpm(|rpm| rpm >= 60.0 * BAND_FROM_HZ && counts(view.case, Some(rpm)))
}

/// A level held against its limit; `noise` is its own relative standard error, which joins that of the
/// calibration.
fn level(
    view: &View,
    measured: &Measured,
    (value, unit, convention): (f64, Unit, Amplitude),
    noise: f64,
    at_rpm: Option<f64>,
) -> Level {
    let limits = &view.case.machine.limits;
    let uncertainty = limits.uncertainty().hypot(noise);
    let limit = measured.limit_of(view);
    Level {
        channel: view.name().to_owned(),
        id: measured.id(),
        name: measured.name(),
        value,
        unit: format!("{} {}", unit.symbol(), convention.word()),
        band_hz: None,
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
