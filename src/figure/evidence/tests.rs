use super::*;
use crate::diagnose::{Diagnosis, diagnose};
use crate::figure::{Curve, Figure, Mark, Panel, Plot, Stroke};
use crate::progress::Silent;
use crate::signature::{Evidence, Kind};
use crate::simulate::{Place, Scenario, Sensor, simulate};
use crate::units::grouped;

/// The diagnosis of the default cartridge with a fault.
fn diagnosed(fault: &str, change: impl FnOnce(&mut Scenario)) -> (Case, Diagnosis) {
    let mut scenario = Scenario::default();
    change(&mut scenario);
    scenario.add_fault(fault).expect("a known fault");
    let simulated = simulate(&scenario, 1).expect("a valid scenario");
    diagnose(&simulated.recording, &simulated.machine, true, &mut Silent).expect("a diagnosis")
}

fn slow(scenario: &mut Scenario) {
    (scenario.speed.start_rpm, scenario.speed.top_rpm) = (5_000.0, 15_000.0);
}

fn found<'d>(diagnosis: &'d Diagnosis, fault: &str) -> &'d Finding {
    let mut all = diagnosis.findings.iter().chain(&diagnosis.considered);
    all.find(|finding| finding.fault == fault).expect("looked for")
}

/// A finding whose signature says no more than this.
fn told(fault: &str, place: &str, evidence: &[(&str, f64)]) -> Finding {
    let evidence = evidence.iter().map(|(key, value)| Evidence::new(key, *value, "", "told"));
    Finding {
        fault: fault.to_owned(),
        title: fault.replace('_', " "),
        kind: Kind::Fault,
        place: Some(place.to_owned()),
        confidence: 0.9,
        severity: None,
        evidence: evidence.collect(),
        advice: String::new(),
        remark: None,
        holds_for: None,
        source: String::new(),
    }
}

fn plots(figure: &Figure) -> Vec<&Plot> {
    let plots = figure.panels().filter_map(|panel| match panel {
        Panel::Plot(plot) => Some(plot),
        _ => None,
    });
    plots.collect()
}

fn of_family<'p>(plot: &'p Plot, family: &str) -> Vec<&'p Mark> {
    plot.marks.iter().filter(|mark| mark.family == family).collect()
}

fn broken(plot: &Plot) -> Vec<&Curve> {
    plot.curves.iter().filter(|curve| curve.stroke == Stroke::Dashed).collect()
}

/// The value of a curve at the place nearest to one.
fn near(curve: &Curve, x: f64) -> f64 {
    let off = |k: &usize| (curve.x()[*k] - x).abs();
    let nearest = (0..curve.x().len()).min_by(|a, b| off(a).total_cmp(&off(b))).expect("points");
    curve.y()[nearest]
}

#[test]
fn lines_of_an_inner_race_stand_over_the_floor_that_judged_them() {
    let (case, diagnosis) = diagnosed("bearing_inner", slow);
    let finding = found(&diagnosis, "bearing_inner");
    let bearing = finding.place.as_deref().expect("a bearing");
    let (part, judged) = case.judged(bearing, Element::Inner).expect("examined");
    let figure = evidence(&case, finding).expect("a picture");
    let [plot] = plots(&figure)[..] else { panic!("one plot") };

    let [spectrum, floor, bound] = &plot.curves[..] else { panic!("three curves") };
    let ratio = judged.seen_from.expect("some lines can be seen");
    let is_shown = |k: &usize| judged.floor[*k].is_finite() && judged.orders[*k] > 0.2;
    for k in (0..floor.y().len()).filter(is_shown) {
        assert!((floor.y()[k].powi(2) / f64::from(judged.floor[k]) - 1.0).abs() < 1e-9);
        assert!((bound.y()[k] / floor.y()[k] - ratio.sqrt()).abs() < 1e-9);
        assert!((spectrum.y()[k].powi(2) - f64::from(judged.values[k])).abs() < 1e-9);
    }
    assert_eq!(bound.stroke, Stroke::Dashed);
    assert_eq!(bound.name, "from here a line counts as seen");

    let [_, end] = plot.x_axis.shown.expect("an end");
    assert!(plot.marks.iter().all(|mark| mark.at > 0.0 && mark.at <= end));
    let harmonics = of_family(plot, "multiples of BPFI");
    let sidebands = of_family(plot, "sidebands 1x apart");
    assert_eq!((harmonics.len(), sidebands.len()), (3, 12));
    assert!(harmonics.iter().all(|mark| !mark.minor) && sidebands.iter().all(|mark| mark.minor));
    assert!((harmonics[0].at - part.order).abs() < 1e-9);
    assert!(sidebands.iter().any(|mark| (mark.at - part.order + 1.0).abs() < 1e-9));

    let [discs] = &plot.points[..] else { panic!("the lines that stand out") };
    assert_eq!(discs.x.len(), part.harmonics + part.sidebands);
    for (x, y) in discs.x.iter().zip(&discs.y) {
        assert!(*y >= near(bound, *x) || !near(bound, *x).is_finite(), "{x} is no line");
    }
    assert!(figure.title.contains(" Hz, inner race of bearing"), "{}", figure.title);
}

