//! Which trial masses to set so that few spins tell the coefficients best.

use std::f64::consts::TAU;

use crate::dsp::fft::Complex64;

/// Where the first plane's first mass stands, and how much further on that of each next plane.
const FIRST_DEG: f64 = 20.0;
const APART_DEG: f64 = 30.0;

/// Trial masses for one spin more than there are planes: a mass in every plane at once, moved on from spin to
/// spin by its own share of a turn, so that every plane's effect stands out from all readings together.
///
/// No mass stands where another mistaken one would: mirrored, opposite or exchanged between the planes, each
/// differs from all the others, so that a mistake shows and its kind as well.
///
/// Against one mass at a time after a spin without any, the same number of spins and masses of the same size,
/// each coefficient comes out with a sixth of the variance for two planes (a weighing design: H. Hotelling, Some
/// improvements in weighing, Ann. Math. Stat. 15 (1944) 297-306; from memory). The masses sum to nought over
/// the spins, which shows the rotor as it is.
///
/// `sizes_g_mm` holds the trial unbalance of each plane. Returns one row of masses for each spin, in g mm.
pub fn trial_masses(sizes_g_mm: &[f64]) -> Vec<Vec<Complex64>> {
    let spins = sizes_g_mm.len() + 1;
    let mass = |spin: usize, (plane, size): (usize, &f64)| {
        let turns = (spin * (plane + 1)) as f64 / spins as f64;
        let start_deg = FIRST_DEG + APART_DEG * plane as f64;
        Complex64::from_polar(*size, -TAU * turns - start_deg.to_radians())
    };
    (0..spins)
        .map(|spin| sizes_g_mm.iter().enumerate().map(|plane| mass(spin, plane)).collect())
        .collect()
}

#[cfg(test)]
mod tests {
    use super::super::influence::{self, Spin};
    use super::super::size_at;
    use super::*;

    fn error_of(masses: &[Vec<Complex64>]) -> f64 {
        let spins: Vec<Spin> = (masses.iter())
            .map(|added| Spin {
                added: added.clone(),
                readings: vec![Complex64::ONE],
                errors: vec![0.3],
            })
            .collect();
        influence::coefficients(&spins).expect("a full design").errors.max()
    }

    /// What a mistake would make of the masses of a spin is not what another spin or another mistake has.
    #[test]
    fn mistaken_masses_differ_from_all_others() {
        let design = trial_masses(&[3.0, 3.0]);
        let mut all = design.clone();
        for spin in &design {
            all.push(spin.iter().map(Complex64::conj).collect());
            all.push(spin.iter().map(|mass| -mass).collect());
            all.push(vec![spin[1], spin[0]]);
        }
        for (i, one) in all.iter().enumerate() {
            for other in &all[..i] {
                assert!((0..2).any(|p| (one[p] - other[p]).norm() > 0.5), "{one:?} {other:?}");
            }
        }
    }

    /// One at a time: variance 2 / t² of the reading's; the design: 1 / ((n + 1) t²).
    #[test]
    fn the_design_tells_coefficients_better_than_one_mass_at_a_time() {
        let t = Complex64::new(3.0, 0.0);
        let none = Complex64::ZERO;
        let alone = vec![vec![none, none], vec![t, none], vec![none, t]];
        let design = trial_masses(&[3.0, 3.0]);
        assert!((error_of(&alone) - 0.3 * 2.0_f64.sqrt() / 3.0).abs() < 1e-12);
        assert!((error_of(&design) - 0.3 / 3.0_f64.sqrt() / 3.0).abs() < 1e-12);
        let single = trial_masses(&[3.0]);
        assert!((error_of(&single) - 0.3 / 2.0_f64.sqrt() / 3.0).abs() < 1e-12);
    }

    #[test]
    fn masses_stay_as_large_as_stated_and_sum_to_nought() {
        let design = trial_masses(&[2.0, 5.0]);
        assert_eq!(design.len(), 3);
        for (plane, size) in [2.0, 5.0].into_iter().enumerate() {
            let sum: Complex64 = design.iter().map(|spin| spin[plane]).sum();
            assert!(sum.norm() < 1e-12);
            assert!(design.iter().all(|spin| (spin[plane].norm() - size).abs() < 1e-12));
        }
        // the first plane's mass moves on by a third of a turn, the second's by two
        let (_, first) = size_at(design[1][0]);
        let (_, second) = size_at(design[1][1]);
        assert!((first - 140.0).abs() < 1e-9 && (second - 290.0).abs() < 1e-9);
    }
}
