//! The spacing of several pulses within one turn: how many repeat, and how unevenly.

use crate::dsp::stats::{median, median_of, quantile_of, robust_deviation};

/// Most pulses per turn that are looked for when none are stated.
const MOST_LOOKED_FOR: usize = 32;
/// Pulses in the middle of the recording in which a repeat is looked for.
const MOST_LOOKED_AT: usize = 3000;
/// The repeat must explain this much of the scatter from one interval to the next.
const CLEAR_REPEAT: f64 = 0.5;

/// Intervals around one among which the usual one is found; a run-up changes little over them.
const NEAR: usize = 15;
/// How close to a whole multiple of the usual interval one must be to span lost pulses.
const WHOLE: f64 = 0.1;
/// Share of such intervals from which pulses are lost at random, or make up the pattern.
const MANY_MISSING: f64 = 0.12;

/// Spacing more even than this (scatter in parts of an interval) is taken as even: it may as well come
/// from the sampling.
const LEAST_UNEVEN: f64 = 0.015;

/// No index is surer than this, for a blade may be bent or a mark dirty (common practice, no source).
const MOST_ODDS: f64 = 0.999;
/// A change of so many deviations, or of so much more, is spoilt by a space that does not repeat.
const SPOILT: (f64, f64) = (4.0, 0.01);
/// A longer repeat must spoil less by this share of all changes.
const LESS_SPOILT: f64 = 0.1;

/// So many standard errors leave no doubt.
const SURE: f64 = 8.0;

/// Angles of the pulses within one turn.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Pattern {
    /// Angle of each pulse in turns, from 0, rising, below 1.
    pub angles: Vec<f64>,
    /// Whether the spacing is uneven beyond doubt, so that pulses are known apart.
    pub uneven: bool,
    /// Whether one space is the widest beyond doubt, so that the pulse after it is the first.
    pub index: bool,
    /// By how much the widest space exceeds the next, as a part of a mean space.
    pub lead: f64,
    /// Probability that the widest space is the one that it seems.
    pub index_odds: f64,
}

impl Pattern {
    /// `count` equal spaces.
    pub fn even(count: usize) -> Self {
        let angles = (0..count).map(|j| j as f64 / count as f64).collect();
        Self { angles, uneven: false, index: false, lead: 0.0, index_odds: 0.0 }
    }

    /// From spaces in turns; the pulse after the widest space becomes the first.
    fn from_spaces(spaces: &[f64]) -> Self {
        let total: f64 = spaces.iter().sum();
        let widest = (0..spaces.len()).max_by(|&a, &b| spaces[a].total_cmp(&spaces[b]));
        let first = widest.map_or(0, |widest| widest + 1);
        let mut angle = 0.0;
        let angles = (0..spaces.len())
            .map(|j| {
                let here = angle;
                angle += spaces[(first + j) % spaces.len()] / total;
                here
            })
            .collect();
        Self { angles, uneven: true, index: false, lead: 0.0, index_odds: 0.0 }
    }

    /// Pulses per turn.
    pub fn len(&self) -> usize {
        self.angles.len()
    }

    /// Angle in turns of pulse `number`, which may be negative.
    pub fn angle(&self, number: i64) -> f64 {
        let len = self.len() as i64;
        number.div_euclid(len) as f64 + self.angles[number.rem_euclid(len) as usize]
    }

    /// The pulse nearest to an angle in turns.
    pub fn nearest(&self, turns: f64) -> i64 {
        let len = self.len() as i64;
        let whole = turns.floor();
        let part = turns - whole;
        let after = self.angles.partition_point(|&a| a <= part) as i64;
        let base = whole as i64 * len;
        let (low, high) = (base + after - 1, base + after);
        if turns - self.angle(low) <= self.angle(high) - turns { low } else { high }
    }

    /// Space in turns between pulse `number` and the nearer of its neighbours.
    pub fn room(&self, number: i64) -> f64 {
        let here = self.angle(number);
        (here - self.angle(number - 1)).min(self.angle(number + 1) - here)
    }
}

/// Usual relative scatter of `lag` intervals from one start to the next, in parts of one interval,
/// such that independent errors of the pulses give the same value for every lag.
pub(super) fn scatter_at_lag(times: &[f64], lag: usize) -> f64 {
    let mut scatter: Vec<f64> =
        (0..times.len().saturating_sub(lag + 1)).map(|k| change_at(times, k, lag)).collect();
    if scatter.is_empty() {
        return f64::INFINITY;
    }
    // One odd space in many must show, and lost and doubled pulses must not: they spoil as many
    // starts as a lag is long, so that of long lags only the better part tells.
    let share = (0.78 - 0.04 * lag as f64).max(0.3);
    let errors: f64 = if lag == 1 { 6.0 } else { 4.0 };
    quantile_of(&mut scatter, share) / (gaussian_quantile_of_size(share) * errors.sqrt())
}

