//! A rigid rotor in two bearings, each in a housing on a soft mount.
//!
//! Transverse motion is written in complex numbers, z = x + iy, x towards the pulse sensor and y a
//! quarter turn further with the rotation. The four degrees of freedom are the rotor's centre of
//! mass, its tilt (a point at axial distance s from the centre moves by `centre + s tilt`) and the two
//! housings. With the spin speed w:
//!
//! `M q'' - i w G q' + C q' + K q + A conj(q) = f`, G holding the polar moment of inertia at the tilt
//! and A the anisotropy of the mounts. Source: the rigid rotor of Childs, Turbomachinery Rotordynamics,
//! 1993, and Genta, Dynamics of Rotating Systems, 2005 (both from memory).

use nalgebra::{Cholesky, DMatrix, DVector, Matrix4, SMatrix, SVector};
use num_complex::Complex64;
use serde::{Deserialize, Serialize};

use crate::error::{Error, Result};

use super::scenario::{Place, Rotor, Unbalance};

/// One complex number per degree of freedom: centre (m), tilt (rad), front and rear housing (m).
pub type State = [Complex64; 4];

/// Nothing at any degree of freedom.
pub const STILL: State = [Complex64::ZERO; 4];

/// The tilt's index in a [`State`].
const TILT: usize = 1;

/// A critical speed: a forward whirling mode that turns as fast as the shaft.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct CriticalSpeed {
    /// Undamped critical speed in rpm.
    pub rpm: f64,
    /// Damping ratio of the mode at that speed.
    pub damping: f64,
}

/// The equations of motion of a rotor.
#[derive(Debug, Clone, PartialEq)]
pub struct RotorModel {
    /// Mass, transverse inertia, and the two housing masses.
    mass: [f64; 4],
    polar_kg_m2: f64,
    /// Axial distances of the bearings from the centre of mass in m.
    arm_m: [f64; 2],
    centre_m: f64,
    bearing: [Spring; 2],
    mount: [Spring; 2],
    /// Half the difference of the mounts' stiffness towards and across the pulse sensor, in N/m.
    anisotropy_n_m: [f64; 2],
}

#[derive(Debug, Clone, Copy, PartialEq)]
struct Spring {
    n_m: f64,
    n_s_m: f64,
}

impl RotorModel {
    /// The model of a rotor.
    pub fn new(rotor: &Rotor) -> Self {
        let supports = [&rotor.front, &rotor.rear];
        let centre_m = rotor.centre_mm * 1e-3;
        Self {
            mass: [
                rotor.mass_kg,
                rotor.transverse_kg_m2,
                rotor.front.housing_kg,
                rotor.rear.housing_kg,
            ],
            polar_kg_m2: rotor.polar_kg_m2,
            arm_m: [-centre_m, rotor.span_mm * 1e-3 - centre_m],
            centre_m,
            bearing: supports.map(|s| Spring { n_m: s.bearing_n_m, n_s_m: s.bearing_n_s_m }),
            mount: supports.map(|s| Spring { n_m: s.mount_n_m, n_s_m: s.mount_n_s_m }),
            anisotropy_n_m: supports.map(|s| s.anisotropy * s.mount_n_m),
        }
    }

    /// Whether the mounts are equally stiff in all directions.
    pub fn is_isotropic(&self) -> bool {
        self.anisotropy_n_m == [0.0; 2]
    }

    /// Mass of the rotor in kg.
    pub fn rotor_kg(&self) -> f64 {
        self.mass[0]
    }

    /// Mass of rotor and housings in kg.
    pub fn total_kg(&self) -> f64 {
        self.mass[0] + self.mass[2] + self.mass[3]
    }

    /// Force (N, N m) of a force `newton` on the rotor at an axial position in m from the front
    /// bearing; also turns an unbalance in kg m into its generalised form.
    pub fn at_position(&self, position_m: f64, newton: Complex64) -> State {
        [newton, newton * (position_m - self.centre_m), Complex64::ZERO, Complex64::ZERO]
    }

