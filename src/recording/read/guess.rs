//! What a channel is for, where nobody says: guessed from its name, its unit and its signal.

#![deny(clippy::indexing_slicing, clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use super::plain_name;
use crate::recording::{Channel, Recording, Role};
use crate::units::Quantity;

/// Sampling rates in Hz that are usual for sound and unusual for vibration.
const SOUND_RATES_HZ: &[f64] =
    &[16_000.0, 22_050.0, 24_000.0, 32_000.0, 44_100.0, 48_000.0, 88_200.0, 96_000.0];

/// Beginnings of words in names, and the role that they tell; the first match counts.
const NAMES: &[(&str, Role)] = &[
    ("pulse", Role::Pulse),
    ("tach", Role::Pulse),
    ("trig", Role::Pulse),
    ("rpm", Role::Speed),
    ("speed", Role::Speed),
    ("mic", Role::Sound),
    ("sound", Role::Sound),
    ("audio", Role::Sound),
    ("temp", Role::Slow),
    ("oil", Role::Slow),
    ("press", Role::Slow),
    ("vib", Role::Vibration),
    ("acc", Role::Vibration),
];

/// Whole words that tell a role.
const WORDS: &[(&str, Role)] = &[("key", Role::Pulse), ("index", Role::Pulse)];

/// The role that a name tells, if any.
pub(in crate::recording) fn by_name(name: &str) -> Option<Role> {
    let lower = name.to_lowercase();
    let words = || lower.split(|c: char| !c.is_alphabetic());
    let by_start = NAMES.iter().find(|row| words().any(|word| word.starts_with(row.0)));
    by_start.or_else(|| WORDS.iter().find(|row| words().any(|word| word == row.0))).map(|row| row.1)
}

fn by_unit(quantity: Quantity) -> Option<Role> {
    match quantity {
        Quantity::Acceleration | Quantity::Velocity | Quantity::Displacement => {
            Some(Role::Vibration)
        }
        Quantity::Pressure => Some(Role::Sound),
        Quantity::Speed => Some(Role::Speed),
        Quantity::Temperature => Some(Role::Slow),
        Quantity::Unknown => None,
    }
}

/// Gives every channel without a role one, and says why in a sentence each.
pub(in crate::recording) fn roles(channels: &mut [Channel]) -> Vec<String> {
    let count = channels.len();
    let mut guesses: Vec<Option<(Role, &str)>> = channels
        .iter()
        .map(|channel| channel.spec.role.is_none().then(|| guess(channel, count)))
        .collect();
    // if all looked like pulses nothing would be left to judge: then the shape tells nothing
    let is_pulse = |g: &Option<(Role, &str)>| matches!(g, Some((Role::Pulse, SHAPE)));
    if guesses.iter().all(is_pulse) {
        guesses.fill(Some((Role::Vibration, DEFAULT)));
    }
    // a stereo recording gives two that are alike; all else that looks like sound twice is vibration
    let is_stereo = |g: &Option<(Role, &str)>| matches!(g, Some((Role::Sound, STEREO)));
    let both = guesses.iter().all(is_stereo);
    if !both || !matches!(&*channels, [left, right] if are_alike(left.values(), right.values())) {
        let others = guesses.iter_mut().filter(|guess| is_stereo(guess));
        others.for_each(|guess| *guess = Some((Role::Vibration, DEFAULT)));
    }
    let mut notes = Vec::new();
    for (i, (channel, guess)) in channels.iter_mut().zip(guesses).enumerate() {
        if let Some((role, reason)) = guess {
            channel.spec.role = Some(role);
            notes.push(sentence(i, channel.name(), role, reason));
        }
    }
    notes
}

const NAME: &str = "its name says so";
const UNIT: &str = "its unit says so";
const SHAPE: &str = "the signal has two levels and even gaps";
const STEREO: &str = "the two are nearly the same, as in stereo, at a rate usual for sound";
const PHONE: &str = "it is the only one, with 16 bits at a rate usual for sound";
const WITHIN_ONE: &str = "it is the only one, within full scale at a rate usual for sound";
const DEFAULT: &str = "nothing says otherwise";

fn guess(channel: &Channel, count: usize) -> (Role, &'static str) {
    let (named, measured) = (by_name(channel.name()), by_unit(channel.spec.quantity()));
    match (named, measured) {
        // pulses come in any unit, and oil has a pressure too
        (Some(Role::Pulse), _) => return (Role::Pulse, NAME),
        (Some(role), None) => return (role, NAME),
        (Some(Role::Slow), Some(Role::Sound)) => return (Role::Slow, NAME),
        (_, Some(role)) => return (role, UNIT),
        (None, None) => {}
    }
    if count > 1 && is_pulse_train(channel.values()) {
        return (Role::Pulse, SHAPE);
    }
    match like_sound(channel) {
        Some(reason) if count == 1 => (Role::Sound, reason),
        // of a stereo recording; see `roles`
        Some(_) if count == 2 => (Role::Sound, STEREO),
        _ => (Role::Vibration, DEFAULT),
    }
}

