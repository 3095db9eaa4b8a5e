//! Tracks with what a finding reads from them: growth laws, ratios, slow roll, the fitted response.

use super::stated::{Stated, drawn};
use super::{number, view_by, views_of};
use crate::angle::critical::bow::Vector;
use crate::angle::critical::{Critical, Response};
use crate::angle::growth::{Growth, Regime};
use crate::case::{Case, Level, View};
use crate::diagnose::Finding;
use crate::figure::plot::{Curve, Limit, Mark, Plot, Points, Stroke, Symbol};
use crate::figure::tracks::limited;
use crate::figure::{Axis, Figure, Panel, Row, Scale, TracksShown};
use crate::units::{Quantity, grouped, three_digits, with_error, without_noughts, wrap_deg};

/// Points of a curve that is drawn from its law.
const LAW_POINTS: usize = 60;
/// A stated critical speed closer than this share to one that was seen is the same.
const SAME: f64 = 0.03;
/// Room on the axis below the lowest law, and above the highest value.
const LAW_BELOW: f64 = 0.3;
const LAW_ABOVE: f64 = 2.5;
const ABOVE: f64 = 1.25;

/// The first order with its limit, and the growth law fitted in each regime.
pub(super) fn of_imbalance(case: &Case, finding: &Finding) -> Option<Figure> {
    let level_of = |view: &View| fullest_limit(case, view).map(|(_, level)| level.value);
    let view = match finding.evidence.first() {
        Some(first) => view_by(case, finding, &first.key, level_of)?,
        None => views_of(case, finding).into_iter().next()?,
    };
    let limit = fullest_limit(case, &view);
    let quantity = limit.map_or(Quantity::Velocity, |(quantity, _)| quantity);
    let made = [Stated::of(&view, 1.0, quantity)?];
    let mut figure = drawn(&view, &made, TracksShown::Both)?;
    figure.title = made[0].subject.title("1x and its growth with speed");
    mark_stated_criticals(&mut figure, &view, &made[0]);
    let level = limit.map(|(_, level)| level);
    figure = limited(figure, level.and_then(|level| Some(limit_of(level, level.limit?))));
    let laws = if made[0].is_over_speed() { view.growth_laws() } else { Vec::new() };
    if let Some(plot) = plot_of(&mut figure, 0) {
        plot.points.extend(level.filter(|_| made[0].is_over_speed()).and_then(worst));
        plot.curves.extend(laws.iter().filter_map(|law| law_curve(law, quantity, made[0].factor)));
        plot.y_axis = growth_axis(plot);
    }
    if !laws.is_empty() {
        figure.notes.push(
            "broken lines: the power of speed fitted in each regime, far from critical speeds, ± one standard error"
                .to_owned(),
        );
    }
    Some(figure)
}

/// The first order as displacement, with the slow-roll vector that it was judged by.
pub(super) fn of_bent_shaft(case: &Case, finding: &Finding) -> Option<Figure> {
    let views = views_of(case, finding);
    let view = *views.iter().find(|view| view.looks_at_shaft()).or(views.first())?;
    let made = [Stated::of(&view, 1.0, Quantity::Displacement)?];
    let mut figure = drawn(&view, &made, TracksShown::Both)?;
    mark_stated_criticals(&mut figure, &view, &made[0]);
    figure.title = made[0].subject.title("1x");
    let Some(slow) = slow_roll(&view) else { return Some(figure) };
    figure.title = made[0].subject.title("1x and slow roll");
    let lag_deg = wrap_deg(-slow.value.arg().to_degrees());
    let (size, error) = (made[0].factor * slow.value.norm(), made[0].factor * slow.error);
    if let Some(plot) = plot_of(&mut figure, 0) {
        let unit = plot.y_axis.unit.clone();
        plot.limits.push(Limit {
            uncertain_by: error,
            ..Limit::new(size, format!("slow roll {} {unit}", with_error(size, error)))
        });
    }
    if let Some(plot) = plot_of(&mut figure, 1) {
        // the turn in which the phase of the first points is drawn
        let first = plot.curves.first().and_then(|c| c.y().iter().copied().find(|y| y.is_finite()));
        let at =
            first.map_or(lag_deg, |first| lag_deg + 360.0 * ((first - lag_deg) / 360.0).round());
        plot.limits.push(Limit::new(at, format!("slow roll {lag_deg:.0}°")));
    }
    figure.notes.push(
        "slow roll: what of 1x does not vary with speed, parted from the unbalance through the critical speed, ± one \
         standard error; run-out of the surface and bow of the shaft together"
            .to_owned(),
    );
    Some(figure)
}

