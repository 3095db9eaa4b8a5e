//! Harmonics of the shaft and simple fractions of its order: how far each stands above the noise, from which
//! speed on it is seen, and how steady its phase is.
//!
//! Everything is a ratio to the noise beside the line or to another line, so that it holds for machines of any
//! size and for channels without calibration. Blocks of the order map are put into groups of like speed; the
//! median of each group keeps lines that are fixed in Hz, and cross an order for an instant, out.

use std::f64::consts::{LN_2, TAU};

use crate::angle::map::LOOKS_PER_BLOCK;
use crate::angle::{OrderMap, Track};
use crate::dsp::fft::Complex64;
use crate::dsp::stats;
use crate::units::Quantity;

/// Turns per block that part half orders and thirds from each other and from the first order.
const LEAST_TURNS_PER_BLOCK: usize = 16;
/// Fewest blocks that say anything of a line.
const LEAST_BLOCKS: usize = 12;
/// Fewest blocks in a group of like speed.
const LEAST_GROUP: usize = 4;
/// Most groups of like speed.
const MOST_GROUPS: usize = 60;
/// What the median power of noise lacks of its mean power 1: it is `ln 2`. A line in noise lacks nearly as much.
const MEDIAN_LACKS: f64 = 1.0 - LN_2;
/// Relative standard error of a group's floor that does not average out: noise is not quite flat
/// (common practice, no source).
const FLOOR_ERROR: f64 = 0.15;
/// Standard errors above the floor from which a line is seen.
const SEEN_SIGMAS: f64 = 4.0;
/// Power over the floor from which it is seen, at least.
const SEEN_POWER: f64 = 1.5;
/// How far off its order a line may be found and still be exact, in orders, besides four standard errors: oil
/// whirl at 0.47x is off by 0.03, hum that lies on a fraction by chance by more than this as a rule.
const EXACT_ORDERS: f64 = 0.0007;
/// The most that it may be off, however badly it is known.
const MOST_OFF_ORDERS: f64 = 0.01;
/// Coherence between blocks that share no turns from which a line is one, and no hump of noise.
const LEAST_COHERENCE: f64 = 0.35;
/// Share of the fastest blocks in which strengths are compared.
const FASTEST: f64 = 1.0 / 3.0;
/// Highest whole order looked at.
const MOST_WHOLE: u32 = 12;
/// Blocks from one to the next that no longer shares turns with it.
const APART: usize = 2;
/// Power over the floor from which the phase of a block counts.
const CLEAR_POWER: f64 = 10.0;

/// Lines of one channel at harmonics and fractions of the shaft's order.
#[derive(Debug, Clone)]
pub struct Harmonics {
    /// 1x, 2x, 3x, ... as far as the map and the sampling rate go.
    pub whole: Vec<Line>,
    /// 1/2x, 3/2x, 5/2x, ... up to 11/2x.
    pub halves: Vec<Line>,
    /// 1/3x, 2/3x, 4/3x, 5/3x, ... up to 8/3x.
    pub thirds: Vec<Line>,
}

/// One order over the whole run.
#[derive(Debug, Clone)]
pub struct Line {
    /// The order that is meant.
    pub order: f64,
    /// Its power over the noise beside it (a ratio; 1 is noise), where it stands clearest: over all blocks or over
    /// the fastest third.
    pub over_noise: f64,
    /// By how many standard errors it stands above the noise there.
    pub sigmas: f64,
    /// Where it was found less where it is meant, in orders, from the turning of its phase between blocks.
    pub off_orders: f64,
    /// Standard error of that.
    pub off_error: f64,
    /// How steadily its phase goes on from block to block, 0 (noise) to 1 (a line).
    pub coherence: f64,
    /// Acceleration over the fastest third of blocks, with the noise taken off: in the channel's unit where that
    /// is an acceleration, else proportional to it.
    pub strength: f64,
    /// Random walk of its phase in degrees per root of a turn, with what noise adds taken off; `None` where too few
    /// blocks show it clearly.
    pub wander_deg: Option<f64>,
    groups: Vec<Group>,
}

/// Blocks of like speed.
#[derive(Debug, Clone, Copy)]
struct Group {
    rpm: f64,
    /// Power less that of the noise, as acceleration over speed squared, squared.
    excess: f64,
    /// Standard error of that.
    error: f64,
}

