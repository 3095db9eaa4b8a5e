//! The banded system of a stretch of places, its solution, and how sure that is.

use std::ops::Range;

use super::places::Places;
use super::samples::Signal;
use super::weight;
use crate::angle::noise;
use crate::angle::track::Track;
use crate::angle::wave::Wave;
use crate::dsp::banded::Banded;
use crate::dsp::fft::Complex64;
use crate::dsp::stats;
use crate::dsp::window::Window;
use crate::error::{Error, Result};
use crate::recording::Channel;

/// How far a stretch looks beyond its own places, in inverse bandwidths: the filter's memory has faded to
/// a millionth there.
const MEMORY: f64 = 8.0;
/// One point of a track for so many places: five in an inverse bandwidth.
const PLACES_PER_POINT: usize = 10;
/// What the data must tell of a phasor against the smoothing alone, else no solution is had.
const LEAST_WEIGHT: f64 = 1e-6;
/// How much wider a stated error is where orders cross and cannot be parted, before no point is given.
const MOST_INFLATION: f64 = 10.0;

pub(super) struct Solver<'a> {
    pub channel: &'a Channel,
    pub waves: &'a [Wave<'a>],
    pub places: &'a Places,
    pub poles: usize,
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
    pub fn stretch(&self, core: Range<usize>, tracks: &mut [Track]) -> Result<()> {
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
