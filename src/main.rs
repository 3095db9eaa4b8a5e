//! The `quietspin` command.

fn main() {}