/// The first two orders, and below them the second over the first.
pub(super) fn of_second_order(case: &Case, finding: &Finding) -> Option<Figure> {
    let view = views_of(case, finding).into_iter().next()?;
    let quantity = fullest_limit(case, &view).map_or(Quantity::Velocity, |(quantity, _)| quantity);
    let made: Vec<Stated> =
        [1.0, 2.0].into_iter().filter_map(|order| Stated::of(&view, order, quantity)).collect();
    let first = made.first()?;
    let mut figure = drawn(&view, &made, TracksShown::Amplitude)?;
    figure.title = first.subject.title("1x and 2x, and their ratio");
    let ratio = number(finding, "order2_over_order1");
    let mut below = ratio_plot(&view, ratio)?;
    if first.is_over_speed() {
        let halves = || view.criticals().iter().filter_map(|one| half_critical(one, &made));
        below.marks = view.criticals().iter().map(|one| unnamed(one.rpm)).collect();
        below.marks.extend(halves().map(|mut mark| {
            mark.label.clear();
            mark
        }));
        if let Some(plot) = plot_of(&mut figure, 0) {
            plot.marks.extend(halves());
        }
    }
    figure.rows.push(Row { height: 0.7, panels: vec![below.into()], joined: true });
    figure.notes.push("ratio in velocity; band: both orders off by two standard errors".to_owned());
    if ratio.is_some() {
        figure.notes.push("broken line: the ratio's middle away from resonances".to_owned());
    }
    Some(figure)
}

/// Displacement and phase around critical speeds, with the response that was fitted to tell them.
pub(super) fn of_critical(case: &Case, finding: &Finding) -> Option<Figure> {
    let improvement = |view: &View| view.critical().map(|critical| critical.improvement);
    let view = view_by(case, finding, "fit_improvement", improvement)?;
    if view.criticals().is_empty() {
        return None;
    }
    let made = [Stated::of(&view, 1.0, Quantity::Displacement)?];
    let mut figure = drawn(&view, &made, TracksShown::Both)?;
    let responses = view.responses();
    let what = if responses.is_empty() { "1x" } else { "1x and the response fitted to it" };
    figure.title = made[0].subject.title(what);
    for (place, response) in responses.iter().enumerate() {
        let name = if responses.len() == 1 {
            "fitted response".to_owned()
        } else {
            format!("fitted, run-{}", if response.up { "up" } else { "down" })
        };
        // a name stands in the legend once
        let is_told = responses.iter().take(place).any(|other| other.up == response.up);
        let name = if is_told { String::new() } else { name };
        if let Some(plot) = plot_of(&mut figure, 0) {
            plot.curves.extend(fitted_amplitude(response, &name, made[0].factor));
        }
        if let Some(plot) = plot_of(&mut figure, 1) {
            let fitted = fitted_phase(response, &name, plot.curves.first());
            plot.curves.extend(fitted);
        }
    }
    Some(figure)
}

/// The limit on the first order that is used up most in a channel, with its quantity.
fn fullest_limit<'a>(case: &'a Case, view: &View) -> Option<(Quantity, &'a Level)> {
    let quantity = |id: &str| match id {
        "order1_velocity" => Some(Quantity::Velocity),
        "order1_acceleration" => Some(Quantity::Acceleration),
        "order1_displacement" => Some(Quantity::Displacement),
        _ => None,
    };
    let own = case.levels().iter().filter(|level| level.channel == view.name());
    let limits = own.filter_map(|level| Some((quantity(&level.id)?, level)));
    limits
        .filter(|(_, level)| level.limit.is_some())
        .max_by(|a, b| a.1.ratio().unwrap_or(0.0).total_cmp(&b.1.ratio().unwrap_or(0.0)))
}

fn limit_of(level: &Level, at: f64) -> Limit {
    Limit::new(at, format!("limit {} {}", without_noughts(&three_digits(at)), level.unit))
}

/// Where a level was read.
fn worst(level: &Level) -> Option<Points> {
    let rpm = level.at_rpm?;
    Some(Points {
        name: String::new(),
        symbol: Symbol::Ring,
        x: vec![rpm],
        y: vec![level.value],
        labels: vec![format!("{} {}", three_digits(level.value), level.unit)],
        sizes: Vec::new(),
    })
}

