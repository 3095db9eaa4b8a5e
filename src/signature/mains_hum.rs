//! Mains hum: lines at exact multiples of 50 or 60 Hz that stay whatever the shaft does.
//!
//! The fitness check `hum` measures them ([`View::hum`]); here it is put into words and odds.

use super::{Evidence, Kind, Need, Rival, Score, Signature};
use crate::case::{Case, View};
use crate::fitness::{Hum, HumLine};
use crate::units::three_digits;

/// Mains hum in a channel.
pub const SIGNATURE: Signature = Signature {
    id: "mains_hum",
    title: "mains hum",
    kind: Kind::Observation,
    needs: &[Need::Speed],
    source: "ISO 13373-1, electrical interference and lines at twice the mains frequency (from memory)",
    advice: "look to shields, earth loops and cables; do not take these lines for the machine's",
    score,
    proofs: &["mains_hum"],
    rivals: &[Rival {
        id: "sub_synchronous",
        parted_by: "hum stands at exact multiples of the mains frequency, also at standstill and with the machine's drive off",
    }],
};

/// Height of a line over the floor beside it, as a ratio of powers, that weighs as much for as against:
/// three times what a line must have to be placed at all.
const NOTABLE_CONTRAST: f64 = 30.0;
/// Log-odds before any line is seen.
const NOTHING: f64 = -4.0;
/// How far the second harmonic must lead the first to be told as dominant.
const DOMINANT: f64 = 2.0;

fn score(case: &Case) -> Vec<Score> {
    case.views().map(|view| score_of(&view)).collect()
}

fn score_of(view: &View) -> Score {
    let Some(hum) = view.hum() else {
        let why =
            "lines of the mains cannot be placed: the record is too short, or holds no signal";
        return unplaced(view, why);
    };
    let shared = hum.shared.iter().find(|line| line.harmonic <= 2);
    let cannot_tell = shared.filter(|_| hum.free.is_empty()).map(|line| {
        format!(
            "a line at {} Hz is there, and an order of the shaft lies too close to it at most speeds run",
            three_digits(hum.mains_hz * line.harmonic as f64)
        )
    });
    Score {
        place: Some(view.place()),
        channel: Some(view.name().to_owned()),
        basis: "lines",
        log_odds: log_odds(hum),
        evidence: evidence(hum),
        severity: None,
        cannot_tell,
        advice: second_leads(hum).then(|| {
            "twice the mains frequency leads: look for a transformer, motor or magnet nearby, as well as to shields and earth loops".to_owned()
        }),
    }
}

fn unplaced(view: &View, why: &str) -> Score {
    Score {
        place: Some(view.place()),
        channel: Some(view.name().to_owned()),
        basis: "lines",
        log_odds: NOTHING,
        evidence: Vec::new(),
        severity: None,
        cannot_tell: Some(why.to_owned()),
        advice: None,
    }
}

/// Each line adds the logarithm of how far it stands over what is notable, and one for being in its
/// place at all; a family without its first or second line is none.
fn log_odds(hum: &Hum) -> f64 {
    let gains =
        hum.free.iter().map(|line| 1.0 + (line.contrast / NOTABLE_CONTRAST).ln().clamp(-1.0, 2.0));
    let lines: f64 = gains.sum();
    let has_low = hum.free.iter().any(|line| line.harmonic <= 2);
    let odds = NOTHING + 2.0 * lines;
    if has_low { odds } else { odds.min(-1.0) }
}

fn second_leads(hum: &Hum) -> bool {
    let power = |harmonic: usize| {
        let line = hum.free.iter().find(|line| line.harmonic == harmonic);
        line.map_or(0.0, |line| line.power)
    };
    power(2) > DOMINANT * power(1).max(power(3))
}

fn evidence(hum: &Hum) -> Vec<Evidence> {
    let mut lines: Vec<&HumLine> = hum.free.iter().collect();
    lines.sort_by(|a, b| b.power.total_cmp(&a.power));
    let Some(strongest) = lines.first() else {
        let text = "no lines that no order of the shaft explains stand at multiples of 50 or 60 Hz";
        return vec![Evidence::new("lines", 0.0, "", text)];
    };
    let hz = |line: &HumLine| hum.mains_hz * line.harmonic as f64;
    let places: Vec<String> = lines.iter().map(|line| format!("{:.0}", hz(line))).collect();
    let rms = hum.power().sqrt();
    let leads = if second_leads(hum) {
        "; twice the mains frequency leads, as magnetised iron makes it"
    } else {
        ""
    };
    let mut evidence = vec![
        Evidence::new(
            "line_hz",
            hz(strongest),
            "Hz",
            format!(
                "lines at {} Hz that no order of the shaft explains, {} {} rms together{leads}",
                places.join(", "),
                three_digits(rms),
                hum.unit
            ),
        ),
        Evidence::new(
            "hum_share_percent",
            100.0 * hum.share(),
            "%",
            format!("they hold {} % of the signal's power", three_digits(100.0 * hum.share())),
        ),
        Evidence::new(
            "line_over_noise_db",
            10.0 * strongest.contrast.max(1e-3).log10(),
            "dB",
            format!(
                "{:.0} Hz stands {:.1} dB over the floor beside it",
                hz(strongest),
                10.0 * strongest.contrast.max(1e-3).log10()
            ),
        ),
    ];
    for line in &hum.shared {
        let text = format!(
            "at {:.0} Hz an order of the shaft lies too close to tell: run a few percent slower or faster",
            hz(line)
        );
        evidence.push(Evidence::new(&format!("shared_{:.0}_hz", hz(line)), hz(line), "Hz", text));
    }
    evidence
}

#[cfg(test)]
mod tests {
    use super::*;

    fn hum(lines: &[(usize, f64, f64)]) -> Hum {
        let line = |&(harmonic, power, contrast)| HumLine { harmonic, power, contrast };
        Hum {
            channel: "front".to_owned(),
            unit: "g",
            mains_hz: 50.0,
            free: lines.iter().map(line).collect(),
            shared: Vec::new(),
            total: 10.0,
        }
    }

    #[test]
    fn more_and_higher_lines_speak_louder() {
        let none = log_odds(&hum(&[]));
        let one = log_odds(&hum(&[(1, 1.0, 100.0)]));
        let two = log_odds(&hum(&[(1, 1.0, 100.0), (3, 1.0, 100.0)]));
        assert!(none < 0.0 && one > none && two > one && two > 0.0, "{none} {one} {two}");
        // a third harmonic alone is no hum
        assert!(log_odds(&hum(&[(3, 1.0, 1e4), (4, 1.0, 1e4)])) < 0.0);
    }

    #[test]
    fn the_second_line_leads_only_by_far() {
        assert!(second_leads(&hum(&[(1, 1.0, 50.0), (2, 2.5, 50.0)])));
        assert!(!second_leads(&hum(&[(1, 1.0, 50.0), (2, 1.5, 50.0)])));
        let told = evidence(&hum(&[(1, 1.0, 50.0), (2, 2.5, 50.0)]));
        assert_eq!((told[0].key.as_str(), told[0].value), ("line_hz", 100.0));
    }
}
