//! Fewest places and depths whose effects sum to a wanted vector.

use super::allowed::Allowed;
use super::{Hole, apart_deg, total_mass_g};
use crate::balance::heavy_spot;
use crate::dsp::fft::Complex64;
use crate::machine::Method;

/// Places at most in one plan.
const MOST: usize = 24;
/// Angles at most of which all pairs are tried; finer ones are reached by moving the best.
const PAIRED: usize = 360;
/// Of two ways that are close enough the one with less metal gone is better: this share of it counts.
const METAL: f64 = 1e-3;
/// Rounds of moving places and depths by a step.
const ROUNDS: usize = 12;

/// Where something can be done: a new place, or an old hole that is drilled deeper.
#[derive(Debug, Clone, Copy)]
struct Place {
    deg: f64,
    /// Effect of a unit there.
    unit: Complex64,
    /// The old hole that is deepened.
    old: Option<usize>,
    from_mm: f64,
    from_g_mm: f64,
    from_mass_g: f64,
    /// The first level that takes away more than there is gone already.
    first: usize,
}

/// One place with the level chosen there.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Pick {
    place: usize,
    level: usize,
}

/// The search for a plan.
pub(super) struct Search<'a> {
    allowed: &'a Allowed,
    /// Holes that are there, every place once.
    old: &'a [Hole],
    places: Vec<Place>,
    gone_g: f64,
}

/// What a search found.
pub(super) struct Found {
    pub holes: Vec<Hole>,
    /// Sum of the effects: what is taken away, or added.
    pub sum: Complex64,
}

impl<'a> Search<'a> {
    pub fn new(allowed: &'a Allowed, old: &'a [Hole]) -> Self {
        let mut search = Self { allowed, old, places: Vec::new(), gone_g: total_mass_g(old) };
        let fresh = allowed.places_deg().into_iter().map(|deg| search.place(deg, None));
        let deeper = (0..old.len()).filter_map(|i| search.deeper(i));
        search.places = fresh.chain(deeper).collect();
        search
    }

    fn place(&self, deg: f64, old: Option<usize>) -> Place {
        let from_mm = old.map_or(0.0, |i| self.old[i].tip_mm);
        let from = self.allowed.tool.taken(self.allowed.radius_mm, from_mm);
        let first = self.allowed.levels.partition_point(|level| level.tip_mm <= from_mm + 1e-9);
        Place {
            deg,
            unit: heavy_spot(1.0, deg),
            old,
            from_mm,
            from_g_mm: from.g_mm,
            from_mass_g: from.mass_g,
            first: if old.is_some() { first } else { 0 },
        }
    }

    /// An old hole as a place, where the same drill may go on in it.
    fn deeper(&self, i: usize) -> Option<Place> {
        let (hole, allowed) = (&self.old[i], self.allowed);
        let same_drill = (hole.drill_mm - allowed.tool.diameter_mm()).abs() < 1e-6;
        let at_site = allowed.sites_deg.is_empty()
            || (allowed.sites_deg.iter())
                .any(|&site| apart_deg(site, hole.deg) <= 0.5 * allowed.angle_step_deg);
        let drilled = hole.method == Method::Drill && allowed.tool.method() == Method::Drill;
        // of a hole whose depth nobody measured nobody knows where it goes on
        let measured = hole.tip_mm > 0.0;
        let serves = drilled && measured && same_drill && at_site && allowed.in_zone(hole.deg, 0.0);
        serves.then(|| self.place(hole.deg, Some(i)))
    }

    fn g_mm(&self, pick: Pick) -> f64 {
        self.allowed.levels[pick.level].g_mm - self.places[pick.place].from_g_mm
    }

    fn effect(&self, pick: Pick) -> Complex64 {
        self.places[pick.place].unit * self.g_mm(pick)
    }

    fn sum(&self, picks: &[Pick]) -> Complex64 {
        picks.iter().map(|pick| self.effect(*pick)).sum()
    }

    /// What speaks against picks that leave `left`.
    fn cost(&self, left: Complex64, picks: &[Pick], close: f64) -> f64 {
        cost_of(left.norm(), picks.iter().map(|pick| self.g_mm(*pick)).sum(), close)
    }

    /// The hole that a pick makes.
    fn hole(&self, pick: Pick) -> Hole {
        let (place, level) = (&self.places[pick.place], &self.allowed.levels[pick.level]);
        Hole {
            method: self.allowed.tool.method(),
            deg: place.deg,
            drill_mm: self.allowed.tool.diameter_mm(),
            tip_mm: level.tip_mm,
            from_mm: place.from_mm,
            arc_deg: level.arc_deg,
            g_mm: level.g_mm - place.from_g_mm,
            mass_g: level.mass_g - place.from_mass_g,
        }
    }

