//! What is told of a balancing job, in words: shared by the terminal and the certificate.

use crate::balance::forecast::Advice;
use crate::balance::hole::force_n;
use crate::balance::job::event::{Mass, Metal};
use crate::balance::job::fold::Folded;
use crate::balance::job::next::{Ahead, Next, PlanePlan, told};
use crate::balance::job::record::MOST_SUSPECTS;
use crate::balance::job::{Job, Rotor, Stage, counted};
use crate::balance::judgement::{Basis, Judged};
use crate::balance::mishap::{Alarm, Cause, Change, Suspect};
use crate::balance::plan::Allowed;
use crate::balance::size_at;
use crate::machine::{Machine, Method};
use crate::report::words::percent;
use crate::units::{grouped, listed, three_digits, with_error};

/// `0421: assembly on rig 1, 2 sensors at 24 000 rpm, 4 spins, 1 correction`.
pub(in crate::report) fn summary(job: &Job, folded: &Folded) -> String {
    let rotor = &job.rotor;
    let rig = if rotor.rig.is_empty() { String::new() } else { format!(" on {}", rotor.rig) };
    let speeds: Vec<String> = rotor.balance_rpm.iter().map(|rpm| grouped(*rpm)).collect();
    format!(
        "{}: {}{rig}, {} at {} rpm, {}, {}; angles count {} the rotation",
        rotor.serial,
        stage(rotor.stage),
        counted(rotor.sensors.len(), "sensor"),
        listed(&speeds),
        counted(folded.spins.len(), "spin"),
        counted(folded.corrections.len(), "correction"),
        folded.machine.convention.count.word(),
    )
}

/// What is balanced, in a word.
pub(in crate::report) fn stage(stage: Stage) -> &'static str {
    match stage {
        Stage::Component => "component",
        Stage::Assembly => "assembly",
        Stage::Trim => "trim",
    }
}

/// What the limits rest on, in a sentence.
pub(in crate::report) fn basis(basis: &Basis) -> String {
    match basis {
        Basis::Grade { grade_mm_s, service_rpm, mass_kg, permissible_g_mm } => format!(
            "G {grade_mm_s} at {} rpm, {mass_kg} kg: {} g mm in all (ISO 21940-11)",
            grouped(*service_rpm),
            three_digits(*permissible_g_mm),
        ),
        Basis::Vibration => "limits of the first order at the balancing speeds".to_owned(),
    }
}

/// `0.031 ± 0.012 of 0.043 g mm, 84 % likely within`.
pub(in crate::report) fn judged(judged: &Judged) -> String {
    format!(
        "{} of {} {}, {} likely within",
        with_error(judged.value, judged.error),
        three_digits(judged.limit),
        judged.unit,
        percent(judged.chance),
    )
}

/// The unbalance of each plane with its error, then its static and couple parts where there are two planes.
pub(in crate::report) fn unbalances(job: &Job, folded: &Folded) -> Vec<String> {
    let Ok(posterior) = &folded.posterior else { return Vec::new() };
    let errors = posterior.now.deviations();
    let at = |deg: f64| grouped(folded.machine.convention.count.turned(deg));
    let mut all: Vec<String> = (job.rotor.planes.iter().enumerate())
        .map(|(p, plane)| {
            let (size, deg) = size_at(posterior.now.mean[p]);
            let size = with_error(size, errors[p]);
            format!("{plane}: {size} g mm at {} deg from the mark", at(deg))
        })
        .collect();
    if let Some([sum, half]) = folded.static_and_couple() {
        let told =
            |(size, deg): (f64, f64)| format!("{} g mm at {} deg", three_digits(size), at(deg));
        all.push(format!(
            "static {}; couple {} in {} and opposite in {}",
            told(sum),
            told(half),
            job.rotor.planes[0],
            job.rotor.planes[1],
        ));
    }
    all
}

/// What was taken for granted, and what is weak.
pub(in crate::report) fn notes(folded: &Folded) -> Vec<String> {
    let mut notes: Vec<String> = folded.judgement.iter().flat_map(|j| j.notes.clone()).collect();
    if let Some((ratio, weakest)) = &folded.ill_conditioned {
        let is_couple = weakest.len() == 2
            && (weakest[0] + weakest[1]).norm() < (weakest[0] - weakest[1]).norm();
        let how = if is_couple { "opposite to each other" } else { "at the same angle" };
        notes.push(format!(
            "the readings can hardly tell the planes apart (ratio {ratio:.0}): a spin with trial masses \
             {how} in the planes would tell most, another balancing speed more still",
        ));
    }
    notes.extend(folded.doubts.iter().cloned());
    notes.extend(slow(folded));
    if folded.spins.is_empty() {
        notes.extend(unplanned(folded));
    }
    notes.extend(folded.outside.iter().cloned());
    notes.extend(folded.unchecked.iter().map(|why| {
        format!("it could not be looked whether the last spin contradicts the record: {why}")
    }));
    notes.extend(folded.overridden.iter().map(|number| {
        format!(
            "the spin of event {number} contradicted the record; somebody looked, found nothing and let it stand"
        )
    }));
    if let Some((refit, count)) = &folded.refit {
        let sizes: Vec<String> = refit.iter().map(|size| three_digits(*size)).collect();
        let refits = counted(*count, "refit");
        notes.push(format!("refitting scatters by {} g mm ({refits})", sizes.join(" and ")));
    }
    notes
}

