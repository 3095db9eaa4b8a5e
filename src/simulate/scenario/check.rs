//! Whether a scenario can be simulated: ranges and contradictions.

use std::path::Path;

use crate::error::{Error, Result};
use crate::machine::parse::validate;
use crate::units::Quantity;

use super::super::machine_file;
use super::super::sensors::tail_s;
use super::super::timebase::LEAD_S;
use super::{BearingDefect, PulseSensor, Scenario, Sensor, SensorKind, Support};

/// Longest recording that is simulated, in s: all of it is held in memory.
const LONGEST_S: f64 = 600.0;

/// Most samples that are simulated, all channels together: a dozen bytes of each are in memory.
const MOST_SAMPLES: f64 = 200e6;

/// Shortest run-up or run-down in s: speed cannot jump.
const SHORTEST_RAMP_S: f64 = 0.05;

impl Scenario {
    /// Checks every range.
    ///
    /// # Errors
    /// [`Error::Setting`] naming the first key out of range.
    pub fn check(&self) -> Result<()> {
        check_name(&self.name)?;
        self.check_speed()?;
        self.check_rotor()?;
        self.check_background()?;
        self.check_channels()?;
        self.check_faults()?;
        self.check_size()?;
        self.check_machine_file()
    }

    /// Refuses what would not fit into memory.
    fn check_size(&self) -> Result<()> {
        let channels = self.sensor.len() + usize::from(self.pulse.fitted);
        let corners = self.sensor.iter().map(|sensor| sensor.corner_hz);
        let corners = corners.chain(self.pulse.fitted.then_some(self.pulse.corner_hz));
        let tail_s = corners.flatten().map(tail_s).fold(0.0, f64::max);
        let seconds = self.speed.duration_s() + LEAD_S + tail_s;
        let samples = self.converter.rate_hz * seconds * channels as f64;
        if samples <= MOST_SAMPLES {
            return Ok(());
        }
        Err(Error::setting(
            "speed",
            format!("{channels} channels would have {:.0} million samples", samples / 1e6),
            format!(
                "keep below {:.0} million: shorten it, lower converter.rate_hz, raise corner_hz or leave out sensors",
                MOST_SAMPLES / 1e6
            ),
        ))
    }

    /// Refuses what the machine file of the scenario could not state.
    fn check_machine_file(&self) -> Result<()> {
        validate(&machine_file::machine(self), Path::new("")).map_err(|error| match error {
            Error::Input { place, problem, mend, .. } => Error::setting(place, problem, mend),
            other => other,
        })
    }

    fn check_speed(&self) -> Result<()> {
        let s = &self.speed;
        within("speed.start_rpm", s.start_rpm, 0.0, 1e6)?;
        within("speed.top_rpm", s.top_rpm, 1.0, 1e6)?;
        within("speed.end_rpm", s.end_rpm, 0.0, 1e6)?;
        let spans = [
            ("speed.wait_s", s.wait_s),
            ("speed.up_s", s.up_s),
            ("speed.hold_s", s.hold_s),
            ("speed.down_s", s.down_s),
            ("speed.after_s", s.after_s),
        ];
        for (key, seconds) in spans {
            within(key, seconds, 0.0, LONGEST_S)?;
        }
        within("the length of the recording in s", s.duration_s(), 0.01, LONGEST_S)?;
        let ramps = [
            ("speed.up_s", s.up_s, s.wait_s > 0.0 && s.start_rpm != s.top_rpm),
            ("speed.down_s", s.down_s, s.after_s > 0.0 && s.end_rpm != s.top_rpm),
        ];
        for (key, seconds, needed) in ramps {
            if (needed || seconds > 0.0) && seconds < SHORTEST_RAMP_S {
                return Err(Error::setting(
                    key,
                    format!("{seconds} s are too short for a change of speed"),
                    format!("give it at least {SHORTEST_RAMP_S} s"),
                ));
            }
        }
        within("speed.wander_percent", s.wander_percent, 0.0, 5.0)?;
        within("converter.rate_hz", self.converter.rate_hz, 1000.0, 1e6)
    }

