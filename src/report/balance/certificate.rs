//! The certificate of a balancing job: one page of HTML that needs nothing else.

use std::path::{Path, PathBuf};

use maud::{Markup, PreEscaped, html};

use super::{standing_of, words};
use crate::balance::chain::Chain;
use crate::balance::job::Job;
use crate::balance::job::event::{Event, Spin, What};
use crate::balance::job::fold::Folded;
use crate::balance::job::next::{Next, told as told_mass};
use crate::balance::job::record::summary;
use crate::balance::judgement::Standing;
use crate::error::{Error, Result};
use crate::figure;
use crate::machine::parse;
use crate::recording::Edge;
use crate::report::html::{check_replaceable, document, drawn};
use crate::report::words::percent;
use crate::report::{json, wheel_picture, write_text};
use crate::units::{clause, grouped, listed, three_digits, with_error};

/// What nobody may forget where rotors are spun and drilled.
const CAUTION: &str = "Spin only inside rated containment, with nobody in the plane of the wheels, never above \
                       the maker's speed; a mass that comes off is a bullet, exhaust and casing stay hot, \
                       drilling throws metal dust. This page tells of unbalance alone; whether the rotor may \
                       run, the maker's limits, local codes and licensed practice decide. quietspin is no \
                       protection system.";

/// Writes the page to `path` and `quietspin.balance/1` beside it, and returns the path of that.
///
/// # Errors
/// [`Error::Input`] where something else stands at `path`; [`Error::Io`] where a file cannot be written; else as
/// [`page`].
pub fn write(path: &Path, job: &Job, folded: &Folded, next: &Next) -> Result<PathBuf> {
    check_replaceable(path)?;
    let beside = path.with_extension("json");
    let is_ours = |text: String| text.contains("\"quietspin.balance/");
    if beside.exists() && !std::fs::read_to_string(&beside).is_ok_and(is_ours) {
        let problem = "it is there already and is no certificate";
        return Err(Error::input(&beside, "", problem, "choose another name for the page"));
    }
    let contents =
        [(path, page(job, folded, next)?), (&beside, json::balance::job(job, folded, next))];
    for (path, content) in contents {
        write_text(path, &content)?;
    }
    Ok(beside)
}

/// The page: standing and tolerance, residual unbalance with its uncertainty, what was done, the polar picture of
/// its course, holes with a picture of each wheel, chain and conditions, tests of the set-up, cautions.
///
/// # Errors
/// [`Error::Bug`] where a picture cannot be drawn.
pub fn page(job: &Job, folded: &Folded, next: &Next) -> Result<String> {
    let (standing, reason) = standing_of(job, folded, next);
    let (word, class) = match standing {
        Standing::Passes => ("PASSES", "good"),
        Standing::Fails => ("FAILS", "bad"),
        Standing::CannotTell => ("NOT DECIDED", "open"),
    };
    let serial = &job.rotor.serial;
    let title = format!("balance of {serial}: {word}");
    let body = html! {
        header class=(class) {
            h1 { (word) }
            div {
                p.subject { "Balance of " (serial) }
                @if let Some(name) = &folded.machine.name { p { (name) } }
                p { (clause(&reason)) }
            }
        }
        p.caution { strong { "Caution. " } (CAUTION) }
        (residual(job, folded))
        (history(job, folded)?)
        (holes(job, folded, next))
        (conditions(job, folded))
        (tests(job))
        (record(job, folded))
    };
    Ok(document(&title, &body))
}

fn residual(job: &Job, folded: &Folded) -> Markup {
    let basis = folded.judgement.as_ref().map(|judgement| words::basis(&judgement.basis));
    html! {
        section {
            h2 { "Residual unbalance and tolerance" }
            @if let Some(basis) = &basis { p { (basis) } }
            @if let Some(verdict) = &folded.verdict {
                table.channels {
                    tr { th { "judged" } th { "value" } th { "limit" } th { "probability of being within" } }
                    @for one in &verdict.judged {
                        tr {
                            td { (one.name) }
                            td { (with_error(one.value, one.error)) " " (one.unit) }
                            td { (three_digits(one.limit)) " " (one.unit) }
                            td { (percent(one.chance)) }
                        }
                    }
                }
                p.note { "Behind ± stands one standard deviation of each part of the vector; all limits at once are kept with "
                    (percent(verdict.chance)) "." }
            }
            ul { @for text in words::unbalances(job, folded) { li { (text) } } }
            @for note in words::notes(folded) { p.note { (clause(&note)) } }
        }
    }
}