    /// Whether a pick keeps every limit beside old holes and other picks.
    fn fits(&self, pick: Pick, others: &[Pick]) -> bool {
        let hole = self.hole(pick);
        let place = &self.places[pick.place];
        if pick.level < place.first
            || !(hole.g_mm > 0.0)
            || !self.allowed.in_zone(hole.deg, hole.arc_deg)
        {
            return false;
        }
        let beside_mass: f64 = others.iter().map(|other| self.hole(*other).mass_g).sum();
        if self.gone_g + beside_mass + hole.mass_g > self.allowed.removal_max_g {
            return false;
        }
        let clear = |other: &Hole| self.allowed.wall_mm(&hole, other) >= self.allowed.spacing_mm;
        // a hole that is drilled deeper is seen with its new depth
        let deepened =
            |i: usize| others.iter().any(|other| self.places[other.place].old == Some(i));
        let old =
            self.old.iter().enumerate().filter(|(i, _)| place.old != Some(*i) && !deepened(*i));
        others.iter().all(|other| other.place != pick.place && clear(&self.hole(*other)))
            && old.map(|(_, hole)| hole).all(clear)
    }

    /// The level nearest below or at `wanted` that fits.
    fn at_most(&self, place: usize, wanted: usize, others: &[Pick]) -> Option<Pick> {
        let fits = |level: usize| self.fits(Pick { place, level }, others);
        let first = self.places[place].first;
        if wanted < first || wanted >= self.allowed.levels.len() {
            return None;
        }
        if fits(wanted) {
            return Some(Pick { place, level: wanted });
        }
        if self.allowed.tool.method() == Method::Grind {
            return (first..wanted)
                .rev()
                .find(|&level| fits(level))
                .map(|level| Pick { place, level });
        }
        // what fits at one depth fits at every lesser one
        let (mut low, mut high) = (first, wanted);
        while low < high {
            let middle = (low + high) / 2;
            if fits(middle) { low = middle + 1 } else { high = middle }
        }
        (low > first).then(|| Pick { place, level: low - 1 })
    }

    /// The level that is the first to take away `g_mm` and more, or the last there is.
    fn level_for(&self, place: usize, g_mm: f64) -> usize {
        let (levels, place) = (&self.allowed.levels, &self.places[place]);
        let level = levels.partition_point(|level| level.g_mm - place.from_g_mm < g_mm);
        level.max(place.first).min(levels.len().saturating_sub(1))
    }

    /// Picks at one place around `g_mm`, at most two.
    fn around(&self, place: usize, g_mm: f64, others: &[Pick]) -> impl Iterator<Item = Pick> {
        let above = self.level_for(place, g_mm);
        let picked = self.at_most(place, above, others);
        let below = picked.and_then(|pick| self.at_most(place, pick.level.checked_sub(1)?, others));
        picked.into_iter().chain(below)
    }

    /// The one place that leaves least of `rest`.
    fn single(&self, rest: Complex64, others: &[Pick]) -> Option<Pick> {
        let mut best: Option<(f64, Pick)> = None;
        for (i, place) in self.places.iter().enumerate() {
            let wanted = (rest * place.unit.conj()).re;
            if wanted <= 0.0 {
                continue;
            }
            // no level at this place leaves less than this
            let least = (rest * place.unit.conj()).im.abs();
            if best.is_some_and(|(cost, _)| least >= cost) {
                continue;
            }
            for pick in self.around(i, wanted, others) {
                let cost = (rest - self.effect(pick)).norm() + METAL * self.g_mm(pick);
                if best.is_none_or(|(least, _)| cost < least) {
                    best = Some((cost, pick));
                }
            }
        }
        best.map(|(_, pick)| pick).filter(|pick| (rest - self.effect(*pick)).norm() < rest.norm())
    }

    /// The two places that leave least of `rest`.
    fn pair(&self, rest: Complex64, others: &[Pick], close: f64) -> Option<[Pick; 2]> {
        let apart = self.places.len().div_ceil(PAIRED).max(1);
        let last = self.allowed.levels.len().checked_sub(1)?;
        // what each place can give beside what is there
        let thinned = self
            .places
            .iter()
            .enumerate()
            .filter(|(i, place)| i % apart == 0 || place.old.is_some());
        let open: Vec<(usize, f64)> = thinned
            .filter_map(|(i, _)| Some((i, self.g_mm(self.at_most(i, last, others)?))))
            .collect();
        let mut ways: Vec<(f64, [(usize, f64); 2])> = Vec::new();
        for (k, &(a, most_a)) in open.iter().enumerate() {
            for &(b, most_b) in &open[k + 1..] {
                let (unit_a, unit_b) = (self.places[a].unit, self.places[b].unit);
                for (give_a, give_b) in shares(rest, [unit_a, unit_b], [most_a, most_b]) {
                    let error = (rest - unit_a * give_a - unit_b * give_b).norm();
                    ways.push((cost_of(error, give_a + give_b, close), [(a, give_a), (b, give_b)]));
                }
            }
        }
        ways.sort_by(|one, other| one.0.total_cmp(&other.0));
        let mut best: Option<(f64, [Pick; 2])> = None;
        for (ideal, [(a, give_a), (b, give_b)]) in ways {
            if best.is_some_and(|(least, _)| ideal >= least) {
                break;
            }
            for first in self.around(a, give_a, others) {
                let beside: Vec<Pick> = others.iter().copied().chain([first]).collect();
                for second in self.around(b, give_b, &beside) {
                    let picks = [first, second];
                    let found = self.cost(rest - self.sum(&picks), &picks, close);
                    if best.is_none_or(|(least, _)| found < least) {
                        best = Some((found, picks));
                    }
                }
            }
        }
        best.map(|(_, picks)| picks)
    }

