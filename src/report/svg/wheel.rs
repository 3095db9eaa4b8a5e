//! The wheel on paper, in mm: a picture for pages, and a template of the true size for the workshop.
//!
//! The mark stands at the top. Written by hand and not through a chart: a template must come out true to
//! a tenth of a millimetre.

use maud::{Markup, html};
use plotters::style::RGBColor;

use super::paper::{
    At, around, arrow, circle, colour, dashed, line, mm, polygon, ring, shape, text, wrapped,
};
use super::{DARK, FAINT, ink, spread};
use crate::balance::plan::apart_deg;
use crate::error::{Error, Result};
use crate::figure::{Arc, Marked, Spot, Wheel};
use crate::machine::{Method, Sense};
use crate::units::three_digits;

/// Width of a picture and of the text on a template, in mm.
const WIDTH: f64 = 180.0;
/// A4, and the margin that printers leave white.
const PAGE: (f64, f64) = (210.0, 297.0);
const MARGIN: f64 = 15.0;
/// Radius of the wheel in a picture.
const PICTURED: f64 = 32.0;
/// Beyond the wheel: band of zones, ticks, numbers of the scale, and the columns of words.
const BAND: (f64, f64) = (0.8, 2.8);
const TICKS: f64 = 3.4;
const NUMBERS: f64 = 8.8;
const COLUMN: f64 = 16.0;
/// Room that the words in a column take across, and height of an entry.
const ENTRY: (f64, f64) = (25.0, 9.0);
/// Sizes of letters, and height of a line, in mm.
const WORDS: f64 = 3.1;
const SMALL: f64 = 2.7;
const LINE: f64 = 4.4;
/// Letters on a line of words across the whole width.
const LETTERS: usize = 116;
/// Length of the bar that shows whether a print is true.
const BAR: f64 = 20.0;

/// Colours by what they show.
struct Inks {
    dark: String,
    faint: String,
    before: String,
    new: String,
    zone: String,
    blade: String,
}

impl Inks {
    fn new() -> Self {
        Self {
            dark: colour(DARK),
            faint: colour(FAINT),
            before: colour(ink(0)),
            new: colour(ink(1)),
            zone: colour(ink(2)),
            blade: colour(RGBColor(120, 126, 134)),
        }
    }
}

/// The wheel as a picture of its own, `180 mm` wide: holes, zones and unbalance, with what is left beside it.
pub fn wheel_picture(wheel: &Wheel) -> String {
    let outline = outline_mm(wheel);
    let drawn = Drawn::new(wheel, PICTURED / outline);
    let half = drawn.half_height();
    let middle = (0.5 * WIDTH, 10.0 + 2.0 * LINE + half);
    let foot = middle.1 + half + 4.0;
    let notes = wrapped(&wheel.notes, LETTERS);
    let key = drawn.key_rows();
    let height = foot + (key.len() as f64 * LINE).max(44.0) + notes.len() as f64 * LINE + 5.0;
    let content = html! {
        (heading(wheel, 0.0))
        (drawn.on(middle, false))
        (drawn.rest((20.0, foot + 23.0), 18.0))
        (drawn.key((46.0, foot + 3.0), &key))
        @for (k, line) in notes.iter().enumerate() {
            (text((0.0, height - 2.0 - LINE * (notes.len() - 1 - k) as f64), "start", SMALL, &drawn.inks.dark, line))
        }
    };
    sheet((WIDTH, height), &content)
}

