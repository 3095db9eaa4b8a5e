//! Shaft speed without pulses, from one vibration channel or one microphone.
//!
//! Four steps. The line, or family of orders, that moves most consistently through the recording is
//! found in a map of evidence over speed and time (several orders added, followed by dynamic
//! programming, after the multi-order probabilistic approach of Leclère, André and Antoni, Mech. Syst.
//! Signal Process. 81 (2016), doi 10.1016/j.ymssp.2016.02.053; the scoring here is our own). Time is
//! then bent so that this line stands still: everything locked to the shaft stands still with it, and
//! hum, resonances and other shafts smear. The shaft is read from the ratios of the standing lines, with
//! odds. Last, all orders known by then are measured below the width of a bin.
//!
//! Where the evidence is thin there is no speed but a reason. The thresholds were set on simulated
//! run-ups, noise, melodies and voices.

mod frames;
mod lines;
mod measure;
mod odds;
mod path;
mod ridge;
mod standing;
mod steady;

use crate::recording::{Channel, Role};

use crate::units::{grouped, rpm_from_hz};

use super::{Knot, Speed, SpeedAlternative, SpeedSource};
use frames::Signal;
use lines::OrderMap;
use measure::{Pass, Stretch, follow_line, settle};
use odds::{Evidence, Known, Reading};
use path::Path;
use ridge::Ridge;

/// Widest range of shaft speeds searched where none is stated, in rpm.
pub const DEFAULT_RANGE_RPM: (f64, f64) = (300.0, 300_000.0);
/// Evidence along a ridge below which it may be noise. Noise gives about 2 and up to 3.1, voices up to
/// 3.4, run-ups 4.5 to 10 (simulated).
const LEAST_SCORE: f64 = 3.5;
/// A ridge moves when its speed covers this range (in ln f); else hum and resonances look like it.
const LEAST_SPAN: f64 = 0.04;
/// Range over which the speed must move within the stretch that is kept: it is there that what moves with it
/// speaks for a shaft.
const LEAST_KEPT_SPAN: f64 = 0.5 * LEAST_SPAN;
/// Shares of the recording, and of the stretch, in which the lines must be found.
const LEAST_KEPT: f64 = 0.5;
const LEAST_COVERAGE: f64 = 0.8;
/// Notes of a melody jump between frames, shafts do not: largest 95 % residual in ln f.
const LARGEST_RESIDUAL: f64 = 0.006;
/// A melody also wanders: travel allowed as a multiple of the span, at once, and per second.
const TRAVEL: (f64, f64, f64) = (2.5, 0.5, 0.1);
/// Least odds of the best reading.
const LEAST_ODDS: f64 = 0.6;
/// A single line must carry this share of all lines' weight.
const LEAST_EXPLAINED: f64 = 0.6;
/// Odds of a lone line being the first order are no better than this: it may as well be blade pass or
/// another fixed multiple (common practice, no source).
const LONE_LINE_ODDS: (f64, f64) = (0.9, 0.7);
/// Lines per unit of ln f that belong to no order of the shaft: those that move with it are few (bearings,
/// gears), those of a steady spectrum may come from anywhere. Common practice, no source.
const STRAY_LINES: (f64, f64) = (0.3, 1.0);
/// Orders used in the measurement.
const MEASURED_ORDERS: usize = 8;
/// Relative error that remains on clean run-ups.
const LEAST_ERROR: f64 = 2e-4;
/// So few orders do not check each other; then the error is larger by this factor (set on simulated
/// run-ups, as the figures of the speed without pulses show).
const FEW_ORDERS: usize = 2;
const UNCHECKED: f64 = 1.4;
/// Readings below these odds are not named.
const NAMED_ODDS: f64 = 0.005;

