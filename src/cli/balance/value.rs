//! Masses and holes as they are written on the command line.

use crate::balance::job::event::Mass;
use crate::balance::job::record::DrilledHole;

/// `PLANE=G_MM@DEG`, or `PLANE=GxMM@DEG` with a mass in g and its radius in mm.
pub(super) fn mass(text: &str) -> Result<Mass, String> {
    let (plane, size, deg) = parts(text)?;
    let g_mm = match size.split_once('x') {
        Some((g, mm)) => number(g)? * number(mm)?,
        None => number(size)?,
    };
    Ok(Mass { plane, g_mm, deg })
}

/// `PLANE=DEPTH_MM@DEG`.
pub(super) fn hole(text: &str) -> Result<DrilledHole, String> {
    let (plane, depth, deg) = parts(text)?;
    let depth_mm = number(depth)?;
    if depth_mm <= 0.0 {
        return Err("a depth is above 0 mm".to_owned());
    }
    Ok(DrilledHole { plane, deg, depth_mm })
}

fn parts(text: &str) -> Result<(String, &str, f64), String> {
    let wanted = "write PLANE=SIZE@DEGREES, as in compressor=0.4@120";
    let (plane, rest) = text.rsplit_once('=').ok_or(wanted)?;
    let (size, deg) = rest.split_once('@').ok_or(wanted)?;
    if plane.trim().is_empty() {
        return Err("the plane is missing, as in compressor=0.4@120".to_owned());
    }
    Ok((plane.trim().to_owned(), size, number(deg)?))
}

fn number(text: &str) -> Result<f64, String> {
    let value: f64 = text.trim().parse().map_err(|_| format!("{text:?} is no number"))?;
    if value.is_finite() { Ok(value) } else { Err(format!("{text:?} is no finite number")) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn masses_and_holes_are_read() {
        let is = |text, g_mm, deg| {
            assert_eq!(mass(text), Ok(Mass { plane: "turbine".to_owned(), g_mm, deg }), "{text}");
        };
        is("turbine=0.4@120", 0.4, 120.0);
        is("turbine = 0.02x20@ -30", 0.4, -30.0);
        let read = hole("compressor=2.35@124").expect("a hole");
        assert_eq!((read.plane.as_str(), read.depth_mm, read.deg), ("compressor", 2.35, 124.0));
        for bad in ["0.4@120", "a=0.4", "a=x@1", "=1@2", "a=nan@1", "a=1@inf", ""] {
            assert!(mass(bad).is_err(), "{bad}");
        }
        assert!(hole("a=0@10").is_err());
    }
}