/// Limits of vibration say nothing of speeds at which nobody measured.
fn slow(folded: &Folded) -> Option<String> {
    let is_by_vibration = folded.machine.shaft.balance_grade_mm_s.is_none();
    let top_rpm = folded.machine.shaft.top_rpm?;
    let read = folded.spins.iter().flat_map(|(_, spin)| &spin.reading);
    let fastest = read.map(|read| read.rpm).fold(0.0, f64::max);
    (is_by_vibration && fastest > 0.0 && fastest < 0.95 * top_rpm).then(|| {
        format!(
            "judged by the vibration up to {} rpm only; the top speed is {} rpm, and where the rotor bends limits at \
             several speeds up to it are needed",
            grouped(fastest),
            grouped(top_rpm)
        )
    })
}

/// Planes in which no hole can be planned as the machine file stands, told before the first spin.
fn unplanned(folded: &Folded) -> Vec<String> {
    let of = |(name, _): (&String, _)| Allowed::of(&folded.machine, name).err();
    let refused = folded.machine.plane.iter().filter_map(of);
    refused.map(|error| format!("no hole can be planned yet: {error}")).collect()
}

/// What to do next, a sentence each, the first to begin with.
pub(in crate::report) fn next(rotor: &Rotor, folded: &Folded, next: &Next) -> Vec<String> {
    match next {
        Next::Spin { trial, why, .. } if trial.is_empty() => {
            vec![format!("spin it without trial masses and record: {why}")]
        }
        Next::Spin { trial, why, .. } => {
            let masses = masses(&folded.machine, trial);
            let set = format!("set {masses}, for this spin alone; spin and record: {why}");
            vec![set, force(rotor, trial)]
        }
        Next::Look(alarm) => alarm_sentences(rotor, folded, alarm),
        Next::Correct { planes, .. } => {
            let mut all: Vec<String> = planes.iter().flat_map(plan_sentences).collect();
            if folded.corrections.is_empty() && rotor.of_type.is_none() {
                all.push(
                    "a trial mass that was stated wrongly cannot show before the first correction: check mark, sense \
                     and angles on the wheel itself"
                        .to_owned(),
                );
            }
            all
        }
        Next::SpinAgain { why, .. } => {
            vec![format!("spin it again without trial masses and record: {why}")]
        }
        Next::Hopeless { why } => vec![why.clone()],
        Next::Refit { missing } => vec![format!(
            "take the parts off, refit them to their marks at the stated nut torque, spin and record as \
             refitted: {} more",
            counted(*missing, "refit")
        )],
        Next::Done => vec!["nothing is to be corrected: write the certificate".to_owned()],
    }
}

/// What is likely still to come, where it can be said.
pub(in crate::report) fn forecast(next: &Next) -> Option<String> {
    let told = |advice: &Advice| {
        format!(
            "{:.1} more corrections and {:.1} more spins until it passes, on average of rotors like it",
            advice.corrections, advice.spins
        )
    };
    match next {
        Next::Correct { forecast, .. } | Next::SpinAgain { forecast, .. } => Some(told(forecast)),
        Next::Spin { ahead: Ahead::ToPass(advice), .. } => Some(told(advice)),
        Next::Spin { ahead: Ahead::SpinsToPlan(spins), .. } => {
            let spins = counted(*spins, "more spin");
            Some(format!("{spins} before it can be told what to drill"))
        }
        _ => None,
    }
}

/// Trial masses in words.
fn masses(machine: &Machine, masses: &[Mass]) -> String {
    let radius_mm = |mass: &Mass| machine.plane.get(&mass.plane).and_then(|p| p.radius_mm);
    let each = masses.iter().map(|mass| match radius_mm(mass) {
        Some(radius_mm) => {
            let mg = three_digits(1000.0 * mass.g_mm / radius_mm);
            format!("{} in {} ({mg} mg at {radius_mm} mm)", told(mass), mass.plane)
        }
        None => format!("{} in {}", told(mass), mass.plane),
    });
    listed(&each.collect::<Vec<_>>())
}

fn force(rotor: &Rotor, trial: &[Mass]) -> String {
    let rpm = rotor.balance_rpm.iter().copied().fold(0.0, f64::max);
    let largest = trial.iter().map(|mass| mass.g_mm).fold(0.0, f64::max);
    format!(
        "at {} rpm the largest pulls with {} N: fix it for that, and stay below the speed that its \
         fixing allows",
        grouped(rpm),
        three_digits(force_n(largest, rpm)),
    )
}