    fn check_rotor(&self) -> Result<()> {
        let r = &self.rotor;
        within("rotor.mass_kg", r.mass_kg, 1e-4, 1e4)?;
        within("rotor.polar_kg_m2", r.polar_kg_m2, 0.0, 1e4)?;
        within("rotor.transverse_kg_m2", r.transverse_kg_m2, 1e-12, 1e4)?;
        within("rotor.span_mm", r.span_mm, 0.1, 1e5)?;
        within("rotor.centre_mm", r.centre_mm, -1e5, 1e5)?;
        // a body's moments of inertia obey a triangle rule
        if r.polar_kg_m2 > 2.0 * r.transverse_kg_m2 {
            return Err(Error::setting(
                "rotor.polar_kg_m2",
                format!("{} is more than twice transverse_kg_m2", r.polar_kg_m2),
                "no rigid body has such moments; correct one of them",
            ));
        }
        check_support("rotor.front", &r.front)?;
        check_support("rotor.rear", &r.rear)?;
        for plane in &r.residual {
            within("rotor.residual.g_mm", plane.g_mm, 0.0, 1e9)?;
            within("rotor.residual.position_mm", plane.position_mm, -1e5, 1e5)?;
            angle("rotor.residual.deg", plane.deg)?;
        }
        Ok(())
    }

    fn check_background(&self) -> Result<()> {
        let b = &self.background;
        within("background.idle_m_s2_rms", b.idle_m_s2_rms, 0.0, 1e6)?;
        within("background.top_m_s2_rms", b.top_m_s2_rms, 0.0, 1e6)?;
        within("background.growth", b.growth, 0.0, 6.0)?;
        within("background.harmonics_m_s2", b.harmonics_m_s2, 0.0, 1e6)?;
        within("background.mains_hz", b.mains_hz, 1.0, 1e4)?;
        within("background.hum_percent", b.hum_percent, 0.0, 100.0)?;
        let shares = [
            ("background.modulation", b.modulation),
            ("background.common", b.common),
            ("background.crosstalk", b.crosstalk),
            ("background.axial_share", b.axial_share),
        ];
        for (key, share) in shares {
            within(key, share, 0.0, 1.0)?;
        }
        for resonance in &b.resonance {
            within("background.resonance.hz", resonance.hz, 1.0, 1e6)?;
            within("background.resonance.damping", resonance.damping, 0.002, 0.5)?;
            within("background.resonance.share", resonance.share, 0.0, 10.0)?;
        }
        for line in &self.line {
            within("line.order", line.order, 0.0, 1000.0)?;
            within("line.hz", line.hz, 0.0, 1e6)?;
            within("line.m_s2", line.m_s2, 0.0, 1e6)?;
            within("line.growth", line.growth, 0.0, 6.0)?;
            within("line.wander_deg", line.wander_deg, 0.0, 180.0)?;
            if (line.order > 0.0) == (line.hz > 0.0) {
                return Err(Error::setting(
                    "line",
                    "it has both an order and a frequency, or neither",
                    "state one of order and hz",
                ));
            }
        }
        for (name, row) in &self.blade {
            within(&format!("blade.{name}.count"), f64::from(row.count), 1.0, 500.0)?;
            within(&format!("blade.{name}.m_s2"), row.m_s2, 0.0, 1e6)?;
            within(&format!("blade.{name}.pressure_pa"), row.pressure_pa, 0.0, 1e6)?;
        }
        Ok(())
    }

    fn check_channels(&self) -> Result<()> {
        if self.sensor.is_empty() {
            return Err(Error::setting("sensor", "there is none", "state at least one"));
        }
        for sensor in &self.sensor {
            check_sensor(sensor)?;
        }
        if self.pulse.fitted {
            check_pulse(&self.pulse)?;
        }
        let mut names: Vec<&str> = self.sensor.iter().map(|s| s.name.as_str()).collect();
        names.extend(self.pulse.fitted.then_some(self.pulse.name.as_str()));
        names.sort_unstable();
        if let Some(twice) = names.windows(2).find(|pair| pair.first() == pair.last()) {
            return Err(Error::setting(
                "sensor.name",
                format!("two channels are named {:?}", twice.first().unwrap_or(&"")),
                "give each its own name",
            ));
        }
        let gaps = &self.converter.dropouts;
        within("converter.dropouts.count", f64::from(gaps.count), 0.0, 1e5)?;
        within("converter.dropouts.length_ms", gaps.length_ms, 0.0, 1e5)
    }

