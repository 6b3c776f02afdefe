//! Runs that are killed, told to end, or whose result nobody reads.

use crate::support::{contents, files, heeding_signals, program, run, smooth_job};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};
use tempfile::TempDir;

/// Kills in every run of the tests. A longer run of the same is `two_hundred_kills`.
const KILLS: usize = 20;

/// Quick, and with files of every kind that a small job writes.
const QUICK_JOB: &str = "[globe]\nsolid = \"cube\"\n[relief]\nrange = \"3 mm\"\n\
    [stock]\nthickness = \"90 mm\"\n[image]\npixel = \"2 mm\"\n";

const NAMES: [&str; 3] = ["out", "smooth.tif", "smooth.toml"];

fn started(folder: &Path, words: &[&str]) -> Child {
    heeding_signals()
        .current_dir(folder)
        .args(words)
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .unwrap()
}

/// The part that a run is writing beside a folder.
fn part_in(parent: &Path) -> Option<PathBuf> {
    let mut entries = std::fs::read_dir(parent).ok()?.flatten();
    let part = entries.find(|entry| {
        let name = entry.file_name();
        name.to_string_lossy().contains(".globewright-part-")
    });
    part.map(|part| part.path())
}

/// Waits until a run writes the last file of its part, or has ended.
fn until_last_file(parent: &Path, child: &mut Child) {
    let is_last = || part_in(parent).is_some_and(|part| part.join("globe.json").exists());
    while !is_last() && child.try_wait().unwrap().is_none() {
        std::thread::sleep(Duration::from_micros(200));
    }
}

/// Kills runs that replace a folder: half of them at any moment, half about the moment at which
/// the new folder takes the old one's place.
fn kills(count: usize) {
    let folder = smooth_job(60, QUICK_JOB);
    let here = folder.path();
    let job = |pixel| {
        [
            "facets",
            "smooth.toml",
            "--out",
            "out",
            "--force",
            "--facets",
            "1-2",
            "--set",
            pixel,
        ]
    };
    let pixels = ["image.pixel=2 mm", "image.pixel=3 mm"];
    // When a run writes its last file, and when it ends.
    let mut lasted = [Duration::ZERO; 2];
    let results = pixels.map(|pixel| {
        let begun = Instant::now();
        let mut child = started(here, &job(pixel));
        until_last_file(here, &mut child);
        lasted[0] = begun.elapsed();
        assert!(child.wait().unwrap().success());
        lasted[1] = begun.elapsed();
        contents(&here.join("out"))
    });
    assert!(results[0] != results[1]);

    let mut chance = ChaCha8Rng::seed_from_u64(11);
    let (mut killed, mut replaced, mut left) = (0, 0, 0);
    // Which of the two stands there.
    let mut stands = 1;
    for n in 0..count {
        let mut child = started(here, &job(pixels[1 - stands]));
        if n % 2 == 0 {
            std::thread::sleep(lasted[1].mul_f64(chance.random_range(0.0..1.0)));
        } else {
            until_last_file(here, &mut child);
            let ending = lasted[1] - lasted[0];
            std::thread::sleep(ending.mul_f64(chance.random_range(0.0..1.0)));
        }
        child.kill().unwrap();
        let ended = child.wait().unwrap();
        killed += usize::from(ended.code().is_none());
        left += usize::from(part_in(here).is_some());
        let found = contents(&here.join("out"));
        let now = results.iter().position(|result| *result == found);
        let now = now.unwrap_or_else(|| panic!("kill {n} left neither: {:?}", found.keys()));
        // A run that was not killed has done its work.
        assert!(ended.code().is_none() || now != stands, "kill {n}");
        replaced += usize::from(now != stands);
        stands = now;
    }
    println!(
        "{count} runs, {killed} killed: {left} parts left, the new folder in place {replaced} times"
    );
    assert!(killed > count / 8 && left > 0 && replaced > 0);

    // The next run, undisturbed, leaves nothing of all that.
    let mut child = started(here, &job(pixels[0]));
    while part_in(here).is_none() {
        assert_eq!(child.try_wait().unwrap(), None, "it ended before it began");
    }
    child.kill().unwrap();
    child.wait().unwrap();
    let part = part_in(here);
    let (code, _, err) = run(&folder, &job(pixels[0]));
    assert_eq!(code, 0);
    if let Some(part) = part {
        let note = "Note: removed what an earlier run left behind when it was cut off (";
        assert!(err.starts_with(note), "{err}");
        assert!(
            err.contains(part.file_name().unwrap().to_str().unwrap()),
            "{err}"
        );
    }
    assert_eq!(files(here), NAMES);
    assert!(contents(&here.join("out")) == results[0]);
}

#[test]
fn twenty_kills_leave_the_old_folder_or_the_new_one() {
    kills(KILLS);
}

#[test]
#[ignore = "takes minutes; docs/trust.md says what it found"]
fn two_hundred_kills_leave_the_old_folder_or_the_new_one() {
    kills(200);
}

/// Many pixels, so that it takes a while.
const SLOW_JOB: &str = "[globe]\ndiameter = \"400 mm\"\n[relief]\nrange = \"4 mm\"\n\
    [stock]\nthickness = \"100 mm\"\n[image]\npixel = \"0.05 mm\"\n";

