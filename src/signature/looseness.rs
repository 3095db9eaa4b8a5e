//! Looseness: harmonics and their half orders (or thirds) at all speeds, with an unsteady phase.

use super::{Evidence, Kind, Need, Rival, Score, Signature};
use crate::case::harmonics::{Line, Onset, onset};
use crate::case::{Harmonics, View};
use crate::dsp::stats;
use crate::units::{grouped, three_digits};

/// A loose bearing seat or housing.
pub const SIGNATURE: Signature = Signature {
    id: "looseness",
    title: "looseness",
    kind: Kind::Fault,
    needs: &[Need::Speed],
    source: "ISO 13373-1 and -3, looseness: many harmonics of 1x, 1/2x and 1/3x, unsteady phase, raised floor (from memory)",
    advice: "check the fit of the bearing seats, then the screws of housing and stand",
    score: |case| case.views().filter_map(|view| score_view(&view)).collect(),
    proofs: &["looseness"],
    rivals: &[
        Rival {
            id: "rub",
            parted_by: "a rub begins at some speed and shows few fractions, looseness is there at all speeds",
        },
        Rival {
            id: "misalignment",
            parted_by: "misalignment raises 2x and few whole harmonics, with a steady phase and no half orders",
        },
        Rival {
            id: "raised_2x",
            parted_by: "a bore out of line or an oval journal raises 2x, with a steady phase and no half orders",
        },
    ],
};

/// Share of fractions in the strength of harmonics and fractions together that speaks as much for as against
/// (judgement, no source); the calibration moves it.
const NOTABLE_SHARE: f64 = 0.1;
/// Random walk of the phase in degrees per root of a turn that is none: less than a degree in a hundred turns
/// (judgement, no source).
const STEADY_DEG: f64 = 0.1;
/// What the odds start from where no fraction is seen.
const NOTHING_SEEN: f64 = -4.0;

/// Why recordings of few turns say nothing of fractions of the order.
pub(super) const TOO_FEW_TURNS: &str =
    "too few turns to part fractions of the shaft's order from their neighbours";

fn score_view(view: &View) -> Option<Score> {
    if view.is_axial() {
        return None;
    }
    let score = Score {
        place: Some(view.place()),
        channel: Some(view.name().to_owned()),
        basis: "fractions",
        log_odds: NOTHING_SEEN,
        evidence: Vec::new(),
        severity: None,
        cannot_tell: None,
        advice: None,
    };
    let Some(harmonics) = view.harmonics() else {
        return Some(Score { cannot_tell: Some(TOO_FEW_TURNS.to_owned()), ..score });
    };
    let fractions = harmonics.fractions();
    let seen: Vec<&Line> = fractions.iter().filter(|line| line.is_seen()).collect();
    let whole: Vec<&Line> = harmonics.whole.iter().filter(|l| l.is_seen() && is_low(l)).collect();
    let begins = onset(&seen);
    let mut log_odds = NOTHING_SEEN + many(&seen);
    if !seen.is_empty() {
        let support = (share(&seen, &harmonics.whole) / NOTABLE_SHARE).ln().clamp(-2.0, 1.5)
            + 0.4 * (whole.len() as f64 - 2.0)
            + begins.as_ref().map_or(0.0, throughout);
        log_odds += support.min(family(seen.len()) * support);
    }
    Some(Score { log_odds, evidence: evidence(harmonics, &seen, &whole, begins), ..score })
}

/// Whether a line is one of the harmonics that looseness raises first, 2x to 6x.
fn is_low(line: &Line) -> bool {
    (2.0..=6.0).contains(&line.order)
}

/// Log-odds for many fractions: each counts by how clearly it is seen, the two clearest not at all, as a foreign
/// line may lie on one of them by chance, and a rub shows two.
fn many(seen: &[&Line]) -> f64 {
    let mut weights: Vec<f64> = seen.iter().map(|line| line.weight().min(2.0)).collect();
    weights.sort_by(|a, b| b.total_cmp(a));
    weights.iter().skip(2).sum()
}

/// How far lines count as a family, whose strength and range of speed then speak for looseness: one alone may be a
/// foreign line, two may be a rub.
fn family(lines: usize) -> f64 {
    match lines {
        0 | 1 => 0.0,
        2 => 0.5,
        _ => 1.0,
    }
}

