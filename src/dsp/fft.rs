//! Fourier transforms of real data, with plans kept per thread in a bounded cache.
//!
//! Normalisation: forward and inverse are both unscaled, so a round trip multiplies by the length.
//! Output order: bins 0 (mean) to n/2 (Nyquist), `n/2 + 1` values.

use std::cell::RefCell;
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use realfft::{ComplexToReal, RealFftPlanner, RealToComplex};
use rustfft::FftNum;

pub use num_complex::{Complex32, Complex64};

/// Plans kept per thread and precision before the cache is emptied.
const CACHED_PLANS: usize = 24;

/// A planner keeps every plan that it ever made, so it is emptied when lengths keep coming.
struct Cache<T: FftNum> {
    planner: RealFftPlanner<T>,
    lengths: BTreeSet<usize>,
}

impl<T: FftNum> Cache<T> {
    fn new() -> Self {
        Self { planner: RealFftPlanner::new(), lengths: BTreeSet::new() }
    }

    fn planner(&mut self, len: usize) -> &mut RealFftPlanner<T> {
        if self.lengths.len() >= CACHED_PLANS && !self.lengths.contains(&len) {
            *self = Self::new();
        }
        self.lengths.insert(len);
        &mut self.planner
    }

    fn forward(&mut self, len: usize) -> Arc<dyn RealToComplex<T>> {
        self.planner(len).plan_fft_forward(len)
    }

    fn inverse(&mut self, len: usize) -> Arc<dyn ComplexToReal<T>> {
        self.planner(len).plan_fft_inverse(len)
    }
}

thread_local! {
    static PLANS_F32: RefCell<Cache<f32>> = RefCell::new(Cache::new());
    static PLANS_F64: RefCell<Cache<f64>> = RefCell::new(Cache::new());
}

/// A plan of a forward transform of real single-precision values.
pub type ForwardPlan = Arc<dyn RealToComplex<f32>>;

/// The plan of a forward transform of `len` real single-precision values.
pub fn forward_plan_f32(len: usize) -> ForwardPlan {
    PLANS_F32.with_borrow_mut(|cache| cache.forward(len))
}

/// The plan of an inverse transform to `len` real single-precision values.
pub fn inverse_plan_f32(len: usize) -> Arc<dyn ComplexToReal<f32>> {
    PLANS_F32.with_borrow_mut(|cache| cache.inverse(len))
}

/// Transform of real values; `samples` are used as scratch and hold nothing useful afterwards.
pub fn forward_f32(samples: &mut [f32]) -> Vec<Complex32> {
    let plan = forward_plan_f32(samples.len());
    let mut bins = plan.make_output_vec();
    if plan.process(samples, &mut bins).is_err() {
        // lengths come from the plan itself; only an empty input gets here
        bins.clear();
    }
    bins
}

/// Inverse of [`forward_f32`] to `len` values, unscaled; `bins` are used as scratch.
///
/// The imaginary parts of the mean and of the Nyquist bin are ignored.
pub fn inverse_f32(bins: &mut [Complex32], len: usize) -> Vec<f32> {
    let plan = inverse_plan_f32(len);
    let mut samples = plan.make_output_vec();
    clear_imaginary_ends(bins, len, |bin| bin.im = 0.0);
    if plan.process(bins, &mut samples).is_err() {
        samples.fill(0.0);
    }
    samples
}

/// Transform of real double-precision values; `samples` are used as scratch.
pub fn forward_f64(samples: &mut [f64]) -> Vec<Complex64> {
    let plan = PLANS_F64.with_borrow_mut(|cache| cache.forward(samples.len()));
    let mut bins = plan.make_output_vec();
    if plan.process(samples, &mut bins).is_err() {
        bins.clear();
    }
    bins
}

/// Inverse of [`forward_f64`] to `len` values, unscaled; `bins` are used as scratch.
pub fn inverse_f64(bins: &mut [Complex64], len: usize) -> Vec<f64> {
    let plan = PLANS_F64.with_borrow_mut(|cache| cache.inverse(len));
    let mut samples = plan.make_output_vec();
    clear_imaginary_ends(bins, len, |bin| bin.im = 0.0);
    if plan.process(bins, &mut samples).is_err() {
        samples.fill(0.0);
    }
    samples
}

