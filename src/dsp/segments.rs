//! Segments of a signal under a window, transformed: the engine of all averages here.

use std::sync::Arc;

use realfft::RealToComplex;

use super::fft::{Complex32, forward_plan_f32};
use super::moments;
use super::window::Window;

/// Transforms segments of one length, in single precision; holds the window, the plan and the scratch memory.
pub struct SegmentTransform {
    window: Vec<f32>,
    remove_mean: bool,
    plan: Arc<dyn RealToComplex<f32>>,
    work: Vec<f32>,
    bins: Vec<Complex32>,
    scratch: Vec<Complex32>,
    /// Sum of the window's coefficients.
    pub window_sum: f64,
    /// Sum of their squares.
    pub window_squares: f64,
}

impl SegmentTransform {
    /// For segments of `len` samples, padded with zeros to `padded` (at least `len`).
    pub fn new(window: Window, len: usize, padded: usize, remove_mean: bool) -> Self {
        let coefficients = window.coefficients(len);
        let plan = forward_plan_f32(padded.max(len));
        Self {
            window_sum: coefficients.iter().sum(),
            window_squares: coefficients.iter().map(|w| w * w).sum(),
            window: coefficients.iter().map(|&w| w as f32).collect(),
            remove_mean,
            work: plan.make_input_vec(),
            bins: plan.make_output_vec(),
            scratch: plan.make_scratch_vec(),
            plan,
        }
    }

    /// Length of a segment in samples.
    pub fn segment_len(&self) -> usize {
        self.window.len()
    }

    /// Length of the transform in samples.
    pub fn transform_len(&self) -> usize {
        self.work.len()
    }

    /// Bins of the windowed segment, unscaled; `segment` holds [`Self::segment_len`] samples.
    pub fn bins_of(&mut self, segment: &[f32]) -> &[Complex32] {
        let mean = if self.remove_mean { moments::mean(segment) as f32 } else { 0.0 };
        let (head, padding) = self.work.split_at_mut(self.window.len());
        for ((y, &x), &w) in head.iter_mut().zip(segment).zip(&self.window) {
            *y = (x - mean) * w;
        }
        padding.fill(0.0);
        let done =
            self.plan.process_with_scratch(&mut self.work, &mut self.bins, &mut self.scratch);
        // every length comes from the plan itself, so this cannot fail; no answer is better than a wrong one
        if done.is_err() {
            self.bins.fill(Complex32::new(f32::NAN, f32::NAN));
        }
        &self.bins
    }

    /// Factor from the squared modulus of bin `index` to a one-sided mean square, `2 / (Σw)²`; half of
    /// that for the bins without a mirror image.
    pub fn power_factor(&self, index: usize) -> f64 {
        let n = self.transform_len();
        let lone = index == 0 || (n.is_multiple_of(2) && index == n / 2);
        (if lone { 1.0 } else { 2.0 }) / (self.window_sum * self.window_sum)
    }

    /// Equivalent noise bandwidth in Hz, `rate Σw² / (Σw)²`.
    pub fn noise_bandwidth_hz(&self, rate_hz: f64) -> f64 {
        rate_hz * self.window_squares / (self.window_sum * self.window_sum)
    }
}

/// Number of independent segments that scatter like `averages` segments taken every `hop` samples:
/// `K / (1 + 2 Σ (1 - m/K) ρ(m))` with the squared correlation ρ of the window with itself moved by
/// `m` hops (Welch, IEEE Trans. Audio Electroacoust. 15 (1967) 70-73, for white noise).
pub fn effective_averages(window: Window, len: usize, hop: usize, averages: usize) -> f64 {
    if averages < 2 || hop >= len {
        return averages as f64;
    }
    // the shape of a window does not depend on its length: a thousand points are plenty
    let points = len.min(1024);
    let shape = window.coefficients(points);
    let squares: f64 = shape.iter().map(|w| w * w).sum();
    let k = averages as f64;
    let mut sum = 1.0;
    for m in 1..averages {
        let shift = (m * hop) as f64 * points as f64 / len as f64;
        let shift = shift.round() as usize;
        if shift >= points {
            break;
        }
        let overlap: f64 = shape.iter().zip(&shape[shift..]).map(|(a, b)| a * b).sum();
        sum += 2.0 * (1.0 - m as f64 / k) * (overlap / squares).powi(2);
    }
    k / sum
}

