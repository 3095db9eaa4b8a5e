//! Impacts of bearing defects and rubs, each ringing the housing.

use std::f64::consts::TAU;

use num_complex::Complex64;
use rand::Rng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

use crate::error::Result;
use crate::machine::Multipliers;

use super::curve::Curve;
use super::random::{Purpose, stream};
use super::scenario::{BearingDefect, Place, Ring, Rub, Scenario};
use super::timebase::Timebase;

/// One impact.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Impact {
    time_s: f64,
    m_s2: f64,
}

/// The part of a bearing that is damaged.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Part {
    /// Outer race, standing still.
    Outer,
    /// Inner race, turning with the shaft.
    Inner,
    /// A rolling element.
    Ball,
    /// The cage.
    Cage,
}

impl Part {
    /// The fault's id.
    pub fn id(self) -> &'static str {
        match self {
            Self::Outer => "bearing_outer",
            Self::Inner => "bearing_inner",
            Self::Ball => "bearing_ball",
            Self::Cage => "bearing_cage",
        }
    }
}

/// The bearing defects of a scenario.
pub fn defects(scenario: &Scenario) -> Vec<(Part, &BearingDefect)> {
    let fault = &scenario.fault;
    let all = [
        (Part::Outer, &fault.bearing_outer),
        (Part::Inner, &fault.bearing_inner),
        (Part::Ball, &fault.bearing_ball),
        (Part::Cage, &fault.bearing_cage),
    ];
    all.into_iter().filter_map(|(part, defect)| Some((part, defect.as_ref()?))).collect()
}

/// Multipliers with slip: the cage lags, and all orders keep FTF Z = BPFO, BPFO + BPFI = Z.
pub fn slipped(m: Multipliers, slip_percent: f64) -> Multipliers {
    let elements = m.bpfo + m.bpfi;
    let factor = 1.0 - slip_percent / 100.0;
    let bpfo = m.bpfo * factor;
    Multipliers { bpfo, bpfi: elements - bpfo, bsf: m.bsf * factor, ftf: m.ftf * factor }
}

/// Acceleration of the front and rear housings by all impacts, in m/s².
///
/// # Errors
/// [`crate::error::Error::Setting`] where a damaged bearing is not described.
pub fn render(
    scenario: &Scenario,
    curve: &Curve,
    time: &Timebase,
    seed: u64,
) -> Result<Option<[Vec<f64>; 2]>> {
    let mut trains = Vec::new();
    for (part, defect) in defects(scenario) {
        let place = defect.place.word();
        let bearing = scenario.bearing.get(&defect.place);
        let Some(multipliers) = bearing.map_or(Ok(None), |b| b.multipliers(place))? else { continue };
        let mut rng = stream(seed, Purpose::Impacts(part as u32));
        let orders = slipped(multipliers, defect.slip_percent);
        let train = defect_train(part, defect, orders, curve, time, &mut rng);
        trains.push((defect.place, train, defect.ring.clone()));
    }
    if let Some(rub) = &scenario.fault.rub {
        let mut rng = stream(seed, Purpose::Impacts(10));
        trains.push((rub.place, rub_train(rub, curve, time, &mut rng), BearingDefect::default().ring));
    }
    if trains.is_empty() {
        return Ok(None);
    }
    let mut housings = [vec![0.0; time.len()], vec![0.0; time.len()]];
    for (place, train, rings) in trains {
        let own = ringing(&train, &rings, time);
        let other = scenario.background.crosstalk;
        for (housing, gain) in housings.iter_mut().zip(match place {
            Place::Front => [1.0, other],
            Place::Rear => [other, 1.0],
        }) {
            housing.iter_mut().zip(&own).for_each(|(sum, a)| *sum += gain * a);
        }
    }
    Ok(Some(housings))
}

