//! Drawing machines at random, for calibrating probabilities on many of them.
//!
//! Everything that differs between machines, rigs and recordings is drawn widely: sizes and speeds,
//! place and damping of critical speeds, sensors, noise, structure, imperfect pulses, and lines that
//! no signature knows. The ranges are common practice, no source.

use rand::Rng;
use rand::seq::IndexedRandom;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

use crate::error::{Error, Result};
use crate::machine::{Bearing, BearingType};
use crate::units::Unit;

use super::random::{Purpose, stream};
use super::rotor::RotorModel;
use super::scenario::*;
use super::truth::{greatest_order1, permissible_g_mm};

/// Top speed in rpm above which a drawn cage may skid: light, fast rotors (judgement, no source). The search for
/// bearing lines allows for it from lower speeds on, as it must not miss a heavier rotor's that does.
const SKIDS_FROM_RPM: f64 = 40_000.0;

/// The faults that can be drawn.
pub const FAULTS: [&str; 9] = [
    "imbalance",
    "misalignment",
    "bent_shaft",
    "looseness",
    "rub",
    "bearing_outer",
    "bearing_inner",
    "bearing_ball",
    "bearing_cage",
];

impl Scenario {
    /// A machine and a recording of 3 to 6 s drawn at random, with the faults of these ids, or healthy.
    ///
    /// The same faults and seed give the same scenario. A misaligned machine has a coupling; healthy
    /// ones have one as often as not. The size of the fault is drawn too, from barely visible to plain.
    ///
    /// # Errors
    /// [`Error::Setting`] where no such fault is known.
    pub fn drawn_with(faults: &[&str], seed: u64) -> Result<Self> {
        if let Some(id) = faults.iter().find(|id| !FAULTS.contains(id)) {
            return Err(Error::setting(
                "fault",
                format!("{id:?} is unknown"),
                format!("name one of {}", FAULTS.join(", ")),
            ));
        }
        let mut rng = stream(seed, Purpose::Scenario);
        let mut scenario = Self { name: format!("drawn-{seed}"), ..Self::default() };
        draw_speed(&mut scenario, &mut rng);
        draw_rotor(&mut scenario, &mut rng);
        draw_bearings(&mut scenario, &mut rng);
        draw_channels(&mut scenario, &mut rng);
        draw_pulse(&mut scenario, &mut rng);
        draw_background(&mut scenario, &mut rng);
        draw_extras(&mut scenario, &mut rng);
        draw_observations(&mut scenario, faults, &mut stream(seed, Purpose::Observations));
        scenario.coupling = rng.random_bool(0.5) || faults.contains(&"misalignment");
        draw_limits(&mut scenario);
        for id in faults {
            plant(&mut scenario, id, &mut rng);
        }
        fit_full_scale(&mut scenario, &mut rng);
        draw_shaft_sensors(&mut scenario, &mut stream(seed, Purpose::ShaftSensors));
        Ok(scenario)
    }

    /// As [`Scenario::drawn_with`], with one fault or none.
    ///
    /// # Errors
    /// As [`Scenario::drawn_with`].
    pub fn drawn(fault: Option<&str>, seed: u64) -> Result<Self> {
        Self::drawn_with(fault.as_slice(), seed)
    }
}

/// Uniform in the logarithm.
fn log_uniform(rng: &mut ChaCha8Rng, low: f64, high: f64) -> f64 {
    (rng.random_range(low.ln()..high.ln())).exp()
}

fn pick<T: Copy>(rng: &mut ChaCha8Rng, options: &[T], fallback: T) -> T {
    options.choose(rng).copied().unwrap_or(fallback)
}

