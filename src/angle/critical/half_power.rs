//! Peak and half-power speeds of one mode's response to unbalance.

/// The peak of `r² / sqrt((1 - r²)² + (2 z r)²)` and where it has fallen to 0.707 of its height.
///
/// The amplification factor of the API standard paragraphs is peak speed over the distance of the
/// half-power speeds (from memory). It is less than 1 / (2 z), by 1 % at z = 0.05 and 4 % at 0.1.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HalfPower {
    /// Speed of the peak in rpm.
    pub peak_rpm: f64,
    /// Half-power speed below it in rpm.
    pub low_rpm: f64,
    /// Half-power speed above it in rpm; infinite for a mode that is damped too much to have one.
    pub high_rpm: f64,
}

impl HalfPower {
    /// Of a mode with this undamped critical speed in rpm and damping ratio.
    ///
    /// In `x = 1 / r²` the inverse square of the response is a parabola about `1 - 2 z²`, whose least
    /// value `4 z² (1 - z²)` is doubled at a distance of its root.
    pub fn of(rpm: f64, zeta: f64) -> Self {
        let middle = 1.0 - 2.0 * zeta * zeta;
        let reach = 2.0 * zeta * (1.0 - zeta * zeta).max(0.0).sqrt();
        let at = |x: f64| if x > 0.0 { rpm / x.sqrt() } else { f64::INFINITY };
        Self { peak_rpm: at(middle), low_rpm: at(middle + reach), high_rpm: at(middle - reach) }
    }

    /// Amplification factor: peak speed over the distance of the half-power speeds.
    pub fn factor(&self) -> f64 {
        self.peak_rpm / (self.high_rpm - self.low_rpm)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The Jeffcott rotor (H. H. Jeffcott, 1919; values by own arithmetic, from the formula in S. S. Rao,
    /// Mechanical Vibrations, ch. 9: from memory): damping ratio, peak and half-power speeds over the
    /// natural frequency as read off the curve, amplification factor. It is not 1 / (2 z).
    #[test]
    fn peak_and_half_power_of_the_jeffcott_rotor() {
        for (zeta, peak, low, high, factor) in [
            (0.02, 1.000400, 0.980964, 1.021040, 24.9625),
            (0.05, 1.002509, 0.955692, 1.056956, 9.8999),
            (0.10, 1.010153, 0.920968, 1.131550, 4.7970),
            (0.20, 1.042572, 0.873066, 1.376097, 2.0726),
        ] {
            let found = HalfPower::of(1.0, zeta);
            for (is, wanted) in
                [(found.peak_rpm, peak), (found.low_rpm, low), (found.high_rpm, high)]
            {
                assert!((is - wanted).abs() < 3e-6, "{zeta}: {found:?}");
            }
            assert!((found.factor() / factor - 1.0).abs() < 2e-4, "{zeta}: {}", found.factor());
            assert!(found.factor() < 0.5 / zeta);
        }
        assert_eq!(HalfPower::of(1.0, 0.5).high_rpm, f64::INFINITY);
    }
}
