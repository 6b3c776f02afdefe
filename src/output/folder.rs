//! The output folder: whole or not at all.
//!
//! Everything is written into a hidden folder beside the final one, which is renamed into place
//! when it is complete. An error, a panic or Ctrl-C removes the hidden folder and leaves what was
//! there before untouched.

use crate::carve::cutting::CuttingEntry;
use crate::output::manifest::MANIFEST_FILE;
use crate::output::manifest::file;
use crate::output::mesh_files;
use crate::{Error, Problem, Result};
use std::collections::BTreeSet;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::Duration;
use tempfile::{Builder, TempDir};

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
pub const SHOP_SCHEMA: &str = "globewright-shop/1";

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

/// Tries, and the pause between, to remove a folder into which other threads are still writing.
const REMOVE_TRIES: u32 = 50;
const REMOVE_PAUSE: Duration = Duration::from_millis(20);

/// An output folder being written. Dropped unfinished, it leaves nothing behind.
#[derive(Debug)]
pub struct NewFolder {
    /// `None` once renamed into place.
    hidden: Option<TempDir>,
    target: PathBuf,
    /// Parents made for it, deepest first.
    made_parents: Vec<PathBuf>,
    /// An old result stands at the target and is to be replaced.
    replace: bool,
}

impl NewFolder {
    /// Prepares to write `target`; nothing appears there before [`finish`](Self::finish).
    ///
    /// With `force`, a folder with an earlier result may be replaced, but only if it holds
    /// nothing except that result.
    ///
    /// # Errors
    /// [`Error::Disk`] when the target is a file, is not empty, holds other files, or its parent
    /// cannot be written to.
    pub fn begin(target: &Path, force: bool) -> Result<NewFolder> {
        let target = absolute(target)?;
        let replace = may_write(&target, force)?;
        let parent = parent_of(&target)?;
        let mut unfinished = unfinished();
        if INTERRUPTED.load(Ordering::SeqCst) {
            let interrupted = std::io::ErrorKind::Interrupted.into();
            return Err(Error::io(parent, "create the output folder", &interrupted));
        }
        let made_parents = make_parents(parent)?;
        let name = target.file_name().unwrap_or_default().to_string_lossy();
        let hidden = folder_builder(&format!(".{name}.part-")).tempdir_in(parent);
        let hidden = hidden.map_err(|e| {
            remove_empty(&made_parents);
            Error::io(parent, "create the output folder", &without_path(e))
        })?;
        unfinished.push(Unfinished {
            hidden: hidden.path().to_path_buf(),
            made_parents: made_parents.clone(),
        });
        Ok(NewFolder {
            hidden: Some(hidden),
            target,
            made_parents,
            replace,
        })
    }

    /// Where files are written until the folder is finished.
    pub fn path(&self) -> &Path {
        self.hidden.as_ref().map_or(&self.target, TempDir::path)
    }

    /// Writes one file, `facets/01.png`, complete or not at all; may be called from many threads.
    ///
    /// # Errors
    /// [`Error::Disk`] when the disk is full, or on an interrupt.
    pub fn write(&self, file: &str, bytes: &[u8]) -> Result<()> {
        let path = self.path().join(file);
        // The message names the final place: the hidden one will be gone when it is read.
        let failed = |e| Error::io(&self.target.join(file), "write the file", &e);
        if INTERRUPTED.load(Ordering::SeqCst) {
            return Err(failed(std::io::ErrorKind::Interrupted.into()));
        }
        self.make_folders_of(file).map_err(failed)?;
        write_whole(&path, bytes).map_err(failed)
    }

    /// Makes the folders that a file goes into; never the hidden one again, which an interrupt may
    /// have removed since.
    fn make_folders_of(&self, file: &str) -> std::io::Result<()> {
        let mut folder = self.path().to_path_buf();
        for name in Path::new(file).parent().into_iter().flat_map(Path::iter) {
            folder.push(name);
            match std::fs::create_dir(&folder) {
                Err(e) if e.kind() == std::io::ErrorKind::AlreadyExists => {}
                made => made?,
            }
        }
        Ok(())
    }

    /// Puts the folder in its place.
    ///
    /// # Errors
    /// [`Error::Disk`] when the rename fails; an earlier result is then still there.
    pub fn finish(mut self) -> Result<()> {
        let failed = |e| Error::io(&self.target, "put the output folder in place", &e);
        // Held until all is done: an interrupt waits, so it cannot fall between two renames.
        let mut unfinished = unfinished();
        let Some(hidden) = &self.hidden else {
            return Ok(());
        };
        if self.replace {
            // Someone may have added a file while the job ran.
            may_write(&self.target, true)?;
            swap(hidden.path(), &self.target).map_err(failed)?;
        } else {
            // Replaces an empty folder; a folder filled meanwhile makes it fail.
            std::fs::rename(hidden.path(), &self.target).map_err(failed)?;
        }
        unfinished.retain(|one| one.hidden != hidden.path());
        drop(unfinished);
        if let Some(hidden) = self.hidden.take() {
            let _moved_away = hidden.keep();
        }
        self.made_parents.clear();
        Ok(())
    }
}

