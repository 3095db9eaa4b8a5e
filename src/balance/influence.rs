//! Influence coefficients by weighted least squares: any number of planes, sensors and speeds.
//!
//! Source of the method: T. P. Goodman, A least-squares method for computing balance corrections,
//! ASME J. Eng. Ind. 86 (1964) 273-277 (from memory).

use nalgebra::{DMatrix, DVector};

use crate::dsp::fft::Complex64;
use crate::error::{Error, Result};

/// Planes count as hard to tell apart from this ratio of the largest to the least singular value on
/// (columns scaled to one; common practice, no source).
pub const ILL_CONDITIONED: f64 = 25.0;

/// One spin: what was on the rotor beyond its own unbalance, and what was read.
#[derive(Debug, Clone, PartialEq)]
pub struct Spin {
    /// Unbalance added in each plane (removed: negative), in g mm.
    pub added: Vec<Complex64>,
    /// 1x phasor of each reading: a sensor at a speed.
    pub readings: Vec<Complex64>,
    /// Standard error of the real and of the imaginary part of each reading.
    pub errors: Vec<f64>,
}

/// Coefficients of a rotor on its rig, with what its own unbalance gives.
#[derive(Debug, Clone, PartialEq)]
pub struct Coefficients {
    /// Reading per g mm: a row for each reading, a column for each plane.
    pub values: DMatrix<Complex64>,
    /// Standard error of the real and of the imaginary part of each coefficient.
    pub errors: DMatrix<f64>,
    /// Readings of the rotor without anything added.
    pub original: DVector<Complex64>,
}

/// An unbalance found.
#[derive(Debug, Clone, PartialEq)]
pub struct Found {
    /// Unbalance of the rotor in each plane, in g mm: what is to be taken away.
    pub unbalance: DVector<Complex64>,
    /// Standard error of the real and of the imaginary part of each, in g mm.
    pub errors: DVector<f64>,
    /// Largest over least singular value of the coefficients, columns scaled to one.
    pub condition: f64,
    /// The unbalance that the readings tell worst: a share for each plane.
    pub weakest: DVector<Complex64>,
}

impl Found {
    /// Whether the readings can hardly tell the planes apart.
    pub fn is_ill_conditioned(&self) -> bool {
        self.condition > ILL_CONDITIONED
    }
}

/// The coefficients from spins with known masses: for each reading the line through all spins, weighted
/// by their errors.
///
/// # Errors
/// [`Error::TooLittle`] where the spins leave a plane undetermined; the plane is named, counted from 1.
/// [`Error::Setting`] where the spins differ in their numbers of planes or readings.
pub fn coefficients(spins: &[Spin]) -> Result<Coefficients> {
    let (planes, readings) = shape(spins)?;
    let design = DMatrix::from_fn(spins.len(), planes + 1, |spin, column| {
        if column == 0 { Complex64::ONE } else { spins[spin].added[column - 1] }
    });
    undetermined_plane(&design)?;
    let mut values = DMatrix::zeros(readings, planes);
    let mut errors = DMatrix::zeros(readings, planes);
    let mut original = DVector::zeros(readings);
    for reading in 0..readings {
        let weight = |spin: usize| 1.0 / spins[spin].errors[reading].max(f64::MIN_POSITIVE);
        let weighted = DMatrix::from_fn(spins.len(), planes + 1, |spin, column| {
            design[(spin, column)] * weight(spin)
        });
        let right =
            DVector::from_fn(spins.len(), |spin, _| spins[spin].readings[reading] * weight(spin));
        let (solution, covariance) = solve(&weighted, &right)?;
        original[reading] = solution[0];
        for plane in 0..planes {
            values[(reading, plane)] = solution[plane + 1];
            errors[(reading, plane)] = covariance[(plane + 1, plane + 1)].re.sqrt();
        }
    }
    Ok(Coefficients { values, errors, original })
}

