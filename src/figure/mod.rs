//! Pictures as plain data: axes, curves, maps and marks, before anybody draws them.
//!
//! One place decides what is shown and how it is labelled; the renderers (characters here, SVG and
//! matplotlib elsewhere) only draw. Values are in the units that the axes name, amplitudes are linear:
//! a renderer that shows decibels takes the logarithm itself.

mod of_case;

use serde::{Deserialize, Serialize};

use crate::error::{Error, Result};
pub use of_case::of_case;

/// How values are laid along an axis.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Scale {
    /// In proportion.
    Linear,
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
}

impl Axis {
    /// A linear axis.
    pub fn linear(label: impl Into<String>, unit: impl Into<String>) -> Self {
        Self { label: label.into(), unit: unit.into(), scale: Scale::Linear }
    }

    /// An axis in decibels below the greatest value, `range_db` deep.
    pub fn decibel(label: impl Into<String>, unit: impl Into<String>, range_db: f64) -> Self {
        Self { label: label.into(), unit: unit.into(), scale: Scale::Decibel { range_db } }
    }
}

/// A named place on the x axis, such as `1x` or `BPFO`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Mark {
    /// The place, in the unit of the x axis.
    pub at: f64,
    /// The name shown.
    pub label: String,
}

/// One curve: `y` over `x`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Curve {
    /// What is shown, in a few words.
    pub title: String,
    /// The axis across.
    pub x_axis: Axis,
    /// The axis upwards.
    pub y_axis: Axis,
    /// Named places.
    pub marks: Vec<Mark>,
    x: Vec<f64>,
    y: Vec<f32>,
}

impl Curve {
    /// A curve through `y` at the places `x`, which rise; without marks.
    ///
    /// # Errors
    /// [`Error::Setting`] where the lengths differ, there are fewer than two points, or `x` does not
    /// rise.
    pub fn new(
        title: impl Into<String>,
        (x_axis, x): (Axis, Vec<f64>),
        (y_axis, y): (Axis, Vec<f32>),
    ) -> Result<Self> {
        check_rising("x", &x)?;
        check_count("y", y.len(), x.len())?;
        Ok(Self { title: title.into(), x_axis, y_axis, marks: Vec::new(), x, y })
    }

    /// The same curve with marks.
    pub fn with_marks(mut self, marks: Vec<Mark>) -> Self {
        self.marks = marks;
        self
    }

    /// The places across, in the unit of `x_axis`.
    pub fn x(&self) -> &[f64] {
        &self.x
    }

    /// The values, in the unit of `y_axis`; as many as places.
    pub fn y(&self) -> &[f32] {
        &self.y
    }
}

/// A map: a value over two axes, such as amplitude over order and speed.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Map {
    /// What is shown, in a few words.
    pub title: String,
    /// The axis across.
    pub x_axis: Axis,
    /// The axis upwards.
    pub y_axis: Axis,
    /// What the shade means.
    pub value_axis: Axis,
    /// Named places on the x axis.
    pub marks: Vec<Mark>,
    x: Vec<f64>,
    y: Vec<f64>,
    values: Vec<f32>,
}

impl Map {
    /// A map of `values`, row after row: the value at `x[i]`, `y[j]` is `values[j * x.len() + i]`.
    /// `x` and `y` rise. Without marks.
    ///
    /// # Errors
    /// [`Error::Setting`] where the lengths do not fit, an axis has fewer than two places, or does not
    /// rise.
    pub fn new(
        title: impl Into<String>,
        (x_axis, x): (Axis, Vec<f64>),
        (y_axis, y): (Axis, Vec<f64>),
        (value_axis, values): (Axis, Vec<f32>),
    ) -> Result<Self> {
        check_rising("x", &x)?;
        check_rising("y", &y)?;
        check_count("values", values.len(), x.len() * y.len())?;
        Ok(Self {
            title: title.into(),
            x_axis,
            y_axis,
            value_axis,
            marks: Vec::new(),
            x,
            y,
            values,
        })
    }

    /// The same map with marks.
    pub fn with_marks(mut self, marks: Vec<Mark>) -> Self {
        self.marks = marks;
        self
    }

    /// The places across, in the unit of `x_axis`.
    pub fn x(&self) -> &[f64] {
        &self.x
    }

    /// The places upwards, in the unit of `y_axis`.
    pub fn y(&self) -> &[f64] {
        &self.y
    }

    /// The rows of values, lowest `y` first; each as long as `x`, in the unit of `value_axis`.
    pub fn rows(&self) -> impl DoubleEndedIterator<Item = &[f32]> + ExactSizeIterator {
        self.values.chunks_exact(self.x.len())
    }
}

/// A picture of either kind.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "form", rename_all = "snake_case")]
pub enum Figure {
    /// One curve.
    Curve(Curve),
    /// A map.
    Map(Map),
}

fn check_rising(name: &str, places: &[f64]) -> Result<()> {
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

fn check_count(name: &str, got: usize, wanted: usize) -> Result<()> {
    if got == wanted {
        return Ok(());
    }
    Err(Error::setting(
        name,
        format!("there are {got} values for {wanted} places"),
        "give one value for each place",
    ))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lengths_and_order_are_checked() {
        let order = || Axis::linear("order", "");
        let curve = |x: Vec<f64>, y: Vec<f32>| Curve::new("t", (order(), x), (order(), y));
        assert!(curve(vec![0.0, 1.0], vec![1.0, 2.0]).is_ok());
        assert!(curve(vec![0.0, 1.0], vec![1.0]).is_err());
        assert!(curve(vec![1.0, 1.0], vec![1.0, 2.0]).is_err());
        assert!(curve(vec![0.0, f64::NAN], vec![1.0, 2.0]).is_err());
        assert!(curve(vec![0.0], vec![1.0]).is_err());
    }

    #[test]
    fn rows_of_a_map_come_lowest_first() {
        let axis = || Axis::linear("a", "");
        let map = Map::new(
            "t",
            (axis(), vec![0.0, 1.0]),
            (axis(), vec![10.0, 20.0, 30.0]),
            (axis(), vec![0.0, 1.0, 10.0, 11.0, 20.0, 21.0]),
        )
        .expect("lengths fit");
        let rows: Vec<&[f32]> = map.rows().collect();
        assert_eq!(rows, [&[0.0, 1.0][..], &[10.0, 11.0], &[20.0, 21.0]]);
    }
}
