//! Sub-synchronous lines: a whirl that follows the shaft, or a whip that stands at a natural frequency.

use super::{Evidence, Kind, Need, Rival, Score, Severity, Signature};
use crate::case::sub_synchronous::{Course, SlowLine};
use crate::case::{Case, View};
use crate::machine::BearingType;
use crate::units::{grouped, three_digits};

/// A line between 0.1 and 0.65 orders that is locked to no simple fraction of the speed.
pub const SIGNATURE: Signature = Signature {
    id: "sub_synchronous",
    title: "sub-synchronous line",
    kind: Kind::Observation,
    needs: &[Need::Speed],
    source: "ISO 13373-2 and -3, oil whirl and whip: 0.38 to 0.48 orders, or locked to a natural frequency above about twice \
        the critical speed (from memory)",
    advice: "see whether it goes with oil temperature and pressure, and hold it against good machines of the type",
    score,
    proofs: &["sub_synchronous"],
    rivals: &[
        Rival {
            id: "bearing_cage",
            parted_by: "a cage speaks in the envelope of the ringing and slips with load, a whirl in the signal itself",
        },
        Rival {
            id: "mains_hum",
            parted_by: "hum stands at exact multiples of the mains frequency, also at standstill and with the machine's drive off",
        },
    ],
};

/// Power over the noise that weighs as much for as against, and log-odds for each factor e of it (judgement, no
/// source).
const NOTABLE_CONTRAST: f64 = 6.0;
const ODDS_PER_CONTRAST: f64 = 1.5;
/// Log-odds that its height alone can bring (judgement, no source).
const MOST_OF_CONTRAST: f64 = 4.0;
/// Power over the noise from which a line that stands is there above the shaft's speed too, and what
/// that takes from the odds: whirl needs a shaft that turns faster (judgement, no source).
const ALSO_ABOVE: f64 = 3.0;
const ODDS_OF_NEIGHBOUR: f64 = 8.0;
/// Order above which a line that stands is no whip: a whip needs a shaft that turns about twice as fast (ISO
/// 13373-3: from memory; the room above one half is judgement, no source).
const WHIPS_TO_ORDER: f64 = 0.56;
/// Log-odds where no line is seen (judgement, no source).
const NOTHING: f64 = -5.0;
/// Orders in which an oil whirl is to be expected (ISO 13373-3: from memory).
const WHIRL_ORDERS: [f64; 2] = [0.38, 0.48];
/// How close a standing line lies to a critical speed to be named after it, as a share (judgement, no source).
const AT_CRITICAL: f64 = 0.06;
/// How close a following line lies to the stated order of a cage to be named after it, as a share (judgement,
/// no source).
const AT_CAGE: f64 = 0.015;

fn score(case: &Case) -> Vec<Score> {
    case.views().map(|view| score_of(&view)).max_by(Score::by_weight).into_iter().collect()
}

fn score_of(view: &View) -> Score {
    let found = view.sub_synchronous();
    let unseen = || "too few turns were recorded to part lines below 1x from each other".to_owned();
    let cannot_tell = view.untrusted().or_else(|| found.is_none().then(unseen));
    let line = found.and_then(|found| found.line.as_ref());
    let mut evidence = match (found, line) {
        (None, _) => Vec::new(),
        (Some(_), None) => nothing(),
        (Some(_), Some(line)) => told(line, view),
    };
    let level = view
        .case
        .levels()
        .iter()
        .find(|level| level.channel == view.name() && level.id == "sub_synchronous_velocity");
    evidence.extend(level.map(|level| {
        let limit = level.limit.map_or(String::new(), |limit| {
            format!("; the machine file allows {}", three_digits(limit))
        });
        let text = format!(
            "all that lies between 0.1 and 0.65 orders is {} {}{limit}",
            three_digits(level.value),
            level.unit
        );
        Evidence::new("sub_synchronous_mm_s_rms", level.value, &level.unit, text)
    }));
    let severity = level.and_then(|level| {
        Some(Severity {
            ratio: level.ratio()?,
            uncertainty: level.uncertainty,
            limit: format!("{} {} {}", level.name, three_digits(level.limit?), level.unit),
        })
    });
    let at_cage = line.is_some_and(|line| at_cage(line, view.case).is_some());
    evidence.push(by_bearing(view, severity.is_some(), at_cage));
    Score {
        place: Some(view.place()),
        channel: Some(view.name().to_owned()),
        basis: "line",
        log_odds: line.map_or(NOTHING, log_odds),
        evidence,
        severity,
        cannot_tell,
        advice: None,
    }
}

fn log_odds(line: &SlowLine) -> f64 {
    let contrast = ODDS_PER_CONTRAST * (line.contrast() / NOTABLE_CONTRAST).ln();
    let seen = (line.points.len() as f64).ln() + 4.0 * (line.coverage() - 0.7);
    let neighbour = if is_neighbour(line) { ODDS_OF_NEIGHBOUR } else { 0.0 };
    contrast.min(MOST_OF_CONTRAST) + seen - neighbour
}

/// Whether a line that stands is there where no whip can be.
fn is_neighbour(line: &SlowLine) -> bool {
    let too_high = line.course == Course::Stands && line.highest_order() > WHIPS_TO_ORDER;
    too_high || line.above_shaft.is_some_and(|ratio| ratio > ALSO_ABOVE)
}

