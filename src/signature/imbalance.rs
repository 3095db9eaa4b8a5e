//! Imbalance: the first order leads, grows as unbalance does, and keeps its phase.

use super::{Evidence, Kind, Need, Rival, Score, Severity, Signature};
use crate::angle::growth::{self, Growth, Regime};
use crate::case::{Case, Level, View};
use crate::dsp::stats;
use crate::units::{Quantity, grouped, three_digits};

/// Imbalance of the rotor.
pub const SIGNATURE: Signature = Signature {
    id: "imbalance",
    title: "imbalance",
    kind: Kind::Fault,
    needs: &[Need::Speed],
    source: "ISO 13373-3, imbalance; growth law: Thomson, Theory of Vibration (both from memory)",
    advice: "balance it: the rotor is heavy on one side",
    score,
    proofs: &["imbalance"],
    rivals: &[Rival {
        id: "bent_shaft",
        parted_by: "a bent shaft shows at slow roll to a displacement sensor at the shaft, in the direction of its unbalance",
    }],
};

/// Velocity in mm/s rms at which the first order weighs as much for as against, where no limit is
/// stated. The calibration moves it; it only sets the scale.
const NOTABLE_MM_S_RMS: f64 = 2.8;
/// First-order signal-to-noise below which nothing is said.
const LEAST_SIGNAL_TO_NOISE: f64 = 4.0;

fn score(case: &Case) -> Vec<Score> {
    case.views().filter(|view| !view.is_axial()).filter_map(|view| score_view(&view)).collect()
}

fn score_view(view: &View) -> Option<Score> {
    let velocity = view.track_as(1.0, Quantity::Velocity)?;
    if velocity.is_empty() {
        return None;
    }
    let mut evidence = Vec::new();
    let snr = signal_to_noise(view)?;
    let dominance = dominance(view)?;
    let limited = worst_limited(view);
    let mut log_odds = match limited.and_then(Level::ratio) {
        Some(ratio) => 8.0 * ratio.max(1e-3).ln(),
        None => (dominance / 3.0).ln(),
    };
    let mut basis = if limited.is_some() { "limit" } else { "relative" };
    if let Some(level) = first_order_level(view, limited) {
        if limited.is_none() {
            basis = "absolute";
            log_odds += 1.5 * (level.value.max(1e-6) / NOTABLE_MM_S_RMS).ln();
        }
        evidence.push(level_evidence(level));
    } else {
        evidence.extend(relative_evidence(view));
    }
    evidence.push(Evidence::new(
        "order1_over_other_orders",
        dominance,
        "",
        format!(
            "1x carries {} times the power of all other orders up to 10x",
            three_digits(dominance)
        ),
    ));
    for law in growth_laws(view) {
        let (is, expected) = law.in_quantity(Quantity::Velocity);
        // slower growth speaks for another force (a bow, a magnet); faster growth for the next mode
        log_odds -= expected.map_or(0.0, |expected| 0.5 * (expected - is - 1.0).clamp(0.0, 3.0));
        evidence.push(growth_evidence(&law, is, expected));
    }
    evidence.extend(phase_evidence(view));
    if snr < LEAST_SIGNAL_TO_NOISE {
        log_odds = log_odds.min(-4.0);
    }
    // how much is too much only a limit says
    let cannot_tell = match basis {
        "limit" => None,
        "absolute" => Some("no limit is stated for the first order".to_owned()),
        _ => Some("levels of an uncalibrated channel are relative".to_owned()),
    };
    Some(Score {
        place: Some(view.place()),
        channel: Some(view.name().to_owned()),
        basis,
        log_odds,
        evidence,
        severity: limited.and_then(severity),
        cannot_tell,
        advice: first_order_level(view, limited).and_then(advice),
    })
}

/// What to do, with the speed that was judged: where the order is highest need not be the service speed.
fn advice(level: &Level) -> Option<String> {
    let rpm = grouped(level.at_rpm?);
    Some(format!("{}, judged at {rpm} rpm, where its level is highest", SIGNATURE.advice))
}

/// The channel's level closest to (or furthest beyond) a limit that the first order has to keep.
fn worst_limited<'a>(view: &View<'a>) -> Option<&'a Level> {
    first_order_levels(view)
        .filter(|level| level.limit.is_some())
        .max_by(|a, b| a.ratio().unwrap_or(0.0).total_cmp(&b.ratio().unwrap_or(0.0)))
}

fn first_order_levels<'a>(view: &View<'a>) -> impl Iterator<Item = &'a Level> {
    let name = view.name();
    let levels = view.case.levels().iter();
    levels.filter(move |level| level.channel == name && level.id.starts_with("order1"))
}

fn first_order_level<'a>(view: &View<'a>, limited: Option<&'a Level>) -> Option<&'a Level> {
    limited.or_else(|| first_order_levels(view).find(|level| level.id == "order1_velocity"))
}

fn severity(level: &Level) -> Option<Severity> {
    Some(Severity {
        ratio: level.ratio()?,
        uncertainty: level.uncertainty,
        limit: format!("{} {} {}", level.name, three_digits(level.limit?), level.unit),
    })
}

