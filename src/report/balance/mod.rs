//! A balancing job as text for a terminal: where the rotor stands, what to do next, what is likely to come.

pub mod certificate;
mod pictures;
pub(in crate::report) mod words;

pub use pictures::{pictures, wheels};

use super::Style;
use super::layout::{Page, Paint};
use super::words::percent;
use crate::balance::job::event::Tested;
use crate::balance::job::fold::Folded;
use crate::balance::job::next::Next;
use crate::balance::job::{Job, counted};
use crate::balance::judgement::Standing;
use crate::units::three_digits;

/// What nobody may forget where rotors are spun and drilled.
pub(super) const CAUTION: &str = "spin only inside rated containment, nobody in the plane of the wheels, never \
                       above the maker's speed; a trial mass that comes off is a bullet; drill only where \
                       the maker allows, eyes guarded. quietspin is no protection system; the maker's \
                       limits, local codes and licensed practice decide";

/// The job for people, on lines of at most [`Style::columns`] columns, each ended.
pub fn job(name: &str, job: &Job, folded: &Folded, next: &Next, style: Style) -> String {
    let mut page = Page::new(style);
    page.headline(name, &words::summary(job, folded));
    page.gap();
    let (standing, why) = standing_of(job, folded, next);
    page.painted_row(word(standing, folded), (&why, Paint::Strong));
    page.gap();
    tolerance(&mut page, folded);
    rows(&mut page, "unbalance", &words::unbalances(job, folded));
    rows(&mut page, "noted", &words::notes(folded));
    page.gap();
    rows(&mut page, "next", &words::next(&job.rotor, folded, next));
    if let Next::Look(_) = next {
        let how = "then say which it was: found JOB NUMBER, or found JOB nothing if the reading stands; \
                   take a bad recording back: undo JOB";
        page.row("then", how);
    }
    rows(&mut page, "likely", &words::forecast(next).into_iter().collect::<Vec<_>>());
    page.gap();
    page.painted_row(("caution", Paint::Faint), (CAUTION, Paint::Faint));
    page.finish()
}

/// The same as rows of label and text, for a table.
pub fn rows_of(job: &Job, folded: &Folded, next: &Next) -> Vec<(String, String)> {
    let (standing, why) = standing_of(job, folded, next);
    let mut rows = vec![(word(standing, folded).0.to_owned(), why)];
    let mut put = |label: &str, texts: Vec<String>| {
        rows.extend(texts.into_iter().map(|text| (label.to_owned(), text)));
    };
    put("tolerance", folded.judgement.iter().map(|j| words::basis(&j.basis)).collect());
    for one in folded.verdict.iter().flat_map(|verdict| &verdict.judged) {
        put(&one.name, vec![words::judged(one)]);
    }
    put("unbalance", words::unbalances(job, folded));
    put("noted", words::notes(folded));
    put("next", words::next(&job.rotor, folded, next));
    put("likely", words::forecast(next).into_iter().collect());
    rows
}

/// A test of the set-up for people.
pub fn tested(name: &str, tested: &Tested, style: Style) -> String {
    let mut page = Page::new(style);
    page.headline(name, &format!("{} test of the set-up", tested.test.word()));
    page.gap();
    let (word, paint) =
        if tested.passed { ("GOOD", Paint::Good) } else { ("NOT GOOD", Paint::Bad) };
    page.painted_row((word, paint), (&tested.outcome, Paint::Strong));
    page.finish()
}

/// The unbalance of a plane from amplitudes alone, for people; `force` is a speed in rpm with the force in N that
/// pulls at a mass added there.
pub fn without_phase(g_mm: f64, deg: f64, force: Option<(f64, f64)>, style: Style) -> String {
    let mut page = Page::new(style);
    let at = |deg: f64| crate::units::grouped(crate::units::wrap_deg(deg));
    let size = three_digits(g_mm);
    page.row("heavy", &format!("{size} g mm at {} deg from the mark", at(deg)));
    page.row("take away", &format!("{size} g mm at {} deg", at(deg)));
    page.row("or add", &format!("{size} g mm at {} deg", at(deg + 180.0)));
    if let Some((rpm, newton)) = force {
        let rpm = crate::units::grouped(rpm);
        let newton = three_digits(newton);
        page.row("", &format!("at {rpm} rpm {newton} N pull at a mass that is added"));
    }
    let note =
        "amplitudes alone say nothing of a reading that is wrong: spin again after the correction";
    page.row("noted", note);
    page.gap();
    page.painted_row(("caution", Paint::Faint), (CAUTION, Paint::Faint));
    page.finish()
}

fn rows(page: &mut Page, label: &str, texts: &[String]) {
    for (index, text) in texts.iter().enumerate() {
        page.row(if index == 0 { label } else { "" }, text);
    }
}

/// How the rotor stands as it is to be used, and why.
pub fn standing_of(job: &Job, folded: &Folded, next: &Next) -> (Standing, String) {
    let open = |why: String| (Standing::CannotTell, why);
    if folded.alarm.is_some() {
        return open("the last spin contradicts the record".to_owned());
    }
    let verdict = match (&folded.verdict, &folded.posterior) {
        (Some(verdict), Ok(_)) => verdict,
        (_, Err(why)) if !folded.spins.is_empty() => {
            let unknown = "what an unbalance reads here is not known yet";
            return open(match next {
                // the spins that will tell it are on their way
                Next::Spin { trial, .. } if !trial.is_empty() => unknown.to_owned(),
                _ => format!("{unknown} ({why})"),
            });
        }
        _ => return open("it was not spun yet".to_owned()),
    };
    let within = format!("within all limits with a probability of {}", percent(verdict.chance));
    if folded.is_unspun() {
        return open(format!("{within} as planned; it was not spun since the last correction"));
    }
    if folded.scatter.is_none() {
        return open("how far two spins of this rig differ is not known yet".to_owned());
    }
    match verdict.standing {
        Standing::Passes if matches!(next, Next::Done) => (Standing::Passes, within),
        Standing::Passes => open(match folded.refits_missing(&job.rotor) {
            0 => format!("{within}, but it is not shown yet as it is to stay"),
            missing => format!("as it is {within}; {} missing", counted(missing, "refit")),
        }),
        Standing::Fails => (Standing::Fails, within),
        Standing::CannotTell => open(format!("{within}: it cannot be told yet")),
    }
}

/// The standing as one word, with its paint.
fn word(standing: Standing, folded: &Folded) -> (&'static str, Paint) {
    match standing {
        Standing::Passes => ("PASSES", Paint::Good),
        Standing::Fails => ("FAILS", Paint::Bad),
        Standing::CannotTell if folded.alarm.is_some() => ("STOPPED", Paint::Bad),
        Standing::CannotTell => ("OPEN", Paint::Doubtful),
    }
}

fn tolerance(page: &mut Page, folded: &Folded) {
    let Some(judgement) = &folded.judgement else {
        let text = "limits of the first order, judged once it is known what an unbalance reads";
        page.row("tolerance", text);
        return;
    };
    page.row("tolerance", &words::basis(&judgement.basis));
    match &folded.verdict {
        Some(verdict) => {
            if folded.alarm.is_some() {
                page.row("", "by the record as it stands, which the last spin contradicts:");
            }
            for one in &verdict.judged {
                page.row("", &format!("{}: {}", one.name, words::judged(one)));
            }
        }
        None => {
            for measure in &judgement.measures {
                let limit = three_digits(measure.limit);
                page.row("", &format!("{}: {limit} {}", measure.name, measure.unit));
            }
        }
    }
}
