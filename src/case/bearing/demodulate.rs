//! The envelope spectra of one channel in several bands, shared by all bearings of the machine.

use crate::angle::map::JUDGED_SHARE_OF_RATE;
use crate::dsp::fft::good_length_below;
use crate::recording::Channel;
use crate::spectrum::envelope::Envelope;
use crate::spectrum::envelope_order::{
    OrderEnvelope, OrderEnvelopeConfig, envelope_order_spectrum,
};
use crate::spectrum::record_bins::RecordBins;
use crate::speed::{Knot, Speed, SpeedSource};

use super::shaft;

/// Parts that the usable range is cut into, level by level: a resonance of unknown place and width fills
/// one of them well, and none is narrower than a third octave at the top.
const PARTS: [usize; 3] = [1, 2, 4];
/// Lowest share of the sampling rate used: below lie drift and the first orders.
const LOWEST_SHARE: f64 = 0.005;
/// Lowest order used: the first three of the shaft carry imbalance and misalignment, not ringing.
const LOWEST_ORDER: f64 = 3.0;
/// Least width of a band over the highest defect frequency: three harmonics must fit between carrier
/// and edge for the envelope to rise and fall between impacts.
pub(super) const LEAST_WIDTH: f64 = 3.0;
/// Highest order of the spectra: four times the inner order of a common ball bearing.
const HIGHEST_ORDER: f64 = 22.0;
/// Multiples of the highest defect order that the spectra hold at least, for bearings of many elements.
const LEAST_MULTIPLES: f64 = 2.5;
/// Turns in a block: 0.004 orders of resolution part a cage's sidebands; finer ones would only split
/// lines that slip has broadened already.
const BLOCK_TURNS: f64 = 256.0;
/// Fewest turns that say anything: with fewer a cell of resolution is wider than the slip of a line
/// and masks a tenth of the distance between two harmonics of the shaft.
const LEAST_TURNS: f64 = 40.0;
/// Width of the blocks in which the floor of the record's spectrum is taken, in shaft orders: several
/// harmonics of the shaft, whose lines the median ignores.
const FLOOR_ORDERS: f64 = 8.0;
/// Steps in which the speed is looked through for its slow parts.
const SPEED_STEPS: usize = 2000;
/// Change of speed below which a stated one counts as constant.
const CONSTANT: f64 = 0.002;

/// One band's envelope spectrum.
#[derive(Debug, Clone)]
pub(super) struct Band {
    pub band_hz: [f64; 2],
    pub spectrum: OrderEnvelope,
}

/// All that one channel offers to the search for bearing defects.
#[derive(Debug, Clone)]
pub struct Demodulated {
    /// The bands, widest first.
    pub(super) bands: Vec<Band>,
    /// The signal's own spectrum at the lowest orders, where a merely stated speed is to be refined.
    pub(super) plain: Option<OrderEnvelope>,
    /// Why there is no band, in words.
    pub(super) lacking: Option<String>,
}

impl Demodulated {
    fn lacking(why: String) -> Self {
        Self { bands: Vec::new(), plain: None, lacking: Some(why) }
    }

    /// The bands in Hz, widest first, each with the spectrum of its envelope.
    pub fn spectra(&self) -> impl Iterator<Item = ([f64; 2], &OrderEnvelope)> {
        self.bands.iter().map(|band| (band.band_hz, &band.spectrum))
    }