/// The unbalance that explains `readings` best, weighted by their `errors`.
///
/// # Errors
/// [`Error::TooLittle`] with fewer readings than planes: one sensor needs as many speeds as planes.
/// [`Error::Numerical`] where the coefficients cannot tell the planes apart at all.
pub fn unbalance(
    coefficients: &DMatrix<Complex64>,
    readings: &[Complex64],
    errors: &[f64],
) -> Result<Found> {
    let (rows, planes) = coefficients.shape();
    if rows < planes || readings.len() != rows || errors.len() != rows {
        return Err(Error::too_little(
            "the unbalance of each plane",
            format!("{planes} readings (sensors times speeds)"),
            format!("{}", readings.len().min(rows)),
        ));
    }
    let weight = |row: usize| 1.0 / errors[row].max(f64::MIN_POSITIVE);
    let weighted = DMatrix::from_fn(rows, planes, |r, p| coefficients[(r, p)] * weight(r));
    let right = DVector::from_fn(rows, |row, _| readings[row] * weight(row));
    let scale: Vec<f64> = weighted.column_iter().map(|column| column.norm()).collect();
    if scale.iter().any(|s| !(s.is_finite() && *s > 0.0)) {
        let problem = "a plane moves no sensor at all";
        return Err(Error::numerical("the unbalance of each plane", problem));
    }
    let scaled = DMatrix::from_fn(rows, planes, |r, p| weighted[(r, p)] / scale[p]);
    let parts = scaled.svd(false, true);
    let values = &parts.singular_values;
    let condition = values.max() / values.min();
    let (Some(rotation), true) = (&parts.v_t, condition.is_finite() && condition < 1e8) else {
        let problem = "the readings cannot tell the planes apart";
        return Err(Error::numerical("the unbalance of each plane", problem));
    };
    let weakest = DVector::from_fn(planes, |p, _| rotation[(values.imin(), p)].conj() / scale[p]);
    let weakest = weakest.unscale(weakest.norm());
    let (unbalance, covariance) = solve(&weighted, &right)?;
    let errors = DVector::from_fn(planes, |p, _| covariance[(p, p)].re.sqrt());
    Ok(Found { unbalance, errors, condition, weakest })
}

/// Numbers of planes and readings of all spins.
fn shape(spins: &[Spin]) -> Result<(usize, usize)> {
    let what = "influence coefficients";
    let first = spins
        .first()
        .ok_or_else(|| Error::too_little(what, "one spin and one per plane", "none"))?;
    let (planes, readings) = (first.added.len(), first.readings.len());
    let same = |spin: &Spin| {
        spin.added.len() == planes
            && spin.readings.len() == readings
            && spin.errors.len() == readings
    };
    if let Some(odd) = spins.iter().position(|spin| !same(spin)) {
        return Err(Error::setting(
            format!("spin {}", odd + 1),
            format!("it has not {planes} planes and {readings} readings as the first"),
            "leave it out, or record it with the same sensors at the same speeds",
        ));
    }
    Ok((planes, readings))
}

/// Refuses spins from which a plane's coefficient does not follow.
fn undetermined_plane(design: &DMatrix<Complex64>) -> Result<()> {
    let planes = design.ncols() - 1;
    for plane in 1..=planes {
        let column = design.column(plane).clone_owned();
        let others = design.clone().remove_column(plane);
        let rest = match others.clone().svd(true, true).solve(&column, 1e-9) {
            Ok(x) => (&column - &others * x).norm(),
            Err(_) => column.norm(),
        };
        if rest <= 1e-9 * column.norm() || column.norm() == 0.0 {
            return Err(Error::too_little(
                format!("influence coefficients of plane {plane}"),
                "a spin in which this plane alone is changed",
                "none that parts it from the other planes",
            ));
        }
    }
    Ok(())
}

