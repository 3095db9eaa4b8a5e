//! Lines that a sound machine may show: each is told from what looks like it.

use quietspin::case::sub_synchronous::Course;
use quietspin::case::{Case, View};
use quietspin::diagnose::diagnose;
use quietspin::progress::Silent;
use quietspin::recording::{Channel, Role};
use quietspin::signature::{ALL, Score, weigh};
use quietspin::simulate::{Generator, Line, Scenario, Sensor, SpeedProfile, simulate};

fn case_of(scenario: &Scenario, seed: u64) -> Case {
    let made = simulate(scenario, seed).expect("simulated");
    diagnose(&made.recording, &made.machine, true, &mut Silent).expect("a diagnosis").0
}

fn best(case: &Case, id: &str) -> Option<Score> {
    let signature = ALL.iter().find(|s| s.id == id).expect("a signature");
    let scores = (signature.score)(case).into_iter();
    scores.max_by(|a, b| a.log_odds.total_cmp(&b.log_odds))
}

fn value(score: &Score, key: &str) -> Option<f64> {
    score.evidence.iter().find(|item| item.key == key).map(|item| item.value)
}

fn with_line(line: Line) -> Scenario {
    Scenario { line: vec![line], ..Scenario::default() }
}

/// The default cartridge turns at 96 000 rpm, 1600 Hz, and has its critical speed near 41 000 rpm, 684 Hz.
#[test]
fn a_whirl_a_whip_and_a_neighbour_are_told_apart() {
    let whirl = Line { order: 0.44, m_s2: 1.5, from_rpm: 40_000.0, ..Line::default() };
    let whirl = case_of(&with_line(whirl), 3);
    let found = best(&whirl, "sub_synchronous").expect("a score");
    assert!(found.log_odds > 2.0, "{found:?}");
    assert!(value(&found, "line_order").is_some_and(|order| (order - 0.44).abs() < 0.005));

    let whip = Line { hz: 684.0, m_s2: 3.0, growth: 1.0, from_rpm: 84_000.0, ..Line::default() };
    let whip = case_of(&with_line(whip), 3);
    let found = best(&whip, "sub_synchronous").expect("a score");
    assert!(found.log_odds > 2.0, "{found:?}");
    assert!(value(&found, "line_hz").is_some_and(|hz| (hz - 684.0).abs() < 15.0), "{found:?}");

    let neighbour = Line { hz: 684.0, m_s2: 3.0, growth: 0.0, ..Line::default() };
    let neighbour = case_of(&with_line(neighbour), 3);
    let beside = best(&neighbour, "sub_synchronous").expect("a score");
    assert!(beside.log_odds < 0.5 * found.log_odds, "{beside:?}");
    assert!(value(&beside, "highest_order").is_some(), "{beside:?}");
    // what is rather a neighbour is not named after the critical speed beside it
    assert_eq!(value(&beside, "critical_rpm"), None, "{beside:?}");
}

#[test]
fn a_sound_cartridge_has_no_sub_synchronous_line() {
    for seed in 1..=3 {
        let case = case_of(&Scenario::default(), seed);
        let found = best(&case, "sub_synchronous").expect("a score");
        assert!(found.log_odds < 0.0, "{seed}: {found:?}");
    }
}

/// A rub and looseness lock to fractions of the speed, which are no whirl.
#[test]
fn fractions_of_the_speed_are_no_whirl() {
    for fault in ["looseness", "rub"] {
        let mut scenario = Scenario::default();
        scenario.add_fault(fault).expect("known");
        let found = best(&case_of(&scenario, 4), "sub_synchronous").expect("a score");
        assert!(found.log_odds < 0.0, "{fault}: {found:?}");
    }
}

#[test]
fn hum_is_told_as_hum_and_not_as_a_whirl() {
    let mut scenario = Scenario::default();
    scenario.add_fault("mains_hum").expect("known");
    let case = case_of(&scenario, 5);
    let hum = best(&case, "mains_hum").expect("a score");
    assert!(hum.log_odds > 2.0 && value(&hum, "line_hz") == Some(50.0), "{hum:?}");
    let whirl = best(&case, "sub_synchronous").expect("a score");
    assert!(whirl.log_odds < 0.0, "{whirl:?}");
    scenario.background.hum_percent = 0.1;
    scenario.background.hum_twice_percent = 0.5;
    let twice = best(&case_of(&scenario, 5), "mains_hum").expect("a score");
    assert_eq!(value(&twice, "line_hz"), Some(100.0), "{twice:?}");
    assert!(twice.advice.as_deref().is_some_and(|advice| advice.contains("transformer")));
}

