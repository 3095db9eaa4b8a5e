//! The cyclic spectrum as a map: squared coherence over cyclic orders or frequencies and carriers.

use super::cyclic::CyclicShown;
use super::{Axis, Figure, Map, Mark};
use crate::error::{Error, Result};
use crate::units::{grouped, three_digits, without_noughts};

/// Columns of a map at most: what a page can show.
const COLUMNS: usize = 420;
/// Least height of the top of the shades over their foot.
const LEAST_RANGE: f64 = 10.0;

/// A map of squared coherence. Lines too many for a page are gathered, the highest of each step kept. Shades begin
/// at the height that noise of a steady level exceeds in a share of the cells shown.
///
/// # Errors
/// [`Error::Setting`] where the band or the cyclic range holds fewer than two lines, the chance is none, or lines of
/// a bearing are asked for over Hz without a shaft speed.
pub fn cyclic_map(shown: &CyclicShown) -> Result<Figure> {
    let spectrum = shown.spectrum;
    let (rows, columns) = (shown.rows()?, spectrum.band_columns(shown.band_hz)?);
    if columns.len() < 2 {
        return Err(Error::setting(
            "band_hz",
            "it holds a single carrier",
            format!("choose one wider than {} Hz", 2.0 * spectrum.carrier_step_hz),
        ));
    }
    // two steps at least
    let step = rows.len().div_ceil(COLUMNS).min(rows.len() / 2);
    let steps: Vec<std::ops::Range<usize>> =
        rows.clone().step_by(step).map(|k| k..(k + step).min(rows.end)).collect();
    let middle = |rows: &std::ops::Range<usize>| {
        0.5 * (spectrum.cyclic(rows.start) + spectrum.cyclic(rows.end - 1))
    };
    let x: Vec<f64> = steps.iter().map(middle).collect();
    let y: Vec<f64> = columns.clone().map(|k| spectrum.carrier_hz(k)).collect();
    let highest = |rows: &std::ops::Range<usize>, column: usize| {
        rows.clone().map(|row| spectrum.coherence[[row, column]]).fold(0.0, f32::max)
    };
    let values: Vec<f32> =
        columns.flat_map(|k| steps.iter().map(move |rows| highest(rows, k))).collect();
    // the highest of several exceeds a height where any of them does
    let of_one = -((-shown.chance).ln_1p() / step as f64).exp_m1();
    let foot = spectrum.cell_of_noise(of_one)?;
    let top = values.iter().copied().fold(0.0, f32::max);
    let across = shown.across().between(spectrum.cyclic(rows.start), spectrum.cyclic(rows.end - 1));
    let shades = Axis::log("squared coherence", "");
    let map = Map::new(
        "",
        (across, x),
        (Axis::linear("carrier frequency", "Hz"), y),
        (shades.between(foot, f64::from(top).max(LEAST_RANGE * foot)), values),
    )?;
    let marks = shown.marks(spectrum.cyclic(rows.end - 1))?;
    // sidebands would take the room of names; ticks at the edges are of no family
    let named = marks.into_iter().filter(|mark| !mark.minor);
    let map = map.with_marks(named.map(|mark| Mark::new(mark.at, mark.label)));
    let ground = format!(
        "lightest: up to {}, which noise of a steady level exceeds in {} % of the cells",
        three_digits(foot),
        without_noughts(&three_digits(100.0 * shown.chance)),
    );
    let gathered =
        (step > 1).then(|| format!("each column shows the highest of {step} cyclic lines"));
    let carriers = format!(
        "carriers {} Hz apart, blurred over twice that; faint where a carrier is half the cyclic frequency: every \
         signal's own",
        grouped(spectrum.carrier_step_hz)
    );
    Ok(Figure::of(shown.title("cyclic spectrum"), map)
        .with_note(ground)
        .with_note(gathered)
        .with_note(carriers)
        .with_note(shown.beside()))
}

#[cfg(test)]
mod tests {
    use ndarray::Array2;

    use super::*;
    use crate::figure::{Panel, Subject};
    use crate::recording::{Channel, ChannelSpec};
    use crate::spectrum::cyclic::CyclicSpectrum;

    fn spectrum(rows: usize) -> CyclicSpectrum {
        let mut coherence = Array2::from_elem((rows, 5), 0.001_f32);
        coherence.row_mut(0).fill(1.0);
        coherence[[rows / 2, 3]] = 0.4;
        CyclicSpectrum {
            cyclic_step: 0.01,
            in_orders: false,
            carrier_step_hz: 100.0,
            coherence,
            density: vec![1.0; 5],
            independent: 200.0,
            blocks: 1,
            effective_blocks: 1.0,
            speed_hz: None,
        }
    }

    fn map(spectrum: &CyclicSpectrum, between: Option<[f64; 2]>) -> Result<Map> {
        let channel = Channel::new(ChannelSpec::named("a"), 800.0, vec![0.0]).expect("a channel");
        let subject = Subject::of(&channel);
        let shown = CyclicShown {
            subject: &subject,
            spectrum,
            lines: None,
            stated_hz: None,
            band_hz: None,
            between,
            chance: 0.01,
        };
        let figure = cyclic_map(&shown)?;
        let Some(Panel::Map(map)) = figure.panels().next() else { unreachable!("one map") };
        Ok(map.clone())
    }

    #[test]
    fn no_line_is_lost_where_many_are_gathered() {
        for rows in [9, 400, 5000] {
            let map = map(&spectrum(rows), None).expect("drawn");
            let best = map.values().iter().position(|value| *value == 0.4).expect("kept");
            let (column, row) = (best % map.x().len(), best / map.x().len());
            assert_eq!(map.y()[row], 300.0);
            let width = map.x()[1] - map.x()[0];
            assert!((map.x()[column] - 0.01 * (rows / 2) as f64).abs() <= 0.5 * width + 1e-9);
            assert!(map.x().len() <= COLUMNS);
        }
    }

    /// One block of noise: a cell is exponential, with the mean one over the averages.
    #[test]
    fn shades_begin_where_noise_ends() {
        let foot = |rows: usize| map(&spectrum(rows), None).ok()?.value_axis.shown.map(|[a, _]| a);
        let one = foot(300).expect("shown");
        assert!((one * 200.0 + 0.01_f64.ln()).abs() < 1e-6, "{one}");
        // of several lines the highest is shown, which lies higher
        assert!(foot(3000).expect("shown") > 1.2 * one);
    }

    #[test]
    fn a_range_without_lines_is_refused() {
        let spectrum = spectrum(300);
        assert!(map(&spectrum, Some([0.5, 0.505])).is_err());
        assert!(map(&spectrum, Some([2.0, 1.0])).is_err());
        assert!(map(&spectrum, Some([f64::NAN, 1.0])).is_err());
        let part = map(&spectrum, Some([0.5, 1.0])).expect("drawn");
        assert_eq!(part.x().len(), 51);
    }
}
