//! What the signal holds between 0.1 and 0.65 orders: lines at no simple fraction of the shaft's speed.

use std::f64::consts::TAU;

use super::order_line::LOOKS_OVER_FLOOR;
use crate::angle::OrderMap;
use crate::dsp::gamma;
use crate::dsp::stats;
use crate::dsp::window::Window;

/// Orders between which a line is called sub-synchronous.
pub const FROM_ORDER: f64 = 0.1;
/// Upper end, clear of the first order.
pub const TO_ORDER: f64 = 0.65;
/// Orders up to which the noise floor is taken: short of the first order by the reach of the window.
const FLOOR_TO_ORDER: f64 = 0.8;
/// Lowest frequency looked at in Hz: below, sensors drift.
const FROM_HZ: f64 = 10.0;
/// Turns in a block from which orders are fine enough.
const LEAST_TURNS: usize = 16;
/// Steps of speed that the run is gathered into, even in its logarithm.
const SPEED_STEPS: usize = 40;
/// Share of a step's width in speed by which a line's place in it may be off.
const STEP_SHARE: f64 = 0.2;
/// Chance that noise alone lifts one column of one step so far above its floor.
const CHANCE: f64 = 1e-4;
/// Fractions of the speed at which a rub or looseness locks, and how close to each, in columns, a line is
/// locked to it: the half order is the strongest by far, and its phase drifts.
const FRACTIONS: [(f64, f64); 3] = [(0.5, 0.3), (1.0 / 3.0, 0.15), (0.25, 0.1)];
/// Columns that noise moves a line by, over its signal-to-noise in amplitude.
const NOISE_COLUMNS: f64 = 0.7;
/// How close to a line of the mains a point is taken for it: in columns, besides what noise moves, and as a
/// share of its frequency.
const MAINS_COLUMNS: f64 = 0.1;
const MAINS_SHARE: f64 = 0.005;
/// Distance of two lines of the mains in columns below which the window blurs them into each other, and how far
/// off their mark, in columns, the blur may peak.
const BLURRED_COLUMNS: f64 = 4.0;
const BLUR_COLUMNS: f64 = 0.6;
/// A line follows the shaft where its order keeps within this share, or this much, and stands where its
/// frequency does.
const SAME: f64 = 0.03;
const SAME_ORDERS: f64 = 0.008;
/// Ratio of speeds from which the two are told apart.
const TOLD_APART: f64 = 1.08;
/// Order from which a line that stands in Hz is no longer below the shaft's speed, and how far from half
/// orders it is looked at there.
const ABOVE_SHAFT: f64 = 0.75;
const CLEAR_OF_HALVES: f64 = 0.19;
/// Columns beside a line that its floor is taken from, nearest and furthest.
const BESIDE: [usize; 2] = [3, 7];
/// Blocks from which it is told whether the line is there above the shaft's speed.
const LEAST_ABOVE: usize = 8;
/// The lower quartile of exponential powers over their mean, ln(4/3): lines do not lift it.
const QUARTILE: f64 = 0.287_682;

/// The sub-synchronous part of one channel.
#[derive(Debug, Clone, PartialEq)]
pub struct SubSynchronous {
    /// The line found, if one stands clear of the noise.
    pub line: Option<SlowLine>,
    steps: Vec<Step>,
    order_step: f64,
    noise_bandwidth_columns: f64,
}

/// How a line goes with the speed of the shaft.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Course {
    /// It keeps its order: a whirl.
    Follows,
    /// It keeps its frequency: a whip, or something beside the machine.
    Stands,
    /// The speed changes too little to tell.
    Unknown,
}

/// A sub-synchronous line over the run.
#[derive(Debug, Clone, PartialEq)]
pub struct SlowLine {
    /// How it goes with speed.
    pub course: Course,
    /// Where it was seen, the lowest speed first.
    pub points: Vec<Point>,
    /// Steps of speed from the first at which it was seen up to the highest in which it could have been.
    pub possible: usize,
    /// For a line that stands: median power over the noise at low speeds, where it lies above 1x; `None`
    /// where it never does, or too seldom.
    pub above_shaft: Option<f64>,
}

