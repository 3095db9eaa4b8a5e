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

use std::ops::Range;

use super::noise;
use super::track::Track;
use super::wave::{self, Carriers, Wave};
use crate::dsp::banded::Banded;
use crate::dsp::fft::Complex64;
use crate::dsp::stats;
use crate::dsp::window::Window;
use crate::error::{Error, Result};
use crate::progress::{Progress, step};
use crate::recording::Channel;
use crate::units::three_digits;

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

/// Bandwidth times distance of the places at which phasors are held.
const PLACED: f64 = 0.02;
/// The widest band as a share of the sampling rate: places lie at least two samples apart, and the noise
/// beside the line lies beside the band.
const WIDEST: f64 = 0.01;
/// Places solved for together: of few waves, and at least.
const STRETCH: usize = 4096;
const LEAST_STRETCH: usize = 512;
/// Samples whose carriers are held at a time.
const CARRIED: usize = 1 << 15;
/// How far a stretch looks beyond its own places, in inverse bandwidths: the filter's memory has faded to
/// a millionth there.
const MEMORY: f64 = 8.0;
/// One point of a track for so many places: five in an inverse bandwidth.
const PLACES_PER_POINT: usize = 10;
/// What the data must tell of a phasor against the smoothing alone, else no solution is had.
const LEAST_WEIGHT: f64 = 1e-6;
/// How much wider a stated error is where orders cross and cannot be parted, before no point is given.
const MOST_INFLATION: f64 = 10.0;

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

/// The places at which phasors are held.
struct Places {
    /// Indices of samples, not whole where bands are in orders; one more than there are stretches
    /// between them.
    at: Vec<f64>,
    /// Cycles of the bandwidth from one place to the next.
    bandwidth: f64,
    /// The samples that are used.
    covered: Range<usize>,
}

impl Places {
    fn new(
        channel: &Channel,
        first: &Wave,
        bandwidth: Bandwidth,
        covered: Range<usize>,
    ) -> Result<Self> {
        let (start, end) = (covered.start as f64, (covered.end - 1) as f64);
        let (at, bandwidth): (Vec<f64>, f64) = match bandwidth {
            Bandwidth::Hz(hz) => {
                let samples = (PLACED * channel.rate_hz / hz).floor().max(1.0);
                let places = (0..).map(|i| start + f64::from(i) * samples);
                // the last place lies at or just beyond the last sample
                let count = ((end - start) / samples).ceil() as usize + 1;
                (places.take(count).collect(), hz * samples / channel.rate_hz)
            }
            Bandwidth::Orders(orders) => {
                let turns = PLACED / orders;
                let speed = first.speed;
                let from = speed.turns_at(channel.time_s(start));
                let to = speed.turns_at(channel.time_s(end));
                let count = ((to - from) / turns).ceil() as usize + 1;
                let index = |i: usize| {
                    channel
                        .index_at(speed.time_at_turns(from + i as f64 * turns))
                        .clamp(start, end + 1.0)
                };
                ((0..count).map(index).collect(), orders * turns)
            }
        };
        let needed = (1.0 / bandwidth).ceil() as usize;
        if at.len() < needed {
            let wide = at.len() as f64 * bandwidth;
            return Err(Error::too_little(
                format!("order tracks of channel {}", channel.name()),
                "at least one inverse bandwidth",
                format!("{wide:.2} of it: take a wider band"),
            ));
        }
        Ok(Self { at, bandwidth, covered })
    }

    fn count(&self) -> usize {
        self.at.len()
    }

    /// The samples between the first and the last of some places, the last sample with them at the end.
    fn samples(&self, places: &Range<usize>) -> Range<usize> {
        let from = self.at[places.start].ceil() as usize;
        let to = self.at[places.end - 1].ceil() as usize;
        let to = if places.end == self.count() { self.covered.end } else { to };
        from..to.clamp(from, self.covered.end)
    }

    /// Samples that a place stands for.
    fn span(&self, place: usize) -> f64 {
        let before = place.saturating_sub(1);
        let after = (place + 1).min(self.count() - 1);
        (self.at[after] - self.at[before]) / (after - before) as f64
    }
}

