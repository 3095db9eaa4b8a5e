//! From one recording to one [`Diagnosis`].

use serde::{Deserialize, Serialize};

use crate::case::gaps::{NO_FILE, gaps};
use crate::case::{Case, Decision, Level, View, levels};
use crate::error::{Error, Result};
use crate::fitness::{Affects, Check, Fit};
use crate::machine::{self, Machine};
use crate::progress::{self, Progress};
use crate::recording::{Channel, Recording};
use crate::signature::weigh::{self, HoldsFor, Weighed};
use crate::signature::{ALL, Evidence, Kind, Severity};
use crate::spectrum::tap::TapResponse;
use crate::speed::choose::{self, Choice};
use crate::speed::{Speed, SpeedAlternative, SpeedSource};
use crate::units::{clause, grouped, three_digits};

/// The decision about a machine.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Verdict {
    /// Fit recording, full speed held, limits checked and kept, nothing found.
    Accept,
    /// A fault at 50 % or more, or a limit that cannot be decided.
    Investigate,
    /// A limit exceeded beyond its uncertainty, or a fault at 90 % or more.
    Reject,
    /// The recording cannot carry a verdict; this is no release.
    NoVerdict,
}

impl Verdict {
    /// The verdict in capitals, for people: `ACCEPT`, `INVESTIGATE`, `REJECT`, `NO VERDICT`.
    pub fn word(self) -> &'static str {
        match self {
            Self::Accept => "ACCEPT",
            Self::Investigate => "INVESTIGATE",
            Self::Reject => "REJECT",
            Self::NoVerdict => "NO VERDICT",
        }
    }
}

/// One fault or observation with its probability.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Finding {
    /// Stable id of the signature.
    pub fault: String,
    /// Name in running text.
    pub title: String,
    /// Fault or observation.
    pub kind: Kind,
    /// Bearing or channel; `None` for the machine as a whole.
    pub place: Option<String>,
    /// Probability that it is present, 0 to 1; not a number where it cannot be told.
    pub confidence: f64,
    /// Ratio to the limit that was checked; `None`: no limit given.
    pub severity: Option<Severity>,
    /// The evidence, most telling first.
    pub evidence: Vec<Evidence>,
    /// What to do next.
    pub advice: String,
    /// Why it was put lower or cannot be told, if so.
    pub remark: Option<String>,
    /// The machines that the confidence holds for; `None` where no population has calibrated it.
    pub holds_for: Option<HoldsFor>,
    /// Where the signature is published.
    pub source: String,
}

/// A channel in brief.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ChannelSummary {
    /// Name.
    pub name: String,
    /// Role, as in the machine file.
    pub role: String,
    /// Unit symbol.
    pub unit: String,
    /// Sampling rate in Hz.
    pub rate_hz: f64,
    /// Whether levels are absolute.
    pub calibrated: bool,
}

/// The speed in brief.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SpeedSummary {
    /// Where it comes from.
    pub source: SpeedSource,
    /// Lowest speed in rpm.
    pub min_rpm: f64,
    /// Highest speed in rpm.
    pub max_rpm: f64,
    /// Standard error in percent.
    pub error_percent: f64,
    /// Turns covered.
    pub turns: f64,
    /// Pulses repaired.
    pub repaired: u64,
    /// Other readings.
    pub alternatives: Vec<SpeedAlternative>,
    /// Remarks.
    pub notes: Vec<String>,
}

/// Everything that `check` shows and `qs.diagnose` returns.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Diagnosis {
    /// Name of the recording.
    pub recording: String,
    /// SHA-256 of the file, if there is one.
    pub sha256: Option<String>,
    /// Length in seconds.
    pub duration_s: f64,
    /// The channels.
    pub channels: Vec<ChannelSummary>,
    /// SHA-256 of the resolved machine file; of the empty one where none was given.
    pub machine_sha256: String,
    /// Whether a machine file was given.
    pub machine_given: bool,
    /// The decision.
    pub verdict: Verdict,
    /// Why, in one sentence.
    pub reason: String,
    /// Fitness checks: what limits the recording first, then what is good.
    pub fitness: Vec<Check>,
    /// The speed; `None` where there is none, with the reason in `notes`.
    pub speed: Option<SpeedSummary>,
    /// Levels.
    pub levels: Vec<Level>,
    /// Findings at 50 % or more, and observations; most important first.
    pub findings: Vec<Finding>,
    /// What else was considered, and why it was put lower.
    pub considered: Vec<Finding>,
    /// What the reader guessed or repaired and what else the user should know.
    pub notes: Vec<String>,
    /// What to add to the machine file, and what for, a sentence each.
    pub suggestions: Vec<String>,
}

