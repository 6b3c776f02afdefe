//! Reading processes that go wrong, played by small scripts.

use super::super::memory::MemoryBudget;
use super::super::stored_grid::GridFile;
use super::*;
use crate::model::progress::Silent;
use std::os::unix::fs::PermissionsExt;
use tempfile::TempDir;

/// A program that answers a request with a script; the file to read is a netCDF by its first bytes.
struct Played {
    folder: TempDir,
    program: Program,
}

impl Played {
    fn new(script: &str) -> Played {
        let folder = TempDir::new().unwrap();
        let path = folder.path().join("play");
        std::fs::write(&path, format!("#!/bin/sh\n{script}\n")).unwrap();
        std::fs::set_permissions(&path, PermissionsExt::from_mode(0o755)).unwrap();
        std::fs::write(folder.path().join("a.nc"), b"CDF\x01").unwrap();
        let program = Program {
            path,
            environment: vec![("PATH".into(), std::env::var_os("PATH").unwrap())],
            threads: Some(1),
        };
        Played { folder, program }
    }

    /// Puts bytes into a file beside the script, which runs in no certain folder.
    fn with(self, name: &str, bytes: &[u8]) -> Played {
        std::fs::write(self.folder.path().join(name), bytes).unwrap();
        self
    }

    fn outcome(&self) -> Result<Source> {
        let settings = GridSettings {
            files: vec![self.folder.path().join("a.nc")],
            ..GridSettings::default()
        };
        let again = || inspect(&self.program, &settings, &Silent);
        quiet_file(again)
    }

    /// What the outcome says, without the folder.
    fn said(&self) -> String {
        let folder = format!("{}/", self.folder.path().display());
        let error = self.outcome().unwrap_err();
        format!("{} {error}", error.exit_code()).replace(&folder, "")
    }

    fn read(&self, storage: &StoragePolicy) -> Result<(Working, Source)> {
        let settings = GridSettings {
            files: vec![self.folder.path().join("a.nc")],
            ..GridSettings::default()
        };
        let request = ReadRequest::default();
        quiet_file(|| read_within(&self.program, &settings, &request, storage, &Silent))
    }
}

/// Again while another test's new process still holds the script open for writing.
fn quiet_file<T>(run: impl Fn() -> Result<T>) -> Result<T> {
    loop {
        match run() {
            Err(error) if error.to_string().contains("Text file busy") => {}
            outcome => return outcome,
        }
    }
}

/// A script that says what is in a file beside it.
const SAY: &str = "cat \"${0%/*}/said\"";

fn found(layout: Option<Layout>, held: bool) -> Message {
    use crate::model::grid::{Hypsometry, Place, Quantity, Registration};
    let place = Place {
        height_m: -0.0,
        lat_deg: 0.1 + 0.2,
        lon_deg: f64::NAN,
    };
    let source = Source {
        files: vec!["a.nc".to_owned()],
        width: 4,
        height: 2,
        cell_deg: 90.0,
        west_deg: 0.0,
        north_deg: 90.0,
        registration: Registration::Gridline,
        quantity: Quantity::Radius,
        unit: "m".to_owned(),
        scale: 0.5,
        offset: 0.0,
        body: None,
        reference_radius_m: Some(1e6),
        min: place,
        max: place,
        hypsometry: Hypsometry {
            heights_m: vec![0.0, 1.0 / 3.0],
            share: vec![0.0, 1.0],
            mean_m: f64::MIN_POSITIVE,
        },
        filled_cells: 7,
        filled_share: 0.25,
        clipped_cells: 0,
        notes: vec!["a note".to_owned()],
    };
    Message::Found(Box::new(GridAnswer {
        source,
        layout,
        held,
    }))
}

fn layout(rows: usize, columns: usize) -> Option<Layout> {
    Some(Layout {
        rows,
        columns,
        west_deg: 1.0 / 3.0,
        registration: crate::model::grid::Registration::Pixel,
    })
}

