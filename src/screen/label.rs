//! Serial number and date of a recording, from its name or from a file beside it.

use std::collections::HashSet;
use std::path::Path;

use serde::{Deserialize, Serialize};
use toml::Value;

use super::find::ENDINGS;
use crate::error::{Error, Result};
use crate::machine::parse;

/// The longest pattern, in characters.
const MOST_CHARACTERS: usize = 400;

/// What a recording is of, and when it was made.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Label {
    /// Serial number of the machine.
    pub serial: Option<String>,
    /// Day of the recording, `2026-03-01` (ISO 8601).
    pub date: Option<String>,
}

/// Which parts of a file's name are serial number and date, as in `cartridge-{serial}_{date}*`.
///
/// `{serial}` is one or more characters. `{date}` is year, month and day with `-`, `.`, `_` or nothing
/// between them; in another order they are `{year}` (four digits), `{month}` and `{day}` (two digits). `*`
/// is any characters or none, `?` is one; everything else stands for itself. Each part takes as few
/// characters as it can, from left to right, and the pattern must fit the whole name without its ending.
/// With `/` in the pattern, as in `{serial}/{date}*`, it takes in that many folders above. Neither
/// `{serial}` nor the wildcards reach over a `/`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NamePattern {
    parts: Vec<Part>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Part {
    Literal(char),
    AnyOne,
    AnyMany,
    Serial,
    Date,
    Year,
    Month,
    Day,
}

impl Part {
    const FIELDS: &[(&str, Self)] = &[
        ("serial", Self::Serial),
        ("date", Self::Date),
        ("year", Self::Year),
        ("month", Self::Month),
        ("day", Self::Day),
    ];

    fn is_field(self) -> bool {
        Self::FIELDS.iter().any(|(_, field)| *field == self)
    }

    /// The least and the most characters that the part takes.
    fn characters(self) -> (usize, usize) {
        match self {
            Self::Literal(_) | Self::AnyOne => (1, 1),
            Self::AnyMany => (0, usize::MAX),
            Self::Serial => (1, usize::MAX),
            Self::Date => (8, 10),
            Self::Year => (4, 4),
            Self::Month | Self::Day => (2, 2),
        }
    }

    fn takes(self, text: &[char]) -> bool {
        match self {
            Self::Literal(own) => text == [own],
            Self::AnyOne | Self::AnyMany | Self::Serial => !text.contains(&'/'),
            Self::Date => date_in(text).is_some(),
            Self::Year | Self::Month | Self::Day => text.iter().all(char::is_ascii_digit),
        }
    }
}

impl NamePattern {
    /// A pattern from its text.
    ///
    /// # Errors
    /// [`Error::Setting`] where a brace stands alone, a field is not known or there twice, the date is not
    /// whole, or there is no field at all.
    pub fn parse(text: &str) -> Result<Self> {
        let wrong = |problem: String| {
            let mend = "use {serial}, {date}, or {year}, {month} and {day}, as in \
                        cartridge-{serial}_{date}*";
            Error::setting("name pattern", problem, mend)
        };
        if text.chars().count() > MOST_CHARACTERS {
            return Err(wrong(format!("it is longer than {MOST_CHARACTERS} characters")));
        }
        let mut parts: Vec<Part> = Vec::new();
        let mut characters = without_ending(text).chars();
        while let Some(c) = characters.next() {
            let part = match c {
                '*' => Part::AnyMany,
                '?' => Part::AnyOne,
                '{' => {
                    let rest = characters.as_str();
                    let (name, after) = rest
                        .split_once('}')
                        .ok_or_else(|| wrong("a { is not closed".to_owned()))?;
                    characters = after.chars();
                    let known = Part::FIELDS.iter().find(|(field, _)| *field == name);
                    known.ok_or_else(|| wrong(format!("{{{name}}} is not known")))?.1
                }
                '}' => return Err(wrong("a } was not opened".to_owned())),
                other => Part::Literal(other),
            };
            if part.is_field() && parts.contains(&part) {
                return Err(wrong("a field is there twice".to_owned()));
            }
            parts.push(part);
        }
        let there = |part| parts.contains(&part);
        match [Part::Year, Part::Month, Part::Day].map(there) {
            [true, true, true] if there(Part::Date) => {
                Err(wrong("the date is there twice".to_owned()))
            }
            [true, true, true] => Ok(Self { parts }),
            [false, false, false] if there(Part::Date) || there(Part::Serial) => Ok(Self { parts }),
            [false, false, false] => {
                Err(wrong(format!("{text:?} holds neither a serial number nor a date")))
            }
            _ => Err(wrong("year, month and day belong together".to_owned())),
        }
    }

    /// What the name of a file says; `None` where it does not fit.
    pub fn label(&self, path: &Path) -> Option<Label> {
        let depth = self.parts.iter().filter(|part| **part == Part::Literal('/')).count();
        let mut names: Vec<String> = path
            .with_extension("")
            .iter()
            .rev()
            .take(depth + 1)
            .map(|name| name.to_string_lossy().into_owned())
            .collect();
        names.reverse();
        let name: Vec<char> = names.join("/").chars().collect();
        let mut taken = Vec::new();
        if !self.fits(0, &name, 0, &mut taken, &mut HashSet::new()) {
            return None;
        }
        self.read(&taken)
    }

