//! Orbits: the path of the shaft's centre in its plane, and its forward and backward parts.
//!
//! In shaft coordinates (see [`super::probes`]) with `z = x + i y`, an order n of the motion is
//! `z = F e^{i n theta} + B e^{-i n theta}`: a circle with the rotation and one against it, together an
//! ellipse with semi-axes `|F| + |B|` and `|F| - |B|`. So an ellipse with semi-axes a and b has circles of
//! `(a + b) / 2` and `(a - b) / 2` (Childs, Turbomachinery Rotordynamics, 1993; Muszynska, Rotordynamics,
//! 2005: both from memory).

use std::f64::consts::TAU;

use serde::{Deserialize, Serialize};

use super::probes::ProbePair;
use super::resample;
use crate::dsp::fft::Complex64;
use crate::dsp::window::{Window, coherent_gain};
use crate::error::{Error, Result};
use crate::progress::Progress;
use crate::speed::Speed;

/// Steps of angle in a turn of an orbit, unless its orders need more.
const STEPS: usize = 128;
/// Turns averaged where the caller does not say.
const TURNS: usize = 64;
/// Turns kept as they were, unfiltered.
const KEPT_TURNS: usize = 6;
/// Groups of turns whose scatter gives the standard error, at most: noise that lasts over some turns
/// stays within one group.
const GROUPS: usize = 16;
/// Standard errors from which a direction is believed.
const SURE: f64 = 3.0;

/// Which turns of a run make an orbit.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub enum Place {
    /// Those at the highest speed.
    #[default]
    Fastest,
    /// Those around the first passing of a speed in rpm.
    Rpm(f64),
    /// Those around a time in seconds.
    Time(f64),
}

/// Which way the centre of the shaft goes round.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Precession {
    /// With the rotation.
    Forward,
    /// Against the rotation.
    Backward,
    /// Noise does not let it be told: the ellipse is nearly a line.
    Undecided,
}

impl Precession {
    /// The word for it in running text.
    pub fn word(self) -> &'static str {
        match self {
            Self::Forward => "forward",
            Self::Backward => "backward",
            Self::Undecided => "undecided",
        }
    }
}

/// The motion of one order: two circles, or one ellipse.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Ellipse {
    /// The order.
    pub order: f64,
    /// The circle with the rotation, `F` of `z = F e^{i n theta} + B e^{-i n theta}`, zero-to-peak.
    pub forward: Complex64,
    /// The circle against the rotation, `B`.
    pub backward: Complex64,
    /// Standard error of the real and of the imaginary part of both.
    pub error: f64,
    /// Standard error of the sum of both radii, the major semi-axis.
    pub major_error: f64,
    /// Standard error of the difference of both radii, the minor semi-axis.
    pub minor_error: f64,
}

impl Ellipse {
    /// From the phasors of both sensors, their standard errors and the pair's weights.
    fn of(order: f64, phasors: [Complex64; 2], errors: [f64; 2], weights: [[f64; 2]; 2]) -> Self {
        let along = |k: usize| {
            let half = Complex64::new(weights[0][k], weights[1][k]) * 0.5;
            (half, half.conj())
        };
        let [(f0, b0), (f1, b1)] = [along(0), along(1)];
        let forward = f0 * phasors[0] + f1 * phasors[1];
        // x - i y turns with the rotation as fast as the backward circle turns against it
        let mirrored = b0 * phasors[0] + b1 * phasors[1];
        let unit = |c: Complex64| if c.norm() > 0.0 { c / c.norm() } else { Complex64::ONE };
        let (ahead, behind) = (unit(forward).conj(), unit(mirrored).conj());
        let spread = |sign: f64| {
            let grade = |f: Complex64, b: Complex64| (ahead * f + behind * b * sign).norm();
            (grade(f0, b0) * errors[0]).hypot(grade(f1, b1) * errors[1])
        };
        Self {
            order,
            forward,
            backward: mirrored.conj(),
            error: (f0.norm() * errors[0]).hypot(f1.norm() * errors[1]),
            major_error: spread(1.0),
            minor_error: spread(-1.0),
        }
    }

