//! From evidence to odds: lines of a part say that it is there, their depth says that it is damaged.
//!
//! A sound bearing shows its own lines too, from waviness, but faintly: the envelope of impacts swings
//! by half its mean and more, that of waviness by a tenth. The figures here are judgement, no source.

use super::evidence::Found;
use super::template::Element;

/// Median depth of modulation by a damaged part.
const DEPTH_OF_DAMAGE: f64 = 0.6;
/// Median depth of modulation by a sound part.
const DEPTH_OF_SOUND: f64 = 0.08;
/// Both scatter by this factor (log-normal, one standard deviation).
const DEPTH_FACTOR: f64 = 2.2;
/// How much more often lines belong to a sound part than to a damaged one, before the depth is known.
/// Set so that no open recording without a bearing fault comes out above even; nothing is held out.
const SOUND_ODDS: f64 = 3.5;
/// Bound on the odds given, far beyond what the evidence bears out.
const MOST_LOG_ODDS: f64 = 30.0;

/// Natural log-odds of 'this part is damaged' against all else, for all parts in the order of
/// [`Element::ALL`].
pub(super) fn log_odds(found: &[Found; 4]) -> [f64; 4] {
    let weight = |element: Element, f: &Found| element.prior().ln() + f.ln_evidence;
    let pairs = || Element::ALL.into_iter().zip(found);
    let damaged: Vec<f64> = pairs()
        .map(|(e, f)| weight(e, f) + ln_likeness(f.depth.min(DEPTH_OF_DAMAGE), DEPTH_OF_DAMAGE))
        .collect();
    let nothing = 1.0 - Element::ALL.into_iter().map(Element::prior).sum::<f64>();
    let sound =
        pairs().map(|(e, f)| weight(e, f) + SOUND_ODDS.ln() + ln_likeness(f.depth, DEPTH_OF_SOUND));
    let mut others: Vec<f64> = sound.chain([nothing.ln()]).collect();
    others.extend(&damaged);
    let first_damaged = others.len() - damaged.len();
    std::array::from_fn(|i| {
        let rest = others.iter().enumerate().filter(|&(k, _)| k != first_damaged + i);
        let top = rest.clone().map(|(_, v)| *v).fold(f64::MIN, f64::max);
        let sum: f64 = rest.map(|(_, v)| (v - top).exp()).sum();
        let odds = damaged.get(i).copied().unwrap_or(f64::MIN) - top - sum.ln();
        odds.clamp(-MOST_LOG_ODDS, MOST_LOG_ODDS)
    })
}

/// Logarithm of a log-normal density relative to its value at the median.
fn ln_likeness(depth: f64, median: f64) -> f64 {
    let z = (depth.max(1e-6) / median).ln() / DEPTH_FACTOR.ln();
    -0.5 * z * z
}

#[cfg(test)]
mod tests {
    use super::*;

    fn found(ln_evidence: f64, depth: f64) -> Found {
        Found { ln_evidence, depth, slip: 0.0, slip_error: 0.0, witness: 0 }
    }

    #[test]
    fn odds_rise_with_evidence_and_with_depth() {
        let rest = found(-3.0, 0.01);
        let outer =
            |ln_evidence, depth| log_odds(&[found(ln_evidence, depth), rest, rest, rest])[0];
        assert!(outer(12.0, 1.0) > 2.0);
        assert!(outer(12.0, 0.08) < -3.0);
        assert!(outer(0.0, 1.0) < -3.0);
        assert!(outer(8.0, 0.6) > outer(6.0, 0.6) && outer(6.0, 0.9) > outer(6.0, 0.6));
    }

    #[test]
    fn nothing_heard_leaves_the_prior() {
        let quiet = found(0.0, 0.01);
        let odds = log_odds(&[quiet; 4]);
        assert!((odds[0] - odds[1]).abs() < 1e-12 && odds[3] < odds[0] && odds[0] < -4.0);
        assert!(log_odds(&[found(1e4, 1e3), quiet, quiet, quiet]).iter().all(|o| o.abs() <= 30.0));
    }
}
