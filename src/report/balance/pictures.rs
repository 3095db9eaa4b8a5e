//! Pictures of the wheels of a job: what was drilled, and what is to be drilled next.

use std::path::{Path, PathBuf};

use crate::balance::job::Job;
use crate::balance::job::fold::Folded;
use crate::balance::job::next::Next;
use crate::balance::plan::{Allowed, Plan};
use crate::dsp::fft::Complex64;
use crate::error::{Error, Result};
use crate::figure::{Wheel, wheel};
use crate::report::{wheel_picture, wheel_template, write_text};

/// The wheel of each plane with what was made and, where the next step is a correction, what is to be made; or why
/// there is no picture of it. Empty before an unbalance is known.
pub fn wheels(job: &Job, folded: &Folded, next: &Next) -> Vec<(String, Result<Wheel>)> {
    let planes = job.rotor.planes.iter().enumerate();
    if folded.posterior.is_err() {
        return Vec::new();
    }
    let serial = &job.rotor.serial;
    let named = |mut wheel: Wheel| {
        // two rotors' templates on one bench must be told apart
        wheel.machine = match wheel.machine.as_str() {
            "" => format!("of {serial}"),
            machine => format!("of {serial}, {machine}"),
        };
        wheel
    };
    planes.map(|(p, plane)| (plane.clone(), of_plane(folded, next, p, plane).map(named))).collect()
}

fn of_plane(folded: &Folded, next: &Next, p: usize, plane: &str) -> Result<Wheel> {
    let machine = &folded.machine;
    let now = folded.posterior.as_ref().map_err(|why| Error::Bug(why.clone()))?.now.clone();
    let (mean, error) = (now.mean[p], now.deviations()[p]);
    let allowed = Allowed::of(machine, plane)?;
    let old = folded.holes_in(plane);
    let planned = match next {
        Next::Correct { planes, .. } => planes
            .iter()
            .find(|one| one.plane == plane)
            .and_then(|one| one.plan.as_ref()?.as_ref().ok().cloned()),
        _ => None,
    };
    let limit_g_mm = folded.limit_in_plane(p).unwrap_or(0.0);
    let plan = planned.unwrap_or_else(|| Plan {
        holes: Vec::new(),
        planned: Complex64::ZERO,
        residual: mean,
        residual_spread_g_mm: error,
        chance_within: 0.0,
        undershoot: 0.0,
        notes: Vec::new(),
    });
    wheel(machine, &allowed, &old, &plan, (mean, error), limit_g_mm)
}

/// Draws every wheel into a folder: `PLANE.svg`, the picture, and `PLANE.template.svg`, which prints 1:1. Returns the
/// files.
///
/// # Errors
/// The first reason why a wheel cannot be drawn; [`Error::TooLittle`] before an unbalance is known;
/// [`Error::Io`] where a file cannot be written.
pub fn pictures(job: &Job, folded: &Folded, next: &Next, folder: &Path) -> Result<Vec<PathBuf>> {
    let wheels = wheels(job, folded, next);
    if wheels.is_empty() {
        let needed = "spins that tell the unbalance";
        return Err(Error::too_little("a picture of the wheels", needed, "none"));
    }
    std::fs::create_dir_all(folder).map_err(|source| Error::io(folder, source))?;
    let mut written = Vec::new();
    for (plane, wheel) in wheels {
        let wheel = wheel?;
        // a plane's name may hold what no file's may
        let name: String =
            plane.chars().map(|c| if c.is_alphanumeric() { c } else { '-' }).collect();
        for (ending, text) in
            [("svg", wheel_picture(&wheel)), ("template.svg", wheel_template(&wheel)?)]
        {
            let path = folder.join(format!("{name}.{ending}"));
            write_text(&path, &text)?;
            written.push(path);
        }
    }
    Ok(written)
}
