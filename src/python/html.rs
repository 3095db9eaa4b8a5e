//! Small static tables for notebooks. Names come from files: what a browser would obey is escaped.

use crate::report::harmless;
use crate::units::grouped;

/// Text that a browser can only show.
fn escaped(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in harmless(text, true).chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            other => out.push(other),
        }
    }
    out
}

fn cell(text: &str) -> String {
    format!("<td style=\"text-align:left\">{}</td>", escaped(text))
}

fn heading(text: &str) -> String {
    format!("<th style=\"text-align:left\">{}</th>", escaped(text))
}

fn framed(title: &str, rows: &str) -> String {
    let caption = "text-align:left;font-weight:bold";
    format!("<table><caption style=\"{caption}\">{}</caption>{rows}</table>", escaped(title))
}

/// A table of names and values.
pub(super) fn table(title: &str, rows: &[(&str, String)]) -> String {
    let row = |(name, value): &(&str, String)| format!("<tr>{}{}</tr>", heading(name), cell(value));
    framed(title, &rows.iter().map(row).collect::<String>())
}

/// A table with a head.
pub(super) fn grid(title: &str, head: &[&str], rows: &[Vec<String>]) -> String {
    let head: String = head.iter().map(|name| heading(name)).collect();
    let row = |row: &Vec<String>| {
        format!("<tr>{}</tr>", row.iter().map(|text| cell(text)).collect::<String>())
    };
    framed(title, &format!("<tr>{head}</tr>{}", rows.iter().map(row).collect::<String>()))
}

/// Sentences below a table; nothing for none.
pub(super) fn sentences(sentences: &[String]) -> String {
    if sentences.is_empty() {
        return String::new();
    }
    let item = |sentence: &String| format!("<li>{}</li>", escaped(sentence));
    format!("<ul>{}</ul>", sentences.iter().map(item).collect::<String>())
}

/// The lowest and the highest of speeds in words.
pub(super) fn rpm_range(rpm: &[f64]) -> String {
    let low = rpm.iter().copied().fold(f64::INFINITY, f64::min);
    let high = rpm.iter().copied().fold(0.0, f64::max);
    if low > high {
        "none".to_owned()
    } else {
        format!("{} to {} rpm", grouped(low), grouped(high))
    }
}
