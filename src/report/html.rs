//! A diagnosis as one page of HTML that needs nothing else: no network, no script, ready for A4.
//!
//! Everything that comes from files is escaped by the template itself.

use std::io::Read;
use std::path::Path;

use maud::{DOCTYPE, Markup, PreEscaped, html};

use super::svg;
use super::words::{duration, percent, rate};
use crate::case::{Case, Interference, KnownOrders};
use crate::diagnose::{Diagnosis, Finding, Verdict};
use crate::error::{Error, Result};
use crate::figure::{self, Entry, Figure, Panel, Rows, State, Subject, TrackOf, TracksShown};
use crate::fitness::{Check, Fit};
use crate::machine::{Machine, parse};
use crate::signature::Kind;
use crate::signature::weigh::HoldsFor;
use crate::units::clause;

/// Tells a page of this library from any other.
pub(crate) const MARK: &str = "<meta name=\"generator\" content=\"quietspin report\">";

/// The mark stands within so many bytes from the start of a page.
pub(crate) const MARK_WITHIN: u64 = 1000;

/// Whether a page of this library starts with these bytes.
pub(crate) fn is_report(start: &[u8]) -> bool {
    start.windows(MARK.len()).any(|part| part == MARK.as_bytes())
}

/// Refuses to replace what is no report, a recording above all.
pub(crate) fn check_replaceable(out: &Path) -> Result<()> {
    let refuse = |problem: &str, mend: &str| Err(Error::input(out, "", problem, mend));
    let is_page = |ending: &std::ffi::OsStr| {
        ending.eq_ignore_ascii_case("html") || ending.eq_ignore_ascii_case("htm")
    };
    if !out.extension().is_some_and(is_page) {
        return refuse("the page is HTML", "choose a name that ends in .html");
    }
    // its start tells; what stands there may be long
    match std::fs::File::open(out).and_then(|file| start(file, MARK_WITHIN)) {
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => Ok(()),
        Err(source) => Err(Error::io(out, source)),
        Ok(bytes) if bytes.is_empty() || is_report(&bytes) => Ok(()),
        Ok(_) => refuse("it is there already and is no report", "choose another name for the page"),
    }
}

/// The first bytes of a file, so many at most.
fn start(file: std::fs::File, most: u64) -> std::io::Result<Vec<u8>> {
    let mut bytes = Vec::new();
    file.take(most).read_to_end(&mut bytes)?;
    Ok(bytes)
}

/// Whole orders in the interference diagram.
const WHOLE_ORDERS: [f64; 3] = [1.0, 2.0, 3.0];
/// Rows of speed in a map.
const MAP_ROWS: usize = 120;

const STYLE: &str = include_str!("page.css");

/// What nobody may forget at a spinning rotor.
const CAUTION: &str = "Spin only inside rated containment, with nobody in the plane of the wheels, never \
                       above the maker's speed; mind hot parts and metal dust. This page judges one \
                       recording. quietspin is no protection system; the maker's limits, local codes and \
                       licensed practice decide.";

/// The page: verdict and reason, every finding with its evidence and picture, levels, fitness, pictures
/// of the run, and what the page was made from.
///
/// `machine` is the machine file as it was resolved for the diagnosis.
///
/// # Errors
/// [`Error::Bug`] where a picture cannot be drawn.
pub fn page(case: &Case, diagnosis: &Diagnosis, machine: &Machine) -> Result<String> {
    let title = format!("{}: {}", diagnosis.recording, diagnosis.verdict.word());
    let body = html! {
        (head(diagnosis, machine))
        p.caution { strong { "Caution. " } (CAUTION) }
        (why(case, diagnosis)?)
        (considered(case, diagnosis)?)
        (rows("How likely each fault is", &figure::findings(diagnosis)))
        @if !diagnosis.levels.is_empty() {
            (rows("Levels against their limits", &figure::levels(diagnosis)))
        }
        (fitness(diagnosis))
        (run(case, diagnosis)?)
        (notes(diagnosis))
        (made_from(diagnosis, machine))
    };
    Ok(document(&title, &body))
}

/// A whole page of this library around its body.
pub(super) fn document(title: &str, body: &Markup) -> String {
    let page = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                (PreEscaped(MARK))
                meta name="viewport" content="width=device-width, initial-scale=1";
                title { (title) }
                style { (PreEscaped(STYLE)) }
            }
            body { (body) }
        }
    };
    page.into_string()
}

fn head(diagnosis: &Diagnosis, machine: &Machine) -> Markup {
    let class = match diagnosis.verdict {
        Verdict::Accept => "good",
        Verdict::Investigate => "limited",
        Verdict::Reject => "bad",
        Verdict::NoVerdict => "open",
    };
    html! {
        header class=(class) {
            h1 { (diagnosis.verdict.word()) }
            div {
                p.subject { (diagnosis.recording) }
                @if let Some(name) = &machine.name { p { (name) } }
                p { (clause(&diagnosis.reason)) }
            }
        }
    }
}