fn draw_speed(scenario: &mut Scenario, rng: &mut ChaCha8Rng) {
    let top_rpm = log_uniform(rng, 10_000.0, 180_000.0).round();
    let rates = [25_600.0, 44_100.0, 48_000.0, 51_200.0, 65_536.0, 96_000.0, 102_400.0];
    let enough: Vec<f64> = rates.into_iter().filter(|rate| *rate >= 6.0 * top_rpm / 60.0).collect();
    scenario.converter.rate_hz = pick(rng, &enough, 102_400.0);
    scenario.converter.bits = pick(rng, &[Bits::Sixteen, Bits::TwentyFour], Bits::TwentyFour);
    let wander_percent = log_uniform(rng, 0.003, 0.2);
    scenario.speed = if rng.random_bool(0.1) {
        SpeedProfile {
            wander_percent,
            ..SpeedProfile::constant(top_rpm, rng.random_range(3.0..5.0))
        }
    } else {
        SpeedProfile {
            start_rpm: top_rpm * rng.random_range(0.08..0.3),
            top_rpm,
            end_rpm: top_rpm * rng.random_range(0.2..0.5),
            wait_s: rng.random_range(0.0..0.3),
            up_s: rng.random_range(1.5..3.2),
            hold_s: rng.random_range(1.5..2.4),
            down_s: 0.0,
            after_s: 0.0,
            shape: pick(rng, &[RampShape::Smooth, RampShape::Exponential], RampShape::Smooth),
            wander_percent,
        }
    };
}

/// A rotor whose bouncing critical speed lies at a drawn share of top speed.
fn draw_rotor(scenario: &mut Scenario, rng: &mut ChaCha8Rng) {
    let top_rpm = scenario.speed.top_rpm;
    let mass_kg = 0.35 * (96_000.0 / top_rpm).powf(1.6) * log_uniform(rng, 0.4, 2.5);
    let size = (mass_kg / 0.35).cbrt();
    let span_mm = 100.0 * size * rng.random_range(0.7..1.4);
    let housing_kg = mass_kg * log_uniform(rng, 0.05, 0.4);
    let critical = top_rpm / 60.0 * std::f64::consts::TAU * log_uniform(rng, 0.3, 1.8);
    let total_kg = mass_kg + 2.0 * housing_kg;
    let mount_n_m = 0.5 * total_kg * critical * critical;
    // the mode in which rotor and housings move against each other stays well above
    let counter = top_rpm / 60.0 * std::f64::consts::TAU * rng.random_range(2.5..4.0);
    let bearing_n_m = 0.5 * counter * counter / (1.0 / mass_kg + 0.5 / housing_kg);
    let bearing_n_m = bearing_n_m.max(2.0 * mount_n_m);
    let damping = log_uniform(rng, 0.02, 0.15);
    let transverse_kg_m2 = mass_kg * (span_mm * 1e-3 * rng.random_range(0.2..0.45)).powi(2);
    let anisotropy = if rng.random_bool(0.4) { rng.random_range(-0.1..0.1) } else { 0.0 };
    let support = |rng: &mut ChaCha8Rng| Support {
        bearing_n_m,
        bearing_n_s_m: 0.05 * damping * total_kg * critical,
        housing_kg,
        mount_n_m: mount_n_m * rng.random_range(0.8..1.25),
        mount_n_s_m: damping * total_kg * critical,
        anisotropy,
    };
    let (front, rear) = (support(rng), support(rng));
    scenario.rotor = Rotor {
        mass_kg,
        polar_kg_m2: transverse_kg_m2 * rng.random_range(0.1..0.9),
        transverse_kg_m2,
        span_mm,
        centre_mm: span_mm * rng.random_range(0.35..0.65),
        front,
        rear,
        residual: Vec::new(),
    };
    let permissible = permissible_g_mm(mass_kg, top_rpm);
    scenario.rotor.residual = planes(scenario, permissible * log_uniform(rng, 0.05, 0.9), rng);
}

/// Two heavy spots whose sizes add up to `total_g_mm`.
fn planes(scenario: &Scenario, total_g_mm: f64, rng: &mut ChaCha8Rng) -> Vec<Unbalance> {
    let span_mm = scenario.rotor.span_mm;
    let share = rng.random_range(0.1..0.9);
    let mut spot = |position_mm: f64, g_mm: f64| Unbalance {
        position_mm,
        g_mm,
        deg: rng.random_range(0.0..360.0),
    };
    vec![spot(0.15 * span_mm, total_g_mm * share), spot(0.85 * span_mm, total_g_mm * (1.0 - share))]
}

