//! The output folder: whole or not at all.
//!
//! Everything is written into a hidden folder beside the final one, which takes its place in one
//! step when it is complete. An error, a panic or Ctrl-C removes the hidden folder and leaves what
//! was there before untouched.
//!
//! A kill or a power cut removes nothing, but what stands at the final name is the old folder or
//! the new one, whole: all files and names of the new one are on the disk before it is put there,
//! and the old one is not touched before that, too, is on the disk. The next run into the same
//! place takes away what is left over.

mod disk;
mod interrupts;
mod parts;

#[cfg(test)]
mod power_cut_checks;

pub use interrupts::clean_up_on_interrupt;
#[cfg(feature = "preview")]
pub use interrupts::large_files_are_errors;
#[cfg(feature = "preview")]
pub(crate) use interrupts::{CTRL_C, exit, on_interrupt};

use crate::carve::cutting::CuttingEntry;
use crate::model::file_names;
use crate::model::progress::Progress;
use crate::output::manifest::checksums;
use crate::output::manifest::file;
use crate::output::manifest::{FileEntry, MANIFEST_FILE};
use crate::output::mesh_files;
use crate::{Error, Problem, Result};
use ndarray::Array2;
use parts::Part;
use std::collections::{BTreeMap, BTreeSet};
use std::ffi::OsStr;
use std::path::{Component, Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Mutex, MutexGuard, PoisonError};

/// Files this program puts in an output folder beside those its manifest lists.
pub const OWN_FILES: [&str; 5] = [
    MANIFEST_FILE,
    "report.md",
    PAGE_FILE,
    "overview.png",
    RELIEF_FILE,
];

/// The page that shows a folder.
pub const PAGE_FILE: &str = "report.html";

/// The finished relief of the whole body.
pub const RELIEF_FILE: &str = "relief.tif";

/// The shop plan's numbers and the list of its files.
pub const SHOP_FILE: &str = "shop/plan.json";

/// The shop plan's section of the report.
pub const SHOP_SECTION: &str = "shop/plan.md";

/// Version of that file's layout.
pub const SHOP_SCHEMA: &str = "globewright-shop/2";

/// The figures of a comparison of curves and the list of its files.
pub const CURVES_FILE: &str = "curves.json";

/// Version of that file's layout.
pub const CURVES_SCHEMA: &str = "globewright-curves/1";

/// Hidden folders being written, for [`clean_up_on_interrupt`]. Locked while one is made, put in
/// place or given up, so that an interrupt finds each of them either listed or not there.
static UNFINISHED: Mutex<Vec<Unfinished>> = Mutex::new(Vec::new());

/// What an interrupt has to take back.
struct Unfinished {
    hidden: PathBuf,
    /// Deepest first.
    made_parents: Vec<PathBuf>,
}

/// Set by an interrupt: nothing more may be written.
static INTERRUPTED: AtomicBool = AtomicBool::new(false);

/// An output folder being written. Dropped unfinished, it leaves nothing behind.
#[derive(Debug)]
pub struct NewFolder {
    /// `None` once it is in its place.
    part: Option<Part>,
    target: PathBuf,
    /// Folders made inside, outer ones before inner ones.
    inner: Mutex<Vec<PathBuf>>,
    /// Files written, by name.
    written: Mutex<BTreeMap<String, FileEntry>>,
    /// Parents made for it, deepest first.
    made_parents: Vec<PathBuf>,
    /// An old result stands at the target and is to be replaced.
    replace: bool,
}

impl NewFolder {
    /// Prepares to write `target`; nothing appears there before [`finish`](Self::finish).
    ///
    /// With `force`, a folder with an earlier result may be replaced, but only if it holds
    /// nothing except that result. What earlier runs into the same place left behind when they
    /// were cut off is taken away, and `progress` told of it.
    ///
    /// # Errors
    /// [`Error::Disk`] when the target is a file, is not empty, holds other files, or its parent
    /// cannot be written to.
    pub fn begin(target: &Path, force: bool, progress: &dyn Progress) -> Result<NewFolder> {
        refuse_impossible(target)?;
        let target = absolute(target)?;
        let parent = parent_of(&target)?;
        let name = target.file_name().unwrap_or_default();
        for note in parts::tidy(parent, name) {
            progress.note(&note);
        }
        let replace = may_write(&target, force)?;
        let mut unfinished = unfinished();
        if INTERRUPTED.load(Ordering::SeqCst) {
            let interrupted = std::io::ErrorKind::Interrupted.into();
            return Err(Error::io(parent, "create the output folder", &interrupted));
        }
        let made_parents = make_parents(parent)?;
        let part = Part::make(parent, name, disk::make_folder).map_err(|e| {
            remove_empty(&made_parents);
            Error::io(parent, "create the output folder", &e)
        })?;
        unfinished.push(Unfinished {
            hidden: part.path.clone(),
            made_parents: made_parents.clone(),
        });
        Ok(NewFolder {
            part: Some(part),
            target,
            inner: Mutex::default(),
            written: Mutex::default(),
            made_parents,
            replace,
        })
    }

