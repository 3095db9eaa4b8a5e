//! Spectrum of a squared envelope in orders of the shaft.

use serde::{Deserialize, Serialize};

use super::envelope::Envelope;
use crate::angle::resample::TurnTime;
use crate::dsp::fft::good_length;
use crate::dsp::kernel::{KernelBank, LEAST_OF_CUTOFF, TRANSITION};
use crate::dsp::moments;
use crate::dsp::segments::{Cutter, SegmentTransform, effective_averages};
use crate::dsp::window::Window;
use crate::error::{Error, Result};
use crate::speed::Speed;

/// Points per turn over the highest order. Whatever the kernel still passes above the highest order
/// ends at `(1 + T) / (1 - T)` of it, and at a little more because the cut-off comes in steps; it is folded
/// to places above the highest order.
const POINTS_PER_ORDER: f64 = 1.0 + (1.0 + TRANSITION) / (1.0 - TRANSITION) / LEAST_OF_CUTOFF;
/// Fewest turns that one block may hold.
const LEAST_TURNS: usize = 8;

/// How an envelope spectrum in orders is made.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct OrderEnvelopeConfig {
    /// Highest order kept; default 22. The axis ends before where even at the lowest speed the
    /// demodulated band is narrower than that.
    pub max_order: f64,
    /// Wanted distance of lines in orders: a block lasts the next longer 7-smooth number of turns over
    /// one over this. Default 1/256. Shorter recordings make one block of what there is.
    pub resolution_orders: f64,
    /// Overlap of the blocks, 0 to 0.95; default 0.5.
    pub overlap: f64,
    /// Points of the axis per resolution, 1 to 16: blocks are padded with zeros to that multiple of
    /// their length. Default 1.
    pub padding: usize,
    /// Whether each block is divided by its own mean, so that values are depths of modulation and a
    /// run-up's loud end does not outweigh the rest; default true.
    pub relative: bool,
}

impl Default for OrderEnvelopeConfig {
    fn default() -> Self {
        Self {
            max_order: 22.0,
            resolution_orders: 1.0 / 256.0,
            overlap: 0.5,
            padding: 1,
            relative: true,
        }
    }
}

impl OrderEnvelopeConfig {
    fn check(&self) -> Result<()> {
        let refuse = |name: &str, value: f64, mend: &str| {
            Err(Error::setting(name, format!("{value} is out of range"), mend))
        };
        if !(self.max_order > 0.0 && self.max_order <= 10_000.0) {
            return refuse("max_order", self.max_order, "choose above 0 and up to 10000");
        }
        if !(self.resolution_orders >= 1e-6 && self.resolution_orders <= 0.125) {
            return refuse("resolution_orders", self.resolution_orders, "choose 1e-6 to 0.125");
        }
        if !(0.0..=0.95).contains(&self.overlap) {
            return refuse("overlap", self.overlap, "choose 0 to 0.95");
        }
        if !(1..=16).contains(&self.padding) {
            return refuse("padding", self.padding as f64, "choose 1 to 16");
        }
        Ok(())
    }
}

/// Averaged spectrum of a squared envelope in orders, one-sided, from order 0 on.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct OrderEnvelope {
    /// Distance of the values in orders.
    pub order_step: f64,
    /// Mean over the blocks of the squared zero-to-peak amplitude of the envelope's modulation,
    /// `(2 abs(X) / Σw)²` under a Hann window; with `relative` over the squared mean of the block, so the
    /// root is the depth of modulation; else in the samples' unit to the fourth.
    pub values: Vec<f32>,
    /// Turns per block: lines are about two over this wide.
    pub turns_per_block: usize,
    /// Blocks averaged.
    pub averages: usize,
    /// Independent blocks that would scatter as little.
    pub effective_averages: f64,
    /// Equivalent noise bandwidth in orders: 1.5 over the turns per block.
    pub noise_bandwidth_orders: f64,
    /// Highest order that the demodulated band carries unchanged at the highest speed met.
    pub valid_to_order: f64,
    /// Mean squared envelope over the blocks, in the samples' unit squared.
    pub mean: f64,
    /// Turns per second, mean over the turns used.
    pub speed_hz: f64,
    /// The demodulated band in Hz.
    pub band_hz: [f64; 2],
}

