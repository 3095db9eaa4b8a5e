//! The interference diagram: frequencies over speed, and where orders meet natural frequencies.

use super::orders::short;
use super::plot::{Curve, Limit, Mark, Plot, Points, Span, Symbol};
use super::{Axis, Figure, Subject};
use crate::case::Interference;
use crate::case::interference::NaturalFrequency;
use crate::case::named_orders::NamedOrder;
use crate::error::Result;
use crate::units::{grouped, listed, rpm_with_error, three_digits, with_error};

/// Orders above this one do not set the height of the picture: they leave it at the top.
const HIGHEST: f64 = 8.0;
/// Height of the picture, of usual ones.
const HEIGHT: f64 = 1.4;
/// Decibels between the largest and the smallest disc.
const DISCS_DB: f64 = 60.0;
/// Speeds are shown from zero where the lowest is below this share of the highest.
const FROM_ZERO: f64 = 0.3;
/// A top service speed beyond the run is shown up to this share of the highest speed run.
const BEYOND: f64 = 1.3;
/// Height of a label over that of the picture: natural frequencies closer than this share one.
const LABEL_HEIGHT: f64 = 0.04;
/// Least uncertainty printed with a natural frequency, in Hz; that of its critical speed is 1 rpm.
const LEAST_HZ: f64 = 1.0 / 60.0;

/// An interference diagram: the lines found in the spectra as discs, the orders that the machine can make
/// as lines, natural frequencies as levels, rings where they meet; the service speeds shaded or marked.
///
/// # Errors
/// None for a diagram that was made by this library: its numbers are finite.
pub fn interference(subject: &Subject, diagram: &Interference) -> Result<Figure> {
    let [slowest, fastest] = diagram.rpm;
    let top_rpm = diagram.service.as_ref().map(|service| service.high_rpm);
    let top_rpm = top_rpm.filter(|top| *top <= BEYOND * fastest);
    let to_rpm = top_rpm.map_or(fastest, |top| top.max(fastest)) * 1.01;
    let from_rpm = if slowest < FROM_ZERO * fastest { 0.0 } else { 0.98 * slowest };
    let top_hz = height_hz(diagram, to_rpm);
    let mut plot = Plot::new(
        "",
        Axis::linear("speed", "rpm").between(from_rpm, to_rpm),
        Axis::linear("frequency", "Hz").between(0.0, top_hz),
    );
    for one in &diagram.orders {
        plot.lines.extend(line(one, [from_rpm, to_rpm], top_hz)?);
    }
    service(&mut plot, diagram, top_rpm);
    plot.points.push(discs(diagram, top_hz));
    let pairs = together(&diagram.natural, LABEL_HEIGHT * top_hz);
    plot.limits = pairs.iter().flat_map(|pair| levels(pair)).collect();
    plot.points.extend(rings(diagram, &pairs));
    let mut figure = Figure::of(subject.title("interference diagram"), plot);
    // what matters most stands low
    figure.rows.iter_mut().for_each(|row| row.height = HEIGHT);
    figure.notes = notes(subject, diagram);
    Ok(figure)
}

/// How high the picture reaches, in Hz.
fn height_hz(diagram: &Interference, to_rpm: f64) -> f64 {
    let orders = diagram.orders.iter().map(|one| one.order);
    let within = orders.clone().filter(|order| *order <= HIGHEST).fold(0.0, f64::max);
    let order = if within > 0.0 { within } else { orders.fold(1.0, f64::max) };
    let highest = diagram.natural.iter().map(|natural| natural.hz()).fold(0.0, f64::max);
    (1.05 * order * to_rpm / 60.0).max(1.3 * highest).min(diagram.judged_hz)
}

/// The part of an order's line that is inside the picture; none where it lies above.
fn line(one: &NamedOrder, [from_rpm, to_rpm]: [f64; 2], top_hz: f64) -> Result<Option<Curve>> {
    let hz = |rpm: f64| one.order * rpm / 60.0;
    if hz(from_rpm) >= top_hz {
        return Ok(None);
    }
    let end_rpm = to_rpm.min(60.0 * top_hz / one.order);
    let ends = vec![from_rpm, end_rpm];
    let heights = ends.iter().map(|&rpm| hz(rpm).min(top_hz)).collect();
    Curve::new(short(&one.name), ends, heights).map(Some)
}

/// The range of service speeds, or the highest one where only that is stated.
fn service(plot: &mut Plot, diagram: &Interference, top_rpm: Option<f64>) {
    let (Some(top), Some(service)) = (top_rpm, &diagram.service) else { return };
    match service.low_rpm {
        Some(lowest) => plot.spans.push(Span {
            from: lowest,
            to: top,
            label: "service speeds".to_owned(),
            whole: true,
        }),
        None if service.high_is_stated => plot.marks.push(Mark::new(top, "top service speed")),
        // the end of the run shows itself
        None => {}
    }
}