/// A growth law as a curve over its span; `factor` leads from a peak value in SI to a stated one.
fn law_curve(law: &Growth, quantity: Quantity, factor: f64) -> Option<Curve> {
    let steps = quantity.derivative_of_displacement()?;
    let (low, high) = law.span_rpm;
    let share = |i: usize| i as f64 / (LAW_POINTS - 1) as f64;
    let rpm: Vec<f64> = (0..LAW_POINTS).map(|i| low + share(i) * (high - low)).collect();
    let value = |&rpm: &f64| {
        let w = rpm * std::f64::consts::PI / 30.0;
        law.displacement_at(rpm) * w.powi(steps) * factor
    };
    let values = rpm.iter().map(value).collect();
    let (is, expected) = law.in_quantity(quantity);
    let regime = match law.regime {
        Regime::Below => "below critical",
        Regime::Above => "above critical",
        Regime::Unknown => "over the run",
    };
    let against =
        expected.map_or_else(String::new, |expected| format!(" (unbalance {expected:.0})"));
    let name = format!("{regime}: speed^{}{against}", with_error(is, law.error));
    Some(Curve::new(name, rpm, values).ok()?.drawn(Stroke::Dashed))
}

/// The axis of amplitudes with room for a name above everything; by its logarithm, from below all laws, where
/// there are any: a power of speed far below a resonance is lost at the foot of a linear one.
fn growth_axis(plot: &Plot) -> Axis {
    let laws = plot.curves.iter().filter(|curve| curve.stroke == Stroke::Dashed);
    let lowest = laws.flat_map(Curve::y).copied().fold(f64::INFINITY, f64::min);
    let limits = plot.limits.iter().map(|limit| limit.at);
    let highest = plot.curves.iter().flat_map(Curve::y).copied().chain(limits).fold(0.0, f64::max);
    if lowest > 0.0 && lowest.is_finite() {
        let axis = Axis { scale: Scale::Log, ..plot.y_axis.clone() };
        return axis.between(LAW_BELOW * lowest, LAW_ABOVE * highest);
    }
    plot.y_axis.clone().between(0.0, ABOVE * highest)
}

/// The plot of a row that stands alone.
fn plot_of(figure: &mut Figure, row: usize) -> Option<&mut Plot> {
    match figure.rows.get_mut(row)?.panels.first_mut()? {
        Panel::Plot(plot) => Some(plot),
        _ => None,
    }
}

/// Critical speeds of the machine file that were not seen, named above the first panel and marked in all.
fn mark_stated_criticals(figure: &mut Figure, view: &View, stated: &Stated) {
    if !stated.is_over_speed() {
        return;
    }
    let is_seen = |rpm: f64| view.criticals().iter().any(|one| (one.rpm / rpm - 1.0).abs() < SAME);
    let unseen = view.case.machine.shaft.critical_rpm.iter().copied().filter(|rpm| !is_seen(*rpm));
    for rpm in unseen {
        for row in 0..figure.rows.len() {
            let label =
                if row == 0 { format!("{} rpm, stated", grouped(rpm)) } else { String::new() };
            if let Some(plot) = plot_of(figure, row) {
                plot.marks.push(Mark::new(rpm, label).of("stated critical speed"));
            }
        }
    }
}

fn unnamed(rpm: f64) -> Mark {
    Mark::new(rpm, "").of("critical speed")
}

/// Where the second order meets a critical speed, inside the run.
fn half_critical(critical: &Critical, made: &[Stated]) -> Option<Mark> {
    let rpm = 0.5 * critical.rpm;
    let lowest = made.first()?.track.rpm.iter().copied().fold(f64::INFINITY, f64::min);
    let label = "2x meets it";
    (rpm > lowest).then(|| Mark::new(rpm, label).of("2x at a critical speed").minor())
}

