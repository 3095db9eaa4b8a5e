//! Run-ups and run-downs of one recording: each read apart, and joined.

use super::{Critical, Reading};

/// Readings of two passages this close in the logarithm of speed may be one critical speed seen twice.
const SAME: f64 = 0.04;

/// Joins what several passages show, given as whether the speed rose and the critical speeds seen.
///
/// Readings in the same sense are averaged by their weight. Where run-up and run-down agree within their
/// uncertainty the result is their mean; where they differ beyond it, it is the middle between them,
/// and the standard error holds half of the distance.
pub fn joined(passages: &[(bool, Vec<Critical>)]) -> Vec<Critical> {
    let mut groups: Vec<Vec<(bool, Critical)>> = Vec::new();
    for (up, criticals) in passages {
        let known = groups.len();
        let mut taken = vec![false; known];
        for critical in criticals {
            let distance = |group: &[(bool, Critical)]| {
                group.iter().map(|(_, c)| (c.rpm / critical.rpm).ln().abs()).fold(0.0, f64::max)
            };
            let reach = |group: &[(bool, Critical)]| {
                let error = group.iter().map(|(_, c)| c.rpm_error / c.rpm).fold(0.0, f64::max);
                SAME.max(3.0 * error.hypot(critical.rpm_error / critical.rpm))
            };
            let nearest = (0..known)
                .filter(|&i| !taken[i])
                .min_by(|&a, &b| distance(&groups[a]).total_cmp(&distance(&groups[b])))
                .filter(|&i| distance(&groups[i]) < reach(&groups[i]));
            match nearest {
                Some(i) => {
                    taken[i] = true;
                    groups[i].push((*up, *critical));
                }
                None => groups.push(vec![(*up, *critical)]),
            }
        }
    }
    let mut out: Vec<Critical> = groups.iter().filter_map(|group| one(group)).collect();
    out.sort_by(|a, b| a.rpm.total_cmp(&b.rpm));
    out
}

fn one(group: &[(bool, Critical)]) -> Option<Critical> {
    let reading = |wanted: Option<bool>| {
        let chosen = group.iter().filter(|(up, _)| wanted.is_none_or(|wanted| wanted == *up));
        mean(chosen.map(|(_, critical)| Reading::of(critical)))
    };
    let (up, down, all) = (reading(Some(true)), reading(Some(false)), reading(None)?);
    let clearest = group.iter().max_by(|a, b| a.1.improvement.total_cmp(&b.1.improvement))?.1;
    let mut critical = Critical {
        share: group.iter().map(|(_, critical)| critical.share).fold(0.0, f64::max),
        is_pair: group.iter().any(|(_, critical)| critical.is_pair),
        up,
        down,
        ..clearest.with_reading(&all)
    };
    if let (Some(up), Some(down)) = (up, down)
        && critical.sweep_difference().is_some_and(|difference| difference.is_real())
    {
        let half = 0.5 * (up.rpm - down.rpm).abs();
        critical.rpm = 0.5 * (up.rpm + down.rpm);
        critical.rpm_error = critical.rpm_error.hypot(half);
    }
    Some(critical)
}

/// The weighted mean of readings; its error is not less than what their scatter shows.
fn mean(readings: impl Iterator<Item = Reading>) -> Option<Reading> {
    let readings: Vec<Reading> = readings.collect();
    let first = *readings.first()?;
    if readings.len() == 1 {
        return Some(first);
    }
    let join = |value: fn(&Reading) -> (f64, f64)| {
        let weight = |r: &Reading| value(r).1.max(1e-12).powi(-2);
        let total: f64 = readings.iter().map(weight).sum();
        let mean = readings.iter().map(|r| weight(r) * value(r).0).sum::<f64>() / total;
        let chi: f64 = readings.iter().map(|r| weight(r) * (value(r).0 - mean).powi(2)).sum();
        let scale = (chi / (readings.len() - 1) as f64).max(1.0);
        (mean, (scale / total).sqrt())
    };
    let (rpm, rpm_error) = join(|r| (r.rpm, r.rpm_error));
    let (amplification, amplification_error) = join(|r| (r.amplification, r.amplification_error));
    Some(Reading { rpm, rpm_error, amplification, amplification_error })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn critical(rpm: f64, error: f64) -> Critical {
        Critical { rpm_error: error, amplification_error: 0.2, ..Critical::example(rpm, 8.0) }
    }

    #[test]
    fn readings_that_agree_are_averaged() {
        let both = joined(&[
            (true, vec![critical(41_000.0, 60.0)]),
            (false, vec![critical(41_060.0, 60.0)]),
        ]);
        let [one] = both[..] else { panic!("{both:?}") };
        assert!((one.rpm - 41_030.0).abs() < 1e-6);
        assert!((one.rpm_error - 60.0 / 2.0_f64.sqrt()).abs() < 1e-6);
        assert!(one.sweep_difference().is_some_and(|d| !d.is_real()));
    }

    #[test]
    fn readings_that_differ_make_a_bracket() {
        let both = joined(&[
            (true, vec![critical(42_000.0, 60.0)]),
            (false, vec![critical(41_000.0, 60.0), critical(80_000.0, 60.0)]),
        ]);
        let [one, other] = both[..] else { panic!("{both:?}") };
        assert!((one.rpm - 41_500.0).abs() < 1e-6 && one.rpm_error > 500.0);
        let difference = one.sweep_difference().expect("seen both ways");
        assert!((difference.rpm - 1000.0).abs() < 1e-9 && difference.is_real());
        assert_eq!(other.up, None);
        assert_eq!(other.down.map(|r| r.rpm), Some(80_000.0));
    }

    #[test]
    fn two_close_criticals_of_one_passage_stay_two() {
        let pair = vec![critical(41_000.0, 60.0), critical(42_500.0, 60.0)];
        let both = joined(&[(true, pair.clone()), (false, pair)]);
        assert_eq!(both.len(), 2, "{both:?}");
        assert!((both[0].rpm - 41_000.0).abs() < 1.0 && (both[1].rpm - 42_500.0).abs() < 1.0);
    }
}