    /// The longer semi-axis, zero-to-peak.
    pub fn major(&self) -> f64 {
        self.forward.norm() + self.backward.norm()
    }

    /// The shorter semi-axis, zero-to-peak; below zero where the centre goes round against the rotation.
    pub fn minor(&self) -> f64 {
        self.forward.norm() - self.backward.norm()
    }

    /// Which way the centre goes round, where that stands clear of three standard errors.
    pub fn precession(&self) -> Precession {
        match self.minor() {
            clear if clear >= SURE * self.minor_error => Precession::Forward,
            clear if clear <= -SURE * self.minor_error => Precession::Backward,
            _ => Precession::Undecided,
        }
    }

    /// Direction of the long axis in degrees from the pulse sensor, with the rotation, 0 to 180, and its
    /// standard error; `None` for a circle, as far as noise lets it be told from one.
    pub fn inclination_deg(&self) -> Option<(f64, f64)> {
        let lesser = self.forward.norm().min(self.backward.norm());
        if lesser < SURE * self.error {
            return None;
        }
        let deg = 0.5 * (self.forward.arg() + self.backward.arg()).to_degrees();
        let part = |c: Complex64| self.error / c.norm();
        let error = 0.5 * part(self.forward).hypot(part(self.backward)).to_degrees();
        Some((deg.rem_euclid(180.0), error))
    }

    /// The place of the shaft's centre when the shaft has turned by so many turns.
    pub fn at(&self, turns: f64) -> Complex64 {
        let turned = Complex64::cis(TAU * self.order * turns);
        self.forward * turned + self.backward * turned.conj()
    }
}

/// The path of the shaft's centre over chosen turns.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Orbit {
    /// The chosen orders, one by one.
    pub orders: Vec<Ellipse>,
    /// The mean turn: x and y at equal steps of angle, without the mean place.
    pub mean: [Vec<f32>; 2],
    /// Turns as they were, x and y one after the other, without the mean place.
    pub raw: [Vec<f32>; 2],
    /// Steps of angle in a turn.
    pub steps: usize,
    /// Turns averaged.
    pub turns: usize,
    /// Time of their middle in seconds.
    pub time_s: f64,
    /// Mean speed in rpm.
    pub rpm: f64,
    /// Lowest and highest speed of one turn among them in rpm.
    pub rpm_range: [f64; 2],
}

impl Orbit {
    /// The orbit of a pair of sensors: of chosen orders, as the mean turn, and as it was.
    ///
    /// # Errors
    /// [`Error::Setting`] where an order is none or none is given, the turns are none, or the run does not reach the place;
    /// [`Error::TooLittle`] where there are fewer turns; as [`ProbePair::at_equal_angles`].
    /// Only the samples around the turns are resampled.
    pub fn of(
        pair: &ProbePair,
        speed: &Speed,
        orders: &[f64],
        place: Place,
        turns: Option<usize>,
        progress: &mut dyn Progress,
    ) -> Result<Self> {
        let is_order = |order: &f64| *order > 0.0 && order.is_finite();
        if let Some(order) = orders.iter().find(|order| !is_order(order)) {
            let mend = "give multiples of shaft speed above 0";
            return Err(Error::setting("orders", format!("{order} is no order"), mend));
        }
        if orders.is_empty() {
            return Err(Error::setting("orders", "no order is given", "name at least one"));
        }
        let highest = orders.iter().copied().fold(0.0, f64::max);
        let steps = STEPS.max(resample::samples_per_turn_for(highest + 1.0));
        let (first, all) = pair.common_turns(speed)?;
        let times: Vec<f64> =
            (0..=all).map(|turn| speed.time_at_turns(first + turn as f64)).collect();
        let there = chosen(&times, place, turns)?;
        let count = there.len();
        let first_turn = first + there.start as f64;
        let signals = pair.turns_at_equal_angles(speed, steps, (first_turn, count), progress)?;
        let parts = signals.each_ref().map(|signal| signal.values.as_slice());
        let weights = pair.weights();
        let [of_first, of_second] = parts.map(|part| phasors(part, steps, first_turn, orders));
        let ellipse = |((&order, a), b): ((&f64, &Told), &Told)| {
            Ellipse::of(order, [a.0, b.0], [a.1, b.1], weights)
        };
        let ellipses = orders.iter().zip(&of_first).zip(&of_second).map(ellipse).collect();
        let plane = pair.plane(parts[0], parts[1]).map(centred);
        let times = times.get(there.start..=there.end).unwrap_or_default();
        let span_s = |pair: &[f64]| 60.0 / (pair[1] - pair[0]);
        let each = times.windows(2).map(span_s);
        let rpm_range = each.fold([f64::INFINITY, 0.0], |[l, h], rpm| [l.min(rpm), h.max(rpm)]);
        let (from_s, to_s) = (times[0], times[count]);
        Ok(Self {
            orders: ellipses,
            mean: plane.each_ref().map(|values| mean_turn(values, steps)),
            raw: plane.map(|values| {
                let kept = KEPT_TURNS.min(count) * steps;
                let from = (values.len() - kept) / 2 / steps * steps;
                values.get(from..from + kept).unwrap_or_default().to_vec()
            }),
            steps,
            turns: count,
            time_s: 0.5 * (from_s + to_s),
            rpm: 60.0 * count as f64 / (to_s - from_s),
            rpm_range,
        })
    }

