//! Parts: what a run writes beside the final name, and what runs that were cut off left there.
//!
//! A part bears the final name in its own, so that the next run into the same place finds it, and
//! is locked by the run that writes it. The system drops the lock with the process, however that
//! ends, so a part that can be locked belongs to no one.

use super::disk;
use std::ffi::{OsStr, OsString};
use std::fs::File;
use std::io::{Error, ErrorKind, Result};
use std::path::{Path, PathBuf};

/// Between the final name and a few letters of chance: no one names anything of their own so.
const PART: &str = ".globewright-part-";

/// The same for an earlier result that makes room, where the system cannot exchange two folders.
const OLD: &str = ".globewright-old-";

/// Letters of chance.
const CHANCE: usize = 6;

/// Tries to make a part that no one else takes for left behind before it is locked.
const MAKE_TRIES: u32 = 20;

/// What is written before it is put in its place.
#[derive(Debug)]
pub(super) struct Part {
    pub path: PathBuf,
    /// Held as long as this is. `None` where the disk has no locks; then no other run can take
    /// the part for left behind either.
    _lock: Option<File>,
}

impl Part {
    /// A new part for a final name in a folder, made by `make`.
    pub fn make(folder: &Path, name: &OsStr, make: fn(&Path) -> Result<()>) -> Result<Part> {
        for _ in 0..MAKE_TRIES {
            let path = unused(folder, name, PART, make)?;
            match hold(&path) {
                Ok(Some(lock)) => {
                    let _lock = Some(lock);
                    return Ok(Part { path, _lock });
                }
                // Another run has just taken it for one left behind.
                Ok(None) => {}
                Err(e) if e.kind() == ErrorKind::NotFound => {}
                Err(_) => return Ok(Part { path, _lock: None }),
            }
        }
        Err(ErrorKind::Interrupted.into())
    }
}

/// A name beside the final one for an earlier result that makes room.
pub(super) fn name_aside(folder: &Path, name: &OsStr) -> Result<PathBuf> {
    unused(folder, name, OLD, |path| match path.symlink_metadata() {
        Err(e) if e.kind() == ErrorKind::NotFound => Ok(()),
        Err(e) => Err(e),
        Ok(_) => Err(ErrorKind::AlreadyExists.into()),
    })
}

fn unused(
    folder: &Path,
    name: &OsStr,
    kind: &str,
    make: fn(&Path) -> Result<()>,
) -> Result<PathBuf> {
    let made = tempfile::Builder::new()
        .prefix(&start(name, kind))
        .rand_bytes(CHANCE)
        .make_in(folder, make)
        // The library puts its own names, which mean nothing to a reader, into its errors.
        .map_err(|e| match e.raw_os_error() {
            Some(code) => Error::from_raw_os_error(code),
            None => Error::from(e.kind()),
        })?;
    // It is removed by those who made it, not by the library.
    made.into_temp_path()
        .keep()
        .or_else(|e| match e.error.kind() {
            // Only a name was asked for; Windows looks for what bears it.
            ErrorKind::NotFound => Ok(e.path.to_path_buf()),
            _ => Err(e.error),
        })
}

fn start(name: &OsStr, kind: &str) -> OsString {
    let mut start = OsString::from(".");
    start.push(name);
    start.push(kind);
    start
}

/// Locks a part; `None` when another run holds it.
///
/// # Errors
/// When it is not there any more, or the disk has no locks.
pub(super) fn hold(path: &Path) -> Result<Option<File>> {
    let Some(file) = locked(path)? else {
        return Ok(None);
    };
    // It may have been removed before it was locked, and another made in its place.
    match same(&file, path)? {
        true => Ok(Some(file)),
        false => Err(ErrorKind::NotFound.into()),
    }
}

#[cfg(unix)]
fn locked(path: &Path) -> Result<Option<File>> {
    use std::fs::TryLockError;
    let file = File::open(path)?;
    match file.try_lock() {
        Ok(()) => Ok(Some(file)),
        Err(TryLockError::WouldBlock) => Ok(None),
        Err(TryLockError::Error(e)) => Err(e),
    }
}

