//! Resonances at standstill, from a recording of taps.
//!
//! Each tap rings the structure; what follows it is a sum of decaying modes. The spectrum of a decay
//! `e^{(-z + i sqrt(1 - z²)) wn t}` is, bin by bin and exactly, a constant over `1 - e^{s / rate - i w}`
//! (the geometric series), however early it is cut off. So natural frequency and damping of a mode, common
//! to all taps, are fitted to the bins around its peak with one complex factor for each tap; other modes
//! add a straight line there (D. J. Ewins, Modal Testing, 2nd ed. 2000, chapter 4: from memory).

mod decays;
mod modes;

use serde::{Deserialize, Serialize};

use crate::dsp::{fft, stats};
use crate::error::{Error, Result};
use crate::progress::Silent;
use crate::recording::{Channel, Recording, Role};
use crate::speed::pulses::speed_from_pulses;
use decays::Tap;

/// Fewer taps than this tell nothing of their scatter.
const LEAST_TAPS: usize = 3;
/// Taps are crowded where more than this share of the ringing is left when the next one strikes, and far enough
/// apart where it has fallen to the second (common practice, no source).
const CROWDED: f64 = 0.05;
const DIED_AWAY: f64 = 0.01;

/// A mode that rings at standstill.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Ringing {
    /// Undamped natural frequency in Hz.
    pub hz: f64,
    /// Its standard error in Hz, from the scatter between taps.
    pub hz_error: f64,
    /// Damping ratio.
    pub damping: f64,
    /// Its standard error.
    pub damping_error: f64,
    /// Height of its peak in the averaged response, as a share of the highest.
    pub share: f64,
}

/// What a channel of a tap recording shows.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TapResponse {
    /// Name of the channel.
    pub channel: String,
    /// Taps used: those neither clipped nor cut short, by the next stroke or the end, to less than half of the
    /// time that one is usually heard; 0 where the channel feels none.
    pub taps: usize,
    /// Lowest and highest frequency at which modes are looked for, in Hz; both 0 where no tap is used.
    pub searched_hz: [f64; 2],
    /// The modes that ring, lowest first.
    pub modes: Vec<Ringing>,
    /// What is wrong with the taps, a sentence each: none seen, clipped, cut short, too close together, too few.
    pub remarks: Vec<String>,
}

/// The modes that ring in each judged channel of a recording of taps on a machine at standstill.
///
/// Clipped taps are left out, as tests by impact ask for (D. J. Ewins, as above: from memory).
///
/// # Errors
/// [`Error::Input`] where a pulse channel shows that the shaft turns, no channel holds a tap, or all taps are
/// clipped or cut short.
pub fn ringing(recording: &Recording) -> Result<Vec<TapResponse>> {
    for channel in recording.with_role(Role::Pulse) {
        if let Ok(speed) = speed_from_pulses(channel, &mut Silent) {
            let rpm = speed.range_rpm().1;
            return Err(Error::input(
                recording.source(),
                format!("channel {}", channel.name()),
                format!("its pulses show that the shaft turns, at up to {rpm:.0} rpm"),
                "record the taps with the shaft at standstill",
            ));
        }
    }
    let judged = recording.judged();
    let struck: Vec<Struck> = judged.iter().map(|channel| Struck::of(channel)).collect();
    if struck.iter().all(|one| one.used.is_empty()) {
        return Err(nothing_usable(recording, &struck));
    }
    Ok(struck.iter().map(Struck::response).collect())
}