impl Drop for NewFolder {
    fn drop(&mut self) {
        let Some(hidden) = self.hidden.take() else {
            return;
        };
        let mut unfinished = unfinished();
        unfinished.retain(|one| one.hidden != hidden.path());
        // Nothing can be done about a failure here; the folder is hidden and named as a part.
        let _ = hidden.close();
        remove_empty(&self.made_parents);
    }
}

/// Writes a file beside its final name, then renames it; an old file stays until then.
///
/// # Errors
/// The operating system's.
pub fn write_whole(path: &Path, bytes: &[u8]) -> std::io::Result<()> {
    let folder = match path.parent() {
        Some(parent) if !parent.as_os_str().is_empty() => parent,
        _ => Path::new("."),
    };
    let mut file = file_builder().tempfile_in(folder).map_err(without_path)?;
    file.as_file_mut().write_all(bytes)?;
    file.persist(path).map(|_| ()).map_err(|e| e.error)
}

/// Exit code after Ctrl-C: 128 + the signal's number, as shells report it.
pub const INTERRUPTED_EXIT: i32 = 130;

/// Temporary names mean nothing to a reader, and tempfile puts them into its errors.
fn without_path(error: std::io::Error) -> std::io::Error {
    error.kind().into()
}

/// From now on Ctrl-C, or a request to end, removes unfinished folders and ends the program with
/// [`INTERRUPTED_EXIT`]. For a program's start, once.
///
/// # Errors
/// [`Error::Disk`] when the system refuses, or when it was called before.
pub fn clean_up_on_interrupt() -> Result<()> {
    ctrlc::set_handler(|| {
        INTERRUPTED.store(true, Ordering::SeqCst);
        // Held to the end: the run cannot give its folder up and end first, with another code.
        let mut unfinished = unfinished();
        unfinished.drain(..).for_each(remove);
        // At once: std's exit would first take down the C libraries that other threads are still
        // in, and crash now and then.
        signal_hook::low_level::exit(INTERRUPTED_EXIT);
    })
    .map_err(|e| Error::Disk(Problem::new(format!("could not prepare for Ctrl-C: {e}"))))
}

/// Removes an unfinished folder, into which other threads may still be writing their last file.
fn remove(one: Unfinished) {
    for _ in 0..REMOVE_TRIES {
        let _ = std::fs::remove_dir_all(&one.hidden);
        if !one.hidden.exists() {
            break;
        }
        std::thread::sleep(REMOVE_PAUSE);
    }
    remove_empty(&one.made_parents);
}

fn unfinished() -> MutexGuard<'static, Vec<Unfinished>> {
    UNFINISHED.lock().unwrap_or_else(PoisonError::into_inner)
}

