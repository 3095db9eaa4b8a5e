//! What a rotor is judged by, and how it stands: permissible unbalance by a grade, or limits of vibration.
//!
//! Either is a list of measures, each a weighted sum of the unbalances in the planes with a limit of its
//! size. An unbalance known with a spread is held against all of them at once.

use std::f64::consts::TAU;

use nalgebra::DMatrix;
use serde::{Deserialize, Serialize};

use super::estimate::Uncertain;
use super::forecast::chance_within;
use super::tolerance;
use crate::dsp::fft::Complex64;
use crate::error::{Error, Result};
use crate::machine::{Limits, Machine};
use crate::units::{Amplitude, Quantity, Unit};

/// A rotor passes from this probability on that it is within everything that it is judged by, and fails where
/// this is the probability that it is not (chosen so that 99.6 % of simulated rotors that pass are truly within;
/// see the figure `closed_loop`).
pub const SURE: f64 = 0.985;

/// How a rotor stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Standing {
    /// Within everything, as sure as [`SURE`].
    Passes,
    /// Beyond a limit, as sure as that.
    Fails,
    /// Neither can be said yet.
    CannotTell,
}

impl Standing {
    /// From the probability that all is within.
    pub fn of(chance: f64) -> Self {
        match chance {
            c if c >= SURE => Self::Passes,
            c if c <= 1.0 - SURE => Self::Fails,
            _ => Self::CannotTell,
        }
    }
}

/// What the limits rest on.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "by", rename_all = "snake_case")]
pub enum Basis {
    /// Permissible residual unbalance of a grade.
    Grade {
        /// Balance quality grade G in mm/s.
        grade_mm_s: f64,
        /// Highest service speed in rpm.
        service_rpm: f64,
        /// Mass of the rotor in kg.
        mass_kg: f64,
        /// Permissible residual unbalance of the whole rotor in g mm.
        permissible_g_mm: f64,
    },
    /// Limits of the vibration at the balancing speeds.
    Vibration,
}

/// One thing that is judged.
#[derive(Debug, Clone, PartialEq)]
pub struct Measure {
    /// What it is: `front bearing`, `rear at 24 000 rpm`.
    pub name: String,
    /// Unit of value and limit: `g mm`, `mm/s rms`.
    pub unit: String,
    /// Largest size allowed.
    pub limit: f64,
    /// Relative standard uncertainty of the scale, of a sensor for example.
    pub scale_error: f64,
}

/// Everything that a rotor is judged by.
#[derive(Debug, Clone, PartialEq)]
pub struct Judgement {
    /// What the limits rest on.
    pub basis: Basis,
    /// The measures.
    pub measures: Vec<Measure>,
    /// Weight of each plane's unbalance in g mm in each measure: a row for each measure.
    pub map: DMatrix<Complex64>,
    /// What was taken for granted, a sentence each.
    pub notes: Vec<String>,
}

/// A measure with its value.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Judged {
    /// What it is.
    pub name: String,
    /// Unit of value, error and limit.
    pub unit: String,
    /// Most probable size.
    pub value: f64,
    /// Standard deviation of both its parts.
    pub error: f64,
    /// Largest size allowed.
    pub limit: f64,
    /// Probability that it is within.
    pub chance: f64,
}

/// How a rotor stands against everything.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Verdict {
    /// The standing.
    pub standing: Standing,
    /// Probability that everything is within.
    pub chance: f64,
    /// Each measure.
    pub judged: Vec<Judged>,
}