/// Why no tap can be used.
fn nothing_usable(recording: &Recording, struck: &[Struck]) -> Error {
    let Some(one) = struck.iter().find(|one| one.heard > 0) else {
        return Error::input(
            recording.source(),
            "",
            "no taps are in it: nothing starts at once, rings and dies away",
            "tap the casing at standstill, about ten times and a second apart",
        );
    };
    let place = format!("channel {}, from {:.3} s", one.channel.name(), one.first_s);
    if one.clipped > 0 {
        let problem = match (one.heard, one.clipped) {
            (1, _) => "the only tap is clipped".to_owned(),
            (heard, clipped) if heard == clipped => format!("all {heard} taps are clipped"),
            (heard, clipped) => {
                let verb = if clipped == 1 { "is" } else { "are" };
                format!(
                    "{clipped} of {heard} taps {verb} clipped, the others too close together or to the end"
                )
            }
        };
        let mend = "lower the gain or strike more softly, and record the taps again";
        return Error::input(recording.source(), place, problem, mend);
    }
    Error::input(
        recording.source(),
        place,
        "the taps follow each other, or the end follows them, within 20 ms",
        "tap about ten times, a second apart, and let the last one die away",
    )
}

/// A channel and the taps that it feels.
struct Struck<'a> {
    channel: &'a Channel,
    /// The taps that are used, and the samples of each that are.
    used: Vec<Tap>,
    len: usize,
    /// Taps in all, those left out as clipped and as cut short, and when the first starts, in s.
    heard: usize,
    clipped: usize,
    short: usize,
    first_s: f64,
    /// Usual time between two taps, in s; `None` of a single one.
    apart_s: Option<f64>,
}

impl<'a> Struck<'a> {
    fn of(channel: &'a Channel) -> Self {
        let taps = decays::taps(channel);
        let heard = taps.len();
        let first_s = taps.first().map_or(0.0, |tap| channel.time_s(tap.onset as f64));
        let apart: Vec<f64> =
            taps.windows(2).map(|pair| (pair[1].onset - pair[0].onset) as f64).collect();
        let whole: Vec<Tap> = taps.into_iter().filter(|tap| !tap.is_clipped).collect();
        let clipped = heard - whole.len();
        let (used, len) = long_enough(whole, channel.rate_hz);
        Self {
            channel,
            len,
            heard,
            clipped,
            short: heard - clipped - used.len(),
            first_s,
            apart_s: (!apart.is_empty()).then(|| stats::median(&apart) / channel.rate_hz),
            used,
        }
    }

    fn response(&self) -> TapResponse {
        let spectra = self.spectra();
        let modes = spectra.modes();
        TapResponse {
            channel: self.channel.name().to_owned(),
            taps: self.used.len(),
            searched_hz: if self.used.is_empty() { [0.0; 2] } else { spectra.searched_hz() },
            remarks: self.remarks(&modes),
            modes,
        }
    }

    /// The spectra of the decays.
    fn spectra(&self) -> modes::Response {
        let samples = self.channel.values();
        let decays = self.used.iter().filter_map(|tap| {
            let from = tap.free.start;
            samples.get(from..from + self.len)
        });
        modes::Response::of(decays, self.channel.rate_hz)
    }

    fn remarks(&self, modes: &[Ringing]) -> Vec<String> {
        let name = self.channel.name();
        if self.heard == 0 {
            return vec![format!("no taps seen on channel {name}")];
        }
        let (used, heard) = (self.used.len(), self.heard);
        let clipped = (self.clipped > 0).then(|| {
            format!(
                "{} of {heard} taps on channel {name} clipped and left out: lower the gain or strike more softly",
                self.clipped
            )
        });
        let short = (self.short > 0).then(|| {
            format!(
                "{} of {heard} taps on channel {name} cut short by the next stroke or the end, and left out",
                self.short
            )
        });
        let few = match used {
            0 => Some(format!("no usable tap on channel {name}: nothing tells what rings there")),
            1..LEAST_TAPS => Some(format!(
                "only {used} usable {} on channel {name}: nothing tells the scatter of frequency and damping, and \
                 their errors are guesses; strike about ten times",
                if used == 1 { "tap" } else { "taps" }
            )),
            _ => None,
        };
        [clipped, short, self.crowded(modes), few].into_iter().flatten().collect()
    }

