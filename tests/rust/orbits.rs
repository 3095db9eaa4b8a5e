//! Orbits and full spectra against the equations of the rotor that was simulated.

use quietspin::angle::orbit::{Orbit, Place as At, Precession};
use quietspin::angle::{ProbePair, resample};
use quietspin::progress::Silent;
use quietspin::simulate::rotor::{RotorModel, STILL};
use quietspin::simulate::{Place, Scenario, Sensor, Simulated, SpeedProfile, Unbalance, simulate};
use quietspin::spectrum::FullSpectrum;
use quietspin::speed::{Speed, choose};

/// A rotor on mounts that are far stiffer one way than the other, seen at two odd angles.
fn spun(rpm: f64) -> (Scenario, Simulated, Speed) {
    let mut scenario = Scenario::default();
    scenario.rotor.front.anisotropy = 0.4;
    scenario.rotor.rear.anisotropy = 0.4;
    scenario.rotor.residual = vec![Unbalance { position_mm: 50.0, g_mm: 2.0, deg: 35.0 }];
    scenario.speed = SpeedProfile { wander_percent: 0.0, ..SpeedProfile::constant(rpm, 1.5) };
    scenario.sensor = vec![
        Sensor::shaft_displacement("x", Place::Front, 30.0),
        Sensor::shaft_displacement("y", Place::Front, 110.0),
    ];
    let made = simulate(&scenario, 11).expect("simulated");
    let speed = choose::choose(&made.recording, &made.machine, &mut Silent)
        .and_then(choose::Choice::into_speed)
        .expect("pulses");
    (scenario, made, speed)
}

fn pair(made: &Simulated) -> ProbePair<'_> {
    let channel = |name| made.recording.channel(name).expect("a sensor");
    ProbePair::new(channel("x"), channel("y"), None).expect("a pair")
}

/// The motion of the shaft against its housing is the steady response of the rotor's own equations, below
/// both critical speeds and between them, where it whirls backward.
#[test]
fn an_anisotropic_rotor_whirls_as_its_equations_say() {
    let expected = [(20_000.0, Precession::Forward), (40_500.0, Precession::Backward)];
    for (rpm, precession) in expected {
        let (scenario, made, speed) = spun(rpm);
        let model = RotorModel::new(&scenario.rotor);
        let spin = rpm * std::f64::consts::TAU / 60.0;
        let force = model.unbalance(&scenario.rotor.residual).map(|u| u * spin * spin);
        let (ahead, behind) = model.steady(1, spin, &force, &STILL).expect("damped");
        let relative = |state| {
            (model.shaft_at(state, Place::Front) - RotorModel::housing_at(state, Place::Front))
                * 1e6
        };
        let (forward, backward) = (relative(&ahead), relative(&behind));
        let orbit = Orbit::of(&pair(&made), &speed, &[1.0], At::default(), None, &mut Silent)
            .expect("turns");
        let one = orbit.orders[0];
        let largest = forward.norm().max(backward.norm());
        assert!((one.forward - forward).norm() < 0.02 * largest, "{rpm}: {one:?} {forward}");
        assert!((one.backward - backward).norm() < 0.02 * largest, "{rpm}: {one:?} {backward}");
        assert_eq!(one.precession(), precession, "{rpm}: {one:?}");

        let steps = resample::samples_per_turn_for(7.0);
        let [mut x, mut y] =
            pair(&made).at_equal_angles(&speed, steps, &mut Silent).expect("turns");
        [x.values, y.values] = pair(&made).plane(&x.values, &y.values);
        let full = FullSpectrum::over_orders([&x, &y], 6.0, None).expect("blocks");
        let first = (1.0 / full.step).round() as usize;
        assert!((f64::from(full.forward[first]) - forward.norm()).abs() < 0.02 * largest);
        assert!((f64::from(full.backward[first]) - backward.norm()).abs() < 0.02 * largest);
    }
}
