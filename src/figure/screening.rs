//! A screen as small multiples: the first order over speed of each recording, worst first.

use super::plot::{Curve, Limit, Plot, Points, Symbol};
use super::rows::{Line, Weight, Words, probability};
use super::{Axis, Figure, Panel, Row as Panels};
use crate::dsp::stats::median;
use crate::error::{Error, Result};
use crate::screen::rank::{LEAST_OTHERS, Unusual, most_unusual, worst_first};
use crate::screen::{Course, Outcome, Row};

/// Panels beside each other.
const ACROSS: usize = 3;
/// Places across at which the usual course is told.
const PLACES: usize = 60;
/// Room above the highest curve, as a share of its height.
const HEADROOM: f64 = 1.08;
/// Letters of a name that fit above a panel, with the verdict.
const LETTERS: usize = 22;
/// Height of a row of panels.
const HEIGHT: f64 = 0.42;

/// The recordings of a screen, `most` at most and worst first: of each the channel that is worst, its first
/// order over speed, beside the median of the same channel over all recordings where five share it, and the
/// level by which it stands out most, which may be another. Plots of one unit share their axes.
///
/// # Errors
/// [`Error::TooLittle`] where there is no row, or none is to be shown.
pub fn screening(rows: &[Row], most: usize) -> Result<Figure> {
    let order: Vec<usize> = worst_first(rows).into_iter().take(most).collect();
    let unusual = most_unusual(rows);
    let chosen: Vec<&Row> = order.iter().filter_map(|&at| rows.get(at)).collect();
    if chosen.is_empty() {
        return Err(Error::too_little("a picture of a screen", "at least one recording", "none"));
    }
    let courses: Vec<&Course> = chosen.iter().filter_map(|row| shown(row)).collect();
    let across = across(&courses);
    let drawn = |&at: &usize| {
        let row = rows.get(at)?;
        let plot = shown(row).and_then(|course| {
            let plot = plot(row, course, rows, &courses, &across)?;
            Some(Plot { remark: remark(row, course, *unusual.get(at)?), ..plot })
        });
        Some(plot.map_or_else(|| Panel::Words(words(row)), Panel::Plot))
    };
    let panels: Vec<Panel> = order.iter().filter_map(drawn).collect();
    let notes = notes(rows.len(), &panels);
    let rows_of_panels = panels.chunks(ACROSS).map(|panels| Panels::new(HEIGHT, panels.to_vec()));
    Ok(Figure {
        title: String::new(),
        rows: rows_of_panels.collect(),
        notes,
        page: false,
        shared: true,
    })
}

fn notes(all: usize, panels: &[Panel]) -> Vec<String> {
    let shown = panels.len();
    let any = |is_so: fn(&Plot) -> bool| {
        panels.iter().any(|panel| matches!(panel, Panel::Plot(plot) if is_so(plot)))
    };
    let count = format!("the {shown} worst of {all} recordings, worst first");
    let mut notes = vec![format!(
        "{}; solid: first order (1x) of the channel that is worst, rms",
        if shown < all { count } else { format!("{shown} recordings, worst first") }
    )];
    if any(|plot| plot.curves.len() > 1) {
        notes.push("broken: median of all recordings of the screen".to_owned());
    }
    if any(|plot| !plot.remark.is_empty()) {
        notes.push(
            "after the channel: the first fault, or the highest level over its limit or over the median of all (usual)"
                .to_owned(),
        );
    }
    if any(|plot| !plot.points.is_empty()) {
        notes.push("a ring: the speed was constant".to_owned());
    }
    notes
}

/// The course of the channel that a row is judged by: the one that is worst over its limit, else the one
/// whose first order is highest.
fn shown(row: &Row) -> Option<&Course> {
    let worst = row.worst.as_ref().map(|worst| worst.channel.as_str());
    let judged = row.courses.iter().find(|course| Some(course.channel.as_str()) == worst);
    judged.or_else(|| row.courses.iter().max_by(|a, b| top(a).total_cmp(&top(b))))
}

fn top(course: &Course) -> f64 {
    course.order1.iter().copied().fold(0.0, f64::max)
}