impl OrderEnvelope {
    /// Order of value `index`.
    pub fn order(&self, index: usize) -> f64 {
        index as f64 * self.order_step
    }

    /// Index of the value nearest to an order; `None` beyond half a step outside the axis.
    pub fn index_of(&self, order: f64) -> Option<usize> {
        let index = (order / self.order_step).round();
        (index >= 0.0 && index < self.values.len() as f64).then_some(index as usize)
    }
}

/// The spectrum of `envelope` in orders of `speed`.
///
/// `start_s` is the recording's time of the first sample of the signal that the envelope was made from
/// ([`Channel::time_s`](crate::recording::Channel::time_s) of 0). The envelope is resampled at equal
/// shaft angle over the whole turns that both it and the speed cover; the resampling kernel is at the
/// same time the low-pass filter, with a cut-off that follows the speed, so nothing is folded onto the
/// orders kept, at any speed. Within a turn the angle runs smoothly between its two ends. Blocks of whole
/// turns are averaged under a Hann window.
///
/// # Errors
/// [`Error::Setting`] where the configuration is out of range; [`Error::TooLittle`] where speed and
/// envelope share fewer than eight turns.
pub fn envelope_order_spectrum(
    envelope: &Envelope,
    speed: &Speed,
    start_s: f64,
    config: &OrderEnvelopeConfig,
) -> Result<OrderEnvelope> {
    config.check()?;
    let first_s = start_s + envelope.offset_s;
    let last_s = first_s + (envelope.values.len().max(1) - 1) as f64 / envelope.rate_hz;
    let first_turn = speed.turns_at(first_s.max(speed.start_s())).ceil();
    let last_turn = speed.turns_at(last_s.min(speed.end_s())).floor();
    let turns = (last_turn - first_turn).max(0.0) as usize;
    if turns < LEAST_TURNS {
        return Err(Error::too_little(
            "an envelope spectrum in orders",
            format!("{LEAST_TURNS} turns of known speed"),
            format!("{turns}"),
        ));
    }
    let (low_hz, top_hz) = speed_range_hz(speed, first_turn, turns);
    // beyond the band's own width there is nothing at any speed
    let max_order = config.max_order.min(1.2 * envelope.bandwidth_hz / low_hz);
    let slow = envelope.decimated(max_order * top_hz);
    let mut resampler = Resampler {
        envelope: &slow,
        speed,
        first_s,
        points: good_length((POINTS_PER_ORDER * max_order).ceil() as usize),
        max_order,
        kernel: KernelBank::new(),
    };
    let block_turns = good_length((1.0 / config.resolution_orders).ceil() as usize);
    let block_turns = block_turns.min(turns);
    let mut average = BlockAverage::new(block_turns, resampler.points, max_order, config);
    let mut turn_values = Vec::with_capacity(resampler.points);
    for turn in 0..turns {
        resampler.turn(first_turn + turn as f64, &mut turn_values);
        average.push(&turn_values);
    }
    let seconds = speed.time_at_turns(first_turn + turns as f64) - speed.time_at_turns(first_turn);
    Ok(OrderEnvelope {
        valid_to_order: envelope.bandwidth_hz / top_hz,
        speed_hz: turns as f64 / seconds,
        band_hz: envelope.band_hz,
        ..average.finish()?
    })
}

/// Lowest and highest speed over the whole turns used, in Hz.
fn speed_range_hz(speed: &Speed, first_turn: f64, turns: usize) -> (f64, f64) {
    let from_s = speed.time_at_turns(first_turn);
    let to_s = speed.time_at_turns(first_turn + turns as f64);
    let ends = [speed.hz_at(from_s), speed.hz_at(to_s)];
    let knots = speed.knots().iter().filter(|k| k.time_s >= from_s && k.time_s <= to_s);
    let speeds = knots.map(|k| k.speed_hz).chain(ends).map(|hz| hz.max(1e-9));
    speeds.fold((f64::INFINITY, 0.0), |(low, top), hz| (low.min(hz), top.max(hz)))
}

/// Takes the envelope at equal angles.
struct Resampler<'a> {
    envelope: &'a Envelope,
    speed: &'a Speed,
    first_s: f64,
    points: usize,
    max_order: f64,
    kernel: KernelBank,
}