/// 12 blades and 2 pole pairs meet at 12x; 3 pole pairs meet nobody.
#[test]
fn blades_and_generator_are_told_apart_where_their_orders_differ() {
    let generator = Some(Generator { pole_pairs: 3, m_s2: 5.0, stated: true });
    let mut scenario = Scenario { generator, ..Scenario::default() };
    scenario.blade.values_mut().for_each(|row| row.m_s2 = 0.0);
    let case = case_of(&scenario, 6);
    let electrical = best(&case, "generator_lines").expect("a score");
    assert!(electrical.log_odds > 2.0 && electrical.cannot_tell.is_none(), "{electrical:?}");
    let blades = best(&case, "blade_pass").expect("a score");
    assert!(blades.log_odds < 0.0, "{blades:?}");

    scenario.generator = Some(Generator { pole_pairs: 2, m_s2: 5.0, stated: true });
    let shared = best(&case_of(&scenario, 6), "blade_pass").expect("a score");
    assert_eq!(value(&shared, "shared_with_generator"), Some(1.0), "{shared:?}");
}

#[test]
fn uneven_blades_have_sidebands_and_unstated_ones_are_a_candidate() {
    let mut scenario = Scenario::default();
    let row = scenario.blade.get_mut("compressor").expect("a row");
    (row.m_s2, row.uneven) = (6.0, 0.4);
    let found = best(&case_of(&scenario, 7), "blade_pass").expect("a score");
    assert_eq!((found.basis, value(&found, "line_order")), ("stated", Some(12.0)));
    let uneven = value(&found, "sideband_over_line").expect("sidebands");
    assert!((uneven - 0.4).abs() < 0.1, "{uneven}");

    let row = scenario.blade.get_mut("compressor").expect("a row");
    (row.uneven, row.stated) = (0.0, false);
    let found = best(&case_of(&scenario, 7), "blade_pass").expect("a score");
    assert_eq!((found.basis, value(&found, "line_order")), ("candidate", Some(12.0)));
    scenario.blade.clear();
    assert_eq!(best(&case_of(&scenario, 7), "blade_pass"), None);
}

/// 25.6 kHz carry 10 752 Hz; at 96 000 rpm that is order 6.7, and order 12 only up to 53 760 rpm.
#[test]
fn lines_above_the_judged_band_are_not_judged() {
    let mut scenario = Scenario::default();
    scenario.converter.rate_hz = 25_600.0;
    // 16 samples in a turn: a narrow mark would fall between them
    scenario.pulse.width = 0.4;
    scenario.add_fault("blade_pass").expect("known");
    let found = best(&case_of(&scenario, 8), "blade_pass").expect("a score");
    assert!(value(&found, "judged_to_rpm").is_some_and(|rpm| rpm < 54_000.0), "{found:?}");
    scenario.speed = SpeedProfile::constant(96_000.0, 3.0);
    let found = best(&case_of(&scenario, 8), "blade_pass").expect("a score");
    let why = found.cannot_tell.expect("a reason");
    assert!(why.contains("order 12 lies above what the sampling rate carries"), "{why}");
}

/// At 6000 rpm, 100 Hz, the rate carries order 44 with ease; the map of orders ends before it.
#[test]
fn blades_beyond_the_map_are_not_blamed_on_the_rate() {
    let mut scenario =
        Scenario { speed: SpeedProfile::constant(6000.0, 3.0), ..Scenario::default() };
    scenario.blade.get_mut("compressor").expect("a row").count = 44;
    let found = best(&case_of(&scenario, 8), "blade_pass").expect("a score");
    let why = found.cannot_tell.expect("a reason");
    assert!(why.contains("the highest that is looked at"), "{why}");
}

