//! What is locked to the shaft taken out of a channel at any speed, and what is left of it in time.
//!
//! The synchronous average is taken over turns nearby, and follows slow changes of level and phase: at each
//! step of angle a parabola is laid through the turns around under a Hann window, and its value at the turn
//! itself is what is locked. This mean turn is brought back from angle to time and subtracted from the
//! samples themselves, which are not resampled. Whatever lies further than a few over the number of turns
//! from a whole order stays. Sources: R. B. Randall and J. Antoni, Mech. Syst. Signal Process. 25 (2011)
//! 485-520 (separation by synchronous averaging; from memory); W. S. Cleveland, J. Am. Stat. Assoc. 74
//! (1979) 829-836 (local polynomials; from memory).

use nalgebra::{Matrix3, Vector3};
use serde::{Deserialize, Serialize};

use super::map::JUDGED_SHARE_OF_RATE;
use super::resample::{AngleSignal, resample, samples_per_turn_for};
use crate::dsp::kernel::KernelTable;
use crate::dsp::window::Window;
use crate::error::{Error, Result};
use crate::recording::Channel;
use crate::speed::Speed;

/// Fewest turns that a parabola is laid through.
pub const LEAST_TURNS: usize = 16;
/// Most turns, so that what is locked stays a matter of turns nearby.
const MOST_TURNS: usize = 65_536;
/// The mean turn is worked out so many times over the turns averaged, and lies on straight lines between: a
/// change that takes more than the turns averaged is met within a thousandth.
const PLACES: usize = 32;

/// How what is locked to the shaft is found.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct LockedConfig {
    /// Turns averaged, 16 to 65 536 or what there is; default 256. Orders within about 3 over this of a whole
    /// one count as locked, and noise up to the highest order loses 2 over this of its rms as well.
    pub turns: usize,
    /// Highest order taken out; default what 0.42 of the sampling rate holds at the mean speed.
    pub max_order: Option<f64>,
}

impl Default for LockedConfig {
    fn default() -> Self {
        Self { turns: 256, max_order: None }
    }
}

/// A channel parted in two.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Parted {
    /// Index in the channel of the first sample of both parts; those that no speed covers are left out.
    pub first: usize,
    /// What is locked to the shaft, slow changes of the mean among it, in the channel's unit.
    pub locked: Vec<f32>,
    /// The rest, in the channel's unit: the two add up to the channel.
    pub rest: Vec<f32>,
    /// Turns averaged.
    pub turns: usize,
    /// Highest order taken out.
    pub max_order: f64,
}

/// Parts a channel into what is locked to the shaft and the rest.
///
/// Lines above [`JUDGED_SHARE_OF_RATE`] of the rate, or of more than `max_order`, stay in the rest wholly or
/// in part. Within the first and last turn what is locked is that of the nearest whole turn.
///
/// # Errors
/// [`Error::Setting`] where the configuration is out of range or would fill the memory,
/// [`Error::TooLittle`] where channel and speed share fewer than [`LEAST_TURNS`] turns.
pub fn part_locked(channel: &Channel, speed: &Speed, config: &LockedConfig) -> Result<Parted> {
    let max_order = highest_order(channel, speed, config)?;
    let signal = resample(channel, speed, samples_per_turn_for(max_order))?;
    if signal.turns() < LEAST_TURNS {
        let got = format!("{}", signal.turns());
        return Err(Error::too_little(
            "a synchronous average that is removed",
            format!("{LEAST_TURNS} whole turns"),
            got,
        ));
    }
    let turns = config.turns.min(signal.turns());
    let (first, locked) = in_time(&mean_turns(&signal, turns), &signal, channel, speed);
    let samples = channel.values().get(first..).unwrap_or_default();
    let rest = samples.iter().zip(&locked).map(|(x, l)| x - l).collect();
    Ok(Parted { first, locked, rest, turns, max_order })
}

fn highest_order(channel: &Channel, speed: &Speed, config: &LockedConfig) -> Result<f64> {
    if !(LEAST_TURNS..=MOST_TURNS).contains(&config.turns) {
        return Err(Error::setting(
            "turns",
            format!("{} turns cannot be averaged", config.turns),
            format!("choose {LEAST_TURNS} to {MOST_TURNS}"),
        ));
    }
    let (from, to) = speed.turns_range();
    let mean_hz = (to - from) / (speed.end_s() - speed.start_s());
    let usual = (JUDGED_SHARE_OF_RATE * channel.rate_hz / mean_hz).max(1.0);
    let max_order = config.max_order.unwrap_or(usual);
    if max_order >= 1.0 && max_order.is_finite() {
        return Ok(max_order);
    }
    let problem = format!("{max_order} is no highest order");
    Err(Error::setting("max_order", problem, "choose 1 or more"))
}