struct Solver<'a> {
    channel: &'a Channel,
    waves: &'a [Wave<'a>],
    places: &'a Places,
    poles: usize,
}

/// Solution of one stretch: places x (real, imaginary) of each wave.
struct Solved {
    values: Vec<f64>,
    /// Diagonal of the inverse of the system.
    inverse: Vec<f64>,
}

impl Solver<'_> {
    fn width(&self) -> usize {
        2 * self.waves.len()
    }

    /// Solves around the places of `core` and adds its points.
    fn stretch(&self, core: Range<usize>, tracks: &mut [Track]) -> Result<()> {
        let margin = (MEMORY / self.places.bandwidth).ceil() as usize;
        let around =
            core.start.saturating_sub(margin)..(core.end + margin).min(self.places.count());
        let range = self.places.samples(&around);
        let centre = stats::mean_f32(&self.channel.values()[range.clone()]);
        let signal = Signal { channel: self.channel, waves: self.waves, range, centre };
        let solved = self.solve(&signal, &around)?;
        let basebands = self.basebands(&signal, &solved, &around);
        for (wave, track) in tracks.iter_mut().enumerate() {
            let noise = noise_along(&basebands[wave]);
            for place in core.clone().filter(|place| place.is_multiple_of(PLACES_PER_POINT)) {
                self.add_point(&solved, &around, &noise, (wave, place), track);
            }
        }
        Ok(())
    }

    fn add_point(
        &self,
        solved: &Solved,
        around: &Range<usize>,
        noise: &[f64],
        (wave, place): (usize, usize),
        track: &mut Track,
    ) {
        let time_s = self.channel.time_s(self.places.at[place]);
        let entry = (place - around.start) * self.width() + 2 * wave;
        let phasor = Complex64::new(solved.values[entry], solved.values[entry + 1]);
        let variance = 0.5 * (solved.inverse[entry] + solved.inverse[entry + 1]);
        if !self.waves[wave].is_judged(self.channel, time_s)
            || variance > MOST_INFLATION.powi(2) * self.alone(place)
            || !phasor.is_finite()
        {
            return;
        }
        // of the variance that the smoothing grants the phasor, noise makes this share (the integrals
        // of the filter's gain and of its square)
        let by_noise = (2 * self.poles - 1) as f64 / (2 * self.poles) as f64;
        let window = (place - around.start) / (noise::POINTS / 2);
        let noise = noise.get(window.min(noise.len().saturating_sub(1))).copied().unwrap_or(0.0);
        let error = (by_noise * variance * noise).sqrt();
        track.push(time_s, 60.0 * self.waves[wave].speed.hz_at(time_s), phasor, error);
    }

    /// Entry of the inverse for a wave that stands alone: the mean of the filter's gain over all
    /// modulations, per sample.
    fn alone(&self, place: usize) -> f64 {
        let p = self.poles as f64;
        let half = (2.0_f64.sqrt() - 1.0).powf(-0.5 / p);
        // integral of 1 / (1 + x^2p) is (pi / p) / sin(pi / 2p)
        let integral = std::f64::consts::PI / p / (0.5 * std::f64::consts::PI / p).sin();
        self.places.bandwidth * half * 0.5 * integral * 2.0 / self.places.span(place)
    }

    fn solve(&self, signal: &Signal, around: &Range<usize>) -> Result<Solved> {
        let (width, count) = (self.width(), around.len());
        let reach = (self.poles * width).max(2 * width - 1);
        let mut system = Banded::zeros(count * width, reach);
        let mut values = vec![0.0; count * width];
        self.add_data(signal, around, &mut system, &mut values);
        self.add_smoothing(around, &mut system);
        let factor = system.factor().ok_or_else(|| {
            Error::numerical("order tracks", "the orders cannot be parted at this bandwidth")
        })?;
        factor.solve(&mut values);
        Ok(Solved { values, inverse: factor.inverse_diagonal() })
    }

    fn add_data(
        &self,
        signal: &Signal,
        around: &Range<usize>,
        system: &mut Banded,
        rhs: &mut [f64],
    ) {
        let width = self.width();
        let mut part = Part::new(width);
        signal.each_part(self.places, around, |place, part_samples| {
            part.clear();
            for (row, x, share) in part_samples {
                part.add(row, x, share);
            }
            part.put_into((place - around.start) * width, system, rhs);
        });
    }

    /// `r²` times the squared differences, in the measure of the data: a sample weighs 1/2 for either
    /// part of a phasor.
    fn add_smoothing(&self, around: &Range<usize>, system: &mut Banded) {
        let (width, poles) = (self.width(), self.poles);
        let differences: &[f64] = match poles {
            1 => &[1.0, -1.0],
            2 => &[1.0, -2.0, 1.0],
            _ => &[1.0, -3.0, 3.0, -1.0],
        };
        let r = weight(poles, self.places.bandwidth);
        for first in 0..around.len().saturating_sub(poles) {
            let samples = self.places.span(around.start + first + poles / 2);
            let strength = 0.5 * r * r * samples;
            for (i, a) in differences.iter().enumerate() {
                for (j, b) in differences[..=i].iter().enumerate() {
                    for part in 0..width {
                        let (row, column) =
                            ((first + i) * width + part, (first + j) * width + part);
                        system.add(row, column, strength * a * b);
                    }
                }
            }
        }
        for place in 0..around.len() {
            let least = LEAST_WEIGHT * self.places.span(around.start + place);
            (0..width).for_each(|part| {
                system.add(place * width + part, place * width + part, least);
            });
        }
    }

    /// What the solution leaves, taken to the base band of each wave, place by place, and how much white
    /// noise of variance 1 would leave there.
    fn basebands(
        &self,
        signal: &Signal,
        solved: &Solved,
        around: &Range<usize>,
    ) -> Vec<Vec<(Complex64, f64)>> {
        let width = self.width();
        let mut sums = vec![vec![(Complex64::default(), 0.0); around.len()]; self.waves.len()];
        signal.each_part(self.places, around, |place, part| {
            let here = (place - around.start) * width;
            let (near, far) = solved.values[here..here + 2 * width].split_at(width);
            let mut left = vec![[Complex64::default(); 2]; self.waves.len()];
            let mut weights = [0.0; 2];
            for (row, x, share) in part {
                let held = near.iter().zip(far).map(|(near, far)| near + share * (far - near));
                let model: f64 = row.iter().zip(held).map(|(u, c)| u * c).sum();
                let shares = [1.0 - share, share];
                for (left, carrier) in left.iter_mut().zip(row.as_chunks::<2>().0) {
                    let turned = Complex64::new(carrier[0], carrier[1]) * (x - model);
                    left.iter_mut().zip(shares).for_each(|(sum, share)| *sum += share * turned);
                }
                weights.iter_mut().zip(shares).for_each(|(sum, share)| *sum += share);
            }
            for (sums, left) in sums.iter_mut().zip(left) {
                for side in 0..2 {
                    let slot = &mut sums[place - around.start + side];
                    slot.0 += left[side];
                    slot.1 += weights[side];
                }
            }
        });
        // neighbours share their samples: near zero frequency the noise is that of so many samples
        let mean = |(sum, weights): (Complex64, f64)| {
            if weights > 0.0 {
                (sum * (2.0 / weights), 4.0 / weights)
            } else {
                (Complex64::default(), 0.0)
            }
        };
        sums.into_iter().map(|places| places.into_iter().map(mean).collect()).collect()
    }
}

