//! Plans against limits that must never be broken, and against vectors that are known.

use proptest::prelude::*;

use super::*;
use crate::machine::{BladeRow, Bore, Machine, Plane};

fn plane() -> Plane {
    Plane {
        radius_mm: Some(20.0),
        density_g_cm3: Some(2.81),
        bore: Some(Bore::Radial),
        drill_mm: Some(3.0),
        depth_max_mm: Some(5.0),
        edge_mm: Some(0.5),
        spacing_mm: Some(0.8),
        removal_max_g: Some(2.0),
        zones_deg: vec![[0.0, 360.0]],
        ..Plane::default()
    }
}

fn machine(plane: Plane) -> Machine {
    let mut machine = Machine::default();
    machine.plane.insert("wheel".into(), plane);
    machine
}

fn allowed(plane: Plane) -> Allowed {
    Allowed::of(&machine(plane), "wheel").expect("complete limits")
}

fn refused(machine: &Machine) -> String {
    Allowed::of(machine, "wheel").expect_err("a refusal").to_string()
}

fn need(g_mm: f64, deg: f64) -> Need {
    Need {
        unbalance: heavy_spot(g_mm, deg),
        deviation_g_mm: 0.01,
        spread: Spread { share: 0.01, angle_rad: 0.01 },
        limit_g_mm: 0.2,
    }
}

fn planned(plane: Plane, old: &[Hole], need: &Need) -> Plan {
    plan(&allowed(plane), old, need).expect("a plan")
}

fn drilled(allowed: &Allowed, deg: f64, tip_mm: f64) -> Hole {
    let taken = allowed.tool.taken(allowed.radius_mm, tip_mm);
    Hole {
        method: Method::Drill,
        deg,
        drill_mm: allowed.tool.diameter_mm(),
        tip_mm,
        from_mm: 0.0,
        arc_deg: 0.0,
        g_mm: taken.g_mm,
        mass_g: taken.mass_g,
    }
}

#[test]
fn a_heavy_spot_is_drilled_at_its_place() {
    let plan = planned(plane(), &[], &need(1.0, 77.3));
    let [hole] = plan.holes[..] else { unreachable!("one hole in {plan:?}") };
    assert_eq!((hole.deg, hole.method, hole.from_mm), (77.0, Method::Drill, 0.0));
    assert!((hole.tip_mm / 0.05 - (hole.tip_mm / 0.05).round()).abs() < 1e-9);
    assert!((plan.planned + heavy_spot(hole.g_mm, 77.0)).norm() < 1e-12);
    assert!((plan.residual - need(1.0, 77.3).unbalance - plan.planned).norm() < 1e-12);
    assert!(plan.residual.norm() < 0.03 && plan.chance_within > 0.999, "{plan:?}");
    assert_eq!(plan.undershoot, 0.0);
    assert!(plan.notes.is_empty(), "{plan:?}");
}

#[test]
fn a_little_is_taken_with_the_point_alone() {
    let plan = planned(
        plane(),
        &[],
        &Need { limit_g_mm: 0.02, deviation_g_mm: 0.001, ..need(0.12, 10.0) },
    );
    let [hole] = plan.holes[..] else { unreachable!("one hole in {plan:?}") };
    let point = crate::balance::hole::Drill::new(3.0, 118.0, 2.81).expect("sound").point_mm();
    assert!(hole.tip_mm < point && (hole.g_mm - 0.12).abs() < 0.01, "{hole:?}");
}

#[test]
fn what_one_hole_cannot_hold_is_split() {
    let plan = planned(plane(), &[], &need(2.4, 30.0));
    assert_eq!(plan.holes.len(), 2, "{plan:?}");
    assert!(plan.residual.norm() < 0.03, "{plan:?}");
    let three = planned(plane(), &[], &need(4.2, 350.0));
    assert_eq!(three.holes.len(), 3, "{three:?}");
    assert!(three.residual.norm() < 0.04, "{three:?}");
}

/// Eight sites; the wanted vector lies between two of them, which share it by the law of sines.
#[test]
fn a_vector_between_two_sites_is_split_exactly() {
    let sites_deg: Vec<f64> = (0..8).map(|i| 45.0 * f64::from(i)).collect();
    let at_sites = Plane { sites_deg, depth_step_mm: Some(0.001), ..plane() };
    let plan = planned(at_sites, &[], &need(1.5, 60.0));
    let [a, b] = plan.holes[..] else { unreachable!("two holes in {plan:?}") };
    assert_eq!((a.deg, b.deg), (45.0, 90.0));
    let sine = |deg: f64| deg.to_radians().sin();
    assert!((a.g_mm - 1.5 * sine(30.0) / sine(45.0)).abs() < 1e-3, "{plan:?}");
    assert!((b.g_mm - 1.5 * sine(15.0) / sine(45.0)).abs() < 1e-3, "{plan:?}");
    assert!(plan.residual.norm() < 1e-3, "{plan:?}");
}