/// From which speed on lines are seen.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Onset {
    /// They begin here, in rpm, or are there from the lowest speed on at which they could be seen.
    pub rpm: f64,
    /// Lowest speed in rpm at which they would be seen if they grew with speed squared (as acceleration).
    pub visible_rpm: f64,
    /// Highest speed in rpm.
    pub top_rpm: f64,
    /// Their power below the speed at which they begin, in parts of that at the top (both over speed to the fourth
    /// power): the most that it can be, at two standard errors.
    pub most_below: f64,
}

impl Onset {
    /// Whether the lines begin at a speed, rather than being there throughout.
    pub fn begins(&self) -> bool {
        self.most_below < HALF
    }

    /// Whether the speeds at which the lines would be seen lie far enough apart to tell whether they begin at one.
    pub fn can_be_told(&self) -> bool {
        self.top_rpm > LEAST_SPAN * self.visible_rpm
    }
}

/// Ratio of the highest speed to the lowest at which lines would be seen, up to which it is left open whether they
/// begin at one (judgement, no source).
const LEAST_SPAN: f64 = 1.1;

/// Images that resampling to equal angle may leave of a line, in parts of its amplitude: 80 dB below it, which only
/// a recording without noise shows.
const IMAGES: f64 = 1e-4;

impl Harmonics {
    /// The lines of a map of a channel that measures `quantity`; `None` where blocks are too short or too few.
    pub fn of(map: &OrderMap, quantity: Quantity) -> Option<Self> {
        if map.turns_per_block < LEAST_TURNS_PER_BLOCK || map.blocks() < LEAST_BLOCKS {
            return None;
        }
        let steps = 2 - quantity.derivative_of_displacement().unwrap_or(2);
        let lines = |orders: Vec<f64>| -> Vec<Line> {
            orders.into_iter().filter_map(|order| Line::of(map, order, steps)).collect()
        };
        let halves = (0..6).map(|k| f64::from(k) + 0.5).collect();
        let thirds = (1..=8).filter(|k| k % 3 != 0).map(|k| f64::from(k) / 3.0).collect();
        let mut all = Self {
            whole: lines((1..=MOST_WHOLE).map(f64::from).collect()),
            halves: lines(halves),
            thirds: lines(thirds),
        };
        all.leave_out_images();
        Some(all)
    }

    /// Lines that may be images of a far stronger one count as not seen.
    fn leave_out_images(&mut self) {
        let families = [&mut self.whole, &mut self.halves, &mut self.thirds];
        let mut lines: Vec<&mut Line> = families.into_iter().flatten().collect();
        let strongest = lines.iter().map(|line| line.strength).fold(0.0, f64::max);
        for line in &mut lines {
            if line.strength < IMAGES * strongest {
                line.sigmas = 0.0;
            }
        }
    }

    /// The family of fractions that shows more of its lines: half orders, or thirds.
    pub fn fractions(&self) -> &[Line] {
        let sum = |lines: &[Line]| lines.iter().map(Line::weight).sum::<f64>();
        if sum(&self.thirds) > sum(&self.halves) { &self.thirds } else { &self.halves }
    }

    /// Harmonics from an order on, those left out that `is_known` names: blades and the like.
    pub fn harmonics_from(&self, order: f64, is_known: impl Fn(f64) -> bool) -> Vec<&Line> {
        self.whole.iter().filter(|line| line.order >= order && !is_known(line.order)).collect()
    }
}

