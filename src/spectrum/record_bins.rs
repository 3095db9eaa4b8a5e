//! The spectrum of a whole record, flattened, freed of lines and cut into bands: one forward transform
//! serves the squared envelopes of any number of bands.

use crate::dsp::fft::{
    Complex32, forward_f32, good_length_below, inverse_complex_f32, inverse_f32,
};
use crate::dsp::moments;
use crate::dsp::stats;

use super::envelope::Envelope;

/// Most samples transformed at once, about 160 s at 51.2 kHz; of longer records the middle is taken.
/// It bounds the memory, and holds more turns than an averaged spectrum of impacts needs.
const MOST_SAMPLES: usize = 1 << 23;
/// Height over the local median modulus above which a bin counts as part of a line. The modulus of a
/// bin of Gaussian noise exceeds it once in 500 (Rayleigh distribution, 2^-9).
const LINE_OVER_MEDIAN: f32 = 3.0;
/// Fewest bins of a block in which the median is taken.
const LEAST_BLOCK: usize = 9;

/// Bins of a record from zero to half the rate.
#[derive(Debug, Clone)]
pub struct RecordBins {
    bins: Vec<Complex32>,
    len: usize,
    rate_hz: f64,
    offset_s: f64,
}

impl RecordBins {
    /// Transforms the record (at most its middle 2²³ samples), its mean removed; `None` where it has
    /// fewer than 64 samples or does not vary.
    pub fn of(samples: &[f32], rate_hz: f64) -> Option<Self> {
        if samples.len() < 64 {
            return None;
        }
        let len = good_length_below(samples.len().min(MOST_SAMPLES));
        let from = if samples.len() > MOST_SAMPLES { (samples.len() - len) / 2 } else { 0 };
        let mut part = samples.get(from..from + len)?.to_vec();
        let mean = moments::mean(&part) as f32;
        part.iter_mut().for_each(|x| *x -= mean);
        if part.iter().all(|x| *x == 0.0) {
            return None;
        }
        let bins = forward_f32(&mut part);
        Some(Self { bins, len, rate_hz, offset_s: from as f64 / rate_hz })
    }

    /// Distance of bins in Hz.
    pub fn bin_hz(&self) -> f64 {
        self.rate_hz / self.len as f64
    }

    /// Where the transformed part begins, in seconds after the first sample.
    pub fn offset_s(&self) -> f64 {
        self.offset_s
    }

    /// Length of the record transformed, in seconds.
    pub fn duration_s(&self) -> f64 {
        self.len as f64 / self.rate_hz
    }

    /// Divides every bin by the local floor, the median modulus of blocks of `width_hz`, interpolated
    /// between their centres; bins of lines (over three floors) are brought down to the floor.
    ///
    /// Lines of shaft, gears and mains are narrow and go; impacts spread over a whole resonance and
    /// stay. Flattening lets every part of a band speak with the same voice.
    pub fn flatten_without_lines(&mut self, width_hz: f64) {
        let block = ((width_hz / self.bin_hz()) as usize).clamp(LEAST_BLOCK, self.bins.len());
        let floors = block_floors(&self.bins, block);
        for (index, bin) in self.bins.iter_mut().enumerate() {
            let floor = between_centres(&floors, block, index);
            let height = bin.norm_sqr() / (floor * floor);
            if height > LINE_OVER_MEDIAN * LINE_OVER_MEDIAN {
                *bin *= 1.0 / (floor * height.sqrt());
            } else {
                *bin *= 1.0 / floor;
            }
        }
    }

    /// The squared envelope of the bins that lie in a band, at as many points as it has bins.
    ///
    /// At this rate modulations above half the band's width are folded below it; they are the weaker
    /// ones, and a band is chosen wide enough to hold the lines looked for below that half.
    pub fn squared_envelope(&self, band_hz: [f64; 2]) -> Envelope {
        let [low, high] = band_hz.map(|hz| (hz / self.bin_hz()).round().max(0.0) as usize);
        let width = good_length_below(high.saturating_sub(low)).min(self.bins.len());
        let low = low.min(self.bins.len() - width);
        let mut band = self.bins.get(low..low + width).unwrap_or(&[]).to_vec();
        inverse_complex_f32(&mut band);
        let width_hz = width as f64 * self.bin_hz();
        Envelope {
            rate_hz: width_hz,
            offset_s: self.offset_s,
            band_hz: [low as f64 * self.bin_hz(), low as f64 * self.bin_hz() + width_hz],
            bandwidth_hz: 0.5 * width_hz,
            values: band.iter().map(|z| z.norm_sqr()).collect(),
        }
    }

