//! Signatures: what a fault looks like, with evidence and odds.
//!
//! Each file of this room exports one `SIGNATURE` per fault; [`ALL`] names them, a line each. A
//! signature scores a [`Case`] at one or more places; [`weigh`] turns scores into calibrated
//! probabilities and parts the faults that mimic each other.

pub mod bearing;
pub mod bent_shaft;
pub mod imbalance;
pub mod looseness;
pub mod resonance;
pub mod rub;
pub mod second_order;
pub mod weigh;

use serde::{Deserialize, Serialize};

use crate::case::Case;

/// All signatures, a line each.
pub const ALL: &[&Signature] = &[
    &imbalance::SIGNATURE,
    &second_order::MISALIGNMENT,
    &second_order::RAISED_2X,
    &bent_shaft::SIGNATURE,
    &looseness::SIGNATURE,
    &rub::SIGNATURE,
    &bearing::OUTER,
    &bearing::INNER,
    &bearing::BALL,
    &bearing::CAGE,
    &resonance::SIGNATURE,
];

/// A fault needs mending; an observation is worth knowing.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Kind {
    /// Something is wrong with the machine.
    Fault,
    /// A property of the machine or the measurement.
    Observation,
}

/// What a signature needs of a recording before it can say anything.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Need {
    /// A shaft speed from whatever source.
    Speed,
    /// A speed range of at least 1.25:1, for growth laws.
    RunUp,
    /// A vibration channel.
    Vibration,
    /// A rolling bearing with known multipliers in the machine file.
    Bearing,
    /// A coupling in the machine file.
    Coupling,
    /// No statement that there is a coupling.
    NoCoupling,
}

/// One piece of evidence: a number, its unit and a sentence.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Evidence {
    /// Stable key, with the unit in its name where it has one.
    pub key: String,
    /// The number.
    pub value: f64,
    /// Its unit; empty for ratios and counts.
    pub unit: String,
    /// The sentence that explains it.
    pub text: String,
}

impl Evidence {
    /// A piece of evidence.
    pub fn new(key: &str, value: f64, unit: &str, text: impl Into<String>) -> Self {
        Self { key: key.to_owned(), value, unit: unit.to_owned(), text: text.into() }
    }
}

/// How far a limit is used up.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Severity {
    /// Value over limit: 2.2 is 2.2 times the limit.
    pub ratio: f64,
    /// Relative standard uncertainty of the ratio.
    pub uncertainty: f64,
    /// The limit in words: `order1_mm_s_rms 4.5 at front`.
    pub limit: String,
}

/// What a signature says about one place.
#[derive(Debug, Clone, PartialEq)]
pub struct Score {
    /// The bearing or channel concerned; `None` for the machine as a whole.
    pub place: Option<String>,
    /// The channel whose signal was scored; `None` where several were.
    pub channel: Option<String>,
    /// What the odds rest on; each basis is calibrated by itself: `limit`, `absolute`, ...
    pub basis: &'static str,
    /// Raw natural log-odds from the physics, before calibration.
    pub log_odds: f64,
    /// The evidence, most telling first.
    pub evidence: Vec<Evidence>,
    /// Ratio to the limit that was checked, if one was.
    pub severity: Option<Severity>,
    /// Why nothing can be said, where that is so; then the log-odds count for nothing.
    pub cannot_tell: Option<String>,
    /// What to do about it here, where that says more than the signature's own advice.
    pub advice: Option<String>,
}

/// Another fault or observation that shows some of the same evidence.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Rival {
    /// Its id.
    pub id: &'static str,
    /// What parts the two, to follow 'put lower, as RIVAL explains it better: '.
    pub parted_by: &'static str,
}

/// One fault or observation: the contract that every file of this room fulfils.
pub struct Signature {
    /// Stable id, as in reports.
    pub id: &'static str,
    /// Name in running text.
    pub title: &'static str,
    /// Fault or observation.
    pub kind: Kind,
    /// What a recording must offer.
    pub needs: &'static [Need],
    /// Where the signature is published.
    pub source: &'static str,
    /// What to do about it.
    pub advice: &'static str,
    /// Scores a case, one [`Score`] per place.
    pub score: fn(&Case) -> Vec<Score>,
    /// Simulated faults (names understood by `simulate`) that prove the signature.
    pub proofs: &'static [&'static str],
    /// What mimics it. How much each counts against it is calibrated.
    pub rivals: &'static [Rival],
}

#[cfg(test)]
mod scratch {
    use super::*;
    use crate::simulate::{Scenario, simulate};
    use crate::{diagnose, progress::Silent};
    use std::collections::BTreeMap;

