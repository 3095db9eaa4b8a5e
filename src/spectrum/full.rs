//! Full spectra: the motion of a shaft in its plane, parted into what turns with it and what turns
//! against it.
//!
//! With `z = x + i y` in shaft coordinates, a line at a frequency is `F e^{iwt} + B e^{-iwt}`; `|F|` stands
//! at `+w`, with the rotation, `|B|` at `-w`. From the spectra of x and y, `F = (X + i Y) / 2` and
//! `|B| = |X - i Y| / 2`, for zero-to-peak phasors X and Y (Muszynska, Rotordynamics, 2005: from memory).

use serde::{Deserialize, Serialize};

use super::averaged::SpectrumConfig;
use crate::angle::{AngleSignal, OrderMap};
use crate::dsp::fft::{Complex32, Complex64};
use crate::dsp::segments::{Cutter, SegmentTransform};
use crate::error::{Error, Result};

/// Amplitudes of the circles with and against the rotation.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FullSpectrum {
    /// Whether the axis is orders; else it is Hz.
    pub in_orders: bool,
    /// Distance of neighbouring lines, in orders or Hz.
    pub step: f64,
    /// Radius of the circle with the rotation at `k` times `step`, from `k = 0`: root mean square over the
    /// blocks, zero-to-peak.
    pub forward: Vec<f32>,
    /// Radius of the circle against the rotation, likewise.
    pub backward: Vec<f32>,
    /// Blocks averaged.
    pub averages: usize,
    /// Lowest and highest mean speed of a block in rpm; `None` without a speed.
    pub rpm: Option<[f64; 2]>,
}

impl FullSpectrum {
    /// Orders or frequencies from the lowest (against the rotation, below zero) to the highest.
    pub fn axis(&self) -> Vec<f64> {
        let last = self.forward.len().saturating_sub(1) as i64;
        (-last..=last).map(|k| k as f64 * self.step).collect()
    }

    /// The values along [`FullSpectrum::axis`]. At zero stands nothing: means are taken away.
    pub fn values(&self) -> Vec<f32> {
        let against = self.backward.iter().skip(1).rev();
        against.chain([&0.0]).chain(self.forward.iter().skip(1)).copied().collect()
    }

    /// Over orders, from x and y at equal angles, up to `max_order`; of the blocks whose mean speed in rpm
    /// lies between two, where these are given.
    ///
    /// # Errors
    /// [`Error::Setting`] where no block lies between the speeds.
    pub fn over_orders(
        [x, y]: [&AngleSignal; 2],
        max_order: f64,
        between_rpm: Option<[f64; 2]>,
    ) -> Result<Self> {
        let maps = [OrderMap::of(x), OrderMap::of(y)];
        let step = maps[0].order_step();
        let [low, high] = between_rpm.unwrap_or([0.0, f64::INFINITY]);
        let rows = maps[0].phasors.rows().into_iter().zip(maps[1].phasors.rows());
        let width = ((max_order / step).floor() as usize + 1).min(maps[0].phasors.ncols());
        let mut sums = Sums::new(width);
        let mut rpm = [f64::INFINITY, 0.0_f64];
        for ((row_x, row_y), &speed) in rows.zip(&maps[0].rpm) {
            if speed >= low && speed <= high {
                rpm = [rpm[0].min(speed), rpm[1].max(speed)];
                sums.add(row_x.iter().copied(), row_y.iter().copied());
            }
        }
        if sums.blocks == 0 {
            let all =
                maps[0].rpm.iter().fold([f64::INFINITY, 0.0_f64], |[l, h], r| [r.min(l), r.max(h)]);
            return Err(Error::setting(
                "between_rpm",
                format!("no turns lie from {low} to {high} rpm"),
                format!("choose speeds within {:.0} to {:.0} rpm", all[0], all[1]),
            ));
        }
        Ok(sums.finish(true, step, 1.0, Some(rpm)))
    }

    /// Over frequency, from x and y in time.
    ///
    /// # Errors
    /// [`Error::Setting`] where the configuration is out of range, [`Error::TooLittle`] where the samples
    /// fill no segment.
    pub fn over_hz([x, y]: [&[f32]; 2], rate_hz: f64, config: &SpectrumConfig) -> Result<Self> {
        let len = config.segment_len_for(rate_hz, Some(x.len().min(y.len())))?;
        let hop = config.hop(len);
        let segments = |samples: &[f32]| {
            let mut transform = SegmentTransform::new(config.window, len, len, config.remove_mean);
            let mut cutter = Cutter::new(len, hop);
            let mut all: Vec<Vec<Complex32>> = Vec::new();
            cutter.push(samples, |segment| all.push(transform.bins_of(segment).to_vec()));
            (all, 2.0 / transform.window_sum)
        };
        let ((of_x, scale), (of_y, _)) = (segments(x), segments(y));
        let mut sums = Sums::new(len / 2 + 1);
        for (row_x, row_y) in of_x.iter().zip(&of_y) {
            sums.add(row_x.iter().copied(), row_y.iter().copied());
        }
        if sums.blocks == 0 {
            return Err(Error::too_little("a full spectrum", format!("{len} samples"), "fewer"));
        }
        Ok(sums.finish(false, rate_hz / len as f64, scale, None))
    }
}

