//! A page of labelled paragraphs, wrapped to the columns of a terminal.

use unicode_width::UnicodeWidthChar;

use super::Style;
use super::words::{BOUND, bind, harmless};

/// Columns of the labels at the left.
const LABEL_COLUMNS: usize = 13;

/// Further columns by which the second and later lines of a paragraph stand in.
const HANGING_COLUMNS: usize = 2;

/// The look of a piece of text.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Paint {
    Plain,
    Strong,
    Faint,
    Good,
    Doubtful,
    Bad,
    Open,
}

impl Paint {
    /// The parameters of the ANSI sequence (ECMA-48, SGR).
    fn code(self) -> Option<&'static str> {
        match self {
            Self::Plain => None,
            Self::Strong => Some("1"),
            Self::Faint => Some("2"),
            Self::Good => Some("1;32"),
            Self::Doubtful => Some("1;33"),
            Self::Bad => Some("1;31"),
            Self::Open => Some("1;35"),
        }
    }
}

/// A page in the making. Every text given to it is made harmless before it is set.
pub(super) struct Page {
    style: Style,
    text: String,
}

impl Page {
    pub(super) fn new(style: Style) -> Self {
        Self { style, text: String::new() }
    }

    /// The page as one string, each line ended.
    pub(super) fn finish(self) -> String {
        self.text
    }

    /// An empty line, but never two of them in a row.
    pub(super) fn gap(&mut self) {
        if !self.text.ends_with("\n\n") {
            self.text.push('\n');
        }
    }

    /// The name of what the page is about and a summary: on one line if they fit, on two if not. A name
    /// too long for a line loses its middle.
    pub(super) fn headline(&mut self, name: &str, summary: &str) {
        let columns = self.style.columns();
        let name = shortened(&harmless(name, self.style.unicode), columns);
        let summary_columns = width(&harmless(summary, self.style.unicode));
        self.put(&name, Paint::Strong);
        if width(&name) + 3 + summary_columns <= columns {
            self.put("   ", Paint::Plain);
            let summary = harmless(summary, self.style.unicode);
            self.put(&summary, Paint::Plain);
            self.text.push('\n');
        } else {
            self.text.push('\n');
            self.row("", summary);
        }
    }

    /// One line of pieces that fit, each with its paint.
    pub(super) fn line(&mut self, pieces: &[(&str, Paint)]) {
        for (text, paint) in pieces {
            let text = harmless(text, self.style.unicode);
            self.put(&text, *paint);
        }
        self.text.push('\n');
    }

    /// A paragraph with a label.
    pub(super) fn row(&mut self, label: &str, text: &str) {
        self.painted_row((label, Paint::Faint), (text, Paint::Plain));
    }

    /// A paragraph with a label, each with its paint.
    pub(super) fn painted_row(&mut self, label: (&str, Paint), text: (&str, Paint)) {
        let body_columns = self.style.columns() - LABEL_COLUMNS;
        let body = bind(&harmless(text.0, self.style.unicode));
        let body = if self.style.unicode { body.replace("+-", "±") } else { body };
        let lines = wrapped(&body, body_columns, body_columns - HANGING_COLUMNS);
        let label_text = shortened(&harmless(label.0, self.style.unicode), LABEL_COLUMNS - 1);
        for (i, line) in lines.iter().enumerate() {
            let used = if i == 0 {
                self.put(&label_text, label.1);
                width(&label_text)
            } else {
                0
            };
            let hanging = if i == 0 { 0 } else { HANGING_COLUMNS };
            if !line.is_empty() {
                self.text.push_str(&" ".repeat(LABEL_COLUMNS - used + hanging));
                self.put(line, text.1);
            }
            self.text.push('\n');
        }
    }

    /// Harmless text in its paint, bound spaces loosened.
    fn put(&mut self, text: &str, paint: Paint) {
        let text = text.replace(BOUND, " ");
        match paint.code() {
            Some(code) if self.style.colour && !text.is_empty() => {
                self.text.push_str(&format!("\u{1b}[{code}m{text}\u{1b}[0m"));
            }
            _ => self.text.push_str(&text),
        }
    }
}