    fn check_faults(&self) -> Result<()> {
        let f = &self.fault;
        for plane in f.imbalance.iter().flat_map(|fault| &fault.plane) {
            within("fault.imbalance.plane.g_mm", plane.g_mm, 0.0, 1e9)?;
            within("fault.imbalance.plane.position_mm", plane.position_mm, -1e5, 1e5)?;
            angle("fault.imbalance.plane.deg", plane.deg)?;
        }
        if let Some(m) = &f.misalignment {
            if !self.coupling {
                return Err(Error::setting(
                    "fault.misalignment",
                    "the machine has no coupling",
                    "set coupling = true",
                ));
            }
            within("fault.misalignment.position_mm", m.position_mm, -1e5, 1e5)?;
            angle("fault.misalignment.deg", m.deg)?;
            within("fault.misalignment.force_n", m.force_n, 0.0, 1e9)?;
            within("fault.misalignment.order1", m.order1, 0.0, 10.0)?;
            within("fault.misalignment.axial", m.axial, 0.0, 10.0)?;
        }
        if let Some(b) = &f.bent_shaft {
            angle("fault.bent_shaft.deg", b.deg)?;
            within("fault.bent_shaft.bow_um", b.bow_um, 0.0, 1e4)?;
            within("fault.bent_shaft.runout_um", b.runout_um, 0.0, 1e4)?;
        }
        if let Some(l) = &f.looseness {
            within("fault.looseness.m_s2", l.m_s2, 0.0, 1e6)?;
            within("fault.looseness.half_orders", l.half_orders, 0.0, 10.0)?;
            within("fault.looseness.wander_deg", l.wander_deg, 0.0, 180.0)?;
            within("fault.looseness.noise_factor", l.noise_factor, 0.0, 100.0)?;
            within("fault.looseness.fraction", f64::from(l.fraction), 1.0, 4.0)?;
        }
        if let Some(r) = &f.rub {
            within("fault.rub.from_rpm", r.from_rpm, 0.0, 1e6)?;
            within("fault.rub.m_s2", r.m_s2, 0.0, 1e6)?;
            within("fault.rub.half_order_m_s2", r.half_order_m_s2, 0.0, 1e6)?;
            within("fault.rub.fraction", f64::from(r.fraction), 2.0, 4.0)?;
            within("fault.rub.truncation", r.truncation, 0.0, 10.0)?;
            within("fault.rub.spiral_deg_s", r.spiral_deg_s, -360.0, 360.0)?;
        }
        let defects = [
            ("bearing_outer", &f.bearing_outer),
            ("bearing_inner", &f.bearing_inner),
            ("bearing_ball", &f.bearing_ball),
            ("bearing_cage", &f.bearing_cage),
        ];
        defects.into_iter().try_for_each(|(id, defect)| match defect {
            Some(defect) => self.check_defect(id, defect),
            None => Ok(()),
        })
    }

    fn check_defect(&self, id: &str, defect: &BearingDefect) -> Result<()> {
        within(&format!("fault.{id}.m_s2"), defect.m_s2, 0.0, 1e6)?;
        within(&format!("fault.{id}.slip_percent"), defect.slip_percent, -5.0, 20.0)?;
        within(&format!("fault.{id}.jitter_percent"), defect.jitter_percent, 0.0, 20.0)?;
        within(&format!("fault.{id}.load_zone"), defect.load_zone, 0.0, 1.0)?;
        for ring in &defect.ring {
            within(&format!("fault.{id}.ring.hz"), ring.hz, 1.0, 1e6)?;
            within(&format!("fault.{id}.ring.damping"), ring.damping, 0.002, 0.9)?;
            within(&format!("fault.{id}.ring.share"), ring.share, 0.0, 100.0)?;
        }
        let place = defect.place.word();
        let bearing = self.bearing.get(&defect.place);
        if bearing.map_or(Ok(None), |b| b.multipliers(place))?.is_none() {
            return Err(Error::setting(
                format!("fault.{id}"),
                format!("bearing.{place} has neither geometry nor multipliers"),
                "describe the bearing, as a rolling one",
            ));
        }
        Ok(())
    }
}

fn check_support(name: &str, support: &Support) -> Result<()> {
    within(&format!("{name}.bearing_n_m"), support.bearing_n_m, 1.0, 1e13)?;
    within(&format!("{name}.bearing_n_s_m"), support.bearing_n_s_m, 0.0, 1e9)?;
    within(&format!("{name}.housing_kg"), support.housing_kg, 1e-6, 1e5)?;
    within(&format!("{name}.mount_n_m"), support.mount_n_m, 1.0, 1e13)?;
    within(&format!("{name}.mount_n_s_m"), support.mount_n_s_m, 0.0, 1e9)?;
    within(&format!("{name}.anisotropy"), support.anisotropy, -0.9, 0.9)
}

