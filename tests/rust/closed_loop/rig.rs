//! Coefficients of a rotor on its rig: drawn as plain numbers, or from the dynamics of a rotor on two bearings.

use std::f64::consts::TAU;

use nalgebra::DMatrix;
use num_complex::Complex64;
use quietspin::balance::tolerance;
use quietspin::simulate::rotor::{RotorModel, STILL};
use quietspin::simulate::{Place, Rotor as Design, Support};
use rand::Rng;
use rand_chacha::ChaCha8Rng;

/// Where the coefficients of a rotor come from, and what is read of it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Layout {
    /// Two readings: 0.7 to 1.3 for the own plane, 0.1 to 0.5 for the other one, at any angle.
    Plain,
    /// A rotor on two bearings with an accelerometer at each, at one speed.
    TwoSensors,
    /// A rotor on two bearings with one accelerometer: at the speed of balancing and the two slower ones from 0.3
    /// times it on that tell the planes apart best.
    OneSensor,
}

impl Layout {
    pub const ALL: [Self; 3] = [Self::Plain, Self::TwoSensors, Self::OneSensor];

    pub fn word(self) -> &'static str {
        match self {
            Self::Plain => "plain numbers",
            Self::TwoSensors => "two sensors",
            Self::OneSensor => "one sensor",
        }
    }
}

/// A rotor on its rig as far as readings go.
#[derive(Debug, Clone)]
pub struct Rig {
    /// Reading per g mm: a row for each reading, a column for each plane.
    pub coefficients: DMatrix<Complex64>,
    /// Permissible unbalance in each plane in g mm.
    pub limits_g_mm: Vec<f64>,
    /// The rotor itself, where it has a body.
    pub body: Option<Body>,
}

/// A rotor with its planes, sensors and speeds.
#[derive(Debug, Clone)]
pub struct Body {
    pub design: Design,
    /// Planes of correction in mm from the front bearing.
    pub planes_mm: [f64; 2],
    /// Each reading: at which bearing, at which speed.
    pub readings: Vec<(Place, f64)>,
}

/// Angle of the sensors from the pulse sensor.
pub const SENSOR_DEG: f64 = 90.0;
/// How near a critical speed nobody balances, as a share.
const OFF_CRITICAL: f64 = 0.08;
/// Balancing grade in mm/s.
const GRADE: f64 = 2.5;

impl Rig {
    pub fn draw(layout: Layout, rng: &mut ChaCha8Rng) -> Self {
        if layout == Layout::Plain {
            return plain(rng);
        }
        loop {
            if let Some(rig) = rotor_on_bearings(layout, rng) {
                return rig;
            }
        }
    }

    /// What the permitted unbalance reads in the plane that a reading feels most.
    pub fn reads_at_limit(&self) -> Vec<f64> {
        let of = |r: usize, p: usize| self.coefficients[(r, p)].norm() * self.limits_g_mm[p];
        (0..self.coefficients.nrows())
            .map(|r| (0..self.limits_g_mm.len()).map(|p| of(r, p)).fold(0.0, f64::max))
            .collect()
    }
}

fn plain(rng: &mut ChaCha8Rng) -> Rig {
    let coefficients = DMatrix::from_fn(2, 2, |reading, plane| {
        let (low, high) = if reading == plane { (0.7, 1.3) } else { (0.1, 0.5) };
        Complex64::from_polar(rng.random_range(low..high), rng.random_range(0.0..TAU))
    });
    Rig { coefficients, limits_g_mm: vec![1.0; 2], body: None }
}

fn log_even(rng: &mut ChaCha8Rng, low: f64, high: f64) -> f64 {
    rng.random_range(low.ln()..high.ln()).exp()
}

