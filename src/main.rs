//! Parse, run, print, exit code.

fn main() {}