/// What is known about the machine before listening to it.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Prior {
    /// Lowest shaft speed in rpm, if stated.
    pub lowest_rpm: Option<f64>,
    /// Highest shaft speed in rpm, if stated.
    pub highest_rpm: Option<f64>,
    /// Numbers of blades or vanes on the shaft.
    pub blade_counts: Vec<u32>,
    /// Multipliers of the bearings (defect frequencies over shaft speed).
    pub bearing_multipliers: Vec<f64>,
}

impl Prior {
    fn range_hz(&self) -> (f64, f64) {
        let low = self.lowest_rpm.unwrap_or(DEFAULT_RANGE_RPM.0);
        let high = self.highest_rpm.unwrap_or(DEFAULT_RANGE_RPM.1);
        (low / 60.0, high / 60.0)
    }

    /// Both ends are stated and lie within 4:1, close enough to settle a steady recording.
    fn states_a_range(&self) -> bool {
        matches!((self.lowest_rpm, self.highest_rpm), (Some(low), Some(high)) if high <= 4.0 * low)
    }
}

/// The outcome: a speed, or the reason why there is none.
#[derive(Debug, Clone, PartialEq)]
pub enum Estimate {
    /// The speed, with its error, other readings and notes.
    Speed(Speed),
    /// The evidence is too thin.
    NoSpeed(NoSpeed),
}

/// Why no speed is given.
#[derive(Debug, Clone, PartialEq)]
pub struct NoSpeed {
    /// The reason, as a clause without full stop.
    pub reason: String,
    /// Steady speeds in rpm that the lines allow, with their odds, most likely first; often empty.
    pub candidates_rpm: Vec<(f64, f64)>,
}

impl NoSpeed {
    fn because(reason: impl Into<String>) -> Self {
        Self { reason: reason.into(), candidates_rpm: Vec::new() }
    }
}

/// The shaft's speed from the vibration or sound in `channel`.
///
/// The curve covers the stretch in which lines of the shaft were found; `error_percent` is the standard
/// error of the speed there. Times are those of the recording ([`Channel::time_s`]). Nothing is random:
/// the same samples give the same speed.
pub fn estimate(channel: &Channel, prior: &Prior) -> Estimate {
    let Some(signal) = Signal::new(channel.values(), channel.rate_hz) else {
        return Estimate::NoSpeed(NoSpeed::because("the channel is silent or too short"));
    };
    let known = Known {
        range_hz: prior.range_hz(),
        sound: channel.spec.role() == Role::Sound,
        blade_counts: &prior.blade_counts,
        multipliers: &prior.bearing_multipliers,
        stray_lines: STRAY_LINES.0,
    };
    let followed = match follow(&standing::subtract(&signal), &known) {
        Ok(followed) => Ok(followed),
        Err(refused) if refused.contradicted => Err(NoSpeed::because(refused.reason)),
        Err(refused) => hold(
            &signal,
            &Known { stray_lines: STRAY_LINES.1, ..known.clone() },
            prior.states_a_range(),
        )
        .map_err(|mut none| {
            if refused.moves {
                none.reason = refused.reason;
            }
            none
        }),
    };
    match followed.and_then(|f| f.into_speed(channel, &known)) {
        Ok(speed) => Estimate::Speed(speed),
        Err(none) => Estimate::NoSpeed(none),
    }
}

