//! How many modes a passage shows, where they lie, and how sure that is.

use super::course::Passage;
use super::fit::{Data, FULL_REST, Fitted, SHORT_REST};
use super::response::Mode;
use super::{Critical, LEAST_AMPLIFICATION};
use crate::dsp::fft::Complex64;

/// By how much all modes together must lower the rms misfit: with phase, and of amplitudes alone, where
/// they have more play (common practice, no source).
const LEAST_IMPROVEMENT: f64 = 1.5;
const LEAST_IMPROVEMENT_OF_AMPLITUDE: f64 = 2.8;
/// Most critical speeds looked for in one passage.
const MOST_MODES: usize = 4;
/// A further mode must lower the mean squared misfit to this share of what it was.
const NEEDED_DROP: f64 = 0.7;
/// A further mode is at least a hint, and moves the uncertainty, where the likelihood ratio exceeds this:
/// twice its log, as much again as the four free numbers of a mode give by chance in one case of a hundred
/// (chi square, 13.3).
const HINT: f64 = 13.3;
/// Below this mean squared misfit nothing is left that a real rotor would be believed to tell.
const LEAST_MISFIT: f64 = 0.02;
/// A search ends when a step lowers the misfit by less than this share.
const ROUGHLY: f64 = 0.02;
const FULLY: f64 = 1e-5;
/// Modes whose own response stays below this share of the largest are not told.
const LEAST_SHARE: f64 = 0.05;
/// Standard error, relative to the half-power width, that a split too small to be seen leaves in the speed,
/// and relative to the amplification in that (common practice, no source; held against simulated rotors).
const HIDDEN_SPLIT: f64 = 0.035;
const HIDDEN_SPLIT_OF_DAMPING: f64 = 0.03;
/// Two modes closer than this many half-power widths and of like damping are a pair.
const PAIR_WIDTHS: f64 = 3.0;

/// The critical speeds that one passage shows, lowest first, and the displacement fitted at its points.
pub fn criticals(passage: &Passage) -> (Vec<Critical>, Vec<Complex64>) {
    let (low, high) = passage.range();
    let range = (1.03 * low, 0.98 * high);
    if high < 1.3 * low || range.1 <= range.0 {
        return (Vec::new(), Vec::new());
    }
    let powers: &[i32] = if passage.observed.phase_known { FULL_REST } else { &[2] };
    let data = Data::new(passage, powers);
    let without = data.misfit_without();
    let Some(mut best) = best_with_one_more(&data, &[], range) else {
        return (Vec::new(), Vec::new());
    };
    let mut alternative = None;
    while best.modes.len() < MOST_MODES {
        let Some(next) = best_with_one_more(&data, &best.modes, range) else { break };
        let stand =
            |fit: &Fitted| (0..fit.modes.len()).filter(|&i| stands(passage, fit, i, range)).count();
        let needed = best.misfit > LEAST_MISFIT && next.misfit < NEEDED_DROP * best.misfit;
        if needed && stand(&next) >= stand(&best) {
            best = next;
        } else {
            alternative = Some(next).filter(|next| hinted(&best, next));
            break;
        }
    }
    let criticals = told(passage, &best, alternative, without, range);
    (criticals, best.response)
}

/// Whether a further mode lowers the misfit by more than the chance of its free numbers would.
fn hinted(fit: &Fitted, next: &Fitted) -> bool {
    next.independent * (fit.misfit / next.misfit).ln() > HINT
}

/// The best fit with one mode more: wherever the residual asks for one, or one of the modes split in two.
fn best_with_one_more(data: &Data, modes: &[Mode], range: (f64, f64)) -> Option<Fitted> {
    let wider = (0.85 * range.0, 1.15 * range.1);
    let candidates = data.candidates(modes, wider);
    if candidates.is_empty() {
        return None;
    }
    let added = candidates.into_iter().map(|mode| {
        let mut start = modes.to_vec();
        start.push(mode);
        start
    });
    let split = (0..modes.len()).map(|i| {
        let mut start = modes.to_vec();
        let Mode { wn, zeta, .. } = start[i];
        let zeta_each = 0.7 * zeta;
        start[i] = Mode { wn: wn * (1.0 - 0.5 * zeta), zeta: zeta_each, ..start[i] };
        start.push(Mode { wn: wn * (1.0 + 0.5 * zeta), zeta: zeta_each, ..start[i] });
        start
    });
    let tried = added.chain(split).map(|start| data.refine(&start, ROUGHLY));
    let best = tried.min_by(|a, b| a.misfit.total_cmp(&b.misfit))?;
    Some(data.refine(&best.modes, FULLY))
}

