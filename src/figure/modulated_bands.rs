//! Bands ranked by a wanted rhythm: the tree of bands, shaded by how seldom noise shows as much.

use super::{Axis, Figure, Map, Outline, Subject};
use crate::error::{Error, Result};
use crate::spectrum::modulated_bands::{BandModulation, BandsByModulation};
use crate::units::{grouped, three_digits, without_noughts};

/// Least depth of the shades in powers of ten, so that noise looks like noise.
const LEAST_DEPTH: f64 = 4.0;
/// Chance below which its number says nothing more.
const LEAST_TOLD: f64 = 1e-6;
/// Finest parts that a tree of bands is drawn in.
const MOST_CELLS: usize = 1 << 17;

/// The tree of bands over frequency and width, shaded by minus the power of ten of each one's chance; the chosen band
/// is outlined, where noise would show one like it with a probability of at most `chance`.
///
/// # Errors
/// [`Error::TooLittle`] where there is no band; [`Error::Setting`] where they are none of one tree.
pub fn modulated_bands(
    subject: &Subject,
    bands: &BandsByModulation,
    chance: f64,
) -> Result<Figure> {
    let tree = Tree::of(&bands.bands)?;
    let mut values = vec![f32::NAN; tree.cells * tree.widths_hz.len()];
    for band in &bands.bands {
        let (level, cells) = (tree.level_of(band), tree.cells_of(band));
        let row = level * tree.cells;
        let cleared = (-band.ln_chance / std::f64::consts::LN_10).max(0.0) as f32;
        if let Some(part) = values.get_mut(row + cells.start..row + cells.end) {
            part.fill(cleared);
        }
    }
    let top = values.iter().copied().fold(0.0, f32::max);
    let shades = Axis::linear("−log₁₀ of the chance in noise", "");
    let edges = tree.edges_hz();
    let [foot, head] = [edges.first(), edges.last()].map(|edge| edge.copied().unwrap_or(1.0));
    let map = Map::new(
        "",
        (Axis::linear("frequency", "Hz").between(tree.low_hz, tree.high_hz), tree.middles_hz()),
        (Axis::log("width of the band", "Hz").between(foot, head), tree.widths_hz.clone()),
        (shades.between(0.0, f64::from(top).max(LEAST_DEPTH)), values),
    )?;
    let chosen = bands.chosen(chance);
    let outlines = chosen.and_then(|band| {
        let level = tree.level_of(band);
        Some(Outline { x: band.band_hz, y: [*edges.get(level)?, *edges.get(level + 1)?] })
    });
    Ok(Figure::of(subject.title(&what(&bands.bands)), map.with_outlines(outlines))
        .with_note(choice(bands, chosen, chance))
        .with_note(
            "shades: 3 is a chance of 1 in 10³ that noise shows lines as clear in this one band; a line of another \
             part counts as well"
                .to_owned(),
        ))
}

/// `bands by lines at 3.525x, 7.05x`.
fn what(bands: &[BandModulation]) -> String {
    let mut orders: Vec<f64> =
        bands.iter().flat_map(|band| &band.lines).map(|line| line.wanted_order).collect();
    orders.sort_by(f64::total_cmp);
    orders.dedup();
    let words: Vec<String> = orders.iter().take(4).map(|order| word(*order)).collect();
    match (words.is_empty(), orders.len() > words.len()) {
        (true, _) => "bands, no line could be looked for".to_owned(),
        (false, true) => format!("bands by lines at {} and more", words.join(", ")),
        (false, false) => format!("bands by lines at {}", words.join(", ")),
    }
}

/// An order to as many digits as part it from its neighbours.
fn word(order: f64) -> String {
    format!("{}x", without_noughts(&format!("{order:.3}")))
}

fn choice(bands: &BandsByModulation, chosen: Option<&BandModulation>, chance: f64) -> String {
    let count = bands.looked_at;
    let stated = bands.chance();
    let told = if stated < LEAST_TOLD {
        "of less than 1 in a million".to_owned()
    } else {
        format!("of at most {} %", without_noughts(&three_digits(100.0 * stated)))
    };
    let Some(band) = chosen else {
        let most = three_digits(100.0 * chance);
        return format!(
            "no band is chosen: noise shows one as clear as the first among {count} with a chance {told}, more than \
             {} %",
            without_noughts(&most)
        );
    };
    let [low, high] = band.band_hz.map(grouped);
    format!(
        "outlined: the clearest, {low} to {high} Hz; noise shows one like it among {count} with a chance {told}"
    )
}

/// Where the bands of a tree lie on a grid.
struct Tree {
    low_hz: f64,
    high_hz: f64,
    /// Widths of the levels, narrowest first; at least two.
    widths_hz: Vec<f64>,
    /// Equal cells across that every band is a whole number of.
    cells: usize,
}