#[test]
fn every_way_to_break_down_is_one_line_that_names_file_and_format() {
    let broke =
        "4 grid: the library that reads this format broke down over the file; found netCDF: ";
    let next = "; the file is damaged; copy or download it again, or convert it to GeoTIFF (a.nc)";
    for (script, how) in [
        ("kill -SEGV $$", "it reached for memory that is not its own"),
        ("kill -BUS $$", "it reached for memory that is not its own"),
        ("kill -ABRT $$", "it gave up"),
        ("kill -FPE $$", "it did what no processor can"),
        ("kill -SYS $$", "signal 31"),
        ("exit 101", "it ended with code 101"),
        ("exit 0", "it ended with code 0"),
        ("echo no news >&2; exit 1", "it ended with code 1"),
        // It holds its answer shut and stays.
        ("exec >&-; sleep 30", "it fell silent"),
    ] {
        let said = Played::new(script).said();
        assert_eq!(said, format!("{broke}{how}{next}"), "{script}");
    }
    for words in [
        "terminate called after throwing an instance of 'std::bad_alloc'",
        "memory allocation of 8589934592 bytes failed",
    ] {
        let said = Played::new(&format!("echo \"{words}\" >&2; kill -ABRT $$")).said();
        let what = "4 grid: the file asks for more memory than reading it may take; found netCDF";
        assert_eq!(said, format!("{what}{next}"));
    }
}

#[test]
fn answers_that_make_no_sense_are_refused() {
    let next = "; the file is damaged; copy or download it again, or convert it to GeoTIFF (a.nc)";
    let senseless = format!(
        "4 grid: reading the file ended in an answer that makes no sense; found netCDF{next}"
    );
    for said in [&[0xff; 64][..], &[3, 0, 0, 0, 77, 77, 77], &[1, 0, 0, 0, 6]] {
        assert_eq!(Played::new(SAY).with("said", said).said(), senseless);
    }
    // Grids of no size, of more than any memory, of another size than samples, of no number.
    for (layout, samples) in [
        (layout(0, 4), 0),
        (layout(1 << 40, 1 << 40), 0),
        (layout(usize::MAX, 2), 0),
        (None, 8),
    ] {
        let mut said = wire::framed(&found(layout, true)).unwrap();
        said.extend(std::iter::repeat_n(0, 4 * samples));
        let played = Played::new(SAY).with("said", &said);
        let error = played.read(&StoragePolicy::Unlimited).err().unwrap();
        assert!(error.to_string().contains("makes no sense"), "{error}");
    }
    let mut said = wire::framed(&found(layout(2, 4), true)).unwrap();
    said.extend([f32::NAN; 8].iter().flat_map(|h| h.to_le_bytes()));
    let error = Played::new(SAY)
        .with("said", &said)
        .read(&StoragePolicy::Unlimited)
        .err();
    assert!(error.unwrap().to_string().contains("makes no sense"));
    // Samples that end early.
    said.truncate(said.len() - 1);
    let error = Played::new(SAY)
        .with("said", &said)
        .read(&StoragePolicy::Unlimited)
        .err();
    assert!(error.unwrap().to_string().contains("broke down"));
}

#[test]
fn what_arrives_is_what_was_sent_to_the_last_bit() {
    let sent = found(layout(2, 4), true);
    let Message::Found(there) = &sent else {
        panic!("not found");
    };
    let mut said = wire::framed(&Message::Step(3)).unwrap();
    said.extend(wire::framed(&sent).unwrap());
    let samples = [0.1f32, -0.0, 3.0, 1e-40, 5.0, 6.0, 7.0, f32::MAX];
    said.extend(samples.iter().flat_map(|h| h.to_ne_bytes()));
    let played = Played::new(SAY).with("said", &said);
    let (Working::Held(grid), source) = played.read(&StoragePolicy::Unlimited).unwrap() else {
        panic!("not held");
    };
    let bits = |all: &[f32]| all.iter().map(|h| h.to_bits()).collect::<Vec<_>>();
    assert_eq!(bits(grid.heights_m.as_slice().unwrap()), bits(&samples));
    assert_eq!(grid.west_deg.to_bits(), (1.0f64 / 3.0).to_bits());
    // Debug output tells all numbers apart, NaN and the sign of zero included.
    assert_eq!(format!("{source:?}"), format!("{:?}", there.source));
}