/// Every finding: how sure, why, what next, and the picture that shows it.
fn why(case: &Case, diagnosis: &Diagnosis) -> Result<Markup> {
    if diagnosis.findings.is_empty() {
        return Ok(html! {});
    }
    let told: Vec<Markup> = diagnosis
        .findings
        .iter()
        .map(|found| finding(found, figure::evidence(case, found).as_ref()))
        .collect::<Result<_>>()?;
    Ok(html! {
        section {
            h2 { "What was found, and why" }
            @for one in &told { (one) }
        }
    })
}

/// Faults that were put lower, folded: how sure, why, and the picture; those alone that have one.
fn considered(case: &Case, diagnosis: &Diagnosis) -> Result<Markup> {
    let faults = diagnosis.considered.iter().filter(|one| one.kind == Kind::Fault);
    let told: Vec<(&Finding, Markup)> = faults
        .filter_map(|one| Some((one, figure::of_considered(case, one)?)))
        .map(|(one, picture)| Ok((one, finding(one, Some(&picture))?)))
        .collect::<Result<_>>()?;
    Ok(html! {
        @if !told.is_empty() {
            section {
                h2 { "What was considered and put lower" }
                @for (one, article) in &told {
                    details {
                        summary {
                            (one.title)
                            @if let Some(place) = &one.place { " at " (place) }
                            ", " (percent(one.confidence)) " sure"
                        }
                        (article)
                    }
                }
            }
        }
    })
}

fn finding(finding: &Finding, picture: Option<&Figure>) -> Result<Markup> {
    let picture = match picture {
        Some(figure) => drawn(figure)?,
        None => html! {},
    };
    let kind = if finding.kind == Kind::Fault { "fault" } else { "observation" };
    Ok(html! {
        article class=(kind) {
            h3 {
                (finding.title)
                @if let Some(place) = &finding.place { " at " (place) }
                span.sure { (percent(finding.confidence)) " sure" }
            }
            @if let Some(severity) = &finding.severity {
                p { (format!("{:.1} times the limit", severity.ratio)) " (" (severity.limit) ")" }
            }
            ul { @for text in evidence_texts(finding) { li { (text) } } }
            @if let Some(remark) = &finding.remark { p { (clause(remark)) } }
            @if finding.kind == Kind::Fault && !finding.advice.is_empty() {
                p { strong { "Next: " } (clause(&finding.advice)) }
            }
            (picture)
            p.source { "After: " (finding.source) ". Confidence: " (HoldsFor::words(finding.holds_for)) "." }
        }
    })
}

/// The evidence, each sentence once: several numbers may share one.
fn evidence_texts(finding: &Finding) -> Vec<String> {
    let mut told: Vec<String> = Vec::new();
    for text in finding.evidence.iter().map(|evidence| clause(&evidence.text)) {
        if !told.contains(&text) {
            told.push(text);
        }
    }
    told
}

/// The picture and its notes.
pub(super) fn drawn(figure: &Figure) -> Result<Markup> {
    let Some(picture) = svg::draw(figure)? else { return Ok(html! {}) };
    Ok(html! {
        figure {
            @if !figure.title.is_empty() { figcaption { (figure.title) } }
            (PreEscaped(picture))
            @for note in &figure.notes { p.note { (clause(note)) } }
        }
    })
}

/// A table of rows with their bars, and what the marks on these are.
fn rows(title: &str, figure: &Figure) -> Markup {
    let panels = figure.panels().filter_map(|panel| match panel {
        Panel::Rows(rows) if !rows.entries.is_empty() => Some(rows),
        _ => None,
    });
    html! {
        @for rows in panels {
            section {
                h2 { (title) }
                table.rows { @for entry in &rows.entries { (row(rows, entry)) } }
                @if rows.entries.iter().any(|entry| entry.bar.is_some()) { (marks(rows)) }
            }
        }
    }
}

/// What restricts the recording in full, and by name what does not.
fn fitness(diagnosis: &Diagnosis) -> Markup {
    let named = |check: &Check| {
        let name = check.id.replace('_', " ");
        check.channel.as_ref().map_or(name.clone(), |channel| format!("{name} of {channel}"))
    };
    let is_good = |check: &&Check| check.fit == Fit::Good;
    let good: Vec<String> = diagnosis.fitness.iter().filter(is_good).map(named).collect();
    let restricting: Vec<Check> =
        diagnosis.fitness.iter().filter(|check| !is_good(check)).cloned().collect();
    html! {
        @if restricting.is_empty() {
            section { h2 { "What the recording can carry" } p { "It is fit for a verdict." } }
        } @else {
            (rows("What the recording can carry", &figure::fitness(&restricting)))
        }
        @if !good.is_empty() { p.note { "Nothing to object to: " (good.join(", ")) "." } }
    }
}

fn marks(rows: &Rows) -> Markup {
    let names: Vec<&str> = rows.marks.iter().map(|mark| mark.label.as_str()).collect();
    html! {
        @if !names.is_empty() { p.note { "Upright lines on the bars: " (names.join(", ")) "." } }
    }
}

