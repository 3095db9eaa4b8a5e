//! Plots: curves over one axis, with named places, points and limits.

use serde::{Deserialize, Serialize};

use super::axis::{Axis, check_count};
use crate::error::{Error, Result};

/// A named place on the x axis, such as `1x` or `BPFO`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Mark {
    /// The place, in the unit of the x axis.
    pub at: f64,
    /// The name shown; empty for a place that only belongs to its family.
    pub label: String,
    /// Marks of one family look alike: the harmonics of `BPFO`.
    pub family: String,
    /// Whether it is a lesser one, such as a sideband: drawn fainter.
    pub minor: bool,
}

impl Mark {
    /// A mark that is a family of its own.
    pub fn new(at: f64, label: impl Into<String>) -> Self {
        let label = label.into();
        Self { at, family: label.clone(), label, minor: false }
    }

    /// The same mark as one of a family.
    #[must_use]
    pub fn of(mut self, family: impl Into<String>) -> Self {
        self.family = family.into();
        self
    }

    /// The same mark as a lesser one.
    #[must_use]
    pub fn minor(mut self) -> Self {
        self.minor = true;
        self
    }
}

/// A named height on the y axis, such as a limit.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Limit {
    /// The height, in the unit of the y axis.
    pub at: f64,
    /// The name shown.
    pub label: String,
    /// How far to both sides it is uncertain, in the unit of the y axis; 0 where it is exact.
    #[serde(default)]
    pub uncertain_by: f64,
}

impl Limit {
    /// A height with a name.
    pub fn new(at: f64, label: impl Into<String>) -> Self {
        Self { at, label: label.into(), uncertain_by: 0.0 }
    }
}

/// A stretch of the x axis.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Span {
    /// Where it begins, in the unit of the x axis.
    pub from: f64,
    /// Where it ends.
    pub to: f64,
    /// The name shown.
    pub label: String,
    /// Whether the stretch is shaded over the whole height (there is no measurement in it), or only
    /// underlined at the upper edge (something moves within it).
    pub whole: bool,
}

/// How a curve is drawn.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Stroke {
    /// A line from point to point.
    #[default]
    Line,
    /// A broken line: a law or a bound that others are held against.
    Dashed,
    /// Points, joined by a thin line where no gap parts them: what is seen at some places alone.
    Dots,
    /// A thin, faint line behind the others, for what they were made from.
    Faint,
    /// The band alone.
    Band,
}

/// One curve: `y` over `x`, with what is uncertain about it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Curve {
    /// The name in the legend; empty where there is only one.
    pub name: String,
    /// How it is drawn.
    pub stroke: Stroke,
    x: Vec<f64>,
    y: Vec<f64>,
    band: Option<[Vec<f64>; 2]>,
}

impl Curve {
    /// A curve through `y` at the places `x`, in whatever order. Values that are no numbers leave gaps.
    ///
    /// # Errors
    /// [`Error::TooLittle`] for no points; [`Error::Setting`] where the lengths differ or a place is no
    /// finite number.
    pub fn new(name: impl Into<String>, x: Vec<f64>, y: Vec<f64>) -> Result<Self> {
        check_count("y", y.len(), x.len())?;
        if x.is_empty() {
            return Err(Error::too_little("a picture", "at least one point", "none"));
        }
        if !x.iter().all(|place| place.is_finite()) {
            return Err(Error::setting(
                "x",
                "a place of the axis is no finite number",
                "leave it out",
            ));
        }
        Ok(Self { name: name.into(), stroke: Stroke::Line, x, y, band: None })
    }

    /// The same curve with the band in which the values lie.
    ///
    /// # Errors
    /// [`Error::Setting`] where the lengths differ.
    pub fn with_band(mut self, low: Vec<f64>, high: Vec<f64>) -> Result<Self> {
        check_count("low", low.len(), self.x.len())?;
        check_count("high", high.len(), self.x.len())?;
        self.band = Some([low, high]);
        Ok(self)
    }

    /// The same curve, drawn otherwise.
    #[must_use]
    pub fn drawn(mut self, stroke: Stroke) -> Self {
        self.stroke = stroke;
        self
    }

    /// The places across.
    pub fn x(&self) -> &[f64] {
        &self.x
    }

    /// The values; as many as places.
    pub fn y(&self) -> &[f64] {
        &self.y
    }

