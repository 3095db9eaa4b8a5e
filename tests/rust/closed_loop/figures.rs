//! Many jobs, and what they come to.

use std::ops::Range;

use serde_json::{Value, json};

use super::rotor::{Case, End, Outcome};

/// Runs the jobs of all seeds on two threads; outcomes in the order of the seeds.
pub fn run(seeds: Range<u64>, case: Case, job: fn(u64, Case) -> Outcome) -> Vec<Outcome> {
    let middle = seeds.start + (seeds.end - seeds.start) / 2;
    std::thread::scope(|scope| {
        let half = scope.spawn(move || -> Vec<Outcome> {
            (seeds.start..middle).map(|seed| job(seed, case)).collect()
        });
        let rest: Vec<Outcome> = (middle..seeds.end).map(|seed| job(seed, case)).collect();
        half.join().expect("a job does not panic").into_iter().chain(rest).collect()
    })
}

/// Sums and means over jobs.
#[derive(Debug, Default)]
pub struct Tally {
    pub jobs: usize,
    pub refused: usize,
    pub passed: usize,
    /// Passed and truly within tolerance.
    pub within: usize,
    /// Means over the jobs that passed.
    pub corrections: f64,
    pub spins: f64,
    pub over_limit: f64,
    /// Not exceeded by 95 % of them.
    pub over_limit_95: f64,
    pub overshoots: usize,
    pub refused_recordings: usize,
    pub all_spins: usize,
    pub false_stops: usize,
    /// Disasters of jobs that were not refused: all, and those that change the unbalance by more than the tolerance.
    pub strikes: [usize; 2],
    pub caught: [usize; 2],
    pub named_first: [usize; 2],
    pub named_second: [usize; 2],
    /// Passed wrongly with a disaster that nobody found.
    pub wrong_passes_struck: usize,
}

impl Tally {
    pub fn of(outcomes: &[Outcome]) -> Self {
        let passed: Vec<&Outcome> = outcomes.iter().filter(|o| o.end == End::Passed).collect();
        let mean = |of: &dyn Fn(&Outcome) -> f64| {
            passed.iter().map(|o| of(o)).sum::<f64>() / passed.len().max(1) as f64
        };
        let mut over: Vec<f64> = passed.iter().map(|o| o.over_limit).collect();
        over.sort_by(f64::total_cmp);
        let missed = |o: &Outcome| o.strikes.iter().any(|s| s.rank.is_none());
        let mut tally = Self {
            jobs: outcomes.len(),
            refused: outcomes.iter().filter(|o| o.end == End::Refused).count(),
            passed: passed.len(),
            within: passed.iter().filter(|o| o.over_limit <= 1.0).count(),
            corrections: mean(&|o| o.corrections as f64),
            spins: mean(&|o| o.spins as f64),
            over_limit: mean(&|o| o.over_limit),
            over_limit_95: over.get(over.len() * 95 / 100).copied().unwrap_or(f64::NAN),
            overshoots: outcomes.iter().map(|o| o.overshoots).sum(),
            refused_recordings: outcomes.iter().map(|o| o.refused_recordings).sum(),
            all_spins: outcomes.iter().map(|o| o.spins).sum(),
            false_stops: outcomes.iter().map(|o| o.false_stops).sum(),
            wrong_passes_struck: passed.iter().filter(|o| o.over_limit > 1.0 && missed(o)).count(),
            ..Self::default()
        };
        let ended = outcomes.iter().filter(|o| o.end != End::Refused);
        for fate in ended.flat_map(|o| &o.strikes) {
            for kind in if fate.matters { 0..2 } else { 0..1 } {
                tally.strikes[kind] += 1;
                tally.caught[kind] += usize::from(fate.rank.is_some());
                tally.named_first[kind] += usize::from(fate.rank == Some(1));
                tally.named_second[kind] += usize::from(fate.rank == Some(2));
            }
        }
        tally
    }

    pub fn json(&self, case: &Case, method: &str) -> Value {
        json!({
            "layout": case.layout.word(),
            "column": case.column.name,
            "disasters": case.disasters,
            "recorded": case.recorded,
            "method": method,
            "jobs": self.jobs,
            "refused": self.refused,
            "passed": self.passed,
            "within": self.within,
            "corrections": self.corrections,
            "spins": self.spins,
            "residual_over_tolerance": self.over_limit,
            "residual_over_tolerance_95": self.over_limit_95,
            "overshoots": self.overshoots,
            "refused_recordings": self.refused_recordings,
            "all_spins": self.all_spins,
            "false_stops": self.false_stops,
            "strikes": self.strikes[0],
            "strikes_caught": self.caught[0],
            "strikes_that_matter": self.strikes[1],
            "caught": self.caught[1],
            "named_first": self.named_first[1],
            "named_second": self.named_second[1],
            "wrong_passes_struck": self.wrong_passes_struck,
        })
    }
}