impl Judgement {
    /// By the grade of the machine file: the permissible unbalance at both bearings, with unbalances in the
    /// planes moved there by the law of the lever.
    ///
    /// Without the distances the planes themselves are judged, each by an equal share, and a note says so.
    ///
    /// # Errors
    /// [`Error::Setting`] where grade, mass or top speed is missing or the rotor bends at its service speed.
    pub fn by_grade(machine: &Machine, planes: &[String]) -> Result<Self> {
        let shaft = &machine.shaft;
        let stated = |value: Option<f64>, key: &str| {
            value.ok_or_else(|| {
                let problem = "a grade needs it, and the machine file does not state it";
                Error::setting(format!("shaft.{key}"), problem, "add it to the machine file")
            })
        };
        let grade_mm_s = stated(shaft.balance_grade_mm_s, "balance_grade_mm_s")?;
        let mass_kg = stated(shaft.mass_kg, "mass_kg")?;
        let service_rpm = stated(shaft.top_rpm, "top_rpm")?;
        let permissible_g_mm = tolerance::permissible_g_mm(grade_mm_s, mass_kg, service_rpm)?;
        let mut notes = Vec::new();
        match shaft.bending_critical_rpm {
            Some(bending_rpm) => tolerance::check_rigid(service_rpm, bending_rpm)?,
            None => notes.push(
                "the first bending critical speed is not stated: the rotor is taken as rigid, and a \
                 grade holds up to 70 % of that speed only (shaft.bending_critical_rpm)"
                    .to_owned(),
            ),
        }
        let basis = Basis::Grade { grade_mm_s, service_rpm, mass_kg, permissible_g_mm };
        let measure = |name: String, share: f64| Measure {
            name,
            unit: "g mm".to_owned(),
            limit: share * permissible_g_mm,
            scale_error: 0.0,
        };
        let position = |plane: &String| machine.plane.get(plane).and_then(|p| p.position_mm);
        let positions: Option<Vec<f64>> = planes.iter().map(position).collect();
        let (Some(span_mm), Some(centre_mm), Some(positions)) =
            (shaft.span_mm, shaft.centre_mm, positions)
        else {
            let share = 1.0 / planes.len() as f64;
            if planes.len() > 1 {
                notes.push(
                    "the distances of bearings, centre of mass and planes are not all stated: each \
                     plane is judged by an equal share (shaft.span_mm, shaft.centre_mm, \
                     plane.NAME.position_mm)"
                        .to_owned(),
                );
            }
            let measures = planes.iter().map(|plane| measure(plane.clone(), share)).collect();
            let map = DMatrix::identity(planes.len(), planes.len());
            return Ok(Self { basis, measures, map, notes });
        };
        if planes.len() == 1 {
            // one plane answers for the sum alone
            notes.push(
                "one plane is judged by the sum alone: a couple is neither seen nor taken away"
                    .to_owned(),
            );
            let measures = vec![measure(planes[0].clone(), 1.0)];
            return Ok(Self { basis, measures, map: DMatrix::identity(1, 1), notes });
        }
        let [first, second] = tolerance::shares(span_mm, centre_mm)?;
        let measures =
            vec![measure("first bearing".into(), first), measure("second bearing".into(), second)];
        let map = DMatrix::from_fn(2, planes.len(), |bearing, plane| {
            let second = positions[plane] / span_mm;
            Complex64::from(if bearing == 0 { 1.0 - second } else { second })
        });
        Ok(Self { basis, measures, map, notes })
    }

    /// By the limits of the first order in the machine file, at every reading: `labels` names each with the
    /// unit of its channel and its speed in rpm, `coefficients` (rows: readings, columns: planes) tell what
    /// an unbalance reads there, zero-to-peak in that unit.
    ///
    /// # Errors
    /// [`Error::Setting`] where no limit is stated that these readings can be held against.
    pub fn by_vibration(
        limits: &Limits,
        labels: &[(String, Unit, f64)],
        coefficients: &DMatrix<Complex64>,
    ) -> Result<Self> {
        let stated = [
            (Quantity::Velocity, limits.order1_mm_s_rms),
            (Quantity::Acceleration, limits.order1_g_peak),
            (Quantity::Displacement, limits.order1_um_pp),
        ];
        let (mut measures, mut rows) = (Vec::new(), Vec::new());
        for (reading, (name, unit, rpm)) in labels.iter().enumerate() {
            for (quantity, limit) in stated {
                let (Some(limit), Some(factor)) = (limit, shown_over(*unit, quantity, *rpm)) else {
                    continue;
                };
                if limits.from_rpm.is_some_and(|from| *rpm < from) {
                    continue;
                }
                let shown = Unit::shown_for(quantity).map_or("", Unit::symbol);
                measures.push(Measure {
                    name: name.clone(),
                    unit: format!("{shown} {}", Amplitude::usual_for(quantity).word()),
                    limit,
                    scale_error: limits.uncertainty(),
                });
                rows.push(coefficients.row(reading) * Complex64::from(factor));
            }
        }
        if rows.is_empty() {
            return Err(Error::setting(
                "limits",
                "no limit of the first order can be held against these sensors",
                "state shaft.balance_grade_mm_s with mass_kg and top_rpm, or limits.order1_mm_s_rms \
                 that holds at the balancing speed, with calibrated sensors",
            ));
        }
        let map = DMatrix::from_rows(&rows);
        Ok(Self { basis: Basis::Vibration, measures, map, notes: Vec::new() })
    }