    /// Says where the ringing of one tap runs into the next. What is left of it keeps frequency and damping, so
    /// that no result is wrong, but the decays are short and the modes less sure.
    fn crowded(&self, modes: &[Ringing]) -> Option<String> {
        let apart_s = self.apart_s?;
        let len_s = self.len as f64 / self.channel.rate_hz;
        let left = share_left(modes, len_s, apart_s);
        if left.is_nan() || left <= CROWDED {
            return None;
        }
        let wait_s = (1..=200).map(|step| 0.1 * f64::from(step));
        let enough_s =
            wait_s.into_iter().find(|&time_s| share_left(modes, len_s, time_s) <= DIED_AWAY);
        Some(format!(
            "taps on channel {} are crowded, usually {apart_s:.2} s apart: {:.0} % of the ringing runs into the \
             next one; wait {} s between taps",
            self.channel.name(),
            100.0 * left,
            enough_s.map_or("over 20".to_owned(), |time_s| format!("{time_s:.1}")),
        ))
    }
}

/// The taps whose decays are long enough, and the length in samples to which these are brought: that of the
/// usual one, and no longer than any of them is free. A bounce of the hammer, or an end soon after the last
/// stroke, must not shorten all the others.
fn long_enough(taps: Vec<Tap>, rate_hz: f64) -> (Vec<Tap>, usize) {
    let mut free: Vec<Tap> = taps.into_iter().filter(|tap| tap.is_free(rate_hz)).collect();
    let usual = stats::median_of(&mut free.iter().map(|tap| tap.heard as f64).collect::<Vec<_>>());
    free.retain(|tap| tap.free.len() as f64 >= 0.5 * usual);
    let len = free.iter().map(|tap| tap.free.len()).min().unwrap_or(0).min(usual as usize);
    let len = if free.is_empty() { 0 } else { fft::good_length_below(len) };
    (free, len)
}

/// Share of the ringing that is left after a time in s; not a number where nothing rings.
///
/// A mode of size A that falls at the rate s peaks, seen for a time T, at A (1 - e^(-s T)) / s: so its size is
/// had from the peak in the spectrum of decays `len_s` long.
fn share_left(modes: &[Ringing], len_s: f64, time_s: f64) -> f64 {
    let sizes = modes.iter().map(|mode| {
        let decay = std::f64::consts::TAU * mode.hz * mode.damping;
        (mode.share * decay / -(-decay * len_s).exp_m1(), (-decay * time_s).exp())
    });
    let (all, left) =
        sizes.fold((0.0, 0.0), |(all, left), (size, decay)| (all + size, left + size * decay));
    left / all
}

#[cfg(test)]
mod tests {
    use std::f64::consts::TAU;

    use super::*;
    use crate::dsp::test_noise::Random;
    use crate::recording::ChannelSpec;

    const RATE_HZ: f64 = 25_600.0;

    /// Taps every 0.7 s: modes given by frequency, damping ratio and size, each struck a little
    /// differently, in noise.
    fn tapped(modes: &[(f64, f64, f64)], noise: f64) -> Vec<f32> {
        tapped_every(0.7, 10, modes, noise)
    }

    fn tapped_every(apart_s: f64, taps: u32, modes: &[(f64, f64, f64)], noise: f64) -> Vec<f32> {
        let mut random = Random(11);
        let len = (1.0 + apart_s * f64::from(taps)) * RATE_HZ;
        let mut samples: Vec<f64> = (0..len as usize).map(|_| noise * random.next()).collect();
        for tap in 0..taps {
            let start = ((0.5 + apart_s * f64::from(tap)) * RATE_HZ) as usize;
            for &(hz, zeta, size) in modes {
                let (strength, lead) = (size * (1.0 + 0.4 * random.next()), 0.5 * random.next());
                let wn = TAU * hz;
                for (i, value) in samples.iter_mut().skip(start).take(12_000).enumerate() {
                    let t = i as f64 / RATE_HZ;
                    let turn = wn * (1.0 - zeta * zeta).sqrt() * t + lead;
                    *value += strength * (-zeta * wn * t).exp() * turn.sin();
                }
            }
        }
        samples.into_iter().map(|x| x as f32).collect()
    }

