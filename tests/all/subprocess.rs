//! The process that reads grids: what it is given, what it gives up, and how it ends.

use crate::support::{Raster, files, heeding_signals, smooth_job};
use std::io::Read;
use std::os::unix::fs::{MetadataExt, PermissionsExt};
use std::os::unix::process::CommandExt;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};
use tempfile::TempDir;

/// Longest that anything here may take, on a machine with other work.
const PATIENCE: Duration = Duration::from_secs(60);

/// A grid that takes seconds to read, and no room: a file that is one hole.
fn slow_grid(folder: &Path) {
    const COLUMNS: usize = 64_000;
    let header = format!(
        "ENVI\nsamples = {COLUMNS}\nlines = {rows}\nbands = 1\nheader offset = 0\n\
         file type = ENVI Standard\ndata type = 2\ninterleave = bsq\nbyte order = 0\n\
         map info = {{Geographic Lat/Lon, 1, 1, -180, 90, {step}, {step}, WGS-84}}\n",
        rows = COLUMNS / 2,
        step = 360.0 / COLUMNS as f64
    );
    std::fs::write(folder.join("slow.hdr"), header).unwrap();
    let cells = std::fs::File::create(folder.join("slow.img")).unwrap();
    cells.set_len((COLUMNS * COLUMNS) as u64).unwrap();
}

/// A run of the program that is reading, and the number of the process that does.
struct Reading {
    program: Child,
    reader: String,
}

impl Reading {
    fn begin(folder: &Path, words: &[&str]) -> Reading {
        let mut program = heeding_signals()
            .current_dir(folder)
            .args(words)
            .env("GDAL_SKIP", "ENVI")
            .env("LANG", "tr_TR.UTF-8")
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            // A group of its own, as a shell gives it.
            .process_group(0)
            .spawn()
            .unwrap();
        let children = format!("/proc/{0}/task/{0}/children", program.id());
        let start = Instant::now();
        let reader = loop {
            let all = std::fs::read_to_string(&children).unwrap_or_default();
            let reading = |pid: &&str| {
                // By then it has been told what to read, has given up the rest, and opened it.
                let status = std::fs::read_to_string(format!("/proc/{pid}/status"));
                if !status.is_ok_and(|status| status.contains("NoNewPrivs:\t1")) {
                    return false;
                }
                let open = std::fs::read_dir(format!("/proc/{pid}/fd")).ok();
                open.into_iter().flatten().flatten().any(|fd| {
                    std::fs::read_link(fd.path()).is_ok_and(|to| to.ends_with("slow.img"))
                })
            };
            if let Some(pid) = all.split_whitespace().find(reading) {
                break pid.to_owned();
            }
            assert!(start.elapsed() < PATIENCE, "nothing is read");
            if let Some(status) = program.try_wait().unwrap() {
                let mut said = String::new();
                let errors = program.stderr.as_mut().unwrap();
                errors.read_to_string(&mut said).unwrap();
                panic!("ended too early, {status}: {said}");
            }
        };
        Reading { program, reader }
    }

    fn signal(&self, signal: &str, to: &str) {
        let sent = Command::new("sh")
            .args(["-c", &format!("kill -{signal} {to}")])
            .status();
        assert!(sent.unwrap().success());
    }

    fn about(&self, what: &str) -> String {
        std::fs::read_to_string(format!("/proc/{}/{what}", self.reader)).unwrap()
    }

    /// Waits until the program has ended: exit code and what it said. The reader is gone as well.
    fn end(mut self) -> (Option<i32>, String) {
        let status = self.program.wait().unwrap();
        let start = Instant::now();
        while Path::new("/proc").join(&self.reader).exists() {
            let state = std::fs::read_to_string(format!("/proc/{}/stat", self.reader));
            // One that nobody has asked after yet has ended too.
            if state.is_ok_and(|s| s.rsplit(')').next().unwrap_or_default().starts_with(" Z")) {
                break;
            }
            assert!(start.elapsed() < PATIENCE, "the reader is left");
            std::thread::sleep(Duration::from_millis(5));
        }
        let mut said = String::new();
        let mut stderr = self.program.stderr.take().unwrap();
        stderr.read_to_string(&mut said).unwrap();
        (status.code(), said)
    }
}

