//! Channels without what is locked to the shaft, or without what can be predicted, in Python.

use pyo3::prelude::*;

use super::channel::{PyChannel, check_order, own, speed_or_constant};
use super::speed::PySpeed;
use crate::angle::locked::{LockedConfig, part_locked};
use crate::recording::Channel;
use crate::spectrum::unpredicted::{PredictionOrder, unpredicted};

/// The channel with other samples, from sample `first` of it on. They no longer stand on the converter's steps.
fn with_samples(channel: &Channel, first: usize, samples: Vec<f32>) -> Channel {
    Channel {
        start_s: channel.start_s + first as f64 / channel.rate_hz,
        full_scale: None,
        least_step: None,
        samples: samples.into(),
        ..channel.clone()
    }
}

#[pymethods]
impl PyChannel {
    /// The channel less what is locked to the shaft: the synchronous average over turns nearby, which follows
    /// slow changes of level and phase, subtracted in time. What a bearing, a flow or a rub at random does is left.
    ///
    /// Parameters
    /// ----------
    /// speed : Speed, optional
    ///     Shaft speed; may be left out where the machine file states a constant one.
    /// turns : int, default 256
    ///     Turns averaged, 16 to 65 536. Orders within about 3 over this of a whole one count as locked.
    /// max_order : float, optional
    ///     Highest order taken out, 1 to 1000; by default what 0.42 of the sampling rate holds at the mean speed.
    ///
    /// Returns
    /// -------
    /// Channel
    ///     The rest, over the time that the speed covers.
    ///
    /// Raises
    /// ------
    /// ValueError
    ///     Where a setting is out of range, there is no speed, or fewer than 16 whole turns are covered.
    #[pyo3(signature = (speed = None, *, turns = 256, max_order = None))]
    fn without_locked(
        &self,
        py: Python<'_>,
        speed: Option<Py<PySpeed>>,
        turns: usize,
        max_order: Option<f64>,
    ) -> PyResult<Self> {
        let speed = own(speed);
        let rest = self.work(py, "synchronous average", move |channel, machine, _| {
            max_order.map_or(Ok(()), |order| check_order("max_order", order))?;
            let speed = speed_or_constant(speed, channel, machine)?;
            let parts = part_locked(channel, &speed, &LockedConfig { turns, max_order })?;
            Ok(with_samples(channel, parts.first, parts.rest))
        })?;
        Ok(self.like(rest))
    }

    /// The channel less what linear prediction foretells of each sample from those before it: tones and ringing
    /// go, impacts are left.
    ///
    /// Parameters
    /// ----------
    /// order : int, optional
    ///     Samples that each is predicted from, 1 to 4096; keep it below the samples from one impact to the next. By
    ///     default the order up to 100 whose rest has the highest kurtosis.
    ///
    /// Returns
    /// -------
    /// Channel
    ///     The rest, without mean.
    ///
    /// Raises
    /// ------
    /// ValueError
    ///     Where the order is out of range, or there are fewer than eight samples to it.
    #[pyo3(signature = (*, order = None))]
    fn without_predicted(&self, py: Python<'_>, order: Option<usize>) -> PyResult<Self> {
        let order = order.map_or_else(PredictionOrder::default, PredictionOrder::Fixed);
        let rest = self.work(py, "linear prediction", move |channel, _, _| {
            let left = unpredicted(channel.values(), order)?;
            Ok(with_samples(channel, 0, left.values))
        })?;
        Ok(self.like(rest))
    }
}
