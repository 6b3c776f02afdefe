//! SHA-256 of what a run wrote (FIPS 180-4), so that every byte of a folder can be proved.
//!
//! The manifest lists the other files, and its last field is a sum over its own text. They prove
//! against accidents and against changes by hand; whoever changes a folder on purpose can work
//! them out anew.

use crate::output::manifest::Manifest;
use crate::output::manifest::file;
use ndarray::Array2;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};

/// One file beside the manifest.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct FileEntry {
    /// Name, relative to the folder.
    pub file: String,
    /// Length.
    pub bytes: u64,
    /// SHA-256 of the bytes, in hexadecimal digits.
    pub sha256: String,
    /// Of a height image: SHA-256 of its pixels, row by row from the top, the high byte first.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub pixels_sha256: Option<String>,
}

impl FileEntry {
    /// What is to be listed of a file.
    pub fn of(file: &str, bytes: &[u8]) -> FileEntry {
        FileEntry {
            file: file.to_owned(),
            bytes: bytes.len() as u64,
            sha256: of_bytes(bytes),
            pixels_sha256: None,
        }
    }
}

/// SHA-256 in hexadecimal digits.
pub fn of_bytes(bytes: &[u8]) -> String {
    hex(Sha256::digest(bytes))
}

/// SHA-256 of an image's pixels, whatever file they are kept in.
pub fn of_pixels(levels: &Array2<u16>) -> String {
    let mut sum = Sha256::new();
    let mut line = Vec::new();
    for row in levels.outer_iter() {
        line.clear();
        line.extend(row.iter().flat_map(|level| level.to_be_bytes()));
        sum.update(&line);
    }
    hex(sum.finalize())
}

/// The digits of a sum.
pub fn hex(sum: impl AsRef<[u8]>) -> String {
    sum.as_ref()
        .iter()
        .map(|byte| format!("{byte:02x}"))
        .collect()
}

/// What the sum over a manifest's own text says of it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Seal {
    /// There is none: the manifest is from before they were written.
    Absent,
    /// The text is what was written.
    Whole,
    /// What it says is what was written, in another layout.
    SavedAgain,
    /// It says something else.
    Broken,
}

/// How the text ends, before and after the digits of the sum.
const BEFORE: &str = "\n  \"sha256\": \"";
const AFTER: &str = "\"\n}\n";

/// Judges a manifest's text by the sum in it; `manifest` is what was read from it.
pub fn seal(text: &str, manifest: &Manifest) -> Seal {
    if let Some(rest) = text.strip_suffix(AFTER)
        && let Some(at) = rest.rfind(BEFORE)
    {
        let (start, sum) = rest.split_at(at + BEFORE.len());
        if of_bytes(format!("{start}{AFTER}").as_bytes()) == sum {
            return Seal::Whole;
        }
    }
    // Read twice: it is no part of what the manifest says.
    #[derive(Deserialize)]
    struct Sum {
        sha256: Option<String>,
    }
    let sum = serde_json::from_str(text).map(|sum: Sum| sum.sha256);
    match (sum, file::sealed(manifest)) {
        (Ok(None), _) => Seal::Absent,
        (Ok(Some(sum)), Ok((_, again))) if sum == again => Seal::SavedAgain,
        _ => Seal::Broken,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::output::manifest::testing::cube;

    /// FIPS 180-4, examples of NIST: one block, and two.
    #[test]
    fn sums_are_those_of_the_standard() {
        assert_eq!(
            of_bytes(b"abc"),
            "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
        );
        let two = b"abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq";
        assert_eq!(
            of_bytes(two),
            "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1"
        );
        // The same bytes as pixels: "ab", "cd" and so on.
        let levels = two.chunks(2).map(|b| u16::from_be_bytes([b[0], b[1]]));
        let levels = Array2::from_shape_vec((4, 7), levels.collect()).unwrap();
        assert_eq!(of_pixels(&levels), of_bytes(two));
    }

    #[test]
    fn a_manifest_proves_itself() {
        let manifest = cube();
        let text = file::text(&manifest).unwrap();
        assert_eq!(seal(&text, &manifest), Seal::Whole);
        // As the manual page says it is done by hand.
        let sum = text.rsplit('"').nth(1).unwrap();
        assert_eq!(of_bytes(text.replace(sum, "").as_bytes()), sum);

        let value: serde_json::Value = serde_json::from_str(&text).unwrap();
        let again = format!("{value:#}");
        assert_eq!(seal(&again, &manifest), Seal::SavedAgain);
        assert_eq!(seal(&format!("{text}\n"), &manifest), Seal::SavedAgain);

        // Two tilts changed against each other, by as little as can be written.
        let mut other = manifest.clone();
        for (facet, by) in [(0, 1e-9), (1, -1e-9)] {
            other.facets[facet].edges[0].tilt_deg += by;
        }
        let changed = file::text(&other).unwrap();
        let new_sum = changed.rsplit('"').nth(1).unwrap();
        let changed = changed.replace(new_sum, sum);
        assert_eq!(seal(&changed, &other), Seal::Broken);

        let without = text.replace(&format!(",\n  \"sha256\": \"{sum}\""), "");
        assert_eq!(seal(&without, &manifest), Seal::Absent);
    }
}
