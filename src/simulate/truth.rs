//! What is true of a simulated recording.

use serde::{Deserialize, Serialize};

use crate::error::Result;
use crate::machine::Multipliers;

use super::curve::{Curve, TrueKnot};
use super::impacts::{defects, slipped};
use super::rotor::{CriticalSpeed, RotorModel, STILL};
use super::scenario::{Generator, Place, Scenario, Unbalance};

/// Grade whose tolerance measures unbalance: G 2.5 of ISO 21940-11, for turbines and turbochargers.
const GRADE_MM_S: f64 = 2.5;

/// A planted fault.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PlantedFault {
    /// Its id, `imbalance`, `bearing_outer` and so on.
    pub fault: String,
    /// Where: `front` or `rear`, a plane's position, or nothing.
    pub place: Option<String>,
    /// How large, in `unit`.
    pub size: f64,
    /// Unit of `size`.
    pub unit: String,
    /// True defect orders, slip included (bearings only).
    pub orders: Option<Multipliers>,
}

/// A line that is no fault, by the id of its observation.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PlantedObservation {
    /// `sub_synchronous`, `blade_pass`, `generator_lines` or `mains_hum`.
    pub observation: String,
    /// The order that it follows the shaft at; `None` for a line fixed in Hz.
    pub order: Option<f64>,
    /// The frequency of a line fixed in Hz.
    pub hz: Option<f64>,
    /// How large, in `unit`.
    pub size: f64,
    /// Unit of `size`.
    pub unit: String,
}

/// Everything known about a simulated recording.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Truth {
    /// Name of the scenario.
    pub scenario: String,
    /// Seed of all random parts.
    pub seed: u64,
    /// The planted faults; empty for a healthy machine.
    pub faults: Vec<PlantedFault>,
    /// The planted lines that are no fault.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub observations: Vec<PlantedObservation>,
    /// All heavy spots, residual ones included.
    pub unbalance: Vec<Unbalance>,
    /// Sum of the sizes of the heavy spots over the permissible unbalance of the rotor, G 2.5 at top
    /// speed (ISO 21940-11, U = 1000 G m / w).
    pub unbalance_ratio: f64,
    /// Forward critical speeds up to 1.5 times top speed, undamped.
    pub critical: Vec<CriticalSpeed>,
    /// Greatest steady first-order velocity of the front and rear housings by unbalance alone, between
    /// lowest and top speed, in mm/s rms.
    pub order1_mm_s_rms: [f64; 2],
    /// Knots of the true angle; between them it is the cubic Hermite piece, exactly.
    pub knots: Vec<TrueKnot>,
}

impl Truth {
    /// Collects the truth of a scenario.
    ///
    /// # Errors
    /// [`crate::error::Error::Setting`] where a damaged bearing is badly described.
    pub(crate) fn new(
        scenario: &Scenario,
        model: &RotorModel,
        curve: &Curve,
        seed: u64,
    ) -> Result<Self> {
        let planes = scenario.fault.imbalance.iter().flat_map(|fault| fault.plane.iter());
        let unbalance: Vec<Unbalance> =
            scenario.rotor.residual.iter().chain(planes).copied().collect();
        Ok(Self {
            scenario: scenario.name.clone(),
            seed,
            faults: planted(scenario)?,
            observations: observations(scenario),
            unbalance_ratio: unbalance.iter().map(|u| u.g_mm).sum::<f64>()
                / permissible_g_mm(scenario.rotor.mass_kg, scenario.speed.top_rpm),
            order1_mm_s_rms: greatest_order1(scenario, model, &unbalance),
            unbalance,
            critical: model.critical_speeds(1.5 * scenario.speed.top_rpm),
            knots: curve.knots().to_vec(),
        })
    }

    /// Whether a fault of this id is planted.
    pub fn has(&self, fault: &str) -> bool {
        self.faults.iter().any(|planted| planted.fault == fault)
    }
}

/// Orders between which a line is sub-synchronous, unless it is locked to a simple fraction.
const SUB_SYNCHRONOUS: [f64; 2] = [0.1, 0.65];

