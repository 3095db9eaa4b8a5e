//! Damaged parts of rolling bearings, from the envelope of the ringing that their impacts set off.
//!
//! The search itself is one product of the case, made once per bearing
//! ([`examinations`](Case::examinations)); here it is put into words, one signature per part.

use super::{Evidence, Kind, Need, Score, Signature};
use crate::case::Case;
use crate::case::bearing::{Element, PartFound};
use crate::units::three_digits;

const NEEDS: &[Need] = &[Need::Speed, Need::Vibration, Need::Bearing];
const SOURCE: &str = "Smith and Randall, Mech. Syst. Signal Process. 64-65 (2015) 100-131; \
    Randall and Antoni, Rolling element bearing diagnostics - a tutorial, \
    Mech. Syst. Signal Process. 25 (2011) 485-520 (from memory)";

/// A damaged outer race.
pub const OUTER: Signature = Signature {
    id: Element::Outer.fault(),
    title: "bearing outer race",
    kind: Kind::Fault,
    needs: NEEDS,
    source: SOURCE,
    advice: "replace the bearing and look at the seat: an outer race is hurt by dents from mounting, dirt or a current",
    score: |case| score(case, Element::Outer),
    proofs: &["bearing_outer"],
    rivals: &[],
};

/// A damaged inner race.
pub const INNER: Signature = Signature {
    id: Element::Inner.fault(),
    title: "bearing inner race",
    kind: Kind::Fault,
    needs: NEEDS,
    source: SOURCE,
    advice: "replace the bearing and look at its fit on the shaft and at the preload",
    score: |case| score(case, Element::Inner),
    proofs: &["bearing_inner"],
    rivals: &[],
};

/// A damaged rolling element.
pub const BALL: Signature = Signature {
    id: Element::Ball.fault(),
    title: "bearing rolling element",
    kind: Kind::Fault,
    needs: NEEDS,
    source: SOURCE,
    advice: "replace the bearing and look at lubrication and cleanliness; both races will be marked as well",
    score: |case| score(case, Element::Ball),
    proofs: &["bearing_ball"],
    rivals: &[],
};

/// A damaged cage.
pub const CAGE: Signature = Signature {
    id: Element::Cage.fault(),
    title: "bearing cage",
    kind: Kind::Fault,
    needs: NEEDS,
    source: SOURCE,
    advice: "stop running and replace the bearing: a failing cage gives little warning; look at lubrication and preload",
    score: |case| score(case, Element::Cage),
    proofs: &["bearing_cage"],
    rivals: &[],
};

fn score(case: &Case, element: Element) -> Vec<Score> {
    let examinations = case.examinations().iter();
    let score = |examination: &crate::case::bearing::Examination| match &examination.parts {
        Err(why) => Some(undecided(&examination.bearing, why.clone(), Vec::new())),
        Ok(parts) => {
            let part = parts.iter().find(|part| part.element == element)?;
            Some(score_part(&examination.bearing, part))
        }
    };
    examinations.filter_map(score).collect()
}

fn undecided(bearing: &str, why: String, evidence: Vec<Evidence>) -> Score {
    Score {
        place: Some(bearing.to_owned()),
        channel: None,
        basis: "envelope",
        log_odds: 0.0,
        evidence,
        severity: None,
        cannot_tell: Some(why),
        advice: None,
    }
}

fn score_part(bearing: &str, part: &PartFound) -> Score {
    let evidence = evidence(part);
    // faint lines mean a sound bearing only where impacts would stand apart
    if part.overlaps && part.lines_present() && part.log_odds < 0.0 {
        let why = format!(
            "lines at the {} order are present, but impacts overlap at this speed (one every {} ms)",
            part_word(part.element),
            three_digits(1e3 / part.line_hz)
        );
        return undecided(bearing, why, evidence);
    }
    Score {
        place: Some(bearing.to_owned()),
        channel: Some(part.channel.clone()),
        basis: "envelope",
        log_odds: part.log_odds,
        evidence,
        severity: None,
        cannot_tell: None,
        advice: None,
    }
}

