//! A loose sensor or cable: a steep rise towards low frequencies, or a baseline that jumps.
//!
//! Sensors that shift, warm up or are overloaded add steps and slow decays to their signal. Both have
//! a power spectrum that falls as 1/f²; integration to velocity makes it a steep slope that hides
//! everything below. Sound and displacement are left out: rooms rumble, and shafts do lift.

use crate::dsp::stats;
use crate::recording::Role;
use crate::recording::survey::{Moments, Survey};
use crate::speed::Speed;
use crate::units::Quantity;

use super::frames::Frames;
use super::words::{counted, number};
use super::{Affects, Check, Fit};

/// Exponent of the power spectrum from which the rise is called steep, between 1/f of electronics
/// and 1/f² of steps.
const STEEP: f64 = -1.5;
/// A course flatter than this, in dB per octave, is told as even.
const EVEN_DB: f64 = 1.0;
/// Share of the signal's power in the slope that is worth a word, and that drowns the rest (common
/// practice, no source).
const LIMITED_SHARE: f64 = 0.10;
const UNFIT_SHARE: f64 = 0.50;
/// Highest frequency taken for the slope, and where the speed is not known.
const SLOPE_TO_HZ: f64 = 100.0;
const SLOPE_TO_BLIND_HZ: f64 = 10.0;
/// Share of the lowest shaft frequency below which no line of the shaft is expected, but for whirl,
/// which is narrow and does not move a median.
const BELOW_SHAFT: f64 = 0.4;
/// First bin of the slope: the window spreads the mean over the bins before.
const FIRST_BIN: usize = 2;
/// Blocks of the baseline: length in seconds, and in turns of the slowest shaft.
const BLOCK_S: f64 = 0.05;
const BLOCK_TURNS: f64 = 2.0;
/// Blocks on each side of a jump, and fewest altogether.
const SIDE: usize = 3;
const LEAST_BLOCKS: usize = 16;
/// A jump exceeds the usual scatter of the baseline by this factor, and the rms beside it.
const JUMP_SCATTERS: f64 = 10.0;

/// Looks for slope and jumps; `None` for sound and displacement and where the record is too short.
pub fn check(survey: &Survey, long: Option<&Frames>, speed: Option<&Speed>) -> Option<Check> {
    let spec = &survey.channel.spec;
    if spec.role() != Role::Vibration || spec.quantity() == Quantity::Displacement {
        return None;
    }
    let lowest_hz = speed.map(|speed| speed.range_rpm().0 / 60.0);
    let jumps = jumps(survey, lowest_hz);
    let slope = long.and_then(|long| slope(long, lowest_hz));
    if jumps.is_empty() && slope.is_none() {
        return None;
    }
    let name = survey.channel.name();
    if let Some(&(time_s, height)) = jumps.first() {
        let found = format!(
            "The baseline jumps {}, first by {} {} at {} s.",
            counted(jumps.len(), "time"),
            number(height),
            survey.unit(),
            number(time_s),
        );
        return Some(
            Check::good("loose_sensor", jumps.len() as f64, "", found)
                .on(name)
                .so("The sensor or its cable is loose or overloaded: low frequencies and velocity are not to be trusted.")
                .rated(Fit::Limited, &[Affects::Levels]),
        );
    }
    let Slope { exponent, share, to_hz } = slope?;
    let found = format!(
        "{} % of the power lies below {} Hz, where it {}.",
        number(100.0 * share),
        number(to_hz),
        course(exponent),
    );
    let check = Check::good("loose_sensor", 100.0 * share, "%", found).on(name);
    if exponent > STEEP || share < LIMITED_SHARE {
        return Some(check);
    }
    // of an unknown quantity it may be a shaft's lift that a displacement sensor sees
    let drowned = share > UNFIT_SHARE && spec.quantity() != Quantity::Unknown;
    let fit = if drowned { Fit::Unfit } else { Fit::Limited };
    Some(
        check
            .so("So steep a rise comes from a loose or overloaded sensor, not from the machine: velocity and displacement read too high.")
            .rated(fit, &[Affects::Levels]),
    )
}

