//! Numbers and names in running text.

use unicode_width::UnicodeWidthChar;

use crate::figure::probability;
use crate::units::{in_threes, without_noughts};

/// The space that holds a number and its unit, or the groups of a number, on one line. Written as a
/// common space when the page is finished.
pub(super) const BOUND: char = '\u{a0}';

/// `value` rounded to `digits` significant digits, thousands set apart: `18 200`, `4.53`, `0.012`.
/// A number that is not finite is `unknown`.
pub(super) fn number(value: f64, digits: usize) -> String {
    if !value.is_finite() {
        return "unknown".to_owned();
    }
    if value == 0.0 {
        return "0".to_owned();
    }
    // rounding first, because it may carry into the next decade (9.96 -> 10.0)
    let rounded: f64 = format!("{value:.*e}", digits.max(1) - 1).parse().unwrap_or(value);
    let decade = rounded.abs().log10().floor();
    if !(-4.0..15.0).contains(&decade) {
        return format!("{value:.*e}", digits.max(1) - 1);
    }
    let decimals = (digits.max(1) as f64 - 1.0 - decade).max(0.0) as usize;
    grouped(&format!("{rounded:.decimals$}"))
}

/// A number that somebody stated or that an axis counts by: as [`number`], without noughts at its end.
pub(super) fn stated(value: f64, digits: usize) -> String {
    let text = number(value, digits);
    if text.contains('e') { text } else { without_noughts(&text).to_owned() }
}

/// A whole number with its thousands set apart.
pub(super) fn count(value: u64) -> String {
    grouped(&value.to_string())
}

fn grouped(plain: &str) -> String {
    let (whole, fraction) = match plain.split_once('.') {
        Some((whole, fraction)) => (whole, Some(fraction)),
        None => (plain, None),
    };
    let (sign, digits) = match whole.strip_prefix('-') {
        Some(digits) => ("-", digits),
        None => ("", whole),
    };
    let mut text = format!("{sign}{}", in_threes(digits, BOUND));
    if let Some(fraction) = fraction {
        text.push('.');
        text.push_str(fraction);
    }
    text
}

/// A [`probability`] whose number and sign stay on one line; `unknown` for what is no number.
pub(super) fn percent(share: f64) -> String {
    if !share.is_finite() {
        return "unknown".to_owned();
    }
    probability(share).replace(' ', BOUND.encode_utf8(&mut [0; 4]))
}

/// A ratio with its standard uncertainty: `2.2 ± 0.1`; without one that shows, `2.2` alone.
pub(super) fn ratio(value: f64, relative_uncertainty: f64) -> String {
    let spread = (value * relative_uncertainty).abs();
    if !value.is_finite() || !spread.is_finite() || spread < value.abs() * 1e-3 {
        return number(value, 2);
    }
    // both to the place of the spread's first digit, but the value to no fewer than two digits
    let place = spread.log10().floor().min(value.abs().log10().floor() - 1.0);
    let decimals = (-place).clamp(0.0, 9.0) as usize;
    let set = |x: f64| grouped(&format!("{x:.decimals$}"));
    format!("{}{BOUND}±{BOUND}{}", set(value), set(spread))
}

/// A length of time: `4.2 s`, `42 s`, `2 min 5 s`, `1 h 2 min`.
pub(super) fn duration(seconds: f64) -> String {
    if !seconds.is_finite() || seconds < 0.0 {
        return "unknown length".to_owned();
    }
    if seconds < 9.95 {
        return format!("{}{BOUND}s", number(seconds, 2));
    }
    let whole = seconds.round() as u64;
    match whole {
        0..120 => format!("{whole}{BOUND}s"),
        120..3600 => format!("{}{BOUND}min{BOUND}{}{BOUND}s", whole / 60, whole % 60),
        _ => format!("{}{BOUND}h{BOUND}{}{BOUND}min", whole / 3600, whole % 3600 / 60),
    }
}