fn part_word(element: Element) -> &'static str {
    match element {
        Element::Outer => "outer-race",
        Element::Inner => "inner-race",
        Element::Ball => "rolling-element",
        Element::Cage => "cage",
    }
}

fn evidence(part: &PartFound) -> Vec<Evidence> {
    let place = part_word(part.element);
    let (order, hz) = (part.order, part.line_hz);
    if !part.lines_present() {
        let text = format!(
            "no lines at the {place} order ({order:.3} x, {} Hz) that stand out from all others",
            three_digits(hz)
        );
        return vec![Evidence::new("line_evidence_ln", part.ln_evidence, "", text)];
    }
    vec![
        Evidence::new("line_order", order, "", line_text(part, place)),
        Evidence::new(
            "line_hz",
            hz,
            "Hz",
            format!("that is {} Hz at the mean speed used", three_digits(hz)),
        ),
        Evidence::new("harmonics", part.harmonics as f64, "", counted(part)),
        Evidence::new("sidebands", part.sidebands as f64, "", sidebands_text(part)),
        Evidence::new("modulation_depth", part.depth, "", depth_text(part)),
        Evidence::new("line_evidence_ln", part.ln_evidence, "", chance_text(part)),
        Evidence::new("slip_percent", part.slip_percent, "%", slip_text(part)),
        Evidence::new("band_from_hz", part.band_hz[0], "Hz", band_text(part)),
        Evidence::new("band_to_hz", part.band_hz[1], "Hz", band_text(part)),
    ]
}

fn line_text(part: &PartFound, place: &str) -> String {
    let at = format!("{:.3} x", part.order);
    // a damaged element may speak through the cage that carries it alone
    if part.element == Element::Ball && part.harmonics == 0 {
        return format!(
            "the envelope repeats with the cage; nothing stands out at the {place} order {at}: a damaged \
             element, or the cage itself"
        );
    }
    format!("the envelope repeats at the {place} order {at}")
}

fn counted(part: &PartFound) -> String {
    format!(
        "{} of its series {} out, the fundamental counted",
        lines(part.harmonics),
        stand(part.harmonics)
    )
}

fn lines(count: usize) -> String {
    format!("{count} line{}", if count == 1 { "" } else { "s" })
}

fn stand(count: usize) -> &'static str {
    if count == 1 { "stands" } else { "stand" }
}

fn sidebands_text(part: &PartFound) -> String {
    let distance = if part.element == Element::Ball { "the cage's order" } else { "1x" };
    match (part.element, part.sidebands) {
        (Element::Outer | Element::Cage, _) => {
            "no sidebands belong to it: the part stands in the load zone".to_owned()
        }
        (_, count) => {
            format!("beside them {} at multiples of {distance} {} out", lines(count), stand(count))
        }
    }
}

fn depth_text(part: &PartFound) -> String {
    let meaning = match part.depth {
        depth if depth >= 0.6 => "impacts: the envelope swings by more than half its mean",
        depth if depth >= 0.25 => "between the waviness of a sound part and impacts",
        _ => "faint, as the waviness of a sound part",
    };
    format!("depth of modulation {}: {meaning}", three_digits(part.depth))
}

fn chance_text(part: &PartFound) -> String {
    format!(
        "noise alone shows such lines in at most one of {} recordings",
        three_digits(1.0 / part.chance().max(1e-9))
    )
}

fn slip_text(part: &PartFound) -> String {
    let (slip, error) = (part.slip_percent, part.slip_error_percent.max(0.01));
    let (does, by) = if slip < 0.0 { ("leads", -slip) } else { ("lags", slip) };
    let means = match (slip < 0.0, part.skids()) {
        (true, false) => ", as a contact angle makes it",
        (true, true) => {
            ": the contact angle at this speed is another than stated, or the bearing is"
        }
        (false, false) => "",
        (false, true) => {
            ": it skids, as under too little load or preload, or the bearing is another than stated"
        }
    };
    format!("the cage {does} its stated geometry by {by:.2} ± {error:.2} %{means}")
}

fn band_text(part: &PartFound) -> String {
    format!(
        "seen best on {} in the band from {} to {} Hz",
        part.channel,
        three_digits(part.band_hz[0]),
        three_digits(part.band_hz[1])
    )
}
