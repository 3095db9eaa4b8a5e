//! Halving the sampling rate with a half-band filter.
//!
//! Every second coefficient of a half-band filter but the middle one is zero, so a step costs few
//! multiplications. Source: R. E. Crochiere and L. R. Rabiner, Multirate Digital Signal Processing,
//! 1983, chapter 5 (from memory).

use std::f64::consts::PI;

use super::window::bessel_i0;

/// Up to this fraction of the rate after halving the signal passes unchanged and free of aliases
/// (deviation and aliases below -90 dB).
pub const PASS: f64 = 0.4;

/// Coefficients on each side of the middle that are not zero.
const SIDE: usize = 18;
/// Kaiser's beta for about 100 dB of stop band (Kaiser's formula, 0.1102 (A - 8.7)).
const BETA: f64 = 10.06;

/// Coefficients at the odd distances 1, 3, 5 ... from the middle, whose own coefficient is one half;
/// scaled so that the gain at zero frequency is one.
fn side_coefficients() -> [f32; SIDE] {
    let reach = (2 * SIDE) as f64;
    let mut side = [0.0_f64; SIDE];
    for (i, value) in side.iter_mut().enumerate() {
        let distance = (2 * i + 1) as f64;
        let edge = distance / reach;
        let taper = bessel_i0(BETA * (1.0 - edge * edge).max(0.0).sqrt()) / bessel_i0(BETA);
        *value = (PI * distance / 2.0).sin() / (PI * distance) * taper;
    }
    let sum: f64 = side.iter().sum();
    side.map(|value| (value * 0.25 / sum) as f32)
}

/// Every second sample of the low-passed signal, the first included: `ceil(n / 2)` values.
///
/// Beyond its ends the signal counts as its end value.
pub fn halve(samples: &[f32]) -> Vec<f32> {
    let side = side_coefficients();
    let reach = 2 * SIDE - 1;
    let Some((&first, &last)) = samples.first().zip(samples.last()) else {
        return Vec::new();
    };
    // the samples are parted into even and odd ones: both passes then run over neighbours
    let half = samples.len().div_ceil(2);
    let odd = |j: i64| -> f32 {
        let index = 2 * j + 1;
        if index < 0 { first } else { samples.get(index as usize).copied().unwrap_or(last) }
    };
    let margin = reach / 2 + 1;
    let odds: Vec<f32> = (-(margin as i64)..(half + margin) as i64).map(odd).collect();
    let mut out: Vec<f32> = samples.iter().step_by(2).map(|x| 0.5 * x).collect();
    for (i, weight) in side.iter().enumerate() {
        // distances 2 i + 1: odd samples j + i after and j - 1 - i before even sample j
        let after = &odds[margin + i..];
        let before = &odds[margin - 1 - i..];
        for ((y, a), b) in out.iter_mut().zip(after).zip(before) {
            *y += weight * (a + b);
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    fn gain(cycles_per_sample: f64) -> f64 {
        let tone = |i: usize| (std::f64::consts::TAU * cycles_per_sample * i as f64).cos();
        let samples: Vec<f32> = (0..4000).map(|i| tone(i) as f32).collect();
        let halved = halve(&samples);
        // least squares on cosine and sine at the even places, away from the ends
        let (mut c, mut s, mut n) = (0.0, 0.0, 0.0);
        for (j, &y) in halved.iter().enumerate().skip(100).take(1800) {
            let angle = std::f64::consts::TAU * cycles_per_sample * (2 * j) as f64;
            c += f64::from(y) * angle.cos();
            s += f64::from(y) * angle.sin();
            n += 0.5;
        }
        c.hypot(s) / n
    }

    #[test]
    fn passes_below_and_stops_above() {
        for f in [0.0125, 0.1, 0.5 * PASS] {
            assert!((gain(f) - 1.0).abs() < 4e-5, "{f}: {}", gain(f));
        }
        for f in [0.5 - 0.5 * PASS, 0.35, 0.4875] {
            assert!(gain(f) < 4e-5, "{f}: {}", gain(f));
        }
    }

    #[test]
    fn a_constant_stays_and_lengths_are_halved() {
        assert!(halve(&[2.0; 101]).iter().all(|y| (y - 2.0).abs() < 1e-6));
        assert_eq!(halve(&[1.0; 101]).len(), 51);
        assert_eq!(halve(&[1.0; 100]).len(), 50);
        assert_eq!(halve(&[]), Vec::<f32>::new());
    }
}
