//! Resampling at equal steps of shaft angle, free of aliases at all speeds.

use crate::dsp::kernel::{KernelBank, LEAST_OF_CUTOFF, TRANSITION};
use crate::error::{Error, Result};
use crate::recording::Channel;
use crate::speed::Speed;

/// A channel sampled at equal steps of shaft angle.
#[derive(Debug, Clone)]
pub struct AngleSignal {
    /// Samples in each turn.
    pub samples_per_turn: usize,
    /// Shaft angle in turns at the first sample; a whole number.
    pub first_turn: f64,
    /// Samples in the channel's unit.
    pub values: Vec<f32>,
    /// Times in seconds at the start of each turn, one more than there are whole turns.
    pub turn_times_s: Vec<f64>,
    /// Sampling rate of the channel that it came from, in Hz.
    pub source_rate_hz: f64,
}

impl AngleSignal {
    /// Highest order that is free of aliases, where the channel's own rate allows it.
    pub fn max_order(&self) -> f64 {
        0.5 * self.samples_per_turn as f64 * PASSED_SHARE
    }

    /// Whole turns.
    pub fn turns(&self) -> usize {
        self.values.len() / self.samples_per_turn
    }

    /// Mean speed in Hz over `count` turns from turn `index` (counted from the first sample).
    pub fn mean_hz(&self, index: usize, count: usize) -> Option<f64> {
        let from = self.turn_times_s.get(index)?;
        let to = self.turn_times_s.get(index + count)?;
        Some(count as f64 / (to - from))
    }
}

/// Share of half the angular rate up to which a tone passes unchanged, whatever the speed.
const PASSED_SHARE: f64 = LEAST_OF_CUTOFF * (1.0 - TRANSITION);

/// Most samples of one signal at equal angles, two gigabytes.
const MOST_SAMPLES: usize = 1 << 29;

/// The number of samples per turn (7-smooth) for which `max_order` is free of aliases.
pub fn samples_per_turn_for(max_order: f64) -> usize {
    let needed = 2.0 * max_order / PASSED_SHARE;
    crate::dsp::fft::good_length(needed.ceil() as usize)
}

/// Resamples `channel` over all whole turns that both it and `speed` cover.
///
/// Before each step the signal is low-passed at half the angular sampling rate (or at its own Nyquist
/// frequency, where that is lower), so that nothing folds onto orders up to
/// [`AngleSignal::max_order`]. Turns begin at whole numbers of `speed`'s angle.
///
/// # Errors
/// [`Error::TooLittle`] where fewer than two whole turns are covered, or the shaft turns faster than half
/// the sampling rate; [`Error::Setting`] where so many samples per turn would fill the memory.
pub fn resample(channel: &Channel, speed: &Speed, samples_per_turn: usize) -> Result<AngleSignal> {
    let (from_s, to_s) = covered(channel, speed);
    let first_turn = speed.turns_at(from_s).ceil();
    let last_turn = speed.turns_at(to_s).floor();
    if to_s <= from_s || last_turn < first_turn + 2.0 {
        return Err(Error::too_little(
            format!("channel {} in shaft angle", channel.name()),
            "at least 2 whole turns",
            format!("{:.1}", (speed.turns_at(to_s) - speed.turns_at(from_s)).max(0.0)),
        ));
    }
    let turns = (last_turn - first_turn) as usize;
    check_size(channel, turns, samples_per_turn, to_s - from_s)?;
    let turn_times_s: Vec<f64> =
        (0..=turns).map(|turn| speed.time_at_turns(first_turn + turn as f64)).collect();

    let mut bank = KernelBank::new();
    let samples = channel.values();
    let mut values = Vec::with_capacity(turns * samples_per_turn);
    for turn in 0..turns {
        let piece = TurnTime::between(speed, turn_times_s[turn], turn_times_s[turn + 1]);
        let hz = 1.0 / piece.span_s;
        let cutoff = (samples_per_turn as f64 * hz / channel.rate_hz).min(1.0);
        let kernel = bank.table(cutoff);
        for step in 0..samples_per_turn {
            let time_s = piece.at(step as f64 / samples_per_turn as f64);
            values.push(kernel.at(samples, channel.index_at(time_s)));
        }
    }
    Ok(AngleSignal {
        samples_per_turn,
        first_turn,
        values,
        turn_times_s,
        source_rate_hz: channel.rate_hz,
    })
}

/// Refuses what can only be a slip of the pen in the speed, the rate or the highest order.
fn check_size(
    channel: &Channel,
    turns: usize,
    samples_per_turn: usize,
    duration_s: f64,
) -> Result<()> {
    let mean_hz = turns as f64 / duration_s;
    if mean_hz > 0.5 * channel.rate_hz {
        return Err(Error::too_little(
            format!("channel {} in shaft angle", channel.name()),
            format!("a sampling rate above twice the {mean_hz:.0} turns per second"),
            format!("{:.0} Hz", channel.rate_hz),
        ));
    }
    if turns.saturating_mul(samples_per_turn) > MOST_SAMPLES {
        return Err(Error::setting(
            "samples_per_turn",
            format!("{samples_per_turn} over {turns} turns are too many"),
            "choose a lower highest order",
        ));
    }
    Ok(())
}

