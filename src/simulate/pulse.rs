//! The shaft pulse: edges at exact instants, then rendered as a converter would record them.

use std::f64::consts::TAU;

use rand::Rng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

use crate::recording::{Edge, PulseKind};

use super::curve::Curve;
use super::random::{Purpose, stream};
use super::scenario::PulseSensor;
use super::sensors::ac_coupled;
use super::timebase::Timebase;

/// Samples on either side of an edge over which it is spread.
const REACH: i64 = 24;

/// Fractions of a sample for which the edge is tabulated.
const FRACTIONS: usize = 256;

/// Cut-off of the converter's filter in parts of the rate.
const CUTOFF: f64 = 0.46;

/// The pulse channel in V, lead-in included.
pub fn render(pulse: &PulseSensor, curve: &Curve, time: &Timebase, seed: u64) -> Vec<f64> {
    let mut rng = stream(seed, Purpose::PulseEdges);
    let mut signal = match pulse.kind {
        PulseKind::Magnet => sine(pulse, time),
        PulseKind::Mark | PulseKind::Blades => {
            let marks = marks(pulse, curve, time, &mut rng);
            levels(pulse, time, &marks)
        }
    };
    let mut rng = stream(seed, Purpose::PulseNoise);
    sag(pulse, time, &mut signal, &mut rng);
    if let Some(corner_hz) = pulse.corner_hz {
        signal = ac_coupled(signal, corner_hz, time.rate_hz);
    }
    for value in &mut signal {
        let noise: f64 = StandardNormal.sample(&mut rng);
        *value += pulse.noise_v_rms * noise;
    }
    signal
}

/// A mark passing the sensor, from its first to its last edge, in s.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Mark {
    from_s: f64,
    to_s: f64,
}

/// A magnet: a sine whose stated edge crosses zero at whole turns; it dies away with speed, as an
/// induced voltage does.
fn sine(pulse: &PulseSensor, time: &Timebase) -> Vec<f64> {
    let sign = if pulse.edge == Edge::Rising { 1.0 } else { -1.0 };
    let per_turn = f64::from(pulse.per_turn);
    let late_s = (pulse.skew_us - pulse.delay_us) * 1e-6;
    (0..time.len())
        .map(|i| {
            let hz = time.hz[i];
            let turns = time.turns[i] + hz * late_s;
            let height = sign * pulse.height_v * hz / time.top_hz;
            height * time.pass(per_turn * hz) * (TAU * (per_turn * turns).fract()).sin()
        })
        .collect()
}

/// Whether the stated edge is the first of the two that a mark makes.
fn leads(pulse: &PulseSensor) -> bool {
    (pulse.edge == Edge::Rising) != pulse.idle_high
}

/// All marks, true and false, in order of time and not overlapping.
fn marks(pulse: &PulseSensor, curve: &Curve, time: &Timebase, rng: &mut ChaCha8Rng) -> Vec<Mark> {
    let offsets = offsets(pulse, rng);
    let before = if leads(pulse) { 0.0 } else { pulse.width };
    let mut marks = Vec::new();
    let mut turn = (time.turns[0] - 1.0).floor();
    while turn < curve.end_turns() + 1.0 {
        for offset in &offsets {
            let first = turn + offset - before;
            let edges = [first, first + pulse.width]
                .map(|turns| edge_s(pulse, curve, turns, rng).unwrap_or(f64::INFINITY));
            let (lost, doubled) = (rng.random_range(0.0..100.0), rng.random_range(0.0..100.0));
            let mark = Mark { from_s: edges[0], to_s: edges[1].max(edges[0]) };
            if lost < pulse.lost_percent || !mark.from_s.is_finite() {
                continue;
            }
            marks.push(mark);
            if doubled < pulse.doubled_percent {
                marks.extend(ghost(pulse, curve, mark, rng));
            }
        }
        turn += 1.0;
    }
    marks.extend(burst(pulse, rng));
    merged(marks)
}

