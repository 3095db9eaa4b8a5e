//! Writing a simulated recording: a WAV file, its machine file and its truth.

use std::fs::File;
use std::io::{BufWriter, Read, Write};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicUsize, Ordering};

use crate::error::{Error, Result};
use crate::recording::Recording;

use super::machine_file;
use super::scenario::{Bits, check_name};
use super::{Simulated, Truth};

/// The files written.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Written {
    /// `NAME.wav`: the recording.
    pub wav: PathBuf,
    /// `NAME.machine.toml`: the machine file.
    pub machine: PathBuf,
    /// `NAME.truth.json`: the [`Truth`].
    pub truth: PathBuf,
}

impl Simulated {
    /// Writes recording, machine file and truth into a directory, which is made if it is not there.
    ///
    /// Each file is written whole under another name and then renamed, so that no file is ever seen
    /// half written. The same scenario and seed give the same bytes. Files of these names are replaced
    /// only where the machine file among them says that they were simulated.
    ///
    /// # Errors
    /// [`Error::Io`] where the system refuses, [`Error::Input`] where a file is there that was not
    /// simulated, [`Error::Setting`] where the WAV file would be too long for its format (4 GiB).
    pub fn write(&self, directory: impl AsRef<Path>) -> Result<Written> {
        let directory = directory.as_ref();
        std::fs::create_dir_all(directory).map_err(|source| Error::io(directory, source))?;
        let path = |ending: &str| directory.join(format!("{}.{ending}", self.recording.name));
        let written =
            Written { wav: path("wav"), machine: path("machine.toml"), truth: path("truth.json") };
        written.check_replaceable()?;
        write_whole(&written.wav, |file| {
            write_wav(&self.recording, self.bits, file, &written.wav)
        })?;
        let machine = machine_file::text(&self.machine)?;
        write_whole(&written.machine, |file| put(file, machine.as_bytes(), &written.machine))?;
        let truth = truth_text(&self.truth)?;
        write_whole(&written.truth, |file| put(file, truth.as_bytes(), &written.truth))?;
        Ok(written)
    }

    /// Writes recording, machine file and truth beside each other, named after the WAV file `path`, as
    /// [`Simulated::write`] does.
    ///
    /// # Errors
    /// As [`Simulated::write`]; [`Error::Setting`] where `path` does not end in `.wav` or its name holds
    /// other characters than letters, digits, `-` and `_`.
    pub fn write_as(&self, path: impl AsRef<Path>) -> Result<Written> {
        let path = path.as_ref();
        let (folder, name) = folder_and_name(path).ok_or_else(|| {
            let problem = format!("{} does not end in .wav", path.display());
            Error::setting("path", problem, "name the WAV file to be written")
        })?;
        check_name(&name)?;
        let mut named = self.clone();
        named.recording.name.clone_from(&name);
        named.truth.scenario = name;
        named.write(folder)
    }
}

/// The folder of a WAV file, and its name without the ending; `None` where it does not end in `.wav`.
pub(crate) fn folder_and_name(path: &Path) -> Option<(PathBuf, String)> {
    path.extension().filter(|ending| ending.eq_ignore_ascii_case("wav"))?;
    let name = path.file_stem().unwrap_or_default().to_string_lossy().into_owned();
    Some((path.parent().unwrap_or(Path::new("")).to_owned(), name))
}

impl Written {
    /// Refuses to replace files that are not simulated: a recording cannot be made again.
    fn check_replaceable(&self) -> Result<()> {
        let files = [&self.wav, &self.machine, &self.truth];
        match files.into_iter().find(|path| path.symlink_metadata().is_ok()) {
            Some(path) if !is_marked(&self.machine) => Err(Error::input(
                path,
                "",
                "it is there already, and no machine file beside it says that it was simulated",
                "choose another name or folder",
            )),
            _ => Ok(()),
        }
    }
}

/// Whether a file begins with the mark of simulated machine files.
fn is_marked(path: &Path) -> bool {
    let mut start = [0; machine_file::MARK.len()];
    let read = File::open(path).and_then(|mut file| file.read_exact(&mut start));
    read.is_ok() && start == machine_file::MARK.as_bytes()
}