#[test]
fn a_stored_grid_must_fill_its_file() {
    let mut storage = StoragePolicy::Limited {
        budget: MemoryBudget::new(Some(1 << 30)),
        facet: super::super::memory::FacetSize {
            pixels: 1,
            pixel_mm: 1.0,
            bits: false,
        },
        grid_file: None,
    };
    let played = Played::new(SAY).with("said", &wire::framed(&found(layout(2, 4), false)).unwrap());
    let error = played.read(&storage).err().unwrap();
    assert!(error.to_string().contains("makes no sense"), "{error}");
    if let StoragePolicy::Limited { grid_file, .. } = &mut storage {
        *grid_file = Some(GridFile::new(played.folder.path()));
    }
    let error = played.read(&storage).err().unwrap();
    let start = "disk: the working grid cannot be read back; found ";
    assert!(error.to_string().starts_with(start), "{error}");
}

#[test]
fn a_library_that_never_comes_back_is_ended() {
    let call = |work| {
        let file = OsString::from("b.jp2");
        wire::framed(&Message::Call { file, work }).unwrap()
    };
    let script = format!("{SAY}; while :; do :; done");
    let start = Instant::now();
    let said = Played::new(&script).with("said", &call(0)).said();
    assert_eq!(
        said,
        "4 grid: reading the file gets nowhere; found .jp2, 10 s of work in which nothing came of \
         it; the file is damaged; copy or download it again, or convert it to GeoTIFF (b.jp2)"
    );
    assert!(start.elapsed() >= BUSY);
}

#[test]
fn formats_that_take_long_are_given_time() {
    let mut watch = Watch {
        pid: 0,
        file: PathBuf::from("a.jp2"),
        work: Some(100 * BYTES_PER_SECOND),
        silent: Duration::ZERO,
        since: None,
        looked: Instant::now(),
    };
    // No process: its work cannot be measured, and silence has to be longer than the work takes.
    let mut process = Played::new("sleep 30").process();
    watch.silent = IDLE + BUSY + Duration::from_secs(90);
    watch.check(&mut process).unwrap();
    watch.silent = IDLE + BUSY + Duration::from_secs(101);
    let error = watch.check(&mut process).unwrap_err();
    assert!(
        error.to_string().contains("found .jp2, nothing in 171 s"),
        "{error}"
    );
    // Asleep, and nothing to wait for.
    let mut watch = Watch::of(&process.child, Path::new("a.jp2"));
    watch.check(&mut process).unwrap();
    watch.silent = IDLE;
    std::thread::sleep(Duration::from_millis(5));
    assert!(watch.check(&mut process).is_err());
}

impl Played {
    fn process(&self) -> ReadingProcess {
        let request = Request {
            settings: GridSettings::default(),
            task: Task::Inspect,
            threads: None,
            store: None,
        };
        quiet_file(|| ReadingProcess::start(&self.program, &request)).unwrap()
    }
}

#[test]
fn no_process_is_left_behind() {
    let played = Played::new("echo $$ > \"${0%/*}/pid\"; exec sleep 300");
    let pid = played.folder.path().join("pid");
    let process = played.process();
    while std::fs::read_to_string(&pid).unwrap_or_default().is_empty() {
        std::thread::sleep(Duration::from_millis(5));
    }
    let pid = std::fs::read_to_string(&pid).unwrap();
    let there = || Path::new("/proc").join(pid.trim()).exists();
    assert!(there());
    drop(process);
    assert!(!there());
}

#[test]
fn a_program_that_is_not_there_is_told() {
    let mut played = Played::new("");
    played.program.path = PathBuf::from("/nowhere/globewright");
    let said = played.said();
    assert!(
        said.starts_with("6 disk: the process that reads the grid could not be started: "),
        "{said}"
    );
}

#[test]
fn what_windows_says_of_a_crash_is_put_in_words() {
    for (code, words) in [
        (0xC000_0005_u32, "it reached for memory that is not its own"),
        (0xC000_001D, "it did what no processor can"),
        (0xC000_0409, "it gave up"),
        (0xC000_0006, "it ended with code 0xC0000006"),
        (3, "it ended with code 3"),
    ] {
        assert_eq!(how_by_code(code as i32), words);
    }
}
