//! The picture that shows why a finding was made.

use super::envelope::{DefectLines, EnvelopeCurve, envelope};
use super::of_case::fullest;
use super::orders::Against;
use super::plot::Limit;
use super::tracks::{TrackOf, TracksShown, limited, tracks};
use super::{Figure, Subject};
use crate::angle::Track;
use crate::case::bearing::Element;
use crate::case::{Case, Level, View};
use crate::diagnose::Finding;
use crate::spectrum::envelope_order::OrderEnvelope;
use crate::units::{Amplitude, Quantity, Unit, three_digits, without_noughts};

/// The picture behind a finding, from the products that its case holds already: the envelope spectrum of a
/// bearing with the lines of the part, the tracks of imbalance and misalignment with their limit, the
/// displacement around a critical speed. `None` for findings without one.
pub fn evidence(case: &Case, finding: &Finding) -> Option<Figure> {
    if let Some(part) = Element::of_fault(&finding.fault) {
        return of_bearing(case, finding, part);
    }
    match finding.fault.as_str() {
        "imbalance" | "bent_shaft" => of_orders(case, finding, &[1.0]),
        "misalignment" | "raised_2x" => of_orders(case, finding, &[1.0, 2.0]),
        "resonance" => of_critical(case, finding),
        _ => None,
    }
}

/// The channel at a finding's place; the one whose limit is used up most for the machine as a whole.
fn view_of<'a>(case: &'a Case, finding: &Finding) -> Option<View<'a>> {
    match finding.place.as_deref() {
        None => fullest(case),
        Some(place) => case.views().find(|view| view.place() == place || view.name() == place),
    }
}

fn number(finding: &Finding, key: &str) -> Option<f64> {
    finding.evidence.iter().find(|evidence| evidence.key == key).map(|evidence| evidence.value)
}

fn of_bearing(case: &Case, finding: &Finding, part: Element) -> Option<Figure> {
    let bearing = finding.place.as_deref()?;
    let (_, multipliers) = case.bearings().into_iter().find(|(name, _)| *name == bearing)?;
    let wanted = [number(finding, "band_from_hz")?, number(finding, "band_to_hz")?];
    let apart = |band: [f64; 2]| (band[0] - wanted[0]).abs() + (band[1] - wanted[1]).abs();
    let text = finding.evidence.iter().find(|e| e.key == "band_from_hz").map(|e| e.text.as_str());
    let heard =
        |view: &View| text.is_some_and(|text| text.contains(&format!("on {} in", view.name())));
    let mut views = case.views_at(bearing);
    // where several channels sit at the bearing, the sentence names the one that shows it best
    views.sort_by_key(|view| !heard(view));
    let view = views.first()?;
    let bands = view.demodulated()?.spectra();
    let (band_hz, spectrum): ([f64; 2], &OrderEnvelope) =
        bands.min_by(|a, b| apart(a.0).total_cmp(&apart(b.0)))?;
    let axis: Vec<f64> = (0..spectrum.values.len()).map(|i| spectrum.order(i)).collect();
    let curve = EnvelopeCurve {
        subject: &Subject::of(view.channel),
        axis: &axis,
        values: &spectrum.values,
        in_orders: true,
        band_hz,
    };
    let slip = number(finding, "slip_percent").unwrap_or(0.0) / 100.0;
    let lines = DefectLines { bearing, multipliers, slip, parts: &[part] };
    let made = envelope(curve, Some(&lines), None).ok()?;
    Some(made.with_note(
        "narrow lines of the signal were taken out and its spectrum flattened first".to_owned(),
    ))
}

/// A track stated as the trade does: unit and convention of a level where there is one.
struct Stated {
    subject: Subject,
    track: Track,
}

fn stated(view: &View, order: f64, quantity: Quantity) -> Option<Stated> {
    let calibrated = view.measures_motion();
    let unit = Unit::shown_for(quantity)?;
    let amplitude = Amplitude::usual_for(quantity);
    let mut track = view.track_as(order, quantity)?;
    let factor = amplitude.from_peak() / if calibrated { unit.si_factor() } else { 1.0 };
    track.phasors.iter_mut().for_each(|phasor| *phasor *= factor);
    track.errors.iter_mut().for_each(|error| *error *= factor);
    let unit = if calibrated { unit.symbol().to_owned() } else { "relative units".to_owned() };
    let channel = view.name().to_owned();
    Some(Stated { subject: Subject { recording: None, channel, quantity, unit, amplitude }, track })
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

fn of_orders(case: &Case, finding: &Finding, orders: &[f64]) -> Option<Figure> {
    let view = view_of(case, finding)?;
    let limit = fullest_limit(case, &view);
    let quantity = limit.map_or(Quantity::Velocity, |(quantity, _)| quantity);
    let made: Vec<Stated> =
        orders.iter().filter_map(|&order| stated(&view, order, quantity)).collect();
    let figure = drawn(&view, case, &made)?;
    // the limit is one on 1x and says nothing of other orders beside it
    let limit = limit.filter(|_| orders == [1.0]).and_then(|(_, level)| {
        let at = level.limit?;
        Some(Limit::new(at, format!("limit {} {}", trimmed(at), level.unit)))
    });
    Some(limited(figure, limit))
}

fn of_critical(case: &Case, finding: &Finding) -> Option<Figure> {
    let view = view_of(case, finding)?;
    if view.criticals().is_empty() {
        return None;
    }
    let made: Vec<Stated> = stated(&view, 1.0, Quantity::Displacement).into_iter().collect();
    drawn(&view, case, &made)
}

fn drawn(view: &View, case: &Case, made: &[Stated]) -> Option<Figure> {
    let phase_stated = case.speed.as_ref().is_some_and(|speed| speed.edge.is_some());
    let shown: Vec<TrackOf> = (made.iter())
        .enumerate()
        .map(|(place, Stated { subject, track })| TrackOf {
            subject,
            track,
            phase_stated,
            slow_roll: None,
            // they are the channel's, and told once
            criticals: if place == 0 { view.criticals() } else { &[] },
        })
        .collect();
    // without pulses angles drift, and phase says nothing
    let panels = if case.phase_known() { TracksShown::Both } else { TracksShown::Amplitude };
    tracks(&shown, Against::Fitting, panels).ok()
}

/// A number as somebody stated it: three digits without noughts at the end.
fn trimmed(value: f64) -> String {
    without_noughts(&three_digits(value)).to_owned()
}