/// Sums of squares over blocks.
struct Sums {
    forward: Vec<f64>,
    backward: Vec<f64>,
    blocks: usize,
}

impl Sums {
    fn new(width: usize) -> Self {
        Self { forward: vec![0.0; width], backward: vec![0.0; width], blocks: 0 }
    }

    fn add(&mut self, x: impl Iterator<Item = Complex32>, y: impl Iterator<Item = Complex32>) {
        let places = self.forward.iter_mut().zip(&mut self.backward);
        let wide = |c: Complex32| Complex64::new(c.re.into(), c.im.into());
        for ((forward, backward), (x, y)) in places.zip(x.zip(y)) {
            let (x, turned) = (wide(x), Complex64::i() * wide(y));
            *forward += (0.5 * (x + turned)).norm_sqr();
            *backward += (0.5 * (x - turned)).norm_sqr();
        }
        self.blocks += 1;
    }

    fn finish(self, in_orders: bool, step: f64, scale: f64, rpm: Option<[f64; 2]>) -> FullSpectrum {
        let root = |sums: Vec<f64>| {
            sums.iter().map(|sum| (scale * (sum / self.blocks as f64).sqrt()) as f32).collect()
        };
        FullSpectrum {
            in_orders,
            step,
            forward: root(self.forward),
            backward: root(self.backward),
            averages: self.blocks,
            rpm,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::TAU;

    fn signals(z: impl Fn(f64) -> (f64, f64)) -> [AngleSignal; 2] {
        let steps = 32;
        let made = |part: &dyn Fn((f64, f64)) -> f64| AngleSignal {
            samples_per_turn: steps,
            first_turn: 3.0,
            values: (0..200 * steps).map(|i| part(z(i as f64 / steps as f64)) as f32).collect(),
            turn_times_s: (0..=200).map(|turn| f64::from(turn) * 0.01).collect(),
            source_rate_hz: 1e5,
        };
        [made(&|(x, _)| x), made(&|(_, y)| y)]
    }

    fn at(spectrum: &FullSpectrum, place: f64) -> f32 {
        let axis = spectrum.axis();
        let nearest =
            |a: &usize, b: &usize| (axis[*a] - place).abs().total_cmp(&(axis[*b] - place).abs());
        spectrum.values()[(0..axis.len()).min_by(nearest).expect("lines")]
    }

    /// A circle with the rotation gives only the positive line, an ellipse with semi-axes a and b both:
    /// (a + b) / 2 and (a - b) / 2 (Muszynska, Rotordynamics, 2005: from memory).
    #[test]
    fn a_circle_has_one_line_and_an_ellipse_two() {
        let circle = |turns: f64| (4.0 * (TAU * turns).cos(), 4.0 * (TAU * turns).sin());
        let [x, y] = signals(circle);
        let full = FullSpectrum::over_orders([&x, &y], 6.0, None).expect("blocks");
        assert!((at(&full, 1.0) - 4.0).abs() < 1e-3 && at(&full, -1.0) < 1e-3);
        let ellipse = |turns: f64| (5.0 * (TAU * turns).cos(), 2.0 * (TAU * turns).sin());
        let [x, y] = signals(ellipse);
        let full = FullSpectrum::over_orders([&x, &y], 6.0, None).expect("blocks");
        assert!((at(&full, 1.0) - 3.5).abs() < 1e-3, "{}", at(&full, 1.0));
        assert!((at(&full, -1.0) - 1.5).abs() < 1e-3, "{}", at(&full, -1.0));
        assert!((full.axis()[0] + 6.0).abs() < 1e-9 && full.axis().len() == full.values().len());
        let said = FullSpectrum::over_orders([&x, &y], 6.0, Some([1.0, 2.0])).expect_err("none");
        assert!(said.to_string().contains("6000 rpm"), "{said}");
    }

    #[test]
    fn a_backward_circle_over_hz_stands_below_zero() {
        let (rate, hz) = (1000.0, 125.0);
        let wave = |part: fn(f64) -> f64| -> Vec<f32> {
            (0..8000).map(|i| (3.0 * part(TAU * hz * f64::from(i) / rate)) as f32).collect()
        };
        let (x, y) = (wave(f64::cos), wave(|a| -a.sin()));
        let config = SpectrumConfig { segment_len: Some(200), ..SpectrumConfig::default() };
        let full = FullSpectrum::over_hz([&x, &y], rate, &config).expect("long enough");
        assert!((at(&full, -125.0) - 3.0).abs() < 1e-3, "{}", at(&full, -125.0));
        assert!(at(&full, 125.0) < 1e-3 && full.step == 5.0);
    }
}
