//! Automatic gain: a recorder that turns itself down as the machine gets louder.
//!
//! The evidence is the noise floor. Speeding up makes no machine's floor fall; where it does while the
//! level as a whole stays, the gain is being turned. A level that merely stays is not enough: sensors
//! of displacement above a critical speed show it too.

use crate::dsp::stats;
use crate::recording::Role;
use crate::recording::survey::Survey;
use crate::speed::Speed;

use super::frames::Frames;
use super::words::number;
use super::{Affects, Check, Fit, JUDGED_SHARE_OF_RATE};

/// Change of speed, highest over lowest, from which vibration must have grown: even above resonance
/// acceleration and sound grow by 19 dB.
const LEAST_RATIO: f64 = 3.0;
/// Spread of the level in dB (10th to 90th percentile) that counts as staying.
const STEADY_DB: f64 = 3.0;
/// Fall of the floor in dB over the change of speed, and its correlation with the logarithm of speed.
const FALL_DB: f64 = 6.0;
const CORRELATION: f64 = -0.9;

/// Looks for a gain that follows the level; `None` without evidence of one.
pub fn check(survey: &Survey, sweep: &Frames, speed: &Speed) -> Option<Check> {
    let (low_rpm, high_rpm) = speed.range_rpm();
    if high_rpm < LEAST_RATIO * low_rpm {
        return None;
    }
    let octaves: Vec<f64> = sweep.mid_s.iter().map(|&t| speed.hz_at(t).max(1e-9).log2()).collect();
    let levels: Vec<f64> = sweep
        .power
        .iter()
        .map(|frame| decibels(frame.iter().map(|&p| f64::from(p)).sum()))
        .collect();
    let floors: Vec<f64> = sweep.power.iter().map(|frame| floor_db(frame)).collect();
    let spread =
        stats::quantile_of(&mut levels.clone(), 0.9) - stats::quantile_of(&mut levels.clone(), 0.1);
    if spread > STEADY_DB {
        return None;
    }
    let line = stats::fit_line(&octaves, &floors, &vec![1.0; octaves.len()])?;
    let fall_db = -line.slope * (high_rpm / low_rpm).log2();
    if fall_db < FALL_DB || correlation(&octaves, &floors) > CORRELATION {
        return None;
    }
    let found = format!(
        "The noise floor falls by {} dB while the speed rises {} times and the level stays within {} dB.",
        number(fall_db),
        number(high_rpm / low_rpm),
        number(spread),
    );
    let trusted = survey.channel.spec.role() == Role::Vibration && survey.channel.is_calibrated();
    let fit = if trusted { Fit::Unfit } else { Fit::Limited };
    Some(
        Check::good("automatic_gain", fall_db, "dB", found)
            .on(survey.channel.name())
            .so("An automatic gain is at work, so levels and their growth with speed mean nothing: switch it off and record again.")
            .rated(fit, &[Affects::Levels]),
    )
}

fn decibels(power: f64) -> f64 {
    10.0 * power.max(f64::MIN_POSITIVE).log10()
}

/// The lower fifth of the judged bins, which lines do not reach.
fn floor_db(frame: &[f32]) -> f64 {
    let last = (2.0 * JUDGED_SHARE_OF_RATE * frame.len() as f64) as usize;
    let mut bins: Vec<f64> = frame.iter().take(last).skip(3).map(|&p| f64::from(p)).collect();
    decibels(stats::quantile_of(&mut bins, 0.2))
}

fn correlation(x: &[f64], y: &[f64]) -> f64 {
    let n = x.len().max(1) as f64;
    let (mx, my) = (x.iter().sum::<f64>() / n, y.iter().sum::<f64>() / n);
    let pairs = || x.iter().zip(y).map(|(x, y)| (x - mx, y - my));
    let xy: f64 = pairs().map(|(x, y)| x * y).sum();
    let (xx, yy) = pairs().fold((0.0, 0.0), |(xx, yy), (x, y)| (xx + x * x, yy + y * y));
    if xx > 0.0 && yy > 0.0 { xy / (xx * yy).sqrt() } else { 0.0 }
}
