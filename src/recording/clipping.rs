//! Clipping: samples held at the converter's rail, or tops cut flat below it.
//!
//! A signal cut at a rail piles samples up in its extreme value. The arcsine density of a sine is the
//! steepest that an uncut vibration usually has; quantised, its top level holds at most 2.4 times what
//! the next holds. So a pile-up of more than four times is called clipping. Tops that are flat only
//! to two parts in a thousand (a saturating amplifier, a resampled recording) need more: ten samples,
//! three in a row and six times.

use super::survey::Survey;

/// Fewest samples at an extreme that are called clipped; two can meet by chance, unless two more meet at
/// its mirror image.
const LEAST_COUNT: usize = 3;
/// Width of a level as a share of the range, where the converter's step is finer.
const HARD_LEVEL: f64 = 1e-4;
/// Pile-up over the fullest of the next five levels.
const HARD_PILE_UP: f64 = 4.0;
/// Level, pile-up, count and run of a soft rail.
const SOFT_LEVEL: f64 = 2e-3;
const SOFT_PILE_UP: f64 = 6.0;
const SOFT_COUNT: usize = 10;
const SOFT_RUN: usize = 3;
/// Levels below the extreme that are looked at. A quantised smooth top that fills three samples of
/// the extreme level has its next ones within four levels.
const NEXT_LEVELS: usize = 5;
/// Samples looked at together.
const BLOCK: usize = 64;
/// Occurrences whose neighbours are compared.
const COMPARED: usize = 64;

/// Samples cut at one end of the range.
#[derive(Default)]
pub(crate) struct Cut {
    /// How many samples are cut.
    pub count: usize,
    /// Most of them in a row.
    pub longest: usize,
    /// Index of the first.
    pub first: Option<usize>,
    /// Distance from the extreme within which a sample counts as cut.
    within: f64,
}

/// The cuts at the upper and at the lower end of the range.
pub(crate) fn cuts(survey: &Survey) -> [Cut; 2] {
    [cut_at(survey, 1.0), cut_at(survey, -1.0)]
}

/// Indices of all cut samples, in order.
pub(crate) fn cut_samples(survey: &Survey) -> Vec<usize> {
    let [high, low] = cuts(survey);
    let is_cut = |value: f32| {
        let at = |cut: &Cut, distance: f64| cut.count > 0 && distance < cut.within;
        at(&high, f64::from(survey.high) - f64::from(value))
            || at(&low, f64::from(value) - f64::from(survey.low))
    };
    let values = survey.values().iter().enumerate();
    values.filter(|(_, value)| is_cut(**value)).map(|(i, _)| i).collect()
}

/// The cut at the upper end (`sign` 1) or the lower end (-1) of the range.
fn cut_at(survey: &Survey, sign: f64) -> Cut {
    let range = survey.range();
    if !(range > 0.0) {
        return Cut::default();
    }
    let extreme = if sign > 0.0 { f64::from(survey.high) } else { -f64::from(survey.low) };
    let step = survey.step.unwrap_or(0.0);
    let hard = step.max(HARD_LEVEL * range);
    let levels = Levels::count(survey.values(), sign, extreme, hard);
    let enough = levels.top >= LEAST_COUNT || (levels.top == 2 && meets_mirror(survey, hard));
    let piled = || {
        levels.piled(HARD_PILE_UP)
            && (levels.longest >= 3 || !repeats(survey, sign, extreme - 0.5 * hard))
    };
    if enough && (is_rail(survey, extreme) || piled()) {
        return levels.cut(hard);
    }
    let soft = Levels::count(survey.values(), sign, extreme, SOFT_LEVEL * range);
    let flat = soft.top >= SOFT_COUNT && soft.longest >= SOFT_RUN && soft.piled(SOFT_PILE_UP);
    // a converter with steps as coarse as the soft level shows flat tops without any cut
    if flat && step < 0.25 * SOFT_LEVEL * range {
        soft.cut(SOFT_LEVEL * range)
    } else {
        Cut::default()
    }
}

/// Whether both extremes are met twice and have the same size, as the two rails of a converter have:
/// then two samples at each are enough.
fn meets_mirror(survey: &Survey, level: f64) -> bool {
    if (f64::from(survey.high) + f64::from(survey.low)).abs() > level {
        return false;
    }
    let at = |extreme: f32| {
        let near = |v: &&f32| (f64::from(**v) - f64::from(extreme)).abs() <= 0.5 * level;
        survey.values().iter().filter(near).count()
    };
    at(survey.high) >= 2 && at(survey.low) >= 2
}

/// Whether the extreme is the last value that the converter has.
fn is_rail(survey: &Survey, extreme: f64) -> bool {
    survey.channel.full_scale.is_some_and(|full_scale| {
        let step = survey.channel.least_step.unwrap_or(1e-6 * full_scale.abs());
        extreme >= full_scale.abs() - 1.5 * step
    })
}

/// How the samples spread over the levels below an extreme.
struct Levels {
    top: usize,
    next: [usize; NEXT_LEVELS],
    longest: usize,
    first: Option<usize>,
}

impl Levels {
    fn count(values: &[f32], sign: f64, extreme: f64, width: f64) -> Self {
        let mut levels = Self { top: 0, next: [0; NEXT_LEVELS], longest: 0, first: None };
        let lowest = extreme - (NEXT_LEVELS as f64 + 0.5) * width;
        // rounded down, so that no value is left out here
        let (sign32, lowest32) = (sign as f32, (lowest as f32).next_down());
        let mut run = 0;
        for (block, chunk) in values.chunks(BLOCK).enumerate() {
            // nearly all blocks stay below: counting is quicker than looking at each value
            let reaching: u32 = chunk.iter().map(|&v| u32::from(sign32 * v >= lowest32)).sum();
            if reaching == 0 {
                run = 0;
                continue;
            }
            for (offset, &value) in chunk.iter().enumerate() {
                let level = ((extreme - sign * f64::from(value)) / width).round();
                run = if level == 0.0 { run + 1 } else { 0 };
                if level == 0.0 {
                    levels.top += 1;
                    levels.longest = levels.longest.max(run);
                    levels.first.get_or_insert(block * BLOCK + offset);
                    continue;
                }
                // what is no number counts as level 0 here, and has no level below
                let below = (level as usize).checked_sub(1);
                if let Some(next) = below.and_then(|k| levels.next.get_mut(k)) {
                    *next += 1;
                }
            }
        }
        levels
    }

    fn piled(&self, ratio: f64) -> bool {
        let fullest = self.next.iter().copied().max().unwrap_or(0);
        self.top as f64 > ratio * fullest as f64
    }

    fn cut(&self, width: f64) -> Cut {
        Cut { count: self.top, longest: self.longest, first: self.first, within: 0.5 * width }
    }
}

/// Whether the samples before the extremes are all alike: then a wave locked to the sampling clock
/// repeats its top, and nothing is cut.
fn repeats(survey: &Survey, sign: f64, from: f64) -> bool {
    let before = survey.values().windows(2).filter_map(|pair| {
        let (a, b) = (sign * f64::from(pair[0]), sign * f64::from(pair[1]));
        (b >= from && a < from).then_some(a)
    });
    let (low, high) = before
        .take(COMPARED)
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), a| (low.min(a), high.max(a)));
    high - low < 0.01 * survey.range()
}
