//! Rows of bars and words, for what is counted or judged instead of measured over an axis.

use serde::{Deserialize, Serialize};

use super::axis::Axis;
use super::plot::Mark;

/// How a row is judged.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum State {
    /// Nothing stands in the way.
    Good,
    /// With a restriction, or undecided.
    Limited,
    /// Against it.
    Bad,
    /// Not judged.
    Open,
}

/// One row.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Entry {
    /// What the row is about.
    pub label: String,
    /// How it is judged.
    pub state: State,
    /// Length of its bar, in the unit of the x axis; `None`: no bar.
    pub bar: Option<f64>,
    /// The number in words, with its unit.
    pub value: String,
    /// The sentence that explains it; may be empty.
    pub text: String,
}

/// Rows, the most important first.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Rows {
    /// What is shown, in a few words; empty where the figure's own title says it.
    pub title: String,
    /// What the bars measure; `None`: there are no bars.
    pub x_axis: Option<Axis>,
    /// The rows.
    pub entries: Vec<Entry>,
    /// Named places along the bars, such as a limit.
    pub marks: Vec<Mark>,
}

impl Rows {
    /// The same rows with a title of their own.
    #[must_use]
    pub fn titled(mut self, title: impl Into<String>) -> Self {
        self.title = title.into();
        self
    }
}

/// How strongly a line of words is set.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Weight {
    /// Large.
    Head,
    /// As running text.
    Body,
    /// Small.
    Foot,
}

/// One paragraph.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Line {
    /// How strongly it is set.
    pub weight: Weight,
    /// The words.
    pub text: String,
}

/// Words between pictures.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Words {
    /// The paragraphs.
    pub lines: Vec<Line>,
}

/// A probability in percent, rounded down, so that it reaches neither certainty nor a threshold that it
/// does not: `97 %`, `> 99 %`, `< 1 %`.
pub fn probability(share: f64) -> String {
    match 100.0 * share {
        percent if percent > 99.0 => "> 99 %".to_owned(),
        percent if percent < 1.0 => "< 1 %".to_owned(),
        percent => format!("{:.0} %", percent.floor()),
    }
}
