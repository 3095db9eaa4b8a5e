//! Two like sensors that look at one shaft from different sides: from their readings to its plane.
//!
//! Shaft coordinates are those of the machine file's angles: x points to the pulse sensor, y a quarter
//! turn further with the rotation, so that the shaft always turns from x to y. A sensor at the angle `a`
//! reads `x cos a + y sin a`.

use super::resample::{self, AngleSignal, Resampler, Sampled};
use crate::error::{Error, Result};
use crate::progress::{Progress, step};
use crate::recording::{Channel, Direction, Role};
use crate::speed::Speed;

/// Least and greatest angle between two sensors, in degrees: nearer to a line, the motion across it
/// drowns in their noise (more than 1.4 times raised within these).
const APART_DEG: [f64; 2] = [45.0, 135.0];

/// Two like sensors on one plane across the shaft.
#[derive(Debug, Clone)]
pub struct ProbePair<'a> {
    channels: [&'a Channel; 2],
    angles_deg: [f64; 2],
    /// From the second channel's unit to the first one's.
    factor: f64,
}

impl<'a> ProbePair<'a> {
    /// A pair from two channels of one recording. `angles_deg` come before the `sensor_angle_deg` of the
    /// machine file.
    ///
    /// # Errors
    /// [`Error::Setting`] where the channels are one and the same, no vibration, axial, of different
    /// quantities, at different bearings or of different rates, where an angle is not known, or where
    /// they do not stand 45 to 135 degrees apart.
    pub fn new(
        first: &'a Channel,
        second: &'a Channel,
        angles_deg: Option<[f64; 2]>,
    ) -> Result<Self> {
        let names = format!("{} and {}", first.name(), second.name());
        let refuse = |problem: String, mend: &str| Err(Error::setting(&names, problem, mend));
        if let Some((problem, mend)) = unlike(first, second) {
            return refuse(problem, mend);
        }
        let stated = [first, second].map(|channel| channel.spec.sensor_angle_deg);
        let angles_deg = match (angles_deg, stated) {
            (Some(angles), _) => angles,
            (None, [Some(a), Some(b)]) => [a, b],
            (None, _) => {
                return refuse(
                    "it is not known where the sensors stand".into(),
                    "state sensor_angle_deg of both in the machine file",
                );
            }
        };
        if !angles_deg.iter().all(|angle| angle.is_finite()) {
            return refuse("an angle is no finite number".into(), "give both in degrees");
        }
        let pair = Self {
            channels: [first, second],
            angles_deg,
            factor: second.spec.unit().si_factor() / first.spec.unit().si_factor(),
        };
        let apart = pair.apart_deg().abs();
        if !(APART_DEG[0]..=APART_DEG[1]).contains(&apart) {
            return refuse(
                format!("the sensors stand {apart:.0} degrees apart"),
                "take two that stand near 90 degrees apart, at least 45 and at most 135",
            );
        }
        Ok(pair)
    }

    /// The channels.
    pub fn channels(&self) -> [&'a Channel; 2] {
        self.channels
    }

    /// Angles from the pulse sensor to the sensors, counted with the rotation, in degrees.
    pub fn angles_deg(&self) -> [f64; 2] {
        self.angles_deg
    }

    /// Angle from the first sensor to the second, with the rotation, in degrees from -180 to 180.
    pub fn apart_deg(&self) -> f64 {
        (self.angles_deg[1] - self.angles_deg[0] + 180.0).rem_euclid(360.0) - 180.0
    }

    /// The weights of both readings, in one unit, in x and in y: `x = w[0][0] a + w[0][1] b` and so on.
    pub fn weights(&self) -> [[f64; 2]; 2] {
        let [(sin_a, cos_a), (sin_b, cos_b)] =
            self.angles_deg.map(|deg| deg.to_radians().sin_cos());
        let across = self.apart_deg().to_radians().sin();
        [[sin_b / across, -sin_a / across], [-cos_b / across, cos_a / across]]
    }

    /// The first of the turns that both channels and a speed cover, in turns of its angle, and their
    /// number.
    ///
    /// # Errors
    /// As [`resample::resample`], and [`Error::TooLittle`] where they share fewer than two turns.
    pub fn common_turns(&self, speed: &Speed) -> Result<(f64, usize)> {
        let (mut from, mut to) = (f64::NEG_INFINITY, f64::INFINITY);
        for channel in self.channels {
            let resampler = Resampler::new(Sampled::of(channel), speed, 1)?;
            from = from.max(resampler.first_turn());
            to = to.min(resampler.first_turn() + resampler.turns() as f64);
        }
        if to < from + 2.0 {
            return Err(Error::too_little("the plane of the shaft", "2 common turns", "fewer"));
        }
        Ok((from, (to - from) as usize))
    }