fn begun(folder: &TempDir, mut child: Child) -> Child {
    while part_in(folder.path()).is_none() {
        assert_eq!(child.try_wait().unwrap(), None, "it ended before it began");
        std::thread::sleep(Duration::from_millis(2));
    }
    child
}

fn signal(child: &Child, name: &str) {
    let sent = Command::new("kill")
        .args([&format!("-{name}"), &child.id().to_string()])
        .status();
    assert!(sent.unwrap().success());
}

#[test]
#[cfg(unix)]
fn a_signal_ends_a_run_with_its_own_number_and_leaves_nothing() {
    let folder = smooth_job(360, SLOW_JOB);
    let words = ["facets", "smooth.toml", "--out", "out"];
    for (name, code) in [("INT", 130), ("TERM", 143), ("HUP", 129)] {
        let mut child = begun(&folder, started(folder.path(), &words));
        signal(&child, name);
        assert_eq!(child.wait().unwrap().code(), Some(code));
        assert_eq!(files(folder.path()), NAMES[1..]);
    }
}

/// `nohup` has the program ignore that the terminal is gone, and a run goes on.
#[test]
#[cfg(target_os = "linux")]
fn a_signal_that_is_to_be_ignored_stays_ignored() {
    let folder = smooth_job(360, SLOW_JOB);
    let words = "trap '' HUP && exec \"$0\" facets smooth.toml --out out";
    let child = Command::new("sh")
        .current_dir(folder.path())
        .args(["-c", words, env!("CARGO_BIN_EXE_globewright")])
        .stderr(Stdio::null())
        .stdout(Stdio::null())
        .spawn()
        .unwrap();
    let mut child = begun(&folder, child);
    signal(&child, "HUP");
    std::thread::sleep(Duration::from_millis(100));
    assert_eq!(child.try_wait().unwrap(), None);
    signal(&child, "INT");
    assert_eq!(child.wait().unwrap().code(), Some(130));
}

/// A run at work keeps its part, however many others begin and end beside it.
#[test]
fn a_part_that_is_being_written_is_left_alone() {
    let folder = smooth_job(360, SLOW_JOB);
    let words = ["facets", "smooth.toml", "--out", "out"];
    let mut slow = begun(&folder, started(folder.path(), &words));
    let part = part_in(folder.path()).unwrap();
    let quick = [&words[..], &["--set", "image.pixel=5 mm", "--facets", "1"]].concat();
    let (code, _, err) = run(&folder, &quick);
    assert_eq!(code, 0, "{err}");
    assert!(!err.contains("removed"), "{err}");
    assert!(part.exists());
    assert_eq!(slow.try_wait().unwrap(), None);
    slow.kill().unwrap();
    slow.wait().unwrap();
    let again = [&quick[..], &["--force"]].concat();
    let (code, _, err) = run(&folder, &again);
    assert_eq!(code, 0, "{err}");
    assert!(
        err.starts_with("Note: removed what an earlier run left behind"),
        "{err}"
    );
    assert_eq!(files(folder.path()), NAMES);
}

/// Exit code and standard error of a run whose standard output is closed.
fn unread(folder: &TempDir, words: &[&str]) -> (i32, String) {
    let mut child = Command::new(env!("CARGO_BIN_EXE_globewright"))
        .current_dir(folder.path())
        .args(words)
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    drop(child.stdout.take());
    let output = child.wait_with_output().unwrap();
    let said = String::from_utf8(output.stderr).unwrap();
    (output.status.code().unwrap(), said)
}

#[test]
fn a_result_that_nobody_reads_is_not_delivered() {
    let folder = smooth_job(180, QUICK_JOB);
    // The folder is the result; where it lies is only said.
    let made = unread(
        &folder,
        &["facets", "smooth.toml", "--out", "out", "--quiet"],
    );
    assert_eq!(made, (0, String::new()));
    assert!(folder.path().join("out/globe.json").exists());
    for words in [
        &["inspect", "smooth.tif"][..],
        &["inspect", "smooth.tif", "--json"],
        &["plan", "smooth.toml", "--compare-solids"],
        &["check", "out"],
        &["init", "-"],
        &["completions", "bash"],
    ] {
        let message = "globewright: disk: the result was not delivered: its reader went away \
                       before the end; read it to the end, or write it to a file (standard \
                       output)\n";
        assert_eq!(unread(&folder, words), (6, message.to_owned()), "{words:?}");
    }
    // Help is for eyes: who has seen enough has seen enough.
    assert_eq!(unread(&folder, &["--help"]), (0, String::new()));
}

/// `head` takes what it wants, and nothing panics.
#[test]
#[cfg(unix)]
fn head_gets_what_it_asks_for() {
    let folder = smooth_job(180, QUICK_JOB);
    let words = "\"$0\" completions bash | head -n 1";
    let output = Command::new("sh")
        .args(["-c", words, env!("CARGO_BIN_EXE_globewright")])
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(0));
    let said = String::from_utf8(output.stderr).unwrap();
    assert!(
        !said.contains("panicked") && said.lines().count() <= 1,
        "{said}"
    );
    let whole = program(folder.path(), &["completions", "bash"]).output();
    assert!(whole.unwrap().stdout.starts_with(&output.stdout));
}