/// Columns that a text takes on a terminal.
pub(super) fn width(text: &str) -> usize {
    text.chars().map(|c| c.width().unwrap_or(0)).sum()
}

/// The text if it fits into `columns`, else its beginning and end with an ellipsis between.
pub(super) fn shortened(text: &str, columns: usize) -> String {
    const ELLIPSIS: &str = "...";
    if width(text) <= columns {
        return text.to_owned();
    }
    // the end of a name tells more than its beginning: number and type of the file
    let tail_columns = columns.saturating_sub(ELLIPSIS.len()) / 2;
    let head_columns = columns.saturating_sub(ELLIPSIS.len() + tail_columns);
    let head = fitting(text.chars(), head_columns);
    let tail: String = fitting(text.chars().rev(), tail_columns).chars().rev().collect();
    format!("{head}{ELLIPSIS}{tail}")
}

/// As many of the characters as fit into `columns`.
fn fitting(characters: impl Iterator<Item = char>, columns: usize) -> String {
    let mut used = 0;
    characters
        .take_while(|c| {
            used += c.width().unwrap_or(0);
            used <= columns
        })
        .collect()
}

/// Lines of a text: the first at most `first` columns wide, the others `later`. Words too long for a
/// line are cut. At least one line.
fn wrapped(text: &str, first: usize, later: usize) -> Vec<String> {
    let mut lines = vec![String::new()];
    let mut used = 0;
    for word in text.split(' ') {
        let limit = if lines.len() == 1 { first } else { later };
        let columns = width(word);
        if used > 0 && used + 1 + columns <= limit {
            push_last(&mut lines, " ");
            push_last(&mut lines, word);
            used += 1 + columns;
            continue;
        }
        if used > 0 {
            lines.push(String::new());
            used = 0;
        }
        for c in word.chars() {
            let limit = if lines.len() == 1 { first } else { later };
            let columns = c.width().unwrap_or(0);
            if used + columns > limit {
                lines.push(String::new());
                used = 0;
            }
            push_last(&mut lines, c.encode_utf8(&mut [0; 4]));
            used += columns;
        }
    }
    lines
}

fn push_last(lines: &mut [String], text: &str) {
    if let Some(line) = lines.last_mut() {
        line.push_str(text);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_wrap_and_giants_are_cut() {
        assert_eq!(wrapped("one two three", 7, 5), ["one two", "three"]);
        assert_eq!(wrapped("a abcdefghijk b", 6, 4), ["a", "abcd", "efgh", "ijk", "b"]);
        assert_eq!(wrapped("", 6, 4), [""]);
        assert_eq!(wrapped("漢漢漢", 5, 4), ["漢漢", "漢"]);
    }

    #[test]
    fn long_names_keep_both_ends() {
        assert_eq!(shortened("cartridge-0017-second-spin.wav", 20), "cartridge...spin.wav");
        assert_eq!(shortened("short.wav", 20), "short.wav");
        assert_eq!(width(&shortened(&"漢".repeat(30), 20)), 19);
    }

    #[test]
    fn colour_changes_no_column() {
        let set = |colour| {
            let mut page = Page::new(Style { colour, unicode: true, width: 60 });
            page.headline("name.wav", "42 s");
            page.painted_row(
                ("REJECT", Paint::Bad),
                ("for one reason ".repeat(9).trim(), Paint::Strong),
            );
            page.finish()
        };
        let plain: String = set(true)
            .split('\u{1b}')
            .map(|piece| match piece.strip_prefix('[') {
                Some(rest) => rest.split_once('m').map_or("", |(_, text)| text),
                None => piece,
            })
            .collect();
        assert_eq!(plain, set(false));
        assert_ne!(set(true), set(false));
    }
}