/// The truth as JSON for people: indented, but with each knot on one line.
fn truth_text(truth: &Truth) -> Result<String> {
    let fault = |error: serde_json::Error| Error::Bug(error.to_string());
    let bare = Truth { knots: Vec::new(), ..truth.clone() };
    let text = serde_json::to_string_pretty(&bare).map_err(fault)?;
    let knots: std::result::Result<Vec<String>, _> =
        truth.knots.iter().map(serde_json::to_string).collect();
    let rows = knots.map_err(fault)?.join(",\n    ");
    Ok(text.replace("\"knots\": []", &format!("\"knots\": [\n    {rows}\n  ]")) + "\n")
}

fn put(mut file: &mut BufWriter<File>, bytes: &[u8], path: &Path) -> Result<()> {
    Write::write_all(&mut file, bytes).map_err(|source| Error::io(path, source))
}

/// Fills a file beside `path` and moves it there when it is complete and on the disk.
pub(crate) fn write_whole(
    path: &Path,
    fill: impl FnOnce(&mut BufWriter<File>) -> Result<()>,
) -> Result<()> {
    static WRITTEN: AtomicUsize = AtomicUsize::new(0);
    let mut name = path.file_name().unwrap_or_default().to_owned();
    // two that write the same file at once must not share a part
    let (process, count) = (std::process::id(), WRITTEN.fetch_add(1, Ordering::Relaxed));
    name.push(format!(".{process}-{count}.part"));
    let part = path.with_file_name(name);
    let io = |source| Error::io(&part, source);
    let outcome = File::create(&part)
        .map_err(io)
        .and_then(|file| {
            let mut file = BufWriter::new(file);
            fill(&mut file)?;
            file.flush().and_then(|()| file.get_ref().sync_all()).map_err(io)
        })
        .and_then(|()| std::fs::rename(&part, path).map_err(|source| Error::io(path, source)));
    if outcome.is_err() {
        // the first error is the one to report; a leftover part file does no harm
        let _ = std::fs::remove_file(&part);
    }
    outcome
}

fn write_wav(
    recording: &Recording,
    bits: Bits,
    file: &mut BufWriter<File>,
    path: &Path,
) -> Result<()> {
    let spec = wav_spec(recording, bits)?;
    let refused = |error: hound::Error| match error {
        hound::Error::IoError(source) => Error::io(path, source),
        other => Error::Bug(other.to_string()),
    };
    let mut writer = hound::WavWriter::new(file, spec).map_err(refused)?;
    let length = recording.channels.iter().map(|c| c.len()).min().unwrap_or(0);
    for i in 0..length {
        for channel in &recording.channels {
            // the reader puts an inverted channel right, so the file holds it as wired
            let sign = if channel.spec.inverted { -1.0 } else { 1.0 };
            let value = sign * channel.values()[i];
            match bits.codes() {
                None => writer.write_sample(value).map_err(refused)?,
                Some(codes) => {
                    let full_scale = channel.full_scale.unwrap_or(1.0);
                    let code = (f64::from(value) / full_scale * codes).round();
                    let code = code.clamp(-codes, codes - 1.0) as i32;
                    writer.write_sample(code).map_err(refused)?;
                }
            }
        }
    }
    writer.finalize().map_err(refused)
}

fn wav_spec(recording: &Recording, bits: Bits) -> Result<hound::WavSpec> {
    let rate_hz = recording.channels.first().map_or(0.0, |c| c.rate_hz);
    if rate_hz.fract() != 0.0 {
        return Err(Error::setting(
            "converter.rate_hz",
            format!("{rate_hz} is no whole number, as a WAV file needs"),
            "choose a whole number of Hz",
        ));
    }
    let bytes: f64 = recording.channels.iter().map(|c| c.len() as f64).sum::<f64>()
        * f64::from(u32::from(bits) / 8);
    if bytes > f64::from(u32::MAX) - 1e6 {
        return Err(Error::setting(
            "speed",
            format!("{:.1} GiB do not fit into a WAV file", bytes / 1_073_741_824.0),
            "make the recording shorter",
        ));
    }
    Ok(hound::WavSpec {
        channels: recording.channels.len() as u16,
        sample_rate: rate_hz as u32,
        bits_per_sample: u32::from(bits) as u16,
        sample_format: if bits == Bits::Float {
            hound::SampleFormat::Float
        } else {
            hound::SampleFormat::Int
        },
    })
}