    /// The sum of the chosen orders over `turns` turns, at `steps` steps each: the filtered orbit.
    pub fn filtered(&self, turns: usize) -> [Vec<f64>; 2] {
        let places = (0..=turns * self.steps).map(|step| step as f64 / self.steps as f64);
        let path = places.map(|turn| self.orders.iter().map(|one| one.at(turn)).sum::<Complex64>());
        path.map(|z| (z.re, z.im)).unzip::<f64, f64, Vec<f64>, Vec<f64>>().into()
    }
}

/// The turns of a place, by index.
fn chosen(times_s: &[f64], place: Place, turns: Option<usize>) -> Result<std::ops::Range<usize>> {
    let all = times_s.len() - 1;
    let count = turns.unwrap_or(TURNS.min(all));
    if count < 2 {
        return Err(Error::setting("turns", format!("{count} are too few"), "take at least 2"));
    }
    if count > all {
        return Err(Error::too_little("an orbit", format!("{count} turns"), format!("{all}")));
    }
    let span = |from: usize| times_s[from + count] - times_s[from];
    let starts = 0..=all - count;
    let from = match place {
        Place::Fastest => starts.min_by(|&a, &b| span(a).total_cmp(&span(b))).unwrap_or(0),
        Place::Time(at_s) => {
            if !(times_s[0]..=times_s[all]).contains(&at_s) {
                let (from, to) = (times_s[0], times_s[all]);
                let mend = format!("choose one from {from:.3} to {to:.3} s");
                return Err(Error::setting("at_s", format!("no turn is at {at_s} s"), mend));
            }
            let turn = times_s.partition_point(|t| *t <= at_s).saturating_sub(1);
            turn.saturating_sub(count / 2).min(all - count)
        }
        Place::Rpm(rpm) => {
            let at = |from: usize| 60.0 * count as f64 / span(from);
            let (low, high) = starts
                .clone()
                .map(at)
                .fold((f64::INFINITY, 0.0_f64), |(l, h), v| (l.min(v), h.max(v)));
            // a steady speed is met as nearly as anybody states it
            if !(rpm >= 0.995 * low && rpm <= 1.005 * high) {
                let problem = format!("the shaft never turns at {rpm} rpm");
                let mend = format!("choose a speed from {low:.0} to {high:.0} rpm");
                return Err(Error::setting("at_rpm", problem, mend));
            }
            let passes = |&from: &usize| {
                let next = at((from + 1).min(all - count));
                (at(from) - rpm) * (next - rpm) <= 0.0
            };
            let nearest =
                |a: &usize, b: &usize| (at(*a) - rpm).abs().total_cmp(&(at(*b) - rpm).abs());
            starts.clone().find(passes).or_else(|| starts.min_by(nearest)).unwrap_or(0)
        }
    };
    Ok(from..from + count)
}