/// A line at one speed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Point {
    /// Speed in rpm.
    pub rpm: f64,
    /// Order, between columns.
    pub order: f64,
    /// Amplitude, zero-to-peak, in the channel's unit.
    pub amplitude: f64,
    /// Power over that of the noise.
    pub contrast: f64,
    /// How far noise may have moved it, in columns of the map.
    scatter_columns: f64,
}

impl Point {
    /// Frequency in Hz.
    pub fn hz(&self) -> f64 {
        self.order * self.rpm / 60.0
    }
}

impl SlowLine {
    /// Median order.
    pub fn order(&self) -> f64 {
        stats::median(&self.points.iter().map(|p| p.order).collect::<Vec<f64>>())
    }

    /// Median frequency in Hz.
    pub fn hz(&self) -> f64 {
        stats::median(&self.points.iter().map(Point::hz).collect::<Vec<f64>>())
    }

    /// Geometric mean of the power over the noise.
    pub fn contrast(&self) -> f64 {
        let logs: f64 = self.points.iter().map(|p| p.contrast.ln()).sum();
        (logs / self.points.len().max(1) as f64).exp()
    }

    /// Share of the steps in which it could have been seen that show it.
    pub fn coverage(&self) -> f64 {
        self.points.len() as f64 / self.possible.max(1) as f64
    }

    /// The point of greatest amplitude.
    pub fn strongest(&self) -> Option<&Point> {
        self.points.iter().max_by(|a, b| a.amplitude.total_cmp(&b.amplitude))
    }

    /// The highest order at which it was seen.
    pub fn highest_order(&self) -> f64 {
        self.points.iter().map(|p| p.order).fold(0.0, f64::max)
    }

    /// Lowest and highest speed in rpm at which it was seen.
    pub fn range_rpm(&self) -> [f64; 2] {
        let first = self.points.first().map_or(0.0, |p| p.rpm);
        [first, self.points.last().map_or(0.0, |p| p.rpm)]
    }
}

/// Blocks at about one speed.
#[derive(Debug, Clone, PartialEq)]
struct Step {
    rpm: f64,
    /// Width in speed as a share of it.
    width: f64,
    blocks: usize,
    /// Mean power per column.
    power: Vec<f64>,
    /// Mean over the blocks of the power over the block's own floor, per column.
    ratio: Vec<f64>,
}

impl SubSynchronous {
    /// Looks through an order map; `None` where its blocks are too short. Lines at the frequencies of
    /// `mains_hz` are left out.
    pub fn of(map: &OrderMap, mains_hz: &[f64]) -> Option<Self> {
        if map.turns_per_block < LEAST_TURNS {
            return None;
        }
        let steps = steps(map);
        let points = steps.iter().flat_map(|step| peaks(step, map));
        let is_mains = |point: &Point| {
            let column_hz = map.order_step() * point.rpm / 60.0;
            let is_blurred = |pair: &[f64]| pair[1] - pair[0] < BLURRED_COLUMNS * column_hz;
            let blur =
                if mains_hz.windows(2).any(is_blurred) { BLUR_COLUMNS } else { MAINS_COLUMNS };
            let reach_hz = (blur + point.scatter_columns) * column_hz;
            mains_hz.iter().any(|hz| (point.hz() - hz).abs() < reach_hz.max(MAINS_SHARE * hz))
        };
        let points: Vec<Point> = points.filter(|point| !is_mains(point)).collect();
        let mut line = strongest_course(&points, &steps);
        if let Some(line) = line.as_mut().filter(|line| line.course == Course::Stands) {
            line.above_shaft = above_shaft(map, line.hz());
        }
        Some(Self {
            line,
            steps,
            order_step: map.order_step(),
            noise_bandwidth_columns: map.noise_bandwidth_orders() / map.order_step(),
        })
    }

