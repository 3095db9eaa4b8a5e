//! One passage: the speed course between two turns of speed, and the first order along it.

use std::f64::consts::{PI, TAU};

use super::Observed;
use crate::angle::track::Track;
use crate::dsp::fft::Complex64;

/// A passage spans at least this ratio of speeds.
const LEAST_SPAN: f64 = 1.3;
/// Bins of the logarithm of speed in which points are averaged, so that a slow stretch counts once.
const BINS: usize = 140;
/// Fewest points of a passage that can be fitted.
const LEAST_POINTS: usize = 12;
/// Nodes stand no further apart than this in the logarithm of speed: a tenth of the half-power
/// width of a mode amplified 25 times. Where one turn is longer, a turn.
const NODE_STEP: f64 = 0.004;
/// Turns between two nodes at most, unless the passage is very long.
const MOST_TURNS: f64 = 64.0;
const MOST_NODES: f64 = 2000.0;
/// Points of the window over which a block is averaged.
const WINDOW_STEPS: usize = 16;
/// How well a linear model is believed to follow a real rotor, relative to the response at the same
/// speed and to the highest (common practice, no source).
const MODEL_ERROR: f64 = 0.005;
const MODEL_ERROR_OF_PEAK: f64 = 0.0005;

/// An instant of the course.
#[derive(Debug, Clone, Copy)]
pub struct Node {
    pub time_s: f64,
    /// Shaft speed in rad/s.
    pub w: f64,
    /// Its rate of change in rad/s².
    pub w_rate: f64,
    turns: f64,
}

/// The mean of the blocks of one bin.
#[derive(Debug, Clone)]
pub struct Point {
    /// Mean speed in rad/s.
    pub w: f64,
    /// Mean phasor in displacement; its modulus where phase is not known.
    pub d: Complex64,
    /// Its standard error, real and imaginary part each.
    pub noise: f64,
    /// Standard deviation granted in the fit, noise and model.
    pub sigma: f64,
    /// Weights of the nodes in the mean of the windows: index of the first, then each.
    weights: (usize, Vec<f64>),
}

/// A run-up or a run-down.
#[derive(Debug, Clone)]
pub struct Passage {
    /// Instants close enough together to follow the speed.
    pub(super) nodes: Vec<Node>,
    /// The phasors, mean of a bin each.
    pub(super) points: Vec<Point>,
    /// Whether the speed rises.
    pub up: bool,
    /// What the track was made of.
    pub(super) observed: Observed,
}

impl Passage {
    /// The mean over each point's windows of something given at the nodes in the sensor's own
    /// quantity, as displacement.
    pub fn seen(&self, at_nodes: &[Complex64]) -> Vec<Complex64> {
        let turn = Complex64::from_polar(1.0, -0.5 * PI * f64::from(self.observed.derivative));
        let mean = |point: &Point| {
            let (first, weights) = &point.weights;
            let terms = weights.iter().zip(at_nodes.iter().skip(*first));
            terms.map(|(weight, value)| value * *weight).sum::<Complex64>() * turn
        };
        self.points.iter().map(mean).collect()
    }

    /// Lowest and highest speed of the points in rad/s.
    pub fn range(&self) -> (f64, f64) {
        let speeds = self.points.iter().map(|point| point.w);
        speeds.fold((f64::INFINITY, 0.0), |(low, high), w| (low.min(w), high.max(w)))
    }

    /// The points at which `chosen` holds, of the speed in rad/s.
    pub fn only(&self, chosen: impl Fn(f64) -> bool) -> Self {
        let points = self.points.iter().filter(|point| chosen(point.w)).cloned().collect();
        Self { points, nodes: self.nodes.clone(), ..*self }
    }
}

/// The passages of a track, in order of time. `rpm_at` tells the speed at a time in seconds.
pub fn passages(track: &Track, rpm_at: &dyn Fn(f64) -> f64, observed: Observed) -> Vec<Passage> {
    let stretches = stretches(&track.rpm);
    let made = stretches.into_iter().map(|(from, to)| passage(track, from, to, rpm_at, observed));
    made.filter(|passage| passage.points.len() >= LEAST_POINTS).collect()
}

