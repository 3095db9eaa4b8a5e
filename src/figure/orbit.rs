//! The orbit: the path of the shaft's centre, filtered and as it was.

use super::orders::short;
use super::plot::{Arrow, Curve, Plot, Points, Stroke, Symbol};
use super::{Axis, Figure, Row, Subject};
use crate::angle::orbit::{Ellipse, Orbit, Precession};
use crate::error::Result;
use crate::units::{grouped, order_word, three_digits, with_error};

/// Turns after which a filtered path is left open, where it does not close before.
const MOST_TURNS: usize = 8;
/// Height of the picture, of usual ones.
const HEIGHT: f64 = 1.15;
/// Where along a turn the arrow stands.
const ARROW: f64 = 0.13;
/// Room around the path, and where its sensors stand, as shares of its reach.
const ROOM: f64 = 1.3;
const RIM: f64 = 1.15;
/// Half of the arc that shows the rotation, in degrees, and its least distance from a sensor.
const ARC_DEG: f64 = 20.0;
const ARC_CLEAR_DEG: f64 = 40.0;
/// Standard errors from which an order stands clear of noise.
const CLEAR: f64 = 3.0;
/// A speed that changes by more than this share over the turns is told.
const UNEVEN: f64 = 0.005;

/// Two pictures of an orbit: the chosen orders together, and the mean turn over the turns as they were. A
/// disc stands where the pulse edge passes, an arrow says which way the centre goes. At the rim stand the
/// sensors, each a name and its angle in degrees, and an arc that turns as the shaft does.
///
/// # Errors
/// [`Error::TooLittle`](crate::Error::TooLittle) for an orbit of no points.
pub fn orbit(
    subject: &Subject,
    orbit: &Orbit,
    sensors: [(&str, f64); 2],
    phase_stated: bool,
) -> Result<Figure> {
    let turns = turns_to_close(orbit);
    let [x, y] = orbit.filtered(turns);
    let names: Vec<String> = orbit.orders.iter().map(|one| order_word(one.order)).collect();
    let mean = orbit.mean.each_ref().map(|part| closed(part));
    let raw = orbit.raw.each_ref().map(|part| part.iter().map(|&v| v.into()).collect::<Vec<f64>>());
    let paths = [(&x, &y), (&mean[0], &mean[1]), (&raw[0], &raw[1])];
    let radii = paths.into_iter().flat_map(|(x, y)| x.iter().zip(y)).map(|(x, y)| x.hypot(*y));
    let farthest = radii.fold(f64::MIN_POSITIVE, f64::max);
    let reach = ROOM * farthest;
    let panel = |title: String| {
        let axis = |name: &str| {
            let values = subject.values();
            Axis { label: format!("{name}: {}", values.label), ..values }.between(-reach, reach)
        };
        let mut plot = Plot::new(title, axis("x"), axis("y"));
        plot.equal = true;
        plot
    };
    let steps = orbit.steps;
    let mut left = panel(format!("filtered: {}", names.join(" + ")));
    marked(&mut left, [&x, &y], steps, turns);
    left.curves.push(Curve::new("", x, y)?);
    let [raw_x, raw_y] = raw;
    let kept = raw_x.len() / steps;
    let mut right = panel(format!("mean of {} turns", orbit.turns));
    let faint = format!("faint, on the right: {kept} turns as they were");
    marked(&mut right, [&mean[0], &mean[1]], steps, 1);
    let [mean_x, mean_y] = mean;
    right.curves.push(Curve::new("", mean_x, mean_y)?);
    right.curves.push(Curve::new("", raw_x, raw_y)?.drawn(Stroke::Faint));
    for panel in [&mut left, &mut right] {
        rim(panel, sensors, RIM * farthest)?;
    }
    let title = subject.title(&format!("orbit at {} rpm", grouped(orbit.rpm)));
    let mut figure = Figure::of(title, left.clone());
    figure.rows = vec![Row::new(HEIGHT, vec![left.into(), right.into()])];
    figure.notes = notes(subject, orbit, sensors.map(|(_, deg)| deg), phase_stated);
    if let Some(last) = figure.notes.last_mut() {
        last.push_str("; ");
        last.push_str(&faint);
    }
    Ok(figure)
}

