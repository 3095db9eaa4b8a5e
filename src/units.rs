//! Units of measure: what a channel's numbers mean, and how they become SI.
//!
//! Inside the library everything is SI, in radians, and zero-to-peak; rpm, degrees, mm/s and the like
//! exist only at its edges. The enums here are the single table of factors and symbols.

use serde::{Deserialize, Serialize};

/// Standard acceleration of free fall in m/s² (ISO 80000-3, exact by definition).
pub const STANDARD_GRAVITY_M_S2: f64 = 9.80665;

/// Speed in rpm from shaft frequency in Hz.
pub fn rpm_from_hz(hz: f64) -> f64 {
    hz * 60.0
}

/// The angle `deg` wrapped into 0 (included) to 360 (excluded) degrees.
pub fn wrap_deg(deg: f64) -> f64 {
    let wrapped = deg.rem_euclid(360.0);
    // rem_euclid of a tiny negative number rounds up to 360 itself
    if wrapped >= 360.0 { 0.0 } else { wrapped }
}

/// Digits in groups of three from the right, with `gap` between them.
pub(crate) fn in_threes(digits: &str, gap: char) -> String {
    let mut text = String::with_capacity(digits.len() + digits.len() / 3);
    for (place, digit) in digits.chars().enumerate() {
        if place > 0 && (digits.len() - place).is_multiple_of(3) {
            text.push(gap);
        }
        text.push(digit);
    }
    text
}

/// A whole number with its digits in groups of three, `96 400` (ISO 80000-1: a space, no comma).
pub fn grouped(value: f64) -> String {
    let digits = format!("{:.0}", value.abs());
    let text = if digits.len() > 4 { in_threes(&digits, ' ') } else { digits };
    if value.round() < 0.0 { format!("-{text}") } else { text }
}

/// Three significant digits without an exponent, for numbers in running text: `0.0123`, `4.50`, `812`.
pub fn three_digits(value: f64) -> String {
    if !value.is_finite() {
        return "no number".to_owned();
    }
    if value == 0.0 {
        return "0".to_owned();
    }
    let whole = value.abs().log10().floor() as i32;
    let places = (2 - whole).clamp(0, 9) as usize;
    if whole >= 3 { grouped(value) } else { format!("{value:.places$}") }
}

/// A number in digits without noughts at the end of its decimals.
pub fn without_noughts(digits: &str) -> &str {
    if digits.contains('.') { digits.trim_end_matches('0').trim_end_matches('.') } else { digits }
}

/// An order as it is spoken of: `1x`, `0.5x`.
pub fn order_word(order: f64) -> String {
    format!("{}x", without_noughts(&format!("{order:.2}")))
}

/// A value with its standard error, both to the last of the value's three digits: `4.86 ± 0.02`. The error
/// is never told smaller than that digit.
pub fn with_error(value: f64, error: f64) -> String {
    let told = three_digits(value);
    let places = told.split_once('.').map_or(0, |(_, digits)| digits.len());
    let least = 10_f64.powi(-(places as i32));
    if !error.is_finite() || value == 0.0 {
        return format!("{told} ± {}", three_digits(error));
    }
    format!("{told} ± {:.places$}", error.max(least))
}

/// A speed with its error as both are spoken of: `41 300 ± 150`, to a whole rpm.
pub fn rpm_with_error(rpm: f64, error_rpm: f64) -> String {
    format!("{} ± {}", grouped(rpm), grouped(error_rpm.max(1.0)))
}

/// Words in a row: `1x`, `1x and 2x`, `1x, 2x and 3x`.
pub fn listed(words: &[String]) -> String {
    match words {
        [] => String::new(),
        [one] => one.clone(),
        [rest @ .., last] => format!("{} and {last}", rest.join(", ")),
    }
}

/// A sentence as a clause within another: without its full stop, and without the capital of an
/// ordinary first word.
pub fn clause(sentence: &str) -> String {
    let body = sentence.trim().trim_end_matches('.');
    let mut letters = body.chars();
    match (letters.next(), letters.clone().next()) {
        (Some(first), second) if !second.is_some_and(char::is_uppercase) => {
            first.to_lowercase().chain(letters).collect()
        }
        _ => body.to_owned(),
    }
}

/// The kind of physical quantity that a channel holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
#[non_exhaustive]
pub enum Quantity {
    /// Acceleration of a surface; shown as peak, in g or m/s².
    Acceleration,
    /// Velocity of a surface; shown as rms, in mm/s.
    Velocity,
    /// Displacement of a shaft or surface; shown peak-to-peak, in µm.
    Displacement,
    /// Sound pressure.
    Pressure,
    /// Rotational speed.
    Speed,
    /// Temperature.
    Temperature,
    /// Not stated: levels are relative only.
    Unknown,
}