fn discs(diagram: &Interference, top_hz: f64) -> Points {
    let shown = diagram.lines.iter().filter(|line| line.hz <= top_hz);
    let highest = shown.clone().map(|line| line.amplitude).fold(f64::MIN_POSITIVE, f64::max);
    let size =
        |amplitude: f64| (1.0 + 20.0 * (amplitude / highest).log10() / DISCS_DB).clamp(0.0, 1.0);
    Points {
        name: "found in the spectra".to_owned(),
        symbol: Symbol::Disc,
        x: shown.clone().map(|line| line.rpm).collect(),
        y: shown.clone().map(|line| line.hz).collect(),
        labels: Vec::new(),
        sizes: shown.map(|line| size(line.amplitude)).collect(),
    }
}

/// Natural frequencies in groups, each closer than `apart_hz` to the one before it.
fn together(natural: &[NaturalFrequency], apart_hz: f64) -> Vec<Vec<NaturalFrequency>> {
    let mut sorted = natural.to_vec();
    sorted.sort_by(|a, b| a.rpm.total_cmp(&b.rpm));
    sorted.chunk_by(|a, b| b.hz() - a.hz() < apart_hz).map(<[_]>::to_vec).collect()
}

/// A group of natural frequencies as levels: the highest, above which labels stand, bears the names of all.
fn levels(group: &[NaturalFrequency]) -> Vec<Limit> {
    let named = |one: &NaturalFrequency| with_error(one.hz(), one.hz_error().max(LEAST_HZ));
    let names: Vec<String> = group.iter().map(named).collect();
    let label = |place: usize| {
        let last = place + 1 == names.len();
        if last { format!("{} Hz", listed(&names)) } else { String::new() }
    };
    (group.iter().enumerate())
        .map(|(place, one)| Limit {
            at: one.hz(),
            label: label(place),
            uncertain_by: one.hz_error(),
        })
        .collect()
}

/// Where orders meet natural frequencies at speeds of the run: the first order with its speed, a group's in
/// one label; the others as they are.
fn rings(diagram: &Interference, groups: &[Vec<NaturalFrequency>]) -> Option<Points> {
    let [slowest, fastest] = diagram.rpm;
    let (mut x, mut y, mut labels) = (Vec::new(), Vec::new(), Vec::new());
    for group in groups {
        for (place, natural) in group.iter().enumerate() {
            for one in &diagram.orders {
                let rpm = natural.rpm / one.order;
                if rpm < slowest || rpm > fastest {
                    continue;
                }
                x.push(rpm);
                y.push(natural.hz());
                let named = one.is_near(1.0) && place + 1 == group.len();
                labels.push(if named { critical_label(group) } else { String::new() });
            }
        }
    }
    let name = "an order meets a natural frequency".to_owned();
    let symbol = Symbol::Ring;
    (!x.is_empty()).then_some(Points { name, symbol, x, y, labels, sizes: Vec::new() })
}

/// `critical 30 000 ± 120 rpm`, or both of a pair.
fn critical_label(group: &[NaturalFrequency]) -> String {
    let names: Vec<String> =
        group.iter().map(|one| rpm_with_error(one.rpm, one.rpm_error)).collect();
    format!("critical {} rpm", listed(&names))
}

