//! Rolling bearings: the orders at which a damaged part repeats itself.

use serde::{Deserialize, Serialize};

use crate::error::{Error, Result};

/// How the bearing carries the shaft; decides which signatures exist for it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum BearingType {
    /// Balls or rollers.
    #[default]
    Rolling,
    /// Plain fluid film.
    Plain,
    /// Floating ring.
    FloatingRing,
    /// Foil, gas film.
    Foil,
}

impl BearingType {
    /// Whether the shaft rides on a fluid film, where sub-synchronous motion may be normal.
    pub fn is_fluid_film(self) -> bool {
        !matches!(self, Self::Rolling)
    }
}

/// `[bearing.NAME]`: stated by geometry or by its four multipliers.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Bearing {
    /// Kind of bearing.
    #[serde(rename = "type")]
    pub kind: BearingType,
    /// Number of rolling elements in a row.
    pub elements: Option<u32>,
    /// Diameter of a rolling element in mm.
    pub element_mm: Option<f64>,
    /// Pitch diameter in mm.
    pub pitch_mm: Option<f64>,
    /// Contact angle in degrees.
    pub contact_deg: Option<f64>,
    /// Outer-race passing order.
    pub bpfo: Option<f64>,
    /// Inner-race passing order.
    pub bpfi: Option<f64>,
    /// Spin order of a rolling element (one turn of the element; a defect hits twice in it).
    pub bsf: Option<f64>,
    /// Cage order.
    pub ftf: Option<f64>,
}

/// Orders (multiples of shaft speed) of the parts of a rolling bearing, outer ring standing still.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Multipliers {
    /// Outer-race passing order (BPFO).
    pub bpfo: f64,
    /// Inner-race passing order (BPFI).
    pub bpfi: f64,
    /// Element spin order (BSF).
    pub bsf: f64,
    /// Cage order (FTF).
    pub ftf: f64,
}

impl Multipliers {
    /// The multipliers of a geometry without slip.
    ///
    /// With g = (d / D) cos(contact angle): FTF = (1 - g) / 2, BPFO = Z FTF, BPFI = Z (1 + g) / 2,
    /// BSF = D (1 - g²) / (2 d). Source: Smith and Randall, Mech. Syst. Signal Process. 64-65 (2015)
    /// 100-131, section 2.
    pub fn from_geometry(elements: u32, element_mm: f64, pitch_mm: f64, contact_deg: f64) -> Self {
        let g = element_mm / pitch_mm * contact_deg.to_radians().cos();
        let z = f64::from(elements);
        Self {
            bpfo: z * 0.5 * (1.0 - g),
            bpfi: z * 0.5 * (1.0 + g),
            bsf: pitch_mm / (2.0 * element_mm) * (1.0 - g * g),
            ftf: 0.5 * (1.0 - g),
        }
    }
}

impl Bearing {
    /// The bearing's multipliers; `None` for fluid films and where neither geometry nor multipliers
    /// are stated. Stated multipliers come before geometry.
    ///
    /// # Errors
    /// [`Error::Setting`] where only some of either are stated, a value is impossible, or the two
    /// statements differ by more than 1 %.
    pub fn multipliers(&self, name: &str) -> Result<Option<Multipliers>> {
        if self.kind.is_fluid_film() {
            return Ok(None);
        }
        let geometry = self.by_geometry(name)?;
        let stated = self.by_multipliers(name)?;
        if let (Some(g), Some(s)) = (geometry, stated) {
            agree(name, g, s)?;
        }
        Ok(stated.or(geometry))
    }

    fn by_geometry(&self, name: &str) -> Result<Option<Multipliers>> {
        let (elements, element_mm, pitch_mm) = match (self.elements, self.element_mm, self.pitch_mm)
        {
            (Some(z), Some(d), Some(pitch)) => (z, d, pitch),
            (_, None, None) => return Ok(None),
            _ => {
                return Err(refuse(
                    name,
                    "the geometry is incomplete",
                    "give elements, element_mm and pitch_mm together",
                ));
            }
        };
        let fits = elements >= 3 && element_mm > 0.0 && pitch_mm > 1.2 * element_mm;
        if !fits {
            return Err(refuse(
                name,
                &format!(
                    "{elements} elements of {element_mm} mm on a pitch of {pitch_mm} mm cannot be"
                ),
                "check elements, element_mm and pitch_mm",
            ));
        }
        let contact_deg = self.contact_deg.unwrap_or(0.0);
        if !(0.0..90.0).contains(&contact_deg) {
            return Err(refuse(
                name,
                &format!("contact_deg is {contact_deg}"),
                "state it between 0 and 90 degrees",
            ));
        }
        Ok(Some(Multipliers::from_geometry(elements, element_mm, pitch_mm, contact_deg)))
    }

