//! The lines that a damaged part of a rolling bearing leaves in the spectrum of an envelope.
//!
//! Source: R. B. Randall and J. Antoni, Mech. Syst. Signal Process. 25 (2011) 485-520, section 2: which
//! lines and sidebands belong to which part (from memory). How often each is seen is judgement, no source.

use serde::{Deserialize, Serialize};

use super::judged::Motion;
use crate::machine::Multipliers;

/// The damaged part.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Element {
    /// The outer race, standing still.
    Outer,
    /// The inner race, turning with the shaft through the load zone.
    Inner,
    /// A rolling element, striking both races and turning with the cage through the load zone.
    Ball,
    /// The cage.
    Cage,
}

impl Element {
    /// All parts.
    pub const ALL: [Self; 4] = [Self::Outer, Self::Inner, Self::Ball, Self::Cage];

    /// The trade's name of the line that damage to it leaves: a damaged element strikes twice in its turn.
    pub fn line(self) -> &'static str {
        if self == Self::Ball { "2 BSF" } else { self.motion().line() }
    }

    /// The motion that the part repeats with: a rolling element turns about itself.
    pub fn motion(self) -> Motion {
        match self {
            Self::Outer => Motion::Outer,
            Self::Inner => Motion::Inner,
            Self::Ball => Motion::Spin,
            Self::Cage => Motion::Cage,
        }
    }

    /// The part in words.
    pub fn words(self) -> &'static str {
        match self {
            Self::Outer => "outer race",
            Self::Inner => "inner race",
            Self::Ball => "rolling element",
            Self::Cage => "cage",
        }
    }

    /// The name of the fault that damage to it is.
    pub const fn fault(self) -> &'static str {
        match self {
            Self::Outer => "bearing_outer",
            Self::Inner => "bearing_inner",
            Self::Ball => "bearing_ball",
            Self::Cage => "bearing_cage",
        }
    }

    /// The part whose damage a fault is; `None` for another fault.
    pub fn of_fault(fault: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|part| part.fault() == fault)
    }

    /// The templates whose evidence adds up to the part's: a damaged element shows its spin and, with
    /// it, the cage that carries it.
    pub(super) fn templates(self) -> &'static [Template] {
        match self {
            Self::Outer => &[Template::Outer],
            Self::Inner => &[Template::Inner],
            Self::Ball => &[Template::Spin, Template::CageOfBall],
            Self::Cage => &[Template::Cage],
        }
    }

    /// How often the part is damaged in a bearing of which nothing is known. Races and elements alike;
    /// a cage that fails alone is far rarer (judgement, no source).
    pub(super) fn prior(self) -> f64 {
        if self == Self::Cage { 0.000_8 } else { 0.015 }
    }

    /// The order whose impacts have to stay apart for the depth of modulation to mean something.
    pub fn impact_order(self, m: &Multipliers, slip: f64) -> f64 {
        match self {
            Self::Outer => Race::Outer.order(m, slip),
            Self::Inner => Race::Inner.order(m, slip),
            Self::Ball => 2.0 * Race::Spin.order(m, slip),
            Self::Cage => Race::Cage.order(m, slip),
        }
    }
}

/// The motion that a line repeats with.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Race {
    Outer,
    Inner,
    Spin,
    Cage,
}

impl Race {
    /// Its order when the cage turns slower than its geometry by `slip` (faster, where negative: a
    /// contact angle does that).
    ///
    /// Elements pass outer and inner race together as often as there are elements in a turn, so a cage
    /// that lags lowers the outer order and raises the inner one by the same amount.
    pub fn order(self, m: &Multipliers, slip: f64) -> f64 {
        match self {
            Self::Outer => m.bpfo * (1.0 - slip),
            Self::Inner => m.bpfi + m.bpfo * slip,
            Self::Spin => m.bsf * (1.0 - slip),
            Self::Cage => m.ftf * (1.0 - slip),
        }
    }

    /// The order of its sidebands: the load zone is passed with the shaft or with the cage.
    fn side_order(self, m: &Multipliers, slip: f64) -> f64 {
        if self == Self::Spin { Self::Cage.order(m, slip) } else { 1.0 }
    }
}

/// One line.
#[derive(Debug, Clone, Copy)]
pub(super) struct Line {
    pub race: Race,
    /// Multiple of the motion's own order.
    pub harmonic: i32,
    /// Multiple of the sideband's order, 0 for the carrier.
    pub side: i32,
    /// Chance that the line is seen where the part is damaged.
    pub presence: f64,
    /// Place in the template of the line that must be there as well: fundamental or carrier.
    pub bounded_by: Option<usize>,
}

