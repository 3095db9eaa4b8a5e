//! What people are shown: compared to the byte, never wider than the page, never obeyed by a terminal.

use proptest::prelude::*;
use quietspin::Error;
use quietspin::figure::{Axis, Curve, Figure, Map, Mark, Plot};
use quietspin::report::{Style, picture, text};
use unicode_width::UnicodeWidthStr;

use crate::{diagnoses, snapshots};

mod page;
mod screen;

#[test]
fn each_verdict_reads_as_kept() {
    for (name, diagnosis) in diagnoses::all() {
        let shown = text::check(&diagnosis, Style::default());
        snapshots::compare(&format!("check_{name}.txt"), &shown);
    }
}

#[test]
fn narrow_plain_and_coloured_pages_read_as_kept() {
    let narrow = Style { unicode: false, width: 48, ..Style::default() };
    snapshots::compare("check_reject_narrow.txt", &text::check(&diagnoses::reject(), narrow));
    let coloured = Style { colour: true, ..Style::default() };
    snapshots::compare("check_reject_colour.txt", &text::check(&diagnoses::reject(), coloured));
}

#[test]
fn every_page_keeps_its_width_and_is_harmless() {
    for (name, diagnosis) in diagnoses::all() {
        for width in [0, 40, 60, 80, 200] {
            for unicode in [false, true] {
                let style = Style { colour: false, unicode, width };
                let shown = text::check(&diagnosis, style);
                keeps_width(&shown, width.max(Style::LEAST_WIDTH), name);
                assert!(shown.chars().all(|c| c == '\n' || !c.is_control()), "{name}");
                assert!(unicode || shown.is_ascii(), "{name}: {shown}");
            }
        }
    }
}

#[test]
fn a_page_says_the_verdict_and_the_caution_once() {
    for (name, diagnosis) in diagnoses::all() {
        let shown = text::check(&diagnosis, Style { width: 400, ..Style::default() });
        assert_eq!(shown.matches(diagnosis.verdict.word()).count(), 1, "{name}");
        assert_eq!(shown.matches("rated containment").count(), 1, "{name}");
        assert_eq!(shown.matches("no protection system").count(), 1, "{name}");
    }
    let shown = text::check(&diagnoses::no_verdict(), Style::default());
    assert_eq!(shown.matches("nothing found, which is no release").count(), 1);
    let mut said_already = diagnoses::no_verdict();
    said_already.reason = "nothing found, which is no release: no limit is stated".to_owned();
    let shown = text::check(&said_already, Style::default());
    assert_eq!(shown.matches("no release").count(), 1);
}

#[test]
fn an_error_is_one_harmless_line() {
    let error = Error::input("a\u{1b}[2J\nb.wav", "byte 12", "no\nsamples", "record again");
    let shown = text::error(&error);
    assert_eq!(shown, "quietspin: a\u{fffd}[2J b.wav, byte 12: no samples; record again\n");
}

#[test]
fn pictures_read_as_kept() {
    let plain = Style { unicode: false, width: 60, ..Style::default() };
    for (name, figure) in [("curve", spectrum()), ("map", order_map())] {
        let shown = picture::draw(&figure, Style::default());
        snapshots::compare(&format!("picture_{name}.txt"), &shown);
        let shown = picture::draw(&figure, plain);
        assert!(shown.is_ascii());
        snapshots::compare(&format!("picture_{name}_plain.txt"), &shown);
    }
}

#[test]
fn a_picture_shows_the_narrowest_peak() {
    // one bin of 100 000, far more than there are columns
    let x: Vec<f64> = (0..100_000).map(f64::from).collect();
    let mut y = vec![1e-4_f32; x.len()];
    y[70_000] = 1.0;
    let figure = curve(x, y, Vec::new());
    let shown = picture::draw(&figure, Style::default());
    assert_eq!(shown.matches('█').count(), 8, "{shown}");
}

#[test]
fn pictures_of_nothing_are_empty_but_whole() {
    for value in [0.0, f32::NAN, f32::INFINITY] {
        let shown =
            picture::draw(&curve(vec![0.0, 1.0], vec![value; 2], Vec::new()), Style::default());
        assert!(!shown.contains('█'), "{shown}");
        keeps_width(&shown, 80, "empty");
    }
}

fn curve(x: Vec<f64>, y: Vec<f32>, marks: Vec<Mark>) -> Figure {
    let axes = (Axis::linear("frequency", "Hz"), Axis::decibel("acceleration", "g peak", 60.0));
    let curve = Curve::new("", x, y.into_iter().map(f64::from).collect()).expect("a sound curve");
    Figure::of("", Plot::new("a\u{1b}b", axes.0, axes.1).with_curve(curve).with_marks(marks))
}