/// From the lowest to the highest speed of all.
fn across(courses: &[&Course]) -> Axis {
    let speeds = || courses.iter().flat_map(|course| course.rpm.iter().copied());
    let (low, high) = (speeds().fold(f64::INFINITY, f64::min), speeds().fold(0.0, f64::max));
    let axis = Axis::linear("speed", "rpm");
    // screens of one constant speed need some width too
    let margin = 0.05 * high;
    if high > low { axis.between(low, high) } else { axis.between(low - margin, high + margin) }
}

fn plot(
    row: &Row,
    course: &Course,
    rows: &[Row],
    courses: &[&Course],
    across: &Axis,
) -> Option<Plot> {
    let limit = limit(row, course);
    let alike = courses.iter().filter(|other| other.unit == course.unit);
    let highest = alike.map(|other| top(other)).fold(limit.unwrap_or(0.0), f64::max);
    let upwards = Axis::linear("1x", course.unit.replace("FS", "of full scale"));
    let mut plot = Plot::new(title(row), across.clone(), upwards.between(0.0, HEADROOM * highest));
    plot.curves
        .push(Curve::new(course.channel.clone(), course.rpm.clone(), course.order1.clone()).ok()?);
    plot.curves.extend(usual(course, rows, across));
    if course.rpm.len() == 1 {
        plot.points.push(Points {
            name: String::new(),
            symbol: Symbol::Ring,
            x: course.rpm.clone(),
            y: course.order1.clone(),
            labels: Vec::new(),
            sizes: Vec::new(),
        });
    }
    plot.limits.extend(limit.map(|at| Limit::new(at, "limit")));
    Some(plot)
}

/// By which level a row stands out most, and how far: over its limit, else over what is usual. The level is
/// named where it is not the first order that is drawn.
fn remark(row: &Row, course: &Course, unusual: Option<Unusual>) -> String {
    // what it is looked into for says more than a level that is kept
    let kept = row.worst.as_ref().is_none_or(|worst| worst.ratio <= 1.0);
    if let Some(fault) = row.first_fault().filter(|_| kept) {
        let sure = fault.confidence.map_or(String::new(), |p| format!(" {}", probability(p)));
        let place = fault.place.as_deref().map_or(String::new(), |place| format!(" at {place}"));
        return format!("{}{place}{sure}", fault.title);
    }
    let limited = row.worst.as_ref().map(|worst| (worst.ratio, &worst.channel, &worst.id, "limit"));
    let exceeded = limited.filter(|(ratio, ..)| *ratio > 1.0);
    let usual = unusual.map(|Unusual { ratio, level }| (ratio, &level.channel, &level.id, "usual"));
    let Some((ratio, channel, id, over)) = exceeded.or(usual).or(limited) else {
        return String::new();
    };
    let mut words = Vec::new();
    if *channel != course.channel {
        words.push(channel.clone());
    }
    if *channel != course.channel || !id.starts_with("order1") {
        words.push(id.replace("order1", "1x").replace('_', " "));
    }
    let digits = [10.0, 1.0].iter().filter(|step| ratio < **step).count();
    words.push(format!("{ratio:.digits$} x {over}"));
    words.join(" ")
}

/// The limit on the first order that the course was held against, in its unit.
fn limit(row: &Row, course: &Course) -> Option<f64> {
    let mut own = row.levels.iter().filter(|level| {
        level.channel == course.channel
            && level.id == "order1_velocity"
            && level.unit == course.unit
    });
    own.find_map(|level| level.limit)
}

/// The median course of a channel over all rows that have it in the same unit, where five or more do.
fn usual(course: &Course, rows: &[Row], across: &Axis) -> Option<Curve> {
    let [low, high] = across.shown?;
    let same = |other: &&Course| other.channel == course.channel && other.unit == course.unit;
    let all: Vec<&Course> = rows.iter().flat_map(|row| &row.courses).filter(same).collect();
    let place = |i: usize| low + (high - low) * i as f64 / (PLACES - 1) as f64;
    let at = |rpm: f64| {
        let values: Vec<f64> = all.iter().filter_map(|course| course.at(rpm)).collect();
        (values.len() >= LEAST_OTHERS).then(|| (rpm, median(&values)))
    };
    let (rpm, values): (Vec<f64>, Vec<f64>) = (0..PLACES).map(place).filter_map(at).unzip();
    Curve::new("median", rpm, values).ok()
}

