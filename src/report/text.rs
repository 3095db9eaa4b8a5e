//! A diagnosis as text for a terminal, to be read in ten seconds.

use std::path::Path;

use super::Style;
use super::layout::{Page, Paint};
use super::words::{count, duration, harmless, number, percent, rate, ratio, stated};
use crate::case::{Decision, Level};
use crate::diagnose::{Diagnosis, Finding, SpeedSummary, Verdict};
use crate::error::Error;
use crate::fitness::{Check, Fit};
use crate::signature::{Evidence, Kind};
use crate::speed::SpeedSource;
use crate::units::clause;

/// Evidence shown of one finding, in lines.
const MOST_EVIDENCE: usize = 4;
/// Evidence told of an observation.
const MOST_OBSERVED: usize = 6;
/// Levels shown, in lines.
const MOST_LEVELS: usize = 4;
/// Levels told on one line for each channel.
const SUMS: [&str; 3] = ["overall_velocity", "overall_acceleration", "overall_displacement"];
const SHAPES: [&str; 2] = ["crest_factor", "kurtosis"];
/// Troubles of a recording shown, in lines.
const MOST_TROUBLES: usize = 5;
/// Probability from which it is told why something considered was put lower.
const WORTH_A_REASON: f64 = 0.05;
/// Reasons shown for what was considered, in lines.
const MOST_CONSIDERED: usize = 5;

/// What nobody may forget at a spinning rotor, in every report.
pub(super) const CAUTION: &str = "spin only inside rated containment, nobody in the plane of the wheels, never \
                       above the maker's speed; mind hot parts and metal dust. quietspin is no \
                       protection system; local codes and licensed practice decide";

/// The diagnosis for people, on lines of at most [`Style::columns`] columns, each ended.
///
/// The order is that of the questions at the machine: what was measured and can it be trusted, what is
/// the verdict, why and how sure, what next, what else, what must not be forgotten.
pub fn check(diagnosis: &Diagnosis, style: Style) -> String {
    let mut page = Page::new(style);
    page.headline(&diagnosis.recording, &summary(diagnosis));
    speed(&mut page, diagnosis.speed.as_ref());
    fitness(&mut page, &diagnosis.fitness);
    page.gap();
    verdict(&mut page, diagnosis);
    for finding in of_kind(&diagnosis.findings, Kind::Fault) {
        fault(&mut page, finding);
    }
    page.gap();
    levels(&mut page, diagnosis);
    overall(&mut page, diagnosis);
    for (i, finding) in of_kind(&diagnosis.findings, Kind::Observation).enumerate() {
        observation(&mut page, if i == 0 { "also" } else { "" }, finding);
    }
    considered(&mut page, &diagnosis.considered);
    not_found(&mut page, &diagnosis.considered);
    rests_on(&mut page, diagnosis);
    notes(&mut page, diagnosis);
    for (i, suggestion) in diagnosis.suggestions.iter().enumerate() {
        page.row(if i == 0 { "to add" } else { "" }, suggestion);
    }
    page.gap();
    page.painted_row(("caution", Paint::Faint), (CAUTION, Paint::Faint));
    page.finish()
}

/// An error for people: one sentence, harmless and on one line however long.
pub fn error(error: &Error) -> String {
    complaint(&error.to_string())
}

/// A sentence about what cannot be done, harmless and on one line however long.
pub fn complaint(sentence: &str) -> String {
    let one_line = sentence.split_whitespace().collect::<Vec<_>>().join(" ");
    format!("quietspin: {}\n", harmless(&one_line, true))
}

/// The files that were written, one on a line and never broken, so that they can be copied.
pub fn written<P: AsRef<Path>>(files: &[P], style: Style) -> String {
    let line =
        |file: &P| format!("wrote {}\n", harmless(&file.as_ref().to_string_lossy(), style.unicode));
    files.iter().map(line).collect()
}

fn of_kind(findings: &[Finding], kind: Kind) -> impl Iterator<Item = &Finding> {
    findings.iter().filter(move |finding| finding.kind == kind)
}