fn check_sensor(sensor: &Sensor) -> Result<()> {
    let key = |what: &str| format!("sensor {:?}, {what}", sensor.name);
    let fits = match sensor.kind {
        SensorKind::Housing => sensor.quantity().derivative_of_displacement().is_some(),
        SensorKind::Shaft => sensor.quantity() == Quantity::Displacement,
        SensorKind::Microphone => sensor.quantity() == Quantity::Pressure,
    };
    if !fits || sensor.name.is_empty() {
        return Err(Error::setting(
            key("unit"),
            format!("{} does not belong to this kind of sensor", sensor.unit.symbol()),
            "use g, m/s2, mm/s, m/s, um, mm or m on a housing, um, mm or m at the shaft, Pa for a microphone",
        ));
    }
    angle(&key("angle_deg"), sensor.angle_deg)?;
    within(&key("full_scale"), sensor.full_scale, 1e-12, 1e12)?;
    within(&key("gain_error_percent"), sensor.gain_error_percent, -100.0, 1000.0)?;
    within(&key("noise_rms"), sensor.noise_rms, 0.0, 1e9)?;
    within(&key("offset_percent"), sensor.offset_percent, -1000.0, 1000.0)?;
    within(&key("drift_percent"), sensor.drift_percent, 0.0, 1000.0)?;
    within(&key("mounted_resonance_hz"), sensor.mounted_resonance_hz.unwrap_or(1e5), 10.0, 1e7)?;
    within(&key("mounted_damping"), sensor.mounted_damping, 0.002, 1.0)?;
    within(&key("corner_hz"), sensor.corner_hz.unwrap_or(1.0), 1e-3, 1e6)?;
    within(&key("skew_us"), sensor.skew_us, -1e4, 1e4)?;
    within(&key("runout_um"), sensor.runout_um, 0.0, 1e4)?;
    angle(&key("runout_deg"), sensor.runout_deg)?;
    within(&key("distance_m"), sensor.distance_m, 1e-3, 1e3)?;
    within(&key("area_m2"), sensor.area_m2, 0.0, 1e3)
}

fn check_pulse(pulse: &PulseSensor) -> Result<()> {
    within("pulse.per_turn", f64::from(pulse.per_turn), 1.0, 1000.0)?;
    within("pulse.width", pulse.width, 1e-5, 0.999)?;
    if pulse.width * f64::from(pulse.per_turn) >= 1.0 {
        return Err(Error::setting(
            "pulse.width",
            format!("{} pulses of {} turns overlap", pulse.per_turn, pulse.width),
            "make them narrower",
        ));
    }
    within("pulse.uneven_deg", pulse.uneven_deg, 0.0, 90.0)?;
    within("pulse.jitter_us", pulse.jitter_us, 0.0, 1e4)?;
    within("pulse.delay_us", pulse.delay_us, -1e4, 1e4)?;
    within("pulse.lost_percent", pulse.lost_percent, 0.0, 100.0)?;
    within("pulse.doubled_percent", pulse.doubled_percent, 0.0, 100.0)?;
    within("pulse.height_v", pulse.height_v, 0.0, 1e6)?;
    within("pulse.noise_v_rms", pulse.noise_v_rms, 0.0, 1e6)?;
    within("pulse.sag_percent", pulse.sag_percent, 0.0, 100.0)?;
    within("pulse.full_scale_v", pulse.full_scale_v, 1e-6, 1e6)?;
    within("pulse.corner_hz", pulse.corner_hz.unwrap_or(1.0), 1e-3, 1e6)?;
    within("pulse.skew_us", pulse.skew_us, -1e4, 1e4)?;
    if let Some(burst) = pulse.burst {
        within("pulse.burst.time_s", burst.time_s, 0.0, LONGEST_S)?;
        within("pulse.burst.length_s", burst.length_s, 0.0, LONGEST_S)?;
        within("pulse.burst.rate_hz", burst.rate_hz, 0.0, 1e6)?;
    }
    Ok(())
}

/// Refuses what is no angle in degrees.
fn angle(key: &str, deg: f64) -> Result<()> {
    within(key, deg, -360.0, 360.0)
}

