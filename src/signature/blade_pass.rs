//! Blade passing: a line at the number of blades, with sidebands one order away where blades differ.

use super::{Evidence, Kind, Need, Rival, Score, Signature};
use crate::case::lone_line::{BEYOND_SIDEBANDS, LoneLine};
use crate::case::{Case, OrderLine, View};
use crate::units::{order_word, three_digits};

/// Blades that pass a vane, a strut or the tongue of a volute.
pub const SIGNATURE: Signature = Signature {
    id: "blade_pass",
    title: "blade passing",
    kind: Kind::Observation,
    needs: &[Need::Speed],
    source: "ISO 13373-1, blade and vane passing: number of blades times speed, sidebands at 1x where blades differ (from memory)",
    advice: "compare it with good machines of the type at the same speed; where it or its sidebands have risen, look at blades, clearance and vanes",
    score,
    proofs: &["blade_pass"],
    rivals: &[Rival {
        id: "generator_lines",
        parted_by: "lines of the current come and go with the load at the same speed, those of blades stay",
    }],
};

/// Without a stated number: orders that may be a row of blades.
const CANDIDATES: std::ops::RangeInclusive<u32> = 5..=30;
/// The highest order that is looked at around them.
const HIGHEST_ORDER: u32 = 34;
/// How clear a line must be to be named as a row of blades that nobody stated.
const CLEAR_ISOLATION: f64 = 30.0;
const CLEAR_SIGMAS: f64 = 20.0;
/// Share of the line from which sidebands are told as uneven blades (common practice, no source).
const UNEVEN: f64 = 0.2;

fn score(case: &Case) -> Vec<Score> {
    if case.machine.blade.is_empty() {
        return candidate(case).into_iter().collect();
    }
    let rows: Vec<Row> =
        case.machine.blade.iter().map(|(name, row)| Row::of(case, name, row.count)).collect();
    let odds = |row: &Row| row.clearest.as_ref().map_or(f64::MIN, |(found, _)| found.log_odds());
    let Some(best) = rows.iter().max_by(|a, b| odds(a).total_cmp(&odds(b))) else {
        return Vec::new();
    };
    let others = rows.iter().filter(|row| row.name != best.name);
    let evidence = best.evidence(case).into_iter().chain(others.flat_map(|row| row.in_brief()));
    let view = best.clearest.as_ref().map(|(_, view)| view);
    let first = view.copied().or_else(|| case.views().next());
    let cannot_tell = first.filter(|_| view.is_none()).map(|view| {
        let order = f64::from(best.count);
        format!("order {} {}", best.count, view.why_no_line_at(order))
    });
    vec![Score {
        place: first.map(|view| view.place()),
        channel: first.map(|view| view.name().to_owned()),
        basis: "stated",
        log_odds: odds(best).max(-9.0),
        evidence: evidence.collect(),
        severity: None,
        cannot_tell,
        advice: None,
    }]
}

/// A stated row of blades and the channel that shows it most clearly.
struct Row<'a> {
    name: &'a str,
    count: u32,
    clearest: Option<(LoneLine, View<'a>)>,
}

impl<'a> Row<'a> {
    fn of(case: &'a Case, name: &'a str, count: u32) -> Self {
        let known = known_orders(case);
        let found = case
            .views()
            .filter_map(|view| Some((LoneLine::at(&view, count, &known, BEYOND_SIDEBANDS)?, view)));
        let clearest = found.max_by(|a, b| a.0.log_odds().total_cmp(&b.0.log_odds()));
        Self { name, count, clearest }
    }

    fn evidence(&self, case: &Case) -> Vec<Evidence> {
        let Some((found, view)) = &self.clearest else { return Vec::new() };
        let at = order_word(f64::from(self.count));
        let text = if found.is_seen() {
            format!(
                "a line at {at}, the {} blades of {}, {} {} peak",
                self.count,
                self.name,
                three_digits(found.line.amplitude),
                view.channel.spec.unit().symbol()
            )
        } else {
            format!("no line at {at}, the {} blades of {}, stands out", self.count, self.name)
        };
        let mut evidence = vec![Evidence::new("line_order", f64::from(self.count), "", text)];
        evidence.extend(measures(found, &at, view));
        if case.electrical_orders().contains(&self.count) {
            let text = format!(
                "the generator has a line at {at} too: load on against load off parts them"
            );
            evidence.push(Evidence::new("shared_with_generator", 1.0, "", text));
        }
        evidence
    }