#[test]
fn a_ball_is_marked_by_its_spin_and_the_cage_that_carries_it() {
    let (case, diagnosis) = diagnosed("bearing_ball", slow);
    let figure = evidence(&case, found(&diagnosis, "bearing_ball")).expect("a picture");
    let [plot] = plots(&figure)[..] else { panic!("one plot") };
    let labels: Vec<&str> =
        of_family(plot, "multiples of BSF").iter().map(|m| m.label.as_str()).collect();
    assert_eq!(labels, ["2 BSF", "4 BSF", "BSF", "6 BSF"]);
    assert_eq!(of_family(plot, "multiples of FTF").len(), 4);
    assert_eq!(of_family(plot, "sidebands FTF apart").len(), 6);
}

#[test]
fn growth_laws_run_along_the_first_order_in_their_regimes() {
    let (case, diagnosis) = diagnosed("imbalance", |_| {});
    let finding = found(&diagnosis, "imbalance");
    let figure = evidence(&case, finding).expect("a picture");
    let plots = plots(&figure);
    let (amplitude, phase) = (plots[0], plots[1]);
    let laws = broken(amplitude);
    assert!(!laws.is_empty());
    for law in &laws {
        assert!(law.name.contains("speed^") && law.name.contains("(unbalance "), "{}", law.name);
        let middle = law.x()[law.x().len() / 2];
        let off = near(law, middle) / near(&amplitude.curves[0], middle);
        assert!((0.6..1.6).contains(&off), "{}: {off} of the track at {middle} rpm", law.name);
    }
    assert!(amplitude.limits.iter().any(|limit| limit.label.starts_with("limit ")));
    // the number that the finding rests on is ringed
    let ring = amplitude.points.first().expect("a ring");
    assert!((ring.y[0] - finding.evidence[0].value).abs() < 1e-9);
    assert_eq!(phase.y_axis.unit, "degrees");
}

#[test]
fn the_second_order_is_shown_with_its_ratio() {
    let (case, diagnosis) = diagnosed("misalignment", |scenario| scenario.coupling = true);
    let finding = found(&diagnosis, "misalignment");
    let figure = evidence(&case, finding).expect("a picture");
    let plots = plots(&figure);
    assert_eq!(plots.len(), 2);
    let [one, two] = &plots[0].curves[..] else { panic!("two tracks") };
    let ratio = &plots[1].curves[0];
    let top = one.x().iter().copied().fold(0.0, f64::max);
    let wanted = near(two, 0.95 * top) / near(one, 0.95 * top);
    assert!((near(ratio, 0.95 * top) / wanted - 1.0).abs() < 1e-6);
    let stated = number(finding, "order2_over_order1").expect("told");
    assert_eq!(plots[1].limits[0].at, stated);
    let [low, high] = ratio.band().expect("a band");
    let [_, top] = plots[1].y_axis.shown.expect("an end");
    assert!(top > stated && high.iter().all(|edge| *edge <= top));
    let mut numbers = ratio.y().iter().zip(low.iter().zip(high));
    let is_inside = |(y, (low, high)): (&f64, (&f64, &f64))| y.is_nan() || (low <= y && y <= high);
    assert!(numbers.all(is_inside));
}