/// `42 s, 2 vibration + pulse, 51.2 kHz`.
fn summary(diagnosis: &Diagnosis) -> String {
    let mut parts = vec![duration(diagnosis.duration_s)];
    let roles = roles(diagnosis);
    if !roles.is_empty() {
        parts.push(roles);
    }
    let mut rates: Vec<String> = Vec::new();
    for channel in &diagnosis.channels {
        let rate = rate(channel.rate_hz);
        if !rates.contains(&rate) {
            rates.push(rate);
        }
    }
    match rates.as_slice() {
        [] => {}
        [one] => parts.push(one.clone()),
        [first, ..] => parts.push(format!("{first} and others")),
    }
    parts.join(", ")
}

/// `2 vibration + pulse`; whether levels are relative is said once.
fn roles(diagnosis: &Diagnosis) -> String {
    // only these carry levels, so only of them it matters whether levels are absolute
    const JUDGED: [&str; 2] = ["vibration", "sound"];
    let mut kinds: Vec<(&str, usize)> = Vec::new();
    for channel in &diagnosis.channels {
        match kinds.iter_mut().find(|(role, _)| *role == channel.role) {
            Some((_, many)) => *many += 1,
            None => kinds.push((&channel.role, 1)),
        }
    }
    kinds.sort_by_key(|(role, _)| JUDGED.iter().position(|name| name == role).unwrap_or(2));
    let worded = kinds.iter().map(|(role, many)| match many {
        1 => (*role).to_owned(),
        many => format!("{} {role}", count(*many as u64)),
    });
    let worded = worded.collect::<Vec<_>>().join(" + ");
    let mut judged = diagnosis.channels.iter().filter(|c| JUDGED.contains(&c.role.as_str()));
    if judged.any(|channel| !channel.calibrated) { worded + ", uncalibrated" } else { worded }
}

fn speed(page: &mut Page, speed: Option<&SpeedSummary>) {
    let Some(speed) = speed else {
        page.row("speed", "not known");
        return;
    };
    let mut text = format!("{} rpm, {}", speeds(speed), source(speed.source));
    if speed.error_percent.is_finite() && speed.error_percent > 0.0 {
        text.push_str(&format!(", ± {} %", number(speed.error_percent, 1)));
    }
    if speed.repaired > 0 {
        let repaired = count(speed.repaired);
        let plural = if speed.repaired == 1 { "" } else { "s" };
        text.push_str(&format!("; {repaired} pulse{plural} repaired"));
        if speed.turns.is_finite() && speed.turns >= 1.0 {
            text.push_str(&format!(" in {} turns", count(speed.turns as u64)));
        }
    }
    page.row("speed", &text);
    for other in speed.alternatives.iter().filter(|other| other.probability >= 0.01).take(3) {
        let factor = stated(other.factor, 3);
        let text = format!("or {factor} x that, {}: {}", percent(other.probability), other.reason);
        page.row("", &text);
    }
}

/// `18 200 to 96 400`, or one number where the speed stays.
fn speeds(speed: &SpeedSummary) -> String {
    // 1 %: what the machine file counts as full speed held, unless it says otherwise
    if speed.max_rpm - speed.min_rpm <= 0.01 * speed.max_rpm {
        number(0.5 * (speed.min_rpm + speed.max_rpm), 4)
    } else {
        format!("{} to {}", number(speed.min_rpm, 3), number(speed.max_rpm, 3))
    }
}

fn source(source: SpeedSource) -> &'static str {
    match source {
        SpeedSource::Pulse => "from the pulses",
        SpeedSource::Channel => "from the speed channel",
        SpeedSource::Stated => "as stated",
        SpeedSource::Estimated => "estimated from the signal itself",
    }
}

