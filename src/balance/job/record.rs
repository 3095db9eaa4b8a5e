//! Steps of a job: what becomes an event, and what is refused.

use super::event::{Cause, Corrected, Found, Mass, Metal, Read, Spin, Undone, What};
use super::fold::Folded;
use super::next::Next;
use super::{Job, counted};
use crate::balance::chain::Chain;
use crate::balance::mishap::{self, Suspect};
use crate::balance::plan::{self, Hole};
use crate::balance::size_at;
use crate::balance::vectors::{self, Ask};
use crate::dsp::fft::Complex64;
use crate::error::{Error, Result};
use crate::machine::{Machine, Method};
use crate::progress::Progress;
use crate::recording::Recording;
use crate::recording::spec::apply_specs;
use crate::speed::choose;

/// Causes of an alarm that are told.
pub const MOST_SUSPECTS: usize = 4;

/// A trial mass so many times the size that would do is a slip of the pen.
const MOST_OVER_ASKED: f64 = 50.0;

/// What the user states about a spin.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct SpinFacts {
    /// Trial masses on the rotor during this spin alone.
    pub trial: Vec<Mass>,
    /// Whether parts were taken off and refitted before it.
    pub refitted: bool,
    /// Conditions in the user's words.
    pub note: Option<String>,
    /// From and to in seconds, where only a part of the recording is to be read.
    pub window_s: Option<[f64; 2]>,
}

/// A hole as it was drilled.
#[derive(Debug, Clone, PartialEq)]
pub struct DrilledHole {
    /// The plane.
    pub plane: String,
    /// Place in degrees from the mark, as the job counts.
    pub deg: f64,
    /// Depth to its tip in mm; of a hole that was made deeper the whole depth.
    pub depth_mm: f64,
}

/// What was done to the metal.
#[derive(Debug, Clone, PartialEq)]
pub enum Done {
    /// Everything that was planned.
    AsPlanned,
    /// This.
    Stated {
        /// Holes drilled.
        holes: Vec<DrilledHole>,
        /// Metal taken away in any other way, as unbalance.
        taken: Vec<Mass>,
        /// Mass added for good, as unbalance.
        added: Vec<Mass>,
    },
}

impl Job {
    /// Reads a described recording as a spin of this job: the event, and its chain.
    ///
    /// # Errors
    /// Whatever [`vectors::measure`] and [`Chain::of`] refuse; [`Error::Input`] where the chain is not that of the
    /// job; [`Error::Setting`] while an alarm is open or a trial mass names no plane.
    pub fn read_spin(
        &self,
        recording: &Recording,
        facts: SpinFacts,
        progress: &mut dyn Progress,
    ) -> Result<(What, Chain)> {
        let folded = self.going()?;
        for mass in &facts.trial {
            self.rotor.plane(&mass.plane)?;
            check_number("trial", mass.g_mm, mass.g_mm > 0.0)?;
            check_number("angle", mass.deg, mass.deg.abs() <= 360.0)?;
            let asked = folded.trial_size_g_mm(&self.rotor);
            if mass.g_mm > MOST_OVER_ASKED * asked {
                let problem = format!(
                    "{} g mm in {} are {:.0} times the {} that would do",
                    mass.g_mm,
                    mass.plane,
                    mass.g_mm / asked,
                    crate::units::three_digits(asked)
                );
                let mend = "write the mass in g times its radius in mm: were it mg?";
                return Err(Error::setting("trial", problem, mend));
            }
        }
        let (reading, chain) = self.read(recording, facts.window_s, progress)?;
        let spin = Spin {
            recording: recording.name.clone(),
            sha256: recording.sha256.clone(),
            refitted: facts.refitted,
            note: facts.note,
            reading,
            trial: facts.trial,
        };
        let known = self.live().into_iter().any(|number| {
            matches!(&self.events[number - 1].what, What::Spin(earlier)
                if earlier.sha256.is_some() && earlier.sha256 == spin.sha256)
        });
        if known {
            let problem = "this recording is in the job already";
            let mend = "record the spin anew: a copy tells nothing more";
            return Err(Error::input(recording.source(), "", problem, mend));
        }
        Ok((What::Spin(spin), chain))
    }