impl Line {
    fn of(map: &OrderMap, order: f64, steps: i32) -> Option<Self> {
        let track = map.track(order)?;
        if track.len() < LEAST_BLOCKS {
            return None;
        }
        let mut by_speed: Vec<usize> = (0..track.len()).collect();
        by_speed.sort_by(|&a, &b| track.rpm[a].total_cmp(&track.rpm[b]));
        let fastest = by_speed.split_at(((1.0 - FASTEST) * by_speed.len() as f64) as usize).1;
        let scale = |rpm: f64| (TAU * order * rpm / 60.0).powi(steps);
        let (all, fast) = (Height::of(&track, &by_speed), Height::of(&track, fastest));
        let clearest = if fast.sigmas() > all.sigmas() { fast } else { all };
        let factor = scale(fast.rpm);
        let place = LinePlace::of(map, &track);
        let chunk = (by_speed.len() / MOST_GROUPS).max(LEAST_GROUP);
        let groups = by_speed.chunks(chunk).filter(|group| group.len() >= LEAST_GROUP / 2);
        Some(Self {
            order,
            over_noise: clearest.power,
            sigmas: clearest.sigmas(),
            off_orders: place.order - order,
            off_error: place.error,
            coherence: place.coherence,
            strength: factor * (fast.floor * (fast.power - 1.0).max(0.0)).sqrt(),
            wander_deg: wander_deg(map, &track),
            groups: groups.map(|group| Height::of(&track, group).group(&scale)).collect(),
        })
    }

    /// Whether it stands clear of the noise, exactly on its order.
    pub fn is_seen(&self) -> bool {
        self.sigmas > SEEN_SIGMAS
            && self.over_noise > SEEN_POWER
            && self.coherence > LEAST_COHERENCE
            && self.off_orders.abs() < (EXACT_ORDERS + 4.0 * self.off_error).min(MOST_OFF_ORDERS)
    }

    /// Its order in words: `3x`, `1/2x`, `4/3x`.
    pub fn name(&self) -> String {
        let of = [1.0, 2.0, 3.0]
            .into_iter()
            .find(|d| ((d * self.order).round() - d * self.order).abs() < 1e-6);
        match of {
            Some(1.0) | None => format!("{}x", self.order),
            Some(parts) => format!("{:.0}/{parts}x", parts * self.order),
        }
    }

    /// Its height over the noise in decibels.
    pub fn height_db(&self) -> f64 {
        10.0 * self.over_noise.max(f64::MIN_POSITIVE).log10()
    }

    /// How clearly it is seen: 0 where it is not, 1 where it just is, and 1 more for each factor e that it stands
    /// further above the noise.
    pub fn weight(&self) -> f64 {
        if self.is_seen() { (self.sigmas / SEEN_SIGMAS).ln() + 1.0 } else { 0.0 }
    }
}

/// How a set of blocks stands over the noise.
#[derive(Debug, Clone, Copy)]
struct Height {
    /// Median power over the noise; 1 in noise.
    power: f64,
    error: f64,
    /// Median power of the noise.
    floor: f64,
    rpm: f64,
}

impl Height {
    fn of(track: &Track, blocks: &[usize]) -> Self {
        let noise = |i: usize| 2.0 * track.errors[i] * track.errors[i];
        let mut powers: Vec<f64> = (blocks.iter())
            .map(|&i| track.phasors[i].norm_sqr() / noise(i).max(f64::MIN_POSITIVE))
            .collect();
        let mut floors: Vec<f64> = blocks.iter().map(|&i| noise(i)).collect();
        let mut rpm: Vec<f64> = blocks.iter().map(|&i| track.rpm[i]).collect();
        let looks = (LOOKS_PER_BLOCK * blocks.len() as f64).max(1.0);
        Self {
            power: stats::median_of(&mut powers) + MEDIAN_LACKS,
            // the median of n exponential numbers of mean 1 scatters by the root of 1 / n
            error: looks.sqrt().recip().hypot(FLOOR_ERROR),
            floor: stats::median_of(&mut floors),
            rpm: stats::median_of(&mut rpm),
        }
    }

    fn sigmas(&self) -> f64 {
        (self.power - 1.0) / self.error
    }

    fn group(&self, scale: &impl Fn(f64) -> f64) -> Group {
        let over_speed = scale(self.rpm) / self.rpm.max(1.0).powi(2);
        let unit = self.floor * over_speed * over_speed;
        // a line's own scatter grows with it
        let error = unit * self.error * self.power.max(1.0).sqrt();
        Group { rpm: self.rpm, excess: unit * (self.power - 1.0), error }
    }
}

/// Turns from one block to the next.
fn hop_turns(map: &OrderMap) -> f64 {
    let pairs = map.times_s.windows(2).zip(map.rpm.windows(2));
    let turns: Vec<f64> =
        pairs.map(|(t, rpm)| (t[1] - t[0]) * 0.5 * (rpm[0] + rpm[1]) / 60.0).collect();
    stats::median(&turns).round().max(1.0)
}