/// Index ranges between turning points of the speed that lie at least 1.3:1 apart, without the
/// stretches at their ends where the speed hardly changes.
fn stretches(rpm: &[f64]) -> Vec<(usize, usize)> {
    let mut turns = Vec::new();
    let (mut low, mut high) = (0, 0);
    // +1: rising since `low`; -1: falling since `high`
    let mut sense = 0;
    for i in 0..rpm.len() {
        if rpm[i] <= 0.0 {
            continue;
        }
        if rpm[i] < rpm[low] || rpm[low] <= 0.0 {
            low = i;
        }
        if rpm[i] > rpm[high] {
            high = i;
        }
        if sense <= 0 && rpm[i] >= LEAST_SPAN * rpm[low] {
            turns.push(low);
            (sense, high) = (1, i);
        } else if sense >= 0 && rpm[i] * LEAST_SPAN <= rpm[high] {
            turns.push(high);
            (sense, low) = (-1, i);
        }
    }
    match sense {
        1 => turns.push(high),
        -1 => turns.push(low),
        _ => {}
    }
    turns.windows(2).map(|pair| trimmed(rpm, pair[0], pair[1])).collect()
}

fn trimmed(rpm: &[f64], from: usize, to: usize) -> (usize, usize) {
    let near = |i: usize, end: usize| (rpm[i] / rpm[end] - 1.0).abs() < 0.01;
    let first = (from..to).rev().find(|&i| near(i, from)).unwrap_or(from);
    let last = (first..=to).find(|&i| near(i, to)).unwrap_or(to);
    (first, last)
}

fn passage(
    track: &Track,
    from: usize,
    to: usize,
    rpm_at: &dyn Fn(f64) -> f64,
    observed: Observed,
) -> Passage {
    let nodes = nodes(track, from, to, rpm_at, observed.turns_per_block);
    let mut bins: Vec<Vec<usize>> = vec![Vec::new(); BINS];
    let (a, b) = (track.rpm[from].ln(), track.rpm[to].ln());
    for i in from..=to {
        let share = (track.rpm[i].max(1e-9).ln() - a) / (b - a);
        let bin = (share * (BINS - 1) as f64).round().clamp(0.0, (BINS - 1) as f64);
        bins[bin as usize].push(i);
    }
    let mut points: Vec<Point> =
        bins.iter().filter_map(|bin| point(track, bin, &nodes, observed)).collect();
    let peak = points.iter().map(|point| point.d.norm()).fold(0.0, f64::max);
    for point in &mut points {
        let model = MODEL_ERROR * point.d.norm() + MODEL_ERROR_OF_PEAK * peak;
        point.sigma = point.noise.hypot(model).max(f64::MIN_POSITIVE);
    }
    Passage { nodes, points, up: b > a, observed }
}

fn nodes(
    track: &Track,
    from: usize,
    to: usize,
    rpm_at: &dyn Fn(f64) -> f64,
    turns_per_block: f64,
) -> Vec<Node> {
    let w_at = |time_s: f64| TAU / 60.0 * rpm_at(time_s).max(1.0);
    let reach = |i: usize| 0.75 * turns_per_block * TAU / w_at(track.times_s[i]);
    let (start_s, end_s) = (track.times_s[from] - reach(from), track.times_s[to] + reach(to));
    let most = (end_s - start_s) * w_at(0.5 * (start_s + end_s)) / TAU / MOST_NODES;
    let most_turns = MOST_TURNS.max(most);
    let mut nodes: Vec<Node> = Vec::new();
    let (mut time_s, mut turns) = (start_s, 0.0);
    loop {
        let w = w_at(time_s);
        let h = 0.5 * TAU / w;
        let w_rate = (w_at(time_s + h) - w_at(time_s - h)) / (2.0 * h);
        nodes.push(Node { time_s, w, w_rate, turns });
        if time_s > end_s {
            return nodes;
        }
        let mut step = most_turns;
        while step > 1.0 && (w_at(time_s + step * TAU / w) / w).ln().abs() > NODE_STEP {
            step = (0.5 * step).max(1.0);
        }
        let step = step * TAU / w;
        let (middle, next) = (w_at(time_s + 0.5 * step), w_at(time_s + step));
        turns += step * (w + 4.0 * middle + next) / (6.0 * TAU);
        time_s += step;
    }
}

