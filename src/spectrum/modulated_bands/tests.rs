//! Rhythms beside knocks and sparks, and noise that has none.

use std::f64::consts::TAU;

use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

use super::*;
use crate::spectrum::bands::{BandSearch, chosen, ranked_bands};
use crate::speed::SpeedSource;

const RATE_HZ: f64 = 20_480.0;
const SPEED_HZ: f64 = 30.0;
/// The outer race of a 6205: Case Western Reserve University Bearing Data Center.
const OUTER: f64 = 3.5848;

fn speed(seconds: f64) -> Speed {
    Speed::constant(SpeedSource::Pulse, 60.0 * SPEED_HZ, 0.0, seconds).expect("positive")
}

fn noise(random: &mut ChaCha8Rng, n: usize) -> Vec<f32> {
    (0..n).map(|_| StandardNormal.sample(random)).collect()
}

/// Adds a blow at a time that rings at `ring_hz` for half a millisecond.
fn add_blow(samples: &mut [f32], at_s: f64, ring_hz: f64, height: f64) {
    let first = (at_s * RATE_HZ) as usize;
    for (i, x) in samples.iter_mut().skip(first).take(100).enumerate() {
        let t = i as f64 / RATE_HZ;
        *x += (height * (-t / 5e-4).exp() * (TAU * ring_hz * t).sin()) as f32;
    }
}

fn harmonics() -> Vec<f64> {
    (1..=3).map(|k| f64::from(k) * OUTER).collect()
}

/// Impacts that ring at 6 kHz, one knock two hundred times the noise, and sparks at random times near 3.2 kHz.
fn with_sparks(seed: u64) -> Vec<f32> {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let n = (8.0 * RATE_HZ) as usize;
    let mut samples = noise(&mut random, n);
    let mut turns = random.random::<f64>() / OUTER;
    while turns < 8.0 * SPEED_HZ {
        let jitter: f64 = StandardNormal.sample(&mut random);
        add_blow(&mut samples, turns / SPEED_HZ, 6000.0, 3.0);
        turns += (1.0 + 0.01 * jitter) / OUTER;
    }
    for _ in 0..1200 {
        let height = 8.0 + 4.0 * random.random::<f64>();
        add_blow(&mut samples, 8.0 * random.random::<f64>(), 3200.0, height);
    }
    add_blow(&mut samples, 3.3, 300.0, 200.0);
    samples
}

#[test]
fn the_rhythm_is_found_where_kurtosis_finds_the_sparks() {
    for seed in 0..3 {
        let samples = with_sparks(seed);
        let kurtosis = ranked_bands(&samples, RATE_HZ, &BandSearch::default()).expect("long");
        let highest = kurtosis.iter().max_by(|a, b| a.kurtosis.total_cmp(&b.kurtosis));
        for [low, high] in [highest.expect("bands").band_hz, chosen(&kurtosis).expect("sparks")] {
            assert!(!(low..high).contains(&6000.0), "{seed}: {low} {high}");
        }
        let search = ModulationSearch::at(harmonics());
        let found =
            bands_by_modulation(&samples, RATE_HZ, &speed(8.0), 0.0, &search).expect("long");
        let best = found.chosen(1e-6).expect("clear of noise");
        let [low, high] = best.band_hz;
        assert!(low < 6000.0 && high > 6000.0 && low > 3000.0, "{seed}: {low} {high}");
        assert!((best.lines[0].order - OUTER).abs() < 0.02 && best.lines[0].over_floor > 20.0);
    }
}

/// Noise through a resonance that a few drawn numbers set, with harmonics of the shaft that beat.
fn no_rhythm(kind: u64, seed: u64, n: usize) -> Vec<f32> {
    let mut random = ChaCha8Rng::seed_from_u64(1000 * kind + seed);
    let mut samples = noise(&mut random, n);
    if kind > 0 {
        let (hz, radius) = (2000.0 + 5000.0 * random.random::<f64>(), 0.97_f32);
        let feedback = 2.0 * radius * (TAU * hz / RATE_HZ).cos() as f32;
        let (mut last, mut before) = (0.0, 0.0);
        for x in &mut samples {
            let value = feedback * last - radius * radius * before + *x;
            (before, last) = (last, value);
            *x = value;
        }
    }
    if kind > 1 {
        for (i, x) in samples.iter_mut().enumerate() {
            let turn = TAU * SPEED_HZ * i as f64 / RATE_HZ;
            let value: f64 = (1..120).map(f64::from).map(|k| (k * turn + k * k).cos()).sum();
            *x += 0.5 * value as f32;
        }
    }
    samples
}

