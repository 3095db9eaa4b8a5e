//! The shape of a signal: crest factor and kurtosis of the channel's own quantity.
//!
//! Both are medians over blocks of a second at the speeds that are judged: the highest of many blocks
//! would only grow with their number.

use super::levels::{Decision, Level, counts, rpm_at};
use super::{Case, View};
use crate::dsp::stats;
use crate::spectrum::levels::{Levels, levels};

/// Length of a block in seconds.
const BLOCK_S: f64 = 1.0;
/// Shortest stretch that has a shape, in samples.
const LEAST_SAMPLES: usize = 256;
/// Blocks from which their scatter tells how sure the median is (judgement, no source).
const LEAST_BLOCKS: usize = 4;
/// Standard error of a median over that of a mean (normal law: sqrt(pi / 2)).
const MEDIAN_ERROR: f64 = 1.2533;

/// Crest factor and kurtosis of a channel; empty where it is too short or does not move. Fewer than four blocks
/// give no uncertainty.
pub fn of(view: &View) -> Vec<Level> {
    let blocks = blocks(view);
    if blocks.is_empty() {
        return Vec::new();
    }
    let crest: Vec<f64> = blocks.iter().map(|block| block.crest_factor).collect();
    let kurtosis: Vec<f64> = blocks.iter().map(|block| block.kurtosis).collect();
    vec![
        level(view, "crest_factor", "crest factor", &crest),
        level(view, "kurtosis", "kurtosis", &kurtosis),
    ]
}

fn blocks(view: &View) -> Vec<Levels> {
    let (channel, case): (_, &Case) = (view.channel, view.case);
    let values = channel.values();
    let len = ((BLOCK_S * channel.rate_hz) as usize)
        .clamp(LEAST_SAMPLES, values.len().max(LEAST_SAMPLES));
    let middle_s = |k: usize| channel.time_s((k as f64 + 0.5) * len as f64);
    let judged = values.chunks_exact(len).enumerate();
    let judged = judged.filter(|(k, _)| counts(case, rpm_at(case, middle_s(*k))));
    judged.filter_map(|(_, block)| levels(block).ok()).filter(|block| block.rms > 0.0).collect()
}

fn level(view: &View, id: &str, name: &str, values: &[f64]) -> Level {
    let value = stats::median(values);
    let error = MEDIAN_ERROR * stats::robust_deviation(values) / (values.len() as f64).sqrt();
    let error = if values.len() < LEAST_BLOCKS { f64::NAN } else { error };
    Level {
        channel: view.name().to_owned(),
        id: id.to_owned(),
        name: name.to_owned(),
        value,
        unit: String::new(),
        band_hz: None,
        at_rpm: None,
        uncertainty: error / value.max(f64::MIN_POSITIVE),
        limit: None,
        decision: Decision::NoLimit,
        zone: None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::machine::Machine;
    use crate::recording::{Channel, ChannelSpec, Recording, Role};

    fn shape(value: impl Fn(usize) -> f64) -> Vec<Level> {
        shape_of(5000, value)
    }

    fn shape_of(count: usize, value: impl Fn(usize) -> f64) -> Vec<Level> {
        let spec = ChannelSpec { role: Some(Role::Vibration), ..ChannelSpec::named("a") };
        let samples = (0..count).map(|i| value(i) as f32).collect();
        let channel = Channel::new(spec, 1000.0, samples).expect("valid");
        let recording = Recording::from_channels("r", vec![channel]).expect("valid");
        let case = Case::new(recording, Machine::default(), None);
        let view = case.views().next().expect("a channel");
        of(&view)
    }

    /// Exact: a sine has crest √2 and kurtosis 1.5; one knock in five seconds moves no median.
    #[test]
    fn a_sine_with_one_knock_has_the_shape_of_a_sine() {
        let sine = |i: usize| (std::f64::consts::TAU * i as f64 / 40.0).sin();
        let made = shape(|i| if i == 2345 { 50.0 } else { sine(i) });
        let [crest, kurtosis] = made.as_slice() else { panic!("{made:?}") };
        assert!((crest.value - 2.0_f64.sqrt()).abs() < 1e-3, "{crest:?}");
        assert!((kurtosis.value - 1.5).abs() < 1e-3, "{kurtosis:?}");
        assert_eq!((crest.id.as_str(), kurtosis.id.as_str()), ("crest_factor", "kurtosis"));
    }

    /// Three blocks of a second do not tell how sure their median is.
    #[test]
    fn few_blocks_state_no_uncertainty() {
        let sine = |i: usize| (std::f64::consts::TAU * i as f64 / 40.0).sin();
        let of_blocks = |count: usize| shape_of(1000 * count, sine);
        assert!(of_blocks(3).iter().all(|level| level.uncertainty.is_nan() && level.value > 1.0));
        assert!(of_blocks(4).iter().all(|level| level.uncertainty.is_finite()));
        assert_eq!((of_blocks(3).len(), of_blocks(4).len()), (2, 2));
    }

    #[test]
    fn a_dead_channel_has_none() {
        assert!(shape(|_| 3.0).is_empty());
    }
}
