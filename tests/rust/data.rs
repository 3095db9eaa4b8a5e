//! The folder of open recordings that `QUIETSPIN_DATA` names; they are no part of the project.

use std::path::PathBuf;

/// The folder; `None` where the variable is not set or empty, which is said in a line.
///
/// # Panics
/// Where the variable names no folder: then the test must fail, not skip.
pub fn folder() -> Option<PathBuf> {
    let named = std::env::var_os("QUIETSPIN_DATA").filter(|name| !name.is_empty());
    let Some(folder) = named.map(PathBuf::from) else {
        println!("skipped: QUIETSPIN_DATA is not set, so there are no open recordings");
        return None;
    };
    assert!(folder.is_dir(), "QUIETSPIN_DATA names {}, which is no folder", folder.display());
    Some(folder)
}

/// The recordings in a folder below it, sorted.
///
/// # Panics
/// Where the folder is missing or holds no recording.
pub fn recordings(kind: &str) -> Vec<PathBuf> {
    let Some(folder) = folder().map(|data| data.join(kind)) else { return Vec::new() };
    let entries = std::fs::read_dir(&folder);
    let entries = entries.unwrap_or_else(|error| panic!("{}: {error}", folder.display()));
    let paths = entries.map(|entry| entry.expect("an entry").path());
    let mut found: Vec<PathBuf> =
        paths.filter(|path| path.extension().is_some_and(|ending| ending == "wav")).collect();
    assert!(!found.is_empty(), "{} holds no recording", folder.display());
    found.sort();
    found
}

/// The folders that hold recordings.
pub const KINDS: [&str; 5] = ["cwru", "mfpt", "hit", "motor_rig", "sound"];
