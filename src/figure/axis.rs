//! Axes: what is measured, in which unit, and how values are laid along it.

use serde::{Deserialize, Serialize};

use crate::error::{Error, Result};

/// How values are laid along an axis.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Scale {
    /// In proportion.
    Linear,
    /// By the logarithm, the numbers in the axis' own unit.
    Log,
    /// In decibels below the greatest value shown, down to `range_db` below it.
    Decibel {
        /// Decibels from the top of the axis to its foot, above zero.
        range_db: f64,
    },
}

/// What an axis measures and how.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Axis {
    /// The quantity in words: `order`, `speed`, `velocity`.
    pub label: String,
    /// The unit with its convention, `mm/s rms`; empty for ratios.
    pub unit: String,
    /// How values are laid along it.
    pub scale: Scale,
    /// The lowest and the highest value shown; `None`: all values.
    #[serde(default)]
    pub shown: Option<[f64; 2]>,
}

impl Axis {
    fn new(label: impl Into<String>, unit: impl Into<String>, scale: Scale) -> Self {
        let unit = unit.into().replace("m/s2", "m/s²");
        let unit = unit.strip_prefix("um").map_or(unit.clone(), |rest| format!("µm{rest}"));
        Self { label: label.into(), unit, scale, shown: None }
    }

    /// A linear axis.
    pub fn linear(label: impl Into<String>, unit: impl Into<String>) -> Self {
        Self::new(label, unit, Scale::Linear)
    }

    /// A logarithmic axis.
    pub fn log(label: impl Into<String>, unit: impl Into<String>) -> Self {
        Self::new(label, unit, Scale::Log)
    }

    /// An axis in decibels below the greatest value, `range_db` deep.
    pub fn decibel(label: impl Into<String>, unit: impl Into<String>, range_db: f64) -> Self {
        Self::new(label, unit, Scale::Decibel { range_db })
    }

    /// The same axis, showing values between two only.
    #[must_use]
    pub fn between(mut self, low: f64, high: f64) -> Self {
        self.shown = (low.is_finite() && high.is_finite() && high > low).then_some([low, high]);
        self
    }

    /// Decibels from its top to its foot where it goes by the logarithm; `None` for a linear axis.
    pub fn depth_db(&self) -> Option<f64> {
        match (self.scale, self.shown) {
            (Scale::Linear, _) => None,
            (Scale::Decibel { range_db }, _) => Some(range_db),
            (Scale::Log, Some([low, high])) if low > 0.0 => Some(20.0 * (high / low).log10()),
            (Scale::Log, _) => Some(60.0),
        }
    }

    /// What stands beside the axis: `speed in rpm`.
    pub fn words(&self) -> String {
        match self.unit.as_str() {
            "" => self.label.clone(),
            unit => format!("{} in {unit}", self.label),
        }
    }
}

/// Refuses places along an axis that do not rise, or are fewer than two.
pub(super) fn check_rising(name: &str, places: &[f64]) -> Result<()> {
    let rising = |pair: &[f64]| matches!(pair, [a, b] if b > a && a.is_finite() && b.is_finite());
    if places.len() < 2 || !places.windows(2).all(rising) {
        return Err(Error::setting(
            name,
            format!("the {} places of the axis do not rise", places.len()),
            "give at least two finite places in rising order",
        ));
    }
    Ok(())
}

/// Refuses a number of values that is not the number of places.
pub(super) fn check_count(name: &str, got: usize, wanted: usize) -> Result<()> {
    if got == wanted {
        return Ok(());
    }
    Err(Error::setting(
        name,
        format!("there are {got} values for {wanted} places"),
        "give one value for each place",
    ))
}
