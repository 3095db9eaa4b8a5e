//! The noise beside a line, from which a phasor's standard error follows.

use std::f64::consts::{LN_2, TAU};

use crate::dsp::fft::Complex64;
use crate::dsp::stats::median_of;

/// Points of base band from which the noise is told.
pub(super) const POINTS: usize = 64;
/// Bins on either side of the line that hold its neighbourhood: those before belong to the line.
const BINS: std::ops::RangeInclusive<usize> = 3..=8;

/// Mean power of the bins beside the line at zero frequency of `POINTS` values that are already
/// tapered (a Hann window).
///
/// The median over the bins, so that a neighbouring line does not count; the power of noise in a bin
/// is exponentially distributed, whose median is `ln 2` of its mean.
pub(super) fn power_beside(baseband: &[Complex64]) -> f64 {
    let bin = |offset: f64| -> f64 {
        let turn = Complex64::from_polar(1.0, -TAU * offset / baseband.len() as f64);
        let mut carrier = Complex64::new(1.0, 0.0);
        let mut sum = Complex64::default();
        for value in baseband {
            sum += value * carrier;
            carrier *= turn;
        }
        sum.norm_sqr()
    };
    let mut powers: Vec<f64> = BINS.flat_map(|k| [k as f64, -(k as f64)]).map(bin).collect();
    median_of(&mut powers) / LN_2
}