/// What limits the recording, worst first; the same trouble of several channels told once.
fn fitness(page: &mut Page, checks: &[Check]) {
    let mut troubles: Vec<Vec<&Check>> = Vec::new();
    for check in checks.iter().filter(|check| check.fit != Fit::Good) {
        let same = |trouble: &&mut Vec<&Check>| {
            trouble.first().is_some_and(|first| (&first.id, first.fit) == (&check.id, check.fit))
        };
        match troubles.iter_mut().find(same) {
            Some(trouble) => trouble.push(check),
            None => troubles.push(vec![check]),
        }
    }
    troubles.sort_by_key(|trouble| std::cmp::Reverse(trouble.first().map(|check| check.fit)));
    if troubles.is_empty() {
        page.row("recording", "fit for a verdict");
    }
    for (i, trouble) in troubles.iter().take(MOST_TROUBLES).enumerate() {
        let label = if i == 0 { "recording" } else { "" };
        let unfit = trouble.iter().any(|check| check.fit == Fit::Unfit);
        let paint = if unfit { Paint::Strong } else { Paint::Plain };
        page.painted_row((label, Paint::Faint), (&trouble_text(trouble), paint));
    }
    if let Some(more @ 1..) = troubles.len().checked_sub(MOST_TROUBLES) {
        page.row("", &format!("and {more} more, told in full by --json"));
    }
}

/// `unfit: 12 % of the samples are clipped (front; likewise rear); record again`.
fn trouble_text(trouble: &[&Check]) -> String {
    let [first, others @ ..] = trouble else { return String::new() };
    let word = if first.fit == Fit::Unfit { "unfit" } else { "limited" };
    let mut text = format!("{word}: {}", clause(&first.found));
    let mut places: Vec<&str> = others.iter().filter_map(|c| c.channel.as_deref()).collect();
    if let Some(channel) = first.channel.as_deref() {
        places.insert(0, channel);
    }
    match places.as_slice() {
        [] => {}
        [one] => text.push_str(&format!(" ({one})")),
        [one, others @ ..] => text.push_str(&format!(" ({one}; likewise {})", others.join(", "))),
    }
    if !first.consequence.is_empty() {
        text.push_str(&format!("; {}", clause(&first.consequence)));
    }
    text
}

fn verdict(page: &mut Page, diagnosis: &Diagnosis) {
    let paint = match diagnosis.verdict {
        Verdict::Accept => Paint::Good,
        Verdict::Investigate => Paint::Doubtful,
        Verdict::Reject => Paint::Bad,
        Verdict::NoVerdict => Paint::Open,
    };
    let sentence = clause(&diagnosis.reason);
    let reason = (sentence.as_str(), Paint::Strong);
    page.painted_row((diagnosis.verdict.word(), paint), reason);
    let nothing = of_kind(&diagnosis.findings, Kind::Fault).next().is_none();
    if diagnosis.verdict == Verdict::NoVerdict && nothing && !reason.0.contains("no release") {
        page.row("", "nothing found, which is no release");
    }
}

fn fault(page: &mut Page, finding: &Finding) {
    page.gap();
    let mut text = named(finding);
    match &finding.severity {
        Some(severity) => {
            let times = ratio(severity.ratio, severity.uncertainty);
            text.push_str(&format!(", {times} x the limit"));
            if !severity.limit.is_empty() {
                text.push_str(&format!(" ({})", severity.limit));
            }
        }
        None => text.push_str(", no limit given"),
    }
    let sure = match is_open(finding) {
        false => format!("{} sure", percent(finding.confidence)),
        true => "cannot tell".to_owned(),
    };
    page.painted_row((&sure, Paint::Strong), (&text, Paint::Strong));
    evidence(page, finding, MOST_EVIDENCE);
    if let Some(remark) = &finding.remark {
        page.row("", &clause(remark));
    }
    if !finding.advice.is_empty() {
        page.row("", &format!("next: {}", clause(&finding.advice)));
    }
}

fn evidence(page: &mut Page, finding: &Finding, most: usize) {
    for Evidence { text, .. } in finding.evidence.iter().take(most) {
        page.row("", &clause(text));
    }
}