/// Turns after which all orders have made whole cycles.
fn turns_to_close(orbit: &Orbit) -> usize {
    let is_whole = |turns: usize| {
        let cycles = orbit.orders.iter().map(|one| one.order * turns as f64);
        cycles.into_iter().all(|c| (c - c.round()).abs() < 1e-6)
    };
    (1..=MOST_TURNS).find(|turns| is_whole(*turns)).unwrap_or(MOST_TURNS)
}

fn closed(part: &[f32]) -> Vec<f64> {
    part.iter().chain(part.first()).map(|&v| v.into()).collect()
}

/// The pulse and the direction of motion along a path.
fn marked(plot: &mut Plot, [x, y]: [&[f64]; 2], steps: usize, turns: usize) {
    let starts: Vec<usize> = (0..turns).map(|turn| turn * steps).collect();
    let take = |from: &[f64]| starts.iter().filter_map(|&at| from.get(at)).copied().collect();
    let (name, symbol) = (String::new(), Symbol::Disc);
    let (labels, sizes) = (Vec::new(), Vec::new());
    plot.points.push(Points { name, symbol, x: take(x), y: take(y), labels, sizes });
    let at = (ARROW * steps as f64).round() as usize;
    // far enough back that the direction is one, near enough that it is the path's
    let before = at.saturating_sub((steps / 64).max(1));
    let place = |k: usize| Some([*x.get(k)?, *y.get(k)?]);
    if let (Some(at), Some(from)) = (place(at), place(before)) {
        plot.arrows.push(Arrow { at, from });
    }
}

/// What stands at the rim: the sensors, and an arc that turns as the shaft does where there is room for it.
fn rim(plot: &mut Plot, sensors: [(&str, f64); 2], radius: f64) -> Result<()> {
    let place = |deg: f64| {
        let (sin, cos) = deg.to_radians().sin_cos();
        [radius * cos, radius * sin]
    };
    let places = sensors.map(|(_, deg)| place(deg));
    plot.points.push(Points {
        name: String::new(),
        symbol: Symbol::Sensor,
        x: places.iter().map(|[x, _]| *x).collect(),
        y: places.iter().map(|[_, y]| *y).collect(),
        labels: sensors.iter().map(|(name, _)| short(name)).collect(),
        sizes: Vec::new(),
    });
    let apart = |a: f64, b: f64| (a - b + 180.0).rem_euclid(360.0) - 180.0;
    let is_free =
        |middle: &f64| sensors.iter().all(|(_, deg)| apart(*middle, *deg).abs() > ARC_CLEAR_DEG);
    // two sensors leave one of four quarters free at least
    let Some(middle) = [225.0, 315.0, 135.0, 45.0].into_iter().find(is_free) else { return Ok(()) };
    let steps = (0..=20).map(|k| place(middle + ARC_DEG * (f64::from(k) / 10.0 - 1.0)));
    let (x, y) = steps.map(|[x, y]| (x, y)).unzip();
    plot.curves.push(Curve::new("", x, y)?.drawn(Stroke::Faint));
    plot.arrows.push(Arrow { at: place(middle + ARC_DEG), from: place(middle + ARC_DEG - 1.0) });
    Ok(())
}

fn notes(
    subject: &Subject,
    orbit: &Orbit,
    angles_deg: [f64; 2],
    phase_stated: bool,
) -> Vec<String> {
    let mut notes: Vec<String> =
        orbit.orders.iter().map(|one| sentence(one, &subject.amplitudes().unit)).collect();
    notes.push(format!(
        "x points to the pulse sensor, y a quarter turn further with the rotation: the shaft turns anticlockwise here, as the arc at the rim; triangles: the sensors, at {:.0} and {:.0} degrees",
        angles_deg[0], angles_deg[1]
    ));
    notes.push(if phase_stated {
        "disc: the pulse edge passes; arrow: which way the centre goes".to_owned()
    } else {
        "arrow: which way the centre goes; disc: any one angle, as no pulse edge is stated"
            .to_owned()
    });
    let [low, high] = orbit.rpm_range;
    if high - low > UNEVEN * high {
        notes.push(format!(
            "the speed changes from {} to {} rpm over these turns",
            grouped(low),
            grouped(high)
        ));
    }
    notes
}