/// Places of the marks within a turn; the first is at zero.
fn offsets(pulse: &PulseSensor, rng: &mut ChaCha8Rng) -> Vec<f64> {
    let per_turn = f64::from(pulse.per_turn);
    (0..pulse.per_turn)
        .map(|i| {
            let uneven: f64 = StandardNormal.sample(rng);
            let uneven = if i == 0 { 0.0 } else { uneven * pulse.uneven_deg / 360.0 };
            // never so far that marks change places
            f64::from(i) / per_turn + uneven.clamp(-0.3 / per_turn, 0.3 / per_turn)
        })
        .collect()
}

/// When an edge at `turns` appears in the signal, in s of the pulse channel's own clock.
fn edge_s(pulse: &PulseSensor, curve: &Curve, turns: f64, rng: &mut ChaCha8Rng) -> Option<f64> {
    let jitter: f64 = StandardNormal.sample(rng);
    let late_s = (pulse.delay_us - pulse.skew_us + pulse.jitter_us * jitter) * 1e-6;
    Some(curve.time_at_turns(turns)? + late_s)
}

/// A second pulse that follows a mark within the turn, as a scratch would make.
fn ghost(pulse: &PulseSensor, curve: &Curve, mark: Mark, rng: &mut ChaCha8Rng) -> Option<Mark> {
    let turn_s = 1.0 / curve.at(mark.from_s).hz;
    let share = rng.random_range(0.1..0.9) / f64::from(pulse.per_turn);
    let from_s = mark.to_s + share * turn_s;
    let length_s = 0.5 * (mark.to_s - mark.from_s);
    from_s.is_finite().then_some(Mark { from_s, to_s: from_s + length_s })
}

fn burst(pulse: &PulseSensor, rng: &mut ChaCha8Rng) -> Vec<Mark> {
    let Some(burst) = pulse.burst else { return Vec::new() };
    let count = (burst.length_s * burst.rate_hz).round() as usize;
    (0..count)
        .map(|_| burst.time_s + burst.length_s * rng.random_range(0.0..1.0))
        .map(|from_s| Mark { from_s, to_s: from_s + 0.3 / burst.rate_hz })
        .collect()
}

/// Marks in order; those that overlap are seen as one.
fn merged(mut marks: Vec<Mark>) -> Vec<Mark> {
    marks.sort_by(|a, b| a.from_s.total_cmp(&b.from_s));
    let mut merged: Vec<Mark> = Vec::with_capacity(marks.len());
    for mark in marks {
        match merged.last_mut() {
            Some(last) if mark.from_s <= last.to_s => last.to_s = last.to_s.max(mark.to_s),
            _ => merged.push(mark),
        }
    }
    merged
}

/// The logic level in V: a running sum of edges, each spread by the converter's filter.
fn levels(pulse: &PulseSensor, time: &Timebase, marks: &[Mark]) -> Vec<f64> {
    let (idle, swing) =
        if pulse.idle_high { (pulse.height_v, -pulse.height_v) } else { (0.0, pulse.height_v) };
    let mut rises = vec![0.0; time.len()];
    let table = pulse.band_limited.then(EdgeTable::new);
    let mut level = idle;
    for mark in marks {
        for (edge_s, step) in [(mark.from_s, swing), (mark.to_s, -swing)] {
            let position = time.index_at(edge_s);
            match &table {
                Some(table) => table.add(&mut rises, &mut level, position, step),
                None => add_bare(&mut rises, &mut level, position, step),
            }
        }
    }
    rises
        .into_iter()
        .map(|rise| {
            level += rise;
            level
        })
        .collect()
}

/// A step at the first sample at or after `position`.
fn add_bare(rises: &mut [f64], start: &mut f64, position: f64, step: f64) {
    if position <= 0.0 {
        *start += step;
    } else if let Some(rise) = rises.get_mut(position.ceil().min(1e15) as usize) {
        *rise += step;
    }
}

/// Differences from sample to sample of a unit step after an ideal low-pass (a windowed sinc), for
/// fractions of a sample.
struct EdgeTable {
    rise: Vec<Vec<f64>>,
}

impl EdgeTable {
    fn new() -> Self {
        let rise = (0..=FRACTIONS).map(|f| Self::row(f as f64 / FRACTIONS as f64)).collect();
        Self { rise }
    }