fn covered(channel: &Channel, speed: &Speed) -> (f64, f64) {
    let last = channel.len().saturating_sub(1) as f64;
    (channel.time_s(0.0).max(speed.start_s()), channel.time_s(last).min(speed.end_s()))
}

/// Time over one turn as a cubic: exact at both ends with the exact slopes, which is far cheaper than
/// solving the speed curve anew for every sample.
pub(crate) struct TurnTime {
    start_s: f64,
    /// How long the turn takes, in seconds.
    pub span_s: f64,
    bend_start_s: f64,
    bend_end_s: f64,
}

impl TurnTime {
    /// The turn that `speed` makes from one time to another.
    pub fn between(speed: &Speed, from_s: f64, to_s: f64) -> Self {
        let span_s = to_s - from_s;
        // near standstill a slope grows without bound; three chords keep the cubic rising (Fritsch
        // and Carlson, SIAM J. Numer. Anal. 17 (1980) 238-246)
        let slope = |time_s: f64| 1.0 / speed.hz_at(time_s).max(f64::MIN_POSITIVE);
        let bend = |time_s: f64| slope(time_s).min(3.0 * span_s) - span_s;
        Self { start_s: from_s, span_s, bend_start_s: bend(from_s), bend_end_s: bend(to_s) }
    }

    /// The time in seconds at `s`, 0 to 1 over the turn.
    pub fn at(&self, s: f64) -> f64 {
        let bend = self.bend_start_s * (1.0 - s) - self.bend_end_s * s;
        self.start_s + s * self.span_s + s * (1.0 - s) * bend
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::recording::ChannelSpec;
    use crate::speed::{Knot, SpeedSource};
    use std::f64::consts::TAU;

    const RATE_HZ: f64 = 51_200.0;

    /// 10:1 in 4 s: 100 Hz to 1000 Hz; turns = 100 t + 112.5 t².
    fn run_up() -> Speed {
        let knots = (0..=40)
            .map(|i| f64::from(i) * 0.1)
            .map(|t| Knot {
                time_s: t,
                turns: 100.0 * t + 112.5 * t * t,
                speed_hz: 100.0 + 225.0 * t,
            })
            .collect();
        Speed::from_knots(SpeedSource::Pulse, knots, 0.0).expect("a rising curve")
    }

    fn channel(signal: impl Fn(f64) -> f64) -> Channel {
        let samples = (0..(4.0 * RATE_HZ) as usize).map(|i| signal(i as f64 / RATE_HZ) as f32);
        Channel::new(ChannelSpec::named("test"), RATE_HZ, samples.collect()).expect("valid")
    }

    #[test]
    fn an_order_keeps_amplitude_and_phase_over_ten_to_one() {
        let speed = run_up();
        for order in [1.0, 3.0, 12.5] {
            let recorded = channel(|t| (TAU * order * speed.turns_at(t)).cos());
            let angle = resample(&recorded, &speed, 32).expect("long enough");
            // the ends see the recording's edge through the kernel
            let inner = 20 * 32..angle.values.len() - 20 * 32;
            for (i, &value) in angle.values.iter().enumerate().take(inner.end).skip(inner.start) {
                let exact = (TAU * order * (angle.first_turn + i as f64 / 32.0)).cos();
                assert!((f64::from(value) - exact).abs() < 1e-4, "order {order} at {i}");
            }
        }
    }

    /// The design's figure: alias of a tone in the angle domain below -80 dB.
    #[test]
    fn a_tone_above_the_angular_nyquist_leaves_no_alias() {
        let speed = run_up();
        let order = 0.5 * 32.0 * (1.0 + TRANSITION) + 0.01;
        let recorded = channel(|t| (TAU * order * speed.turns_at(t)).cos());
        let angle = resample(&recorded, &speed, 32).expect("long enough");
        let inner = &angle.values[30 * 32..angle.values.len() - 30 * 32];
        let worst = inner.iter().fold(0.0_f32, |worst, v| worst.max(v.abs()));
        assert!(worst < 1e-4, "{worst:e}");
    }

    #[test]
    fn a_start_from_standstill_is_resampled_without_end() {
        // turns = 200 t², 0 to 400 Hz in 1 s
        let knot = |t: f64| Knot { time_s: t, turns: 200.0 * t * t, speed_hz: 400.0 * t };
        let knots = (0..=20).map(|i| knot(f64::from(i) * 0.05)).collect();
        let speed = Speed::from_knots(SpeedSource::Pulse, knots, 0.0).expect("a rising curve");
        let angle = resample(&channel(|t| t), &speed, 16).expect("200 turns");
        assert!(angle.values.windows(2).all(|pair| pair[1] >= pair[0] && pair[1].is_finite()));
    }

    #[test]
    fn too_few_turns_are_refused_in_words() {
        let speed = Speed::constant(SpeedSource::Stated, 60.0, 0.0, 1.5).expect("valid");
        let message = resample(&channel(|_| 0.0), &speed, 16).expect_err("1.5 turns").to_string();
        assert!(message.contains("2 whole turns"), "{message}");
    }

    #[test]
    fn steps_per_turn_hold_the_order_asked_for() {
        assert_eq!(samples_per_turn_for(13.0), 32);
        assert!(samples_per_turn_for(20.0) >= 47);
    }
}