/// Least squares of a weighted system and the covariance of its solution (of real and imaginary part).
fn solve(
    design: &DMatrix<Complex64>,
    right: &DVector<Complex64>,
) -> Result<(DVector<Complex64>, DMatrix<Complex64>)> {
    let normal = design.adjoint() * design;
    let factor = normal.cholesky().ok_or_else(|| {
        Error::numerical("least squares", "the spins or readings are too much alike")
    })?;
    Ok((factor.solve(&(design.adjoint() * right)), factor.inverse()))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A phasor by size and degrees.
    fn at(size: f64, deg: f64) -> Complex64 {
        Complex64::from_polar(size, deg.to_radians())
    }

    fn spin(added: &[Complex64], readings: &[Complex64]) -> Spin {
        Spin {
            added: added.to_vec(),
            readings: readings.to_vec(),
            errors: vec![0.01; readings.len()],
        }
    }

    fn near(value: Complex64, size: f64, deg: f64, digits: i32) {
        let far = (value - at(size, deg)).norm();
        let (found, place) = (value.norm(), value.arg().to_degrees());
        assert!(far < 10.0_f64.powi(-digits), "{found} at {place}, not {size} at {deg}");
    }

    /// Two planes: the turbine rotor of S. S. Rao, Mechanical Vibrations, chapter 9 (inputs and answer
    /// from memory): mass to add 10.0561 oz at 325.5548 and 5.8774 oz at 68.2559 degrees, so that the
    /// unbalance lies opposite. The book prints the coefficients as well.
    #[test]
    fn the_two_plane_turbine_rotor_of_the_book() {
        let none = Complex64::ZERO;
        let original = [at(8.5, 60.0), at(6.5, 205.0)];
        let spins = [
            spin(&[none, none], &original),
            spin(&[at(10.0, 270.0), none], &[at(6.0, 125.0), at(4.5, 230.0)]),
            spin(&[none, at(12.0, 180.0)], &[at(6.0, 35.0), at(10.5, 160.0)]),
        ];
        let found = coefficients(&spins).expect("three spins");
        near(found.values[(0, 0)], 0.807_112, 287.6435, 6);
        near(found.values[(0, 1)], 0.331_313, 99.6275, 6);
        near(found.values[(1, 0)], 0.307_912, 76.8562, 6);
        near(found.values[(1, 1)], 0.623_498, 302.0988, 6);
        let rotor = unbalance(&found.values, &original, &[0.01; 2]).expect("two readings");
        near(rotor.unbalance[0], 10.0561, 145.5548, 4);
        near(rotor.unbalance[1], 5.8774, 248.2559, 4);
        assert!(!rotor.is_ill_conditioned());
    }

    /// One plane: reading, trial mass, its reading, and the mass to add (inputs of textbook problems,
    /// answers by own arithmetic but for the 47.5 g that the third prints).
    #[test]
    fn single_planes_of_textbooks() {
        let table = [
            // S. S. Rao, Mechanical Vibrations, problem 9.6: SI, US (from memory) and a coursework variant
            ((0.25, 40.0), (170.0, -65.0), (0.5, 150.0), (67.3666, 343.1378)),
            ((10.0, 40.0), (6.0, -65.0), (19.0, 150.0), (2.468_14, 342.2601)),
            ((0.2, 40.0), (0.2, -65.0), (0.5, 150.0), (0.066_814_9, 346.7039)),
            // problem 9.7
            ((0.165, -15.0), (50.0, 45.0), (0.225, 35.0), (47.534, 128.2590)),
            // W. T. Thomson, Theory of Vibration, chapter 3, balance wheel (inputs from memory)
            ((3.2, 30.0), (300.0, -143.0), (7.0, 77.0), (179.239, 324.0901)),
        ];
        for (original, trial, changed, answer) in table {
            let original = at(original.0, original.1);
            let spins = [
                spin(&[Complex64::ZERO], &[original]),
                spin(&[at(trial.0, trial.1)], &[at(changed.0, changed.1)]),
            ];
            let found = coefficients(&spins).expect("two spins");
            let rotor = unbalance(&found.values, &[original], &[0.01]).expect("one reading");
            let to_add = -rotor.unbalance[0] / answer.0;
            near(to_add, 1.0, answer.1, 5);
        }
    }

    /// Two planes by symmetry: NPTEL Rotor Dynamics (IIT Guwahati), module 13, example 13.5; inputs as
    /// printed, with the minus signs of the vibration taken as written; answer by own arithmetic.
    #[test]
    fn the_symmetric_rotor_of_a_course() {
        let (own, other) = (at(166.667, 31.0), at(140.0, 100.0));
        let coefficients = DMatrix::from_row_slice(2, 2, &[own, other, other, own]);
        let read = [-at(30.0, 230.0), -at(70.0, 330.0)];
        let rotor = unbalance(&coefficients, &read, &[1.0; 2]).expect("two readings");
        near(-rotor.unbalance[0], 0.332_50, 208.9205, 4);
        near(-rotor.unbalance[1], 0.188_40, 331.2207, 4);
    }

    /// Static balance of holes and masses on one disc is the sum alone: Rao, problems 9.4 and 9.5 (answers
    /// by own arithmetic).
    #[test]
    fn sums_of_masses_on_a_disc() {
        let holes = [(100.0, 0.0), (100.0, 60.0), (150.0, 120.0), (150.0, 180.0)];
        let removed: Complex64 = holes.iter().map(|h| at(h.0 * 100.0, h.1)).sum();
        near(-removed / 125.0, 183.303, 289.1066, 2);
        let masses = [(225.0, 10.0), (320.0, 100.0), (550.0, 190.0)];
        let sum: Complex64 = masses.iter().map(|m| at(m.0, m.1)).sum();
        near(-sum, 456.0976, 325.4441, 3);
    }

    /// One sensor and two planes: refused at one speed, solved with three; errors shrink with spins.
    #[test]
    fn one_sensor_needs_several_speeds() {
        let truth = [[at(1.0, 10.0), at(0.5, 80.0)], [at(1.4, 40.0), at(0.3, 200.0)]];
        let rotor = [at(4.0, 33.0), at(2.0, 250.0)];
        let read = |added: [Complex64; 2]| -> Vec<Complex64> {
            truth
                .iter()
                .map(|row| row[0] * (rotor[0] + added[0]) + row[1] * (rotor[1] + added[1]))
                .collect()
        };
        let none = Complex64::ZERO;
        let masses = [
            [none, none],
            [at(3.0, 0.0), none],
            [none, at(3.0, 0.0)],
            [at(3.0, 180.0), at(1.0, 9.0)],
        ];
        let spins: Vec<Spin> = masses.iter().map(|&m| spin(&m, &read(m))).collect();
        let few = coefficients(&spins[..3]).expect("three spins");
        let more = coefficients(&spins).expect("four spins");
        assert!(more.errors[(0, 0)] < few.errors[(0, 0)]);
        let found = unbalance(&more.values, &read([none; 2]), &[0.01; 2]).expect("two speeds");
        near(found.unbalance[0], 4.0, 33.0, 9);
        near(found.unbalance[1], 2.0, 250.0, 9);
        let one = more.values.rows(0, 1).into_owned();
        let refused = unbalance(&one, &read([none; 2])[..1], &[0.01]).expect_err("one reading");
        assert!(refused.to_string().contains("2 readings"), "{refused}");
    }

    #[test]
    fn planes_that_look_alike_are_noticed() {
        let alike = DMatrix::from_row_slice(
            2,
            2,
            &[at(1.0, 0.0), at(1.0, 2.0), at(1.0, 0.0), at(1.0, 0.0)],
        );
        let found = unbalance(&alike, &[at(1.0, 0.0), at(1.0, 5.0)], &[0.01; 2]).expect("solved");
        assert!(found.is_ill_conditioned(), "{}", found.condition);
        // what the readings tell worst: equal and opposite
        assert!((found.weakest[0] + found.weakest[1]).norm() < 0.05, "{}", found.weakest);
        let same = DMatrix::from_element(2, 2, Complex64::ONE);
        assert!(unbalance(&same, &[Complex64::ONE; 2], &[0.01; 2]).is_err());
    }

    #[test]
    fn a_plane_without_a_trial_is_named() {
        let none = Complex64::ZERO;
        let spins =
            [spin(&[none, none], &[at(1.0, 0.0)]), spin(&[at(1.0, 0.0), none], &[at(2.0, 0.0)])];
        let refused = coefficients(&spins).expect_err("plane 2 was never changed").to_string();
        assert!(refused.contains("plane 2"), "{refused}");
        let uneven = [spins[0].clone(), spin(&[none], &[none])];
        assert!(coefficients(&uneven).expect_err("uneven").to_string().contains("spin 2"));
        assert!(coefficients(&[]).is_err());
    }
}
