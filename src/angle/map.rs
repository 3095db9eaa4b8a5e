//! Order maps: short order spectra over time and speed.

use ndarray::{Array2, ArrayView1, Axis, Slice};
use serde::{Deserialize, Serialize};

use super::resample::{self, AngleSignal, Resampler, Sampled, Turn};
use super::track::Track;
use crate::dsp::fft::{self, Complex32, Complex64};
use crate::dsp::stats;
use crate::dsp::window::{Window, coherent_gain, noise_bandwidth_bins};
use crate::error::Result;
use crate::recording::Channel;
use crate::speed::Speed;

/// Turns per block where the recording is long enough: orders 1/16 apart, so that half orders and
/// sub-synchronous motion stand clear of the first order under a Hann window.
const TURNS_PER_BLOCK: usize = 16;
/// Blocks kept at most; longer recordings take wider steps between blocks.
const MAX_BLOCKS: usize = 2000;
/// Share of the sampling rate above which lines are not judged: there the converter's own filter and
/// folded lines stand.
pub const JUDGED_SHARE_OF_RATE: f64 = 0.42;
/// Independent looks at noise in each block of many: Hann blocks that overlap by half share `(1/6)²` with either
/// neighbour, so that the mean power of n scatters like that of `n / (1 + 2/36)` (P. D. Welch, IEEE Trans. Audio
/// Electroacoust. 15 (1967) 70-73: from memory). In long recordings blocks lie further apart, which makes it 1.
pub const LOOKS_PER_BLOCK: f64 = 18.0 / 19.0;

/// Order spectra of successive blocks of whole turns.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct OrderMap {
    /// Turns in each block.
    pub turns_per_block: usize,
    /// Middle of each block in seconds.
    pub times_s: Vec<f64>,
    /// Mean speed of each block in rpm.
    pub rpm: Vec<f64>,
    /// Phasors, blocks x orders, zero-to-peak in the channel's unit, Hann window.
    pub phasors: Array2<Complex32>,
    /// Sampling rate of the channel in Hz, which bounds the orders at high speed.
    pub source_rate_hz: f64,
    noise_bandwidth_bins: f64,
}

impl OrderMap {
    /// The map of a signal, with overlapping Hann blocks of whole turns.
    ///
    /// A map of one block if there are few turns; a signal holds two at least.
    pub fn of(signal: &AngleSignal) -> Self {
        let n = signal.samples_per_turn;
        let mut maker =
            OrderMapMaker::over(n, signal.turns(), signal.first_turn, signal.source_rate_hz);
        let times = signal.turn_times_s.windows(2);
        for (values, times) in signal.values.chunks_exact(n).zip(times) {
            let (start_s, end_s) = (times[0], times[1]);
            maker.push(Turn { start_s, end_s, values });
        }
        maker.finish()
    }

    /// The map of a channel up to `max_order`; the signal at equal angles is never held as a whole.
    ///
    /// # Errors
    /// As [`Resampler::new`].
    pub fn of_channel(channel: &Channel, speed: &Speed, max_order: f64) -> Result<Self> {
        let n = resample::samples_per_turn_for(max_order);
        let resampler = Resampler::new(Sampled::of(channel), speed, n)?;
        let mut maker = OrderMapMaker::new(&resampler);
        resampler.run(channel.values(), |turn| maker.push(turn));
        Ok(maker.finish())
    }

    /// Distance between neighbouring orders.
    pub fn order_step(&self) -> f64 {
        1.0 / self.turns_per_block as f64
    }

    /// Orders of the columns.
    pub fn orders(&self) -> Vec<f64> {
        (0..self.phasors.ncols()).map(|k| k as f64 * self.order_step()).collect()
    }

    /// The order of the last column, whatever the sampling rate leaves of it.
    pub fn highest_order(&self) -> f64 {
        self.phasors.ncols().saturating_sub(1) as f64 * self.order_step()
    }

    /// Number of blocks.
    pub fn blocks(&self) -> usize {
        self.phasors.nrows()
    }

    /// Equivalent noise bandwidth of a column in orders.
    pub fn noise_bandwidth_orders(&self) -> f64 {
        self.noise_bandwidth_bins * self.order_step()
    }

