//! From the motion of the machine to the output of each sensor, in the unit of its channel.

use std::f64::consts::TAU;

use num_complex::Complex64;
use rand::Rng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

use crate::dsp::fft::{forward_f64, good_length, inverse_f64};
use crate::error::Result;
use crate::recording::Direction;

use super::curve::Curve;
use super::faults::drives;
use super::impacts;
use super::random::{Purpose, stream};
use super::rotor::RotorModel;
use super::scenario::{Place, Resonance, Scenario, Sensor, SensorKind};
use super::timebase::Timebase;
use super::tones::{Ear, power, tones};
use super::transient::{Instants, OrderMotion, run};

/// Density of air in kg/m³ at 20 °C (from memory).
const AIR_KG_M3: f64 = 1.2;

/// Below this frequency noise is not integrated further, in Hz: a real sensor doesn't either.
const INTEGRATION_CORNER_HZ: f64 = 5.0;

/// Time added after the end before filtering, so that the ends do not meet, in s.
const TAIL_S: f64 = 0.05;

/// Most samples between two integrated instants of the rotor.
const GRID_S: f64 = 4e-5;

/// The outputs of all sensors of a scenario, in each channel's unit, lead-in included.
///
/// # Errors
/// As [`run`] and [`impacts::render`].
pub fn render(
    scenario: &Scenario,
    model: &RotorModel,
    curve: &Curve,
    time: &Timebase,
    seed: u64,
) -> Result<Vec<Vec<f64>>> {
    let ears: Vec<Ear> = scenario.sensor.iter().map(|s| ear(scenario, s)).collect();
    let mut signals = vec![vec![0.0; time.len()]; ears.len()];
    add_orders(scenario, model, curve, time, &ears, &mut signals)?;
    let mut rng = stream(seed, Purpose::Tones);
    for tone in tones(scenario, model.total_kg(), &mut rng) {
        tone.render(time, &ears, &mut signals, &mut rng);
    }
    let noise = Broadband::new(scenario, curve, time, seed)?;
    for (i, signal) in signals.iter_mut().enumerate() {
        let sensor = &scenario.sensor[i];
        let mut rng = stream(seed, Purpose::Sensor(i as u32));
        let broadband = noise.at(&ears[i], sensor, &mut rng);
        *signal = filtered(scenario, sensor, time, std::mem::take(signal), broadband);
        finish(sensor, time, signal, &mut rng);
    }
    Ok(signals)
}

/// The weights with which a sensor hears housings, pressure and axial motion.
fn ear(scenario: &Scenario, sensor: &Sensor) -> Ear {
    let one = match sensor.place {
        Place::Front => [1.0, 0.0],
        Place::Rear => [0.0, 1.0],
    };
    let integrals =
        sensor.quantity().derivative_of_displacement().map_or(0, |derivative| 2 - derivative);
    let (radial, axial, pressure) = match (sensor.kind, sensor.direction) {
        (SensorKind::Microphone, _) => ([radiation(sensor); 2], 0.0, 1.0),
        (_, Direction::Radial) => (one, 0.0, 0.0),
        (_, Direction::Axial) => (one.map(|w| w * scenario.background.axial_share), 1.0, 0.0),
    };
    Ear { radial, axial, pressure, integrals, skew_s: sensor.skew_us * 1e-6 }
}

/// Sound pressure per acceleration of a source small against the wavelength,
/// `p = density area a / (4 pi distance)` (Morse and Ingard, Theoretical Acoustics, from memory).
fn radiation(sensor: &Sensor) -> f64 {
    AIR_KG_M3 * sensor.area_m2 / (2.0 * TAU * sensor.distance_m)
}