/// The wheel as an A4 page at its true size, to be printed at 100 %: the bars of 20 mm show whether it was.
///
/// # Errors
/// [`Error::Setting`] where the wheel and the words beside it are wider than the paper, or there are more holes than
/// one page holds.
pub fn wheel_template(wheel: &Wheel) -> Result<String> {
    let drawn = Drawn::new(wheel, 1.0);
    let most = 0.5 * PAGE.0 - 5.0 - COLUMN - ENTRY.0;
    if drawn.rim > most {
        return Err(Error::setting(
            "template",
            format!(
                "a wheel of radius {} mm is too wide for A4 at its true size",
                three_digits(drawn.rim)
            ),
            format!(
                "up to {} mm can be printed; measure angles and depths by the picture",
                three_digits(most)
            ),
        ));
    }
    let half = drawn.half_height();
    let middle = (0.5 * PAGE.0, MARGIN + 22.0 + half);
    let foot = middle.1 + half + 8.0;
    let rows = drawn.table();
    let below = foot + 36.0 + LINE * (rows.len() as f64 + 2.0);
    let mut notes = vec![
        "Check side, mark and sense of rotation on the wheel itself before anything is drilled. The maker's \
         limits decide; never drill into bore, thread, weld or blade."
            .to_owned(),
    ];
    notes.extend(wheel.notes.iter().cloned());
    let told = wrapped(&notes, LETTERS);
    if below + LINE * told.len() as f64 > PAGE.1 - 5.0 {
        return Err(Error::setting(
            "template",
            format!("{} holes and their words are more than one page holds", wheel.holes.len()),
            "drill by the angles and depths of the plan",
        ));
    }
    let content = html! {
        g transform=(format!("translate({MARGIN} {MARGIN})")) { (heading(wheel, 0.0)) }
        (drawn.on(middle, true))
        (drawn.bars((MARGIN, foot + 22.0)))
        (drawn.rows((MARGIN, foot + 36.0), &rows))
        @for (k, line) in told.iter().enumerate() {
            (text((MARGIN, below + LINE * k as f64), "start", SMALL, &drawn.inks.dark, line))
        }
    };
    Ok(sheet(PAGE, &content))
}

fn sheet((width, height): At, content: &Markup) -> String {
    let markup = html! {
        svg xmlns="http://www.w3.org/2000/svg" width=(format!("{width}mm")) height=(format!("{height:.2}mm"))
            viewBox=(format!("0 0 {width} {height:.2}")) font-family="sans-serif" {
            rect width=(width) height=(format!("{height:.2}")) fill="white" {}
            (content)
        }
    };
    markup.into_string()
}

fn heading(wheel: &Wheel, x: f64) -> Markup {
    let dark = colour(DARK);
    let lines = wrapped(&[wheel.side()], 100);
    // a bold letter of this size is about 3.1 mm wide, one of the words beside it 1.8
    let plane: String = wheel.plane.chars().take((WIDTH / 3.1) as usize).collect();
    let from = x + 3.1 * plane.chars().count() as f64 + 3.0;
    let room = ((WIDTH - (from - x)) / 1.8).max(0.0) as usize;
    let machine: String = wheel.machine.chars().take(room).collect();
    html! {
        text x=(x) y="5" font-size="5" font-weight="bold" fill=(dark) { (plane) }
        @if !machine.is_empty() { (text((from, 5.0), "start", WORDS, &dark, &machine)) }
        @for (k, line) in lines.iter().enumerate() {
            (text((x, 11.0 + LINE * k as f64), "start", WORDS, &dark, line))
        }
    }
}

/// Radius in mm that is seen outermost on the wheel itself.
fn outline_mm(wheel: &Wheel) -> f64 {
    let holes = wheel.holes.iter().map(|one| 0.5 * one.hole.drill_mm).fold(0.0, f64::max);
    if wheel.axial { wheel.radius_mm + holes } else { wheel.radius_mm }
}

/// A wheel at a scale.
struct Drawn<'a> {
    wheel: &'a Wheel,
    /// mm on paper for each mm.
    scale: f64,
    /// Outermost radius of the wheel on paper.
    rim: f64,
    inks: Inks,
}

impl<'a> Drawn<'a> {
    fn new(wheel: &'a Wheel, scale: f64) -> Self {
        Self { wheel, scale, rim: scale * outline_mm(wheel), inks: Inks::new() }
    }

    fn paper_deg(&self, deg: f64) -> f64 {
        self.wheel.on_paper_deg(deg)
    }

    /// Entries of the column at one side, right or left, each with its height beside the middle.
    fn column(&self, right: bool) -> Vec<(&Marked, f64)> {
        let beyond = self.rim + NUMBERS + 2.0;
        let mut column: Vec<(&Marked, f64)> = (self.wheel.holes.iter())
            .map(|one| (one, around((0.0, 0.0), beyond, self.paper_deg(one.hole.deg))))
            .filter(|(_, at)| (at.0 >= 0.0) == right)
            .map(|(one, at)| (one, at.1))
            .collect();
        column.sort_by(|a, b| a.1.total_cmp(&b.1));
        let half = self.half_height();
        let heights: Vec<f64> = column.iter().map(|entry| entry.1).collect();
        let moved = spread(&heights, ENTRY.1, (4.0 - half, half - 4.0));
        column.into_iter().zip(moved).map(|((one, _), y)| (one, y)).collect()
    }