fn notes(subject: &Subject, diagram: &Interference) -> Vec<String> {
    let mut notes = Vec::new();
    let highest = diagram.lines.iter().map(|line| line.amplitude).fold(0.0, f64::max);
    if highest > 0.0 {
        notes.push(format!(
            "discs: lines that stand clear of the floor in the order spectra, the larger the higher, over {DISCS_DB} dB; the highest has {} {}",
            three_digits(highest),
            subject.amplitudes().unit
        ));
    }
    for natural in &diagram.natural {
        notes.push(format!(
            "the first order meets a natural frequency of {} Hz at {} rpm, amplification {}; it is drawn level, and shifts with speed where the rotor's gyroscopic moment is large",
            with_error(natural.hz(), natural.hz_error().max(LEAST_HZ)),
            rpm_with_error(natural.rpm, natural.rpm_error),
            three_digits(natural.amplification)
        ));
    }
    if diagram.natural.is_empty() {
        notes.push("the first order passed no critical speed that could be seen here".to_owned());
    }
    if diagram.orders.iter().any(NamedOrder::is_of_bearing) {
        notes.push(
            "lines of bearings follow their geometry; a real cage lags by a percent or so"
                .to_owned(),
        );
    }
    if let Some(service) = &diagram.service
        && let Some(low) = service.low_rpm
    {
        notes.push(format!(
            "service speeds of {} to {} rpm ({})",
            grouped(low),
            grouped(service.high_rpm),
            service.source
        ));
    }
    if !diagram.left_out.is_empty() {
        notes.push(format!("no room was left for {}", diagram.left_out.join(", ")));
    }
    notes
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::case::interference::FoundLine;
    use crate::case::{Operating, OrderKind};
    use crate::figure::Panel;
    use crate::recording::{Channel, ChannelSpec};

    fn diagram() -> Interference {
        let orders = [(1.0, "1x"), (2.0, "2x"), (5.4, "BPFI"), (12.0, "wheel 12x")];
        Interference {
            rpm: [6_000.0, 60_000.0],
            lines: vec![
                FoundLine { rpm: 30_000.0, hz: 500.0, amplitude: 2.0 },
                FoundLine { rpm: 30_000.0, hz: 1000.0, amplitude: 0.02 },
            ],
            orders: orders
                .map(|(order, name)| NamedOrder::new(order, name, OrderKind::Shaft))
                .to_vec(),
            left_out: vec!["FTF".to_owned()],
            natural: vec![NaturalFrequency { rpm: 30_000.0, rpm_error: 120.0, amplification: 6.0 }],
            service: Some(Operating {
                low_rpm: Some(40_000.0),
                high_rpm: 60_000.0,
                high_is_stated: true,
                source: "shaft.lowest_rpm, shaft.top_rpm".to_owned(),
            }),
            judged_hz: 10_000.0,
        }
    }

    fn plot(diagram: &Interference) -> (Plot, Vec<String>) {
        let spec = ChannelSpec::named("front");
        let channel = Channel::new(spec, 1000.0, vec![0.0]).expect("a channel");
        let figure = interference(&Subject::of(&channel), diagram).expect("drawn");
        let Some(Panel::Plot(plot)) = figure.panels().next() else { unreachable!("one plot") };
        (plot.clone(), figure.notes.clone())
    }

    #[test]
    fn orders_meet_the_natural_frequency_where_arithmetic_says() {
        let (plot, notes) = plot(&diagram());
        let rings = &plot.points[1];
        // 500 Hz is met by 1x at 30 000 rpm and by 2x at half of it; the run begins above the others
        assert_eq!(rings.x, [30_000.0, 15_000.0]);
        assert!(rings.y.iter().all(|hz| *hz == 500.0));
        assert_eq!(rings.labels, ["critical 30 000 ± 120 rpm", ""]);
        assert_eq!((plot.limits[0].at, plot.limits[0].uncertain_by), (500.0, 2.0));
        assert_eq!((plot.spans[0].from, plot.spans[0].to), (40_000.0, 60_000.0));
        assert!(notes.iter().any(|note| note.contains("no room was left for FTF")), "{notes:?}");
        let told = "service speeds of 40 000 to 60 000 rpm (shaft.lowest_rpm, shaft.top_rpm)";
        assert!(notes.iter().any(|note| note == told), "{notes:?}");
    }

    #[test]
    fn no_ring_stands_where_the_run_never_was() {
        let mut made = diagram();
        made.rpm = [20_000.0, 45_000.0];
        // the cage would meet 500 Hz at 75 000 rpm, 0.6x at 50 000, within the service speeds
        for order in [0.4, 0.6] {
            made.orders.push(NamedOrder::new(order, "low", OrderKind::Shaft));
        }
        let (plot, _) = plot(&made);
        assert_eq!(plot.points[1].x, [30_000.0]);
    }

    #[test]
    fn a_split_pair_shares_one_label() {
        let mut made = diagram();
        made.natural.push(NaturalFrequency { rpm: 30_600.0, rpm_error: 90.0, amplification: 7.0 });
        made.natural.push(NaturalFrequency { rpm: 50_000.0, rpm_error: 90.0, amplification: 7.0 });
        let (plot, _) = plot(&made);
        let labels: Vec<&str> = plot.limits.iter().map(|limit| limit.label.as_str()).collect();
        assert_eq!(labels, ["", "500 ± 2 and 510 ± 2 Hz", "833 ± 2 Hz"]);
        assert_eq!(plot.limits[1].at, 510.0);
        let named: Vec<&String> = plot.points[1].labels.iter().filter(|l| !l.is_empty()).collect();
        assert_eq!(named[0], "critical 30 000 ± 120 and 30 600 ± 90 rpm");
        assert_eq!(named.len(), 2);
    }

    #[test]
    fn a_steep_line_leaves_at_the_top() {
        let (plot, _) = plot(&diagram());
        let [_, top_hz] = plot.y_axis.shown.expect("bounds");
        assert!((top_hz - 1.05 * 5.4 * 1010.0).abs() < 1.0, "{top_hz}");
        let blades = plot.lines.last().expect("lines");
        assert_eq!(blades.name, "wheel 12x");
        assert!((blades.y()[1] - top_hz).abs() < 1e-6 && blades.x()[1] < 30_000.0);
        let first = &plot.lines[0];
        assert!((first.y()[1] - first.x()[1] / 60.0).abs() < 1e-9);
    }

    #[test]
    fn discs_are_sized_in_decibels() {
        let (plot, _) = plot(&diagram());
        let sizes = &plot.points[0].sizes;
        assert_eq!(sizes[0], 1.0);
        // a hundredth is 40 dB down, two thirds of the range
        assert!((sizes[1] - 1.0 / 3.0).abs() < 1e-9, "{sizes:?}");
    }

    #[test]
    fn without_a_lowest_service_speed_the_top_one_is_marked() {
        let mut made = diagram();
        made.service.as_mut().expect("stated").low_rpm = None;
        made.natural.clear();
        let (plot, notes) = plot(&made);
        assert!(plot.spans.is_empty() && plot.marks[0].at == 60_000.0);
        assert!(notes.iter().any(|note| note.contains("passed no critical speed")));
    }
}
