//! Short transforms at wanted places, and the products of each carrier with those below it.

use super::Rhythm;
use crate::dsp::fft::{Complex32, Complex64};
use crate::dsp::segments::SegmentTransform;
use crate::dsp::window::Window;

/// Carrier distances by which a product reaches beyond the cyclic axis on its two sides together: a Hann
/// window's two on either side of each of two components.
pub(super) const SKIRTS: f64 = 8.0;
/// Products beyond the cyclic axis, in carrier distances, that still belong to lines on it: the squared window's
/// own spectrum ends there.
const REACH: usize = 3;

/// Short transforms of samples about places given as angles.
pub(super) struct Frames<'a> {
    samples: &'a [f32],
    rate_hz: f64,
    rhythm: Rhythm<'a>,
    highest: f64,
    transform: SegmentTransform,
    /// Bins referred to the phase of the window's middle.
    bins: Vec<Complex64>,
    /// Sums of the bins from the lowest negative one on, zero first.
    running: Vec<Complex64>,
    /// Carriers below each that count as its partners.
    partners: usize,
    /// Sum of the angle's rates, and how many.
    rates: (f64, usize),
}

impl<'a> Frames<'a> {
    /// Windows of `window_len` samples (even), for cyclic lines up to `highest`.
    pub fn new(
        samples: &'a [f32],
        rate_hz: f64,
        rhythm: Rhythm<'a>,
        window_len: usize,
        highest: f64,
    ) -> Self {
        Self {
            samples,
            rate_hz,
            rhythm,
            highest,
            transform: SegmentTransform::new(Window::Hann, window_len, window_len, false),
            bins: Vec::new(),
            running: Vec::new(),
            partners: 0,
            rates: (0.0, 0),
        }
    }

    /// Distance of carriers in Hz.
    pub fn carrier_hz(&self) -> f64 {
        self.rate_hz / self.transform.segment_len() as f64
    }

    /// Sum of the window's squared coefficients.
    pub fn window_squares(&self) -> f64 {
        self.transform.window_squares
    }

    /// Factor from the weighted mean of products to the scale of the power of a carrier. The window's spectra at
    /// all partners add up to its middle value, 1, times its length.
    pub fn to_spectrum(&self) -> f64 {
        self.transform.window_squares / self.transform.segment_len() as f64
    }

    /// Mean rate of the angle per second over the windows of this block.
    pub fn mean_hz(&self) -> f64 {
        self.rates.0 / self.rates.1.max(1) as f64
    }

    /// Forgets the windows of the block before.
    pub fn begin_block(&mut self) {
        self.rates = (0.0, 0);
    }

    /// Transforms the window whose middle stands at an angle; returns the samples to the next, one `step` of
    /// angle on.
    pub fn at(&mut self, angle: f64, step: f64) -> f64 {
        let (time_s, angle_hz) = self.rhythm.at(angle);
        let len = self.transform.segment_len();
        let middle = time_s * self.rate_hz;
        let last = self.samples.len().saturating_sub(len);
        let first = (middle - 0.5 * len as f64).round().clamp(0.0, last as f64) as usize;
        let bins = match self.samples.get(first..first + len) {
            Some(segment) => self.transform.bins_of(segment),
            None => &[],
        };
        // the phase that each bin has in the middle of the window, to a fraction of a sample
        let turn = std::f64::consts::TAU * (middle - first as f64) / len as f64;
        let unit = Complex64::from_polar(1.0, turn);
        let mut phase = Complex64::new(1.0, 0.0);
        self.bins.clear();
        for bin in bins {
            self.bins.push(Complex64::new(bin.re.into(), bin.im.into()) * phase);
            phase *= unit;
        }
        self.sum_up();
        let cyclic_hz = self.highest * angle_hz;
        self.partners = (cyclic_hz / self.carrier_hz()).ceil() as usize + REACH;
        self.rates = (self.rates.0 + angle_hz, self.rates.1 + 1);
        step / angle_hz * self.rate_hz
    }

    fn sum_up(&mut self) {
        self.running.clear();
        self.running.push(Complex64::default());
        let mut sum = Complex64::default();
        // a real signal's bins below zero are the conjugates of those above
        let below = self.bins.iter().skip(1).rev().skip(1).map(Complex64::conj);
        for bin in below.chain(self.bins.iter().copied()) {
            sum += bin;
            self.running.push(sum);
        }
    }

    /// For each carrier its product with the conjugates of its partners, and its power.
    pub fn products(&self) -> impl Iterator<Item = (Complex32, f32)> {
        // place of bin 0 among the sums: the bins from minus half on stand before it
        let zero = self.bins.len().saturating_sub(2);
        let end = self.running.len() - 1;
        self.bins.iter().enumerate().map(move |(k, bin)| {
            let from = (zero + k).saturating_sub(self.partners).min(end);
            let to = (zero + k + 1 + REACH).min(end);
            let product = bin * (self.running[to] - self.running[from]).conj();
            (Complex32::new(product.re as f32, product.im as f32), bin.norm_sqr() as f32)
        })
    }
}
