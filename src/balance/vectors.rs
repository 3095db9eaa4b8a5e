//! The vectors of a spin: amplitude and phase of the first order at each sensor and balancing speed, with what
//! they may be off.
//!
//! A vector is the mean of the order's track over a span: the settled end of a hold, a window that the user
//! chooses, or a slow passage through the speed. Its standard error is the larger of two: from the noise
//! beside the order, and from the scatter of the track's points with their correlation, which sees what
//! wanders slowly. Neither sees what changes from spin to spin: that is [`super::scatter`].
//!
//! **A small vector is a valid one.** A rotor may be nearly perfect; then the vector is its error and
//! little else ([`Reading::stands_out`]), and the next step must weigh that. A channel is refused as below the
//! noise where nothing in it turns with the shaft: neither its first nor its second nor its third order stands out.
//!
//! An uncalibrated vibration sensor gives vectors in its own unit (V, FS): influence coefficients are in
//! the same unit and cancel it.

mod mean;
mod span;
mod usable;

use std::ops::Range;

use serde::{Deserialize, Serialize};

use super::chain::{Chain, sensor_channel};
use crate::angle::windows::{self, Length};
use crate::angle::{Track, Wave};
use crate::dsp::fft::Complex64;
use crate::error::{Error, Result};
use crate::machine::{FASTEST_RPM, Machine};
use crate::progress::Silent;
use crate::recording::{Channel, Recording};
use crate::speed::Speed;
use crate::units::{grouped, three_digits, wrap_deg};
use span::Span;

/// Turns under each window of the track: neighbouring orders a sixteenth apart are parted.
const WINDOW_TURNS: f64 = 16.0;
/// Fewest points from which a mean and its scatter are told: 64 turns (common practice, no source).
const LEAST_POINTS: usize = 7;
/// Turns that so many overlapping windows cover.
const LEAST_TURNS: f64 = WINDOW_TURNS * (LEAST_POINTS as f64 + 1.0) / 2.0;
/// A vector stands out of its noise from this many standard errors on.
const STANDS_OUT: f64 = 3.0;
/// A channel of noise shows an order this many standard errors large once in three thousand times: one that does
/// turns with the shaft.
const TURNS_WITH_SHAFT: f64 = 4.0;
/// Furthest turn of the phase, in degrees per 1 % of speed, at which vectors are compared (common practice, no source).
const MOST_DEG_PER_PERCENT: f64 = 2.0;
/// Standard errors by which a turning phase must lie beyond that before it is told: once in a thousand.
const SURE: f64 = 3.0;

/// The vector of a nearly balanced rotor turns quickly with speed, as what is left of several planes changes
/// differently: below this share of the largest vector it does no harm (common practice, no source).
const SMALL: f64 = 0.5;

/// Which vectors are asked for.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Ask {
    /// The sensors: vibration channels by name.
    pub sensors: Vec<String>,
    /// The balancing speeds, in rpm.
    pub rpm: Vec<f64>,
    /// From when to when to read, in seconds of the recording; `None`: where the speed is held.
    pub window_s: Option<[f64; 2]>,
    /// The largest amplitude of each reading that is known from other spins, in the order of the readings; empty where
    /// there are none.
    pub largest_peak: Vec<f64>,
}

/// One vector.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Reading {
    /// The sensor: the channel's name.
    pub sensor: String,
    /// The balancing speed asked for, in rpm.
    pub rpm: f64,
    /// The mean speed found, in rpm; within 0.5 % of it.
    pub found_rpm: f64,
    /// Unit of the phasor: the channel's own.
    pub unit: String,
    /// Zero-to-peak phasor of the first order, `x = Re(c e^{i 2 pi turns})`, turns counted from the stated
    /// edge: its argument is a lead.
    pub phasor: Complex64,
    /// Standard error of both parts by the noise beside the order.
    pub noise_error: f64,
    /// Standard error of both parts by the scatter over the turns.
    pub turns_error: f64,
    /// Standard error of the real and of the imaginary part: the larger of the two.
    pub error: f64,
    /// Turns over which it was read.
    pub turns: f64,
    /// Where these begin, in seconds of the recording.
    pub from_s: f64,
    /// Where they end, in seconds of the recording.
    pub to_s: f64,
    /// Whether the speed was held, so that the vector has settled; else it was passed slowly.
    pub held: bool,
}

