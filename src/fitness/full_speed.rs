//! Whether full speed was reached and held.

use crate::machine::Machine;
use crate::speed::{Speed, SpeedSource};

use super::words::{number, whole};
use super::{Affects, Check, Fit};

/// How close to full speed counts as reached, in percent, where the machine file says nothing.
const TOLERANCE_PERCENT: f64 = 1.0;
/// How long full speed must be held in seconds, where the machine file says nothing.
const HOLD_S: f64 = 2.0;
/// Points at which the curve of speed is read in one hold time, and at most altogether.
const POINTS_PER_HOLD: f64 = 40.0;
const MOST_POINTS: f64 = 50_000.0;

/// The longest time at full speed against the time it must be held.
pub fn check(machine: &Machine, speed: Option<&Speed>) -> Check {
    let limited = |check: Check| check.rated(Fit::Limited, &[Affects::Acceptance]);
    let stated = machine.acceptance.full_speed_rpm.or(machine.shaft.top_rpm);
    let Some(full_rpm) = stated.filter(|rpm| *rpm > 0.0) else {
        return limited(Check::good("full_speed", f64::NAN, "", "No full speed is stated.").so(
            "The recording cannot release a machine: state full_speed_rpm in the machine file.",
        ));
    };
    let Some(speed) = speed else {
        return limited(
            Check::good("full_speed", full_rpm, "rpm", format!("Full speed is {} rpm, and the speed of the recording is not known.", whole(full_rpm)))
                .so("Whether full speed was reached is open, so the recording cannot release a machine."),
        );
    };
    if speed.source() == SpeedSource::Stated {
        let found = format!(
            "Full speed is {} rpm; the speed of the recording was stated, not measured.",
            whole(full_rpm)
        );
        return limited(
            Check::good("full_speed", full_rpm, "rpm", found)
                .so("A stated speed proves no hold, so the recording cannot release a machine: record a pulse."),
        );
    }
    let tolerance = machine.acceptance.full_speed_tolerance_percent.unwrap_or(TOLERANCE_PERCENT);
    let hold_s = machine.acceptance.hold_s.unwrap_or(HOLD_S);
    let least_rpm = full_rpm * (1.0 - tolerance / 100.0);
    let top_rpm = speed.range_rpm().1;
    if top_rpm < least_rpm {
        let percent = 100.0 * top_rpm / full_rpm;
        return limited(
            Check::good(
                "full_speed",
                percent,
                "%",
                format!(
                    "The top speed is {} rpm, {} % of full speed ({} rpm).",
                    whole(top_rpm),
                    number(percent),
                    whole(full_rpm)
                ),
            )
            .so("Full speed was not reached, so the recording cannot release a machine."),
        );
    }
    let held_s = longest_above(speed, least_rpm, hold_s);
    let found = format!(
        "Full speed ({} rpm less {} %) was held for {} s; {} s are wanted.",
        whole(full_rpm),
        number(tolerance),
        number(held_s),
        number(hold_s),
    );
    let check = Check::good("full_speed", held_s, "s", found);
    // a hold cut to exactly the time wanted is not lost to rounding
    if held_s < hold_s * (1.0 - 1e-6) {
        return limited(
            check.so("Full speed was not held, so the recording cannot release a machine."),
        );
    }
    check
}

/// The longest unbroken time at `least_rpm` or above, in seconds; a span that is only bridged breaks it.
fn longest_above(speed: &Speed, least_rpm: f64, hold_s: f64) -> f64 {
    let (start, end) = (speed.start_s(), speed.end_s());
    let fine = (POINTS_PER_HOLD * (end - start) / hold_s.max(1e-3)).clamp(200.0, MOST_POINTS);
    let points = fine.ceil() as usize;
    let time = |k: usize| start + (end - start) * k as f64 / points as f64;
    let excess = |k: usize| {
        let time_s = time(k);
        if speed.is_bridged(time_s) { -least_rpm } else { speed.rpm_at(time_s) - least_rpm }
    };
    let (mut longest, mut since): (f64, Option<f64>) = (0.0, (excess(0) >= 0.0).then_some(start));
    for k in 1..=points {
        let (before, now) = (excess(k - 1), excess(k));
        let crossing = || time(k - 1) + (time(k) - time(k - 1)) * before / (before - now);
        if now >= 0.0 && since.is_none() {
            since = Some(crossing());
        }
        if let Some(from) = since {
            longest = longest.max(if now >= 0.0 { time(k) } else { crossing() } - from);
        }
        if now < 0.0 {
            since = None;
        }
    }
    longest
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::speed::{Knot, SpeedSource};

    #[test]
    fn the_hold_is_measured_between_crossings() {
        // up from 0 to 100 Hz in 10 s, held for 3 s, down in 10 s; 99 Hz is crossed 0.1 s before the
        // hold and after it
        let corners = [(0.0, 0.0), (10.0, 100.0), (13.0, 100.0), (23.0, 0.0)];
        let mut turns = 0.0;
        let mut knots = Vec::new();
        for pair in corners.windows(2) {
            let ((t0, f0), (t1, f1)) = (pair[0], pair[1]);
            for k in 0..100 {
                let (a, b) = (f64::from(k) / 100.0, f64::from(k + 1) / 100.0);
                let (fa, fb) = (f0 + (f1 - f0) * a, f0 + (f1 - f0) * b);
                knots.push(Knot { time_s: t0 + (t1 - t0) * a, turns, speed_hz: fa });
                turns += 0.5 * (fa + fb) * (t1 - t0) / 100.0;
            }
        }
        let speed = Speed::from_knots(SpeedSource::Pulse, knots, 0.0).expect("rising");
        assert!((longest_above(&speed, 99.0 * 60.0, 2.0) - 3.2).abs() < 0.01);
        assert_eq!(longest_above(&speed, 101.0 * 60.0, 2.0), 0.0);
        let mut bridged = speed;
        bridged.gaps_s = vec![[10.9, 11.4]];
        assert!((longest_above(&bridged, 99.0 * 60.0, 2.0) - 1.7).abs() < 0.06);
    }
}
