//! A raised second order: misalignment where there is a coupling, an observation where there is none.

use super::{Evidence, Kind, Need, Rival, Score, Signature};
use crate::angle::Track;
use crate::case::{Case, View};
use crate::dsp::stats;
use crate::units::{Quantity, three_digits};

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
/// Second-order signal-to-noise below which nothing is said.
const LEAST_SIGNAL_TO_NOISE: f64 = 4.0;

fn score(case: &Case) -> Vec<Score> {
    let radial = case.views().filter(|view| !view.is_axial());
    let best = radial
        .filter_map(|view| Some((ratio_of_orders(&view)?, view)))
        .max_by(|a, b| a.0.ratio.total_cmp(&b.0.ratio));
    let Some((second, view)) = best else { return Vec::new() };
    let mut log_odds = 3.0 * (second.ratio / NOTABLE_RATIO).max(1e-4).ln();
    let mut evidence = vec![Evidence::new(
        "order2_over_order1",
        second.ratio,
        "",
        format!(
            "2x is {} times 1x in velocity, away from resonances of either",
            three_digits(second.ratio)
        ),
    )];
    if let Some(axial) = axial_share(case) {
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
    vec![Score {
        place: Some(view.place()),
        channel: Some(view.name().to_owned()),
        basis: "ratio",
        log_odds,
        evidence,
        severity: None,
        cannot_tell: None,
        advice: None,
    }]
}

struct SecondOrder {
    ratio: f64,
    signal_to_noise: f64,
}

/// Median ratio of 2x to 1x in velocity over the upper speeds, leaving out where either crosses a
/// critical speed: there the resonance, not the force, makes the ratio.
fn ratio_of_orders(view: &View) -> Option<SecondOrder> {
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
    let ratios: Vec<f64> = second
        .amplitudes()
        .iter()
        .zip(first.amplitudes())
        .map(|(two, one)| two / one.max(f64::MIN_POSITIVE))
        .collect();
    let to_noise: Vec<f64> = second
        .amplitudes()
        .iter()
        .zip(&second.errors)
        .map(|(two, error)| two / error.max(f64::MIN_POSITIVE))
        .collect();
    Some(SecondOrder { ratio: stats::median(&ratios), signal_to_noise: stats::median(&to_noise) })
}

/// Axial over radial velocity of 1x and 2x together, where both directions are recorded.
fn axial_share(case: &Case) -> Option<f64> {
    let strength = |axial: bool| {
        let of_view = |view: View| {
            let tracks = [1.0, 2.0].map(|order| view.track_as(order, Quantity::Velocity));
            tracks.iter().flatten().map(mean_power).sum::<f64>().sqrt()
        };
        case.views().filter(|view| view.is_axial() == axial).map(of_view).fold(None, larger)
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
