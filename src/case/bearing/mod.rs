//! The search for damaged parts of rolling bearings, once per bearing for all of its signatures.
//!
//! A channel's spectrum is flattened and freed of narrow lines; the squared envelopes of several bands
//! are taken at equal shaft angle and their spectra held against the lines that each damaged part leaves
//! ([`template`]). Lines are weighed as e-values ([`lines`]), averaged over bands, channels and the slip
//! of the cage ([`evidence`]), and the depth of modulation parts damage from waviness ([`posterior`]).

mod demodulate;
mod evidence;
mod judged;
mod lines;
mod posterior;
mod shaft;
mod slip;
mod template;
#[cfg(test)]
mod tests;

use crate::machine::Multipliers;
use crate::speed::Speed;

pub use demodulate::Demodulated;
pub use judged::{Judged, JudgedLine, Motion};
pub use template::Element;

use demodulate::Band;
use evidence::{Hearing, Witness, bounded_gains};
use lines::{LineGains, LineSpectrum};
use slip::Slips;

/// E-value from which a line counts as seen: one in forty of noise reaches it.
const SEEN: f64 = 4.0;
/// Distance of impacts in seconds below which ringing fills the gaps between them. A casing that rings at
/// 12 kHz with 3 % of critical damping rings for 0.4 ms (a time constant); at 2.5 of these, with as much
/// noise as ringing, the depth of modulation has fallen to that of a slight defect.
const OVERLAP_S: f64 = 1e-3;

/// What was found at one bearing.
#[derive(Debug, Clone, PartialEq)]
pub struct Examination {
    /// The bearing's name.
    pub bearing: String,
    /// Each part in the order of [`Element::ALL`], or why nothing can be said.
    pub parts: Result<Vec<PartFound>, String>,
}

/// What was found of one part.
#[derive(Debug, Clone, PartialEq)]
pub struct PartFound {
    /// The part.
    pub element: Element,
    /// Natural log-odds of damage to this part against all else.
    pub log_odds: f64,
    /// Natural logarithm of the evidence for its lines against noise.
    pub ln_evidence: f64,
    /// Depth of modulation of the squared envelope, relative to its mean.
    pub depth: f64,
    /// Order of its fundamental line at the slip found.
    pub order: f64,
    /// Mean frequency of that line in Hz over the turns used.
    pub line_hz: f64,
    /// Harmonics seen, the fundamental included.
    pub harmonics: usize,
    /// Sidebands seen.
    pub sidebands: usize,
    /// Slip of the cage in percent; negative where it leads its geometry.
    pub slip_percent: f64,
    /// Its standard error, in percent.
    pub slip_error_percent: f64,
    /// The band that shows it best, in Hz.
    pub band_hz: [f64; 2],
    /// The channel that shows it best.
    pub channel: String,
    /// Whether impacts follow so closely that their depth says nothing.
    pub overlaps: bool,
    /// True speed over the stated one; 1 where the speed was measured.
    pub speed_factor: f64,
}

impl PartFound {
    /// Whether the cage slips more than one in good order does, by more than twice the error: it skids, or the
    /// contact angle has changed.
    pub fn skids(&self) -> bool {
        Slips::beyond_usual(0.01 * self.slip_percent) > 0.02 * self.slip_error_percent
    }

    /// Highest probability that noise alone shows lines of this part as clearly, by Markov's inequality
    /// for e-values.
    pub fn chance(&self) -> f64 {
        (-self.ln_evidence).exp().min(1.0)
    }

    /// Whether lines of the part are more likely there than not, damaged or sound.
    pub fn lines_present(&self) -> bool {
        self.element.prior().ln() + self.ln_evidence > 0.0
    }
}

/// Examines a bearing by the channels near it, each with its name.
pub(super) fn examine(
    bearing: &str,
    m: &Multipliers,
    channels: &[(&str, &Demodulated)],
    speed: &Speed,
) -> Examination {
    let heard: Vec<(&str, &Band)> =
        channels.iter().flat_map(|(name, d)| d.bands.iter().map(|band| (*name, band))).collect();
    let parts = if heard.is_empty() {
        let why = channels.iter().find_map(|(_, d)| d.lacking.clone());
        Err(why.unwrap_or_else(|| "no vibration channel sits at this bearing".to_owned()))
    } else {
        Ok(examine_bands(m, channels, &heard, speed))
    };
    Examination { bearing: bearing.to_owned(), parts }
}

fn examine_bands(
    m: &Multipliers,
    channels: &[(&str, &Demodulated)],
    heard: &[(&str, &Band)],
    speed: &Speed,
) -> Vec<PartFound> {
    let factor = if demodulate::is_stated(speed) { true_speed(m, channels) } else { 1.0 };
    let witness =
        |&(_, band): &(&str, &'_ Band)| LineGains::new(LineSpectrum::new(&band.spectrum, factor));
    let witnesses: Vec<Witness> =
        heard.iter().map(|pair| Witness { band: pair.1, gains: witness(pair) }).collect();
    let speeds_hz = witnesses.iter().map(|w| w.band.spectrum.speed_hz * factor);
    let slips = Slips::at(m, speeds_hz.fold(0.0, f64::max));
    let hearing = Hearing::of(&witnesses, m, slips);
    let found = Element::ALL.map(|element| hearing.found(element));
    let odds = posterior::log_odds(&found);
    let describe = |((element, f), log_odds): ((Element, &evidence::Found), f64)| {
        let witness = &witnesses[f.witness];
        let speed_hz = witness.band.spectrum.speed_hz * factor;
        let (harmonics, sidebands) = seen(element, witness, m, f.slip);
        let order = element.impact_order(m, f.slip);
        PartFound {
            element,
            log_odds,
            ln_evidence: f.ln_evidence,
            depth: f.depth,
            order,
            line_hz: order * speed_hz,
            harmonics,
            sidebands,
            slip_percent: 100.0 * f.slip,
            slip_error_percent: 100.0 * f.slip_error,
            band_hz: witness.band.band_hz,
            channel: heard[f.witness].0.to_owned(),
            overlaps: order * speed_hz * OVERLAP_S > 1.0,
            speed_factor: factor,
        }
    };
    Element::ALL.into_iter().zip(&found).zip(odds).map(describe).collect()
}

fn true_speed(m: &Multipliers, channels: &[(&str, &Demodulated)]) -> f64 {
    let plain: Vec<_> = channels.iter().filter_map(|(_, d)| d.plain.as_ref()).collect();
    let widest: Vec<_> =
        channels.iter().filter_map(|(_, d)| d.bands.first()).map(|band| &band.spectrum).collect();
    shaft::factor(&plain, &widest, m)
}

/// Harmonics and sidebands seen in the band that shows a part best.
fn seen(element: Element, witness: &Witness, m: &Multipliers, slip: f64) -> (usize, usize) {
    let (mut harmonics, mut sidebands) = (0, 0);
    for template in element.templates().iter().take(1) {
        let lines = template.lines();
        for (line, gain) in lines.iter().zip(bounded_gains(&lines, &witness.gains, m, slip)) {
            match line.side {
                _ if gain < SEEN => {}
                0 => harmonics += 1,
                _ => sidebands += 1,
            }
        }
    }
    (harmonics, sidebands)
}
