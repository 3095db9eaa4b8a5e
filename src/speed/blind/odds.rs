//! Which line is the shaft: odds of each reading, from the ratios of the lines.
//!
//! A reading says that the shaft turns at `q` times the path. It expects lines at whole multiples of
//! `q`; the likelihood of a reading weighs the lines that it explains, how exactly it meets them, the
//! orders that it misses, and the lines that it leaves unexplained. So half the speed is unlikely
//! because its odd orders are missing, double the speed because the odd orders stay unexplained, and
//! tones at 17 and 18 orders betray a shaft whose own order is buried. The chances of seeing each order
//! are common practice, no source.

use super::DEFAULT_RANGE_RPM;
use super::lines::Line;

/// Standard error of a line's place in ln f.
const PLACE_ERROR: f64 = 0.0012;
/// Highest order that the strongest lines may be of the shaft.
const HIGHEST_ORDER: usize = 48;
/// Lines from which readings are derived, and lines that are weighed.
const ROOTS: usize = 6;
const WEIGHED: usize = 24;
/// Readings closer than this in ln f are one.
const SAME: f64 = 0.0045;
/// ln of how much likelier a reading outside the stated range must be to speak against those within: who
/// states a range is mistaken about the whole run once in 150 times (common practice, no source).
const LN_RANGE: f64 = 5.0;
/// Chance that a shaft shows a line at half its speed (a rub, looseness, a whirl that locks in), and that
/// such a line is the strongest of all (common practice, no source).
const HALF: f64 = 0.005;
const HALF_STRONGEST: f64 = 0.3;
/// Chance that an order stands out where both its neighbours do (common practice, no source).
const WITHIN_RUN: f64 = 0.7;
/// Slip of a rolling bearing: its lines lie within this of the stated multipliers.
const SLIP: f64 = 0.02;

/// What is known about the machine before listening.
#[derive(Debug, Clone)]
pub(super) struct Known<'a> {
    /// Lowest and highest shaft speed in Hz.
    pub range_hz: (f64, f64),
    /// A microphone, not a vibration sensor.
    pub sound: bool,
    pub blade_counts: &'a [u32],
    pub multipliers: &'a [f64],
    /// Lines per unit of ln f that are expected to belong to no shaft order.
    pub stray_lines: f64,
}

/// One reading of the lines.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Reading {
    /// Shaft speed as a multiple of the path (or in Hz).
    pub factor: f64,
    /// Probability among all readings.
    pub probability: f64,
    /// Share of the lines' weight that it explains.
    pub explained: f64,
    /// Orders whose lines were found, rising.
    pub orders: Vec<usize>,
    ln_likelihood: f64,
}

/// What kind of family the lines form.
///
/// *Rotor*: low orders, the first above all. *Bladed*: tones of up to three rows of blades and their
/// harmonics, the low orders buried.
#[derive(Debug, Clone, Copy)]
enum Family<'a> {
    Rotor,
    /// Numbers of blades of the rows.
    Bladed(&'a [usize]),
}

/// Numbers of blades thought possible; beforehand each is as likely as its inverse (no scale is
/// preferred).
const BLADES: std::ops::RangeInclusive<usize> = 5..=HIGHEST_ORDER;
/// Most rows of blades told apart.
const ROWS: usize = 3;

