//! A diagnosis on one page, and the rows that it is made of.

use super::evidence::evidence;
use super::fitness::in_short;
use super::found_lines::found_lines;
use super::of_case::{fullest, of_view};
use super::plot::Mark;
use super::rows::{Entry, Line, Rows, State, Weight, Words, probability};
use super::speed::speed;
use super::{Axis, Figure, Panel, Row};
use crate::case::{Case, Decision, KnownOrders, Level};
use crate::diagnose::{Diagnosis, Finding, INVESTIGATE_FROM, REJECT_FROM};
use crate::fitness::Fit;
use crate::signature::Kind;
use crate::units::{grouped, three_digits};

/// Rows of the map on the page.
const MAP_ROWS: usize = 80;
/// Findings and considered faults told on the page.
const FINDINGS: usize = 7;
/// Levels told on the page.
const LEVELS: usize = 7;
/// Restricting checks told on the page.
const CHECKS: usize = 4;

/// What a page of a diagnosis is to be read with.
const CAUTION: &str = "quietspin judges recordings; it is no protection system. Spin only inside rated containment, \
    nobody in the plane of the wheels, never above the maker's speed; the maker's limits, local codes and \
    licensed practice decide.";

/// Heights on the page in centimetres.
const PAGE_CM: f64 = 27.0;
const PICTURES_CM: f64 = 6.6;
const EVIDENCE_CM: f64 = 5.6;
/// How much higher pictures get where the page has room.
const MOST_STRETCH: f64 = 1.5;
/// Letters in a line of running text on the page, about.
const LETTERS: usize = 100;

/// The diagnosis on one page: verdict and reason, probabilities, levels against their limits, the speed, the
/// orders or the spectrum of the fullest channel, the picture of the most important finding, and fitness.
pub fn overview(case: &Case, diagnosis: &Diagnosis) -> Figure {
    let head = head(diagnosis);
    let lines: usize = head.lines.iter().map(|line| line.text.chars().count() / LETTERS + 1).sum();
    let mut rows = vec![Row::new(0.8 + 0.5 * lines as f64, vec![Panel::Words(head)])];
    let found = finding_rows(diagnosis, FINDINGS).titled("probability of each fault");
    let mut longest = found.entries.len();
    let mut judged = vec![Panel::Rows(found)];
    if !diagnosis.levels.is_empty() {
        let levels = level_rows(diagnosis, LEVELS).titled("levels against their limits");
        longest = longest.max(levels.entries.len());
        judged.push(Panel::Rows(levels));
    }
    rows.push(Row::new(2.4 + 0.42 * longest.max(6) as f64, judged));
    let mut pictures = Vec::new();
    if let Some(figure) = case.speed.as_ref().and_then(|found| speed(found).ok()) {
        pictures.extend(panels(figure));
    }
    let found = found_lines(&KnownOrders::of(&case.machine), &diagnosis.findings);
    if let Some(figure) = fullest(case).and_then(|view| of_view(&view, MAP_ROWS, None, &found)) {
        pictures.extend(panels(figure));
    }
    if !pictures.is_empty() {
        rows.push(Row::new(PICTURES_CM, pictures));
    }
    let fault = |finding: &&Finding| finding.kind == Kind::Fault;
    let faults = diagnosis.findings.iter().filter(fault);
    let others = diagnosis.findings.iter().filter(|finding| !fault(finding));
    if let Some(figure) = faults.chain(others).find_map(|finding| evidence(case, finding)) {
        let title = figure.title.clone();
        for (place, mut row) in figure.rows.into_iter().enumerate() {
            if place == 0 {
                row.panels.iter_mut().for_each(|panel| name(panel, &title));
            }
            row.height *= EVIDENCE_CM;
            rows.push(row);
        }
    }
    let fitness = in_short(&diagnosis.fitness, CHECKS);
    rows.push(Row::new(1.0 + 0.9 * fitness.entries.len() as f64, vec![Panel::Rows(fitness)]));
    fill_page(&mut rows);
    Figure {
        title: String::new(),
        rows,
        notes: vec![CAUTION.to_owned()],
        page: true,
        shared: false,
    }
}

/// Gives what is left of the page to the pictures, and what they do not need to the last row.
fn fill_page(rows: &mut [Row]) {
    let is_picture = |row: &Row| matches!(row.panels.first(), Some(Panel::Plot(_) | Panel::Map(_)));
    let total = |rows: &[Row]| rows.iter().map(|row| row.height).sum::<f64>();
    let pictures: f64 = rows.iter().filter(|row| is_picture(row)).map(|row| row.height).sum();
    if pictures > 0.0 {
        let stretch = (1.0 + (PAGE_CM - total(rows)) / pictures).clamp(1.0, MOST_STRETCH);
        rows.iter_mut().filter(|row| is_picture(row)).for_each(|row| row.height *= stretch);
    }
    let left = PAGE_CM - total(rows);
    if let Some(last) = rows.last_mut() {
        last.height += left.max(0.0);
    }
}

/// The probabilities of all findings and considered faults.
pub fn findings(diagnosis: &Diagnosis) -> Figure {
    let title = format!("{}: probability of each fault", diagnosis.recording);
    Figure::of(title, finding_rows(diagnosis, usize::MAX))
}

/// The levels against their limits.
pub fn levels(diagnosis: &Diagnosis) -> Figure {
    let title = format!("{}: levels against their limits", diagnosis.recording);
    Figure::of(title, level_rows(diagnosis, usize::MAX))
}

/// The panels of a figure, the first with its title.
fn panels(figure: Figure) -> Vec<Panel> {
    let title = figure.title;
    let mut panels: Vec<Panel> = figure.rows.into_iter().flat_map(|row| row.panels).collect();
    panels.iter_mut().take(1).for_each(|panel| name(panel, &title));
    panels
}

