//! Whose numbers a picture shows: the channel, its quantity and unit.

use serde::{Deserialize, Serialize};

use super::axis::Axis;
use crate::recording::Channel;
use crate::units::{Amplitude, Quantity};

/// Letters of a recording's name that leave room for the rest of a title.
const LETTERS: usize = 36;

/// The channel that a result was made from, for titles and axes.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Subject {
    /// Name of the recording; `None` where it has none, or where the page around the picture tells it.
    pub recording: Option<String>,
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
            recording: None,
            channel: channel.name().to_owned(),
            quantity: channel.spec.quantity(),
            unit: channel.spec.unit().symbol().to_owned(),
            amplitude: Amplitude::Peak,
        }
    }

    /// The same subject, its recording named in titles.
    #[must_use]
    pub fn of_recording(mut self, name: Option<&str>) -> Self {
        self.recording = name.map(str::to_owned);
        self
    }

    /// `front: averaged spectrum`, or `spin.wav, front: averaged spectrum`.
    pub(super) fn title(&self, what: &str) -> String {
        let recording = self.recording.as_deref().map(shortened);
        let recording = recording.map_or_else(String::new, |name| format!("{name}, "));
        format!("{recording}{}: {what}", self.channel)
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

/// A name that loses its middle where it is too long for a title.
fn shortened(name: &str) -> String {
    let letters: Vec<char> = name.chars().collect();
    if letters.len() <= LETTERS {
        return name.to_owned();
    }
    let half = LETTERS / 2;
    let (head, tail) = (letters.iter().take(half - 1), letters.iter().skip(letters.len() - half));
    head.chain(&['…']).chain(tail).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::recording::ChannelSpec;

    #[test]
    fn a_title_names_the_recording_where_it_is_known() {
        let spec = ChannelSpec::named("front");
        let channel = Channel::new(spec, 1000.0, vec![0.0]).expect("a channel");
        let subject = Subject::of(&channel);
        assert_eq!(subject.title("order map"), "front: order map");
        let named = subject.clone().of_recording(Some("spin.wav"));
        assert_eq!(named.title("order map"), "spin.wav, front: order map");
        let long = subject.of_recording(Some("cartridge-15-with-a-name-that-goes-on-spin-2.wav"));
        assert_eq!(long.title("1x"), "cartridge-15-with…goes-on-spin-2.wav, front: 1x");
    }
}
