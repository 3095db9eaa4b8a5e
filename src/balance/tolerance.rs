//! How much unbalance may remain: from mass, speed and grade, shared between two planes.

use std::f64::consts::TAU;

use super::check_positive;
use crate::error::{Error, Result};

/// Above this share of the first bending critical speed a rotor no longer counts as rigid, and a grade
/// says nothing (common practice, no source).
pub const RIGID_BELOW: f64 = 0.7;
/// The larger share of a rotor whose centre of mass lies between its bearings is no more than this, the
/// smaller no less than one minus it (ISO 21940-11, allocation to tolerance planes; from memory).
const INBOARD_MOST: f64 = 0.7;
/// The larger share of an overhung rotor is no more than this (ISO 21940-11; from memory, fairly sure).
const OVERHUNG_MOST: f64 = 1.3;
/// The smaller share of either (ISO 21940-11; from memory).
const LEAST: f64 = 0.3;

/// Permissible residual unbalance in g mm of a rigid rotor: `1000 G m / omega`, with the balance quality
/// grade G in mm/s, the mass in kg and the angular speed in rad/s at the highest service speed
/// (ISO 21940-11:2016, permissible residual unbalance).
///
/// # Errors
/// [`Error::Setting`] where one of the three is no positive number.
pub fn permissible_g_mm(grade_mm_s: f64, mass_kg: f64, service_rpm: f64) -> Result<f64> {
    check_positive("grade_mm_s", grade_mm_s, "write, say, 6.3 for G 6.3")?;
    check_positive("mass_kg", mass_kg, "write, say, 0.42")?;
    check_positive("service_rpm", service_rpm, "write, say, 96000")?;
    Ok(1000.0 * grade_mm_s * mass_kg / (TAU * service_rpm / 60.0))
}

/// Refuses a grade where the rotor bends: above [`RIGID_BELOW`] of its first bending critical speed.
///
/// # Errors
/// [`Error::Setting`] with the highest speed at which a grade would still hold.
pub fn check_rigid(service_rpm: f64, first_bending_rpm: f64) -> Result<()> {
    let highest_rpm = RIGID_BELOW * first_bending_rpm;
    if service_rpm <= highest_rpm {
        return Ok(());
    }
    Err(Error::setting(
        "grade",
        format!(
            "at {service_rpm:.0} rpm the rotor bends: its first bending critical speed is \
             {first_bending_rpm:.0} rpm, and a grade holds up to {highest_rpm:.0} rpm"
        ),
        "state limits of vibration at several speeds instead",
    ))
}

/// Shares of the permissible unbalance at the two bearings, for a centre of mass at `centre_mm` from the
/// first and bearings `span_mm` apart (ISO 21940-11, allocation to tolerance planes).
///
/// Each bearing gets the share of the weight that it carries. With the centre between the bearings the
/// larger is held at 0.7 and the smaller at 0.3; with an overhung one they are held at 1.3 and 0.3.
///
/// # Errors
/// [`Error::Setting`] where the span is not positive or the centre no number.
pub fn shares(span_mm: f64, centre_mm: f64) -> Result<[f64; 2]> {
    if !(span_mm.is_finite() && span_mm > 0.0 && centre_mm.is_finite()) {
        return Err(Error::setting(
            "span_mm",
            format!("bearings {span_mm} mm apart with the centre of mass at {centre_mm} mm"),
            "state both distances from the first bearing",
        ));
    }
    let second = centre_mm / span_mm;
    let most = if (0.0..=1.0).contains(&second) { INBOARD_MOST } else { OVERHUNG_MOST };
    Ok([1.0 - second, second].map(|share| share.abs().clamp(LEAST, most)))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn near(value: f64, expected: f64, digits: i32) {
        assert!((value - expected).abs() < 0.5 * 10.0_f64.powi(-digits), "{value}, not {expected}");
    }

    /// The informative example of ISO 1940-1:2003, a turbine rotor of 3 600 kg at 3 000 rpm in G 2.5
    /// (inputs from memory): 28.6e3 g mm, shared 10.7e3 and 17.9e3.
    #[test]
    fn the_turbine_rotor_of_the_standard() {
        let total = permissible_g_mm(2.5, 3600.0, 3000.0).expect("sound values");
        near(total, 28_647.9, 1);
        let [a, b] = shares(2400.0, 1500.0).expect("sound values");
        near(a * total, 10_743.0, 1);
        near(b * total, 17_904.9, 1);
    }

    /// Specific unbalance e_per = U_per / m in µm (g mm per kg), own arithmetic from G = e_per omega.
    #[test]
    fn specific_unbalance() {
        let table = [
            (0.4, 1_000.0, 3.8197),
            (2.5, 100_000.0, 0.2387),
            (6.3, 60_000.0, 1.0027),
            (16.0, 150_000.0, 1.0186),
        ];
        for (grade, rpm, um) in table {
            near(permissible_g_mm(grade, 1.0, rpm).expect("sound values"), um, 4);
        }
    }

    /// Limits of the shares (own arithmetic from the rule of ISO 21940-11).
    #[test]
    fn shares_are_held_within_their_limits() {
        let small = permissible_g_mm(2.5, 0.5, 100_000.0).expect("sound values");
        near(small, 0.119_366, 6);
        let in_planes = |centre_mm| shares(100.0, centre_mm).expect("sound").map(|s| s * small);
        let [a, b] = in_planes(60.0);
        near(a, 0.047_746_5, 7);
        near(b, 0.071_619_7, 7);
        let [a, b] = in_planes(85.0);
        near(a, 0.035_809_9, 7);
        near(b, 0.083_556_3, 7);
        let [a, b] = in_planes(130.0);
        near(a, 0.035_809_9, 7);
        near(b, 0.155_176, 6);
        let other = permissible_g_mm(6.3, 2.0, 60_000.0).expect("sound values");
        let [a, b] = shares(120.0, 50.0).expect("sound").map(|s| s * other);
        near(a, 1.169_789, 6);
        near(b, 0.835_563, 6);
    }

    /// 6350 W / N g mm, W in kg and N in rpm (API residual unbalance; from memory), is a grade of
    /// 0.665 mm/s.
    #[test]
    fn a_small_grade_is_the_rule_of_the_petroleum_industry() {
        let (mass_kg, rpm) = (12.0, 9_000.0);
        let u = permissible_g_mm(0.664_97, mass_kg, rpm).expect("sound values");
        near(u / (6350.0 * mass_kg / rpm), 1.0, 4);
    }

    #[test]
    fn what_is_no_number_or_bends_is_refused() {
        assert!(permissible_g_mm(0.0, 1.0, 1000.0).is_err());
        assert!(permissible_g_mm(2.5, f64::NAN, 1000.0).is_err());
        assert!(shares(0.0, 10.0).is_err());
        assert!(check_rigid(70_000.0, 100_000.0).is_ok());
        let refused = check_rigid(71_000.0, 100_000.0).expect_err("it bends").to_string();
        assert!(refused.contains("up to 70000 rpm"), "{refused}");
    }
}