    /// A recording as its file holds it, with its channels as the machine of the job describes them.
    ///
    /// # Errors
    /// As [`apply_specs`].
    pub fn described(&self, raw: Recording) -> Result<Recording> {
        let source = raw.source();
        apply_specs(raw, &self.rotor.machine()?.channel, &source)
    }

    /// The vectors of a described recording, in the order of the job's readings, with its chain.
    ///
    /// # Errors
    /// As [`Job::read_spin`].
    pub fn read(
        &self,
        recording: &Recording,
        window_s: Option<[f64; 2]>,
        progress: &mut dyn Progress,
    ) -> Result<(Vec<Read>, Chain)> {
        let machine = &self.rotor.machine()?;
        let source = recording.source();
        let chain = Chain::of(recording, machine, &self.rotor.sensors)?;
        if let Some(difference) = self.rotor.chain.as_ref().and_then(|job| chain.differs_from(job))
        {
            let problem = format!("its measuring chain is not that of the job: {difference}");
            let mend = "record it with the chain of the job, or begin a new job";
            return Err(Error::input(source, "", problem, mend));
        }
        let speed = choose::choose(recording, machine, progress)?.into_speed()?;
        let ask = Ask {
            sensors: self.rotor.sensors.clone(),
            rpm: self.rotor.balance_rpm.clone(),
            window_s,
            largest_peak: self.largest_peak()?,
        };
        let readings = vectors::measure(recording, machine, &speed, &ask)?;
        Ok((readings.into_iter().map(Read::from).collect(), chain))
    }

    /// The largest amplitude of each reading in the spins that count; empty without any.
    fn largest_peak(&self) -> Result<Vec<f64>> {
        let mut largest = Vec::new();
        for number in self.live() {
            let What::Spin(spin) = &self.events[number - 1].what else { continue };
            let readings = self.rotor.ordered(&spin.reading)?;
            largest.resize(readings.len(), 0.0);
            for (most, reading) in largest.iter_mut().zip(&readings) {
                *most = reading.amplitude().max(*most);
            }
        }
        Ok(largest)
    }

    /// What was done to the metal, as an event.
    ///
    /// # Errors
    /// [`Error::Setting`] while an alarm is open, before the first spin, without any metal, where a plane is not
    /// known or its drill is not described, or as planned where nothing is planned.
    pub fn corrected(&self, done: &Done) -> Result<What> {
        let folded = self.going()?;
        if folded.spins.is_empty() {
            let mend = "record a spin before the first hole: it cannot be put back";
            return Err(Error::setting("hole", "the rotor was not spun yet", mend));
        }
        let metal = match done {
            Done::AsPlanned => return self.corrected_as_planned(&folded),
            Done::Stated { holes, taken, added } => self.stated(&folded, holes, taken, added)?,
        };
        if metal.is_empty() {
            let mend =
                "state each hole, as in compressor=2.35@124, or that all was done as planned";
            return Err(Error::setting("hole", "nothing was taken away or added", mend));
        }
        Ok(What::Corrected(Corrected { metal }))
    }

    /// Everything that is planned, as an event.
    pub(super) fn corrected_as_planned(&self, folded: &Folded) -> Result<What> {
        let metal = as_planned(&folded.next(&self.rotor)?)?;
        if metal.is_empty() {
            let mend = "state each hole, as in compressor=2.35@124";
            return Err(Error::setting("as planned", "no hole is planned", mend));
        }
        Ok(What::Corrected(Corrected { metal }))
    }

    fn stated(
        &self,
        folded: &Folded,
        holes: &[DrilledHole],
        taken: &[Mass],
        added: &[Mass],
    ) -> Result<Vec<Metal>> {
        let machine = &folded.machine;
        let mut metal: Vec<Metal> = Vec::new();
        for hole in holes {
            self.rotor.plane(&hole.plane)?;
            check_number("angle", hole.deg, true)?;
            let there = folded.metal.iter().chain(&metal);
            let old = holes_of(there.filter(|m| m.plane == hole.plane), machine);
            let deg = machine.convention.count.turned(hole.deg);
            let made = plan::drilled(machine, &hole.plane, &old, deg, hole.depth_mm)?;
            metal.push(metal_of_hole(&hole.plane, &made, machine));
        }
        let by = |mass: &Mass, method: Method, sign: f64| Metal {
            plane: mass.plane.clone(),
            method,
            deg: mass.deg,
            g_mm: sign * mass.g_mm,
            drill_mm: None,
            depth_mm: None,
            from_mm: None,
            arc_deg: None,
            mass_g: None,
        };
        for mass in taken.iter().chain(added) {
            self.rotor.plane(&mass.plane)?;
            check_number("g mm", mass.g_mm, mass.g_mm > 0.0)?;
            check_number("angle", mass.deg, true)?;
        }
        metal.extend(taken.iter().map(|mass| by(mass, Method::Grind, -1.0)));
        metal.extend(added.iter().map(|mass| by(mass, Method::Add, 1.0)));
        Ok(metal)
    }

