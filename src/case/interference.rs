//! Interference of orders with natural frequencies: what a run-up's spectra hold over speed, and where
//! the lines that the machine can make meet a natural frequency.

use serde::{Deserialize, Serialize};

use super::bearing::Element;
use super::named_orders::{KnownOrders, NamedOrder, OrderKind};
use super::{Operating, View};
use crate::angle::OrderMap;
use crate::angle::map::LOOKS_PER_BLOCK;
use crate::dsp::{floor, gamma, peaks};
use crate::error::{Error, Result};
use crate::units::order_word;

/// Lines of orders shown, at most.
const MOST_ORDERS: usize = 10;
/// Steps of speed that the run is gathered into.
const SPEED_STEPS: usize = 60;
/// Chance that noise alone lifts a column so far above the floor around it.
const CHANCE: f64 = 1e-5;
/// Lines kept in each step of speed, the highest first.
const MOST_LINES: usize = 12;
/// Decibels below the highest line that are shown.
const DEPTH_DB: f64 = 60.0;
/// Below this order an order map shows the drift of the run alone.
const FROM_ORDER: f64 = 0.2;
/// A speed that changes by less than this share is no run-up.
const STEADY: f64 = 0.1;

/// A line found in the spectra at one speed.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct FoundLine {
    /// Speed in rpm.
    pub rpm: f64,
    /// Frequency in Hz.
    pub hz: f64,
    /// Amplitude, zero-to-peak, in the channel's unit.
    pub amplitude: f64,
}

/// A natural frequency that the first order passed.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct NaturalFrequency {
    /// Speed at which the first order meets it, in rpm: the critical speed.
    pub rpm: f64,
    /// Its standard error in rpm.
    pub rpm_error: f64,
    /// Amplification factor.
    pub amplification: f64,
}

impl NaturalFrequency {
    /// The frequency in Hz.
    pub fn hz(&self) -> f64 {
        self.rpm / 60.0
    }

    /// Its standard error in Hz.
    pub fn hz_error(&self) -> f64 {
        self.rpm_error / 60.0
    }
}

/// What an interference diagram shows.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Interference {
    /// Lowest and highest speed recorded, in rpm.
    pub rpm: [f64; 2],
    /// The lines found in the spectra.
    pub lines: Vec<FoundLine>,
    /// The orders that the machine can make, the lowest first, ten at most.
    pub orders: Vec<NamedOrder>,
    /// Names of those that there was no room for.
    pub left_out: Vec<String>,
    /// The natural frequencies passed.
    pub natural: Vec<NaturalFrequency>,
    /// The operating speeds.
    pub service: Option<Operating>,
    /// Highest frequency judged, in Hz.
    pub judged_hz: f64,
}

/// How clearly a channel shows a critical speed; 0 where it shows none.
pub fn evidence(view: &View) -> f64 {
    view.criticals().iter().map(|critical| critical.improvement).fold(0.0, f64::max)
}

impl Interference {
    /// The diagram of one channel. `whole_orders` are the multiples of shaft speed shown beside blades and
    /// bearings; `found` are the lines of faults that were found, which always find room.
    ///
    /// # Errors
    /// [`Error::TooLittle`] where the speed hardly changes or no order map can be made; [`Error::Setting`]
    /// where an order is none.
    pub fn of(view: &View, whole_orders: &[f64], found: &[NamedOrder]) -> Result<Self> {
        if let Some(order) = whole_orders.iter().find(|order| !(**order > 0.0 && order.is_finite()))
        {
            let mend = "give multiples of shaft speed above 0";
            return Err(Error::setting("orders", format!("{order} is no order"), mend));
        }
        let lacking = |has: String| Error::too_little("an interference diagram", "a run-up", has);
        let speed = view.case.speed.as_ref().ok_or_else(|| lacking("no speed".into()))?;
        if speed.is_steady(STEADY) {
            let (low, high) = speed.range_rpm();
            return Err(lacking(format!("{low:.0} to {high:.0} rpm")));
        }
        let map = view.order_map().ok_or_else(|| lacking("too few turns".into()))?;
        let known = KnownOrders::of(&view.case.machine);
        let (orders, left_out) = shown(&known, whole_orders, found);
        let natural = view.criticals().iter().map(|critical| NaturalFrequency {
            rpm: critical.rpm,
            rpm_error: critical.rpm_error,
            amplification: critical.amplification,
        });
        let (low, high) = speed.range_rpm();
        Ok(Self {
            rpm: [low, high],
            lines: lines(map, view.judged_hz()),
            orders,
            left_out,
            natural: natural.collect(),
            service: view.case.operating(),
            judged_hz: view.judged_hz(),
        })
    }
}

