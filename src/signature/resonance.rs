//! A critical speed crossed: the first order peaks and turns its phase.

use super::{Evidence, Kind, Need, Score, Signature};
use crate::angle::critical::Critical;
use crate::case::{Case, View};
use crate::units::grouped;

/// A resonance of rotor or casing crossed by the first order.
pub const SIGNATURE: Signature = Signature {
    id: "resonance",
    title: "critical speed",
    kind: Kind::Observation,
    needs: &[Need::Speed, Need::RunUp],
    source: "ISO 13373-2, resonance; amplification factor as in the API standard paragraphs (both from memory)",
    advice: "keep the service speeds clear of it",
    score,
    proofs: &["resonance"],
};

fn score(case: &Case) -> Vec<Score> {
    let best = case
        .views()
        .filter_map(|view| Some((view.critical()?, view)))
        .max_by(|a, b| a.0.improvement.total_cmp(&b.0.improvement));
    best.map(|(critical, view)| score_critical(&critical, &view)).into_iter().collect()
}

fn score_critical(critical: &Critical, view: &View) -> Score {
    let basis = if critical.with_phase { "phase" } else { "amplitude" };
    let mut evidence = vec![
        Evidence::new(
            "critical_rpm",
            critical.rpm,
            "rpm",
            format!(
                "at {} ± {} rpm, amplification {:.1} ± {:.1}",
                grouped(critical.rpm),
                grouped(critical.rpm_error.max(1.0)),
                critical.amplification,
                critical.amplification_error.max(0.1)
            ),
        ),
        Evidence::new(
            "fit_improvement",
            critical.improvement,
            "",
            format!(
                "with a resonance the misfit of the 1x {} is {:.1} times smaller than without",
                if critical.with_phase { "amplitude and phase" } else { "amplitude" },
                critical.improvement
            ),
        ),
    ];
    if let Some(speed) = &view.case.speed {
        let top = speed.range_rpm().1;
        let margin = 100.0 * (top / critical.rpm - 1.0);
        evidence.push(Evidence::new(
            "separation_margin_percent",
            margin,
            "%",
            format!(
                "the top speed of {} rpm lies {:.0} % {} it",
                grouped(top),
                margin.abs(),
                if margin >= 0.0 { "above" } else { "below" }
            ),
        ));
    }
    Score {
        place: Some(view.place()),
        channel: Some(view.name().to_owned()),
        basis,
        log_odds: 3.0 * critical.improvement.ln(),
        evidence,
        severity: None,
        cannot_tell: None,
        advice: None,
    }
}