    fn in_brief(&self) -> Option<Evidence> {
        let (found, _) = self.clearest.as_ref()?;
        let text = format!("{} {}x: {} over the noise", self.name, self.count, found.over_noise());
        let key = format!("order{}_over_noise_db", self.count);
        Some(Evidence::new(&key, found.line.over_noise_db(), "dB", text))
    }
}

/// Height, isolation and sidebands, and up to which speed the line was judged.
fn measures(found: &LoneLine, at: &str, view: &View) -> Vec<Evidence> {
    let mut evidence = vec![
        Evidence::new(
            "line_over_noise_db",
            found.line.over_noise_db(),
            "dB",
            format!("{at} stands {} over the noise beside it", found.over_noise()),
        ),
        Evidence::new(
            "line_over_orders_around",
            found.isolation,
            "",
            format!(
                "it carries {}{} times the power of the strongest whole order around it",
                if found.stands_alone { "at least " } else { "" },
                three_digits(found.isolation)
            ),
        ),
    ];
    if found.is_seen()
        && let Some(uneven) = found.sidebands.iter().flatten().copied().reduce(f64::max)
    {
        let meaning = if uneven >= UNEVEN {
            ": the blades, their clearance or the flow differ round the wheel"
        } else {
            ", as blades that are alike make them"
        };
        let text = format!(
            "sidebands one order away have up to {:.0} % of its amplitude{meaning}",
            100.0 * uneven
        );
        evidence.push(Evidence::new("sideband_over_line", uneven, "", text));
    }
    let top_rpm = view.case.speed.as_ref().map_or(0.0, |speed| speed.range_rpm().1);
    if found.line.top_rpm < 0.97 * top_rpm {
        let text = format!(
            "judged up to {} rpm: faster, the sampling rate does not carry it",
            crate::units::grouped(found.line.top_rpm)
        );
        evidence.push(Evidence::new("judged_to_rpm", found.line.top_rpm, "rpm", text));
    }
    evidence
}

/// Orders of stated blades with their sidebands, and of the generator.
pub(super) fn known_orders(case: &Case) -> Vec<u32> {
    let blades = case.machine.blade.values().map(|row| row.count);
    let blades = blades.flat_map(|count| [count.saturating_sub(1), count, count + 1]);
    blades.chain(case.electrical_orders()).filter(|order| *order > 0).collect()
}

/// The row of blades that has as many blades as an order, by name.
pub(super) fn sharing(case: &Case, order: u32) -> Option<&str> {
    let mut rows = case.machine.blade.iter();
    rows.find(|(_, row)| row.count == order).map(|(name, _)| name.as_str())
}

/// The clearest lone whole order, where nobody stated a number of blades; `None` where none is clear.
fn candidate(case: &Case) -> Option<Score> {
    let known = known_orders(case);
    let mut clearest: Option<(LoneLine, u32, View)> = None;
    for view in case.views() {
        let lines: Vec<Option<OrderLine>> =
            (0..=HIGHEST_ORDER).map(|order| view.line_at(f64::from(order))).collect();
        let line_at = |at: u32| lines.get(at as usize).copied().flatten();
        for order in CANDIDATES.filter(|order| !known.contains(order)) {
            let Some(found) = LoneLine::among(order, &[], BEYOND_SIDEBANDS, line_at) else {
                continue;
            };
            let higher =
                clearest.as_ref().is_none_or(|(best, ..)| found.line.sigmas() > best.line.sigmas());
            if found.isolation >= CLEAR_ISOLATION && found.line.sigmas() >= CLEAR_SIGMAS && higher {
                clearest = Some((found, order, view));
            }
        }
    }
    let (found, order, view) = clearest?;
    let at = order_word(f64::from(order));
    let text = format!(
        "a lone line at {at}: {order} blades, or something else that repeats {order} times a turn; the machine \
         file states no number of blades"
    );
    let mut evidence = vec![Evidence::new("line_order", f64::from(order), "", text)];
    evidence.extend(measures(&found, &at, &view));
    Some(Score {
        place: Some(view.place()),
        channel: Some(view.name().to_owned()),
        basis: "candidate",
        log_odds: found.log_odds(),
        evidence,
        severity: None,
        cannot_tell: None,
        advice: Some(format!(
            "count the blades and state count in [blade.NAME]; if there are not {order}, look for what else \
             repeats {order} times a turn"
        )),
    })
}