/// A sampling rate: `51.2 kHz`, `800 Hz`.
pub(super) fn rate(hz: f64) -> String {
    if !hz.is_finite() {
        "unknown rate".to_owned()
    } else if hz >= 1000.0 {
        format!("{}{BOUND}kHz", stated(hz / 1000.0, 5))
    } else {
        format!("{}{BOUND}Hz", stated(hz, 3))
    }
}

/// Text that a terminal can only show, not obey: control characters and those that steer direction or
/// hide are replaced, and with `unicode` off everything beyond ASCII is written out or replaced.
pub(crate) fn harmless(text: &str, unicode: bool) -> String {
    let mut clean = String::with_capacity(text.len());
    // marks that stand on another character; two of them happen in honest writing, heaps do not
    let mut stacked = 0;
    for c in text.chars() {
        if is_steering(c) {
            clean.push(if unicode { char::REPLACEMENT_CHARACTER } else { '?' });
            stacked = 0;
        } else if c == BOUND || c.is_ascii() {
            clean.push(c);
            stacked = 0;
        } else if !unicode {
            clean.push_str(ascii(c));
        } else if c.width() == Some(0) {
            stacked += 1;
            if stacked <= 2 {
                clean.push(c);
            }
        } else {
            clean.push(c);
            stacked = 0;
        }
    }
    clean
}

/// Control, format and filler characters: what Unicode calls Cc and Cf, the separators of lines and
/// paragraphs, the variation selectors and the Hangul fillers.
fn is_steering(c: char) -> bool {
    c.is_control()
        || matches!(c,
            '\u{ad}' | '\u{34f}' | '\u{600}'..='\u{605}' | '\u{61c}' | '\u{6dd}' | '\u{70f}'
            | '\u{890}' | '\u{891}' | '\u{8e2}' | '\u{115f}' | '\u{1160}' | '\u{17b4}' | '\u{17b5}'
            | '\u{180b}'..='\u{180f}' | '\u{200b}'..='\u{200f}' | '\u{2028}'..='\u{202e}'
            | '\u{2060}'..='\u{206f}' | '\u{3164}' | '\u{fe00}'..='\u{fe0f}' | '\u{feff}'
            | '\u{ffa0}' | '\u{fff0}'..='\u{fffb}' | '\u{110bd}' | '\u{110cd}'
            | '\u{13430}'..='\u{1343f}' | '\u{1bca0}'..='\u{1bca3}' | '\u{1d173}'..='\u{1d17a}'
            | '\u{e0000}'..='\u{e0fff}')
}

fn ascii(c: char) -> &'static str {
    match c {
        'µ' | 'μ' => "u",
        '±' => "+-",
        '²' => "2",
        '³' => "3",
        '°' => " deg",
        '×' => "x",
        '·' => "*",
        '–' | '—' | '−' => "-",
        '’' | '‘' => "'",
        '“' | '”' => "\"",
        '…' => "...",
        '→' => "->",
        '≤' => "<=",
        '≥' => ">=",
        '√' => "sqrt ",
        _ => "?",
    }
}

/// Binds the groups of a number, and a number and its unit, so that no line breaks between them.
pub(super) fn bind(text: &str) -> String {
    const UNITS: [&str; 14] =
        ["%", "rpm", "Hz", "kHz", "mm/s", "m/s2", "g", "um", "µm", "deg", "s", "ms", "x", "dB"];
    let mut bound = String::with_capacity(text.len());
    for (i, word) in text.split(' ').enumerate() {
        if i > 0 {
            let follows_digit = bound.ends_with(|c: char| c.is_ascii_digit());
            let bare = word.trim_end_matches([',', ';', '.', ':', ')']);
            let unit = UNITS.contains(&bare);
            bound.push(if follows_digit && (unit || is_group(word)) { BOUND } else { ' ' });
        }
        bound.push_str(word);
    }
    bound
}