impl Reading {
    /// Zero-to-peak amplitude, in `unit`.
    pub fn amplitude(&self) -> f64 {
        self.phasor.norm()
    }

    /// Lag in degrees of rotation from the stated edge to the next positive peak, 0 to 360.
    pub fn lag_deg(&self) -> f64 {
        wrap_deg(-self.phasor.arg().to_degrees())
    }

    /// Standard error of the lag in degrees; 104, that of a lag of which nothing is known, at most.
    pub fn lag_error_deg(&self) -> f64 {
        let unknown = 360.0 / 12.0_f64.sqrt();
        let told = (self.error / self.amplitude()).to_degrees();
        if told < unknown { told } else { unknown }
    }

    /// Whether the amplitude is at least three standard errors; else the vector is valid but its lag means
    /// little.
    pub fn stands_out(&self) -> bool {
        self.amplitude() >= STANDS_OUT * self.error
    }
}

/// Reads the vectors of a spin: for each speed in turn each sensor in turn, index `speed * sensors + sensor`.
///
/// Where the speed is held several times, the longest hold counts; of it the settled end, at least a quarter.
/// A speed that is not held but passed slowly from beyond 2 % on one side to beyond 2 % on the other is
/// read within 0.5 % of it.
///
/// # Errors
/// [`Error::Input`] naming recording, channel and time, as [`Chain::of`], and where the speed is not from the
/// pulse or the edge marks no angle; pulses are lost beyond use or missing at the time; the speed was not reached,
/// not held, drifted by more than 0.5 %, or was passed in fewer than 64 turns; the vector did not settle to
/// below 5 % and 2 degrees of drift, or turns by more than 2 degrees per 1 % of speed; a sensor is silent, clipped,
/// under automatic gain, sampled too slowly, or shows nothing that turns with the shaft.
/// [`Error::Setting`] for speeds or a window that are none.
pub fn measure(
    recording: &Recording,
    machine: &Machine,
    speed: &Speed,
    ask: &Ask,
) -> Result<Vec<Reading>> {
    ask.check()?;
    let chain = Chain::of(recording, machine, &ask.sensors)?;
    usable::check_pulse(recording, &chain, speed)?;
    usable::check_whole(recording, machine, &chain, speed)?;
    let mut readings = Vec::with_capacity(ask.rpm.len() * ask.sensors.len());
    for &rpm in &ask.rpm {
        let span = span::find(recording, speed, rpm, ask.window_s)?;
        usable::check_pulses_within(recording, &chain, speed, &span)?;
        for name in &ask.sensors {
            let channel = sensor_channel(recording, name)?;
            let largest = ask.largest_peak.get(readings.len()).copied().unwrap_or(0.0);
            readings.push(Look { recording, machine, speed, channel, span, rpm, largest }.read()?);
        }
    }
    Ok(readings)
}

impl Ask {
    fn check(&self) -> Result<()> {
        if self.rpm.is_empty() {
            let mend = "state the speed at which the rotor is balanced";
            return Err(Error::setting("rpm", "no balancing speed is stated", mend));
        }
        if let Some(odd) = self.rpm.iter().find(|rpm| !(**rpm > 0.0 && **rpm <= FASTEST_RPM)) {
            let mend = format!("state one above 0 and up to {FASTEST_RPM:e} rpm");
            return Err(Error::setting("rpm", format!("{odd} is no speed"), mend));
        }
        match self.window_s {
            Some([from, to]) if !(from.is_finite() && to.is_finite() && from < to) => {
                Err(Error::setting(
                    "window",
                    format!("{from} to {to} s is none"),
                    "state two times in seconds, the earlier first",
                ))
            }
            _ => Ok(()),
        }
    }
}

