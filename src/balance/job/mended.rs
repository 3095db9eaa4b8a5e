//! What the events of a job really were: as a look at the rotor found it later.

use super::Job;
use super::event::{Cause, Found, Metal, What};
use crate::balance::plan;
use crate::error::{Error, Result};
use crate::machine::{Machine, Method};

impl Job {
    /// Spins whose readings stand although they contradicted the record.
    pub(super) fn overridden(&self) -> Vec<usize> {
        let nothing = |number: usize| match &self.events[number - 1].what {
            What::Found(found) if found.cause == Cause::Nothing => Some(found.event),
            _ => None,
        };
        self.live().into_iter().filter_map(nothing).collect()
    }

    /// The events that count, as what was found later says that they really were.
    pub(super) fn effective(&self, machine: &Machine) -> Result<Vec<(usize, What)>> {
        let mut events: Vec<(usize, What)> =
            self.live().into_iter().map(|n| (n, self.events[n - 1].what.clone())).collect();
        let found: Vec<Found> = (events.iter())
            .filter_map(|(_, what)| match what {
                What::Found(found) => Some(found.clone()),
                _ => None,
            })
            .collect();
        for found in &found {
            let Some((_, what)) = events.iter_mut().find(|(n, _)| *n == found.event) else {
                let problem = format!("what was found names event {}", found.event);
                return Err(Error::setting("event", problem, "undo what was found"));
            };
            self.mend(machine, what, found)?;
        }
        Ok(events)
    }

    /// Changes an event into what it really was.
    fn mend(&self, machine: &Machine, what: &mut What, found: &Found) -> Result<()> {
        let concerns = |plane: &String| found.planes.is_empty() || found.planes.contains(plane);
        // the pair that was swapped; of two planes there is one pair only
        let pair = if found.planes.is_empty() { &self.rotor.planes } else { &found.planes };
        let swapped = |plane: &str| {
            let other = pair.iter().find(|name| *name != plane);
            other.map_or_else(|| plane.to_owned(), String::clone)
        };
        let change = |plane: &mut String, g_mm: &mut f64, deg: &mut f64| match found.cause {
            Cause::MirroredAngle => *deg = -*deg,
            Cause::HalfTurn => *deg += 180.0,
            Cause::SwappedPlanes => *plane = swapped(plane),
            Cause::LostMass => *g_mm = 0.0,
            Cause::WrongDepth => *g_mm *= found.factor.unwrap_or(1.0),
            Cause::Nothing => {}
        };
        match what {
            What::Spin(spin) => {
                for mass in spin.trial.iter_mut().filter(|mass| concerns(&mass.plane)) {
                    change(&mut mass.plane, &mut mass.g_mm, &mut mass.deg);
                }
            }
            What::Corrected(corrected) => {
                for metal in corrected.metal.iter_mut().filter(|metal| concerns(&metal.plane)) {
                    change(&mut metal.plane, &mut metal.g_mm, &mut metal.deg);
                    if found.cause == Cause::SwappedPlanes {
                        reweigh(machine, metal)?;
                    }
                    if found.cause == Cause::WrongDepth {
                        // how deep it is nobody measured
                        metal.depth_mm = None;
                        metal.from_mm = None;
                        metal.mass_g = None;
                    }
                }
                corrected.metal.retain(|metal| metal.g_mm != 0.0);
            }
            _ => {
                let problem = format!("event {} is neither a spin nor a correction", found.event);
                return Err(Error::setting("event", problem, "name one of these"));
            }
        }
        Ok(())
    }
}

/// A hole that is in another wheel than was written down takes away what its depth takes there.
fn reweigh(machine: &Machine, metal: &mut Metal) -> Result<()> {
    let (Some(depth_mm), Method::Drill) = (metal.depth_mm, metal.method) else { return Ok(()) };
    let mut machine = machine.clone();
    if let (Some(plane), Some(drill_mm)) = (machine.plane.get_mut(&metal.plane), metal.drill_mm) {
        plane.drill_mm = Some(drill_mm);
    }
    let deg = machine.convention.count.turned(metal.deg);
    let hole = plan::drilled(&machine, &metal.plane, &[], deg, depth_mm)?;
    metal.g_mm = -hole.g_mm;
    metal.mass_g = Some(hole.mass_g);
    metal.from_mm = None;
    Ok(())
}
