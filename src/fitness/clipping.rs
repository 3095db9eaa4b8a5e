//! Clipping: samples held at the converter's rail, or tops cut flat below it.
//!
//! A signal cut at a rail piles samples up in its extreme value. The arcsine density of a sine is the
//! steepest that an uncut vibration usually has; quantised, its top level holds at most 2.4 times what
//! the next holds. So a pile-up of more than four times is called clipping. Tops that are flat only
//! to two parts in a thousand (a saturating amplifier, a resampled recording) need more: ten samples,
//! three in a row and six times.

use super::survey::Survey;
use super::words::{count, counted, number};
use super::{Affects, Check, Fit};

/// Share of clipped samples above which nothing is judged (common practice, no source).
const UNFIT_SHARE: f64 = 0.01;
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
struct Cut {
    count: usize,
    longest: usize,
    first: Option<usize>,
}

/// Looks for clipping in one channel.
pub fn check(survey: &Survey) -> Check {
    let cuts = [cut_at(survey, 1.0), cut_at(survey, -1.0)];
    let clipped: usize = cuts.iter().map(|cut| cut.count).sum();
    let len = survey.values().len().max(1);
    let share = clipped as f64 / len as f64;
    let name = survey.channel.name();
    if clipped == 0 {
        return Check::good("clipping", 0.0, "%", "No sample is clipped.").on(name);
    }
    let longest = cuts.iter().map(|cut| cut.longest).max().unwrap_or(0);
    let first = cuts.iter().filter_map(|cut| cut.first).min().unwrap_or(0);
    let fit = if share > UNFIT_SHARE { Fit::Unfit } else { Fit::Limited };
    let found = format!(
        "{} of {} are clipped ({} %), the longest run is {}, the first at {} s.",
        count(clipped),
        counted(len, "sample"),
        number(100.0 * share),
        counted(longest, "sample"),
        number(survey.channel.time_s(first as f64)),
    );
    let consequence = match fit {
        Fit::Unfit => {
            "The tops are missing and false harmonics stand in their place: lower the gain and record again."
        }
        _ => "The highest peaks are too low, and impacts count for less than they are.",
    };
    Check::good("clipping", 100.0 * share, "%", found)
        .on(name)
        .so(consequence)
        .rated(fit, &[Affects::Levels, Affects::Bearings])
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
        return levels.cut();
    }
    let soft = Levels::count(survey.values(), sign, extreme, SOFT_LEVEL * range);
    let flat = soft.top >= SOFT_COUNT && soft.longest >= SOFT_RUN && soft.piled(SOFT_PILE_UP);
    // a converter with steps as coarse as the soft level shows flat tops without any cut
    if flat && step < 0.25 * SOFT_LEVEL * range { soft.cut() } else { Cut::default() }
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

    fn cut(&self) -> Cut {
        Cut { count: self.top, longest: self.longest, first: self.first }
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