#[test]
fn the_reader_has_a_clean_environment_and_no_rights_it_does_not_need() {
    let folder = TempDir::new().unwrap();
    slow_grid(folder.path());
    let reading = Reading::begin(folder.path(), &["inspect", "slow.img"]);
    let environment = reading.about("environ");
    for set in ["TZ=UTC", "PROJ_NETWORK=OFF", "OPENBLAS_NUM_THREADS=1"] {
        assert!(environment.split('\0').any(|v| v == set), "{environment}");
    }
    for unwanted in ["GDAL_SKIP", "LANG", "HOME", "CARGO"] {
        assert!(!environment.contains(unwanted), "{environment}");
    }
    let status = reading.about("status");
    assert!(status.contains("\nNoNewPrivs:\t1\n"), "{status}");
    assert!(status.contains("\nSeccomp:\t2\n"), "{status}");
    let limits = reading.about("limits");
    let limit = |name: &str| {
        let line = limits.lines().find(|line| line.starts_with(name)).unwrap();
        line[name.len()..]
            .split_whitespace()
            .next()
            .unwrap()
            .to_owned()
    };
    assert_eq!(limit("Max core file size"), "0");
    let data: u64 = limit("Max data size").parse().unwrap();
    // The file, rows of it, and what every grid is given.
    let least = (1 << 30) + 64_000 * 64_000;
    assert!((least..2 * least).contains(&data), "{data}");
    reading.signal("KILL", &reading.reader);
    assert_eq!(reading.end().0, Some(6));
}

#[test]
fn a_reader_that_crashes_is_one_line() {
    let folder = TempDir::new().unwrap();
    slow_grid(folder.path());
    let next = "; the file is damaged; copy or download it again, or convert it to GeoTIFF \
                (slow.img)\n";
    for (signal, how) in [
        ("SEGV", "it reached for memory that is not its own"),
        ("ABRT", "it gave up"),
    ] {
        let reading = Reading::begin(folder.path(), &["inspect", "slow.img"]);
        reading.signal(signal, &reading.reader);
        if signal == "SEGV" {
            // The first only takes away what catches overflows of the stack.
            std::thread::sleep(Duration::from_millis(50));
            reading.signal(signal, &reading.reader);
        }
        let said = format!(
            "globewright: grid: the library that reads this format broke down over the file; \
             found .img: {how}{next}"
        );
        assert_eq!(reading.end(), (Some(4), said));
    }
}

#[test]
fn nothing_is_left_however_a_run_is_ended() {
    let job = "radius = \"1000 km\"\n[globe]\ndiameter = \"60 mm\"\n";
    let folder = smooth_job(72, job);
    slow_grid(folder.path());
    let words = [
        "facets",
        "smooth.toml",
        "--set",
        "grid.files=slow.img",
        // That of the file, which would be refused else, before any of it is read.
        "--set",
        "grid.radius=6378.137 km",
        "--out",
        "out",
    ];
    let before = files(folder.path());
    // Ctrl-C goes to both.
    let reading = Reading::begin(folder.path(), &words);
    reading.signal("INT", &format!("-{}", reading.program.id()));
    assert_eq!(reading.end(), (Some(130), String::new()));
    assert_eq!(files(folder.path()), before);
    // Other programs end one.
    let reading = Reading::begin(folder.path(), &words);
    reading.signal("TERM", &reading.program.id().to_string());
    assert_eq!(reading.end(), (Some(143), String::new()));
    assert_eq!(files(folder.path()), before);
    let reading = Reading::begin(folder.path(), &words);
    reading.signal("TERM", &reading.reader);
    let said = "globewright: disk: reading the grid was interrupted; found signal 15; start the \
                job again\n";
    assert_eq!(reading.end(), (Some(6), said.to_owned()));
    assert_eq!(files(folder.path()), before);
    // The program can do nothing any more; its reader ends all the same.
    let reading = Reading::begin(folder.path(), &["inspect", "slow.img"]);
    reading.signal("KILL", &reading.program.id().to_string());
    assert_eq!(reading.end(), (None, String::new()));
}

