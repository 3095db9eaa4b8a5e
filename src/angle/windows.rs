//! Order tracks from short windows, the angle of each sample taken exactly.
//!
//! Windows of constant length in seconds demodulate each order in blocks: one resolution in Hz at all
//! speeds. Windows of constant length in turns are a time-variant Fourier transform: one resolution in
//! orders (J. R. Blough, "Development and analysis of time variant discrete Fourier transform order
//! tracking", Mechanical Systems and Signal Processing 17, 2003: from memory). In
//! both, what stands in the same window is solved for together, so that orders and tones that lie
//! closer than the window resolves do not leak into each other.

use std::ops::Range;

use nalgebra::{Cholesky, DMatrix, DVector};

use super::noise;
use super::track::Track;
use super::wave::{self, Carriers, Wave};
use crate::dsp::fft::Complex64;
use crate::dsp::window::Window;
use crate::error::{Error, Result};
use crate::progress::{Progress, step};
use crate::recording::Channel;
use crate::units::three_digits;

/// How long a window is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Length {
    /// Seconds: constant resolution in Hz.
    Seconds(f64),
    /// Turns of the first wave's shaft: constant resolution in orders.
    Turns(f64),
}

impl Default for Length {
    /// 16 turns: a sixteenth of an order, as in order maps.
    fn default() -> Self {
        Self::Turns(16.0)
    }
}

/// Cycles of the slowest wave that a window holds at least: with fewer its mirror image stands too near.
const LEAST_CYCLES: f64 = 2.0;
/// Windows between two tellings of the progress.
const WINDOWS_PER_STEP: usize = 64;
/// Where a window parts two waves so badly that noise grows by more, it gives no point.
const MOST_INFLATION: f64 = 10.0;

/// The tracks of waves, one point for every half window.
///
/// Windows in which a wave lies above the judged share of the sampling rate, goes through fewer than two
/// cycles, or cannot be parted from another give no point of it. The standard error comes from the noise
/// beside the line.
///
/// # Errors
/// [`Error::Setting`] for a length that is none or orders that are none; [`Error::TooLittle`] where the
/// recording is shorter than a window; [`Error::Stopped`].
pub fn tracks(
    channel: &Channel,
    waves: &[Wave],
    length: Length,
    progress: &mut dyn Progress,
) -> Result<Vec<Track>> {
    wave::check(waves)?;
    check_length(length, channel.rate_hz)?;
    let covered = wave::covered(channel, waves)?;
    let mut tracks: Vec<Track> = waves.iter().map(|wave| Track::empty(wave.order)).collect();
    let placing = Placing { channel, first: &waves[0], length };
    let windows = placing.windows(covered.clone());
    let count = windows.len() as u64;
    for (done, window) in windows.into_iter().enumerate() {
        if done.is_multiple_of(WINDOWS_PER_STEP) {
            step(progress, "order tracks", done as u64, count)?;
        }
        let middle_s = placing.middle_s(&window);
        let judged: Vec<usize> = (0..waves.len())
            .filter(|&i| waves[i].is_judged(channel, middle_s))
            .filter(|&i| {
                let seconds = window.len() as f64 / channel.rate_hz;
                waves[i].hz_at(middle_s) * seconds >= LEAST_CYCLES
            })
            .collect();
        let together: Vec<Wave> = judged.iter().map(|&i| waves[i]).collect();
        let taper = placing.taper(&window);
        for (&i, point) in judged.iter().zip(solve(channel, &together, window, &taper)) {
            let Some((phasor, error)) = point else { continue };
            tracks[i].push(middle_s, 60.0 * waves[i].speed.hz_at(middle_s), phasor, error);
        }
    }
    if count > 0 {
        return Ok(tracks);
    }
    let seconds = covered.len() as f64 / channel.rate_hz;
    Err(match length {
        Length::Seconds(needed) => Error::too_little(
            format!("order tracks of channel {}", channel.name()),
            format!("{needed} s for one window"),
            format!("{seconds:.2} s"),
        ),
        Length::Turns(needed) => Error::too_little(
            format!("order tracks of channel {}", channel.name()),
            format!("{needed} turns for one window"),
            format!("{:.1}", placing.turns_in(&covered)),
        ),
    })
}