/// The mean of the blocks `members`, with the weights of their windows.
fn point(track: &Track, members: &[usize], nodes: &[Node], observed: Observed) -> Option<Point> {
    let count = members.len() as f64;
    let mut sum = Point {
        w: 0.0,
        d: Complex64::ZERO,
        noise: 0.0,
        sigma: 0.0,
        weights: (usize::MAX, Vec::new()),
    };
    let mut dense: Vec<(usize, f64)> = Vec::new();
    for &i in members {
        let w = track.angular_frequency(i);
        let phasor = track.phasors[i];
        let phasor = if observed.phase_known { phasor } else { Complex64::new(phasor.norm(), 0.0) };
        sum.w += w / count;
        sum.d += phasor / count;
        sum.noise += track.errors[i] / (count * count.sqrt());
        let scale = 1.0 / (count * w.powi(i32::from(observed.derivative)));
        window(nodes, track.times_s[i], observed.turns_per_block, scale, &mut dense);
    }
    let first = dense.iter().map(|(node, _)| *node).min()?;
    let last = dense.iter().map(|(node, _)| *node).max()?;
    let mut weights = vec![0.0; last - first + 1];
    for (node, weight) in dense {
        weights[node - first] += weight;
    }
    sum.weights = (first, weights);
    Some(sum)
}

/// Adds the weights of a block's Hann window: points evenly spread over its turns, each read off the
/// nodes by a cubic.
fn window(nodes: &[Node], mid_s: f64, turns: f64, scale: f64, out: &mut Vec<(usize, f64)>) {
    // the block whose ends lie as far before as after the time given
    let mut start = turns_at(nodes, mid_s) - 0.5 * turns;
    for _ in 0..4 {
        let (a, b) = (time_at(nodes, start), time_at(nodes, start + turns));
        let hz = 0.5 * (1.0 / (b - a).max(1e-12)) * turns;
        start -= (0.5 * (a + b) - mid_s) * hz;
    }
    for step in 0..WINDOW_STEPS {
        let share = (step as f64 + 0.5) / WINDOW_STEPS as f64;
        let hann = (1.0 - (TAU * share).cos()) / WINDOW_STEPS as f64;
        let at = start + share * turns;
        let after = nodes.partition_point(|node| node.turns <= at);
        let first = after.saturating_sub(2).min(nodes.len().saturating_sub(4));
        let near = &nodes[first..(first + 4).min(nodes.len())];
        for (k, node) in near.iter().enumerate() {
            let others = near.iter().enumerate().filter(|(j, _)| *j != k);
            let cubic: f64 = others.map(|(_, o)| (at - o.turns) / (node.turns - o.turns)).product();
            out.push((first + k, scale * hann * cubic));
        }
    }
}

fn turns_at(nodes: &[Node], time_s: f64) -> f64 {
    let after = nodes.partition_point(|node| node.time_s <= time_s);
    let node = &nodes[after.saturating_sub(1)];
    let t = time_s - node.time_s;
    node.turns + (node.w * t + 0.5 * node.w_rate * t * t) / TAU
}

fn time_at(nodes: &[Node], turns: f64) -> f64 {
    let after = nodes.partition_point(|node| node.turns <= turns);
    let node = &nodes[after.saturating_sub(1)];
    let angle = TAU * (turns - node.turns);
    let root = (node.w * node.w + 2.0 * node.w_rate * angle).max(0.25 * node.w * node.w).sqrt();
    node.time_s + 2.0 * angle / (node.w + root)
}