/// The orders shown, the most important of them where there are too many, and the names of the rest.
fn shown(
    known: &KnownOrders,
    whole_orders: &[f64],
    found: &[NamedOrder],
) -> (Vec<NamedOrder>, Vec<String>) {
    let whole: Vec<NamedOrder> = (whole_orders.iter())
        .map(|&order| NamedOrder::new(order, order_word(order), OrderKind::Shaft))
        .collect();
    let (first, further) = whole.split_at(whole.len().min(2));
    let ranked = first.iter().chain(found).cloned();
    let ranked = ranked
        .chain(known.blades())
        .chain(known.of_part(Element::Outer))
        .chain(known.of_part(Element::Inner))
        .chain(further.iter().cloned())
        .chain(known.of_part(Element::Ball))
        .chain(known.of_part(Element::Cage));
    let (mut orders, mut left_out): (Vec<NamedOrder>, Vec<String>) = Default::default();
    for one in ranked {
        // a fault that was found stands a little beside its geometry: one line is enough
        let is_told = |other: &NamedOrder| {
            other.is_near(one.order)
                || (other.is_same_part(&one) && (other.order / one.order - 1.0).abs() < 0.05)
        };
        if orders.iter().any(is_told) {
            continue;
        }
        if orders.len() < MOST_ORDERS { orders.push(one) } else { left_out.push(one.name) }
    }
    orders.sort_by(|a, b| a.order.total_cmp(&b.order));
    (orders, left_out)
}

/// The lines that stand clear of the floor, in equal steps of speed.
fn lines(map: &OrderMap, judged_hz: f64) -> Vec<FoundLine> {
    let [low, high] =
        map.rpm.iter().fold([f64::INFINITY, 0.0_f64], |[l, h], &rpm| [l.min(rpm), h.max(rpm)]);
    let width = (high - low) / SPEED_STEPS as f64;
    let mut steps: Vec<Vec<usize>> = vec![Vec::new(); SPEED_STEPS];
    for (block, rpm) in map.rpm.iter().enumerate() {
        let step = if width > 0.0 { ((rpm - low) / width) as usize } else { 0 };
        steps[step.min(SPEED_STEPS - 1)].push(block);
    }
    let mut found = Vec::new();
    for blocks in steps.iter().filter(|blocks| !blocks.is_empty()) {
        let count = blocks.len() as f64;
        let rpm = blocks.iter().filter_map(|&b| map.rpm.get(b)).sum::<f64>() / count;
        let mut power = vec![0.0_f64; map.phasors.ncols()];
        for &block in blocks {
            let row = map.phasors.row(block);
            power.iter_mut().zip(row).for_each(|(sum, bin)| *sum += f64::from(bin.norm_sqr()));
        }
        let values: Vec<f64> = power.iter().map(|sum| (sum / count).sqrt()).collect();
        let judged_order = judged_hz * 60.0 / rpm;
        let mut here = peaks_of(&values, map.turns_per_block, clear_ratio(count));
        here.retain(|(place, _)| {
            let order = place * map.order_step();
            order >= FROM_ORDER && order <= judged_order
        });
        here.sort_by(|a, b| b.1.total_cmp(&a.1));
        found.extend(here.into_iter().take(MOST_LINES).map(|(place, amplitude)| FoundLine {
            rpm,
            hz: place * map.order_step() * rpm / 60.0,
            amplitude,
        }));
    }
    let top = found.iter().map(|line| line.amplitude).fold(0.0, f64::max);
    found.retain(|line| line.amplitude >= top * 10_f64.powf(-DEPTH_DB / 20.0));
    found
}

/// How far a line stands above the median of noise, as a ratio of amplitudes, after the mean of so many
/// blocks.
fn clear_ratio(blocks: f64) -> f64 {
    let looks = (LOOKS_PER_BLOCK * blocks).max(1.0);
    let (mut low, mut high) = (1.0_f64, 30.0_f64);
    while high - low > 1e-3 {
        let middle = 0.5 * (low + high);
        let tail = gamma::upper_tail(looks, middle * looks * gamma::median_of_mean(looks));
        if tail > CHANCE { low = middle } else { high = middle }
    }
    high.sqrt()
}

