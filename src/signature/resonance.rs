//! Critical speeds crossed: the first order peaks and turns its phase.

use super::{Evidence, Kind, Need, Score, Signature};
use crate::angle::critical::Critical;
use crate::angle::critical::margin::{self, Met, Side};
use crate::case::{Case, View};
use crate::spectrum::tap::Ringing;
use crate::units::grouped;

/// A critical speed and a mode that rings at standstill may be the same where they are closer than this,
/// besides their uncertainty: a turning shaft loads its bearings and warms them (common practice, no
/// source).
const TAP_ALLOWANCE: f64 = 0.03;

/// A resonance of rotor or casing crossed by the first order.
pub const SIGNATURE: Signature = Signature {
    id: "resonance",
    title: "critical speed",
    kind: Kind::Observation,
    needs: &[Need::Speed, Need::RunUp],
    source: "ISO 13373-2, resonance; amplification factor and separation margins as in the API standard paragraphs 6.8.2 (both from memory)",
    advice: "keep the service speeds clear of it",
    score,
    proofs: &["resonance"],
};

/// A critical speed, and the channel that tells it.
struct Told<'a> {
    critical: Critical,
    view: View<'a>,
}

impl Told<'_> {
    /// Whether another critical speed is the same within two standard errors, or one of a split pair whose other
    /// is on the far side of this one: then this is the two of them, not parted.
    fn is_told_by(&self, told: &[Told]) -> bool {
        let near = |other: &Critical| {
            let error = self.critical.rpm_error.hypot(other.rpm_error);
            (self.critical.rpm - other.rpm).abs() <= 2.0 * error
        };
        let between = |one: &Told| {
            let pairs = told.iter().filter(|other| other.view.name() == one.view.name());
            let (rpm, low) = (self.critical.rpm, one.critical.rpm);
            one.critical.is_pair
                && pairs
                    .clone()
                    .any(|other| other.critical.is_pair && low < rpm && rpm < other.critical.rpm)
        };
        told.iter().any(|one| near(&one.critical) || between(one))
    }
}

fn score(case: &Case) -> Vec<Score> {
    let mut views: Vec<(Critical, View)> =
        case.views().filter_map(|view| Some((view.critical()?, view))).collect();
    // the clearest channel first
    views.sort_by(|a, b| b.0.improvement.total_cmp(&a.0.improvement));
    let mut told: Vec<Told> = Vec::new();
    for (main, view) in &views {
        let others = view.criticals().iter().filter(|other| *other != main);
        let own = std::iter::once(main).chain(others);
        let own = own.map(|critical| Told { critical: *critical, view: *view });
        // those of one channel are parted already
        let new: Vec<Told> = own.filter(|one| !one.is_told_by(&told)).collect();
        told.extend(new);
    }
    score_of(&told).into_iter().collect()
}

/// The strongest critical speed of the clearest channel first, then its others, then what only other channels
/// tell; their keys numbered.
fn score_of(told: &[Told]) -> Option<Score> {
    let Told { critical: main, view } = told.first()?;
    let mut evidence = evidence_of(told.first()?, told);
    // after what is said of the main one, before the others
    evidence.push(Evidence::new(
        "fit_improvement",
        main.improvement,
        "",
        format!(
            "with a resonance the misfit of the 1x {} is {:.1} times smaller than without",
            if main.with_phase { "amplitude and phase" } else { "amplitude" },
            main.improvement
        ),
    ));
    for (number, other) in (2..).zip(told.iter().skip(1)) {
        evidence.extend(evidence_of(other, told).into_iter().map(|item| numbered(item, number)));
    }
    Some(Score {
        place: Some(view.place()),
        channel: Some(view.name().to_owned()),
        basis: if main.with_phase { "phase" } else { "amplitude" },
        log_odds: 3.0 * main.improvement.ln(),
        evidence,
        severity: None,
        cannot_tell: None,
        advice: None,
    })
}

/// What is said of one critical speed. Where several are told, each sentence names its own; where several
/// channels tell them, its channel too.
fn evidence_of(one: &Told, told: &[Told]) -> Vec<Evidence> {
    let Told { critical, view } = one;
    let name = view.name();
    let channel = if told.iter().any(|other| other.view.name() != name) {
        format!("channel {name}: ")
    } else {
        String::new()
    };
    let speed = if told.len() > 1 {
        format!("critical speed at {} rpm: ", grouped(critical.rpm))
    } else {
        String::new()
    };
    let mut evidence = vec![place(critical, view.criticals())];
    evidence.extend(
        details(critical, view)
            .into_iter()
            .map(|item| Evidence { text: format!("{speed}{}", item.text), ..item }),
    );
    let named = |item: Evidence| Evidence { text: format!("{channel}{}", item.text), ..item };
    evidence.into_iter().map(named).collect()
}

/// Keys are told once: those of the second critical speed end in `_2`, and so on.
fn numbered(item: Evidence, number: usize) -> Evidence {
    Evidence { key: format!("{}_{number}", item.key), ..item }
}