/// A floor at -50 dB with orders 1, 2 and a pair at 17.
fn spectrum() -> Figure {
    let x: Vec<f64> = (0..2000).map(|i| f64::from(i) * 0.01).collect();
    let line = |x: f64, at: f64, high: f64| if (x - at).abs() < 0.015 { high } else { 0.0 };
    let y = x.iter().map(|&x| {
        let floor = 0.01 + 0.005 * (x * 40.0).sin();
        f64::from((floor + line(x, 1.0, 3.0) + line(x, 2.0, 0.4) + line(x, 17.0, 0.9)) as f32)
    });
    let axes = (Axis::linear("order", ""), Axis::decibel("velocity", "mm/s rms", 60.0));
    let curve = Curve::new("", x.clone(), y.collect()).expect("a sound curve");
    let marks = [(1.0, "1x"), (2.0, "2x"), (17.0, "blades")].map(|(at, name)| Mark::new(at, name));
    let plot = Plot::new("spectrum of front", axes.0, axes.1).with_curve(curve);
    Figure::of("", plot.with_marks(marks))
}

/// Order 1 growing with speed and peaking at 41 000 rpm, order 2 faint, a resonance at 1.4 kHz.
fn order_map() -> Figure {
    let orders: Vec<f64> = (0..400).map(|i| f64::from(i) * 0.02).collect();
    let speeds: Vec<f64> = (0..120).map(|i| 18_000.0 + 650.0 * f64::from(i)).collect();
    let near = |x: f64, at: f64, wide: f64| (-((x - at) / wide).powi(2)).exp();
    let mut values = Vec::new();
    for rpm in &speeds {
        for order in &orders {
            let critical = 1.0 + 5.0 * near(*rpm, 41_000.0, 4_000.0);
            let first = critical * (rpm / 96_000.0) * near(*order, 1.0, 0.03);
            let fixed = 0.1 * near(order * rpm / 60.0, 1_400.0, 60.0);
            values.push((first + fixed + 0.05 * near(*order, 2.0, 0.03) + 0.002) as f32);
        }
    }
    let map = Map::new(
        "order map of front",
        (Axis::linear("order", ""), orders),
        (Axis::linear("speed", "rpm"), speeds),
        (Axis::decibel("velocity", "mm/s rms", 60.0), values),
    );
    Figure::of("", map.expect("a sound map"))
}

fn keeps_width(shown: &str, columns: usize, name: &str) {
    for line in shown.lines() {
        assert!(line.width() <= columns, "{name}: {} columns in {line:?}", line.width());
    }
}

/// Text as it may come out of a file: letters, wide letters, marks, spaces, control and format characters.
fn any_text() -> impl Strategy<Value = String> {
    let character = prop_oneof![
        4 => proptest::char::range('a', 'z'),
        1 => Just(' '),
        1 => proptest::char::range('0', '9'),
        1 => proptest::char::range('漢', '漿'),
        1 => proptest::char::range('\u{300}', '\u{36f}'),
        1 => any::<char>(),
    ];
    proptest::collection::vec(character, 0..200).prop_map(String::from_iter)
}

proptest! {
    #[test]
    fn any_names_and_numbers_keep_the_page(
        name in any_text(),
        told in any_text(),
        number in any::<f64>(),
        width in 0_usize..130,
        unicode in any::<bool>(),
    ) {
        let mut diagnosis = diagnoses::reject();
        diagnosis.recording.clone_from(&name);
        diagnosis.reason.clone_from(&told);
        diagnosis.duration_s = number;
        diagnosis.channels[0].rate_hz = number;
        diagnosis.notes.push(told.clone());
        diagnosis.findings[0].place = Some(name.clone());
        diagnosis.findings[0].confidence = number;
        diagnosis.findings[0].evidence[0].text = told;
        diagnosis.findings[0].severity.as_mut().expect("a limit").ratio = number;
        diagnosis.levels[0].value = number;
        diagnosis.levels[0].channel = name;
        let shown = text::check(&diagnosis, Style { colour: false, unicode, width });
        keeps_width(&shown, width.max(Style::LEAST_WIDTH), "any");
        prop_assert!(shown.chars().all(|c| c == '\n' || !c.is_control()));
    }

    #[test]
    fn any_curve_keeps_the_page(
        start in -1e6_f64..1e6,
        steps in proptest::collection::vec(1e-3_f64..1e3, 2..300),
        value in any::<f32>(),
        label in any_text(),
        width in 0_usize..130,
    ) {
        let mut at = start;
        let x: Vec<f64> = steps.iter().map(|step| { at += step; at }).collect();
        let y = (0..x.len()).map(|i| if i % 7 == 0 { value } else { i as f32 }).collect();
        let figure = curve(x.clone(), y, vec![Mark::new(x[0], label)]);
        keeps_width(&picture::draw(&figure, Style { width, ..Style::default() }), width.max(40), "any");
    }
}