    /// The lower and the upper edge of the band, each as long as the places.
    pub fn band(&self) -> Option<&[Vec<f64>; 2]> {
        self.band.as_ref()
    }
}

/// What stands at a single point.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Symbol {
    /// A cross: something was put right here.
    Cross,
    /// An open ring: look here.
    Ring,
    /// A full disc: something was found or passed right here.
    Disc,
    /// A triangle that points to the middle of the picture: a sensor looks from here.
    Sensor,
}

/// Single points.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Points {
    /// The name in the legend.
    pub name: String,
    /// What stands at each.
    pub symbol: Symbol,
    /// The places across.
    pub x: Vec<f64>,
    /// The heights; as many as places.
    pub y: Vec<f64>,
    /// A name for each point, or none at all.
    pub labels: Vec<String>,
    /// How large each is drawn, 0 to 1, or none at all where they are alike.
    #[serde(default)]
    pub sizes: Vec<f64>,
}

/// A head of an arrow: something goes this way here.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Arrow {
    /// Where the point of it stands.
    pub at: [f64; 2],
    /// Where it comes from; only the direction counts.
    pub from: [f64; 2],
}

/// Curves over one axis.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Plot {
    /// What is shown, in a few words; empty where the figure's own title says it.
    pub title: String,
    /// What to note about it, in a few words, as `4.2 x usual`; empty where there is nothing.
    #[serde(default)]
    pub remark: String,
    /// The axis across.
    pub x_axis: Axis,
    /// The axis upwards.
    pub y_axis: Axis,
    /// The curves, the most important first.
    pub curves: Vec<Curve>,
    /// Named places across.
    pub marks: Vec<Mark>,
    /// Stretches across.
    pub spans: Vec<Span>,
    /// Named heights.
    pub limits: Vec<Limit>,
    /// Single points.
    pub points: Vec<Points>,
    /// Straight lines or curves that are named where they end, such as orders over speed; they lie behind
    /// everything else and set no axis.
    #[serde(default)]
    pub lines: Vec<Curve>,
    /// Heads of arrows.
    #[serde(default)]
    pub arrows: Vec<Arrow>,
    /// Whether a step of one unit is as long across as upwards.
    #[serde(default)]
    pub equal: bool,
}

impl Plot {
    /// A plot of nothing yet.
    pub fn new(title: impl Into<String>, x_axis: Axis, y_axis: Axis) -> Self {
        Self {
            title: title.into(),
            remark: String::new(),
            x_axis,
            y_axis,
            curves: Vec::new(),
            marks: Vec::new(),
            spans: Vec::new(),
            limits: Vec::new(),
            points: Vec::new(),
            lines: Vec::new(),
            arrows: Vec::new(),
            equal: false,
        }
    }

    /// The same plot with one more curve.
    #[must_use]
    pub fn with_curve(mut self, curve: Curve) -> Self {
        self.curves.push(curve);
        self
    }

    /// The same plot with more marks.
    #[must_use]
    pub fn with_marks(mut self, marks: impl IntoIterator<Item = Mark>) -> Self {
        self.marks.extend(marks);
        self
    }

    /// The same plot with more spans.
    #[must_use]
    pub fn with_spans(mut self, spans: impl IntoIterator<Item = Span>) -> Self {
        self.spans.extend(spans);
        self
    }

    /// The same plot with more limits.
    #[must_use]
    pub fn with_limits(mut self, limits: impl IntoIterator<Item = Limit>) -> Self {
        self.limits.extend(limits);
        self
    }

    /// The same plot with single points.
    #[must_use]
    pub fn with_points(mut self, points: Points) -> Self {
        self.points.push(points);
        self
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lengths_and_places_are_checked() {
        let curve = |x: Vec<f64>, y: Vec<f64>| Curve::new("", x, y);
        assert!(curve(vec![1.0, 0.0], vec![1.0, f64::NAN]).is_ok());
        assert!(curve(vec![0.0, 1.0], vec![1.0]).is_err());
        assert!(curve(vec![0.0, f64::NAN], vec![1.0, 2.0]).is_err());
        assert!(curve(vec![], vec![]).is_err());
        let sound = || curve(vec![0.0, 1.0], vec![1.0, 2.0]).expect("two points");
        assert!(sound().with_band(vec![0.0; 2], vec![3.0; 2]).is_ok());
        assert!(sound().with_band(vec![0.0; 2], vec![3.0]).is_err());
    }
}
