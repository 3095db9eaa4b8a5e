//! From paths, folders and glob patterns to recordings.

use std::collections::{BTreeSet, HashSet};
use std::fs::File;
use std::io::Read;
use std::path::{Path, PathBuf};

use super::export;
use crate::error::{Error, Result};

/// Endings of recordings, by which they are found in folders.
pub const ENDINGS: &[&str] = &["wav", "csv", "npy", "npz"];
/// Endings of what stands beside recordings: never a recording, even where the shell names it.
const COMPANIONS: &[&str] = &["toml", "json", "jsonl"];

/// All recordings, each once, sorted by path; the folders of the paths are absolute.
///
/// # Errors
/// As [`super::jobs`].
pub(super) fn recordings(paths: &[PathBuf]) -> Result<Vec<PathBuf>> {
    let mut search = Search::default();
    for path in paths {
        match path.metadata() {
            Ok(meta) if meta.is_dir() => search.folder(path),
            Ok(_) => search.named(path),
            Err(source) => match pattern_of(path) {
                Some(pattern) => search.pattern(pattern)?,
                None => return Err(Error::io(path, source)),
            },
        }
    }
    Ok(search.found.into_iter().collect())
}

/// The text of a path that holds wildcards.
fn pattern_of(path: &Path) -> Option<&str> {
    path.to_str().filter(|text| text.contains(['*', '?', '[']))
}

#[derive(Default)]
struct Search {
    found: BTreeSet<PathBuf>,
    /// Folders looked through, as links may lead round in circles.
    seen: HashSet<PathBuf>,
}

impl Search {
    /// A folder that cannot be read is found itself, so that its reason becomes a row.
    fn folder(&mut self, folder: &Path) {
        let Ok(canonical) = folder.canonicalize() else {
            self.add(folder);
            return;
        };
        if !self.seen.insert(canonical) {
            return;
        }
        let Ok(entries) = folder.read_dir() else {
            self.add(folder);
            return;
        };
        for path in entries.flatten().map(|entry| entry.path()) {
            if is_hidden(&path) {
                continue;
            }
            if path.is_dir() {
                self.folder(&path);
            } else if has_ending(&path, ENDINGS) && !is_export(&path) {
                self.add(&path);
            }
        }
    }

    fn named(&mut self, path: &Path) {
        if !has_ending(path, COMPANIONS) && !is_export(path) {
            self.add(path);
        }
    }

    /// A pattern that states an ending takes it at its word.
    fn pattern(&mut self, pattern: &str) -> Result<()> {
        let wrong = |error: &dyn std::fmt::Display| {
            Error::setting(
                "PATH",
                format!("{pattern:?} is no pattern of names: {error}"),
                "use * and ? within names, ** for folders in folders, [ab] for a choice",
            )
        };
        let ending_stated = Path::new(pattern)
            .extension()
            .and_then(|ending| ending.to_str())
            .is_some_and(|ending| !ending.contains(['*', '?', '[', ']']));
        // what is hidden stays so, as in folders
        let options =
            glob::MatchOptions { require_literal_leading_dot: true, ..glob::MatchOptions::new() };
        let matches = glob::glob_with(pattern, options).map_err(|error| wrong(&error))?;
        for entry in matches {
            match entry {
                Ok(path) if path.is_dir() => {
                    // `**` gives every folder, and what is in it as well
                    if !pattern.contains("**") {
                        self.folder(&path);
                    }
                }
                Ok(path) if ending_stated || has_ending(&path, ENDINGS) => self.named(&path),
                Ok(_) => {}
                Err(refused) => self.add(refused.path()),
            }
        }
        Ok(())
    }

    fn add(&mut self, path: &Path) {
        let name = path.file_name();
        let folder = match path.parent() {
            Some(parent) if parent.as_os_str().is_empty() => Path::new("."),
            Some(parent) => parent,
            None => path,
        };
        // the name stays as it is, a link with its own name too
        let found = match (folder.canonicalize(), name) {
            (Ok(folder), Some(name)) => folder.join(name),
            _ => path.to_owned(),
        };
        self.found.insert(found);
    }
}

fn is_hidden(path: &Path) -> bool {
    path.file_name().is_some_and(|name| name.as_encoded_bytes().starts_with(b"."))
}

