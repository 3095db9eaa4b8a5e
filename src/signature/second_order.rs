//! A raised second order: misalignment where there is a coupling, an observation where there is none.

use super::{Evidence, Kind, Need, Rival, Score, Signature};
use crate::angle::Track;
use crate::case::{Case, View, levels};
use crate::dsp::stats;
use crate::units::{Amplitude, Quantity, three_digits};

/// Misalignment across a coupling.
pub const MISALIGNMENT: Signature = Signature {
    id: "misalignment",
    title: "misalignment",
    kind: Kind::Fault,
    needs: &[Need::Speed, Need::Coupling],
    source: "ISO 13373-3, misalignment: 2x radial, often above 1x, and axial 1x (from memory)",
    advice: "check the alignment of the coupled shafts hot and cold, then the coupling itself",
    score: |case| score(case),
    proofs: &["misalignment"],
    rivals: RIVALS,
};

/// A raised second order on a shaft without a coupling.
pub const RAISED_2X: Signature = Signature {
    id: "raised_2x",
    title: "raised 2x",
    kind: Kind::Observation,
    needs: &[Need::Speed, Need::NoCoupling],
    source: "ISO 13373-3 (from memory); without a coupling there is no misalignment",
    advice: "no coupling is stated: look for a bore out of line, an oval journal, a magnet with unequal poles or looseness",
    score: |case| score(case),
    proofs: &["misalignment"],
    rivals: RIVALS,
};

/// What raises 2x too.
const RIVALS: &[Rival] = &[
    Rival {
        id: "looseness",
        parted_by: "looseness shows half orders or thirds beside many harmonics, with an unsteady phase",
    },
    Rival { id: "rub", parted_by: "a rub begins at some speed, with fractions of the order" },
];

/// Ratio of 2x to 1x in velocity that weighs as much for as against before calibration: half is
/// called a warning sign (common practice, no source).
const NOTABLE_RATIO: f64 = 0.4;
/// Highest 2x in velocity, in parts of what is allowed to 1x, that weighs as much for as against before
/// calibration (judgement, no source).
const NOTABLE_SHARE: f64 = 0.1;
/// What the ratio weighs against the share of the limit: a well-balanced rotor has a high ratio with hardly any
/// 2x.
const RATIO_BESIDE_LIMIT: f64 = 0.3;
/// Second-order signal-to-noise below which nothing is said.
const LEAST_SIGNAL_TO_NOISE: f64 = 4.0;

fn score(case: &Case) -> Vec<Score> {
    let axial = axial_share(case);
    let radial = case.views().filter(|view| !view.is_axial());
    let scores = radial.filter_map(|view| score_view(&view, axial));
    scores.max_by(Score::by_weight).into_iter().collect()
}

fn score_view(view: &View, axial: Option<f64>) -> Option<Score> {
    let second = SecondOrder::of(view)?;
    let share = share_of_limit(view, &second);
    let ratio = (second.ratio / NOTABLE_RATIO).max(1e-4).ln();
    let mut log_odds = match share {
        Some(share) => 2.5 * (RATIO_BESIDE_LIMIT * ratio + (share / NOTABLE_SHARE).max(1e-4).ln()),
        None => 3.0 * ratio,
    };
    let mut evidence = vec![ratio_evidence(second.ratio)];
    evidence.extend(share.map(share_evidence));
    if let Some(axial) = axial {
        log_odds += 1.5 * (axial / 0.5).max(1e-3).ln().clamp(-1.5, 1.5);
        let text = format!("axial 1x and 2x are {} times the radial ones", three_digits(axial));
        evidence.push(Evidence::new("axial_over_radial", axial, "", text));
    }
    if second.signal_to_noise < LEAST_SIGNAL_TO_NOISE {
        log_odds = log_odds.min(-4.0);
        evidence.push(Evidence::new(
            "order2_over_noise",
            second.signal_to_noise,
            "",
            format!("2x stands only {:.1} times above the noise beside it", second.signal_to_noise),
        ));
    }
    Some(Score {
        place: Some(view.place()),
        channel: Some(view.name().to_owned()),
        basis: if share.is_some() { "limit" } else { "ratio" },
        log_odds,
        evidence,
        severity: None,
        cannot_tell: view.untrusted(),
        advice: None,
    })
}