/// Samples that a window holds at least.
const LEAST_SAMPLES: usize = 8;

fn check_length(length: Length, rate_hz: f64) -> Result<()> {
    let (name, value, least) = match length {
        Length::Seconds(seconds) => ("seconds", seconds, LEAST_SAMPLES as f64 / rate_hz),
        Length::Turns(turns) => ("turns", turns, LEAST_CYCLES),
    };
    if value.is_finite() && value >= least {
        return Ok(());
    }
    let problem = format!("{value} is no length of a window");
    Err(Error::setting(name, problem, format!("take {} or more", three_digits(least))))
}

/// Where windows lie.
struct Placing<'a> {
    channel: &'a Channel,
    first: &'a Wave<'a>,
    length: Length,
}

impl Placing<'_> {
    /// Overlapping by half, within the samples covered.
    fn windows(&self, covered: Range<usize>) -> Vec<Range<usize>> {
        let place = |half: usize| -> f64 {
            let halves = half as f64;
            match self.length {
                Length::Seconds(seconds) => {
                    covered.start as f64 + halves * 0.5 * seconds * self.channel.rate_hz
                }
                Length::Turns(turns) => {
                    let start_s = self.channel.time_s(covered.start as f64);
                    // turns begin at whole numbers of the angle
                    let from = self.first.speed.turns_at(start_s).ceil();
                    let time_s = self.first.speed.time_at_turns(from + halves * 0.5 * turns);
                    self.channel.index_at(time_s)
                }
            }
        };
        let places = (0..).map(|half| place(half).round() as usize);
        let inside: Vec<usize> = places.take_while(|&place| place <= covered.end).collect();
        let windows = inside.iter().zip(inside.iter().skip(2));
        windows
            .map(|(&from, &to)| from..to)
            .filter(|window| window.len() >= LEAST_SAMPLES)
            .collect()
    }

    fn turns_in(&self, range: &Range<usize>) -> f64 {
        let turns = |index: usize| self.first.speed.turns_at(self.channel.time_s(index as f64));
        turns(range.end) - turns(range.start)
    }

    /// The time that stands for a window: as far from its start as from its end, as in order maps.
    fn middle_s(&self, window: &Range<usize>) -> f64 {
        0.5 * (self.time_s(window.start) + self.time_s(window.end))
    }

    fn time_s(&self, index: usize) -> f64 {
        self.channel.time_s(index as f64)
    }

    /// Hann's window over time or over angle. In turns each sample counts by the angle that it stands
    /// for, so that over whole turns other whole orders cancel at any acceleration.
    fn taper(&self, window: &Range<usize>) -> Vec<f64> {
        let count = window.len();
        match self.length {
            Length::Seconds(_) => {
                (0..count).map(|i| Window::Hann.value((i as f64 + 0.5) / count as f64)).collect()
            }
            Length::Turns(_) => {
                // one sample more on either side, whose angles bound those inside
                let mut turns = vec![0.0; count + 2];
                let step_s = 1.0 / self.channel.rate_hz;
                let start_s = self.time_s(window.start) - step_s;
                self.first.speed.turns_into(start_s, step_s, &mut turns);
                let (from, to) = (turns[1], turns[count + 1]);
                let span = to - from;
                let weight = |i: usize| {
                    let own = 0.5 * (turns[i + 2] - turns[i]);
                    own * Window::Hann.value((turns[i + 1] - from) / span)
                };
                (0..count).map(weight).collect()
            }
        }
    }
}

