//! Windows for spectra: coefficients, coherent gain and equivalent noise bandwidth.
//!
//! Source of the shapes and constants: F. J. Harris, Proc. IEEE 66 (1978) 51-83; the flat top is that
//! of ISO 18431-2. All windows are periodic (one sample short of symmetric), as spectra want them.

use std::f64::consts::{PI, TAU};

use serde::{Deserialize, Serialize};

/// Shape of a window.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
#[non_exhaustive]
pub enum Window {
    /// All ones.
    Rectangle,
    /// Hann, the default for averaged spectra.
    Hann,
    /// Hamming with 0.54 and 0.46.
    Hamming,
    /// Blackman with 0.42, 0.50 and 0.08.
    Blackman,
    /// Four-term Blackman-Harris, side lobes below -92 dB.
    BlackmanHarris,
    /// Flat top of ISO 18431-2: amplitude error below 0.01 dB.
    FlatTop,
    /// Kaiser-Bessel with the given alpha (beta = pi alpha).
    Kaiser(f64),
}

impl Window {
    /// Cosine coefficients `a0 - a1 cos + a2 cos 2 - ...`, where the window has such a form.
    pub(super) fn cosine_terms(self) -> Option<&'static [f64]> {
        match self {
            Self::Rectangle => Some(&[1.0]),
            Self::Hann => Some(&[0.5, 0.5]),
            Self::Hamming => Some(&[0.54, 0.46]),
            Self::Blackman => Some(&[0.42, 0.5, 0.08]),
            Self::BlackmanHarris => Some(&[0.35875, 0.48829, 0.14128, 0.01168]),
            Self::FlatTop => {
                Some(&[0.215_578_95, 0.416_631_58, 0.277_263_158, 0.083_578_947, 0.006_947_368])
            }
            Self::Kaiser(_) => None,
        }
    }

    /// The `len` coefficients of the periodic window.
    pub fn coefficients(self, len: usize) -> Vec<f64> {
        (0..len).map(|i| self.value(i as f64 / len as f64)).collect()
    }

    /// As [`Window::coefficients`], in single precision.
    pub fn coefficients_f32(self, len: usize) -> Vec<f32> {
        (0..len).map(|i| self.value(i as f64 / len as f64) as f32).collect()
    }

    /// The window at `position`, 0 to 1 from its start to its end.
    pub fn value(self, position: f64) -> f64 {
        if let Some(terms) = self.cosine_terms() {
            let mut sum = 0.0;
            for (k, term) in terms.iter().enumerate() {
                let sign = if k % 2 == 0 { 1.0 } else { -1.0 };
                sum += sign * term * (TAU * k as f64 * position).cos();
            }
            return sum;
        }
        let Self::Kaiser(alpha) = self else { return 1.0 };
        let x = 2.0 * position - 1.0;
        bessel_i0(PI * alpha * (1.0 - x * x).max(0.0).sqrt()) / bessel_i0(PI * alpha)
    }
}

/// Mean of the coefficients: the factor by which a window lowers a bin-centred tone.
pub fn coherent_gain(coefficients: &[f64]) -> f64 {
    coefficients.iter().sum::<f64>() / coefficients.len() as f64
}

/// Equivalent noise bandwidth in bins, `n Σw² / (Σw)²`.
pub fn noise_bandwidth_bins(coefficients: &[f64]) -> f64 {
    let sum: f64 = coefficients.iter().sum();
    let squares: f64 = coefficients.iter().map(|w| w * w).sum();
    coefficients.len() as f64 * squares / (sum * sum)
}

/// Modified Bessel function of the first kind, order zero, by its power series.
pub fn bessel_i0(x: f64) -> f64 {
    let quarter = x * x / 4.0;
    let (mut term, mut sum, mut k) = (1.0, 1.0, 1.0);
    while term > sum * 1e-17 {
        term *= quarter / (k * k);
        sum += term;
        k += 1.0;
    }
    sum
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Coherent gain and ENBW as printed by Harris (1978) Table I, from memory; the flat top's are
    /// computed from the coefficients of ISO 18431-2.
    #[test]
    fn constants_of_harris() {
        let table = [
            (Window::Rectangle, 1.00, 1.0000),
            (Window::Hann, 0.50, 1.5000),
            (Window::Hamming, 0.54, 1.3628),
            (Window::Blackman, 0.42, 1.7268),
            (Window::BlackmanHarris, 0.36, 2.0044),
            (Window::Kaiser(2.0), 0.49, 1.4963),
            (Window::Kaiser(3.0), 0.40, 1.7952),
            (Window::FlatTop, 0.2156, 3.7702),
        ];
        for (window, gain, bandwidth) in table {
            let coefficients = window.coefficients(4096);
            assert!((coherent_gain(&coefficients) - gain).abs() < 0.006, "{window:?}");
            assert!((noise_bandwidth_bins(&coefficients) - bandwidth).abs() < 2e-4, "{window:?}");
        }
    }

    /// I0(1) and I0(10): Abramowitz and Stegun, Table 9.8, from memory.
    #[test]
    fn bessel_reference_values() {
        assert!((bessel_i0(1.0) - 1.266_065_877_752).abs() < 1e-11);
        assert!((bessel_i0(10.0) / 2_815.716_628_466 - 1.0).abs() < 1e-11);
    }
}
