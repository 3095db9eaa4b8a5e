//! Whose numbers a picture shows: the channel, its quantity and unit.

use serde::{Deserialize, Serialize};

use super::axis::Axis;
use crate::recording::Channel;
use crate::units::{Amplitude, Quantity};

/// The channel that a result was made from, for titles and axes.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Subject {
    /// Name of the channel.
    pub channel: String,
    /// Its quantity.
    pub quantity: Quantity,
    /// Symbol of its unit.
    pub unit: String,
    /// How amplitudes are stated.
    pub amplitude: Amplitude,
}

impl Subject {
    /// The subject of results of a channel.
    pub fn of(channel: &Channel) -> Self {
        Self {
            channel: channel.name().to_owned(),
            quantity: channel.spec.quantity(),
            unit: channel.spec.unit().symbol().to_owned(),
            amplitude: Amplitude::Peak,
        }
    }

    /// `front: averaged spectrum`.
    pub(super) fn title(&self, what: &str) -> String {
        format!("{}: {what}", self.channel)
    }

    /// The unit in words: fractions of full scale are no unit that anybody reads.
    pub(super) fn unit_words(&self) -> String {
        if self.unit == "FS" { "parts of full scale".to_owned() } else { self.unit.clone() }
    }

    /// The axis of momentary values.
    pub(super) fn values(&self) -> Axis {
        Axis::linear(self.quantity.word(), self.unit_words())
    }

    /// The unit of amplitudes with its convention: `g peak`.
    pub(super) fn amplitude_unit(&self) -> String {
        let gap = if self.unit == "FS" { ", " } else { " " };
        format!("{}{gap}{}", self.unit_words(), self.amplitude.word())
    }

    /// The axis of amplitudes.
    pub(super) fn amplitudes(&self) -> Axis {
        Axis::linear(self.quantity.word(), self.amplitude_unit())
    }

    /// The axis of amplitudes in decibels, `range_db` deep.
    pub(super) fn decibels(&self, range_db: f64) -> Axis {
        Axis::decibel(self.quantity.word(), self.amplitude_unit(), range_db)
    }
}