/// Adds the rotor's own response, order by order.
fn add_orders(
    scenario: &Scenario,
    model: &RotorModel,
    curve: &Curve,
    time: &Timebase,
    ears: &[Ear],
    signals: &mut [Vec<f64>],
) -> Result<()> {
    let stride = (GRID_S * time.rate_hz).round().max(1.0) as usize;
    let instants = Instants {
        start_s: time.start_s(),
        step_s: stride as f64 / time.rate_hz,
        count: time.len().div_ceil(stride) + 1,
    };
    for drive in drives(scenario, model) {
        let run_out = drive.order == 1 && scenario.sensor.iter().any(|s| s.runout_um > 0.0);
        if drive.is_none() && !run_out {
            continue;
        }
        let mut phasors = vec![Vec::with_capacity(instants.count); ears.len()];
        run(model, curve, &drive, time.top_hz, instants, |motion| {
            for ((sensor, ear), track) in scenario.sensor.iter().zip(ears).zip(&mut phasors) {
                track.push(reading(scenario, model, sensor, ear, drive.order, motion));
            }
        })?;
        let order = f64::from(drive.order);
        for ((ear, track), signal) in ears.iter().zip(&phasors).zip(signals.iter_mut()) {
            for (i, value) in signal.iter_mut().enumerate() {
                let (turns, hz) = (time.turns[i] + time.hz[i] * ear.skew_s, time.hz[i]);
                let phasor = between(track, i, stride) * time.pass(order * hz);
                *value += (phasor * Complex64::cis(TAU * order * turns.fract())).re;
            }
        }
    }
    Ok(())
}

/// What a sensor reads of an order, as the phasor of `e^{in theta}` in SI units of its quantity.
fn reading(
    scenario: &Scenario,
    model: &RotorModel,
    sensor: &Sensor,
    ear: &Ear,
    order: i32,
    motion: &OrderMotion,
) -> Complex64 {
    let towards = Complex64::cis(sensor.angle_deg.to_radians());
    let facing = |forward: Complex64, backward: Complex64| {
        forward * towards.conj() + (backward * towards.conj()).conj()
    };
    let derivative = (2 - ear.integrals).clamp(0, 2) as usize;
    let (ahead, behind) =
        (&motion.forward.derivative[derivative], &motion.backward.derivative[derivative]);
    if sensor.kind == SensorKind::Shaft {
        let relative =
            |s| model.shaft_at(s, sensor.place) - RotorModel::housing_at(s, sensor.place);
        let bow = scenario.fault.bent_shaft.as_ref().map(|bent| (bent.runout_um, bent.deg));
        let surface = Some((sensor.runout_um, sensor.runout_deg));
        let standing: Complex64 = (bow.into_iter().chain(surface))
            .filter(|_| order == 1)
            .map(|(um, deg)| Complex64::from_polar(um * 1e-6, -deg.to_radians()) * towards.conj())
            .sum();
        return facing(relative(ahead), relative(behind)) + standing;
    }
    let housings = Place::BOTH.map(|place| {
        let (forward, backward) =
            (RotorModel::housing_at(ahead, place), RotorModel::housing_at(behind, place));
        facing(forward, backward) * ear.radial[place.index()]
    });
    housings.into_iter().sum()
}

/// The phasor at a sample from those on the grid, by the cubic through four of them.
fn between(track: &[Complex64], sample: usize, stride: usize) -> Complex64 {
    let (index, rest) = (sample / stride, sample % stride);
    let last = track.len() - 1;
    if rest == 0 {
        return track[index.min(last)];
    }
    let s = rest as f64 / stride as f64;
    let at = |offset: usize| track[(index + offset).saturating_sub(1).min(last)];
    let (a, b, c, d) = (at(0), at(1), at(2), at(3));
    // Lagrange's weights at -1, 0, 1, 2
    a * (-s * (s - 1.0) * (s - 2.0) / 6.0)
        + b * ((s + 1.0) * (s - 1.0) * (s - 2.0) / 2.0)
        + c * (-(s + 1.0) * s * (s - 2.0) / 2.0)
        + d * ((s + 1.0) * s * (s - 1.0) / 6.0)
}

/// Noise and impacts, as accelerations of the housings.
struct Broadband<'a> {
    time: &'a Timebase,
    /// Level of the noise at each instant in m/s² rms.
    level: Vec<f64>,
    /// Share of it that is common, as white noise of unit power.
    common: Vec<f64>,
    common_share: f64,
    impacts: Option<[Vec<f64>; 2]>,
}