/// Share of the changes of `lag` intervals that are out of proportion to pulses of this scatter.
fn spoilt_at_lag(times: &[f64], lag: usize, scatter: f64) -> f64 {
    let count = times.len().saturating_sub(lag + 1);
    // a change is made of four errors
    let most = SPOILT.0 * 2.0 * scatter + SPOILT.1;
    let spoilt = (0..count).filter(|&k| change_at(times, k, lag) > most).count();
    spoilt as f64 / count.max(1) as f64
}

/// The size that a share of the values of a unit Gaussian stays below, to 1 % (Tukey's lambda
/// distribution with 0.135; from memory).
fn gaussian_quantile_of_size(share: f64) -> f64 {
    let p = 0.5 * (1.0 + share);
    (p.powf(0.135) - (1.0 - p).powf(0.135)) / 0.1975
}

/// Relative change of the time of `lag` intervals from pulse `k` to `k + 1`, in mean intervals.
pub(super) fn change_at(times: &[f64], k: usize, lag: usize) -> f64 {
    match times.get(k..k + lag + 2) {
        Some(part) => {
            let (first, last) = (part[lag] - part[0], part[lag + 1] - part[1]);
            (last - first).abs() / (0.5 * (first + last) / lag as f64)
        }
        None => f64::INFINITY,
    }
}

/// After how many pulses the spacing repeats: 1 where it is even.
pub(super) fn repeat_of(times: &[f64], stated: Option<u32>) -> usize {
    let from = times.len().saturating_sub(MOST_LOOKED_AT) / 2;
    let times = times.get(from..(from + MOST_LOOKED_AT).min(times.len())).unwrap_or(&[]);
    let most = MOST_LOOKED_FOR.max(stated.unwrap_or(1) as usize).min(times.len() / 6);
    let next = scatter_at_lag(times, 1);
    if next < LEAST_UNEVEN {
        return 1;
    }
    let scatters: Vec<f64> = (2..=most).map(|lag| scatter_at_lag(times, lag)).collect();
    let least = scatters.iter().copied().fold(f64::INFINITY, f64::min);
    if least > CLEAR_REPEAT * next {
        return 1;
    }
    // among the lags about as good as the best the shortest: its multiples repeat as well. One odd space
    // among many leaves most changes small at any lag, but spoils some at all but the right one
    let good = |&lag: &usize| scatters[lag - 2] <= 1.5 * least + 1e-4;
    let spoilt: Vec<(usize, f64)> =
        (2..=most).filter(good).map(|lag| (lag, spoilt_at_lag(times, lag, least))).collect();
    let fewest = spoilt.iter().map(|s| s.1).fold(f64::INFINITY, f64::min);
    let repeat = spoilt.iter().find(|s| s.1 <= fewest + LESS_SPOILT).map_or(1, |s| s.0);
    if many_are_missing(times) && !explains(times, repeat) { 1 } else { repeat }
}

/// Whether many intervals are whole multiples of the usual one, as lost pulses leave them.
fn many_are_missing(times: &[f64]) -> bool {
    let intervals: Vec<f64> = times.windows(2).map(|pair| pair[1] - pair[0]).collect();
    let is_multiple = |near: &[f64]| {
        let ratio = near[near.len() / 2] / median(near);
        ratio > 1.5 && (ratio - ratio.round()).abs() < WHOLE
    };
    let odd = intervals.windows(NEAR).filter(|near| is_multiple(near)).count();
    odd as f64 > MANY_MISSING * intervals.len() as f64
}

/// Whether a repeat explains why intervals differ as much as they do: where many pulses are lost at
/// random, intervals of one, two and three spaces fit some lag by chance, but then the place in the turn
/// says nothing of the interval.
fn explains(times: &[f64], repeat: usize) -> bool {
    let all: Vec<Vec<f64>> = (0..repeat).map(|j| shares(times, repeat, j)).collect();
    let scatter = |values: &[f64]| {
        let middle = median(values);
        values.iter().map(|x| (x - middle).abs()).sum::<f64>()
    };
    let own: f64 = all.iter().map(|values| scatter(values)).sum();
    own <= CLEAR_REPEAT * scatter(&all.concat())
}

/// Learns the spacing of `count` pulses per turn from a clean run of pulses; even spacing where the
/// spaces do not differ beyond doubt.
pub(super) fn learn(run: &[f64], count: usize) -> Pattern {
    if count < 2 || run.len() < 3 * count {
        return Pattern::even(count);
    }
    let all: Vec<Vec<f64>> = (0..count).map(|j| shares(run, count, j)).collect();
    let spaces: Vec<f64> = all.iter().map(|own| median(own)).collect();
    let error = all.iter().map(|own| error_of_median(own)).fold(0.0, f64::max);
    let mut sorted = spaces.clone();
    sorted.sort_by(f64::total_cmp);
    let (Some(&least), Some(&widest)) = (sorted.first(), sorted.last()) else {
        return Pattern::even(count);
    };
    let clear = (LEAST_UNEVEN / count as f64).max(SURE * error);
    if least <= 0.0 || widest - least < clear {
        return Pattern::even(count);
    }
    let ahead = widest - sorted[count - 2];
    Pattern {
        index: ahead > clear,
        lead: ahead * count as f64,
        index_odds: odds_of_lead(ahead, error, count),
        ..Pattern::from_spaces(&spaces)
    }
}