    /// Greatest rms over the speeds that are `chosen`, with its speed in rpm: all that lies between 0.1
    /// and 0.65 orders and above 10 Hz, as the `steps`-th derivative in time (-1: integrated once), in the
    /// channel's unit times seconds to the power of `-steps`.
    pub fn highest_rms(&self, steps: i32, chosen: impl Fn(f64) -> bool) -> Option<(f64, f64)> {
        let rms = |step: &Step| {
            let columns = columns(self.order_step, step.rpm, TO_ORDER);
            let mean_square = |k: usize| {
                let omega = TAU * k as f64 * self.order_step * step.rpm / 60.0;
                0.5 * step.power.get(k).unwrap_or(&0.0) * omega.powi(2 * steps)
            };
            (columns.map(mean_square).sum::<f64>() / self.noise_bandwidth_columns).sqrt()
        };
        let steps = self.steps.iter().filter(|step| chosen(step.rpm));
        steps.map(|step| (rms(step), step.rpm)).max_by(|a, b| a.0.total_cmp(&b.0))
    }
}

/// The columns between the lower end and an order at a speed.
fn columns(order_step: f64, rpm: f64, to_order: f64) -> std::ops::RangeInclusive<usize> {
    let from = FROM_ORDER.max(FROM_HZ * 60.0 / rpm.max(f64::MIN_POSITIVE));
    // the first column holds what the mean leaves behind
    let first = ((from / order_step).ceil() as usize).max(2);
    first..=(to_order / order_step) as usize
}

fn steps(map: &OrderMap) -> Vec<Step> {
    let fold = |[low, high]: [f64; 2], &rpm: &f64| [rpm.min(low), rpm.max(high)];
    let [low, high] = map.rpm.iter().fold([f64::INFINITY, 0.0], fold);
    let width = (high / low).ln() / SPEED_STEPS as f64;
    let steady = high < 1.02 * low;
    let count = (FLOOR_TO_ORDER / map.order_step()) as usize + 1;
    let empty = Step {
        rpm: 0.0,
        width: if steady { 0.0 } else { width },
        blocks: 0,
        power: vec![0.0; count],
        ratio: vec![0.0; count],
    };
    let mut steps = vec![empty; if steady { 1 } else { SPEED_STEPS }];
    for (row, &rpm) in map.phasors.rows().into_iter().zip(&map.rpm) {
        let place = if steady { 0 } else { ((rpm / low).ln() / width) as usize };
        let place = place.min(steps.len() - 1);
        let Some(step) = steps.get_mut(place) else { continue };
        let powers: Vec<f64> =
            row.iter().take(count).map(|bin| f64::from(bin.norm_sqr())).collect();
        let range = columns(map.order_step(), rpm, FLOOR_TO_ORDER);
        let Some(inside) = powers.get(range).filter(|inside| inside.len() > 4) else { continue };
        let floor = stats::quantile_of(&mut inside.to_vec(), 0.25) / QUARTILE;
        if !(floor > 0.0) {
            continue;
        }
        step.rpm += rpm;
        step.blocks += 1;
        for ((sum, ratio), p) in step.power.iter_mut().zip(&mut step.ratio).zip(&powers) {
            *sum += p;
            *ratio += p / floor;
        }
    }
    steps.retain(|step| step.blocks > 0);
    for step in &mut steps {
        let n = step.blocks as f64;
        step.rpm /= n;
        step.power.iter_mut().chain(&mut step.ratio).for_each(|value| *value /= n);
    }
    steps
}

/// The lines of a step that stand clear of its noise and are locked to no simple fraction.
fn peaks(step: &Step, map: &OrderMap) -> Vec<Point> {
    let clear = clear_ratio((LOOKS_OVER_FLOOR * step.blocks as f64).max(1.0));
    let at = |k: usize| step.power.get(k).copied().unwrap_or(0.0).sqrt();
    let point = |k: usize| {
        let contrast = *step.ratio.get(k)?;
        let (before, centre, after) = (at(k - 1), at(k), at(k + 1));
        if contrast < clear || centre < before || centre < after {
            return None;
        }
        let offset = Window::Hann.tone_offset_bins(before, centre, after);
        let order = (k as f64 + offset) * map.order_step();
        let scatter = NOISE_COLUMNS / (contrast * LOOKS_OVER_FLOOR * step.blocks as f64).sqrt();
        // a line that stands moves through the columns while the speed of the step changes
        let scatter_columns = (scatter + STEP_SHARE * step.width * k as f64).min(1.0);
        let is_locked = FRACTIONS.iter().any(|(fraction, columns)| {
            (order - fraction).abs() < (columns + scatter.min(1.0)) * map.order_step()
        });
        let amplitude = centre / Window::Hann.response(offset);
        (!is_locked && order <= TO_ORDER).then_some(Point {
            rpm: step.rpm,
            order,
            amplitude,
            contrast,
            scatter_columns,
        })
    };
    columns(map.order_step(), step.rpm, TO_ORDER).filter_map(point).collect()
}

