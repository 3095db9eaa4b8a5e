//! The WAV walker: whatever follows the twelve bytes of a RIFF or RF64 head, reading ends in a
//! recording or in one sentence.

#![no_main]

use libfuzzer_sys::fuzz_target;

fuzz_target!(|input: &[u8]| {
    let Some((kind, chunks)) = input.split_first() else { return };
    let head: &[u8] = if kind % 2 == 0 { b"RIFF\xff\xff\xff\xffWAVE" } else { b"RF64\xff\xff\xff\xffWAVE" };
    quietspin_fuzz::of_file(&[head, chunks].concat());
});