/// Cuts pushed samples into overlapping segments without copying more than their ends.
#[derive(Debug)]
pub struct Cutter {
    len: usize,
    hop: usize,
    carry: Vec<f32>,
    /// Samples still to be passed over (only where hops are longer than segments).
    skip: usize,
}

impl Cutter {
    /// Segments of `len` samples, `hop` apart (at least 1).
    pub fn new(len: usize, hop: usize) -> Self {
        Self { len, hop: hop.max(1), carry: Vec::new(), skip: 0 }
    }

    /// Takes more samples and calls `each` with every segment that they complete.
    pub fn push(&mut self, samples: &[f32], mut each: impl FnMut(&[f32])) {
        let passed = self.skip.min(samples.len());
        self.skip -= passed;
        let mut rest = &samples[passed..];
        // segments that begin in the samples kept from earlier pushes
        while !self.carry.is_empty() {
            let wanted = self.len - self.carry.len();
            if rest.len() < wanted {
                self.carry.extend_from_slice(rest);
                return;
            }
            let kept = self.carry.len();
            self.carry.extend_from_slice(&rest[..wanted]);
            each(&self.carry);
            if self.hop >= kept {
                // the next segment begins in the new samples
                self.carry.clear();
                let from = (self.hop - kept).min(rest.len());
                self.skip = self.hop - kept - from;
                rest = &rest[from..];
            } else {
                self.carry.drain(..self.hop);
                rest = &rest[wanted..];
            }
        }
        let mut start = 0;
        while let Some(segment) = rest.get(start..start + self.len) {
            each(segment);
            start += self.hop;
        }
        if start < rest.len() {
            self.carry.extend_from_slice(&rest[start..]);
        } else {
            self.skip += start - rest.len();
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn starts(len: usize, hop: usize, pushes: &[usize]) -> Vec<f32> {
        let total: usize = pushes.iter().sum();
        let samples: Vec<f32> = (0..total).map(|i| i as f32).collect();
        let mut cutter = Cutter::new(len, hop);
        let (mut found, mut at) = (Vec::new(), 0);
        for &push in pushes {
            cutter.push(&samples[at..at + push], |segment| {
                assert_eq!(segment.len(), len);
                assert!(segment.windows(2).all(|pair| pair[1] == pair[0] + 1.0));
                found.push(segment[0]);
            });
            at += push;
        }
        found
    }

    #[test]
    fn pushes_of_any_size_give_the_same_segments() {
        for (len, hop) in [(8, 4), (8, 3), (8, 8), (5, 9), (8, 1)] {
            let whole = starts(len, hop, &[100]);
            let wanted: Vec<f32> = (0..=(100 - len) / hop).map(|i| (i * hop) as f32).collect();
            assert_eq!(whole, wanted, "{len} {hop}");
            for pushes in [vec![1; 100], vec![7, 0, 13, 80], vec![50, 3, 3, 44], vec![9, 9, 82]] {
                assert_eq!(starts(len, hop, &pushes), wanted, "{len} {hop} {pushes:?}");
            }
        }
    }

    /// Hann at half overlap: ρ = (1/6)², so K / (1 + (1 - 1/K) / 18).
    #[test]
    fn hann_at_half_overlap_loses_a_nineteenth() {
        let effective = effective_averages(Window::Hann, 4096, 2048, 100);
        assert!((effective - 100.0 / (1.0 + 0.99 / 18.0)).abs() < 1e-6);
        assert_eq!(effective_averages(Window::Hann, 64, 64, 9), 9.0);
    }
}
