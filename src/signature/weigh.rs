//! Scores become probabilities, and faults that mimic each other are parted.
//!
//! A raw score is turned into a probability by a logistic law fitted on simulated populations
//! (J. Platt, 1999, "Probabilistic outputs for support vector machines": from memory); what a rival says
//! for itself counts against it, and another share of machines with the fault moves the odds by the ratio of
//! the prior odds (Bayes). The constants stand in `calibration.toml`, written by `tests/calibration`.

use std::collections::BTreeMap;
use std::sync::OnceLock;

use serde::{Deserialize, Serialize};

use super::{ALL, Evidence, Kind, Need, Rival, Score, Signature};
use crate::case::Case;
use crate::dsp::stats::probability_from_log_odds;
use crate::fitness::Fit;
use crate::machine::Machine;
use crate::recording::Role;
use crate::units::{clause, grouped, three_digits, without_noughts};

/// Cap on the confidence of a signature without calibration: just below that of a finding.
pub const UNCALIBRATED_CAP: f64 = 0.49;
/// How much a nearby resonance must raise the first order to be called its cause.
const RAISED_BY_RESONANCE: f64 = 3.0;
/// Log-odds taken from imbalance for each factor e by which a resonance raises the first order: half of
/// what the same factor in the level itself would bring (see `imbalance`).
const ODDS_PER_GAIN: f64 = 4.0;

/// Fitness checks that tell of a sensor that is loose or overloaded.
const SENSOR_CHECKS: [&str; 2] = ["loose_sensor", "clipping"];
/// Log-odds that a rival must take before it is named: a probability of one half then falls to a third.
const NOTABLE_ODDS: f64 = 0.7;

/// A signature's score at one place, with its probability.
pub struct Weighed {
    /// The signature.
    pub signature: &'static Signature,
    /// The score.
    pub score: Score,
    /// Probability that the fault is present, 0 to 1.
    pub confidence: f64,
    /// Why it was put lower, or cannot be told.
    pub remark: Option<String>,
    /// The machines that the confidence holds for; `None` where no population has calibrated it.
    pub holds_for: Option<HoldsFor>,
}

/// The machines that a confidence holds for: simulated rotors, and how many of them have the fault.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct HoldsFor {
    /// Share of machines with it, 0 to 1.
    pub prevalence: f64,
    /// Whether the machine file states that share; else it is that of the simulated rotors.
    pub stated: bool,
}

impl HoldsFor {
    /// What a confidence rests on, as a clause: `fitted on simulated rotors, 9 % of which had it`.
    pub fn words(this: Option<Self>) -> String {
        let percent = |share: f64| without_noughts(&three_digits(100.0 * share)).to_owned();
        match this {
            None => "judged without calibration, and so kept below 50 %".to_owned(),
            Some(Self { prevalence, stated: false }) => {
                format!("fitted on simulated rotors, {} % of which had it", percent(prevalence))
            }
            Some(Self { prevalence, stated: true }) => format!(
                "fitted on simulated rotors, and moved to machines of which {} % have it, as the machine file states",
                percent(prevalence)
            ),
        }
    }
}

/// What could be scored, and what was not looked for and why.
pub struct Weighing {
    /// All scores, most probable first.
    pub weighed: Vec<Weighed>,
    /// A sentence for each signature that the recording or machine file does not support.
    pub not_looked_for: Vec<String>,
}

