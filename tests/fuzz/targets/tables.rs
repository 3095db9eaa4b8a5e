//! Every reader: the kind of file is told from its first bytes, so any input may reach any of them.

#![no_main]

use libfuzzer_sys::fuzz_target;

fuzz_target!(|input: &[u8]| quietspin_fuzz::of_file(input));