/// The share of recordings without a rhythm in which one is found at a chance of 0.01, and of 0.1.
fn false_alarms(recordings: u64, n: usize) -> (u64, u64) {
    let search = ModulationSearch::at(harmonics());
    let (mut rare, mut common) = (0, 0);
    for seed in 0..recordings {
        let samples = no_rhythm(seed % 3, seed, n);
        let speed = speed(n as f64 / RATE_HZ);
        let found = bands_by_modulation(&samples, RATE_HZ, &speed, 0.0, &search).expect("long");
        rare += u64::from(found.chosen(0.01).is_some());
        common += u64::from(found.chosen(0.1).is_some());
    }
    (rare, common)
}

/// At most as often as stated: of 150 recordings a chance of 0.01 is met in 7 or more, and one of 0.1 in 29 or
/// more, once in a thousand such tests (binomial law).
#[test]
fn noise_is_chosen_no_more_often_than_stated() {
    let (rare, common) = false_alarms(150, 32_768);
    assert!(rare <= 6 && common <= 28, "{rare} {common}");
}

#[test]
fn heights_tell_how_often_noise_was_averaged() {
    let mut random = ChaCha8Rng::seed_from_u64(8);
    for looks in [1_usize, 4, 16] {
        let exponential = |random: &mut ChaCha8Rng| -(1.0 - random.random::<f64>()).ln();
        let cells: Vec<f32> = (0..4000)
            .map(|_| (0..looks).map(|_| exponential(&mut random)).sum::<f64>() as f32)
            .collect();
        let found = own_looks(&cells, 40.0);
        assert!((found / looks as f64 - 1.0).abs() < 0.2, "{looks}: {found}");
        assert!(own_looks(&cells, 0.5 * looks as f64) <= 0.5 * looks as f64);
    }
}

#[test]
fn chances_of_any_of_many() {
    assert!((ln_of_any(0.01_f64.ln(), 10.0).exp() - (1.0 - 0.99_f64.powi(10))).abs() < 1e-12);
    assert!((ln_of_any(-50.0, 10.0) - (10.0_f64.ln() - 50.0)).abs() < 1e-12);
    assert_eq!(ln_of_any(0.0, 5.0), 0.0);
}

#[test]
fn the_shaft_and_what_is_too_fast_say_nothing() {
    let samples = no_rhythm(2, 1, 60_000);
    let run = |search: ModulationSearch| {
        bands_by_modulation(&samples, RATE_HZ, &speed(2.9), 0.0, &search)
    };
    let whole =
        run(ModulationSearch { tolerance: 0.0, ..ModulationSearch::at([3.0]) }).expect("long");
    assert!(whole.bands.iter().all(|band| band.lines.is_empty()));
    assert_eq!((whole.chance(), whole.chosen(0.5)), (1.0, None));
    assert!(matches!(run(ModulationSearch::at([200.0])), Err(Error::Setting { .. })));
    assert!(run(ModulationSearch::at([])).is_err() && run(ModulationSearch::at([-1.0])).is_err());
    assert!(run(ModulationSearch { tolerance: 0.5, ..ModulationSearch::at([3.5]) }).is_err());
}

#[test]
fn a_search_that_cannot_be_made_names_its_setting() {
    let samples = no_rhythm(2, 1, 60_000);
    let at = || ModulationSearch::at([3.5]);
    let wrong = [
        ("low_hz", ModulationSearch { low_hz: 3000.0, high_hz: Some(2000.0), ..at() }),
        ("low_hz", ModulationSearch { low_hz: -1.0, ..at() }),
        ("high_hz", ModulationSearch { high_hz: Some(0.6 * RATE_HZ), ..at() }),
        ("least_width_hz", ModulationSearch { least_width_hz: Some(RATE_HZ), ..at() }),
        ("least_width_hz", ModulationSearch { least_width_hz: Some(0.0), ..at() }),
        ("orders", ModulationSearch { high_hz: Some(1000.0), ..ModulationSearch::at([200.0]) }),
    ];
    for (setting, search) in wrong {
        let told = bands_by_modulation(&samples, RATE_HZ, &speed(2.9), 0.0, &search).unwrap_err();
        assert!(matches!(told, Error::Setting { .. }), "{told}");
        assert!(told.to_string().starts_with(setting), "{setting}: {told}");
    }
}
