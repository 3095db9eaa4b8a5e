//! The lines of one part in the spectrum that shows it best, as they were judged there: for pictures.

use super::demodulate::Demodulated;
use super::evidence::bounded_gains;
use super::lines::{LineGains, LineSpectrum, chance_of};
use super::template::{Line, Race};
use super::{PartFound, SEEN};
use crate::machine::Multipliers;

/// An envelope's spectrum, the floor that lines are held against, and the lines of one part.
#[derive(Debug, Clone, PartialEq)]
pub struct Judged {
    /// The demodulated band in Hz.
    pub band_hz: [f64; 2],
    /// Orders of the true speed.
    pub orders: Vec<f64>,
    /// Squared depth of modulation; as many as orders.
    pub values: Vec<f32>,
    /// What noise shows in the mean, as many as orders; not a number beside whole orders, where no line can be
    /// told from a harmonic of the shaft and nothing is judged.
    pub floor: Vec<f32>,
    /// Power over the floor from which a line counts as seen; `None` where no line of this record can.
    pub seen_from: Option<f64>,
    /// Probability that noise reaches it, or a line of this record that has nothing to do with the bearing,
    /// whichever is higher.
    pub chance: f64,
    /// The lines that belong to the part, inside the spectrum.
    pub lines: Vec<JudgedLine>,
}

/// The motion that a line repeats with.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Motion {
    /// Elements pass a point of the outer race.
    Outer,
    /// Elements pass a point of the inner race.
    Inner,
    /// A rolling element turns about itself.
    Spin,
    /// The cage turns.
    Cage,
}

impl Motion {
    /// The trade's name of the line at its order.
    pub fn line(self) -> &'static str {
        match self {
            Self::Outer => "BPFO",
            Self::Inner => "BPFI",
            Self::Spin => "BSF",
            Self::Cage => "FTF",
        }
    }

    /// The trade's name of the distance of its sidebands: the load zone is passed with the shaft or with the cage.
    pub fn side_line(self) -> &'static str {
        if self == Self::Spin { Self::Cage.line() } else { "1x" }
    }
}

/// One line of a part.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct JudgedLine {
    /// Its order, at the slip found.
    pub order: f64,
    /// The motion that it repeats with.
    pub motion: Motion,
    /// Multiple of the motion's own order.
    pub harmonic: u32,
    /// For a sideband its distance in turns of the shaft, or of the cage beside a spin; 0 for a harmonic.
    pub side: i32,
    /// Squared depth of modulation at it.
    pub value: f32,
    /// Whether it stands out, and so does the line that it hangs on.
    pub is_seen: bool,
}

impl Judged {
    /// The spectrum of the band that showed a part best.
    pub(in crate::case) fn of(
        part: &PartFound,
        m: &Multipliers,
        channel: &Demodulated,
    ) -> Option<Self> {
        let band = channel.bands.iter().find(|band| band.band_hz == part.band_hz)?;
        let gains = LineGains::new(LineSpectrum::new(&band.spectrum, part.speed_factor));
        let floor = gains.floor();
        let values: Vec<f32> = band.spectrum.values.iter().copied().take(floor.len()).collect();
        let slip = part.slip_percent / 100.0;
        let mut lines = Vec::new();
        for template in part.element.templates() {
            let own = template.lines();
            let all = own.iter().zip(bounded_gains(&own, &gains, m, slip));
            lines.extend(all.filter_map(|(line, gain)| {
                let order = line.order(m, slip);
                let value = *values.get((order / gains.step()).round() as usize)?;
                (order > 0.0).then(|| judged(line, order, value, gain >= SEEN))
            }));
        }
        Some(Self {
            band_hz: band.band_hz,
            orders: (0..values.len()).map(|i| i as f64 * gains.step()).collect(),
            seen_from: gains.ratio_of(SEEN),
            chance: chance_of(SEEN),
            values,
            floor,
            lines,
        })
    }
}

fn judged(line: &Line, order: f64, value: f32, is_seen: bool) -> JudgedLine {
    let motion = match line.race {
        Race::Outer => Motion::Outer,
        Race::Inner => Motion::Inner,
        Race::Spin => Motion::Spin,
        Race::Cage => Motion::Cage,
    };
    let harmonic = line.harmonic.unsigned_abs();
    JudgedLine { order, motion, harmonic, side: line.side, value, is_seen }
}