/// Scores all signatures on a case and weighs them against each other.
pub fn weigh(case: &Case) -> Weighing {
    let mut scored: Vec<Scored> = Vec::new();
    let mut missing: BTreeMap<String, Vec<&str>> = BTreeMap::new();
    for &signature in ALL {
        if let Some(reason) = signature.needs.iter().find_map(|&need| unmet(case, need)) {
            // an absent coupling is a property of the machine, not a gap in the evidence
            if !reason.is_empty() {
                missing.entry(reason).or_default().push(signature.title);
            }
            continue;
        }
        for mut score in (signature.score)(case) {
            if signature.kind == Kind::Fault && score.cannot_tell.is_none() {
                score.cannot_tell = unfit(case, &score);
            }
            let remark = match signature.id {
                "imbalance" => part_from_resonance(case, &mut score),
                _ => None,
            };
            scored.push(Scored { signature, score, remark });
        }
    }
    let strongest = Strongest::of(&scored);
    let mut weighed: Vec<Weighed> =
        scored.into_iter().map(|item| calibrated(item, &strongest, &case.machine)).collect();
    weighed.sort_by(|a, b| b.confidence.total_cmp(&a.confidence));
    let not_looked_for = missing
        .into_iter()
        .map(|(reason, titles)| format!("not looked for: {}: {reason}", titles.join(", ")))
        .collect();
    Weighing { weighed, not_looked_for }
}

/// A signature's score at one place, not weighed yet.
struct Scored {
    signature: &'static Signature,
    score: Score,
    remark: Option<String>,
}

/// The highest raw log-odds of each signature over all places where it can tell.
struct Strongest(BTreeMap<&'static str, f64>);

impl Strongest {
    fn of(scored: &[Scored]) -> Self {
        let mut highest = BTreeMap::new();
        for item in scored.iter().filter(|item| item.score.cannot_tell.is_none()) {
            let best = highest.entry(item.signature.id).or_insert(f64::MIN);
            *best = item.score.log_odds.max(*best);
        }
        Self(highest)
    }

    /// What a rival says for itself; 0 where it speaks against itself or was not scored.
    fn weight(&self, id: &str) -> f64 {
        self.0.get(id).map_or(0.0, |odds| odds.max(0.0))
    }
}

/// Why the channel that a score rests on says nothing about the machine: what it holds is its sensor's own.
fn unfit(case: &Case, score: &Score) -> Option<String> {
    let channel = score.channel.as_deref()?;
    let mut checks = case.fitness().iter();
    let check = checks.find(|check| {
        check.fit == Fit::Unfit
            && check.channel.as_deref() == Some(channel)
            && SENSOR_CHECKS.contains(&check.id.as_str())
    })?;
    Some(format!(
        "the sensor of {channel}, not the machine, makes this signal: {}",
        clause(&check.found)
    ))
}

/// Why a need is not met, in words; empty where nobody needs to be told.
fn unmet(case: &Case, need: Need) -> Option<String> {
    let coupling = case.machine.shaft.coupling;
    match need {
        Need::Speed if case.speed.is_none() => Some("there is no shaft speed".to_owned()),
        Need::RunUp if case.speed.as_ref().is_some_and(|s| s.is_steady(0.2)) => {
            Some("the speed hardly changes".to_owned())
        }
        Need::Vibration if case.recording.with_role(Role::Vibration).next().is_none() => {
            Some("there is no vibration channel".to_owned())
        }
        Need::Bearing if case.bearings().is_empty() => {
            Some("the machine file names no rolling bearing".to_owned())
        }
        Need::Coupling if coupling != Some(true) => Some(String::new()),
        Need::NoCoupling if coupling == Some(true) => Some(String::new()),
        Need::PolePairs if case.machine.shaft.pole_pairs.is_none() => Some(String::new()),
        _ => None,
    }
}

/// From raw log-odds to probability: `bias + slope raw - sum(against raw of rival)` are the log-odds.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
struct Law {
    bias: f64,
    slope: f64,
    /// Share of the simulated machines that had it.
    prevalence: f64,
    /// Weight of each rival's own raw log-odds, as far as they are above zero.
    #[serde(default)]
    against: BTreeMap<String, f64>,
}

type Table = BTreeMap<String, BTreeMap<String, Law>>;

fn table() -> &'static Table {
    static TABLE: OnceLock<Table> = OnceLock::new();
    // a test proves that the committed table reads; an empty one caps everything at 0.5
    TABLE.get_or_init(|| toml::from_str(include_str!("calibration.toml")).unwrap_or_default())
}