impl Known<'_> {
    /// Chance of a bladed family beforehand.
    fn bladed(&self) -> f64 {
        if self.sound { 0.5 } else { 0.2 }
    }

    /// Chance that an order of the shaft stands out.
    fn visible(&self, order: usize, family: Family<'_>) -> f64 {
        if let Family::Bladed(rows) = family {
            let harmonic =
                rows.iter().filter(|&row| order.is_multiple_of(*row)).map(|row| order / row);
            return match harmonic.min() {
                Some(1) => 0.85,
                Some(2) => 0.6,
                Some(3) => 0.4,
                Some(4) => 0.2,
                _ if order == 1 => 0.4,
                _ => 0.08,
            };
        }
        if self.is_blade_order(order) {
            return 0.7;
        }
        match order {
            1 if self.sound => 0.7,
            1 => 0.85,
            2 => 0.6,
            3 => 0.45,
            4..=6 => 0.3,
            _ => 0.08,
        }
    }

    /// Chance that the strongest line is this order.
    fn strongest(&self, order: usize, family: Family<'_>) -> f64 {
        if let Family::Bladed(rows) = family {
            return if rows.contains(&order) { 0.8 / rows.len() as f64 } else { 0.01 };
        }
        if self.is_blade_order(order) {
            return 0.35;
        }
        match order {
            1 if self.sound => 0.5,
            1 => 0.7,
            2 => 0.1,
            3 => 0.04,
            4..=6 => 0.02,
            _ if self.sound => 0.004,
            _ => 0.002,
        }
    }

    /// ln of the chance of these rows beforehand. Where counts are stated, others are unlikely.
    fn ln_rows(&self, rows: &[usize]) -> f64 {
        let sum: f64 = BLADES.map(|n| 1.0 / n as f64).sum();
        let unstated = if self.blade_counts.is_empty() { 1.0 } else { 0.1 };
        let chance = |row: usize| {
            if self.is_blade_order(row) { 0.9 } else { unstated / (row as f64 * sum) }
        };
        rows.iter().map(|&row| chance(row).ln()).sum()
    }

    fn is_blade_order(&self, order: usize) -> bool {
        self.blade_counts.iter().any(|&count| count > 1 && count as usize == order)
    }
}

/// What readings are made from.
pub(super) struct Evidence<'a, B: Fn(f64) -> f64> {
    pub lines: &'a [Line],
    /// Lowest and highest speed of the path in Hz.
    pub span_hz: (f64, f64),
    /// The lowest place that could be seen.
    pub lowest: f64,
    /// The error of a place in ln f that stems from the width of a bin.
    pub blur: B,
}

impl<B: Fn(f64) -> f64> Evidence<'_, B> {
    /// All readings within the known range, most likely first.
    pub fn readings(&self, known: &Known<'_>) -> Vec<Reading> {
        let mut found = self.found(known, |factor| self.is_within(factor, known.range_hz));
        normalise(&mut found);
        found
    }

    /// The likeliest reading outside the known range, but within the widest one, where it speaks against
    /// `best`, the likeliest one within: a run that begins below the range would otherwise be read as
    /// something that lies in it.
    pub fn against(&self, best: Option<&Reading>, known: &Known<'_>) -> Option<Reading> {
        let widest_hz = (DEFAULT_RANGE_RPM.0 / 60.0, DEFAULT_RANGE_RPM.1 / 60.0);
        let is_outside = |factor: f64| {
            !self.is_within(factor, known.range_hz) && self.is_within(factor, widest_hz)
        };
        let found = self.found(known, is_outside).into_iter();
        let outside = found.max_by(|a, b| a.ln_likelihood.total_cmp(&b.ln_likelihood))?;
        let needed = best.map_or(f64::NEG_INFINITY, |best| best.ln_likelihood + LN_RANGE);
        (outside.ln_likelihood > needed && outside.orders.len() > 1).then_some(outside)
    }

    fn is_within(&self, factor: f64, (low_hz, high_hz): (f64, f64)) -> bool {
        factor * self.span_hz.0 >= low_hz * 0.999 && factor * self.span_hz.1 <= high_hz * 1.001
    }

    fn found(&self, known: &Known<'_>, wanted: impl Fn(f64) -> bool) -> Vec<Reading> {
        let mut lines: Vec<Line> = self.lines.to_vec();
        lines.sort_by(|a, b| b.excess.total_cmp(&a.excess));
        lines.truncate(WEIGHED);
        let errors: Vec<f64> =
            lines.iter().map(|l| PLACE_ERROR.hypot((self.blur)(l.place))).collect();
        let mut found: Vec<Reading> = Vec::new();
        for root in lines.iter().take(ROOTS) {
            for order in 1..=HIGHEST_ORDER {
                let factor = root.place / order as f64;
                if !wanted(factor) {
                    continue;
                }
                let factor = refined(factor, &lines, &errors);
                let reading = weigh(factor, &lines, &errors, known, self.lowest);
                match found.iter_mut().find(|r| (r.factor / factor).ln().abs() < SAME) {
                    Some(same) if same.ln_likelihood < reading.ln_likelihood => *same = reading,
                    Some(_) => {}
                    None => found.push(reading),
                }
            }
        }
        found
    }
}

