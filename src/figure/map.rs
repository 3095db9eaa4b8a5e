//! Maps: a value over two axes.

use serde::{Deserialize, Serialize};

use super::axis::{Axis, check_count, check_rising};
use super::plot::{Curve, Mark};
use crate::dsp::stats;
use crate::error::Result;

/// How a map is drawn.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Look {
    /// Every value as a shade.
    #[default]
    Shades,
    /// Every row as a curve that stands on its own place of the axis upwards: a waterfall.
    Traces,
}

/// An outlined part of a map.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Outline {
    /// Its ends across, in the unit of the x axis.
    pub x: [f64; 2],
    /// Its ends upwards, in the unit of the y axis.
    pub y: [f64; 2],
}

/// A map: a value over two axes, such as amplitude over order and speed.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Map {
    /// What is shown, in a few words; empty where the figure's own title says it.
    pub title: String,
    /// The axis across.
    pub x_axis: Axis,
    /// The axis upwards.
    pub y_axis: Axis,
    /// What the shade means.
    pub value_axis: Axis,
    /// How it is drawn.
    pub look: Look,
    /// Named places on the x axis.
    pub marks: Vec<Mark>,
    /// Named lines through the map, such as orders over time and frequency.
    pub lines: Vec<Curve>,
    /// Outlined parts of it.
    #[serde(default)]
    pub outlines: Vec<Outline>,
    x: Vec<f64>,
    y: Vec<f64>,
    values: Vec<f32>,
}

impl Map {
    /// A map of `values`, row after row: the value at `x[i]`, `y[j]` is `values[j * x.len() + i]`.
    /// `x` and `y` rise. Without marks. A value that is no number leaves a blank.
    ///
    /// # Errors
    /// [`Error::Setting`](crate::Error::Setting) where the lengths do not fit, an axis has fewer than two
    /// places, or does not rise.
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
            look: Look::Shades,
            marks: Vec::new(),
            lines: Vec::new(),
            outlines: Vec::new(),
            x,
            y,
            values,
        })
    }

    /// The same map with more marks.
    #[must_use]
    pub fn with_marks(mut self, marks: impl IntoIterator<Item = Mark>) -> Self {
        self.marks.extend(marks);
        self
    }

    /// The same map with lines through it.
    #[must_use]
    pub fn with_lines(mut self, lines: Vec<Curve>) -> Self {
        self.lines = lines;
        self
    }

    /// The same map with outlined parts.
    #[must_use]
    pub fn with_outlines(mut self, outlines: impl IntoIterator<Item = Outline>) -> Self {
        self.outlines.extend(outlines);
        self
    }

    /// The same map, drawn otherwise.
    #[must_use]
    pub fn drawn(mut self, look: Look) -> Self {
        self.look = look;
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

    /// All values, row after row, lowest `y` first.
    pub fn values(&self) -> &[f32] {
        &self.values
    }

    /// The rows of values, lowest `y` first; each as long as `x`, in the unit of `value_axis`.
    pub fn rows(&self) -> impl DoubleEndedIterator<Item = &[f32]> + ExactSizeIterator {
        self.values.chunks_exact(self.x.len())
    }
}

/// Least and greatest depth of a map in decibels.
const DEPTHS_DB: [f64; 2] = [40.0, 90.0];

/// Depth in decibels at which the quieter half of a map's values is just seen as its ground.
pub(super) fn depth_db(values: &[f32]) -> f64 {
    let mut sound: Vec<f64> = values.iter().map(|&v| f64::from(v)).filter(|v| *v > 0.0).collect();
    let top = sound.iter().copied().fold(0.0, f64::max);
    let middle = stats::median_of(&mut sound);
    let depth = 20.0 * (top / middle.max(f64::MIN_POSITIVE)).log10();
    if depth.is_finite() {
        (depth + 3.0).clamp(DEPTHS_DB[0], DEPTHS_DB[1]).round()
    } else {
        DEPTHS_DB[0]
    }
}

/// Rows gathered into `count` equal steps of their place: the middles of the steps that hold any, and the
/// root mean square of the values in each. Steps that no row falls into are left out.
pub(super) fn gathered<'a>(
    places: &[f64],
    rows: impl Iterator<Item = impl Iterator<Item = &'a f32>>,
    count: usize,
) -> (Vec<f64>, Vec<f32>) {
    let (low, high) = places
        .iter()
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), &p| (low.min(p), high.max(p)));
    let width = (high - low) / count as f64;
    let mut steps: Vec<(u32, Vec<f64>)> = vec![(0, Vec::new()); count];
    for (&place, row) in places.iter().zip(rows) {
        let step = if width > 0.0 { ((place - low) / width) as usize } else { 0 };
        let Some((held, power)) = steps.get_mut(step.min(count - 1)) else { continue };
        *held += 1;
        for (k, &value) in row.enumerate() {
            let square = f64::from(value).powi(2);
            match power.get_mut(k) {
                Some(sum) => *sum += square,
                None => power.push(square),
            }
        }
    }
    let (mut middles, mut values) = (Vec::new(), Vec::new());
    for (step, (held, power)) in steps.iter().enumerate().filter(|(_, (held, _))| *held > 0) {
        middles.push(low + width * (step as f64 + 0.5));
        values.extend(power.iter().map(|sum| (sum / f64::from(*held)).sqrt() as f32));
    }
    (middles, values)
}

#[cfg(test)]
mod tests {
    use super::*;

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
        let falling = Map::new(
            "t",
            (axis(), vec![0.0, 1.0]),
            (axis(), vec![20.0, 10.0]),
            (axis(), vec![0.0; 4]),
        );
        assert!(falling.is_err());
    }

    #[test]
    fn the_ground_of_a_map_is_its_quieter_half() {
        let mut values = vec![1e-3_f32; 100];
        values[3] = 1.0;
        assert_eq!(depth_db(&values), 63.0);
        assert_eq!(depth_db(&[1.0; 5]), 40.0);
        assert_eq!(depth_db(&[0.0; 5]), 40.0);
    }

    #[test]
    fn gathered_rows_are_root_mean_squares_and_empty_steps_are_left_out() {
        let rows: [[f32; 2]; 3] = [[3.0, 1.0], [4.0, 1.0], [2.0, 0.0]];
        let (places, values) = gathered(&[0.0, 1.0, 10.0], rows.iter().map(|r| r.iter()), 5);
        assert_eq!(places, [1.0, 9.0]);
        assert_eq!(values, [12.5_f32.sqrt(), 1.0, 2.0, 0.0]);
    }
}
