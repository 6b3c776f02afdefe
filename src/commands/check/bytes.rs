//! Whether a folder holds, byte for byte, what its run wrote there.
//!
//! The other checks judge: is this a globe that can be carved? These prove: is it the one that was
//! made? What a maker may do on purpose, such as laying a note beside the images or saving an
//! image again, is named and is no fault.

use super::CheckLine;
use super::image;
use crate::model::parallel;
use crate::output::manifest::checksums::{hex, of_pixels};
use crate::output::manifest::file::{Seal, seal, stays_inside};
use crate::output::manifest::{FacetEntry, FileEntry, MANIFEST_FILE, Manifest};
use sha2::{Digest, Sha256};
use std::collections::BTreeSet;
use std::fs::File;
use std::io::Read;
use std::path::{Path, PathBuf};

/// Files that are not part of the result and are named one by one; of more, only the number.
const MOST_NAMED: usize = 20;

/// Bytes read at a time.
const PIECE: usize = 1 << 16;

/// One line for each thing that is not as it was written, and whether every listed byte is.
pub fn lines(folder: &Path, manifest: &Manifest, text: &str) -> (Vec<CheckLine>, bool) {
    let sealed = seal(text, manifest);
    if manifest.files.is_empty() && matches!(sealed, Seal::Absent | Seal::Whole) {
        let found = "the manifest lists no checksums, so nothing proves the bytes";
        return (vec![CheckLine::note("bytes", found)], false);
    }
    let mut lines = match sealed {
        Seal::Whole => Vec::new(),
        Seal::SavedAgain => vec![CheckLine::note(
            MANIFEST_FILE,
            "it was saved again by another program; what it says is the same",
        )],
        Seal::Broken => vec![wrong(MANIFEST_FILE, "it is not what was written")],
        Seal::Absent => vec![wrong(MANIFEST_FILE, "its own checksum is missing")],
    };
    let states = parallel::mapped(&manifest.files, &|entry| look_at(folder, manifest, entry));
    let whole = states.iter().filter(|state| **state == State::Whole);
    let whole = whole.count();
    let of_files = manifest.files.iter().zip(states);
    lines.extend(of_files.filter_map(|(entry, state)| state.line(&entry.file)));
    let (count, holds) = (manifest.files.len(), lines.iter().all(|line| line.ok));
    if holds {
        let files = match count {
            1 => "1 file".to_owned(),
            n if n == whole => format!("{n} files"),
            n => format!("{whole} of {n} files"),
        };
        let manifest = match sealed {
            Seal::Whole => " and the manifest",
            _ => "",
        };
        let found = format!("{files}{manifest} are byte for byte what was written");
        lines.push(CheckLine::new("bytes", Ok(found)));
    }
    lines.extend(others(folder, manifest));
    (lines, holds && whole == count && count > 0)
}

fn wrong(file: &str, what: impl Into<String>) -> CheckLine {
    CheckLine::new(file, Err(what.into()))
}

/// What became of one listed file.
#[derive(Debug, Clone, PartialEq)]
enum State {
    Whole,
    /// Other bytes, the same pixels.
    SavedAgain,
    Wrong(String),
}

impl State {
    fn line(self, file: &str) -> Option<CheckLine> {
        match self {
            State::Whole => None,
            State::SavedAgain => Some(CheckLine::note(
                file,
                "it was saved again by another program; its pixels are the same",
            )),
            State::Wrong(what) => Some(wrong(file, what)),
        }
    }
}

fn look_at(folder: &Path, manifest: &Manifest, entry: &FileEntry) -> State {
    let name = Path::new(&entry.file);
    if !stays_inside(name) || entry.file.is_empty() {
        return State::Wrong("its name leads out of the folder".into());
    }
    let path = folder.join(name);
    let found = match compare(&path, entry) {
        Ok(None) => return State::Whole,
        Ok(Some(found)) => found,
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => {
            return State::Wrong("it is missing".into());
        }
        Err(e) => return State::Wrong(format!("it cannot be read: {e}")),
    };
    // What follows a whole file is no image saved again, though its pixels be the same.
    let (Some(pixels), false) = (&entry.pixels_sha256, found.only_longer) else {
        return State::Wrong(found.what);
    };
    let facet = of_facet(manifest, &entry.file);
    let same = facet.map(|facet| {
        let image = image::read(&path, facet.width_px, facet.height_px)?;
        Ok::<_, String>(of_pixels(&image.levels) == *pixels)
    });
    match same {
        Some(Ok(true)) => State::SavedAgain,
        Some(Ok(false)) => {
            State::Wrong("its bytes are not those that were written, nor are its pixels".into())
        }
        Some(Err(_)) | None => State::Wrong(found.what),
    }
}