/// Four holes of 100, 100, 150, 150 g at radius 100 mm and 0, 60, 120, 180 degrees are balanced by 183.303 g at 125 mm
/// and 289.1066 degrees (S. S. Rao, Mechanical Vibrations, problem 9.4; own arithmetic from its data).
#[test]
fn a_fifth_hole_of_a_textbook() {
    let holes = [(100.0, 0.0), (100.0, 60.0), (150.0, 120.0), (150.0, 180.0)];
    let gone: Complex64 = holes.iter().map(|&(g, deg)| heavy_spot(100.0 * g, deg)).sum();
    let disc = Plane {
        radius_mm: Some(125.0),
        density_g_cm3: Some(7.8),
        bore: Some(Bore::Axial),
        drill_mm: Some(30.0),
        depth_max_mm: Some(60.0),
        depth_step_mm: Some(0.02),
        angle_step_deg: Some(0.1),
        removal_max_g: Some(1000.0),
        ..plane()
    };
    let wanted = Need {
        unbalance: -gone,
        deviation_g_mm: 0.0,
        spread: Spread { share: 0.0, angle_rad: 0.0 },
        limit_g_mm: 300.0,
    };
    let plan = planned(disc, &[], &wanted);
    let [hole] = plan.holes[..] else { unreachable!("one hole in {plan:?}") };
    assert!((hole.deg - 289.1066).abs() <= 0.05 + 1e-9, "{hole:?}");
    assert!((hole.mass_g / 183.303 - 1.0).abs() < 1e-3, "{hole:?}");
}

#[test]
fn an_old_hole_is_drilled_deeper_or_kept_clear_of() {
    let allowed = allowed(plane());
    let old = [drilled(&allowed, 40.0, 0.6)];
    let deeper = plan(&allowed, &old, &need(1.0, 40.0)).expect("a plan");
    let [hole] = deeper.holes[..] else { unreachable!("one hole in {deeper:?}") };
    assert_eq!((hole.deg, hole.from_mm), (40.0, 0.6));
    // the gain is the difference of the two
    let gain = allowed.tool.taken(20.0, hole.tip_mm).g_mm - allowed.tool.taken(20.0, 0.6).g_mm;
    assert!((hole.g_mm - gain).abs() < 1e-12 && (gain - 1.0).abs() < 0.03, "{hole:?}");
    assert!(deeper.notes[0].contains("at 40 degrees from 0.60 to"), "{deeper:?}");
    let merged = Hole::after(&old, &deeper.holes);
    assert_eq!((merged.len(), merged[0].tip_mm), (1, hole.tip_mm));
    assert!((merged[0].g_mm - allowed.tool.taken(20.0, hole.tip_mm).g_mm).abs() < 1e-12);
    // another drill's hole cannot be deepened: new ones stand at both sides
    let other = [Hole { drill_mm: 2.0, ..old[0] }];
    let beside = plan(&allowed, &other, &need(1.0, 40.0)).expect("a plan");
    assert_eq!(beside.holes.len(), 2, "{beside:?}");
    assert!(beside.residual.norm() < 0.03, "{beside:?}");
    for hole in &beside.holes {
        assert!(allowed.wall_mm(hole, &other[0]) >= 0.8 - 1e-9, "{hole:?}");
    }
}

#[test]
fn holes_stand_between_blades() {
    let mut machine = machine(Plane {
        blades: Some("inducer".into()),
        blade_first_deg: Some(10.0),
        blade_width_mm: Some(4.0),
        edge_mm: Some(0.2),
        ..plane()
    });
    machine.blade.insert("inducer".into(), BladeRow { count: 9 });
    let allowed = Allowed::of(&machine, "wheel").expect("complete limits");
    let plan = plan(&allowed, &[], &need(1.2, 90.0)).expect("a plan");
    assert_eq!(plan.holes.len(), 2, "{plan:?}");
    assert!(plan.residual.norm() < 0.04, "{plan:?}");
    // half a blade is 2 mm, half a hole 1.5 mm, and 0.2 mm between them
    let clear = (2.0_f64 / 20.0).to_degrees() + (1.7_f64 / 20.0).asin().to_degrees();
    for hole in &plan.holes {
        for blade in 0..9 {
            let apart = wrap_deg(hole.deg - 10.0 - 40.0 * f64::from(blade));
            assert!(apart.min(360.0 - apart) >= clear - 1e-9, "{hole:?}");
        }
    }
}