/// Why an unnamed channel looks like that of a sound recording, if it does.
fn like_sound(channel: &Channel) -> Option<&'static str> {
    let is_plain = channel.name() == plain_name(0) || channel.name() == plain_name(1);
    if !is_plain || !SOUND_RATES_HZ.contains(&channel.rate_hz) {
        return None;
    }
    let is_16_bit = channel.least_step == Some(1.0 / 32768.0);
    let is_fraction = channel.full_scale.is_none()
        && channel.spec.unit.is_none()
        && channel.values().iter().all(|x| x.abs() <= 1.0);
    match (is_16_bit, is_fraction) {
        (true, _) => Some(PHONE),
        (false, true) => Some(WITHIN_ONE),
        (false, false) => None,
    }
}

/// Correlation from which two channels are those of one stereo recording. Two sensors on one machine stay
/// below 0.5 in the 27 pairs of the CWRU bearing data set (measured by us, without delay).
const ALIKE: f64 = 0.7;
/// How much louder one of them may be, as a ratio of levels.
const LOUDER: f64 = 2.0;

/// Whether two channels hear the same, without delay and about equally loud.
fn are_alike(left: &[f32], right: &[f32]) -> bool {
    let mean = |samples: &[f32]| {
        samples.iter().map(|&x| f64::from(x)).sum::<f64>() / samples.len().max(1) as f64
    };
    let means = (mean(left), mean(right));
    let (mut left_2, mut right_2, mut both) = (0.0, 0.0, 0.0);
    for (&l, &r) in left.iter().zip(right) {
        let (l, r) = (f64::from(l) - means.0, f64::from(r) - means.1);
        left_2 += l * l;
        right_2 += r * r;
        both += l * r;
    }
    let loud = left_2 <= LOUDER.powi(2) * right_2 && right_2 <= LOUDER.powi(2) * left_2;
    loud && both > 0.0 && both >= ALIKE * (left_2 * right_2).sqrt()
}

const TAKEN: &str = " is taken for ";

fn sentence(index: usize, name: &str, role: Role, reason: &str) -> String {
    let what = match role {
        Role::Vibration => "vibration",
        Role::Pulse => "the pulse",
        Role::Speed => "the speed",
        Role::Sound => "sound",
        Role::Slow => "a slow value",
        Role::Other => "something else",
    };
    format!("{}{TAKEN}{what}: {reason}", subject(index, name))
}

fn subject(index: usize, name: &str) -> String {
    let number = index + 1;
    if name == plain_name(index) {
        format!("channel {number}")
    } else {
        format!("channel {number} ({name})")
    }
}

/// Takes back that two channels are a stereo recording, with the note: where anything is stated about the
/// channels, they are those of sensors.
pub(in crate::recording) fn forget_stereo(recording: &mut Recording) {
    for (i, channel) in recording.channels.iter_mut().enumerate() {
        let told = sentence(i, channel.name(), Role::Sound, STEREO);
        if recording.notes.contains(&told) {
            recording.notes.retain(|note| *note != told);
            channel.spec.role = None;
        }
    }
}

/// Whether `note` tells a guess about the channel at `index`, called `name` then.
pub(in crate::recording) fn is_about(note: &str, index: usize, name: &str) -> bool {
    note.starts_with(&format!("{}{TAKEN}", subject(index, name)))
}

/// Bins of the histogram of levels.
const BINS: usize = 512;
/// Share of samples that may lie beyond a level: glitches.
const OUTLIERS: f64 = 2e-4;
/// Half-width of a level, as a share of the distance between the two.
const LEVEL_WIDTH: f64 = 0.15;
/// Share of samples at either level, from which on there are two levels (a sine has 0.51).
const AT_LEVELS: f64 = 0.85;
/// Fewest gaps between edges that can be judged.
const FEWEST_GAPS: usize = 8;
/// Share of neighbouring gaps that must agree (within [`GAP_RATIO`]); at random edges it is 0.18.
const EVEN_SHARE: f64 = 0.7;
/// Neighbouring gaps of a shaft that speeds up agree within this ratio, at a few samples per turn too.
const GAP_RATIO: f64 = 1.45;

/// Whether samples are shaft pulses: two levels, passed upwards at even intervals.
///
/// Impacts in a vibration signal swing to both sides of a middle level where most samples lie, and
/// have no second level. The limits are choices of this library, tried on simulated pulses.
pub(crate) fn is_pulse_train(samples: &[f32]) -> bool {
    let Some((low, high)) = levels(samples) else { return false };
    let gaps = gaps(samples, low, high);
    if gaps.len() < FEWEST_GAPS {
        return false;
    }
    let pairs = gaps.iter().zip(gaps.iter().skip(1));
    let is_even = |(a, b): &(&f64, &f64)| (GAP_RATIO.recip()..=GAP_RATIO).contains(&(*b / *a));
    let even = pairs.filter(is_even).count();
    even as f64 >= EVEN_SHARE * (gaps.len() - 1) as f64
}