/// Confidence from which a fault rejects a machine.
pub const REJECT_FROM: f64 = 0.9;
/// Confidence from which a fault calls for a closer look.
pub const INVESTIGATE_FROM: f64 = 0.5;

/// Diagnoses a recording whose specs are applied already.
///
/// `machine` is the resolved machine file; `machine_given` whether the user gave one. Returns the case
/// with all products, for pictures and further questions, and the diagnosis.
///
/// # Errors
/// [`Error::Setting`] where nothing in the recording can be judged or the machine file tolerates an
/// unknown fault; [`Error::Stopped`] where `progress` asks to stop. An unfit recording is no error.
pub fn diagnose(
    recording: &Recording,
    machine: &Machine,
    machine_given: bool,
    progress: &mut dyn Progress,
) -> Result<(Case, Diagnosis)> {
    diagnose_with_taps(recording, machine, machine_given, Vec::new(), progress)
}

/// As [`diagnose`], with what rings at standstill (see [`crate::spectrum::tap::ringing`]): critical speeds are
/// held against it, channel by channel of the same name.
///
/// # Errors
/// As [`diagnose`].
pub fn diagnose_with_taps(
    recording: &Recording,
    machine: &Machine,
    machine_given: bool,
    taps: Vec<TapResponse>,
    progress: &mut dyn Progress,
) -> Result<(Case, Diagnosis)> {
    let (mut case, mut notes) = prepared(recording, machine, progress)?;
    notes.extend(about_taps(&case, &taps));
    case.taps = taps;
    compute(&case, progress)?;
    let fitness = case.fitness().to_vec();
    let levels = case.levels().to_vec();
    let weighing = weigh::weigh(&case);
    notes.extend(weighing.not_looked_for);
    let (mut found, rest): (Vec<Weighed>, Vec<Weighed>) =
        weighing.weighed.into_iter().partition(weigh::is_found);
    found.sort_by(|a, b| {
        let (a, b) = (weigh::rank(a), weigh::rank(b));
        a.0.cmp(&b.0).then(a.1.total_cmp(&b.1))
    });
    let mut findings = best_of_each_place(found);
    point_to_the_clearer_end(&mut findings);
    let considered = best_of_each_place(rest);
    notes.extend(louder_than_overall(&levels));
    notes.extend(levels::notes(&case));
    let (verdict, reason) = Grounds::of(&case, &findings, &considered).verdict();
    let diagnosis = Diagnosis {
        recording: recording.name.clone(),
        sha256: recording.sha256.clone(),
        duration_s: recording.duration_s(),
        channels: recording.channels.iter().map(summary).collect(),
        machine_sha256: machine::parse::sha256(machine),
        machine_given,
        verdict,
        reason,
        fitness,
        speed: case.speed.as_ref().map(speed_summary),
        levels,
        findings,
        considered,
        notes,
        suggestions: if machine_given { gaps(&case) } else { vec![NO_FILE.to_owned()] },
    };
    Ok((case, diagnosis))
}

/// What is to be said of the taps: what is wrong with them, and which channels have no partner of their name.
fn about_taps(case: &Case, taps: &[TapResponse]) -> Vec<String> {
    let judged: Vec<&str> = case.views().map(|view| view.name()).collect();
    let tapped: Vec<&str> = taps.iter().map(|tap| tap.channel.as_str()).collect();
    let (partners, strangers): (Vec<&TapResponse>, Vec<&TapResponse>) =
        taps.iter().partition(|tap| judged.contains(&tap.channel.as_str()));
    if partners.is_empty() && !taps.is_empty() {
        return vec![format!(
            "the taps are not used: they are matched with the run by the names of the channels, and none of theirs \
             ({}) is one that is judged in the run ({}): give them the same names",
            tapped.join(", "),
            judged.join(", ")
        )];
    }
    let unused = strangers.iter().map(|tap| {
        format!(
            "the taps on channel {} are not used: the run has no judged channel of this name",
            tap.channel
        )
    });
    let untapped = judged.iter().filter(|name| !taps.is_empty() && !tapped.contains(name));
    let untapped = untapped.map(|name| {
        format!(
            "channel {name} has no partner among the taps: nothing tells what rings there; name a channel of the \
             tap recording {name}"
        )
    });
    let remarks = partners.iter().flat_map(|tap| tap.remarks.iter().cloned());
    remarks.chain(unused).chain(untapped).collect()
}