#[test]
fn the_count_of_the_machine_file_turns_zones_and_sites() {
    let mut with = machine(Plane { zones_deg: vec![[20.0, 100.0]], ..plane() });
    with.convention.count = Count::WithRotation;
    let turned = Allowed::of(&with, "wheel").expect("complete limits");
    assert!(turned.in_zone(300.0, 0.0) && !turned.in_zone(60.0, 0.0));
    let plain = allowed(Plane { zones_deg: vec![[20.0, 100.0]], ..plane() });
    assert!(plain.in_zone(60.0, 0.0) && !plain.in_zone(300.0, 0.0));
    with.plane.get_mut("wheel").expect("there").sites_deg = vec![30.0, 90.0];
    let sites = Allowed::of(&with, "wheel").expect("complete limits");
    assert_eq!(sites.places_deg(), [330.0, 270.0]);
}

#[test]
fn what_cannot_be_reached_is_told_with_the_limit_that_bites() {
    let shallow = Plane { depth_max_mm: Some(1.0), zones_deg: vec![[0.0, 40.0]], ..plane() };
    let told = |plane: Plane| {
        let plan = planned(plane, &[], &need(2.0, 20.0));
        assert!(!plan.holes.is_empty() && plan.residual.norm() > 0.2, "{plan:?}");
        plan.notes[0].clone()
    };
    let by_depth = told(shallow);
    assert!(
        by_depth.contains("of the") && by_depth.ends_with("depth_max_mm stands in the way"),
        "{by_depth}"
    );
    let by_mass = told(Plane { removal_max_g: Some(0.05), ..plane() });
    assert!(by_mass.ends_with("removal_max_g stands in the way"), "{by_mass}");
    let by_zone = told(Plane { zones_deg: vec![[60.0, 120.0]], ..plane() });
    assert!(by_zone.ends_with("zones_deg stands in the way"), "{by_zone}");
    let by_floor =
        told(Plane { floor_radius_mm: Some(19.0), zones_deg: vec![[0.0, 40.0]], ..plane() });
    assert!(by_floor.ends_with("floor_radius_mm stands in the way"), "{by_floor}");
}

#[test]
fn too_much_is_not_risked_where_drilling_scatters() {
    let wide = Need { spread: Spread { share: 0.06, angle_rad: 0.04 }, ..need(3.0, 20.0) };
    let plan = planned(plane(), &[], &Need { limit_g_mm: 0.1, ..wide });
    assert!(plan.undershoot > 0.02 && plan.undershoot < 0.2, "{plan:?}");
    assert!(plan.notes[0].contains("left on purpose"), "{plan:?}");
    let (_, deg) = size_at(plan.residual);
    assert!((deg - 20.0).abs() < 30.0, "what is left is heavy where it was: {plan:?}");
}

/// Unbalances and holes drawn as the estimate and the drilling scatter.
#[test]
fn the_chance_to_be_within_agrees_with_draws() {
    use rand::SeedableRng;
    use rand_distr::{Distribution, StandardNormal};
    let spread = Spread { share: 0.08, angle_rad: 0.06 };
    let need = Need { spread, deviation_g_mm: 0.05, ..need(1.5, 75.0) };
    let plan = planned(plane(), &[], &need);
    let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(3);
    let mut draw = || -> f64 { StandardNormal.sample(&mut rng) };
    let draws = 20_000;
    let within = (0..draws)
        .filter(|_| {
            let off = Complex64::new(draw(), draw()) * need.deviation_g_mm;
            let done: Complex64 = (plan.holes.iter())
                .map(|hole| {
                    let turned = Complex64::from_polar(1.0, spread.angle_rad * draw());
                    hole.change() * (1.0 + spread.share * draw()) * turned
                })
                .sum();
            (need.unbalance + off + done).norm() <= need.limit_g_mm
        })
        .count();
    let drawn = within as f64 / f64::from(draws);
    assert!((0.6..0.98).contains(&drawn), "{drawn}");
    assert!((drawn - plan.chance_within).abs() < 0.02, "{drawn}, not {}", plan.chance_within);
}