/// An observation in one paragraph; how sure only where there is doubt.
fn observation(page: &mut Page, label: &str, finding: &Finding) {
    let mut text = named(finding);
    // also where the confidence is no number
    if !(finding.confidence >= 0.95) {
        text.push_str(&format!(", {}", percent(finding.confidence)));
    }
    let told: Vec<String> =
        finding.evidence.iter().take(MOST_OBSERVED).map(|e| clause(&e.text)).collect();
    if !told.is_empty() {
        text.push_str(&format!(": {}", told.join("; ")));
    }
    let more = finding.evidence.len().saturating_sub(MOST_OBSERVED);
    if more > 0 {
        text.push_str(&format!("; {more} more in `report`"));
    }
    page.row(label, &text);
}

/// `imbalance at front`.
fn named(finding: &Finding) -> String {
    match &finding.place {
        Some(place) => format!("{} at {place}", finding.title),
        None => finding.title.clone(),
    }
}

/// Levels that a limit was held against, the fullest first; without any limit, the greatest one of each
/// unit, so that there is a number to compare. Levels of unfit channels are no measure of anything; what
/// [`overall`] shows is not told twice.
fn levels(page: &mut Page, diagnosis: &Diagnosis) {
    let (unfit, levels): (Vec<&Level>, Vec<&Level>) =
        diagnosis.levels.iter().partition(|level| is_unfit(diagnosis, &level.channel));
    let is_told_below = |level: &Level| SHAPES.iter().chain(&SUMS).any(|id| level.id == *id);
    let of_limits: Vec<&Level> =
        levels.iter().copied().filter(|level| level.decision != Decision::NoLimit).collect();
    let (label, mut gathered) = match of_limits.is_empty() {
        true => {
            let shown = levels.iter().copied().filter(|level| !is_told_below(level));
            ("level", gathered(shown, |a, b| a.unit == b.unit))
        }
        false => (
            "limit",
            gathered(of_limits.into_iter(), |a, b| {
                (&a.id, a.decision, a.limit) == (&b.id, b.decision, b.limit)
            }),
        ),
    };
    if label == "limit" {
        gathered.sort_by(|a, b| used(b).total_cmp(&used(a)));
    }
    for (i, same) in gathered.iter().take(MOST_LEVELS).enumerate() {
        page.row(if i == 0 { label } else { "" }, &level_text(same, label == "limit"));
    }
    let mut names: Vec<&str> = unfit.iter().map(|level| level.channel.as_str()).collect();
    names.dedup();
    if !names.is_empty() {
        let label = if gathered.is_empty() { "level" } else { "" };
        page.row(label, &format!("not measured on what is unfit: {}", names.join(", ")));
    }
}

/// Whether nothing that a channel holds is a measure of the machine.
fn is_unfit(diagnosis: &Diagnosis, channel: &str) -> bool {
    let mut unfit = diagnosis.fitness.iter().filter(|check| check.fit == Fit::Unfit);
    unfit.any(|check| check.channel.as_deref() == Some(channel))
}

/// What a channel holds as a whole, on one line each: overall values, crest factor, kurtosis; then the zones.
fn overall(page: &mut Page, diagnosis: &Diagnosis) {
    let of = |channel: &str, id: &str| {
        diagnosis.levels.iter().find(|level| level.channel == channel && level.id == id)
    };
    let mut channels: Vec<&str> = Vec::new();
    for level in diagnosis.levels.iter().filter(|level| !is_unfit(diagnosis, &level.channel)) {
        if !channels.contains(&level.channel.as_str()) {
            channels.push(&level.channel);
        }
    }
    let mut label = "overall";
    for channel in channels.iter().take(MOST_LEVELS) {
        let text = overall_text(SUMS.map(|id| of(channel, id)), SHAPES.map(|id| of(channel, id)));
        if !text.is_empty() {
            page.row(label, &format!("{channel} {text}"));
            label = "";
        }
    }
    if channels.len() > MOST_LEVELS {
        page.row(
            "",
            &format!("and {} more channels, told by --json", channels.len() - MOST_LEVELS),
        );
    }
    let zones = diagnosis.levels.iter().filter_map(|level| Some((level, level.zone?)));
    for (i, (level, zone)) in
        zones.filter(|(level, _)| !is_unfit(diagnosis, &level.channel)).enumerate()
    {
        let [ab, bc, cd] = zone.class.boundaries_mm_s_rms();
        let value = number(level.value, 2);
        let text = format!(
            "{value} {} at {}: {}; boundaries {ab}, {bc}, {cd}",
            level.unit,
            level.channel,
            zone.words()
        );
        page.row(if i == 0 { "zone" } else { "" }, &text);
    }
}

