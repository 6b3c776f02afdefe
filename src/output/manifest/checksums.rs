//! SHA-256 of what a run wrote (FIPS 180-4), so that every byte of a folder can be proved.
//!
//! The manifest lists the other files, and its last field is a sum over its own text. They prove
//! against accidents and against changes by hand; whoever changes a folder on purpose can work
//! them out anew.

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
    let mut line = vec![0; levels.ncols()];
    for row in levels.outer_iter() {
        // Whole numbers turned round, which many are at a time, not bytes one by one.
        let turn = |(out, level): (&mut u16, &u16)| *out = level.to_be();
        match row.as_slice() {
            Some(row) => line.iter_mut().zip(row).for_each(turn),
            None => line.iter_mut().zip(&row).for_each(turn),
        }
        sum.update(bytemuck::cast_slice::<u16, u8>(&line));
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

#[cfg(test)]
mod tests {
    use super::*;

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
}
