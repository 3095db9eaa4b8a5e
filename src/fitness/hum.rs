//! Mains hum: lines at multiples of exactly 50 or 60 Hz that stay there whatever the shaft does.

use crate::dsp::peaks;
use crate::dsp::stats;
use crate::recording::survey::Survey;
use crate::speed::Speed;

use super::frames::{self, Frames};
use super::words::number;
use super::{Affects, Check, Fit};

/// Mains frequencies in Hz.
const MAINS_HZ: [f64; 2] = [50.0, 60.0];
/// Harmonics looked at: the sixth of 50 Hz is the fifth of 60 Hz.
const HARMONICS: usize = 5;
/// Height of a hum line over its neighbourhood as a ratio of powers, 10 dB, and the share of frames
/// that must show it.
const LEAST_CONTRAST: f64 = 10.0;
const LEAST_FRAMES: f64 = 0.7;
/// How far a line may lie off: in bins (error of the peak) and as a share of its frequency (mains and
/// clocks keep 0.4 %, common practice, no source).
const OFF_BINS: f64 = 0.25;
const OFF_SHARE: f64 = 0.004;
/// Distance in bins below which the window does not part a shaft order from a hum line.
const PARTED_BINS: f64 = 2.5;
/// Coarsest resolution at which lines are placed, in Hz.
const COARSEST_HZ: f64 = 2.0;
/// Harmonics that must be seen together, one of them the first or second: a single line at 50 Hz may
/// be anything.
const LEAST_LINES: usize = 2;
/// Share of the signal's power in hum that is worth a restriction (common practice, no source).
const LIMITED_SHARE: f64 = 0.05;

/// Lines at multiples of one mains frequency in one channel.
#[derive(Debug, Clone, PartialEq)]
pub struct Hum {
    /// The channel.
    pub channel: String,
    /// Its unit.
    pub unit: &'static str,
    /// The mains frequency in Hz: 50 or 60.
    pub mains_hz: f64,
    /// Lines that no order of the shaft explains.
    pub free: Vec<HumLine>,
    /// Lines where an order of the shaft lies too close to be told from them.
    pub shared: Vec<HumLine>,
    /// Power of the whole signal, in the channel's unit squared.
    pub total: f64,
}

/// One line of a family.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HumLine {
    /// Multiple of the mains frequency.
    pub harmonic: usize,
    /// Power in the channel's unit squared.
    pub power: f64,
    /// Median over the frames of its height over the floor beside it, as a ratio of powers.
    pub contrast: f64,
}

/// The strongest family of hum lines; `None` where the record is too short to place them.
pub fn measure(survey: &Survey, long: &Frames, speed: Option<&Speed>) -> Option<Hum> {
    if long.resolution_hz > COARSEST_HZ {
        return None;
    }
    let mean = long.mean_power();
    let families = MAINS_HZ.map(|mains_hz| Hum::find(survey, long, &mean, mains_hz, speed));
    families.into_iter().max_by(|a, b| a.rank().total_cmp(&b.rank()))
}

/// The check of what was measured.
pub fn check(hum: &Hum, speed_known: bool) -> Check {
    let (name, mains_hz) = (hum.channel.as_str(), hum.mains_hz);
    if hum.is_hum() {
        let share = hum.share();
        let found = format!(
            "{} lines at multiples of {} Hz hold {} % of the power ({} {} rms) and do not follow the shaft.",
            hum.free.len(),
            number(mains_hz),
            number(100.0 * share),
            number(hum.power().sqrt()),
            hum.unit,
        );
        let check = Check::good("hum", 100.0 * share, "%", found).on(name);
        return if !speed_known {
            check.so("Without the speed it cannot be told whether they are hum or the shaft's.")
        } else if share > LIMITED_SHARE {
            check
                .so("Mains hum adds to every level: look to shields and earth loops, and do not take these lines for the machine's.")
                .rated(Fit::Limited, &[Affects::Levels])
        } else {
            check.so("Mains hum is there, too faint to matter; its lines are not the machine's.")
        };
    }
    if let Some(line) = hum.shared.first().filter(|line| line.harmonic <= 2) {
        let percent = 100.0 * line.power / hum.total;
        let found = format!(
            "A line at {} Hz holds {} % of the power, where an order of the shaft lies as well.",
            number(mains_hz * line.harmonic as f64),
            number(percent),
        );
        return Check::good("hum", percent, "%", found)
            .on(name)
            .so("Hum and shaft cannot be told apart at this speed; run a few percent slower or faster to see.");
    }
    Check::good("hum", 0.0, "%", "No lines stand at multiples of 50 or 60 Hz.").on(name)
}

