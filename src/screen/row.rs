//! One recording to one row: pure, and good on any thread, process or machine.

use std::fs::File;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::Path;

use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};

use super::{Course, Job, MachineSource, hexadecimal};
use crate::case::{Case, Decision, Level};
use crate::diagnose::{self, Diagnosis, Finding, SpeedSummary, Verdict};
use crate::error::{Error, Result};
use crate::fitness::Fit;
use crate::machine::{Machine, parse};
use crate::progress::Progress;
use crate::recording::read::{ReadOptions, read_with};
use crate::recording::spec::apply_specs;
use crate::signature::Kind;

/// What every row states as its `schema`.
pub const SCHEMA_ID: &str = "quietspin.row/1";
/// JSON Schema (draft 2020-12) of a row.
pub const SCHEMA: &str = include_str!("row.schema.json");
/// The most findings that a row holds.
const MOST_FINDINGS: usize = 5;

/// What a journal knows a recording by: the same key gives the same row.
#[derive(Debug, Clone, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct Key {
    /// Path, its folder absolute; bytes that are no UTF-8 as `\xNN`.
    pub path: String,
    /// Length of the file in bytes.
    #[serde(rename = "size_bytes")]
    pub size: u64,
    /// When the file was last changed, in UTC to the nanosecond; `None` where the system does not tell.
    pub mtime: Option<String>,
    /// SHA-256 in hexadecimal of the machine file and the version of this library.
    pub settings_sha256: String,
}

/// How the screening of a recording ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Outcome {
    /// [`Verdict::Accept`].
    Accept,
    /// [`Verdict::Investigate`].
    Investigate,
    /// [`Verdict::Reject`].
    Reject,
    /// [`Verdict::NoVerdict`].
    NoVerdict,
    /// The file, or the machine file beside it, cannot be used.
    Unreadable,
}

impl Outcome {
    /// All, those to look at first first.
    pub const ALL: [Self; 5] =
        [Self::Reject, Self::Investigate, Self::Unreadable, Self::NoVerdict, Self::Accept];

    /// The word of JSON and tables: `accept`, `investigate`, `reject`, `no_verdict`, `unreadable`.
    pub fn word(self) -> &'static str {
        match self {
            Self::Accept => "accept",
            Self::Investigate => "investigate",
            Self::Reject => "reject",
            Self::NoVerdict => "no_verdict",
            Self::Unreadable => "unreadable",
        }
    }
}

impl From<Verdict> for Outcome {
    fn from(verdict: Verdict) -> Self {
        match verdict {
            Verdict::Accept => Self::Accept,
            Verdict::Investigate => Self::Investigate,
            Verdict::Reject => Self::Reject,
            Verdict::NoVerdict => Self::NoVerdict,
        }
    }
}

/// One recording of a screen: what a journal holds on one line, and a table in one row.
///
/// Numbers that are not finite are left out; a level or finding without its number says so by that.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Row {
    /// [`SCHEMA_ID`].
    pub schema: String,
    /// Version of quietspin.
    pub version: String,
    /// What the journal knows it by.
    #[serde(flatten)]
    pub key: Key,
    /// SHA-256 of the file in hexadecimal; `None` where it cannot be read.
    pub sha256: Option<String>,
    /// Serial number of the machine, where name or companion state it.
    pub serial: Option<String>,
    /// Day of the recording, `2026-03-01`, where name or companion state it.
    pub date: Option<String>,
    /// The verdict, or `unreadable`.
    #[serde(rename = "verdict")]
    pub outcome: Outcome,
    /// Why, in one sentence.
    pub reason: String,
    /// Whether a machine file was used.
    pub machine_given: bool,
    /// The speed; `None` where there is none.
    pub speed: Option<SpeedRange>,
    /// The level that is highest over its limit; `None` where no limit was checked.
    pub worst: Option<Worst>,
    /// Levels of the channels that are fit.
    pub levels: Vec<RowLevel>,
    /// The first findings, most important first: five at most.
    pub findings: Vec<RowFinding>,
    /// The first order over speed of each channel that is fit, for pictures.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub courses: Vec<Course>,
    /// How many notes `check` would show.
    pub notes: usize,
    /// Length in seconds.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub duration_s: Option<f64>,
    /// Why the file cannot be used, in one sentence; `None` where it was judged.
    pub error: Option<String>,
    /// Kind of that error: `input`, `io`, `setting`, `too_little`, `numerical` or `bug`.
    pub error_kind: Option<String>,
}

