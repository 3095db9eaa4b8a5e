//! The lines of a bearing part over the floor that they were held against.

use crate::case::Case;
use crate::case::bearing::{Element, Judged, JudgedLine};
use crate::diagnose::Finding;
use crate::error::Result;
use crate::figure::plot::{Curve, Mark, Plot, Points, Stroke, Symbol};
use crate::figure::{Axis, Figure};
use crate::units::{grouped, three_digits};

/// Below this part of a turn an envelope only shows how the run's own level drifts.
const FROM_ORDER: f64 = 0.2;
/// Orders shown beyond the highest line of the part, as a share of its order.
const BEYOND: f64 = 0.06;
/// Room above the highest value, and below the lowest floor, on the logarithmic axis.
const ABOVE: f64 = 1.6;
const BELOW: f64 = 0.35;

/// The envelope spectrum that shows a part best, as it was judged: its lines, those that stand out, the floor and
/// what noise reaches above it. `None` where the bearing could not be examined.
pub(super) fn of_part(case: &Case, finding: &Finding, element: Element) -> Option<Figure> {
    let bearing = finding.place.as_deref()?;
    let (part, judged) = case.judged(bearing, element)?;
    let plot = plot(&judged).ok()?;
    let [low, high] = judged.band_hz.map(grouped);
    let title = format!(
        "{}: envelope spectrum, {low} to {high} Hz, {} of bearing {bearing}",
        part.channel,
        element.words()
    );
    let mut figure = Figure::of(title, plot);
    figure.notes = notes(&judged);
    Some(figure)
}

/// Depths of modulation, roots of what is held against noise, as the evidence states them.
fn plot(judged: &Judged) -> Result<Plot> {
    let highest = judged.lines.iter().map(|line| line.order).fold(1.0, f64::max);
    let count = judged.orders.partition_point(|order| *order <= highest * (1.0 + BEYOND));
    let orders: Vec<f64> = judged.orders.iter().copied().take(count).collect();
    let root = |values: &[f32], factor: f64| -> Vec<f64> {
        values.iter().take(count).map(|&value| (f64::from(value) * factor).sqrt()).collect()
    };
    let mut depths = root(&judged.values, 1.0);
    let floor = root(&judged.floor, 1.0);
    let from = orders.partition_point(|order| *order < FROM_ORDER);
    let top = depths.iter().skip(from).copied().fold(0.0, f64::max);
    // what drifts slowly may be higher than any line, and would leave the picture
    depths.iter_mut().take(from).for_each(|depth| *depth = depth.min(ABOVE * top));
    let foot = floor.iter().skip(from).copied().filter(|v| v.is_finite()).fold(top, f64::min);
    let across = Axis::linear("order", "").between(0.0, orders.last().copied().unwrap_or(0.0));
    let up = Axis::log("depth of modulation", "").between(BELOW * foot, ABOVE * top);
    let mut plot = Plot::new("", across, up)
        .with_curve(Curve::new("", orders.clone(), depths)?)
        .with_curve(Curve::new("local floor", orders.clone(), floor)?);
    if let Some(ratio) = judged.seen_from {
        let bound =
            Curve::new("from here a line counts as seen", orders, root(&judged.floor, ratio))?;
        plot = plot.with_curve(bound.drawn(Stroke::Dashed));
    }
    plot.marks.push(Mark::new(1.0, "1x").of("shaft"));
    plot.marks.extend(judged.lines.iter().map(mark));
    let seen: Vec<&JudgedLine> = judged.lines.iter().filter(|line| line.is_seen).collect();
    if !seen.is_empty() {
        plot.points.push(Points {
            name: "lines that stand out".to_owned(),
            symbol: Symbol::Disc,
            x: seen.iter().map(|line| line.order).collect(),
            y: seen.iter().map(|line| f64::from(line.value).sqrt()).collect(),
            labels: Vec::new(),
            sizes: Vec::new(),
        });
    }
    Ok(plot)
}

/// A line of the part: harmonics by name, sidebands as lesser marks of a family of their own.
fn mark(line: &JudgedLine) -> Mark {
    let name = line.motion.line();
    if line.side != 0 {
        let family = format!("sidebands {} apart", line.motion.side_line());
        return Mark::new(line.order, "").of(family).minor();
    }
    let label =
        if line.harmonic > 1 { format!("{} {name}", line.harmonic) } else { name.to_owned() };
    Mark::new(line.order, label).of(format!("multiples of {name}"))
}

fn notes(judged: &Judged) -> Vec<String> {
    let mut notes = vec![
        "local floor: running median, scaled to the mean of noise, and no lower than what stands as far from \
         other whole orders; gaps: too close to a whole order to be told from the shaft's own lines"
            .to_owned(),
    ];
    notes.extend(judged.seen_from.map(|ratio| {
        format!(
            "broken line: {} times the floor in power, which one in {:.0} places fixed beforehand reaches by noise or \
             by the record's other lines; discs: lines that stand above it, and whose fundamental or carrier does. The \
             places were chosen to fit within the slip, so single discs occur on sound bearings too; the confidence \
             counts that",
            three_digits(ratio),
            1.0 / judged.chance
        )
    }));
    notes.push(
        "narrow lines of the signal were taken out and its spectrum flattened first".to_owned(),
    );
    notes
}