/// Whether a word begins with exactly three digits, as the later groups of a number do.
fn is_group(word: &str) -> bool {
    word.chars().take_while(char::is_ascii_digit).count() == 3
}

#[cfg(test)]
mod tests {
    use super::*;

    fn plain(text: String) -> String {
        text.replace(BOUND, " ")
    }

    #[test]
    fn numbers_are_rounded_and_grouped() {
        let cases: [(f64, usize, &str); 12] = [
            (18_234.7, 3, "18 200"),
            (96_449.0, 3, "96 400"),
            (999.6, 3, "1 000"),
            (1_234_567.0, 7, "1 234 567"),
            (9.96, 2, "10"),
            (4.5, 2, "4.5"),
            (0.012_34, 2, "0.012"),
            (-1500.0, 2, "-1 500"),
            (0.0, 3, "0"),
            (1.5e-7, 2, "1.5e-7"),
            (f64::NAN, 3, "unknown"),
            (f64::INFINITY, 3, "unknown"),
        ];
        for (value, digits, text) in cases {
            assert_eq!(plain(number(value, digits)), text, "{value} to {digits}");
        }
    }

    #[test]
    fn probabilities_never_become_certain() {
        assert_eq!(plain(percent(0.972)), "97 %");
        assert_eq!(plain(percent(0.9951)), "> 99 %");
        assert_eq!(plain(percent(1.0)), "> 99 %");
        assert_eq!(plain(percent(0.0)), "< 1 %");
        assert_eq!(percent(f64::NAN), "unknown");
    }

    #[test]
    fn ratios_show_their_uncertainty() {
        assert_eq!(plain(ratio(2.178, 0.05)), "2.2 ± 0.1");
        assert_eq!(plain(ratio(12.3, 0.05)), "12.3 ± 0.6");
        assert_eq!(plain(ratio(0.62, 0.3)), "0.62 ± 0.19");
        assert_eq!(plain(ratio(2.178, 0.0)), "2.2");
        assert_eq!(plain(ratio(2.178, f64::NAN)), "2.2");
        assert_eq!(ratio(f64::NAN, 0.1), "unknown");
    }

    #[test]
    fn times_and_rates() {
        assert_eq!(plain(duration(4.21)), "4.2 s");
        assert_eq!(plain(duration(9.97)), "10 s");
        assert_eq!(plain(duration(125.2)), "2 min 5 s");
        assert_eq!(plain(duration(3725.0)), "1 h 2 min");
        assert_eq!(plain(rate(51_200.0)), "51.2 kHz");
        assert_eq!(plain(rate(22_050.0)), "22.05 kHz");
        assert_eq!(plain(rate(800.0)), "800 Hz");
        assert_eq!(plain(rate(2_000.0)), "2 kHz");
        assert_eq!(plain(rate(f64::INFINITY)), "unknown rate");
        assert_eq!(plain(stated(4.5, 4)), "4.5");
        assert_eq!(plain(stated(1500.0, 2)), "1 500");
    }

    #[test]
    fn nothing_that_a_terminal_obeys_remains() {
        let hostile = "a\u{1b}[31mb\u{9b}2Jc\u{202e}d\u{200d}e\r\n\u{7}f\u{e0041}";
        let clean = harmless(hostile, true);
        assert_eq!(clean.replace('\u{fffd}', "?"), "a?[31mb?2Jc?d?e???f?");
        assert_eq!(harmless("5 µm ± 2°, 漢", false), "5 um +- 2 deg, ?");
        assert_eq!(harmless("e\u{301}\u{302}\u{303}\u{304}x", true), "e\u{301}\u{302}x");
    }

    #[test]
    fn numbers_hold_together() {
        let bound = bind("1x 9.8 mm/s rms at 96 000 rpm, in 3 of 1234 turns");
        assert_eq!(bound, "1x 9.8\u{a0}mm/s rms at 96\u{a0}000\u{a0}rpm, in 3 of 1234 turns");
    }
}