/// What there is to say of one order.
fn sentence(one: &Ellipse, unit: &str) -> String {
    let larger = one.forward.norm().max(one.backward.norm());
    if larger < CLEAR * one.error {
        let told = with_error(larger, one.error);
        return format!("{}: lost in noise, {told} {unit}", order_word(one.order));
    }
    let way = match one.precession() {
        Precession::Forward => "goes round with the rotation (forward)",
        Precession::Backward => "goes round against the rotation (backward)",
        Precession::Undecided => "goes along a line, as far as noise lets it be told",
    };
    let lean = one.inclination_deg().map_or(String::new(), |(deg, error)| {
        format!(", the longer at {deg:.0} ± {:.0} degrees from the pulse sensor", error.max(1.0))
    });
    format!(
        "{}: forward {}, backward {} {unit}; semi-axes {} and {}{lean}; it {way}",
        order_word(one.order),
        with_error(one.forward.norm(), one.error),
        with_error(one.backward.norm(), one.error),
        three_digits(one.major()),
        with_error(one.minor().abs(), one.minor_error),
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dsp::fft::Complex64;
    use crate::figure::Panel;
    use crate::recording::{Channel, ChannelSpec};

    fn made(order: f64) -> Figure {
        let ellipse = Ellipse {
            order,
            forward: Complex64::new(3.5, 0.0),
            backward: Complex64::new(1.5, 0.0),
            error: 0.01,
            major_error: 0.014,
            minor_error: 0.014,
        };
        let steps = 128;
        let path = |k: usize| ellipse.at(k as f64 / steps as f64);
        let parts = |turns: usize| {
            let z: Vec<Complex64> = (0..turns * steps).map(path).collect();
            [z.iter().map(|z| z.re as f32).collect(), z.iter().map(|z| z.im as f32).collect()]
        };
        let of = Orbit {
            orders: vec![ellipse],
            mean: parts(1),
            raw: parts(2),
            steps,
            turns: 64,
            time_s: 1.0,
            rpm: 60_000.0,
            rpm_range: [59_990.0, 60_010.0],
        };
        let channel = Channel::new(ChannelSpec::named("x"), 1000.0, vec![0.0]).expect("a channel");
        orbit(&Subject::of(&channel), &of, [("x", 0.0), ("y", 90.0)], true).expect("drawn")
    }

    #[test]
    fn the_pulse_stands_where_the_turn_begins_and_the_arrow_goes_on() {
        let figure = made(1.0);
        for panel in figure.panels() {
            let Panel::Plot(plot) = panel else { unreachable!("plots") };
            assert!(plot.equal);
            assert!((plot.points[0].x[0] - 5.0).abs() < 1e-6 && plot.points[0].y[0].abs() < 1e-6);
            let arrow = plot.arrows[0];
            // with the rotation is anticlockwise: on from +x towards +y
            assert!(arrow.at[1] > arrow.from[1] && arrow.at[0] < arrow.from[0]);
        }
        assert!(figure.notes[0].contains("semi-axes 5.00 and 2.00 ± 0.01"), "{:?}", figure.notes);
        assert!(figure.notes[0].contains("with the rotation (forward)"));
    }

    #[test]
    fn sensors_stand_outside_the_path_and_the_arc_turns_with_the_shaft() {
        let figure = made(1.0);
        for panel in figure.panels() {
            let Panel::Plot(plot) = panel else { unreachable!("plots") };
            let sensors = &plot.points[1];
            assert_eq!(
                (sensors.symbol, sensors.labels.as_slice()),
                (Symbol::Sensor, ["x".to_owned(), "y".to_owned()].as_slice())
            );
            // the longer semi-axis is 5
            assert!((sensors.x[0] - 5.0 * RIM).abs() < 1e-6 && sensors.y[0].abs() < 1e-6);
            assert!((sensors.y[1] - 5.0 * RIM).abs() < 1e-6 && sensors.x[1].abs() < 1e-6);
            let Arrow { at, from } = plot.arrows[1];
            assert!(from[0] * at[1] - from[1] * at[0] > 0.0, "anticlockwise");
            let Some([_, reach]) = plot.x_axis.shown else { unreachable!("bounds") };
            assert!(plot.curves.iter().flat_map(Curve::x).all(|x| x.abs() < reach));
        }
    }

    #[test]
    fn a_half_order_closes_after_two_turns() {
        let figure = made(0.5);
        let Some(Panel::Plot(plot)) = figure.panels().next() else { unreachable!("plots") };
        assert_eq!(plot.points[0].x.len(), 2);
        let (x, y) = (plot.curves[0].x(), plot.curves[0].y());
        assert!((x[0] - x[x.len() - 1]).abs() < 1e-9 && (y[0] - y[y.len() - 1]).abs() < 1e-9);
    }
}
