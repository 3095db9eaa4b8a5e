//! A bent shaft: seen at slow roll by a displacement sensor, in the direction of the unbalance that it makes.

use super::{Evidence, Kind, Need, Rival, Score, Signature};
use crate::angle::Track;
use crate::angle::critical::Critical;
use crate::angle::critical::bow::{Parts, Vector};
use crate::angle::growth::{Growth, Regime};
use crate::case::{Case, View};
use crate::dsp::fft::Complex64;
use crate::dsp::stats;
use crate::units::{Quantity, grouped, three_digits, wrap_deg};

/// A bent shaft.
pub const SIGNATURE: Signature = Signature {
    id: "bent_shaft",
    title: "bent shaft",
    kind: Kind::Fault,
    needs: &[Need::Speed],
    source: "Nicholas, Gunter and Allaire, J. Eng. Power 98 (1976): residual bow; ISO 13373-3, bent shaft (both from memory)",
    advice: "check the run-out of the shaft by hand, with a dial gauge at several places, before you balance",
    score,
    proofs: &["bent_shaft"],
    rivals: &[Rival {
        id: "imbalance",
        parted_by: "a displacement sensor at the shaft shows a bow at slow roll, in the direction of the unbalance that it makes",
    }],
};

/// Standard deviation of the angle between a bow and the unbalance that it makes, in degrees: residual unbalance,
/// angles of sensors and further modes turn it (judgement, no source).
const ANGLE_DEG: f64 = 20.0;
/// Offset of mass over bow at the sensor of a bent shaft, and its spread as a standard deviation of the natural
/// logarithm: sensors beside a bearing see less of the bow than the mass does (judgement, no source).
const OFFSET_OVER_BOW: f64 = 1.0;
const OFFSET_SPREAD: f64 = 0.7;
/// The spread where slow roll is run-out alone, which has nothing to do with the unbalance (judgement, no source).
const UNRELATED_SPREAD: f64 = 2.0;
/// Four standard errors of a vector that may be nothing, in parts of the other, up to which it counts as small
/// (judgement, no source).
const RESOLVED: f64 = 0.5;
/// What the odds start from: most slow-roll vectors are run-out (judgement, no source).
const BEFOREHAND: f64 = -1.0;
/// Odds where the shaft runs true at slow roll, or carries no unbalance that is clear of the noise (judgement,
/// no source).
const RUNS_TRUE: f64 = -5.0;
/// Velocity exponent below the critical speed under which 1x grows too slowly for unbalance, whose exponent is 3
/// (judgement, no source).
const SLOW_GROWTH: f64 = 2.0;

fn score(case: &Case) -> Vec<Score> {
    let shaft: Vec<View> = case.views().filter(View::looks_at_shaft).collect();
    if shaft.is_empty() {
        let why = "it cannot be parted from imbalance without a shaft displacement channel";
        let evidence = slow_growth(case).into_iter().chain(axial_evidence(case)).collect();
        return vec![Score { evidence, ..cannot_tell(None, why) }];
    }
    shaft.iter().map(|view| score_view(case, view)).collect()
}

fn cannot_tell(view: Option<&View>, why: &str) -> Score {
    Score {
        place: view.map(View::place),
        channel: view.map(|view| view.name().to_owned()),
        basis: "slow_roll",
        log_odds: RUNS_TRUE,
        evidence: Vec::new(),
        severity: None,
        cannot_tell: Some(why.to_owned()),
        advice: None,
    }
}

fn score_view(case: &Case, view: &View) -> Score {
    if !case.phase_known() {
        return cannot_tell(Some(view), "without shaft pulses there is no phase to part it by");
    }
    let criticals = case.governing_criticals();
    if criticals.is_empty() {
        let why = "no critical speed was passed, through which a bow parts from the run-out of the surface";
        return cannot_tell(Some(view), why);
    }
    let Some(parts) = view.parted(&criticals) else {
        return cannot_tell(Some(view), "too few readings from slow roll to the top speed");
    };
    let found = Found::of(view, parts, &criticals);
    if let Some(why) = found.unresolved() {
        return Score { evidence: found.evidence(), ..cannot_tell(Some(view), why) };
    }
    let evidence = found.evidence().into_iter().chain(axial_evidence(case)).collect();
    Score { log_odds: found.log_odds(), evidence, cannot_tell: None, ..cannot_tell(Some(view), "") }
}