fn calibrated(item: Scored, strongest: &Strongest, machine: &Machine) -> Weighed {
    let Scored { signature, score, remark } = item;
    let law = table().get(signature.id).and_then(|bases| bases.get(score.basis));
    let stated = machine.prevalence.of(signature.id);
    let moved =
        |law: &Law| stated.map_or(0.0, |share| prior_odds(share) - prior_odds(law.prevalence));
    let confidence = match (law, &score.cannot_tell) {
        (_, Some(_)) => 0.0,
        (Some(law), None) => {
            let against: f64 = law.against.iter().map(|(id, w)| w * strongest.weight(id)).sum();
            let own = law.bias + law.slope * score.log_odds;
            probability_from_log_odds(own - against + moved(law))
        }
        (None, None) => probability_from_log_odds(score.log_odds).min(UNCALIBRATED_CAP),
    };
    let capped = (law.is_none() && confidence >= UNCALIBRATED_CAP).then(|| {
        "held below one half: no population has calibrated it for such a recording".to_owned()
    });
    let told = score.cannot_tell.as_ref().map(|why| format!("cannot tell: {why}"));
    let explained =
        law.and_then(|law| better_explained(signature, law, moved(law), &score, strongest));
    let remark = told.or(capped).or(remark).or(explained);
    let holds_for = law.map(|law| HoldsFor {
        prevalence: stated.unwrap_or(law.prevalence),
        stated: stated.is_some(),
    });
    Weighed { signature, score, confidence, remark, holds_for }
}

fn prior_odds(share: f64) -> f64 {
    (share / (1.0 - share)).ln()
}

/// Names the rival that takes most from a signature's odds, where without it there would be a finding; `moved` is
/// what a stated prevalence adds to them.
fn better_explained(
    signature: &Signature,
    law: &Law,
    moved: f64,
    score: &Score,
    strongest: &Strongest,
) -> Option<String> {
    let taken =
        |rival: &&Rival| law.against.get(rival.id).map_or(0.0, |w| w * strongest.weight(rival.id));
    let rival = signature.rivals.iter().max_by(|a, b| taken(a).total_cmp(&taken(b)))?;
    let alone = law.bias + law.slope * score.log_odds + moved;
    let title = ALL.iter().find(|other| other.id == rival.id)?.title;
    (alone >= 0.0 && taken(&rival) > NOTABLE_ODDS).then(|| {
        format!("put lower, as {title} explains it too; what parts them: {}", rival.parted_by)
    })
}

/// A first order that is high only because the machine runs close to a critical speed is resonance
/// first: balancing alone would chase a moving target. The odds are those of the first order with half
/// of the resonance's gain (in decibels) taken away; says so in words.
fn part_from_resonance(case: &Case, score: &mut Score) -> Option<String> {
    let view = case.views().find(|view| Some(view.name()) == score.channel.as_deref())?;
    let rpm = worst_rpm(case, view.name())?;
    let raised_by = view.criticals().iter().map(|critical| (critical.raises_by(rpm), critical));
    let (raised, critical) = raised_by.max_by(|a, b| a.0.total_cmp(&b.0))?;
    if raised < RAISED_BY_RESONANCE {
        return None;
    }
    score.advice = Some(format!(
        "judge 1x at the service speed before you balance: it was judged at {} rpm, where the critical \
         speed raises it",
        grouped(rpm)
    ));
    score.log_odds -= ODDS_PER_GAIN * raised.ln();
    let text = format!(
        "the critical speed at {} rpm raises 1x {} times where it is highest",
        grouped(critical.rpm),
        three_digits(raised)
    );
    score.evidence.push(Evidence::new("raised_by_resonance", raised, "", text));
    Some("a resonance makes a small imbalance look large".to_owned())
}