    /// Heavy spots as one generalised unbalance in kg m and kg m².
    ///
    /// A spot at `deg` against the rotation from the mark stands at `theta - deg` when the shaft has
    /// turned by `theta` since the mark passed the pulse sensor.
    pub fn unbalance<'a>(&self, planes: impl IntoIterator<Item = &'a Unbalance>) -> State {
        planes.into_iter().fold(STILL, |sum, plane| {
            let kg_m = Complex64::from_polar(plane.g_mm * 1e-6, -plane.deg.to_radians());
            add(&sum, &self.at_position(plane.position_mm * 1e-3, kg_m))
        })
    }

    /// Displacement of the shaft at a bearing, in m.
    pub fn shaft_at(&self, state: &State, place: Place) -> Complex64 {
        state[0] + state[TILT] * self.arm_m[place.index()]
    }

    /// Motion of the housing at a bearing.
    pub fn housing_at(state: &State, place: Place) -> Complex64 {
        state[2 + place.index()]
    }

    /// Acceleration from displacement, velocity and force while the shaft spins at `spin_rad_s`;
    /// `mirrored` is the displacement of the component that whirls the other way, felt through the
    /// anisotropy of the mounts.
    pub fn acceleration(
        &self,
        spin_rad_s: f64,
        displacement: &State,
        velocity: &State,
        force: &State,
        mirrored: Option<&State>,
    ) -> State {
        let mut net = subtract(force, &self.resistance(displacement, velocity));
        net[TILT] += Complex64::i() * spin_rad_s * self.polar_kg_m2 * velocity[TILT];
        if let Some(mirrored) = mirrored {
            for j in 0..2 {
                net[2 + j] -= self.anisotropy_n_m[j] * mirrored[2 + j].conj();
            }
        }
        each(|i| net[i] / self.mass[i])
    }

    /// `C v + K q` of the isotropic part.
    fn resistance(&self, q: &State, v: &State) -> State {
        let mut total = STILL;
        for j in 0..2 {
            let (bearing, mount, arm) = (self.bearing[j], self.mount[j], self.arm_m[j]);
            let stretch = q[0] + q[TILT] * arm - q[2 + j];
            let rate = v[0] + v[TILT] * arm - v[2 + j];
            let force = stretch * bearing.n_m + rate * bearing.n_s_m;
            total[0] += force;
            total[TILT] += force * arm;
            total[2 + j] += q[2 + j] * mount.n_m + v[2 + j] * mount.n_s_m - force;
        }
        total
    }

    /// Steady response at constant speed to the force `forward e^{in theta} + backward e^{-in theta}`,
    /// as displacement phasors of both components.
    ///
    /// # Errors
    /// [`Error::Numerical`] on an undamped resonance.
    pub fn steady(
        &self,
        order: i32,
        spin_rad_s: f64,
        forward: &State,
        backward: &State,
    ) -> Result<(State, State)> {
        let ahead = self.dynamic_stiffness(order, spin_rad_s);
        let behind = self.dynamic_stiffness(-order, spin_rad_s).conjugate();
        let mut system = SMatrix::<Complex64, 8, 8>::zeros();
        system.fixed_view_mut::<4, 4>(0, 0).copy_from(&ahead);
        system.fixed_view_mut::<4, 4>(4, 4).copy_from(&behind);
        for j in 0..2 {
            system[(2 + j, 6 + j)] = self.anisotropy_n_m[j].into();
            system[(6 + j, 2 + j)] = self.anisotropy_n_m[j].into();
        }
        let force = SVector::<Complex64, 8>::from_fn(|i, _| {
            if i < 4 { forward[i] } else { backward[i - 4].conj() }
        });
        let motion = system.lu().solve(&force).ok_or_else(|| {
            Error::numerical("steady response of the rotor", "an undamped resonance is met")
        })?;
        Ok((each(|i| motion[i]), each(|i| motion[4 + i].conj())))
    }

    /// `K + i n w C - n² w² M + n w² G`.
    fn dynamic_stiffness(&self, order: i32, spin_rad_s: f64) -> Matrix4<Complex64> {
        let n = f64::from(order);
        let rate = Complex64::new(0.0, n * spin_rad_s);
        let mut matrix = Matrix4::zeros();
        for i in 0..4 {
            let mut unit = STILL;
            unit[i] = Complex64::ONE;
            let column = self.resistance(&unit, &unit.map(|q| q * rate));
            for (row, value) in column.into_iter().enumerate() {
                matrix[(row, i)] = value;
            }
            matrix[(i, i)] += rate * rate * self.mass[i];
        }
        matrix[(TILT, TILT)] += n * spin_rad_s * spin_rad_s * self.polar_kg_m2;
        matrix
    }

    fn stiffness(&self) -> Matrix4<f64> {
        self.dynamic_stiffness(0, 0.0).map(|value| value.re)
    }

    /// Undamped forward critical speeds up to `limit_rpm`, lowest first.
    ///
    /// They solve `K v = w² D v`, D being the mass matrix less the polar moment of inertia at the
    /// tilt (plus it, for the component whirling backward that anisotropic mounts couple in), which
    /// is turned into a symmetric eigenvalue problem by the Cholesky factor of K.
    pub fn critical_speeds(&self, limit_rpm: f64) -> Vec<CriticalSpeed> {
        let size = if self.is_isotropic() { 4 } else { 8 };
        let stiffness = DMatrix::from_fn(size, size, |i, j| {
            let coupled = i % 4 == j % 4 && i % 4 >= 2;
            match (i / 4 == j / 4, coupled) {
                (true, _) => self.stiffness()[(i % 4, j % 4)],
                (false, true) => self.anisotropy_n_m[i % 4 - 2],
                (false, false) => 0.0,
            }
        });
        let inertia = DVector::from_fn(size, |i, _| self.synchronous_inertia(i));
        let Some(factor) = Cholesky::new(stiffness).map(|c| c.l()) else { return Vec::new() };
        let Some(inverse) = factor.try_inverse() else { return Vec::new() };
        let symmetric = &inverse * DMatrix::from_diagonal(&inertia) * inverse.transpose();
        let mut rpm: Vec<f64> = symmetric
            .symmetric_eigenvalues()
            .iter()
            .filter(|inverse_square| **inverse_square > 0.0)
            .map(|inverse_square| rpm_from_rad_s(1.0 / inverse_square.sqrt()))
            .filter(|rpm| *rpm <= limit_rpm)
            .collect();
        rpm.sort_by(f64::total_cmp);
        rpm.into_iter().map(|rpm| CriticalSpeed { rpm, damping: self.damping_at(rpm) }).collect()
    }

    /// Damping ratio of the mode whose whirl is nearest to the spin speed.
    fn damping_at(&self, rpm: f64) -> f64 {
        let spin = rad_s_from_rpm(rpm);
        let modes = self.whirl_modes(spin);
        let nearest =
            modes.into_iter().min_by(|a, b| (a.im - spin).abs().total_cmp(&(b.im - spin).abs()));
        nearest.map_or(0.0, |mode| -mode.re / mode.norm())
    }

    /// Poles of the response to unbalance: the damped critical speeds up to `limit_rpm`, lowest first.
    ///
    /// The speeds, as complex numbers, at which the equations of [`RotorModel::steady`] have a solution
    /// without force: `(K + s C + s² D) v = 0` with `s = i w` and the mass matrix D of
    /// [`RotorModel::critical_speeds`]. Their damping is what the sharpness of the response against
    /// speed shows; the damping of a whirl at constant speed differs from it where the gyroscopic moment
    /// makes the whirl faster with speed.
    pub fn response_poles(&self, limit_rpm: f64) -> Vec<CriticalSpeed> {
        let size = if self.is_isotropic() { 4 } else { 8 };
        let mut system = DMatrix::<f64>::zeros(2 * size, 2 * size);
        for i in 0..size {
            system[(i, size + i)] = 1.0;
            let mut unit = STILL;
            unit[i % 4] = Complex64::ONE;
            let from_place = self.resistance(&unit, &STILL);
            let from_speed = self.resistance(&STILL, &unit);
            for row in (0..size).filter(|row| row / 4 == i / 4) {
                let inertia = self.synchronous_inertia(row);
                system[(size + row, i)] -= from_place[row % 4].re / inertia;
                system[(size + row, size + i)] -= from_speed[row % 4].re / inertia;
            }
            if size == 8 && i % 4 >= 2 {
                let other = (i + 4) % 8;
                system[(size + other, i)] -=
                    self.anisotropy_n_m[i % 4 - 2] / self.synchronous_inertia(other);
            }
        }
        let mut poles: Vec<CriticalSpeed> = (system.complex_eigenvalues().iter())
            .filter(|s| s.im > 0.0)
            .map(|s| CriticalSpeed { rpm: rpm_from_rad_s(s.norm()), damping: -s.re / s.norm() })
            .filter(|pole| pole.rpm <= limit_rpm)
            .collect();
        poles.sort_by(|a, b| a.rpm.total_cmp(&b.rpm));
        poles
    }

    /// What resists acceleration in a whirl as fast as the shaft turns: forward (rows 0 to 3) the tilt
    /// less the polar moment of inertia, backward (4 to 7) plus it.
    fn synchronous_inertia(&self, row: usize) -> f64 {
        let gyroscopic = if row < 4 { -self.polar_kg_m2 } else { self.polar_kg_m2 };
        self.mass[row % 4] + if row % 4 == TILT { gyroscopic } else { 0.0 }
    }

    /// Eigenvalues (1/s) of the free, damped motion on isotropic mounts at a spin speed; the imaginary
    /// part is the whirl speed in rad/s, positive with the rotation.
    pub fn whirl_modes(&self, spin_rad_s: f64) -> Vec<Complex64> {
        let mut system = SMatrix::<Complex64, 8, 8>::zeros();
        for i in 0..4 {
            system[(i, 4 + i)] = Complex64::ONE;
            let mut unit = STILL;
            unit[i] = Complex64::ONE;
            let from_place = self.acceleration(spin_rad_s, &unit, &STILL, &STILL, None);
            let from_speed = self.acceleration(spin_rad_s, &STILL, &unit, &STILL, None);
            for row in 0..4 {
                system[(4 + row, i)] = from_place[row];
                system[(4 + row, 4 + i)] = from_speed[row];
            }
        }
        system.eigenvalues().map_or_else(Vec::new, |values| values.iter().copied().collect())
    }

    /// A bound on the rate of change of any motion seen from a frame that turns at `order` times the
    /// spin speed, in 1/s.
    pub fn fastest_rate(&self, order: i32, spin_rad_s: f64) -> f64 {
        let fastest =
            |spin: f64| self.whirl_modes(spin).iter().map(|mode| mode.norm()).fold(0.0, f64::max);
        let split = self.anisotropy_n_m.iter().zip(&self.mount).map(|(a, k)| a.abs() / k.n_m);
        let anisotropic = (1.0 + split.fold(0.0, f64::max)).sqrt();
        fastest(0.0).max(fastest(spin_rad_s)) * anisotropic + f64::from(order).abs() * spin_rad_s
    }
}