/// The mean turn at each turn, one after the other, with the first and the last turn once more before and
/// after.
fn mean_turns(signal: &AngleSignal, turns: usize) -> Vec<f32> {
    let (n, count) = (signal.samples_per_turn, signal.turns());
    let step = (turns / PLACES).max(1);
    let mut mean = vec![0.0_f32; n];
    let mut locked = Vec::with_capacity((count + 2) * n);
    mean_turn(signal, 0, turns, &mut mean);
    locked.extend_from_slice(&mean);
    let mut at = 0;
    let mut next = vec![0.0_f32; n];
    while at + 1 < count {
        let to = (at + step).min(count - 1);
        mean_turn(signal, to, turns, &mut next);
        for turn in at..to {
            let share = (turn - at) as f32 / (to - at) as f32;
            locked.extend(mean.iter().zip(&next).map(|(a, b)| a + (b - a) * share));
        }
        std::mem::swap(&mut mean, &mut next);
        at = to;
    }
    locked.extend_from_slice(&mean);
    locked.extend_from_slice(&mean);
    locked
}

/// The value at turn `at` of parabolas through the turns around it, at each step of angle.
fn mean_turn(signal: &AngleSignal, at: usize, turns: usize, mean: &mut [f32]) {
    let n = signal.samples_per_turn;
    let from = at.saturating_sub(turns / 2).min(signal.turns() - turns);
    let weights = weights(at - from, turns);
    mean.fill(0.0);
    for (row, weight) in signal.values.chunks_exact(n).skip(from).zip(weights) {
        mean.iter_mut().zip(row).for_each(|(sum, &x)| *sum += weight * x);
    }
}

/// What each of `turns` turns counts for in the value at turn `at` of them: weighted least squares of a
/// parabola, Hann weights that reach as far as the farther end.
fn weights(at: usize, turns: usize) -> Vec<f32> {
    let reach = (at.max(turns - 1 - at) + 1) as f64;
    let place = |k: usize| (k as f64 - at as f64) / reach;
    let hann = |k: usize| Window::Hann.value(0.5 + 0.5 * place(k));
    let mut moments = [0.0_f64; 5];
    for k in 0..turns {
        let mut term = hann(k);
        for moment in &mut moments {
            *moment += term;
            term *= place(k);
        }
    }
    let [a, b, c, d, e] = moments;
    let solved = Matrix3::new(a, b, c, b, c, d, c, d, e).try_inverse().map(|m| m * Vector3::x());
    // sixteen turns determine a parabola: without an inverse the plain mean would be left
    let p = solved.unwrap_or_else(|| Vector3::new(1.0 / a, 0.0, 0.0));
    let weight = |k: usize| {
        let x = place(k);
        (hann(k) * (p.x + p.y * x + p.z * x * x)) as f32
    };
    (0..turns).map(weight).collect()
}

/// Mean turns at the times of the samples that the speed covers, and the index of the first of these.
fn in_time(
    locked: &[f32],
    signal: &AngleSignal,
    channel: &Channel,
    speed: &Speed,
) -> (usize, Vec<f32>) {
    let index = |turns: f64| channel.index_at(speed.time_at_turns(turns));
    let last_turn = signal.first_turn + signal.turns() as f64;
    let before_s = speed.time_at_turns(signal.first_turn - 1.0).max(speed.start_s());
    let after_s = speed.time_at_turns(last_turn + 1.0).min(speed.end_s());
    let first = channel.index_at(before_s).max(index(signal.first_turn - 1.0)).ceil().max(0.0);
    let end = channel.index_at(after_s).floor().max(first) as usize + 1;
    let (first, end) = (first as usize, end.min(channel.len()));
    let mut turns = vec![0.0; end.saturating_sub(first)];
    speed.turns_into(channel.time_s(first as f64), 1.0 / channel.rate_hz, &mut turns);
    let kernel = KernelTable::new(1.0);
    let steps = signal.samples_per_turn as f64;
    let value = |turn: &f64| kernel.at(locked, (turn - signal.first_turn + 1.0) * steps);
    (first, turns.iter().map(value).collect())
}

#[cfg(test)]
mod tests {
    use std::f64::consts::TAU;

    use super::*;
    use crate::dsp::stats::rms_f32;
    use crate::dsp::test_noise::Random;
    use crate::recording::ChannelSpec;
    use crate::speed::{Knot, SpeedSource};

    const RATE_HZ: f64 = 20_000.0;