fn defect_train(
    part: Part,
    defect: &BearingDefect,
    orders: Multipliers,
    curve: &Curve,
    time: &Timebase,
    rng: &mut ChaCha8Rng,
) -> Vec<Impact> {
    // an element strikes both races in each of its own turns
    let (order, zone_order) = match part {
        Part::Outer => (orders.bpfo, 0.0),
        Part::Inner => (orders.bpfi, 1.0),
        Part::Ball => (2.0 * orders.bsf, orders.ftf),
        Part::Cage => (orders.ftf, 0.0),
    };
    let zone_start: f64 = rng.random_range(0.0..1.0);
    let mut turns = time.turns[0] + rng.random_range(0.0..1.0) / order;
    let mut impacts = Vec::new();
    let mut outer_race = false;
    while turns < curve.end_turns() {
        let load = if zone_order == 0.0 {
            1.0
        } else {
            load_at(zone_start + zone_order * turns, defect.load_zone)
        };
        // the inner race is struck a little more weakly, as seen from the housing
        let path = if part == Part::Ball && !outer_race { 0.6 } else { 1.0 };
        outer_race = !outer_race;
        push(&mut impacts, curve, time, turns, defect.m_s2 * load * path, rng);
        let jitter: f64 = StandardNormal.sample(rng);
        turns += (1.0 + 0.01 * defect.jitter_percent * jitter).max(0.1) / order;
    }
    impacts
}

/// Load at an angle (in turns) from the middle of the load zone: `cos` to the power 3/2 within half a
/// turn (Stribeck; Harris, Rolling Bearing Analysis, from memory), mixed with an even load.
fn load_at(turns: f64, load_zone: f64) -> f64 {
    let zone = (TAU * turns).cos().max(0.0).powf(1.5);
    1.0 - load_zone + load_zone * zone
}

fn rub_train(rub: &Rub, curve: &Curve, time: &Timebase, rng: &mut ChaCha8Rng) -> Vec<Impact> {
    let mut impacts = Vec::new();
    let mut turns = time.turns[0] + rng.random_range(0.0..1.0);
    while turns < curve.end_turns() {
        let touches = curve
            .time_at_turns(turns)
            .is_some_and(|time_s| 60.0 * curve.at(time_s).hz > rub.from_rpm);
        if touches {
            push(&mut impacts, curve, time, turns, rub.m_s2, rng);
        }
        // the place of the touch creeps around the rotor
        let creep: f64 = StandardNormal.sample(rng);
        turns += 1.0 + 0.003 * creep;
    }
    impacts
}

/// An impact in proportion to speed, a tenth of it random.
fn push(
    impacts: &mut Vec<Impact>,
    curve: &Curve,
    time: &Timebase,
    turns: f64,
    m_s2: f64,
    rng: &mut ChaCha8Rng,
) {
    let scatter: f64 = StandardNormal.sample(rng);
    if let Some(time_s) = curve.time_at_turns(turns) {
        let share = curve.at(time_s).hz / time.top_hz;
        impacts.push(Impact { time_s, m_s2: m_s2 * share * (1.0 + 0.1 * scatter).max(0.0) });
    }
}

/// Sum of damped sines that begin at the impacts, between samples where they fall there.
fn ringing(train: &[Impact], rings: &[Ring], time: &Timebase) -> Vec<f64> {
    let mut sum = vec![0.0; time.len()];
    for ring in rings {
        let pass = time.pass(ring.hz);
        if pass == 0.0 {
            continue;
        }
        let w = TAU * ring.hz;
        let pole = Complex64::new(-ring.damping * w, w * (1.0 - ring.damping * ring.damping).sqrt());
        let decay = (pole / time.rate_hz).exp();
        let mut motion = Complex64::ZERO;
        let mut next = 0;
        for (i, value) in sum.iter_mut().enumerate() {
            motion *= decay;
            while let Some(impact) = train.get(next).filter(|t| time.index_at(t.time_s) <= i as f64) {
                let since_s = time.time_s(i) - impact.time_s;
                motion += (pole * since_s).exp() * (impact.m_s2 * ring.share * pass);
                next += 1;
            }
            *value += motion.im;
        }
    }
    sum
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn slip_keeps_the_sum_of_the_race_orders() {
        let m = Multipliers::from_geometry(9, 3.175, 14.5, 15.0);
        let s = slipped(m, 2.0);
        assert!((s.bpfo + s.bpfi - 9.0).abs() < 1e-12);
        assert!((s.bpfo / m.bpfo - 0.98).abs() < 1e-12 && s.bpfi > m.bpfi);
    }

    #[test]
    fn load_is_full_in_the_middle_of_the_zone_and_least_opposite() {
        assert!((load_at(0.0, 0.7) - 1.0).abs() < 1e-12);
        assert!((load_at(0.5, 0.7) - 0.3).abs() < 1e-12);
        assert!((load_at(0.37, 0.0) - 1.0).abs() < 1e-12);
    }
}