/// Places (in columns) and heights of the peaks that stand clear of the floor.
fn peaks_of(values: &[f64], turns_per_block: usize, clear: f64) -> Vec<(f64, f64)> {
    let narrow: Vec<f32> = values.iter().map(|&v| v as f32).collect();
    let ground = floor::running_median(&narrow, turns_per_block);
    let is_peak = |&k: &usize| {
        let around = k.saturating_sub(2)..(k + 3).min(values.len());
        let highest = values[around].iter().copied().fold(0.0, f64::max);
        values[k] >= highest && values[k] > clear * f64::from(ground[k]) && values[k] > 0.0
    };
    (1..values.len().saturating_sub(1))
        .filter(is_peak)
        .filter_map(|k| peaks::parabolic(values, k).map(|peak| (peak.position, peak.height)))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::case::Case;
    use crate::progress::Silent;
    use crate::simulate::{Scenario, SpeedProfile, simulate};
    use crate::speed::choose;

    fn case(scenario: &Scenario) -> (Case, f64) {
        let made = simulate(scenario, 5).expect("simulated");
        let critical = made.truth.critical[0].rpm;
        let speed = choose::choose(&made.recording, &made.machine, &mut Silent)
            .and_then(choose::Choice::into_speed)
            .expect("pulses");
        (Case::new(made.recording, made.machine, Some(speed)), critical)
    }

    #[test]
    fn a_run_up_shows_its_lines_and_its_critical_speed() {
        let (case, critical) = case(&Scenario::default());
        let view = case.views().next().expect("a channel");
        let made = Interference::of(&view, &[1.0, 2.0, 3.0], &[]).expect("a run-up");
        assert!(evidence(&view) > 1.0);
        let natural = made.natural[0];
        assert!((natural.rpm / critical - 1.0).abs() < 0.02, "{natural:?} {critical}");
        let names: Vec<&str> = made.orders.iter().map(|one| one.name.as_str()).collect();
        let expected = ["FTF", "1x", "2x", "3x", "BPFO", "2 BSF", "BPFI", "compressor 12x"];
        assert_eq!(names, expected);
        // the first order is there at nearly every speed, and where it should be
        let first: Vec<&FoundLine> = made
            .lines
            .iter()
            .filter(|line| (line.hz * 60.0 / line.rpm - 1.0).abs() < 0.02)
            .collect();
        assert!(first.len() > 45, "{}", first.len());
        let service = made.service.expect("a speed");
        assert_eq!((service.low_rpm, service.high_rpm), (None, 96_000.0));
    }

    /// One look of exponential power: -ln(p) over the mean, so -ln(p) / ln 2 over the median.
    #[test]
    fn more_blocks_let_lesser_lines_stand_clear() {
        assert!((clear_ratio(1.0) - (1e-5_f64.ln() / -(2_f64.ln())).sqrt()).abs() < 1e-3);
        assert!(clear_ratio(10.0) < 2.6 && clear_ratio(100.0) < 1.4 && clear_ratio(100.0) > 1.0);
    }

    #[test]
    fn the_most_important_orders_find_room() {
        let found = [NamedOrder::of_bearing(3.62, "BPFO front", Element::Outer, &["front"])];
        let whole: Vec<f64> = (1..=14).map(f64::from).collect();
        let (orders, left_out) = shown(&KnownOrders::default(), &whole, &found);
        assert_eq!((orders.len(), left_out.len()), (10, 5));
        assert_eq!(orders[0].name, "1x");
        assert!(orders.iter().any(|one| one.name == "BPFO front"));
    }

    /// Whatever the names say, the line of a bearing that was found stands for that of its geometry.
    #[test]
    fn a_fault_that_was_found_takes_the_place_of_its_geometry() {
        let text =
            "format = 1\n[bearing.front]\nbpfo = 3.58\nbpfi = 5.42\nbsf = 2.36\nftf = 0.398\n";
        let path = std::path::Path::new("test");
        let machine = crate::machine::parse::from_text(text, path).expect("a machine");
        let known = KnownOrders::of(&machine);
        let near = |name: &str, bearing| {
            let found = [NamedOrder::of_bearing(3.53, name, Element::Outer, &[bearing])];
            shown(&known, &[1.0], &found).0.iter().any(|one| (one.order - 3.58).abs() < 1e-9)
        };
        assert!(!near("outer race", "front"));
        assert!(near("BPFO front", "rear"));
    }

    #[test]
    fn a_steady_speed_has_no_diagram() {
        let speed = SpeedProfile::constant(60_000.0, 1.0);
        let scenario = Scenario { speed, ..Scenario::default() };
        let (case, _) = case(&scenario);
        let view = case.views().next().expect("a channel");
        let said = Interference::of(&view, &[1.0], &[]).expect_err("steady").to_string();
        assert!(said.contains("a run-up"), "{said}");
    }
}
