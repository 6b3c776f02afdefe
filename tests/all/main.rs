//! Whole runs of the program and the library.

/// A page in the system's Chromium.
mod browser;
/// The command line: what it prints, where, and its exit codes.
mod cli;
/// Curves compared and suggested, and a finished relief taken back.
mod curves;
/// Bits and turns: what they reach, and where seams go.
mod cuts;
/// Grids with bytes changed at random.
mod damaged;
/// The documents against the code.
mod documents;
/// Drawings read back.
mod drawn;
/// The ball folded from the printed map.
mod folded;
/// What a pixel shows of noise finer than itself.
mod footprint;
/// Files that lead elsewhere.
mod hostile;
/// Bodies that are no balls.
mod irregular;
/// Jobs made in parts, and the parts put together.
mod join;
/// Runs that are killed, told to end, or whose result nobody reads.
mod kills;
/// The floors of the source.
mod layers;
/// Bounds on memory: the same bytes, or a refusal.
mod memory;
/// Bad input: the message, the exit code, and nothing left behind.
mod messages;
/// Published tables, PROJ and real open grids.
mod outside;
/// What the Debian package is made of.
mod package;
/// The report page in a browser, and meshes.
mod page;
/// The tuning bench: its door, and its page in a real browser.
mod preview;
/// Elevation products as they are published: what `inspect` says of faithful small copies.
mod products;
/// Finished folders that were changed: what proves every byte.
mod proof;
/// Heights worked out again from the manifest, the image and the grid alone.
mod rebuild;
/// Whole jobs: what must hold whatever the solid, the threads or the facets asked for.
mod runs;
/// The process that reads grids.
#[cfg(target_os = "linux")]
mod subprocess;
/// Grids from formulas, temporary folders, runs.
mod support;
/// What surrounds a run: variables, locales, time zones.
mod surroundings;
