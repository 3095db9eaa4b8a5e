//! Readings from recordings as a rig would make them, through the code that reads vectors.

use num_complex::Complex64;
use quietspin::balance::size_at;
use quietspin::balance::vectors::{Ask, measure};
use quietspin::progress::Silent;
use quietspin::simulate::{
    Place, Rotor as Design, Scenario, Sensor, SpeedProfile, Unbalance, simulate,
};
use quietspin::speed::choose;
use quietspin::units::Unit;

use super::rig::{Body, SENSOR_DEG};

/// Sampling rate in Hz.
const RATE_HZ: f64 = 25_600.0;
/// Length of a recording: at least so many seconds and turns.
const LEAST_S: f64 = 1.0;
const LEAST_TURNS: f64 = 200.0;

/// What a recording is to hold beside the rotor's vibration.
pub struct Rig<'a> {
    pub body: &'a Body,
    /// Noise of both parts of each reading, in m/s².
    pub noise: &'a [f64],
    /// By how much each reading is too large, in percent.
    pub gain_percent: Vec<f64>,
    /// The largest reading to expect, in m/s².
    pub largest: f64,
    pub seed: u64,
}

impl Rig<'_> {
    /// Reads the vectors of a spin with this unbalance in the planes, in g mm, and their standard errors, in m/s²;
    /// `None` where a recording is refused.
    pub fn read(&self, unbalance: &[Complex64]) -> Option<(Vec<Complex64>, Vec<f64>)> {
        let mut all = (Vec::new(), Vec::new());
        let mut from = 0;
        while from < self.body.readings.len() {
            let rpm = self.body.readings[from].1;
            let same = self.body.readings[from..].iter().take_while(|(_, other)| *other == rpm);
            let upto = from + same.count();
            self.read_at(rpm, from..upto, unbalance, &mut all)?;
            from = upto;
        }
        Some(all)
    }

    /// Records at one speed and adds what it reads.
    fn read_at(
        &self,
        rpm: f64,
        range: std::ops::Range<usize>,
        unbalance: &[Complex64],
        all: &mut (Vec<Complex64>, Vec<f64>),
    ) -> Option<()> {
        let places: Vec<Place> = range.clone().map(|r| self.body.readings[r].0).collect();
        let length_s = LEAST_S.max(LEAST_TURNS * 60.0 / rpm);
        // a phasor of N samples with white noise s has s sqrt(2 / N) in both parts
        let of_white = (0.5 * RATE_HZ * length_s).sqrt();
        let sensor = range.clone().zip(&places).map(|(r, place)| Sensor {
            name: place.word().into(),
            place: *place,
            angle_deg: SENSOR_DEG,
            unit: Unit::MeterPerSecond2,
            full_scale: 4.0 * self.largest,
            gain_error_percent: self.gain_percent[r],
            noise_rms: self.noise[r] * of_white,
            ..Sensor::default()
        });
        let residual = (unbalance.iter().zip(self.body.planes_mm))
            .map(|(unbalance, position_mm)| {
                let (g_mm, deg) = size_at(*unbalance);
                Unbalance { position_mm, g_mm, deg }
            })
            .collect();
        let mut scenario = Scenario {
            rotor: Design { residual, ..self.body.design.clone() },
            speed: SpeedProfile { wander_percent: 0.005, ..SpeedProfile::constant(rpm, length_s) },
            sensor: sensor.collect(),
            ..Scenario::default()
        };
        scenario.converter.rate_hz = RATE_HZ;
        // wide enough for several samples at the highest speeds
        scenario.pulse.width = 0.3;
        // the noise is that of the sensors alone, so that it is what the column says
        scenario.background.idle_m_s2_rms = 0.0;
        scenario.background.top_m_s2_rms = 0.0;
        scenario.background.harmonics_m_s2 = 0.02 * self.largest;
        scenario.background.resonance.clear();
        // a method gone astray asks for what no rotor could carry
        let made = simulate(&scenario, self.seed).ok()?;
        let speed = choose::choose(&made.recording, &made.machine, &mut Silent)
            .and_then(choose::Choice::into_speed)
            .ok()?;
        let sensors = places.iter().map(|place| place.word().to_owned()).collect();
        let largest_peak = vec![self.largest; places.len()];
        let ask = Ask { sensors, rpm: vec![rpm], largest_peak, ..Ask::default() };
        let read = measure(&made.recording, &made.machine, &speed, &ask);
        for reading in read.ok()? {
            all.0.push(reading.phasor);
            all.1.push(reading.error);
        }
        Some(())
    }
}
