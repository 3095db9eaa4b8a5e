//! Balancing without phase: the amplitude alone, with one mass at several places in turn.

use crate::dsp::fft::Complex64;
use crate::error::{Error, Result};

/// The unbalance of one plane from amplitudes without phase: `original` without trial mass, and
/// `trials` with the same trial unbalance (g mm) at places in degrees against the rotation from the mark,
/// spread evenly over the turn.
///
/// With vibration `R0` of the rotor and `T` of the trial mass, `R_i² = R0² + T² + 2 R0 T cos(th_i - phi)`;
/// the mean over the places gives `T`, the first harmonic over the places `phi` (the four-run
/// method; the sums are the discrete Fourier series of the law of cosines). The answer is the heavy spot, in the
/// sense of [`super::heavy_spot`].
///
/// # Errors
/// [`Error::TooLittle`] with fewer than three places: two leave two mirrored answers.
/// [`Error::Setting`] where places are not spread evenly, or a number is none.
/// [`Error::Numerical`] where the trial mass changed nothing that can be told.
pub fn unbalance(original: f64, trial_g_mm: f64, trials: &[(f64, f64)]) -> Result<Complex64> {
    let count = trials.len();
    if count < 3 {
        let what = "balancing without phase";
        return Err(Error::too_little(what, "three places of the trial mass", count.to_string()));
    }
    let sound = |v: &f64| v.is_finite() && *v >= 0.0;
    if !sound(&original) || !(trial_g_mm > 0.0) || !trials.iter().all(|t| sound(&t.1)) {
        let problem = "an amplitude or the trial mass is no positive number";
        return Err(Error::setting("trials", problem, "write the amplitudes as they were read"));
    }
    let on_circle = |deg: f64, turns: f64| Complex64::from_polar(1.0, -turns * deg.to_radians());
    let is_even = |turns: f64| {
        trials.iter().map(|t| on_circle(t.0, turns)).sum::<Complex64>().norm() < 0.01 * count as f64
    };
    // both sums are nought for evenly spread places; a hundredth of them is a degree or so
    if !(is_even(1.0) && is_even(2.0)) {
        let mend =
            format!("set the mass at {:.0} degrees between its places", 360.0 / count as f64);
        return Err(Error::setting("trials", "the places are not spread evenly", mend));
    }
    let squares = trials.iter().map(|t| t.1 * t.1);
    let mean = squares.clone().sum::<f64>() / count as f64;
    let effect_square = mean - original * original;
    if !(effect_square > 0.0) {
        return Err(Error::numerical(
            "balancing without phase",
            "the trial mass lowers the mean of the squares, which it cannot: a reading is wrong or \
             the speed differed between the runs",
        ));
    }
    let harmonic: Complex64 =
        trials.iter().zip(squares).map(|(t, square)| on_circle(t.0, 1.0) * square).sum();
    if harmonic.norm() < 1e-9 * mean * count as f64 {
        return Err(Error::numerical(
            "balancing without phase",
            "the place of the trial mass made no difference: the rotor is balanced as far as \
             these amplitudes tell",
        ));
    }
    // the vibration is largest with the trial mass upon the heavy spot
    Ok(Complex64::from_polar(trial_g_mm * original / effect_square.sqrt(), harmonic.arg()))
}

#[cfg(test)]
mod tests {
    use super::super::{heavy_spot, size_at};
    use super::*;

    /// A constructed case (own arithmetic): 5.0 without, 4.977 903 562, 7.442 993 058 and 3.684 064 396
    /// with 10 g at 0, 120 and 240 degrees: 20.000 g are to be added at 285.00, which makes 105.00 heavy.
    #[test]
    fn four_runs() {
        let trials = [(0.0, 4.977_903_562), (120.0, 7.442_993_058), (240.0, 3.684_064_396)];
        let (size, place) = size_at(unbalance(5.0, 10.0, &trials).expect("three places"));
        assert!((size - 20.0).abs() < 1e-6, "{size}");
        assert!((place - 105.0).abs() < 1e-6, "{place}");
    }

    /// A rotor of our own with four places.
    #[test]
    fn five_runs() {
        let (rotor, alpha) = (heavy_spot(3.0, 77.0), Complex64::from_polar(0.4, 1.1));
        let read = |trial: Complex64| (alpha * (rotor + trial)).norm();
        let trials: Vec<(f64, f64)> =
            [10.0, 100.0, 190.0, 280.0].iter().map(|&d| (d, read(heavy_spot(2.0, d)))).collect();
        let (size, place) =
            size_at(unbalance(read(Complex64::ZERO), 2.0, &trials).expect("four places"));
        assert!((size - 3.0).abs() < 1e-9 && (place - 77.0).abs() < 1e-9);
    }

    #[test]
    fn what_cannot_be_told_is_refused() {
        let two = [(0.0, 4.0), (180.0, 6.0)];
        assert!(matches!(unbalance(5.0, 1.0, &two), Err(Error::TooLittle { .. })));
        let uneven = [(0.0, 4.0), (90.0, 6.0), (180.0, 5.0)];
        assert!(matches!(unbalance(5.0, 1.0, &uneven), Err(Error::Setting { .. })));
        let twice = [(0.0, 4.0), (0.0, 4.0), (180.0, 6.0), (180.0, 6.0)];
        assert!(matches!(unbalance(5.0, 1.0, &twice), Err(Error::Setting { .. })));
        let lower = [(0.0, 4.0), (120.0, 4.0), (240.0, 4.0)];
        assert!(matches!(unbalance(5.0, 1.0, &lower), Err(Error::Numerical { .. })));
        let nothing = [(0.0, 6.0), (120.0, 6.0), (240.0, 6.0)];
        assert!(matches!(unbalance(5.0, 1.0, &nothing), Err(Error::Numerical { .. })));
    }
}