    /// Both readings at equal angles over the turns that both cover, the second one in the first one's
    /// unit. Steps of `progress` are the channels.
    ///
    /// # Errors
    /// As [`ProbePair::common_turns`] and [`ProbePair::turns_at_equal_angles`].
    pub fn at_equal_angles(
        &self,
        speed: &Speed,
        samples_per_turn: usize,
        progress: &mut dyn Progress,
    ) -> Result<[AngleSignal; 2]> {
        let (first, turns) = self.common_turns(speed)?;
        self.turns_at_equal_angles(speed, samples_per_turn, (first, turns), progress)
    }

    /// The same of some turns alone, made from the samples around them.
    ///
    /// # Errors
    /// As [`resample::resample_turns`]; [`Error::Stopped`] where the caller asked to stop.
    pub fn turns_at_equal_angles(
        &self,
        speed: &Speed,
        samples_per_turn: usize,
        (first_turn, turns): (f64, usize),
        progress: &mut dyn Progress,
    ) -> Result<[AngleSignal; 2]> {
        let mut made = |index: usize| {
            step(progress, "turns of two sensors", index as u64, 2)?;
            let channel = self.channels[index];
            resample::resample_turns(channel, speed, samples_per_turn, first_turn, turns)
        };
        let (first, mut second) = (made(0)?, made(1)?);
        step(progress, "turns of two sensors", 2, 2)?;
        let factor = self.factor as f32;
        second.values.iter_mut().for_each(|value| *value *= factor);
        Ok([first, second])
    }

    /// The samples of both channels over the time that both cover, as x and y in the first one's unit. One
    /// that starts later, skew included, is met by whole samples of the other; half a sample at most is
    /// left, which at half the rate is 90 degrees between them, and less in proportion below.
    ///
    /// # Errors
    /// [`Error::TooLittle`] where they share no time.
    pub fn in_time(&self) -> Result<[Vec<f32>; 2]> {
        let [first, second] = self.channels;
        // the place in the second channel of the first one's first sample
        let ahead = second.index_at(first.time_s(0.0)).round();
        let from = |channel: &'a Channel, skipped: f64| {
            channel.values().get(skipped.max(0.0) as usize..).unwrap_or_default()
        };
        let (of_first, of_second) = (from(first, -ahead), from(second, ahead));
        if of_first.is_empty() || of_second.is_empty() {
            return Err(Error::too_little("the plane of the shaft", "a common time", "none"));
        }
        let factor = self.factor as f32;
        let scaled: Vec<f32> = of_second.iter().map(|value| value * factor).collect();
        Ok(self.plane(of_first, &scaled))
    }

    /// Two readings, both in the first channel's unit already, as x and y.
    pub fn plane(&self, first: &[f32], second: &[f32]) -> [Vec<f32>; 2] {
        self.weights().map(|[a, b]| {
            let mixed = |(&u, &v): (&f32, &f32)| (a * f64::from(u) + b * f64::from(v)) as f32;
            first.iter().zip(second).map(mixed).collect()
        })
    }
}

