//! The forces that the machine's faults put on the rotor, order by order.

use num_complex::Complex64;

use super::rotor::{RotorModel, add};
use super::scenario::Scenario;
use super::transient::Drive;

/// The forces of the first and the second order.
pub fn drives(scenario: &Scenario, model: &RotorModel) -> Vec<Drive> {
    let mut first = Drive::none(1);
    let mut second = Drive::none(2);
    let planes = scenario.fault.imbalance.iter().flat_map(|fault| &fault.plane);
    first.unbalance = model.unbalance(scenario.rotor.residual.iter().chain(planes));
    if let Some(bent) = &scenario.fault.bent_shaft {
        // a centre of mass off the line of the journals is an unbalance of mass times offset
        let kg_m = Complex64::from_polar(
            model.rotor_kg() * bent.bow_um * 1e-6,
            -bent.deg.to_radians(),
        );
        let centre = model.at_position(scenario.rotor.centre_mm * 1e-3, kg_m);
        first.unbalance = add(&first.unbalance, &centre);
    }
    if let Some(fault) = &scenario.fault.misalignment {
        let position_m = fault.position_mm * 1e-3;
        let direction = Complex64::cis(fault.deg.to_radians());
        // a force fixed in direction is two halves turning either way
        let half = model.at_position(position_m, direction * (0.5 * fault.force_n));
        second.forward = half;
        second.backward = half;
        first.forward = model.at_position(position_m, direction * (fault.order1 * fault.force_n));
    }
    vec![first, second]
}
