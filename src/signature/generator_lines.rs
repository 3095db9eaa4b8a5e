//! Lines of a generator and its rectifier, locked to the shaft at multiples of the pole pairs.

use super::blade_pass::{known_orders, sharing};
use super::{Evidence, Kind, Need, Rival, Score, Signature};
use crate::case::lone_line::{ALL_AROUND, LoneLine, OF_EVERY_SHAFT};
use crate::case::{Case, ELECTRICAL_MULTIPLES, View};
use crate::units::{order_word, three_digits};

/// Lines of an electrical machine on the shaft.
pub const SIGNATURE: Signature = Signature {
    id: "generator_lines",
    title: "generator lines",
    kind: Kind::Observation,
    needs: &[Need::Speed, Need::PolePairs],
    source: "pull of the magnets at twice the electrical frequency, ripple of a three-phase bridge of six or twelve pulses: \
        ISO 13373-1, electrical machines (from memory)",
    advice: "run once with the load on and once off: lines of the current go with the load, those of blades stay",
    score,
    proofs: &["generator_lines"],
    rivals: &[Rival {
        id: "blade_pass",
        parted_by: "lines of the current come and go with the load at the same speed, those of blades stay",
    }],
};

/// What makes the line at each of the [`ELECTRICAL_MULTIPLES`].
const MADE_BY: [&str; ELECTRICAL_MULTIPLES.len()] = [
    "twice the electrical frequency: the pull of the magnets",
    "the ripple of a bridge of six pulses",
    "the ripple of a bridge of twelve pulses, or the second of six",
];

fn score(case: &Case) -> Vec<Score> {
    let Some(lowest) = case.electrical_orders().first().copied() else { return Vec::new() };
    let all = case.views().map(|view| (lines_of(&view), view));
    let best = all.max_by(|a, b| score_of(&a.0).total_cmp(&score_of(&b.0)));
    let Some((lines, view)) = best else { return Vec::new() };
    let seen: Vec<&Electrical> = lines.iter().filter(|line| line.found.is_some()).collect();
    let own = seen.iter().any(|line| line.shared_with.is_none());
    let cannot_tell = if seen.is_empty() {
        let why = view.why_no_line_at(f64::from(lowest));
        Some(format!("the lowest of its lines, order {lowest}, {why}"))
    } else if !own {
        Some("its lines fall on orders that blades or any shaft make too".to_owned())
    } else {
        None
    };
    let mut told: Vec<&Electrical> = seen;
    told.sort_by(|a, b| b.log_odds().total_cmp(&a.log_odds()));
    vec![Score {
        place: Some(view.place()),
        channel: Some(view.name().to_owned()),
        basis: "lines",
        log_odds: score_of(&lines).max(LEAST_ODDS),
        evidence: told.iter().zip(1..).flat_map(|(line, n)| line.evidence(&view, n)).collect(),
        severity: None,
        cannot_tell,
        advice: None,
    }]
}

/// Order up to which many shafts have harmonics, and the log-odds that a line there can bring.
const LOW_ORDER: u32 = 6;
const MOST_OF_LOW: f64 = 3.0;
/// Log-odds where no line can be judged.
const LEAST_ODDS: f64 = -9.0;

/// One line of the electrical machine.
struct Electrical {
    order: u32,
    made_by: &'static str,
    found: Option<LoneLine>,
    /// What else stands at this order.
    shared_with: Option<String>,
}

fn lines_of(view: &View) -> Vec<Electrical> {
    let known = known_orders(view.case);
    let line = |(order, made_by): (u32, &'static str)| {
        let shared_with = if order <= OF_EVERY_SHAFT {
            Some("the harmonics of any shaft".to_owned())
        } else {
            sharing(view.case, order).map(|row| format!("the blades of {row}"))
        };
        Electrical {
            order,
            made_by,
            found: LoneLine::at(view, order, &known, ALL_AROUND),
            shared_with,
        }
    };
    view.case.electrical_orders().into_iter().zip(MADE_BY).map(line).collect()
}

/// The clearest line that nothing else makes, with half of what the others say.
fn score_of(lines: &[Electrical]) -> f64 {
    let own = lines.iter().filter(|line| line.found.is_some() && line.shared_with.is_none());
    let mut odds: Vec<f64> = own.map(Electrical::log_odds).collect();
    odds.sort_by(|a, b| b.total_cmp(a));
    let Some((first, rest)) = odds.split_first() else { return f64::MIN };
    first + 0.5 * rest.iter().sum::<f64>().clamp(-2.0, 4.0)
}

impl Electrical {
    /// Harmonics of any shaft reach as far as a low line, so that it tells less.
    fn log_odds(&self) -> f64 {
        let most = if self.order <= LOW_ORDER { MOST_OF_LOW } else { f64::MAX };
        self.found.as_ref().map_or(f64::MIN, |found| found.log_odds().min(most))
    }

    /// Keys are told once: that of the second line ends in `_2`, and so on.
    fn evidence(&self, view: &View, number: usize) -> Vec<Evidence> {
        let Some(found) = &self.found else { return Vec::new() };
        let at = order_word(f64::from(self.order));
        let made_by = self.made_by;
        let key =
            if number == 1 { "line_order".to_owned() } else { format!("line_order_{number}") };
        let shared = match &self.shared_with {
            Some(other) => format!("; {other} stand there too, so that it counts for nothing"),
            None => String::new(),
        };
        let text = if found.is_seen() {
            format!(
                "a line at {at} ({made_by}), {} {} peak{shared}",
                three_digits(found.line.amplitude),
                view.channel.spec.unit().symbol()
            )
        } else {
            format!("no line at {at} ({made_by}) stands out{shared}")
        };
        vec![
            Evidence::new(&key, f64::from(self.order), "", text),
            Evidence::new(
                &format!("order{}_over_noise_db", self.order),
                found.line.over_noise_db(),
                "dB",
                format!("{at} stands {} over the noise beside it", found.over_noise()),
            ),
        ]
    }
}
