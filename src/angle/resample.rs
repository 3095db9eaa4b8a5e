//! Resampling at equal steps of shaft angle, free of aliases at all speeds.

use std::ops::Range;

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
        max_order_of(self.samples_per_turn)
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

/// The highest order that so many samples per turn hold free of aliases.
pub(super) fn max_order_of(samples_per_turn: usize) -> f64 {
    0.5 * samples_per_turn as f64 * PASSED_SHARE
}

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
/// As [`Resampler::new`]; [`Error::Setting`] where so many samples would fill the memory.
pub fn resample(channel: &Channel, speed: &Speed, samples_per_turn: usize) -> Result<AngleSignal> {
    let resampler = Resampler::new(Sampled::of(channel), speed, samples_per_turn)?;
    collect(resampler, channel.values())
}

/// As [`resample`], of `turns` turns from `first_turn` on alone: only the samples around them are read.
///
/// # Errors
/// As [`resample`]; [`Error::TooLittle`] where the channel and the speed do not cover these turns.
pub fn resample_turns(
    channel: &Channel,
    speed: &Speed,
    samples_per_turn: usize,
    first_turn: f64,
    turns: usize,
) -> Result<AngleSignal> {
    let mut resampler = Resampler::new(Sampled::of(channel), speed, samples_per_turn)?;
    let needed = resampler.narrow_to(first_turn, turns)?;
    let samples = channel.values().get(needed).unwrap_or_default();
    collect(resampler, samples)
}

fn collect(resampler: Resampler, samples: &[f32]) -> Result<AngleSignal> {
    let samples_per_turn = resampler.samples_per_turn();
    let turns = resampler.turns();
    if turns.saturating_mul(samples_per_turn) > MOST_SAMPLES {
        return Err(Error::setting(
            "samples_per_turn",
            format!("{samples_per_turn} over {turns} turns are too many"),
            "choose a lower highest order",
        ));
    }
    let mut signal = AngleSignal {
        samples_per_turn,
        first_turn: resampler.first_turn(),
        values: Vec::with_capacity(turns * samples_per_turn),
        turn_times_s: Vec::with_capacity(turns + 1),
        source_rate_hz: resampler.rate_hz(),
    };
    resampler.run(samples, |turn| {
        signal.values.extend_from_slice(turn.values);
        if signal.turn_times_s.is_empty() {
            signal.turn_times_s.push(turn.start_s);
        }
        signal.turn_times_s.push(turn.end_s);
    });
    Ok(signal)
}

/// How a channel is sampled, known before its samples come.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sampled<'a> {
    /// The channel's name, for messages.
    pub name: &'a str,
    /// Sampling rate in Hz.
    pub rate_hz: f64,
    /// Time of the first sample in seconds.
    pub start_s: f64,
    /// How many samples there are.
    pub len: usize,
}

impl<'a> Sampled<'a> {
    /// Of a channel.
    pub fn of(channel: &'a Channel) -> Self {
        Self {
            name: channel.name(),
            rate_hz: channel.rate_hz,
            start_s: channel.time_s(0.0),
            len: channel.len(),
        }
    }

    fn index_at(&self, time_s: f64) -> f64 {
        (time_s - self.start_s) * self.rate_hz
    }

    /// The time covered together with a speed.
    fn covered(&self, speed: &Speed) -> (f64, f64) {
        let end_s = self.start_s + self.len.saturating_sub(1) as f64 / self.rate_hz;
        (self.start_s.max(speed.start_s()), end_s.min(speed.end_s()))
    }
}

/// One turn at equal steps of angle.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Turn<'a> {
    /// When it begins, in seconds.
    pub start_s: f64,
    /// When it ends, in seconds.
    pub end_s: f64,
    /// Its samples, in the channel's unit.
    pub values: &'a [f32],
}

/// Resampling at equal angles, block by block: a recording of any length in bounded memory.
///
/// What [`resample`] says holds here too. Samples are pushed as they come; each turn is given out as soon
/// as the samples around it are there.
#[derive(Debug)]
pub struct Resampler<'a> {
    sampled: Sampled<'a>,
    speed: &'a Speed,
    first_turn: f64,
    turns: usize,
    /// Turns given out.
    done: usize,
    next_start_s: f64,
    bank: KernelBank,
    /// Samples still needed, from index `held_from` on.
    held: Vec<f32>,
    held_from: usize,
    turn: Vec<f32>,
}

