//! Evidence for each damaged part: templates laid over the spectra of all bands, at one slip.

use crate::dsp::stats::probability_from_log_odds;
use crate::machine::Multipliers;

use super::demodulate::Band;
use super::lines::LineGains;
use super::slip::Slips;
use super::template::{Element, Line, Template};

/// How many times more a harmonic may say than its fundamental: a series without one belongs to
/// something else (twice the inner order of a 6205 is three times the outer one within 0.4 %).
const HARMONIC_BOUND: f64 = 2.7;

/// One band of one channel, ready to be asked.
pub(super) struct Witness<'a> {
    pub band: &'a Band,
    pub gains: LineGains,
}

/// What the bands say about one part.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Found {
    /// Natural logarithm of the evidence for lines of the part against noise.
    pub ln_evidence: f64,
    /// Slip of the cage at which it is highest.
    pub slip: f64,
    /// Standard error of the slip, by the evidence at all slips searched.
    pub slip_error: f64,
    /// Depth of modulation by the lines seen: root of the sum of their squares over the mean.
    pub depth: f64,
    /// Place of the band that says most.
    pub witness: usize,
}

/// One template in one band, over all slips.
struct Laid {
    ln_evidence: Vec<f64>,
    squared_depth: Vec<f64>,
}

/// One template over all bands.
struct Heard {
    bands: Vec<Laid>,
    /// Logarithm of the mean evidence over bands, for each slip.
    ln_mean: Vec<f64>,
}

/// All templates laid over all bands.
pub(super) struct Hearing {
    heard: Vec<(Template, Heard)>,
    slips: Slips,
}

impl Hearing {
    pub fn of(witnesses: &[Witness], m: &Multipliers, slips: Slips) -> Self {
        let hear = |template: Template| {
            let lines = template.lines();
            let bands: Vec<Laid> =
                witnesses.iter().map(|w| lay(&lines, &w.gains, m, &slips)).collect();
            let mean = |k: usize| ln_mean(bands.iter().map(|b| b.ln_evidence[k]));
            let ln_mean = (0..slips.values.len()).map(mean).collect();
            (template, Heard { bands, ln_mean })
        };
        Self { heard: Template::ALL.map(hear).into(), slips }
    }

    fn heard(&self, template: Template) -> impl Iterator<Item = &Heard> {
        self.heard.iter().filter(move |(t, _)| *t == template).map(|(_, heard)| heard)
    }

    /// Evidence for a part: the mean over bands and channels, then over slip. Averaging pays for the
    /// number of places looked at by itself.
    pub fn found(&self, element: Element) -> Found {
        let parts: Vec<&Heard> = element.templates().iter().flat_map(|&t| self.heard(t)).collect();
        let at =
            |k: usize| self.slips.ln_prior[k] + parts.iter().map(|h| h.ln_mean[k]).sum::<f64>();
        let count = self.slips.values.len();
        let all: Vec<f64> = (0..count).map(at).collect();
        let best = (0..count).max_by(|&a, &b| all[a].total_cmp(&all[b])).unwrap_or(0);
        let depth =
            parts.iter().map(|h| h.squared_depth(best, element.prior())).fold(0.0, f64::max).sqrt();
        let slip_error = self.slips.deviation(&all);
        Found {
            ln_evidence: ln_sum(all.iter().copied()),
            slip: self.slips.values.get(best).copied().unwrap_or(0.0),
            slip_error,
            depth,
            witness: parts.first().map_or(0, |h| h.loudest(best)),
        }
    }
}

impl Heard {
    fn loudest(&self, slip: usize) -> usize {
        let at = |i: &usize| self.bands[*i].ln_evidence[slip];
        (0..self.bands.len()).max_by(|a, b| at(a).total_cmp(&at(b))).unwrap_or(0)
    }

    /// The depth of modulation over bands, each weighted by the probability that it shows the part: a
    /// band that hardly does says nothing of its depth, and the deepest of many would be deep by chance.
    fn squared_depth(&self, slip: usize, prior: f64) -> f64 {
        let weight = |b: &Laid| probability_from_log_odds(b.ln_evidence[slip] + prior.ln());
        let total: f64 = self.bands.iter().map(weight).sum();
        self.bands.iter().map(|b| weight(b) * b.squared_depth[slip]).sum::<f64>()
            / total.max(f64::MIN_POSITIVE)
    }
}

fn lay(lines: &[Line], gains: &LineGains, m: &Multipliers, slips: &Slips) -> Laid {
    let count = slips.values.len();
    let mut laid =
        Laid { ln_evidence: Vec::with_capacity(count), squared_depth: Vec::with_capacity(count) };
    for &slip in &slips.values {
        let (mut ln_evidence, mut squared_depth) = (0.0, 0.0);
        for (line, gain) in lines.iter().zip(bounded_gains(lines, gains, m, slip)) {
            ln_evidence += (1.0 - line.presence + line.presence * gain).ln();
            if gain > 1.0 {
                squared_depth += gains.squared_depth(line.order(m, slip));
            }
        }
        laid.ln_evidence.push(ln_evidence);
        laid.squared_depth.push(squared_depth);
    }
    laid
}

/// The e-values of a template's lines, none far above that of the line it depends on.
pub(super) fn bounded_gains(
    lines: &[Line],
    gains: &LineGains,
    m: &Multipliers,
    slip: f64,
) -> Vec<f64> {
    let mut bounded: Vec<f64> = Vec::with_capacity(lines.len());
    for line in lines {
        let gain = gains.at(line.order(m, slip));
        let bound = line.bounded_by.and_then(|place| bounded.get(place)).map(|carrier| {
            let factor = if line.side == 0 { HARMONIC_BOUND } else { 1.0 };
            (factor * carrier).max(1.0)
        });
        bounded.push(bound.map_or(gain, |bound| gain.min(bound)));
    }
    bounded
}

fn ln_sum(values: impl Iterator<Item = f64> + Clone) -> f64 {
    let top = values.clone().fold(f64::MIN, f64::max);
    top + values.map(|v| (v - top).exp()).sum::<f64>().ln()
}

fn ln_mean(values: impl Iterator<Item = f64> + Clone) -> f64 {
    let count = values.clone().count();
    ln_sum(values) - (count.max(1) as f64).ln()
}
