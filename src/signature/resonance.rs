//! Critical speeds crossed: the first order peaks and turns its phase.

use super::{Evidence, Kind, Need, Score, Signature};
use crate::angle::critical::Critical;
use crate::angle::critical::margin::{self, Met, Side};
use crate::case::{Case, View};
use crate::spectrum::tap::{Ringing, TapResponse};
use crate::units::{grouped, rpm_with_error};

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
    rivals: &[],
};

/// Two channels tell the same critical speed where theirs differ by no more than this many standard errors.
const SAME_SIGMAS: f64 = 3.0;

/// A critical speed, and the channel that tells it.
struct Told<'a> {
    critical: Critical,
    view: View<'a>,
}

fn score(case: &Case) -> Vec<Score> {
    let mut views: Vec<(Critical, View)> =
        case.views().filter_map(|view| Some((view.critical()?, view))).collect();
    // the clearest channel first
    views.sort_by(|a, b| b.0.improvement.total_cmp(&a.0.improvement));
    let channels: Vec<Vec<Critical>> = views
        .iter()
        .map(|(main, view)| {
            let others = view.criticals().iter().filter(|other| *other != main);
            std::iter::once(main).chain(others).copied().collect()
        })
        .collect();
    let told = told_once(&channels).into_iter();
    let told: Vec<Told> = told
        .filter_map(|(channel, critical)| Some(Told { critical, view: views.get(channel)?.1 }))
        .collect();
    score_of(&told).into_iter().collect()
}

/// Each critical speed of several channels once, by the first channel that tells it, given as its place in the
/// list. A single one that another channel parts into two is left to that channel, wherever it stands in the list.
fn told_once(channels: &[Vec<Critical>]) -> Vec<(usize, Critical)> {
    let mut told: Vec<(usize, Critical)> = Vec::new();
    for (place, own) in channels.iter().enumerate() {
        let is_told = |one: &Critical| told.iter().any(|(_, other)| is_same_critical(one, other));
        let is_parted = |one: &Critical| {
            let mut others = channels.iter().enumerate().filter(|(other, _)| *other != place);
            others.any(|(_, all)| is_two_of(one, all))
        };
        // those of one channel are parted already
        let new: Vec<(usize, Critical)> = (own.iter())
            .filter(|one| !is_told(one) && !is_parted(one))
            .map(|one| (place, *one))
            .collect();
        told.extend(new);
    }
    told
}

fn is_same_critical(one: &Critical, other: &Critical) -> bool {
    let error = one.rpm_error.hypot(other.rpm_error);
    (one.rpm - other.rpm).abs() <= SAME_SIGMAS * error
}

/// Whether a single critical speed is a split pair of another channel, not parted: both partners lie on either
/// side of it and within its own half-power width.
fn is_two_of(one: &Critical, all: &[Critical]) -> bool {
    let reach = 0.5 * one.rpm / one.amplification;
    let is_near = |other: &Critical| (other.rpm - one.rpm).abs() <= reach;
    !one.is_pair
        && all.iter().any(|low| {
            partner(low, all).is_some_and(|high| {
                low.rpm < one.rpm && one.rpm < high.rpm && is_near(low) && is_near(high)
            })
        })
}

/// The other critical speed of a split pair in the same channel.
fn partner<'a>(critical: &Critical, all: &'a [Critical]) -> Option<&'a Critical> {
    all.iter()
        .filter(|other| critical.is_pair && other.is_pair && *other != critical)
        .min_by(|a, b| (a.rpm - critical.rpm).abs().total_cmp(&(b.rpm - critical.rpm).abs()))
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
    let pair = partner(critical, all).map_or_else(String::new, |other| {
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
            "at {} rpm, amplification {:.1} ± {:.1}{pair}",
            rpm_with_error(critical.rpm, critical.rpm_error),
            critical.amplification,
            critical.amplification_error.max(0.1)
        ),
    )
}

/// Margin, what rings at standstill, half-power amplification, and run-up against run-down.
fn details(critical: &Critical, view: &View) -> Vec<Evidence> {
    let mut evidence = margins(critical, view);
    evidence.extend(view.tapped().map(|tapped| at_standstill(critical, tapped)));
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
            "{} rpm on the way up, {} on the way down: they differ by {} rpm, {told}",
            grouped(up.rpm),
            grouped(down.rpm),
            rpm_with_error(difference.rpm.abs(), difference.rpm_error)
        ),
    )]
}

fn at_standstill(critical: &Critical, tapped: &TapResponse) -> Evidence {
    let hz = critical.rpm / 60.0;
    let nearest = tapped
        .modes
        .iter()
        .min_by(|a, b| (a.hz / hz).ln().abs().total_cmp(&(b.hz / hz).ln().abs()));
    if let Some(mode) = nearest.filter(|mode| is_same(critical, mode)) {
        return Evidence::new(
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
        );
    }
    let [low_hz, high_hz] = tapped.searched_hz;
    let reach_hz = reach_rpm(critical, 0.0) / 60.0;
    if hz - reach_hz < low_hz || hz + reach_hz > high_hz {
        return Evidence::new(
            "outside_taps_hz",
            hz,
            "Hz",
            format!(
                "the taps tell nothing here: they are heard from {} to {} Hz",
                grouped(low_hz),
                grouped(high_hz)
            ),
        );
    }
    let noun = if tapped.taps == 1 { "tap" } else { "taps" };
    Evidence::new(
        "taps_without_it",
        tapped.taps as f64,
        "",
        format!("not seen at standstill, in {} {noun}", tapped.taps),
    )
}

