//! The spectrum room against SciPy; vectors and versions in `vectors/spectrum.json`, made by
//! `tests/python/reference/make_spectrum_vectors.py`.

use std::f64::consts::TAU;
use std::sync::LazyLock;

use quietspin::dsp::window::{Window, coherent_gain, noise_bandwidth_bins};
use quietspin::spectrum::envelope::squared_envelope;
use quietspin::spectrum::integrate::convert_samples;
use quietspin::spectrum::levels::levels;
use quietspin::spectrum::spectrogram::{SpectrogramConfig, spectrogram};
use quietspin::spectrum::unpredicted::{PredictionOrder, unpredicted};
use quietspin::spectrum::{Scaling, SpectrumConfig, averaged_spectrum};
use quietspin::units::Quantity;
use serde_json::Value;

static VECTORS: LazyLock<Value> = LazyLock::new(|| {
    serde_json::from_str(include_str!("vectors/spectrum.json")).expect("valid vectors")
});

fn number(value: &Value) -> f64 {
    value.as_f64().expect("a number")
}

fn numbers(value: &Value) -> Vec<f64> {
    value.as_array().expect("a list").iter().map(number).collect()
}

fn singles(value: &Value) -> Vec<f32> {
    numbers(value).into_iter().map(|x| x as f32).collect()
}

fn window(value: &Value) -> Window {
    match value.as_str().expect("a name") {
        "rectangle" => Window::Rectangle,
        "hann" => Window::Hann,
        "hamming" => Window::Hamming,
        "blackman" => Window::Blackman,
        "blackman_harris" => Window::BlackmanHarris,
        "flat_top" => Window::FlatTop,
        "kaiser_2" => Window::Kaiser(2.0),
        "kaiser_3" => Window::Kaiser(3.0),
        other => panic!("unknown window {other}"),
    }
}

/// The samples that a list of (amplitude, frequency, phase) describes.
fn tones(case: &Value) -> Vec<f32> {
    let rate_hz = number(&case["rate_hz"]);
    let tones: Vec<Vec<f64>> =
        case["tones"].as_array().expect("a list").iter().map(numbers).collect();
    let value = |i: usize| -> f64 {
        let time_s = i as f64 / rate_hz;
        tones.iter().map(|tone| tone[0] * (TAU * tone[1] * time_s + tone[2]).cos()).sum()
    };
    (0..number(&case["count"]) as usize).map(|i| value(i) as f32).collect()
}

/// Largest difference over the largest expected value.
fn worst(found: &[f32], expected: &[f64]) -> f64 {
    assert_eq!(found.len(), expected.len());
    let scale = expected.iter().fold(0.0_f64, |high, x| high.max(x.abs()));
    let difference = |(a, b): (&f32, &f64)| (f64::from(*a) - b).abs() / scale;
    found.iter().zip(expected).map(difference).fold(0.0, f64::max)
}

#[test]
fn windows_as_scipy() {
    for case in VECTORS["windows"].as_array().expect("a list") {
        let coefficients = window(&case["window"]).coefficients(128);
        for (place, expected) in [0, 1, 17, 64, 100].into_iter().zip(numbers(&case["coefficients"]))
        {
            assert!((coefficients[place] - expected).abs() < 2e-7, "{case}");
        }
        let gain = coherent_gain(&coefficients);
        assert!((gain - number(&case["coherent_gain"])).abs() < 1e-8, "{case}");
        let bandwidth = noise_bandwidth_bins(&coefficients);
        assert!((bandwidth - number(&case["noise_bandwidth_bins"])).abs() < 1e-7, "{case}");
    }
}