impl Tree {
    fn of(bands: &[BandModulation]) -> Result<Self> {
        let ends = bands.iter().map(|band| band.band_hz);
        let (low_hz, high_hz) = ends
            .clone()
            .fold((f64::INFINITY, 0.0_f64), |(low, high), [a, b]| (low.min(a), high.max(b)));
        if bands.is_empty() {
            return Err(Error::too_little("a picture of bands", "at least one", "none"));
        }
        let span_hz = high_hz - low_hz;
        let mut parts: Vec<usize> =
            ends.map(|[a, b]| (span_hz / (b - a)).round().clamp(1.0, 1e6) as usize).collect();
        parts.sort_unstable_by(|a, b| b.cmp(a));
        parts.dedup();
        // two cells at least: a map has a width
        let cells = parts.iter().fold(2, |all, part| all / common(all, *part) * part);
        if cells > MOST_CELLS {
            return Err(Error::setting(
                "bands",
                format!("they part the frequencies into {cells}"),
                "take those of one tree",
            ));
        }
        if let [one] = parts[..] {
            // nothing is narrower, which is shown as a blank
            parts.insert(0, 2 * one);
        }
        let widths_hz = parts.iter().map(|part| span_hz / *part as f64).collect();
        Ok(Self { low_hz, high_hz, widths_hz, cells })
    }

    fn cell_hz(&self) -> f64 {
        (self.high_hz - self.low_hz) / self.cells as f64
    }

    fn middles_hz(&self) -> Vec<f64> {
        (0..self.cells).map(|k| self.low_hz + self.cell_hz() * (k as f64 + 0.5)).collect()
    }

    /// The level whose width is nearest.
    fn level_of(&self, band: &BandModulation) -> usize {
        let width_hz = band.band_hz[1] - band.band_hz[0];
        let off = |level: usize| {
            self.widths_hz.get(level).map_or(f64::INFINITY, |w| (w / width_hz - 1.0).abs())
        };
        (0..self.widths_hz.len()).min_by(|a, b| off(*a).total_cmp(&off(*b))).unwrap_or(0)
    }

    fn cells_of(&self, band: &BandModulation) -> std::ops::Range<usize> {
        let [from, to] =
            band.band_hz.map(|hz| ((hz - self.low_hz) / self.cell_hz()).round() as usize);
        from..to.min(self.cells)
    }

    /// Half way between the levels, and as far beyond the first and the last.
    fn edges_hz(&self) -> Vec<f64> {
        let middle = |pair: &[f64]| 0.5 * pair.iter().sum::<f64>();
        let mut edges: Vec<f64> = self.widths_hz.windows(2).map(middle).collect();
        if let ([first, ..], [.., last]) = (&self.widths_hz[..], &self.widths_hz[..]) {
            let (low, high) = (edges.first().copied(), edges.last().copied());
            edges.insert(0, 2.0 * first - low.unwrap_or(*first));
            edges.push(2.0 * last - high.unwrap_or(*last));
        }
        edges
    }
}

/// Greatest common divisor.
fn common(a: usize, b: usize) -> usize {
    if b == 0 { a } else { common(b, a % b) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::figure::Panel;
    use crate::recording::{Channel, ChannelSpec};
    use crate::spectrum::bands::tree_bands;

    fn bands(least_width_hz: f64) -> BandsByModulation {
        let band = |(k, band_hz): (usize, [f64; 2])| BandModulation {
            band_hz,
            lines: Vec::new(),
            ln_chance: -(k as f64),
        };
        let tree = tree_bands(1000.0, 7000.0, least_width_hz);
        let mut bands: Vec<_> = tree.into_iter().enumerate().map(band).collect();
        bands.reverse();
        BandsByModulation { looked_at: bands.len(), bands }
    }

    fn map(bands: &BandsByModulation, chance: f64) -> Map {
        let channel =
            Channel::new(ChannelSpec::named("a"), 20_000.0, vec![0.0]).expect("a channel");
        let figure = modulated_bands(&Subject::of(&channel), bands, chance).expect("drawn");
        let Some(Panel::Map(map)) = figure.panels().next() else { unreachable!("one map") };
        map.clone()
    }

    #[test]
    fn every_band_of_the_tree_is_shown_where_it_lies() {
        let bands = bands(1000.0);
        let map = map(&bands, 1.0);
        // one, two, three, four and six parts
        assert_eq!((map.y().len(), map.x().len()), (5, 12));
        for band in &bands.bands {
            let [low, high] = band.band_hz;
            let level = map.y().iter().position(|w| (w - (high - low)).abs() < 1e-6);
            let row = map.rows().nth(level.expect("a level")).expect("a row");
            let cells = map.x().iter().zip(row).filter(|(x, _)| **x > low && **x < high);
            let shades: Vec<f32> = cells.map(|(_, shade)| *shade).collect();
            let expected = (-band.ln_chance / std::f64::consts::LN_10) as f32;
            assert!(!shades.is_empty() && shades.iter().all(|shade| *shade == expected));
        }
        assert!(map.values().iter().all(|shade| shade.is_finite()));
    }

    #[test]
    fn the_chosen_band_is_outlined_and_none_where_none_is() {
        let bands = bands(1000.0);
        let [outline] = map(&bands, 1e-3).outlines[..] else { unreachable!("one is chosen") };
        assert_eq!(outline.x, bands.bands[0].band_hz);
        assert!(outline.y[0] < 1000.0 && outline.y[1] > 1000.0 && outline.y[1] < 1500.0);
        assert!(map(&bands, 1e-9).outlines.is_empty());
    }

    #[test]
    fn one_band_alone_is_drawn() {
        let map = map(&bands(6000.0), 1.0);
        assert_eq!(map.y(), [3000.0, 6000.0]);
        let blank: Vec<bool> = map.values().iter().map(|shade| shade.is_nan()).collect();
        assert_eq!(blank, [true, true, false, false]);
    }
}