impl Hum {
    fn find(
        survey: &Survey,
        long: &Frames,
        mean: &[f64],
        mains_hz: f64,
        speed: Option<&Speed>,
    ) -> Self {
        let mut family = Self {
            channel: survey.channel.name().to_owned(),
            unit: survey.unit(),
            mains_hz,
            free: Vec::new(),
            shared: Vec::new(),
            total: mean.iter().sum(),
        };
        for harmonic in 1..=HARMONICS {
            let hz = mains_hz * harmonic as f64;
            let Some((power, contrast)) = line_at(long, mean, hz) else { continue };
            let line = HumLine { harmonic, power, contrast };
            if speed.is_some_and(|speed| is_order(long, hz, speed)) {
                family.shared.push(line);
            } else {
                family.free.push(line);
            }
        }
        family
    }

    /// Frequencies in Hz of the lines that are not the shaft's.
    pub fn free_hz(&self) -> Vec<f64> {
        self.free.iter().map(|line| self.mains_hz * line.harmonic as f64).collect()
    }

    /// Power of the lines that are not the shaft's.
    pub fn power(&self) -> f64 {
        self.free.iter().map(|line| line.power).sum()
    }

    /// Their share of the signal's power.
    pub fn share(&self) -> f64 {
        if self.total > 0.0 { self.power() / self.total } else { 0.0 }
    }

    /// By which the stronger family is chosen: those that are hum go before those that only might be.
    fn rank(&self) -> f64 {
        let shared: f64 = self.shared.iter().map(|line| line.power).sum();
        if self.total <= 0.0 {
            0.0
        } else if self.is_hum() {
            self.share()
        } else {
            (1e-9 * shared + 1e-12 * self.power()) / self.total
        }
    }

    /// Whether enough lines stand together to be called hum.
    pub fn is_hum(&self) -> bool {
        self.free.len() >= LEAST_LINES && self.free.iter().any(|line| line.harmonic <= 2)
    }
}

/// Power and contrast of a line at exactly `hz` in most frames; `None` where there is none.
fn line_at(long: &Frames, mean: &[f64], hz: f64) -> Option<(f64, f64)> {
    let bin = (hz / long.resolution_hz).round() as usize;
    // the floor is taken from 4 to 15 Hz away, clear of the window's skirts
    let (near, far) = ((4.0 / long.resolution_hz) as usize, (15.0 / long.resolution_hz) as usize);
    let near = near.max(3);
    let highest = (bin.saturating_sub(1)..=bin + 1)
        .max_by(|&a, &b| mean.get(a).unwrap_or(&0.0).total_cmp(mean.get(b).unwrap_or(&0.0)))?;
    let logs: Vec<f64> = mean.iter().take(bin + 4).map(|p| p.max(f64::MIN_POSITIVE).ln()).collect();
    let peak = peaks::parabolic(&logs, highest)?;
    let off = (peak.position * long.resolution_hz - hz).abs();
    if off > OFF_BINS * long.resolution_hz + OFF_SHARE * hz {
        return None;
    }
    let frames = long.power.iter();
    let mut contrasts: Vec<f64> =
        frames.filter_map(|frame| frames::contrast(frame, bin, near, far)).collect();
    let showing = contrasts.iter().filter(|contrast| **contrast >= LEAST_CONTRAST).count();
    if (showing as f64) < LEAST_FRAMES * long.power.len() as f64 {
        return None;
    }
    let around: Vec<f64> = mean.get(bin.saturating_sub(far)..bin + far)?.to_vec();
    let floor = stats::median(&around);
    let power = mean.get(bin - 2..=bin + 2)?.iter().map(|p| p - floor).sum::<f64>().max(0.0);
    Some((power, stats::median_of(&mut contrasts)))
}

/// Whether an order of the shaft lies too close to `hz` in most frames to be told from it.
fn is_order(long: &Frames, hz: f64, speed: &Speed) -> bool {
    let near = |&t: &f64| {
        let shaft_hz = speed.hz_at(t);
        let order = (hz / shaft_hz).round();
        order >= 1.0
            && (hz - order * shaft_hz).abs()
                < PARTED_BINS * long.resolution_hz + speed.error_percent / 100.0 * hz
    };
    let close = long.mid_s.iter().filter(|t| near(t)).count();
    close as f64 > (1.0 - LEAST_FRAMES) * long.mid_s.len() as f64
}
