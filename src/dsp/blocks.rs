//! Long signals in overlapping blocks, and the smooth edges that keep blocks free of artefacts.
//!
//! A filter whose response changes over no less than `transition_hz` rings for about
//! `REACH / transition_hz` seconds. A block that carries such a guard on both sides gives, between the
//! guards, the same values as a transform of the whole signal would (overlap-save).

use std::f64::consts::TAU;

/// Guard in units of one over the transition width. The edge of [`smooth_step`] is the integral of a
/// four-term Blackman-Harris window, whose transform is below -92 dB beyond four of these units.
pub const REACH: f64 = 4.0;

/// A smooth step from 0 (at `x <= 0`) to 1 (at `x >= 1`): the integral of the four-term
/// Blackman-Harris window (Harris, Proc. IEEE 66 (1978), Table I). `smooth_step(x) + smooth_step(1 - x)`
/// is 1.
pub fn smooth_step(x: f64) -> f64 {
    if x <= 0.0 {
        return 0.0;
    }
    if x >= 1.0 {
        return 1.0;
    }
    let [a0, a1, a2, a3] = [0.35875, 0.48829, 0.14128, 0.01168];
    let sine = |k: f64, a: f64| a / (TAU * k) * (TAU * k * x).sin();
    x + (-sine(1.0, a1) + sine(2.0, a2) - sine(3.0, a3)) / a0
}

/// Cuts a signal into blocks of `len` samples that overlap by two guards of `len / 8`.
///
/// Beyond its ends the signal is mirrored, so that nothing jumps there.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Blocks {
    /// Samples per block, a power of two and at least 64.
    pub len: usize,
}

impl Blocks {
    /// Blocks whose guards hold at least `guard` samples.
    pub fn with_guard(guard: usize) -> Self {
        Self { len: (8 * guard.max(512)).next_power_of_two() }
    }

    /// Samples on each side of a block that serve its neighbours alone.
    pub fn guard(self) -> usize {
        self.len / 8
    }

    /// Samples of a block that count, and the distance between blocks.
    pub fn hop(self) -> usize {
        self.len - 2 * self.guard()
    }

    /// Calls `each` with the index of the first sample that counts and the block, guards included.
    /// The block is scratch: `each` may overwrite it.
    pub fn run(self, samples: &[f32], mut each: impl FnMut(usize, &mut [f32])) {
        let mut block = vec![0.0_f32; self.len];
        let guard = self.guard();
        for start in (0..samples.len()).step_by(self.hop()) {
            fill(&mut block, samples, start as i64 - guard as i64);
            each(start, &mut block);
        }
    }
}

/// Fills `block` with the samples from `first` on, mirrored about the first and the last sample.
fn fill(block: &mut [f32], samples: &[f32], first: i64) {
    let n = samples.len() as i64;
    if let Ok(from) = usize::try_from(first)
        && let Some(inside) = samples.get(from..from + block.len())
    {
        block.copy_from_slice(inside);
        return;
    }
    for (i, value) in block.iter_mut().enumerate() {
        *value = samples[mirrored(first + i as i64, n)];
    }
}

/// The index that stands for `index` in a signal of `n` samples mirrored about both ends.
fn mirrored(index: i64, n: i64) -> usize {
    if n < 2 {
        return 0;
    }
    let period = 2 * (n - 1);
    let place = index.rem_euclid(period);
    place.min(period - place) as usize
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_step_is_smooth_and_symmetric() {
        assert_eq!((smooth_step(-1.0), smooth_step(2.0)), (0.0, 1.0));
        assert!((smooth_step(0.5) - 0.5).abs() < 1e-15);
        for k in 0..100 {
            let x = f64::from(k) / 100.0;
            assert!((smooth_step(x) + smooth_step(1.0 - x) - 1.0).abs() < 1e-12);
            assert!(smooth_step(x + 0.01) >= smooth_step(x));
        }
    }

    #[test]
    fn blocks_cover_every_sample_once() {
        let samples: Vec<f32> = (0..10_000).map(|i| i as f32).collect();
        let blocks = Blocks::with_guard(500);
        let mut seen = Vec::new();
        blocks.run(&samples, |start, block| {
            let keep = blocks.hop().min(samples.len() - start);
            seen.extend_from_slice(&block[blocks.guard()..blocks.guard() + keep]);
        });
        assert_eq!(seen, samples);
    }

    #[test]
    fn ends_are_mirrored_even_of_short_signals() {
        let mut block = [0.0; 9];
        fill(&mut block, &[1.0, 2.0, 3.0], -3);
        assert_eq!(block, [2.0, 3.0, 2.0, 1.0, 2.0, 3.0, 2.0, 1.0, 2.0]);
        fill(&mut block, &[7.0], -3);
        assert_eq!(block, [7.0; 9]);
    }
}