/// Variance of the noise of a sample around a wave, in windows of [`noise::POINTS`] places that overlap
/// by half.
fn noise_along(baseband: &[(Complex64, f64)]) -> Vec<f64> {
    let points = noise::POINTS.min(baseband.len());
    let taper = Window::Hann.coefficients(points);
    let gain: f64 = taper.iter().map(|w| w * w).sum();
    let starts = (0..=baseband.len() - points).step_by((points / 2).max(1));
    let variance = |start: usize| {
        let part = &baseband[start..start + points];
        let tapered: Vec<Complex64> = part.iter().zip(&taper).map(|((z, _), w)| z * *w).collect();
        let spread = part.iter().map(|(_, spread)| spread).sum::<f64>() / points as f64;
        noise::power_beside(&tapered) / (gain * spread.max(f64::MIN_POSITIVE))
    };
    starts.map(variance).collect()
}

/// The samples of a stretch.
struct Signal<'a> {
    channel: &'a Channel,
    waves: &'a [Wave<'a>],
    range: Range<usize>,
    centre: f64,
}

impl Signal<'_> {
    /// For the places of `around` but the last, in turn: samples from it to the next, each with its
    /// carriers, its value and its share of the way. Carriers are made for some samples at a time, so a
    /// place may come more than once.
    fn each_part(
        &self,
        places: &Places,
        around: &Range<usize>,
        mut each: impl FnMut(usize, &mut dyn Iterator<Item = (&[f64], f64, f64)>),
    ) {
        let last = around.end.saturating_sub(2);
        let mut place = around.start;
        for start in self.range.clone().step_by(CARRIED) {
            let samples = start..(start + CARRIED).min(self.range.end);
            let carriers = Carriers::over(self.channel, self.waves, samples.clone());
            let values = &self.channel.values()[samples.clone()];
            let mut rows = samples.zip(carriers.rows().zip(values)).peekable();
            while rows.peek().is_some() {
                let (from, to) = (places.at[place], places.at[place + 1]);
                let inside = |index: usize| (index as f64) < to || place == last;
                let mut part = std::iter::from_fn(|| {
                    let (index, (row, &x)) = rows.next_if(|(index, _)| inside(*index))?;
                    let share = (index as f64 - from) / (to - from);
                    Some((row, f64::from(x) - self.centre, share.clamp(0.0, 1.0)))
                });
                each(place, &mut part);
                place += usize::from(rows.peek().is_some());
            }
        }
    }
}

