//! The three ways to follow orders through a recording.

use super::track::Track;
use super::tracking_filter::{self, TrackingFilter};
use super::wave::Wave;
use super::windows::{self, Length};
use crate::error::Result;
use crate::progress::Progress;
use crate::recording::Channel;

/// How orders are followed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Method {
    /// In windows: of constant turns a time-variant transform, of constant seconds block demodulation.
    Windows(Length),
    /// By the coupled tracking filter.
    Filter(TrackingFilter),
}

impl Default for Method {
    fn default() -> Self {
        Self::Windows(Length::default())
    }
}

/// The tracks of waves, solved for together by one of the methods.
///
/// # Errors
/// As [`windows::tracks`] and [`tracking_filter::tracks`].
pub fn follow(
    channel: &Channel,
    waves: &[Wave],
    method: &Method,
    progress: &mut dyn Progress,
) -> Result<Vec<Track>> {
    match method {
        Method::Windows(length) => windows::tracks(channel, waves, *length, progress),
        Method::Filter(filter) => tracking_filter::tracks(channel, waves, filter, progress),
    }
}