fn ratio_evidence(ratio: f64) -> Evidence {
    let text = format!(
        "2x is {} times 1x in velocity, away from resonances of either",
        three_digits(ratio)
    );
    Evidence::new("order2_over_order1", ratio, "", text)
}

fn share_evidence(share: f64) -> Evidence {
    let text = format!(
        "2x reaches {} times what the machine file allows to 1x where its limit holds, away from resonances of \
         either",
        three_digits(share)
    );
    Evidence::new("order2_over_order1_limit", share, "", text)
}

/// Highest 2x in velocity over the limit of 1x in velocity, at a housing whose levels are absolute; `None` where the
/// limit holds at none of the speeds.
fn share_of_limit(view: &View, second: &SecondOrder) -> Option<f64> {
    let limit = view.case.machine.limits.order1_mm_s_rms?;
    let absolute = view.measures_motion() && !view.looks_at_shaft();
    let highest_m_s = second.highest_m_s.filter(|_| absolute)?;
    Some(1e3 * Amplitude::Rms.from_peak() * highest_m_s / limit)
}

/// The second order against the first.
struct SecondOrder {
    ratio: f64,
    signal_to_noise: f64,
    /// Highest amplitude of velocity in m/s peak at the speeds at which limits hold; `None` where they hold at none.
    highest_m_s: Option<f64>,
}

impl SecondOrder {
    /// Median ratio of 2x to 1x in velocity over the upper speeds, leaving out where either crosses a
    /// critical speed: there the resonance, not the force, makes the ratio.
    fn of(view: &View) -> Option<Self> {
        let first = view.track_as(1.0, Quantity::Velocity)?;
        let second = view.track_as(2.0, Quantity::Velocity)?;
        let top = second.rpm.iter().copied().fold(0.0, f64::max);
        let criticals = view.criticals();
        let clear = |rpm: f64| {
            criticals.iter().all(|c| {
                let near = |order: f64| (order * rpm / c.rpm - 1.0).abs() < 0.25;
                !near(1.0) && !near(2.0)
            })
        };
        let chosen = |rpm: f64| (0.5 * top..=top).contains(&rpm) && clear(rpm);
        let (first, second) = (first.where_rpm(chosen), second.where_rpm(chosen));
        if second.is_empty() || first.len() != second.len() {
            return None;
        }
        let amplitudes = second.amplitudes();
        let over = |others: &[f64]| -> f64 {
            let pairs = amplitudes.iter().zip(others);
            let ratios: Vec<f64> = pairs.map(|(a, b)| a / b.max(f64::MIN_POSITIVE)).collect();
            stats::median(&ratios)
        };
        Some(Self {
            ratio: over(&first.amplitudes()),
            signal_to_noise: over(&second.errors),
            highest_m_s: (levels::counted(view, &second).amplitudes().into_iter()).reduce(f64::max),
        })
    }
}

/// Axial over radial velocity of 1x and 2x together, where both directions are recorded by sensors that can be
/// trusted.
fn axial_share(case: &Case) -> Option<f64> {
    let strength = |axial: bool| {
        let of_view = |view: View| {
            let tracks = [1.0, 2.0].map(|order| view.track_as(order, Quantity::Velocity));
            tracks.iter().flatten().map(mean_power).sum::<f64>().sqrt()
        };
        let trusted = case.views().filter(|view| view.untrusted().is_none());
        trusted.filter(|view| view.is_axial() == axial).map(of_view).fold(None, larger)
    };
    let (axial, radial) = (strength(true)?, strength(false)?);
    (radial > 0.0).then(|| axial / radial)
}

fn larger(best: Option<f64>, value: f64) -> Option<f64> {
    Some(best.map_or(value, |b| b.max(value)))
}

fn mean_power(track: &Track) -> f64 {
    track.phasors.iter().map(|c| c.norm_sqr()).sum::<f64>() / track.len().max(1) as f64
}
