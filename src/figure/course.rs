//! The course of a balancing job: the unbalance of each plane after each correction.

use super::polar::{Polar, PolarPoint, Trace};
use super::{Axis, Figure, Panel, Row};
use crate::balance::job::Rotor;
use crate::balance::job::fold::Folded;
use crate::balance::size_at;
use crate::error::Result;
use crate::units::three_digits;

/// Points of the circle that stands for the limit.
const CIRCLE: usize = 72;

/// One polar picture for each plane: the most probable unbalance before the first correction and after each, the
/// angle as the job counts it from the mark. `None` where nothing is known yet.
///
/// # Errors
/// As the parts of a figure refuse.
pub fn course(rotor: &Rotor, folded: &Folded) -> Result<Option<Figure>> {
    let states = folded.course();
    if states.is_empty() {
        return Ok(None);
    }
    let mut panels = Vec::new();
    let mut notes = vec![
        "angles count from the mark; 0 stands for the first spins, every number for the correction before the \
         point"
            .to_owned(),
    ];
    for (p, plane) in rotor.planes.iter().enumerate() {
        let at = |deg: f64| folded.machine.convention.count.turned(deg);
        let vectors: Vec<(usize, f64, f64)> = (states.iter())
            .map(|state| {
                let (size, deg) = size_at(state.unbalance[p]);
                (state.corrections, size, at(deg))
            })
            .collect();
        let angles = vectors.iter().map(|vector| vector.2).collect();
        let radii = vectors.iter().map(|vector| vector.1).collect();
        let mut traces = vec![Trace::new("unbalance", angles, radii)?];
        if let Some(limit) = folded.limit_in_plane(p) {
            let angles = (0..=CIRCLE).map(|i| 360.0 * i as f64 / CIRCLE as f64).collect();
            traces.push(Trace::new("limit, others perfect", angles, vec![limit; CIRCLE + 1])?);
            let size = three_digits(limit);
            notes.push(format!(
                "{plane}: {size} g mm alone reach a limit, were all other planes perfect"
            ));
        }
        panels.push(Panel::from(Polar {
            title: plane.clone(),
            angle_axis: Axis::linear("place from the mark", "degrees"),
            radius_axis: Axis::linear("unbalance", "g mm"),
            traces,
            named: "corrections made".to_owned(),
            points: vectors
                .iter()
                .map(|(corrections, radius, angle_deg)| PolarPoint {
                    angle_deg: *angle_deg,
                    radius: *radius,
                    label: corrections.to_string(),
                    is_critical: false,
                })
                .collect(),
        }));
    }
    Ok(Some(Figure {
        title: format!("unbalance of {} in the course of the job", rotor.serial),
        rows: vec![Row::new(1.7, panels)],
        notes,
        page: false,
        shared: false,
    }))
}