fn level_evidence(level: &Level) -> Evidence {
    let unit_key = level.unit.replace("m/s2", "m_s2").replace([' ', '/'], "_").replace("p-p", "pp");
    let at = level.at_rpm.map_or(String::new(), |rpm| format!(" at {} rpm", grouped(rpm)));
    let limit = match level.limit {
        Some(limit) => format!("; the machine file allows {}", three_digits(limit)),
        None => "; no limit is stated".to_owned(),
    };
    Evidence::new(
        &format!("order1_{unit_key}"),
        level.value,
        &level.unit,
        format!("1x {} {}{at}{limit}", three_digits(level.value), level.unit),
    )
}

/// The first order of an uncalibrated channel: good for comparing recordings of one chain only.
fn relative_evidence(view: &View) -> Option<Evidence> {
    let track = view.order_map()?.track(1.0)?;
    let top = track.rpm.iter().copied().fold(0.0, f64::max);
    let amplitude = stats::median(&track.where_rpm(|rpm| rpm >= 0.7 * top).amplitudes());
    let unit = view.channel.spec.unit().symbol();
    let text = format!("1x {} {unit} peak, uncalibrated: relative only", three_digits(amplitude));
    Some(Evidence::new("order1_relative", amplitude, &format!("{unit} peak"), text))
}

/// First-order amplitude over its standard error, as the median of the upper half of speeds.
fn signal_to_noise(view: &View) -> Option<f64> {
    let track = upper_speeds(view)?;
    let ratios: Vec<f64> = track
        .phasors
        .iter()
        .zip(&track.errors)
        .map(|(c, e)| c.norm() / e.max(f64::MIN_POSITIVE))
        .collect();
    Some(stats::median(&ratios))
}

fn upper_speeds(view: &View) -> Option<crate::angle::Track> {
    let track = view.displacement()?;
    let top = track.rpm.iter().copied().fold(0.0, f64::max);
    Some(track.where_rpm(|rpm| rpm >= 0.7 * top))
}

/// Power of the first order over that of all other orders from 0.3 to 10, in velocity, at the upper
/// speeds; bounded to 10 000.
pub(super) fn dominance(view: &View) -> Option<f64> {
    let map = view.order_map()?;
    let top = map.rpm.iter().copied().fold(0.0, f64::max);
    let spectrum = map.order_spectrum_where(|rpm| rpm >= 0.7 * top);
    let steps = 1 - view.quantity().derivative_of_displacement().unwrap_or(1);
    let (mut first, mut rest) = (0.0, 0.0);
    for (k, amplitude) in spectrum.iter().enumerate() {
        let order = k as f64 * map.order_step();
        if !(0.3..=10.0).contains(&order) {
            continue;
        }
        let power = (amplitude * order.powi(steps)).powi(2);
        if (order - 1.0).abs() < 2.5 * map.order_step() { first += power } else { rest += power }
    }
    Some((first / rest.max(f64::MIN_POSITIVE)).min(1e4))
}

/// How 1x grows below and above the critical speeds seen and stated.
pub(super) fn growth_laws(view: &View) -> Vec<Growth> {
    let seen = view.criticals().iter().map(|critical| critical.rpm);
    let stated = view.case.machine.shaft.critical_rpm.iter().copied();
    let criticals_rpm: Vec<f64> = seen.chain(stated).collect();
    view.displacement().map_or(Vec::new(), |track| growth::laws(track, &criticals_rpm))
}

fn growth_evidence(law: &Growth, is: f64, expected: Option<f64>) -> Evidence {
    let regime = match law.regime {
        Regime::Above => "above the critical speed",
        Regime::Below => "below the critical speed",
        Regime::Unknown => "over the run",
    };
    let against = match expected {
        Some(expected) if is < expected - 1.0 => {
            format!(
                "; unbalance far from a resonance: {expected:.0}, so this speaks for another force"
            )
        }
        Some(expected) => format!("; unbalance far from a resonance: {expected:.0}"),
        None => "; unbalance: 3 below a critical speed, 1 above, and none is known".to_owned(),
    };
    Evidence::new(
        "growth_exponent_velocity",
        is,
        "",
        format!(
            "{regime} 1x grows as speed^{is:.1} ± {:.1} in velocity{against}",
            law.error.max(0.05)
        ),
    )
}

/// How steady the phase is over the upper speeds away from a critical; only from stated pulses.
fn phase_evidence(view: &View) -> Option<Evidence> {
    if !view.case.phase_known() {
        return None;
    }
    let criticals = view.criticals();
    let away = |rpm: f64| criticals.iter().all(|c| rpm > 1.5 * c.rpm || rpm < 0.6 * c.rpm);
    let track = upper_speeds(view)?.where_rpm(away);
    if track.len() < 5 {
        return None;
    }
    let mean: num_complex::Complex64 =
        track.phasors.iter().map(|c| c / c.norm().max(f64::MIN_POSITIVE)).sum();
    let resultant = (mean.norm() / track.len() as f64).clamp(1e-9, 1.0);
    let deviation_deg = (-2.0 * resultant.ln()).sqrt().to_degrees();
    Some(Evidence::new(
        "order1_phase_scatter_deg",
        deviation_deg,
        "deg",
        format!("its phase keeps to {deviation_deg:.0} deg away from the critical speed"),
    ))
}