fn history(job: &Job, folded: &Folded) -> Result<Markup> {
    let live = job.live();
    let picture = match figure::course(&job.rotor, folded)? {
        Some(figure) => drawn(&figure)?,
        None => html! {},
    };
    Ok(html! {
        section {
            h2 { "History" }
            table.channels {
                tr { th { "event" } th { "when (UTC)" } th { "what" } }
                @for (index, event) in job.events.iter().enumerate() {
                    tr {
                        td { (index + 1) @if !live.contains(&(index + 1)) { " (does not count)" } }
                        td.value { (when(&event.at)) }
                        td { (told(event)) }
                    }
                }
            }
            (picture)
        }
    })
}

/// A time as people write it: date and minute.
fn when(at: &str) -> String {
    at.get(..16).unwrap_or(at).replace('T', " ")
}

/// An event in words.
fn told(event: &Event) -> String {
    match &event.what {
        What::Spin(spin) => spun(spin),
        What::Corrected(corrected) => {
            let pieces =
                corrected.metal.iter().map(|m| format!("{}: {}", m.plane, words::piece(m)));
            format!("{}. {}", summary(&corrected.metal), pieces.collect::<Vec<_>>().join("; "))
        }
        What::Found(found) => {
            let of = match found.planes.as_slice() {
                [] => String::new(),
                planes => format!(" ({})", planes.join(", ")),
            };
            let times = found.factor.map_or_else(String::new, |f| format!(", {f:.2} times"));
            format!("looked at event {}: {}{of}{times}", found.event, found.cause.word())
        }
        What::Tested(tested) => format!("{} test: {}", tested.test.word(), tested.outcome),
        What::Undone(undone) => format!("event {} does not count", undone.event),
    }
}

fn spun(spin: &Spin) -> String {
    let vectors: Vec<String> = (spin.reading.iter())
        .map(|read| {
            format!(
                "{} {} {} peak at {} deg",
                read.sensor,
                with_error(read.amplitude_peak, read.error_peak),
                read.unit,
                grouped(read.lag_deg)
            )
        })
        .collect();
    let mut text = format!("spun, {}: {}", spin.recording, listed(&vectors));
    if !spin.trial.is_empty() {
        let each = spin.trial.iter().map(|mass| format!("{} in {}", told_mass(mass), mass.plane));
        text.push_str(&format!("; with {}", listed(&each.collect::<Vec<_>>())));
    }
    if spin.refitted {
        text.push_str("; refitted before");
    }
    text
}

fn holes(job: &Job, folded: &Folded, next: &Next) -> Markup {
    let removed = folded.removed_g();
    let wheels = super::wheels(job, folded, next);
    html! {
        section {
            h2 { "Metal taken away and added" }
            @if folded.metal.is_empty() { p { "None." } } @else {
                table.channels {
                    tr { th { "plane" } th { "what" } th { "effect" } }
                    @for metal in &folded.metal {
                        tr {
                            td { (metal.plane) } td { (words::piece(metal)) }
                            td { (three_digits(metal.g_mm)) " g mm" }
                        }
                    }
                }
                p.note {
                    @for (plane, g) in &removed {
                        (plane) ": " (three_digits(1000.0 * g)) " mg taken away in all"
                        @if let Some(most) = folded.machine.plane.get(plane).and_then(|p| p.removal_max_g) {
                            " of " (three_digits(1000.0 * most)) " allowed"
                        }
                        ". "
                    }
                }
            }
            @for (plane, wheel) in &wheels {
                @match wheel {
                    Ok(wheel) => figure.wheel { (PreEscaped(wheel_picture(wheel))) },
                    Err(why) => p.note { "No picture of " (plane) ": " (why.to_string()) "." },
                }
            }
        }
    }
}

