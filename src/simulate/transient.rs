//! Motion of the rotor through a run-up, integrated in a frame that turns with the order.
//!
//! In that frame an order is a slowly changing phasor, so that one step per sample or so resolves
//! everything: the shifted peak of a fast passage, and the beat of the free whirl after it. Classical
//! fourth-order Runge-Kutta, with steps bounded by the fastest mode.

use std::f64::consts::TAU;

use num_complex::Complex64;

use crate::error::{Error, Result};

use super::curve::Curve;
use super::rotor::{RotorModel, STILL, State, add_scaled};

/// Forces of one order.
#[derive(Debug, Clone, PartialEq)]
pub struct Drive {
    /// Order, at least 1.
    pub order: i32,
    /// Generalised unbalance in kg m and kg m²: a force `U (w² - i dw/dt)`, of order 1 only.
    pub unbalance: State,
    /// Force at top speed that turns forward with the order, in N and N m; proportional to speed.
    pub forward: State,
    /// The same, turning backward.
    pub backward: State,
}

impl Drive {
    /// No force of an order.
    pub fn none(order: i32) -> Self {
        Self { order, unbalance: STILL, forward: STILL, backward: STILL }
    }

    /// Whether there is any force.
    pub fn is_none(&self) -> bool {
        [self.unbalance, self.forward, self.backward].iter().all(|state| *state == STILL)
    }

    /// Forces at a speed and an acceleration, in rad/s and rad/s².
    fn force(&self, top_rad_s: f64, spin: f64, acceleration: f64) -> (State, State) {
        let centrifugal = Complex64::new(spin * spin, -acceleration);
        let share = spin / top_rad_s;
        let ahead = [0, 1, 2, 3].map(|i| self.unbalance[i] * centrifugal + self.forward[i] * share);
        (ahead, self.backward.map(|force| force * share))
    }
}

/// Displacement, velocity and acceleration phasors of one whirling component.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Whirl {
    /// The three, in m, m/s and m/s² (rad for the tilt).
    pub derivative: [State; 3],
}

/// Motion of one order at an instant: `forward e^{in theta} + backward e^{-in theta}`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OrderMotion {
    /// Turning with the rotation.
    pub forward: Whirl,
    /// Turning against it.
    pub backward: Whirl,
}

/// Instants at which the motion is wanted.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Instants {
    /// The first, in s.
    pub start_s: f64,
    /// Distance in s.
    pub step_s: f64,
    /// Number.
    pub count: usize,
}

/// Displacement and velocity of one component.
type Half = [State; 2];

/// Integrates the response to `drive` and hands the motion at each instant to `sink`.
///
/// # Errors
/// [`Error::Setting`] where the rotor's modes are too fast to be followed at these instants,
/// [`Error::Numerical`] where the motion grows without bound.
pub fn run(
    model: &RotorModel,
    curve: &Curve,
    drive: &Drive,
    top_hz: f64,
    instants: Instants,
    mut sink: impl FnMut(&OrderMotion),
) -> Result<()> {
    let stepper = Stepper::new(model, curve, drive, top_hz);
    let substeps = stepper.substeps(instants.step_s)?;
    let h = instants.step_s / substeps as f64;
    let mut state = stepper.start(instants.start_s)?;
    for i in 0..instants.count {
        let time_s = instants.start_s + i as f64 * instants.step_s;
        sink(&stepper.motion(time_s, &state));
        for j in 0..substeps {
            state = stepper.step(time_s + j as f64 * h, h, &state);
        }
    }
    let finite = state.iter().flatten().flatten().all(|value| value.is_finite());
    if finite {
        Ok(())
    } else {
        Err(Error::numerical("motion of the rotor", "it grows without bound; is there damping?"))
    }
}

struct Stepper<'a> {
    model: &'a RotorModel,
    curve: &'a Curve,
    drive: &'a Drive,
    top_rad_s: f64,
    two_way: bool,
}

impl<'a> Stepper<'a> {
    fn new(model: &'a RotorModel, curve: &'a Curve, drive: &'a Drive, top_hz: f64) -> Self {
        let two_way = !model.is_isotropic() || drive.backward != STILL;
        Self { model, curve, drive, top_rad_s: TAU * top_hz, two_way }
    }