    fn by_multipliers(&self, name: &str) -> Result<Option<Multipliers>> {
        let stated = [self.bpfo, self.bpfi, self.bsf, self.ftf];
        if stated.iter().all(Option::is_none) {
            return Ok(None);
        }
        let (Some(bpfo), Some(bpfi), Some(bsf), Some(ftf)) =
            (self.bpfo, self.bpfi, self.bsf, self.ftf)
        else {
            return Err(refuse(
                name,
                "only some of the multipliers are stated",
                "give bpfo, bpfi, bsf and ftf together",
            ));
        };
        // an element's own frequency is often printed doubled, a cage above half is one of a turning
        // outer ring: both lead to a wrong part named
        let fits = (0.2..0.5).contains(&ftf) && bpfi > bpfo && bpfo > 0.0 && bsf > 0.0;
        if !fits {
            return Err(refuse(
                name,
                &format!(
                    "bpfo {bpfo}, bpfi {bpfi}, bsf {bsf}, ftf {ftf} do not belong to a bearing with a fixed outer ring"
                ),
                "state multiples of shaft speed with ftf between 0.2 and 0.5 and bpfi above bpfo",
            ));
        }
        Ok(Some(Multipliers { bpfo, bpfi, bsf, ftf }))
    }
}

fn agree(name: &str, geometry: Multipliers, stated: Multipliers) -> Result<()> {
    let pairs = [
        ("bpfo", geometry.bpfo, stated.bpfo),
        ("bpfi", geometry.bpfi, stated.bpfi),
        ("bsf", geometry.bsf, stated.bsf),
        ("ftf", geometry.ftf, stated.ftf),
    ];
    for (key, from_geometry, given) in pairs {
        if (given / from_geometry - 1.0).abs() > 0.01 {
            return Err(refuse(
                name,
                &format!("{key} is stated as {given}, but the geometry gives {from_geometry:.4}"),
                "correct one, or leave one out",
            ));
        }
    }
    Ok(())
}

fn refuse(name: &str, problem: &str, mend: &str) -> Error {
    Error::setting(format!("bearing.{name}"), problem, mend)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 6205-2RS JEM: 9 balls of 0.3126 in on 1.537 in; multipliers printed by the Case Western
    /// Reserve University Bearing Data Center (its "rolling element 4.7135" is twice BSF).
    #[test]
    fn published_multipliers_of_6205() {
        let m = Multipliers::from_geometry(9, 0.3126 * 25.4, 1.537 * 25.4, 0.0);
        assert!((m.ftf - 0.39828).abs() < 1e-4 && (m.bpfo - 3.5848).abs() < 1e-4);
        assert!((m.bpfi - 5.4152).abs() < 1e-4 && (2.0 * m.bsf - 4.7135).abs() < 1e-4);
    }

    #[test]
    fn contradictions_are_refused() {
        let geometry = Bearing {
            elements: Some(9),
            element_mm: Some(7.94),
            pitch_mm: Some(39.04),
            ..Bearing::default()
        };
        assert!(geometry.multipliers("front").is_ok_and(|m| m.is_some()));
        let both = Bearing {
            bpfo: Some(3.8),
            bpfi: Some(5.4152),
            bsf: Some(2.357),
            ftf: Some(0.398),
            ..geometry.clone()
        };
        let message = both.multipliers("front").expect_err("3.8 is not 3.585").to_string();
        assert!(message.contains("bearing.front") && message.contains("bpfo"), "{message}");
        let partial = Bearing { bpfo: Some(3.0), ..Bearing::default() };
        assert!(partial.multipliers("front").is_err());
        let plain = Bearing { kind: BearingType::Plain, ..geometry };
        assert_eq!(plain.multipliers("front").expect("a film has none"), None);
    }
}
