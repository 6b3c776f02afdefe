//! Kills and power cuts: whatever comes in between, the old folder or the new one stands there,
//! whole, once the next run has looked at the place.

use super::disk::tape::{self, Made, Tape};
use super::tests::names;
use super::*;
use crate::model::progress::Silent;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use std::collections::{BTreeMap, BTreeSet};

/// Files of a folder with their bytes.
type Files = BTreeMap<PathBuf, Vec<u8>>;

/// What a run writes: small, but with a folder inside.
fn result(mark: &str) -> Files {
    // The shortest list by which a folder is known for a result.
    let list = format!(
        "{{\"schema\": \"{CURVES_SCHEMA}\", \"files\": [\"{CURVES_FILE}\", \"facets/01.png\", \
         \"facets/02.png\"]}}"
    );
    [
        ("facets/01.png", format!("{mark} one")),
        ("facets/02.png", format!("{mark} two")),
        ("report.md", format!("{mark} report")),
        (CURVES_FILE, list),
    ]
    .map(|(file, text)| (file.into(), text.into_bytes()))
    .into()
}

/// A folder to work in; in memory where the system has such a place, for all of it is synced.
fn scratch() -> tempfile::TempDir {
    tempfile::tempdir_in("/dev/shm").unwrap_or_else(|_| tempfile::tempdir().unwrap())
}

fn write(target: &Path, files: &Files) -> Result<()> {
    let folder = NewFolder::begin(target, true, &Silent)?;
    for (file, bytes) in files {
        folder.write(&file.to_string_lossy(), bytes)?;
    }
    folder.finish()
}

fn read(folder: &Path) -> Files {
    let mut files = Files::new();
    for name in names(folder) {
        let path = folder.join(&name);
        match path.is_dir() {
            true => files.extend(
                read(&path)
                    .into_iter()
                    .map(|(file, bytes)| (Path::new(&name).join(file), bytes)),
            ),
            false => drop(files.insert(name.into(), std::fs::read(path).unwrap())),
        }
    }
    files
}

/// What stands at the target after the next run has looked there, and given up; nothing else may
/// be left.
fn found_by_the_next_run(target: &Path) -> Option<Files> {
    let parent = target.parent().unwrap();
    let is_tidy = || names(parent).iter().all(|name| name == "mars");
    // Another test that starts a program lends it our locks for a moment.
    for _ in 0..100 {
        drop(NewFolder::begin(target, true, &Silent).unwrap());
        if is_tidy() {
            break;
        }
        std::thread::sleep(std::time::Duration::from_millis(5));
    }
    assert!(is_tidy(), "{:?}", names(parent));
    target.exists().then(|| read(target))
}

/// Whether the target was empty before the run, and whether the system can exchange.
const CASES: [(bool, bool); 3] = [(true, true), (true, false), (false, true)];

fn begin_with(old: &Option<Files>) -> (tempfile::TempDir, PathBuf) {
    let root = scratch();
    let target = root.path().join("mars");
    if let Some(old) = old {
        std::fs::create_dir_all(target.join("facets")).unwrap();
        for (file, bytes) in old {
            std::fs::write(target.join(file), bytes).unwrap();
        }
    }
    (root, target)
}

