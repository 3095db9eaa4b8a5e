//! What each stage costs on one recording: `cargo bench`, or `cargo bench -- track` for some of them.
//!
//! The recording is the sample of a machine with a worn bearing. Throughput is in samples of one channel,
//! so that stages compare.

use std::hint::black_box;
use std::path::Path;

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use quietspin::angle::locked::part_locked;
use quietspin::angle::resample::{Sampled, samples_per_turn_for};
use quietspin::angle::tracking_filter::TrackingFilter;
use quietspin::angle::windows::Length;
use quietspin::angle::{Method, OrderMap, Resampler, Wave, follow};
use quietspin::diagnose;
use quietspin::machine::{Machine, parse};
use quietspin::progress::Silent;
use quietspin::recording::{Channel, Recording, Role, read, spec};
use quietspin::spectrum::cyclic::{CyclicConfig, Rhythm, cyclic_spectrum};
use quietspin::spectrum::modulated_bands::{ModulationSearch, bands_by_modulation};
use quietspin::spectrum::unpredicted::{PredictionOrder, unpredicted};
use quietspin::spectrum::{averaged, bands, envelope, spectrogram};
use quietspin::speed::blind::{self, Prior};
use quietspin::speed::{Speed, pulses};

/// One sample recording, ready for every stage.
struct Bench {
    recording: Recording,
    machine: Machine,
    speed: Speed,
}

impl Bench {
    fn new() -> Self {
        let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("samples/recordings");
        let file = folder.join("bearing.machine.toml");
        let machine = parse::read(&file).expect("a sample");
        let recording = read::read(&folder.join("bearing.wav"), &mut Silent).expect("a sample");
        let recording = spec::apply_specs(recording, &machine.channel, &file).expect("they match");
        let pulse = recording.with_role(Role::Pulse).next().expect("a pulse channel");
        let speed = pulses::speed_from_pulses(pulse, &mut Silent).expect("a turning shaft");
        Self { recording, machine, speed }
    }

    fn vibration(&self) -> &Channel {
        self.recording.with_role(Role::Vibration).next().expect("a vibration channel")
    }
}

fn speeds(criterion: &mut Criterion) {
    let bench = Bench::new();
    let pulse = bench.recording.with_role(Role::Pulse).next().expect("a pulse channel");
    let mut group = criterion.benchmark_group("speed");
    group.throughput(Throughput::Elements(pulse.len() as u64)).sample_size(10);
    group.bench_function("from pulses", |b| {
        b.iter(|| pulses::speed_from_pulses(black_box(pulse), &mut Silent));
    });
    group.bench_function("without pulses", |b| {
        b.iter(|| blind::estimate(black_box(bench.vibration()), &Prior::default()));
    });
    group.finish();
}

fn angles(criterion: &mut Criterion) {
    let bench = Bench::new();
    let (channel, speed) = (bench.vibration(), &bench.speed);
    let mut group = criterion.benchmark_group("angle");
    group.throughput(Throughput::Elements(channel.len() as u64)).sample_size(20);
    group.bench_function("resampling", |b| {
        b.iter(|| {
            let mut sum = 0.0;
            Resampler::new(Sampled::of(channel), speed, samples_per_turn_for(13.0))
                .expect("long enough")
                .run(black_box(channel.values()), |turn| sum += turn.values[0]);
            sum
        });
    });
    group.bench_function("order map", |b| {
        b.iter(|| OrderMap::of_channel(black_box(channel), speed, 13.0));
    });
    let methods = [
        ("track, blocks", Method::Windows(Length::Seconds(0.1))),
        ("track, transform", Method::Windows(Length::Turns(16.0))),
        ("track, filter", Method::Filter(TrackingFilter::default())),
    ];
    let waves = [1.0, 2.0].map(|order| Wave { speed, order });
    for (name, method) in methods {
        group.bench_function(name, |b| {
            b.iter(|| follow(black_box(channel), &waves, &method, &mut Silent));
        });
    }
    group.finish();
}

fn spectra(criterion: &mut Criterion) {
    let bench = Bench::new();
    let channel = bench.vibration();
    let (values, rate_hz) = (channel.values(), channel.rate_hz);
    let mut group = criterion.benchmark_group("spectrum");
    group.throughput(Throughput::Elements(channel.len() as u64)).sample_size(20);
    group.bench_function("averaged", |b| {
        b.iter(|| averaged::averaged_spectrum(black_box(values), rate_hz, &Default::default()));
    });
    group.bench_function("spectrogram", |b| {
        b.iter(|| spectrogram::spectrogram(black_box(values), rate_hz, &Default::default()));
    });
    group.bench_function("bands ranked", |b| {
        b.iter(|| bands::ranked_bands(black_box(values), rate_hz, &Default::default()));
    });
    group.bench_function("squared envelope", |b| {
        let band_hz = [0.2 * rate_hz, 0.3 * rate_hz];
        b.iter(|| envelope::squared_envelope(black_box(values), rate_hz, band_hz));
    });
    group.bench_function("linear prediction, order 32", |b| {
        b.iter(|| unpredicted(black_box(values), PredictionOrder::Fixed(32)));
    });
    group.bench_function("linear prediction, most impulsive", |b| {
        b.iter(|| unpredicted(black_box(values), PredictionOrder::default()));
    });
    group.finish();
}

fn rhythms(criterion: &mut Criterion) {
    let bench = Bench::new();
    let (channel, speed) = (bench.vibration(), &bench.speed);
    let (values, rate_hz, start_s) = (channel.values(), channel.rate_hz, channel.time_s(0.0));
    let mut group = criterion.benchmark_group("rhythm");
    group.throughput(Throughput::Elements(channel.len() as u64)).sample_size(10);
    group.bench_function("locked taken out", |b| {
        b.iter(|| part_locked(black_box(channel), speed, &Default::default()));
    });
    group.bench_function("spectral coherence", |b| {
        let rhythm = Rhythm::Orders { speed, start_s };
        let config = CyclicConfig { highest: 8.0, ..CyclicConfig::default() };
        b.iter(|| cyclic_spectrum(black_box(values), rate_hz, rhythm, &config));
    });
    group.bench_function("bands by rhythm", |b| {
        let search = ModulationSearch::at([3.1, 6.2]);
        b.iter(|| bands_by_modulation(black_box(values), rate_hz, speed, start_s, &search));
    });
    group.finish();
}

fn whole(criterion: &mut Criterion) {
    let bench = Bench::new();
    let mut group = criterion.benchmark_group("whole");
    group.throughput(Throughput::Elements(bench.vibration().len() as u64)).sample_size(10);
    group.bench_function("diagnosis", |b| {
        b.iter(|| {
            diagnose::diagnose(black_box(&bench.recording), &bench.machine, true, &mut Silent)
        });
    });
    group.finish();
}

criterion_group!(stages, speeds, angles, spectra, rhythms, whole);
criterion_main!(stages);