/// The best speed from several channels of one recording: the one with the likeliest reading. Channels
/// that contradict it by more than 1 % are named in its notes. `NoSpeed` of the first channel where none
/// gives a speed.
pub fn estimate_from(channels: &[&Channel], prior: &Prior) -> Estimate {
    let mut speeds: Vec<(&Channel, Speed)> = Vec::new();
    let mut refusal = None;
    for channel in channels {
        match estimate(channel, prior) {
            Estimate::Speed(speed) => speeds.push((*channel, speed)),
            Estimate::NoSpeed(none) => refusal = refusal.or(Some(none)),
        }
    }
    let other_odds = |s: &Speed| s.alternatives.iter().map(|a| a.probability).sum::<f64>();
    let best = speeds.iter().min_by(|a, b| other_odds(&a.1).total_cmp(&other_odds(&b.1)));
    let Some((chosen, mut speed)) = best.map(|(c, s)| (c.name().to_owned(), s.clone())) else {
        let none = refusal.unwrap_or_else(|| NoSpeed::because("there is no channel to listen to"));
        return Estimate::NoSpeed(none);
    };
    for (channel, other) in speeds.iter().filter(|(c, _)| c.name() != chosen) {
        let middle_s = 0.5 * (speed.start_s() + speed.end_s());
        let ratio = other.rpm_at(middle_s) / speed.rpm_at(middle_s);
        if (ratio - 1.0).abs() > 0.01 {
            speed.notes.push(format!(
                "channel {} was read as {:.0} rpm where {chosen} gives {:.0} rpm",
                channel.name(),
                other.rpm_at(middle_s),
                speed.rpm_at(middle_s)
            ));
        }
    }
    Estimate::Speed(speed)
}

/// Why no moving ridge was taken. `moves`: something does move, so this is the reason to be told where
/// nothing steady is found either.
/// `contradicted`: it speaks against the range of speeds, and nothing else within it is to be believed.
struct Refused {
    reason: String,
    moves: bool,
    contradicted: bool,
}

impl Refused {
    fn still(reason: &str) -> Self {
        Self { reason: reason.to_owned(), moves: false, contradicted: false }
    }

    fn moving(reason: impl Into<String>) -> Self {
        Self { reason: reason.into(), moves: true, contradicted: false }
    }
}

/// A speed followed through the recording.
struct Followed {
    path: Path,
    stretch: Stretch,
    window_s: f64,
    readings: Vec<Reading>,
    orders: Vec<usize>,
    moving: bool,
}

/// The moving route.
fn follow(signal: &Signal, known: &Known<'_>) -> Result<Followed, Refused> {
    let ridge = ridge::find(signal, known.range_hz.0.max(15.0))
        .ok_or_else(|| Refused::still("the recording is too short"))?;
    if ridge.score < LEAST_SCORE || ridge.span < LEAST_SPAN {
        return Err(Refused::still("no line moves"));
    }
    let window_s = ridge.window_s;
    let long_window_s = (2.0 * window_s).min(signal.duration_s() / 8.0);
    let lost = || Refused::still("the moving line was lost");
    let (path, _) = lines::steer(signal, &ridge.path, window_s, 0.06).ok_or_else(lost)?;
    let (path, strongest) = lines::steer(signal, &path, long_window_s, 0.03).ok_or_else(lost)?;
    let path = follow_line(signal, &path, window_s, strongest).ok_or_else(lost)?;
    let map = OrderMap::along(signal, &path, long_window_s).ok_or_else(lost)?;
    let lines = map.lines();
    let span_hz = path_range(&path);
    let middle_hz = (span_hz.0 * span_hz.1).sqrt();
    let evidence = Evidence {
        lines: &lines,
        span_hz,
        lowest: lines::LOWEST_ORDER,
        blur: |place| 0.05 * map.bin_hz / (place * middle_hz),
    };
    let readings = evidence.readings(known);
    if let Some(outside) = evidence.against(readings.first(), known) {
        let reason = contradiction(&outside, span_hz);
        return Err(Refused { reason, moves: true, contradicted: true });
    }
    let Some(best) = readings.first() else {
        return Err(Refused::moving("no speed in the range explains the moving lines"));
    };
    let orders = measured_orders(best, &lines);
    let as_places: Vec<f64> = orders.iter().map(|&n| n as f64).collect();
    let path = path.scaled(best.factor);
    let (path, pass) =
        settle(signal, path, window_s, long_window_s, &as_places).ok_or_else(lost)?;
    let stretch = pass.stretch().ok_or_else(lost)?;
    if span_within(&path, &stretch) < LEAST_KEPT_SPAN {
        return Err(Refused::still("the line moves only where it is not clearly seen"));
    }
    doubts(signal, &ridge, &stretch, best, window_s)?;
    Ok(Followed { path, stretch, window_s, readings, orders, moving: true })
}

