//! The daily disasters of balancing.

use num_complex::Complex64;
use quietspin::balance::mishap::Cause;
use rand::Rng;
use rand_chacha::ChaCha8Rng;

/// One of them, in some planes.
#[derive(Debug, Clone)]
pub struct Strike {
    cause: Cause,
    planes: Vec<usize>,
}

impl Strike {
    pub fn draw(rng: &mut ChaCha8Rng) -> Self {
        let factor = if rng.random_bool(0.5) {
            rng.random_range(0.4..0.7)
        } else {
            rng.random_range(1.5..2.0)
        };
        let (cause, in_both) = match rng.random_range(0..5) {
            0 => (Cause::MirroredAngle, 0.5),
            1 => (Cause::HalfTurn, 0.5),
            2 => (Cause::SwappedPlanes, 1.0),
            3 => (Cause::LostMass, 0.0),
            _ => (Cause::WrongDepth { factor }, 0.5),
        };
        let planes =
            if rng.random_bool(in_both) { vec![0, 1] } else { vec![rng.random_range(0..2)] };
        Self { cause, planes }
    }

    /// Whether a suspected cause is this one.
    pub fn is(&self, cause: &Cause) -> bool {
        self.cause.word() == cause.word()
    }

    /// What becomes of a plan.
    pub fn done(&self, planned: &[Complex64]) -> Vec<Complex64> {
        let one = |plane: usize| match self.cause {
            _ if !self.planes.contains(&plane) => planned[plane],
            Cause::MirroredAngle => planned[plane].conj(),
            Cause::HalfTurn => -planned[plane],
            Cause::SwappedPlanes => planned[1 - plane],
            Cause::LostMass => Complex64::ZERO,
            Cause::WrongDepth { factor } => planned[plane] * factor,
            Cause::Other => planned[plane],
        };
        (0..2).map(one).collect()
    }
}