/// `3.2 mm/s rms, 1.9 g rms, 12 um rms (10 to 5 120 Hz); crest factor 4.1, kurtosis 3.1`.
fn overall_text(sums: [Option<&Level>; 3], shapes: [Option<&Level>; 2]) -> String {
    let sums: Vec<&Level> = sums.into_iter().flatten().collect();
    let told = sums.iter().map(|level| format!("{} {}", number(level.value, 2), level.unit));
    let mut text = told.collect::<Vec<_>>().join(", ");
    if let Some([low, high]) = sums.first().and_then(|level| level.band_hz) {
        text.push_str(&format!(" ({} to {} Hz)", stated(low, 3), stated(high, 3)));
    }
    let shapes = shapes.into_iter().flatten();
    let shapes = shapes.map(|level| format!("{} {}", level.name, number(level.value, 2)));
    let shapes = shapes.collect::<Vec<_>>().join(", ");
    match (text.is_empty(), shapes.is_empty()) {
        (_, true) => text,
        (true, false) => shapes,
        (false, false) => format!("{text}; {shapes}"),
    }
}

/// Levels of the same kind side by side, the greatest first in each group.
fn gathered<'a>(
    levels: impl Iterator<Item = &'a Level>,
    same: impl Fn(&Level, &Level) -> bool,
) -> Vec<Vec<&'a Level>> {
    let mut groups: Vec<Vec<&Level>> = Vec::new();
    for level in levels {
        let with_it = |group: &&mut Vec<&Level>| group.first().is_some_and(|g| same(g, level));
        match groups.iter_mut().find(with_it) {
            Some(group) => group.push(level),
            None => groups.push(vec![level]),
        }
    }
    for group in &mut groups {
        group.sort_by(|a, b| b.value.total_cmp(&a.value));
    }
    groups
}

/// How far a group's limit is used up.
fn used(group: &[&Level]) -> f64 {
    group.first().and_then(|level| level.ratio()).filter(|ratio| ratio.is_finite()).unwrap_or(0.0)
}

/// `1x velocity at front 9.8 mm/s rms at 96 000 rpm; limit 4.5, exceeded (rear 5.2)`.
fn level_text(group: &[&Level], with_others: bool) -> String {
    let [level, others @ ..] = group else { return String::new() };
    let mut text = format!("{} at {} {} ", level.name, level.channel, number(level.value, 2));
    text.push_str(&level.unit);
    if let Some(rpm) = level.at_rpm.filter(|rpm| rpm.is_finite()) {
        text.push_str(&format!(" at {} rpm", number(rpm, 3)));
    }
    if let Some([low, high]) = level.band_hz {
        text.push_str(&format!(", {} to {} Hz", stated(low, 3), stated(high, 3)));
    }
    match level.limit {
        Some(limit) => {
            let decision = match level.decision {
                Decision::NoLimit => "not checked",
                Decision::Within => "kept",
                Decision::Exceeded => "exceeded",
                Decision::Undecided => "too close to tell",
            };
            text.push_str(&format!("; limit {}, {decision}", stated(limit, 4)));
        }
        None => text.push_str("; no limit given"),
    }
    if with_others && !others.is_empty() {
        let each =
            others.iter().map(|other| format!("{} {}", other.channel, number(other.value, 2)));
        text.push_str(&format!(" ({})", each.collect::<Vec<_>>().join(", ")));
    }
    text
}