#[test]
fn an_edge_is_ground_over_an_arc() {
    let edge = Plane {
        method: Method::Grind,
        bore: None,
        drill_mm: None,
        depth_step_mm: Some(0.1),
        depth_max_mm: Some(0.5),
        grind_width_mm: Some(2.0),
        arc_max_deg: Some(60.0),
        ..plane()
    };
    let plan = planned(edge.clone(), &[], &need(0.8, 200.0));
    let [cut] = plan.holes[..] else { unreachable!("one cut in {plan:?}") };
    assert!(cut.deg == 200.0 && cut.arc_deg <= 60.0 && cut.tip_mm <= 0.5, "{cut:?}");
    assert!(plan.residual.norm() < 0.03, "{plan:?}");
    // a zone of 50 degrees holds no longer arc
    let narrow = Plane { zones_deg: vec![[180.0, 230.0]], ..edge };
    let plan = planned(narrow, &[], &need(5.0, 200.0));
    assert!(plan.holes.iter().all(|cut| cut.deg - 0.5 * cut.arc_deg > 180.0), "{plan:?}");
    assert!(plan.holes.iter().all(|cut| cut.deg + 0.5 * cut.arc_deg < 230.0), "{plan:?}");
}

#[test]
fn masses_are_added_opposite_with_their_force() {
    let mut machine = machine(Plane {
        method: Method::Add,
        bore: None,
        drill_mm: None,
        masses_g: vec![0.05, 0.02, 0.1],
        fixing_max_rpm: Some(100_000.0),
        ..plane()
    });
    assert!(refused(&machine).contains("top speed"));
    machine.shaft.top_rpm = Some(96_000.0);
    let allowed = Allowed::of(&machine, "wheel").expect("complete limits");
    let plan = plan(&allowed, &[], &need(1.0, 20.0)).expect("a plan");
    let [mass] = plan.holes[..] else { unreachable!("one mass in {plan:?}") };
    assert_eq!((mass.deg, mass.mass_g, mass.method), (200.0, 0.05, Method::Add));
    assert!(plan.residual.norm() < 1e-9, "{plan:?}");
    // 1 g mm at 96 000 rpm: 1e-6 (2 pi 1600)²
    assert!(plan.notes[0].contains("101 N"), "{plan:?}");
    machine.shaft.top_rpm = Some(120_000.0);
    assert!(refused(&machine).contains("hold up to 100000 rpm, and the rotor reaches 120000 rpm"));
}

#[test]
fn without_limits_no_plan() {
    let message = refused(&machine(Plane { zones_deg: Vec::new(), ..plane() }));
    assert!(
        message.starts_with("plane.wheel: without limits no plan, and zones_deg (Arcs"),
        "{message}"
    );
    let nothing = refused(&machine(Plane::default()));
    for key in [
        "radius_mm",
        "zones_deg",
        "edge_mm",
        "spacing_mm",
        "removal_max_g",
        "density_g_cm3",
        "depth_max_mm",
        "bore",
        "drill_mm",
    ] {
        assert!(nothing.contains(&format!("{key} (")), "{key} in {nothing}");
    }
    let grind = refused(&machine(Plane { method: Method::Grind, ..plane() }));
    assert!(grind.contains("grind_width_mm (") && grind.contains("arc_max_deg ("), "{grind}");
    let site = refused(&machine(Plane {
        zones_deg: vec![[0.0, 90.0]],
        sites_deg: vec![45.0, 88.0],
        ..plane()
    }));
    assert!(site.contains("the site at 88 degrees lies outside"), "{site}");
    let narrow = refused(&machine(Plane { zones_deg: vec![[0.0, 5.0]], ..plane() }));
    assert!(narrow.contains("no zone is wide enough"), "{narrow}");
    assert!(
        Allowed::of(&machine(plane()), "weel")
            .expect_err("no plane")
            .to_string()
            .contains("known are wheel")
    );
    let fine = refused(&machine(Plane { depth_step_mm: Some(1e-9), ..plane() }));
    assert!(fine.contains("too many steps"), "{fine}");
    let thick = refused(&machine(Plane { drill_mm: Some(30.0), ..plane() }));
    assert!(thick.contains("too thick"), "{thick}");
}