    /// For an edge `fraction` of a sample after an instant: the part of the filter's impulse response
    /// that lies between neighbouring samples, by the midpoint rule in 8 parts.
    fn row(fraction: f64) -> Vec<f64> {
        const PARTS: i32 = 8;
        let kernel = |x: f64| {
            let sinc = if x == 0.0 { 2.0 * CUTOFF } else { (TAU * CUTOFF * x).sin() / (TAU * 0.5 * x) };
            let reach = REACH as f64;
            let window = (0.5 * std::f64::consts::PI * (x / reach).clamp(-1.0, 1.0)).cos().powi(2);
            sinc * window
        };
        let row: Vec<f64> = (-REACH..=REACH)
            .map(|k| {
                (0..PARTS)
                    .map(|p| k as f64 - 1.0 + (f64::from(p) + 0.5) / f64::from(PARTS))
                    .map(|x| kernel(x - fraction) / f64::from(PARTS))
                    .sum()
            })
            .collect();
        let total: f64 = row.iter().sum();
        row.into_iter().map(|rise| rise / total).collect()
    }

    fn add(&self, rises: &mut [f64], start: &mut f64, position: f64, step: f64) {
        if !position.is_finite() {
            return;
        }
        let whole = position.floor();
        let fraction = (position - whole) * FRACTIONS as f64;
        let (low, share) = (fraction as usize, fraction.fract());
        let (a, b) = (&self.rise[low], &self.rise[(low + 1).min(FRACTIONS)]);
        for (j, k) in (-REACH..=REACH).enumerate() {
            let rise = step * (a[j] * (1.0 - share) + b[j] * share);
            let index = whole as i64 + k;
            if index < 0 {
                *start += rise;
            } else if let Some(value) = rises.get_mut(index as usize) {
                *value += rise;
            }
        }
    }
}

/// Slow variation of the height.
fn sag(pulse: &PulseSensor, time: &Timebase, signal: &mut [f64], rng: &mut ChaCha8Rng) {
    if pulse.sag_percent <= 0.0 {
        return;
    }
    let phases: [f64; 2] = [rng.random_range(0.0..TAU), rng.random_range(0.0..TAU)];
    for (i, value) in signal.iter_mut().enumerate() {
        let t = time.time_s(i);
        let slow = 0.5 * ((TAU * 0.3 * t + phases[0]).sin() + (TAU * 1.1 * t + phases[1]).sin());
        *value *= 1.0 + pulse.sag_percent / 100.0 * slow;
    }
}

#[cfg(test)]
mod tests {
    use super::super::scenario::{Scenario, SpeedProfile};
    use super::*;
    use rand::SeedableRng;

    /// A constant 987 Hz shaft, its pulses, and the times at which the shaft passes whole turns.
    fn example(pulse: PulseSensor) -> (Vec<f64>, Curve, Timebase) {
        let speed = SpeedProfile {
            wander_percent: 0.0,
            ..SpeedProfile::constant(987.0 * 60.0, 0.5)
        };
        let scenario = Scenario { speed, pulse, ..Scenario::default() };
        let mut rng = ChaCha8Rng::seed_from_u64(3);
        let curve = Curve::new(&scenario.speed, -0.25, &mut rng);
        let time = Timebase::new(&scenario, &curve);
        let signal = render(&scenario.pulse, &curve, &time, 3);
        (signal, curve, time)
    }

    /// Times of crossings of half height in one direction, by straight lines between samples.
    fn crossings(signal: &[f64], time: &Timebase, rising: bool, level: f64) -> Vec<f64> {
        let crossed = |a: f64, b: f64| if rising { a < level && b >= level } else { a > level && b <= level };
        (1..signal.len())
            .filter(|i| crossed(signal[i - 1], signal[*i]))
            .map(|i| time.time_s(i - 1) + (level - signal[i - 1]) / (signal[i] - signal[i - 1]) / time.rate_hz)
            .filter(|t| *t > 0.0)
            .collect()
    }

    fn clean() -> PulseSensor {
        PulseSensor { jitter_us: 0.0, noise_v_rms: 0.0, ..PulseSensor::default() }
    }

