//! Sums and central moments of single-precision samples, kept in double precision.
//!
//! Eight running sums side by side let the compiler use vector instructions and keep the rounding
//! error small; the order of addition is fixed, so results repeat bit for bit.

const LANES: usize = 8;

/// Sum of `term` over all samples.
fn lane_sum(samples: &[f32], term: impl Fn(f64) -> f64) -> f64 {
    let mut sums = [0.0_f64; LANES];
    let (chunks, rest) = samples.as_chunks::<LANES>();
    for chunk in chunks {
        for (sum, &x) in sums.iter_mut().zip(chunk) {
            *sum += term(f64::from(x));
        }
    }
    let tail: f64 = rest.iter().map(|&x| term(f64::from(x))).sum();
    sums.iter().sum::<f64>() + tail
}

/// Arithmetic mean; 0 for no samples.
pub fn mean(samples: &[f32]) -> f64 {
    if samples.is_empty() { 0.0 } else { lane_sum(samples, |x| x) / samples.len() as f64 }
}

/// Mean of the squares, about zero; 0 for no samples.
pub fn mean_square(samples: &[f32]) -> f64 {
    if samples.is_empty() { 0.0 } else { lane_sum(samples, |x| x * x) / samples.len() as f64 }
}

/// Mean and central moments of samples.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Moments {
    /// Arithmetic mean.
    pub mean: f64,
    /// Mean square about the mean (divided by n, not n - 1).
    pub second: f64,
    /// Mean fourth power about the mean.
    pub fourth: f64,
}

impl Moments {
    /// The moments of `samples`; all zero for none.
    pub fn of(samples: &[f32]) -> Self {
        if samples.is_empty() {
            return Self::default();
        }
        let n = samples.len() as f64;
        let mean = mean(samples);
        let second = lane_sum(samples, |x| (x - mean) * (x - mean)) / n;
        let fourth = lane_sum(samples, |x| {
            let square = (x - mean) * (x - mean);
            square * square
        }) / n;
        Self { mean, second, fourth }
    }

    /// Pearson's kurtosis, fourth moment over squared second: 3 for Gaussian noise, 1.5 for a sine.
    /// 0 for samples that are all equal.
    pub fn kurtosis(&self) -> f64 {
        if self.second > 0.0 { self.fourth / (self.second * self.second) } else { 0.0 }
    }
}

/// Least and greatest sample; `None` for no samples. Not-a-numbers are passed over.
pub fn extremes(samples: &[f32]) -> Option<(f32, f32)> {
    if samples.is_empty() {
        return None;
    }
    let mut low = [f32::INFINITY; LANES];
    let mut high = [f32::NEG_INFINITY; LANES];
    let (chunks, rest) = samples.as_chunks::<LANES>();
    for chunk in chunks {
        for ((low, high), &x) in low.iter_mut().zip(&mut high).zip(chunk) {
            *low = low.min(x);
            *high = high.max(x);
        }
    }
    let least = low.iter().chain(rest).copied().fold(f32::INFINITY, f32::min);
    let greatest = high.iter().chain(rest).copied().fold(f32::NEG_INFINITY, f32::max);
    Some((least, greatest))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn small_sets_by_hand() {
        let samples: Vec<f32> = (1..=11).map(|i| i as f32).collect();
        let moments = Moments::of(&samples);
        assert_eq!(moments.mean, 6.0);
        assert_eq!(moments.second, 10.0);
        // sum of fourth powers of -5..=5 is 2 (1 + 16 + 81 + 256 + 625)
        assert_eq!(moments.fourth, 1958.0 / 11.0);
        assert_eq!(mean_square(&[3.0, 4.0]), 12.5);
        assert_eq!(extremes(&samples), Some((1.0, 11.0)));
        assert_eq!(extremes(&[]), None);
        assert_eq!(Moments::of(&[2.0; 9]).kurtosis(), 0.0);
    }

    /// Kurtosis of a uniform distribution is 1.8 and of a square wave 1 (exact).
    #[test]
    fn kurtosis_of_known_shapes() {
        let ramp: Vec<f32> = (0..10_000).map(|i| i as f32 / 10_000.0).collect();
        assert!((Moments::of(&ramp).kurtosis() - 1.8).abs() < 1e-6);
        let square: Vec<f32> = (0..10_000).map(|i| if i % 2 == 0 { 1.0 } else { -1.0 }).collect();
        assert!((Moments::of(&square).kurtosis() - 1.0).abs() < 1e-12);
    }
}