#[test]
fn nonsense_is_refused() {
    let allowed = allowed(plane());
    let none = Need { limit_g_mm: 0.0, ..need(1.0, 0.0) };
    assert!(plan(&allowed, &[], &none).is_err());
    let lost = Need { unbalance: Complex64::new(f64::NAN, 0.0), ..need(1.0, 0.0) };
    assert!(plan(&allowed, &[], &lost).is_err());
    let hole = Hole { tip_mm: f64::NAN, ..drilled(&allowed, 10.0, 1.0) };
    assert!(
        plan(&allowed, &[hole], &need(1.0, 0.0))
            .expect_err("no depth")
            .to_string()
            .contains("hole 1")
    );
    let still = plan(&allowed, &[], &need(0.0, 0.0)).expect("nothing to do");
    assert!(still.holes.is_empty() && still.notes.is_empty() && still.chance_within > 0.99);
}

/// Two radial holes of 5 mm from a radius of 20 mm, 20 degrees apart, are 15 sin 20 apart at their tips.
#[test]
fn walls_between_radial_holes_are_told_at_their_depth() {
    let radial = allowed(plane());
    let [a, b] = [drilled(&radial, 350.0, 5.0), drilled(&radial, 10.0, 5.0)];
    let chord = 2.0 * 15.0 * 10.0_f64.to_radians().sin();
    assert!((radial.wall_mm(&a, &b) - (chord - 3.0)).abs() < 1e-9);
    let shallow = Hole { tip_mm: 1.0, ..b };
    let to_line = 19.0 * 20.0_f64.to_radians().sin();
    assert!((radial.wall_mm(&a, &shallow) - (to_line - 3.0)).abs() < 1e-9);
    let axial = allowed(Plane { bore: Some(Bore::Axial), ..plane() });
    let chord = 2.0 * 20.0 * 10.0_f64.to_radians().sin();
    assert!((axial.wall_mm(&a, &b) - (chord - 3.0)).abs() < 1e-9);
    assert!(radial.wall_mm(&a, &a) < 0.0);
}

#[test]
fn holes_are_stored_in_a_few_words() {
    let text = "deg = 40.0\ndrill_mm = 3.0\ntip_mm = 1.5\ng_mm = 0.4\nmass_g = 0.02";
    let hole: Hole = toml::from_str(text).expect("a hole");
    assert_eq!((hole.method, hole.from_mm), (Method::Drill, 0.0));
    let again: Hole = toml::from_str(&toml::to_string(&hole).expect("written")).expect("read");
    assert_eq!(again, hole);
}

/// Whether every limit is kept, reckoned anew from the machine file's numbers.
fn keeps_limits(plane: &Plane, old: &[Hole], plan: &Plan) -> std::result::Result<(), String> {
    let (radius, drill) = (plane.radius_mm.expect("stated"), plane.drill_mm.expect("stated"));
    let value = |stated: Option<f64>| stated.expect("stated");
    let axial = plane.bore == Some(Bore::Axial);
    for hole in &plan.holes {
        let tip = hole.tip_mm;
        if tip > value(plane.depth_max_mm) + 1e-9 || tip <= hole.from_mm {
            return Err(format!("depth of {hole:?}"));
        }
        if !axial && radius - tip < value(plane.floor_radius_mm) - 1e-9 {
            return Err(format!("floor of {hole:?}"));
        }
        let steps = tip / value(plane.depth_step_mm);
        if (steps - steps.round()).abs() > 1e-6 {
            return Err(format!("step of {hole:?}"));
        }
        // the rim and its edge stand off the straight edges of the zone
        let inside = |zone: &[f64; 2]| {
            let length =
                if zone[1] > zone[0] { zone[1] - zone[0] } else { zone[1] - zone[0] + 360.0 };
            let after = (hole.deg - zone[0]).rem_euclid(360.0);
            let off = |deg: f64| if deg >= 90.0 { radius } else { radius * deg.to_radians().sin() };
            let least = 0.5 * drill + value(plane.edge_mm) - 1e-9;
            length >= 360.0
                || (after <= length && off(after) >= least && off(length - after) >= least)
        };
        if !plane.zones_deg.iter().any(inside) {
            return Err(format!("zone of {hole:?}"));
        }
        if !plane.sites_deg.is_empty()
            && hole.from_mm == 0.0
            && !plane.sites_deg.contains(&hole.deg)
        {
            return Err(format!("site of {hole:?}"));
        }
    }
    let all = Hole::after(old, &plan.holes);
    let before = total_mass_g(old);
    if !plan.holes.is_empty() && total_mass_g(&all) > value(plane.removal_max_g).max(before) + 1e-9
    {
        return Err(format!("removal of {all:?}"));
    }
    for (i, a) in all.iter().enumerate() {
        for b in &all[..i] {
            // old pairs are as they are
            let is_new = |hole: &Hole| plan.holes.iter().any(|new| new.deg == hole.deg);
            if !is_new(a) && !is_new(b) {
                continue;
            }
            // points down both axes, the nearest two of them
            let points = |hole: &Hole| -> Vec<Complex64> {
                let depth = if axial { 0.0 } else { hole.tip_mm };
                (0..=60)
                    .map(|k| {
                        Complex64::from_polar(
                            radius - depth * f64::from(k) / 60.0,
                            hole.deg.to_radians(),
                        )
                    })
                    .collect()
            };
            let (first, second) = (points(a), points(b));
            let apart = first
                .iter()
                .flat_map(|p| second.iter().map(move |q| (p - q).norm()))
                .fold(f64::INFINITY, f64::min);
            if apart - 0.5 * (a.drill_mm + b.drill_mm) < value(plane.spacing_mm) - 1e-6 {
                return Err(format!("wall between {a:?} and {b:?}"));
            }
        }
    }
    Ok(())
}