/// A state from a function of the degree of freedom. A plain loop: an array's own `map` is not inlined
/// well, and this is where a simulation spends its time.
#[inline]
pub fn each(value: impl Fn(usize) -> Complex64) -> State {
    let mut state = STILL;
    for (i, slot) in state.iter_mut().enumerate() {
        *slot = value(i);
    }
    state
}

/// Sum of two states.
#[inline]
pub fn add(a: &State, b: &State) -> State {
    each(|i| a[i] + b[i])
}

#[inline]
fn subtract(a: &State, b: &State) -> State {
    each(|i| a[i] - b[i])
}

/// `a + factor b`.
#[inline]
pub fn add_scaled(a: &State, b: &State, factor: f64) -> State {
    each(|i| a[i] + b[i] * factor)
}

fn rpm_from_rad_s(rad_s: f64) -> f64 {
    rad_s * 60.0 / std::f64::consts::TAU
}

fn rad_s_from_rpm(rpm: f64) -> f64 {
    rpm * std::f64::consts::TAU / 60.0
}

#[cfg(test)]
mod tests {
    use super::super::scenario::Support;
    use super::*;

    /// A symmetric rotor that only moves sideways: stiff bearings and weightless housings leave one
    /// mass on two equal springs.
    fn jeffcott(damping: f64) -> (RotorModel, f64) {
        let (mass_kg, mount_n_m) = (1.0, 5e5);
        let natural = (2.0f64 * mount_n_m / mass_kg).sqrt();
        let support = Support {
            bearing_n_m: 1e12,
            bearing_n_s_m: 0.0,
            housing_kg: 1e-6,
            mount_n_m,
            mount_n_s_m: damping * mass_kg * natural,
            anisotropy: 0.0,
        };
        let rotor = Rotor {
            mass_kg,
            polar_kg_m2: 1e-4,
            transverse_kg_m2: 2e-4,
            span_mm: 100.0,
            centre_mm: 50.0,
            front: support.clone(),
            rear: support,
            residual: Vec::new(),
        };
        (RotorModel::new(&rotor), natural)
    }

