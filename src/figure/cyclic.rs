//! What the pictures of a cyclic spectrum have in common: its axis, its lines, the marks of a bearing.

use super::envelope::{DefectLines, FROM_ORDER};
use super::plot::Mark;
use super::{Axis, Subject};
use crate::error::{Error, Result};
use crate::spectrum::cyclic::CyclicSpectrum;

/// Cyclic lines next to zero that only show how the level drifts.
const DRIFT: usize = 2;

/// A cyclic spectrum, and what of it is shown.
#[derive(Debug, Clone, Copy)]
pub struct CyclicShown<'a> {
    /// The channel.
    pub subject: &'a Subject,
    /// The spectrum.
    pub spectrum: &'a CyclicSpectrum,
    /// The lines of a bearing to be marked.
    pub lines: Option<&'a DefectLines<'a>>,
    /// Shaft speed in Hz where it is stated and the rhythms are not counted in orders.
    pub stated_hz: Option<f64>,
    /// Carriers that are shown or averaged, in Hz; `None` for all.
    pub band_hz: Option<[f64; 2]>,
    /// Lowest and highest cyclic order or frequency shown; `None` for all from a fifth of an order on.
    pub between: Option<[f64; 2]>,
    /// Chance with which noise of a steady level reaches what is marked as its height.
    pub chance: f64,
}

impl CyclicShown<'_> {
    /// The place of the shaft on the cyclic axis, where it is known.
    fn shaft(&self) -> Option<f64> {
        if self.spectrum.in_orders { Some(1.0) } else { self.stated_hz }
    }

    pub(super) fn across(&self) -> Axis {
        if self.spectrum.in_orders {
            Axis::linear("cyclic order", "")
        } else {
            Axis::linear("cyclic frequency", "Hz")
        }
    }

    /// The cyclic lines shown, at least two.
    pub(super) fn rows(&self) -> Result<std::ops::Range<usize>> {
        let (step, count) = (self.spectrum.cyclic_step, self.spectrum.coherence.nrows());
        let usual = (FROM_ORDER * self.shaft().unwrap_or(0.0)).max(DRIFT as f64 * step);
        let end = self.spectrum.cyclic(count.saturating_sub(1));
        let [low, high] = self.between.unwrap_or([usual, end]);
        let place = |at: f64| at.max(0.0) / step;
        let first = ((place(low) - 1e-9).ceil() as usize).max(1);
        let past = ((place(high) + 1e-9).floor() as usize).saturating_add(1).min(count);
        if !(low < high && past >= first + 2) {
            return Err(Error::setting(
                "between",
                format!("{low} to {high} holds fewer than two cyclic lines"),
                format!("choose two within 0 to {end:.4}, {step:.2e} apart or more"),
            ));
        }
        Ok(first..past)
    }

    /// Marks at the shaft and the lines of the bearing, up to `end`.
    ///
    /// # Errors
    /// [`Error::Setting`] where lines are asked for over Hz without a shaft speed.
    pub(super) fn marks(&self, end: f64) -> Result<Vec<Mark>> {
        let shaft = self.shaft();
        let at = shaft.filter(|at| *at <= end);
        let mut marks: Vec<Mark> =
            at.map(|at| Mark::new(at, "1x").of("shaft")).into_iter().collect();
        if let Some(lines) = self.lines {
            let shaft = shaft.ok_or_else(|| {
                Error::setting(
                    "bearing",
                    "the lines of a bearing need a shaft speed, and none is known",
                    "pass speed to cyclic_spectrum",
                )
            })?;
            marks.extend(lines.marks(shaft, end));
        }
        Ok(marks)
    }

    /// What to know of the lines of a bearing, where they are marked.
    pub(super) fn beside(&self) -> Option<String> {
        self.lines.map(|_| {
            "lines of the bearing as its geometry says: slip puts them up to a percent or two beside".to_owned()
        })
    }

    /// `front: cyclic spectrum, lines of bearing rear`.
    pub(super) fn title(&self, what: &str) -> String {
        let lines = self.lines.map(|lines| format!(", lines of bearing {}", lines.bearing));
        self.subject.title(&format!("{what}{}", lines.unwrap_or_default()))
    }
}