    fn channel(name: &str, samples: Vec<f32>) -> Channel {
        let spec = ChannelSpec { role: Some(Role::Vibration), ..ChannelSpec::named(name) };
        Channel::new(spec, RATE_HZ, samples).expect("valid")
    }

    fn recording(samples: Vec<f32>) -> Recording {
        Recording::from_channels("taps", vec![channel("front", samples)]).expect("valid")
    }

    fn cut_at(share: f32, samples: Vec<f32>) -> Vec<f32> {
        let rail = share * samples.iter().fold(0.0_f32, |rail, x| rail.max(x.abs()));
        samples.into_iter().map(|x| x.clamp(-rail, rail)).collect()
    }

    /// Acceleration of a body on spring and damper, struck for 0.5 ms by half a sine ten times, a second apart:
    /// its equation of motion followed by Runge-Kutta steps of a quarter of a sample.
    fn struck_body(hz: f64, zeta: f64, noise: f64, seed: u32) -> Vec<f32> {
        const STROKE_S: f64 = 5e-4;
        let wn = TAU * hz;
        let mut random = Random(seed);
        let (mut x, mut v) = (0.0, 0.0);
        let mut strength = 1.0;
        let force = |t: f64, strength: f64| {
            let since = (t - 0.3).rem_euclid(1.0);
            if since < STROKE_S { strength * (0.5 * TAU * since / STROKE_S).sin() } else { 0.0 }
        };
        let samples = (0..(10.2 * RATE_HZ) as usize).map(|i| {
            if i % RATE_HZ as usize == 0 {
                strength = 1.0 + 0.3 * random.next();
            }
            let step = 0.25 / RATE_HZ;
            let a = |x: f64, v: f64, t: f64| force(t, strength) - 2.0 * zeta * wn * v - wn * wn * x;
            let start = i as f64 / RATE_HZ;
            let out = a(x, v, start);
            for quarter in 0..4 {
                let t = start + f64::from(quarter) * step;
                let (k1, l1) = (v, a(x, v, t));
                let (k2, l2) = (
                    v + 0.5 * step * l1,
                    a(x + 0.5 * step * k1, v + 0.5 * step * l1, t + 0.5 * step),
                );
                let (k3, l3) = (
                    v + 0.5 * step * l2,
                    a(x + 0.5 * step * k2, v + 0.5 * step * l2, t + 0.5 * step),
                );
                let (k4, l4) = (v + step * l3, a(x + step * k3, v + step * l3, t + step));
                x += step / 6.0 * (k1 + 2.0 * k2 + 2.0 * k3 + k4);
                v += step / 6.0 * (l1 + 2.0 * l2 + 2.0 * l3 + l4);
            }
            (out + noise * random.next()) as f32
        });
        samples.collect()
    }

    #[test]
    fn frequencies_and_dampings_of_what_rings() {
        let modes = [(310.0, 0.012, 1.0), (684.0, 0.03, 0.8), (1_450.0, 0.006, 0.5)];
        let found = ringing(&recording(tapped(&modes, 0.003))).expect("there are taps");
        let [front] = &found[..] else { panic!("{found:?}") };
        assert_eq!((front.channel.as_str(), front.taps), ("front", 10));
        assert_eq!(front.modes.len(), 3, "{front:?}");
        assert!(front.remarks.is_empty(), "{front:?}");
        for (mode, (hz, zeta, _)) in front.modes.iter().zip(modes) {
            assert!((mode.hz / hz - 1.0).abs() < 0.002, "{mode:?}");
            assert!((mode.damping / zeta - 1.0).abs() < 0.1, "{mode:?}");
            assert!((mode.hz - hz).abs() < 3.0 * mode.hz_error, "{mode:?}");
            assert!((mode.damping - zeta).abs() < 3.0 * mode.damping_error, "{mode:?}");
            assert!(mode.hz_error < 0.01 * hz, "{mode:?}");
        }
    }