impl Quantity {
    /// How often the quantity is the time derivative of displacement: 0, 1 or 2; `None` for the others.
    pub fn derivative_of_displacement(self) -> Option<i32> {
        match self {
            Self::Displacement => Some(0),
            Self::Velocity => Some(1),
            Self::Acceleration => Some(2),
            _ => None,
        }
    }

    /// The word for the quantity in running text.
    pub fn word(self) -> &'static str {
        match self {
            Self::Acceleration => "acceleration",
            Self::Velocity => "velocity",
            Self::Displacement => "displacement",
            Self::Pressure => "sound pressure",
            Self::Speed => "speed",
            Self::Temperature => "temperature",
            Self::Unknown => "signal",
        }
    }
}

/// The unit of a channel's samples.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[non_exhaustive]
pub enum Unit {
    /// Standard gravity, 9.80665 m/s².
    #[serde(rename = "g")]
    G,
    /// Metre per second squared.
    #[serde(rename = "m/s2")]
    MeterPerSecond2,
    /// Millimetre per second.
    #[serde(rename = "mm/s")]
    MillimeterPerSecond,
    /// Metre per second.
    #[serde(rename = "m/s")]
    MeterPerSecond,
    /// Micrometre.
    #[serde(rename = "um")]
    Micrometer,
    /// Millimetre.
    #[serde(rename = "mm")]
    Millimeter,
    /// Metre.
    #[serde(rename = "m")]
    Meter,
    /// Pascal.
    #[serde(rename = "Pa")]
    Pascal,
    /// Revolutions per minute.
    #[serde(rename = "rpm")]
    Rpm,
    /// Hertz, of rotational speed.
    #[serde(rename = "Hz")]
    Hertz,
    /// Degree Celsius.
    #[serde(rename = "degC")]
    Celsius,
    /// Volt: uncalibrated unless a sensitivity is stated.
    #[serde(rename = "V")]
    Volt,
    /// Fraction of the converter's full scale: uncalibrated.
    #[serde(rename = "FS")]
    FullScale,
}

/// One row of the unit table: unit, symbol, quantity, factor to SI.
const UNITS: &[(Unit, &str, Quantity, f64)] = &[
    (Unit::G, "g", Quantity::Acceleration, STANDARD_GRAVITY_M_S2),
    (Unit::MeterPerSecond2, "m/s2", Quantity::Acceleration, 1.0),
    (Unit::MillimeterPerSecond, "mm/s", Quantity::Velocity, 1e-3),
    (Unit::MeterPerSecond, "m/s", Quantity::Velocity, 1.0),
    (Unit::Micrometer, "um", Quantity::Displacement, 1e-6),
    (Unit::Millimeter, "mm", Quantity::Displacement, 1e-3),
    (Unit::Meter, "m", Quantity::Displacement, 1.0),
    (Unit::Pascal, "Pa", Quantity::Pressure, 1.0),
    (Unit::Rpm, "rpm", Quantity::Speed, 1.0 / 60.0),
    (Unit::Hertz, "Hz", Quantity::Speed, 1.0),
    (Unit::Celsius, "degC", Quantity::Temperature, 1.0),
    (Unit::Volt, "V", Quantity::Unknown, 1.0),
    (Unit::FullScale, "FS", Quantity::Unknown, 1.0),
];

impl Unit {
    /// All units, in table order.
    pub fn all() -> impl Iterator<Item = Self> {
        UNITS.iter().map(|row| row.0)
    }

    fn row(self) -> (&'static str, Quantity, f64) {
        UNITS
            .iter()
            .find(|row| row.0 == self)
            .map_or(("FS", Quantity::Unknown, 1.0), |row| (row.1, row.2, row.3))
    }