/// Where a line lies, and whether it is one.
struct LinePlace {
    order: f64,
    error: f64,
    coherence: f64,
}

impl LinePlace {
    /// The order from the mean turning of the phase between neighbouring blocks, the coherence from blocks that
    /// share no turns, as noise goes on within half a block.
    fn of(map: &OrderMap, track: &Track) -> Self {
        let hop = hop_turns(map);
        let (product, steadiness) = turning(track, 1);
        let (_, coherence) = turning(track, blocks_apart(hop));
        let scatter_rad = (-2.0 * steadiness.clamp(1e-6, 1.0).ln()).sqrt();
        let pairs = (track.len().max(2) - 1) as f64;
        Self {
            order: track.order + product.arg() / (TAU * hop),
            error: scatter_rad / pairs.sqrt() / (TAU * hop),
            coherence,
        }
    }
}

/// Blocks from one to the next that shares no turns with it.
fn blocks_apart(hop_turns: f64) -> usize {
    if hop_turns < LEAST_TURNS_PER_BLOCK as f64 { APART } else { 1 }
}

/// The mean product of blocks `apart` from each other, each in units of its noise so that all speeds count alike,
/// and its modulus over the mean modulus.
fn turning(track: &Track, apart: usize) -> (Complex64, f64) {
    let scaled = |i: usize| track.phasors[i] / track.errors[i].max(f64::MIN_POSITIVE);
    let products: Vec<Complex64> =
        (apart..track.len()).map(|i| scaled(i) * scaled(i - apart).conj()).collect();
    // a strong instant (a foreign line that crosses) must not speak for all
    let bounded = |p: &Complex64| p / (1.0 + p.norm());
    let sum: Complex64 = products.iter().map(bounded).sum();
    let moduli: f64 = products.iter().map(|p| bounded(p).norm()).sum();
    (sum, sum.norm() / moduli.max(f64::MIN_POSITIVE))
}

/// Random walk of the phase in degrees per root of a turn.
///
/// From second differences of the phase over blocks that share no turns, which a steady turning and a slow one
/// (of a response on the way through speeds) leave at zero: a walk of variance `w²` per turn gives them
/// `2 w²` times the turns between blocks.
fn wander_deg(map: &OrderMap, track: &Track) -> Option<f64> {
    let hop = hop_turns(map);
    let apart = blocks_apart(hop);
    let clear =
        |i: usize| track.phasors[i].norm_sqr() > CLEAR_POWER * 2.0 * track.errors[i].powi(2);
    let (mut turned, mut by_noise) = (Vec::new(), Vec::new());
    for i in 0..track.len().saturating_sub(2 * apart) {
        let at = [i, i + apart, i + 2 * apart];
        if !at.iter().all(|&k| clear(k)) {
            continue;
        }
        let [a, b, c] = at.map(|k| track.phasors[k]);
        turned.push((c * b.conj() * (b * a.conj()).conj()).arg());
        let noise = |k: usize| (track.errors[k] / track.phasors[k].norm()).powi(2);
        by_noise.push(noise(at[0]) + 4.0 * noise(at[1]) + noise(at[2]));
    }
    if turned.len() < LEAST_BLOCKS {
        return None;
    }
    let variance = stats::robust_deviation(&turned).powi(2) - stats::median(&by_noise);
    let turns = hop * apart as f64;
    Some((variance.max(0.0) / (2.0 * turns)).sqrt().to_degrees())
}