/// Computes what takes long in small steps, so that whoever waits hears of it and may stop it; what
/// follows finds it done.
fn compute(case: &Case, progress: &mut dyn Progress) -> Result<()> {
    let views: Vec<View> = case.views().collect();
    let bearings = case.bearings();
    let at_bearings: Vec<View> =
        bearings.iter().flat_map(|(bearing, _)| case.views_at(bearing)).collect();
    let total = (views.len() + at_bearings.len() + 4) as u64;
    let mut begun = 0;
    let mut begin = |stage: &str| {
        begun += 1;
        progress::step(progress, stage, begun - 1, total)
    };
    for view in &views {
        begin("orders")?;
        view.order_map();
    }
    for view in &at_bearings {
        begin("envelopes")?;
        view.demodulated();
    }
    begin("bearings")?;
    case.examinations();
    begin("fitness")?;
    case.fitness();
    begin("levels")?;
    case.levels();
    begin("signatures")
}

/// The case of a recording whose specs are applied already, its speed found, and the notes so far.
///
/// # Errors
/// As [`diagnose`].
pub(crate) fn prepared(
    recording: &Recording,
    machine: &Machine,
    progress: &mut dyn Progress,
) -> Result<(Case, Vec<String>)> {
    check_tolerated(machine)?;
    progress::step(progress, "speed", 0, 4)?;
    let (speed, no_speed) = match choose::choose(recording, machine, progress)? {
        Choice::Found(speed) => (Some(speed), Vec::new()),
        Choice::Missing(reasons) => (None, reasons),
    };
    let mut notes = recording.notes.clone();
    notes.extend(speed.as_ref().and_then(|speed| stated_otherwise(machine, speed)));
    notes.extend(no_speed.into_iter().map(|missing| format!("no speed: {}", missing.reason)));
    let case = Case::new(recording.clone(), machine.clone(), speed);
    if case.views().next().is_none() {
        return Err(nothing_to_judge(recording));
    }
    Ok((case, notes))
}

/// Says where a stated constant speed was not used, and the measured one differs.
pub(crate) fn stated_otherwise(machine: &Machine, speed: &Speed) -> Option<String> {
    let stated = machine.shaft.constant_rpm?;
    let (low, high) = speed.range_rpm();
    let differs = stated < 0.98 * low || stated > 1.02 * high || !speed.is_steady(0.02);
    (speed.source() != SpeedSource::Stated && differs).then(|| {
        format!(
            "the stated {} rpm are not used: the recording itself gives {} to {} rpm",
            grouped(stated),
            grouped(low),
            grouped(high)
        )
    })
}

fn check_tolerated(machine: &Machine) -> Result<()> {
    for id in &machine.acceptance.tolerated {
        if !ALL.iter().any(|signature| signature.id == id) {
            let known: Vec<&str> = ALL.iter().map(|signature| signature.id).collect();
            return Err(Error::setting(
                "acceptance.tolerated",
                format!("{id:?} is no fault that is looked for"),
                format!("choose among {}", known.join(", ")),
            ));
        }
    }
    Ok(())
}

fn nothing_to_judge(recording: &Recording) -> Error {
    Error::input(
        recording.source(),
        "",
        "no channel is vibration or sound",
        "give one the role vibration or sound",
    )
}

fn summary(channel: &Channel) -> ChannelSummary {
    let role = serde_json::to_value(channel.spec.role()).unwrap_or_default();
    ChannelSummary {
        name: channel.name().to_owned(),
        role: role.as_str().unwrap_or("other").to_owned(),
        unit: channel.spec.unit().symbol().to_owned(),
        rate_hz: channel.rate_hz,
        calibrated: channel.is_calibrated(),
    }
}

fn speed_summary(speed: &Speed) -> SpeedSummary {
    let (min_rpm, max_rpm) = speed.range_rpm();
    let (first, last) = speed.turns_range();
    SpeedSummary {
        source: speed.source(),
        min_rpm,
        max_rpm,
        error_percent: speed.error_percent,
        turns: last - first,
        repaired: speed.repairs.count(),
        alternatives: speed.alternatives.clone(),
        notes: speed.notes.clone(),
    }
}