#[test]
fn a_ratio_over_an_order_that_noise_hides_is_shown_as_uncertain() {
    // the second order of a healthy machine stands in noise like the first
    let (case, _) = diagnosed("bearing_outer", slow);
    let place = case.views().next().expect("a channel").place();
    let finding = told("raised_2x", &place, &[("order2_over_order1", 3.0)]);
    let figure = evidence(&case, &finding).expect("a picture");
    let ratio = plots(&figure)[1];
    let [_, top] = ratio.y_axis.shown.expect("an end");
    let [low, high] = ratio.curves[0].band().expect("a band");
    assert!(top > 3.0 && low.len() == ratio.curves[0].x().len());
    assert!(high.contains(&top), "no first order is lost in noise");
}

#[test]
fn the_fitted_response_lies_on_the_track() {
    let (case, diagnosis) = diagnosed("imbalance", |_| {});
    let figure = evidence(&case, found(&diagnosis, "resonance")).expect("a picture");
    let plots = plots(&figure);
    let highest =
        |curve: &Curve| curve.y().iter().copied().filter(|y| y.is_finite()).fold(0.0, f64::max);
    let track = &plots[0].curves[0];
    let fitted = broken(plots[0])[0];
    assert!((highest(fitted) / highest(track) - 1.0).abs() < 0.1);
    let critical = plots[0].marks[0].at;
    let off = near(fitted, critical) / near(track, critical);
    assert!((0.9..1.1).contains(&off), "{off} of the track at the critical speed");
    let lags = (near(broken(plots[1])[0], critical), near(&plots[1].curves[0], critical));
    assert!((lags.0 - lags.1).abs() < 10.0, "{lags:?}");
}

#[test]
fn a_bow_is_shown_by_the_vector_at_slow_roll_that_judged_it() {
    let (case, diagnosis) = diagnosed("bent_shaft", |scenario| {
        scenario.sensor.push(Sensor::shaft_displacement("shaft", Place::Front, 90.0));
    });
    let finding = found(&diagnosis, "bent_shaft");
    let figure = evidence(&case, finding).expect("a picture");
    let plots = plots(&figure);
    let level = &plots[0].limits[0];
    assert!(level.label.starts_with("slow roll ") && level.uncertain_by > 0.0, "{}", level.label);
    let stated = number(finding, "slow_roll_um_pp").expect("told");
    assert!((level.at / stated - 1.0).abs() < 1e-9, "{} against {stated}", level.at);
    let first = plots[0].curves[0].y()[0];
    assert!((level.at / first - 1.0).abs() < 0.5, "{} against {first}", level.at);
    assert_eq!(plots[1].limits.len(), 1);
    assert!(figure.title.ends_with("slow roll"), "{}", figure.title);
}

#[test]
fn a_bow_that_no_sensor_sees_has_no_slow_roll() {
    let (case, diagnosis) = diagnosed("bent_shaft", |_| {});
    let figure = evidence(&case, found(&diagnosis, "bent_shaft")).expect("tracks");
    assert!(plots(&figure).iter().all(|plot| plot.limits.is_empty()));
    assert!(!figure.title.contains("slow roll"), "{}", figure.title);
}

#[test]
fn whole_and_broken_orders_are_marked_apart_over_the_floor() {
    let (case, diagnosis) = diagnosed("looseness", |_| {});
    let figure = evidence(&case, found(&diagnosis, "looseness")).expect("a picture");
    let [plot] = plots(&figure)[..] else { panic!("one plot") };
    let (whole, halves) = (of_family(plot, "whole orders"), of_family(plot, "half orders"));
    assert!(whole.len() == 8 && whole.iter().all(|mark| !mark.minor));
    // those that are judged, and no more
    let places: Vec<f64> = halves.iter().map(|mark| mark.at).collect();
    assert_eq!(places, [0.5, 1.5, 2.5, 3.5, 4.5, 5.5]);
    assert!(halves.iter().all(|mark| mark.minor));
    assert!(of_family(plot, "third orders").is_empty());
    // the half orders of the fault stand out, and what lies between does not
    let (spectrum, floor) = (&plot.curves[0], broken(plot)[0]);
    assert!(near(spectrum, 1.5) > 2.0 * near(floor, 1.5));
    assert!(near(spectrum, 1.25) < 2.0 * near(floor, 1.25));
}

