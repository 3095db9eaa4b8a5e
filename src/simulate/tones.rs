//! Lines that are not the rotor's own response: harmonics, blades, looseness and the like.
//!
//! They are stated as accelerations of the housings at top speed and grow as a power of speed.

use std::f64::consts::TAU;

use num_complex::Complex64;
use rand::Rng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

use super::scenario::{Place, Scenario};
use super::timebase::Timebase;

/// One line.
#[derive(Debug, Clone, PartialEq)]
pub struct Tone {
    /// Order of the shaft; 0 for a line fixed in Hz.
    pub order: f64,
    /// Frequency in Hz where the order is 0.
    pub hz: f64,
    /// Radial acceleration of the front and rear housings at top speed in m/s² peak.
    pub m_s2: [f64; 2],
    /// Axial acceleration of both at top speed in m/s² peak.
    pub axial_m_s2: f64,
    /// Sound pressure at the microphone at top speed in Pa peak, beyond what the housings radiate.
    pub pressure_pa: f64,
    /// Exponent of growth with speed of acceleration.
    pub growth: f64,
    /// Present above this speed in Hz, fading in over a tenth of it.
    pub from_hz: f64,
    /// Random walk of the phase, in rad per square root of a turn.
    pub wander_rad: f64,
    /// Steady turning of the phase in rad/s.
    pub turning_rad_s: f64,
    /// Phase at angle 0 in rad.
    pub phase_rad: f64,
}

impl Default for Tone {
    fn default() -> Self {
        Self {
            order: 1.0,
            hz: 0.0,
            m_s2: [0.0; 2],
            axial_m_s2: 0.0,
            pressure_pa: 0.0,
            growth: 2.0,
            from_hz: 0.0,
            wander_rad: 0.0,
            turning_rad_s: 0.0,
            phase_rad: 0.0,
        }
    }
}

/// All lines of a scenario; `rotor_kg` turns axial forces into accelerations.
pub fn tones(scenario: &Scenario, total_kg: f64, rng: &mut ChaCha8Rng) -> Vec<Tone> {
    let mut tones = background(scenario);
    tones.extend(looseness(scenario));
    tones.extend(rub(scenario));
    tones.extend(axial_misalignment(scenario, total_kg));
    for tone in &mut tones {
        tone.phase_rad = rng.random_range(0.0..TAU);
    }
    tones
}

fn background(scenario: &Scenario) -> Vec<Tone> {
    let mut tones = Vec::new();
    for order in 2..=6u32 {
        let m_s2 = scenario.background.harmonics_m_s2 / f64::from(order - 1);
        tones.push(Tone { order: order.into(), m_s2: [m_s2; 2], ..Tone::default() });
    }
    for row in scenario.blade.values() {
        tones.push(Tone {
            order: row.count.into(),
            m_s2: [row.m_s2; 2],
            pressure_pa: row.pressure_pa,
            ..Tone::default()
        });
    }
    for line in &scenario.line {
        tones.push(Tone {
            order: line.order,
            hz: line.hz,
            m_s2: [line.m_s2; 2],
            growth: line.growth,
            wander_rad: line.wander_deg.to_radians(),
            ..Tone::default()
        });
    }
    tones.retain(|tone| tone.m_s2 != [0.0; 2] || tone.pressure_pa != 0.0);
    tones
}

/// The level of a fault at one place, as heard at both.
fn at_place(place: Place, m_s2: f64, crosstalk: f64) -> [f64; 2] {
    match place {
        Place::Front => [m_s2, m_s2 * crosstalk],
        Place::Rear => [m_s2 * crosstalk, m_s2],
    }
}

fn looseness(scenario: &Scenario) -> Vec<Tone> {
    let Some(fault) = &scenario.fault.looseness else { return Vec::new() };
    let line = |parts: u32| {
        let order = f64::from(parts) / f64::from(fault.fraction);
        let whole = parts.is_multiple_of(fault.fraction);
        let share =
            if whole { 2.0 / order.max(2.0) } else { fault.half_orders * 2.0 / order.max(2.0) };
        Tone {
            order,
            m_s2: at_place(fault.place, fault.m_s2 * share, scenario.background.crosstalk),
            wander_rad: fault.wander_deg.to_radians(),
            ..Tone::default()
        }
    };
    // all parts to six times the speed: 0.5, 1, 1.5 ... 6
    (1..=6 * fault.fraction).map(line).collect()
}