fn draw_bearings(scenario: &mut Scenario, rng: &mut ChaCha8Rng) {
    for place in Place::BOTH {
        let pitch_mm = 12.0 * (scenario.rotor.mass_kg / 0.35).cbrt() * rng.random_range(0.8..1.5);
        let bearing = Bearing {
            elements: Some(rng.random_range(7..=13)),
            element_mm: Some(pitch_mm * rng.random_range(0.17..0.26)),
            pitch_mm: Some(pitch_mm),
            contact_deg: Some(pick(rng, &[0.0, 12.0, 15.0, 18.0, 25.0], 15.0)),
            ..Bearing::default()
        };
        scenario.bearing.insert(place, bearing);
    }
}

fn draw_channels(scenario: &mut Scenario, rng: &mut ChaCha8Rng) {
    let pulse_to_sensor = rng.random_range(0.0..360.0);
    let places = if rng.random_bool(0.7) { &Place::BOTH[..] } else { &Place::BOTH[..1] };
    let resonance_hz = log_uniform(rng, 25_000.0, 60_000.0);
    let unit = pick(rng, &[Unit::G, Unit::G, Unit::MeterPerSecond2], Unit::G);
    let noise_m_s2 = log_uniform(rng, 0.005, 0.3);
    scenario.sensor = places
        .iter()
        .map(|place| Sensor {
            angle_deg: pulse_to_sensor,
            unit,
            gain_error_percent: 3.0 * gaussian(rng),
            noise_rms: noise_m_s2 / unit.si_factor(),
            offset_percent: 0.2 * gaussian(rng),
            drift_percent: log_uniform(rng, 0.001, 0.3),
            mounted_resonance_hz: rng.random_bool(0.5).then_some(resonance_hz),
            corner_hz: rng.random_bool(0.7).then_some(rng.random_range(0.3..5.0)),
            ..Sensor::accelerometer(*place)
        })
        .collect();
}

/// In some machines a displacement sensor looks at the shaft at each place, at a surface that is never
/// quite round: healthy shafts have run-out too.
fn draw_shaft_sensors(scenario: &mut Scenario, rng: &mut ChaCha8Rng) {
    if !rng.random_bool(0.35) {
        return;
    }
    let bow_um = scenario.fault.bent_shaft.as_ref().map_or(0.0, |bent| bent.runout_um);
    let vibration_um = greatest_order1_um(scenario);
    let sensors: Vec<Sensor> = scenario
        .sensor
        .iter()
        .map(|beside| {
            let runout_um = log_uniform(rng, 1.0, 20.0);
            let name = format!("{}_shaft", beside.place.word());
            let angle_deg = rng.random_range(0.0..360.0);
            let expected_um = runout_um + bow_um + vibration_um;
            Sensor {
                full_scale: expected_um * log_uniform(rng, 1.5, 8.0),
                noise_rms: log_uniform(rng, 0.02, 0.2),
                gain_error_percent: 3.0 * gaussian(rng),
                runout_um,
                runout_deg: rng.random_range(0.0..360.0),
                ..Sensor::shaft_displacement(&name, beside.place, angle_deg)
            }
        })
        .collect();
    scenario.sensor.extend(sensors);
}

/// What the first order of the housings comes to at most, as displacement in µm peak: the shaft moves less
/// against them, as its bearings are stiffer than the mounts.
fn greatest_order1_um(scenario: &Scenario) -> f64 {
    let model = RotorModel::new(&scenario.rotor);
    let spots = all_spots(scenario);
    // velocity at the worst speed, at the lowest speed that a critical may have
    let spin = 0.3 * scenario.top_hz() * std::f64::consts::TAU;
    let mm_s_rms = greatest_order1(scenario, &model, &spots).into_iter().fold(0.0, f64::max);
    1000.0 * std::f64::consts::SQRT_2 * mm_s_rms / spin
}

/// Every heavy spot, with the one that a bow makes.
fn all_spots(scenario: &Scenario) -> Vec<Unbalance> {
    let planes = scenario.fault.imbalance.iter().flat_map(|f| f.plane.iter());
    let mut spots: Vec<Unbalance> = scenario.rotor.residual.iter().chain(planes).copied().collect();
    if let Some(bent) = &scenario.fault.bent_shaft {
        let g_mm = bent.bow_um * scenario.rotor.mass_kg;
        spots.push(Unbalance { position_mm: scenario.rotor.centre_mm, g_mm, deg: bent.deg });
    }
    spots
}

