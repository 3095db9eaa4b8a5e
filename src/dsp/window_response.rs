//! How a window answers to a tone between bins: needed for the true height and place of a line.

use std::f64::consts::PI;

use super::window::{Window, noise_bandwidth_bins};

/// Below this argument `sin(x)/x` and `sinh(x)/x` are one to double precision.
const SMALL: f64 = 1e-9;

fn sinc(x: f64) -> f64 {
    if x.abs() < SMALL { 1.0 } else { (PI * x).sin() / (PI * x) }
}

impl Window {
    /// Amplitude response `offset_bins` away from a tone, relative to the response on it, for
    /// windows of many samples. Signed: side lobes alternate.
    ///
    /// Source: transform of a sum of cosines and of the Kaiser-Bessel window, Harris, Proc. IEEE 66
    /// (1978), sections V and VI.
    pub fn response(self, offset_bins: f64) -> f64 {
        if let Self::Kaiser(alpha) = self {
            return kaiser_response(PI * alpha, offset_bins);
        }
        let terms = self.cosine_terms().unwrap_or(&[1.0]);
        let mut response = 0.0;
        for (k, a) in terms.iter().enumerate() {
            let k = k as f64;
            // for the mean term (k = 0) both halves fall together
            response += 0.5 * a * (sinc(offset_bins - k) + sinc(offset_bins + k));
        }
        response / terms[0]
    }

    /// Equivalent noise bandwidth in bins, for windows of many samples.
    pub fn noise_bandwidth_bins(self) -> f64 {
        noise_bandwidth_bins(&self.coefficients(1024))
    }

    /// How far a tone lies from the centre of three neighbouring amplitude lines, in bins, from -0.5
    /// to 0.5, positive towards `after`. Exact for one steady tone.
    pub fn tone_offset_bins(self, before: f64, centre: f64, after: f64) -> f64 {
        let (neighbour, sign) = if after >= before { (after, 1.0) } else { (before, -1.0) };
        if !(centre > 0.0 && neighbour.is_finite()) {
            return 0.0;
        }
        let wanted = (neighbour / centre).clamp(0.0, 1.0);
        let (mut low, mut high) = (0.0, 0.5);
        for _ in 0..40 {
            let offset = 0.5 * (low + high);
            let ratio = self.response(1.0 - offset) / self.response(offset);
            if ratio < wanted { low = offset } else { high = offset }
        }
        sign * 0.5 * (low + high)
    }
}

fn kaiser_response(beta: f64, offset_bins: f64) -> f64 {
    let square = beta * beta - (PI * offset_bins).powi(2);
    let root = square.abs().sqrt();
    let shape = if root < SMALL {
        1.0
    } else if square > 0.0 {
        root.sinh() / root
    } else {
        root.sin() / root
    };
    shape * if beta < SMALL { 1.0 } else { beta / beta.sinh() }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn db(ratio: f64) -> f64 {
        20.0 * ratio.abs().log10()
    }

    /// Highest side lobe in dB: the largest response beyond the first zero.
    fn side_lobe_db(window: Window) -> f64 {
        let responses: Vec<f64> =
            (0..20_000).map(|i| window.response(f64::from(i) * 1e-3)).collect();
        let zero = responses.iter().position(|&r| r <= 0.0).expect("a window has zeros");
        db(responses[zero..].iter().fold(0.0, |high, r| r.abs().max(high)))
    }

    /// Width in bins between the points where the response has fallen by `drop_db`.
    fn width_bins(window: Window, drop_db: f64) -> f64 {
        let (mut low, mut high) = (0.0, 3.0);
        for _ in 0..60 {
            let middle = 0.5 * (low + high);
            if db(window.response(middle)) > -drop_db { low = middle } else { high = middle }
        }
        2.0 * low
    }

    /// Scallop loss, highest side lobe, 3 dB and 6 dB widths: rows of Harris, Proc. IEEE 66 (1978),
    /// Table I, from memory, to the digits that an independent NumPy computation gives (which differs
    /// from the print for the widths of the Blackman window).
    #[test]
    fn figures_of_harris() {
        let table = [
            (Window::Rectangle, 3.9224, -13.26, 0.886, 1.207),
            (Window::Hann, 1.4236, -31.47, 1.441, 2.000),
            (Window::Hamming, 1.7514, -42.68, 1.303, 1.815),
            (Window::Blackman, 1.0989, -58.11, 1.644, 2.299),
            (Window::BlackmanHarris, 0.8256, -92.01, 1.899, 2.666),
            (Window::Kaiser(2.0), 1.4527, -45.86, 1.429, 1.993),
            (Window::Kaiser(3.0), 1.0226, -69.62, 1.705, 2.389),
        ];
        for (window, scallop, side_lobe, half, quarter) in table {
            assert!((-db(window.response(0.5)) - scallop).abs() < 1e-4, "{window:?}");
            assert!((side_lobe_db(window) - side_lobe).abs() < 0.02, "{window:?}");
            assert!((width_bins(window, 10.0 * 2.0_f64.log10()) - half).abs() < 2e-3, "{window:?}");
            assert!(
                (width_bins(window, 20.0 * 2.0_f64.log10()) - quarter).abs() < 2e-3,
                "{window:?}"
            );
        }
    }

    /// ISO 18431-2 flat top: largest amplitude error 0.0098 dB, side lobes below -93.0 dB (computed
    /// with NumPy from the standard's coefficients).
    #[test]
    fn flat_top_is_flat() {
        let worst = (0..=50)
            .map(|i| db(Window::FlatTop.response(f64::from(i) / 100.0)).abs())
            .fold(0.0, f64::max);
        assert!((worst - 0.0098).abs() < 2e-4, "{worst}");
        assert!((side_lobe_db(Window::FlatTop) + 93.0).abs() < 0.1);
    }

    #[test]
    fn a_tone_between_bins_is_placed() {
        for window in [Window::Rectangle, Window::Hann, Window::BlackmanHarris, Window::Kaiser(2.5)]
        {
            for offset in [-0.5, -0.31, 0.0, 0.12, 0.49] {
                let line = |bin: f64| window.response(bin - offset).abs();
                let found = window.tone_offset_bins(line(-1.0), line(0.0), line(1.0));
                assert!((found - offset).abs() < 1e-6, "{window:?} {offset} {found}");
            }
        }
        assert_eq!(Window::Hann.tone_offset_bins(0.0, 0.0, 0.0), 0.0);
    }
}