/// The target with symbolic links resolved where it exists, so that a rename acts on the folder
/// and not on the link.
fn absolute(target: &Path) -> Result<PathBuf> {
    if let Ok(real) = target.canonicalize() {
        return Ok(real);
    }
    std::path::absolute(target).map_err(|e| Error::io(target, "find the output folder", &e))
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

/// Puts `new` where `old` is, then removes `old`.
fn swap(new: &Path, old: &Path) -> std::io::Result<()> {
    let parent = old.parent().unwrap_or(old);
    let name = old.file_name().unwrap_or_default().to_string_lossy();
    let aside = folder_builder(&format!(".{name}.old-")).tempdir_in(parent)?;
    std::fs::rename(old, aside.path())?;
    if let Err(e) = std::fs::rename(new, old) {
        std::fs::rename(aside.path(), old)?;
        return Err(e);
    }
    // The new result is in place; a leftover of the old one is hidden and harmless.
    let _ = aside.close();
    Ok(())
}

/// Hidden folders and files that end up with the usual permissions, not the private ones of
/// temporary files.
fn folder_builder(prefix: &str) -> Builder<'_, 'static> {
    let mut builder = Builder::new();
    builder.prefix(prefix);
    set_mode(&mut builder, 0o777);
    builder
}

fn file_builder() -> Builder<'static, 'static> {
    let mut builder = Builder::new();
    builder.prefix(".part-");
    set_mode(&mut builder, 0o666);
    builder
}

/// Less whatever the user's mask takes away.
#[cfg(unix)]
fn set_mode(builder: &mut Builder<'_, '_>, mode: u32) {
    use std::os::unix::fs::PermissionsExt;
    builder.permissions(std::fs::Permissions::from_mode(mode));
}

#[cfg(not(unix))]
fn set_mode(_: &mut Builder<'_, '_>, _: u32) {}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::output::manifest::testing::cube;
    #[cfg(unix)]
    use crate::{model::progress::Silent, model::settings::GridSettings, read};

    /// Names below a folder, hidden ones too.
    fn names(folder: &Path) -> Vec<String> {
        let mut names: Vec<String> = std::fs::read_dir(folder)
            .unwrap()
            .map(|e| e.unwrap().file_name().to_string_lossy().into_owned())
            .collect();
        names.sort();
        names
    }

    fn write_result(target: &Path, force: bool, mark: &str) -> Result<()> {
        let folder = NewFolder::begin(target, force)?;
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
        let folder = NewFolder::begin(&target, false).unwrap();
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
        let folder = NewFolder::begin(&root.path().join("deep/mars"), false).unwrap();
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
        let folder = NewFolder::begin(&target, true).unwrap();
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
            message(NewFolder::begin(&target, false).unwrap_err(), root.path()),
            "disk: --out: the output folder is not empty; choose another (ROOT/mars)"
        );
        assert_eq!(
            message(NewFolder::begin(&target, true).unwrap_err(), root.path()),
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
                message(NewFolder::begin(&target, true).unwrap_err(), &target),
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
        let folder = NewFolder::begin(&target, true).unwrap();
        std::fs::write(target.join("notes.txt"), b"mine").unwrap();
        assert!(folder.finish().is_err());
        assert_eq!(std::fs::read(target.join("notes.txt")).unwrap(), b"mine");
        assert_eq!(names(root.path()), ["mars"]);

        let fresh = root.path().join("venus");
        let folder = NewFolder::begin(&fresh, false).unwrap();
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
                message(NewFolder::begin(&target, force).unwrap_err(), root.path()),
                "disk: --out: the output folder is a file; choose another name (ROOT/mars)"
            );
        }
        let below = target.join("deeper");
        assert!(NewFolder::begin(&below, false).is_err());
        assert_eq!(std::fs::read(&target).unwrap(), b"mine");
    }

    /// `/proc` refuses new folders whoever asks, root included.
    #[cfg(target_os = "linux")]
    #[test]
    fn a_place_that_cannot_be_written_is_named() {
        let error = NewFolder::begin(Path::new("/proc/mars"), false).unwrap_err();
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
    #[cfg(unix)]
    fn interrupted(test: &str, signal: &str, begun: impl Fn(&Path) -> bool, pause: Duration) {
        let root = tempfile::tempdir().unwrap();
        let mut child = std::process::Command::new(std::env::current_exe().unwrap())
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
        assert_eq!(status.code(), Some(INTERRUPTED_EXIT), "{status}");
        assert_eq!(names(root.path()), Vec::<String>::new());
    }

    #[cfg(unix)]
    #[test]
    fn an_interrupt_while_files_are_written_leaves_nothing() {
        if let Some(target) = target_of_child() {
            let folder = NewFolder::begin(&target, false).unwrap();
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
        for signal in ["INT", "TERM"] {
            let test = "an_interrupt_while_files_are_written_leaves_nothing";
            interrupted(test, signal, begun, Duration::ZERO);
        }
    }

    /// Folders are made and given up without a pause, so that signals fall between any two steps.
    #[cfg(unix)]
    #[test]
    fn an_interrupt_while_a_folder_is_begun_or_given_up_leaves_nothing() {
        if let Some(target) = target_of_child() {
            loop {
                // Refused after the interrupt.
                drop(NewFolder::begin(&target, false));
            }
        }
        for n in 0..30 {
            let test = "an_interrupt_while_a_folder_is_begun_or_given_up_leaves_nothing";
            let pause = Duration::from_micros(37 * n);
            interrupted(test, "INT", Path::exists, pause);
        }
    }

    /// The libraries that read grids may not be taken down while a thread is in them.
    #[cfg(unix)]
    #[test]
    fn an_interrupt_while_grids_are_read_is_no_crash() {
        if let Some(target) = target_of_child() {
            let _folder = NewFolder::begin(&target, false).unwrap();
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
            interrupted(test, "INT", Path::exists, Duration::from_micros(100 * n));
        }
    }

    #[test]
    fn a_file_is_replaced_whole() {
        let root = tempfile::tempdir().unwrap();
        let path = root.path().join("overview.png");
        write_whole(&path, b"old").unwrap();
        write_whole(&path, b"new").unwrap();
        assert_eq!(std::fs::read(&path).unwrap(), b"new");
        assert_eq!(names(root.path()), ["overview.png"]);
    }
}