    fn response(model: &RotorModel, spin: f64) -> Complex64 {
        let spot = [Unbalance { position_mm: 50.0, g_mm: 1.0, deg: 0.0 }];
        let force = model.unbalance(&spot).map(|u| u * spin * spin);
        let (forward, _) = model.steady(1, spin, &force, &STILL).expect("damped");
        // per eccentricity of 1 g mm on 1 kg
        RotorModel::housing_at(&forward, Place::Front) / 1e-6
    }

    /// The table of the Jeffcott rotor at a damping ratio of 0.05, from
    /// A/e = r²/sqrt((1 - r²)² + (2 z r)²) and lag = atan2(2 z r, 1 - r²).
    #[test]
    fn jeffcott_table() {
        let (model, natural) = jeffcott(0.05);
        let table = [
            (0.5, 0.332595, 3.8141),
            (0.9, 3.852777, 25.3462),
            (1.0, 10.0, 90.0),
            (1.1, 5.104077, 152.3540),
            (2.0, 1.330380, 176.1859),
            (5.0, 1.041441, 178.8065),
        ];
        for (ratio, amplitude, lag_deg) in table {
            let here = response(&model, ratio * natural);
            assert!((here.norm() / amplitude - 1.0).abs() < 1e-4, "{ratio}: {}", here.norm());
            let lag = -here.arg().to_degrees();
            assert!((lag - lag_deg).abs() < 0.01, "{ratio}: {lag}");
        }
    }