/// Kills between any two calls of the system, and then kills of the run that comes after.
#[test]
fn a_kill_between_any_two_calls_leaves_the_old_folder_or_the_new_one() {
    let new = result("new");
    for (replace, exchange) in CASES {
        let old = replace.then(|| result("old"));
        let tape = |left| Tape {
            left,
            no_exchange: !exchange,
            ..Tape::default()
        };
        let killed_after = |left: Option<usize>| {
            let (root, target) = begin_with(&old);
            let (done, tape) = tape::with(tape(left), || write(&target, &new));
            (root, target, done.is_ok(), tape.made.len())
        };
        let calls = killed_after(None).3;
        assert!(calls > 15, "{calls}");
        let mut seen = BTreeSet::new();
        let mut second_kills = 0;
        for kill in 0..=calls {
            let mut again = 0;
            loop {
                let (_root, target, done, _) = killed_after(Some(kill));
                // A run that did all its calls but those that tidy up is done.
                assert!(!done || kill + 10 > calls, "{kill} of {calls}");
                // With an exchange there is no moment without a result.
                assert!(target.exists() || !replace || !exchange, "{kill}");
                let next = || drop(NewFolder::begin(&target, true, &Silent));
                let ((), next) = tape::with(tape(Some(again)), next);
                let found = found_by_the_next_run(&target);
                assert!(found == old || found.as_ref() == Some(&new), "{kill}");
                seen.insert(found == old);
                if next.left != Some(0) {
                    break;
                }
                again += 1;
                second_kills += 1;
            }
        }
        assert_eq!(seen.len(), 2, "both outcomes must come up");
        assert!(second_kills > calls, "{second_kills}");
    }
}

/// A disk that keeps what was synced, and of the rest whatever it likes.
///
/// Folders are lists of names, files are bytes. A change is one of either; it lasts once its
/// folder or file has been synced.
#[derive(Clone, Default)]
struct Disk {
    folders: BTreeMap<usize, BTreeMap<PathBuf, usize>>,
    files: BTreeMap<usize, Vec<u8>>,
}

#[derive(Clone)]
enum Change {
    /// Names of one folder that now stand for something else, or nothing, all at once.
    Names(usize, Vec<(PathBuf, Option<usize>)>),
    Bytes(usize, Vec<u8>),
}

/// Number of the outermost folder.
const ROOT: usize = 0;

impl Disk {
    fn make(&mut self, change: &Change) {
        match change {
            Change::Names(folder, names) => {
                let folder = self.folders.entry(*folder).or_default();
                for (name, what) in names {
                    match what {
                        Some(what) => folder.insert(name.clone(), *what),
                        None => folder.remove(name),
                    };
                }
            }
            Change::Bytes(file, bytes) => drop(self.files.insert(*file, bytes.clone())),
        }
    }

    /// What stands at a path.
    fn at(&self, path: &Path) -> usize {
        path.iter()
            .fold(ROOT, |folder, name| self.folders[&folder][Path::new(name)])
    }

    fn parent(&self, path: &Path) -> usize {
        self.at(path.parent().unwrap())
    }

    fn fresh(&self) -> usize {
        1 + self.folders.len() + self.files.len()
    }

    /// The change that a call makes; none for those that sync.
    fn change(&mut self, call: &Made) -> Option<Change> {
        let name = |path: &Path| PathBuf::from(path.file_name().unwrap());
        Some(match call {
            Made::Folder(path) => {
                let new = self.fresh();
                self.folders.insert(new, BTreeMap::new());
                Change::Names(self.parent(path), vec![(name(path), Some(new))])
            }
            Made::File(path) => {
                let new = self.fresh();
                self.files.insert(new, Vec::new());
                Change::Names(self.parent(path), vec![(name(path), Some(new))])
            }
            Made::Write(path, bytes) => Change::Bytes(self.at(path), bytes.clone()),
            Made::Rename(from, to) => {
                assert_eq!(from.parent(), to.parent());
                let moved = Some(self.at(from));
                Change::Names(self.parent(to), vec![(name(from), None), (name(to), moved)])
            }
            Made::Exchange(a, b) => {
                assert_eq!(a.parent(), b.parent());
                let [at_a, at_b] = [a, b].map(|path| Some(self.at(path)));
                Change::Names(self.parent(a), vec![(name(a), at_b), (name(b), at_a)])
            }
            Made::RemoveFile(path) | Made::RemoveFolder(path) => {
                Change::Names(self.parent(path), vec![(name(path), None)])
            }
            Made::SyncFile(_) | Made::SyncFolder(_) => return None,
        })
    }

