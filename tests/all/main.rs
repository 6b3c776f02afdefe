//! Whole runs of the program and the library.

/// The command line: what it prints, where, and its exit codes.
mod cli;
/// Bits and turns: what they reach, and where seams go.
mod cuts;