    /// Limits alone, in the order of the measures.
    pub fn limits(&self) -> Vec<f64> {
        self.measures.iter().map(|measure| measure.limit).collect()
    }

    /// The unbalance in one plane alone that just reaches a limit, in g mm.
    pub fn limit_in_plane(&self, plane: usize) -> f64 {
        let reaches = |m: usize| self.measures[m].limit / self.map[(m, plane)].norm();
        (0..self.measures.len()).map(reaches).fold(f64::INFINITY, f64::min)
    }

    /// How an unbalance stands.
    pub fn judge(&self, now: &Uncertain) -> Verdict {
        let mut through = now.through(&self.map);
        for (m, measure) in self.measures.iter().enumerate() {
            let scale = (measure.scale_error * through.mean[m].norm()).powi(2);
            through.covariance[(2 * m, 2 * m)] += scale;
            through.covariance[(2 * m + 1, 2 * m + 1)] += scale;
        }
        let limits = self.limits();
        let chance = through.probability_within(&limits);
        let errors = through.deviations();
        let judged = (self.measures.iter().enumerate())
            .map(|(m, measure)| {
                let value = through.mean[m].norm();
                Judged {
                    name: measure.name.clone(),
                    unit: measure.unit.clone(),
                    value,
                    error: errors[m],
                    limit: measure.limit,
                    chance: chance_within(value, errors[m], measure.limit),
                }
            })
            .collect();
        Verdict { standing: Standing::of(chance), chance, judged }
    }
}

/// What 1 of a channel's unit, zero-to-peak at a speed, is in the unit and convention in which a quantity is
/// shown; `None` where the channel measures no motion.
fn shown_over(unit: Unit, quantity: Quantity, rpm: f64) -> Option<f64> {
    let steps =
        quantity.derivative_of_displacement()? - unit.quantity().derivative_of_displacement()?;
    let shown = Unit::shown_for(quantity)?;
    let omega = TAU * rpm / 60.0;
    let convention = Amplitude::usual_for(quantity).from_peak();
    Some(unit.si_factor() * omega.powi(steps) / shown.si_factor() * convention)
}

#[cfg(test)]
mod tests {
    use super::super::heavy_spot;
    use super::*;
    use crate::machine::{Plane, Shaft};

    fn cartridge() -> Machine {
        let mut machine = Machine {
            shaft: Shaft {
                top_rpm: Some(100_000.0),
                mass_kg: Some(0.5),
                balance_grade_mm_s: Some(2.5),
                span_mm: Some(100.0),
                centre_mm: Some(60.0),
                ..Shaft::default()
            },
            ..Machine::default()
        };
        for (name, position_mm) in [("compressor", -20.0), ("turbine", 130.0)] {
            let plane = Plane { position_mm: Some(position_mm), ..Plane::default() };
            machine.plane.insert(name.to_owned(), plane);
        }
        machine
    }

    fn planes() -> Vec<String> {
        ["compressor", "turbine"].map(str::to_owned).to_vec()
    }

    fn known(mean: [Complex64; 2], deviation: f64) -> Uncertain {
        let covariance = DMatrix::identity(4, 4) * deviation.powi(2);
        Uncertain { mean: mean.to_vec(), covariance }
    }

