//! What linear prediction leaves of a signal: tones and ringing can be foretold from the samples before, an
//! impact cannot.
//!
//! Sources: N. Sawalhi, R. B. Randall, H. Endo, Mech. Syst. Signal Process. 21 (2007) 2616-2633 (the order of
//! highest kurtosis, below the distance of impacts); H. Akaike, IEEE Trans. Autom. Control 19 (1974) 716-723.
//! Both from memory.

use serde::{Deserialize, Serialize};

use crate::dsp::moments::{self, Moments};
use crate::dsp::prediction::{self, Predictors};
use crate::error::{Error, Result};

/// The highest order that can be asked for.
pub const HIGHEST_ORDER: usize = 4096;
/// Samples per order at least: fewer do not determine its coefficients.
const SAMPLES_PER_ORDER: usize = 8;
/// Samples from the middle of the signal on which orders are compared by kurtosis.
const COMPARED: usize = 1 << 17;

/// How many samples before it a sample is predicted from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum PredictionOrder {
    /// So many.
    Fixed(usize),
    /// The order up to this whose rest has the highest kurtosis. Keep it below the samples between two
    /// impacts, or the next impact is foretold by the last.
    Impulsive(usize),
    /// The order up to this of least `n ln(mean square left) + 2 order` (Akaike).
    Akaike(usize),
}

impl Default for PredictionOrder {
    /// The most impulsive rest of orders up to 100.
    fn default() -> Self {
        Self::Impulsive(100)
    }
}

/// What is left.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Unpredicted {
    /// Samples less their mean and their prediction, as many as came in, in their unit. Up to the order from
    /// the start the prediction has not all the samples that it needs.
    pub values: Vec<f32>,
    /// The order taken.
    pub order: usize,
    /// Coefficients: the prediction of a sample is the sum of `coefficients[k]` times the sample `k + 1`
    /// before.
    pub coefficients: Vec<f64>,
    /// Mean square of what is left over that of the samples about their mean; 1 where nothing was foretold.
    pub share_left: f64,
}

/// Takes out of samples what can be predicted linearly from those before.
///
/// # Errors
/// [`Error::Setting`] where the order is 0 or above [`HIGHEST_ORDER`], [`Error::TooLittle`] where there are
/// fewer than eight samples per order.
pub fn unpredicted(samples: &[f32], order: PredictionOrder) -> Result<Unpredicted> {
    let (PredictionOrder::Fixed(highest)
    | PredictionOrder::Impulsive(highest)
    | PredictionOrder::Akaike(highest)) = order;
    if !(1..=HIGHEST_ORDER).contains(&highest) {
        let mend = format!("choose 1 to {HIGHEST_ORDER}");
        return Err(Error::setting("order", format!("the order is {highest}"), mend));
    }
    if samples.len() < SAMPLES_PER_ORDER * highest {
        return Err(Error::too_little(
            format!("linear prediction of order {highest}"),
            format!("{} samples", SAMPLES_PER_ORDER * highest),
            format!("{}", samples.len()),
        ));
    }
    let mean = moments::mean(samples) as f32;
    let centred: Vec<f32> = samples.iter().map(|x| x - mean).collect();
    let predictors = Predictors::of(&prediction::autocorrelation(&centred, highest));
    let order = match order {
        PredictionOrder::Fixed(order) => order.min(predictors.highest()),
        PredictionOrder::Impulsive(_) => most_impulsive(&centred, &predictors),
        PredictionOrder::Akaike(_) => least_criterion(centred.len(), &predictors),
    };
    let coefficients = predictors.coefficients(order);
    let values = prediction::left_of(&centred, &coefficients);
    let before = moments::mean_square(&centred);
    let share_left = if before > 0.0 { moments::mean_square(&values) / before } else { 1.0 };
    Ok(Unpredicted { values, order, coefficients, share_left })
}