    /// Largest distance in µs between crossings and whole turns.
    fn worst_us(pulse: PulseSensor, rising: bool) -> f64 {
        let level = 0.5 * pulse.height_v;
        let (signal, curve, time) = example(pulse);
        let found = crossings(&signal, &time, rising, level);
        assert!((found.len() as i64 - 493).abs() <= 1, "{}", found.len());
        found
            .into_iter()
            .map(|t| 1e6 * (t - curve.time_at_turns(curve.at(t).turns.round()).expect("in range")).abs())
            .fold(0.0, f64::max)
    }

    #[test]
    fn the_stated_edge_passes_at_whole_turns_whichever_it_is() {
        // straight lines between samples 19.5 µs apart are good to a tenth of that
        assert!(worst_us(clean(), true) < 1.5);
        assert!(worst_us(PulseSensor { edge: Edge::Falling, ..clean() }, false) < 1.5);
        let idle_high = PulseSensor { idle_high: true, ..clean() };
        assert!(worst_us(PulseSensor { edge: Edge::Falling, ..idle_high.clone() }, false) < 1.5);
        assert!(worst_us(idle_high, true) < 1.5);
        let bare = PulseSensor { band_limited: false, ..clean() };
        let bare_us = worst_us(bare, true);
        assert!(bare_us > 5.0 && bare_us < 19.6, "{bare_us}");
    }

    #[test]
    fn delay_is_in_the_signal() {
        let late = worst_us(PulseSensor { delay_us: 30.0, ..clean() }, true);
        assert!((late - 30.0).abs() < 1.5, "{late}");
    }

    #[test]
    fn pulses_shorter_than_a_sample_keep_their_area() {
        // 0.2 % of a turn at 987 Hz is a tenth of a sample
        let (signal, _, time) = example(PulseSensor { width: 0.002, ..clean() });
        let mean = signal[time.lead..].iter().sum::<f64>() / (signal.len() - time.lead) as f64;
        assert!((mean / (5.0 * 0.002) - 1.0).abs() < 0.01, "{mean}");
        let top = signal.iter().copied().fold(0.0, f64::max);
        assert!(top > 0.3 && top < 0.6, "{top}");
    }

    #[test]
    fn lost_and_doubled_pulses_are_counted_by_their_share() {
        let count = |pulse: PulseSensor| {
            let (signal, _, time) = example(pulse);
            crossings(&signal, &time, true, 2.5).len()
        };
        let lost = count(PulseSensor { lost_percent: 20.0, ..clean() });
        assert!(lost > 360 && lost < 430, "{lost}");
        let doubled = count(PulseSensor { doubled_percent: 20.0, width: 0.05, ..clean() });
        assert!(doubled > 550 && doubled < 630, "{doubled}");
        let burst = Burst { time_s: 0.2, length_s: 0.05, rate_hz: 4000.0 };
        assert!(count(PulseSensor { burst: Some(burst), ..clean() }) > 530);
        let several = count(PulseSensor { per_turn: 3, uneven_deg: 5.0, width: 0.05, ..clean() });
        assert!((several as i64 - 1480).abs() < 5, "{several}");
    }

    #[test]
    fn an_ac_coupled_pulse_has_no_mean() {
        let (signal, _, time) = example(PulseSensor { corner_hz: Some(10.0), ..clean() });
        let after = &signal[time.lead..];
        let mean = after.iter().sum::<f64>() / after.len() as f64;
        assert!(mean.abs() < 0.05, "{mean}");
        assert!(after.iter().copied().fold(0.0, f64::max) > 4.0);
    }

    #[test]
    fn a_magnet_gives_a_sine_through_zero_at_whole_turns() {
        let magnet = PulseSensor { kind: PulseKind::Magnet, ..clean() };
        let (signal, curve, time) = example(magnet);
        let found = crossings(&signal, &time, true, 0.0);
        for t in found {
            let turns = curve.at(t).turns;
            assert!((turns - turns.round()).abs() < 1e-4);
        }
    }

    use super::super::scenario::Burst;
}
