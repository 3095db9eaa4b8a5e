//! Marks on paper, every number in mm.

use maud::{Markup, html};
use plotters::style::RGBColor;

/// A place on paper in mm.
pub(super) type At = (f64, f64);

pub(super) fn colour(colour: RGBColor) -> String {
    format!("#{:02x}{:02x}{:02x}", colour.0, colour.1, colour.2)
}

pub(super) fn text(at: At, anchor: &str, size: f64, fill: &str, words: &str) -> Markup {
    html! {
        text x=(mm(at.0)) y=(mm(at.1)) text-anchor=(anchor) font-size=(size) fill=(fill) { (words) }
    }
}

pub(super) fn line(from: At, to: At, stroke: &str, width: f64) -> Markup {
    html! {
        line x1=(mm(from.0)) y1=(mm(from.1)) x2=(mm(to.0)) y2=(mm(to.1)) stroke=(stroke) stroke-width=(width) {}
    }
}

pub(super) fn circle(at: At, radius: f64, fill: &str, stroke: &str, width: f64) -> Markup {
    html! {
        circle cx=(mm(at.0)) cy=(mm(at.1)) r=(mm(radius)) fill=(fill) stroke=(stroke) stroke-width=(width) {}
    }
}

pub(super) fn dashed(at: At, radius: f64, stroke: &str) -> Markup {
    html! {
        circle cx=(mm(at.0)) cy=(mm(at.1)) r=(mm(radius)) fill="none" stroke=(stroke) stroke-width="0.25" stroke-dasharray="1.2 0.8" {}
    }
}

pub(super) fn shape(path: &str, fill: &str, stroke: &str, width: f64) -> Markup {
    html! { path d=(path) fill=(fill) stroke=(stroke) stroke-width=(width) {} }
}

/// A number in mm, to a thousandth.
pub(super) fn mm(value: f64) -> String {
    format!("{value:.3}")
}

/// A place at a distance from a middle, at an angle clockwise from the top.
pub(super) fn around(middle: At, radius: f64, clockwise_deg: f64) -> At {
    let (sin, cos) = clockwise_deg.to_radians().sin_cos();
    (middle.0 + radius * sin, middle.1 - radius * cos)
}

/// A part of a ring from one angle clockwise over a length.
pub(super) fn ring(
    middle: At,
    (inner, outer): (f64, f64),
    from_deg: f64,
    length_deg: f64,
) -> String {
    // a whole turn has no arc of its own in SVG
    let length = length_deg.min(359.99);
    let large = u8::from(length > 180.0);
    let [a, b] = [0.0, length].map(|deg| around(middle, outer, from_deg + deg));
    let [c, d] = [length, 0.0].map(|deg| around(middle, inner, from_deg + deg));
    format!(
        "M{} {}A{o} {o} 0 {large} 1 {} {}L{} {}A{i} {i} 0 {large} 0 {} {}Z",
        mm(a.0),
        mm(a.1),
        mm(b.0),
        mm(b.1),
        mm(c.0),
        mm(c.1),
        mm(d.0),
        mm(d.1),
        o = mm(outer),
        i = mm(inner),
    )
}

pub(super) fn polygon(points: &[At]) -> String {
    let told: Vec<String> = points.iter().map(|at| format!("{} {}", mm(at.0), mm(at.1))).collect();
    format!("M{}Z", told.join("L"))
}

/// An arrow with a filled head.
pub(super) fn arrow(from: At, to: At, stroke: &str) -> Markup {
    let (dx, dy) = (to.0 - from.0, to.1 - from.1);
    let length = dx.hypot(dy);
    if length < 0.3 {
        return circle(to, 0.5, stroke, "none", 0.0);
    }
    let (ux, uy) = (dx / length, dy / length);
    let head = (0.4 * length).min(2.2);
    let foot = (to.0 - head * ux, to.1 - head * uy);
    let side = 0.35 * head;
    let left = (foot.0 - side * uy, foot.1 + side * ux);
    let right = (foot.0 + side * uy, foot.1 - side * ux);
    html! {
        (line(from, foot, stroke, 0.5))
        (shape(&polygon(&[to, left, right]), stroke, "none", 0.0))
    }
}

/// Sentences in lines of at most so many letters.
pub(super) fn wrapped(sentences: &[String], letters: usize) -> Vec<String> {
    let mut lines = Vec::new();
    for sentence in sentences {
        let mut current = String::new();
        for word in sentence.split_whitespace() {
            if !current.is_empty() && current.chars().count() + 1 + word.chars().count() > letters {
                lines.push(std::mem::take(&mut current));
            }
            if !current.is_empty() {
                current.push(' ');
            }
            current.push_str(word);
        }
        lines.push(current);
    }
    lines
}
