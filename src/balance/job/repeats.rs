//! What a rig and a rotor scatter from spin to spin, from the repeats within a job.

use super::Job;
use super::event::Spin;
use crate::balance::estimate::{self, History, Posterior};
use crate::balance::vectors::Reading;
use crate::balance::{influence, scatter};
use crate::dsp::fft::Complex64;
use crate::error::Result;

/// Spin-to-spin scatter of a rig.
#[derive(Debug, Clone, PartialEq)]
pub struct RigScatter {
    /// Standard deviation of both parts of each reading.
    pub deviations: Vec<f64>,
    /// Degrees of freedom that it rests on.
    pub freedom: f64,
}

impl Job {
    /// Spin-to-spin scatter from repeats within the job, together with what earlier jobs on the rig tell, each
    /// weighing as it has degrees of freedom.
    pub(super) fn scatter_of(
        &self,
        spins: &[(usize, Spin)],
        history: &[estimate::Spin],
    ) -> Result<Option<RigScatter>> {
        let readings = self.rotor.readings().len();
        let (mut squares, mut freedom) = (vec![0.0; readings], 0.0);
        let mut add = |deviations: &mut dyn Iterator<Item = f64>, weight: f64| {
            freedom += weight;
            squares.iter_mut().zip(deviations).for_each(|(sum, d)| *sum += weight * d * d);
        };
        for group in repeats(spins, history) {
            let all: Vec<Vec<Reading>> = group
                .iter()
                .map(|spin| self.rotor.ordered(&spin.reading))
                .collect::<Result<_>>()?;
            let found = scatter::spin_scatter(&all)?;
            let weight = found.first().map_or(0.0, |one| one.freedom as f64);
            add(&mut found.iter().map(|one| one.deviation), weight);
        }
        let earlier = self.rotor.of_type.as_ref().filter(|t| t.scatter_peak.len() == readings);
        if let Some(of_type) = earlier {
            add(&mut of_type.scatter_peak.iter().copied(), of_type.scatter_freedom);
        }
        Ok((freedom > 0.0).then(|| RigScatter {
            deviations: squares.iter().map(|square| (square / freedom).sqrt()).collect(),
            freedom,
        }))
    }
}

/// Spins that nothing changed between, two at least in each group.
fn repeats<'a>(spins: &'a [(usize, Spin)], history: &[estimate::Spin]) -> Vec<Vec<&'a Spin>> {
    let mut groups: Vec<Vec<usize>> = Vec::new();
    for index in 0..spins.len() {
        let same = |last: &usize| {
            let (last, one) = (&history[*last], &history[index]);
            !spins[index].1.refitted
                && last.trial == one.trial
                && last.corrections == one.corrections
        };
        match groups.last_mut() {
            Some(group) if group.last().is_some_and(same) => group.push(index),
            _ => groups.push(vec![index]),
        }
    }
    groups.retain(|group| group.len() > 1);
    groups.into_iter().map(|g| g.into_iter().map(|index| &spins[index].1).collect()).collect()
}

/// What refits scatter: from the unbalance that each spin after one shows by itself, the readings' errors
/// taken off. `None` without refits.
pub(super) fn refit_scatter(
    history: &History,
    posterior: &Posterior,
    spins: &[(usize, Spin)],
) -> Option<(Vec<f64>, usize)> {
    let planes = posterior.now.mean.len();
    let (mut squares, mut freedom) = (vec![0.0; planes], 0_usize);
    let mut group: Vec<Vec<Complex64>> = Vec::new();
    let mut own = vec![0.0; planes];
    let mut close = |group: &mut Vec<Vec<Complex64>>, own: &[f64]| {
        if group.len() > 1 {
            for plane in 0..planes {
                let count = group.len() as f64;
                let mean = group.iter().map(|one| one[plane]).sum::<Complex64>() / count;
                let sum: f64 = group.iter().map(|one| (one[plane] - mean).norm_sqr()).sum();
                // both parts, each with its own degree of freedom less the mean's
                squares[plane] += 0.5 * sum - (count - 1.0) * own[plane].powi(2);
            }
            freedom += group.len() - 1;
        }
        group.clear();
    };
    let mut corrections = 0;
    for ((_, event), spin) in spins.iter().zip(&history.spins) {
        if spin.corrections != corrections {
            close(&mut group, &own);
            corrections = spin.corrections;
        }
        let errors = history.reading_errors(spin);
        let found = influence::unbalance(&posterior.coefficients, &spin.readings, &errors).ok()?;
        let alone: Vec<Complex64> =
            (0..planes).map(|plane| found.unbalance[plane] - spin.trial[plane]).collect();
        own = found.errors.iter().copied().collect();
        // a spin that no refit came before says no more of refits than the one before it
        if event.refitted || group.is_empty() {
            group.push(alone);
        }
    }
    close(&mut group, &own);
    let count = freedom;
    (count > 0).then(|| {
        let deviation = |sum: &f64| (sum / count as f64).max(0.0).sqrt();
        (squares.iter().map(deviation).collect(), count)
    })
}