/// Whether a mode is amplified enough, inside the passage, seen by points, and no small matter.
fn stands(passage: &Passage, fit: &Fitted, index: usize, range: (f64, f64)) -> bool {
    let mode = &fit.modes[index];
    let largest = fit.sizes.iter().copied().fold(0.0, f64::max);
    let seen = passage.points.iter().filter(|p| (p.w / mode.wn - 1.0).abs() < 2.0 * mode.zeta);
    0.5 / mode.zeta >= LEAST_AMPLIFICATION
        && mode.wn > range.0
        && mode.wn < range.1
        && seen.count() >= 3
        && fit.sizes[index] >= LEAST_SHARE * largest
}

fn told(
    passage: &Passage,
    fit: &Fitted,
    alternative: Option<Fitted>,
    without: f64,
    range: (f64, f64),
) -> Vec<Critical> {
    let others = variations(passage, fit);
    let largest = fit.sizes.iter().copied().fold(f64::MIN_POSITIVE, f64::max);
    let improvement = (without / fit.misfit.max(f64::MIN_POSITIVE)).sqrt();
    let mut out: Vec<Critical> = Vec::new();
    let needed = if passage.observed.phase_known {
        LEAST_IMPROVEMENT
    } else {
        LEAST_IMPROVEMENT_OF_AMPLITUDE
    };
    if improvement < needed {
        return out;
    }
    for (i, mode) in fit.modes.iter().enumerate() {
        if !stands(passage, fit, i, range) {
            continue;
        }
        let spread = |of: &dyn Fn(&Mode) -> f64| {
            let squares = others.iter().map(|other| (of(&other.modes[i]) / of(mode)).ln().powi(2));
            let varied = squares.sum::<f64>();
            let nearest = alternative
                .iter()
                .flat_map(|other| &other.modes)
                .min_by(|a, b| (a.wn / mode.wn).ln().abs().total_cmp(&(b.wn / mode.wn).ln().abs()));
            varied + nearest.map_or(0.0, |other| (of(other) / of(mode)).ln().powi(2))
        };
        let hidden = (HIDDEN_SPLIT * mode.zeta, HIDDEN_SPLIT_OF_DAMPING);
        let wn_variance = fit.covariance[2 * i][2 * i] + spread(&|m| m.wn) + hidden.0.powi(2);
        let zeta_variance =
            fit.covariance[2 * i + 1][2 * i + 1] + spread(&|m| m.zeta) + hidden.1.powi(2);
        let speed = 0.01 * passage.observed.speed_error_percent;
        let rpm = mode.wn * 30.0 / std::f64::consts::PI;
        out.push(Critical {
            rpm,
            rpm_error: rpm * (wn_variance + speed * speed).sqrt(),
            amplification: 0.5 / mode.zeta,
            amplification_error: 0.5 / mode.zeta * zeta_variance.sqrt(),
            improvement,
            share: fit.sizes[i] / largest,
            with_phase: passage.observed.phase_known,
            is_pair: false,
            up: None,
            down: None,
        });
    }
    out.sort_by(|a, b| a.rpm.total_cmp(&b.rpm));
    mark_pairs(&mut out);
    out
}

/// Marks neighbours that stand within a few half-power widths of each other.
fn mark_pairs(criticals: &mut [Critical]) {
    for i in 1..criticals.len() {
        let (a, b) = (criticals[i - 1], criticals[i]);
        let width = 0.5 * (1.0 / a.amplification + 1.0 / b.amplification);
        if (b.rpm / a.rpm).ln() < PAIR_WIDTHS * width {
            criticals[i - 1].is_pair = true;
            criticals[i].is_pair = true;
        }
    }
}

/// The same modes fitted to other views of the same data: fewer terms beside them, and the
/// surroundings of the modes alone.
fn variations(passage: &Passage, fit: &Fitted) -> Vec<Fitted> {
    let mut fits = Vec::new();
    let count = fit.modes.len();
    if passage.observed.phase_known {
        fits.push(Data::new(passage, SHORT_REST).refine(&fit.modes, FULLY));
    } else {
        fits.push(Data::new(passage, &[2, 4]).refine(&fit.modes, FULLY));
    }
    let near = passage.only(|w| {
        fit.modes.iter().any(|mode| (w / mode.wn).ln().abs() < (4.0 * mode.zeta).clamp(0.1, 0.5))
    });
    if near.points.len() > 8 * count + 8 {
        let powers: &[i32] = if passage.observed.phase_known { SHORT_REST } else { &[2] };
        fits.push(Data::new(&near, powers).refine(&fit.modes, FULLY));
    }
    fits
}