fn finding(item: Weighed) -> Finding {
    Finding {
        fault: item.signature.id.to_owned(),
        title: item.signature.title.to_owned(),
        kind: item.signature.kind,
        place: item.score.place,
        // 'cannot tell' is no probability of zero: reports leave out what is not a number
        confidence: if item.score.cannot_tell.is_some() { f64::NAN } else { item.confidence },
        severity: item.score.severity,
        evidence: item.score.evidence,
        advice: item.score.advice.unwrap_or_else(|| item.signature.advice.to_owned()),
        remark: item.remark,
        holds_for: item.holds_for,
        source: item.signature.source.to_owned(),
    }
}

/// Each fault once at each place, though several channels there may have been scored: the first, which
/// is the most probable.
fn best_of_each_place(rest: Vec<Weighed>) -> Vec<Finding> {
    let mut best: Vec<Finding> = Vec::new();
    for candidate in rest.into_iter().map(finding) {
        let same = |f: &Finding| f.fault == candidate.fault && f.place == candidate.place;
        if !best.iter().any(same) {
            best.push(candidate);
        }
    }
    best
}

/// A bearing defect is heard at the other end of a short shaft too: the fainter finding says so.
fn point_to_the_clearer_end(findings: &mut [Finding]) {
    for index in 1..findings.len() {
        let (clearer, rest) = findings.split_at_mut(index);
        let Some(finding) = rest.first_mut().filter(|f| f.fault.starts_with("bearing")) else {
            continue;
        };
        let twin = clearer.iter().find(|f| f.fault == finding.fault && f.place != finding.place);
        if let Some(place) = twin.and_then(|twin| twin.place.as_deref()) {
            finding.remark =
                Some(format!("it is clearer at {place}; this end may only hear the defect there"));
        }
    }
}

/// Why the first order can be higher than the overall level that holds it, where it is.
fn louder_than_overall(levels: &[Level]) -> Option<String> {
    let of = |id: &str, channel: &str| {
        levels.iter().find(|level| level.id == id && level.channel == channel)
    };
    let louder = levels.iter().find(|level| {
        let overall = of("overall_velocity", &level.channel);
        level.id == "order1_velocity" && overall.is_some_and(|overall| level.value > overall.value)
    })?;
    Some(format!(
        "1x is higher than the overall level at {}: overall levels are means over about a second, 1x is \
         followed within a few turns",
        louder.channel
    ))
}

/// What a verdict rests on, each with its sentence.
#[derive(Debug, Clone, Default)]
struct Grounds {
    /// Why the recording cannot carry a verdict at all.
    unfit: Option<String>,
    /// Why one channel among others can carry none; what the others show still counts.
    unfit_channel: Option<String>,
    /// A limit exceeded beyond its uncertainty.
    exceeded: Option<String>,
    /// A limit that cannot be decided.
    undecided: Option<String>,
    /// A fault that is sure enough to reject for, and not tolerated.
    sure_fault: Option<String>,
    /// A fault that calls for a closer look.
    suspected_fault: Option<String>,
    /// What stands between a recording without findings and a release.
    obstacle: Option<String>,
    /// Only sound was recorded.
    sound_alone: bool,
    /// What to say of an accepted machine.
    kept: String,
}

impl Grounds {
    fn of(case: &Case, findings: &[Finding], considered: &[Finding]) -> Self {
        let unfit = Unfit::of(case);
        let judged: Vec<&Finding> =
            findings.iter().filter(|f| unfit.sound_at(case, f.place.as_deref())).collect();
        Self {
            exceeded: limit_reason(case, &unfit, Decision::Exceeded),
            undecided: limit_reason(case, &unfit, Decision::Undecided),
            sure_fault: sure_fault(&judged, &case.machine.acceptance.tolerated),
            suspected_fault: suspected_fault(&judged),
            unfit: unfit.recording,
            unfit_channel: unfit.channels.into_iter().next().map(|(_, found)| found),
            obstacle: obstacle(case).or_else(|| untold(considered)),
            sound_alone: case.is_sound_alone(),
            kept: kept(case, considered),
        }
    }

    /// The verdict and its reason: what is wrong first, then what a release still needs.
    fn verdict(self) -> (Verdict, String) {
        if let Some(found) = self.unfit {
            return (Verdict::NoVerdict, format!("the recording is unfit: {found}"));
        }
        if let Some(reason) = self.exceeded.or(self.sure_fault) {
            let verdict = if self.sound_alone { Verdict::Investigate } else { Verdict::Reject };
            return (verdict, reason);
        }
        if let Some(reason) = self.suspected_fault.or(self.undecided) {
            return (Verdict::Investigate, reason);
        }
        if let Some(found) = self.unfit_channel {
            return (Verdict::NoVerdict, format!("a channel is unfit: {found}"));
        }
        match self.obstacle {
            Some(reason) => {
                (Verdict::NoVerdict, format!("nothing found, which is no release: {reason}"))
            }
            None => (Verdict::Accept, self.kept),
        }
    }
}