/// What was put lower for a reason: one paragraph for each reason, the most probable first.
fn considered(page: &mut Page, findings: &[Finding]) {
    let mut reasons: Vec<(&str, Vec<&Finding>)> = Vec::new();
    for finding in most_probable_first(findings) {
        let Some(remark) = reason(finding) else { continue };
        match reasons.iter_mut().find(|(reason, _)| *reason == remark) {
            Some((_, with_it)) => with_it.push(finding),
            None => reasons.push((remark, vec![finding])),
        }
    }
    for (i, (reason, with_it)) in reasons.iter().take(MOST_CONSIDERED).enumerate() {
        let text = format!("{}: {}", together(with_it), clause(reason));
        page.row(if i == 0 { "considered" } else { "" }, &text);
    }
    if reasons.len() > MOST_CONSIDERED {
        let more = reasons.len() - MOST_CONSIDERED;
        page.row("", &format!("and {more} more, told in full by --json"));
    }
}

/// Why something was put lower, where that is worth a line: it is not quite improbable, or nothing can
/// be said of it.
fn reason(finding: &Finding) -> Option<&str> {
    let remark = finding.remark.as_deref()?;
    let worth_it = is_open(finding) || finding.confidence >= WORTH_A_REASON;
    worth_it.then_some(remark)
}

/// Whether nothing can be said of it; then its confidence is no probability.
fn is_open(finding: &Finding) -> bool {
    let told = finding.remark.as_deref().is_some_and(|remark| remark.starts_with("cannot tell"));
    told || !finding.confidence.is_finite()
}

fn not_found(page: &mut Page, findings: &[Finding]) {
    let without: Vec<&Finding> = most_probable_first(findings)
        .into_iter()
        .filter(|finding| reason(finding).is_none())
        .collect();
    if !without.is_empty() {
        page.row("not found", &together(&without));
    }
}

/// What the percentages hold for, once, where the user has stated nothing else.
fn rests_on(page: &mut Page, diagnosis: &Diagnosis) {
    let told = diagnosis.findings.iter().chain(&diagnosis.considered).filter(|f| !is_open(f));
    let mut holds_for = told.filter(|f| f.kind == Kind::Fault).filter_map(|f| f.holds_for);
    if holds_for.any(|machines| !machines.stated) {
        page.row(
            "how sure",
            "fitted on simulated rotors, of which a share had each fault (--json); your own machines' share goes \
             under [prevalence]",
        );
    }
}

fn most_probable_first(findings: &[Finding]) -> Vec<&Finding> {
    let mut sorted: Vec<&Finding> = findings.iter().collect();
    // what has no probability comes last
    let key =
        |finding: &Finding| if finding.confidence.is_nan() { -1.0 } else { finding.confidence };
    sorted.sort_by(|a, b| key(b).total_cmp(&key(a)));
    sorted
}

/// Several findings in one line, places gathered under their fault:
/// `misalignment 3 %, outer race: front 2 %, rear 1 %`.
fn together(findings: &[&Finding]) -> String {
    let mut faults: Vec<(&str, Vec<&Finding>)> = Vec::new();
    for finding in findings {
        match faults.iter_mut().find(|(title, _)| *title == finding.title) {
            Some((_, places)) => places.push(finding),
            None => faults.push((&finding.title, vec![finding])),
        }
    }
    let chance = |finding: &Finding| match is_open(finding) {
        false => format!(" {}", percent(finding.confidence)),
        true => String::new(),
    };
    let place = |finding: &Finding| finding.place.clone().unwrap_or_else(|| "machine".to_owned());
    let told = faults.iter().map(|(title, places)| match places.as_slice() {
        [one] => format!("{}{}", named(one), chance(one)),
        many => {
            let each = many.iter().map(|finding| format!("{}{}", place(finding), chance(finding)));
            format!("{title} ({})", each.collect::<Vec<_>>().join(", "))
        }
    });
    told.collect::<Vec<_>>().join(", ")
}

fn notes(page: &mut Page, diagnosis: &Diagnosis) {
    let of_speed = diagnosis.speed.iter().flat_map(|speed| &speed.notes);
    let mut told: Vec<String> = Vec::new();
    for note in diagnosis.notes.iter().chain(of_speed) {
        let note = clause(note);
        if !note.is_empty() && !told.contains(&note) {
            told.push(note);
        }
    }
    for (i, note) in told.iter().enumerate() {
        page.row(if i == 0 { "note" } else { "" }, note);
    }
}