fn normalise(found: &mut [Reading]) {
    found.sort_by(|a, b| b.ln_likelihood.total_cmp(&a.ln_likelihood));
    let best = found.first().map_or(0.0, |r| r.ln_likelihood);
    let sum: f64 = found.iter().map(|r| (r.ln_likelihood - best).exp()).sum();
    for reading in found.iter_mut() {
        reading.probability = (reading.ln_likelihood - best).exp() / sum;
    }
}

/// Nearest whole order of a place and the distance to it in ln f; `None` below half an order.
fn nearest(place: f64, factor: f64) -> Option<(usize, f64)> {
    let order = (place / factor).round();
    (order >= 1.0).then(|| (order as usize, (place / (order * factor)).ln()))
}

/// The factor fitted to all lines that lie close to its multiples.
fn refined(factor: f64, lines: &[Line], errors: &[f64]) -> f64 {
    let (mut sum, mut weights) = (0.0, 0.0);
    for (line, error) in lines.iter().zip(errors) {
        if let Some((_, distance)) = nearest(line.place, factor)
            && distance.abs() < 3.0 * error
        {
            sum += distance / (error * error);
            weights += 1.0 / (error * error);
        }
    }
    if weights > 0.0 { factor * (sum / weights).exp() } else { factor }
}

fn weigh(factor: f64, lines: &[Line], errors: &[f64], known: &Known<'_>, lowest: f64) -> Reading {
    let matched = Matched::new(factor, lines, errors, lowest);
    let rows = matched.rows(lines);
    let rotor = matched.ln_likelihood(lines, known, Family::Rotor) + (1.0 - known.bladed()).ln();
    let bladed = if rows.is_empty() {
        f64::NEG_INFINITY
    } else {
        let family = Family::Bladed(&rows);
        matched.ln_likelihood(lines, known, family) + known.ln_rows(&rows) + known.bladed().ln()
    };
    let high = rotor.max(bladed);
    let ln_likelihood = high + ((rotor - high).exp() + (bladed - high).exp()).ln();
    let met = matched.orders.iter().zip(lines).filter_map(|(m, l)| m.map(|m| (m.order, l.excess)));
    let explained: f64 = met.clone().map(|(_, excess)| excess).sum();
    let all: f64 = lines.iter().map(|l| l.excess).sum();
    let mut orders: Vec<usize> = met.map(|(order, _)| order).collect();
    orders.sort_unstable();
    Reading { factor, probability: 0.0, explained: explained / all, orders, ln_likelihood }
}

/// A line met by an order.
#[derive(Debug, Clone, Copy)]
struct Met {
    order: usize,
    /// ln of the density of the line's place about the order's.
    ln_density: f64,
}

/// Lines matched to the orders of one factor.
struct Matched {
    factor: f64,
    /// The order of each line, if any.
    orders: Vec<Option<Met>>,
    /// The line at half an order, if there is one: its index and ln of the density of its place.
    half: Option<(usize, f64)>,
    /// First and last order that could be seen.
    seen: (usize, usize),
    /// Range of the lines in ln f.
    width: f64,
}

impl Matched {
    fn new(factor: f64, lines: &[Line], errors: &[f64], lowest: f64) -> Self {
        let highest = lines.iter().map(|l| l.place).fold(0.0, f64::max);
        let last = ((1.02 * highest / factor) as usize).clamp(1, 400);
        let first = ((lowest / factor).ceil() as usize).max(1);
        let ln_density = |distance: f64, error: f64| {
            -0.5 * (distance / error).powi(2) - (error * std::f64::consts::TAU.sqrt()).ln()
        };
        let mut taken = Vec::new();
        let mut orders = Vec::new();
        let mut half = None;
        for (index, (line, &error)) in lines.iter().zip(errors).enumerate() {
            let met = nearest(line.place, factor)
                .filter(|(n, d)| *n <= last && !taken.contains(n) && d.abs() < 3.0 * error)
                .map(|(order, distance)| Met { order, ln_density: ln_density(distance, error) });
            taken.extend(met.map(|m| m.order));
            orders.push(met);
            let from_half = (2.0 * line.place / factor).ln();
            if half.is_none() && from_half.abs() < 3.0 * error {
                half = Some((index, ln_density(from_half, error)));
            }
        }
        let width = (highest / lowest).ln().max(1.0);
        Self { factor, orders, half, seen: (first, last), width }
    }

