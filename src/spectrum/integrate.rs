//! Acceleration to velocity to displacement and back, of phasors, spectra and waveforms.
//!
//! With phasors of e^{+iwt} a derivative is a factor `i omega`: V = A / (i omega), X = V / (i omega).

use std::f64::consts::{PI, TAU};

use super::{Scaling, Spectrum, check_rate};
use crate::dsp::blocks::{Blocks, REACH, smooth_step};
use crate::dsp::fft::{Complex32, Complex64, forward_plan_f32, inverse_plan_f32};
use crate::error::{Error, Result};
use crate::units::Quantity;

/// How often `from` must be differentiated to give `to`; negative: integrated.
///
/// # Errors
/// [`Error::Setting`] where the two differ and are not displacement, velocity or acceleration.
pub fn derivatives(from: Quantity, to: Quantity) -> Result<i32> {
    if from == to {
        return Ok(0);
    }
    match (from.derivative_of_displacement(), to.derivative_of_displacement()) {
        (Some(a), Some(b)) => Ok(b - a),
        _ => Err(Error::setting(
            "quantity",
            format!("{} cannot be turned into {}", from.word(), to.word()),
            "only displacement, velocity and acceleration follow from each other",
        )),
    }
}

/// The amplitude factor `omega^steps`.
pub(super) fn omega_factor(omega_rad_s: f64, steps: i32) -> f64 {
    if steps == 0 { 1.0 } else { omega_rad_s.powi(steps) }
}

/// `(i omega)^steps`.
fn complex_factor(omega_rad_s: f64, steps: i32) -> Complex64 {
    if steps == 0 { Complex64::ONE } else { Complex64::new(0.0, omega_rad_s).powi(steps) }
}

/// A phasor of `from` at `omega_rad_s` as a phasor of `to`, in SI; velocity leads displacement by 90
/// degrees.
///
/// # Errors
/// [`Error::Setting`] where the quantities are not linked, or omega is not positive.
pub fn convert_phasor(
    phasor: Complex64,
    omega_rad_s: f64,
    from: Quantity,
    to: Quantity,
) -> Result<Complex64> {
    let steps = derivatives(from, to)?;
    if steps != 0 && !(omega_rad_s.is_finite() && omega_rad_s > 0.0) {
        return Err(Error::setting(
            "omega_rad_s",
            format!("{omega_rad_s} rad/s is no frequency"),
            "state a positive one",
        ));
    }
    Ok(phasor * complex_factor(omega_rad_s, steps))
}

/// A spectrum of `from` (in SI) as a spectrum of `to` (in SI).
///
/// Amplitudes are multiplied by `omega^steps`, powers and densities by its square. Bins below
/// `corner_hz` are left out: the result begins at the first bin at or above it. Integration always leaves
/// out frequency zero. The unit text becomes that of SI.
///
/// # Errors
/// [`Error::Setting`] where the quantities are not linked, or no bin is left above the corner.
pub fn convert_spectrum(
    spectrum: &Spectrum,
    from: Quantity,
    to: Quantity,
    corner_hz: f64,
) -> Result<Spectrum> {
    let steps = derivatives(from, to)?;
    let least = if steps < 0 { 0.5 * spectrum.bin_hz } else { 0.0 };
    let mut converted = spectrum.part([corner_hz.max(least), f64::INFINITY])?;
    let power = if spectrum.scaling == Scaling::Amplitude { steps } else { 2 * steps };
    for index in 0..converted.values.len() {
        let omega = TAU * converted.frequency_hz(index);
        converted.values[index] =
            (f64::from(converted.values[index]) * omega_factor(omega, power)) as f32;
    }
    converted.unit = si_symbol(to).unwrap_or(&spectrum.unit).to_owned();
    Ok(converted)
}

fn si_symbol(quantity: Quantity) -> Option<&'static str> {
    match quantity {
        Quantity::Acceleration => Some("m/s2"),
        Quantity::Velocity => Some("m/s"),
        Quantity::Displacement => Some("m"),
        _ => None,
    }
}