    /// The last event that counts, undone; while the job has stopped the last one that is no test.
    ///
    /// # Errors
    /// [`Error::Setting`] where nothing is left to undo.
    pub fn undone(&self) -> Result<What> {
        let mut live = self.live();
        if self.folded()?.alarm.is_some() {
            live.retain(|number| !matches!(self.events[number - 1].what, What::Tested(_)));
        }
        let event = live.pop().ok_or_else(|| {
            Error::setting("undo", "nothing is left to undo", "begin with a spin")
        })?;
        Ok(What::Undone(Undone { event }))
    }

    /// What an undoing takes back, in a sentence.
    pub fn taken_back(&self, undone: &What) -> Option<String> {
        let What::Undone(Undone { event }) = undone else { return None };
        let what = match &self.events.get(event - 1)?.what {
            What::Spin(spin) => format!("the spin {}", spin.recording),
            What::Corrected(corrected) => format!(
                "{}; metal that is gone stays gone: tell it again as it is, before the next spin",
                summary(&corrected.metal)
            ),
            What::Found(found) => format!("what was found: {}", found.cause.word()),
            What::Tested(tested) => format!("the {} test", tested.test.word()),
            What::Undone(_) => return None,
        };
        Some(format!("took back event {event}: {what}"))
    }

    /// What a look at the rotor gave after an alarm: the suspect of this rank, counted from 1, or that the
    /// reading stands.
    ///
    /// # Errors
    /// [`Error::Setting`] where there is no alarm or no such suspect.
    pub fn found(&self, rank: Option<usize>) -> Result<What> {
        let folded = self.folded()?;
        let (Some(alarm), Some((last, _))) = (&folded.alarm, folded.spins.last()) else {
            let mend = "nothing is to be explained: go on with the plan";
            return Err(Error::setting("found", "the last spin is as predicted", mend));
        };
        let Some(rank) = rank else {
            let nothing =
                Found { event: *last, cause: Cause::Nothing, planes: Vec::new(), factor: None };
            return Ok(What::Found(nothing));
        };
        let shown = alarm.suspects.len().min(MOST_SUSPECTS);
        let suspect = rank.checked_sub(1).filter(|index| *index < shown);
        let suspect = suspect.map(|index| &alarm.suspects[index]).ok_or_else(|| {
            let mend =
                format!("choose one of the {shown} listed, or nothing where the reading stands");
            Error::setting("found", format!("there is no cause number {rank}"), mend)
        })?;
        if suspect.change.is_none() {
            let problem = "rig, sensor or recording is the cause: no record of the rotor is wrong";
            let mend = "undo the spin, mend the rig, and spin again; or say nothing where the reading stands";
            return Err(Error::setting("found", problem, mend));
        }
        self.found_of(&folded, suspect)
    }

    fn found_of(&self, folded: &Folded, suspect: &Suspect) -> Result<What> {
        let event = suspect.change.and_then(|change| folded.event_of(change)).ok_or_else(|| {
            Error::Bug("a suspected change belongs to no event of the job".to_owned())
        })?;
        let (cause, factor) = match suspect.cause {
            mishap::Cause::MirroredAngle => (Cause::MirroredAngle, None),
            mishap::Cause::HalfTurn => (Cause::HalfTurn, None),
            mishap::Cause::SwappedPlanes => (Cause::SwappedPlanes, None),
            mishap::Cause::LostMass => (Cause::LostMass, None),
            mishap::Cause::WrongDepth { factor } => (Cause::WrongDepth, Some(factor)),
            mishap::Cause::Other => (Cause::Nothing, None),
        };
        let planes = suspect.planes.iter().filter_map(|&p| self.rotor.planes.get(p).cloned());
        Ok(What::Found(Found { event, cause, planes: planes.collect(), factor }))
    }