/// The two levels at which most samples lie, if there are two.
fn levels(samples: &[f32]) -> Option<(f32, f32)> {
    let low = samples.iter().copied().fold(f32::INFINITY, f32::min);
    let high = samples.iter().copied().fold(f32::NEG_INFINITY, f32::max);
    let span = high - low;
    if !(span.is_finite() && span > 0.0) {
        return None;
    }
    let scale = BINS as f32 / span;
    let mut counts = [0_usize; BINS];
    for x in samples {
        // the cast saturates, and the largest sample falls into the last bin
        if let Some(count) = counts.get_mut((((x - low) * scale) as usize).min(BINS - 1)) {
            *count += 1;
        }
    }
    let beyond = (samples.len() as f64 * OUTLIERS) as usize;
    let from = end_bin(counts.iter(), beyond);
    let to = BINS - 1 - end_bin(counts.iter().rev(), beyond);
    let width = (to.checked_sub(from)? as f64 * LEVEL_WIDTH) as usize;
    let near = |bins: &[usize]| bins.iter().sum::<usize>() as f64;
    let at_low = near(counts.get(..=from + width)?);
    let at_high = near(counts.get(to - width..)?);
    let is_two = to - from > 2 * width + 1 && at_low + at_high >= AT_LEVELS * samples.len() as f64;
    let value = |bin: usize| low + (bin as f32 + 0.5) / scale;
    is_two.then(|| (value(from), value(to)))
}

/// The first bin, in the order given, with more than `beyond` samples up to it.
fn end_bin<'a>(counts: impl Iterator<Item = &'a usize>, beyond: usize) -> usize {
    let mut sum = 0;
    for (i, count) in counts.enumerate() {
        sum += count;
        if sum > beyond {
            return i;
        }
    }
    BINS - 1
}

/// Gaps in samples between upward passages from below 35 % to above 65 % of the way between levels.
fn gaps(samples: &[f32], low: f32, high: f32) -> Vec<f64> {
    let (arm, fire) = (low + 0.35 * (high - low), low + 0.65 * (high - low));
    let mut armed = false;
    let mut last: Option<usize> = None;
    let mut gaps = Vec::new();
    for (i, &x) in samples.iter().enumerate() {
        if x < arm {
            armed = true;
        } else if armed && x > fire {
            armed = false;
            if let Some(last) = last {
                gaps.push((i - last) as f64);
            }
            last = Some(i);
        }
    }
    gaps
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::TAU;

    fn signal(n: usize, of_turn: impl Fn(f64) -> f64) -> Vec<f32> {
        // a run-up from 20 to 220 Hz over a second, at n samples per second
        let turn = |i: usize| {
            let t = i as f64 / n as f64;
            20.0 * t + 100.0 * t * t
        };
        (0..n).map(|i| of_turn(turn(i)) as f32).collect()
    }

    /// Noise without a generator: the fractional parts of a quadratic sequence.
    fn noise(i: usize) -> f32 {
        ((i as f64 * i as f64 * 0.618_033_988_75).fract() - 0.5) as f32
    }

    #[test]
    fn pulses_of_any_width_are_found() {
        for width in [0.01, 0.05, 0.5, 0.95] {
            let mut pulses = signal(20_000, |turn| f64::from(turn.fract() < width));
            pulses.iter_mut().enumerate().for_each(|(i, x)| *x += 0.05 * noise(i));
            assert!(is_pulse_train(&pulses), "width {width}");
            let down: Vec<f32> = pulses.iter().map(|x| -x).collect();
            assert!(is_pulse_train(&down), "width {width}, downward");
        }
    }

    #[test]
    fn vibration_is_no_pulse() {
        let sine = signal(20_000, |turn| (TAU * turn).sin());
        let random: Vec<f32> = (0..20_000).map(noise).collect();
        // impacts at even intervals that ring on both sides, as of a bearing defect
        let impacts = signal(20_000, |turn| {
            let since = (3.6 * turn).fract();
            (-since * 8.0).exp() * (TAU * 12.0 * since).sin()
        });
        for (name, samples) in [("sine", sine), ("noise", random), ("impacts", impacts)] {
            assert!(!is_pulse_train(&samples), "{name}");
        }
        assert!(!is_pulse_train(&[0.0; 100]) && !is_pulse_train(&[]));
        assert!(!is_pulse_train(&[f32::MAX, f32::MIN].repeat(100)), "an overflowing span");
    }

    #[test]
    fn names_tell_roles() {
        assert_eq!(by_name("Tacho 1"), Some(Role::Pulse));
        assert_eq!(by_name("oil_pressure"), Some(Role::Slow));
        assert_eq!(by_name("shaft speed"), Some(Role::Speed));
        assert_eq!(by_name("mic left"), Some(Role::Sound));
        assert_eq!(by_name("key"), Some(Role::Pulse));
        assert_eq!(by_name("front"), None);
        assert_eq!(by_name("monkey"), None);
    }
}