/// From which speed on a family of lines is seen; `None` where it is not seen at the top, or could not be seen any
/// lower.
pub fn onset(lines: &[&Line]) -> Option<Onset> {
    let groups = family(lines);
    let top = groups.get(groups.len().saturating_sub((groups.len() / 3).max(2))..)?;
    let at_top = stats::median(&top.iter().map(|group| group.excess).collect::<Vec<f64>>());
    let error = stats::median(&top.iter().map(|group| group.error).collect::<Vec<f64>>());
    if at_top <= 2.0 * error {
        return None;
    }
    let visible: Vec<Group> = (groups.iter().filter(|group| group.error < VISIBLE * at_top))
        .map(|g| Group { excess: g.excess / at_top, error: g.error / at_top, ..*g })
        .collect();
    let (first, last) = (visible.first()?, visible.last()?);
    let whole =
        Onset { rpm: first.rpm, visible_rpm: first.rpm, top_rpm: last.rpm, most_below: 1.0 };
    let splits =
        (2..visible.len().saturating_sub(1)).filter_map(|split| {
            let (below, above) = visible.split_at(split);
            let most_below = mean_at_most(below);
            let lowest_above = above.first()?.rpm;
            let is_there = above.iter().filter(|group| group.excess > HALF).count();
            (2 * is_there > above.len() && below.last()?.rpm < WELL_BELOW * last.rpm)
                .then_some(Onset { rpm: lowest_above, most_below, ..whole })
        });
    // the clearest step; of steps as clear, the highest speed that still has nothing below
    let best = splits.rev().min_by(|a, b| a.most_below.total_cmp(&b.most_below));
    Some(best.filter(Onset::begins).unwrap_or(whole))
}

/// Standard error of a group, in parts of the strength at the top, up to which it says whether lines are there.
const VISIBLE: f64 = 0.3;
/// Share of the strength at the top that counts as being there.
const HALF: f64 = 0.5;
/// Share of the highest speed below which the end of a silent part must lie: the speed wanders at the top.
const WELL_BELOW: f64 = 0.97;

/// The sum over lines, group by group: those of all lines are made of the same blocks, except where a high order
/// leaves the judged band.
fn family(lines: &[&Line]) -> Vec<Group> {
    let longest = lines.iter().map(|line| line.groups.len()).max().unwrap_or(0);
    let whole = lines.iter().filter(|line| line.groups.len() == longest);
    let mut sum: Vec<Group> = Vec::new();
    for line in whole {
        if sum.is_empty() {
            sum.clone_from(&line.groups);
            continue;
        }
        for (group, own) in sum.iter_mut().zip(&line.groups) {
            group.excess += own.excess;
            group.error = group.error.hypot(own.error);
        }
    }
    sum
}