    /// From `low_hz` turns per second on, faster by `gain_hz` each second, for 8 s.
    fn run_up(low_hz: f64, gain_hz: f64) -> Speed {
        let knot = |t: f64| Knot {
            time_s: t,
            turns: low_hz * t + 0.5 * gain_hz * t * t,
            speed_hz: low_hz + gain_hz * t,
        };
        let knots = (0..=80).map(|i| knot(f64::from(i) * 0.1)).collect();
        Speed::from_knots(SpeedSource::Pulse, knots, 0.0).expect("rising")
    }

    fn channel(value: impl FnMut(usize) -> f64) -> Channel {
        let samples = (0..160_000).map(value).map(|x| x as f32).collect();
        Channel::new(ChannelSpec::named("front"), RATE_HZ, samples).expect("valid")
    }

    fn parted(channel: &Channel, speed: &Speed, max_order: f64) -> Parted {
        let config = LockedConfig { max_order: Some(max_order), ..LockedConfig::default() };
        part_locked(channel, speed, &config).expect("long enough")
    }

    /// Rms over whole, without the few samples at either end through which the kernel sees the edge.
    fn rms_inside(values: &[f32]) -> f64 {
        rms_f32(&values[500..values.len() - 500], 0.0)
    }

    /// Seven harmonics that grow with the square of speed, through a resonance of amplification 8 that turns
    /// the first by half a turn; 40 dB are asked for.
    #[test]
    fn what_is_locked_goes_by_forty_decibels_on_a_run_up() {
        let speed = run_up(300.0, 75.0);
        let recorded = channel(|i| {
            let t = i as f64 / RATE_HZ;
            let (turns, ratio) = (speed.turns_at(t), speed.hz_at(t) / 600.0);
            let (stiff, damped) = (1.0 - ratio * ratio, ratio / 8.0);
            let gain = ratio * ratio / stiff.hypot(damped);
            let first = gain * (TAU * turns - damped.atan2(stiff)).cos();
            let others = (2..8).map(f64::from).map(|k| (TAU * k * turns + k).cos() / k);
            first + ratio * ratio * others.sum::<f64>()
        });
        let parts = parted(&recorded, &speed, 8.0);
        assert!(parts.rest.len() > 159_000 && parts.turns == 256);
        let decibels = 20.0 * (rms_inside(recorded.values()) / rms_inside(&parts.rest)).log10();
        assert!(decibels >= 40.0, "{decibels}");
        let whole = recorded.values()[parts.first..].iter();
        let sums = parts.locked.iter().zip(&parts.rest).map(|(a, b)| a + b);
        assert!(whole.zip(sums).all(|(x, sum)| (x - sum).abs() < 1e-5));
    }

    #[test]
    fn noise_and_a_line_between_orders_stay_within_a_hundredth() {
        let speed = run_up(60.0, 22.5);
        let mut random = Random(5);
        let noise = channel(|_| random.next());
        let line = channel(|i| (TAU * 3.57 * speed.turns_at(i as f64 / RATE_HZ)).cos());
        for recorded in [&noise, &line] {
            let parts = parted(recorded, &speed, 24.0);
            let kept = rms_inside(&parts.rest) / rms_inside(recorded.values());
            assert!((kept - 1.0).abs() < 0.01, "{kept}");
        }
        let parts = parted(&line, &speed, 24.0);
        let worst =
            parts.locked.iter().skip(20_000).take(100_000).fold(0.0, |w: f32, x| w.max(x.abs()));
        assert!(worst < 0.01, "{worst}");
    }

    /// A parabola over turns is met exactly, at the ends as well.
    #[test]
    fn weights_keep_parabolas() {
        for at in [0, 1, 15, 31] {
            let value = |k: usize| 3.0 + 0.5 * k as f64 - 0.02 * (k * k) as f64;
            let met: f64 =
                weights(at, 32).iter().enumerate().map(|(k, &w)| f64::from(w) * value(k)).sum();
            assert!((met - value(at)).abs() < 1e-5, "{at}: {met}");
        }
    }

    #[test]
    fn refuses_what_cannot_be() {
        let recorded = channel(|_| 0.0);
        let run = |config: LockedConfig, end_s: f64| {
            let speed = Speed::constant(SpeedSource::Stated, 6000.0, 0.0, end_s).expect("valid");
            part_locked(&recorded, &speed, &config)
        };
        assert!(run(LockedConfig { turns: 3, max_order: None }, 8.0).is_err());
        assert!(run(LockedConfig { turns: 64, max_order: Some(f64::NAN) }, 8.0).is_err());
        assert!(matches!(run(LockedConfig::default(), 0.1), Err(Error::TooLittle { .. })));
        assert!(run(LockedConfig::default(), 8.0).is_ok());
    }
}