    /// Where files are written until the folder is finished.
    pub fn path(&self) -> &Path {
        self.part.as_ref().map_or(&self.target, |part| &part.path)
    }

    /// Writes one file, `facets/01.png`, down to the disk; may be called from many threads.
    ///
    /// # Errors
    /// [`Error::Disk`] when the disk is full, or on an interrupt.
    pub fn write(&self, file: &str, bytes: &[u8]) -> Result<()> {
        // The message names the final place: the hidden one will be gone when it is read.
        let failed = |e| Error::io(&self.target.join(file), "write the file", &e);
        if INTERRUPTED.load(Ordering::SeqCst) {
            return Err(failed(std::io::ErrorKind::Interrupted.into()));
        }
        self.make_folders_of(file).map_err(failed)?;
        disk::write(&self.path().join(file), bytes).map_err(failed)?;
        // The bytes are at hand here; to read them again later would take longer.
        let entry = FileEntry::of(file, bytes);
        locked(&self.written).insert(file.to_owned(), entry);
        Ok(())
    }

    /// Notes the pixels of an image that was written, so that they can be told from the file that
    /// holds them: a program that saves the image again keeps the pixels and not the bytes.
    pub fn note_pixels(&self, file: &str, levels: &Array2<u16>) {
        let sum = checksums::of_pixels(levels);
        if let Some(entry) = locked(&self.written).get_mut(file) {
            entry.pixels_sha256 = Some(sum);
        }
    }

    /// The same for a copy of a file that is listed elsewhere, if it is one.
    pub fn note_pixels_of(&self, listed: &FileEntry) {
        let mut written = locked(&self.written);
        let copy = written.get_mut(&listed.file);
        if let Some(copy) = copy.filter(|copy| copy.sha256 == listed.sha256) {
            copy.pixels_sha256.clone_from(&listed.pixels_sha256);
        }
    }

    /// What was written so far, in order of names.
    pub fn written(&self) -> Vec<FileEntry> {
        locked(&self.written).values().cloned().collect()
    }

    /// Makes the folders that a file goes into; never the hidden one again, which an interrupt may
    /// have removed since.
    fn make_folders_of(&self, file: &str) -> std::io::Result<()> {
        let mut inner = locked(&self.inner);
        let mut folder = self.path().to_path_buf();
        for name in Path::new(file).parent().into_iter().flat_map(Path::iter) {
            folder.push(name);
            if !inner.contains(&folder) {
                disk::make_folder(&folder)?;
                inner.push(folder.clone());
            }
        }
        Ok(())
    }

    /// Puts the folder in its place, in one step where the system has it.
    ///
    /// # Errors
    /// [`Error::Disk`] when that fails; an earlier result is then still there.
    pub fn finish(mut self) -> Result<()> {
        let failed = |e| unplaced(&self.target, &e, cfg!(windows));
        // Held until all is done: an interrupt waits, so it cannot fall between two steps.
        let mut unfinished = unfinished();
        let Some(part) = &self.part else {
            return Ok(());
        };
        // Its files are on the disk, but not yet the names they have in their folders.
        let inner = locked(&self.inner);
        for folder in inner.iter().rev().chain([&part.path]) {
            disk::sync_folder(folder).map_err(failed)?;
        }
        drop(inner);
        let old = if self.replace {
            // Someone may have added a file while the job ran.
            may_write(&self.target, true)?;
            Some(swap(&part.path, &self.target).map_err(failed)?)
        } else {
            // Replaces an empty folder; a folder filled meanwhile makes it fail.
            disk::rename_folder(&part.path, &self.target).map_err(failed)?;
            None
        };
        unfinished.retain(|one| one.hidden != part.path);
        // What stood there before is not removed unless the new one is sure to stay.
        let lasting = self.sync_parents();
        if let (Ok(()), Some(old)) = (&lasting, &old) {
            // The new result is in place; a leftover of the old one is hidden and harmless.
            let _ = disk::remove_all(old);
        }
        lasting.map_err(failed)?;
        self.part = None;
        Ok(())
    }