    /// Demodulates a channel for bearings whose highest inner-race order is `highest_order`.
    ///
    /// Each band is used only where the shaft is slow enough for it to be three times as wide as the
    /// highest defect frequency; a run-up to very high speed thus speaks with its slower part.
    pub(in crate::case) fn of(channel: &Channel, speed: &Speed, highest_order: f64) -> Self {
        let Some(mut bins) = RecordBins::of(channel.values(), channel.rate_hz) else {
            return Self::lacking("the channel is silent or very short".to_owned());
        };
        let start_s = channel.time_s(0.0);
        let covered = covered(channel, speed, &bins);
        let turns = (speed.turns_at(covered[1]) - speed.turns_at(covered[0])).max(0.0);
        if turns < LEAST_TURNS {
            return Self::lacking(format!(
                "the recording holds {turns:.0} turns, and defect lines need {LEAST_TURNS:.0}"
            ));
        }
        let mean_hz = turns / (covered[1] - covered[0]);
        let plain = is_stated(speed)
            .then(|| plain_spectrum(&bins, speed, start_s, turns, mean_hz))
            .flatten();
        bins.flatten_without_lines(FLOOR_ORDERS * mean_hz);
        let mut bands = Vec::new();
        for band_hz in bands_hz(channel.rate_hz, mean_hz) {
            let limit_hz = (band_hz[1] - band_hz[0]) / (LEAST_WIDTH * highest_order);
            let Some(slow) = slow_part(speed, covered, limit_hz) else { continue };
            let envelope = bins.squared_envelope(band_hz);
            if let Some(spectrum) = order_spectrum(&envelope, &slow, start_s, highest_order) {
                bands.push(Band { band_hz: envelope.band_hz, spectrum });
            }
        }
        let lacking = bands.is_empty().then(|| too_fast(channel.rate_hz, mean_hz, highest_order));
        Self { bands, plain, lacking }
    }
}

fn too_fast(rate_hz: f64, mean_hz: f64, highest_order: f64) -> String {
    format!(
        "impacts up to {:.0} Hz need a band three times as wide, and {:.0} samples per second offer {:.0} Hz: \
         record a slower part of the run, or at a higher rate",
        highest_order * mean_hz,
        rate_hz,
        (JUDGED_SHARE_OF_RATE - LOWEST_SHARE) * rate_hz
    )
}

/// The span of time that both the transformed part of the channel and the speed cover.
fn covered(channel: &Channel, speed: &Speed, bins: &RecordBins) -> [f64; 2] {
    let start_s = channel.time_s(0.0) + bins.offset_s();
    let from_s = start_s.max(speed.start_s());
    [from_s, (start_s + bins.duration_s()).min(speed.end_s()).max(from_s)]
}

/// Whether the speed is a figure that somebody stated, and so not quite the true one.
pub(super) fn is_stated(speed: &Speed) -> bool {
    speed.source() == SpeedSource::Stated && speed.is_steady(CONSTANT)
}

fn bands_hz(rate_hz: f64, mean_hz: f64) -> Vec<[f64; 2]> {
    let low = (LOWEST_SHARE * rate_hz).max(LOWEST_ORDER * mean_hz);
    let width = JUDGED_SHARE_OF_RATE * rate_hz - low;
    if width <= 0.0 {
        return Vec::new();
    }
    let level = |parts: usize| {
        let part = width / parts as f64;
        (0..parts).map(move |i| [low + i as f64 * part, low + (i + 1) as f64 * part])
    };
    PARTS.into_iter().flat_map(level).collect()
}

/// The longest part of the run in which the shaft stays at or below `limit_hz`, if it has turns enough.
fn slow_part(speed: &Speed, [from_s, to_s]: [f64; 2], limit_hz: f64) -> Option<Speed> {
    let step_s = (to_s - from_s) / SPEED_STEPS as f64;
    let (mut best, mut start): (Option<[f64; 2]>, Option<f64>) = (None, None);
    for step in 0..=SPEED_STEPS {
        let time_s = from_s + step as f64 * step_s;
        if speed.hz_at(time_s) > limit_hz {
            start = None;
            continue;
        }
        let first = *start.get_or_insert(time_s);
        let turns = |[a, b]: [f64; 2]| speed.turns_at(b) - speed.turns_at(a);
        if best.is_none_or(|b| turns([first, time_s]) > turns(b)) {
            best = Some([first, time_s]);
        }
    }
    let [a, b] = best?;
    if speed.turns_at(b) - speed.turns_at(a) < LEAST_TURNS {
        return None;
    }
    part_of(speed, a, b)
}

fn part_of(speed: &Speed, from_s: f64, to_s: f64) -> Option<Speed> {
    let at =
        |time_s: f64| Knot { time_s, turns: speed.turns_at(time_s), speed_hz: speed.hz_at(time_s) };
    let inside = speed.knots().iter().copied().filter(|k| k.time_s > from_s && k.time_s < to_s);
    let knots = std::iter::once(at(from_s)).chain(inside).chain(std::iter::once(at(to_s)));
    Speed::from_knots(speed.source(), knots.collect(), speed.error_percent).ok()
}

