//! A file without a lasting name that another process of this program may open, too: it is gone
//! with the last of them that has it open, however they end.

use std::ffi::OsString;
use std::fs::{File, OpenOptions};
use std::io::Result;
use std::path::Path;

/// Such a file, and what the other process calls it.
pub(super) struct LentFile {
    pub file: File,
    pub name: OsString,
}

/// What [`LentFile::name`] stands for, in the process that it was handed to.
pub(super) fn open(name: &Path) -> Result<File> {
    OpenOptions::new().read(true).write(true).open(name)
}

#[cfg(unix)]
mod system {
    use super::*;
    use rustix::io::{FdFlags, fcntl_setfd};
    use std::os::fd::AsRawFd;

    impl LentFile {
        /// A new one, in a folder; its name is that of the open file.
        pub fn new(folder: &Path) -> Result<LentFile> {
            let file = tempfile::tempfile_in(folder)?;
            let name = format!("/dev/fd/{}", file.as_raw_fd()).into();
            Ok(LentFile { file, name })
        }

        /// A process that is started while this is held inherits the file.
        pub fn lend(&self) -> Result<Lent<'_>> {
            fcntl_setfd(&self.file, FdFlags::empty())?;
            Ok(Lent(&self.file))
        }
    }

    /// While this is held, a new process inherits the file.
    pub struct Lent<'a>(&'a File);

    impl Drop for Lent<'_> {
        fn drop(&mut self) {
            // Further processes have no use for it, but it would do no harm there either.
            let _ = fcntl_setfd(self.0, FdFlags::CLOEXEC);
        }
    }
}

#[cfg(windows)]
mod system {
    use super::*;
    use std::os::windows::fs::OpenOptionsExt;

    /// Known to the system as files that it need not write to the disk at once, and that it
    /// removes when they are closed (`FILE_ATTRIBUTE_TEMPORARY`, `FILE_FLAG_DELETE_ON_CLOSE`).
    const PASSING: u32 = 0x100 | 0x0400_0000;

    impl LentFile {
        /// A new one, in a folder. Nothing is inherited without unsafe code, so it has a name; as
        /// long as it is open others may open it by that.
        pub fn new(folder: &Path) -> Result<LentFile> {
            let make = |path: &Path| {
                let mut how = OpenOptions::new();
                how.read(true).write(true).create_new(true);
                how.custom_flags(PASSING).open(path)
            };
            let mut named = tempfile::Builder::new();
            let named = named.prefix(".globewright-grid-").make_in(folder, make)?;
            let (file, path) = named.into_parts();
            // The system removes it, not the library.
            let name = path.keep().map_err(|e| e.error)?.into_os_string();
            Ok(LentFile { file, name })
        }

        /// Nothing is to be done for it.
        pub fn lend(&self) -> Result<Lent> {
            Ok(Lent)
        }
    }

    /// While this is held, a new process may open the file; there it always may.
    pub struct Lent;

    impl Drop for Lent {
        fn drop(&mut self) {}
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::io::{Read, Seek, SeekFrom, Write};

    #[test]
    fn it_is_opened_by_its_name_and_leaves_nothing() {
        let folder = tempfile::tempdir().unwrap();
        let mut lent = LentFile::new(folder.path()).unwrap();
        let held = lent.lend().unwrap();
        let mut other = open(Path::new(&lent.name)).unwrap();
        other.write_all(b"written").unwrap();
        drop((other, held));
        let mut back = String::new();
        lent.file.seek(SeekFrom::Start(0)).unwrap();
        lent.file.read_to_string(&mut back).unwrap();
        assert_eq!(back, "written");
        drop(lent);
        assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 0);
    }
}
