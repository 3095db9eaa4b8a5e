//! The true speed behind a stated one: a nameplate is off by up to one percent, which is more than the
//! slip of a cage and would move every line of a bearing.

use crate::machine::Multipliers;
use crate::spectrum::envelope_order::OrderEnvelope;

use super::lines::over_floor;
use super::template::Race;

/// How far the true speed may be from the stated one: the load of an induction motor moves it by one
/// percent (common practice, no source), with half as much again for a rounded figure.
pub(super) const TOLERANCE: f64 = 0.015;
/// Standard deviation of a stated speed's error, relative.
const SPREAD: f64 = 0.004;
/// Knee of a harmonic's weight: peaks of noise count little, a strong foreign line by its logarithm only.
const KNEE: f64 = 5.0;
/// Power over the floor (20 dB) above which the first order itself says where it is.
const STRONG_FIRST_ORDER: f64 = 100.0;
/// How well it then says so, in cells of resolution.
const FIRST_ORDER_ERROR_CELLS: f64 = 0.15;
/// Harmonics of the shaft looked at in the vibration itself.
pub(super) const PLAIN_HARMONICS: u32 = 12;
/// Harmonics of the shaft looked at in the envelope, where defect lines are strong.
const ENVELOPE_HARMONICS: u32 = 6;
/// Steps of the search per cell of resolution at the highest harmonic.
const STEPS_PER_CELL: f64 = 4.0;
/// Highest multiple of a race's order that a harmonic is kept clear of.
const RACE_MULTIPLES: u32 = 6;
/// Slip by which a line of a race may stand off its place.
const RACE_SLIP: f64 = 0.01;

/// Power over the floor at orders of the stated speed.
struct Ratio {
    values: Vec<f32>,
    step: f64,
    looks: f64,
}

impl Ratio {
    fn of(spectrum: &OrderEnvelope) -> Self {
        let (values, _) = over_floor(spectrum);
        Self { values, step: spectrum.order_step, looks: spectrum.effective_averages }
    }

    fn at(&self, order: f64) -> f64 {
        let index = (order / self.step).round() as usize;
        self.values.get(index).map_or(0.0, |&r| f64::from(r))
    }

    /// Weight of all `harmonics` of a shaft that turns `factor` times as fast as stated.
    fn comb(&self, factor: f64, harmonics: &[u32]) -> f64 {
        let weight = |&h: &u32| (self.looks * self.at(f64::from(h) * factor) / KNEE).ln_1p();
        harmonics.iter().map(weight).sum()
    }
}

/// True over stated speed, from the shaft's own harmonics in the plain and the envelope spectra of all
/// channels at a bearing; 1 where there is no spectrum.
pub(super) fn factor(
    plain: &[&OrderEnvelope],
    envelopes: &[&OrderEnvelope],
    m: &Multipliers,
) -> f64 {
    let Some(turns) = plain.iter().map(|s| s.turns_per_block).max() else { return 1.0 };
    let harmonics = harmonics_clear_of(m);
    let low: Vec<u32> = harmonics.iter().copied().filter(|&h| h <= ENVELOPE_HARMONICS).collect();
    let plain: Vec<Ratio> = plain.iter().map(|s| Ratio::of(s)).collect();
    let envelopes: Vec<Ratio> = envelopes.iter().map(|s| Ratio::of(s)).collect();
    let step = 1.0 / (STEPS_PER_CELL * f64::from(PLAIN_HARMONICS) * turns as f64);
    let count = (TOLERANCE / step) as i64;
    let offsets: Vec<f64> = (-count..=count).map(|k| k as f64 * step).collect();
    let first_order = strongest_first_order(&plain, &offsets);
    let score = |offset: f64| {
        let own = |s: &Ratio| s.comb(1.0 + offset, &harmonics);
        let in_envelope = |s: &Ratio| s.comb(1.0 + offset, &low);
        let held = first_order.map_or(0.0, |centre| {
            let cells = (offset - centre) * turns as f64 / FIRST_ORDER_ERROR_CELLS;
            0.5 * cells * cells
        });
        let sum =
            plain.iter().map(own).sum::<f64>() + envelopes.iter().map(in_envelope).sum::<f64>();
        sum - 0.5 * (offset / SPREAD).powi(2) - held
    };
    let best = offsets.into_iter().map(|o| (o, score(o))).max_by(|a, b| a.1.total_cmp(&b.1));
    1.0 + best.map_or(0.0, |(offset, _)| offset)
}

/// Where a first order that towers over the floor stands, as an offset of speed.
fn strongest_first_order(plain: &[Ratio], offsets: &[f64]) -> Option<f64> {
    let places = plain.iter().flat_map(|s| offsets.iter().map(|&o| (o, s.at(1.0 + o))));
    let (offset, height) = places.max_by(|a, b| a.1.total_cmp(&b.1))?;
    (height > STRONG_FIRST_ORDER).then_some(offset)
}

/// Harmonics of the shaft that no line of a race comes near while the speed is searched: else 3.04 x is
/// taken for 3x.
fn harmonics_clear_of(m: &Multipliers) -> Vec<u32> {
    let races = [Race::Outer.order(m, 0.0), Race::Inner.order(m, 0.0)];
    let clear = |h: &u32| {
        let h = f64::from(*h);
        let lines = races.iter().flat_map(|r| (1..=RACE_MULTIPLES).map(move |k| f64::from(k) * r));
        lines.into_iter().all(|line| (h - line).abs() > (TOLERANCE + RACE_SLIP) * h)
    };
    (1..=PLAIN_HARMONICS).filter(clear).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn harmonics_next_to_a_race_are_left_out() {
        let m = Multipliers { bpfo: 3.04, bpfi: 4.958, bsf: 1.99, ftf: 0.38 };
        let kept = harmonics_clear_of(&m);
        assert!(!kept.contains(&3) && !kept.contains(&5), "{kept:?}");
        assert!(kept.contains(&1) && kept.contains(&2) && kept.contains(&4), "{kept:?}");
    }
}
