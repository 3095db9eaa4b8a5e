//! Numbers in sentences.

use crate::units::in_threes;

/// A number to three significant figures, thousands set apart by spaces.
pub fn number(value: f64) -> String {
    let size = value.abs();
    if !value.is_finite() || size == 0.0 {
        return if value == 0.0 { "0".to_owned() } else { "unknown".to_owned() };
    }
    if size < 1e-4 {
        return format!("{value:.1e}");
    }
    let magnitude = size.log10().floor() as i32;
    if magnitude >= 3 {
        let sign = if value < 0.0 { "-" } else { "" };
        let unit = 10_f64.powi(magnitude - 2).max(1.0);
        // three figures are enough up to 99 900; above, whole numbers say more than zeros
        let rounded = if magnitude >= 5 { size.round() } else { (size / unit).round() * unit };
        return format!("{sign}{}", count(rounded as usize));
    }
    let text = format!("{value:.*}", (2 - magnitude).max(0) as usize);
    if text.contains('.') {
        text.trim_end_matches('0').trim_end_matches('.').to_owned()
    } else {
        text
    }
}

/// As [`number`], but whole from a thousand on: for rates and speeds.
pub fn whole(value: f64) -> String {
    if value.is_finite() && value >= 1000.0 { count(value.round() as usize) } else { number(value) }
}

/// A count with its thousands set apart by spaces.
pub fn count(count: usize) -> String {
    in_threes(&count.to_string(), ' ')
}

/// A count with its noun, which takes an s unless the count is one.
pub fn counted(number: usize, noun: &str) -> String {
    format!("{} {noun}{}", count(number), if number == 1 { "" } else { "s" })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn three_figures_and_spaces() {
        for (value, text) in [
            (0.0, "0"),
            (0.891_26, "0.891"),
            (12.0, "12"),
            (96_432.0, "96 400"),
            (123_456.0, "123 456"),
            (-1_048.0, "-1 050"),
            (0.003_999, "0.004"),
            (0.000_002_4, "2.4e-6"),
            (999.6, "1000"),
            (f64::NAN, "unknown"),
        ] {
            assert_eq!(number(value), text);
        }
        assert_eq!((whole(48_828.1), whole(12.34)), ("48 828".to_owned(), "12.3".to_owned()));
        assert_eq!(count(1_234_567), "1 234 567");
        assert_eq!(counted(1, "sample"), "1 sample");
    }
}