/// Range of speed.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SpeedRange {
    /// `pulse`, `channel`, `stated` or `estimated`.
    pub source: String,
    /// Lowest speed in rpm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub min_rpm: Option<f64>,
    /// Highest speed in rpm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub max_rpm: Option<f64>,
    /// Standard error in percent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub error_percent: Option<f64>,
}

/// The level that is highest over its limit.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Worst {
    /// Value over limit.
    pub ratio: f64,
    /// The channel.
    pub channel: String,
    /// Stable id of the level.
    pub id: String,
    /// What the limit says about it.
    pub decision: Decision,
}

/// A level in brief.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RowLevel {
    /// The channel.
    pub channel: String,
    /// Stable id: `overall_velocity`, `order1_velocity`, ...
    pub id: String,
    /// The value in `unit`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub value: Option<f64>,
    /// Unit with its convention, `mm/s rms`.
    pub unit: String,
    /// Speed in rpm at which it was found.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub at_rpm: Option<f64>,
    /// The limit in the same unit.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub limit: Option<f64>,
    /// What the limit says.
    pub decision: Decision,
}

/// A finding in brief.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RowFinding {
    /// Stable id.
    pub fault: String,
    /// Name in running text.
    pub title: String,
    /// Fault or observation.
    pub kind: Kind,
    /// Bearing or channel; `None` for the machine as a whole.
    pub place: Option<String>,
    /// Probability that it is present, 0 to 1.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub confidence: Option<f64>,
    /// Value over the limit that was checked.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub severity: Option<f64>,
}

/// Judges the recording of a job. Whatever is wrong with the file becomes a row with its reason.
///
/// # Errors
/// [`Error::Stopped`] where `progress` asks to stop; nothing else.
pub fn row(job: &Job, progress: &mut dyn Progress) -> Result<Row> {
    if let MachineSource::Refused { kind, sentence } = &job.machine {
        return Ok(Row::unusable(job, kind, sentence.clone()));
    }
    // one recording that the library fails on must not take the archive with it
    let judged = catch_unwind(AssertUnwindSafe(|| judged(job, progress)));
    let judged = judged.unwrap_or_else(|panic| {
        let told = panic.downcast_ref::<String>().map(String::as_str);
        let told = told.or_else(|| panic.downcast_ref::<&str>().copied());
        Err(Error::Bug(told.unwrap_or("a panic").to_owned()))
    });
    match judged {
        Ok((case, diagnosis)) => Ok(Row::of(job, &case, &diagnosis)),
        Err(Error::Stopped) => Err(Error::Stopped),
        Err(error) => Ok(Row::unusable(job, error.kind(), error.to_string())),
    }
}

fn judged(job: &Job, progress: &mut dyn Progress) -> Result<(Case, Diagnosis)> {
    let meta = std::fs::metadata(&job.path).map_err(|source| Error::io(&job.path, source))?;
    if !meta.is_file() {
        return Err(Error::input(&job.path, "", "this is no file", "name a recording"));
    }
    let (mut machine, given, machine_path) = match &job.machine {
        MachineSource::Text { text, path } => {
            (parse::from_text(text, Path::new(path))?, true, path.as_str())
        }
        _ => (Machine::default(), false, ""),
    };
    machine.shaft.state_speed(job.stated.rpm, job.stated.range_rpm)?;
    let options = ReadOptions { rate_hz: job.stated.rate_hz };
    let recording = read_with(&job.path, &options, progress)?;
    let recording = apply_specs(recording, &machine.channel, Path::new(machine_path))?;
    diagnose::diagnose(&recording, &machine, given, progress)
}

impl Row {
    fn bare(job: &Job) -> Self {
        Self {
            schema: SCHEMA_ID.to_owned(),
            version: env!("CARGO_PKG_VERSION").to_owned(),
            key: job.key.clone(),
            sha256: None,
            serial: job.label.serial.clone(),
            date: job.label.date.clone(),
            outcome: Outcome::Unreadable,
            reason: String::new(),
            machine_given: !matches!(job.machine, MachineSource::Missing),
            speed: None,
            worst: None,
            levels: Vec::new(),
            findings: Vec::new(),
            courses: Vec::new(),
            notes: 0,
            duration_s: None,
            error: None,
            error_kind: None,
        }
    }

