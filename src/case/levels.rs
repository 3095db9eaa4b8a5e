//! Levels: overall values in a stated band, the first order, and what lies below it, held against the limits.
//!
//! A stated limit that a channel gives no level for is no limit kept: [`unchecked`] names it.

use serde::{Deserialize, Serialize};

use super::{Case, View, shape};
use crate::angle::Track;
use crate::machine::{Limits, Zone, ZoneClass};
use crate::spectrum::levels::{LevelAt, channel_overalls, overall_in_band};
use crate::units::{Amplitude, Quantity, Unit, grouped};

/// Lower end of the default band of overall values in Hz (ISO 20816-1: from memory).
const BAND_FROM_HZ: f64 = 10.0;
/// Upper end of the default band in Hz for slow machines (ISO 20816-1: from memory).
const BAND_TO_HZ: f64 = 1000.0;
/// The band reaches at least this many times the top speed, so that it holds the first order of fast
/// machines with two harmonics (common practice, no source).
const BAND_TOP_ORDERS: f64 = 3.2;
/// Lower end of the band in Hz for machines that turn no faster than its usual lower end (ISO 20816-1: from
/// memory), and the speed in rpm up to which it serves.
const SLOW_FROM_HZ: f64 = 2.0;
const SLOW_RPM: f64 = 600.0;
/// Height of the first order over its own standard error above which it is more than noise.
const CLEAR_OF_NOISE: f64 = 4.0;
/// Id of the velocity that lies in a zone.
const ZONE: &str = "zone_velocity";

/// A level of one channel, with the limit it was held against.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Level {
    /// The channel.
    pub channel: String,
    /// Stable id: `overall_velocity`, `overall_acceleration`, `overall_displacement`, `overall`,
    /// `order1_velocity`, ..., `sub_synchronous_velocity`, `zone_velocity`, `crest_factor`, `kurtosis`.
    pub id: String,
    /// What it is, in words: `overall velocity`, `1x velocity`, ...
    pub name: String,
    /// The value, in `unit`.
    pub value: f64,
    /// Unit with its convention: `mm/s rms`, `g peak`, `um p-p`, `FS rms`; empty for ratios.
    pub unit: String,
    /// Band in Hz, for overall levels.
    pub band_hz: Option<[f64; 2]>,
    /// Speed in rpm at which the value was found, where a speed is known.
    pub at_rpm: Option<f64>,
    /// Relative standard uncertainty of the value; not a number where too little was recorded to tell.
    pub uncertainty: f64,
    /// The limit, in the same unit, if one is stated.
    pub limit: Option<f64>,
    /// What the limit says.
    pub decision: Decision,
    /// The zone that the value lies in, for the level of a stated class of machines.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub zone: Option<InZone>,
}

/// Where a velocity lies among the zones of a class.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct InZone {
    /// The class.
    pub class: ZoneClass,
    /// The zone.
    pub zone: Zone,
    /// The zone next to it, where twice the uncertainty reaches into it.
    pub or: Option<Zone>,
    /// Whether the class was written for machines of this speed; else the zone only compares.
    pub in_scope: bool,
}

impl InZone {
    fn of(class: ZoneClass, mm_s_rms: f64, uncertainty: f64, in_scope: bool) -> Self {
        let zone = class.zone(mm_s_rms);
        let reach = [1.0 + 2.0 * uncertainty, 1.0 - 2.0 * uncertainty];
        let or = reach.into_iter().map(|factor| class.zone(factor * mm_s_rms));
        Self { class, zone, or: or.into_iter().find(|other| *other != zone), in_scope }
    }