/// Sums over the samples between two places.
struct Part {
    width: usize,
    /// Products of carriers, with the weights of both places: near, mixed, far.
    products: [Vec<f64>; 3],
    /// Carriers times signal: near, far.
    signals: [Vec<f64>; 2],
}

impl Part {
    fn new(width: usize) -> Self {
        let square = || vec![0.0; width * width];
        let line = || vec![0.0; width];
        Self { width, products: [square(), square(), square()], signals: [line(), line()] }
    }

    fn clear(&mut self) {
        self.products.iter_mut().for_each(|sums| sums.fill(0.0));
        self.signals.iter_mut().for_each(|sums| sums.fill(0.0));
    }

    fn add(&mut self, row: &[f64], x: f64, share: f64) {
        let (near, far) = (1.0 - share, share);
        let [near_signals, far_signals] = &mut self.signals;
        let [near_products, mixed_products, far_products] = &mut self.products;
        for (i, &u) in row.iter().enumerate() {
            let (u_near, u_far) = (near * u, far * u);
            near_signals[i] += u_near * x;
            far_signals[i] += u_far * x;
            let (a, b, c) = (near * u_near, near * u_far, far * u_far);
            let line = i * self.width..i * self.width + i + 1;
            let sums = near_products[line.clone()]
                .iter_mut()
                .zip(&mut mixed_products[line.clone()])
                .zip(&mut far_products[line]);
            for (((near, mixed), far), &v) in sums.zip(row) {
                *near += a * v;
                *mixed += b * v;
                *far += c * v;
            }
        }
    }

    fn put_into(&self, near: usize, system: &mut Banded, rhs: &mut [f64]) {
        let far = near + self.width;
        for i in 0..self.width {
            rhs[near + i] += self.signals[0][i];
            rhs[far + i] += self.signals[1][i];
            for j in 0..=i {
                let place = i * self.width + j;
                system.add(near + i, near + j, self.products[0][place]);
                system.add(far + i, far + j, self.products[2][place]);
                system.add(far + i, near + j, self.products[1][place]);
                if i != j {
                    system.add(far + j, near + i, self.products[1][place]);
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
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
        let mut state = 1_u32;
        let noise: Vec<f64> = (0..120_000)
            .map(|_| {
                state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                f64::from(state >> 8) / f64::from(1 << 23) - 1.0
            })
            .collect();
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
