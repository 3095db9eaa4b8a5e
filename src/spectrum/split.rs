//! A long signal in several frequency bands at once, each as a complex signal at base band.
//!
//! One real transform per block serves all bands; each band's bins are moved down to zero and
//! transformed back at the band's own, lower rate. Bands have smooth edges, and blocks carry guards
//! longer than the edges ring, so block borders leave no trace. The carrier phase of neighbouring blocks
//! differs: only magnitudes are meaningful across them.

use super::{check_band, check_rate};
use crate::dsp::blocks::{Blocks, REACH, smooth_step};
use crate::dsp::fft::{Complex32, forward_plan_f32, good_length, inverse_complex_f32};
use crate::error::{Error, Result};

/// Longest block in samples: about 50 MB of memory.
const LONGEST_BLOCK: usize = 1 << 22;

/// One band of a [`Splitter`].
struct Branch {
    first_bin: usize,
    /// Filter gain of each bin, with the factor 2 of the analytic signal and the transforms' scale.
    gains: Vec<f32>,
    /// Length of the inverse transform.
    len: usize,
}

/// Splits a signal into bands.
pub(super) struct Splitter {
    blocks: Blocks,
    branches: Vec<Branch>,
    rate_hz: f64,
}

impl Splitter {
    /// Bands of a signal at `rate_hz`, whose edges (at half amplitude in `bands_hz`) are each
    /// `edge` of the band's width wide; outputs have at least `rate_factor` times the band's width
    /// as their rate.
    pub fn new(rate_hz: f64, bands_hz: &[[f64; 2]], edge: f64, rate_factor: f64) -> Result<Self> {
        check_rate(rate_hz)?;
        let mut narrowest = f64::INFINITY;
        for &band in bands_hz {
            check_band(band, rate_hz)?;
            narrowest = narrowest.min(band[1] - band[0]);
        }
        if !narrowest.is_finite() {
            return Err(Error::setting("band_hz", "there is no band", "give at least one"));
        }
        let guard = (REACH / (edge * narrowest) * rate_hz).ceil();
        let blocks = Blocks::with_guard(guard.min(1e12) as usize);
        if blocks.len > LONGEST_BLOCK {
            return Err(Error::setting(
                "band_hz",
                format!("a band of {narrowest} Hz is too narrow at {rate_hz} Hz"),
                format!(
                    "choose at least {:.3} Hz",
                    8.0 * REACH / edge * rate_hz / LONGEST_BLOCK as f64
                ),
            ));
        }
        let branch = |&band: &[f64; 2]| Branch::new(blocks, rate_hz, band, edge, rate_factor);
        Ok(Self { blocks, branches: bands_hz.iter().map(branch).collect(), rate_hz })
    }

    /// Rate of the output of band `index` in Hz.
    pub fn rate_hz(&self, index: usize) -> f64 {
        self.rate_hz * self.branches[index].len as f64 / self.blocks.len as f64
    }

    /// Number of output samples of band `index` for `n` samples of input.
    pub fn output_len(&self, index: usize, n: usize) -> usize {
        (n * self.branches[index].len).div_ceil(self.blocks.len)
    }

    /// Calls `each` with the band's index and its next output samples, block after block. A tone of
    /// amplitude A inside the band has modulus A. The first output sample belongs to the first input
    /// sample.
    pub fn run(&self, samples: &[f32], mut each: impl FnMut(usize, &[Complex32])) {
        let plan = forward_plan_f32(self.blocks.len);
        let mut bins = plan.make_output_vec();
        let mut scratch = plan.make_scratch_vec();
        let longest = self.branches.iter().map(|branch| branch.len).max().unwrap_or(0);
        let mut work = vec![Complex32::default(); longest];
        self.blocks.run(samples, |start, block| {
            if plan.process_with_scratch(block, &mut bins, &mut scratch).is_err() {
                bins.fill(Complex32::new(f32::NAN, f32::NAN));
            }
            let left = samples.len() - start;
            for (index, branch) in self.branches.iter().enumerate() {
                let work = &mut work[..branch.len];
                branch.transform(&bins, work);
                // guards and hops are whole eighths of a block, so output samples fall on the same grid
                let from = branch.len / 8;
                let count = (branch.len - 2 * from).min(self.output_len(index, left));
                each(index, &work[from..from + count]);
            }
        });
    }
}

impl Branch {
    fn new(blocks: Blocks, rate_hz: f64, band_hz: [f64; 2], edge: f64, rate_factor: f64) -> Self {
        let bin_hz = rate_hz / blocks.len as f64;
        let width = band_hz[1] - band_hz[0];
        let edge_hz = edge * width;
        // the analytic signal needs smooth edges at zero and at half the rate, too
        let low = band_hz[0].max(0.5 * edge_hz);
        let high = band_hz[1].min(0.5 * rate_hz - 0.5 * edge_hz);
        let first_bin = ((low - 0.5 * edge_hz) / bin_hz).floor().max(0.0) as usize;
        let last_bin = (((high + 0.5 * edge_hz) / bin_hz).ceil() as usize).min(blocks.len / 2);
        let scale = 2.0 / blocks.len as f64;
        let gain = |k: usize| {
            let hz = k as f64 * bin_hz;
            let rise = smooth_step((hz - low) / edge_hz + 0.5);
            let fall = smooth_step((high - hz) / edge_hz + 0.5);
            (rise * fall * scale) as f32
        };
        let gains: Vec<f32> = (first_bin..=last_bin).map(gain).collect();
        let wanted = ((rate_factor * width / bin_hz).ceil() as usize).max(gains.len());
        Self { first_bin, gains, len: 8 * good_length(wanted.div_ceil(8)) }
    }

    fn transform(&self, bins: &[Complex32], work: &mut [Complex32]) {
        let band = &bins[self.first_bin..self.first_bin + self.gains.len()];
        for ((y, x), gain) in work.iter_mut().zip(band).zip(&self.gains) {
            *y = x * gain;
        }
        work[self.gains.len()..].fill(Complex32::default());
        inverse_complex_f32(work);
    }
}