fn name(panel: &mut Panel, title: &str) {
    match panel {
        Panel::Plot(plot) => title.clone_into(&mut plot.title),
        Panel::Map(map) => title.clone_into(&mut map.title),
        Panel::Polar(polar) => title.clone_into(&mut polar.title),
        Panel::Rows(rows) => title.clone_into(&mut rows.title),
        Panel::Words(_) => {}
    }
}

fn head(diagnosis: &Diagnosis) -> Words {
    let line = |weight, text: String| Line { weight, text };
    let channels: Vec<&str> = diagnosis.channels.iter().map(|c| c.name.as_str()).collect();
    let mut facts = vec![format!("{} s", three_digits(diagnosis.duration_s)), channels.join(", ")];
    match &diagnosis.speed {
        Some(speed) => facts.push(format!(
            "{} to {} rpm, speed {}",
            grouped(speed.min_rpm),
            grouped(speed.max_rpm),
            match speed.source.word() {
                "pulse" => "from the pulse",
                "channel" => "from its channel",
                "stated" => "as stated",
                _ => "from the signal itself",
            }
        )),
        None => facts.push("no speed".to_owned()),
    }
    if !diagnosis.machine_given {
        facts.push("no machine file".to_owned());
    }
    let mut lines = vec![
        line(Weight::Head, format!("{}: {}", diagnosis.recording, diagnosis.verdict.word())),
        line(Weight::Body, diagnosis.reason.clone()),
        line(Weight::Foot, facts.join("; ")),
    ];
    let fault = diagnosis.findings.iter().find(|finding| finding.kind == Kind::Fault);
    if let Some(finding) = fault.filter(|finding| !finding.advice.is_empty()) {
        lines.push(line(Weight::Body, format!("Next: {}", finding.advice)));
    }
    Words { lines }
}

fn finding_rows(diagnosis: &Diagnosis, at_most: usize) -> Rows {
    let all = diagnosis.findings.iter().chain(&diagnosis.considered);
    let mark = |share: f64, label: &str| Mark::new(100.0 * share, label);
    Rows {
        title: String::new(),
        x_axis: Some(Axis::linear("probability", "%").between(0.0, 100.0)),
        entries: all.take(at_most).map(finding_row).collect(),
        marks: vec![mark(INVESTIGATE_FROM, "investigate"), mark(REJECT_FROM, "reject")],
    }
}

fn finding_row(finding: &Finding) -> Entry {
    let place = finding.place.as_deref().map_or(String::new(), |place| format!(", {place}"));
    let told = finding.confidence.is_finite();
    let state = match (finding.kind, finding.confidence) {
        _ if !told => State::Open,
        (Kind::Observation, _) => State::Open,
        (Kind::Fault, p) if p >= REJECT_FROM => State::Bad,
        (Kind::Fault, p) if p >= INVESTIGATE_FROM => State::Limited,
        (Kind::Fault, _) => State::Good,
    };
    let value = if told { probability(finding.confidence) } else { "cannot tell".to_owned() };
    let first = finding.evidence.first().map(|evidence| evidence.text.clone());
    Entry {
        label: format!("{}{place}", finding.title),
        state,
        bar: told.then_some(100.0 * finding.confidence),
        value,
        text: finding.remark.clone().or(first).unwrap_or_default(),
    }
}

fn level_rows(diagnosis: &Diagnosis, at_most: usize) -> Rows {
    let is_unfit = |level: &Level| {
        let mut unfit = diagnosis.fitness.iter().filter(|check| check.fit == Fit::Unfit);
        unfit.any(|check| check.channel.as_ref() == Some(&level.channel))
    };
    // levels of unfit channels are no measure of anything
    let ratio = |level: &Level| level.ratio().filter(|_| !is_unfit(level));
    let mut sorted: Vec<&Level> = diagnosis.levels.iter().collect();
    // the fullest first; those without a limit last, in their own order
    sorted.sort_by(|a, b| ratio(b).unwrap_or(-1.0).total_cmp(&ratio(a).unwrap_or(-1.0)));
    let top = sorted.iter().filter_map(|level| ratio(level)).fold(1.0, f64::max);
    Rows {
        title: String::new(),
        x_axis: Some(Axis::linear("share of the limit", "").between(0.0, 1.15 * top)),
        entries: sorted.into_iter().take(at_most).map(|l| level_row(l, is_unfit(l))).collect(),
        marks: vec![Mark::new(1.0, "limit")],
    }
}

fn level_row(level: &Level, unfit: bool) -> Entry {
    let label = format!("{}, {}", level.name, level.channel);
    if unfit {
        return Entry {
            label,
            state: State::Open,
            bar: None,
            value: "channel unfit".to_owned(),
            text: "not measured: the channel is unfit".to_owned(),
        };
    }
    let state = match level.decision {
        Decision::NoLimit => State::Open,
        Decision::Within => State::Good,
        Decision::Exceeded => State::Bad,
        Decision::Undecided => State::Limited,
    };
    let unit =
        level.unit.replace("um", "µm").replace("m/s2", "m/s²").replace("FS", "of full scale");
    let limit = match level.limit {
        Some(limit) => format!("limit {limit} {unit}"),
        None => "no limit stated".to_owned(),
    };
    let text = level.zone.map_or(limit.clone(), |zone| format!("{}; {limit}", zone.words()));
    Entry {
        label,
        state,
        bar: level.ratio(),
        value: format!("{} {unit}", three_digits(level.value)).trim_end().to_owned(),
        text,
    }
}