/// Samples that a whole channel is pushed in at a time.
const BLOCK: usize = 1 << 16;

impl<'a> Resampler<'a> {
    /// A resampler over all whole turns that both the samples and `speed` cover.
    ///
    /// # Errors
    /// [`Error::TooLittle`] where fewer than two whole turns are covered, or the shaft turns faster than
    /// half the sampling rate.
    pub fn new(sampled: Sampled<'a>, speed: &'a Speed, samples_per_turn: usize) -> Result<Self> {
        let (from_s, to_s) = sampled.covered(speed);
        let first_turn = speed.turns_at(from_s).ceil();
        let last_turn = speed.turns_at(to_s).floor();
        let too_little = |needed: String, got: String| {
            let what = format!("channel {} in shaft angle", sampled.name);
            Err(Error::too_little(what, needed, got))
        };
        if to_s <= from_s || last_turn < first_turn + 2.0 {
            let turns = (speed.turns_at(to_s) - speed.turns_at(from_s)).max(0.0);
            return too_little("at least 2 whole turns".to_owned(), format!("{turns:.1}"));
        }
        let mean_hz = (last_turn - first_turn) / (to_s - from_s);
        if mean_hz > 0.5 * sampled.rate_hz {
            return too_little(
                format!("a sampling rate above twice the {mean_hz:.0} turns per second"),
                format!("{:.0} Hz", sampled.rate_hz),
            );
        }
        Ok(Self {
            sampled,
            speed,
            first_turn,
            turns: (last_turn - first_turn) as usize,
            done: 0,
            next_start_s: speed.time_at_turns(first_turn),
            bank: KernelBank::new(),
            held: Vec::new(),
            held_from: 0,
            turn: vec![0.0; samples_per_turn],
        })
    }

    /// Gives out `turns` turns from `first_turn` on alone; returns the indices of the samples that they
    /// need, which are those to be pushed.
    fn narrow_to(&mut self, first_turn: f64, turns: usize) -> Result<Range<usize>> {
        let end = first_turn + turns as f64;
        if first_turn < self.first_turn || end > self.first_turn + self.turns as f64 {
            let what = format!("channel {} in shaft angle", self.sampled.name);
            let needed = format!("turns {first_turn} to {end}");
            return Err(Error::too_little(what, needed, format!("{} turns", self.turns)));
        }
        (self.first_turn, self.turns) = (first_turn, turns);
        self.next_start_s = self.speed.time_at_turns(first_turn);
        let (mut first, mut last) = (f64::INFINITY, 0.0_f64);
        let mut start_s = self.next_start_s;
        for turn in 1..=turns {
            let end_s = self.speed.time_at_turns(first_turn + turn as f64);
            let span_s = end_s - start_s;
            let cutoff = self.turn.len() as f64 / span_s / self.sampled.rate_hz;
            let reach = self.bank.table(cutoff.min(1.0)).reach();
            first = first.min(self.sampled.index_at(start_s) - reach);
            last = last.max(self.sampled.index_at(end_s) + reach);
            start_s = end_s;
        }
        let to = ((last + 2.0) as usize).min(self.sampled.len);
        self.held_from = (first.max(0.0) as usize).min(to);
        Ok(self.held_from..to)
    }

    /// Shaft angle in turns at the start of the first turn; a whole number.
    pub fn first_turn(&self) -> f64 {
        self.first_turn
    }

    /// How many turns there will be.
    pub fn turns(&self) -> usize {
        self.turns
    }

    /// Samples in each turn.
    pub fn samples_per_turn(&self) -> usize {
        self.turn.len()
    }

    /// Sampling rate of the channel in Hz.
    pub fn rate_hz(&self) -> f64 {
        self.sampled.rate_hz
    }

    /// Takes the next samples and gives out the turns that they complete.
    pub fn push(&mut self, samples: &[f32], mut each: impl FnMut(Turn)) {
        self.held.extend_from_slice(samples);
        self.give_out(false, &mut each);
    }

