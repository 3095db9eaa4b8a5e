//! One who sees the unbalance itself and suffers the drilling error alone.

use super::column::MOST_SPINS;
use super::rotor::{Case, End, NOTHING, Outcome, Rotor};

pub fn run(seed: u64, case: Case) -> Outcome {
    let mut rotor = Rotor::new(seed, Case { disasters: false, recorded: false, ..case });
    rotor.spin(&NOTHING);
    while !rotor.is_within() && rotor.spins < MOST_SPINS {
        let planned: Vec<_> = rotor.unbalance.iter().map(|u| -u).collect();
        rotor.correct(&planned);
        rotor.spin(&NOTHING);
    }
    rotor.ends(if rotor.is_within() { End::Passed } else { End::GivenUp })
}