/// What no verdict may rest on.
struct Unfit {
    /// Why nothing of the recording can be judged.
    recording: Option<String>,
    /// Judged channels that cannot, each with the reason.
    channels: Vec<(String, String)>,
}

impl Unfit {
    /// A check that concerns one judged channel leaves the others standing; one of the recording, of
    /// its pulse, or of all judged channels does not.
    fn of(case: &Case) -> Self {
        let names: Vec<&str> = case.views().map(|view| view.name()).collect();
        let (mut recording, mut channels) = (None, Vec::<(String, String)>::new());
        for check in case.fitness().iter().filter(|check| check.fit == Fit::Unfit) {
            let found = clause(&check.found);
            match check.channel.as_deref().filter(|channel| names.contains(channel)) {
                Some(name) if channels.iter().all(|(other, _)| other != name) => {
                    channels.push((name.to_owned(), found));
                }
                Some(_) => {}
                None => recording = recording.or(Some(found)),
            }
        }
        if channels.len() == names.len() {
            recording = recording.or(channels.first().map(|(_, found)| found.clone()));
        }
        Self { recording, channels }
    }

    fn holds(&self, channel: &str) -> bool {
        self.channels.iter().any(|(name, _)| name == channel)
    }

    /// Whether some fit channel stands behind what was found at a place.
    fn sound_at(&self, case: &Case, place: Option<&str>) -> bool {
        let there = |view: &View| {
            place.is_none_or(|place| {
                view.place() == place
                    || case.views_at(place).iter().any(|v| v.name() == view.name())
            })
        };
        case.views().any(|view| there(&view) && !self.holds(view.name()))
    }
}

fn limit_reason(case: &Case, unfit: &Unfit, decision: Decision) -> Option<String> {
    let worst = case
        .levels()
        .iter()
        .filter(|level| level.decision == decision && !unfit.holds(&level.channel))
        .max_by(|a, b| a.ratio().unwrap_or(0.0).total_cmp(&b.ratio().unwrap_or(0.0)))?;
    let words = match decision {
        Decision::Undecided => "too close to call against the limit of",
        _ => "beyond the limit of",
    };
    Some(format!(
        "{} at {} is {} {}, {words} {}",
        worst.name,
        worst.channel,
        three_digits(worst.value),
        worst.unit,
        three_digits(worst.limit.unwrap_or(0.0))
    ))
}

fn sure_fault(findings: &[&Finding], tolerated: &[String]) -> Option<String> {
    let findings = findings.iter().copied();
    findings
        .filter(|f| f.kind == Kind::Fault && !tolerated.contains(&f.fault))
        .find(|f| f.confidence >= REJECT_FROM)
        .map(described)
}

fn suspected_fault(findings: &[&Finding]) -> Option<String> {
    let mut findings = findings.iter().copied();
    findings.find(|f| f.kind == Kind::Fault && f.confidence >= INVESTIGATE_FROM).map(described)
}

fn described(finding: &Finding) -> String {
    let place = finding.place.as_ref().map_or(String::new(), |place| format!(" at {place}"));
    // rounded down: 89.6 % is not the 90 % that rejects
    format!("{}{place}, {:.0} %", finding.title, (100.0 * finding.confidence).floor())
}

/// What stands between a recording without findings and a release.
fn obstacle(case: &Case) -> Option<String> {
    if case.is_sound_alone() {
        return Some("sound alone cannot release a machine".to_owned());
    }
    if case.speed.is_none() {
        return Some("there is no shaft speed".to_owned());
    }
    if case.views().any(|view| !view.measures_motion()) {
        return Some("a vibration channel is not calibrated".to_owned());
    }
    if !case.machine.limits.any() {
        return Some("no limit is stated to check against".to_owned());
    }
    if let Some(reason) = levels::unchecked(case) {
        return Some(reason);
    }
    let hinders = [Affects::Levels, Affects::Speed, Affects::Acceptance];
    case.fitness()
        .iter()
        .find(|check| {
            check.fit == Fit::Limited && check.affects.iter().any(|a| hinders.contains(a))
        })
        .map(|check| clause(&check.found))
}