/// What one channel at the shaft shows.
struct Found {
    parts: Parts,
    /// Offset of the mass, of shaft and housing together where a housing sensor sits at the same place.
    offset: Option<Vector>,
}

impl Found {
    fn of(view: &View, parts: Parts, criticals: &[Critical]) -> Self {
        Self { parts, offset: offset(view, &parts, criticals) }
    }

    /// From the slow-roll vector to that of the unbalance, in degrees, -180 to 180.
    fn angle_deg(&self) -> f64 {
        let unbalance = self.unbalance().value;
        (unbalance * self.parts.slow_roll.value.conj()).arg().to_degrees()
    }

    /// Standard error with which it was read, in degrees.
    fn angle_error_deg(&self) -> f64 {
        let relative = |vector: Vector| vector.error / vector.value.norm().max(f64::MIN_POSITIVE);
        relative(self.unbalance()).hypot(relative(self.parts.slow_roll)).to_degrees()
    }

    /// Why slow-roll vector and unbalance cannot be held against each other, where one is too uncertain for its size
    /// and for that of the other.
    fn unresolved(&self) -> Option<&'static str> {
        let unbalance = self.unbalance();
        let open = |one: Vector, other: Vector| {
            !one.is_clear() && 4.0 * one.error > RESOLVED * other.value.norm()
        };
        if open(self.parts.slow_roll, unbalance) {
            Some("the slow-roll vector is too uncertain: record from lower speeds on")
        } else if open(unbalance, self.parts.slow_roll) {
            Some(
                "the unbalance is told too badly through the critical speed to hold it against the slow-roll vector",
            )
        } else {
            None
        }
    }

    /// The offset of the mass; where no housing sensor sits there, what the shaft does against the housing.
    fn unbalance(&self) -> Vector {
        self.offset.unwrap_or(self.parts.unbalance)
    }

    fn log_odds(&self) -> f64 {
        let unbalance = self.unbalance();
        if !self.parts.slow_roll.is_clear() || !unbalance.is_clear() {
            return RUNS_TRUE;
        }
        BEFOREHAND + self.direction_odds() + self.offset_odds()
    }

    /// A bow points where its unbalance points: a bell about zero, against any angle alike.
    fn direction_odds(&self) -> f64 {
        let (angle, error) = (self.angle_deg(), ANGLE_DEG.hypot(self.angle_error_deg()));
        let bell = (-0.5 * (angle / error).powi(2)).exp() / (error * std::f64::consts::TAU.sqrt());
        (360.0 * bell + 0.03).ln()
    }

    /// A bow carries the mass with it: the offset is about as large as the bow.
    fn offset_odds(&self) -> f64 {
        let Some(ratio) = self.offset_over_bow() else { return 0.0 };
        let off = (ratio / OFFSET_OVER_BOW).ln();
        let bell = |spread: f64| -0.5 * (off / spread).powi(2) - spread.ln();
        (bell(OFFSET_SPREAD) - bell(UNRELATED_SPREAD)).max(-5.0)
    }

    fn offset_over_bow(&self) -> Option<f64> {
        Some(self.offset?.value.norm() / self.parts.slow_roll.value.norm())
    }

    fn evidence(&self) -> Vec<Evidence> {
        let words = format!(
            "at slow roll, told from speeds of {} rpm up, the shaft shows a run-out or bow of",
            grouped(self.parts.from_rpm)
        );
        let mut evidence = vec![vector_evidence("slow_roll_um_pp", &self.parts.slow_roll, &words)];
        evidence.extend(self.offset.map(|offset| {
            let words = "the mass runs off its centre, as seen through the critical speed, by";
            vector_evidence("mass_offset_um_pp", &offset, words)
        }));
        let angle = self.angle_deg();
        evidence.push(Evidence::new(
            "unbalance_from_slow_roll_deg",
            angle,
            "deg",
            format!(
                "the unbalance points {:.0} ± {:.0} deg away from the slow-roll vector; that of a bow points the \
                 same way within about {ANGLE_DEG:.0} deg",
                angle.abs(),
                self.angle_error_deg()
            ),
        ));
        evidence.extend(self.offset_over_bow().map(|ratio| {
            let text = format!(
                "that is {} times the slow-roll vector; a bow makes both about alike",
                three_digits(ratio)
            );
            Evidence::new("offset_over_slow_roll", ratio, "", text)
        }));
        evidence
    }
}