fn nothing() -> Vec<Evidence> {
    let text =
        "no line between 0.1 and 0.65 orders stands out, but for simple fractions of the speed";
    vec![Evidence::new("lines", 0.0, "", text)]
}

fn told(line: &SlowLine, view: &View) -> Vec<Evidence> {
    let [low, high] = line.range_rpm();
    let seen = if high > 1.02 * low {
        format!("from {} to {} rpm", grouped(low), grouped(high))
    } else {
        format!("at {} rpm", grouped(high))
    };
    let (order, hz) = (line.order(), line.hz());
    let order_text = match line.course {
        Course::Follows => {
            format!("a line follows the shaft at {order:.3} orders, {seen}{}", whirl(order))
        }
        Course::Stands => {
            format!("a line stands at {} Hz while the speed changes, {seen}", three_digits(hz))
        }
        Course::Unknown => format!(
            "a line at {order:.3} orders, {} Hz, {seen}: the speed changes too little to tell whether it \
             follows the shaft",
            three_digits(hz)
        ),
    };
    let mut evidence = match line.course {
        Course::Stands => vec![Evidence::new("line_hz", hz, "Hz", order_text)],
        _ => vec![Evidence::new("line_order", order, "", order_text)],
    };
    evidence.extend(line.strongest().map(|point| {
        let unit = view.channel.spec.unit().symbol();
        let text =
            format!("{} {unit} peak at {} rpm", three_digits(point.amplitude), grouped(point.rpm));
        Evidence::new("line_amplitude", point.amplitude, &format!("{unit} peak"), text)
    }));
    let over_db = 10.0 * line.contrast().log10();
    evidence.push(Evidence::new(
        "line_over_noise_db",
        over_db,
        "dB",
        format!(
            "it stands {over_db:.1} dB over the noise, in {} of {} steps of speed from where it sets in",
            line.points.len(),
            line.possible
        ),
    ));
    evidence.push(Evidence::new(
        "onset_rpm",
        low,
        "rpm",
        format!("it is first seen at {} rpm", grouped(low)),
    ));
    evidence.extend(at_critical(line, view));
    evidence.extend(at_cage(line, view.case));
    if is_neighbour(line) {
        let text = format!(
            "it stands there at low speed too, at {:.2} orders and more: a whip sets in at about twice its \
             frequency, so rather a neighbour, the stand or the mains",
            line.highest_order()
        );
        evidence.push(Evidence::new("highest_order", line.highest_order(), "", text));
    }
    evidence
}

fn whirl(order: f64) -> &'static str {
    if (WHIRL_ORDERS[0]..=WHIRL_ORDERS[1]).contains(&order) {
        ": as the whirl of a fluid film does (0.38 to 0.48)"
    } else {
        ""
    }
}

/// The critical speed at whose frequency a line stands; one that is rather a neighbour is no whip there.
fn at_critical(line: &SlowLine, view: &View) -> Option<Evidence> {
    if line.course == Course::Follows || is_neighbour(line) {
        return None;
    }
    let rpm = 60.0 * line.hz();
    let seen = view.criticals().iter().map(|critical| critical.rpm);
    let stated = view.case.machine.shaft.critical_rpm.iter().copied();
    let critical =
        seen.chain(stated).find(|critical| (critical / rpm - 1.0).abs() < AT_CRITICAL)?;
    let text = format!(
        "that is the critical speed at {} rpm: there a whip would stand",
        grouped(critical)
    );
    Some(Evidence::new("critical_rpm", critical, "rpm", text))
}

/// The rolling bearing at whose cage order a line lies.
fn at_cage(line: &SlowLine, case: &Case) -> Option<Evidence> {
    let order = line.order();
    let bearings = case.bearings();
    let (name, multipliers) =
        bearings.iter().find(|(_, m)| (m.ftf / order - 1.0).abs() < AT_CAGE)?;
    if line.course == Course::Stands {
        return None;
    }
    let text = format!(
        "the cage of {name} turns at {:.3} orders: where the envelope repeats with it, it is the cage; \
         a whirl shows in the signal itself",
        multipliers.ftf
    );
    Some(Evidence::new("cage_order", multipliers.ftf, "", text))
}

/// What the bearings say about it: nothing slow belongs to rolling ones, and films may have it.
fn by_bearing(view: &View, limited: bool, at_cage: bool) -> Evidence {
    let machine = &view.case.machine;
    let own = view.channel.spec.bearing.as_ref().and_then(|name| machine.bearing.get(name));
    let kind = own.or_else(|| machine.bearing.values().next()).map(|bearing| bearing.kind);
    let text = match kind {
        None => {
            "no bearing is stated: a fluid film may have such lines, rolling bearings have none"
        }
        Some(BearingType::Rolling) if at_cage => {
            "but for the cage, rolling bearings give no reason for it: look for a loose fit, a second machine or a belt"
        }
        Some(BearingType::Rolling) => {
            "rolling bearings give no reason for it: look for a loose fit, a second machine or a belt"
        }
        Some(_) if limited => "a fluid film may have it in good order: the stated limit decides",
        Some(_) => {
            "a fluid film may have it in good order: state limits.sub_synchronous_mm_s_rms to have it judged"
        }
    };
    let films = kind.is_some_and(BearingType::is_fluid_film);
    Evidence::new("fluid_film", f64::from(u8::from(films)), "", text)
}