fn draw_pulse(scenario: &mut Scenario, rng: &mut ChaCha8Rng) {
    let rough = rng.random_bool(0.3);
    scenario.pulse = PulseSensor {
        width: log_uniform(rng, 0.01, 0.5),
        jitter_us: log_uniform(rng, 0.05, 1.0),
        lost_percent: if rough { rng.random_range(0.0..1.0) } else { 0.0 },
        doubled_percent: if rough { rng.random_range(0.0..0.5) } else { 0.0 },
        noise_v_rms: log_uniform(rng, 0.005, 0.15),
        idle_high: rng.random_bool(0.3),
        sag_percent: if rough { rng.random_range(0.0..10.0) } else { 0.0 },
        corner_hz: rng.random_bool(0.3).then_some(rng.random_range(1.0..10.0)),
        ..PulseSensor::default()
    };
}

/// Acceleration in m/s² that the permissible unbalance roughly gives at top speed: the measure for
/// noise, lines and faults.
fn measure_m_s2(scenario: &Scenario) -> f64 {
    let spin = scenario.top_hz() * std::f64::consts::TAU;
    let rotor = &scenario.rotor;
    let total_kg = rotor.mass_kg + rotor.front.housing_kg + rotor.rear.housing_kg;
    permissible_g_mm(rotor.mass_kg, scenario.speed.top_rpm) * 1e-6 / total_kg * spin * spin
}

fn draw_background(scenario: &mut Scenario, rng: &mut ChaCha8Rng) {
    let measure = measure_m_s2(scenario);
    let top_m_s2_rms = measure * log_uniform(rng, 0.02, 1.0);
    let rate_hz = scenario.converter.rate_hz;
    scenario.background = Background {
        idle_m_s2_rms: top_m_s2_rms * rng.random_range(0.02..0.3),
        top_m_s2_rms,
        growth: rng.random_range(0.8..2.5),
        modulation: if rng.random_bool(0.3) { rng.random_range(0.0..0.5) } else { 0.0 },
        common: rng.random_range(0.0..0.8),
        // some sound machines are rich in harmonics
        harmonics_m_s2: measure
            * if rng.random_bool(0.15) {
                log_uniform(rng, 0.3, 1.5)
            } else {
                log_uniform(rng, 0.01, 0.3)
            },
        crosstalk: rng.random_range(0.05..0.6),
        resonance: (0..rng.random_range(0..4))
            .map(|_| Resonance {
                hz: rate_hz * rng.random_range(0.03..0.42),
                damping: log_uniform(rng, 0.01, 0.06),
                share: rng.random_range(0.02..0.3),
            })
            .collect(),
        mains_hz: pick(rng, &[50.0, 60.0], 50.0),
        hum_percent: log_uniform(rng, 0.001, 0.3),
        ..Background::default()
    };
}

/// Blades and lines that no signature knows.
fn draw_extras(scenario: &mut Scenario, rng: &mut ChaCha8Rng) {
    let measure = measure_m_s2(scenario);
    scenario.blade.clear();
    if rng.random_bool(0.7) {
        let row = Blades {
            count: rng.random_range(5..=23),
            m_s2: measure * log_uniform(rng, 0.02, 1.0),
            stated: rng.random_bool(0.7),
            ..Blades::default()
        };
        scenario.blade.insert("wheel".to_owned(), row);
    }
    if rng.random_bool(0.25) {
        // a fixed line of some neighbour
        scenario.line.push(Line {
            hz: log_uniform(rng, 80.0, 8000.0),
            m_s2: measure * log_uniform(rng, 0.01, 0.3),
            growth: 0.0,
            ..Line::default()
        });
    }
    if rng.random_bool(0.15) {
        // a belt, gear or second shaft at no simple ratio
        let order = rng.random_range(0.7..4.0);
        scenario.line.push(Line {
            order,
            m_s2: measure * log_uniform(rng, 0.02, 0.5),
            ..Line::default()
        });
    }
}

