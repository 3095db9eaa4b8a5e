//! A track as the trade states it: unit and convention of a level.

use crate::angle::Track;
use crate::case::{Case, View};
use crate::figure::orders::Against;
use crate::figure::{Axis, Figure, Subject, TrackOf, TracksShown, tracks};
use crate::units::{Amplitude, Quantity, Unit};

/// A track with what it is stated in.
pub(super) struct Stated {
    pub subject: Subject,
    pub track: Track,
    /// From a zero-to-peak value in SI to a stated one.
    pub factor: f64,
}

impl Stated {
    /// An order of a channel in another quantity; relative where the channel is not calibrated.
    pub fn of(view: &View, order: f64, quantity: Quantity) -> Option<Self> {
        let calibrated = view.measures_motion();
        let unit = Unit::shown_for(quantity)?;
        let amplitude = Amplitude::usual_for(quantity);
        let mut track = view.track_as(order, quantity).filter(|track| !track.is_empty())?;
        let factor = amplitude.from_peak() / if calibrated { unit.si_factor() } else { 1.0 };
        track.phasors.iter_mut().for_each(|phasor| *phasor *= factor);
        track.errors.iter_mut().for_each(|error| *error *= factor);
        let unit = if calibrated { unit.symbol().to_owned() } else { "relative units".to_owned() };
        let channel = view.name().to_owned();
        let subject = Subject { recording: None, channel, quantity, unit, amplitude };
        Some(Self { subject, track, factor })
    }

    /// Whether the speed changes enough for the picture to be one over speed.
    pub fn is_over_speed(&self) -> bool {
        Against::Fitting.is_speed(self.track.rpm.iter().copied())
    }

    /// The axis across.
    pub fn across(&self) -> Axis {
        if self.is_over_speed() { Axis::linear("speed", "rpm") } else { Axis::linear("time", "s") }
    }

    /// The places of the track's points along it.
    pub fn places(&self) -> &[f64] {
        if self.is_over_speed() { &self.track.rpm } else { &self.track.times_s }
    }
}

/// The tracks of a channel with its critical speeds, and phase where pulses tell it.
pub(super) fn drawn(view: &View, made: &[Stated], panels: TracksShown) -> Option<Figure> {
    let case: &Case = view.case;
    let phase_stated = case.speed.as_ref().is_some_and(|speed| speed.edge.is_some());
    let shown: Vec<TrackOf> = (made.iter())
        .enumerate()
        .map(|(place, Stated { subject, track, .. })| TrackOf {
            subject,
            track,
            phase_stated,
            slow_roll: None,
            // they are the channel's, and told once
            criticals: if place == 0 { view.criticals() } else { &[] },
        })
        .collect();
    // without pulses angles drift, and phase says nothing
    let panels = if case.phase_known() { panels } else { TracksShown::Amplitude };
    tracks(&shown, Against::Fitting, panels).ok()
}