    fn of(job: &Job, case: &Case, diagnosis: &Diagnosis) -> Self {
        let levels: Vec<&Level> = measured(diagnosis).collect();
        Self {
            sha256: diagnosis.sha256.clone(),
            outcome: diagnosis.verdict.into(),
            reason: diagnosis.reason.clone(),
            speed: diagnosis.speed.as_ref().map(SpeedRange::of),
            worst: worst(&levels),
            levels: levels.into_iter().map(RowLevel::of).collect(),
            findings: diagnosis.findings.iter().take(MOST_FINDINGS).map(RowFinding::of).collect(),
            courses: courses(case, diagnosis),
            notes: diagnosis.notes.len(),
            duration_s: finite(diagnosis.duration_s),
            ..Self::bare(job)
        }
    }

    fn unusable(job: &Job, kind: &str, sentence: String) -> Self {
        // one line, whatever a file name holds
        let sentence = sentence.split_whitespace().collect::<Vec<_>>().join(" ");
        Self {
            sha256: sha256(&job.path).ok(),
            reason: sentence.clone(),
            error: Some(sentence),
            error_kind: Some(kind.to_owned()),
            ..Self::bare(job)
        }
    }

    /// The row as JSON on one line, without its end.
    pub fn line(&self) -> String {
        // string keys and finite numbers only, which always can be written
        let text = serde_json::to_string(self).unwrap_or_default();
        let mut safe = String::with_capacity(text.len());
        for c in text.chars() {
            // in strings only: a terminal may obey the ones, a reader may break the line at the others
            if c.is_control() || matches!(c, '\u{2028}' | '\u{2029}') {
                safe.push_str(&format!("\\u{:04x}", u32::from(c)));
            } else {
                safe.push(c);
            }
        }
        safe
    }

    /// The row of a line; `None` where it is none of [`SCHEMA_ID`].
    pub fn from_line(line: &str) -> Option<Self> {
        let row: Self = serde_json::from_str(line).ok()?;
        (row.schema == SCHEMA_ID).then_some(row)
    }

    /// The reason with the recording's own path told from the folder `here`, where it lies in it, else by
    /// its name alone: what shows a row names the file already.
    pub fn reason_from(&self, here: Option<&Path>) -> String {
        let path = self.key.path.as_str();
        let folder = path.rfind(['/', '\\']).and_then(|end| path.get(..=end)).unwrap_or_default();
        let here = here.and_then(Path::to_str).map(|here| here.trim_end_matches(['/', '\\']));
        let below = here.and_then(|here| {
            let rest = path.strip_prefix(here)?;
            rest.starts_with(['/', '\\']).then(|| here.len() + 1)
        });
        let from = below.unwrap_or(folder.len());
        // a reason stands on one line, as its blanks do
        let one_line = |text: &str| text.split_whitespace().collect::<Vec<_>>().join(" ");
        self.reason.replace(&one_line(path), &one_line(path.get(from..).unwrap_or(path)))
    }

    /// The most important fault found.
    pub fn first_fault(&self) -> Option<&RowFinding> {
        self.findings.iter().find(|finding| finding.kind == Kind::Fault)
    }

    /// Whether the system refused to read the file: it may not next time, so that another try is worth it.
    pub fn is_passing(&self) -> bool {
        self.error_kind.as_deref() == Some("io")
    }
}

/// The levels of channels that are fit: others are no measure of anything.
fn measured(diagnosis: &Diagnosis) -> impl Iterator<Item = &Level> {
    diagnosis.levels.iter().filter(|level| !is_unfit(diagnosis, &level.channel))
}

fn courses(case: &Case, diagnosis: &Diagnosis) -> Vec<Course> {
    let fit = case.views().filter(|view| !is_unfit(diagnosis, view.name()));
    fit.filter_map(|view| Course::of(&view)).collect()
}

fn is_unfit(diagnosis: &Diagnosis, channel: &str) -> bool {
    let mut unfit = diagnosis.fitness.iter().filter(|check| check.fit == Fit::Unfit);
    unfit.any(|check| check.channel.as_deref() == Some(channel))
}