    /// Room above and below the middle: for the scale, and for the longer column.
    fn half_height(&self) -> f64 {
        let right = |one: &&Marked| around((0.0, 0.0), 1.0, self.paper_deg(one.hole.deg)).0 >= 0.0;
        let count = self.wheel.holes.iter().filter(right).count();
        let most = count.max(self.wheel.holes.len() - count) as f64;
        (self.rim + NUMBERS + 6.0).max(0.5 * ENTRY.1 * most + 4.0)
    }

    /// The wheel about its middle; a template has lines to mark by, and no unbalance.
    fn on(&self, middle: At, is_template: bool) -> Markup {
        let (wheel, inks) = (self.wheel, &self.inks);
        let radius = self.scale * wheel.radius_mm;
        html! {
            @if wheel.axial { (dashed(middle, radius, &inks.dark)) } @else {
                (circle(middle, self.rim, "none", &inks.dark, if is_template { 0.2 } else { 0.35 }))
            }
            @for zone in &wheel.zones { (self.band(middle, zone, &inks.zone)) }
            @for blade in &wheel.blades { (self.band(middle, blade, &inks.blade)) }
            (self.degrees(middle))
            @if is_template {
                @for one in wheel.holes.iter().filter(|one| one.is_new) {
                    (line(middle, around(middle, self.rim + TICKS, self.paper_deg(one.hole.deg)), &inks.faint, 0.15))
                }
            }
            @for one in &wheel.holes { (self.hole(middle, one)) }
            @for right in [true, false] { (self.words(middle, right)) }
            (self.rotation(middle))
            (line((middle.0 - 2.0, middle.1), (middle.0 + 2.0, middle.1), &inks.dark, 0.2))
            (line((middle.0, middle.1 - 2.0), (middle.0, middle.1 + 2.0), &inks.dark, 0.2))
            @if !is_template { (self.unbalance(middle)) }
        }
    }

    fn band(&self, middle: At, arc: &Arc, fill: &str) -> Markup {
        let from = self.paper_deg(arc.middle_deg) - 0.5 * arc.length_deg;
        let band = (self.rim + BAND.0, self.rim + BAND.1);
        shape(&ring(middle, band, from, arc.length_deg), fill, "none", 0.0)
    }

    /// Ticks and numbers around the wheel, and the mark.
    fn degrees(&self, middle: At) -> Markup {
        let inks = &self.inks;
        let from = self.rim + TICKS;
        let (up, half) = (from + 3.2, 1.5);
        let tip = around(middle, from, 0.0);
        let mark = [tip, (tip.0 - half, middle.1 - up), (tip.0 + half, middle.1 - up)];
        // a number gives way to the line of a hole's own
        let is_free = |paper: f64| {
            self.wheel.holes.iter().all(|one| {
                let apart_deg = apart_deg(self.paper_deg(one.hole.deg), paper);
                apart_deg.to_radians() * (self.rim + NUMBERS) > 3.0
            })
        };
        html! {
            @for k in (5..360).step_by(5) {
                @let paper = f64::from(k);
                @let length = if k % 30 == 0 { 1.8 } else if k % 10 == 0 { 1.2 } else { 0.7 };
                (line(around(middle, from, paper), around(middle, from + length, paper), &inks.dark, 0.2))
                @if k % 30 == 0 && is_free(paper) {
                    @let told = self.wheel.counted_deg(self.against_rotation_deg(paper));
                    @let at = around(middle, self.rim + NUMBERS, paper);
                    (text((at.0, at.1 + 0.35 * SMALL), "middle", SMALL, &inks.dark, &format!("{told:.0}")))
                }
            }
            (shape(&polygon(&mark), &inks.dark, "none", 0.0))
            (text((middle.0, middle.1 - up - 1.2), "middle", WORDS, &inks.dark, "mark, 0"))
        }
    }

    /// The angle against the rotation of one on paper: the same step back.
    fn against_rotation_deg(&self, paper_deg: f64) -> f64 {
        self.wheel.on_paper_deg(paper_deg)
    }