    /// Frequency and damping are those of the equation of motion.
    #[test]
    fn light_and_heavy_damping_of_a_struck_body() {
        let mut sigmas = Vec::new();
        for hz in [120.0, 684.0, 2_300.0] {
            for zeta in [0.005, 0.02, 0.05, 0.07, 0.1] {
                for noise in [1e-3, 5e-3] {
                    let told = format!("{hz} Hz, {zeta}, noise {noise}");
                    let samples = struck_body(hz, zeta, noise, sigmas.len() as u32 + 1);
                    let found = ringing(&recording(samples)).expect(&told);
                    let [front] = &found[..] else { panic!("{found:?}") };
                    let [mode] = front.modes[..] else { panic!("{told}: {front:?}") };
                    assert_eq!((front.taps, front.remarks.len()), (10, 0), "{told}: {front:?}");
                    assert!(mode.damping_error < 0.05 * zeta, "{told}: {mode:?}");
                    sigmas.push((mode.hz - hz) / mode.hz_error);
                    sigmas.push((mode.damping - zeta) / mode.damping_error);
                }
            }
        }
        let within = sigmas.iter().filter(|sigma| sigma.abs() < 2.0).count();
        assert!(within as f64 >= 0.95 * sigmas.len() as f64, "{sigmas:?}");
        assert!(sigmas.iter().all(|sigma| sigma.abs() < 3.5), "{sigmas:?}");
    }

    #[test]
    fn clipped_taps_are_left_out() {
        let (hz, zeta) = (310.0, 0.012);
        let samples = tapped(&[(hz, zeta, 1.0)], 0.003);
        let found = ringing(&recording(cut_at(0.7, samples.clone()))).expect("some are whole");
        let [front] = &found[..] else { panic!("{found:?}") };
        assert!(front.taps >= 3 && front.taps < 10, "{front:?}");
        let told = format!("{} of 10 taps on channel front clipped and left out", 10 - front.taps);
        assert!(front.remarks[0].starts_with(&told), "{front:?}");
        let [mode] = front.modes[..] else { panic!("{front:?}") };
        assert!((mode.hz / hz - 1.0).abs() < 0.002, "{mode:?}");
        assert!((mode.damping / zeta - 1.0).abs() < 0.1, "{mode:?}");

        let error = ringing(&recording(cut_at(0.2, samples))).expect_err("none is whole");
        let error = error.to_string();
        assert!(error.contains("taps") && error.contains("channel front, from 0.5"), "{error}");
        assert!(error.contains("all 10 taps are clipped") && error.contains("softly"), "{error}");
    }

    /// Ten good taps, a bounce 25 ms after the fourth, and an end 25 ms after one more: these two are left out,
    /// and the others are heard as long as without them.
    #[test]
    fn taps_cut_short_do_not_shorten_the_others() {
        let (hz, zeta) = (310.0, 0.012);
        let mut samples = tapped_every(0.7, 11, &[(hz, zeta, 1.0)], 0.003);
        let at = |time_s: f64| (time_s * RATE_HZ) as usize;
        let (bounce, end) = (at(0.5 + 3.0 * 0.7 + 0.025), at(0.5 + 10.0 * 0.7 + 0.025));
        samples.truncate(end);
        for (i, value) in samples.iter_mut().skip(bounce).take(12_000).enumerate() {
            let turn = TAU * hz * i as f64 / RATE_HZ;
            *value += (2.0 * (-zeta * turn).exp() * turn.sin()) as f32;
        }
        let found = ringing(&recording(samples)).expect("there are taps");
        let [front] = &found[..] else { panic!("{found:?}") };
        assert_eq!(front.taps, 10, "{front:?}");
        let told =
            "2 of 12 taps on channel front cut short by the next stroke or the end, and left out";
        assert_eq!(front.remarks, [told]);
        assert!(front.searched_hz[0] < 25.0, "{front:?}");
        let [mode] = front.modes[..] else { panic!("{front:?}") };
        assert!((mode.hz / hz - 1.0).abs() < 0.002, "{mode:?}");
        assert!((mode.damping / zeta - 1.0).abs() < 0.1, "{mode:?}");
        assert!((mode.hz - hz).abs() < 3.0 * mode.hz_error, "{mode:?}");
        assert!((mode.damping - zeta).abs() < 3.0 * mode.damping_error, "{mode:?}");
        assert!(mode.hz_error < 0.001 * hz, "{mode:?}");
    }