    /// Makes the folder's own name last, and those of the parents made for it.
    fn sync_parents(&self) -> std::io::Result<()> {
        let made = self.made_parents.iter().map(PathBuf::as_path);
        [self.target.as_path()]
            .into_iter()
            .chain(made)
            .filter_map(Path::parent)
            .try_for_each(disk::sync_folder)
    }
}

impl Drop for NewFolder {
    fn drop(&mut self) {
        let Some(part) = self.part.take() else {
            return;
        };
        let mut unfinished = unfinished();
        // Not there when it has been put in its place and only the disk's word for it is missing.
        let listed = unfinished.len();
        unfinished.retain(|one| one.hidden != part.path);
        if unfinished.len() == listed {
            return;
        }
        // Nothing can be done about a failure here; the folder is hidden and named as a part.
        let _ = disk::remove_all(&part.path);
        // On Windows it is there until the last who holds it lets go.
        drop(part);
        remove_empty(&self.made_parents);
    }
}

/// What to say when the folder does not get into its place. Windows moves no folder of which a file
/// is open, and says that it is not permitted, or shared (`ERROR_ACCESS_DENIED`,
/// `ERROR_SHARING_VIOLATION`).
fn unplaced(target: &Path, error: &std::io::Error, windows: bool) -> Error {
    if windows && matches!(error.raw_os_error(), Some(5 | 32)) {
        return Error::Disk(
            Problem::new("could not put the output folder in place: a file in it may be open")
                .next("close the programs that show it, and run this again")
                .file(target),
        );
    }
    Error::io(target, "put the output folder in place", error)
}

/// Puts `new` where `old` is; gives the place where the old one is now.
fn swap(new: &Path, old: &Path) -> std::io::Result<PathBuf> {
    match disk::exchange(new, old) {
        Err(e) if e.kind() == std::io::ErrorKind::Unsupported => {}
        exchanged => return exchanged.map(|()| new.to_path_buf()),
    }
    // Two steps then. If nothing comes after the first, the next run puts the old one back, which
    // is why the lock is held: another run at the same time must not.
    let parent = old.parent().unwrap_or(old);
    let aside = parts::name_aside(parent, old.file_name().unwrap_or_default())?;
    let _held = parts::hold(old);
    disk::rename(old, &aside)?;
    // In this order on the disk, too.
    let put = disk::sync_folder(parent).and_then(|()| disk::rename(new, old));
    if let Err(e) = put {
        disk::rename(&aside, old)?;
        return Err(e);
    }
    Ok(aside)
}

/// Writes a file beside its final name, down to the disk, then renames it: it appears whole or not
/// at all, and an old file stays until then. The new file has the permissions of the old one.
///
/// # Errors
/// The operating system's; [`AlreadyExists`](std::io::ErrorKind::AlreadyExists) when there is a
/// file and it is not to be replaced.
pub fn write_whole(path: &Path, bytes: &[u8], replace: bool) -> std::io::Result<()> {
    let old = path.metadata().ok();
    if old.is_some() && !replace {
        return Err(std::io::ErrorKind::AlreadyExists.into());
    }
    let folder = match path.parent() {
        Some(parent) if !parent.as_os_str().is_empty() => parent,
        _ => Path::new("."),
    };
    let name = path.file_name().unwrap_or(OsStr::new("file"));
    // Nobody is told: a leftover file is small, and there is nobody to tell in a page's question.
    parts::tidy(folder, name);
    let part = Part::make(folder, name, disk::make_file)?;
    let written = disk::write_into(&part.path, bytes).and_then(|()| {
        if let Some(old) = old {
            std::fs::set_permissions(&part.path, old.permissions())?;
        }
        match replace {
            true => disk::rename(&part.path, path),
            false => rename_new(&part.path, path),
        }
    });
    if let Err(e) = written {
        let _ = disk::remove_file(&part.path);
        return Err(e);
    }
    disk::sync_folder(folder)
}

