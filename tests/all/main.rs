//! Whole runs of the program and the library.

/// The command line: what it prints, where, and its exit codes.
mod cli;
/// Jobs made in parts, and the parts put together.
mod join;
