//! The coupled tracking filter: all orders at once, at a bandwidth of choice.
//!
//! The signal is `x = Re(sum c_k(t) e^{i 2 pi order_k turns(t)}) + noise`, and each phasor `c_k` is to
//! change smoothly: its differences of the p-th degree are kept small, weighted by `r²`. Both conditions
//! in the least-squares sense are one banded system, linear in the recording's length. Orders that cross
//! are parted as long as they are not the same wave. The second generation of the filter named after
//! Vold and Kalman; source: J. Tuma, "Setting the passband width in the Vold-Kalman order tracking
//! filter", 12th International Congress on Sound and Vibration, 2005.
//!
//! Written for every sample, the system is hopelessly conditioned for narrow bands (`r²` passes 1e16). A
//! phasor within the band hardly changes over a fiftieth of the inverse bandwidth, so it is held at such
//! places only and runs straight between them; at one place for each sample the system is the published
//! one.

mod places;
mod samples;
mod solver;

use super::track::Track;
use super::wave::{self, Wave};
use crate::error::{Error, Result};
use crate::progress::{Progress, step};
use crate::recording::Channel;
use crate::units::three_digits;
use places::Places;
use solver::Solver;

/// Width of the band that is passed, between its two points of -3 dB.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Bandwidth {
    /// In Hz, the same at all speeds.
    Hz(f64),
    /// In orders of the first wave's shaft: wider as it turns faster.
    Orders(f64),
}

/// How the filter is set.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TrackingFilter {
    /// Width of the band.
    pub bandwidth: Bandwidth,
    /// Degree of the differences kept small, 1 to 3: the steepness of the band's edges.
    pub poles: usize,
}

impl Default for TrackingFilter {
    /// A twentieth of an order, two poles.
    fn default() -> Self {
        Self { bandwidth: Bandwidth::Orders(0.05), poles: 2 }
    }
}

/// The widest band as a share of the sampling rate: places lie at least two samples apart, and the noise
/// beside the line lies beside the band.
const WIDEST: f64 = 0.01;
/// Places solved for together: of few waves, and at least.
const STRETCH: usize = 4096;
const LEAST_STRETCH: usize = 512;

/// The weight `r` of the smoothing for a bandwidth in cycles per step: the gain at a modulation of half
/// the bandwidth is `1 / sqrt 2` (Tuma 2005).
pub fn weight(poles: usize, bandwidth: f64) -> f64 {
    let difference = 2.0 - 2.0 * (std::f64::consts::PI * bandwidth).cos();
    ((2.0_f64.sqrt() - 1.0) / difference.powi(poles as i32)).sqrt()
}

/// The tracks of waves, all solved for together.
///
/// Points lie a fifth of the inverse bandwidth apart. Each has a standard error from the noise beside the
/// line and from how well the waves can be parted there; it does not hold what a band too narrow smooths
/// away. No point is given while a wave lies above the judged share of the sampling rate, or where two
/// waves cannot be parted.
///
/// # Errors
/// [`Error::Setting`] for a bandwidth, poles or orders that cannot be had; [`Error::TooLittle`] where the
/// recording is shorter than an inverse bandwidth; [`Error::Stopped`].
pub fn tracks(
    channel: &Channel,
    waves: &[Wave],
    filter: &TrackingFilter,
    progress: &mut dyn Progress,
) -> Result<Vec<Track>> {
    wave::check(waves)?;
    filter.check(channel, &waves[0])?;
    let covered = wave::covered(channel, waves)?;
    let places = Places::new(channel, &waves[0], filter.bandwidth, covered)?;
    let solver = Solver { channel, waves, places: &places, poles: filter.poles };
    let mut tracks: Vec<Track> = waves.iter().map(|wave| Track::empty(wave.order)).collect();
    let count = places.count();
    // the system's memory grows with the square of the waves
    let stretch = (4 * STRETCH / waves.len().pow(2)).clamp(LEAST_STRETCH, STRETCH);
    for start in (0..count).step_by(stretch) {
        step(progress, "order tracks", start as u64, count as u64)?;
        let core = start..(start + stretch).min(count);
        solver.stretch(core, &mut tracks)?;
    }
    step(progress, "order tracks", count as u64, count as u64)?;
    Ok(tracks)
}