    /// 0.0477465 and 0.0716197 g mm at the bearings (own arithmetic from ISO 21940-11), and by the lever
    /// 0.1 g mm at -20 mm of 100 is 0.12 at the first and -0.02 at the second.
    #[test]
    fn a_grade_is_judged_at_the_bearings() {
        let judgement = Judgement::by_grade(&cartridge(), &planes()).expect("all is stated");
        let limits = judgement.limits();
        assert!((limits[0] - 0.047_746_5).abs() < 1e-7 && (limits[1] - 0.071_619_7).abs() < 1e-7);
        let one = known([heavy_spot(0.1, 30.0), Complex64::ZERO], 1e-4);
        let verdict = judgement.judge(&one);
        let values: Vec<f64> = verdict.judged.iter().map(|j| j.value).collect();
        assert!((values[0] - 0.12).abs() < 1e-12 && (values[1] - 0.02).abs() < 1e-12);
        // at the first bearing 1.2 of the one plane's error and 0.3 of the other's
        let error = 1e-4 * f64::hypot(1.2, 0.3);
        assert!((verdict.judged[0].error - error).abs() < 1e-9, "{:?}", verdict.judged);
        assert_eq!(verdict.standing, Standing::Fails);
        // static alone would pass, the couple does not
        let couple = known([heavy_spot(0.05, 30.0), heavy_spot(0.05, 210.0)], 1e-4);
        assert_eq!(judgement.judge(&couple).standing, Standing::Fails);
    }

    #[test]
    fn what_lies_near_its_limit_cannot_be_told() {
        let judgement = Judgement::by_grade(&cartridge(), &planes()).expect("all is stated");
        let small = heavy_spot(0.01, 0.0);
        assert_eq!(judgement.judge(&known([small; 2], 0.002)).standing, Standing::Passes);
        let vague = judgement.judge(&known([small; 2], 0.03));
        assert_eq!(vague.standing, Standing::CannotTell, "{vague:?}");
        assert!(vague.chance < vague.judged.iter().map(|j| j.chance).fold(1.0, f64::min) + 0.02);
    }

    #[test]
    fn without_distances_the_planes_share_equally_and_it_is_said() {
        let mut machine = cartridge();
        machine.shaft.span_mm = None;
        let judgement = Judgement::by_grade(&machine, &planes()).expect("grade, mass and speed");
        assert_eq!(judgement.measures[1].name, "turbine");
        assert!((judgement.limits()[0] - 0.5 * 0.119_366).abs() < 1e-6);
        assert!(judgement.notes.iter().any(|note| note.contains("shaft.span_mm")));
        machine.shaft.mass_kg = None;
        let refused = Judgement::by_grade(&machine, &planes()).expect_err("no mass").to_string();
        assert!(refused.starts_with("shaft.mass_kg"), "{refused}");
        let mut bends = cartridge();
        bends.shaft.bending_critical_rpm = Some(120_000.0);
        let refused = Judgement::by_grade(&bends, &planes()).expect_err("it bends").to_string();
        assert!(refused.contains("84000 rpm"), "{refused}");
    }

    /// 1 g peak at 100 Hz is 11.036 mm/s rms and 49.681 um p-p (g = 9.80665 m/s²; own arithmetic).
    #[test]
    fn vibration_limits_are_held_against_readings_in_any_unit() {
        let to = |quantity| shown_over(Unit::G, quantity, 6000.0).expect("motion");
        assert!((to(Quantity::Velocity) - 11.036).abs() < 1e-3);
        assert!((to(Quantity::Displacement) - 49.681).abs() < 1e-3);
        assert!((to(Quantity::Acceleration) - 1.0).abs() < 1e-12);
        assert_eq!(shown_over(Unit::Pascal, Quantity::Velocity, 6000.0), None);

        let limits = Limits { order1_mm_s_rms: Some(4.5), ..Limits::default() };
        let labels = [("front".to_owned(), Unit::G, 6000.0)];
        let map = DMatrix::from_row_slice(1, 2, &[Complex64::from(0.1), Complex64::from(0.0)]);
        let judgement = Judgement::by_vibration(&limits, &labels, &map).expect("one limit");
        let verdict = judgement.judge(&known([heavy_spot(2.0, 77.0), Complex64::ZERO], 0.01));
        assert!((verdict.judged[0].value - 2.2072).abs() < 1e-3, "{verdict:?}");
        assert_eq!(verdict.judged[0].unit, "mm/s rms");
        assert_eq!(verdict.standing, Standing::Passes);
        // 4.41 of 4.5 mm/s is no pass with a sensor known to 5 %
        let near = judgement.judge(&known([heavy_spot(4.0, 77.0), Complex64::ZERO], 0.01));
        assert_eq!(near.standing, Standing::CannotTell);
        assert!(Judgement::by_vibration(&Limits::default(), &labels, &map).is_err());
    }
}
