//! What must hold for every input: a recording of finite numbers, or one sentence that names the
//! file. A panic is the fuzzer's to report.

use std::path::PathBuf;

use quietspin::error::Error;
use quietspin::progress::Silent;
use quietspin::recording::read::read;

/// Puts `bytes` into this process's own file and reads it.
///
/// # Panics
/// Where the outcome is neither, or a fault of the library itself.
pub fn of_file(bytes: &[u8]) {
    let path = own_file();
    std::fs::write(&path, bytes).expect("a folder that can be written");
    match read(&path, &mut Silent) {
        Ok(recording) => {
            for channel in &recording.channels {
                assert!(channel.rate_hz.is_finite() && channel.rate_hz > 0.0);
                assert!(channel.values().iter().all(|x| x.is_finite()));
            }
        }
        Err(error) => is_sentence(&error),
    }
}

/// A refusal is one line and no fault of the library itself.
pub fn is_sentence(error: &Error) {
    assert!(!matches!(error, Error::Bug(_)), "{error}");
    let words = error.to_string();
    assert!(!words.is_empty() && !words.contains(['\n', '\r', '\u{1b}']), "{words:?}");
}

/// In memory where the system has such a folder: the disk would set the pace.
fn own_file() -> PathBuf {
    let memory = PathBuf::from("/dev/shm");
    let folder = if memory.is_dir() { memory } else { std::env::temp_dir() };
    folder.join(format!("quietspin-fuzz-{}", std::process::id()))
}