    fn hole(&self, middle: At, one: &Marked) -> Markup {
        let hole = &one.hole;
        let paper = self.paper_deg(hole.deg);
        let (fill, dark) =
            (if one.is_new { self.inks.new.as_str() } else { "white" }, &self.inks.dark);
        let radius = self.scale * self.wheel.radius_mm;
        match hole.method {
            Method::Add => circle(around(middle, radius, paper), 1.6, fill, dark, 0.3),
            Method::Grind => {
                let cut = (radius - self.scale * hole.tip_mm, radius);
                let path = ring(middle, cut, paper - 0.5 * hole.arc_deg, hole.arc_deg);
                shape(&path, fill, dark, 0.3)
            }
            Method::Drill if self.wheel.axial => {
                let at = around(middle, radius, paper);
                let half = 0.5 * self.scale * hole.drill_mm;
                html! {
                    (circle(at, half, fill, dark, 0.3))
                    @if hole.from_mm > 0.0 { (circle(at, 0.5 * half, "white", dark, 0.3)) }
                    (line((at.0 - half, at.1), (at.0 + half, at.1), dark, 0.12))
                    (line((at.0, at.1 - half), (at.0, at.1 + half), dark, 0.12))
                }
            }
            Method::Drill => html! {
                (shape(&self.bore(middle, one, hole.tip_mm), fill, dark, 0.3))
                @if hole.from_mm > 0.0 { (shape(&self.bore(middle, one, hole.from_mm), "white", dark, 0.3)) }
            },
        }
    }

    /// Outline of a radial hole down to a depth, with a point of 118 degrees as far as it reaches.
    fn bore(&self, middle: At, one: &Marked, tip_mm: f64) -> String {
        let paper = self.paper_deg(one.hole.deg);
        let half = 0.5 * one.hole.drill_mm;
        let point = 0.6 * half;
        // within the point the mouth is narrower
        let half = if tip_mm < point { half * tip_mm / point } else { half };
        let full = (tip_mm - point).max(0.0);
        let radius = self.wheel.radius_mm;
        let at = |in_mm: f64, aside_mm: f64| {
            let along = around(middle, self.scale * (radius - in_mm), paper);
            around(along, self.scale * aside_mm, paper + 90.0)
        };
        // the mouth lies on the rim
        let mouth = radius - (radius * radius - half * half).max(0.0).sqrt();
        let full = full.max(mouth);
        polygon(&[
            at(mouth, -half),
            at(0.0, 0.0),
            at(mouth, half),
            at(full, half),
            at(tip_mm.max(full), 0.0),
            at(full, -half),
        ])
    }

    /// The words of one side, each with a line to its hole.
    fn words(&self, middle: At, right: bool) -> Markup {
        let inks = &self.inks;
        let (way, anchor) = if right { (1.0, "start") } else { (-1.0, "end") };
        let x = middle.0 + way * (self.rim + COLUMN);
        html! {
            @for (one, y) in self.column(right) {
                @let paper = self.paper_deg(one.hole.deg);
                @let from = around(middle, self.rim + BAND.1, paper);
                @let bend = around(middle, self.rim + NUMBERS + 2.0, paper);
                @let ink = if one.is_new { &inks.new } else { &inks.blade };
                (line(from, bend, ink, 0.3))
                (line(bend, (x - way, middle.1 + y), ink, 0.3))
                text x=(mm(x)) y=(mm(middle.1 + y - 0.3)) text-anchor=(anchor) font-size=(WORDS) font-weight="bold" fill=(inks.dark) {
                    (one.place)
                }
                (text((x, middle.1 + y + 3.3), anchor, SMALL, &inks.dark, &self.size(one)))
            }
        }
    }

    fn size(&self, one: &Marked) -> String {
        if one.is_new { one.size.clone() } else { format!("{}, there", one.size) }
    }

    /// The arrow of the rotation, away from the unbalance.
    fn rotation(&self, middle: At) -> Markup {
        let dark = &self.inks.dark;
        let radius = 0.45 * self.rim;
        let away = self.paper_deg(self.wheel.before.deg) + 180.0;
        let clockwise = self.wheel.rotation == Sense::Clockwise;
        let way = if clockwise { 1.0 } else { -1.0 };
        let from = around(middle, radius, away - way * 50.0);
        let to = around(middle, radius, away + way * 40.0);
        let head = around(middle, radius, away + way * 55.0);
        let sides = [0.9, 1.1].map(|share| around(middle, radius * share, away + way * 39.0));
        let sweep = u8::from(clockwise);
        let path = format!(
            "M{} {}A{r} {r} 0 0 {sweep} {} {}",
            mm(from.0),
            mm(from.1),
            mm(to.0),
            mm(to.1),
            r = mm(radius)
        );
        html! {
            (shape(&path, "none", dark, 0.6))
            (shape(&polygon(&[head, sides[0], sides[1]]), dark, "none", 0.0))
        }
    }