/// Strength of the fractions over that of the harmonics above 1x and of the fractions themselves.
fn share(fractions: &[&Line], whole: &[Line]) -> f64 {
    let power = |line: &Line| line.strength * line.strength;
    let parts: f64 = fractions.iter().map(|line| power(line)).sum();
    let rest: f64 = whole.iter().filter(|l| is_low(l)).map(power).sum();
    (parts / (parts + rest).max(f64::MIN_POSITIVE)).sqrt().max(1e-6)
}

/// Log-odds for being there at all speeds: against, where the lines begin at one; for, the wider the range of
/// speed over which they are seen. Nothing, where speed changes too little to tell.
fn throughout(found: &Onset) -> f64 {
    if !found.can_be_told() {
        0.0
    } else if found.begins() {
        -2.0 * (0.5 / found.most_below).ln().min(2.0)
    } else {
        2.0 * (found.top_rpm / found.visible_rpm).ln().clamp(0.0, 1.0)
    }
}

fn evidence(
    harmonics: &Harmonics,
    seen: &[&Line],
    whole: &[&Line],
    begins: Option<Onset>,
) -> Vec<Evidence> {
    let mut evidence = vec![Evidence::new(
        "fractions_seen",
        seen.len() as f64,
        "",
        if seen.is_empty() {
            "no half order and no third stands clear of the noise".to_owned()
        } else {
            format!("{} above the noise", lines_in_words(seen))
        },
    )];
    if !seen.is_empty() {
        let share = share(seen, &harmonics.whole);
        evidence.push(Evidence::new(
            "fractions_share",
            share,
            "",
            format!(
                "they make {} of the strength of all harmonics above 1x and fractions",
                three_digits(share)
            ),
        ));
    }
    evidence.push(Evidence::new(
        "harmonics_seen",
        whole.len() as f64,
        "",
        harmonics_in_words(whole.len(), harmonics.whole.iter().filter(|l| is_low(l)).count()),
    ));
    evidence.extend(begins.map(|found| onset_evidence(&found)));
    evidence.extend(wander_evidence(seen, whole));
    evidence
}

/// How many harmonics stand clear of the noise, of those that the sampling rate carries.
fn harmonics_in_words(seen: usize, judged: usize) -> String {
    match judged {
        0 => "the sampling rate carries none of the harmonics from 2x to 6x".to_owned(),
        5 => format!("{seen} of the five harmonics from 2x to 6x stand clear of the noise"),
        _ => format!(
            "of the harmonics from 2x to 6x the sampling rate carries {judged}: {seen} stand clear of the noise"
        ),
    }
}

/// From which speed on the fractions are seen, where the speed changes enough to tell.
pub(super) fn onset_evidence(found: &Onset) -> Evidence {
    let [low, begin, top] = [found.visible_rpm, found.rpm, found.top_rpm].map(grouped);
    if !found.can_be_told() {
        let text = format!(
            "the fractions could be seen from {low} to {top} rpm: the speed changes too little to tell whether \
             they begin at one"
        );
        return Evidence::new("fractions_seen_from_rpm", found.visible_rpm, "rpm", text);
    }
    if !found.begins() {
        let text = format!(
            "the fractions are there at all speeds at which they could be seen, from {low} to {top} rpm"
        );
        return Evidence::new("fractions_seen_from_rpm", found.visible_rpm, "rpm", text);
    }
    let text = format!(
        "the fractions begin at {begin} rpm: from {low} to {begin} rpm they have at most {} % of the power expected",
        three_digits(100.0 * found.most_below)
    );
    Evidence::new("fractions_from_rpm", found.rpm, "rpm", text)
}

/// Lines with their heights over the noise: `1/2x 12 dB, 3/2x 9 dB`.
pub(super) fn lines_in_words(lines: &[&Line]) -> String {
    let words: Vec<String> =
        lines.iter().map(|line| format!("{} {:.0} dB", line.name(), line.height_db())).collect();
    words.join(", ")
}

/// How unsteady the phase of the lines is; told, not weighed: some loose seats keep their phase for seconds.
fn wander_evidence(seen: &[&Line], whole: &[&Line]) -> Option<Evidence> {
    let wanders: Vec<f64> = seen.iter().chain(whole).filter_map(|line| line.wander_deg).collect();
    if wanders.is_empty() {
        return None;
    }
    let wander = stats::median(&wanders);
    let text = if wander < STEADY_DEG {
        "their phase is as steady as noise lets it be seen".to_owned()
    } else {
        format!(
            "their phase walks by {wander:.1} deg from turn to turn at random, {:.0} deg in a hundred turns",
            10.0 * wander
        )
    };
    Some(Evidence::new("phase_wander_deg", wander, "deg", text))
}