/// Serial number, or name of the file, and verdict.
fn title(row: &Row) -> String {
    let file = row.key.path.rsplit(['/', '\\']).next().unwrap_or_default();
    let stem = file.rsplit_once('.').map_or(file, |(stem, _)| stem);
    let name = row.serial.as_deref().unwrap_or(stem);
    let mut short: String = name.chars().take(LETTERS).collect();
    if short.len() < name.len() {
        short.pop();
        short.push('…');
    }
    format!("{short}: {}", row.outcome.word().replace('_', " "))
}

fn words(row: &Row) -> Words {
    let why = match row.outcome {
        Outcome::Unreadable => row.reason_from(None),
        _ if row.speed.is_none() => format!("no shaft speed; {}", row.reason),
        _ => row.reason.clone(),
    };
    let line = |weight, text| Line { weight, text };
    Words { lines: vec![line(Weight::Body, title(row)), line(Weight::Foot, why)] }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::case::Decision;
    use crate::screen::row::{RowLevel, Worst, tests::bare};

    fn course(height: f64) -> Course {
        Course {
            channel: "front".to_owned(),
            unit: "mm/s rms".to_owned(),
            rpm: vec![10_000.0, 30_000.0, 50_000.0],
            order1: vec![0.0, height, 0.0],
        }
    }

    fn with_course(name: &str, outcome: Outcome, height: f64) -> Row {
        Row { courses: vec![course(height)], ..bare(name, outcome) }
    }

    fn plots(figure: &Figure) -> Vec<&Plot> {
        let mut plots = Vec::new();
        for panel in figure.panels() {
            if let Panel::Plot(plot) = panel {
                plots.push(plot);
            }
        }
        plots
    }

    #[test]
    fn the_worst_come_first_on_shared_axes_beside_the_median() {
        let mut rows: Vec<Row> = (1..=5)
            .map(|i| with_course(&format!("/a/quiet{i}.wav"), Outcome::Accept, f64::from(i)))
            .collect();
        rows.push(with_course("/a/loud.wav", Outcome::Reject, 20.0));
        rows.push(bare("/a/torn.wav", Outcome::Unreadable));
        let figure = screening(&rows, 4).expect("a figure");
        assert_eq!(figure.rows.iter().map(|row| row.panels.len()).collect::<Vec<_>>(), [3, 1]);
        assert!(figure.notes[0].starts_with("the 4 worst of 7 recordings"), "{:?}", figure.notes);
        let plots = plots(&figure);
        assert_eq!(plots[0].title, "loud: reject");
        assert!(plots.iter().all(|plot| plot.x_axis == plots[0].x_axis));
        assert!(plots.iter().all(|plot| plot.y_axis.shown == Some([0.0, HEADROOM * 20.0])));
        // at 30 000 rpm the median of 1, 2, 3, 4, 5, 20 is 3.5
        let usual = &plots[0].curves[1];
        let nearest = usual
            .x()
            .iter()
            .zip(usual.y())
            .min_by(|a, b| (a.0 - 30_000.0).abs().total_cmp(&(b.0 - 30_000.0).abs()));
        let (rpm, value) = nearest.expect("points");
        let expected = 3.5 * (1.0 - (rpm - 30_000.0).abs() / 20_000.0);
        assert!((value - expected).abs() < 1e-9, "{value} at {rpm}");
        assert!(
            figure.panels().any(|panel| matches!(panel, Panel::Words(words)
                if words.lines[0].text == "torn: unreadable" && words.lines[1].text == "as told")),
            "what cannot be drawn is told"
        );
    }

    #[test]
    fn each_plot_tells_by_what_it_stands_out() {
        let level = |channel: &str, id: &str, value: f64| RowLevel {
            channel: channel.to_owned(),
            id: id.to_owned(),
            value: Some(value),
            unit: "g peak".to_owned(),
            at_rpm: None,
            limit: None,
            decision: Decision::NoLimit,
        };
        let mut rows: Vec<Row> = [1.0, 1.0, 1.0, 1.0, 4.2]
            .iter()
            .map(|&value| {
                let row = with_course("/a/a.wav", Outcome::Accept, 1.0);
                Row { levels: vec![level("front", "overall_acceleration", value)], ..row }
            })
            .collect();
        let worst = |ratio: f64, id: &str| Worst {
            ratio,
            channel: "front".to_owned(),
            id: id.to_owned(),
            decision: Decision::Exceeded,
        };
        let remarks = |rows: &[Row]| {
            let figure = screening(rows, 12).expect("a figure");
            plots(&figure).iter().map(|plot| plot.remark.clone()).collect::<Vec<_>>()
        };
        assert_eq!(remarks(&rows)[0], "overall acceleration 4.2 x usual");
        assert_eq!(remarks(&rows)[1], "overall acceleration 1.0 x usual");
        rows[4].worst = Some(worst(0.62, "order1_velocity"));
        assert_eq!(remarks(&rows)[0], "overall acceleration 4.2 x usual", "it keeps its limit");
        rows[4].worst = Some(worst(12.3, "order1_velocity"));
        assert_eq!(remarks(&rows)[0], "12 x limit");
        rows[4].levels[0] = level("rear", "order1_velocity", 1.0);
        rows[4].worst = Some(worst(0.62, "order1_velocity"));
        assert_eq!(remarks(&rows)[0], "0.62 x limit", "nothing says what is usual");
        let figure = screening(&rows, 12).expect("a figure");
        assert!(figure.notes.iter().any(|note| note.contains("(usual)")), "{:?}", figure.notes);
    }

    #[test]
    fn notes_tell_of_what_is_drawn_alone() {
        let steady = |rpm: f64| {
            let mut row = with_course("a.wav", Outcome::NoVerdict, 1.0);
            (row.courses[0].rpm, row.courses[0].order1) = (vec![rpm], vec![2.0]);
            row
        };
        let told = |rows: &[Row]| screening(rows, 12).expect("a figure").notes.join("; ");
        let alike: Vec<Row> = (0..6).map(|i| steady(48_000.0 + 10.0 * f64::from(i))).collect();
        assert!(told(&alike).contains("broken: median") && told(&alike).contains("a ring"));
        let apart: Vec<Row> = (1..7).map(|i| steady(10_000.0 * f64::from(i))).collect();
        assert!(!told(&apart).contains("broken: median"));
        let moving = vec![with_course("a.wav", Outcome::NoVerdict, 1.0); 4];
        assert!(!told(&moving).contains("a ring"));
    }

    #[test]
    fn few_recordings_have_no_median_and_none_no_picture() {
        let rows = vec![with_course("a.wav", Outcome::NoVerdict, 1.0); 4];
        let figure = screening(&rows, 12).expect("a figure");
        assert!(plots(&figure).iter().all(|plot| plot.curves.len() == 1));
        assert!(figure.notes[0].starts_with("4 recordings, worst first"));
        assert!(screening(&[], 12).is_err());
        assert!(screening(&rows, 0).is_err());
    }

    #[test]
    fn a_constant_speed_still_has_a_width() {
        let mut row = with_course("a.wav", Outcome::NoVerdict, 1.0);
        row.courses[0].rpm = vec![48_000.0];
        row.courses[0].order1 = vec![2.0];
        let figure = screening(&[row], 12).expect("a figure");
        assert_eq!(plots(&figure)[0].x_axis.shown, Some([45_600.0, 50_400.0]));
    }

    #[test]
    fn a_long_name_is_cut() {
        let row = bare("/a/cartridge-type-a-number-0017-run-3.wav", Outcome::NoVerdict);
        assert_eq!(title(&row), "cartridge-type-a-numb…: no verdict");
        let named = Row { serial: Some("Q-17".to_owned()), ..row };
        assert_eq!(title(&named), "Q-17: no verdict");
    }
}