fn rub(scenario: &Scenario) -> Vec<Tone> {
    let Some(fault) = &scenario.fault.rub else { return Vec::new() };
    let crosstalk = scenario.background.crosstalk;
    let line = |order: f64, m_s2: f64, wander_deg: f64| Tone {
        order,
        m_s2: at_place(fault.place, m_s2, crosstalk),
        from_hz: fault.from_rpm / 60.0,
        wander_rad: f64::to_radians(wander_deg),
        ..Tone::default()
    };
    let part = 1.0 / f64::from(fault.fraction);
    let bow = line(1.0, fault.half_order_m_s2, 0.6);
    let cut = fault.truncation * fault.half_order_m_s2;
    let mut lines = vec![
        line(part, fault.half_order_m_s2, 0.3),
        line(1.0 + part, 0.4 * fault.half_order_m_s2, 0.9),
        Tone { turning_rad_s: fault.spiral_deg_s.to_radians(), ..bow },
        line(2.0, cut, 0.6),
        line(3.0, 0.5 * cut, 0.6),
    ];
    lines.retain(|tone| tone.m_s2 != [0.0; 2]);
    lines
}

/// Force along the shaft on the mass of the whole machine.
fn axial_misalignment(scenario: &Scenario, total_kg: f64) -> Vec<Tone> {
    let Some(fault) = &scenario.fault.misalignment else { return Vec::new() };
    let line = |order: f64, share: f64| Tone {
        order,
        axial_m_s2: share * fault.axial * fault.force_n / total_kg,
        growth: 1.0,
        ..Tone::default()
    };
    vec![line(1.0, fault.order1), line(2.0, 1.0)]
}

/// How a channel feels tones.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ear {
    /// Weights of the radial acceleration of the front and rear housings.
    pub radial: [f64; 2],
    /// Weight of the axial acceleration.
    pub axial: f64,
    /// Weight of the pressure beyond that radiated by the housings.
    pub pressure: f64,
    /// How often the channel's quantity is the integral of acceleration: 0, 1 or 2.
    pub integrals: i32,
    /// Delay of its sampling in s.
    pub skew_s: f64,
}

impl Tone {
    /// Adds the tone to the signals of all channels, in SI units of each channel's quantity.
    pub fn render(
        &self,
        time: &Timebase,
        ears: &[Ear],
        signals: &mut [Vec<f64>],
        rng: &mut ChaCha8Rng,
    ) {
        let weights: Vec<(f64, f64)> = ears
            .iter()
            .map(|ear| {
                let radial = ear.radial[0] * self.m_s2[0] + ear.radial[1] * self.m_s2[1];
                (radial + ear.axial * self.axial_m_s2, ear.pressure * self.pressure_pa)
            })
            .collect();
        if weights.iter().all(|w| *w == (0.0, 0.0)) {
            return;
        }
        let mut wander = 0.0;
        let mut before = time.turns.first().copied().unwrap_or(0.0);
        for i in 0..time.len() {
            let (turns, hz) = (time.turns[i], time.hz[i]);
            if self.wander_rad > 0.0 {
                let kick: f64 = StandardNormal.sample(rng);
                wander += kick * self.wander_rad * (turns - before).max(0.0).sqrt();
                before = turns;
            }
            let line_hz = if self.order > 0.0 { self.order * hz } else { self.hz };
            let level = self.fade_in(hz) * time.pass(line_hz);
            if level == 0.0 || line_hz < 0.1 {
                continue;
            }
            let cycles =
                if self.order > 0.0 { self.order * turns } else { self.hz * time.time_s(i) };
            let turned = wander + self.turning_rad_s * time.time_s(i);
            let phase = TAU * (cycles - cycles.floor()) + self.phase_rad + turned;
            let turning = Complex64::cis(phase) * level;
            let share = hz / time.top_hz;
            let (grown, loud) = (power(share, self.growth), share * share * share);
            for ((ear, weight), signal) in ears.iter().zip(&weights).zip(signals.iter_mut()) {
                let acceleration = weight.0 * grown + weight.1 * loud;
                signal[i] += ear.felt(turning, line_hz) * acceleration;
            }
        }
    }

    fn fade_in(&self, hz: f64) -> f64 {
        if self.from_hz <= 0.0 {
            return 1.0;
        }
        ((hz / self.from_hz - 1.0) / 0.1).clamp(0.0, 1.0)
    }
}

impl Ear {
    /// The channel's reading of a unit acceleration phasor.
    fn felt(&self, turning: Complex64, line_hz: f64) -> f64 {
        let w = TAU * line_hz;
        let skewed =
            if self.skew_s == 0.0 { turning } else { turning * Complex64::cis(w * self.skew_s) };
        match self.integrals {
            0 => skewed.re,
            1 => skewed.im / w,
            _ => -skewed.re / (w * w),
        }
    }
}

/// `share` to a power, quick for the usual small whole exponents.
pub fn power(share: f64, exponent: f64) -> f64 {
    if exponent == 2.0 {
        share * share
    } else if exponent == 1.0 {
        share
    } else if exponent == 0.0 {
        1.0
    } else {
        share.powf(exponent)
    }
}