/// Samples of `from` (in SI) as samples of `to` (in SI), in place and without delay.
///
/// Each frequency is multiplied by `(i omega)^steps`. Integration passes frequencies from `corner_hz`
/// on unchanged otherwise and takes away everything below half of it, in between with a smooth edge; so
/// the result has no drift and no mean. Differentiation falls off smoothly from 0.9 of half the rate on
/// and takes the corner as 0. The filter rings for eight periods of the corner at most. Beyond its ends the
/// signal is taken as mirrored: within [`settling_s`] of either end the result depends on
/// that and should not be judged. Long signals run through blocks of bounded memory, with the
/// result of one transform of the whole.
///
/// # Errors
/// [`Error::Setting`] where the quantities are not linked, the rate is bad, or a corner for integration is
/// not between a millionth and 0.45 of the rate.
pub fn convert_samples(
    samples: &[f32],
    rate_hz: f64,
    from: Quantity,
    to: Quantity,
    corner_hz: f64,
) -> Result<Vec<f32>> {
    check_rate(rate_hz)?;
    let steps = derivatives(from, to)?;
    if steps == 0 {
        return Ok(samples.to_vec());
    }
    let transition_hz = if steps < 0 {
        if !(corner_hz >= 1e-6 * rate_hz && corner_hz <= 0.45 * rate_hz) {
            return Err(Error::setting(
                "corner_hz",
                format!("{corner_hz} Hz is no corner for integration at {rate_hz} Hz"),
                "choose one above zero and below 0.45 of the rate, 5 Hz for instance",
            ));
        }
        0.5 * corner_hz
    } else {
        0.05 * rate_hz
    };
    let blocks = Blocks::with_guard((REACH / transition_hz * rate_hz).ceil() as usize);
    let response = |hz: f64| {
        let gain = if steps < 0 {
            smooth_step((hz - 0.5 * corner_hz) / transition_hz)
        } else {
            smooth_step((0.5 * rate_hz - hz) / transition_hz)
        };
        if gain > 0.0 { complex_factor(TAU * hz, steps) * gain } else { Complex64::ZERO }
    };
    Ok(filtered(samples, rate_hz, blocks, response))
}

/// The signal through a frequency response, in blocks.
fn filtered(
    samples: &[f32],
    rate_hz: f64,
    blocks: Blocks,
    response: impl Fn(f64) -> Complex64,
) -> Vec<f32> {
    let bin_hz = rate_hz / blocks.len as f64;
    let gains: Vec<Complex32> = (0..=blocks.len / 2)
        .map(|k| response(k as f64 * bin_hz) / blocks.len as f64)
        .map(|gain| Complex32::new(gain.re as f32, gain.im as f32))
        .collect();
    let (forward, inverse) = (forward_plan_f32(blocks.len), inverse_plan_f32(blocks.len));
    let mut bins = forward.make_output_vec();
    let (mut there, mut back) = (forward.make_scratch_vec(), inverse.make_scratch_vec());
    let mut output = Vec::with_capacity(samples.len());
    blocks.run(samples, |start, block| {
        let done = forward.process_with_scratch(block, &mut bins, &mut there).is_ok();
        for (bin, gain) in bins.iter_mut().zip(&gains) {
            *bin *= gain;
        }
        // the mean and the Nyquist bin of a real signal are real
        for end in [0, blocks.len / 2] {
            bins[end].im = 0.0;
        }
        let done = done && inverse.process_with_scratch(&mut bins, block, &mut back).is_ok();
        if !done {
            block.fill(f32::NAN);
        }
        let count = blocks.hop().min(samples.len() - start);
        output.extend_from_slice(&block[blocks.guard()..blocks.guard() + count]);
    });
    output
}

/// Time in seconds from either end of integrated samples within which they depend on the mirrored
/// continuation: six periods of the corner. Two tones well above the corner are then met to 0.2 % even
/// after two integrations.
pub fn settling_s(corner_hz: f64) -> f64 {
    6.0 / corner_hz
}