fn conditions(job: &Job, folded: &Folded) -> Markup {
    let rotor = &job.rotor;
    let speeds: Vec<String> = rotor.balance_rpm.iter().map(|rpm| grouped(*rpm)).collect();
    let notes = folded.spins.iter().filter_map(|(n, spin)| Some((n, spin.note.as_ref()?)));
    html! {
        section {
            h2 { "Measuring chain and conditions" }
            dl {
                dt { "what" } dd { (words::stage(rotor.stage)) }
                dt { "rig" } dd { @if rotor.rig.is_empty() { "not named" } @else { (rotor.rig) } }
                dt { "balancing speed" } dd { (listed(&speeds)) " rpm" }
                @if let Some(chain) = &rotor.chain {
                    @for (name, text) in chain_words(chain) { dt { (name) } dd { (text) } }
                }
                dt { "spin to spin" }
                dd {
                    @match &folded.scatter {
                        Some(known) => {
                            (listed(&known.deviations.iter().map(|s| three_digits(*s)).collect::<Vec<_>>()))
                            " (standard deviation of both parts of each reading, in its unit; "
                            (format!("{:.0}", known.freedom)) " degrees of freedom)"
                        }
                        None => "not known",
                    }
                }
                dt { "angles" } dd { "from the mark, " (folded.machine.convention.count.word()) " the rotation" }
                dt { "drilling" } dd { "to " (rotor.drilling_percent) " % and " (rotor.drilling_deg) " deg (stated)" }
                @if let Some(of_type) = &rotor.of_type {
                    dt { "type known from" } dd { (of_type.from.join(", ")) }
                }
                @for (number, note) in notes { dt { "at event " (number) } dd { (note) } }
            }
        }
    }
}

/// Pulse and sensors, a line each.
fn chain_words(chain: &Chain) -> Vec<(String, String)> {
    let pulse = &chain.pulse;
    let edge = match pulse.edge {
        Edge::Rising => "rising",
        Edge::Falling => "falling",
    };
    let inverted = |is: bool| if is { ", inverted" } else { "" };
    let corner =
        |hz: Option<f64>| hz.map_or_else(String::new, |hz| format!(", AC-coupled at {hz} Hz"));
    let mut lines = vec![(
        format!("pulse {}", pulse.channel),
        format!(
            "the {edge} edge marks angle zero, {} per turn, delay {} us, skew {} us{}{}",
            pulse.pulses_per_turn,
            pulse.delay_us,
            pulse.skew_us,
            inverted(pulse.inverted),
            corner(pulse.corner_hz)
        ),
    )];
    for sensor in &chain.sensor {
        let at = sensor.sensor_angle_deg.map_or_else(String::new, |deg| {
            format!(", {} deg from the pulse sensor", grouped(deg))
        });
        let scale = match (sensor.sensitivity_mv_per_unit, sensor.full_scale) {
            (Some(mv), _) => format!(", {mv} mV per {}", sensor.unit.symbol()),
            (None, Some(full)) => format!(", {full} at full scale"),
            _ => String::new(),
        };
        lines.push((
            format!("sensor {}", sensor.channel),
            format!(
                "{}{scale}{at}, skew {} us{}{}",
                sensor.unit.symbol(),
                sensor.skew_us,
                inverted(sensor.inverted),
                corner(sensor.corner_hz)
            ),
        ));
    }
    lines
}

fn tests(job: &Job) -> Markup {
    let live = job.live();
    let all: Vec<_> = (live.iter())
        .filter_map(|number| match &job.events[number - 1].what {
            What::Tested(tested) => Some(tested),
            _ => None,
        })
        .collect();
    html! {
        section {
            h2 { "Tests of the set-up" }
            @if all.is_empty() { p { "None was made." } }
            ul {
                @for tested in &all {
                    li {
                        strong { (tested.test.word()) ": " @if tested.passed { "good. " } @else { "not good. " } }
                        (tested.outcome)
                    }
                }
            }
        }
    }
}

fn record(job: &Job, folded: &Folded) -> Markup {
    html! {
        section.record {
            h2 { "What this page was made from" }
            dl {
                dt { "quietspin" } dd { (env!("CARGO_PKG_VERSION")) }
                dt { "SHA-256 of the settings" } dd { code { (parse::sha256(&folded.machine)) } }
                @for (number, spin) in &folded.spins {
                    @if let Some(hash) = &spin.sha256 {
                        dt { "event " (number) ", " (spin.recording) } dd { code { (hash) } }
                    }
                }
            }
            h3 { "Settings" }
            pre { (job.rotor.machine) }
        }
    }
}
