//! Pictures as plain data: axes, curves, maps and marks, before anybody draws them.
//!
//! One place decides what is shown and how it is labelled; the renderers (characters, matplotlib) only
//! draw. Values are in the units that the axes name and amplitudes are linear: a renderer that shows
//! decibels takes the logarithm itself. Every picture has its own file with one function that makes it.

mod axis;
mod map;
mod plot;
mod polar;
mod rows;
mod screening;

mod course;
mod cyclic;
mod cyclic_envelope;
mod cyclic_map;
mod envelope;
mod evidence;
mod fitness;
mod found_lines;
mod full_spectrum;
mod interference;
mod modulated_bands;
mod of_case;
mod orbit;
mod order_map;
mod orders;
mod overview;
mod psd;
mod spectrogram;
mod spectrum;
mod speed;
mod subject;
mod tracks;
mod turn;
mod vectors;
mod waterfall;
mod wave;
mod wheel;

use serde::{Deserialize, Serialize};

pub use axis::{Axis, Scale};
pub use map::{Look, Map, Outline};
pub use plot::{Arrow, Curve, Limit, Mark, Plot, Points, Span, Stroke, Symbol};
pub use polar::{Polar, PolarPoint, Trace};
pub use rows::{Entry, Line, Rows, State, Weight, Words, probability};

pub use course::course;
pub use cyclic::CyclicShown;
pub use cyclic_envelope::cyclic_envelope;
pub use cyclic_map::cyclic_map;
pub use envelope::{DefectLines, EnvelopeCurve, envelope};
pub use evidence::{evidence, of_considered};
pub use fitness::fitness;
pub use found_lines::found_lines;
pub use full_spectrum::full_spectrum;
pub use interference::interference;
pub use modulated_bands::modulated_bands;
pub use of_case::{clearest, of_case, of_view};
pub use orbit::orbit;
pub use order_map::order_map;
pub use orders::{Against, Orders};
pub use overview::{findings, levels, overview};
pub use psd::psd;
pub use screening::screening;
pub use spectrogram::spectrogram;
pub use spectrum::spectrum;
pub use speed::speed;
pub use subject::Subject;
pub use tracks::{TrackOf, TracksShown, tracks};
pub use turn::turn;
pub use vectors::vectors;
pub use waterfall::{Falling, waterfall};
pub use wave::wave;
#[cfg(test)]
pub(crate) use wheel::tests::shown as wheel_shown;
pub use wheel::{Arc, Marked, Spot, Wheel, wheel};

/// One panel of a figure.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "form", rename_all = "snake_case")]
pub enum Panel {
    /// Curves over an axis.
    Plot(Plot),
    /// A map.
    Map(Map),
    /// A polar picture.
    Polar(Polar),
    /// Rows of bars and words.
    Rows(Rows),
    /// Words alone.
    Words(Words),
}

impl From<Plot> for Panel {
    fn from(plot: Plot) -> Self {
        Self::Plot(plot)
    }
}

impl From<Rows> for Panel {
    fn from(rows: Rows) -> Self {
        Self::Rows(rows)
    }
}

impl From<Polar> for Panel {
    fn from(polar: Polar) -> Self {
        Self::Polar(polar)
    }
}

impl From<Map> for Panel {
    fn from(map: Map) -> Self {
        Self::Map(map)
    }
}

/// Panels beside each other.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Row {
    /// Height relative to the other rows.
    pub height: f64,
    /// The panels, left to right, equally wide.
    pub panels: Vec<Panel>,
    /// Whether the axis across is the one of the row above, and need not be told twice.
    pub joined: bool,
}

impl Row {
    /// A row of its own.
    pub fn new(height: f64, panels: Vec<Panel>) -> Self {
        Self { height, panels, joined: false }
    }
}

/// A picture: rows of panels.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Figure {
    /// What is shown, in a few words.
    pub title: String,
    /// The rows, top to bottom.
    pub rows: Vec<Row>,
    /// What the reader has to know, a sentence each.
    pub notes: Vec<String>,
    /// Whether it fills a page of its own.
    pub page: bool,
    /// Whether all plots are alike, small, and share their axes.
    pub shared: bool,
}

impl Figure {
    /// A figure of one panel.
    pub fn of(title: impl Into<String>, panel: impl Into<Panel>) -> Self {
        Self {
            title: title.into(),
            rows: vec![Row::new(1.0, vec![panel.into()])],
            notes: Vec::new(),
            page: false,
            shared: false,
        }
    }

    /// The same figure with a remark, if there is one.
    #[must_use]
    pub fn with_note(mut self, note: impl Into<Option<String>>) -> Self {
        self.notes.extend(note.into());
        self
    }

    /// All panels, row after row.
    pub fn panels(&self) -> impl Iterator<Item = &Panel> {
        self.rows.iter().flat_map(|row| &row.panels)
    }
}