/// The facet that an image shows, as it is, roughed or as the bit leaves it.
fn of_facet<'a>(manifest: &'a Manifest, file: &str) -> Option<&'a FacetEntry> {
    let bits = manifest.cutting.iter().flat_map(|cutting| &cutting.facets);
    let mut bits = bits.filter(|facet| {
        let files = [&facet.rough_file, &facet.carved_file];
        files.contains(&&Some(file.to_owned()))
    });
    let id = bits.next().map(|facet| facet.id);
    let mut facets = manifest.facets.iter();
    facets.find(|facet| facet.file == file || Some(facet.id) == id)
}

/// How a file differs from what is listed.
struct FileDifference {
    what: String,
    /// It begins with all that was written.
    only_longer: bool,
}

/// Nothing when the file holds what is listed.
fn compare(path: &Path, entry: &FileEntry) -> std::io::Result<Option<FileDifference>> {
    let kind = std::fs::metadata(path)?;
    let differs = |what: String| {
        Ok(Some(FileDifference {
            what,
            only_longer: false,
        }))
    };
    // To open a pipe is to wait for whoever writes into it.
    if !kind.is_file() {
        return differs("it is no file".into());
    }
    let bytes = kind.len();
    if bytes < entry.bytes {
        return differs(format!(
            "it holds {bytes} bytes, and {} were written",
            entry.bytes
        ));
    }
    let mut file = File::open(path)?.take(entry.bytes);
    let mut sum = Sha256::new();
    let mut piece = vec![0; PIECE];
    loop {
        match file.read(&mut piece)? {
            0 => break,
            read => sum.update(&piece[..read]),
        }
    }
    if hex(sum.finalize()) != entry.sha256 {
        return differs("its bytes are not those that were written".into());
    }
    Ok((bytes > entry.bytes).then(|| FileDifference {
        what: match bytes - entry.bytes {
            1 => "a byte follows the end of what was written".into(),
            more => format!("{more} bytes follow the end of what was written"),
        },
        only_longer: true,
    }))
}

/// Notes on what lies in the folder and is not listed.
fn others(folder: &Path, manifest: &Manifest) -> Vec<CheckLine> {
    let listed: BTreeSet<PathBuf> = manifest
        .files
        .iter()
        .map(|entry| PathBuf::from(&entry.file))
        .chain([PathBuf::from(MANIFEST_FILE)])
        .collect();
    let mut lines = Vec::new();
    let mut more = 0usize;
    let mut name = |file: &Path, end: &str| match lines.len() < MOST_NAMED {
        true => lines.push(CheckLine::note(
            format!("{}{end}", file.display()),
            "it is no part of the result",
        )),
        false => more += 1,
    };
    let mut folders = vec![PathBuf::new()];
    while let Some(inner) = folders.pop() {
        let Ok(entries) = std::fs::read_dir(folder.join(&inner)) else {
            continue;
        };
        let mut entries: Vec<_> = entries.flatten().collect();
        entries.sort_by_key(std::fs::DirEntry::file_name);
        for entry in entries {
            let file = inner.join(entry.file_name());
            // A link to a folder counts as a file: what it leads to is not in this folder.
            let is_folder = entry.file_type().is_ok_and(|kind| kind.is_dir());
            if !is_folder && !listed.contains(&file) {
                name(&file, "");
            } else if is_folder && listed.iter().any(|listed| listed.starts_with(&file)) {
                folders.push(file);
            } else if is_folder {
                name(&file, "/");
            }
        }
    }
    if more > 0 {
        let found = format!("{more} more are no part of the result");
        lines.push(CheckLine::note("other files", found));
    }
    lines
}