/// Why a range of speeds gives no speed: something outside it is far likelier than all within.
fn contradiction(outside: &Reading, span_hz: (f64, f64)) -> String {
    let rpm = |hz: f64| grouped(rpm_from_hz(outside.factor * hz));
    let range = if span_hz.1 > span_hz.0 {
        format!("{} to {}", rpm(span_hz.0), rpm(span_hz.1))
    } else {
        rpm(span_hz.0)
    };
    format!(
        "the lines speak for {range} rpm, which does not lie in the range looked in (--speed-range, or \
         lowest_rpm and top_rpm of the machine file); check that the machine may run so, then state its range"
    )
}

/// Lowest and highest speed of a path without its outer twentieths.
fn path_range(path: &Path) -> (f64, f64) {
    let mut speeds: Vec<f64> = path.speeds().collect();
    speeds.sort_by(f64::total_cmp);
    let at = |q: f64| speeds[((speeds.len() - 1) as f64 * q).round() as usize];
    (at(0.05), at(0.95))
}

/// Range of ln f of a path over a stretch.
fn span_within(path: &Path, stretch: &Stretch) -> f64 {
    let inside = |t: &&f64| (stretch.start_s..=stretch.end_s).contains(*t);
    let logs = path.times().iter().filter(inside).map(|&t| path.ln_at(t));
    let (low, high) = logs
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), ln| (low.min(ln), high.max(ln)));
    high - low
}

/// The strongest orders of a reading.
fn measured_orders(reading: &Reading, lines: &[lines::Line]) -> Vec<usize> {
    let strength = |n: usize| {
        let near = |l: &&lines::Line| (l.place / (n as f64 * reading.factor)).ln().abs() < 0.0086;
        lines.iter().filter(near).map(|l| l.excess).fold(0.0, f64::max)
    };
    let mut orders = reading.orders.clone();
    orders.sort_by(|&a, &b| strength(b).total_cmp(&strength(a)));
    orders.truncate(MEASURED_ORDERS);
    orders
}

fn doubts(
    signal: &Signal,
    ridge: &Ridge,
    stretch: &Stretch,
    best: &Reading,
    window_s: f64,
) -> Result<(), Refused> {
    let duration_s = signal.duration_s();
    let kept = (stretch.end_s - stretch.start_s + 0.5 * window_s) / duration_s;
    if stretch.worst_residual > LARGEST_RESIDUAL
        || ridge.travel > TRAVEL.0 * ridge.span + TRAVEL.1 + TRAVEL.2 * duration_s
    {
        return Err(Refused::moving("tones move, but in jumps, as notes do and shafts do not"));
    }
    if kept < LEAST_KEPT {
        let percent = 100.0 * kept;
        let reason = format!("a moving line is followed through {percent:.0} % of the time only");
        return Err(Refused::moving(reason));
    }
    if stretch.coverage < LEAST_COVERAGE {
        return Err(Refused::moving("the moving line comes and goes"));
    }
    if best.probability < LEAST_ODDS {
        return Err(Refused::moving("the moving lines leave more than one reading"));
    }
    if best.orders.len() == 1 && best.explained < LEAST_EXPLAINED {
        return Err(Refused::moving("most moving lines fit no shaft speed"));
    }
    Ok(())
}