/// The order whose rest has the highest kurtosis, by the middle of the samples.
fn most_impulsive(samples: &[f32], predictors: &Predictors) -> usize {
    let from = samples.len().saturating_sub(COMPARED) / 2;
    let middle = &samples[from..(from + COMPARED).min(samples.len())];
    let settled = predictors.highest();
    let mut best = (0, Moments::of(&middle[settled..]).kurtosis());
    prediction::each_left(middle, predictors, |order, left| {
        let kurtosis = Moments::of(&left[settled..]).kurtosis();
        if kurtosis > best.1 {
            best = (order, kurtosis);
        }
    });
    best.0
}

/// The order of least criterion of Akaike.
fn least_criterion(samples: usize, predictors: &Predictors) -> usize {
    let criterion = |(order, left): (usize, &f64)| {
        (order, samples as f64 * left.max(f64::MIN_POSITIVE).ln() + 2.0 * order as f64)
    };
    let all = predictors.left.iter().enumerate().map(criterion);
    all.min_by(|a, b| a.1.total_cmp(&b.1)).map_or(0, |(order, _)| order)
}

#[cfg(test)]
mod tests {
    use std::f64::consts::TAU;

    use super::*;
    use crate::dsp::test_noise::Random;

    const PERIOD: usize = 487;

    /// Two strong tones, and impacts in weak noise that ring.
    fn machine(n: usize) -> Vec<f32> {
        let mut random = Random(3);
        let (mut last, mut before) = (0.0, 0.0);
        let mut next = |i: usize| {
            let strike = if i % PERIOD == 100 { 1.0 } else { 0.0 };
            let ring = 1.5 * last - 0.81 * before + strike;
            (before, last) = (last, ring);
            let tones =
                3.0 * (TAU * 0.011 * i as f64).sin() + 2.0 * (TAU * 0.0373 * i as f64).cos();
            (ring + tones + 0.05 * random.next() + 7.0) as f32
        };
        (0..n).map(&mut next).collect()
    }

    #[test]
    fn tones_and_ringing_go_and_impacts_stay() {
        let samples = machine(60_000);
        let left = unpredicted(&samples, PredictionOrder::default()).expect("long enough");
        assert!(left.order >= 4 && left.order <= 100 && left.values.len() == samples.len());
        assert!(left.share_left < 2e-3, "{}", left.share_left);
        let (before, after) =
            (Moments::of(&samples).kurtosis(), Moments::of(&left.values[100..]).kurtosis());
        assert!(before < 3.0 && after > 50.0, "{before} {after}");
        // the sharpest samples are the strikes themselves
        let strikes = left.values.iter().enumerate().skip(200).filter(|(_, x)| x.abs() > 0.5);
        assert!(strikes.clone().all(|(i, _)| i % PERIOD == 100));
        assert_eq!(strikes.count(), 59_900_usize.div_ceil(PERIOD) - 1);
    }

    #[test]
    fn akaike_finds_about_the_order_of_a_process() {
        let mut random = Random(17);
        let mut past = [0.0_f64; 4];
        let mut next = || {
            let [a, b, c, d] = past;
            let value = 1.1 * a - 0.6 * b + 0.3 * c - 0.4 * d + random.next();
            past = [value, a, b, c];
            value as f32
        };
        let samples: Vec<f32> = (0..50_000).map(|_| next()).collect();
        let left = unpredicted(&samples, PredictionOrder::Akaike(40)).expect("long enough");
        assert!((4..=12).contains(&left.order), "{}", left.order);
        assert!((left.coefficients[3] + 0.4).abs() < 0.03, "{:?}", left.coefficients);
    }

    #[test]
    fn silence_and_scraps() {
        let silent = unpredicted(&[2.0; 1000], PredictionOrder::Fixed(10)).expect("long enough");
        assert_eq!((silent.order, silent.share_left), (0, 1.0));
        assert!(silent.values.iter().all(|&x| x == 0.0));
        assert!(unpredicted(&[0.0; 1000], PredictionOrder::Fixed(0)).is_err());
        assert!(matches!(
            unpredicted(&[0.0; 70], PredictionOrder::Fixed(10)),
            Err(Error::TooLittle { .. })
        ));
    }
}