    /// The highest order judged in a block: what the channel's rate leaves at that speed.
    pub fn judged_order(&self, block: usize) -> f64 {
        let hz = self.rpm.get(block).copied().unwrap_or(0.0) / 60.0;
        let by_rate = JUDGED_SHARE_OF_RATE * self.source_rate_hz / hz.max(f64::MIN_POSITIVE);
        by_rate.min(self.highest_order())
    }

    /// Root-mean-square over all blocks of the zero-to-peak amplitude of each order.
    pub fn order_spectrum(&self) -> Vec<f64> {
        self.mean_over(|_| true)
    }

    /// As [`OrderMap::order_spectrum`], over the blocks whose speed in rpm satisfies `chosen`.
    pub fn order_spectrum_where(&self, chosen: impl Fn(f64) -> bool) -> Vec<f64> {
        self.mean_over(|block| self.rpm.get(block).is_some_and(|&rpm| chosen(rpm)))
    }

    fn mean_over(&self, chosen: impl Fn(usize) -> bool) -> Vec<f64> {
        let mut power = vec![0.0; self.phasors.ncols()];
        let mut count = 0_usize;
        for (block, row) in self.phasors.rows().into_iter().enumerate() {
            if chosen(block) {
                count += 1;
                for (sum, bin) in power.iter_mut().zip(row) {
                    *sum += f64::from(bin.norm_sqr());
                }
            }
        }
        power.iter().map(|p| (p / count.max(1) as f64).sqrt()).collect()
    }

    /// The track of an order (nearest column): amplitude and phase over time and speed.
    ///
    /// Blocks in which the order lies above the judged share of the sampling rate are left out. The
    /// standard error of each phasor is the noise level found between the whole and half orders
    /// around it. `None` where the order is outside the map.
    pub fn track(&self, order: f64) -> Option<Track> {
        let column = (order * self.turns_per_block as f64).round() as usize;
        if column == 0 || column >= self.phasors.ncols() {
            return None;
        }
        let mut track = Track::empty(column as f64 * self.order_step());
        for (block, row) in self.phasors.rows().into_iter().enumerate() {
            if track.order > self.judged_order(block) {
                continue;
            }
            let bin = row.get(column).copied().unwrap_or_default();
            track.times_s.push(self.times_s[block]);
            track.rpm.push(self.rpm[block]);
            track.phasors.push(Complex64::new(bin.re.into(), bin.im.into()));
            track.errors.push(self.noise_around(row, column));
        }
        Some(track)
    }

    /// The local floor under an order spectrum of this map, in its own unit: at each order the median of what
    /// stands around it, whole and half orders left out with the reach of the window.
    pub fn floor_under(&self, spectrum: &[f64]) -> Vec<f64> {
        let floor = |column: usize| {
            let around = self.around(column, spectrum.len());
            let mut values: Vec<f64> = around.filter_map(|k| spectrum.get(k).copied()).collect();
            stats::median_of(&mut values)
        };
        (0..spectrum.len()).map(floor).collect()
    }

    /// Standard error of the real and of the imaginary part of a column, from the median modulus of its
    /// neighbours: the median of a Rayleigh law is 1.1774 of it.
    fn noise_around(&self, row: ArrayView1<Complex32>, column: usize) -> f64 {
        let around = self.around(column, row.len());
        let moduli = around.filter_map(|k| row.get(k).map(|bin| f64::from(bin.norm())));
        stats::median_of(&mut moduli.collect::<Vec<f64>>()) / 1.1774
    }

    /// The columns within an order of one, of so many, whole and half orders left out with the reach of the
    /// window.
    fn around(&self, column: usize, columns: usize) -> impl Iterator<Item = usize> {
        let reach = self.turns_per_block;
        let half = (self.turns_per_block / 2).max(1);
        let clear = move |k: usize| {
            let to_half_order = k % half;
            to_half_order >= 2 && to_half_order + 2 <= half
        };
        let from = column.saturating_sub(reach).max(2);
        (from..(column + reach + 1).min(columns))
            .filter(move |&k| clear(k) || (half < 4 && k.abs_diff(column) > 1))
    }
}