fn worst(levels: &[&Level]) -> Option<Worst> {
    let ratios = levels.iter().filter_map(|level| Some((level.ratio().and_then(finite)?, level)));
    let (ratio, level) = ratios.max_by(|a, b| a.0.total_cmp(&b.0))?;
    Some(Worst {
        ratio,
        channel: level.channel.clone(),
        id: level.id.clone(),
        decision: level.decision,
    })
}

impl SpeedRange {
    fn of(speed: &SpeedSummary) -> Self {
        Self {
            source: speed.source.word().to_owned(),
            min_rpm: finite(speed.min_rpm),
            max_rpm: finite(speed.max_rpm),
            error_percent: finite(speed.error_percent),
        }
    }
}

impl RowLevel {
    fn of(level: &Level) -> Self {
        Self {
            channel: level.channel.clone(),
            id: level.id.clone(),
            value: finite(level.value),
            unit: level.unit.clone(),
            at_rpm: level.at_rpm.and_then(finite),
            limit: level.limit.and_then(finite),
            decision: level.decision,
        }
    }
}

impl RowFinding {
    fn of(finding: &Finding) -> Self {
        Self {
            fault: finding.fault.clone(),
            title: finding.title.clone(),
            kind: finding.kind,
            place: finding.place.clone(),
            confidence: finite(finding.confidence),
            severity: finding.severity.as_ref().and_then(|severity| finite(severity.ratio)),
        }
    }
}

fn finite(value: f64) -> Option<f64> {
    value.is_finite().then_some(value)
}

/// SHA-256 of a file that no reader took, in hexadecimal.
fn sha256(path: &Path) -> std::io::Result<String> {
    if !std::fs::metadata(path)?.is_file() {
        return Err(std::io::ErrorKind::InvalidInput.into());
    }
    let mut hasher = Sha256::new();
    std::io::copy(&mut File::open(path)?, &mut hasher)?;
    Ok(hexadecimal(&hasher.finalize()))
}

#[cfg(test)]
pub(crate) mod tests {
    use std::fs;
    use std::path::PathBuf;

    use super::*;
    use crate::progress::Silent;
    use crate::screen::{Settings, jobs};

    /// A row that states nothing but its path and outcome.
    pub(crate) fn bare(path: &str, outcome: Outcome) -> Row {
        let key = Key {
            path: path.to_owned(),
            size: 3,
            mtime: Some("2026-03-01T08:15:00.000000000Z".to_owned()),
            settings_sha256: "5e".repeat(32),
        };
        let label = crate::screen::Label::default();
        let machine = MachineSource::Missing;
        let path = PathBuf::from(path);
        let stated = crate::screen::Stated::default();
        let job = Job { path, key, label, label_stated: false, machine, stated };
        Row { outcome, reason: "as told".to_owned(), ..Row::bare(&job) }
    }

    /// The row of a file with the bytes given, in a folder with companions.
    fn row_of(name: &str, bytes: &[u8], companions: &[(&str, &str)]) -> Row {
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().join(name);
        fs::write(&path, bytes).expect("a file");
        for (name, text) in companions {
            fs::write(folder.path().join(name), text).expect("a file");
        }
        let jobs = jobs(&[path], &Settings::default()).expect("a job");
        row(&jobs[0], &mut Silent).expect("a row")
    }

    #[test]
    fn a_bad_file_is_a_row_with_its_reason() {
        let strange = row_of("strange.wav", b"\x00\x01\x02", &[]);
        assert_eq!(strange.outcome, Outcome::Unreadable);
        let error = strange.error.as_deref().expect("a sentence");
        assert!(
            error.contains("strange.wav, byte 0: this is neither WAV, CSV, NPY nor NPZ"),
            "{error}"
        );
        assert_eq!((strange.reason.as_str(), strange.is_passing()), (error, false));
        // printf '\0\1\2' | sha256sum (GNU coreutils)
        let known = "ae4b3280e56e2faf83f414a6e3dabe9d5fbe18976544c05fed121accb85b53fc";
        assert_eq!(strange.sha256.as_deref(), Some(known));
        assert_eq!(strange.key.size, 3);

        let torn = row_of("a.csv", b"1\n2\n3\n", &[("a.machine.toml", "format = 1\nlimit = 3\n")]);
        let error = torn.error.expect("a sentence");
        assert!(error.contains("a.machine.toml, line 2") && error.contains("limit"), "{error}");
        assert!(torn.machine_given);

        let text = row_of("b.csv", b"1\n2\n", &[("b.machine.toml", "name = \"\0\"")]);
        assert_eq!(text.outcome, Outcome::Unreadable);
    }