    /// The unbalance before, to a scale of its own, with the circle of two standard deviations, and the
    /// tolerance.
    fn unbalance(&self, middle: At) -> Markup {
        let deepest = self.wheel.holes.iter().map(|one| one.hole.tip_mm).fold(0.0, f64::max);
        let inner =
            if self.wheel.axial { outline_mm(self.wheel) - self.wheel.radius_mm } else { 0.0 };
        let reach = self.scale * (self.wheel.radius_mm - deepest.max(inner)) - 2.0;
        let before = &self.wheel.before;
        let greatest = (before.g_mm + 2.0 * before.spread_g_mm).max(self.wheel.limit_g_mm);
        self.vector(
            middle,
            before,
            reach.max(0.3 * self.rim) / greatest.max(f64::MIN_POSITIVE),
            &self.inks.before,
        )
    }

    /// A vector about a middle with its circle and the tolerance, `scale` mm for each g mm.
    fn vector(&self, middle: At, spot: &Spot, scale: f64, stroke: &str) -> Markup {
        let to = around(middle, scale * spot.g_mm, self.paper_deg(spot.deg));
        html! {
            (dashed(middle, scale * self.wheel.limit_g_mm, &self.inks.zone))
            (arrow(middle, to, stroke))
            (circle(to, scale * 2.0 * spot.spread_g_mm, "none", stroke, 0.25))
        }
    }

    /// What is left, drawn larger.
    fn rest(&self, middle: At, reach: f64) -> Markup {
        let after = &self.wheel.after;
        let greatest = (after.g_mm + 2.0 * after.spread_g_mm).max(self.wheel.limit_g_mm);
        let scale = reach / greatest.max(f64::MIN_POSITIVE);
        let dark = &self.inks.dark;
        html! {
            (line((middle.0, middle.1 - reach), (middle.0, middle.1 + reach), &self.inks.faint, 0.2))
            (line((middle.0 - reach, middle.1), (middle.0 + reach, middle.1), &self.inks.faint, 0.2))
            (self.vector(middle, after, scale, &self.inks.new))
            (text((middle.0, middle.1 - reach - 1.5), "middle", SMALL, dark, "what is left, enlarged"))
        }
    }

    /// Lines of the key: a sign and its words.
    fn key_rows(&self) -> Vec<(Sign, String)> {
        let wheel = self.wheel;
        let is_there = |new: bool| wheel.holes.iter().any(|one| one.is_new == new);
        let method = wheel.holes.iter().find(|one| one.is_new).map(|one| one.hole.method);
        let mut rows = Vec::new();
        match method {
            Some(Method::Drill) => rows.push((Sign::New, self.drills())),
            Some(Method::Grind) => {
                rows.push((Sign::New, "to grind: angles, and depth at the edge".into()))
            }
            Some(Method::Add) => rows.push((Sign::New, "to add: angle and mass".into())),
            None => {}
        }
        if is_there(false) {
            rows.push((Sign::Old, "there already".into()));
        }
        rows.push((Sign::Zone, "zone where metal may go".into()));
        if !wheel.blades.is_empty() {
            rows.push((Sign::Blade, "blade".into()));
        }
        rows.push((Sign::Before, format!("unbalance now: {}", wheel.told(&wheel.before))));
        if method.is_some() {
            rows.push((Sign::After, format!("expected after: {}", wheel.told(&wheel.after))));
        }
        let circle = format!(
            "limit, other planes perfect: {} g mm; the other circles: two deviations",
            three_digits(wheel.limit_g_mm)
        );
        rows.push((Sign::Limit, circle));
        rows
    }

    fn drills(&self) -> String {
        let new = self.wheel.holes.iter().find(|one| one.is_new);
        let drill = new.map_or(0.0, |one| one.hole.drill_mm);
        let way = if self.wheel.axial { "along the axis" } else { "towards the axis" };
        format!("to drill, {drill} mm, {way}: angle, and depth to the tip")
    }