    /// A slow and a fast mode of equal size, seen for so short a time that the slow one has barely begun to
    /// fall: what is left of both follows from the sizes planted.
    #[test]
    fn what_is_left_of_a_slow_and_a_fast_mode() {
        let (slow, fast) = ((310.0, 0.003), (600.0, 0.03));
        let len = 2_560;
        // both on a bin of the spectrum, so that its peaks are theirs
        let decay = |lead: f64| -> Vec<f32> {
            let value = |i: usize| {
                let t = i as f64 / RATE_HZ;
                let mode = |(hz, zeta): (f64, f64)| {
                    (-zeta * TAU * hz * t).exp() * (TAU * hz * t + lead).cos()
                };
                (mode(slow) + mode(fast)) as f32
            };
            (0..len).map(value).collect()
        };
        let decays: Vec<Vec<f32>> = (0..6).map(|i| decay(f64::from(i))).collect();
        let modes = modes::Response::of(decays.iter().map(Vec::as_slice), RATE_HZ).modes();
        assert_eq!(modes.len(), 2, "{modes:?}");
        for time_s in [0.05_f64, 0.1, 0.3] {
            let left = |(hz, zeta): (f64, f64)| (-zeta * TAU * hz * time_s).exp();
            let planted = 0.5 * (left(slow) + left(fast));
            let found = share_left(&modes, len as f64 / RATE_HZ, time_s);
            assert!((found / planted - 1.0).abs() < 0.08, "{time_s} s: {found} {planted}");
        }
    }

    /// One tap in noise, that no other taps average.
    #[test]
    fn noise_beside_a_single_tap_is_no_mode() {
        for seed in 1..=20 {
            let mut samples = struck_body(684.0, 0.05, 5e-3, seed);
            samples.truncate((1.2 * RATE_HZ) as usize);
            let found = ringing(&recording(samples)).expect("there is a tap");
            let [front] = &found[..] else { panic!("{found:?}") };
            let [mode] = front.modes[..] else { panic!("seed {seed}: {front:?}") };
            assert_eq!(front.taps, 1);
            assert!((mode.hz / 684.0 - 1.0).abs() < 0.01, "seed {seed}: {mode:?}");
        }
    }

    #[test]
    fn why_no_tap_can_be_used_is_told() {
        let told = |samples: Vec<f32>| {
            ringing(&recording(samples)).expect_err("none can be used").to_string()
        };
        let until = |time_s: f64, mut samples: Vec<f32>| {
            samples.truncate((time_s * RATE_HZ) as usize);
            samples
        };
        let single = tapped_every(0.7, 1, &[(310.0, 0.012, 1.0)], 0.003);
        let text = told(cut_at(0.2, single.clone()));
        assert!(text.contains("the only tap is clipped") && text.contains("softly"), "{text}");
        let text = told(until(0.515, single.clone()));
        assert!(text.contains("the taps follow each other, or the end follows them"), "{text}");
        assert!(text.contains("let the last one die away"), "{text}");
        // a strong one, clipped, and a weak one at the end
        let mut both = cut_at(0.5, single.clone());
        both.truncate((0.7 * RATE_HZ) as usize);
        both.extend(until(0.515, single).iter().map(|x| 0.3 * x));
        let text = told(both);
        assert!(text.contains("1 of 2 taps is clipped, the others too close together"), "{text}");
    }

