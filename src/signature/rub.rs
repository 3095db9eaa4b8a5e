//! Rub: fractions of the order that begin at some speed, with a comb of harmonics from one touch a turn.

use std::ops::Range;

use super::blade_pass::known_orders;
use super::looseness::{TOO_FEW_TURNS, lines_in_words, onset_evidence};
use super::{Evidence, Kind, Need, Rival, Score, Signature};
use crate::angle::Track;
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

/// A speed that changes by less than this share of its highest value does not show where fractions begin (judgement,
/// no source).
const STEADY: f64 = 0.1;
/// Lowest harmonic of the comb that touches leave: below, misalignment and the like are heard too (judgement, no
/// source).
const COMB_FROM_ORDER: f64 = 4.0;
/// What the odds start from where nothing is seen (judgement, no source).
const NOTHING_SEEN: f64 = -4.0;
/// Weight of a beginning that a single line shows, which may be a foreign one (judgement, no source).
const ALONE: f64 = 0.6;
/// Share of the highest speed above which a beginning says nothing: a line fixed in Hz that lies on a fraction at
/// the speed held is in its column over so much of the speed (judgement, no source).
const AT_THE_TOP: f64 = 0.94;
/// Fraction lines above this order speak for looseness (judgement, no source).
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
    Some(Score {
        log_odds: found.log_odds(),
        evidence: found.evidence(view),
        cannot_tell: found.left_open(view).map(str::to_owned),
        ..score
    })
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
        // a generator that takes load at some speed begins there too
        let known = known_orders(view.case);
        let is_known =
            |order: f64| known.iter().any(|known| (f64::from(*known) - order).abs() < 0.5);
        let seen = |line: &&Line| line.is_seen();
        let fractions: Vec<&Line> = harmonics.fractions().iter().filter(seen).collect();
        let mut comb = harmonics.harmonics_from(COMB_FROM_ORDER, is_known);
        comb.retain(|line| line.is_seen());
        let (fractions_begin, comb_begins) = (onset(&fractions), onset(&comb));
        Self { fractions, fractions_begin, comb, comb_begins }
    }

    /// Why it cannot be told whether fractions that are seen are those of a rub, which begin at some speed.
    fn left_open(&self, view: &View) -> Option<&'static str> {
        let is_steady = || view.case.speed.as_ref().is_some_and(|speed| speed.is_steady(STEADY));
        let is_open = match self.fractions_begin {
            Some(found) => !found.can_be_told(),
            None => !self.fractions.is_empty() && is_steady(),
        };
        is_open.then_some(
            "the speed changes too little to tell whether the fractions begin at one, as those of a rub do: \
             record a run-up",
        )
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
        let found = self.comb_begins.filter(|found| found.begins() && found.can_be_told())?;
        let which = match self.comb.as_slice() {
            [one] => format!("the one harmonic seen from 4x up, {}, begins", one.name()),
            all => format!("taken together, the {} harmonics seen from 4x up begin", all.len()),
        };
        Some(Evidence::new(
            "harmonics_from_rpm",
            found.rpm,
            "rpm",
            format!(
                "{which} at {} rpm, as blows once a turn make them; lines of blades and generator are left out",
                grouped(found.rpm)
            ),
        ))
    }
}

/// Log-odds for lines that begin at some speed: against, where they are there over a wide range of it. None, where
/// the speed changes too little to tell.
fn begins(found: Option<Onset>) -> f64 {
    let Some(found) = found.filter(Onset::can_be_told) else { return 0.0 };
    if found.begins() && found.rpm > AT_THE_TOP * found.top_rpm {
        0.0
    } else if found.begins() {
        1.5 * (0.5 / found.most_below).ln().clamp(0.0, 3.0)
    } else {
        -3.0 * (found.top_rpm / found.visible_rpm).ln().clamp(0.0, 1.0)
    }
}

/// Share of the highest speed within which speed counts as constant: phase turns by less than a degree there
/// away from a critical speed (judgement, no source).
const CONSTANT: f64 = 0.004;
/// Fewest blocks at constant speed (judgement, no source).
const LEAST_BLOCKS: usize = 12;

/// How fast the first order turns at constant speed: a touch heats one side of the shaft, whose bow creeps round.
/// Told, not weighed: a rotor that warms through does so too.
fn turning_evidence(view: &View) -> Option<Evidence> {
    if !view.case.phase_known() {
        return None;
    }
    let track = view.displacement()?;
    let hold = longest_hold(track);
    let (rate, error) = lag_rate_deg_s(track, hold.clone())?;
    let rpm = stats::median(track.rpm.get(hold)?);
    Some(Evidence::new(
        "order1_turns_deg_s",
        rate,
        "deg/s",
        format!(
            "held at {} rpm, the lag of 1x changes by {rate:+.1} ± {error:.1} deg a second (+: the lag grows)",
            grouped(rpm)
        ),
    ))
}

/// The longest run of blocks that follow each other at the highest speed.
fn longest_hold(track: &Track) -> Range<usize> {
    let top = track.rpm.iter().copied().fold(0.0, f64::max);
    let is_held = |rpm: &f64| *rpm > (1.0 - CONSTANT) * top;
    let (mut from, mut longest) = (0, 0..0);
    for run in track.rpm.chunk_by(|a, b| is_held(a) == is_held(b)) {
        if run.first().is_some_and(is_held) && run.len() > longest.len() {
            longest = from..from + run.len();
        }
        from += run.len();
    }
    longest
}

/// How fast the lag of a track grows over a hold, in degrees a second, with its standard error; `None` where the hold
/// is too short.
fn lag_rate_deg_s(track: &Track, hold: Range<usize>) -> Option<(f64, f64)> {
    if hold.len() < LEAST_BLOCKS {
        return None;
    }
    let mut lag = vec![0.0];
    for pair in track.phasors.get(hold.clone())?.windows(2) {
        let before = lag.last().copied().unwrap_or(0.0);
        // a phasor turns back as its lag grows
        lag.push(before - (pair[1] * pair[0].conj()).arg());
    }
    let line = stats::fit_line(track.times_s.get(hold)?, &lag, &vec![1.0; lag.len()])?;
    Some((line.slope.to_degrees(), line.slope_error.to_degrees()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dsp::fft::Complex64;

    /// Two holds with a slower stretch between, in which the phase makes a leap.
    #[test]
    fn the_lag_is_followed_through_the_longest_hold_alone() {
        let mut track = Track::empty(1.0);
        for i in 0..60 {
            let time_s = 0.1 * f64::from(i);
            let is_slow = (15..25).contains(&i);
            let lag_deg = 3.0 * time_s + if i < 25 { 140.0 } else { 0.0 };
            track.times_s.push(time_s);
            track.rpm.push(if is_slow { 50_000.0 } else { 60_000.0 });
            track.phasors.push(Complex64::from_polar(1e-6, -lag_deg.to_radians()));
            track.errors.push(1e-9);
        }
        let hold = longest_hold(&track);
        assert_eq!(hold, 25..60);
        let (rate, error) = lag_rate_deg_s(&track, hold).expect("long enough");
        assert!((rate - 3.0).abs() < 1e-6 && error < 1e-6, "{rate} {error}");
        assert!(lag_rate_deg_s(&track, 0..5).is_none());
        assert!(longest_hold(&Track::empty(1.0)).is_empty());
    }
}