/// What a healthy machine may show as well and a signature knows: each is there in some machines and missing in
/// others, also where the machine file states it, so that its confidence can be learned.
fn draw_observations(scenario: &mut Scenario, faults: &[&str], rng: &mut ChaCha8Rng) {
    let measure = measure_m_s2(scenario);
    for row in scenario.blade.values_mut() {
        if rng.random_bool(0.3) {
            // stated, and not to be heard
            row.m_s2 = 0.0;
            row.pressure_pa = 0.0;
        } else if rng.random_bool(0.4) {
            row.uneven = log_uniform(rng, 0.05, 0.8);
        }
    }
    if rng.random_bool(0.35) {
        let loaded = rng.random_bool(0.6);
        scenario.generator = Some(Generator {
            pole_pairs: rng.random_range(1..=4),
            m_s2: if loaded { measure * log_uniform(rng, 0.02, 0.5) } else { 0.0 },
            stated: rng.random_bool(0.7),
        });
    }
    scenario.background.hum_percent = 0.0;
    if rng.random_bool(0.35) {
        scenario.background.hum_percent = log_uniform(rng, 0.003, 3.0);
        if rng.random_bool(0.4) {
            scenario.background.hum_twice_percent =
                scenario.background.hum_percent * log_uniform(rng, 0.3, 5.0);
        }
    }
    if rng.random_bool(0.3) {
        draw_sub_synchronous(scenario, faults, measure, rng);
    }
}

/// A whirl that follows the shaft, or one that is caught at a natural frequency once the shaft turns
/// twice as fast; half of them in fluid-film bearings.
fn draw_sub_synchronous(
    scenario: &mut Scenario,
    faults: &[&str],
    measure: f64,
    rng: &mut ChaCha8Rng,
) {
    let top_rpm = scenario.speed.top_rpm;
    let line = Line {
        m_s2: measure * log_uniform(rng, 0.02, 1.0),
        wander_deg: log_uniform(rng, 0.1, 5.0),
        ..Line::default()
    };
    let line = if rng.random_bool(0.5) {
        let order = if rng.random_bool(0.7) {
            rng.random_range(0.38..0.48)
        } else {
            rng.random_range(0.15..0.32)
        };
        Line { order, from_rpm: top_rpm * rng.random_range(0.2..0.8), ..line }
    } else {
        let natural_rpm = top_rpm * rng.random_range(0.2..0.46);
        let from_rpm = natural_rpm * rng.random_range(2.0..2.1);
        Line { hz: natural_rpm / 60.0, from_rpm, growth: 1.0, ..line }
    };
    scenario.line.push(line);
    if rng.random_bool(0.5) && !faults.iter().any(|id| id.starts_with("bearing")) {
        let kind = pick(
            rng,
            &[BearingType::Plain, BearingType::FloatingRing, BearingType::Foil],
            BearingType::Plain,
        );
        for bearing in scenario.bearing.values_mut() {
            *bearing = Bearing { kind, ..Bearing::default() };
        }
    }
}

/// The limit that a maker would set: one and a half times what the permissible unbalance gives in the
/// worse of its two places, at the worst speed.
fn draw_limits(scenario: &mut Scenario) {
    let rotor = &scenario.rotor;
    let permissible = permissible_g_mm(rotor.mass_kg, scenario.speed.top_rpm);
    let model = RotorModel::new(rotor);
    let worst = [0.15, 0.85]
        .map(|share| {
            let spot =
                [Unbalance { position_mm: share * rotor.span_mm, g_mm: permissible, deg: 0.0 }];
            greatest_order1(scenario, &model, &spot).into_iter().fold(0.0, f64::max)
        })
        .into_iter()
        .fold(0.0, f64::max);
    scenario.limits.order1_mm_s_rms = Some((15.0 * worst).round().max(1.0) / 10.0);
    scenario.limits.overall_mm_s_rms = Some((30.0 * worst).round().max(2.0) / 10.0);
}