fn row(rows: &Rows, entry: &Entry) -> Markup {
    let class = match entry.state {
        State::Good => "good",
        State::Limited => "limited",
        State::Bad => "bad",
        State::Open => "open",
    };
    let full = rows.x_axis.as_ref().and_then(|axis| axis.shown).map_or(1.0, |[_, high]| high);
    let share = |value: f64| format!("{:.1}%", (100.0 * value / full).clamp(0.0, 100.0));
    html! {
        tr class=(class) {
            th { (entry.label) }
            td.value { (entry.value) }
            @if rows.x_axis.is_some() {
                td.bar {
                    @if let Some(bar) = entry.bar {
                        div {
                            span.fill style=(format!("width:{}", share(bar))) {}
                            @for mark in &rows.marks {
                                span.mark style=(format!("left:{}", share(mark.at))) {}
                            }
                        }
                    }
                }
            }
            td.told { (clause(&entry.text)) }
        }
    }
}

/// Pictures of the run: the speed, where orders meet natural frequencies, and of every judged channel its
/// map and its first order.
fn run(case: &Case, diagnosis: &Diagnosis) -> Result<Markup> {
    let found = figure::found_lines(&KnownOrders::of(&case.machine), &diagnosis.findings);
    let mut figures: Vec<Figure> = Vec::new();
    figures.extend(case.speed.as_ref().and_then(|speed| figure::speed(speed).ok()));
    figures.extend(figure::clearest(case).and_then(|view| {
        let diagram = Interference::of(&view, &WHOLE_ORDERS, &found).ok()?;
        figure::interference(&Subject::of(view.channel), &diagram).ok()
    }));
    for view in case.views() {
        figures.extend(figure::of_view(&view, MAP_ROWS, None, &found));
        let subject = Subject::of(view.channel);
        let phase_stated = case.speed.as_ref().is_some_and(|speed| speed.edge.is_some());
        let track = view.order_map().and_then(|map| map.track(1.0));
        let shown = if phase_stated { TracksShown::Both } else { TracksShown::Amplitude };
        figures.extend(track.as_ref().and_then(|track| {
            let criticals = view.criticals();
            let of = TrackOf { subject: &subject, track, phase_stated, slow_roll: None, criticals };
            figure::tracks(&[of], figure::Against::Speed, shown).ok()
        }));
    }
    let told: Vec<Markup> = figures.iter().map(drawn).collect::<Result<_>>()?;
    Ok(html! {
        @if !told.is_empty() {
            section {
                h2 { "The run" }
                @for one in &told { (one) }
            }
        }
    })
}

fn notes(diagnosis: &Diagnosis) -> Markup {
    let of_speed = diagnosis.speed.iter().flat_map(|speed| &speed.notes);
    let notes = diagnosis.notes.iter().chain(of_speed).chain(&diagnosis.suggestions);
    let notes: Vec<&String> = notes.collect();
    html! {
        @if !notes.is_empty() {
            section {
                h2 { "Notes" }
                ul { @for note in notes { li { (clause(note)) } } }
            }
        }
    }
}

/// The record: what a later reader needs to make the same page again.
fn made_from(diagnosis: &Diagnosis, machine: &Machine) -> Markup {
    html! {
        section.record {
            h2 { "What this page was made from" }
            dl {
                dt { "recording" } dd { (diagnosis.recording) ", " (duration(diagnosis.duration_s)) }
                @if let Some(hash) = &diagnosis.sha256 {
                    dt { "SHA-256 of the file" } dd { code { (hash) } }
                }
                dt { "SHA-256 of the settings" } dd { code { (diagnosis.machine_sha256) } }
                dt { "quietspin" } dd { (env!("CARGO_PKG_VERSION")) }
            }
            table.channels {
                tr { th { "channel" } th { "role" } th { "unit" } th { "rate" } th { "levels" } }
                @for channel in &diagnosis.channels {
                    tr {
                        td { (channel.name) } td { (channel.role) } td { (channel.unit) }
                        td { (rate(channel.rate_hz)) }
                        td { @if channel.calibrated { "absolute" } @else { "relative" } }
                    }
                }
            }
            h3 {
                "Settings"
                @if !diagnosis.machine_given { " (no machine file was given: all by default)" }
            }
            pre { (parse::resolved_toml(machine)) }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_report_replaces_nothing_but_a_report() {
        let folder = tempfile::tempdir().expect("a folder");
        let path = |name: &str| folder.path().join(name);
        std::fs::write(path("mine.html"), "<!DOCTYPE html><p>notes").expect("written");
        for (name, told) in [("mine.html", "no report"), ("a.wav", ".html"), ("a", ".html")] {
            let error = check_replaceable(&path(name)).expect_err(name).to_string();
            assert!(error.contains(told), "{error}");
        }
        assert!(check_replaceable(&path("new.html")).is_ok());
        std::fs::write(path("old.html"), MARK).expect("written");
        assert!(check_replaceable(&path("old.html")).is_ok());
    }
}