    #[test]
    fn few_taps_are_told() {
        for (taps, told) in [(1, "only 1 usable tap on"), (2, "only 2 usable taps on")] {
            let samples = tapped_every(0.7, taps, &[(310.0, 0.012, 1.0)], 0.003);
            let found = ringing(&recording(samples)).expect("there are taps");
            let [front] = &found[..] else { panic!("{found:?}") };
            assert!(front.remarks[0].starts_with(told), "{front:?}");
            assert!(front.remarks[0].contains("ten times"), "{front:?}");
            let [mode] = front.modes[..] else { panic!("{front:?}") };
            assert!((mode.hz - 310.0).abs() < 2.0 * mode.hz_error, "{mode:?}");
        }
    }

    #[test]
    fn crowded_taps_are_told() {
        // 23.4 per second: an eighth is left after 90 ms, nothing after 700
        let found = |apart_s: f64| {
            let samples = tapped_every(apart_s, 10, &[(310.0, 0.012, 1.0)], 0.003);
            ringing(&recording(samples)).expect("there are taps").remove(0)
        };
        let front = found(0.09);
        let [remark] = &front.remarks[..] else { panic!("{front:?}") };
        assert!(remark.contains("crowded, usually 0.09 s apart: 12 %"), "{remark}");
        assert!(remark.ends_with("wait 0.2 s between taps"), "{remark}");
        let [mode] = front.modes[..] else { panic!("{front:?}") };
        assert!((mode.hz / 310.0 - 1.0).abs() < 0.005, "{mode:?}");
        assert!(found(0.25).remarks.is_empty());
    }

    #[test]
    fn a_channel_that_feels_no_tap_is_told() {
        let samples = tapped(&[(310.0, 0.012, 1.0)], 0.003);
        let mut random = Random(3);
        let noise = samples.iter().map(|_| 0.003 * random.next() as f32).collect();
        let channels = vec![channel("front", samples), channel("rear", noise)];
        let both = Recording::from_channels("taps", channels).expect("valid");
        let found = ringing(&both).expect("there are taps");
        let [front, rear] = &found[..] else { panic!("{found:?}") };
        assert_eq!((front.taps, front.remarks.len()), (10, 0));
        assert_eq!((rear.taps, rear.modes.len()), (0, 0));
        assert_eq!(rear.remarks, ["no taps seen on channel rear"]);

        let samples = tapped(&[(310.0, 0.012, 1.0)], 0.003);
        let channels =
            vec![channel("front", samples.clone()), channel("rear", cut_at(0.2, samples))];
        let both = Recording::from_channels("taps", channels).expect("valid");
        let rear = ringing(&both).expect("the front is whole").remove(1);
        assert_eq!((rear.taps, rear.remarks.len()), (0, 2), "{rear:?}");
        assert!(rear.remarks[0].starts_with("10 of 10 taps on channel rear clipped"), "{rear:?}");
        assert!(rear.remarks[1].starts_with("no usable tap on channel rear"), "{rear:?}");
    }

    #[test]
    fn a_recording_without_taps_is_refused() {
        let mut random = Random(3);
        let noise = (0..100_000).map(|_| random.next() as f32).collect();
        let error = ringing(&recording(noise)).expect_err("only noise").to_string();
        assert!(error.contains("no taps") && error.contains("standstill"), "{error}");
        let hum = (0..100_000).map(|i| (TAU * 50.0 * f64::from(i) / RATE_HZ).sin() as f32);
        assert!(ringing(&recording(hum.collect())).is_err());
    }

    #[test]
    fn a_turning_shaft_is_refused() {
        let mut taps = recording(tapped(&[(310.0, 0.012, 1.0)], 0.003));
        let pulses = (0..taps.channels[0].len())
            .map(|i| if (i as f64 / RATE_HZ * 50.0).fract() < 0.1 { 1.0 } else { 0.0 });
        let spec = ChannelSpec { role: Some(Role::Pulse), ..ChannelSpec::named("pulse") };
        let pulse = Channel::new(spec, RATE_HZ, pulses.collect()).expect("valid");
        taps.channels.push(pulse);
        let error = ringing(&taps).expect_err("the shaft turns").to_string();
        assert!(error.contains("turns") && error.contains("3000 rpm"), "{error}");
        assert!(error.contains("standstill"), "{error}");
    }
}