    /// Rows of blades: the strongest orders met that are no multiples of one before.
    fn rows(&self, lines: &[Line]) -> Vec<usize> {
        let strongest = lines.iter().map(|l| l.excess).fold(0.0, f64::max);
        let mut rows: Vec<usize> = Vec::new();
        for (met, line) in self.orders.iter().zip(lines) {
            let Some(met) = met else { continue };
            let known = rows.iter().any(|row| met.order.is_multiple_of(*row));
            let fits = BLADES.contains(&met.order) && !known && line.excess > 0.25 * strongest;
            if fits && rows.len() < ROWS {
                rows.push(met.order);
            }
        }
        rows
    }

    fn ln_likelihood(&self, lines: &[Line], known: &Known<'_>, family: Family<'_>) -> f64 {
        let (first, last) = self.seen;
        let visible = |order: usize| self.visible(order, known, family);
        let mut sum: f64 = (first..=last).map(|n| (1.0 - visible(n)).ln()).sum();
        let mut strays = 0;
        for (index, (met, line)) in self.orders.iter().zip(lines).enumerate() {
            match met {
                None if self.half.is_some_and(|(half, _)| half == index) => {
                    sum += self.half.map_or(0.0, |(_, ln_density)| HALF.ln() + ln_density);
                }
                Some(met) => {
                    let p = visible(met.order);
                    sum += (p / (1.0 - p)).ln() + met.ln_density;
                }
                None => {
                    sum += self.ln_next_stray(strays, known.stray_lines);
                    sum += at_bearing(line.place / self.factor, known);
                    strays += 1;
                }
            }
        }
        sum + match self.orders.first() {
            Some(Some(met)) => known.strongest(met.order, family).ln(),
            _ if self.half.is_some_and(|(half, _)| half == 0) => HALF_STRONGEST.ln(),
            _ => 0.02_f64.ln(),
        }
    }

    /// Chance that an order stands out where its neighbours are known: the orders of a rotor come in runs.
    fn visible(&self, order: usize, known: &Known<'_>, family: Family<'_>) -> f64 {
        let alone = known.visible(order, family);
        let is_met = |order| self.orders.iter().flatten().any(|met| met.order == order);
        match family {
            Family::Rotor if order > 1 && is_met(order - 1) && is_met(order + 1) => {
                alone.max(WITHIN_RUN)
            }
            _ => alone,
        }
    }

    /// ln of the density of one more stray line after `before` others: their number is a Poisson one of
    /// unknown rate, which is exponential about the expected rate beforehand. The more strays there are,
    /// the less does one more surprise.
    fn ln_next_stray(&self, before: usize, expected: f64) -> f64 {
        ((before + 1) as f64 / (self.width + 1.0 / expected)).ln()
    }
}

/// A line at a multiplier of a bearing is less of a surprise.
fn at_bearing(order: f64, known: &Known<'_>) -> f64 {
    let at = known.multipliers.iter().any(|m| (order / m).ln().abs() < SLIP);
    if at { 1.5 } else { 0.0 }
}

#[cfg(test)]
mod tests {
    use super::*;