/// A rotor of 0.05 to 2 kg between a disc and a bar, its first critical speed at 5 000 to 60 000 rpm, to be balanced
/// below it or above it; `None` where a critical speed lies too near to the speed of balancing.
fn rotor_on_bearings(layout: Layout, rng: &mut ChaCha8Rng) -> Option<Rig> {
    let mass_kg = log_even(rng, 0.05, 2.0);
    let span_mm = 110.0 * (mass_kg / 0.35).cbrt() * rng.random_range(0.8..1.25);
    let radius_m = 0.3e-3 * span_mm * rng.random_range(0.6..1.2);
    let polar_kg_m2 = 0.5 * mass_kg * radius_m.powi(2);
    let length_m = 1e-3 * span_mm * rng.random_range(0.6..1.3);
    let transverse_kg_m2 = 0.5 * polar_kg_m2 + mass_kg * length_m.powi(2) / 12.0;
    let natural = log_even(rng, 5_000.0, 60_000.0) * TAU / 60.0;
    let mut support = || {
        let mount_n_m = 0.5 * mass_kg * natural.powi(2) * rng.random_range(0.8..1.6);
        let housing_kg = mass_kg * rng.random_range(0.03..0.15);
        Support {
            bearing_n_m: mount_n_m * rng.random_range(2.0..5.0),
            bearing_n_s_m: 0.02 * (mount_n_m * mass_kg).sqrt(),
            housing_kg,
            mount_n_m,
            mount_n_s_m: rng.random_range(0.08..0.25) * (2.0 * mount_n_m * mass_kg).sqrt(),
            anisotropy: rng.random_range(0.0..0.1),
        }
    };
    let (front, rear) = (support(), support());
    let design = Design {
        mass_kg,
        polar_kg_m2,
        transverse_kg_m2,
        span_mm,
        centre_mm: span_mm * rng.random_range(0.35..0.65),
        front,
        rear,
        residual: Vec::new(),
    };
    let model = RotorModel::new(&design);
    let criticals = model.critical_speeds(500_000.0);
    let first = criticals.first()?.rpm;
    let ratio =
        if rng.random_bool(0.5) { rng.random_range(0.3..0.8) } else { rng.random_range(1.3..2.2) };
    let rpm = ratio * first;
    let far = |rpm: &f64| criticals.iter().all(|c| (rpm / c.rpm - 1.0).abs() >= OFF_CRITICAL);
    if !far(&rpm) {
        return None;
    }
    let planes_mm =
        [span_mm * rng.random_range(-0.15..0.25), span_mm * rng.random_range(0.75..1.15)];
    let of = |readings: &[(Place, f64)]| {
        DMatrix::from_fn(readings.len(), 2, |r, p| {
            acceleration(&model, planes_mm[p], readings[r]).unwrap_or_default()
        })
    };
    let readings = if layout == Layout::TwoSensors {
        Place::BOTH.map(|place| (place, rpm)).to_vec()
    } else {
        let speeds: Vec<f64> =
            (6..20).map(|share| 0.05 * f64::from(share) * rpm).filter(far).collect();
        let mut tried: Vec<Vec<(Place, f64)>> = Vec::new();
        for (i, slow) in speeds.iter().enumerate() {
            for middle in &speeds[..i] {
                tried.push([rpm, *slow, *middle].map(|rpm| (Place::Front, rpm)).to_vec());
            }
        }
        let condition = |readings: &Vec<(Place, f64)>| condition(&of(readings));
        tried.into_iter().min_by(|a, b| condition(a).total_cmp(&condition(b)))?
    };
    let coefficients = of(&readings);
    let total = tolerance::permissible_g_mm(GRADE, mass_kg, rpm).ok()?;
    let apart_mm = planes_mm[1] - planes_mm[0];
    let shares = tolerance::shares(apart_mm, design.centre_mm - planes_mm[0]).ok()?;
    let body = Some(Body { design, planes_mm, readings });
    Some(Rig { coefficients, limits_g_mm: shares.map(|s| s * total).to_vec(), body })
}

/// Acceleration in m/s² at a sensor for 1 g mm at 0 degrees in a plane.
fn acceleration(
    model: &RotorModel,
    plane_mm: f64,
    (place, rpm): (Place, f64),
) -> Option<Complex64> {
    let spin = rpm * TAU / 60.0;
    let force = model.at_position(1e-3 * plane_mm, Complex64::from(1e-6 * spin * spin));
    let (ahead, behind) = model.steady(1, spin, &force, &STILL).ok()?;
    let towards = Complex64::from_polar(1.0, -SENSOR_DEG.to_radians());
    let at = |state| RotorModel::housing_at(state, place) * towards;
    Some(-(at(&ahead) + at(&behind).conj()) * spin * spin)
}

/// How badly readings tell the planes apart: largest over least singular value, each reading as loud as any
/// other.
fn condition(coefficients: &DMatrix<Complex64>) -> f64 {
    let mut scaled = coefficients.clone();
    for mut row in scaled.row_iter_mut() {
        let size = row.norm();
        row.unscale_mut(size);
    }
    let values = scaled.singular_values();
    values.max() / values.min()
}
