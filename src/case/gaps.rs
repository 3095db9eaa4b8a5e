//! What a machine file leaves open, and what stating it would bring.

use super::Case;
use crate::recording::Role;

/// The keys to add to the machine file, a sentence each, the most worthwhile first. What the fitness checks
/// ask for already (full speed) is not said again.
pub fn gaps(case: &Case) -> Vec<String> {
    let all = [calibration, limits, bearings, places, coupling, edge, range];
    all.iter().filter_map(|gap| gap(case)).collect()
}

/// For whoever gave no machine file at all.
pub const NO_FILE: &str = "to check limits and judge bearings, describe the machine in a file (--machine, or machine= in \
    Python); `quietspin machine-keys` prints what it may state";

/// What makes levels absolute. For sound there is nothing to hold against a limit.
fn calibration(case: &Case) -> Option<String> {
    let bare = case.views().find(|view| !view.measures_motion() && !case.is_sound_alone())?;
    Some(format!(
        "to have absolute levels, state unit and full_scale (or sensitivity_mv_per_unit and full_scale_v) \
         in [channel.{}]",
        bare.name()
    ))
}

fn limits(case: &Case) -> Option<String> {
    let wanted = !case.machine.limits.any() && !case.is_sound_alone();
    wanted.then(|| {
        "to check levels, add [limits] with order1_mm_s_rms or overall_mm_s_rms".to_owned()
    })
}

fn bearings(case: &Case) -> Option<String> {
    // what rides on films of oil or gas has no races
    let film = case.machine.bearing.values().any(|bearing| bearing.kind.is_fluid_film());
    if film || case.is_sound_alone() || !case.bearings().is_empty() {
        return None;
    }
    let keys = "elements, element_mm, pitch_mm and contact_deg, or bpfo, bpfi, bsf and ftf";
    Some(match case.machine.bearing.keys().next() {
        Some(name) => format!("to judge bearings, state {keys} in [bearing.{name}]"),
        None => format!("to judge bearings, add [bearing.NAME] with {keys}"),
    })
}

/// Which bearing a sensor sits at, where there are several.
fn places(case: &Case) -> Option<String> {
    if case.bearings().len() < 2 {
        return None;
    }
    let loose = case.recording.with_role(Role::Vibration).find(|c| c.spec.bearing.is_none())?;
    let name = loose.name();
    Some(format!("to tell one bearing from another, state bearing in [channel.{name}]"))
}

fn coupling(case: &Case) -> Option<String> {
    case.machine.shaft.coupling.is_none().then(|| {
        "to look for misalignment, state coupling = true in [shaft], or false where there is none".to_owned()
    })
}

/// Which edge of the pulse marks angle zero.
fn edge(case: &Case) -> Option<String> {
    let pulse = case.recording.with_role(Role::Pulse).find(|c| c.spec.edge.is_none())?;
    Some(format!(
        "to give phase, state edge = \"rising\" or \"falling\" in [channel.{}]",
        pulse.name()
    ))
}

/// Where to look for a speed that was not found.
fn range(case: &Case) -> Option<String> {
    let shaft = &case.machine.shaft;
    let narrow =
        shaft.search_rpm.is_some() || (shaft.lowest_rpm.is_some() && shaft.top_rpm.is_some());
    (case.speed.is_none() && !narrow).then(|| {
        "to find the speed without a pulse, state lowest_rpm and top_rpm in [shaft]".to_owned()
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::machine::parse::from_text;
    use crate::recording::{Channel, Recording};
    use std::path::Path;

    fn gaps_of(text: &str, channels: &[(&str, Role)]) -> Vec<String> {
        let machine = from_text(text, Path::new("m.toml")).expect("a machine");
        let channel = |&(name, role): &(&str, Role)| {
            let mut spec = machine.channel.get(name).cloned().unwrap_or_default();
            spec.name = name.to_owned();
            spec.role = Some(role);
            Channel::new(spec, 1000.0, vec![0.0; 100]).expect("a channel")
        };
        let recording = Recording::from_channels("r", channels.iter().map(channel).collect());
        gaps(&Case::new(recording.expect("a recording"), machine, None))
    }

    fn starts(gaps: &[String]) -> Vec<&str> {
        gaps.iter().map(|gap| gap.split_once(',').expect("to gain, add").0).collect()
    }

    #[test]
    fn a_bare_file_leaves_everything_open() {
        let gaps = gaps_of("format = 1", &[("front", Role::Vibration), ("key", Role::Pulse)]);
        let expected = [
            "to have absolute levels",
            "to check levels",
            "to judge bearings",
            "to look for misalignment",
            "to give phase",
            "to find the speed without a pulse",
        ];
        assert_eq!(starts(&gaps), expected);
        assert!(gaps[4].ends_with("[channel.key]"), "{}", gaps[4]);
    }

    #[test]
    fn what_is_stated_or_cannot_help_is_not_asked_for() {
        let full = "format = 1\n[shaft]\ncoupling = false\ntop_rpm = 90000\nlowest_rpm = 9000\n\
                    [limits]\noverall_mm_s_rms = 7\n[bearing.front]\ntype = \"foil\"\n\
                    [channel.key]\nedge = \"rising\"\n[channel.front]\nunit = \"g\"\n";
        let vibration = [("front", Role::Vibration), ("key", Role::Pulse)];
        assert_eq!(gaps_of(full, &vibration), Vec::<String>::new());
        let sound = gaps_of("format = 1", &[("mic", Role::Sound)]);
        assert_eq!(
            starts(&sound),
            ["to look for misalignment", "to find the speed without a pulse"]
        );
    }

    #[test]
    fn a_bearing_without_numbers_and_a_sensor_without_place_are_named() {
        let geometry = "elements = 9\nelement_mm = 3.0\npitch_mm = 15.0\ncontact_deg = 0\n";
        let none = gaps_of("format = 1\n[bearing.rear]\n", &[("a", Role::Vibration)]);
        assert!(none.iter().any(|gap| gap.ends_with("in [bearing.rear]")), "{none:?}");
        let two = format!("format = 1\n[bearing.front]\n{geometry}[bearing.rear]\n{geometry}");
        let gaps = gaps_of(&two, &[("a", Role::Vibration)]);
        assert!(gaps.iter().any(|gap| gap.ends_with("state bearing in [channel.a]")), "{gaps:?}");
        assert!(!gaps.iter().any(|gap| gap.starts_with("to judge bearings")), "{gaps:?}");
    }
}
