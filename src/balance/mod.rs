//! Balancing: from 1x vectors to what must be taken away, and how sure that is.
//!
//! Unbalances are complex, in g mm: a heavy spot at `deg` counted from the mark against the rotation
//! is `U e^{-i deg}` and turns with the shaft as `e^{i theta}`, like the phasors of order tracks. So a
//! reading is the sum over the planes of coefficient times unbalance, and all are leads: the lag that
//! the trade reads is minus the argument.

pub mod chain;
pub mod design;
pub mod estimate;
pub mod forecast;
pub mod hole;
pub mod index;
pub mod influence;
pub mod job;
pub mod judgement;
pub mod mishap;
pub mod no_phase;
pub mod of_type;
pub mod plan;
pub mod scatter;
pub mod tolerance;
pub mod vectors;

use crate::dsp::fft::Complex64;
use crate::error::{Error, Result};
use crate::units::wrap_deg;

/// An unbalance from its size in g mm and its place in degrees against the rotation from the mark.
pub fn heavy_spot(g_mm: f64, deg: f64) -> Complex64 {
    Complex64::from_polar(g_mm, -deg.to_radians())
}

/// Size in g mm and place in degrees against the rotation from the mark, 0 to 360.
pub fn size_at(unbalance: Complex64) -> (f64, f64) {
    (unbalance.norm(), wrap_deg(-unbalance.arg().to_degrees()))
}

/// Refuses a setting that is no positive number, with what to write instead.
fn check_positive(name: &str, value: f64, mend: &str) -> Result<()> {
    if value.is_finite() && value > 0.0 {
        return Ok(());
    }
    Err(Error::setting(name, format!("{value} is no positive number"), mend))
}