impl Line {
    pub fn order(&self, m: &Multipliers, slip: f64) -> f64 {
        let carrier = f64::from(self.harmonic) * self.race.order(m, slip);
        carrier + f64::from(self.side) * self.race.side_order(m, slip)
    }
}

/// A set of lines seen together.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Template {
    Outer,
    Inner,
    Spin,
    CageOfBall,
    Cage,
}

impl Template {
    pub const ALL: [Self; 5] = [Self::Outer, Self::Inner, Self::Spin, Self::CageOfBall, Self::Cage];

    /// Its lines; a bounding line comes before those that it bounds.
    pub fn lines(self) -> Vec<Line> {
        match self {
            Self::Outer => series(Race::Outer, &[0.9, 0.8, 0.7, 0.6, 0.5]),
            Self::Inner => inner_lines(),
            Self::Spin => spin_lines(),
            Self::CageOfBall => series(Race::Cage, &[0.8, 0.7, 0.6, 0.5]),
            Self::Cage => series(Race::Cage, &[0.9, 0.8, 0.7, 0.6]),
        }
    }
}

/// A fundamental and its harmonics, ever less surely seen.
fn series(race: Race, presences: &[f64]) -> Vec<Line> {
    let line = |(k, &presence): (usize, &f64)| Line {
        race,
        harmonic: k as i32 + 1,
        side: 0,
        presence,
        bounded_by: (k > 0).then_some(0),
    };
    presences.iter().enumerate().map(line).collect()
}

/// The defect turns with the shaft through the load zone: sidebands at once and twice per turn.
fn inner_lines() -> Vec<Line> {
    let mut lines = series(Race::Inner, &[0.9, 0.8, 0.6]);
    for (carrier, near, far) in [(0, 0.8, 0.5), (1, 0.7, 0.5), (2, 0.5, 0.4)] {
        for (side, presence) in [(-1, near), (1, near), (-2, far), (2, far)] {
            lines.push(Line {
                side,
                presence,
                ..sideband(Race::Inner, carrier as i32 + 1, carrier)
            });
        }
    }
    lines
}

/// A defect strikes both races in each turn of the element: even multiples of the spin order lead,
/// with sidebands of the cage that carries the element through the load zone.
fn spin_lines() -> Vec<Line> {
    let own = |harmonic, presence, bounded_by| Line {
        race: Race::Spin,
        harmonic,
        side: 0,
        presence,
        bounded_by,
    };
    let mut lines =
        vec![own(2, 0.8, None), own(4, 0.6, Some(0)), own(1, 0.4, None), own(6, 0.4, Some(0))];
    for (harmonic, carrier, distance, presence) in [(2, 0, 1, 0.7), (4, 1, 1, 0.5), (2, 0, 2, 0.4)]
    {
        for side in [-distance, distance] {
            lines.push(Line { side, presence, ..sideband(Race::Spin, harmonic, carrier) });
        }
    }
    lines
}

fn sideband(race: Race, harmonic: i32, carrier: usize) -> Line {
    Line { race, harmonic, side: 0, presence: 0.0, bounded_by: Some(carrier) }
}

#[cfg(test)]
mod tests {
    use super::*;

    const M: Multipliers = Multipliers { bpfo: 3.5848, bpfi: 5.4152, bsf: 2.35675, ftf: 0.39828 };

    #[test]
    fn bounding_lines_come_first_and_presences_are_chances() {
        for template in Template::ALL {
            for (place, line) in template.lines().iter().enumerate() {
                assert!(line.bounded_by.is_none_or(|bound| bound < place), "{template:?} {place}");
                assert!(line.presence > 0.0 && line.presence < 1.0, "{template:?} {place}");
            }
        }
    }

    #[test]
    fn slip_keeps_the_number_of_elements() {
        let sum = Race::Outer.order(&M, 0.02) + Race::Inner.order(&M, 0.02);
        assert!((sum - 9.0).abs() < 1e-12);
        // 2 % slip of the cage raises the inner order by 1.3 % only
        assert!((Race::Inner.order(&M, 0.02) / M.bpfi - 1.0132).abs() < 1e-4);
        let side = Template::Spin.lines()[4];
        assert!((side.order(&M, 0.0) - (2.0 * M.bsf - M.ftf)).abs() < 1e-12);
    }
}