fn plant(scenario: &mut Scenario, id: &str, rng: &mut ChaCha8Rng) {
    let measure = measure_m_s2(scenario);
    let place = pick(rng, &Place::BOTH[..scenario.sensor.len().clamp(1, 2)], Place::Front);
    let permissible = permissible_g_mm(scenario.rotor.mass_kg, scenario.speed.top_rpm);
    let total_kg = scenario.rotor.mass_kg + 2.0 * scenario.rotor.front.housing_kg;
    match id {
        "imbalance" => {
            let plane = planes(scenario, permissible * log_uniform(rng, 3.0, 40.0), rng);
            scenario.fault.imbalance = Some(Imbalance { plane });
        }
        "misalignment" => {
            scenario.fault.misalignment = Some(Misalignment {
                position_mm: scenario.rotor.span_mm * rng.random_range(1.1..1.4),
                force_n: total_kg * measure * log_uniform(rng, 0.7, 8.0),
                order1: rng.random_range(0.05..0.5),
                axial: rng.random_range(0.2..1.0),
                deg: rng.random_range(0.0..360.0),
            });
        }
        "bent_shaft" => {
            let bow_um = 1000.0 * permissible / (1000.0 * scenario.rotor.mass_kg);
            let bow_um = bow_um * log_uniform(rng, 5.0, 40.0);
            scenario.fault.bent_shaft = Some(BentShaft {
                bow_um,
                // beside a bearing less of it is seen, overhung more
                runout_um: bow_um * rng.random_range(0.3..1.5),
                deg: rng.random_range(0.0..360.0),
            });
        }
        "looseness" => {
            scenario.fault.looseness = Some(Looseness {
                place,
                m_s2: measure * log_uniform(rng, 0.5, 6.0),
                half_orders: rng.random_range(0.1..0.8),
                wander_deg: log_uniform(rng, 0.2, 5.0),
                noise_factor: rng.random_range(1.0..2.5),
                fraction: pick(rng, &[2, 2, 2, 2, 3], 2),
            });
        }
        "rub" => {
            scenario.fault.rub = Some(Rub {
                place,
                from_rpm: scenario.speed.top_rpm * rng.random_range(0.4..0.9),
                m_s2: measure * log_uniform(rng, 1.0, 10.0),
                half_order_m_s2: measure * log_uniform(rng, 0.1, 2.0),
                fraction: pick(rng, &[2, 2, 3], 2),
                truncation: rng.random_range(0.1..1.0),
                spiral_deg_s: if rng.random_bool(0.4) { 40.0 * gaussian(rng) } else { 0.0 },
            });
        }
        _ => plant_defect(scenario, id, place, rng),
    }
}

/// A bearing defect whose impacts stand 1 to 30 times above the noise.
fn plant_defect(scenario: &mut Scenario, id: &str, place: Place, rng: &mut ChaCha8Rng) {
    let rate_hz = scenario.converter.rate_hz;
    let sensor_m_s2 = scenario.sensor.first().map_or(0.0, |s| s.noise_rms * s.unit.si_factor());
    let noise = scenario.background.top_m_s2_rms.hypot(sensor_m_s2);
    let defect = BearingDefect {
        place,
        m_s2: noise * log_uniform(rng, 1.0, 30.0),
        slip_percent: draw_slip(scenario.speed.top_rpm, rng),
        jitter_percent: rng.random_range(0.3..1.5),
        load_zone: rng.random_range(0.2..1.0),
        ring: (0..rng.random_range(1..=3))
            .map(|_| Ring {
                hz: rate_hz * rng.random_range(0.1..0.42),
                damping: log_uniform(rng, 0.015, 0.08),
                share: rng.random_range(0.3..1.0),
            })
            .collect(),
    };
    let fault = &mut scenario.fault;
    let slot = match id {
        "bearing_outer" => &mut fault.bearing_outer,
        "bearing_inner" => &mut fault.bearing_inner,
        "bearing_ball" => &mut fault.bearing_ball,
        _ => &mut fault.bearing_cage,
    };
    *slot = Some(defect);
}

/// Slip of a cage in percent: one or two, but now and then far more at high speed, where sets skid and contact
/// angles change.
fn draw_slip(top_rpm: f64, rng: &mut ChaCha8Rng) -> f64 {
    let (usual, unusual) = (rng.random_range(0.0..2.0), rng.random_range(-5.0..12.0));
    if top_rpm > SKIDS_FROM_RPM && rng.random_bool(0.1) { unusual } else { usual }
}