/// The phasors of all waves in one window and their standard errors, `None` where they cannot be
/// parted: weighted least squares in real and imaginary parts.
fn solve(
    channel: &Channel,
    waves: &[Wave],
    window: Range<usize>,
    taper: &[f64],
) -> Vec<Option<(Complex64, f64)>> {
    if waves.is_empty() {
        return Vec::new();
    }
    let samples = &channel.values()[window.clone()];
    let carriers = Carriers::over(channel, waves, window);
    let size = 2 * waves.len();
    let total: f64 = taper.iter().sum();
    let mean = samples.iter().zip(taper).map(|(&x, w)| f64::from(x) * w).sum::<f64>() / total;
    let (mut normal, mut rhs) = (DMatrix::zeros(size, size), DVector::zeros(size));
    for ((row, &x), &weight) in carriers.rows().zip(samples).zip(taper) {
        let x = f64::from(x) - mean;
        for (i, &u) in row.iter().enumerate() {
            let weighted = weight * u;
            rhs[i] += weighted * x;
            for (j, &v) in row[..=i].iter().enumerate() {
                normal[(i, j)] += weighted * v;
            }
        }
    }
    normal.fill_upper_triangle_with_lower_triangle();
    let Some(factor) = Cholesky::new(normal.clone()) else { return vec![None; waves.len()] };
    let solution = factor.solve(&rhs);
    let inverse = factor.inverse();
    let left = residual(samples, &carriers, &solution, mean);
    (0..waves.len())
        .map(|k| {
            let (re, im) = (2 * k, 2 * k + 1);
            let inflation = (inverse[(re, re)] * normal[(re, re)])
                .max(inverse[(im, im)] * normal[(im, im)])
                .sqrt();
            let error = inflation * noise_of(&left, &carriers, taper, total, k);
            let phasor = Complex64::new(solution[re], solution[im]);
            (inflation < MOST_INFLATION && phasor.is_finite()).then_some((phasor, error))
        })
        .collect()
}

fn residual(samples: &[f32], carriers: &Carriers, phasors: &DVector<f64>, mean: f64) -> Vec<f64> {
    let model = |row: &[f64]| row.iter().zip(phasors.iter()).map(|(u, c)| u * c).sum::<f64>();
    let both = samples.iter().zip(carriers.rows());
    both.map(|(&x, row)| f64::from(x) - mean - model(row)).collect()
}

