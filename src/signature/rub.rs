//! Rub: fractions of the order that begin at some speed, with a comb of harmonics from one touch a turn.

use super::looseness::{TOO_FEW_TURNS, lines_in_words, onset_evidence};
use super::{Evidence, Kind, Need, Rival, Score, Signature};
use crate::case::harmonics::{Line, Onset, onset};
use crate::case::{Harmonics, View};
use crate::dsp::stats;
use crate::units::grouped;

/// A rotor that touches its casing or a seal.
pub const SIGNATURE: Signature = Signature {
    id: "rub",
    title: "rub",
    kind: Kind::Fault,
    needs: &[Need::Speed],
    source: "Muszynska, Rotordynamics (2005): 1/2x, 1/3x from some speed on, 1x that turns; ISO 13373-1 (both from memory)",
    advice: "look for rubbing marks on rotor, seals and casing, and check the clearances",
    score: |case| case.views().filter_map(|view| score_view(&view)).collect(),
    proofs: &["rub"],
    rivals: &[
        Rival {
            id: "looseness",
            parted_by: "looseness is there at all speeds, with many fractions; a rub begins at one",
        },
        Rival {
            id: "misalignment",
            parted_by: "misalignment raises 2x at all speeds and shows no fractions of the order",
        },
        Rival {
            id: "raised_2x",
            parted_by: "a bore out of line or an oval journal raises 2x at all speeds and shows no fractions",
        },
    ],
};

/// Lowest harmonic of the comb that touches leave: below, misalignment and the like are heard too.
const COMB_FROM_ORDER: f64 = 4.0;
/// What the odds start from where nothing is seen.
const NOTHING_SEEN: f64 = -4.0;
/// Weight of a beginning that a single line shows, which may be a foreign one.
const ALONE: f64 = 0.6;
/// Share of the highest speed above which a beginning says nothing: a line fixed in Hz that lies on a fraction at
/// the speed held is in its column over so much of the speed.
const AT_THE_TOP: f64 = 0.94;
/// Fraction lines above this order speak for looseness.
const LOW_ORDERS: f64 = 2.0;

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
    let found = Found::of(view, harmonics);
    Some(Score { log_odds: found.log_odds(), evidence: found.evidence(view), ..score })
}

/// What one channel shows.
struct Found<'a> {
    fractions: Vec<&'a Line>,
    fractions_begin: Option<Onset>,
    comb: Vec<&'a Line>,
    comb_begins: Option<Onset>,
}

impl<'a> Found<'a> {
    fn of(view: &View, harmonics: &'a Harmonics) -> Self {
        let blades: Vec<f64> =
            view.case.machine.blade.values().map(|row| f64::from(row.count)).collect();
        let is_blade = |order: f64| blades.iter().any(|blade| (blade - order).abs() < 0.5);
        let seen = |line: &&Line| line.is_seen();
        let fractions: Vec<&Line> = harmonics.fractions().iter().filter(seen).collect();
        let mut comb = harmonics.harmonics_from(COMB_FROM_ORDER, is_blade);
        comb.retain(|line| line.is_seen());
        let (fractions_begin, comb_begins) = (onset(&fractions), onset(&comb));
        Self { fractions, fractions_begin, comb, comb_begins }
    }

    fn log_odds(&self) -> f64 {
        let low = self.fractions.iter().filter(|line| line.order < LOW_ORDERS);
        let high = self.fractions.iter().filter(|line| line.order > LOW_ORDERS);
        let weight = |line: &&Line| line.weight().min(2.0);
        let mut odds = NOTHING_SEEN + low.map(weight).sum::<f64>().min(4.0);
        odds -= high.map(weight).sum::<f64>().min(4.0) * 0.7;
        let alone = if self.fractions.len() < 2 { ALONE } else { 1.0 };
        odds += alone * begins(self.fractions_begin);
        odds + (0.7 * begins(self.comb_begins)).max(0.0)
    }

    fn evidence(&self, view: &View) -> Vec<Evidence> {
        let words = if self.fractions.is_empty() {
            "no half order and no third stands clear of the noise".to_owned()
        } else {
            format!("{} above the noise", lines_in_words(&self.fractions))
        };
        let mut evidence =
            vec![Evidence::new("fractions_seen", self.fractions.len() as f64, "", words)];
        evidence.extend(self.fractions_begin.map(|found| onset_evidence(&found)));
        evidence.extend(self.comb_evidence());
        evidence.extend(turning_evidence(view));
        evidence
    }

    fn comb_evidence(&self) -> Option<Evidence> {
        let found = self.comb_begins.filter(Onset::begins)?;
        Some(Evidence::new(
            "harmonics_from_rpm",
            found.rpm,
            "rpm",
            format!(
                "{} harmonics from 4x up rise at {} rpm, as blows once a turn make them",
                self.comb.len(),
                grouped(found.rpm)
            ),
        ))
    }
}

/// Log-odds for lines that begin at some speed: against, where they are there over a wide range of it.
fn begins(found: Option<Onset>) -> f64 {
    let Some(found) = found else { return 0.0 };
    if found.begins() && found.rpm > AT_THE_TOP * found.top_rpm {
        0.0
    } else if found.begins() {
        1.5 * (0.5 / found.most_below).ln().clamp(0.0, 3.0)
    } else {
        -3.0 * (found.top_rpm / found.visible_rpm).ln().clamp(0.0, 1.0)
    }
}

/// Share of the highest speed within which speed counts as constant: phase turns by less than a degree there
/// away from a critical speed (common practice, no source).
const CONSTANT: f64 = 0.004;
/// Fewest blocks at constant speed.
const LEAST_BLOCKS: usize = 12;

/// How fast the first order turns at constant speed: a touch heats one side of the shaft, whose bow creeps round.
/// Told, not weighed: a rotor that warms through does so too.
fn turning_evidence(view: &View) -> Option<Evidence> {
    if !view.case.phase_known() {
        return None;
    }
    let track = view.displacement()?;
    let top = track.rpm.iter().copied().fold(0.0, f64::max);
    let held = track.where_rpm(|rpm| rpm > (1.0 - CONSTANT) * top);
    if held.len() < LEAST_BLOCKS {
        return None;
    }
    let mut phase = vec![0.0];
    for pair in held.phasors.windows(2) {
        let before = phase.last().copied().unwrap_or(0.0);
        phase.push(before + (pair[1] * pair[0].conj()).arg());
    }
    let line = stats::fit_line(&held.times_s, &phase, &vec![1.0; phase.len()])?;
    let (rate, error) = (line.slope.to_degrees(), line.slope_error.to_degrees());
    Some(Evidence::new(
        "order1_turns_deg_s",
        rate,
        "deg/s",
        format!(
            "at {} rpm the phase of 1x turns by {rate:.1} ± {error:.1} deg a second",
            grouped(top)
        ),
    ))
}