    /// Steps between instants, so that the fastest rate times the step stays well inside the
    /// method's region of stability (2.8).
    fn substeps(&self, step_s: f64) -> Result<usize> {
        let rate = self.model.fastest_rate(self.drive.order, 1.05 * self.top_rad_s);
        let steps = (rate * step_s / 1.6).ceil().max(1.0);
        if steps > 200.0 {
            return Err(Error::setting(
                "rotor",
                format!("its fastest mode, {:.0} Hz, cannot be followed", rate / TAU),
                "make bearings and mounts softer or the housings heavier",
            ));
        }
        Ok(steps as usize)
    }

    fn spin_at(&self, time_s: f64) -> (f64, f64) {
        let motion = self.curve.at(time_s);
        (TAU * motion.hz, TAU * motion.hz_per_s)
    }

    /// The steady response at the first speed.
    fn start(&self, time_s: f64) -> Result<[Half; 2]> {
        let (spin, _) = self.spin_at(time_s);
        let (ahead, behind) = self.drive.force(self.top_rad_s, spin, 0.0);
        let (forward, backward) = self.model.steady(self.drive.order, spin, &ahead, &behind)?;
        let rate = Complex64::new(0.0, f64::from(self.drive.order) * spin);
        Ok([[forward, forward.map(|q| q * rate)], [backward, backward.map(|q| q * -rate)]])
    }

    fn motion(&self, time_s: f64, state: &[Half; 2]) -> OrderMotion {
        let spin = self.spin_at(time_s);
        let force = self.drive.force(self.top_rad_s, spin.0, spin.1);
        let whirl = |this: usize, force: &State| {
            let [q, v] = state[this];
            let a = self.model.acceleration(spin.0, &q, &v, force, Some(&state[1 - this][0]));
            Whirl { derivative: [q, v, a] }
        };
        OrderMotion { forward: whirl(0, &force.0), backward: whirl(1, &force.1) }
    }

    fn step(&self, time_s: f64, h: f64, state: &[Half; 2]) -> [Half; 2] {
        let begin = self.spin_at(time_s);
        let middle = self.spin_at(time_s + 0.5 * h);
        let end = self.spin_at(time_s + h);
        let k1 = self.rates(begin, state);
        let k2 = self.rates(middle, &advance(state, &k1, 0.5 * h));
        let k3 = self.rates(middle, &advance(state, &k2, 0.5 * h));
        let k4 = self.rates(end, &advance(state, &k3, h));
        let mut next = *state;
        for (rates, weight) in [(k1, 1.0), (k2, 2.0), (k3, 2.0), (k4, 1.0)] {
            next = advance(&next, &rates, weight * h / 6.0);
        }
        next
    }

    fn rates(&self, spin: (f64, f64), state: &[Half; 2]) -> [Half; 2] {
        let force = self.drive.force(self.top_rad_s, spin.0, spin.1);
        let order = f64::from(self.drive.order);
        let forward = self.rate(spin.0, order, &state[0], &force.0, &state[1][0]);
        if !self.two_way {
            return [forward, [STILL; 2]];
        }
        [forward, self.rate(spin.0, -order, &state[1], &force.1, &state[0][0])]
    }

    /// Rates of displacement and velocity phasors, the frame's own turning taken off.
    fn rate(&self, spin: f64, order: f64, half: &Half, force: &State, mirrored: &State) -> Half {
        let [q, v] = half;
        let a = self.model.acceleration(spin, q, v, force, Some(mirrored));
        let turning = Complex64::new(0.0, order * spin);
        [[0, 1, 2, 3].map(|i| v[i] - turning * q[i]), [0, 1, 2, 3].map(|i| a[i] - turning * v[i])]
    }
}

fn advance(state: &[Half; 2], rates: &[Half; 2], h: f64) -> [Half; 2] {
    let half = |this: usize| {
        [0, 1].map(|part| add_scaled(&state[this][part], &rates[this][part], h))
    };
    [half(0), half(1)]
}

#[cfg(test)]
mod tests {
    use super::super::scenario::{Place, Rotor, SpeedProfile, Unbalance};
    use super::*;
    use rand::SeedableRng;
    use rand_chacha::ChaCha8Rng;

    fn curve(profile: &SpeedProfile) -> Curve {
        Curve::new(profile, 0.0, &mut ChaCha8Rng::seed_from_u64(1))
    }