/// Refuses what cannot name the files of a recording everywhere.
///
/// # Errors
/// [`Error::Setting`] for other characters than letters, digits, `-` and `_`.
pub fn check_name(name: &str) -> Result<()> {
    let plain = |c: char| c.is_ascii_alphanumeric() || c == '-' || c == '_';
    if name.is_empty() || !name.chars().all(plain) {
        return Err(Error::setting(
            "name",
            format!("{name:?} cannot name a file"),
            "use letters, digits, - and _",
        ));
    }
    Ok(())
}

/// Refuses what is not a number between `low` and `high`.
fn within(key: &str, value: f64, low: f64, high: f64) -> Result<()> {
    if (low..=high).contains(&value) {
        return Ok(());
    }
    Err(Error::setting(
        key,
        format!("{value} is out of range"),
        format!("state a number from {low} to {high}"),
    ))
}

#[cfg(test)]
mod tests {
    use super::super::*;

    #[test]
    fn the_default_can_be_simulated() {
        assert!(Scenario::default().check().is_ok());
    }

    #[test]
    fn what_cannot_be_is_refused_by_name() {
        let cases = [
            ("speed.wait_s = -1.0", "speed.wait_s"),
            ("speed.up_s = 0.0", "speed.up_s"),
            ("speed.after_s = 1.0", "speed.down_s"),
            ("name = \"../x\"", "name"),
            ("rotor.mass_kg = 0.0", "rotor.mass_kg"),
            ("rotor.polar_kg_m2 = 1.0", "rotor.polar_kg_m2"),
            ("fault.misalignment = {}", "fault.misalignment"),
            ("bearing = {}\nfault.bearing_ball = {}", "fault.bearing_ball"),
            ("sensor = []", "sensor"),
            ("sensor = [{name = \"a\"}, {name = \"a\"}]", "sensor.name"),
            ("sensor = [{kind = \"microphone\"}]", "unit"),
            ("converter.rate_hz = nan", "converter.rate_hz"),
            ("line = [{m_s2 = 1.0}]", "line"),
            ("pulse = {per_turn = 20, width = 0.2}", "pulse.width"),
            ("limits = {overall_mm_s_rms = -1}", "limits.overall_mm_s_rms"),
            ("limits = {band_hz = [0, 1000]}", "limits.band_hz"),
            ("acceptance = {hold_s = nan}", "acceptance.hold_s"),
            ("acceptance = {full_speed_rpm = 99_000}", "acceptance.full_speed_rpm"),
            ("bearing = {front = {elements = 2}}", "bearing.front.elements"),
            ("sensor = [{angle_deg = 400}]", "angle_deg"),
            ("sensor = [{name = \"a\"}, {name = \"A\"}]", "same name"),
            ("rotor = {residual = [{deg = nan}]}", "rotor.residual.deg"),
            ("fault.imbalance = {plane = [{deg = inf}]}", "fault.imbalance.plane.deg"),
            ("coupling = true\nfault.misalignment = {deg = nan}", "fault.misalignment.deg"),
            (
                "coupling = true\nfault.misalignment = {position_mm = nan}",
                "fault.misalignment.position_mm",
            ),
            ("fault.bent_shaft = {deg = -999}", "fault.bent_shaft.deg"),
            ("converter = {rate_hz = 1e6}\nspeed = {hold_s = 100}", "million samples"),
            ("converter = {rate_hz = 1e6}\npulse = {corner_hz = 0.001}", "million samples"),
        ];
        for (text, key) in cases {
            let message = Scenario::from_toml(text, "s.toml").expect_err(text).to_string();
            assert!(message.starts_with("s.toml, ") && message.contains(key), "{text}: {message}");
        }
    }

    #[test]
    fn unknown_keys_are_refused_with_their_line() {
        let text = "name = \"x\"\n[rotor]\nmas_kg = 1.0\n";
        let message = Scenario::from_toml(text, "s.toml").expect_err("mas_kg").to_string();
        assert!(message.contains("s.toml, line 3") && message.contains("mas_kg"), "{message}");
        assert!(Scenario::from_toml("converter.bits = 12", "s.toml").is_err());
    }

    #[test]
    fn a_scenario_reads_back_from_its_own_text() {
        let scenario = Scenario::default();
        let text = toml::to_string(&scenario).expect("a scenario is a table");
        assert_eq!(Scenario::from_toml(&text, "s.toml").expect("its own text"), scenario);
    }
}