/// Makes a map turn by turn, holding the turns of one block: for recordings of any length.
pub struct OrderMapMaker {
    samples_per_turn: usize,
    first_turn: f64,
    hop: usize,
    blocks: usize,
    /// Turns that came before those held.
    passed: usize,
    held: Vec<f32>,
    /// Starts of the turns held, and the end of the last.
    times_s: Vec<f64>,
    window: Vec<f32>,
    plan: fft::ForwardPlan,
    /// Samples and bins of a block.
    scratch: (Vec<f32>, Vec<Complex32>),
    map: OrderMap,
}

impl OrderMapMaker {
    /// A maker for the turns that a resampler at `samples_per_turn` will give out.
    pub fn new(resampler: &Resampler) -> Self {
        Self::over(
            resampler.samples_per_turn(),
            resampler.turns(),
            resampler.first_turn(),
            resampler.rate_hz(),
        )
    }

    fn over(n: usize, turns: usize, first_turn: f64, source_rate_hz: f64) -> Self {
        let mut turns_per_block = TURNS_PER_BLOCK;
        while turns_per_block > 2 && turns < 4 * turns_per_block {
            turns_per_block /= 2;
        }
        let turns_per_block = turns_per_block.min(turns.max(1));
        let last_start = turns.saturating_sub(turns_per_block);
        let hop = (turns_per_block / 2).max(1).max(last_start.div_ceil(MAX_BLOCKS));
        let blocks = last_start / hop + 1;

        let len = turns_per_block * n;
        let bins = (resample::max_order_of(n) * turns_per_block as f64).floor() as usize + 1;
        let window = Window::Hann.coefficients(len);
        let scale = 2.0 / (len as f64 * coherent_gain(&window));
        let plan = fft::forward_plan_f32(len);
        Self {
            samples_per_turn: n,
            first_turn,
            hop,
            blocks,
            passed: 0,
            held: Vec::with_capacity(len),
            times_s: Vec::new(),
            window: window.iter().map(|&w| (w * scale) as f32).collect(),
            scratch: (plan.make_input_vec(), plan.make_output_vec()),
            plan,
            map: OrderMap {
                turns_per_block,
                times_s: Vec::with_capacity(blocks),
                rpm: Vec::with_capacity(blocks),
                phasors: Array2::zeros((blocks, bins)),
                source_rate_hz,
                noise_bandwidth_bins: noise_bandwidth_bins(&window),
            },
        }
    }

    /// Takes the next turn.
    pub fn push(&mut self, turn: Turn) {
        let block = self.map.times_s.len();
        let index = self.passed + self.held.len() / self.samples_per_turn;
        if block >= self.blocks || index < block * self.hop {
            self.passed += 1; // between two blocks, or after the last
            return;
        }
        if self.held.is_empty() {
            self.times_s.push(turn.start_s);
        }
        self.held.extend_from_slice(turn.values);
        self.times_s.push(turn.end_s);
        if self.times_s.len() == self.map.turns_per_block + 1 {
            self.add_block(block);
            let spent = self.hop.min(self.map.turns_per_block);
            self.held.drain(..spent * self.samples_per_turn);
            self.times_s.drain(..spent);
            if self.held.is_empty() {
                self.times_s.clear();
            }
            self.passed += spent;
        }
    }

    fn add_block(&mut self, block: usize) {
        let mean = stats::mean_f32(&self.held) as f32;
        let (input, output) = &mut self.scratch;
        for ((slot, &x), &w) in input.iter_mut().zip(&self.held).zip(&self.window) {
            *slot = (x - mean) * w;
        }
        let turns = self.map.turns_per_block;
        if self.plan.process(input, output).is_ok() {
            // lengths come from the plan itself: it never fails
            let first_turn = self.first_turn + (block * self.hop) as f64;
            let row = self.map.phasors.row_mut(block);
            for (k, (target, &bin)) in row.into_iter().zip(output.iter()).enumerate() {
                *target = bin * from_block_start(k, turns, first_turn);
            }
        }
        if let (Some(from), Some(to)) = (self.times_s.first(), self.times_s.last()) {
            self.map.rpm.push(60.0 * turns as f64 / (to - from));
            self.map.times_s.push(0.5 * (from + to));
        }
    }