impl Resampler<'_> {
    /// Fills `values` with the envelope at the equal angles of one turn.
    fn turn(&mut self, turn: f64, values: &mut Vec<f32>) {
        let (from_s, to_s) = (self.speed.time_at_turns(turn), self.speed.time_at_turns(turn + 1.0));
        let turn = TurnTime::between(self.speed, from_s, to_s);
        let rate_hz = self.envelope.rate_hz;
        let kept = (1.0 - TRANSITION) * LEAST_OF_CUTOFF;
        let cutoff = (2.0 * self.max_order / turn.span_s / (kept * rate_hz)).min(1.0);
        let kernel = self.kernel.table(cutoff);
        values.clear();
        for point in 0..self.points {
            let time_s = turn.at(point as f64 / self.points as f64);
            let position = (time_s - self.first_s) * rate_hz;
            values.push(kernel.at(&self.envelope.values, position));
        }
    }
}

/// Averages the squared spectra of blocks of turns.
struct BlockAverage {
    transform: SegmentTransform,
    cutter: Cutter,
    hop: usize,
    block_turns: usize,
    points: usize,
    relative: bool,
    sums: Vec<f64>,
    mean_sum: f64,
    averages: usize,
}

impl BlockAverage {
    fn new(
        block_turns: usize,
        points: usize,
        max_order: f64,
        config: &OrderEnvelopeConfig,
    ) -> Self {
        let len = block_turns * points;
        let hop = ((len as f64 * (1.0 - config.overlap)).round() as usize).max(1);
        let padded = good_length(len * config.padding);
        let step = points as f64 / padded as f64;
        let kept = ((max_order / step).floor() as usize + 1).min(padded / 2 + 1);
        Self {
            transform: SegmentTransform::new(Window::Hann, len, padded, true),
            cutter: Cutter::new(len, hop),
            hop,
            block_turns,
            points,
            relative: config.relative,
            sums: vec![0.0; kept],
            mean_sum: 0.0,
            averages: 0,
        }
    }

    fn push(&mut self, values: &[f32]) {
        let Self { transform, cutter, sums, mean_sum, averages, relative, .. } = self;
        cutter.push(values, |block| {
            let mean = moments::mean(block);
            let scale = if *relative { mean.max(f64::MIN_POSITIVE).powi(-2) } else { 1.0 };
            // a silent block has no modulation
            let scale = if scale.is_finite() { scale } else { 0.0 };
            for (sum, bin) in sums.iter_mut().zip(transform.bins_of(block)) {
                *sum += f64::from(bin.norm_sqr()) * scale;
            }
            *mean_sum += mean;
            *averages += 1;
        });
    }

    fn finish(self) -> Result<OrderEnvelope> {
        if self.averages == 0 {
            return Err(Error::Bug("no block of turns was full".into()));
        }
        let count = self.averages as f64;
        let value = |(k, sum): (usize, &f64)| {
            // twice the one-sided mean square is the squared amplitude
            (2.0 * self.transform.power_factor(k) * sum / count) as f32
        };
        let len = self.transform.segment_len();
        Ok(OrderEnvelope {
            order_step: self.points as f64 / self.transform.transform_len() as f64,
            values: self.sums.iter().enumerate().map(value).collect(),
            turns_per_block: self.block_turns,
            averages: self.averages,
            effective_averages: effective_averages(Window::Hann, len, self.hop, self.averages),
            noise_bandwidth_orders: self.transform.noise_bandwidth_hz(self.points as f64),
            valid_to_order: 0.0,
            mean: self.mean_sum / count,
            speed_hz: 0.0,
            band_hz: [0.0; 2],
        })
    }
}

#[cfg(test)]
mod tests {
    use std::f64::consts::TAU;

    use super::*;
    use crate::speed::{Knot, SpeedSource};

    const RATE_HZ: f64 = 2000.0;

    /// Turns on a ramp from 20 to 20 + 2 `half` t turns per second.
    fn turns(t: f64, half: f64) -> f64 {
        20.0 * t + half * t * t
    }