    /// Gives out the last turns, beyond whose end there is nothing.
    pub fn finish(mut self, mut each: impl FnMut(Turn)) {
        self.give_out(true, &mut each);
    }

    /// All turns of samples that are in memory already.
    pub fn run(mut self, samples: &[f32], mut each: impl FnMut(Turn)) {
        for block in samples.chunks(BLOCK) {
            self.push(block, &mut each);
        }
        self.finish(each);
    }

    fn give_out(&mut self, at_end: bool, each: &mut impl FnMut(Turn)) {
        let mut needed_from = self.held_from;
        while self.done < self.turns {
            let end_s = self.speed.time_at_turns(self.first_turn + (self.done + 1) as f64);
            let time = TurnTime::between(self.speed, self.next_start_s, end_s);
            let steps = self.turn.len();
            let cutoff = steps as f64 / time.span_s / self.sampled.rate_hz;
            let kernel = self.bank.table(cutoff.min(1.0));
            let (first, last) = (
                self.sampled.index_at(self.next_start_s) - kernel.reach(),
                self.sampled.index_at(end_s) + kernel.reach(),
            );
            needed_from = (first.max(0.0) as usize).max(self.held_from);
            if !at_end && last > (self.held_from + self.held.len()) as f64 {
                break;
            }
            for (step, slot) in self.turn.iter_mut().enumerate() {
                let index = self.sampled.index_at(time.at(step as f64 / steps as f64));
                *slot = kernel.at(&self.held, index - self.held_from as f64);
            }
            each(Turn { start_s: self.next_start_s, end_s, values: &self.turn });
            self.next_start_s = end_s;
            self.done += 1;
        }
        // nothing before the next turn is needed any more
        let spent = (needed_from - self.held_from).min(self.held.len());
        self.held.drain(..spent);
        self.held_from += spent;
    }
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

    /// Whatever the blocks, the same turns come out, and no more is held than a turn and the kernel need.
    #[test]
    fn blocks_of_any_size_give_the_same_turns() {
        let speed = run_up();
        let recorded = channel(|t| (TAU * 3.0 * speed.turns_at(t)).cos());
        let whole = resample(&recorded, &speed, 32).expect("long enough");
        for block in [1_000, 4_096, 70_000] {
            let mut pieces =
                Resampler::new(Sampled::of(&recorded), &speed, 32).expect("long enough");
            assert_eq!(pieces.turns(), whole.turns());
            let (mut values, mut most) = (Vec::new(), 0);
            for samples in recorded.values().chunks(block) {
                pieces.push(samples, |turn| values.extend_from_slice(turn.values));
                most = most.max(pieces.held.len());
            }
            pieces.finish(|turn| values.extend_from_slice(turn.values));
            assert_eq!(values.len(), whole.values.len());
            let same = values.iter().zip(&whole.values).all(|(a, b)| (a - b).abs() < 1e-6);
            assert!(same, "blocks of {block}");
            assert!(most <= block + 1_500, "{most} samples held for blocks of {block}");
        }
    }

    #[test]
    fn a_piece_of_the_channel_gives_the_same_turns() {
        let speed = run_up();
        let recorded = channel(|t| (TAU * 3.0 * speed.turns_at(t)).cos());
        let whole = resample(&recorded, &speed, 32).expect("long enough");
        for (from, turns) in [(0, 2), (700, 64), (whole.turns() - 5, 5)] {
            let first = whole.first_turn + from as f64;
            let piece = resample_turns(&recorded, &speed, 32, first, turns).expect("covered");
            let same = &whole.values[from * 32..(from + turns) * 32];
            assert_eq!(piece.values.len(), same.len());
            assert!(piece.values.iter().zip(same).all(|(a, b)| (a - b).abs() < 1e-6), "{from}");
            let times = &whole.turn_times_s[from..=from + turns];
            assert!(piece.turn_times_s.iter().zip(times).all(|(a, b)| (a - b).abs() < 1e-9));
            let mut narrow =
                Resampler::new(Sampled::of(&recorded), &speed, 32).expect("long enough");
            let needed = narrow.narrow_to(first, turns).expect("covered");
            assert!(needed.len() < 1_500 + 512 * turns, "{needed:?}");
        }
        assert!(resample_turns(&recorded, &speed, 32, -1.0, 2).is_err());
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
