//! Data flows one way: each room imports only from rooms above it in the list.

use std::fs;
use std::path::{Path, PathBuf};

/// The rooms, top to bottom. A room may use those before it.
const ROOMS: &[&str] = &[
    "units",
    "error",
    "progress",
    "dsp",
    "recording",
    "machine",
    "simulate",
    "speed",
    "angle",
    "spectrum",
    "fitness",
    "case",
    "signature",
    "balance",
    "release",
    "diagnose",
    "screen",
    "figure",
    "report",
    "cli",
    "python",
];
/// Crates that only one room may touch.
const HELD: &[(&str, &str)] = &[
    ("rustfft", "dsp"),
    ("realfft", "dsp"),
    ("pyo3", "python"),
    ("numpy", "python"),
    ("clap", "cli"),
];

/// One source file: its room and its text without comments.
struct Source {
    name: String,
    room: String,
    code: String,
}

fn violations(sources: &[Source]) -> Vec<String> {
    let mut found = Vec::new();
    for source in sources {
        let Some(own) = ROOMS.iter().position(|room| *room == source.room) else {
            found.push(format!("{}: the room {:?} is not in the list", source.name, source.room));
            continue;
        };
        for used in imported_rooms(&source.code) {
            match ROOMS.iter().position(|room| *room == used) {
                Some(other) if other > own => {
                    found.push(format!(
                        "{}: {} imports {used}, which stands below",
                        source.name, source.room
                    ));
                }
                _ => {}
            }
        }
        for (name, room) in HELD {
            let touches = [format!("use {name}"), format!("{name}::"), format!("#[{name}")];
            if *room != source.room && touches.iter().any(|t| source.code.contains(t.as_str())) {
                found.push(format!("{}: {name} belongs to {room}", source.name));
            }
        }
    }
    found
}

/// The first path segment after every `crate::`, braces opened.
fn imported_rooms(code: &str) -> Vec<String> {
    let first_word = |path: &str| {
        let is_word = |c: char| c.is_alphanumeric() || c == '_';
        path.trim().chars().take_while(|&c| is_word(c)).collect()
    };
    let mut rooms = Vec::new();
    for rest in code.split("crate::").skip(1) {
        match rest.strip_prefix('{') {
            Some(inside) => rooms.extend(members(inside).into_iter().map(first_word)),
            None => rooms.push(first_word(rest)),
        }
    }
    rooms
}

/// What stands between commas up to the brace that ends the group, whatever braces stand within.
fn members(inside: &str) -> Vec<&str> {
    let (mut depth, mut from) = (0, 0);
    let mut found = Vec::new();
    for (at, c) in inside.char_indices() {
        match c {
            '{' => depth += 1,
            ',' | '}' if depth == 0 => {
                found.push(&inside[from..at]);
                from = at + 1;
                if c == '}' {
                    break;
                }
            }
            '}' => depth -= 1,
            _ => {}
        }
    }
    found
}

fn without_comments(text: &str) -> String {
    let code = |line: &str| line.split("//").next().unwrap_or_default().to_owned();
    text.lines().map(code).collect::<Vec<_>>().join("\n")
}

fn read_all(folder: &Path, root: &Path, sources: &mut Vec<Source>) {
    let mut entries: Vec<PathBuf> =
        fs::read_dir(folder).expect("src is there").map(|e| e.expect("readable").path()).collect();
    entries.sort();
    for path in entries {
        if path.is_dir() {
            read_all(&path, root, sources);
        } else if path.extension().is_some_and(|e| e == "rs") {
            let inside = path.strip_prefix(root).expect("below src");
            let first = inside.iter().next().expect("a name").to_string_lossy();
            let room = first.trim_end_matches(".rs").to_owned();
            if room == "lib" || room == "main" {
                continue;
            }
            let text = fs::read_to_string(&path).expect("UTF-8");
            sources.push(Source {
                name: inside.display().to_string(),
                room,
                code: without_comments(&text),
            });
        }
    }
}

#[test]
fn no_room_imports_from_below() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let mut sources = Vec::new();
    read_all(&root, &root, &mut sources);
    assert!(sources.len() > 30, "the walk found only {} files", sources.len());
    assert_eq!(violations(&sources), Vec::<String>::new());
}

#[test]
fn planted_violations_are_found() {
    let plant = |room: &str, code: &str| Source {
        name: format!("{room}/planted.rs"),
        room: room.to_owned(),
        code: without_comments(code),
    };
    let caught = |room, code| violations(&[plant(room, code)]).len();
    assert_eq!(caught("speed", "use crate::report::text;"), 1);
    assert_eq!(caught("speed", "use crate::{units, signature::weigh};"), 1);
    assert_eq!(caught("speed", "use crate::{dsp::{fft, peaks}, report};"), 1);
    assert_eq!(caught("speed", "use crate::{dsp::{fft::{Fft}}, units,\n signature};"), 1);
    assert_eq!(caught("speed", "use crate::{dsp::{report}, units}; fn report() {}"), 0);
    assert_eq!(caught("angle", "let x = crate::diagnose::verdict();"), 1);
    assert_eq!(caught("speed", "use rustfft::FftPlanner;"), 1);
    assert_eq!(caught("report", "#[pyo3(get)]"), 1);
    assert_eq!(caught("cellar", "use crate::units;"), 1);
    assert_eq!(caught("speed", "// use crate::report::text;\nuse crate::dsp::fft;"), 0);
}
