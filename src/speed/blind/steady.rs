//! Recordings in which no line moves: the shaft read from the lines of the mean spectrum.
//!
//! Nothing moves, so nothing proves that the lines belong together, and without a stated range the
//! demands are high: a comb of bearing impacts looks like a shaft, but the shaft's own line lies below
//! it and its first harmonic does not dominate.

use crate::dsp::floor::running_median;
use crate::dsp::peaks::parabolic;

use super::frames::{BAND, Signal, for_each_frame};
use super::lines::Line;
use super::odds::{Evidence, Known, Reading};
use super::path::Path;

/// Longest window in seconds.
const LONGEST_WINDOW_S: f64 = 2.0;
/// A line exceeds the floor by this factor.
const LEAST_POWER: f32 = 5.0;
/// Bins to each side over which the floor is taken.
const FLOOR_BINS: usize = 30;
/// Four bins from its top a line has fallen to this share of it; a resonance is broader.
const SHOULDER: f32 = 0.4;
/// Mains frequencies, and how far their multiples may lie off.
const MAINS_HZ: [f64; 2] = [50.0, 60.0];
const MAINS_TOLERANCE: f64 = 0.0015;
/// Hum is not expected above this frequency.
const HIGHEST_HUM_HZ: f64 = 2000.0;

/// Drives switch their current at 2 to 16 kHz (common practice, no source); such a tone and its multiples look
/// like a steady shaft.
const LOWEST_SWITCHING_HZ: f64 = 2000.0;

/// A line of the mean spectrum with its power as velocity (power over frequency squared).
#[derive(Debug, Clone, Copy)]
pub(super) struct SpectrumLine {
    pub line: Line,
    pub velocity_power: f64,
}

/// The mean spectrum's lines read as a shaft.
pub(super) struct Steady {
    pub path: Path,
    pub readings: Vec<Reading>,
    pub window_s: f64,
}

/// Reads a steady recording. The error is the reason why it cannot, with the readings left.
pub(super) fn read(
    signal: &Signal,
    known: &Known<'_>,
    range_stated: bool,
) -> Result<Steady, (String, Vec<Reading>)> {
    let window_s = LONGEST_WINDOW_S.min(signal.duration_s() / 3.0);
    let (lines, bin_hz) = spectrum_lines(signal, window_s);
    let all = lines.len();
    let lines: Vec<SpectrumLine> =
        lines.into_iter().filter(|l| !is_hum(l.line.place, bin_hz)).collect();
    if lines.is_empty() {
        let found = if all == 0 {
            "no line stands out"
        } else {
            "the only lines stand at multiples of the mains frequency, where hum cannot be told from a shaft"
        };
        return Err((found.to_owned(), Vec::new()));
    }
    let capped: Vec<Line> =
        lines.iter().map(|l| Line { excess: l.line.excess.min(6.0), ..l.line }).collect();
    let evidence = Evidence {
        lines: &capped,
        span_hz: (1.0, 1.0),
        lowest: 2.0 * bin_hz,
        blur: |place| 0.15 * bin_hz / place,
    };
    let readings = evidence.readings(known);
    // where nothing moves, only a shaft whose own line is the lowest may speak against the range: a fine
    // comb meets many lines by chance, and that of a bearing's impacts has the shaft's line below it
    let is_lowest = |outside: &Reading| {
        let below = lines.iter().any(|l| l.line.place < 0.9 * outside.factor);
        outside.orders.first() == Some(&1) && !below
    };
    if let Some(outside) = evidence.against(readings.first(), known).filter(is_lowest) {
        return Err((super::contradiction(&outside, (1.0, 1.0)), Vec::new()));
    }
    let Some(best) = readings.first() else {
        return Err(("no speed in the range explains the lines".to_owned(), readings));
    };
    if !range_stated && best.factor > LOWEST_SWITCHING_HZ {
        let reason =
            "no line moves as a shaft's does, and the steady ones may as well be the switching of an electric \
             drive; state the speed or its range"
                .to_owned();
        return Err((reason, readings));
    }
    let accepted =
        if range_stated { is_plausible_in_range(best) } else { is_proven(best, &lines, bin_hz) };
    if !accepted {
        let reason =
            "no line moves as a shaft's does, and as a steady speed the lines leave more than one \
             reading; state the speed or its range"
                .to_owned();
        return Err((reason, readings));
    }
    let duration_s = signal.duration_s();
    let count = (duration_s / (0.5 * window_s)).ceil().max(4.0);
    let times: Vec<f64> = (0..=count as usize).map(|i| i as f64 * duration_s / count).collect();
    let path = Path::through(&times, &vec![best.factor.ln(); times.len()]);
    Ok(Steady { path, readings, window_s })
}

fn is_plausible_in_range(reading: &Reading) -> bool {
    let low = reading.orders.iter().filter(|&&n| n <= 3).count();
    let shaft = reading.orders.iter().any(|&n| n <= 2);
    reading.probability > 0.8 && shaft && (reading.explained > 0.5 || low >= 2)
}