    /// Whether the parts from `part` on fit the characters from `from` on; `taken` receives what each takes.
    /// What failed once is not tried again, so that the work is bounded.
    fn fits<'a>(
        &self,
        part: usize,
        name: &'a [char],
        from: usize,
        taken: &mut Vec<&'a [char]>,
        failed: &mut HashSet<(usize, usize)>,
    ) -> bool {
        let rest = name.get(from..).unwrap_or_default();
        let Some(own) = self.parts.get(part) else {
            return rest.is_empty();
        };
        let (least, most) = own.characters();
        for count in least..=most.min(rest.len()) {
            let piece = rest.get(..count).unwrap_or_default();
            if !own.takes(piece) || failed.contains(&(part + 1, from + count)) {
                continue;
            }
            taken.push(piece);
            if self.fits(part + 1, name, from + count, taken, failed) {
                return true;
            }
            taken.pop();
        }
        failed.insert((part, from));
        false
    }

    /// The label in what each part took; `None` where the date is none.
    fn read(&self, taken: &[&[char]]) -> Option<Label> {
        let of = |part: Part| {
            let at = self.parts.iter().position(|own| *own == part)?;
            taken.get(at).copied()
        };
        let date = match (of(Part::Date), of(Part::Year), of(Part::Month), of(Part::Day)) {
            (Some(date), ..) => Some(date_in(date)?),
            (None, Some(year), Some(month), Some(day)) => Some(date_of(year, month, day)?),
            _ => None,
        };
        Some(Label { serial: of(Part::Serial).map(|serial| serial.iter().collect()), date })
    }
}

fn without_ending(text: &str) -> &str {
    match text.rsplit_once('.') {
        Some((name, ending)) if ENDINGS.iter().any(|e| ending.eq_ignore_ascii_case(e)) => name,
        _ => text,
    }
}

/// A date of eight digits, the same separator between its parts or none, as ISO 8601 writes it.
fn date_in(text: &[char]) -> Option<String> {
    match *text {
        [a, b, c, d, one, e, f, other, g, h] if one == other && ['-', '.', '_'].contains(&one) => {
            date_of(&[a, b, c, d], &[e, f], &[g, h])
        }
        [a, b, c, d, e, f, g, h] => date_of(&[a, b, c, d], &[e, f], &[g, h]),
        _ => None,
    }
}

fn date_of(year: &[char], month: &[char], day: &[char]) -> Option<String> {
    let number = |digits: &[char]| {
        digits.iter().try_fold(0, |number, digit| Some(10 * number + digit.to_digit(10)?))
    };
    let (year, month, day) = (number(year)?, number(month)?, number(day)?);
    let days = match month {
        2 if year % 4 == 0 && (year % 100 != 0 || year % 400 == 0) => 29,
        2 => 28,
        4 | 6 | 9 | 11 => 30,
        1..=12 => 31,
        _ => return None,
    };
    (1..=days).contains(&day).then(|| format!("{year:04}-{month:02}-{day:02}"))
}