/// Why two channels are no pair, and what to do.
fn unlike(first: &Channel, second: &Channel) -> Option<(String, &'static str)> {
    let other = "take two sensors of one kind at one place";
    if first.name() == second.name() {
        return Some(("this is one sensor".into(), "name two"));
    }
    for channel in [first, second] {
        let name = channel.name();
        if channel.spec.role() != Role::Vibration {
            return Some((format!("{name} measures no vibration"), other));
        }
        if channel.spec.direction == Direction::Axial {
            return Some((format!("{name} feels along the shaft"), "take two radial sensors"));
        }
    }
    let quantities = [first, second].map(|channel| channel.spec.quantity());
    if quantities[0] != quantities[1] {
        let [a, b] = quantities.map(crate::units::Quantity::word);
        return Some((format!("one measures {a}, the other {b}"), other));
    }
    match (&first.spec.bearing, &second.spec.bearing) {
        (Some(a), Some(b)) if a != b => {
            return Some((format!("they sit at different bearings, {a} and {b}"), other));
        }
        _ => {}
    }
    (first.rate_hz != second.rate_hz).then(|| {
        let problem = format!("their rates are {} and {} Hz", first.rate_hz, second.rate_hz);
        (problem, "take two channels of one rate")
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::recording::ChannelSpec;
    use crate::units::Unit;

    fn channel(name: &str, angle_deg: f64, unit: Unit) -> Channel {
        let spec = ChannelSpec {
            role: Some(Role::Vibration),
            unit: Some(unit),
            sensor_angle_deg: Some(angle_deg),
            ..ChannelSpec::named(name)
        };
        Channel::new(spec, 1000.0, vec![0.0; 100]).expect("valid")
    }

    #[test]
    fn readings_of_any_two_angles_give_back_the_plane() {
        for angles in [[0.0, 90.0], [45.0, 315.0], [-45.0, 45.0], [30.0, 110.0], [350.0, 260.0]] {
            let (a, b) = (
                channel("a", angles[0], Unit::Micrometer),
                channel("b", angles[1], Unit::Micrometer),
            );
            let pair = ProbePair::new(&a, &b, None).expect("a pair");
            let (x, y) = (0.3, -1.7);
            let read = angles.map(|deg| {
                let (sin, cos) = deg.to_radians().sin_cos();
                (x * cos + y * sin) as f32
            });
            let [back_x, back_y] = pair.plane(&read[..1], &read[1..]);
            assert!((f64::from(back_x[0]) - x).abs() < 1e-6, "{angles:?}: {back_x:?}");
            assert!((f64::from(back_y[0]) - y).abs() < 1e-6, "{angles:?}: {back_y:?}");
        }
    }

    #[test]
    fn units_of_one_quantity_are_joined() {
        let (a, b) = (channel("a", 0.0, Unit::Micrometer), channel("b", 90.0, Unit::Millimeter));
        let pair = ProbePair::new(&a, &b, None).expect("a pair");
        assert!((pair.factor - 1000.0).abs() < 1e-9);
        let mut b = b.clone();
        b.samples = vec![0.002; 100].into();
        let [x, y] = ProbePair::new(&a, &b, None).expect("a pair").in_time().expect("one time");
        assert!(x[0].abs() < 1e-6 && (y[0] - 2.0).abs() < 1e-6);
    }

    #[test]
    fn samples_of_one_time_are_joined_wherever_the_channels_start() {
        let unit = Unit::Micrometer;
        let [mut a, mut b] = [channel("a", 0.0, unit), channel("b", 90.0, unit)];
        a.samples = (0..100).map(|i| i as f32).collect::<Vec<_>>().into();
        b.samples = a.samples.clone();
        // 10 samples later, and 0.3 of one
        b.start_s = 0.0103;
        let [x, y] = ProbePair::new(&a, &b, None).expect("a pair").in_time().expect("one time");
        assert_eq!(x.len(), 90);
        assert!(x.iter().zip(&y).all(|(x, y)| (x - y - 10.0).abs() < 1e-3), "{} {}", x[0], y[0]);
        b.start_s = 0.0;
        b.spec.skew_us = -5000.0;
        let [x, y] = ProbePair::new(&a, &b, None).expect("a pair").in_time().expect("one time");
        assert_eq!(x.len(), 95);
        assert!((y[0] - x[0] - 5.0).abs() < 1e-3, "{} {}", x[0], y[0]);
        b.start_s = 1.0;
        let said = ProbePair::new(&a, &b, None).expect("a pair").in_time().expect_err("apart");
        assert!(said.to_string().contains("a common time"), "{said}");
    }

    #[test]
    fn what_is_no_pair_is_refused_in_words() {
        let a = channel("a", 0.0, Unit::Micrometer);
        let refused =
            |b: &Channel, angles| ProbePair::new(&a, b, angles).expect_err("no pair").to_string();
        let said = refused(&channel("b", 180.0, Unit::Micrometer), None);
        assert!(said.contains("180 degrees apart"), "{said}");
        let said = refused(&channel("b", 30.0, Unit::Micrometer), None);
        assert!(said.contains("30 degrees apart"), "{said}");
        let said = refused(&channel("b", 90.0, Unit::G), None);
        assert!(said.contains("one measures displacement, the other acceleration"), "{said}");
        let said = refused(&channel("a", 90.0, Unit::Micrometer), None);
        assert!(said.contains("one sensor"), "{said}");
        let mut b = channel("b", 90.0, Unit::Micrometer);
        b.spec.sensor_angle_deg = None;
        assert!(refused(&b, None).contains("sensor_angle_deg"));
        assert!(ProbePair::new(&a, &b, Some([0.0, 90.0])).is_ok());
        assert!(refused(&b, Some([0.0, f64::NAN])).contains("finite"));
        b.spec.direction = Direction::Axial;
        assert!(refused(&b, Some([0.0, 90.0])).contains("along the shaft"));
    }
}
