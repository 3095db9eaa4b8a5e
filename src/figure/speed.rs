//! The speed over time, with what had to be repaired.

use super::plot::{Curve, Plot, Points, Span, Symbol};
use super::{Axis, Figure};
use crate::error::Result;
use crate::speed::{Speed, SpeedSource};
use crate::units::{grouped, three_digits};

/// Repairs whose times are kept.
const MOST_CROSSES: usize = 1000;

/// The speed over time with a band of two standard errors, repaired pulses as crosses, and shaded where
/// there are no usable pulses.
///
/// # Errors
/// None for a speed that was made by this library: it has at least two knots.
pub fn speed(speed: &Speed) -> Result<Figure> {
    let (x, y): (Vec<f64>, Vec<f64>) =
        speed.knots().iter().map(|k| (k.time_s, 60.0 * k.speed_hz)).unzip();
    let share = 2.0 * speed.error_percent / 100.0;
    let edge = |sign: f64| y.iter().map(|rpm| rpm * (1.0 + sign * share)).collect();
    let (low, high) = (edge(-1.0), edge(1.0));
    let curve = Curve::new("", x, y)?.with_band(low, high)?;
    let (slowest, fastest) = speed.range_rpm();
    // a constant speed needs an axis all the same
    let margin = (0.05 * (fastest - slowest)).max(0.02 * fastest);
    let axis = Axis::linear("speed", "rpm").between((slowest - margin).max(0.0), fastest + margin);
    let mut plot = Plot::new("", Axis::linear("time", "s"), axis).with_curve(curve);
    plot.spans = (speed.gaps_s.iter())
        .map(|[from, to]| Span { from: *from, to: *to, label: "bridged".into(), whole: true })
        .collect();
    let repairs = &speed.repairs;
    if !repairs.times_s.is_empty() {
        let x = repairs.times_s.clone();
        let y = x.iter().map(|&t| speed.rpm_at(t)).collect();
        let name = "repaired pulse".to_owned();
        plot = plot.with_points(Points {
            name,
            symbol: Symbol::Cross,
            x,
            y,
            labels: Vec::new(),
            sizes: Vec::new(),
        });
    }
    let mut figure = Figure::of(title(speed), plot);
    figure.notes.push(format!("standard error {} %", three_digits(speed.error_percent)));
    if speed.source() == SpeedSource::Pulse {
        figure.notes.push(format!(
            "{} of {} pulses repaired: {} lost, {} too many",
            grouped(repairs.count() as f64),
            grouped(repairs.expected as f64),
            grouped(repairs.lost as f64),
            grouped(repairs.extra as f64)
        ));
        if repairs.times_s.len() >= MOST_CROSSES {
            figure.notes.push("crosses mark the first thousand repairs alone".to_owned());
        }
    }
    for other in &speed.alternatives {
        figure.notes.push(format!(
            "or {} times as fast, with {:.0} %: {}",
            three_digits(other.factor),
            100.0 * other.probability,
            other.reason
        ));
    }
    Ok(figure)
}

fn title(speed: &Speed) -> String {
    match speed.source() {
        SpeedSource::Pulse => "speed, from the pulse",
        SpeedSource::Channel => "speed, from its channel",
        SpeedSource::Stated => "speed, as stated",
        SpeedSource::Estimated => "speed, from the signal itself",
    }
    .to_owned()
}
