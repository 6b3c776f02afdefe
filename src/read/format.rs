//! Which format a file is in, by its first bytes, for messages about libraries that did not live
//! to say so.

use super::file_head::head;
use super::sources::Subdataset;
use std::path::Path;

/// First bytes by which formats are told apart.
const BEGINNINGS: &[(&[u8], &str)] = &[
    (b"CDF", "netCDF"),
    (b"\x89HDF\r\n\x1a\n", "netCDF or HDF5"),
    (b"II*\0", "TIFF"),
    (b"MM\0*", "TIFF"),
    (b"II+\0", "TIFF"),
    (b"MM\0+", "TIFF"),
    (b"\0\0\0\x0cjP", "JPEG 2000"),
    (b"\xff\x4f\xff\x51", "JPEG 2000"),
    (b"\x89PNG", "PNG"),
    (b"GRIB", "GRIB"),
    (b"PCIDSK", "PCIDSK"),
    (b"EHFA_HEADER_TAG", "Erdas Imagine"),
    (b"PDS_VERSION_ID", "PDS3"),
    (b"CCSD3ZF", "PDS3"),
    (b"Object = IsisCube", "ISIS cube"),
    (b"<VRTDataset", "virtual raster"),
    (b"DSAA", "Surfer"),
    (b"DSBB", "Surfer"),
    (b"DSRB", "Surfer"),
];

/// Name of a file's format; by its ending where its first bytes tell nothing.
pub(super) fn of(path: &Path) -> String {
    let text = path.to_string_lossy();
    let file = Subdataset::of(&text).map_or(path, |part| Path::new(part.file));
    // Without a look into the file there is still its name.
    let head = head(file, 32).unwrap_or_default();
    let known = BEGINNINGS.iter().find(|(start, _)| head.starts_with(start));
    match (known, file.extension()) {
        (Some((_, name)), _) => (*name).to_owned(),
        (None, Some(ending)) => format!(".{}", ending.to_string_lossy().to_lowercase()),
        (None, None) => "an unknown format".to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn formats_are_told_by_content_then_by_name() {
        let folder = tempfile::tempdir().unwrap();
        let named = |name: &str, bytes: &[u8]| {
            let path = folder.path().join(name);
            std::fs::write(&path, bytes).unwrap();
            path
        };
        let netcdf = named("a.tif", b"CDF\x01\0\0\0\0");
        assert_eq!(of(&netcdf), "netCDF");
        let part = format!("NETCDF:\"{}\":z", netcdf.display());
        assert_eq!(of(Path::new(&part)), "netCDF");
        assert_eq!(of(&named("b.BIL", b"\0\0\0\0")), ".bil");
        assert_eq!(of(&folder.path().join("gone")), "an unknown format");
    }
}