/// A range that an engineer would choose: 1.5 to 8 times the largest level expected.
fn fit_full_scale(scenario: &mut Scenario, rng: &mut ChaCha8Rng) {
    let model = RotorModel::new(&scenario.rotor);
    let fault = &scenario.fault;
    let spots = all_spots(scenario);
    // velocity at the worst speed, as acceleration at top speed: never too little
    let spin = scenario.top_hz() * std::f64::consts::TAU;
    let order1 = greatest_order1(scenario, &model, &spots).into_iter().fold(0.0, f64::max);
    let defects =
        [&fault.bearing_outer, &fault.bearing_inner, &fault.bearing_ball, &fault.bearing_cage];
    let impacts: f64 = defects.into_iter().flatten().map(|defect| 2.0 * defect.m_s2).sum();
    let loose = fault.looseness.as_ref().map_or(0.0, |f| 4.0 * f.m_s2);
    let rub = fault.rub.as_ref().map_or(0.0, |f| 2.0 * (f.m_s2 + f.half_order_m_s2));
    // a force of twice the speed may meet a critical speed of 10 times amplification
    let coupling = fault.misalignment.as_ref().map_or(0.0, |f| 10.0 * f.force_n / model.total_kg());
    let lines: f64 = scenario.line.iter().map(|line| line.m_s2).sum::<f64>()
        + scenario.blade.values().map(|row| row.m_s2 * (1.0 + 2.0 * row.uneven)).sum::<f64>()
        + scenario.generator.map_or(0.0, |generator| 2.5 * generator.m_s2)
        + 2.5 * scenario.background.harmonics_m_s2;
    let broadband =
        6.0 * scenario.background.top_m_s2_rms + 2.0 * scenario.background.idle_m_s2_rms;
    let modes = 1.0
        + scenario
            .background
            .resonance
            .iter()
            .map(|r| r.share / (2.0 * r.damping))
            .fold(0.0, f64::max);
    let expected = 1e-3 * std::f64::consts::SQRT_2 * order1 * spin
        + impacts
        + loose
        + rub
        + coupling
        + (lines + broadband) * modes;
    for sensor in &mut scenario.sensor {
        let range = expected / sensor.unit.si_factor() * log_uniform(rng, 1.5, 8.0);
        sensor.full_scale = range.max(100.0 * sensor.noise_rms);
    }
}

fn gaussian(rng: &mut ChaCha8Rng) -> f64 {
    StandardNormal.sample(rng)
}

#[cfg(test)]
mod tests {
    use super::super::simulate;
    use super::*;

    #[test]
    fn every_drawn_scenario_is_sound() {
        for seed in 0..400 {
            for fault in FAULTS.into_iter().map(Some).chain([None]) {
                let scenario = Scenario::drawn(fault, seed).expect("a known fault");
                scenario.check().unwrap_or_else(|error| panic!("{fault:?} {seed}: {error}"));
                let seconds = scenario.speed.duration_s();
                assert!((3.0..6.0).contains(&seconds), "{seconds}");
            }
        }
        assert!(Scenario::drawn(Some("gremlin"), 1).is_err());
    }

    #[test]
    fn drawing_again_gives_the_same_scenario() {
        let draw = |fault, seed| Scenario::drawn(fault, seed).expect("known");
        assert_eq!(draw(Some("rub"), 5), draw(Some("rub"), 5));
        assert_ne!(draw(None, 5), draw(None, 6));
    }

    #[test]
    fn drawn_machines_can_be_simulated_and_seldom_clip() {
        let mut clipped = 0;
        for seed in 0..30u32 {
            let fault = FAULTS.get(seed as usize % 10).copied();
            let scenario = Scenario::drawn(fault, seed.into()).expect("known");
            let simulated = simulate(&scenario, seed.into()).expect("it can be followed");
            assert_eq!(simulated.truth.faults.len(), usize::from(fault.is_some()));
            let channel = &simulated.recording.channels[0];
            let full_scale = channel.full_scale.expect("integers");
            let peak = channel.values().iter().fold(0.0f32, |top, v| top.max(v.abs()));
            assert!(peak.is_finite() && peak > 0.0);
            clipped += usize::from(f64::from(peak) > 0.999 * full_scale);
        }
        assert!(clipped <= 2, "{clipped}");
    }
}
