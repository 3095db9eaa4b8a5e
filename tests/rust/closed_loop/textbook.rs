//! As a textbook does: one trial mass at a time (or the coefficients of the type), then corrections by the same
//! coefficients until the unbalance they give is within the limit.

use num_complex::Complex64;
use quietspin::balance::influence;

use super::column::MOST_SPINS;
use super::rotor::{Case, End, NOTHING, Outcome, Rotor};

pub fn run(seed: u64, case: Case) -> Outcome {
    let mut rotor = Rotor::new(seed, case);
    let Some(first) = rotor.spin(&NOTHING) else { return rotor.ends(End::Refused) };
    let mut read = first.readings;
    let mut coefficients = rotor.of_type.clone();
    if !case.column.known_type {
        for (plane, size) in rotor.trial_g_mm().into_iter().enumerate() {
            let mut trial = NOTHING;
            trial[plane] = Complex64::from(size);
            let Some(changed) = rotor.spin(&trial) else { return rotor.ends(End::Refused) };
            for r in 0..read.len() {
                coefficients[(r, plane)] = (changed.readings[r] - read[r]) / size;
            }
        }
    }
    loop {
        let Ok(found) = influence::unbalance(&coefficients, &read, &rotor.noise) else {
            return rotor.ends(End::Refused);
        };
        if found.is_ill_conditioned() {
            return rotor.ends(End::Refused);
        }
        let limits = &rotor.rig.limits_g_mm;
        if found.unbalance.iter().zip(limits).all(|(u, limit)| u.norm() <= *limit) {
            return rotor.ends(End::Passed);
        }
        if rotor.spins >= MOST_SPINS {
            return rotor.ends(End::GivenUp);
        }
        let planned: Vec<Complex64> = found.unbalance.iter().map(|u| -u).collect();
        rotor.correct(&planned);
        let Some(next) = rotor.spin(&NOTHING) else { return rotor.ends(End::Refused) };
        read = next.readings;
    }
}