/// The steady route.
fn hold(signal: &Signal, known: &Known<'_>, range_stated: bool) -> Result<Followed, NoSpeed> {
    let steady = steady::read(signal, known, range_stated).map_err(|(reason, readings)| {
        let named = readings.iter().filter(|r| r.probability > 0.05).take(5);
        let candidates_rpm = named.map(|r| (60.0 * r.factor, r.probability)).collect();
        NoSpeed { reason, candidates_rpm }
    })?;
    let best = steady.readings.first().cloned();
    let orders: Vec<usize> =
        best.map_or_else(Vec::new, |b| b.orders.into_iter().take(MEASURED_ORDERS).collect());
    let places: Vec<f64> = orders.iter().map(|&n| n as f64).collect();
    let lost = || NoSpeed::because("the lines come and go");
    let window_s = steady.window_s;
    let pass = Pass::along(signal, &steady.path, window_s, &places, 0.006);
    if pass.coverage() < LEAST_COVERAGE {
        return Err(lost());
    }
    let path = pass.path().ok_or_else(lost)?;
    let (start_s, end_s) = (0.0, signal.duration_s());
    // a tenth of a bin of the highest order that still helps
    let top = orders.iter().copied().max().unwrap_or(1).min(4) as f64;
    let error = 0.1 / (window_s * path.hz_at(0.5 * end_s) * top);
    let stretch = Stretch {
        start_s,
        end_s,
        coverage: pass.coverage(),
        residual: error,
        worst_residual: error,
        scatter: pass.scatter(),
    };
    Ok(Followed { path, stretch, window_s, readings: steady.readings, orders, moving: false })
}

impl Followed {
    fn into_speed(self, channel: &Channel, known: &Known<'_>) -> Result<Speed, NoSpeed> {
        let knots = self.knots(channel);
        let error = self.error_percent();
        let mut speed = Speed::from_knots(SpeedSource::Estimated, knots, error)
            .map_err(|e| NoSpeed::because(e.to_string()))?;
        let (alternatives, likeliest) = self.alternatives(known.sound);
        speed.notes = self.notes(channel, likeliest);
        speed.alternatives = alternatives;
        Ok(speed)
    }

    /// Standard error in percent, from the scatter about a smooth curve (its middle and its worst), the
    /// disagreement between the orders, and what the method leaves on clean run-ups. Where one or two
    /// orders are measured nothing else tells a shaft that slows from a phase that turns, as it does by half
    /// a turn at each resonance, and all counts for more. The weights were set on simulated run-ups: the
    /// true rms error is below twice the stated one in 95 of 100.
    fn error_percent(&self) -> f64 {
        let orders = self.orders.len().max(1) as f64;
        let middle = 1.5 * self.stretch.residual;
        let worst = 0.3 * self.stretch.worst_residual;
        let disagreement = self.stretch.scatter / orders.sqrt();
        let parts = [middle, worst, disagreement, LEAST_ERROR];
        let unchecked =
            if self.moving && self.orders.len() <= FEW_ORDERS { UNCHECKED } else { 1.0 };
        100.0 * unchecked * parts.iter().map(|p| p * p).sum::<f64>().sqrt()
    }

    /// The curve as knots a quarter window apart, angles by Simpson's rule.
    fn knots(&self, channel: &Channel) -> Vec<Knot> {
        let mut points: Vec<(f64, f64)> = Vec::new();
        let inside = |t: &&f64| **t > self.stretch.start_s && **t < self.stretch.end_s;
        points.push((self.stretch.start_s, self.path.ln_at(self.stretch.start_s)));
        points.extend(self.path.times().iter().filter(inside).map(|&t| (t, self.path.ln_at(t))));
        points.push((self.stretch.end_s, self.path.ln_at(self.stretch.end_s)));
        points.dedup_by(|b, a| b.0 - a.0 < 1e-9);
        let (times, logs): (Vec<f64>, Vec<f64>) = points.into_iter().unzip();
        let curve = Path::through(&times, &logs);
        let (first, last) = (times[0], times[times.len() - 1]);
        let count = ((last - first) / (0.25 * self.window_s)).ceil().max(1.0) as usize;
        let step = (last - first) / count as f64;
        let offset_s = channel.time_s(0.0);
        let mut turns = 0.0;
        let mut before = curve.hz_at(first);
        let mut knots = vec![Knot { time_s: first + offset_s, turns, speed_hz: before }];
        for i in 1..=count {
            let t = first + i as f64 * step;
            let speed_hz = curve.hz_at(t);
            let middle = curve.hz_at(t - 0.5 * step);
            turns += step * (before + 4.0 * middle + speed_hz) / 6.0;
            knots.push(Knot { time_s: t + offset_s, turns, speed_hz });
            before = speed_hz;
        }
        knots
    }