/// Whether a mode at standstill lies at the critical speed, within both uncertainties and the allowance.
fn is_same(critical: &Critical, mode: &Ringing) -> bool {
    (60.0 * mode.hz - critical.rpm).abs() <= reach_rpm(critical, 60.0 * mode.hz_error)
}

/// How far from a critical speed a mode of that standard error may ring and be the same, in rpm.
fn reach_rpm(critical: &Critical, error_rpm: f64) -> f64 {
    2.0 * critical.rpm_error.hypot(error_rpm) + TAP_ALLOWANCE * critical.rpm
}

#[cfg(test)]
mod tests {
    use super::*;

    fn single(rpm: f64, amplification: f64) -> Critical {
        Critical { rpm_error: 0.001 * rpm, ..Critical::example(rpm, amplification) }
    }

    fn pair(low_rpm: f64, high_rpm: f64) -> Vec<Critical> {
        let one = |rpm| Critical { is_pair: true, ..single(rpm, 12.0) };
        vec![one(low_rpm), one(high_rpm)]
    }

    fn told(channels: &[Vec<Critical>]) -> Vec<(usize, f64)> {
        told_once(channels).into_iter().map(|(place, critical)| (place, critical.rpm)).collect()
    }

    #[test]
    fn a_pair_that_one_channel_does_not_part_is_told_as_a_pair_in_any_order() {
        let (blurred, parted) = (vec![single(41_000.0, 6.0)], pair(40_000.0, 42_000.0));
        let both = [(0, 40_000.0), (0, 42_000.0)];
        assert_eq!(told(&[parted.clone(), blurred.clone()]), both);
        assert_eq!(told(&[blurred.clone(), parted.clone()]), [(1, 40_000.0), (1, 42_000.0)]);
        assert_eq!(told(&[blurred.clone(), parted, blurred]), [(1, 40_000.0), (1, 42_000.0)]);
    }

    #[test]
    fn a_mode_that_is_no_blurred_pair_is_told() {
        // between two pairs, and so narrow that it is no two modes of either
        let mut pairs = pair(40_000.0, 41_000.0);
        pairs.extend(pair(50_000.0, 51_000.0));
        let narrow = vec![single(45_000.0, 15.0)];
        assert_eq!(told(&[pairs.clone(), narrow.clone()]).len(), 5);
        assert_eq!(told(&[narrow, pairs.clone()]).len(), 5);
        // between the partners themselves, as far apart as partners can be
        let between = vec![single(41_000.0, 15.0)];
        assert_eq!(told(&[pair(36_000.0, 46_000.0), between.clone()]).len(), 3);
        assert_eq!(told(&[between, pair(36_000.0, 46_000.0)]).len(), 3);
        // so broad that it reaches partners of neither pair only, but the near ones of both
        let broad = vec![single(45_500.0, 4.0)];
        assert_eq!(told(&[pairs, broad]).len(), 5);
    }

    #[test]
    fn channels_tell_the_same_within_three_standard_errors() {
        // standard errors of 40 and 40 rpm make 57 together
        let one = vec![single(40_000.0, 8.0)];
        assert_eq!(told(&[one.clone(), vec![single(40_160.0, 8.0)]]).len(), 1);
        assert_eq!(told(&[one, vec![single(40_180.0, 8.0)]]).len(), 2);
    }

    #[test]
    fn taps_tell_only_of_the_band_in_which_they_are_heard() {
        let tapped = |taps: usize| TapResponse {
            channel: "front".to_owned(),
            taps,
            searched_hz: [150.0, 1_000.0],
            modes: Vec::new(),
            remarks: Vec::new(),
        };
        let of = |hz: f64| at_standstill(&single(60.0 * hz, 8.0), &tapped(10));
        // what lies within 3 % and two standard errors of 0.1 % must be heard too
        for hz in [160.0, 500.0, 960.0] {
            let item = of(hz);
            assert_eq!((item.key.as_str(), item.value), ("taps_without_it", 10.0), "{item:?}");
            assert_eq!(item.text, "not seen at standstill, in 10 taps");
        }
        for hz in [100.0, 152.0, 980.0, 1_400.0] {
            let item = of(hz);
            assert_eq!((item.key.as_str(), item.value), ("outside_taps_hz", hz), "{item:?}");
            assert_eq!(item.text, "the taps tell nothing here: they are heard from 150 to 1000 Hz");
        }
        let item = at_standstill(&single(30_000.0, 8.0), &tapped(1));
        assert_eq!(item.text, "not seen at standstill, in 1 tap");
    }
}