    /// All that can be reached, written to a real disk.
    fn write(&self, folder: usize, to: &Path) {
        for (name, what) in &self.folders[&folder] {
            let path = to.join(name);
            match self.files.get(what) {
                Some(bytes) => std::fs::write(path, bytes).unwrap(),
                None => {
                    std::fs::create_dir(&path).unwrap();
                    self.write(*what, &path);
                }
            }
        }
    }

    /// Every path that can be reached with its bytes, to tell two states apart.
    fn shown(&self, folder: usize, at: &Path, all: &mut Vec<(PathBuf, Option<Vec<u8>>)>) {
        for (name, what) in &self.folders[&folder] {
            let path = at.join(name);
            all.push((path.clone(), self.files.get(what).cloned()));
            if self.folders.contains_key(what) {
                self.shown(*what, &path, all);
            }
        }
    }
}

/// Most unsynced changes of which every subset is tried; of more, as many subsets by chance.
const EVERY_SUBSET: usize = 10;

/// The states that a power cut after some calls may leave.
fn after_power_cut(before: &Disk, calls: &[Made], chance: &mut ChaCha8Rng) -> Vec<Disk> {
    let mut live = before.clone();
    // In order, each with whether it is sure to last.
    let mut changes: Vec<(Change, bool)> = Vec::new();
    // What is not there yet has no names and no bytes.
    let mut made = before.clone();
    for call in calls {
        let synced = match call {
            Made::SyncFile(path) | Made::SyncFolder(path) => Some(live.at(path)),
            _ => None,
        };
        for (change, lasts) in &mut changes {
            let (Change::Names(of, _) | Change::Bytes(of, _)) = change;
            *lasts |= Some(*of) == synced;
        }
        if let Some(change) = live.change(call) {
            live.make(&change);
            changes.push((change, false));
        }
    }
    for what in live.folders.keys() {
        made.folders.entry(*what).or_default();
    }
    for what in live.files.keys() {
        made.files.entry(*what).or_default();
    }
    let open = changes.iter().filter(|(_, lasts)| !lasts).count();
    let subsets: Vec<u64> = match open <= EVERY_SUBSET {
        true => (0..1 << open).collect(),
        false => (0..1 << EVERY_SUBSET).map(|_| chance.random()).collect(),
    };
    let kept = |subset: u64| {
        let mut disk = made.clone();
        let mut open = 0;
        for (change, lasts) in &changes {
            let keep = *lasts || {
                open += 1;
                subset & (1 << (open - 1)) != 0
            };
            if keep {
                disk.make(change);
            }
        }
        disk
    };
    subsets.into_iter().map(kept).collect()
}

/// The outermost folder as a disk on which everything has been there for long.
fn long_there(files: &Option<Files>) -> Disk {
    let mut disk = Disk::default();
    disk.folders.insert(ROOT, BTreeMap::new());
    let Some(files) = files else {
        return disk;
    };
    let mut calls = vec![
        Made::Folder("mars".into()),
        Made::Folder("mars/facets".into()),
    ];
    for (file, bytes) in files {
        let path = Path::new("mars").join(file);
        calls.extend([Made::File(path.clone()), Made::Write(path, bytes.clone())]);
    }
    for call in &calls {
        if let Some(change) = disk.change(call) {
            disk.make(&change);
        }
    }
    disk
}

/// The calls of a run, by paths from the outermost folder.
fn recorded(root: &Path, tape: Tape, run: impl FnOnce()) -> Vec<Made> {
    let root = root.canonicalize().unwrap();
    let short = |path: PathBuf| path.strip_prefix(&root).unwrap().to_path_buf();
    let ((), tape) = tape::with(tape, run);
    let short_in = |made| match made {
        Made::Folder(path) => Made::Folder(short(path)),
        Made::File(path) => Made::File(short(path)),
        Made::Write(path, bytes) => Made::Write(short(path), bytes),
        Made::SyncFile(path) => Made::SyncFile(short(path)),
        Made::SyncFolder(path) => Made::SyncFolder(short(path)),
        Made::Rename(from, to) => Made::Rename(short(from), short(to)),
        Made::Exchange(a, b) => Made::Exchange(short(a), short(b)),
        Made::RemoveFile(path) => Made::RemoveFile(short(path)),
        Made::RemoveFolder(path) => Made::RemoveFolder(short(path)),
    };
    tape.made.into_iter().map(short_in).collect()
}