    fn ramp(half: f64, end_s: f64) -> Speed {
        let knot = |i: i32| {
            let t = end_s * f64::from(i) / 40.0;
            Knot { time_s: t + 100.0, turns: turns(t, half), speed_hz: 20.0 + 2.0 * half * t }
        };
        Speed::from_knots(SpeedSource::Pulse, (0..=40).map(knot).collect(), 0.0).expect("rising")
    }

    /// Mean 5, 30 % at order 3.57 and a strong modulation at order 15, above what is kept; on a ramp it
    /// passes every place where it could be folded.
    fn envelope(half: f64, end_s: f64) -> Envelope {
        let value = |t: f64| {
            let angle = TAU * turns(t, half);
            5.0 + 1.5 * (3.57 * angle).cos() + 4.0 * (15.0 * angle + 1.0).sin()
        };
        let n = (end_s * RATE_HZ) as usize;
        Envelope {
            rate_hz: RATE_HZ,
            offset_s: 0.0,
            band_hz: [1000.0, 1800.0],
            bandwidth_hz: 800.0,
            values: (0..n).map(|i| value(i as f64 / RATE_HZ) as f32).collect(),
        }
    }

    fn config(padding: usize) -> OrderEnvelopeConfig {
        OrderEnvelopeConfig {
            max_order: 8.0,
            resolution_orders: 0.01,
            padding,
            ..OrderEnvelopeConfig::default()
        }
    }

    #[test]
    fn modulation_depth_is_met_on_a_ramp_and_nothing_is_folded() {
        for half in [0.0, 0.7] {
            let found = envelope_order_spectrum(
                &envelope(half, 20.0),
                &ramp(half, 20.0),
                100.0,
                &config(4),
            )
            .expect("enough turns");
            assert_eq!(found.turns_per_block, 100);
            let peak = found.index_of(3.57).expect("kept");
            let depth = f64::from(found.values[peak]).sqrt();
            assert!((depth - 0.3).abs() < 3e-3, "{half}: {depth}");
            assert!((found.mean - 5.0).abs() < 0.02);
            let rest = (0..found.values.len())
                .filter(|&i| found.order(i) > 0.05 && (found.order(i) - 3.57).abs() > 0.1)
                .map(|i| found.values[i].sqrt())
                .fold(0.0, f32::max);
            assert!(rest < 2e-3, "{half}: {rest}");
            let top_hz = 20.0 + 40.0 * half;
            assert!((found.valid_to_order * top_hz / 800.0 - 1.0).abs() < 0.01);
            assert!((found.order(found.values.len() - 1) - 8.0).abs() < 0.01);
        }
    }

    #[test]
    fn absolute_values_and_short_recordings() {
        let absolute = OrderEnvelopeConfig { relative: false, ..config(1) };
        let found = envelope_order_spectrum(&envelope(0.0, 2.5), &ramp(0.0, 2.5), 100.0, &absolute);
        let found = found.expect("enough turns");
        // 50 turns at most, cut to whole ones inside; one block of what there is
        assert_eq!(found.averages, 1);
        assert!((48..=50).contains(&found.turns_per_block));
        let sum: f32 = (0..found.values.len())
            .filter(|&i| (found.order(i) - 3.57).abs() < 0.2)
            .map(|i| found.values[i])
            .sum();
        // the line's power over the noise bandwidth in steps
        let amplitude = (f64::from(sum) * found.order_step / found.noise_bandwidth_orders).sqrt();
        assert!((amplitude - 1.5).abs() < 0.01, "{amplitude}");
        assert!((found.speed_hz - 20.0).abs() < 1e-6);
    }

    #[test]
    fn refuses_what_has_too_few_turns() {
        let run = |start_s: f64, config: &OrderEnvelopeConfig| {
            envelope_order_spectrum(&envelope(0.0, 2.0), &ramp(0.0, 2.0), start_s, config)
        };
        assert!(matches!(run(103.0, &config(1)), Err(Error::TooLittle { .. })));
        assert!(run(100.0, &OrderEnvelopeConfig { padding: 0, ..config(1) }).is_err());
        assert!(run(100.0, &OrderEnvelopeConfig { max_order: f64::NAN, ..config(1) }).is_err());
        assert!(run(100.0, &config(1)).is_ok());
    }
}