/// The speed at which the first order of a channel is highest.
fn worst_rpm(case: &Case, channel: &str) -> Option<f64> {
    let levels = case.levels().iter();
    levels
        .filter(|level| level.channel == channel && level.id.starts_with("order1"))
        .max_by(|a, b| a.ratio().unwrap_or(0.0).total_cmp(&b.ratio().unwrap_or(0.0)))
        .and_then(|level| level.at_rpm)
}

/// Whether a finding belongs among the findings: a fault or observation at 0.5 or more.
pub fn is_found(item: &Weighed) -> bool {
    item.confidence >= 0.5 && item.score.cannot_tell.is_none()
}

/// Order of findings in a report: faults before observations, then by confidence.
pub fn rank(item: &Weighed) -> (bool, f64) {
    (item.signature.kind == Kind::Observation, -item.confidence)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn scored(id: &str, basis: &'static str, log_odds: f64) -> Scored {
        let signature = ALL.iter().find(|s| s.id == id).expect("a signature");
        let score = Score {
            place: None,
            channel: None,
            basis,
            log_odds,
            evidence: Vec::new(),
            severity: None,
            cannot_tell: None,
            advice: None,
        };
        Scored { signature, score, remark: None }
    }

    /// Bayes: the posterior odds are those of the population times the ratio of the prior odds.
    #[test]
    fn another_prevalence_moves_the_odds_by_the_ratio_of_the_prior_odds() {
        let odds = |machine: &Machine| {
            let item = scored("imbalance", "limit", 3.0);
            let p = calibrated(item, &Strongest(BTreeMap::new()), machine).confidence;
            p / (1.0 - p)
        };
        let mut machine = Machine::default();
        let before = odds(&machine);
        let share = table()["imbalance"]["limit"].prevalence;
        machine.prevalence.imbalance = Some(100.0 * share);
        assert!((odds(&machine) / before - 1.0).abs() < 1e-9);
        machine.prevalence.imbalance = Some(1.0);
        let expected = (0.01 / 0.99) / (share / (1.0 - share));
        assert!((odds(&machine) / before / expected - 1.0).abs() < 1e-9);
    }

    #[test]
    fn a_prevalence_can_be_stated_of_every_fault_and_of_nothing_else() {
        let keys = crate::machine::keys::of_table("prevalence").map(|key| key.key);
        let mut keys: Vec<&str> = keys.collect();
        let faults = ALL.iter().filter(|signature| signature.kind == Kind::Fault);
        let mut faults: Vec<&str> = faults.map(|signature| signature.id).collect();
        keys.sort_unstable();
        faults.sort_unstable();
        assert_eq!(keys, faults);
        for key in keys {
            let text = format!("format = 1\n[prevalence]\n{key} = 2.5\n");
            let machine = crate::machine::parse::from_text(&text, std::path::Path::new("m.toml"))
                .expect("valid");
            assert_eq!(machine.prevalence.of(key), Some(0.025), "{key}");
        }
    }

    #[test]
    fn the_committed_table_reads_and_rises_with_the_score() {
        let table: Table = toml::from_str(include_str!("calibration.toml")).expect("valid TOML");
        for (signature, bases) in &table {
            assert!(ALL.iter().any(|s| s.id == signature), "{signature} is no signature");
            assert!(bases.values().all(|law| law.slope > 0.0 && law.bias.is_finite()));
            assert!(bases.values().all(|law| (0.001..0.999).contains(&law.prevalence)));
            let rivals = ALL.iter().filter(|s| s.id == signature).flat_map(|s| s.rivals);
            let rivals: Vec<&str> = rivals.map(|rival| rival.id).collect();
            let against = bases.values().flat_map(|law| &law.against);
            for (id, weight) in against {
                assert!(
                    rivals.contains(&id.as_str()) && *weight >= 0.0,
                    "{signature}: {id} {weight}"
                );
            }
        }
    }
}