    fn key(&self, at: At, rows: &[(Sign, String)]) -> Markup {
        html! {
            @for (k, (sign, words)) in rows.iter().enumerate() {
                @let y = at.1 + LINE * (k as f64 + 0.5);
                (self.sign(*sign, (at.0, y)))
                (text((at.0 + 9.0, y + 1.0), "start", SMALL, &self.inks.dark, words))
            }
        }
    }

    fn sign(&self, sign: Sign, at: At) -> Markup {
        let inks = &self.inks;
        let block = |height: f64| {
            polygon(&[
                (at.0, at.1 - height),
                (at.0 + 6.0, at.1 - height),
                (at.0 + 6.0, at.1 + height),
                (at.0, at.1 + height),
            ])
        };
        match sign {
            Sign::New => shape(&block(1.1), &inks.new, &inks.dark, 0.3),
            Sign::Old => shape(&block(1.1), "white", &inks.dark, 0.3),
            Sign::Zone => shape(&block(0.9), &inks.zone, "none", 0.0),
            Sign::Blade => shape(&block(0.9), &inks.blade, "none", 0.0),
            Sign::Before => arrow(at, (at.0 + 6.5, at.1), &inks.before),
            Sign::After => arrow(at, (at.0 + 6.5, at.1), &inks.new),
            Sign::Limit => dashed((at.0 + 3.0, at.1), 1.6, &inks.zone),
        }
    }

    /// Bars of 20 mm across and up, to be measured on the print.
    fn bars(&self, (x, y): At) -> Markup {
        let dark = &self.inks.dark;
        html! {
            (line((x, y), (x + BAR, y), dark, 0.3))
            (line((x, y), (x, y - BAR), dark, 0.3))
            (line((x + BAR, y - 1.2), (x + BAR, y + 1.2), dark, 0.3))
            (line((x - 1.2, y - BAR), (x + 1.2, y - BAR), dark, 0.3))
            (text((x + 4.0, y - 12.0), "start", WORDS, dark, "Print at 100 %, without fitting to the page."))
            (text((x + 4.0, y - 7.0), "start", WORDS, dark, "Both bars must measure 20 mm on the print; else do not use it."))
            (text((x + 0.5 * BAR, y + 4.0), "middle", SMALL, dark, "20 mm"))
        }
    }

    /// Every hole to make, as a row of words.
    fn table(&self) -> Vec<[String; 4]> {
        let new = self.wheel.holes.iter().filter(|one| one.is_new);
        new.map(|one| {
            let tool = match one.hole.method {
                Method::Drill => format!("drill {} mm", one.hole.drill_mm),
                Method::Grind => "grind".into(),
                Method::Add => "add".into(),
            };
            let effect = format!(
                "{} g mm, {} mg",
                three_digits(one.hole.g_mm),
                three_digits(1000.0 * one.hole.mass_g)
            );
            [tool, format!("at {}", one.place), one.size.clone(), effect]
        })
        .collect()
    }

    fn rows(&self, at: At, rows: &[[String; 4]]) -> Markup {
        html! {
            @for (k, row) in rows.iter().enumerate() {
                @for (words, x) in row.iter().zip([0.0, 24.0, 52.0, 82.0]) {
                    (text((at.0 + x, at.1 + LINE * k as f64), "start", WORDS, &self.inks.dark, words))
                }
                // a box to tick once it is done
                rect x=(mm(at.0 + 122.0)) y=(mm(at.1 + LINE * k as f64 - 2.8)) width="3" height="3" fill="none" stroke=(self.inks.dark) stroke-width="0.25" {}
                (text((at.0 + 127.0, at.1 + LINE * k as f64), "start", SMALL, &self.inks.dark, "done, depth measured: ______"))
            }
        }
    }
}