impl<'a> Broadband<'a> {
    fn new(scenario: &Scenario, curve: &Curve, time: &'a Timebase, seed: u64) -> Result<Self> {
        let b = &scenario.background;
        let factor = scenario.fault.looseness.as_ref().map_or(1.0, |fault| fault.noise_factor);
        let level = time
            .hz
            .iter()
            .zip(&time.turns)
            .map(|(hz, turns)| {
                let flow = b.top_m_s2_rms * factor * power(hz / time.top_hz, b.growth);
                let pulsing =
                    if b.modulation > 0.0 { 1.0 + b.modulation * (TAU * turns).cos() } else { 1.0 };
                b.idle_m_s2_rms.hypot(flow * pulsing)
            })
            .collect();
        let mut rng = stream(seed, Purpose::CommonNoise);
        let common = if b.common > 0.0 { white(time.len(), &mut rng) } else { Vec::new() };
        let impacts = impacts::render(scenario, curve, time, seed)?;
        Ok(Self { time, level, common, common_share: b.common, impacts })
    }

    /// Acceleration (or pressure from it) at a sensor; `None` where nothing broadband reaches it.
    fn at(&self, ear: &Ear, sensor: &Sensor, rng: &mut ChaCha8Rng) -> Option<Vec<f64>> {
        if sensor.kind == SensorKind::Shaft {
            return None;
        }
        let gain = ear.radial[0].hypot(ear.radial[1]);
        let own_gain = gain * (1.0 - self.common_share).sqrt();
        let common_gain = gain * self.common_share.sqrt();
        let mut sum: Vec<f64> = (0..self.time.len())
            .map(|i| {
                let own: f64 = StandardNormal.sample(rng);
                let common = self.common.get(i).copied().unwrap_or(0.0);
                self.level[i] * (own_gain * own + common_gain * common)
            })
            .collect();
        for (weight, impacts) in ear.radial.iter().zip(self.impacts.iter().flatten()) {
            if *weight != 0.0 {
                sum.iter_mut().zip(impacts).for_each(|(value, a)| *value += weight * a);
            }
        }
        Some(sum)
    }
}

fn white(len: usize, rng: &mut ChaCha8Rng) -> Vec<f64> {
    (0..len).map(|_| StandardNormal.sample(rng)).collect()
}

/// Structure, integration, mounted resonance and AC coupling, exactly as functions of frequency.
fn filtered(
    scenario: &Scenario,
    sensor: &Sensor,
    time: &Timebase,
    mut signal: Vec<f64>,
    broadband: Option<Vec<f64>>,
) -> Vec<f64> {
    let samples = signal.len();
    let len = good_length(samples + (TAIL_S * time.rate_hz).ceil() as usize);
    let integrals =
        sensor.quantity().derivative_of_displacement().map_or(0, |derivative| 2 - derivative);
    let mut integrated = None;
    match broadband {
        Some(noise) if integrals > 0 => integrated = Some(spectrum(noise, len)),
        Some(noise) => signal.iter_mut().zip(noise).for_each(|(value, n)| *value += n),
        None => {}
    }
    let mut bins = spectrum(signal, len);
    let structure: &[Resonance] =
        if sensor.kind == SensorKind::Shaft { &[] } else { &scenario.background.resonance };
    for (k, bin) in bins.iter_mut().enumerate() {
        let hz = k as f64 * time.rate_hz / len as f64;
        if let Some(noise) = &integrated {
            *bin += noise[k] * integration(hz, integrals);
        }
        *bin *= structure_response(structure, hz) * sensor_response(sensor, hz) / len as f64;
    }
    let mut output = inverse_f64(&mut bins, len);
    output.truncate(samples);
    output
}

fn spectrum(mut samples: Vec<f64>, len: usize) -> Vec<Complex64> {
    samples.resize(len, 0.0);
    forward_f64(&mut samples)
}

/// `1/(iw)` once or twice, levelling off below the corner.
fn integration(hz: f64, times: i32) -> Complex64 {
    let w = Complex64::new(TAU * INTEGRATION_CORNER_HZ, TAU * hz);
    let once = Complex64::new(0.0, hz / hz.hypot(INTEGRATION_CORNER_HZ));
    (once / (Complex64::i() * w)).powi(times)
}

/// One plus the modes of the structure, each with a share of the motion of its base.
fn structure_response(resonances: &[Resonance], hz: f64) -> Complex64 {
    resonances.iter().fold(Complex64::ONE, |sum, mode| {
        let r = hz / mode.hz;
        sum + mode.share * r * r / Complex64::new(1.0 - r * r, 2.0 * mode.damping * r)
    })
}

