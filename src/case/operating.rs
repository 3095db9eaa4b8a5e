//! The speeds that a machine is run at.

use serde::{Deserialize, Serialize};

use super::Case;

/// The operating speeds of a machine.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Operating {
    /// Lowest operating speed in rpm, where one is stated that lies below the highest.
    pub low_rpm: Option<f64>,
    /// Highest operating speed in rpm.
    pub high_rpm: f64,
    /// Whether the machine file states the highest; else it is the top speed of the run.
    pub high_is_stated: bool,
    /// What says so, in words that name the keys of the machine file.
    pub source: String,
}

impl Case {
    /// The operating speeds: up to `shaft.top_rpm`, else `acceptance.full_speed_rpm`, else the top speed of
    /// this run; from `shaft.lowest_rpm`, else `limits.from_rpm`. `None` where there is no speed at all.
    pub fn operating(&self) -> Option<Operating> {
        let (shaft, machine) = (&self.machine.shaft, &self.machine);
        let top = shaft.top_rpm.map(|rpm| (rpm, "shaft.top_rpm"));
        let full = machine.acceptance.full_speed_rpm;
        let stated = top.or(full.map(|rpm| (rpm, "acceptance.full_speed_rpm")));
        let of_run = || {
            let speed = self.speed.as_ref()?;
            Some((speed.range_rpm().1, "the top speed of this run"))
        };
        let (high_rpm, high_from) = stated.or_else(of_run)?;
        let within = |(rpm, _): &(f64, &str)| *rpm > 0.0 && *rpm < high_rpm;
        let lowest = shaft.lowest_rpm.map(|rpm| (rpm, "shaft.lowest_rpm")).filter(within);
        let from = machine.limits.from_rpm.map(|rpm| (rpm, "limits.from_rpm"));
        let low = lowest.or_else(|| from.filter(within));
        Some(Operating {
            low_rpm: low.map(|(rpm, _)| rpm),
            high_rpm,
            high_is_stated: stated.is_some(),
            source: low.map_or(high_from.to_owned(), |(_, key)| format!("{key}, {high_from}")),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::machine::Machine;
    use crate::recording::Recording;
    use crate::simulate::{Scenario, SpeedProfile, simulate};
    use crate::speed::{Speed, SpeedSource};

    fn operating(change: impl FnOnce(&mut Machine)) -> Operating {
        let speed = SpeedProfile::constant(60_000.0, 0.1);
        let made = simulate(&Scenario { speed, ..Scenario::default() }, 1).expect("simulated");
        let recording: Recording = made.recording;
        let mut machine = Machine::default();
        change(&mut machine);
        let run = Speed::constant(SpeedSource::Stated, 60_000.0, 0.0, 0.1).expect("a speed");
        Case::new(recording, machine, Some(run)).operating().expect("a speed")
    }

    #[test]
    fn the_source_names_the_keys_that_were_used() {
        let none = operating(|_| ());
        assert!((none.high_rpm - 60_000.0).abs() < 1e-6 && !none.high_is_stated);
        assert_eq!((none.low_rpm, none.source.as_str()), (None, "the top speed of this run"));
        let full = operating(|machine| {
            machine.acceptance.full_speed_rpm = Some(80_000.0);
            machine.limits.from_rpm = Some(30_000.0);
        });
        assert_eq!((full.low_rpm, full.high_rpm), (Some(30_000.0), 80_000.0));
        assert_eq!(full.source, "limits.from_rpm, acceptance.full_speed_rpm");
        let all = operating(|machine| {
            machine.shaft.top_rpm = Some(90_000.0);
            machine.shaft.lowest_rpm = Some(40_000.0);
            machine.acceptance.full_speed_rpm = Some(80_000.0);
            machine.limits.from_rpm = Some(30_000.0);
        });
        assert_eq!((all.low_rpm, all.high_rpm), (Some(40_000.0), 90_000.0));
        assert_eq!(all.source, "shaft.lowest_rpm, shaft.top_rpm");
        // a lowest speed that is none below the highest leaves the other key
        let odd = operating(|machine| {
            machine.shaft.lowest_rpm = Some(70_000.0);
            machine.limits.from_rpm = Some(30_000.0);
        });
        assert_eq!(odd.source, "limits.from_rpm, the top speed of this run");
    }
}
