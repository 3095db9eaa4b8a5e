//! Noise for tests: the same in every run.

/// A linear congruential generator (constants of W. H. Press et al., Numerical Recipes: from memory).
pub struct Random(pub u32);

impl Random {
    /// The next number, evenly spread from -1 to 1.
    pub fn next(&mut self) -> f64 {
        self.0 = self.0.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        f64::from(self.0 >> 8) / f64::from(1 << 23) - 1.0
    }
}