    /// The unit's symbol, as written in machine files and reports.
    pub fn symbol(self) -> &'static str {
        self.row().0
    }

    /// The quantity that the unit measures; [`Quantity::Unknown`] for volts and full scale.
    pub fn quantity(self) -> Quantity {
        self.row().1
    }

    /// Factor from the unit to SI (m, m/s, m/s², Pa, Hz); Celsius is passed through unchanged.
    pub fn si_factor(self) -> f64 {
        self.row().2
    }

    /// The unit of a symbol, ignoring case and the ways people write powers (`m/s^2`, `m/s²`, `µm`).
    pub fn from_symbol(symbol: &str) -> Option<Self> {
        let wanted: String = symbol
            .trim()
            .chars()
            .filter(|c| !matches!(c, '^' | '*' | ' ' | '[' | ']' | '(' | ')'))
            .map(|c| match c {
                '²' => '2',
                'µ' | 'μ' => 'u',
                other => other,
            })
            .collect();
        let wanted = match wanted.to_ascii_lowercase().as_str() {
            "ms-2" | "m/s/s" => "m/s2".to_owned(),
            "gn" => "g".to_owned(),
            "volt" | "volts" => "v".to_owned(),
            "°c" | "c" => "degc".to_owned(),
            "1/min" | "min-1" | "r/min" => "rpm".to_owned(),
            other => other.to_owned(),
        };
        UNITS.iter().find(|row| row.1.eq_ignore_ascii_case(&wanted)).map(|row| row.0)
    }

    /// The trade's unit for showing a quantity: mm/s, g, µm; the unit itself where there is none.
    pub fn shown_for(quantity: Quantity) -> Option<Self> {
        match quantity {
            Quantity::Acceleration => Some(Self::G),
            Quantity::Velocity => Some(Self::MillimeterPerSecond),
            Quantity::Displacement => Some(Self::Micrometer),
            Quantity::Pressure => Some(Self::Pascal),
            Quantity::Speed => Some(Self::Rpm),
            Quantity::Temperature => Some(Self::Celsius),
            Quantity::Unknown => None,
        }
    }
}

/// How an amplitude is stated. Inside the library phasors are always [`Amplitude::Peak`].
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Amplitude {
    /// Zero to peak of the sine.
    Peak,
    /// Peak to peak of the sine.
    PeakToPeak,
    /// Root mean square.
    Rms,
}

impl Amplitude {
    /// Factor from the zero-to-peak amplitude of a sine.
    pub fn from_peak(self) -> f64 {
        match self {
            Self::Peak => 1.0,
            Self::PeakToPeak => 2.0,
            Self::Rms => std::f64::consts::FRAC_1_SQRT_2,
        }
    }

    /// The trade's default for a quantity: velocity rms, acceleration peak, displacement peak-to-peak.
    pub fn usual_for(quantity: Quantity) -> Self {
        match quantity {
            Quantity::Acceleration => Self::Peak,
            Quantity::Displacement => Self::PeakToPeak,
            _ => Self::Rms,
        }
    }

    /// The suffix in running text: `peak`, `p-p`, `rms`.
    pub fn word(self) -> &'static str {
        match self {
            Self::Peak => "peak",
            Self::PeakToPeak => "p-p",
            Self::Rms => "rms",
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_unit_reads_back_from_its_symbol() {
        for unit in Unit::all() {
            assert_eq!(Unit::from_symbol(unit.symbol()), Some(unit));
        }
    }

    #[test]
    fn symbols_as_people_write_them() {
        assert_eq!(Unit::from_symbol("m/s²"), Some(Unit::MeterPerSecond2));
        assert_eq!(Unit::from_symbol(" µm "), Some(Unit::Micrometer));
        assert_eq!(Unit::from_symbol("[mm/s]"), Some(Unit::MillimeterPerSecond));
        assert_eq!(Unit::from_symbol("furlong"), None);
    }

    #[test]
    fn numbers_in_running_text() {
        assert_eq!(grouped(96_400.2), "96 400");
        assert_eq!(grouped(9_640.0), "9640");
        assert_eq!(grouped(-1_234_567.0), "-1 234 567");
        assert_eq!(three_digits(0.012_34), "0.0123");
        assert_eq!(three_digits(4.5), "4.50");
        assert_eq!(three_digits(81_234.0), "81 234");
        assert_eq!(three_digits(f64::NAN), "no number");
    }

    #[test]
    fn errors_have_the_digits_of_their_value() {
        assert_eq!(with_error(4.8596, 0.0234), "4.86 ± 0.02");
        assert_eq!(with_error(0.5751, 0.000_873), "0.575 ± 0.001");
        assert_eq!(with_error(685.74, 0.44), "686 ± 1");
        assert_eq!(with_error(0.0, 0.02), "0 ± 0.0200");
    }

    #[test]
    fn a_sentence_becomes_a_clause() {
        assert_eq!(clause("The tops are missing."), "the tops are missing");
        assert_eq!(clause("AC coupling hides it"), "AC coupling hides it");
        assert_eq!(clause("39 036 of them"), "39 036 of them");
        assert_eq!(clause(""), "");
    }

    #[test]
    fn wrapping_stays_below_a_full_turn() {
        assert_eq!(wrap_deg(-1e-14), 0.0);
        assert_eq!(wrap_deg(-90.0), 270.0);
        assert_eq!(wrap_deg(720.5), 0.5);
    }
}
