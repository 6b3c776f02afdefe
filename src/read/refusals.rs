//! Words for files that are refused, and where a file that another names may lie.

use crate::model::error::{Error, Problem, Result};
use gdal::errors::GdalError;
use std::path::{Component, Path, PathBuf};

/// Adds the file to an error that names none.
pub(super) fn named(error: Error, path: &Path) -> Error {
    match error.problem().has_file() {
        true => error,
        false => renamed(error, path),
    }
}

/// The same error about another file.
pub(super) fn renamed(mut error: Error, path: &Path) -> Error {
    let problem = std::mem::take(error.problem_mut());
    *error.problem_mut() = problem.file(path);
    error
}

/// A file GDAL does not open.
pub(super) fn unreadable(path: &Path, error: &GdalError) -> Error {
    if path.extension().is_some_and(|ending| ending == "toml") {
        return Error::Grid(
            Problem::new("this is a job file, not a grid")
                .allowed("the grid that the job names under [grid]")
                .next("name that file instead")
                .file(path),
        );
    }
    let said = said(path, error);
    // Every GDAL has other words for that.
    let what = match said.contains("not recognized") {
        true => "the file is in no format that is read".to_owned(),
        false => format!("the file could not be opened as a grid{said}"),
    };
    Error::Grid(
        Problem::new(what)
            .allowed("GeoTIFF, netCDF, JPEG 2000, HGT, VRT, PDS3 label and other gridded formats")
            .next("check that the file is complete, or convert it to GeoTIFF")
            .file(path),
    )
}

/// GDAL's own words, on one line, with the file as it was named.
pub(super) fn said(path: &Path, error: &GdalError) -> String {
    let text = match error {
        GdalError::CplError { msg, .. } | GdalError::NullPointer { msg, .. } => msg.clone(),
        other => other.to_string(),
    };
    let text = text.split_whitespace().collect::<Vec<_>>().join(" ");
    let text = match std::path::absolute(path) {
        Ok(full) => text.replace(&*full.to_string_lossy(), &path.to_string_lossy()),
        Err(_) => text,
    };
    if text.is_empty() {
        String::new()
    } else {
        format!(": {}", text.trim_end_matches('.'))
    }
}

pub(super) fn canonical(path: &Path) -> Result<PathBuf> {
    std::fs::canonicalize(path).map_err(|e| Error::io(path, "find", &e))
}

pub(super) fn elsewhere(path: &Path, parent: &Path) -> Error {
    Error::Grid(
        Problem::new("the file refers to a file outside its own folder")
            .found(format!("\"{}\"", path.display()))
            .allowed("files in or below its folder, or named in the job as well")
            .next("put them together")
            .file(parent),
    )
}

/// A file that a header names, which must lie beside or below it.
pub(super) fn beside_by_name(file: &Path, name: &str) -> Result<PathBuf> {
    let plain = Path::new(name)
        .components()
        .all(|part| matches!(part, Component::Normal(_) | Component::CurDir));
    if name.is_empty() || !plain || name.contains([':', '&', '\\', '\0']) {
        return Err(elsewhere(Path::new(name), file));
    }
    let there = file.parent().unwrap_or(file).join(name);
    if let (Ok(real), Some(folder)) = (std::fs::canonicalize(&there), canonical(file)?.parent())
        && !real.starts_with(folder)
    {
        return Err(elsewhere(Path::new(name), file));
    }
    Ok(there)
}