/// One sensor at one balancing speed.
struct Look<'a> {
    recording: &'a Recording,
    machine: &'a Machine,
    speed: &'a Speed,
    channel: &'a Channel,
    span: Span,
    rpm: f64,
    /// The largest amplitude known from other spins; 0 for none.
    largest: f64,
}

impl Look<'_> {
    fn read(&self) -> Result<Reading> {
        usable::check_rate(self.recording, self.channel, self.rpm)?;
        if self.turns() < LEAST_TURNS {
            return Err(self.too_short());
        }
        let sensor = usable::cut(self.channel, self.span.around_s);
        let track = self.track(&sensor, 1.0)?;
        let within = self.points_within(&track)?;
        let used =
            if self.span.held { self.settled(&track, within.clone())? } else { within.clone() };
        if mean::of(&track, used.clone()).phasor.norm() >= SMALL * self.largest {
            self.check_phase_slope(&track, within)?;
        }
        let [from_s, to_s] = self.times(&track, &used);
        let place = usable::place(self.channel, from_s, to_s);
        usable::check_within(self.recording, self.machine, self.speed, self.channel, &place)?;
        let reading = self.reading(&track, used, from_s, to_s);
        let is_plain = reading.amplitude() >= TURNS_WITH_SHAFT * reading.error;
        if !is_plain && !self.turns_with_shaft(&sensor)? {
            return Err(Error::input(
                self.recording.source(),
                place.words,
                format!(
                    "the signal is below the noise: nothing in it turns with the shaft, its first order is {} {} with a standard error of {}, and the second and third do not stand out either",
                    three_digits(reading.amplitude()),
                    reading.unit,
                    three_digits(reading.error)
                ),
                "look for a dead sensor or a loose cable, raise the gain, or hold the speed longer",
            ));
        }
        Ok(reading)
    }

    fn track(&self, sensor: &Channel, order: f64) -> Result<Track> {
        let waves = [Wave { speed: self.speed, order }];
        let length = Length::Turns(WINDOW_TURNS);
        let mut tracks = windows::tracks(sensor, &waves, length, &mut Silent)
            .map_err(|error| self.refuse(error.to_string(), "hold the speed longer"))?;
        tracks.pop().ok_or_else(|| Error::Bug("one wave gave no track".into()))
    }

    /// The points whose windows lie within the span.
    fn points_within(&self, track: &Track) -> Result<Range<usize>> {
        let [from_s, to_s] = self.span.used_s;
        let half = 0.5 * WINDOW_TURNS;
        let turns = |time_s: f64| self.speed.turns_at(time_s);
        let (from, to) = (turns(from_s) - 1e-3, turns(to_s) + 1e-3);
        let inside = |&i: &usize| {
            let middle = track.times_s.get(i).map_or(f64::NAN, |&time_s| turns(time_s));
            middle - half >= from && middle + half <= to
        };
        let places: Vec<usize> = (0..track.len()).filter(inside).collect();
        match (places.first(), places.last()) {
            (Some(&first), Some(&last)) if places.len() >= LEAST_POINTS => Ok(first..last + 1),
            _ => Err(self.too_short()),
        }
    }

    /// Turns in the span.
    fn turns(&self) -> f64 {
        let [from_s, to_s] = self.span.used_s;
        self.speed.turns_at(to_s) - self.speed.turns_at(from_s)
    }

    fn too_short(&self) -> Error {
        let [from_s, to_s] = self.span.used_s;
        let how = if self.span.held { "held" } else { "passed" };
        let problem = format!(
            "{} rpm is {how} for {:.0} turns only, from {from_s:.2} to {to_s:.2} s, and a vector needs {LEAST_TURNS:.0} or more within 0.5 % of the speed",
            grouped(self.rpm),
            self.turns().floor()
        );
        self.refuse(problem, "hold the speed, or pass it more slowly")
    }

    /// The settled end of a hold.
    fn settled(&self, track: &Track, held: Range<usize>) -> Result<Range<usize>> {
        mean::settled_end(track, held, LEAST_POINTS).map_err(|moving| {
            let changes = if moving.growth < 0.0 { "shrinks" } else { "grows" };
            let [from_s, to_s] = self.times(track, &moving.over);
            self.refuse(
                format!(
                    "the vector at {} rpm has not settled: from {from_s:.2} to {to_s:.2} s, the end of the hold, it still {changes} by {:.1} % and turns by {:.1} degrees, and 5 % and 2 degrees are allowed",
                    grouped(self.rpm), 100.0 * moving.growth.abs(), moving.turn_rad.to_degrees().abs()
                ),
                "hold the speed longer, until temperatures are steady",
            )
        })
    }

    /// Refuses a speed near which the phase turns too fast: by the way into the speed and through it, and by
    /// the wander of the speed in the hold.
    fn check_phase_slope(&self, track: &Track, within: Range<usize>) -> Result<()> {
        let mut stretches = Vec::new();
        if self.span.held {
            stretches.push((within.clone(), true));
            stretches.push((0..within.start, false));
            stretches.push((within.end..track.len(), false));
        } else {
            stretches.push((0..track.len(), false));
        }
        let near = |range: Range<usize>| span::near(track, range, self.rpm, within.start);
        for (stretch, drifts) in stretches {
            let Some(slope) = mean::phase_slope(track, near(stretch), drifts) else { continue };
            // a speed that hardly wanders, or a small vector, says nothing of a slope
            if slope.error > MOST_DEG_PER_PERCENT {
                continue;
            }
            if slope.deg_per_percent.abs() > MOST_DEG_PER_PERCENT + SURE * slope.error {
                return Err(self.refuse(
                    format!(
                        "near {} rpm the phase turns by {:.1} ± {:.1} degrees per 1 % of speed, and at more than {MOST_DEG_PER_PERCENT} vectors of two spins cannot be compared: a critical speed is near",
                        grouped(self.rpm), slope.deg_per_percent.abs(), slope.error
                    ),
                    "balance at a speed further from it",
                ));
            }
        }
        Ok(())
    }

    fn reading(&self, track: &Track, used: Range<usize>, from_s: f64, to_s: f64) -> Reading {
        let found = if self.span.held {
            mean::of(track, used.clone())
        } else {
            mean::at_speed(track, used.clone(), self.rpm)
        };
        let turns = self.speed.turns_at(to_s) - self.speed.turns_at(from_s);
        Reading {
            sensor: self.channel.name().to_owned(),
            rpm: self.rpm,
            found_rpm: 60.0 * turns / (to_s - from_s),
            unit: self.channel.spec.unit().symbol().to_owned(),
            phasor: found.phasor,
            noise_error: found.noise_error,
            turns_error: found.turns_error,
            error: found.noise_error.max(found.turns_error),
            turns,
            from_s,
            to_s,
            held: self.span.held,
        }
    }

    /// Times of the first and the last sample that points rest on.
    fn times(&self, track: &Track, points: &Range<usize>) -> [f64; 2] {
        let half = 0.5 * WINDOW_TURNS;
        let turns = |index: usize| {
            let time_s = track.times_s.get(index).copied().unwrap_or_default();
            self.speed.turns_at(time_s)
        };
        let last = points.end.saturating_sub(1);
        [turns(points.start) - half, turns(last) + half]
            .map(|turns| self.speed.time_at_turns(turns))
    }

    /// Whether the second or the third order stands out where the first does not.
    fn turns_with_shaft(&self, sensor: &Channel) -> Result<bool> {
        for order in [2.0, 3.0] {
            let track = self.track(sensor, order)?;
            // a harmonic above the judged share of the rate has no points
            let Ok(within) = self.points_within(&track) else { continue };
            let found = mean::of(&track, within);
            if found.phasor.norm() >= TURNS_WITH_SHAFT * found.noise_error.max(found.turns_error) {
                return Ok(true);
            }
        }
        Ok(false)
    }

    fn refuse(&self, problem: String, mend: &str) -> Error {
        let place = format!("channel {}", self.channel.name());
        Error::input(self.recording.source(), place, problem, mend)
    }
}
