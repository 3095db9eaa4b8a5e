//! Texts compared to the byte with files of tests/rust/snapshots.

use std::path::Path;

/// Compares `text` with the snapshot of that name. `QUIETSPIN_UPDATE_SNAPSHOTS=1` writes it instead:
/// read the change before committing it.
pub fn compare(name: &str, text: &str) {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/rust/snapshots").join(name);
    if std::env::var_os("QUIETSPIN_UPDATE_SNAPSHOTS").is_some_and(|value| value == "1") {
        std::fs::write(&path, text).expect("the snapshot can be written");
    }
    let kept = std::fs::read_to_string(&path).unwrap_or_default();
    assert!(
        kept == text,
        "{name} differs from {}\n--- kept\n{kept}--- now\n{text}",
        path.display()
    );
}