/// Power cuts after any call, with any of what was not yet synced lost; and again in the run that
/// comes after.
#[test]
fn a_power_cut_after_any_call_leaves_the_old_folder_or_the_new_one() {
    let new = result("new");
    let mut chance = ChaCha8Rng::seed_from_u64(7);
    for (replace, exchange) in CASES {
        let tape = || Tape {
            no_exchange: !exchange,
            ..Tape::default()
        };
        let old = replace.then(|| result("old"));
        let (root, target) = begin_with(&old);
        let calls = recorded(root.path(), tape(), || write(&target, &new).unwrap());
        let before = long_there(&old);
        let mut seen = BTreeSet::new();
        let mut outcomes = BTreeSet::new();
        let mut judge = |disk: &Disk, with_tape: Option<Tape>| -> Option<Vec<Made>> {
            let mut shown = Vec::new();
            disk.shown(ROOT, Path::new(""), &mut shown);
            if !seen.insert(shown) {
                return None;
            }
            let root = scratch();
            disk.write(ROOT, root.path());
            let target = root.path().join("mars");
            let next = || drop(NewFolder::begin(&target, true, &Silent));
            let calls = with_tape.map(|tape| recorded(root.path(), tape, next));
            let found = found_by_the_next_run(&target);
            assert!(found == old || found.as_ref() == Some(&new), "{:?}", found);
            outcomes.insert(found == old);
            calls
        };
        for cut in 0..=calls.len() {
            for disk in after_power_cut(&before, &calls[..cut], &mut chance) {
                let Some(next) = judge(&disk, Some(tape())) else {
                    continue;
                };
                // The next run's power fails, too. What it makes for itself is empty.
                for cut in 1..=next.len() {
                    for disk in after_power_cut(&disk, &next[..cut], &mut chance) {
                        judge(&disk, None);
                    }
                }
            }
        }
        assert_eq!(outcomes.len(), 2, "both outcomes must come up");
        assert!(seen.len() > 100, "{}", seen.len());
        println!(
            "{replace} {exchange}: {} calls, {} states",
            calls.len(),
            seen.len()
        );
    }
}

/// The model of a disk itself: what is not synced may be lost, what is synced may not.
#[test]
fn the_disk_of_the_tests_loses_what_it_may_and_nothing_else() {
    let mut chance = ChaCha8Rng::seed_from_u64(7);
    let file = || PathBuf::from("file");
    let written = [Made::File(file()), Made::Write(file(), b"x".into())];
    let mut states = |calls: &[Made]| {
        let states = after_power_cut(&long_there(&None), calls, &mut chance);
        let shown = states.iter().map(|disk| {
            let mut shown = Vec::new();
            disk.shown(ROOT, Path::new(""), &mut shown);
            shown.pop().and_then(|(_, bytes)| bytes)
        });
        shown.collect::<BTreeSet<_>>()
    };
    let (none, empty, whole) = (None, Some(Vec::new()), Some(b"x".to_vec()));
    let all = BTreeSet::from([none.clone(), empty.clone(), whole.clone()]);
    assert_eq!(states(&written), all);
    let bytes = [&written[..], &[Made::SyncFile(file())]].concat();
    assert_eq!(states(&bytes), BTreeSet::from([none, whole.clone()]));
    let name = [&written[..], &[Made::SyncFolder("".into())]].concat();
    assert_eq!(states(&name), BTreeSet::from([empty, whole.clone()]));
    let both = [&bytes[..], &[Made::SyncFolder("".into())]].concat();
    assert_eq!(states(&both), BTreeSet::from([whole]));
}