fn order_spectrum(
    envelope: &Envelope,
    speed: &Speed,
    start_s: f64,
    defect_order: f64,
) -> Option<OrderEnvelope> {
    let (from, to) = speed.turns_range();
    let top_hz = speed.range_rpm().1 / 60.0;
    // no order beyond what the band carries at the highest speed is worth resampling for
    let wanted = HIGHEST_ORDER.max(LEAST_MULTIPLES * defect_order);
    let max_order = wanted.min(envelope.bandwidth_hz / top_hz);
    let config = config(max_order, to - from, true);
    envelope_order_spectrum(envelope, speed, start_s, &config).ok()
}

/// Blocks of at most [`BLOCK_TURNS`] that cover the run with half of each overlapped.
fn config(max_order: f64, turns: f64, relative: bool) -> OrderEnvelopeConfig {
    // the whole turns inside may be up to two fewer
    let turns = (turns - 2.0).max(2.0);
    let blocks = (2.0 * turns / BLOCK_TURNS - 1.0).ceil().max(1.0);
    let block_turns = good_length_below((2.0 * turns / (blocks + 1.0)) as usize);
    OrderEnvelopeConfig {
        max_order,
        // a hair above, so that rounding does not lengthen the block
        resolution_orders: (1.0 + 1e-9) / block_turns as f64,
        padding: PADDING,
        relative,
        ..OrderEnvelopeConfig::default()
    }
}

/// Points per cell of resolution: the loss between two points of a Hann window stays below 0.1 dB.
const PADDING: usize = 4;

/// The signal's own spectrum in orders up to the last harmonic of the shaft that refines the speed.
fn plain_spectrum(
    bins: &RecordBins,
    speed: &Speed,
    start_s: f64,
    turns: f64,
    mean_hz: f64,
) -> Option<OrderEnvelope> {
    let top_order = f64::from(shaft::PLAIN_HARMONICS) * (1.0 + 2.0 * shaft::TOLERANCE);
    let (rate_hz, values, offset_s) = bins.below(top_order * mean_hz);
    // the spectrum in orders asks for a signal and its rate alone; here it is the vibration itself
    let signal = Envelope {
        rate_hz,
        offset_s,
        band_hz: [0.0, top_order * mean_hz],
        bandwidth_hz: top_order * mean_hz,
        values,
    };
    let config = config(top_order, turns, false);
    envelope_order_spectrum(&signal, speed, start_s, &config).ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_slow_part_of_a_run_up_ends_at_the_limit() {
        let law = |t: f64| Knot {
            time_s: t,
            turns: 100.0 * t + 50.0 * t * t,
            speed_hz: 100.0 + 100.0 * t,
        };
        let knots = (0..=10).map(|i| law(f64::from(i))).collect();
        let speed = Speed::from_knots(SpeedSource::Pulse, knots, 0.0).expect("rising");
        let slow = slow_part(&speed, [0.0, 10.0], 400.0).expect("enough turns");
        assert!((slow.end_s() - 3.0).abs() < 0.01 && slow.start_s() == 0.0);
        assert!(slow_part(&speed, [0.0, 10.0], 90.0).is_none());
        assert!((slow_part(&speed, [0.0, 10.0], 9e9).expect("all").end_s() - 10.0).abs() < 1e-9);
    }

    #[test]
    fn blocks_cover_the_run() {
        let block = |turns: f64| (1.0 / config(22.0, turns, true).resolution_orders).round();
        assert_eq!(block(258.0), 256.0);
        assert_eq!(block(302.0), 200.0);
        assert!(block(1e5) <= 256.0 && block(1e5) > 240.0);
        assert_eq!(block(42.0), 40.0);
    }

    #[test]
    fn bands_halve_level_by_level() {
        let bands = bands_hz(10_000.0, 10.0);
        assert_eq!(bands.len(), 7);
        assert_eq!(bands[0], [50.0, 4200.0]);
        assert!((bands[2][1] - 4200.0).abs() < 1e-9 && bands[3][0] == 50.0);
    }
}