/// Probability that a space which leads by `ahead`, each known to `error`, is the widest of `count`: the
/// chances of all others together are below the bound of the Gaussian's tail, exp(-x^2 / 2) / 2.
fn odds_of_lead(ahead: f64, error: f64, count: usize) -> f64 {
    let deviations = ahead / (error * std::f64::consts::SQRT_2).max(f64::MIN_POSITIVE);
    let another = 0.5 * (count - 1) as f64 * (-0.5 * deviations * deviations).exp();
    (1.0 - another).clamp(0.0, MOST_ODDS)
}

/// Standard error of a median, from the scatter of its values.
pub(super) fn error_of_median(values: &[f64]) -> f64 {
    1.25 * robust_deviation(values) / (values.len().max(1) as f64).sqrt()
}

/// The number of a run's first pulse in a known uneven pattern.
pub(super) fn locate(run: &[f64], pattern: &Pattern) -> i64 {
    let count = pattern.len();
    if !pattern.uneven || count == 1 {
        return 0;
    }
    let spaces: Vec<f64> = (0..count).map(|j| median_of(&mut shares(run, count, j))).collect();
    let misfit = |first: usize| -> f64 {
        let known = |j: usize| {
            let number = (first + j) as i64;
            pattern.angle(number + 1) - pattern.angle(number)
        };
        spaces.iter().enumerate().map(|(j, &s)| (s - known(j)).powi(2)).sum()
    };
    (0..count).min_by(|&a, &b| misfit(a).total_cmp(&misfit(b))).unwrap_or(0) as i64
}

/// Every interval `j`, `j + count`, ... of a run as a share of the turn around it. Turns that begin
/// before and after the interval are averaged, so that a steady ramp cancels.
fn shares(run: &[f64], count: usize, j: usize) -> Vec<f64> {
    (j..run.len().saturating_sub(1))
        .step_by(count)
        .filter_map(|k| {
            let interval = run.get(k + 1)? - run.get(k)?;
            let half = count / 2;
            let early = k.saturating_sub(half).min(run.len().checked_sub(count + 1)?);
            let turn = run.get(early + count)? - run.get(early)?;
            Some(interval / turn)
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use rand::{Rng, SeedableRng};

    use super::*;

    fn uneven(turns: usize) -> Vec<f64> {
        (0..turns * 3).map(|k| (k / 3) as f64 + [0.0, 0.3, 0.6][k % 3]).collect()
    }

    #[test]
    fn finds_the_repeat_and_the_spaces() {
        let times = uneven(20);
        assert_eq!(repeat_of(&times, None), 3);
        let pattern = learn(&times[1..], 3);
        assert!(pattern.uneven && pattern.index);
        // the widest space, 0.4, ends at pulse 0 of each turn
        for (angle, expected) in pattern.angles.iter().zip([0.0, 0.3, 0.6]) {
            assert!((angle - expected).abs() < 1e-9, "{:?}", pattern.angles);
        }
        assert_eq!(locate(&times[1..40], &pattern), 1);
        assert_eq!(locate(&times[2..40], &pattern), 2);
    }

    #[test]
    fn one_blade_out_of_place_repeats_with_the_turn() {
        let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(3);
        let blade = |k: usize| if k.is_multiple_of(11) { 0.02 } else { 0.0 };
        let times: Vec<f64> = (0..3300)
            .map(|k| k as f64 / 11.0 + blade(k) + random.random_range(-1e-3..1e-3))
            .collect();
        assert_eq!(repeat_of(&times, Some(11)), 11);
        let pattern = learn(&times[..1100], 11);
        assert!(pattern.index && pattern.index_odds > 0.99);
        assert!((pattern.lead - 0.22).abs() < 0.02, "{}", pattern.lead);
        // the widest space is nothing to go by where the next is as wide
        assert!(odds_of_lead(1e-3, 1e-3, 11) < 0.1);
    }

    #[test]
    fn even_pulses_show_no_repeat() {
        let jitter = |k: i32| 0.05 * (f64::from(k) * 12.9898).sin() * 43758.5453 % 0.05;
        let times: Vec<f64> = (0..200).map(|k| f64::from(k) + jitter(k)).collect();
        assert_eq!(repeat_of(&times, None), 1);
        assert!(!learn(&times, 4).uneven);
    }

    #[test]
    fn pulses_lost_at_random_show_no_repeat() {
        for seed in 0..40 {
            let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(seed);
            let lost = 0.05 * (seed % 10) as f64;
            let times: Vec<f64> =
                (0..4000).map(f64::from).filter(|_| random.random::<f64>() >= lost).collect();
            assert_eq!(repeat_of(&times, None), 1, "seed {seed}, {lost} lost");
        }
    }

    #[test]
    fn nearest_pulse_of_an_angle() {
        let pattern = Pattern::from_spaces(&[0.3, 0.3, 0.4]);
        assert_eq!(pattern.nearest(0.29), 1);
        assert_eq!(pattern.nearest(-0.05), 0);
        assert_eq!(pattern.nearest(-0.3), -1);
        assert_eq!(pattern.nearest(2.65), 8);
    }
}
