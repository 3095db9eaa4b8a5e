//! A polar picture: zero degrees at the top, angles clockwise.

use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, Pos, VPos};

use super::axes::title;
use super::{Area, DARK, FAINT, Failure, ink, words};
use crate::figure::Polar;

/// Circles drawn.
const CIRCLES: u32 = 4;

pub(super) fn draw(polar: &Polar, body: &Area) -> Result<(), Failure> {
    let radii = polar.traces.iter().flat_map(|trace| trace.radius());
    let greatest = radii.copied().filter(|r| r.is_finite()).fold(0.0, f64::max);
    let greatest = if greatest > 0.0 { greatest } else { 1.0 };
    let (width, height) = body.dim_in_pixel();
    let (middle_x, middle_y) = (width as i32 / 2, height as i32 / 2);
    let reach = 0.5 * f64::from(width.min(height)) - 26.0;
    let place = |angle_deg: f64, radius: f64| {
        let (sin, cos) = angle_deg.to_radians().sin_cos();
        let length = reach * radius / greatest;
        (middle_x + (length * sin).round() as i32, middle_y - (length * cos).round() as i32)
    };
    for k in 1..=CIRCLES {
        let share = f64::from(k) / f64::from(CIRCLES);
        let circle =
            Circle::new((middle_x, middle_y), (reach * share) as i32, FAINT.stroke_width(1));
        body.draw(&circle)?;
        let number = crate::units::three_digits(share * greatest);
        body.draw(&Text::new(number, place(45.0, share * greatest), words()))?;
    }
    for angle in [0.0, 90.0, 180.0, 270.0] {
        let spoke = vec![(middle_x, middle_y), place(angle, greatest)];
        body.draw(&PathElement::new(spoke, FAINT.stroke_width(1)))?;
        let style = words().pos(Pos::new(HPos::Center, VPos::Center));
        let beyond = place(angle, greatest * (1.0 + 16.0 / reach));
        body.draw(&Text::new(format!("{angle:.0}"), beyond, style))?;
    }
    for (index, trace) in polar.traces.iter().enumerate() {
        let points = trace.angle_deg().iter().zip(trace.radius());
        let finite = points.filter(|(angle, radius)| angle.is_finite() && radius.is_finite());
        let line: Vec<(i32, i32)> = finite.map(|(&angle, &radius)| place(angle, radius)).collect();
        body.draw(&PathElement::new(line, ink(index).stroke_width(1)))?;
    }
    for point in &polar.points {
        let at = place(point.angle_deg, point.radius);
        body.draw(&Circle::new(at, 3, DARK.filled()))?;
        let label = point.label.replace('\n', ", ");
        body.draw(&Text::new(label, (at.0 + 5, at.1 - 5), words()))?;
    }
    let told = format!("{}; {}", title(&polar.radius_axis), title(&polar.angle_axis));
    let style = words().pos(Pos::new(HPos::Left, VPos::Bottom));
    body.draw(&Text::new(told, (6, height as i32 - 2), style))?;
    Ok(())
}