/// Power over its floor that noise exceeds in one column with the stated chance, after so many looks.
fn clear_ratio(looks: f64) -> f64 {
    let (mut low, mut high) = (1.0_f64, 40.0_f64);
    while high - low > 1e-3 {
        let middle = 0.5 * (low + high);
        if gamma::upper_tail(looks, middle * looks) > CHANCE { low = middle } else { high = middle }
    }
    // the floor itself is known from a dozen columns of each block only
    1.15 * high
}

/// The points that keep one order, or one frequency, and together stand furthest out of the noise.
fn strongest_course(points: &[Point], steps: &[Step]) -> Option<SlowLine> {
    let is_same = |p: &Point, ratio: f64| (ratio - 1.0).abs() < SAME.max(SAME_ORDERS / p.order);
    let follows = |seed: &Point| {
        let same = |p: &&Point| is_same(p, p.order / seed.order);
        points.iter().filter(same).copied().collect::<Vec<Point>>()
    };
    let stands = |seed: &Point| {
        let same = |p: &&Point| is_same(p, p.hz() / seed.hz());
        points.iter().filter(same).copied().collect::<Vec<Point>>()
    };
    let weight = |group: &[Point]| group.iter().map(|p| p.contrast.ln()).sum::<f64>();
    let best =
        |groups: Vec<Vec<Point>>| groups.into_iter().max_by(|a, b| weight(a).total_cmp(&weight(b)));
    let (following, standing) =
        (best(points.iter().map(follows).collect())?, best(points.iter().map(stands).collect())?);
    let keeps_order = weight(&following) >= weight(&standing);
    let points = if keeps_order { following } else { standing };
    let (first, last) = (points.first()?.rpm, points.last()?.rpm);
    let course = match (last > TOLD_APART * first, keeps_order) {
        (false, _) => Course::Unknown,
        (true, true) => Course::Follows,
        (true, false) => Course::Stands,
    };
    // a line that stands falls out of the range of orders where the shaft turns faster
    let to_rpm = match course {
        Course::Stands => points.first()?.hz() * 60.0 / (1.2 * FROM_ORDER),
        _ => f64::INFINITY,
    };
    let could = steps.iter().filter(|step| step.rpm >= first && step.rpm <= to_rpm.max(last));
    let possible = could.count();
    Some(SlowLine { course, points, possible, above_shaft: None })
}