/// Renames, but never onto something.
fn rename_new(from: &Path, to: &Path) -> std::io::Result<()> {
    match disk::rename_new(from, to) {
        // It was not there a moment ago; such disks tell no better.
        Err(e) if e.kind() == std::io::ErrorKind::Unsupported => match to.exists() {
            true => Err(std::io::ErrorKind::AlreadyExists.into()),
            false => disk::rename(from, to),
        },
        renamed => renamed,
    }
}

fn unfinished() -> MutexGuard<'static, Vec<Unfinished>> {
    locked(&UNFINISHED)
}

/// What a thread that failed has left in a list is whole: nothing is changed half-way.
fn locked<T>(list: &Mutex<T>) -> MutexGuard<'_, T> {
    list.lock().unwrap_or_else(PoisonError::into_inner)
}

/// The target with symbolic links resolved where it exists, so that a rename acts on the folder
/// and not on the link.
fn absolute(target: &Path) -> Result<PathBuf> {
    if let Ok(real) = file_names::real(target) {
        return Ok(real);
    }
    std::path::absolute(target).map_err(|e| Error::io(target, "find the output folder", &e))
}

/// Refuses a name that Windows gives to no folder, where it would say something less clear.
fn refuse_impossible(target: &Path) -> Result<()> {
    let names = target.components().filter_map(|part| match part {
        Component::Normal(name) => name.to_str(),
        _ => None,
    });
    match names.filter_map(file_names::flaw).next() {
        Some(what) if cfg!(windows) => Err(refusal(target, what, "choose another name")),
        _ => Ok(()),
    }
}

fn parent_of(path: &Path) -> Result<&Path> {
    path.parent().ok_or_else(|| {
        refusal(
            path,
            "the output folder has no folder around it",
            "choose another",
        )
    })
}

fn refusal(path: &Path, what: &str, next: &str) -> Error {
    Error::Disk(Problem::new(what).setting("--out").next(next).file(path))
}

/// Whether there is an old result to replace; an error when the target may not be written.
fn may_write(target: &Path, force: bool) -> Result<bool> {
    let entries = match std::fs::read_dir(target) {
        Ok(entries) => entries,
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => return Ok(false),
        Err(e) if e.kind() == std::io::ErrorKind::NotADirectory => {
            return Err(refusal(
                target,
                "the output folder is a file",
                "choose another name",
            ));
        }
        Err(e) => return Err(Error::io(target, "look into the output folder", &e)),
    };
    if entries.count() == 0 {
        return Ok(false);
    }
    let listed = old_files(target);
    if !force {
        return Err(match listed {
            Some(_) => refusal(
                target,
                "the output folder already holds a result",
                "choose another, or add --force to replace it",
            ),
            None => refusal(target, "the output folder is not empty", "choose another"),
        });
    }
    let Some(listed) = listed else {
        return Err(refusal(
            target,
            "the output folder holds files but no result of this program, so --force will not \
             replace it",
            "choose another, or empty it yourself",
        ));
    };
    let own: BTreeSet<PathBuf> = OWN_FILES
        .into_iter()
        .map(PathBuf::from)
        .chain(listed)
        .collect();
    match first_other(target, target, &own)? {
        None => Ok(true),
        Some(other) => Err(Error::Disk(
            Problem::new("the output folder holds a file that is not part of the old result, so --force will not replace it")
                .setting("--out")
                .found(other.display())
                .next("move that file away, or choose another folder")
                .file(target),
        )),
    }
}

/// Files that a result in the folder lists: images in its manifest, drawings in its shop plan,
/// pictures in its comparison of curves. `None` when it holds none of them.
fn old_files(target: &Path) -> Option<Vec<PathBuf>> {
    let images = file::read(target).ok();
    let images = images.map(|old| {
        let listed = old.facets.iter().map(|facet| facet.file.as_str());
        let of_bits = old.cutting.iter().flat_map(CuttingEntry::files);
        let meshes = old.mesh.iter().flat_map(|_| {
            let blanks = old
                .facets
                .iter()
                .map(|facet| mesh_files::blank_file(&facet.label));
            blanks.chain([mesh_files::GLOBE_FILE.to_owned()])
        });
        let files = listed.chain(of_bits).map(PathBuf::from);
        files.chain(meshes.map(PathBuf::from)).collect::<Vec<_>>()
    });
    let drawings = files_listed_in(target, SHOP_FILE, SHOP_SCHEMA);
    let pictures = files_listed_in(target, CURVES_FILE, CURVES_SCHEMA);
    let all = [images, drawings, pictures];
    if all.iter().all(Option::is_none) {
        return None;
    }
    Some(all.into_iter().flatten().flatten().collect())
}