/// How power goes with frequency, from the exponent: per doubling of the frequency, as the trade says it.
fn course(exponent: f64) -> String {
    let db_per_octave = 10.0 * exponent * std::f64::consts::LOG10_2;
    if db_per_octave.abs() < EVEN_DB {
        return "is spread evenly".to_owned();
    }
    let goes = if db_per_octave < 0.0 { "falls" } else { "rises" };
    format!("{goes} by {} dB per octave", number(db_per_octave.abs()))
}

struct Slope {
    exponent: f64,
    share: f64,
    to_hz: f64,
}

/// The slope through the medians of half octaves, which narrow lines do not move.
fn slope(long: &Frames, lowest_hz: Option<f64>) -> Option<Slope> {
    let to_hz = lowest_hz.map_or(SLOPE_TO_BLIND_HZ, |hz| (BELOW_SHAFT * hz).min(SLOPE_TO_HZ));
    let power = long.mean_power();
    let last = ((to_hz / long.resolution_hz) as usize).min(power.len().saturating_sub(1));
    let (mut x, mut y) = (Vec::new(), Vec::new());
    let mut from = FIRST_BIN;
    while from <= last {
        let to = ((from as f64 * std::f64::consts::SQRT_2).ceil() as usize).max(from + 1);
        if to > last + 1 {
            break;
        }
        let median = stats::median(&power[from..to]);
        x.push((0.5 * (from + to - 1) as f64).ln() + std::f64::consts::LN_2);
        y.push(median.max(f64::MIN_POSITIVE).ln());
        from = to;
    }
    let line = stats::fit_line(&x, &y, &vec![1.0; x.len()]).filter(|_| x.len() >= 4)?;
    let total: f64 = power.iter().sum();
    let low: f64 = power.iter().take(last + 1).sum();
    (total > 0.0).then(|| Slope { exponent: line.slope, share: low / total, to_hz })
}

/// Times and heights of lasting jumps of the baseline.
fn jumps(survey: &Survey, lowest_hz: Option<f64>) -> Vec<(f64, f64)> {
    let rate_hz = survey.channel.rate_hz;
    let block_s =
        lowest_hz.filter(|hz| *hz > 0.0).map_or(BLOCK_S, |hz| BLOCK_S.max(BLOCK_TURNS / hz));
    let block = ((block_s * rate_hz) as usize).max(1);
    let blocks = survey.values().chunks_exact(block);
    let (means, levels): (Vec<f64>, Vec<f64>) =
        blocks.map(|chunk| Moments::of(chunk, survey.mean as f32).mean_and_rms()).unzip();
    if means.len() < LEAST_BLOCKS {
        return Vec::new();
    }
    let rises: Vec<f64> = (SIDE..=means.len() - SIDE)
        .map(|k| stats::median(&means[k..k + SIDE]) - stats::median(&means[k - SIDE..k]))
        .collect();
    let usual = stats::median(&rises.iter().map(|rise| rise.abs()).collect::<Vec<f64>>());
    let least = (JUMP_SCATTERS * usual).max(4.0 * survey.resolution());
    // means scatter with the level: a jump must stand out of what shakes beside it
    let is_jump = |k: usize| {
        let local = levels[k..k + 2 * SIDE].iter().fold(0.0_f64, |top, &level| top.max(level));
        rises[k].abs() > least.max(local)
    };
    let mut jumps: Vec<(f64, f64)> = Vec::new();
    let mut k = 0;
    while k < rises.len() {
        if !is_jump(k) {
            k += 1;
            continue;
        }
        // one jump is seen by several neighbours; the highest is its place
        let reach = (k + 2 * SIDE).min(rises.len());
        let peak =
            (k..reach).max_by(|&a, &b| rises[a].abs().total_cmp(&rises[b].abs())).unwrap_or(k);
        jumps.push((survey.channel.time_s(((peak + SIDE) * block) as f64), rises[peak].abs()));
        k = peak + 2 * SIDE;
    }
    jumps
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 1/f falls by a factor of two per doubling, 3.01 dB (arithmetic).
    #[test]
    fn a_course_is_told_in_decibels_per_octave() {
        assert_eq!(course(-0.0514), "is spread evenly");
        assert_eq!(course(-1.0), "falls by 3.01 dB per octave");
        assert_eq!(course(-2.0), "falls by 6.02 dB per octave");
        assert_eq!(course(2.0), "rises by 6.02 dB per octave");
    }
}