#[test]
fn a_word_that_only_the_program_knows_does_nothing_for_others() {
    let run = Command::new(env!("CARGO_BIN_EXE_globewright"))
        .arg("read-apart")
        .stdin(Stdio::null())
        .output()
        .unwrap();
    assert_eq!(run.status.code(), Some(2));
    assert!(run.stdout.is_empty() && run.stderr.is_empty());
}

/// Runs a command under limits of the shell: exit code and what was said.
fn limited(folder: &Path, limits: &str, command: &str) -> (Option<i32>, String) {
    let mut run = Command::new("bash")
        .args(["-c", &format!("{limits} && exec {command}")])
        .current_dir(folder)
        .stdout(Stdio::null())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let start = Instant::now();
    let status = loop {
        match run.try_wait().unwrap() {
            Some(status) => break status,
            None if start.elapsed() > PATIENCE => {
                run.kill().unwrap();
                run.wait().unwrap();
                return (None, "hangs".to_owned());
            }
            None => std::thread::sleep(Duration::from_millis(5)),
        }
    };
    let mut said = String::new();
    run.stderr
        .take()
        .unwrap()
        .read_to_string(&mut said)
        .unwrap();
    (status.code(), said)
}

#[test]
fn little_memory_and_few_files_are_enough_or_one_line() {
    let folder = TempDir::new().unwrap();
    Raster::globe(360).write(&folder.path().join("a.tif"), |d| (1e3 * d.z) as f32);
    let sinusoidal = Raster {
        crs: Some("+proj=sinu +R=1000000 +units=m +no_defs"),
        placed: Some([-3_141_592.7, 17_453.3, 0.0, 1_570_796.3, 0.0, -17_453.3]),
        ..Raster::globe(360)
    };
    sinusoidal.write(&folder.path().join("b.tif"), |d| (1e3 * d.z) as f32);
    let mut faults = Vec::new();
    let mut whole = 0;
    for limits in [
        "ulimit -v 200000",
        "ulimit -v 300000",
        "ulimit -v 400000",
        "ulimit -d 50000",
        "ulimit -d 200000",
        "ulimit -n 6",
        "ulimit -n 12",
        "ulimit -s 256",
        "ulimit -f 0",
    ] {
        for grid in ["a.tif", "b.tif"] {
            for threads in ["", "--threads 64"] {
                let words = format!("inspect -q {threads} {grid}");
                let command = format!("{} {words}", env!("CARGO_BIN_EXE_globewright"));
                let (code, said) = limited(folder.path(), limits, &command);
                let sound = match code {
                    Some(0) => said.is_empty(),
                    Some(6) => said.starts_with("globewright: disk: ") && said.lines().count() == 1,
                    // Before the program itself is there: its libraries cannot be loaded.
                    Some(127) => said.contains("error while loading shared libraries"),
                    _ => false,
                };
                whole += usize::from(code == Some(0));
                if !sound {
                    faults.push(format!("{limits}, {words}: {code:?}: {said}"));
                }
            }
        }
    }
    assert!(faults.is_empty(), "{}", faults.join("\n"));
    assert!(whole > 8, "{whole} ran to their end");
}