fn planes() -> impl Strategy<Value = Plane> {
    let sizes =
        (8.0..45.0_f64, 1.5..4.0_f64, 0.5..8.0_f64, 0.0..1.5_f64, 0.2..2.0_f64, 0.02..3.0_f64);
    let zones = prop_oneof![
        Just(vec![[0.0, 360.0]]),
        (0.0..120.0_f64, 30.0..100.0_f64).prop_map(|(from, long)| vec![[from, from + long]]),
        (0.0..60.0_f64)
            .prop_map(|from| vec![[from, from + 70.0], [from + 150.0, from + 200.0], [350.0, from]])
            .prop_filter("an arc", |zones| zones[2][1] > 0.0),
    ];
    let sites = prop_oneof![3 => Just(0_u32), 1 => 5..20_u32];
    (sizes, zones, sites, any::<bool>(), 0.1..0.9_f64).prop_map(
        |(sizes, zones_deg, sites, axial, floor)| {
            let (radius, drill, depth, edge, spacing, removal) = sizes;
            Plane {
                radius_mm: Some(radius),
                drill_mm: Some(drill),
                depth_max_mm: Some(depth),
                floor_radius_mm: Some(floor * radius),
                depth_step_mm: Some(0.1),
                edge_mm: Some(edge),
                spacing_mm: Some(spacing),
                removal_max_g: Some(removal),
                bore: Some(if axial { Bore::Axial } else { Bore::Radial }),
                angle_step_deg: Some(2.0),
                zones_deg,
                sites_deg: (0..sites).map(|i| 360.0 / f64::from(sites) * f64::from(i)).collect(),
                ..plane()
            }
        },
    )
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 96, ..ProptestConfig::default() })]

    /// No plan ever breaks a limit, and none makes a rotor worse.
    #[test]
    fn no_plan_breaks_a_limit(
        plane in planes(),
        g_mm in 0.01..12.0_f64,
        deg in 0.0..360.0_f64,
        old in prop::collection::vec((0.0..360.0_f64, 0.1..3.0_f64, any::<bool>()), 0..3),
        share in 0.0..0.08_f64,
    ) {
        let Ok(allowed) = Allowed::of(&machine(plane.clone()), "wheel") else { return Ok(()) };
        let old: Vec<Hole> = old.into_iter().map(|(deg, tip, same)| {
            let hole = drilled(&allowed, deg, tip);
            Hole { drill_mm: if same { hole.drill_mm } else { 1.0 }, ..hole }
        }).collect();
        let spread = Spread { share, angle_rad: 0.02 };
        let need = Need { spread, ..need(g_mm, deg) };
        let plan = plan(&allowed, &old, &need).expect("a plan");
        prop_assert_eq!(keeps_limits(&plane, &old, &plan), Ok(()));
        prop_assert!(plan.residual.norm() <= g_mm + 1e-9);
        let sum: Complex64 = plan.holes.iter().map(Hole::change).sum();
        prop_assert!((sum - plan.planned).norm() < 1e-9);
        let wanted = (1.0 - plan.undershoot) * need.unbalance;
        let close = closeness(&need, wanted.norm());
        let is_told = plan.notes.iter().any(|note| note.contains("stand"));
        prop_assert!((wanted + plan.planned).norm() <= close || is_told);
    }
}