    /// `zone B of ISO 10816-1 class I (small machines, up to 15 kW)`.
    pub fn words(&self) -> String {
        let or = self.or.map_or(String::new(), |or| format!(" or {}", or.letter()));
        let scope = if self.in_scope { "" } else { ", which was not written for such speeds" };
        format!("zone {}{or} of {}{scope}", self.zone.letter(), self.class.words())
    }
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

/// The band of overall values for a case: the machine file's, else 10 Hz (2 Hz for a machine of up to 600
/// rpm) to 1 kHz or 3.2 times the top speed, whichever is higher, and never above what the channel's rate
/// carries. Speeds whose first order lies below the band are not judged.
fn band_hz(view: &View) -> [f64; 2] {
    let [low, high] = wanted_band_hz(view.case);
    [low, high.min(view.judged_hz())]
}

fn wanted_band_hz(case: &Case) -> [f64; 2] {
    let default = [lower_edge_hz(case), BAND_TO_HZ.max(BAND_TOP_ORDERS * top_rpm(case) / 60.0)];
    case.machine.limits.band_hz.unwrap_or(default)
}

fn lower_edge_hz(case: &Case) -> f64 {
    let top_rpm = top_rpm(case);
    if top_rpm > 0.0 && top_rpm <= SLOW_RPM { SLOW_FROM_HZ } else { BAND_FROM_HZ }
}

/// What else is to be known of the levels: a stated band that leaves the first order out, and a class of
/// machines whose zones were not written for this one.
pub fn notes(case: &Case) -> Vec<String> {
    let top_hz = top_rpm(case) / 60.0;
    let [low, high] = wanted_band_hz(case);
    let mut notes = Vec::new();
    if case.machine.limits.band_hz.is_some() && top_hz > 0.0 && !(low..=high).contains(&top_hz) {
        notes.push(format!(
            "overall levels leave the first order out at {} rpm: limits.band_hz is {} to {} Hz, and 1x lies at \
             {} Hz",
            grouped(60.0 * top_hz),
            grouped(low),
            grouped(high),
            grouped(top_hz)
        ));
    }
    notes.extend(case.machine.limits.zone_class.and_then(|class| out_of_scope(case, class)));
    notes
}

/// Why the zones of a class do not hold for a machine of this speed.
fn out_of_scope(case: &Case, class: ZoneClass) -> Option<String> {
    let rpm = top_rpm(case);
    if rpm <= class.top_rpm() {
        return None;
    }
    let follows = if rpm > 60.0 * BAND_TO_HZ {
        "its band of 10 to 1000 Hz leaves 1x out, so no zone is told"
    } else {
        "the zone only compares, and is no limit"
    };
    Some(format!(
        "{} was written for machines of up to {} rpm, and this one turns at {} rpm: {follows}; state limits of \
         your own in [limits]",
        class.words(),
        grouped(class.top_rpm()),
        grouped(rpm)
    ))
}

/// The first stated limit that a channel was not held against as stated, with the reason in words;
/// `None` where every channel was held against every limit.
pub fn unchecked(case: &Case) -> Option<String> {
    case.views()
        .find_map(|view| {
            let stated = MEASURED.iter().filter(|m| m.limit(&case.machine.limits).is_some());
            stated.map(|measured| measured.obstacle(&view)).find_map(|obstacle| obstacle)
        })
        .or_else(|| {
            // zones of another class of machines are no limit, and with none beside them nothing was checked
            let none = MEASURED.iter().all(|m| m.limit(&case.machine.limits).is_none());
            let class = case.machine.limits.zone_class.filter(|_| none)?;
            out_of_scope(case, class)
                .or_else(|| case.views().find_map(|view| zone_obstacle(&view, class)))
        })
}

/// Why a channel was not held against the boundary of its class of machines; `None` where it was, or need not
/// be, as it looks at the shaft and others sit at the housings.
fn zone_obstacle(view: &View, class: ZoneClass) -> Option<String> {
    let channel = view.name();
    if view.looks_at_shaft() {
        let at_housing = view.case.views().any(|other| !other.looks_at_shaft());
        return (!at_housing).then(|| {
            format!("{} is written for housings, and {channel} looks at the shaft", class.words())
        });
    }
    let mut levels = view.case.levels().iter();
    if levels.any(|level| level.channel == channel && level.id == ZONE && level.limit.is_some()) {
        return None;
    }
    if view.judged_hz() < BAND_TO_HZ {
        return Some(format!(
            "the zones of {} are told up to {} Hz, and the sampling rate carries {} Hz at {channel}",
            class.words(),
            grouped(BAND_TO_HZ),
            grouped(view.judged_hz())
        ));
    }
    Some(not_reached(view.case).unwrap_or_else(|| {
        format!("velocity at {channel} could not be measured for the zones of {}", class.words())
    }))
}

/// Says that the speed from which limits hold was not reached, where that is so.
fn not_reached(case: &Case) -> Option<String> {
    let from_rpm = case.machine.limits.from_rpm.filter(|from_rpm| top_rpm(case) < *from_rpm)?;
    Some(format!(
        "the limits hold from {} rpm, which the recording does not reach",
        grouped(from_rpm)
    ))
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
    SubSynchronous,
}

const MEASURED: [Measured; 7] = [
    Measured { what: What::Overall, quantity: Quantity::Velocity },
    Measured { what: What::Overall, quantity: Quantity::Acceleration },
    Measured { what: What::Overall, quantity: Quantity::Displacement },
    Measured { what: What::Order1, quantity: Quantity::Velocity },
    Measured { what: What::Order1, quantity: Quantity::Acceleration },
    Measured { what: What::Order1, quantity: Quantity::Displacement },
    Measured { what: What::SubSynchronous, quantity: Quantity::Velocity },
];

impl Measured {
    fn id(&self) -> String {
        let what = match self.what {
            What::Overall => "overall",
            What::Order1 => "order1",
            What::SubSynchronous => "sub_synchronous",
        };
        format!("{what}_{}", self.quantity.word())
    }