/// The offset of the mass in space: that of the shaft against the housing with that of the housing.
fn offset(view: &View, parts: &Parts, criticals: &[Critical]) -> Option<Vector> {
    let place = view.place();
    let mut beside = view.case.views().filter(|other| {
        !other.is_axial()
            && !other.looks_at_shaft()
            && other.measures_motion()
            && other.place() == place
    });
    let housing = beside.next()?;
    let turned = housing.channel.spec.sensor_angle_deg? - view.channel.spec.sensor_angle_deg?;
    let seen = housing.parted(criticals)?.unbalance;
    Some(Vector {
        // as a sensor at the place of this one would read it, in forward whirl
        value: parts.unbalance.value + seen.value * Complex64::cis(turned.to_radians()),
        error: parts.unbalance.error.hypot(seen.error),
    })
}

fn vector_evidence(key: &str, vector: &Vector, words: &str) -> Evidence {
    let (pp, error) = (2e6 * vector.value.norm(), 2e6 * vector.error);
    let lag_deg = wrap_deg(-vector.value.arg().to_degrees());
    Evidence::new(
        key,
        pp,
        "um p-p",
        format!(
            "{words} {} ± {} um p-p, lag {lag_deg:.0} deg",
            three_digits(pp),
            three_digits(error)
        ),
    )
}

/// 1x at a housing that grows too slowly for unbalance below the critical speed, where it does so most clearly. A bent
/// shaft on two bearings does not do so: at slow roll it shakes nothing.
fn slow_growth(case: &Case) -> Option<Evidence> {
    let clearness = |(_, law): &(View, Growth)| {
        (SLOW_GROWTH - velocity_exponent(law)) / law.error.max(LEAST_GROWTH_ERROR)
    };
    let slow = case.views().filter_map(|view| Some((view, slow_law(&view)?)));
    let (view, law) = slow.max_by(|a, b| clearness(a).total_cmp(&clearness(b)))?;
    let is = velocity_exponent(&law);
    Some(Evidence::new(
        "growth_exponent_velocity",
        is,
        "",
        format!(
            "below the critical speed 1x at {} grows as speed^{is:.1} ± {:.1} in velocity, unbalance as speed^3: a \
             bow that a coupling or a third bearing holds straight does so, and misalignment",
            view.name(),
            law.error.max(LEAST_GROWTH_ERROR)
        ),
    ))
}

/// Least standard error that an exponent of growth is stated with.
const LEAST_GROWTH_ERROR: f64 = 0.05;

/// The law below the critical speed, where it is too slow for unbalance by two standard errors.
fn slow_law(view: &View) -> Option<Growth> {
    let laws = view.growth_laws();
    let law = laws.into_iter().find(|law| law.regime == Regime::Below)?;
    (velocity_exponent(&law) + 2.0 * law.error < SLOW_GROWTH).then_some(law)
}

fn velocity_exponent(law: &Growth) -> f64 {
    law.in_quantity(Quantity::Velocity).0
}

/// Axial 1x beside radial 1x, as velocities at the upper speeds, where both are recorded.
fn axial_evidence(case: &Case) -> Option<Evidence> {
    let strongest = |axial: bool| {
        let views = case.views().filter(|view| view.is_axial() == axial && !view.looks_at_shaft());
        views.filter_map(|view| upper_velocity(&view)).reduce(f64::max)
    };
    let (axial, radial) = (strongest(true)?, strongest(false)?);
    let ratio = (radial > 0.0).then(|| axial / radial)?;
    let text = format!("axial 1x is {} times the radial one", three_digits(ratio));
    Some(Evidence::new("axial_over_radial_1x", ratio, "", text))
}

fn upper_velocity(view: &View) -> Option<f64> {
    let track = view.track_as(1.0, Quantity::Velocity)?;
    let top = track.rpm.iter().copied().fold(0.0, f64::max);
    let upper: Track = track.where_rpm(|rpm| rpm >= 0.7 * top);
    (!upper.is_empty()).then(|| stats::median(&upper.amplitudes()))
}
