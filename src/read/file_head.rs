//! How files begin, by which formats are told apart.

use std::fs::File;
use std::io::{Read, Result};
use std::path::Path;

/// So many bytes from the beginning of a file, or all there are.
pub(super) fn head(path: &Path, most: u64) -> Result<Vec<u8>> {
    let mut bytes = Vec::new();
    File::open(path)?.take(most).read_to_end(&mut bytes)?;
    Ok(bytes)
}

/// Bytes as text: headers are plain ASCII, and what follows them is anything.
pub(super) fn latin_1(bytes: &[u8]) -> String {
    bytes.iter().map(|&b| char::from(b)).collect()
}

/// Whether a mark stands anywhere in bytes, in upper or lower case.
pub(super) fn holds(bytes: &[u8], mark: &str) -> bool {
    let mut windows = bytes.windows(mark.len());
    windows.any(|window| window.eq_ignore_ascii_case(mark.as_bytes()))
}