/// Standard error of either part of a wave's phasor, from the noise beside it.
fn noise_of(left: &[f64], carriers: &Carriers, taper: &[f64], total: f64, wave: usize) -> f64 {
    let mut sums = [Complex64::default(); noise::POINTS];
    for (i, (row, (&x, &weight))) in carriers.rows().zip(left.iter().zip(taper)).enumerate() {
        let place = i * noise::POINTS / left.len();
        sums[place] +=
            Complex64::new(row[2 * wave], row[2 * wave + 1]) * (2.0 * weight * x / total);
    }
    (0.5 * noise::power_beside(&sums)).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dsp::stats;
    use crate::dsp::test_noise::Random;
    use crate::progress::Silent;
    use crate::recording::ChannelSpec;
    use crate::speed::{Knot, Speed, SpeedSource};
    use std::f64::consts::TAU;

    const RATE_HZ: f64 = 8000.0;

    /// 40 to 240 Hz in 4 s.
    fn run_up() -> Speed {
        let knots = (0..=40)
            .map(|i| f64::from(i) * 0.1)
            .map(|t| Knot { time_s: t, turns: 40.0 * t + 25.0 * t * t, speed_hz: 40.0 + 50.0 * t })
            .collect();
        Speed::from_knots(SpeedSource::Pulse, knots, 0.0).expect("a rising curve")
    }

    fn channel(signal: impl Fn(f64) -> f64) -> Channel {
        let samples = (0..(4.0 * RATE_HZ) as usize).map(|i| signal(i as f64 / RATE_HZ) as f32);
        Channel::new(ChannelSpec::named("test"), RATE_HZ, samples.collect()).expect("valid")
    }

    const LENGTHS: [Length; 2] = [Length::Turns(16.0), Length::Seconds(0.1)];

    /// Orders of any value, not only multiples of what a window resolves.
    #[test]
    fn any_order_keeps_amplitude_and_phase() {
        let speed = run_up();
        let parts = [(1.0, 1.0, 0.3), (2.0, 0.5, -1.0), (5.43, 0.2, 2.0)];
        let recorded = channel(|t| {
            let tones =
                parts.iter().map(|(o, a, lead)| a * (TAU * o * speed.turns_at(t) + lead).cos());
            tones.sum()
        });
        let waves = parts.map(|(order, _, _)| Wave { speed: &speed, order });
        for length in LENGTHS {
            let found = tracks(&recorded, &waves, length, &mut Silent).expect("long enough");
            for (track, (order, amplitude, lead)) in found.iter().zip(parts) {
                assert!(track.len() > 30, "{length:?}: {}", track.len());
                let exact = Complex64::from_polar(amplitude, lead);
                for phasor in &track.phasors {
                    assert!((phasor - exact).norm() < 1e-4, "{length:?} order {order}: {phasor}");
                }
            }
        }
        // in turns, whole orders that are not asked for leave nothing either
        let first = &tracks(
            &channel(|t| (2.0 * TAU * speed.turns_at(t)).cos()),
            &waves[..1],
            LENGTHS[0],
            &mut Silent,
        )
        .expect("long enough")[0];
        assert!(first.phasors.iter().all(|phasor| phasor.norm() < 1e-4));
    }

    #[test]
    fn orders_closer_than_a_window_resolves_are_solved_for_together() {
        let speed = run_up();
        let recorded = channel(|t| {
            let turns = speed.turns_at(t);
            (TAU * turns).cos() + 0.5 * (TAU * 1.06 * turns + 1.0).cos()
        });
        let waves = [1.0, 1.06].map(|order| Wave { speed: &speed, order });
        let together =
            tracks(&recorded, &waves, Length::Turns(16.0), &mut Silent).expect("long enough");
        assert!(together[1].phasors.iter().all(|c| (c.norm() - 0.5).abs() < 1e-3));
        let alone =
            tracks(&recorded, &waves[..1], Length::Turns(16.0), &mut Silent).expect("long enough");
        assert!(alone[0].phasors.iter().any(|c| (c.norm() - 1.0).abs() > 0.2));
    }

    #[test]
    fn the_stated_error_is_the_scatter_of_the_phasor() {
        let mut random = Random(1);
        let noise: Vec<f64> = (0..(4.0 * RATE_HZ) as usize).map(|_| random.next()).collect();
        let speed = run_up();
        let recorded =
            channel(|t| (TAU * speed.turns_at(t)).cos() + noise[(t * RATE_HZ).round() as usize]);
        let waves = [Wave { speed: &speed, order: 1.0 }];
        for length in LENGTHS {
            let track = &tracks(&recorded, &waves, length, &mut Silent).expect("long enough")[0];
            let ratios: Vec<f64> = (0..track.len())
                .map(|i| ((track.phasors[i].re - 1.0) / track.errors[i]).powi(2))
                .collect();
            let rms = (ratios.iter().sum::<f64>() / ratios.len() as f64).sqrt();
            assert!((rms - 1.0).abs() < 0.3, "{length:?}: {rms}");
            assert!(stats::median(&track.errors) > 0.0);
        }
    }

    #[test]
    fn what_cannot_be_had_is_refused_in_words() {
        let speed = run_up();
        let recorded = channel(|t| t);
        let waves = [Wave { speed: &speed, order: 1.0 }];
        let refuse = |length| {
            tracks(&recorded, &waves, length, &mut Silent).expect_err("refused").to_string()
        };
        assert!(refuse(Length::Turns(1.0)).contains("2.00 or more"));
        assert!(refuse(Length::Seconds(-1.0)).contains("0.00100 or more"));
        assert!(refuse(Length::Seconds(1e-9)).contains("0.00100 or more"));
        assert!(refuse(Length::Seconds(5.0)).contains("4.00 s"));
        assert!(refuse(Length::Turns(1e4)).contains("turns for one window"));
    }
}