/// A fault whose lines stand there, though the recording cannot tell damage from a sound part's own.
fn untold(considered: &[Finding]) -> Option<String> {
    let is_untold = |f: &&Finding| f.kind == Kind::Fault && f.confidence.is_nan();
    let seen = |f: &&Finding| f.evidence.iter().any(|e| e.key == "line_order");
    let finding = considered.iter().filter(is_untold).find(seen)?;
    let place = finding.place.as_deref().unwrap_or("the machine");
    Some(format!("{} at {place}: {}", finding.title, finding.remark.as_deref()?))
}

fn kept(case: &Case, considered: &[Finding]) -> String {
    let limits = case.levels().iter().filter(|level| level.limit.is_some()).count();
    let untold = considered.iter().filter(|f| f.kind == Kind::Fault && f.confidence.is_nan());
    let but = match untold.count() {
        0 => "",
        _ => "; some faults cannot be told from this recording, see 'considered'",
    };
    format!("full speed reached and held, {limits} levels within their limits, nothing found{but}")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn some(text: &str) -> Option<String> {
        Some(text.to_owned())
    }

    fn verdict(grounds: Grounds) -> Verdict {
        grounds.verdict().0
    }

    #[test]
    fn nothing_wrong_and_nothing_missing_is_accepted() {
        assert_eq!(verdict(Grounds::default()), Verdict::Accept);
    }

    #[test]
    fn an_exceeded_limit_or_a_sure_fault_rejects() {
        let limit = Grounds { exceeded: some("1x"), ..Grounds::default() };
        assert_eq!(verdict(limit), Verdict::Reject);
        let fault = Grounds {
            sure_fault: some("imbalance"),
            suspected_fault: some("imbalance"),
            obstacle: some("not calibrated"),
            ..Grounds::default()
        };
        assert_eq!(verdict(fault), Verdict::Reject);
    }

    #[test]
    fn a_suspicion_or_an_undecided_limit_is_investigated() {
        let fault = Grounds { suspected_fault: some("imbalance"), ..Grounds::default() };
        assert_eq!(verdict(fault), Verdict::Investigate);
        let limit = Grounds { undecided: some("1x"), obstacle: some("x"), ..Grounds::default() };
        assert_eq!(verdict(limit), Verdict::Investigate);
    }

    #[test]
    fn sound_alone_never_rejects() {
        let sound = Grounds {
            exceeded: some("overall"),
            sure_fault: some("bearing"),
            sound_alone: true,
            ..Grounds::default()
        };
        assert_eq!(verdict(sound), Verdict::Investigate);
    }

    #[test]
    fn an_unfit_recording_carries_no_verdict_whatever_is_found() {
        let unfit = Grounds { unfit: some("silence"), exceeded: some("1x"), ..Grounds::default() };
        let (verdict, reason) = unfit.verdict();
        assert_eq!(verdict, Verdict::NoVerdict);
        assert!(reason.contains("unfit: silence"));
    }

    #[test]
    fn an_unfit_channel_hides_nothing_that_the_others_show() {
        let dead = || Grounds { unfit_channel: some("silence"), ..Grounds::default() };
        assert_eq!(verdict(Grounds { exceeded: some("1x"), ..dead() }), Verdict::Reject);
        let suspected = Grounds { suspected_fault: some("imbalance"), ..dead() };
        assert_eq!(verdict(suspected), Verdict::Investigate);
        let (verdict, reason) = dead().verdict();
        assert_eq!((verdict, reason.as_str()), (Verdict::NoVerdict, "a channel is unfit: silence"));
    }

    #[test]
    fn nothing_found_is_no_release() {
        let bare = Grounds { obstacle: some("no limit is stated"), ..Grounds::default() };
        let (verdict, reason) = bare.verdict();
        assert_eq!(verdict, Verdict::NoVerdict);
        assert_eq!(reason, "nothing found, which is no release: no limit is stated");
    }

    #[test]
    fn a_tolerated_fault_is_looked_into_but_not_rejected_for() {
        let finding = Finding {
            fault: "imbalance".to_owned(),
            title: "imbalance".to_owned(),
            kind: Kind::Fault,
            place: some("front"),
            confidence: 0.97,
            severity: None,
            evidence: Vec::new(),
            advice: String::new(),
            remark: None,
            holds_for: None,
            source: String::new(),
        };
        assert_eq!(sure_fault(&[&finding], &[]), some("imbalance at front, 97 %"));
        assert_eq!(sure_fault(&[&finding], &["imbalance".to_owned()]), None);
        assert_eq!(suspected_fault(&[&finding]), some("imbalance at front, 97 %"));
    }
}