    fn name(&self) -> String {
        let what = match self.what {
            What::Overall => "overall",
            What::Order1 => "1x",
            What::SubSynchronous => "sub-synchronous",
        };
        format!("{what} {}", self.quantity.word())
    }

    fn limit(&self, limits: &Limits) -> Option<f64> {
        match (self.what, self.quantity) {
            (What::Overall, Quantity::Velocity) => limits.overall_mm_s_rms,
            (What::Overall, Quantity::Acceleration) => limits.overall_g_rms,
            (What::Overall, Quantity::Displacement) => limits.overall_um_rms,
            (What::SubSynchronous, Quantity::Velocity) => limits.sub_synchronous_mm_s_rms,
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

    /// Overall values in all three quantities; of the first order velocity, the trade's default; whatever
    /// else has a limit.
    fn is_shown(&self, limits: &Limits) -> bool {
        let usual = match self.what {
            What::Overall => true,
            What::Order1 => self.quantity == Quantity::Velocity,
            What::SubSynchronous => false,
        };
        usual || self.limit(limits).is_some()
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
            return Some(not_reached(view.case).unwrap_or_else(|| {
                format!("{name} at {channel} could not be measured against its limit")
            }));
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
    let mut levels = if view.measures_motion() { absolute(view) } else { relative(view) };
    levels.extend(shape::of(view));
    levels
}

fn absolute(view: &View) -> Vec<Level> {
    let limits = &view.case.machine.limits;
    let mut overall = overalls(view);
    let zone = zone_class(view).and_then(|class| zone_level(view, class, &overall.pop()?));
    let mut overall = overall.iter();
    let mut levels = Vec::new();
    for measured in MEASURED.iter() {
        let level = match measured.what {
            What::Overall => {
                overall.next().and_then(|blocks| overall_level(view, measured, blocks))
            }
            What::Order1 if measured.is_shown(limits) => first_order(view, measured),
            What::SubSynchronous if measured.is_shown(limits) => sub_synchronous(view, measured),
            _ => None,
        };
        levels.extend(level);
    }
    levels.extend(zone);
    levels
}

/// The overall values of [`MEASURED`] over time, in its order, and that in the band of the zones behind
/// them, where a class is stated; all from one pass. Empty where there is too little.
fn overalls(view: &View) -> Vec<Vec<LevelAt>> {
    let band = band_hz(view);
    let overall = MEASURED.iter().filter(|measured| measured.what == What::Overall);
    let mut wanted: Vec<(Quantity, [f64; 2])> = overall.map(|m| (m.quantity, band)).collect();
    wanted.extend(zone_class(view).map(|_| (Quantity::Velocity, zone_band_hz(view.case))));
    channel_overalls(view.channel, &wanted).unwrap_or_default()
}

/// The stated class of machines, at a housing, where its band holds the first order and the sampling rate
/// carries it. Zones are written for housings (ISO 20816-1: from memory).
fn zone_class(view: &View) -> Option<ZoneClass> {
    let class = view.case.machine.limits.zone_class.filter(|_| !view.looks_at_shaft())?;
    let reached = top_rpm(view.case) <= 60.0 * BAND_TO_HZ && view.judged_hz() >= BAND_TO_HZ;
    reached.then_some(class)
}

/// The band for which the zones are written.
fn zone_band_hz(case: &Case) -> [f64; 2] {
    [lower_edge_hz(case), BAND_TO_HZ]
}

/// The velocity that lies in a zone. Where no limit on the overall velocity is stated, the boundary of
/// zones B and C is one, for machines of the speeds that the class was written for.
fn zone_level(view: &View, class: ZoneClass, blocks: &[LevelAt]) -> Option<Level> {
    let case = view.case;
    let band = zone_band_hz(case);
    let loudest = loudest(case, band, blocks)?;
    let unit = Unit::MillimeterPerSecond;
    let value = loudest.rms / unit.si_factor();
    let uncertainty = case.machine.limits.uncertainty();
    let in_scope = top_rpm(case) <= class.top_rpm();
    let [_, bc, _] = class.boundaries_mm_s_rms();
    let limit = (in_scope && case.machine.limits.overall_mm_s_rms.is_none()).then_some(bc);
    Some(Level {
        channel: view.name().to_owned(),
        id: ZONE.to_owned(),
        name: "velocity of the zones".to_owned(),
        value,
        unit: format!("{} rms", unit.symbol()),
        band_hz: Some(band),
        at_rpm: rpm_at(case, loudest.time_s),
        uncertainty,
        limit,
        decision: decide(value, uncertainty, limit),
        zone: Some(InZone::of(class, value, uncertainty, in_scope)),
    })
}

/// Whether limits hold at a time or speed: with a speed from which they hold, only where the speed is
/// known to be as high; where no speed is known at all they hold throughout.
pub(super) fn counts(case: &Case, rpm: Option<f64>) -> bool {
    match (case.machine.limits.from_rpm, rpm) {
        (Some(from_rpm), Some(rpm)) => rpm >= from_rpm,
        (Some(_), None) => case.speed.is_none(),
        (None, _) => true,
    }
}

/// The highest short-time overall level at speeds where the limits hold.
fn overall_level(view: &View, measured: &Measured, blocks: &[LevelAt]) -> Option<Level> {
    let band = band_hz(view);
    let unit = Unit::shown_for(measured.quantity)?;
    let loudest = loudest(view.case, band, blocks)?;
    let value = loudest.rms / unit.si_factor();
    let at_rpm = rpm_at(view.case, loudest.time_s);
    let level = level(view, measured, (value, unit, Amplitude::Rms), 0.0, at_rpm);
    Some(Level { band_hz: Some(band), ..level })
}

/// The loudest block at speeds where the limits hold and the first order lies in the band.
fn loudest(case: &Case, band_hz: [f64; 2], blocks: &[LevelAt]) -> Option<LevelAt> {
    let is_judged = |at: &&LevelAt| {
        let rpm = rpm_at(case, at.time_s);
        counts(case, rpm) && rpm.is_none_or(|rpm| is_in_band(case, rpm, band_hz))
    };
    blocks.iter().filter(is_judged).max_by(|a, b| a.rms.total_cmp(&b.rms)).copied()
}

/// Whether the first order at a speed lies above the lower end of a band; a band that somebody stated
/// holds what it holds.
fn is_in_band(case: &Case, rpm: f64, band_hz: [f64; 2]) -> bool {
    case.machine.limits.band_hz.is_some() || rpm >= 60.0 * band_hz[0]
}

pub(super) fn rpm_at(case: &Case, time_s: f64) -> Option<f64> {
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

/// The highest velocity of all that lies below the first order, at speeds where the limits hold.
fn sub_synchronous(view: &View, measured: &Measured) -> Option<Level> {
    let unit = Unit::shown_for(measured.quantity)?;
    let to = measured.quantity.derivative_of_displacement()?;
    let steps = to - view.quantity().derivative_of_displacement()?;
    let chosen = |rpm: f64| counts(view.case, Some(rpm));
    let (rms, rpm) = view.sub_synchronous()?.highest_rms(steps, chosen)?;
    let value = rms * view.channel.spec.unit().si_factor() / unit.si_factor();
    Some(level(view, measured, (value, unit, Amplitude::Rms), 0.0, Some(rpm)))
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
        zone: None,
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
        zone: None,
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

    /// Class I changes from B to C at 1.8 mm/s (ISO 10816-1 annex B: from memory).
    #[test]
    fn a_zone_names_the_next_where_the_uncertainty_reaches_it() {
        let of = |mm_s_rms| InZone::of(ZoneClass::Part1Class1, mm_s_rms, 0.05, true);
        assert_eq!((of(1.2).zone, of(1.2).or), (Zone::B, None));
        assert_eq!((of(1.7).zone, of(1.7).or), (Zone::B, Some(Zone::C)));
        assert_eq!((of(1.9).zone, of(1.9).or), (Zone::C, Some(Zone::B)));
        assert!(of(1.9).words().starts_with("zone C or B of ISO 10816-1 class I"));
    }
}
