//! Silence: a channel that holds nothing but its converter's own noise.

use crate::dsp::stats;
use crate::recording::survey::Survey;
use crate::recording::{Channel, Role};

use super::words::number;
use super::{Affects, Check, Fit};

/// Level in converter steps up to which a channel shows only quantisation: an idle converter toggles
/// between two or three codes.
const SILENT_STEPS: f64 = 1.0;
/// Level in steps below which quantisation noise (0.29 steps rms) is no more than 20 dB down.
const FAINT_STEPS: f64 = 3.0;
/// Level over full scale below which 24-bit converters show their own noise, -110 dB (common
/// practice, no source).
const SILENT_SHARE: f64 = 3e-6;
/// Level over that of the other channels of the same unit, below which a cable may be off. Bearings
/// and directions of one machine differ by far less than 60 dB.
const DEAD_SHARE: f64 = 1e-3;

/// Whether a channel holds no signal at all.
pub fn is_silent(survey: &Survey) -> bool {
    let constant = survey.rms <= 0.5 * survey.resolution();
    let steps = survey.step.is_some_and(|step| survey.rms <= SILENT_STEPS * step);
    let share = survey.channel.full_scale.is_some_and(|fs| survey.rms < SILENT_SHARE * fs.abs());
    survey.rms == 0.0 || constant || steps || share
}

/// Judges the level of each channel.
pub fn check(surveys: &[Survey]) -> Vec<Check> {
    surveys.iter().map(|survey| check_one(survey, surveys)).collect()
}

fn check_one(survey: &Survey, all: &[Survey]) -> Check {
    let name = survey.channel.name();
    let level = format!("{} {} rms", number(survey.rms), survey.unit());
    let report = |found: String| Check::good("silence", survey.rms, survey.unit(), found).on(name);
    if is_silent(survey) {
        return report(format!("The channel holds no signal, only {level}."))
            .so("Nothing can be judged from it: look for a dead sensor, a loose cable or a muted input.")
            .rated(Fit::Unfit, &[Affects::Levels, Affects::Bearings]);
    }
    if let Some(step) = survey.step
        && survey.rms < FAINT_STEPS * step
    {
        let found = format!(
            "The level is {level}, only {} steps of the converter.",
            number(survey.rms / step)
        );
        return report(found)
            .so("Quantisation noise covers small lines: raise the gain.")
            .rated(Fit::Limited, &[Affects::Levels, Affects::Bearings]);
    }
    let mut others: Vec<f64> = all
        .iter()
        .filter(|other| other.channel.name() != name)
        .filter(|other| other.channel.spec.unit() == survey.channel.spec.unit())
        .map(|other| other.rms)
        .collect();
    let usual = stats::median_of(&mut others);
    if survey.rms < DEAD_SHARE * usual {
        let found = format!(
            "The level is {level}, {} dB below the other channels.",
            number(20.0 * (usual / survey.rms).log10())
        );
        return report(found)
            .so("The sensor may be dead or unplugged: nothing found on it means nothing.")
            .rated(Fit::Limited, &[Affects::Levels, Affects::Bearings]);
    }
    report(format!("The level is {level}."))
}

/// A pulse channel without pulses; `None` where it has a signal.
pub fn check_pulse(channel: &Channel) -> Option<Check> {
    debug_assert_eq!(channel.spec.role(), Role::Pulse);
    let survey = Survey::of(channel);
    is_silent(&survey).then(|| {
        let found = format!(
            "The pulse channel holds no signal, only {} {} rms.",
            number(survey.rms),
            survey.unit()
        );
        Check::good("silence", survey.rms, survey.unit(), found)
            .on(channel.name())
            .so("Neither speed nor phase can come from it: look to the pulse sensor and its mark.")
            .rated(Fit::Limited, &[Affects::Speed, Affects::Phase])
    })
}

/// The check of a recording without any channel to judge.
pub fn check_none() -> Check {
    Check::good("silence", 0.0, "channels", "There is neither a vibration nor a sound channel.")
        .so("There is nothing to judge: state the role of the channels in the machine file.")
        .rated(Fit::Unfit, &[Affects::Levels, Affects::Bearings])
}