    /// The signal itself up to `top_hz`, at four times that rate or the next higher one; the rate, the
    /// values (in an arbitrary unit), and the time of the first after the record's start in seconds.
    pub fn below(&self, top_hz: f64) -> (f64, Vec<f32>, f64) {
        let kept = ((top_hz / self.bin_hz()) as usize + 1).clamp(2, self.bins.len());
        let len = crate::dsp::fft::good_length(4 * kept);
        let mut bins = vec![Complex32::default(); len / 2 + 1];
        let common = kept.min(bins.len());
        bins[..common].copy_from_slice(&self.bins[..common]);
        (len as f64 * self.bin_hz(), inverse_f32(&mut bins, len), self.offset_s)
    }
}

fn block_floors(bins: &[Complex32], block: usize) -> Vec<f32> {
    let mut scratch = Vec::with_capacity(block);
    let floor_of = |part: &[Complex32]| {
        scratch.clear();
        scratch.extend(part.iter().map(|bin| f64::from(bin.norm_sqr())));
        stats::median_of(&mut scratch).sqrt() as f32
    };
    let mut floors: Vec<f32> = bins.chunks_exact(block).map(floor_of).collect();
    // where a converter's filter has left nothing, nothing is raised to life
    let least = floors.iter().copied().fold(0.0, f32::max) * 1e-6;
    floors.iter_mut().for_each(|floor| *floor = floor.max(least).max(f32::MIN_POSITIVE));
    floors
}

/// Value of `index` on the line between the centres of blocks; constant beyond the outer ones.
fn between_centres(floors: &[f32], block: usize, index: usize) -> f32 {
    let place = (index as f32 / block as f32 - 0.5).max(0.0);
    let from = (place as usize).min(floors.len() - 1);
    let to = (from + 1).min(floors.len() - 1);
    let share = (place - from as f32).min(1.0);
    floors[from] + (floors[to] - floors[from]) * share
}

#[cfg(test)]
mod tests {
    use std::f64::consts::TAU;

    use rand::SeedableRng;
    use rand_distr::{Distribution, StandardNormal};

    use super::*;

    const RATE_HZ: f64 = 10_000.0;

    fn noise(n: usize) -> Vec<f32> {
        let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(3);
        (0..n).map(|_| StandardNormal.sample(&mut random)).collect()
    }

    #[test]
    fn lines_go_and_noise_comes_out_level() {
        let mut samples = noise(40_000);
        for (i, x) in samples.iter_mut().enumerate() {
            *x += 50.0 * (TAU * 1000.0 * i as f64 / RATE_HZ).sin() as f32;
        }
        let mut bins = RecordBins::of(&samples, RATE_HZ).expect("long enough");
        bins.flatten_without_lines(200.0);
        let power = |band: [f64; 2]| {
            let envelope = bins.squared_envelope(band);
            // the sum over bins is the mean of the unscaled transform
            moments::mean(&envelope.values) / envelope.values.len() as f64
        };
        let (with_line, without) = (power([900.0, 1100.0]), power([3000.0, 3200.0]));
        assert!((with_line / without - 1.0).abs() < 0.1, "{with_line} {without}");
        // the mean square over the squared median of a Rayleigh distribution, less what is cut
        assert!((without * std::f64::consts::LN_2 - 1.0).abs() < 0.1, "{without}");
    }

    #[test]
    fn a_modulated_carrier_gives_its_envelope() {
        let modulation = |t: f64| 1.0 + 0.5 * (TAU * 20.0 * t).cos();
        let time_s = |i: usize| i as f64 / RATE_HZ;
        let samples: Vec<f32> = (0..20_000)
            .map(|i| (modulation(time_s(i)) * (TAU * 3000.0 * time_s(i)).cos()) as f32)
            .collect();
        let bins = RecordBins::of(&samples, RATE_HZ).expect("long enough");
        let envelope = bins.squared_envelope([2500.0, 3500.0]);
        assert!((envelope.rate_hz - 1000.0).abs() < 10.0);
        let scale = (0.5 * 20_000.0_f64).powi(-2);
        for (i, value) in envelope.values.iter().enumerate().skip(100).take(1500) {
            let exact = modulation(i as f64 / envelope.rate_hz).powi(2);
            assert!((f64::from(*value) * scale - exact).abs() < 0.01, "{i}");
        }
    }

    #[test]
    fn silence_and_scraps_have_no_spectrum() {
        assert!(RecordBins::of(&[1.0; 1000], RATE_HZ).is_none());
        assert!(RecordBins::of(&noise(10), RATE_HZ).is_none());
        let (rate_hz, values, _) =
            RecordBins::of(&noise(1000), RATE_HZ).expect("noise").below(100.0);
        assert!(rate_hz >= 400.0 && !values.is_empty());
    }
}
