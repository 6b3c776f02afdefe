//! What the folder asks of the disk, one function for each call of the system.
//!
//! They stand in one place so that tests can stop a run between any two of them, as a kill does,
//! and can write down their order, to lose in a power cut whatever was not yet synced.

use std::fs::{File, OpenOptions};
use std::io::{ErrorKind, Result, Write};
use std::path::Path;

#[cfg(test)]
use tape::told;

/// One call, about to be made.
#[derive(Debug, Clone, Copy)]
#[cfg_attr(not(test), allow(dead_code, reason = "only tests look at them"))]
pub(super) enum DiskCall<'a> {
    MakeFolder(&'a Path),
    MakeFile(&'a Path),
    Write(&'a Path, &'a [u8]),
    SyncFile(&'a Path),
    SyncFolder(&'a Path),
    Rename(&'a Path, &'a Path),
    Exchange(&'a Path, &'a Path),
    RemoveFile(&'a Path),
    RemoveFolder(&'a Path),
}

/// Nobody listens outside of tests.
#[cfg(not(test))]
#[inline]
fn told(_: DiskCall) -> Result<()> {
    Ok(())
}

pub(super) fn make_folder(path: &Path) -> Result<()> {
    told(DiskCall::MakeFolder(path))?;
    std::fs::create_dir(path)
}

/// Makes an empty file that was not there.
pub(super) fn make_file(path: &Path) -> Result<()> {
    told(DiskCall::MakeFile(path))?;
    File::create_new(path).map(drop)
}

/// Makes a file and writes it, down to the disk itself: a power cut takes nothing from it.
pub(super) fn write(path: &Path, bytes: &[u8]) -> Result<()> {
    told(DiskCall::MakeFile(path))?;
    fill(&mut File::create(path)?, path, bytes)
}

/// Writes a file that is there and empty, down to the disk itself.
pub(super) fn write_into(path: &Path, bytes: &[u8]) -> Result<()> {
    fill(&mut OpenOptions::new().write(true).open(path)?, path, bytes)
}

fn fill(file: &mut File, path: &Path, bytes: &[u8]) -> Result<()> {
    told(DiskCall::Write(path, bytes))?;
    file.write_all(bytes)?;
    told(DiskCall::SyncFile(path))?;
    match file.sync_all() {
        // Some disks have nothing to sync.
        Err(e) if matches!(e.kind(), ErrorKind::InvalidInput | ErrorKind::Unsupported) => Ok(()),
        synced => synced,
    }
}

/// Makes the names in a folder last. Where the system cannot, they last as well as it lets them.
pub(super) fn sync_folder(path: &Path) -> Result<()> {
    told(DiskCall::SyncFolder(path))?;
    if cfg!(not(unix)) {
        return Ok(());
    }
    let can_not = [
        ErrorKind::InvalidInput,
        ErrorKind::Unsupported,
        // A folder that may be written but not listed.
        ErrorKind::PermissionDenied,
    ];
    match File::open(path).and_then(|folder| folder.sync_all()) {
        Err(e) if can_not.contains(&e.kind()) => Ok(()),
        synced => synced,
    }
}

pub(super) fn rename(from: &Path, to: &Path) -> Result<()> {
    told(DiskCall::Rename(from, to))?;
    std::fs::rename(from, to)
}

/// Renames a folder to a name that nothing bears, or an empty folder, which it replaces.
pub(super) fn rename_folder(from: &Path, to: &Path) -> Result<()> {
    if cfg!(windows) {
        // There a folder never replaces another. Only an empty one is removed by this.
        match std::fs::remove_dir(to) {
            Err(e) if e.kind() != ErrorKind::NotFound => return Err(e),
            _ => {}
        }
    }
    rename(from, to)
}

/// Puts each of two in the place of the other, in one step.
///
/// # Errors
/// [`ErrorKind::Unsupported`] where the system or the disk has no such step.
pub(super) fn exchange(a: &Path, b: &Path) -> Result<()> {
    told(DiskCall::Exchange(a, b))?;
    flagged(a, b, Flag::Exchange)
}

/// Renames, but never onto something.
///
/// # Errors
/// [`ErrorKind::AlreadyExists`]; [`ErrorKind::Unsupported`] where there is no such step.
pub(super) fn rename_new(from: &Path, to: &Path) -> Result<()> {
    told(DiskCall::Rename(from, to))?;
    flagged(from, to, Flag::New)
}

enum Flag {
    Exchange,
    New,
}

#[cfg(any(target_vendor = "apple", target_os = "linux", target_os = "android"))]
fn flagged(a: &Path, b: &Path, flag: Flag) -> Result<()> {
    use rustix::fs::{CWD, RenameFlags, renameat_with};
    use rustix::io::Errno;
    let flags = match flag {
        Flag::Exchange => RenameFlags::EXCHANGE,
        Flag::New => RenameFlags::NOREPLACE,
    };
    renameat_with(CWD, a, CWD, b, flags).map_err(|errno| match errno {
        // What kernels and disks say that do not know the flag.
        Errno::INVAL | Errno::NOSYS | Errno::NOTSUP => ErrorKind::Unsupported.into(),
        errno => errno.into(),
    })
}

#[cfg(not(any(target_vendor = "apple", target_os = "linux", target_os = "android")))]
fn flagged(_: &Path, _: &Path, _: Flag) -> Result<()> {
    Err(ErrorKind::Unsupported.into())
}

pub(super) fn remove_file(path: &Path) -> Result<()> {
    told(DiskCall::RemoveFile(path))?;
    std::fs::remove_file(path)
}

/// Removes a folder and all that is in it; links are removed, not followed.
pub(super) fn remove_all(path: &Path) -> Result<()> {
    for entry in std::fs::read_dir(path)? {
        let entry = entry?;
        match entry.file_type()?.is_dir() {
            true => remove_all(&entry.path())?,
            false => remove_file(&entry.path())?,
        }
    }
    told(DiskCall::RemoveFolder(path))?;
    std::fs::remove_dir(path)
}

#[cfg(test)]
pub(super) mod tape {
    //! Listens to the calls of one thread.

    use super::DiskCall;
    use std::cell::RefCell;
    use std::io::{Error, ErrorKind, Result};
    use std::path::PathBuf;

    /// A call that was made, or would have been.
    #[derive(Debug, Clone, PartialEq)]
    pub(in super::super) enum Made {
        Folder(PathBuf),
        File(PathBuf),
        Write(PathBuf, Vec<u8>),
        SyncFile(PathBuf),
        SyncFolder(PathBuf),
        Rename(PathBuf, PathBuf),
        Exchange(PathBuf, PathBuf),
        RemoveFile(PathBuf),
        RemoveFolder(PathBuf),
    }

    /// What the thread's calls meet.
    #[derive(Debug, Clone, Default)]
    pub(in super::super) struct Tape {
        /// Calls that are still made before all others fail, as if the run had been killed.
        pub left: Option<usize>,
        /// The system has no step that exchanges.
        pub no_exchange: bool,
        pub made: Vec<Made>,
    }

    thread_local! {
        static TAPE: RefCell<Option<Tape>> = const { RefCell::new(None) };
    }

    /// Runs with a tape, and gives it back.
    pub(in super::super) fn with<T>(tape: Tape, run: impl FnOnce() -> T) -> (T, Tape) {
        TAPE.set(Some(tape));
        let result = run();
        (result, TAPE.take().unwrap())
    }

    pub(super) fn told(call: DiskCall) -> Result<()> {
        TAPE.with_borrow_mut(|tape| {
            let Some(tape) = tape else {
                return Ok(());
            };
            if tape.left == Some(0) {
                return Err(Error::other("killed"));
            }
            if tape.no_exchange && matches!(call, DiskCall::Exchange(..)) {
                return Err(ErrorKind::Unsupported.into());
            }
            tape.left = tape.left.map(|left| left - 1);
            tape.made.push(match call {
                DiskCall::MakeFolder(path) => Made::Folder(path.into()),
                DiskCall::MakeFile(path) => Made::File(path.into()),
                DiskCall::Write(path, bytes) => Made::Write(path.into(), bytes.into()),
                DiskCall::SyncFile(path) => Made::SyncFile(path.into()),
                DiskCall::SyncFolder(path) => Made::SyncFolder(path.into()),
                DiskCall::Rename(from, to) => Made::Rename(from.into(), to.into()),
                DiskCall::Exchange(a, b) => Made::Exchange(a.into(), b.into()),
                DiskCall::RemoveFile(path) => Made::RemoveFile(path.into()),
                DiskCall::RemoveFolder(path) => Made::RemoveFolder(path.into()),
            });
            Ok(())
        })
    }
}