    #[test]
    fn a_fault_of_the_library_costs_its_own_row_alone() {
        struct Panicking;
        impl Progress for Panicking {
            fn advance(&mut self, _stage: &str, _done: u64, _total: u64) -> bool {
                panic!("a planted fault")
            }
        }
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().join("a.csv");
        let rows: String =
            (0..999).map(|i| format!("{:.3},{}\n", f64::from(i) / 1e3, i % 7)).collect();
        fs::write(&path, format!("time_s,front\n{rows}")).expect("a file");
        let jobs = jobs(&[path], &Settings::default()).expect("a job");
        let row = row(&jobs[0], &mut Panicking).expect("a row");
        assert_eq!((row.outcome, row.error_kind.as_deref()), (Outcome::Unreadable, Some("bug")));
        assert!(row.reason.contains("a planted fault"), "{}", row.reason);
        assert!(!row.is_passing());
    }

    #[test]
    fn what_is_not_there_any_more_is_tried_again() {
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().join("gone.wav");
        fs::write(&path, "1").expect("a file");
        let jobs = jobs(std::slice::from_ref(&path), &Settings::default()).expect("a job");
        fs::remove_file(path).expect("removed");
        let row = row(&jobs[0], &mut Silent).expect("a row");
        assert!(row.is_passing());
        assert_eq!((row.outcome, row.sha256), (Outcome::Unreadable, None));
    }

    #[test]
    fn the_key_tells_what_a_row_depends_on() {
        let folder = tempfile::tempdir().expect("a folder");
        let wav = folder.path().join("a.wav");
        let machine = folder.path().join("a.machine.toml");
        let key = |settings: &Settings| {
            let paths: Vec<PathBuf> = vec![wav.clone()];
            jobs(&paths, settings).expect("a job")[0].key.clone()
        };
        let none = Settings::default();
        fs::write(&wav, "12").expect("a file");
        let first = key(&none);
        assert_eq!(first, key(&none));
        let named =
            Settings { names: crate::screen::NamePattern::parse("{serial}").ok(), ..none.clone() };
        assert_eq!(first, key(&named), "names change no verdict");
        let stated = crate::screen::Stated { rpm: Some(48_000.0), ..Default::default() };
        let spun = key(&Settings { stated, ..none.clone() });
        assert_ne!(first.settings_sha256, spun.settings_sha256, "what is stated does");

        fs::write(&machine, "format = 1\n").expect("a file");
        let described = key(&none);
        assert_ne!(first.settings_sha256, described.settings_sha256);
        fs::write(&machine, "format = 1\n[limits]\noverall_mm_s_rms = 3\n").expect("a file");
        assert_ne!(described.settings_sha256, key(&none).settings_sha256);
        let shared = parse::read(&machine).expect("a machine");
        let of = |path: &str| {
            key(&Settings {
                machine: Some((shared.clone(), PathBuf::from(path))),
                ..Settings::default()
            })
        };
        assert_eq!(of("a.toml"), of("b.toml"), "what the machine file is called changes nothing");
        assert_ne!(of("a.toml").settings_sha256, first.settings_sha256);

        fs::write(&wav, "123").expect("a file");
        let longer = key(&none);
        assert_eq!(longer.size, 3);
        let later = std::time::SystemTime::now() + std::time::Duration::from_nanos(1_000_000_100);
        File::options().write(true).open(&wav).expect("open").set_modified(later).expect("set");
        assert_ne!(longer.mtime, key(&none).mtime);
    }

    #[test]
    fn a_line_reads_back_and_stays_one_line() {
        let mut row = row_of("a.csv", b"no numbers", &[]);
        row.serial = Some("a\nb\u{85}c\u{2028}d\u{1b}[2J\"e\\".to_owned());
        let line = row.line();
        assert!(!line.contains(|c: char| c.is_control() || c == '\u{2028}'), "{line}");
        assert_eq!(Row::from_line(&line), Some(row));
        assert_eq!(Row::from_line(&line.replace("quietspin.row/1", "quietspin.row/2")), None);
        assert_eq!(Row::from_line("{}"), None);
        let grown = line.replacen('{', "{\"later\":1,", 1);
        assert!(Row::from_line(&grown).is_some(), "keys may be added");
    }
}