/// A single file, such as a job file that is written back: kills and power cuts alike.
#[test]
fn a_file_that_is_replaced_is_the_old_one_or_the_new_one() {
    let root = scratch();
    let here = root.path().canonicalize().unwrap();
    let path = here.join("job.toml");
    let replace = |left| {
        std::fs::write(&path, "old").unwrap();
        let tape = Tape {
            left,
            ..Tape::default()
        };
        tape::with(tape, || write_whole(&path, b"new", true)).1
    };
    let calls = replace(None).made.len();
    let mut seen = BTreeSet::new();
    for kill in 0..=calls {
        replace(Some(kill));
        seen.insert(std::fs::read_to_string(&path).unwrap());
        // The next one takes away what is left; another test may hold it for a moment.
        for _ in 0..100 {
            write_whole(&path, b"again", true).unwrap();
            if names(&here).len() == 1 {
                break;
            }
            std::thread::sleep(std::time::Duration::from_millis(5));
        }
        assert_eq!(names(&here), ["job.toml"]);
    }
    assert_eq!(Vec::from_iter(&seen), ["new", "old"]);

    std::fs::write(&path, "old").unwrap();
    let run = || write_whole(&path, b"new", true).unwrap();
    let calls = recorded(&here, Tape::default(), run);
    let mut before = long_there(&None);
    for call in [
        Made::File("job.toml".into()),
        Made::Write("job.toml".into(), b"old".into()),
    ] {
        let change = before.change(&call).unwrap();
        before.make(&change);
    }
    let mut chance = ChaCha8Rng::seed_from_u64(7);
    let mut seen = BTreeSet::new();
    for cut in 0..=calls.len() {
        for disk in after_power_cut(&before, &calls[..cut], &mut chance) {
            seen.insert(disk.files[&disk.at(Path::new("job.toml"))].clone());
        }
    }
    assert_eq!(Vec::from_iter(&seen), [b"new", b"old"]);
    // Once it says that it is done, the new one is there to stay.
    for disk in after_power_cut(&before, &calls, &mut chance) {
        assert_eq!(disk.files[&disk.at(Path::new("job.toml"))], b"new");
    }
}

/// Two runs into the same place at once: neither takes the other's part for left behind, and what
/// is left behind goes with a word.
#[test]
fn only_a_part_that_no_one_holds_is_removed_and_told_of() {
    struct Notes(Mutex<Vec<String>>);
    impl Progress for Notes {
        fn start(&self, _: &str, _: u64) {}
        fn step(&self, _: u64) {}
        fn done(&self) {}
        fn note(&self, text: &str) {
            locked(&self.0).push(text.to_owned());
        }
    }
    let root = scratch();
    let here = root.path().canonicalize().unwrap();
    let target = here.join("mars");
    let notes = Notes(Mutex::default());
    let one = NewFolder::begin(&target, false, &notes).unwrap();
    let other = NewFolder::begin(&target, false, &notes).unwrap();
    assert!(one.path().exists() && other.path().exists() && one.path() != other.path());
    drop((one, other));
    assert_eq!(*locked(&notes.0), [""; 0]);

    // Names that are nearly those of parts are someone's own.
    let own = [
        ".mars.globewright-part-abcdefg",
        ".mars.globewright-part-abc-ef",
        ".mars.part-abcdef",
        ".venus.globewright-part-abcdef",
    ];
    let left = ".mars.globewright-part-abcdef";
    for name in own.iter().chain([&left]) {
        std::fs::create_dir(here.join(name)).unwrap();
        std::fs::write(here.join(name).join("file"), "").unwrap();
    }
    drop(NewFolder::begin(&target, false, &notes).unwrap());
    let told = format!(
        "removed what an earlier run left behind when it was cut off ({})",
        here.join(left).display()
    );
    assert_eq!(*locked(&notes.0), [told]);
    assert_eq!(names(&here).len(), own.len());
}