    const VIBRATION: Known<'static> = Known {
        range_hz: (5.0, 5000.0),
        sound: false,
        blade_counts: &[],
        multipliers: &[],
        stray_lines: 0.1,
    };

    fn lines(places: &[(f64, f64)]) -> Vec<Line> {
        places.iter().map(|&(place, excess)| Line { place, excess }).collect()
    }

    fn evidence(lines: &[Line]) -> Evidence<'_, fn(f64) -> f64> {
        Evidence { lines, span_hz: (200.0, 1000.0), lowest: 0.045, blur: |_| 0.0 }
    }

    fn best(places: &[(f64, f64)], known: &Known<'_>) -> Reading {
        evidence(&lines(places)).readings(known).remove(0)
    }

    #[test]
    fn a_family_is_read_by_its_first_order() {
        let family = [(1.0, 8.0), (2.001, 5.0), (2.998, 3.0), (5.0, 1.0)];
        let reading = best(&family, &VIBRATION);
        assert!((reading.factor - 1.0).abs() < 2e-3 && reading.probability > 0.99);
        assert_eq!(reading.orders, vec![1, 2, 3, 5]);
    }

    #[test]
    fn a_path_on_the_second_order_is_put_right() {
        let family = [(0.5, 4.0), (1.0, 8.0), (1.5, 3.0), (2.0, 2.0)];
        let reading = best(&family, &VIBRATION);
        assert!((reading.factor - 0.5).abs() < 1e-3 && reading.probability > 0.9);
    }

    #[test]
    fn a_path_at_half_speed_is_put_right() {
        let family = [(2.0, 8.0), (4.0, 5.0), (6.0, 3.0), (8.0, 1.0)];
        let reading = best(&family, &VIBRATION);
        assert!((reading.factor - 2.0).abs() < 1e-2 && reading.probability > 0.95);
    }

    /// A shaft with half an order louder than all else; its own orders have no gaps, those of half its speed
    /// would lack every odd one.
    #[test]
    fn a_loud_half_order_is_not_taken_for_the_first() {
        let family = [(0.5, 8.0), (1.0, 6.0), (2.0, 4.0), (3.0, 3.0), (4.0, 2.0), (5.0, 1.0)];
        let reading = best(&family, &VIBRATION);
        assert!((reading.factor - 1.0).abs() < 2e-3 && reading.probability > 0.8, "{reading:?}");
    }

    #[test]
    fn a_single_line_is_first_order_with_other_readings_left() {
        let all = evidence(&lines(&[(1.0, 5.0)])).readings(&VIBRATION);
        assert!((all[0].factor - 1.0).abs() < 1e-9);
        assert!((all[1].factor - 0.5).abs() < 1e-9 && all[1].probability > 0.003);
    }

    #[test]
    fn locked_blade_tones_betray_the_shaft() {
        let tones =
            [(1.0, 6.0), (18.0 / 17.0, 4.0), (19.0 / 17.0, 3.0), (2.0, 2.5), (36.0 / 17.0, 2.0)];
        let sound = Known { sound: true, ..VIBRATION };
        let reading = best(&tones, &sound);
        assert!((17.0 * reading.factor - 1.0).abs() < 1e-3, "{reading:?}");
        assert!(reading.probability > 0.8, "{reading:?}");
    }

    #[test]
    fn a_stated_blade_count_reads_a_single_tone() {
        let known = Known { blade_counts: &[12], range_hz: (10.0, 150.0), ..VIBRATION };
        let reading = best(&[(1.0, 6.0)], &known);
        assert!((12.0 * reading.factor - 1.0).abs() < 1e-9, "{reading:?}");
    }

    #[test]
    fn nothing_inside_the_range_gives_no_reading() {
        let known = Known { range_hz: (5.0, 6.0), ..VIBRATION };
        assert!(evidence(&lines(&[(1.0, 5.0)])).readings(&known).is_empty());
    }

    #[test]
    fn a_range_that_leaves_the_run_out_is_contradicted() {
        let rotor = [(1.0, 9.0), (2.0, 5.0), (3.0, 4.0), (4.0, 3.0), (9.0, 3.0)];
        let lines = lines(&rotor);
        let against = |range_hz| {
            let known = Known { range_hz, ..VIBRATION };
            let evidence = evidence(&lines);
            evidence.against(evidence.readings(&known).first(), &known)
        };
        let outside =
            against((300.0, 1700.0)).expect("three halves of the speed is no good reading");
        assert!((outside.factor - 1.0).abs() < 1e-3, "{}", outside.factor);
        assert!(against((150.0, 1700.0)).is_none(), "the run lies within");
        assert!(against((300.0, 310.0)).is_some(), "nothing lies within");
    }
}