/// The mean of groups, weighted by their errors, with two standard errors added.
fn mean_at_most(groups: &[Group]) -> f64 {
    let weight = |group: &Group| group.error.max(1e-9).powi(-2);
    let total: f64 = groups.iter().map(weight).sum();
    let mean = groups.iter().map(|group| weight(group) * group.excess).sum::<f64>() / total;
    mean.max(0.0) + 2.0 / total.sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::angle::AngleSignal;
    use crate::dsp::test_noise::Random;

    const TURNS: usize = 2400;
    const SAMPLES: usize = 32;

    /// Acceleration that grows with speed squared over a run from 6 000 to 60 000 rpm, speed rising evenly with the
    /// turns, over noise of 1 that does not grow; `value` gets turns and rpm.
    fn run_up(value: impl Fn(f64, f64) -> f64) -> Harmonics {
        let rpm = |turns: f64| 6_000.0 + 54_000.0 * turns / TURNS as f64;
        let mut random = Random(11);
        let mut times_s = vec![0.0];
        for turn in 0..TURNS {
            let before = times_s.last().copied().unwrap_or(0.0);
            times_s.push(before + 60.0 / rpm(turn as f64 + 0.5));
        }
        let values = (0..TURNS * SAMPLES)
            .map(|i| {
                let turns = i as f64 / SAMPLES as f64;
                let grown = (rpm(turns) / 60_000.0).powi(2);
                (grown * value(turns, rpm(turns)) + 0.05 * random.next()) as f32
            })
            .collect();
        let signal = AngleSignal {
            samples_per_turn: SAMPLES,
            first_turn: 0.0,
            values,
            turn_times_s: times_s,
            source_rate_hz: 1e6,
        };
        Harmonics::of(&OrderMap::of(&signal), Quantity::Acceleration).expect("turns enough")
    }

    fn line(order: f64, turns: f64) -> f64 {
        (TAU * order * turns + order).cos()
    }

    fn seen(lines: &[Line]) -> Vec<f64> {
        lines.iter().filter(|line| line.is_seen()).map(|line| line.order).collect()
    }

    #[test]
    fn lines_are_seen_on_their_orders_and_noise_is_not() {
        let found = run_up(|turns, _| {
            line(1.0, turns)
                + 0.2 * line(2.5, turns)
                + 0.2 * line(0.5, turns)
                + 0.1 * line(3.0, turns)
        });
        assert_eq!(seen(&found.halves), [0.5, 2.5]);
        assert!(seen(&found.thirds).is_empty(), "{:?}", seen(&found.thirds));
        assert_eq!(seen(&found.whole), [1.0, 3.0]);
        assert!(found.fractions().iter().any(|l| l.order == 0.5));
        // 0.2 at 60 000 rpm; the fastest third reaches down to 42 000, its middle is 51 000: 0.72 of it
        let half = &found.halves[0];
        assert!((half.strength / 0.2 - 0.72).abs() < 0.1, "{}", half.strength);
        assert_eq!((half.name().as_str(), found.whole[2].name().as_str()), ("1/2x", "3x"));
    }

    #[test]
    fn thirds_are_told_from_half_orders_and_whirl_from_both() {
        let thirds = run_up(|turns, _| 0.2 * line(1.0 / 3.0, turns) + 0.2 * line(4.0 / 3.0, turns));
        let orders = seen(thirds.fractions());
        assert!(orders.len() == 2 && (orders[1] - 4.0 / 3.0).abs() < 1e-9, "{orders:?}");
        assert!(thirds.thirds[0].off_orders.abs() < 0.002, "{}", thirds.thirds[0].off_orders);
        assert_eq!(thirds.thirds[0].name(), "1/3x");
        // oil whirl at 0.47x stands beside the half order
        let whirl = run_up(|turns, _| 0.3 * line(0.47, turns));
        assert!(seen(&whirl.halves).is_empty());
        assert!(
            (whirl.halves[0].off_orders + 0.03).abs() < 0.005,
            "{}",
            whirl.halves[0].off_orders
        );
    }

    #[test]
    fn lines_that_begin_at_a_speed_are_told_from_lines_that_are_always_there() {
        let half = |found: &Harmonics| onset(&[&found.halves[0]]).expect("seen at the top");
        let always = half(&run_up(|turns, _| 0.3 * line(0.5, turns)));
        assert!(!always.begins() && always.visible_rpm < 30_000.0, "{always:?}");
        assert!(always.can_be_told());
        let held = Onset { visible_rpm: 0.95 * always.top_rpm, ..always };
        assert!(!held.can_be_told(), "{held:?}");
        let later =
            half(&run_up(|turns, rpm| if rpm > 40_000.0 { 0.3 * line(0.5, turns) } else { 0.0 }));
        assert!(later.begins() && later.most_below < 0.1, "{later:?}");
        assert!((later.rpm / 40_000.0 - 1.0).abs() < 0.06, "{later:?}");
        assert!(onset(&[&run_up(|_, _| 0.0).halves[0]]).is_none());
    }

    #[test]
    fn a_walk_of_the_phase_comes_out_as_planted() {
        let mut random = Random(5);
        let mut walk = vec![0.0];
        for _ in 0..TURNS {
            let before: f64 = walk.last().copied().unwrap_or(0.0);
            // the test noise is even between -1 and 1: of variance one third
            walk.push(before + 3_f64.sqrt() * 2_f64.to_radians() * random.next());
        }
        let walking = run_up(|turns, _| (TAU * 2.0 * turns + walk[turns as usize]).cos());
        let wander = walking.whole[1].wander_deg.expect("clear enough");
        assert!((wander / 2.0 - 1.0).abs() < 0.35, "{wander}");
        let steady = run_up(|turns, _| line(2.0, turns));
        assert!(
            steady.whole[1].wander_deg.is_some_and(|w| w < 0.2),
            "{:?}",
            steady.whole[1].wander_deg
        );
    }

    #[test]
    fn few_turns_say_nothing() {
        let signal = AngleSignal {
            samples_per_turn: SAMPLES,
            first_turn: 0.0,
            values: (0..40 * SAMPLES)
                .map(|i| line(0.5, i as f64 / SAMPLES as f64) as f32)
                .collect(),
            turn_times_s: (0..=40).map(|t| f64::from(t) * 0.01).collect(),
            source_rate_hz: 1e6,
        };
        assert!(Harmonics::of(&OrderMap::of(&signal), Quantity::Acceleration).is_none());
    }
}