    #[test]
    fn the_critical_speed_is_the_natural_frequency_and_its_damping_that_of_the_mount() {
        let (mut model, natural) = jeffcott(0.05);
        let criticals = model.critical_speeds(1e6);
        assert!((criticals[0].rpm / rpm_from_rad_s(natural) - 1.0).abs() < 1e-5);
        // softer, so that the eigenvalues of the damped motion are well conditioned
        model.bearing = [Spring { n_m: 1e8, n_s_m: 0.0 }; 2];
        model.mass[2..].fill(1e-3);
        let damping = model.critical_speeds(1e6)[0].damping;
        assert!((damping - 0.05).abs() < 1e-3, "{damping}");
    }

    /// Without gyroscopic effect the poles of the response are the damped whirls themselves; a tilting disc is
    /// damped `c / (2 wn (It - Ip))` by its response and `c / (2 wn (It - Ip / 2))` at constant speed.
    #[test]
    fn poles_of_the_response() {
        let (mut model, _) = jeffcott(0.05);
        model.bearing = [Spring { n_m: 1e8, n_s_m: 0.0 }; 2];
        model.mass[2..].fill(1e-3);
        let poles = model.response_poles(1e6);
        let whirls = model.critical_speeds(1e6);
        assert!((poles[0].rpm / whirls[0].rpm - 1.0).abs() < 1e-4, "{poles:?} {whirls:?}");
        assert!((poles[0].damping / whirls[0].damping - 1.0).abs() < 1e-2);
        let (it, ip) = (model.mass[TILT], model.polar_kg_m2);
        let wanted = (it - 0.5 * ip) / (it - ip);
        let found = poles[1].damping / whirls[1].damping;
        assert!((found / wanted - 1.0).abs() < 0.02, "{found} {wanted}");
    }