fn place(critical: &Critical, all: &[Critical]) -> Evidence {
    let partner = all
        .iter()
        .filter(|other| critical.is_pair && other.is_pair && *other != critical)
        .min_by(|a, b| (a.rpm - critical.rpm).abs().total_cmp(&(b.rpm - critical.rpm).abs()));
    let pair = partner.map_or_else(String::new, |other| {
        format!(
            "; with {} rpm a split pair, as of supports that are not equally stiff all round",
            grouped(other.rpm)
        )
    });
    Evidence::new(
        "critical_rpm",
        critical.rpm,
        "rpm",
        format!(
            "at {} ± {} rpm, amplification {:.1} ± {:.1}{pair}",
            grouped(critical.rpm),
            grouped(critical.rpm_error.max(1.0)),
            critical.amplification,
            critical.amplification_error.max(0.1)
        ),
    )
}

/// Margin, what rings at standstill, half-power amplification, and run-up against run-down.
fn details(critical: &Critical, view: &View) -> Vec<Evidence> {
    let mut evidence = margins(critical, view);
    evidence.extend(at_standstill(critical, view));
    evidence.push(half_power(critical));
    evidence.extend(both_ways(critical));
    evidence
}

fn half_power(critical: &Critical) -> Evidence {
    let (factor, error) = critical.half_power_factor();
    let speeds = critical.half_power();
    Evidence::new(
        "half_power_amplification",
        factor,
        "",
        format!(
            "amplification factor {factor:.1} ± {:.1} by the half-power speeds {} and {} rpm about the \
             peak at {} rpm",
            error.max(0.1),
            grouped(speeds.low_rpm),
            grouped(speeds.high_rpm),
            grouped(speeds.peak_rpm)
        ),
    )
}

fn margins(critical: &Critical, view: &View) -> Vec<Evidence> {
    let Some(operating) = view.case.operating() else { return Vec::new() };
    let (high, source) = (operating.high_rpm, &operating.source);
    let low = operating.low_rpm.unwrap_or(high);
    let found = margin::margin(critical, low, high);
    let speeds = if low < high {
        format!("operating speeds of {} to {} rpm ({source})", grouped(low), grouped(high))
    } else {
        format!("operating speed of {} rpm ({source})", grouped(high))
    };
    let side = match found.side {
        Side::Below => "below",
        Side::Within => "within",
        Side::Above => "above",
    };
    let verdict = match found.met {
        Met::Yes => "met",
        Met::No => "not met",
        Met::CannotTell => "cannot be told within the uncertainty",
    };
    vec![
        Evidence::new(
            "separation_margin_percent",
            found.actual_percent,
            "%",
            format!(
                "its peak lies {:.1} ± {:.1} % {side} the {speeds}",
                found.actual_percent.abs(),
                found.error_percent.max(0.1)
            ),
        ),
        Evidence::new(
            "required_margin_percent",
            found.required_percent,
            "%",
            format!(
                "a separation margin of {:.1} % is asked for at this amplification factor: {verdict}",
                found.required_percent
            ),
        ),
    ]
}

fn both_ways(critical: &Critical) -> Vec<Evidence> {
    let (Some(up), Some(down), Some(difference)) =
        (critical.up, critical.down, critical.sweep_difference())
    else {
        return Vec::new();
    };
    let told = if difference.is_real() {
        "beyond their uncertainty: temperature, or supports that are not linear"
    } else {
        "within their uncertainty"
    };
    vec![Evidence::new(
        "run_up_less_run_down_rpm",
        difference.rpm,
        "rpm",
        format!(
            "{} rpm on the way up, {} on the way down: they differ by {} ± {} rpm, {told}",
            grouped(up.rpm),
            grouped(down.rpm),
            grouped(difference.rpm.abs()),
            grouped(difference.rpm_error.max(1.0))
        ),
    )]
}

fn at_standstill(critical: &Critical, view: &View) -> Option<Evidence> {
    let tapped = view.tapped()?;
    let hz = critical.rpm / 60.0;
    let nearest = tapped
        .modes
        .iter()
        .min_by(|a, b| (a.hz / hz).ln().abs().total_cmp(&(b.hz / hz).ln().abs()));
    let same = nearest.filter(|mode| is_same(critical, mode));
    Some(match same {
        Some(mode) => Evidence::new(
            "rings_at_standstill_hz",
            mode.hz,
            "Hz",
            format!(
                "rings at standstill too, at {:.1} ± {:.1} Hz ({} rpm, {:.1} % from it): not the rotation \
                 alone, but the stand, the casing, or the rotor on its bearings",
                mode.hz,
                mode.hz_error.max(0.1),
                grouped(60.0 * mode.hz),
                100.0 * (60.0 * mode.hz / critical.rpm - 1.0).abs()
            ),
        ),
        None => Evidence::new(
            "taps_without_it",
            tapped.taps as f64,
            "",
            format!("not seen at standstill, in {} taps", tapped.taps),
        ),
    })
}

/// Whether a mode at standstill lies at the critical speed, within both uncertainties and the allowance.
fn is_same(critical: &Critical, mode: &Ringing) -> bool {
    let (rpm, error) = (60.0 * mode.hz, 60.0 * mode.hz_error);
    let reach = 2.0 * critical.rpm_error.hypot(error) + TAP_ALLOWANCE * critical.rpm;
    (rpm - critical.rpm).abs() <= reach
}
