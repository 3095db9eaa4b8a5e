//! How far the values of an envelope's spectrum stand above the noise around them.

use super::envelope_order::OrderEnvelope;
use crate::dsp::floor::running_median;
use crate::dsp::gamma::median_of_mean;

/// Width of the running median under the lines, in orders: far wider than a line, so that none lifts it;
/// but at least [`FLOOR_CELLS`] cells.
const FLOOR_ORDERS: f64 = 1.5;
/// Fewest cells of resolution in the running median: its own scatter stays below a tenth
/// from four averages on.
const FLOOR_CELLS: f64 = 41.0;

/// Each value over the floor of noise under it, and the floor: the running median, scaled to the mean that
/// noise averaged as often has.
pub fn over_floor(spectrum: &OrderEnvelope) -> (Vec<f32>, Vec<f32>) {
    let cell = 1.0 / spectrum.turns_per_block as f64;
    let width = FLOOR_ORDERS.max(FLOOR_CELLS * cell) / spectrum.order_step;
    let median = median_of_mean(spectrum.effective_averages) as f32;
    let floor: Vec<f32> = running_median(&spectrum.values, (0.5 * width) as usize)
        .iter()
        .map(|f| (f / median).max(f32::MIN_POSITIVE))
        .collect();
    let ratio = spectrum.values.iter().zip(&floor).map(|(value, floor)| value / floor).collect();
    (ratio, floor)
}