#[test]
fn averages_as_scipy() {
    let samples = singles(&VECTORS["samples"]);
    for case in VECTORS["averages"].as_array().expect("a list") {
        let config = SpectrumConfig {
            window: window(&case["window"]),
            segment_len: Some(number(&case["segment_len"]) as usize),
            overlap: number(&case["overlap"]),
            ..SpectrumConfig::default()
        };
        let average =
            averaged_spectrum(&samples, number(&VECTORS["rate_hz"]), &config).expect("valid");
        for (scaling, key) in [(Scaling::Density, "density"), (Scaling::Power, "spectrum")] {
            let error = worst(&average.spectrum(scaling).values, &numbers(&case[key]));
            assert!(error < 2e-6, "{} {key}: {error:e}", case["window"]);
        }
    }
}

#[test]
fn spectrogram_as_scipy() {
    let case = &VECTORS["spectrogram"];
    let config = SpectrogramConfig {
        spectrum: SpectrumConfig {
            segment_len: Some(number(&case["segment_len"]) as usize),
            ..SpectrumConfig::default()
        },
        scaling: Scaling::Density,
        ..SpectrogramConfig::default()
    };
    let samples = singles(&VECTORS["samples"]);
    let map = spectrogram(&samples, number(&VECTORS["rate_hz"]), &config).expect("valid");
    for (found, expected) in map.times_s.iter().zip(numbers(&case["times_s"])) {
        assert!((found - expected).abs() < 1e-9);
    }
    let rows = case["rows"].as_array().expect("a list");
    assert_eq!(map.values.nrows(), rows.len());
    for (found, expected) in map.values.rows().into_iter().zip(rows) {
        let error = worst(&found.to_vec(), &numbers(expected));
        assert!(error < 3e-6, "{error:e}");
    }
}

/// SciPy filters with 1201 taps and takes the Hilbert transform of the whole; the two filters agree
/// where neither has an edge.
#[test]
fn envelope_as_scipy() {
    let case = &VECTORS["envelope"];
    let band = numbers(&case["band_hz"]);
    let rate_hz = number(&case["rate_hz"]);
    let envelope = squared_envelope(&tones(case), rate_hz, [band[0], band[1]]).expect("valid");
    let kernel = quietspin::dsp::kernel::KernelTable::new(1.0);
    let at =
        |time_s: &f64| kernel.at(&envelope.values, (time_s - envelope.offset_s) * envelope.rate_hz);
    let found: Vec<f32> = numbers(&case["times_s"]).iter().map(at).collect();
    let error = worst(&found, &numbers(&case["squared_envelope"]));
    assert!(error < 1e-4, "{error:e}");
}

#[test]
fn kurtosis_as_scipy() {
    let found = levels(&singles(&VECTORS["samples"])).expect("samples").kurtosis;
    assert!((found / number(&VECTORS["kurtosis"]) - 1.0).abs() < 1e-6);
}

#[test]
fn integration_as_numpy() {
    let case = &VECTORS["integral"];
    let (from, to) = (Quantity::Acceleration, Quantity::Velocity);
    let corner_hz = number(&case["corner_hz"]);
    let velocity = convert_samples(&tones(case), number(&case["rate_hz"]), from, to, corner_hz);
    let velocity = velocity.expect("valid");
    let places = numbers(&case["places"]);
    let found: Vec<f32> = places.iter().map(|&place| velocity[place as usize]).collect();
    let error = worst(&found, &numbers(&case["velocity"]));
    assert!(error < 1e-3, "{error:e}");
}

#[test]
fn linear_prediction_as_scipy() {
    let samples = singles(&VECTORS["samples"]);
    for case in VECTORS["prediction"].as_array().expect("a list") {
        let order = number(&case["order"]) as usize;
        let found = unpredicted(&samples, PredictionOrder::Fixed(order)).expect("long enough");
        assert_eq!(found.order, order);
        for (a, b) in found.coefficients.iter().zip(numbers(&case["coefficients"])) {
            assert!((a - b).abs() < 2e-6, "{order}: {a} {b}");
        }
        let some: Vec<f32> = found.values.iter().step_by(7).copied().collect();
        let error = worst(&some, &numbers(&case["left"]));
        assert!(error < 2e-6, "{order}: {error:e}");
        assert!((found.share_left / number(&case["share_left"]) - 1.0).abs() < 1e-5);
    }
}
