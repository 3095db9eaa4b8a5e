//! Band-limited interpolation at arbitrary places with an adjustable cut-off.
//!
//! The kernel is a Kaiser-windowed sinc held in a table. Widening it by the ratio of the sampling
//! rate to the wanted rate makes it the low-pass filter that resampling to a lower rate needs, so one
//! step interpolates and keeps aliases out (J. O. Smith, "Digital Audio Resampling", 1984-2002).

use std::sync::OnceLock;

use super::window::bessel_i0;

/// Zero crossings of the sinc on each side. With [`BETA`] the transition band is 0.16 of the cut-off
/// and the stop band lies below -100 dB.
pub(super) const HALF_LOBES: usize = 24;
/// Kaiser's beta for about 104 dB of stop band (Kaiser's formula, 0.1102 (A - 8.7)).
const BETA: f64 = 10.5;
/// Table steps per zero crossing; linear interpolation between them errs by less than -110 dB.
pub(super) const STEPS: usize = 1024;

/// Half of the kernel's transition band as a fraction of the cut-off: below `1 - TRANSITION` of the
/// cut-off a tone passes unchanged, above `1 + TRANSITION` it is gone.
pub const TRANSITION: f64 = 0.145;

/// A table of the windowed sinc, filled once and shared.
#[derive(Debug, Clone)]
pub struct Kernel {
    table: &'static [f32],
}

impl Default for Kernel {
    fn default() -> Self {
        Self::new()
    }
}

impl Kernel {
    /// The kernel; the first one made fills the table.
    pub fn new() -> Self {
        static TABLE: OnceLock<Vec<f32>> = OnceLock::new();
        Self { table: TABLE.get_or_init(Self::filled) }
    }

    fn filled() -> Vec<f32> {
        let last = HALF_LOBES * STEPS;
        let value = |i: usize| {
            let x = i as f64 / STEPS as f64;
            let edge = i as f64 / last as f64;
            let sinc = if i == 0 {
                1.0
            } else {
                (std::f64::consts::PI * x).sin() / (std::f64::consts::PI * x)
            };
            sinc * bessel_i0(BETA * (1.0 - edge * edge).max(0.0).sqrt()) / bessel_i0(BETA)
        };
        // two extra zeros let the linear interpolation run off the end
        (0..=last).map(value).chain([0.0, 0.0]).map(|v| v as f32).collect()
    }

    /// How many samples of the input lie on each side of a place, for a `cutoff` in (0, 1].
    pub fn reach(cutoff: f64) -> usize {
        (HALF_LOBES as f64 / cutoff).ceil() as usize + 1
    }

    /// The signal at `position` (in samples, fractional), low-passed at `cutoff` of its Nyquist
    /// frequency (1: interpolation alone). Outside its ends the signal counts as its end value.
    pub fn at(&self, samples: &[f32], position: f64, cutoff: f64) -> f32 {
        let cutoff = cutoff.clamp(1e-6, 1.0);
        let half_width = HALF_LOBES as f64 / cutoff;
        let first = (position - half_width).ceil() as i64;
        let last = (position + half_width).floor() as i64;
        if first < 0 || last >= samples.len() as i64 {
            return self.at_edge(samples, position, cutoff, first, last);
        }
        let step = cutoff * STEPS as f64;
        let mut place = (position - first as f64) * step;
        let (mut sum, mut weights) = (0.0_f32, 0.0_f32);
        for &x in &samples[first as usize..=last as usize] {
            let weight = self.weight(place.abs());
            sum += weight * x;
            weights += weight;
            place -= step;
        }
        // dividing by the weights keeps the gain at zero frequency exactly one
        sum / weights
    }

    pub(super) fn weight(&self, place: f64) -> f32 {
        let index = place as usize;
        let fraction = (place - index as f64) as f32;
        match self.table.get(index..index + 2) {
            Some(&[a, b]) => a + (b - a) * fraction,
            _ => 0.0,
        }
    }

    fn at_edge(&self, samples: &[f32], position: f64, cutoff: f64, first: i64, last: i64) -> f32 {
        let Some(end) = (samples.len() as i64).checked_sub(1).filter(|&end| end >= 0) else {
            return 0.0;
        };
        let (mut sum, mut weights) = (0.0_f32, 0.0_f32);
        for i in first..=last {
            let place = (position - i as f64).abs() * cutoff * STEPS as f64;
            let weight = self.weight(place);
            sum += weight * samples[i.clamp(0, end) as usize];
            weights += weight;
        }
        sum / weights
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn tone(cycles_per_sample: f64, n: usize) -> Vec<f32> {
        (0..n)
            .map(|i| (std::f64::consts::TAU * cycles_per_sample * i as f64).sin() as f32)
            .collect()
    }

    #[test]
    fn interpolates_a_tone_below_minus_90_db() {
        let kernel = Kernel::new();
        for frequency in [0.01, 0.2, 0.4, 0.42] {
            let samples = tone(frequency, 400);
            let worst = (0..997)
                .map(|k| 100.0 + k as f64 * 0.2003)
                .map(|t| {
                    let exact = (std::f64::consts::TAU * frequency * t).sin();
                    (f64::from(kernel.at(&samples, t, 1.0)) - exact).abs()
                })
                .fold(0.0, f64::max);
            assert!(worst < 3.2e-5, "{frequency}: {worst:e}");
        }
    }

    #[test]
    fn stops_a_tone_above_the_cutoff_below_minus_90_db() {
        let kernel = Kernel::new();
        let cutoff = 0.25;
        let samples = tone(0.5 * cutoff * (1.0 + TRANSITION), 4000);
        let worst = (0..997)
            .map(|k| kernel.at(&samples, 1000.0 + f64::from(k) * 0.7003, cutoff).abs())
            .fold(0.0, f32::max);
        assert!(worst < 3.2e-5, "{worst:e}");
    }

    #[test]
    fn a_constant_stays_constant_to_the_ends() {
        let kernel = Kernel::new();
        let samples = vec![2.5_f32; 50];
        for position in [0.0, 0.3, 25.7, 49.0] {
            assert!((kernel.at(&samples, position, 0.5) - 2.5).abs() < 1e-6);
        }
        assert_eq!(kernel.at(&[], 3.0, 1.0), 0.0);
    }
}