#[test]
fn a_rub_is_shown_above_the_speed_at_which_it_begins_and_below() {
    let (case, diagnosis) = diagnosed("rub", |_| {});
    let finding = found(&diagnosis, "rub");
    let from_rpm = number(finding, "fractions_from_rpm").expect("told");
    let figure = evidence(&case, finding).expect("a picture");
    let [plot] = plots(&figure)[..] else { panic!("one plot") };
    let families = ["half orders", "third orders"].map(|family| of_family(plot, family).len());
    assert!([[6, 0], [0, 6]].contains(&families), "one family was judged: {families:?}");
    let above = &plot.curves[0];
    let below = plot.curves.iter().find(|curve| curve.stroke == Stroke::Faint).expect("compared");
    assert_eq!(above.name, format!("from {} rpm", grouped(from_rpm)));
    let fractions = plot.marks.iter().filter(|mark| mark.minor).map(|mark| mark.at);
    let risen = fractions.filter(|order| near(above, *order) > 2.0 * near(below, *order)).count();
    assert!(risen > 0, "nothing begins at {from_rpm} rpm");
    let wanted = format!("fractions seen from {} rpm on", grouped(from_rpm));
    assert!(figure.notes.contains(&wanted), "{:?}", figure.notes);
}

#[test]
fn fractions_that_are_there_from_the_lowest_speed_on_part_nothing() {
    let (case, _) = diagnosed("looseness", |_| {});
    let place = case.views().next().expect("a channel").place();
    let lowest = case.speed.as_ref().expect("pulses").range_rpm().0;
    for (share, is_parted) in [(1.05, false), (2.0, true)] {
        let told = told("looseness", &place, &[("fractions_from_rpm", share * lowest)]);
        let figure = evidence(&case, &told).expect("a picture");
        let [plot] = plots(&figure)[..] else { panic!("one plot") };
        let below = plot.curves.iter().find(|curve| curve.stroke == Stroke::Faint);
        assert_eq!(below.is_some(), is_parted, "{share} times the lowest speed");
    }
}

#[test]
fn lines_are_marked_where_the_evidence_says() {
    let (case, _) = diagnosed("imbalance", |_| {});
    let place = case.views().next().expect("a channel").place();
    let shown = |fault: &str, lines: &[(&str, f64)]| evidence(&case, &told(fault, &place, lines));
    assert_eq!(shown("blade_pass", &[("something", 1.0)]), None);

    let lines = [("line_order", 9.0), ("line_order_2", 4.0)];
    let figure = shown("generator_lines", &lines).expect("a map");
    let Some(Panel::Map(map)) = figure.panels().next() else { panic!("a map") };
    for (label, order) in [("9x", 9.0), ("4x", 4.0)] {
        assert!(map.marks.iter().any(|mark| mark.label == label && mark.at == order));
    }
    assert!(map.x().last().is_some_and(|last| *last > 9.0));

    let figure = shown("mains_hum", &[("line_hz", 50.0)]).expect("a spectrum");
    let [plot] = plots(&figure)[..] else { panic!("one plot") };
    let labels: Vec<&str> = plot.marks.iter().map(|mark| mark.label.as_str()).collect();
    assert_eq!(labels, ["50 Hz"]);

    // what keeps its frequency crosses the orders
    let figure = shown("sub_synchronous", &[("line_hz", 310.0)]).expect("a map");
    let Some(Panel::Map(map)) = figure.panels().next() else { panic!("a map") };
    let line = map.lines.first().expect("a line");
    assert!(
        line.x().iter().zip(line.y()).all(|(order, rpm)| (order * rpm / 60.0 - 310.0).abs() < 1e-6)
    );
}

#[test]
fn what_is_hardly_probable_has_no_picture() {
    let (case, _) = diagnosed("imbalance", |_| {});
    let place = case.views().next().expect("a channel").place();
    let mut finding = told("imbalance", &place, &[]);
    for (confidence, is_drawn) in [(0.3, true), (0.1, true), (0.05, false), (f64::NAN, false)] {
        finding.confidence = confidence;
        assert_eq!(of_considered(&case, &finding).is_some(), is_drawn, "{confidence}");
    }
}