    /// Where the rotor stands; refused while the last spin contradicts the record.
    pub(super) fn going(&self) -> Result<Folded> {
        let folded = self.folded()?;
        let Some(alarm) = &folded.alarm else { return Ok(folded) };
        Err(Error::setting(
            "job",
            format!(
                "it has stopped: the last spin lies {:.1} standard deviations from what was predicted",
                alarm.sigmas
            ),
            "see the plan for what to look at, then say what was found, or undo the spin",
        ))
    }
}

fn check_number(name: &str, value: f64, is_sound: bool) -> Result<()> {
    if value.is_finite() && is_sound {
        return Ok(());
    }
    let mend =
        "write sizes above 0, and angles in degrees up to 360: what is opposite is 180 further on";
    Err(Error::setting(name, format!("{value} cannot be"), mend))
}

/// Unbalance at a place as a mass of the job, angle as the convention counts it.
pub fn mass_of(plane: &str, unbalance: Complex64, machine: &Machine) -> Mass {
    let (g_mm, deg) = size_at(unbalance);
    let deg = machine.convention.count.turned(deg);
    Mass { plane: plane.to_owned(), g_mm, deg }
}

/// `2 holes`, `1 mass`: what a correction is made of.
pub fn summary(metal: &[Metal]) -> String {
    let of = |method: Method| metal.iter().filter(|one| one.method == method).count();
    let parts =
        [(of(Method::Drill), "hole"), (of(Method::Grind), "cut"), (of(Method::Add), "mass")];
    let told: Vec<String> = parts
        .into_iter()
        .filter(|(count, _)| *count > 0)
        .map(|(count, what)| match (count, what) {
            (1, _) => format!("1 {what}"),
            (_, "mass") => format!("{count} masses"),
            _ => counted(count, what),
        })
        .collect();
    crate::units::listed(&told)
}

/// Everything that is planned.
fn as_planned(next: &Next) -> Result<Vec<Metal>> {
    let refuse = |problem: String| {
        Err(Error::setting("as planned", problem, "state each hole, as in compressor=2.35@124"))
    };
    let Next::Correct { planes, .. } = next else {
        return refuse("the next step is no correction".to_owned());
    };
    if let Some(why) = planes.iter().find_map(|p| p.plan.as_ref()?.as_ref().err()) {
        return refuse(format!("not everything is planned: {why}"));
    }
    Ok(planes.iter().flat_map(|plane| plane.metal.clone()).collect())
}

/// A hole of a plan as a row of the job.
pub fn metal_of_hole(plane: &str, hole: &Hole, machine: &Machine) -> Metal {
    // to a tenth of a micrometre: multiples of a step are not exact
    let rounded = |value: f64| (1e4 * value).round() / 1e4;
    let some = |value: f64| (value > 0.0).then_some(value);
    let sign = if hole.method == Method::Add { 1.0 } else { -1.0 };
    Metal {
        plane: plane.to_owned(),
        method: hole.method,
        deg: machine.convention.count.turned(hole.deg),
        g_mm: sign * hole.g_mm,
        drill_mm: some(hole.drill_mm),
        depth_mm: some(rounded(hole.tip_mm)),
        from_mm: some(rounded(hole.from_mm)),
        arc_deg: some(rounded(hole.arc_deg)),
        mass_g: some(hole.mass_g),
    }
}

/// Rows of the job as holes of a plan.
pub fn holes_of<'a>(metal: impl Iterator<Item = &'a Metal>, machine: &Machine) -> Vec<Hole> {
    metal
        .map(|one| Hole {
            method: one.method,
            deg: machine.convention.count.turned(one.deg),
            drill_mm: one.drill_mm.unwrap_or(0.0),
            tip_mm: one.depth_mm.unwrap_or(0.0),
            from_mm: one.from_mm.unwrap_or(0.0),
            arc_deg: one.arc_deg.unwrap_or(0.0),
            g_mm: one.g_mm.abs(),
            mass_g: one.mass_at_least_g(machine),
        })
        .collect()
}