/// What a line of the key explains.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Sign {
    New,
    Old,
    Zone,
    Blade,
    Before,
    After,
    Limit,
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::figure::wheel_shown as shown;
    use crate::machine::{Bore, Count, Machine, Plane};

    /// Writes the pictures where `QUIETSPIN_PICTURES` names a folder, to be looked at.
    fn keep(name: &str, svg: &str) {
        if let Some(folder) = std::env::var_os("QUIETSPIN_PICTURES") {
            std::fs::write(std::path::Path::new(&folder).join(name), svg).expect("written");
        }
    }

    fn with(change: impl Fn(&mut Plane) + Copy) -> Wheel {
        let change = |machine: &mut Machine| {
            machine.shaft.top_rpm = Some(96_000.0);
            machine.plane.values_mut().for_each(change);
        };
        shown(change).expect("side and sense are stated")
    }

    fn ground(plane: &mut Plane) {
        plane.method = Method::Grind;
        (plane.bore, plane.drill_mm, plane.blades) = (None, None, None);
        (plane.depth_max_mm, plane.depth_step_mm) = (Some(0.8), Some(0.1));
        (plane.grind_width_mm, plane.arc_max_deg) = (Some(3.0), Some(50.0));
    }

    fn added(plane: &mut Plane) {
        plane.method = Method::Add;
        (plane.bore, plane.drill_mm) = (None, None);
        (plane.masses_g, plane.fixing_max_rpm) = (vec![0.02, 0.05, 0.08], Some(100_000.0));
    }

    /// Wheels of every kind, crowded ones among them.
    fn wheels() -> Vec<(&'static str, Wheel)> {
        let mut crowded = with(|plane| plane.blades = None);
        let one = crowded.holes[0].clone();
        for k in 0..14 {
            let mut more = one.clone();
            (more.hole.deg, more.place) = (55.0 + 9.0 * f64::from(k), format!("{}°", 55 + 9 * k));
            crowded.holes.push(more);
        }
        vec![
            ("radial", with(|_| {})),
            ("clockwise", with(|plane| plane.rotation_seen = Some(Sense::Clockwise))),
            ("axial", with(|plane| plane.bore = Some(Bore::Axial))),
            ("deeper", with(|plane| plane.sites_deg = vec![50.0, 110.0])),
            ("ground", with(ground)),
            ("added", with(added)),
            ("short", with(|plane| plane.removal_max_g = Some(0.1))),
            ("large", with(|plane| plane.radius_mm = Some(50.0))),
            ("crowded", crowded),
        ]
    }

    fn number(tag: &str, key: &str) -> f64 {
        let after = tag.split(&format!(" {key}=\"")).nth(1).expect("the attribute is there");
        after.split('"').next().and_then(|digits| digits.parse().ok()).expect("a number")
    }

    /// Box of every text on a sheet, from left, top, right, bottom, with its words.
    fn boxes(svg: &str) -> Vec<([f64; 4], String)> {
        let moved = |before: &str| if before.contains("translate(15 15)") { 15.0 } else { 0.0 };
        let mut found = Vec::new();
        let mut parts = svg.split("<text").peekable();
        let mut before = parts.next().expect("a beginning").to_owned();
        for part in parts {
            let (tag, rest) = part.split_once('>').expect("a tag ends");
            let words = rest.split("</text>").next().expect("words").to_owned();
            let size = number(tag, "font-size");
            // letters are about as wide as half their size, bold ones a little more
            let width = 0.56 * size * words.chars().count() as f64;
            let shift = if before.contains("</g>") { 0.0 } else { moved(&before) };
            let (x, y) = (number(tag, "x") + shift, number(tag, "y") + shift);
            let left = match tag {
                tag if tag.contains("\"end\"") => x - width,
                tag if tag.contains("\"middle\"") => x - 0.5 * width,
                _ => x,
            };
            found.push(([left, y - 0.75 * size, left + width, y + 0.2 * size], words));
            before.push_str(part);
        }
        found
    }

    fn check_texts(name: &str, svg: &str) {
        let texts = boxes(svg);
        assert!(texts.len() > 15, "{name}");
        for (i, (a, words)) in texts.iter().enumerate() {
            for (b, other) in &texts[..i] {
                let apart = a[0] >= b[2] || b[0] >= a[2] || a[1] >= b[3] || b[1] >= a[3];
                assert!(apart, "{name}: {words:?} covers {other:?}: {a:?} {b:?}");
            }
        }
    }

    /// Width and height of a sheet in mm, which are those of its own units.
    fn paper(svg: &str) -> (f64, f64) {
        let told = |key: &str| {
            let after = svg.split(&format!(" {key}=\"")).nth(1).expect("there");
            after.split("mm\"").next().and_then(|digits| digits.parse().ok()).expect("in mm")
        };
        let (width, height): (f64, f64) = (told("width"), told("height"));
        assert!(
            svg.contains(&format!("viewBox=\"0 0 {width} {height:.2}\"")),
            "one unit is one mm"
        );
        (width, height)
    }

    #[test]
    fn no_words_cover_others_or_leave_the_paper() {
        for (name, wheel) in wheels() {
            let template = wheel_template(&wheel).expect("it fits");
            for (kind, svg) in [("picture", wheel_picture(&wheel)), ("template", template)] {
                keep(&format!("{name}_{kind}.svg"), &svg);
                check_texts(name, &svg);
                let (width, height) = paper(&svg);
                for (place, words) in boxes(&svg) {
                    let inside = place[0] >= -0.1
                        && place[2] <= width
                        && place[1] >= 0.0
                        && place[3] <= height;
                    assert!(inside, "{name} {kind}: {words:?} at {place:?}");
                }
            }
        }
    }

    /// The old hole at 50 degrees against the rotation, 18 mm from an axis in the middle of the page.
    #[test]
    fn holes_lie_on_the_side_that_the_rotation_says() {
        let aside = 18.0 * 50.0_f64.to_radians().sin();
        let template = |wheel: &Wheel| wheel_template(wheel).expect("it fits");
        let mut wheel = with(|_| {});
        let right = template(&wheel);
        assert!(right.contains(&format!("L{:.3} ", 105.0 + aside)), "{right}");
        wheel.rotation = Sense::Clockwise;
        let left = template(&wheel);
        assert!(left.contains(&format!("L{:.3} ", 105.0 - aside)), "{left}");
        assert!(!left.contains(&format!("L{:.3} ", 105.0 + aside)));
        // numbers grow against the rotation: 30 stands left of the mark, 330 right of it
        let at = |svg: &str, told: &str| {
            let found = boxes(svg).into_iter().find(|(_, words)| words == told).expect("a number");
            0.5 * (found.0[0] + found.0[2])
        };
        assert!(at(&left, "30") < 105.0 && at(&left, "330") > 105.0);
        assert!(at(&right, "30") > 105.0 && at(&right, "330") < 105.0);
    }

    #[test]
    fn a_count_with_the_rotation_turns_the_numbers_alone() {
        let told = |count: Count| {
            let mut wheel = with(|_| {});
            wheel.count = count;
            wheel_template(&wheel).expect("it fits")
        };
        let (against, with) = (told(Count::AgainstRotation), told(Count::WithRotation));
        let middle = |svg: &str| {
            let texts = boxes(svg);
            let found = texts.iter().find(|(_, words)| words == "330").expect("a number");
            0.5 * (found.0[0] + found.0[2])
        };
        assert!(middle(&against) < 105.0 && middle(&with) > 105.0);
        let holes = |svg: &str| {
            svg.matches(&format!("L{:.3} ", 105.0 + 18.0 * 50.0_f64.to_radians().sin())).count()
        };
        assert_eq!(holes(&against), holes(&with));
    }

    #[test]
    fn a_template_is_of_true_size() {
        let svg = wheel_template(&with(|_| {})).expect("it fits");
        assert_eq!(paper(&svg), (210.0, 297.0));
        assert!(svg.contains("r=\"18.000\""));
        // the bar of 20 mm, between x 15 and 35
        let bar = svg
            .split("<line")
            .find(|tag| tag.contains(" x1=\"15.000\"") && tag.contains(" x2=\"35.000\""));
        let bar = bar.expect("a bar across");
        assert_eq!(number(bar, "y1"), number(bar, "y2"));
        let wide = with(|plane| plane.radius_mm = Some(70.0));
        let refused = wheel_template(&wide).expect_err("too wide").to_string();
        assert!(refused.contains("too wide for A4"), "{refused}");
        assert!(wheel_picture(&wide).contains("r=\"32.000\""));
        let mut full = with(|_| {});
        full.holes = vec![full.holes[0].clone(); 30];
        assert!(wheel_template(&full).expect_err("too many").to_string().contains("30 holes"));
    }

    #[test]
    fn words_of_a_file_stay_words() {
        let svg = wheel_picture(&with(|plane| {
            plane.seen_from = Some("the <b>nut</b> & \"side\"".into())
        }));
        assert!(svg.contains("the &lt;b&gt;nut&lt;/b&gt; &amp; "), "{svg}");
    }
}
