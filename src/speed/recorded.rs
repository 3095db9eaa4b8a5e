//! Speed from a recorded speed channel, or stated as a constant.

use crate::dsp::stats::median_of;
use crate::error::{Error, Result};
use crate::machine::Machine;
use crate::progress::{Progress, step};
use crate::recording::{Channel, Recording};
use crate::units::{Quantity, rpm_from_hz};

use super::smooth::{self, Observation, Observed};
use super::{Knot, Speed, SpeedSource};

/// Samples are drawn together over this time, in seconds, by their median: a spike does not count.
const BLOCK_S: f64 = 0.01;
/// Below this share of the highest speed the shaft counts as standing.
const STANDING: f64 = 0.005;
/// Fewest blocks with a turning shaft.
const LEAST_BLOCKS: usize = 4;

/// Shaft speed from a channel whose samples are a speed in rpm or Hz.
///
/// Samples are drawn together over 10 ms and smoothed; angle is the integral, from 0 at the start, and
/// relative. Of several spells of turning the longest is kept. The error stated is that of the scatter
/// about the smooth curve, not of the channel's calibration.
///
/// # Errors
/// [`Error::Setting`] where the unit is not one of speed (a voltage without calibration);
/// [`Error::TooLittle`] where the shaft hardly turns; [`Error::Stopped`].
pub fn speed_from_channel(channel: &Channel, progress: &mut dyn Progress) -> Result<Speed> {
    let unit = channel.spec.unit();
    if unit.quantity() != Quantity::Speed {
        return Err(Error::setting(
            format!("channel.{}.unit", channel.name()),
            format!("the speed channel is in {:?}, which is no speed", unit.symbol()),
            "state unit = \"rpm\" with sensitivity_mv_per_unit and full_scale_v, or with full_scale",
        ));
    }
    step(progress, "speed channel", 0, 1)?;
    let what = format!("shaft speed from channel {:?}", channel.name());
    let blocks = blocks_hz(channel);
    let fastest = blocks.iter().map(|b| b.1).fold(0.0, f64::max);
    let spell = longest_spell(&blocks, STANDING * fastest);
    if spell.len() < LEAST_BLOCKS {
        let needed = format!("{} ms of a turning shaft", 1e3 * BLOCK_S * LEAST_BLOCKS as f64);
        let got = format!("{} usable values in a row", spell.len());
        return Err(Error::too_little(what, needed, got));
    }
    let observations: Vec<Observation> =
        spell.iter().map(|&(time_s, value)| Observation { time_s, value, variance: 1.0 }).collect();
    let fit = smooth::fit(&observations, Observed::Hz, true, None)
        .ok_or_else(|| Error::numerical(&what, "no smooth curve passes through the values"))?;
    let mut knots: Vec<Knot> = fit.knots.clone();
    knots.iter_mut().for_each(|knot| knot.speed_hz = knot.speed_hz.max(0.0));
    knots.dedup_by(|later, kept| later.turns <= kept.turns);
    let mut relative: Vec<f64> =
        fit.knots.iter().zip(&fit.hz_error).map(|(k, e)| (e / k.speed_hz).abs()).collect();
    let mut speed =
        Speed::from_knots(SpeedSource::Channel, knots, 100.0 * median_of(&mut relative))?;
    let (from, to) = (speed.start_s(), speed.end_s());
    if to - from < 0.9 * channel.duration_s() {
        speed.notes.push(format!("the shaft turns from {from:.2} to {to:.2} s only"));
    }
    step(progress, "speed channel", 1, 1)?;
    Ok(speed)
}

/// Medians of blocks in Hz, as `(time, speed)`; blocks without a finite value are left out.
fn blocks_hz(channel: &Channel) -> Vec<(f64, f64)> {
    let length = ((BLOCK_S * channel.rate_hz).round() as usize).max(1);
    let factor = channel.spec.unit().si_factor();
    channel
        .values()
        .chunks(length)
        .enumerate()
        .filter_map(|(i, chunk)| {
            let mut finite: Vec<f64> =
                chunk.iter().map(|&x| f64::from(x)).filter(|x| x.is_finite()).collect();
            if finite.is_empty() {
                return None;
            }
            let middle = (i * length) as f64 + 0.5 * (chunk.len() - 1) as f64;
            Some((channel.time_s(middle), factor * median_of(&mut finite)))
        })
        .collect()
}

