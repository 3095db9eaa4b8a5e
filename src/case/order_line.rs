//! The line at one order of the shaft, held against the noise beside it.

use crate::angle::Track;

/// Independent looks in each block where its power is held against a floor that is known from a dozen or two of its
/// own columns: the error of the floor takes its share. In white noise such ratios have 0.53 looks a block over the
/// lower quartile of eleven columns, 0.6 over the median of twenty (own simulation); the lower counts for both.
pub(super) const LOOKS_OVER_FLOOR: f64 = 0.53;

/// A line at an order, over all blocks in which the order is judged.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OrderLine {
    /// The order: multiples of shaft speed.
    pub order: f64,
    /// Mean over the blocks of the line's power over that of the noise in its column, less one; around 0
    /// where there is noise alone.
    pub excess: f64,
    /// Independent looks in that mean.
    pub looks: f64,
    /// Amplitude without the noise: root of the mean square over the blocks, zero-to-peak, in the unit of
    /// the channel.
    pub amplitude: f64,
    /// Highest speed in rpm at which the order is judged.
    pub top_rpm: f64,
}

impl OrderLine {
    /// The line of a track; `None` for a track without points or without noise.
    ///
    /// Noise of standard error e in either part of a phasor has the mean power 2e², and the mean of n
    /// such ratios a standard deviation of 1/√n.
    pub fn of(track: &Track) -> Option<Self> {
        let blocks = track.phasors.iter().zip(&track.errors).zip(&track.rpm);
        let (mut ratios, mut power, mut noise, mut count, mut top_rpm) = (0.0, 0.0, 0.0, 0.0, 0.0);
        for ((phasor, error), &rpm) in blocks.filter(|((_, error), _)| **error > 0.0) {
            let of_noise = 2.0 * error * error;
            ratios += phasor.norm_sqr() / of_noise;
            power += phasor.norm_sqr();
            noise += of_noise;
            count += 1.0;
            top_rpm = rpm.max(top_rpm);
        }
        (count > 0.0).then(|| Self {
            order: track.order,
            excess: ratios / count - 1.0,
            looks: (LOOKS_OVER_FLOOR * count).max(1.0),
            amplitude: ((power - noise).max(0.0) / count).sqrt(),
            top_rpm,
        })
    }

    /// Height over the noise in standard deviations of noise alone.
    pub fn sigmas(&self) -> f64 {
        self.excess * self.looks.sqrt()
    }

    /// Height over the noise in dB; the noise itself counts.
    pub fn over_noise_db(&self) -> f64 {
        10.0 * (1.0 + self.excess).max(1e-3).log10()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::angle::{AngleSignal, OrderMap};
    use crate::dsp::test_noise::Random;
    use num_complex::Complex64;

    fn track(phasors: &[Complex64], error: f64) -> Track {
        let mut track = Track::empty(12.0);
        for (k, phasor) in phasors.iter().enumerate() {
            track.times_s.push(k as f64);
            track.rpm.push(1000.0 * k as f64);
            track.phasors.push(*phasor);
            track.errors.push(error);
        }
        track
    }

    /// By hand: a phasor of 3 over an error of 1 in each part has 9/2 of the noise's power.
    #[test]
    fn a_steady_line_stands_over_its_noise() {
        let line = OrderLine::of(&track(&[Complex64::new(0.0, 3.0); 4], 1.0)).expect("a line");
        assert!((line.excess - 3.5).abs() < 1e-12);
        assert!((line.amplitude - 7.0_f64.sqrt()).abs() < 1e-12);
        assert!((line.looks - 2.12).abs() < 1e-9 && line.top_rpm == 3000.0);
        assert!((line.over_noise_db() - 10.0 * 4.5_f64.log10()).abs() < 1e-9);
    }

    /// The scatter of many lines of noise alone, each over 200 blocks, is what their looks say.
    #[test]
    fn lines_of_noise_alone_scatter_as_their_looks_say() {
        let mut random = Random(3);
        let signal = AngleSignal {
            samples_per_turn: 128,
            first_turn: 0.0,
            values: (0..1608 * 128).map(|_| random.next() as f32).collect(),
            turn_times_s: (0..=1608).map(|turn| 0.01 * f64::from(turn)).collect(),
            source_rate_hz: 1e6,
        };
        let map = OrderMap::of(&signal);
        assert_eq!((map.turns_per_block, map.blocks()), (16, 200));
        // far enough from each other to share no column, nor the noise beside them
        let orders = (3..40).step_by(3).map(f64::from);
        let lines: Vec<OrderLine> =
            orders.filter_map(|order| OrderLine::of(&map.track(order)?)).collect();
        let squares = lines.iter().map(|line| line.excess * line.excess * line.looks);
        let scatter = (squares.sum::<f64>() / lines.len() as f64).sqrt();
        assert!(lines.len() > 12 && (0.7..1.7).contains(&scatter), "{scatter} of {}", lines.len());
    }

    #[test]
    fn without_points_or_noise_there_is_none() {
        assert_eq!(OrderLine::of(&track(&[], 1.0)), None);
        assert_eq!(OrderLine::of(&track(&[Complex64::new(1.0, 0.0)], 0.0)), None);
    }
}