/// Median power over the noise beside it of a frequency in the blocks where it lies above 1x.
fn above_shaft(map: &OrderMap, hz: f64) -> Option<f64> {
    let mut ratios = Vec::new();
    for (block, (row, &rpm)) in map.phasors.rows().into_iter().zip(&map.rpm).enumerate() {
        let order = hz * 60.0 / rpm;
        let from_half = (2.0 * order - (2.0 * order).round()).abs() / 2.0;
        if order < ABOVE_SHAFT || order > map.judged_order(block) || from_half < CLEAR_OF_HALVES {
            continue;
        }
        let column = (order / map.order_step()).round() as usize;
        let power = |k: usize| row.get(k).map(|bin| f64::from(bin.norm_sqr()));
        let beside = (BESIDE[0]..=BESIDE[1]).flat_map(|d| [column - d, column + d]);
        let mut beside: Vec<f64> = beside.filter_map(power).collect();
        let floor = stats::quantile_of(&mut beside, 0.25) / QUARTILE;
        if let Some(power) = power(column).filter(|_| floor > 0.0) {
            ratios.push(power / floor);
        }
    }
    (ratios.len() >= LEAST_ABOVE).then(|| stats::median_of(&mut ratios))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::angle::AngleSignal;
    use crate::dsp::test_noise::Random;

    /// A run-up from 600 to 6000 rpm in which `value` gives the signal over turns and seconds.
    fn map(value: impl Fn(f64, f64) -> f64) -> OrderMap {
        let (n, turns) = (16, 2000);
        let mut times = vec![0.0];
        for turn in 0..turns {
            let hz = 10.0 + 90.0 * f64::from(turn) / f64::from(turns);
            times.push(times[turn as usize] + 1.0 / hz);
        }
        let mut random = Random(7);
        let mut values = Vec::new();
        for pair in times.windows(2).enumerate() {
            let (turn, pair) = pair;
            for i in 0..n {
                let share = i as f64 / n as f64;
                let seconds = pair[0] + share * (pair[1] - pair[0]);
                values.push((value(turn as f64 + share, seconds) + 0.1 * random.next()) as f32);
            }
        }
        OrderMap::of(&AngleSignal {
            samples_per_turn: n,
            first_turn: 0.0,
            values,
            turn_times_s: times,
            source_rate_hz: 1e6,
        })
    }

    fn found(value: impl Fn(f64, f64) -> f64) -> Option<SlowLine> {
        SubSynchronous::of(&map(value), &[]).expect("fine enough").line
    }

    #[test]
    fn a_whirl_follows_the_shaft() {
        let line = found(|turns, _| 0.3 * (TAU * 0.43 * turns).cos()).expect("a line");
        assert_eq!(line.course, Course::Follows);
        assert!((line.order() - 0.43).abs() < 0.003, "{}", line.order());
        let strongest = line.strongest().expect("points");
        assert!((strongest.amplitude / 0.3 - 1.0).abs() < 0.1, "{strongest:?}");
        assert!(line.coverage() > 0.8, "{}", line.coverage());
    }

    #[test]
    fn a_whip_stands_in_hz() {
        let value = |turns: f64, seconds: f64| {
            // fast enough for the shaft to turn at more than twice 25 Hz
            if turns > 1000.0 { 0.3 * (TAU * 25.0 * seconds).cos() } else { 0.0 }
        };
        let line = found(value).expect("a line");
        assert_eq!(line.course, Course::Stands);
        assert!((line.hz() - 25.0).abs() < 0.4, "{}", line.hz());
        assert!(line.above_shaft.is_none_or(|ratio| ratio < 2.0), "{:?}", line.above_shaft);
        let [low, _] = line.range_rpm();
        assert!((2800.0..4000.0).contains(&low), "{low}");
    }

    #[test]
    fn a_line_that_is_there_below_and_above_the_shaft_is_told() {
        let line = found(|_, seconds| 0.3 * (TAU * 30.0 * seconds).cos()).expect("a line");
        assert_eq!(line.course, Course::Stands);
        assert!(line.above_shaft.is_some_and(|ratio| ratio > 5.0), "{:?}", line.above_shaft);
    }

    #[test]
    fn lines_of_the_mains_are_left_out() {
        let map = map(|_, seconds| 0.3 * (TAU * 30.0 * seconds).cos());
        assert_eq!(SubSynchronous::of(&map, &[30.0]).expect("fine enough").line, None);
    }

    #[test]
    fn fractions_and_noise_are_none() {
        assert_eq!(found(|turns, _| 0.5 * (TAU * 0.5 * turns).cos()), None);
        assert_eq!(found(|turns, _| 0.5 * (TAU * turns / 3.0).cos()), None);
        assert_eq!(found(|turns, _| (TAU * turns).cos()), None);
    }

    /// A tone of peak 0.3 has the rms 0.3/√2, and integrated once that over 2 pi f.
    #[test]
    fn the_band_holds_the_rms_of_its_tone() {
        let made = SubSynchronous::of(&map(|turns, _| 0.3 * (TAU * 0.43 * turns).cos()), &[]);
        let made = made.expect("fine enough");
        let (rms, _) = made.highest_rms(0, |rpm| rpm > 3000.0).expect("speeds");
        assert!((rms / (0.3 / 2.0_f64.sqrt()) - 1.0).abs() < 0.1, "{rms}");
        let (integrated, rpm) = made.highest_rms(-1, |rpm| rpm > 3000.0).expect("speeds");
        let omega = TAU * 0.43 * rpm / 60.0;
        assert!((integrated * omega / (0.3 / 2.0_f64.sqrt()) - 1.0).abs() < 0.1, "{integrated}");
        assert_eq!(made.highest_rms(0, |_| false), None);
    }
}