    /// Fewest places whose effects sum to `wanted` within `close`; where none do, those that come nearest.
    pub fn run(&self, wanted: Complex64, close: f64) -> Found {
        let error = |picks: &[Pick]| (wanted - self.sum(picks)).norm();
        let mut best: Vec<Pick> = Vec::new();
        // the places that are used to their full, before and after this round's
        let (mut before, mut full): (Option<Vec<Pick>>, Vec<Pick>) = (None, Vec::new());
        for _ in 0..MOST {
            let mut next = None;
            let mut ways: Vec<Vec<Pick>> = Vec::new();
            if let Some(one) = self.single(wanted - self.sum(&full), &full) {
                let way: Vec<Pick> = full.iter().copied().chain([one]).collect();
                next = Some(way.clone());
                ways.push(way);
            }
            if let Some(base) = &before
                && let Some(two) = self.pair(wanted - self.sum(base), base, close)
            {
                ways.push(base.iter().copied().chain(two).collect());
            }
            // of ways that are close enough, the one with least metal gone
            let cost = |way: &[Pick]| self.cost(wanted - self.sum(way), way, close);
            let way = ways.into_iter().min_by(|a, b| cost(a).total_cmp(&cost(b)));
            if let Some(way) = way.map(|way| self.moved(way, wanted)) {
                // a further hole must be worth it
                let gain = close.max(1e-3 * wanted.norm());
                let arrives = error(&best) > close && error(&way) <= close;
                if arrives || error(&way) + gain < error(&best) {
                    best = way;
                }
            }
            if error(&best) <= close {
                break;
            }
            let Some(next) = next else { break };
            before = Some(std::mem::replace(&mut full, next));
        }
        Found { sum: self.sum(&best), holes: best.iter().map(|pick| self.hole(*pick)).collect() }
    }

    /// The picks with places and depths moved by steps, as long as that leaves less.
    fn moved(&self, mut picks: Vec<Pick>, wanted: Complex64) -> Vec<Pick> {
        let error = |picks: &[Pick]| (wanted - self.sum(picks)).norm();
        for _ in 0..ROUNDS {
            let before = error(&picks);
            for i in 0..picks.len() {
                let pick = picks[i];
                let mut others = picks.clone();
                others.remove(i);
                let rest = wanted - self.sum(&others);
                let steps = |at: usize, by: usize, count: usize| {
                    at.saturating_sub(by)..(at + by + 1).min(count)
                };
                for place in steps(pick.place, 1, self.places.len()) {
                    if place != pick.place
                        && (self.places[place].old.is_some()
                            || self.places[pick.place].old.is_some())
                    {
                        continue;
                    }
                    for level in steps(pick.level, 2, self.allowed.levels.len()) {
                        let moved = Pick { place, level };
                        let is_better = (rest - self.effect(moved)).norm()
                            < (rest - self.effect(picks[i])).norm() - 1e-12;
                        if is_better && self.fits(moved, &others) {
                            picks[i] = moved;
                        }
                    }
                }
            }
            if error(&picks) >= before - 1e-12 {
                break;
            }
        }
        picks
    }
}

/// An error beyond what is close enough counts, and a little of the metal gone and of the error below.
fn cost_of(error: f64, metal_g_mm: f64, close: f64) -> f64 {
    (error - close).max(0.0) + METAL * (metal_g_mm + error)
}

/// How much each of two places is to give for `rest`, at most `most`: exactly, or where one must give all
/// that it has, as near as the other brings it.
fn shares(rest: Complex64, units: [Complex64; 2], most: [f64; 2]) -> Vec<(f64, f64)> {
    let across = (units[0].conj() * units[1]).im;
    if across.abs() > 1e-9 {
        let first = -(units[1].conj() * rest).im / across;
        let second = (units[0].conj() * rest).im / across;
        if first <= 0.0 || second <= 0.0 {
            return Vec::new();
        }
        if first <= most[0] && second <= most[1] {
            return vec![(first, second)];
        }
    }
    let beside = |full: usize| {
        let left = rest - units[full] * most[full];
        ((left * units[1 - full].conj()).re).clamp(0.0, most[1 - full])
    };
    vec![(most[0], beside(0)), (beside(1), most[1])]
}