    fn ramp(start_rpm: f64, top_rpm: f64, up_s: f64) -> SpeedProfile {
        SpeedProfile {
            start_rpm,
            top_rpm,
            wait_s: 0.0,
            up_s,
            hold_s: 0.0,
            wander_percent: 0.0,
            ..SpeedProfile::default()
        }
    }

    fn imbalance(model: &RotorModel) -> Drive {
        let spot = [Unbalance { position_mm: 40.0, g_mm: 1.0, deg: 0.0 }];
        Drive { unbalance: model.unbalance(&spot), ..Drive::none(1) }
    }

    /// Speeds in rpm and front housing displacements through a profile.
    fn passage(profile: &SpeedProfile) -> Vec<(f64, Complex64)> {
        let model = RotorModel::new(&Rotor::default());
        let curve = curve(profile);
        let step_s = 5e-5;
        let count = (profile.duration_s() / step_s) as usize;
        let instants = Instants { start_s: 0.0, step_s, count };
        let mut track = Vec::new();
        let mut time_s = 0.0;
        run(&model, &curve, &imbalance(&model), 1600.0, instants, |motion| {
            let [q, _, _] = motion.forward.derivative;
            track.push((60.0 * curve.at(time_s).hz, RotorModel::housing_at(&q, Place::Front)));
            time_s += step_s;
        })
        .expect("the default rotor can be followed");
        track
    }

    fn peak_rpm(track: &[(f64, Complex64)]) -> f64 {
        track.iter().max_by(|a, b| a.1.norm().total_cmp(&b.1.norm())).map_or(0.0, |p| p.0)
    }

    fn steady_peak_rpm() -> f64 {
        let model = RotorModel::new(&Rotor::default());
        let drive = imbalance(&model);
        let track: Vec<(f64, Complex64)> = (0..4000)
            .map(|i| 30_000.0 + 5.0 * f64::from(i))
            .map(|rpm| {
                let spin = TAU * rpm / 60.0;
                let force = drive.unbalance.map(|u| u * spin * spin);
                let (q, _) = model.steady(1, spin, &force, &STILL).expect("damped");
                (rpm, RotorModel::housing_at(&q, Place::Front))
            })
            .collect();
        peak_rpm(&track)
    }

    #[test]
    fn a_slow_passage_follows_the_steady_response() {
        let track = passage(&ramp(38_000.0, 44_000.0, 20.0));
        let peak = peak_rpm(&track);
        assert!((peak / steady_peak_rpm() - 1.0).abs() < 0.001, "{peak}");
    }

    /// Lewis, Trans. ASME 54 (1932), from memory: the peak of a passage lies above the critical on
    /// the way up, below it on the way down, and is lower the faster the passage.
    #[test]
    fn a_fast_passage_shifts_and_lowers_the_peak() {
        let steady = steady_peak_rpm();
        let fast_up = passage(&ramp(9600.0, 96_000.0, 0.3));
        let fast_down = passage(&ramp(96_000.0, 9600.0, 0.3));
        let slow_up = passage(&ramp(9600.0, 96_000.0, 8.0));
        assert!(peak_rpm(&fast_up) > 1.005 * steady, "{} {steady}", peak_rpm(&fast_up));
        assert!(peak_rpm(&fast_down) < 0.995 * steady, "{} {steady}", peak_rpm(&fast_down));
        let height = |t: &[(f64, Complex64)]| t.iter().map(|p| p.1.norm()).fold(0.0, f64::max);
        assert!(height(&fast_up) < 0.99 * height(&slow_up), "{} {}", height(&fast_up), height(&slow_up));
    }

    #[test]
    fn halving_the_step_changes_nothing() {
        let model = RotorModel::new(&Rotor::default());
        let curve = curve(&ramp(9600.0, 96_000.0, 0.4));
        let drive = imbalance(&model);
        let track = |step_s: f64, stride: usize| {
            let mut track = Vec::new();
            let instants = Instants { start_s: 0.0, step_s, count: (0.4 / step_s) as usize };
            run(&model, &curve, &drive, 1600.0, instants, |m| track.push(m.forward.derivative[2][2]))
                .expect("it can be followed");
            track.into_iter().step_by(stride).collect::<Vec<_>>()
        };
        let (coarse, fine) = (track(4e-5, 1), track(1e-5, 4));
        let top = fine.iter().map(|a| a.norm()).fold(0.0, f64::max);
        for (a, b) in coarse.iter().zip(&fine) {
            assert!((a - b).norm() < 1e-4 * top);
        }
    }
}