impl TrackingFilter {
    fn check(&self, channel: &Channel, first: &Wave) -> Result<()> {
        if !(1..=3).contains(&self.poles) {
            let problem = format!("{} poles cannot be had", self.poles);
            return Err(Error::setting("poles", problem, "take 1, 2 or 3"));
        }
        let widest_hz = WIDEST * channel.rate_hz;
        let (name, width, most) = match self.bandwidth {
            Bandwidth::Hz(hz) => ("bandwidth_hz", hz, widest_hz),
            Bandwidth::Orders(orders) => {
                let fastest_hz = first.speed.range_rpm().1 / 60.0;
                ("bandwidth_orders", orders, (widest_hz / fastest_hz).min(1.0))
            }
        };
        if width > 0.0 && width <= most {
            return Ok(());
        }
        let problem = format!("{width} is no bandwidth for this channel");
        Err(Error::setting(
            name,
            problem,
            format!("take one above 0 and up to {}", three_digits(most)),
        ))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dsp::fft::Complex64;
    use crate::dsp::stats;
    use crate::dsp::test_noise::Random;
    use crate::progress::Silent;
    use crate::recording::ChannelSpec;
    use crate::speed::{Speed, SpeedSource};
    use std::f64::consts::TAU;

    const RATE_HZ: f64 = 2000.0;

    fn channel(count: usize, signal: impl Fn(f64) -> f64) -> Channel {
        let samples = (0..count).map(|i| signal(i as f64 / RATE_HZ) as f32).collect();
        Channel::new(ChannelSpec::named("test"), RATE_HZ, samples).expect("valid")
    }

    fn steady(hz: f64, seconds: f64) -> Speed {
        Speed::constant(SpeedSource::Stated, 60.0 * hz, 0.0, seconds).expect("valid")
    }

    fn follow(channel: &Channel, waves: &[Wave], filter: TrackingFilter) -> Vec<Track> {
        tracks(channel, waves, &filter, &mut Silent).expect("long enough")
    }

    /// Tuma 2005, weights for one, two and three poles.
    #[test]
    fn weights_are_those_published() {
        let table = [
            (0.1, 2.05707, 6.57487, 21.0148),
            (0.05, 4.10146, 26.1376, 166.568),
            (0.01, 20.4871, 652.151, 20759.5),
            (0.001, 204.862, 65209.8, 2.07569e7),
        ];
        for (bandwidth, one, two, three) in table {
            for (poles, published) in [(1, one), (2, two), (3, three)] {
                let r = weight(poles, bandwidth);
                assert!((r / published - 1.0).abs() < 5e-6, "{poles} poles, {bandwidth}: {r}");
            }
        }
    }

    /// An amplitude that beats at half the bandwidth comes out 3 dB lower, one far slower unchanged, one
    /// far faster is gone.
    #[test]
    fn half_the_bandwidth_is_the_point_of_minus_3_db() {
        for bandwidth_hz in [20.0, 2.0] {
            for poles in 1..=3 {
                let gain = |beat_hz: f64| -> f64 {
                    let seconds = 30.0 / bandwidth_hz;
                    let speed = steady(500.0, seconds);
                    let recorded = channel((seconds * RATE_HZ) as usize, |t| {
                        (TAU * beat_hz * t).cos() * (TAU * 500.0 * t).cos()
                    });
                    let filter = TrackingFilter { bandwidth: Bandwidth::Hz(bandwidth_hz), poles };
                    let waves = [Wave { speed: &speed, order: 1.0 }];
                    let track = &follow(&recorded, &waves, filter)[0];
                    let inner = track.len() / 4..3 * track.len() / 4;
                    inner.map(|i| track.phasors[i].re.abs()).fold(0.0, f64::max)
                };
                let there = gain(0.5 * bandwidth_hz);
                assert!((there - 0.5_f64.sqrt()).abs() < 0.01, "{bandwidth_hz}, {poles}: {there}");
                assert!(gain(0.05 * bandwidth_hz) > 0.98);
                assert!(gain(3.0 * bandwidth_hz) < 0.2 / poles as f64);
            }
        }
    }

    /// 20 to 120 Hz in 10 s, and a tone of 70 Hz that it crosses, both of half the stated size.
    #[test]
    fn an_order_and_a_tone_that_it_crosses_are_parted() {
        let seconds = 10.0;
        let knots = (0..=50)
            .map(|i| f64::from(i) * 0.2)
            .map(|t| crate::speed::Knot {
                time_s: t,
                turns: 20.0 * t + 5.0 * t * t,
                speed_hz: 20.0 + 10.0 * t,
            })
            .collect();
        let shaft = Speed::from_knots(SpeedSource::Pulse, knots, 0.0).expect("a rising curve");
        let tone = steady(70.0, seconds);
        let recorded = channel((seconds * RATE_HZ) as usize, |t| {
            (TAU * shaft.turns_at(t) - 0.4).cos() + 0.7 * (TAU * 70.0 * t + 1.0).cos()
        });
        let waves = [Wave { speed: &shaft, order: 1.0 }, Wave { speed: &tone, order: 1.0 }];
        let filter = TrackingFilter { bandwidth: Bandwidth::Hz(1.0), poles: 2 };
        let found = follow(&recorded, &waves, filter);
        for (track, exact) in
            found.iter().zip([Complex64::from_polar(1.0, -0.4), Complex64::from_polar(0.7, 1.0)])
        {
            assert!(track.len() > 40);
            for phasor in &track.phasors[5..track.len() - 5] {
                assert!((phasor - exact).norm() < 0.02 * exact.norm(), "{phasor} for {exact}");
            }
        }
        // alone, the order suffers where the tone crosses it
        let alone = &follow(&recorded, &waves[..1], filter)[0];
        let worst = alone.phasors.iter().map(|c| (c.norm() - 1.0).abs()).fold(0.0, f64::max);
        assert!(worst > 0.1, "{worst}");
    }

    #[test]
    fn the_stated_error_is_the_scatter_of_the_phasor() {
        let mut random = Random(1);
        let noise: Vec<f64> = (0..120_000).map(|_| random.next()).collect();
        let speed = steady(300.0, 60.0);
        let recorded = channel(noise.len(), |t| {
            (TAU * 300.0 * t).cos() + noise[(t * RATE_HZ).round() as usize]
        });
        for poles in 1..=3 {
            for bandwidth in [Bandwidth::Hz(5.0), Bandwidth::Hz(20.0), Bandwidth::Orders(0.02)] {
                let waves = [Wave { speed: &speed, order: 1.0 }];
                let track = &follow(&recorded, &waves, TrackingFilter { bandwidth, poles })[0];
                let squares: f64 = track.phasors.iter().map(|c| (c.re - 1.0).powi(2)).sum();
                let scatter = (squares / track.len() as f64).sqrt();
                let stated = stats::median(&track.errors);
                assert!((stated / scatter - 1.0).abs() < 0.2, "{poles}: {stated} for {scatter}");
            }
        }
    }

    /// Several stretches are solved one by one; where they meet nothing shows.
    #[test]
    fn stretches_meet_without_a_seam() {
        let seconds = 100.0;
        let speed = steady(300.0, seconds);
        let amplitude = |t: f64| 1.0 + 0.5 * (TAU * 0.3 * t).sin();
        let recorded =
            channel((seconds * RATE_HZ) as usize, |t| amplitude(t) * (TAU * 300.0 * t).cos());
        let waves = [Wave { speed: &speed, order: 1.0 }];
        let filter = TrackingFilter { bandwidth: Bandwidth::Hz(10.0), poles: 2 };
        let track = &follow(&recorded, &waves, filter)[0];
        assert!(track.len() > STRETCH / 10);
        for (&time_s, phasor) in track.times_s.iter().zip(&track.phasors) {
            if (1.0..seconds - 1.0).contains(&time_s) {
                assert!((phasor.re - amplitude(time_s)).abs() < 1e-3, "{time_s}: {phasor}");
            }
        }
    }

    #[test]
    fn what_cannot_be_had_is_refused_in_words() {
        let speed = steady(300.0, 1.0);
        let recorded = channel(2000, |t| t);
        let wave = Wave { speed: &speed, order: 1.0 };
        let refuse = |waves: &[Wave], filter: TrackingFilter| {
            tracks(&recorded, waves, &filter, &mut Silent).expect_err("refused").to_string()
        };
        let of = |hz: f64, poles| TrackingFilter { bandwidth: Bandwidth::Hz(hz), poles };
        assert!(refuse(&[wave], of(0.0, 2)).contains("bandwidth_hz"));
        assert!(refuse(&[wave], of(500.0, 2)).contains("up to 20.0"));
        assert!(refuse(&[wave], of(10.0, 4)).contains("poles"));
        assert!(refuse(&[wave], of(0.5, 2)).contains("wider band"));
        assert!(refuse(&[], of(10.0, 2)).contains("orders"));
        assert!(refuse(&[wave, wave], of(10.0, 2)).contains("twice"));
        let above = [Wave { speed: &speed, order: 4.0 }];
        assert!(follow(&recorded, &above, of(10.0, 2))[0].is_empty());
    }
}