/// Windows has no locks on folders, but whoever opens one to put files into it may keep others
/// from doing so; what is done by the names of its files needs no such leave.
#[cfg(windows)]
fn locked(path: &Path) -> Result<Option<File>> {
    use std::os::windows::fs::OpenOptionsExt;
    /// `FILE_ADD_FILE`.
    const ADD_FILE: u32 = 0x2;
    /// `FILE_SHARE_READ` and `FILE_SHARE_DELETE`: it may be listed, renamed and removed.
    const SHARED: u32 = 0x1 | 0x4;
    /// `FILE_FLAG_BACKUP_SEMANTICS`, without which folders are not opened.
    const FOLDERS_TOO: u32 = 0x0200_0000;
    /// `ERROR_SHARING_VIOLATION`.
    const HELD: i32 = 32;
    // A file could not be written any more by those who hold it.
    if !path.symlink_metadata()?.is_dir() {
        return Err(ErrorKind::Unsupported.into());
    }
    let mut how = File::options();
    how.access_mode(ADD_FILE).share_mode(SHARED);
    match how.custom_flags(FOLDERS_TOO).open(path) {
        Ok(folder) => Ok(Some(folder)),
        Err(e) if e.raw_os_error() == Some(HELD) => Ok(None),
        Err(e) => Err(e),
    }
}

#[cfg(unix)]
fn same(file: &File, path: &Path) -> Result<bool> {
    use std::os::unix::fs::MetadataExt;
    let (held, there) = (file.metadata()?, path.symlink_metadata()?);
    Ok((held.dev(), held.ino()) == (there.dev(), there.ino()))
}

#[cfg(not(unix))]
fn same(_: &File, path: &Path) -> Result<bool> {
    Ok(path.exists())
}

/// Parts of a final name that no one holds, held now, in order of names.
fn left_behind(folder: &Path, name: &OsStr, kind: &str) -> Vec<Part> {
    let start = start(name, kind);
    let is_part = |name: &OsStr| {
        let end = name
            .as_encoded_bytes()
            .strip_prefix(start.as_encoded_bytes());
        end.is_some_and(|end| end.len() == CHANCE && end.iter().all(u8::is_ascii_alphanumeric))
    };
    let Ok(entries) = std::fs::read_dir(folder) else {
        return Vec::new();
    };
    let mut parts: Vec<Part> = entries
        .flatten()
        .filter(|entry| is_part(&entry.file_name()))
        // A link of such a name is none of ours.
        .filter(|entry| entry.file_type().is_ok_and(|kind| !kind.is_symlink()))
        .filter_map(|entry| {
            let path = entry.path();
            let _lock = Some(hold(&path).ok()??);
            Some(Part { path, _lock })
        })
        .collect();
    parts.sort_by(|a, b| a.path.cmp(&b.path));
    parts
}

/// Takes away what runs into the same place left behind when they were cut off, and puts an
/// earlier result back that one of them had moved aside. What cannot be done is left as it is.
///
/// Says what was done, a line each.
pub(super) fn tidy(folder: &Path, name: &OsStr) -> Vec<String> {
    let mut said = Vec::new();
    let target = folder.join(name);
    let is_free = |path: &Path| {
        path.symlink_metadata()
            .is_err_and(|e| e.kind() == ErrorKind::NotFound)
    };
    let mut parts = left_behind(folder, name, PART);
    let mut aside = left_behind(folder, name, OLD);
    if is_free(&target)
        && let Some(old) = aside.pop()
        && disk::rename(&old.path, &target).is_ok()
    {
        said.push(format!(
            "an earlier run was cut off while it replaced this folder; the result from before \
             it is back in its place ({})",
            target.display()
        ));
    }
    // Without a result in place, the one moved aside is the only one.
    if !is_free(&target) {
        parts.extend(aside);
    }
    // The last step of a run that was cut off may not have reached the disk: what is removed here
    // might otherwise be what a power cut puts back in place.
    if parts.is_empty() && said.is_empty() || disk::sync_folder(folder).is_err() {
        return said;
    }
    let removed: Vec<&Part> = parts
        .iter()
        .filter(|part| remove(&part.path).is_ok())
        .collect();
    match removed[..] {
        [] => {}
        [part] => said.push(format!(
            "removed what an earlier run left behind when it was cut off ({})",
            part.path.display()
        )),
        _ => said.push(format!(
            "removed what {} earlier runs left behind when they were cut off ({})",
            removed.len(),
            folder.display()
        )),
    }
    said
}

/// Removes a part, be it a folder or a file.
fn remove(path: &Path) -> Result<()> {
    match path.symlink_metadata()?.is_dir() {
        true => disk::remove_all(path),
        false => disk::remove_file(path),
    }
}