/// The second order over the first in velocity with its band of two standard errors, and the ratio that the evidence
/// states.
fn ratio_plot(view: &View, stated: Option<f64>) -> Option<Plot> {
    let first = Stated::of(view, 1.0, Quantity::Velocity)?;
    let second = Stated::of(view, 2.0, Quantity::Velocity)?;
    let ratios = ratios(&first, &second);
    let clear = ratios.iter().filter(|ratio| ratio.is_clear).map(|ratio| ratio.value);
    let highest = clear.fold(stated.unwrap_or(0.0), f64::max);
    let top = if highest > 0.0 { ABOVE * highest } else { 1.0 };
    let x: Vec<f64> = ratios.iter().map(|ratio| ratio.place).collect();
    let inside = |value: f64| if value <= top { value } else { f64::NAN };
    let y = ratios.iter().map(|ratio| inside(ratio.value)).collect();
    let edge = |k: usize| ratios.iter().map(|ratio| ratio.band[k].min(top)).collect();
    let curve = Curve::new("", x, y).ok()?.with_band(edge(0), edge(1)).ok()?;
    let up = Axis::linear("2x over 1x", "").between(0.0, top);
    let limit = stated.map(|at| Limit::new(at, format!("{} in the evidence", three_digits(at))));
    Some(Plot::new("", first.across(), up).with_curve(curve).with_limits(limit))
}

/// The second order over the first in one block.
struct Ratio {
    place: f64,
    value: f64,
    /// Where the ratio lies when both orders are off by two standard errors.
    band: [f64; 2],
    /// Whether noise does not hide the first order.
    is_clear: bool,
}

/// The ratios of the blocks that hold both orders.
fn ratios(first: &Stated, second: &Stated) -> Vec<Ratio> {
    let of =
        |stated: &Stated| stated.track.amplitudes().into_iter().zip(stated.track.errors.clone());
    let mut others = second.track.times_s.iter().zip(of(second)).peekable();
    let mut ratios = Vec::new();
    for ((time_s, &place), (one, error)) in
        first.track.times_s.iter().zip(first.places()).zip(of(first))
    {
        while others.peek().is_some_and(|(other, _)| *other < time_s) {
            others.next();
        }
        let Some((_, (two, two_error))) = others.peek().filter(|(other, _)| *other == time_s)
        else {
            continue;
        };
        let (by, two_by) = (BAND_ERRORS * error, BAND_ERRORS * two_error);
        let low = (two - two_by).max(0.0) / (one + by).max(f64::MIN_POSITIVE);
        let high = if one > by { (two + two_by) / (one - by) } else { f64::INFINITY };
        ratios.push(Ratio {
            place,
            value: two / one.max(f64::MIN_POSITIVE),
            band: [low, high],
            is_clear: one > CLEAR_ERRORS * error,
        });
    }
    ratios
}

/// Standard errors above which an order stands clear of noise, and those that a band shows.
const CLEAR_ERRORS: f64 = 3.0;
const BAND_ERRORS: f64 = 2.0;

fn fitted_amplitude(response: &Response, name: &str, factor: f64) -> Option<Curve> {
    let amplitudes = response.phasors.iter().map(|phasor| factor * phasor.norm()).collect();
    let curve = Curve::new(name, response.rpm.clone(), amplitudes).ok()?;
    Some(curve.drawn(Stroke::Dashed))
}

/// The lag of the fitted response, in the turn in which the track is drawn at the same speed.
fn fitted_phase(response: &Response, name: &str, drawn: Option<&Curve>) -> Option<Curve> {
    let drawn = drawn.filter(|_| response.with_phase)?;
    let points: Vec<(f64, f64)> = (drawn.x().iter().copied().zip(drawn.y().iter().copied()))
        .filter(|(_, lag)| lag.is_finite())
        .collect();
    let lag = |(rpm, phasor): (&f64, &num_complex::Complex64)| {
        let lag = wrap_deg(-phasor.arg().to_degrees());
        let off = |point: &(f64, f64)| (point.0 - rpm).abs();
        let near = points.iter().min_by(|a, b| off(a).total_cmp(&off(b)));
        near.map_or(f64::NAN, |(_, near)| lag + 360.0 * ((near - lag) / 360.0).round())
    };
    let lags = response.rpm.iter().zip(&response.phasors).map(lag).collect();
    Some(Curve::new(name, response.rpm.clone(), lags).ok()?.drawn(Stroke::Dashed))
}

/// The vector at slow roll that a bent shaft is judged by, zero-to-peak in SI, of a sensor that looks at the shaft.
fn slow_roll(view: &View) -> Option<Vector> {
    let shaft = Some(view).filter(|view| view.looks_at_shaft())?;
    Some(shaft.parted(&shaft.case.governing_criticals())?.slow_roll)
}
