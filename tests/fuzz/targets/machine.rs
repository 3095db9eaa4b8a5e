//! The machine file: any text is refused in one sentence or understood, and what was understood
//! reads back the same from its resolved copy.

#![no_main]

use std::path::Path;

use libfuzzer_sys::fuzz_target;
use quietspin::machine::parse::{from_text, resolved_toml};

fuzz_target!(|text: &str| {
    match from_text(text, Path::new("machine.toml")) {
        Ok(machine) => {
            let copy = from_text(&resolved_toml(&machine), Path::new("copy.toml"));
            assert_eq!(copy.expect("a resolved copy can be read"), machine);
        }
        Err(error) => quietspin_fuzz::is_sentence(&error),
    }
});