/// 30 turns in 0.3 s: orders are 1/4 apart and frequencies 3.3 Hz.
#[test]
fn a_short_record_says_why_it_shows_no_slow_lines() {
    let scenario = Scenario { speed: SpeedProfile::constant(6000.0, 0.3), ..Scenario::default() };
    let case = case_of(&scenario, 8);
    for (id, reason) in [("sub_synchronous", "too few turns"), ("mains_hum", "too short")] {
        let found = best(&case, id).expect("a score");
        assert!(found.cannot_tell.as_deref().is_some_and(|why| why.contains(reason)), "{found:?}");
    }
}

/// A loose sensor whose own slow drift speaks loudest does not hide what a sound one says.
#[test]
fn an_unfit_sensor_does_not_speak_for_the_others() {
    let line = Line { order: 0.44, m_s2: 1.5, from_rpm: 40_000.0, ..Line::default() };
    let mut scenario = with_line(line);
    let fit = scenario.sensor[0].clone();
    let loose = Sensor { name: "loose".to_owned(), drift_percent: 30.0, ..fit.clone() };
    scenario.sensor = vec![loose, fit];
    let case = case_of(&scenario, 3);
    let untrusted: Vec<&str> =
        case.views().filter(|view| view.untrusted().is_some()).map(|view| view.name()).collect();
    assert_eq!(untrusted, ["loose"]);
    for id in ["sub_synchronous", "raised_2x"] {
        let found = best(&case, id).expect("a score");
        assert_eq!(found.channel.as_deref(), Some("front"), "{id}: {found:?}");
        assert_eq!(found.cannot_tell, None, "{id}");
    }
}

#[test]
fn a_clipped_signal_is_called_cut_off() {
    let mut scenario = Scenario::default();
    scenario.add_fault("imbalance").expect("known");
    let clipped = |values: &[f32]| -> Vec<f32> {
        let rail = 0.3 * values.iter().fold(0.0_f32, |most, v| most.max(v.abs()));
        values.iter().map(|v| v.clamp(-rail, rail)).collect()
    };
    let mut made = simulate(&scenario, 3).expect("simulated");
    let vibration = |c: &Channel| c.spec.role() == Role::Vibration;
    for channel in made.recording.channels.iter_mut().filter(|c| vibration(c)) {
        let values = clipped(channel.values());
        *channel = Channel::new(channel.spec.clone(), channel.rate_hz, values).expect("a channel");
    }
    let (case, _) = diagnose(&made.recording, &made.machine, true, &mut Silent).expect("fit");
    let view = case.views().next().expect("a channel");
    let why = view.untrusted().expect("clipped");
    assert!(why.starts_with("the signal of front is cut off") && why.contains("clipped"), "{why}");
}

#[test]
fn a_loose_sensor_is_not_blamed_on_the_machine() {
    let mut scenario = Scenario::default();
    scenario.add_fault("imbalance").expect("known");
    scenario.sensor = vec![Sensor { drift_percent: 30.0, ..scenario.sensor[0].clone() }];
    let case = case_of(&scenario, 9);
    let unfit = |view: &View| {
        view.case
            .fitness()
            .iter()
            .any(|c| c.id == "loose_sensor" && c.fit == quietspin::fitness::Fit::Unfit)
    };
    assert!(case.views().all(|view| unfit(&view)), "{:?}", case.fitness());
    let weighing = weigh::weigh(&case);
    let of = |id: &str| weighing.weighed.iter().find(|w| w.signature.id == id).expect("scored");
    let why = of("imbalance").remark.as_deref().unwrap_or_default();
    assert!(why.contains("sensor of front"), "{why}");
    assert!(of("sub_synchronous").score.cannot_tell.is_some());
}

/// At one speed nobody can tell whether a line follows.
#[test]
fn a_constant_speed_leaves_the_course_open() {
    let mut scenario = with_line(Line { order: 0.44, m_s2: 1.5, ..Line::default() });
    scenario.speed = SpeedProfile::constant(60_000.0, 3.0);
    let case = case_of(&scenario, 10);
    let view = case.views().next().expect("a channel");
    let line = view.sub_synchronous().and_then(|found| found.line.as_ref()).expect("a line");
    assert_eq!(line.course, Course::Unknown);
    assert!((line.order() - 0.44).abs() < 0.003, "{}", line.order());
}