fn centred(mut values: Vec<f32>) -> Vec<f32> {
    let mean = crate::dsp::stats::mean_f32(&values) as f32;
    values.iter_mut().for_each(|value| *value -= mean);
    values
}

fn mean_turn(values: &[f32], steps: usize) -> Vec<f32> {
    let turns = values.len() / steps;
    let at =
        |step: usize| values.iter().skip(step).step_by(steps).map(|&v| f64::from(v)).sum::<f64>();
    (0..steps).map(|step| (at(step) / turns.max(1) as f64) as f32).collect()
}

/// A phasor and the standard error of its parts.
type Told = (Complex64, f64);

/// The phasors of orders over whole turns. Whole numbers of cycles need no window; others get one, so that
/// the first order stays out, and are taken away before the whole ones are read.
///
/// Standard errors come from the scatter of groups of turns, of what is left after the chosen orders and
/// the mean turn: what leaks from these into a short group is no noise.
fn phasors(values: &[f32], steps: usize, first_turn: f64, orders: &[f64]) -> Vec<Told> {
    let turns = values.len() / steps;
    let mean = crate::dsp::stats::mean_f32(values);
    let all: Vec<f64> = values.iter().map(|&value| f64::from(value) - mean).collect();
    let angle = |order: f64, turn: f64| TAU * (order * turn).fract();
    let place = |step: usize| first_turn + step as f64 / steps as f64;
    let is_whole = |order: f64| {
        let cycles = order * turns as f64;
        (cycles - cycles.round()).abs() < 1e-9
    };
    let hann = Window::Hann.coefficients(all.len());
    let over = |values: &[f64], from: usize, order: f64, window: Option<&[f64]>| {
        let scale = 2.0 / (values.len() as f64 * window.map_or(1.0, coherent_gain));
        let term = |(step, &value): (usize, &f64)| {
            let weight = window.and_then(|w| w.get(step)).copied().unwrap_or(1.0);
            Complex64::cis(-angle(order, place(from + step))) * (value * weight)
        };
        values.iter().enumerate().map(term).sum::<Complex64>() * scale
    };
    let mut found = vec![Complex64::ZERO; orders.len()];
    let mut rest = all;
    for whole in [false, true] {
        let before = rest.clone();
        for (k, &order) in orders.iter().enumerate().filter(|(_, o)| is_whole(**o) == whole) {
            let phasor = over(&before, 0, order, (!whole).then_some(hann.as_slice()));
            found[k] = phasor;
            if orders[..k].contains(&order) {
                continue;
            }
            let part = |step: usize| (phasor * Complex64::cis(angle(order, place(step)))).re;
            rest.iter_mut().enumerate().for_each(|(step, value)| *value -= part(step));
        }
    }
    for step in 0..steps {
        let mean = rest.iter().skip(step).step_by(steps).sum::<f64>() / turns as f64;
        rest.iter_mut().skip(step).step_by(steps).for_each(|value| *value -= mean);
    }
    let length = turns.div_ceil(GROUPS) * steps;
    let error = |order: f64| {
        let parts = rest.chunks_exact(length).enumerate();
        let groups: Vec<Complex64> =
            parts.map(|(k, part)| over(part, k * length, order, None)).collect();
        let count = groups.len() as f64;
        let centre = groups.iter().sum::<Complex64>() / count;
        let scatter: f64 = groups.iter().map(|group| (group - centre).norm_sqr()).sum();
        // a Hann window lets half as much noise again through
        let raised = if is_whole(order) { 1.0 } else { 1.5 };
        // two parts to each group; their mean scatters less by their number
        (raised * scatter / (2.0 * (count - 1.0).max(1.0)) / count).sqrt()
    };
    found.into_iter().zip(orders).map(|(phasor, &order)| (phasor, error(order))).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dsp::test_noise::Random;
    use crate::progress::Silent;
    use crate::recording::{Channel, ChannelSpec, Role};
    use crate::speed::SpeedSource;
    use crate::units::Unit;

    const RATE_HZ: f64 = 20_000.0;

    /// Two sensors that see `z` of turns, with noise uniform in ± `noise`.
    fn sensors(angles: [f64; 2], noise: f64, z: impl Fn(f64) -> Complex64) -> [Channel; 2] {
        let mut random = Random(1);
        angles.map(|angle| {
            let towards = Complex64::cis(-angle.to_radians());
            let reading = |i: usize| {
                let value = (z(i as f64 / RATE_HZ * 100.0) * towards).re;
                (value + noise * random.next() + 7.0) as f32
            };
            let spec = ChannelSpec {
                role: Some(Role::Vibration),
                unit: Some(Unit::Micrometer),
                sensor_angle_deg: Some(angle),
                ..ChannelSpec::named(format!("at {angle}"))
            };
            Channel::new(spec, RATE_HZ, (0..40_000).map(reading).collect()).expect("valid")
        })
    }

    fn orbit(angles: [f64; 2], orders: &[f64], noise: f64, z: impl Fn(f64) -> Complex64) -> Orbit {
        let [first, second] = sensors(angles, noise, z);
        let speed = Speed::constant(SpeedSource::Stated, 6000.0, 0.0, 2.0).expect("a speed");
        let pair = ProbePair::new(&first, &second, None).expect("a pair");
        let place = Place::Time(1.0);
        Orbit::of(&pair, &speed, orders, place, None, &mut Silent).expect("enough turns")
    }

    fn whirl(order: f64, forward: Complex64, backward: Complex64) -> impl Fn(f64) -> Complex64 {
        move |turns| {
            let turned = Complex64::cis(TAU * order * turns);
            forward * turned + backward * turned.conj()
        }
    }

    /// A± = (a ± b) / 2 of an ellipse with semi-axes a and b (Muszynska, Rotordynamics, 2005: from
    /// memory); x = a cos, y = b sin goes round with the rotation.
    #[test]
    fn an_ellipse_is_two_circles() {
        for angles in [[0.0, 90.0], [45.0, -45.0], [20.0, 100.0]] {
            let along = |turns: f64| {
                let (sin, cos) = (TAU * turns).sin_cos();
                Complex64::new(5.0 * cos, 2.0 * sin)
            };
            let found = orbit(angles, &[1.0], 0.0, along);
            let one = found.orders[0];
            assert!((one.forward.norm() - 3.5).abs() < 1e-3, "{one:?}");
            assert!((one.backward.norm() - 1.5).abs() < 1e-3, "{one:?}");
            assert!((one.major() - 5.0).abs() < 1e-3 && (one.minor() - 2.0).abs() < 1e-3);
            assert_eq!(one.precession(), Precession::Forward);
            let (deg, _) = one.inclination_deg().expect("no circle");
            assert!(deg.min(180.0 - deg) < 0.1, "{deg}");
            // the mean turn and the filtered orbit are the same path
            let [x, y] = found.filtered(1);
            for step in 0..found.steps {
                assert!((f64::from(found.mean[0][step]) - x[step]).abs() < 2e-3);
                assert!((f64::from(found.mean[1][step]) - y[step]).abs() < 2e-3);
            }
        }
    }

    #[test]
    fn circles_go_the_way_they_go() {
        let (radius, none) = (Complex64::from_polar(4.0, 0.7), Complex64::ZERO);
        let ahead = orbit([0.0, 90.0], &[1.0], 0.0, whirl(1.0, radius, none));
        let one = ahead.orders[0];
        assert!((one.forward - radius).norm() < 1e-3 && one.backward.norm() < 1e-3);
        let behind = orbit([0.0, 90.0], &[1.0], 0.0, whirl(1.0, none, radius));
        let one = behind.orders[0];
        assert!((one.backward - radius).norm() < 1e-3 && one.forward.norm() < 1e-3);
        assert_eq!(one.precession(), Precession::Backward);
    }

    #[test]
    fn an_axis_leans_with_the_rotation() {
        let [forward, backward] = [0.4, 0.8].map(|arg| Complex64::from_polar(1.0, arg));
        let found = orbit([0.0, 90.0], &[1.0], 0.05, whirl(1.0, forward * 3.0, backward));
        let (deg, error) = found.orders[0].inclination_deg().expect("no circle");
        assert!((deg - 0.6_f64.to_degrees()).abs() < 4.0 * error && error < 1.0, "{deg} ± {error}");
    }

    #[test]
    fn a_line_has_no_direction_and_noise_is_told() {
        let half = Complex64::from_polar(2.0, 0.3);
        let line = orbit([0.0, 90.0], &[1.0], 0.5, whirl(1.0, half, half.conj()));
        let one = line.orders[0];
        assert_eq!(one.precession(), Precession::Undecided, "{one:?}");
        assert!(one.minor_error > 0.0 && one.minor().abs() < 3.0 * one.minor_error);
        assert!((one.major() - 4.0).abs() < 4.0 * one.major_error, "{one:?}");
    }

    /// Uniform noise in ± 1 has a variance of 1/3; over N samples a phasor's part scatters by
    /// sqrt(2/N) of it. Both circles take half of each sensor's noise.
    #[test]
    fn the_stated_error_is_that_of_white_noise() {
        let found = orbit([0.0, 90.0], &[1.0], 1.0, whirl(1.0, Complex64::ONE, Complex64::ZERO));
        let samples = found.turns as f64 * RATE_HZ / 100.0;
        let expected = (2.0 / samples / 3.0).sqrt() * 0.5_f64.sqrt();
        let one = found.orders[0];
        assert!((one.error / expected - 1.0).abs() < 0.4, "{} against {expected}", one.error);
        assert!((one.forward - 1.0).norm() < 4.0 * expected);
    }

    #[test]
    fn a_broken_order_is_parted_from_the_first() {
        let one = whirl(1.0, Complex64::new(10.0, 0.0), Complex64::ZERO);
        let less = whirl(0.43, Complex64::new(0.0, 0.5), Complex64::ZERO);
        let found = orbit([0.0, 90.0], &[0.43, 1.0], 0.3, |turns| one(turns) + less(turns));
        assert!((found.orders[0].forward.norm() - 0.5).abs() < 0.01, "{:?}", found.orders[0]);
        assert!((found.orders[1].forward.norm() - 10.0).abs() < 0.02);
        // noise as in the_stated_error_is_that_of_white_noise; a Hann window has 1.5 bins of it
        let samples = found.turns as f64 * RATE_HZ / 100.0;
        let white = 0.3 * (2.0 / samples / 3.0).sqrt() * 0.5_f64.sqrt();
        for (found, expected) in found.orders.iter().zip([1.5_f64.sqrt() * white, white]) {
            let told = found.error / expected;
            assert!(told > 0.5 && told < 3.0, "{told} of {found:?}");
            assert_eq!(found.precession(), Precession::Forward, "{found:?}");
        }
    }

    #[test]
    fn places_that_are_none_are_refused_in_words() {
        let [first, second] = sensors([0.0, 90.0], 0.0, |_| Complex64::ZERO);
        let speed = Speed::constant(SpeedSource::Stated, 6000.0, 0.0, 2.0).expect("a speed");
        let pair = ProbePair::new(&first, &second, None).expect("a pair");
        let said = |orders: &[f64], place, turns| {
            Orbit::of(&pair, &speed, orders, place, turns, &mut Silent)
                .expect_err("none")
                .to_string()
        };
        assert!(said(&[1.0], Place::Rpm(7000.0), None).contains("never turns at 7000 rpm"));
        assert!(said(&[1.0], Place::Time(9.0), None).contains("no turn is at 9 s"));
        assert!(said(&[], Place::Fastest, None).contains("no order is given"));
        assert!(said(&[0.0], Place::Fastest, None).contains("0 is no order"));
        assert!(said(&[1.0], Place::Fastest, Some(1)).contains("too few"));
        assert!(said(&[1.0], Place::Fastest, Some(9999)).contains("9999 turns"));
    }
}