fn has_ending(path: &Path, endings: &[&str]) -> bool {
    path.extension().is_some_and(|ending| endings.iter().any(|e| ending.eq_ignore_ascii_case(e)))
}

/// Whether a file is the table of a screen, which folders of recordings tend to hold.
fn is_export(path: &Path) -> bool {
    let mut start = [0; export::MARK.len()];
    has_ending(path, &["csv"])
        && path.is_file()
        && File::open(path).and_then(|mut file| file.read_exact(&mut start)).is_ok()
        && start == export::MARK.as_bytes()
}

#[cfg(test)]
mod tests {
    use std::fs;

    use super::*;

    /// A folder with recordings, companions and clutter.
    fn archive() -> tempfile::TempDir {
        let folder = tempfile::tempdir().expect("a folder");
        let path = |name: &str| folder.path().join(name);
        fs::create_dir_all(path("2026/march")).expect("folders");
        fs::create_dir_all(path(".trash")).expect("folders");
        for name in [
            "a.wav",
            "b.CSV",
            "2026/c.npy",
            "2026/march/d.npz",
            "2026/march/e.WAV",
            "notes.txt",
            "a.machine.toml",
            "a.truth.json",
            "screen.jsonl",
            "._a.wav",
            ".trash/f.wav",
            "g.dat",
        ] {
            fs::write(path(name), "1\n2\n").expect("a file");
        }
        fs::write(path("table.csv"), format!("{}verdict\n", export::MARK)).expect("a file");
        folder
    }

    fn names(folder: &Path, paths: &[&str]) -> Vec<String> {
        let paths: Vec<PathBuf> = paths.iter().map(|path| folder.join(path)).collect();
        let root = folder.canonicalize().expect("a folder");
        let name = |path: PathBuf| {
            path.strip_prefix(&root).expect("inside").to_str().expect("plain").replace('\\', "/")
        };
        recordings(&paths).expect("found").into_iter().map(name).collect()
    }

    #[test]
    fn folders_patterns_and_files_are_found_once() {
        let archive = archive();
        let all = ["2026/c.npy", "2026/march/d.npz", "2026/march/e.WAV", "a.wav", "b.CSV"];
        assert_eq!(names(archive.path(), &[""]), all);
        assert_eq!(names(archive.path(), &["", "a.wav", "2026", "2026/../a.wav"]), all);
        assert_eq!(names(archive.path(), &["**/*"]), all);
        assert_eq!(
            names(archive.path(), &["*"]),
            all,
            "a folder that fits a pattern is gone through"
        );
        assert_eq!(names(archive.path(), &["*.wav"]), ["a.wav"]);
        assert_eq!(names(archive.path(), &["**/*.npz"]), ["2026/march/d.npz"]);
        assert_eq!(names(archive.path(), &["*.dat"]), ["g.dat"]);
        // as a shell gives them
        assert_eq!(
            names(archive.path(), &["a.wav", "a.machine.toml", "a.truth.json", "notes.txt"]),
            ["a.wav", "notes.txt"]
        );
        assert!(names(archive.path(), &["table.csv", "screen.jsonl"]).is_empty());
    }

    #[test]
    fn what_is_not_there_is_told() {
        let archive = archive();
        let of = |name: &str| recordings(&[archive.path().join(name)]);
        assert!(matches!(of("missing.wav"), Err(Error::Io { .. })));
        assert!(of("z*.wav").expect("a pattern").is_empty());
        assert!(matches!(of("***.wav"), Err(Error::Setting { .. })));
    }

    #[cfg(unix)]
    #[test]
    fn links_in_circles_end() {
        use std::os::unix::fs::symlink;
        let archive = archive();
        symlink(archive.path(), archive.path().join("2026/round")).expect("a link");
        symlink("nowhere.wav", archive.path().join("broken.wav")).expect("a link");
        let found = names(archive.path(), &[""]);
        assert_eq!(found.len(), 6, "{found:?}");
        assert!(found.contains(&"broken.wav".to_owned()), "a row with its reason");
    }

    #[test]
    fn a_name_with_wildcards_is_taken_as_it_stands() {
        let archive = archive();
        fs::write(archive.path().join("spin[1].wav"), "1\n").expect("a file");
        assert_eq!(names(archive.path(), &["spin[1].wav"]), ["spin[1].wav"]);
    }
}