/// Files that the shop plan of a folder lists; `None` when it holds no plan.
pub fn shop_files(target: &Path) -> Option<Vec<PathBuf>> {
    files_listed_in(target, SHOP_FILE, SHOP_SCHEMA)
}

fn files_listed_in(target: &Path, list: &str, schema: &str) -> Option<Vec<PathBuf>> {
    let text = std::fs::read_to_string(target.join(list)).ok()?;
    let list: serde_json::Value = serde_json::from_str(&text).ok()?;
    if list.get("schema")?.as_str()? != schema {
        return None;
    }
    let files = list.get("files")?.as_array()?.iter();
    files.map(|file| file.as_str().map(PathBuf::from)).collect()
}

/// The first file below `folder`, in order of names, that is not one of `own`.
fn first_other(root: &Path, folder: &Path, own: &BTreeSet<PathBuf>) -> Result<Option<PathBuf>> {
    let failed = |e| Error::io(folder, "look into the output folder", &e);
    let mut entries = std::fs::read_dir(folder)
        .map_err(failed)?
        .collect::<std::io::Result<Vec<_>>>()
        .map_err(failed)?;
    entries.sort_by_key(std::fs::DirEntry::file_name);
    for entry in entries {
        let path = entry.path();
        let relative = path.strip_prefix(root).unwrap_or(&path).to_path_buf();
        // A link to a folder is the user's own doing and counts as a file.
        let other = if entry.file_type().map_err(failed)?.is_dir() {
            let holds_own = own.iter().any(|file| file.starts_with(&relative));
            if holds_own {
                first_other(root, &path, own)?
            } else {
                Some(relative)
            }
        } else {
            (!own.contains(&relative)).then_some(relative)
        };
        if other.is_some() {
            return Ok(other);
        }
    }
    Ok(None)
}

/// Makes missing parents and returns them, deepest first.
fn make_parents(parent: &Path) -> Result<Vec<PathBuf>> {
    let missing: Vec<PathBuf> = parent
        .ancestors()
        .take_while(|folder| !folder.exists())
        .map(Path::to_path_buf)
        .collect();
    std::fs::create_dir_all(parent).map_err(|e| {
        remove_empty(&missing);
        Error::io(parent, "create the output folder", &e)
    })?;
    Ok(missing)
}