/// The label of a recording and whether anything states it: `NAME.about.toml` beside `NAME.wav` with
/// `serial` and `date`, and for what it leaves open the pattern.
///
/// # Errors
/// [`Error::Input`] where the file beside the recording cannot be used; [`Error::Io`] where it cannot be
/// read.
pub(super) fn of(path: &Path, names: Option<&NamePattern>) -> Result<(Label, bool)> {
    let beside = path.with_extension("about.toml");
    let stated = if beside.exists() { about(&beside)? } else { Label::default() };
    let named = names.and_then(|names| names.label(path));
    let is_stated = named.is_some() || beside.exists();
    let named = named.unwrap_or_default();
    let label = Label { serial: stated.serial.or(named.serial), date: stated.date.or(named.date) };
    Ok((label, is_stated))
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct About {
    serial: Option<Value>,
    date: Option<Value>,
}

fn about(path: &Path) -> Result<Label> {
    let text = parse::read_text(path, "two lines about a recording")?;
    let wrong = |place: &str, problem: String| {
        let mend = "write two lines such as serial = \"017\" and date = 2026-03-01";
        Error::input(path, place, problem, mend)
    };
    let about: About = toml::from_str(&text).map_err(|error| {
        let problem = error.message().split_whitespace().collect::<Vec<_>>().join(" ");
        wrong("", problem)
    })?;
    let serial = match about.serial {
        None => None,
        Some(Value::String(text)) if !text.trim().is_empty() => Some(text),
        Some(Value::Integer(number)) => Some(number.to_string()),
        Some(other) => return Err(wrong("serial", format!("{other} is no serial number"))),
    };
    let date = match about.date {
        None => None,
        Some(value) => {
            let text = match &value {
                Value::String(text) => text.clone(),
                other => other.to_string(),
            };
            let characters: Vec<char> = text.chars().take(10).collect();
            let date = date_in(&characters);
            Some(date.ok_or_else(|| wrong("date", format!("{value} is no date")))?)
        }
    };
    Ok(Label { serial, date })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn label(serial: &str, date: &str) -> Option<Label> {
        let stated = |text: &str| (!text.is_empty()).then(|| text.to_owned());
        Some(Label { serial: stated(serial), date: stated(date) })
    }

    fn read(pattern: &str, path: &str) -> Option<Label> {
        NamePattern::parse(pattern).expect("a pattern").label(Path::new(path))
    }

    #[test]
    fn names_are_read_as_people_write_them() {
        for (pattern, path, expected) in [
            (
                "cartridge-{serial}_{date}",
                "a/cartridge-017_2026-03-01.wav",
                label("017", "2026-03-01"),
            ),
            (
                "cartridge-{serial}_{date}.wav",
                "cartridge-017_20260301.WAV",
                label("017", "2026-03-01"),
            ),
            ("{serial}_{date}*", "QS_17_2026_03_01_spin2.wav", label("QS_17", "2026-03-01")),
            ("{serial}-*", "017-b-c.wav", label("017", "")),
            ("*-{serial}", "cart-a-017.wav", label("a-017", "")),
            (
                "{day}.{month}.{year} {serial}",
                "01.03.2026 rotor µ7.csv",
                label("rotor µ7", "2026-03-01"),
            ),
            ("{serial}/{date}*", "archive/017/2026-03-01-run.wav", label("017", "2026-03-01")),
            ("??{serial}", "xy9.npz", label("9", "")),
            ("run{date}", "run2024-02-29.wav", label("", "2024-02-29")),
            ("{serial}.v2", "017.v2.wav", label("017", "")),
        ] {
            assert_eq!(read(pattern, path), expected, "{pattern} {path}");
        }
    }

    #[test]
    fn names_that_do_not_fit_give_nothing() {
        for (pattern, path) in [
            ("cartridge-{serial}", "rotor-017.wav"),
            ("{date}", "2026-02-30.wav"),
            ("{date}", "2023-02-29.wav"),
            ("{date}", "2026-03_01.wav"),
            ("{date}", "2026-13-01.wav"),
            ("{day}{month}{year}", "31042026.wav"),
            ("{serial}/{date}", "2026-03-01.wav"),
            ("{serial}?", "7.wav"),
        ] {
            let got = read(pattern, path);
            assert!(got.is_none(), "{pattern} {path}: {got:?}");
        }
    }

    #[test]
    fn patterns_that_are_none_are_refused() {
        for (pattern, told) in [
            ("", "neither a serial number nor a date"),
            ("*.wav", "neither a serial number nor a date"),
            ("{serial", "a { is not closed"),
            ("serial}", "a } was not opened"),
            ("{sreial}", "{sreial} is not known"),
            ("{serial}{serial}", "twice"),
            ("{date}{year}{month}{day}", "twice"),
            ("{year}-{month}", "belong together"),
            (&"x".repeat(401), "longer than 400"),
        ] {
            let error = NamePattern::parse(pattern).expect_err(pattern).to_string();
            assert!(error.starts_with("name pattern: ") && error.contains(told), "{error}");
        }
    }

    #[test]
    fn a_hostile_pattern_ends() {
        let pattern = "*".repeat(390) + "{serial}!";
        assert_eq!(read(&pattern, &"a".repeat(250)), None);
    }

    #[test]
    fn a_file_beside_the_recording_comes_first() {
        let folder = tempfile::tempdir().expect("a folder");
        let wav = folder.path().join("017_2026-03-01.wav");
        let pattern = NamePattern::parse("{serial}_{date}").expect("a pattern");
        assert_eq!(of(&wav, None).expect("nothing"), (Label::default(), false));
        let about = folder.path().join("017_2026-03-01.about.toml");
        for (text, expected) in [
            ("", label("017", "2026-03-01")),
            ("serial = 18", label("18", "2026-03-01")),
            ("serial = \"B 4\"\ndate = 2025-12-31", label("B 4", "2025-12-31")),
            ("date = \"20251231\"", label("017", "2025-12-31")),
            ("date = 2025-12-31T08:00:00Z", label("017", "2025-12-31")),
        ] {
            std::fs::write(&about, text).expect("a file");
            assert_eq!(of(&wav, Some(&pattern)).expect(text), (expected.expect("one"), true));
        }
        for (text, told) in [
            ("serail = 1", "unknown field `serail`"),
            ("serial = 1.5", ", serial: 1.5 is no serial number"),
            ("date = 2025", ", date: 2025 is no date"),
            ("serial", "017_2026-03-01.about.toml: "),
        ] {
            std::fs::write(&about, text).expect("a file");
            let error = of(&wav, None).expect_err(text).to_string();
            assert!(error.contains(told) && !error.contains('\n'), "{error}");
        }
    }
}