/// The grid is one that GDAL decodes by threads. For root, as a user for whom nothing else runs.
#[test]
fn few_processes_are_enough_or_one_line() {
    let folder = TempDir::new().unwrap();
    let other = 40_000 + std::process::id() % 20_000;
    let own = std::fs::metadata(folder.path()).unwrap().uid();
    std::fs::set_permissions(folder.path(), PermissionsExt::from_mode(0o755)).unwrap();
    let program = folder.path().join("globewright");
    std::fs::copy(env!("CARGO_BIN_EXE_globewright"), &program).unwrap();
    let source = Path::new(env!("CARGO_MANIFEST_DIR"));
    let grid = folder.path().join("a.tif");
    std::fs::copy(source.join("sample-rasters/ashkerry.tif"), &grid).unwrap();
    std::fs::set_permissions(&grid, PermissionsExt::from_mode(0o644)).unwrap();
    let (running, user) = match own {
        0 => (
            0,
            format!("setpriv --reuid={other} --regid={other} --clear-groups"),
        ),
        own => (threads_of(own), String::new()),
    };
    let command = format!("{user} ./globewright inspect -q --threads 2 a.tif");
    let ends: Vec<(Option<i32>, String)> = (1..=14)
        .map(|more| {
            let limits = format!("ulimit -u {}", running + more);
            limited(folder.path(), &limits, &command)
        })
        .collect();
    for (i, (code, said)) in ends.iter().enumerate() {
        let sound = match code {
            Some(0) => said.is_empty(),
            Some(6) => said.starts_with("globewright: disk: ") && said.lines().count() == 1,
            // Others of the user's came to run: the shell could not even start the program.
            Some(_) => own != 0 && said.contains("fork"),
            None => false,
        };
        assert!(sound, "{} processes: {code:?}: {said}", i + 1);
    }
    let whole = ends.iter().filter(|(code, _)| *code == Some(0)).count();
    // How many others run is known for root alone.
    assert!(
        own != 0 || (4..14).contains(&whole),
        "{whole} ran to their end"
    );
}

/// Threads of all processes of a user.
fn threads_of(user: u32) -> usize {
    let processes = std::fs::read_dir("/proc").unwrap().flatten();
    processes
        .filter(|process| process.metadata().is_ok_and(|known| known.uid() == user))
        .filter_map(|process| std::fs::read_dir(process.path().join("task")).ok())
        .map(|threads| threads.count())
        .sum()
}

/// HDF5 lets a file keep its cells in another, by any name, and lead to a variable of another.
#[test]
#[cfg(target_os = "linux")]
fn a_file_that_names_another_for_its_cells_is_refused() {
    use landlock::{AccessFs, CompatLevel, Compatible, Ruleset, RulesetAttr};
    let strict = Ruleset::default().set_compatibility(CompatLevel::HardRequirement);
    if strict.handle_access(AccessFs::ReadFile).is_err() {
        eprintln!("skipped: this kernel cannot limit which files a process reads");
        return;
    }
    let top = TempDir::new().unwrap();
    let folder = top.path().join("job");
    std::fs::create_dir(&folder).unwrap();
    let source = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/hostile");
    for name in ["cells_elsewhere.h5", "link_elsewhere.h5"] {
        std::fs::copy(source.join(name), folder.join(name)).unwrap();
    }
    let cells: Vec<u8> = (0..18 * 36i16).flat_map(i16::to_le_bytes).collect();
    std::fs::write(top.path().join("elsewhere.bin"), cells).unwrap();
    std::fs::copy(source.join("elsewhere.h5"), top.path().join("elsewhere.h5")).unwrap();
    let set = ["--set", "grid.west=-180", "--set", "grid.radius=1000 km"];
    let inspect = |name: &str| {
        let mut command = Command::new(env!("CARGO_BIN_EXE_globewright"));
        command.current_dir(&folder).args(["inspect", "-q", name]);
        let run = command.args(set).output().unwrap();
        (run.status.code(), String::from_utf8(run.stderr).unwrap())
    };
    // In place of what names it, it is a grid.
    assert_eq!(inspect("../elsewhere.h5"), (Some(0), String::new()));
    for name in ["cells_elsewhere.h5", "link_elsewhere.h5"] {
        let (code, said) = inspect(name);
        assert_eq!((code, said.lines().count()), (Some(4), 1), "{name}: {said}");
    }
}