fn observations(scenario: &Scenario) -> Vec<PlantedObservation> {
    let mut all = Vec::new();
    let mut add =
        |observation: &str, order: Option<f64>, hz: Option<f64>, size: f64, unit: &str| {
            if size > 0.0 {
                let (observation, unit) = (observation.to_owned(), unit.to_owned());
                all.push(PlantedObservation { observation, order, hz, size, unit });
            }
        };
    let [low, high] = SUB_SYNCHRONOUS;
    let top_hz = scenario.top_hz();
    for line in &scenario.line {
        let fraction = [0.5, 1.0 / 3.0, 0.25].iter().any(|f| (line.order - f).abs() < 1e-6);
        // a line that is there at all speeds, above 1x too, is a neighbour's
        let whips = line.from_rpm / 60.0 * high >= line.hz && line.hz >= low * top_hz;
        if line.order > 0.0 && (low..=high).contains(&line.order) && !fraction {
            add("sub_synchronous", Some(line.order), None, line.m_s2, "m/s2");
        } else if line.hz > 0.0 && whips {
            add("sub_synchronous", None, Some(line.hz), line.m_s2, "m/s2");
        }
    }
    for row in scenario.blade.values() {
        let order = Some(f64::from(row.count));
        let (size, unit) =
            if row.m_s2 > 0.0 { (row.m_s2, "m/s2") } else { (row.pressure_pa, "Pa") };
        add("blade_pass", order, None, size, unit);
    }
    if let Some(generator) = &scenario.generator {
        let order = f64::from(Generator::LINES[1].0 * generator.pole_pairs);
        add("generator_lines", Some(order), None, generator.m_s2, "m/s2");
    }
    let hum = scenario.background.hum_percent.max(scenario.background.hum_twice_percent);
    add("mains_hum", None, Some(scenario.background.mains_hz), hum, "% of full scale");
    all
}

/// Permissible residual unbalance in g mm at G 2.5.
pub(crate) fn permissible_g_mm(mass_kg: f64, top_rpm: f64) -> f64 {
    1000.0 * GRADE_MM_S * mass_kg / (top_rpm * std::f64::consts::TAU / 60.0)
}

/// Greatest steady first-order velocity of both housings in mm/s rms, in any radial direction.
pub(crate) fn greatest_order1(
    scenario: &Scenario,
    model: &RotorModel,
    unbalance: &[Unbalance],
) -> [f64; 2] {
    const STEPS: u32 = 400;
    let profile = &scenario.speed;
    let low_rpm = profile.start_rpm.min(profile.top_rpm);
    let spots = model.unbalance(unbalance);
    let mut greatest = [0.0f64; 2];
    for i in 0..=STEPS {
        let share = f64::from(i) / f64::from(STEPS);
        let spin = (low_rpm + share * (profile.top_rpm - low_rpm)) * std::f64::consts::TAU / 60.0;
        let force = spots.map(|u| u * spin * spin);
        let Ok((ahead, behind)) = model.steady(1, spin, &force, &STILL) else { continue };
        for place in Place::BOTH {
            // the longer half axis of the ellipse
            let reach = RotorModel::housing_at(&ahead, place).norm()
                + RotorModel::housing_at(&behind, place).norm();
            let mm_s_rms = 1000.0 * spin * reach * std::f64::consts::FRAC_1_SQRT_2;
            let slot = &mut greatest[place.index()];
            *slot = slot.max(mm_s_rms);
        }
    }
    greatest
}

fn planted(scenario: &Scenario) -> Result<Vec<PlantedFault>> {
    let mut faults = Vec::new();
    let mut plant = |fault: &str, place: Option<String>, size: f64, unit: &str, orders| {
        let (fault, unit) = (fault.to_owned(), unit.to_owned());
        faults.push(PlantedFault { fault, place, size, unit, orders });
    };
    let f = &scenario.fault;
    if let Some(fault) = &f.imbalance {
        let largest = fault.plane.iter().max_by(|a, b| a.g_mm.total_cmp(&b.g_mm));
        let place = largest.map(|plane| format!("{} mm", plane.position_mm));
        plant("imbalance", place, fault.plane.iter().map(|p| p.g_mm).sum(), "g mm", None);
    }
    if let Some(fault) = &f.misalignment {
        plant("misalignment", None, fault.force_n, "N", None);
    }
    if let Some(fault) = &f.bent_shaft {
        plant("bent_shaft", None, fault.bow_um, "um", None);
    }
    if let Some(fault) = &f.looseness {
        plant("looseness", Some(fault.place.word().to_owned()), fault.m_s2, "m/s2", None);
    }
    if let Some(fault) = &f.rub {
        plant("rub", Some(fault.place.word().to_owned()), fault.m_s2, "m/s2", None);
    }
    for (part, defect) in defects(scenario) {
        let place = defect.place.word();
        let bearing = scenario.bearing.get(&defect.place);
        let orders = bearing.map_or(Ok(None), |b| b.multipliers(place))?;
        let orders = orders.map(|m| slipped(m, defect.slip_percent));
        plant(part.id(), Some(place.to_owned()), defect.m_s2, "m/s2", orders);
    }
    Ok(faults)
}