    /// The map of the turns that came.
    pub fn finish(mut self) -> OrderMap {
        // fewer came than were announced where a recording breaks off
        let made = self.map.times_s.len();
        if made < self.blocks {
            self.map.phasors.slice_axis_inplace(Axis(0), Slice::from(..made));
        }
        self.map
    }
}

/// Refers a bin's phase to angle zero instead of the start of its block.
fn from_block_start(bin: usize, turns_per_block: usize, first_turn: f64) -> Complex32 {
    let turns = (bin as f64 * (first_turn / turns_per_block as f64)).fract();
    let shift = Complex64::from_polar(1.0, -std::f64::consts::TAU * turns);
    Complex32::new(shift.re as f32, shift.im as f32)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dsp::segments::effective_averages;
    use crate::dsp::test_noise::Random;
    use std::f64::consts::TAU;

    fn signal(turns: usize, value: impl Fn(f64) -> f64) -> AngleSignal {
        let n = 32;
        AngleSignal {
            samples_per_turn: n,
            first_turn: 5.0,
            values: (0..turns * n).map(|i| value(5.0 + i as f64 / n as f64) as f32).collect(),
            turn_times_s: (0..=turns).map(|t| t as f64 * 0.01).collect(),
            source_rate_hz: 1e6,
        }
    }

    #[test]
    fn amplitude_and_phase_of_orders_whole_and_broken() {
        let map = OrderMap::of(&signal(200, |turns| {
            3.0 * (TAU * turns - 0.5).cos() + 0.2 * (TAU * 2.5 * turns + 1.0).cos()
        }));
        assert_eq!(map.turns_per_block, 16);
        for (order, amplitude, lead) in [(1.0, 3.0, -0.5), (2.5, 0.2, 1.0)] {
            let track = map.track(order).expect("inside the map");
            for phasor in &track.phasors {
                assert!((phasor.norm() - amplitude).abs() < 1e-4 * amplitude.max(1.0));
                assert!((phasor.arg() - lead).abs() < 1e-3);
            }
        }
        assert!((map.rpm[0] - 6000.0).abs() < 1e-6);
        assert!(map.track(0.0).is_none() && map.track(400.0).is_none());
    }

    #[test]
    fn the_stated_error_is_the_scatter_of_the_phasor() {
        let mut random = Random(1);
        let noise: Vec<f64> = (0..2000 * 32).map(|_| random.next()).collect();
        let map = OrderMap::of(&signal(2000, |turns| {
            (TAU * turns).cos() + noise[((turns - 5.0) * 32.0).round() as usize]
        }));
        let track = map.track(1.0).expect("inside");
        let real: Vec<f64> = track.phasors.iter().map(|p| p.re - 1.0).collect();
        let scatter = (real.iter().map(|x| x * x).sum::<f64>() / real.len() as f64).sqrt();
        let stated = stats::median(&track.errors);
        assert!((stated / scatter - 1.0).abs() < 0.15, "{stated} against {scatter}");
    }

    #[test]
    fn a_map_that_breaks_off_holds_what_came() {
        let whole = signal(200, |turns| (TAU * turns).cos());
        let mut maker = OrderMapMaker::over(32, 200, 5.0, 1e6);
        let turns = whole.values.chunks_exact(32).zip(whole.turn_times_s.windows(2)).take(60);
        turns.for_each(|(values, t)| maker.push(Turn { start_s: t[0], end_s: t[1], values }));
        let map = maker.finish();
        assert_eq!((map.blocks(), map.track(1.0).expect("inside").len()), (6, 6));
    }

    #[test]
    fn blocks_that_overlap_by_half_are_nearly_as_many_looks() {
        let many = effective_averages(Window::Hann, 16 * 32, 8 * 32, 100_000);
        assert!((many / 1e5 / LOOKS_PER_BLOCK - 1.0).abs() < 1e-4, "{many}");
    }

    #[test]
    fn few_turns_give_shorter_blocks() {
        assert_eq!(OrderMap::of(&signal(10, |_| 0.0)).turns_per_block, 2);
        assert_eq!(OrderMap::of(&signal(3, |_| 0.0)).blocks(), 2);
    }
}