fn clear_imaginary_ends<C>(bins: &mut [C], len: usize, clear: impl Fn(&mut C)) {
    if let Some(first) = bins.first_mut() {
        clear(first);
    }
    if len.is_multiple_of(2)
        && let Some(last) = bins.last_mut()
    {
        clear(last);
    }
}

/// Complex inverse transform in place, unscaled, single precision.
pub fn inverse_complex_f32(values: &mut [Complex32]) {
    thread_local! {
        static PLANS: RefCell<BTreeMap<usize, Arc<dyn rustfft::Fft<f32>>>> =
            const { RefCell::new(BTreeMap::new()) };
    }
    let plan = PLANS.with_borrow_mut(|plans| {
        if plans.len() >= CACHED_PLANS && !plans.contains_key(&values.len()) {
            plans.clear();
        }
        let make = || rustfft::FftPlanner::new().plan_fft_inverse(values.len());
        Arc::clone(plans.entry(values.len()).or_insert_with(make))
    });
    plan.process(values);
}

/// The smallest even length of at least `len` whose prime factors are 2, 3, 5 and 7; beyond 2⁴⁰, where
/// they are rare and no memory holds them, the next power of two (2⁶³ at most).
pub fn good_length(len: usize) -> usize {
    const SEARCHED: usize = 1 << 40;
    if len > SEARCHED {
        return len.checked_next_power_of_two().unwrap_or(1 << 63);
    }
    let mut candidate = len.max(2).next_multiple_of(2);
    while !is_seven_smooth(candidate) {
        candidate += 2;
    }
    candidate
}

/// The largest even length of at most `len` (and at least 2) whose prime factors are 2, 3, 5 and 7.
pub fn good_length_below(len: usize) -> usize {
    let mut candidate = (len - len % 2).max(2);
    while !is_seven_smooth(candidate) {
        candidate -= 2;
    }
    candidate
}

fn is_seven_smooth(mut len: usize) -> bool {
    for prime in [2, 3, 5, 7] {
        while len.is_multiple_of(prime) {
            len /= prime;
        }
    }
    len == 1
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The definition, O(n²): the control for the fast transform.
    fn naive(samples: &[f64]) -> Vec<Complex64> {
        let n = samples.len();
        (0..=n / 2)
            .map(|k| {
                samples
                    .iter()
                    .enumerate()
                    .map(|(i, &x)| {
                        let turn = (i * k % n) as f64 / n as f64;
                        Complex64::from_polar(x, -std::f64::consts::TAU * turn)
                    })
                    .sum()
            })
            .collect()
    }

    #[test]
    fn agrees_with_the_definition() {
        for n in [2, 7, 30, 64] {
            let samples: Vec<f64> = (0..n).map(|i| ((i * i + 3) as f64 * 0.7).sin()).collect();
            let fast = forward_f64(&mut samples.clone());
            for (a, b) in fast.iter().zip(naive(&samples)) {
                assert!((a - b).norm() < 1e-12 * n as f64);
            }
        }
    }

    #[test]
    fn round_trip_multiplies_by_the_length() {
        let samples: Vec<f32> = (0..90).map(|i| (i as f32 * 0.31).cos()).collect();
        let mut bins = forward_f32(&mut samples.clone());
        for (back, x) in inverse_f32(&mut bins, 90).iter().zip(&samples) {
            assert!((back / 90.0 - x).abs() < 1e-6);
        }
    }

    #[test]
    fn good_lengths_are_even_smooth_neighbours() {
        assert_eq!(good_length(11), 12);
        assert_eq!(good_length(1_000_001), 1_000_188);
        assert_eq!(good_length_below(1023), 1008);
        assert_eq!(good_length(0), 2);
    }

    #[test]
    fn cache_outlives_its_bound() {
        for n in 1..100 {
            assert_eq!(forward_f32(&mut vec![1.0; 2 * n]).len(), n + 1);
        }
    }
}