/// Mounted resonance and AC coupling, both with gain one in the band between.
fn sensor_response(sensor: &Sensor, hz: f64) -> Complex64 {
    let mut response = Complex64::ONE;
    if let Some(resonance_hz) = sensor.mounted_resonance_hz {
        let r = hz / resonance_hz;
        response /= Complex64::new(1.0 - r * r, 2.0 * sensor.mounted_damping * r);
    }
    response * coupling(sensor.corner_hz, hz)
}

/// Response of an AC-coupled input of first order.
fn coupling(corner_hz: Option<f64>, hz: f64) -> Complex64 {
    corner_hz.map_or(Complex64::ONE, |corner| Complex64::new(0.0, hz) / Complex64::new(corner, hz))
}

/// What is rendered beyond the end in s, so that an AC coupling's memory does not come round.
pub fn tail_s(corner_hz: f64) -> f64 {
    TAIL_S.max(1.0 / corner_hz)
}

/// AC coupling of any signal with its lead-in.
pub fn ac_coupled(signal: Vec<f64>, corner_hz: f64, rate_hz: f64) -> Vec<f64> {
    let samples = signal.len();
    let len = good_length(samples + (tail_s(corner_hz) * rate_hz).ceil() as usize);
    let mut bins = spectrum(signal, len);
    for (k, bin) in bins.iter_mut().enumerate() {
        *bin *= coupling(Some(corner_hz), k as f64 * rate_hz / len as f64) / len as f64;
    }
    let mut output = inverse_f64(&mut bins, len);
    output.truncate(samples);
    output
}

/// From SI to the channel's unit, with errors and noise of the sensor itself.
fn finish(sensor: &Sensor, time: &Timebase, signal: &mut [f64], rng: &mut ChaCha8Rng) {
    let sign = if sensor.inverted { -1.0 } else { 1.0 };
    let gain = sign * (1.0 + sensor.gain_error_percent / 100.0) / sensor.unit.si_factor();
    let offset = sensor.offset_percent / 100.0 * sensor.full_scale;
    let mut drift = drift_waves(sensor, time.rate_hz, rng);
    for value in signal.iter_mut() {
        let noise: f64 = StandardNormal.sample(rng);
        *value = *value * gain + offset + sensor.noise_rms * noise;
        for wave in &mut drift {
            wave.now *= wave.step;
            *value += wave.now.re;
        }
    }
}

/// A sine as a phasor that is turned on from sample to sample.
struct Turning {
    now: Complex64,
    step: Complex64,
}

/// Slow sines whose amplitudes fall as frequency rises.
fn drift_waves(sensor: &Sensor, rate_hz: f64, rng: &mut ChaCha8Rng) -> Vec<Turning> {
    if sensor.drift_percent <= 0.0 {
        return Vec::new();
    }
    let rms = sensor.drift_percent / 100.0 * sensor.full_scale;
    let hz: Vec<f64> = (0..10).map(|i| 0.2 * f64::from(1 << i).powf(0.7)).collect();
    let power: f64 = hz.iter().map(|hz| 0.5 / (hz * hz)).sum();
    hz.into_iter()
        .map(|hz| Turning {
            now: Complex64::from_polar(rms / (hz * power.sqrt()), rng.random_range(0.0..TAU)),
            step: Complex64::cis(TAU * hz / rate_hz),
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn integration_is_exact_above_its_corner() {
        let once = integration(1000.0, 1);
        assert!((once * Complex64::new(0.0, TAU * 1000.0) - 1.0).norm() < 0.01);
        assert_eq!(integration(0.0, 2), Complex64::ZERO);
    }

    /// A seismic sensor reads 12.5 % too much at a third of its resonance: 1/(1 - 1/9).
    #[test]
    fn a_mounted_resonance_raises_levels_at_a_third_of_it() {
        let sensor = Sensor { mounted_resonance_hz: Some(30_000.0), ..Sensor::default() };
        assert!((sensor_response(&sensor, 10_000.0).norm() - 1.125).abs() < 1e-3);
    }

    #[test]
    fn cubic_interpolation_meets_a_cubic() {
        let cubic = |x: f64| Complex64::new(x * x * x - 2.0 * x, x * x);
        let track: Vec<Complex64> = (0..10).map(|i| cubic(f64::from(i))).collect();
        for sample in 4..24 {
            let exact = cubic(f64::from(sample) / 3.0);
            assert!((between(&track, sample as usize, 3) - exact).norm() < 1e-9);
        }
    }
}