/// The longest run of blocks above `least` Hz.
fn longest_spell(blocks: &[(f64, f64)], least: f64) -> &[(f64, f64)] {
    let runs = blocks.split(|block| block.1 <= least || block.1 <= 0.0);
    runs.max_by_key(|run| run.len()).unwrap_or(&[])
}

/// The constant speed stated in `shaft.constant_rpm`, over the whole recording; `None` without one.
///
/// # Errors
/// [`Error::Setting`] where it is not positive or the recording is empty.
pub fn speed_as_stated(recording: &Recording, machine: &Machine) -> Result<Option<Speed>> {
    let Some(rpm) = machine.shaft.constant_rpm else { return Ok(None) };
    let start_s = recording.channels.iter().map(|c| c.start_s).fold(f64::INFINITY, f64::min);
    let end_s = recording
        .channels
        .iter()
        .map(|c| c.start_s + c.duration_s())
        .fold(f64::NEG_INFINITY, f64::max);
    let mut speed = Speed::constant(SpeedSource::Stated, rpm, start_s, end_s)?;
    speed.notes.push(format!(
        "the speed of {:.0} rpm is stated, not measured",
        rpm_from_hz(speed.hz_at(start_s))
    ));
    Ok(Some(speed))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::progress::Silent;
    use crate::recording::ChannelSpec;
    use crate::units::Unit;

    fn channel(unit: Unit, samples: Vec<f32>, rate_hz: f64) -> Channel {
        let spec = ChannelSpec { unit: Some(unit), ..ChannelSpec::named("tacho") };
        Channel::new(spec, rate_hz, samples).expect("a channel")
    }

    #[test]
    fn a_ramp_in_rpm_with_spikes() {
        // 0 for 1 s, then 6 000 rpm rising by 6 000 rpm/s, spikes of 90 000
        let samples = (0..5000)
            .map(|i| match i {
                i if i % 777 == 0 => 90_000.0,
                i if i < 1000 => 0.0,
                i => 6.0 * i as f32,
            })
            .collect();
        let speed = speed_from_channel(&channel(Unit::Rpm, samples, 1000.0), &mut Silent);
        let speed = speed.expect("a speed");
        assert_eq!(speed.source(), SpeedSource::Channel);
        for t in [1.1, 2.0, 3.3, 4.9] {
            assert!((speed.rpm_at(t) / (6000.0 * t) - 1.0).abs() < 2e-3, "{t} {}", speed.rpm_at(t));
        }
        let turns = speed.turns_at(4.0) - speed.turns_at(2.0);
        assert!((turns - 600.0).abs() < 0.5, "{turns}");
        assert!(speed.notes.iter().any(|note| note.contains("only")));
    }

    #[test]
    fn a_voltage_without_calibration_is_refused() {
        let error = speed_from_channel(&channel(Unit::Volt, vec![1.0; 500], 100.0), &mut Silent);
        let message = error.expect_err("no speed").to_string();
        assert!(
            message.contains("channel.tacho.unit") && message.contains("sensitivity"),
            "{message}"
        );
        let still = speed_from_channel(&channel(Unit::Hertz, vec![0.0; 500], 100.0), &mut Silent);
        assert!(still.is_err());
    }

    #[test]
    fn slow_samples_serve_as_they_are() {
        let samples = (0..50).map(|i| 100.0 + i as f32).collect();
        let speed = speed_from_channel(&channel(Unit::Hertz, samples, 10.0), &mut Silent);
        assert!((speed.expect("a speed").hz_at(2.55) - 125.5).abs() < 0.05);
    }
}