/// Takes back parents made for nothing; those with something in them stay.
fn remove_empty(folders: &[PathBuf]) {
    for folder in folders {
        let _ = std::fs::remove_dir(folder);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::progress::Silent;
    use crate::output::manifest::testing::cube;
    #[cfg(unix)]
    use crate::{model::settings::GridSettings, read};
    #[cfg(unix)]
    use std::time::Duration;

    /// Names below a folder, hidden ones too.
    pub(super) fn names(folder: &Path) -> Vec<String> {
        let mut names: Vec<String> = std::fs::read_dir(folder)
            .unwrap()
            .map(|e| e.unwrap().file_name().to_string_lossy().into_owned())
            .collect();
        names.sort();
        names
    }

    fn write_result(target: &Path, force: bool, mark: &str) -> Result<()> {
        let folder = NewFolder::begin(target, force, &Silent)?;
        folder.write("globe.json", file::text(&cube())?.as_bytes())?;
        folder.write("report.md", mark.as_bytes())?;
        folder.write("facets/01.png", b"one")?;
        folder.finish()
    }

    fn message(error: Error, root: &Path) -> String {
        assert_eq!(error.exit_code(), 6);
        let root = root.canonicalize().unwrap();
        error
            .to_string()
            .replace(&root.display().to_string(), "ROOT")
    }

    #[test]
    fn the_folder_appears_whole_with_its_parents() {
        let root = tempfile::tempdir().unwrap();
        let target = root.path().join("deep/er/mars");
        let folder = NewFolder::begin(&target, false, &Silent).unwrap();
        folder.write("facets/01.png", b"one").unwrap();
        assert!(!target.exists());
        folder.finish().unwrap();
        assert_eq!(names(&root.path().join("deep/er")), ["mars"]);
        assert_eq!(names(&target.join("facets")), ["01.png"]);
        assert_eq!(std::fs::read(target.join("facets/01.png")).unwrap(), b"one");
    }

    #[cfg(unix)]
    #[test]
    fn others_may_read_it_as_any_folder_the_user_makes() {
        use std::os::unix::fs::PermissionsExt;
        let root = tempfile::tempdir().unwrap();
        let plain = root.path().join("plain");
        std::fs::create_dir(&plain).unwrap();
        std::fs::write(plain.join("file"), b"").unwrap();
        write_result(&root.path().join("mars"), false, "").unwrap();
        let mode = |p: &str| {
            let data = std::fs::metadata(root.path().join(p)).unwrap();
            data.permissions().mode()
        };
        assert_eq!(mode("mars"), mode("plain"));
        assert_eq!(mode("mars/report.md"), mode("plain/file"));
    }

    #[test]
    fn dropped_unfinished_it_leaves_nothing() {
        let root = tempfile::tempdir().unwrap();
        let folder = NewFolder::begin(&root.path().join("deep/mars"), false, &Silent).unwrap();
        folder.write("facets/01.png", b"one").unwrap();
        assert_eq!(names(root.path()), ["deep"]);
        drop(folder);
        assert!(names(root.path()).is_empty());
    }

    #[test]
    fn an_empty_folder_may_be_filled() {
        let root = tempfile::tempdir().unwrap();
        let target = root.path().join("mars");
        std::fs::create_dir(&target).unwrap();
        write_result(&target, false, "new").unwrap();
        assert_eq!(names(root.path()), ["mars"]);
        assert_eq!(names(&target), ["facets", "globe.json", "report.md"]);
    }

    #[test]
    fn an_old_result_is_kept_without_force_and_replaced_whole_with_it() {
        let root = tempfile::tempdir().unwrap();
        let target = root.path().join("mars");
        write_result(&target, false, "old").unwrap();
        std::fs::write(target.join("facets/02.png"), b"two").unwrap();
        assert_eq!(
            message(
                write_result(&target, false, "new").unwrap_err(),
                root.path()
            ),
            "disk: --out: the output folder already holds a result; choose another, or add \
             --force to replace it (ROOT/mars)"
        );
        assert_eq!(std::fs::read(target.join("report.md")).unwrap(), b"old");

        // Given up half-way: the old result is untouched.
        let folder = NewFolder::begin(&target, true, &Silent).unwrap();
        folder.write("globe.json", b"half").unwrap();
        drop(folder);
        assert_eq!(std::fs::read(target.join("report.md")).unwrap(), b"old");

        write_result(&target, true, "new").unwrap();
        assert_eq!(std::fs::read(target.join("report.md")).unwrap(), b"new");
        assert!(!target.join("facets/02.png").exists());
        assert_eq!(names(root.path()), ["mars"]);
    }

    #[test]
    fn force_never_takes_files_of_the_users() {
        let root = tempfile::tempdir().unwrap();
        let target = root.path().join("mars");
        std::fs::create_dir(&target).unwrap();
        std::fs::write(target.join("tax.txt"), b"mine").unwrap();
        assert_eq!(
            message(
                NewFolder::begin(&target, false, &Silent).unwrap_err(),
                root.path()
            ),
            "disk: --out: the output folder is not empty; choose another (ROOT/mars)"
        );
        assert_eq!(
            message(
                NewFolder::begin(&target, true, &Silent).unwrap_err(),
                root.path()
            ),
            "disk: --out: the output folder holds files but no result of this program, so --force \
             will not replace it; choose another, or empty it yourself (ROOT/mars)"
        );
        for other in ["notes.txt", "facets/roughing.nc", "photos/one.jpg"] {
            let target = root.path().join(other.replace('/', "-"));
            write_result(&target, false, "old").unwrap();
            std::fs::create_dir_all(target.join(other).parent().unwrap()).unwrap();
            std::fs::write(target.join(other), b"mine").unwrap();
            let found = if other.starts_with("photos") {
                "photos"
            } else {
                other
            };
            assert_eq!(
                message(
                    NewFolder::begin(&target, true, &Silent).unwrap_err(),
                    &target
                ),
                format!(
                    "disk: --out: the output folder holds a file that is not part of the old \
                     result, so --force will not replace it; found {found}; move that file away, \
                     or choose another folder (ROOT)"
                )
            );
            assert_eq!(std::fs::read(target.join(other)).unwrap(), b"mine");
        }
    }

    #[test]
    fn a_file_added_while_the_job_ran_is_not_lost() {
        let root = tempfile::tempdir().unwrap();
        let target = root.path().join("mars");
        write_result(&target, false, "old").unwrap();
        let folder = NewFolder::begin(&target, true, &Silent).unwrap();
        std::fs::write(target.join("notes.txt"), b"mine").unwrap();
        assert!(folder.finish().is_err());
        assert_eq!(std::fs::read(target.join("notes.txt")).unwrap(), b"mine");
        assert_eq!(names(root.path()), ["mars"]);

        let fresh = root.path().join("venus");
        let folder = NewFolder::begin(&fresh, false, &Silent).unwrap();
        std::fs::create_dir(&fresh).unwrap();
        std::fs::write(fresh.join("notes.txt"), b"mine").unwrap();
        assert!(folder.finish().is_err());
        assert_eq!(names(&fresh), ["notes.txt"]);
    }

    #[test]
    fn a_file_in_the_way_is_named() {
        let root = tempfile::tempdir().unwrap();
        let target = root.path().join("mars");
        std::fs::write(&target, b"mine").unwrap();
        for force in [false, true] {
            assert_eq!(
                message(
                    NewFolder::begin(&target, force, &Silent).unwrap_err(),
                    root.path()
                ),
                "disk: --out: the output folder is a file; choose another name (ROOT/mars)"
            );
        }
        let below = target.join("deeper");
        assert!(NewFolder::begin(&below, false, &Silent).is_err());
        assert_eq!(std::fs::read(&target).unwrap(), b"mine");
    }

    /// `/proc` refuses new folders whoever asks, root included.
    #[cfg(target_os = "linux")]
    #[test]
    fn a_place_that_cannot_be_written_is_named() {
        let error = NewFolder::begin(Path::new("/proc/mars"), false, &Silent).unwrap_err();
        assert_eq!(
            error.to_string(),
            "disk: could not create the output folder: there is no such file or folder; \
             check the path (/proc)"
        );
    }

    #[cfg(unix)]
    #[test]
    fn a_link_to_a_folder_stays_a_link() {
        let root = tempfile::tempdir().unwrap();
        std::fs::create_dir(root.path().join("real")).unwrap();
        let link = root.path().join("link");
        std::os::unix::fs::symlink("real", &link).unwrap();
        write_result(&link, false, "new").unwrap();
        assert!(link.is_symlink());
        assert!(root.path().join("real/globe.json").exists());
    }

    /// Set to the target folder in a child process that is to be interrupted.
    #[cfg(unix)]
    const TARGET: &str = "GLOBEWRIGHT_TEST_INTERRUPT";

    /// In the child that [`interrupted`] starts, prepared for the signal: the target folder.
    #[cfg(unix)]
    fn target_of_child() -> Option<PathBuf> {
        let target = std::env::var_os(TARGET)?;
        clean_up_on_interrupt().unwrap();
        Some(target.into())
    }

    /// Runs one test again as a program that writes to `deep/mars` below a new folder, and sends it
    /// a signal once `begun` says so; nothing may be left, and the exit code is that of a signal.
    #[cfg(target_os = "linux")]
    fn interrupted(
        test: &str,
        (signal, number): (&str, i32),
        begun: impl Fn(&Path) -> bool,
        pause: Duration,
    ) {
        let root = tempfile::tempdir().unwrap();
        // Whoever runs the tests may have them ignore signals, as `nohup` does.
        let mut child = std::process::Command::new("env")
            .arg("--default-signal=INT,TERM,HUP")
            .arg(std::env::current_exe().unwrap())
            .args(["--exact", &format!("output::folder::tests::{test}")])
            .env(TARGET, root.path().join("deep/mars"))
            .stdout(std::process::Stdio::null())
            .spawn()
            .unwrap();
        let deep = root.path().join("deep");
        while !begun(&deep) {
            assert_eq!(child.try_wait().unwrap(), None, "ended too early");
        }
        std::thread::sleep(pause);
        let sent = std::process::Command::new("sh")
            .args(["-c", &format!("kill -{signal} {}", child.id())])
            .status()
            .unwrap();
        assert!(sent.success());
        let status = child.wait().unwrap();
        assert_eq!(status.code(), Some(128 + number), "{status}");
        assert_eq!(names(root.path()), Vec::<String>::new());
    }

    #[cfg(target_os = "linux")]
    #[test]
    fn an_interrupt_while_files_are_written_leaves_nothing() {
        if let Some(target) = target_of_child() {
            let folder = NewFolder::begin(&target, false, &Silent).unwrap();
            let files = (0..).map(|n| format!("facets/{n}.png"));
            for file in files {
                // Refused after the interrupt, while the handler is still at work.
                let _ = folder.write(&file, b"one");
                std::thread::sleep(Duration::from_millis(1));
            }
        }
        let begun = |deep: &Path| {
            let part = std::fs::read_dir(deep)
                .ok()
                .and_then(|mut d| d.next()?.ok());
            part.is_some_and(|part| part.path().join("facets/3.png").exists())
        };
        for signal in [("INT", 2), ("TERM", 15), ("HUP", 1)] {
            let test = "an_interrupt_while_files_are_written_leaves_nothing";
            interrupted(test, signal, begun, Duration::ZERO);
        }
    }

    /// Folders are made and given up without a pause, so that signals fall between any two steps.
    #[cfg(target_os = "linux")]
    #[test]
    fn an_interrupt_while_a_folder_is_begun_or_given_up_leaves_nothing() {
        if let Some(target) = target_of_child() {
            loop {
                // Refused after the interrupt.
                drop(NewFolder::begin(&target, false, &Silent));
            }
        }
        for n in 0..30 {
            let test = "an_interrupt_while_a_folder_is_begun_or_given_up_leaves_nothing";
            let pause = Duration::from_micros(37 * n);
            interrupted(test, ("INT", 2), Path::exists, pause);
        }
    }

    /// The libraries that read grids may not be taken down while a thread is in them.
    #[cfg(target_os = "linux")]
    #[test]
    fn an_interrupt_while_grids_are_read_is_no_crash() {
        if let Some(target) = target_of_child() {
            let _folder = NewFolder::begin(&target, false, &Silent).unwrap();
            let grid = GridSettings {
                files: vec![
                    concat!(env!("CARGO_MANIFEST_DIR"), "/sample-rasters/ashkerry.tif").into(),
                ],
                ..GridSettings::default()
            };
            std::thread::scope(|scope| {
                for _ in 0..4 {
                    scope.spawn(|| {
                        loop {
                            let _ = read::inspect(&grid, &Silent);
                        }
                    });
                }
            });
        }
        for n in 0..30 {
            let test = "an_interrupt_while_grids_are_read_is_no_crash";
            interrupted(
                test,
                ("INT", 2),
                Path::exists,
                Duration::from_micros(100 * n),
            );
        }
    }

    #[test]
    fn where_open_files_keep_a_folder_in_its_place_that_is_said() {
        let said = |code, windows| {
            let error = std::io::Error::from_raw_os_error(code);
            unplaced(Path::new("mars"), &error, windows).to_string()
        };
        for code in [5, 32] {
            assert_eq!(
                said(code, true),
                "disk: could not put the output folder in place: a file in it may be open; close \
                 the programs that show it, and run this again (mars)"
            );
        }
        let other = "disk: could not put the output folder in place: ";
        assert!(!said(28, true).contains("may be open") && said(28, true).starts_with(other));
        assert!(!said(5, false).contains("may be open") && said(5, false).starts_with(other));
    }

    #[test]
    fn a_file_is_replaced_whole() {
        let root = tempfile::tempdir().unwrap();
        let path = root.path().join("overview.png");
        write_whole(&path, b"old", true).unwrap();
        write_whole(&path, b"new", true).unwrap();
        assert_eq!(std::fs::read(&path).unwrap(), b"new");
        assert_eq!(names(root.path()), ["overview.png"]);
    }
}