    /// Displacement grows as speed squared far below the critical speed and stays constant far above.
    #[test]
    fn growth_laws() {
        let (model, natural) = jeffcott(0.05);
        let exponent = |a: f64, b: f64| {
            let rise = response(&model, b * natural).norm() / response(&model, a * natural).norm();
            rise.ln() / (b / a).ln()
        };
        assert!((exponent(0.02, 0.05) - 2.0).abs() < 0.01);
        assert!(exponent(10.0, 30.0).abs() < 0.02);
    }

    /// Conical mode of the same rotor: w² = (k_t)/(It - Ip) with k_t = 2 k (L/2)², and none where
    /// Ip exceeds It. Source: Genta 2005 (from memory).
    #[test]
    fn the_conical_critical_is_stiffened_by_the_gyroscopic_moment() {
        let (mut model, _) = jeffcott(0.05);
        let tilt_stiffness = 2.0 * 5e5 * 0.05f64.powi(2);
        let conical = rpm_from_rad_s((tilt_stiffness / (2e-4 - 1e-4)).sqrt());
        let found = model.critical_speeds(1e6);
        assert!((found[1].rpm / conical - 1.0).abs() < 1e-4, "{found:?}");
        let non_spinning = rpm_from_rad_s((tilt_stiffness / 2e-4).sqrt());
        assert!(found[1].rpm > 1.3 * non_spinning);
        model.polar_kg_m2 = 2.5e-4;
        assert_eq!(model.critical_speeds(1e6).len(), 1);
    }

    #[test]
    fn anisotropic_mounts_split_the_critical() {
        let (mut model, natural) = jeffcott(0.01);
        model.anisotropy_n_m = [0.1 * 5e5; 2];
        let found: Vec<f64> = model.critical_speeds(15_000.0).iter().map(|c| c.rpm).collect();
        let wanted = [0.9f64, 1.1].map(|factor| rpm_from_rad_s(natural * factor.sqrt()));
        for rpm in wanted {
            assert!(found.iter().any(|f| (f / rpm - 1.0).abs() < 1e-4), "{rpm} in {found:?}");
        }
        // along x the response peaks at the upper one, along y at the lower one
        let spot = [Unbalance { position_mm: 50.0, g_mm: 1.0, deg: 0.0 }];
        let spin = natural * 1.1f64.sqrt();
        let force = model.unbalance(&spot).map(|u| u * spin * spin);
        let (ahead, behind) = model.steady(1, spin, &force, &STILL).expect("damped");
        let (x, y) = (ahead[2] + behind[2].conj(), (ahead[2] - behind[2].conj()));
        assert!(x.norm() > 4.0 * y.norm());
    }

    #[test]
    fn the_default_cartridge_has_one_critical_near_41_000_rpm_in_its_range() {
        let model = RotorModel::new(&Rotor::default());
        let found = model.critical_speeds(96_000.0);
        assert_eq!(found.len(), 1, "{found:?}");
        assert!((found[0].rpm - 41_000.0).abs() < 1000.0, "{found:?}");
        assert!(found[0].damping > 0.05 && found[0].damping < 0.12, "{found:?}");
    }
}