/// Lag in radians by which `to` follows `from`: -pi/2 per derivative.
pub fn lag_change_rad(from: Quantity, to: Quantity) -> Result<f64> {
    Ok(-0.5 * PI * f64::from(derivatives(from, to)?))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dsp::window::Window;
    use crate::units::{Amplitude, STANDARD_GRAVITY_M_S2};
    use Quantity::{Acceleration, Displacement, Velocity};

    /// Recomputed with 9.80665 m/s²: 1 g rms is 156.078, 31.2155, 15.608, 1.56078 mm/s rms at 10, 50, 100,
    /// 1000 Hz; 1 g peak at 100 Hz is 11.036 mm/s rms and 49.681 µm p-p.
    #[test]
    fn one_g_at_known_frequencies() {
        let convert = |hz: f64, to| {
            let a = Complex64::new(STANDARD_GRAVITY_M_S2, 0.0);
            convert_phasor(a, TAU * hz, Acceleration, to).expect("linked").norm()
        };
        for (hz, mm_s) in [(10.0, 156.078), (50.0, 31.2155), (100.0, 15.608), (1000.0, 1.56078)] {
            assert!((convert(hz, Velocity) * 1e3 / mm_s - 1.0).abs() < 4e-6 + 5e-4 / mm_s);
        }
        assert!((convert(100.0, Displacement) * 1e6 - 24.841).abs() < 1e-3);
        let rms = convert(100.0, Velocity) * Amplitude::Rms.from_peak();
        assert!((rms * 1e3 - 11.036).abs() < 1e-3);
        let pp = convert(100.0, Displacement) * Amplitude::PeakToPeak.from_peak();
        assert!((pp * 1e6 - 49.681).abs() < 1e-3);
    }

    /// 4.5 mm/s rms at 50 Hz: 1.41372 m/s² rms, 14.324 µm rms (recomputed).
    #[test]
    fn velocity_limit_at_50_hz() {
        let v = Complex64::new(4.5e-3, 0.0);
        let a = convert_phasor(v, TAU * 50.0, Velocity, Acceleration).expect("linked");
        let x = convert_phasor(v, TAU * 50.0, Velocity, Displacement).expect("linked");
        assert!((a.im - 1.41372).abs() < 1e-5 && a.re.abs() < 1e-12);
        assert!((x.im + 14.324e-6).abs() < 1e-9 && x.re.abs() < 1e-15);
        assert!(convert_phasor(v, 0.0, Velocity, Displacement).is_err());
        assert_eq!(lag_change_rad(Displacement, Velocity).ok(), Some(-PI / 2.0));
    }

    #[test]
    fn spectra_lose_what_lies_below_the_corner() {
        let flat = Spectrum {
            start_hz: 0.0,
            bin_hz: 1.0,
            values: vec![1.0; 101],
            scaling: Scaling::Density,
            window: Window::Hann,
            averages: 1,
            effective_averages: 1.0,
            noise_bandwidth_hz: 1.5,
            nyquist_hz: 100.0,
            unit: "m/s2".into(),
        };
        let velocity = convert_spectrum(&flat, Acceleration, Velocity, 10.0).expect("linked");
        assert_eq!((velocity.start_hz, velocity.values.len()), (10.0, 91));
        assert!((f64::from(velocity.values[0]) * (TAU * 10.0).powi(2) - 1.0).abs() < 1e-6);
        assert_eq!(velocity.unit_text(), "(m/s)²/Hz");
        let whole = convert_spectrum(&flat, Acceleration, Velocity, 0.0).expect("linked");
        assert_eq!(whole.start_hz, 1.0);
        let amplitude = flat.scaled(Scaling::Amplitude);
        let jerk = convert_spectrum(&amplitude, Velocity, Acceleration, 0.0).expect("linked");
        let factor = jerk.values[50] / amplitude.values[50];
        assert!((f64::from(factor) / (TAU * 50.0) - 1.0).abs() < 1e-6);
        assert!(convert_spectrum(&amplitude, Velocity, Acceleration, 200.0).is_err());
        assert!(convert_spectrum(&amplitude, Quantity::Pressure, Velocity, 1.0).is_err());
    }

    /// Two tones: each sample against the exact integral or derivative, away from the ends.
    fn worst_error(steps: i32, n: usize) -> f64 {
        let rate_hz = 4096.0;
        let order = |d: i32| {
            [Displacement, Velocity, Acceleration][(d + 2 * i32::from(steps < 0)) as usize]
        };
        let signal = |t: f64, steps: i32| {
            let tone = |hz: f64, phase: f64| {
                (complex_factor(TAU * hz, steps) * Complex64::from_polar(1.0, TAU * hz * t + phase))
                    .re
            };
            tone(31.3, 0.3) + tone(417.7, 2.0)
        };
        let time = |i: usize| i as f64 / rate_hz;
        let samples: Vec<f32> =
            (0..n).map(|i| (signal(time(i), 0) + 2.0 * f64::from(steps < 0)) as f32).collect();
        let found =
            convert_samples(&samples, rate_hz, order(0), order(steps), 10.0).expect("linked");
        assert_eq!(found.len(), n);
        let scale = omega_factor(TAU * if steps < 0 { 31.3 } else { 417.7 }, steps);
        let margin = (settling_s(10.0) * rate_hz) as usize;
        (margin..n - margin)
            .map(|i| (f64::from(found[i]) - signal(time(i), steps)).abs() / scale)
            .fold(0.0, f64::max)
    }

    #[test]
    fn waveforms_follow_the_exact_result_across_blocks() {
        for steps in [-2, -1, 1, 2] {
            for n in [8_000, 60_000] {
                let worst = worst_error(steps, n);
                assert!(worst < 2e-3, "{steps} {n}: {worst:e}");
            }
        }
    }

    #[test]
    fn refuses_corners_that_let_drift_through() {
        let run = |corner| convert_samples(&[0.0; 10], 100.0, Acceleration, Velocity, corner);
        assert!(run(0.0).is_err() && run(50.0).is_err() && run(f64::NAN).is_err());
        assert_eq!(run(10.0).map(|v| v.len()).ok(), Some(10));
        assert_eq!(
            convert_samples(&[], 100.0, Acceleration, Velocity, 10.0).map(|v| v.len()).ok(),
            Some(0)
        );
    }
}