    /// The other readings, and the odds of the one given.
    fn alternatives(&self, sound: bool) -> (Vec<SpeedAlternative>, f64) {
        let Some(best) = self.readings.first() else { return (Vec::new(), 0.0) };
        let lone = best.orders == [1];
        let cap = match (lone, sound) {
            (false, _) => 1.0,
            (true, false) => LONE_LINE_ODDS.0,
            (true, true) => LONE_LINE_ODDS.1,
        };
        let likeliest = best.probability.min(cap);
        // what a lone line loses goes to its other readings in proportion
        let rest = (1.0 - best.probability).max(1e-9);
        let scale = (1.0 - likeliest) / rest;
        let named = |r: &&Reading| r.probability * scale > NAMED_ODDS;
        let alternatives = self.readings.iter().skip(1).filter(named).take(5).map(|r| {
            let factor = r.factor / best.factor;
            SpeedAlternative {
                factor,
                probability: r.probability * scale,
                reason: reason_for(best, r, factor),
            }
        });
        (alternatives.collect(), likeliest)
    }

    fn notes(&self, channel: &Channel, likeliest: f64) -> Vec<String> {
        let mut notes = Vec::new();
        let Some(best) = self.readings.first() else { return notes };
        let names: Vec<String> = best.orders.iter().take(6).map(usize::to_string).collect();
        let read = match best.orders.as_slice() {
            [1] => "only one line follows the shaft; it is taken for the first order, as common practice \
                    has it"
                .to_owned(),
            [n] => format!("only one line follows the shaft; it is taken for order {n}"),
            [first, ..] if *first > 1 => format!(
                "the shaft's own order is buried; its speed follows from tones locked at orders {}",
                names.join(", ")
            ),
            _ => format!("read from orders {}", names.join(", ")),
        };
        notes.push(format!("{read} ({:.0} % likely)", (100.0 * likeliest).floor()));
        if !self.moving {
            notes.push(
                "the speed is steady, so that nothing but the ratios of the lines speaks for it"
                    .to_owned(),
            );
        }
        let (start_s, end_s) = (self.stretch.start_s, self.stretch.end_s);
        let duration_s = channel.duration_s();
        if end_s - start_s + self.window_s < 0.95 * duration_s {
            notes.push(format!(
                "lines were found from {start_s:.1} s to {end_s:.1} s of {duration_s:.1} s only"
            ));
        }
        notes
    }
}

fn reason_for(best: &Reading, other: &Reading, factor: f64) -> String {
    let first = best.orders.first().copied().unwrap_or(1);
    let named = other.orders.iter().take(4).map(usize::to_string).collect::<Vec<_>>().join(", ");
    if other.orders.is_empty() || best.orders.is_empty() {
        return format!("{factor:.3} of the speed given");
    }
    format!("the line at order {first} would be one of orders {named}")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_what_moves_within_the_stretch_counts() {
        let times: Vec<f64> = (0..=40).map(|i| 0.1 * f64::from(i)).collect();
        // slides by 8 % within two seconds, then stands
        let logs: Vec<f64> = times.iter().map(|t| 8.0 + 0.04 * (2.0 - t).max(0.0)).collect();
        let path = Path::through(&times, &logs);
        let stretch = |start_s: f64, end_s: f64| Stretch {
            start_s,
            end_s,
            coverage: 1.0,
            residual: 0.0,
            worst_residual: 0.0,
            scatter: 0.0,
        };
        assert!((span_within(&path, &stretch(0.0, 4.0)) - 0.08).abs() < 1e-9);
        assert!(span_within(&path, &stretch(2.4, 4.0)) < 1e-3);
        assert!(span_within(&path, &stretch(2.4, 4.0)) < LEAST_KEPT_SPAN);
    }
}