fn is_proven(reading: &Reading, lines: &[SpectrumLine], bin_hz: f64) -> bool {
    let velocity_power = |order: usize| {
        let place = order as f64 * reading.factor;
        let near =
            |l: &&SpectrumLine| (l.line.place / place).ln().abs() < 0.003 + 0.2 * bin_hz / place;
        lines.iter().filter(near).map(|l| l.velocity_power).fold(0.0, f64::max)
    };
    let harmonics = (2..=12).map(velocity_power).fold(0.0, f64::max);
    let below = lines.iter().any(|l| l.line.place < 0.9 * reading.factor);
    reading.probability > 0.9
        && reading.explained > 0.7
        && reading.orders.len() >= 3
        && reading.orders.contains(&1)
        && velocity_power(1) > 0.25 * harmonics
        && !below
}

fn is_hum(place: f64, bin_hz: f64) -> bool {
    let tolerance = (MAINS_TOLERANCE * place).max(0.5 * bin_hz);
    place < HIGHEST_HUM_HZ
        && MAINS_HZ.iter().any(|mains| {
            let multiple = (place / mains).round().max(1.0);
            (place - multiple * mains).abs() < tolerance
        })
}

/// The lines of the mean spectrum, and the width of its bins in Hz.
pub(super) fn spectrum_lines(signal: &Signal, window_s: f64) -> (Vec<SpectrumLine>, f64) {
    let (mut mean, mut bin_hz, mut frames) = (Vec::new(), 1.0, 0.0_f32);
    for_each_frame(signal, window_s, None, |frame| {
        mean.resize(frame.power.len(), 0.0_f32);
        mean.iter_mut().zip(frame.power).for_each(|(m, p)| *m += p);
        bin_hz = frame.bin_hz;
        frames += 1.0;
    });
    let floor = running_median(&mean, FLOOR_BINS);
    // median over mean of the average of n exponential powers, to first order in 1 / n
    let to_mean = 1.0 - 0.5 / frames.max(1.0);
    let ratio: Vec<f32> =
        mean.iter().zip(&floor).map(|(m, f)| m * to_mean / f.max(f32::MIN_POSITIVE)).collect();
    let highest = (BAND * signal.rate_hz / bin_hz) as usize;
    let mut lines = Vec::new();
    for k in 4..highest.min(ratio.len().saturating_sub(4)) {
        let top = ratio[k];
        let near = ratio[k - 3..=k + 3].iter().copied().fold(0.0, f32::max);
        let narrow = ratio[k - 4].max(ratio[k + 4]) < SHOULDER * top;
        if top > LEAST_POWER && top >= near && narrow {
            let logs = [k - 1, k, k + 1].map(|i| f64::from(ratio[i].max(f32::MIN_POSITIVE).ln()));
            let shift = parabolic(&logs, 1).map_or(0.0, |p| p.position - 1.0);
            let place = (k as f64 + shift) * bin_hz;
            let line = Line { place, excess: logs[1] };
            lines.push(SpectrumLine { line, velocity_power: f64::from(mean[k]) / (place * place) });
        }
    }
    (lines, bin_hz)
}

#[cfg(test)]
mod tests {
    use super::super::frames::Noise;
    use super::*;

    #[test]
    fn multiples_of_the_mains_are_hum() {
        assert!(is_hum(150.1, 0.5) && is_hum(180.0, 0.5) && is_hum(49.9, 0.5));
        assert!(!is_hum(155.0, 0.5) && !is_hum(5000.0, 0.5));
    }

    #[test]
    fn steady_multiples_where_drives_switch_are_no_shaft_unless_the_range_says_so() {
        let rate_hz = 51_200.0;
        let read_at = |first_hz: f64, range_hz: (f64, f64), stated: bool| {
            let mut noise = Noise::default();
            let samples: Vec<f32> = (0..307_200)
                .map(|i| {
                    let turns = first_hz * f64::from(i) / rate_hz;
                    let tone = |order: f64| (std::f64::consts::TAU * order * turns).sin() / order;
                    ((1..5).map(|n| tone(f64::from(n))).sum::<f64>() + noise.next()) as f32
                })
                .collect();
            let signal = Signal::new(&samples, rate_hz).expect("a signal");
            let known = Known {
                range_hz,
                sound: false,
                blade_counts: &[],
                multipliers: &[],
                stray_lines: 1.0,
            };
            read(&signal, &known, stated).map_err(|refused| refused.0)
        };
        assert!(read_at(1117.3, (5.0, 5000.0), false).is_ok());
        let refused = read_at(4183.7, (5.0, 5000.0), false).err().expect("it may be a drive");
        assert!(refused.contains("switching"), "{refused}");
        assert!(read_at(4183.7, (3000.0, 5000.0), true).is_ok());
    }

    #[test]
    fn a_tone_is_a_line_and_silence_has_none() {
        let mut noise = Noise::default();
        let samples: Vec<f32> = (0..40_000)
            .map(|i| (std::f64::consts::TAU * 137.3 * f64::from(i) / 8000.0).sin() + noise.next())
            .map(|x| x as f32)
            .collect();
        let signal = Signal::new(&samples, 8000.0).expect("a signal");
        let (lines, _) = spectrum_lines(&signal, 1.0);
        assert!(lines.iter().any(|l| (l.line.place - 137.3).abs() < 0.05));
        assert!(lines.len() < 4, "noise has no lines: {lines:?}");
    }
}