    fn auc(a: &[f64], b: &[f64]) -> f64 {
        let mut s = 0.0;
        for x in a {
            for y in b {
                s += if x > y {
                    1.0
                } else if x == y {
                    0.5
                } else {
                    0.0
                };
            }
        }
        s / (a.len() * b.len()).max(1) as f64
    }

    #[test]
    #[ignore]
    fn roc() {
        let n: u64 = std::env::var("N").ok().and_then(|s| s.parse().ok()).unwrap_or(20);
        let only = std::env::var("ONLY").unwrap_or_default();
        let sigs = ["looseness", "rub", "bent_shaft", "imbalance"];
        let classes: [&'static str; 7] = [
            "healthy",
            "imbalance",
            "misalignment",
            "bent_shaft",
            "looseness",
            "rub",
            "bearing_outer",
        ];
        let mut scores: BTreeMap<(&'static str, &'static str), Vec<f64>> = BTreeMap::new();
        let jobs: Vec<(&'static str, u64)> = classes
            .iter()
            .filter(|c| only.is_empty() || only.split(',').any(|o| o == **c))
            .flat_map(|c| (0..n).map(move |s| (*c, 1000 + s)))
            .collect();
        let work = |(class, seed): (&'static str, u64)| -> (String, Vec<(&'static str, &'static str, f64)>) {
            use std::fmt::Write; let mut out = String::new(); let mut rows = Vec::new();
            let fault = (class != "healthy").then_some(class);
            let scenario = Scenario::drawn(fault, seed).unwrap();
            if std::env::var("SHAFT").is_ok() && (scenario.speed.up_s == 0.0 || scenario.sensor.iter().all(|s| s.kind != crate::simulate::SensorKind::Shaft)) { return (out, rows); }
            let sim = simulate(&scenario, seed).unwrap();
            let (case, _) = diagnose::prepared(&sim.recording, &sim.machine, &mut Silent).unwrap();
            for sig in ALL.iter().filter(|s| sigs.contains(&s.id)) {
                let best = (sig.score)(&case).into_iter().filter(|s| s.cannot_tell.is_none()).max_by(|a, b| a.log_odds.total_cmp(&b.log_odds));
                if let Some(best) = best {
                    if std::env::var("SHOW").is_ok_and(|v| v.split(',').any(|o| o == sig.id)) {
                        let _ = writeln!(out, "{class} {seed} {} {:.2} top {} const {} {:?}", sig.id, best.log_odds, scenario.speed.top_rpm, scenario.speed.up_s == 0.0, scenario.line.iter().map(|l| (l.order, l.hz)).collect::<Vec<_>>());
                        if let Some(f) = &scenario.fault.looseness { let _ = writeln!(out, "    {f:?} noise {:?}", scenario.background.top_m_s2_rms); }
                        if let Some(f) = &scenario.fault.rub { let _ = writeln!(out, "    {f:?} noise {:?}", scenario.background.top_m_s2_rms); }
                        if let Some(f) = &scenario.fault.bent_shaft { let _ = writeln!(out, "    {f:?}"); }
                        for e in &best.evidence { let _ = writeln!(out, "    {} {:.3}: {}", e.key, e.value, e.text); }
                    }
                    rows.push((sig.id, class, best.log_odds));
                }
            }
            (out, rows)
        };
        let queue = std::sync::Mutex::new(jobs.into_iter());
        let done = std::sync::Mutex::new(Vec::new());
        std::thread::scope(|scope| {
            for _ in 0..3 {
                scope.spawn(|| {
                    loop {
                        let Some(job) = queue.lock().unwrap().next() else { break };
                        let (out, rows) = work(job);
                        print!("{out}");
                        done.lock().unwrap().extend(rows);
                    }
                });
            }
        });
        for (sig, class, v) in done.into_inner().unwrap() {
            scores.entry((sig, class)).or_default().push(v);
        }
        for sig in sigs {
            for class in classes {
                let Some(mut v) = scores.get(&(sig, class)).cloned() else { continue };
                v.sort_by(f64::total_cmp);
                let q = |f: f64| v[((v.len() - 1) as f64 * f) as usize];
                let a = scores.get(&(sig, sig)).map_or(0.0, |s| auc(s, &v));
                println!(
                    "{sig:12} {class:14} n {:3} min {:6.2} q10 {:6.2} q50 {:6.2} q90 {:6.2} max {:6.2}  auc {:.3}",
                    v.len(),
                    q(0.0),
                    q(0.1),
                    q(0.5),
                    q(0.9),
                    q(1.0),
                    a
                );
            }
        }
    }
}