/// What contradicts what, then each suspect.
fn alarm_sentences(rotor: &Rotor, folded: &Folded, alarm: &Alarm) -> Vec<String> {
    let first = format!(
        "the last spin lies {:.1} standard deviations from what all before it and the change since \
         predict; by chance alone with a probability of {}. Stop, and look at the rotor for these, in this order:",
        alarm.sigmas,
        percent(alarm.by_chance),
    );
    let untold = folded.untold.then(|| {
        "were the planned holes drilled and not told? With them the spin is as predicted: undo the spin, tell \
         what was drilled, and record the spin again"
            .to_owned()
    });
    let suspects = alarm.suspects.iter().enumerate().map(|(index, suspect)| {
        format!(
            "{}. {}: {}",
            index + 1,
            suspected(rotor, folded, suspect),
            percent(suspect.probability)
        )
    });
    std::iter::once(first).chain(untold).chain(suspects.take(MOST_SUSPECTS)).collect()
}

/// What may have gone wrong, where.
pub(in crate::report) fn suspected(rotor: &Rotor, folded: &Folded, suspect: &Suspect) -> String {
    let planes: Vec<String> =
        suspect.planes.iter().filter_map(|&p| rotor.planes.get(p).cloned()).collect();
    let (of, done, thing) = match suspect.change {
        Some(change @ Change::Trial { .. }) => (event(folded, change), "set", "trial mass"),
        Some(change @ Change::Correction { .. }) => (event(folded, change), "made", "correction"),
        None => (String::new(), "", ""),
    };
    let at = format!("{thing} in {} ({of})", listed(&planes));
    match suspect.cause {
        Cause::MirroredAngle => {
            format!("the {at} was {done} at the mirrored angle, counted the wrong way round")
        }
        Cause::HalfTurn => format!("the {at} was {done} on the opposite side, 180 deg off"),
        Cause::SwappedPlanes => {
            let things = if thing == "trial mass" { "trial masses" } else { "corrections" };
            format!("the {things} of two planes were swapped ({of})")
        }
        Cause::LostMass if thing == "trial mass" => format!("the {at} came off or was not on"),
        Cause::LostMass => format!("the {at} was not {done}"),
        Cause::WrongDepth { factor } if thing == "trial mass" => {
            format!("the {at} was {factor:.2} times what was written down")
        }
        Cause::WrongDepth { factor } => {
            format!("the {at} did {factor:.2} times what was written down")
        }
        Cause::Other => "the rig, a sensor or the mark changed, or the recording is bad".to_owned(),
    }
}

fn event(folded: &Folded, change: Change) -> String {
    folded.event_of(change).map_or_else(String::new, |number| format!("event {number}"))
}

/// A hole, a cut or a mass in words.
pub(in crate::report) fn piece(metal: &Metal) -> String {
    let at = grouped(metal.deg);
    let deep = metal.depth_mm.map_or_else(String::new, |mm| format!(" {mm:.2} mm deep"));
    let mass =
        metal.mass_g.map_or_else(String::new, |g| format!(" ({} mg)", three_digits(1000.0 * g)));
    match metal.method {
        Method::Drill if deep.is_empty() => {
            format!("{} g mm taken away at {at} deg", three_digits(-metal.g_mm))
        }
        Method::Drill => format!("a hole at {at} deg,{deep} to its tip{mass}"),
        Method::Grind if deep.is_empty() => {
            format!("{} g mm taken away at {at} deg", three_digits(-metal.g_mm))
        }
        Method::Grind => {
            let arc =
                metal.arc_deg.map_or_else(String::new, |arc| format!(" over {} deg", grouped(arc)));
            format!("a cut{arc} about {at} deg{deep}{mass}")
        }
        Method::Add => format!("{} g mm added at {at} deg{mass}", three_digits(metal.g_mm)),
    }
}

/// What to do in one plane.
fn plan_sentences(plane: &PlanePlan) -> Vec<String> {
    let now = format!(
        "{}: {} g mm at {} deg",
        plane.plane,
        with_error(plane.unbalance.g_mm, plane.error_g_mm),
        grouped(plane.unbalance.deg)
    );
    match &plane.plan {
        None => vec![format!("{now}: leave it alone")],
        Some(Err(why)) => vec![format!("{now} is to be taken away; no holes are planned: {why}")],
        Some(Ok(plan)) => {
            if plane.metal.is_empty() {
                let done = "nothing can be done here within the maker's limits";
                return std::iter::once(format!("{now}: {done}"))
                    .chain(plan.notes.clone())
                    .collect();
            }
            let pieces: Vec<String> = plane.metal.iter().map(piece).collect();
            let left = with_error(plan.residual.norm(), plan.residual_spread_g_mm);
            let mut all =
                vec![format!("{now}: {}; predicted to remain {left} g mm", listed(&pieces))];
            all.extend(plan.notes.iter().cloned());
            all
        }
    }
}
