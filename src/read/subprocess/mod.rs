//! Reading in a process of its own: a second process of the same program opens the files, and hands
//! back the working grid and what it found.
//!
//! ```text
//!   program ── settings, request ─────────> reading process: GDAL, PROJ and what they load
//!           <── calls and rows as they go ─┤
//!           <── source, working grid ──────┘  or an error
//! ```
//!
//! A library that crashes, never ends or takes all memory takes that process along and no more.
//! What remains is one line that names the file. The process gives up what reading does not need
//! (`confine`), and ends with the program that started it, however that ends.
//!
//! Programs choose it once, with [`read_in_another_process`]; without that,
//! [`read`](super::read) reads in the process it is called in.

mod child;
mod confine;
#[cfg(unix)]
mod pipes;
#[cfg(any(not(unix), test))]
mod pipes_by_threads;
#[cfg(all(test, unix))]
mod tests;
mod wire;

use child::serve;
#[cfg(unix)]
use pipes::Pipes;
#[cfg(not(unix))]
use pipes_by_threads::Pipes;

use super::lent_file::LentFile;
use super::{ReadRequest, StoragePolicy, Working, first_file, format};
use crate::model::error::{Error, Problem, Result};
use crate::model::grid::{Grid, Layout, Source};
use crate::model::progress::Progress;
use crate::model::settings::GridSettings;
use crate::model::threads::prepare;
use ndarray::Array2;
use std::ffi::{OsStr, OsString};
use std::io::{ErrorKind, Read, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, ExitStatus, Stdio};
use std::sync::OnceLock;
use std::time::{Duration, Instant};
use wire::{GridAnswer, Inbox, Message, Request, Task};

/// The one word on the command line of a reading process.
pub const WORD: &str = "read-apart";

/// How the reading process is started.
#[derive(Debug, Clone)]
pub struct Program {
    /// File of the program that answers to [`WORD`] with [`serve`].
    pub path: PathBuf,
    /// All of its environment.
    pub environment: Vec<(OsString, OsString)>,
    /// Threads it uses; `None` leaves that to it.
    pub threads: Option<usize>,
}

static PROGRAM: OnceLock<Program> = OnceLock::new();

/// From now on all grids are read by a process of their own. The first call counts.
pub fn through(program: Program) {
    let _the_first_counts = PROGRAM.set(program);
}

/// Starts the threads that share the work, and reads all grids in a process of their own from now
/// on: the program at `path`, with this environment and no more, which must begin with
/// [`serve_reading_if_asked`]. The first call counts.
pub fn read_in_another_process(
    path: PathBuf,
    environment: Vec<(OsString, OsString)>,
    threads: Option<usize>,
) {
    // With fewer it only takes longer.
    let _all = prepare(threads, 0);
    through(Program {
        path,
        environment,
        threads,
    });
}

/// In a process that was started to read grids, does so and ends; otherwise does nothing.
pub fn serve_reading_if_asked() {
    if std::env::args_os().skip(1).eq([OsStr::new(WORD)]) {
        serve();
    }
}

/// How grids are read apart, if they are.
pub(super) fn program() -> Option<&'static Program> {
    PROGRAM.get()
}

/// How often the process is looked at while it is silent.
const LOOK: Duration = Duration::from_millis(200);

/// Time of a processor that a library may take for one call without giving anything back.
const BUSY: Duration = Duration::from_secs(10);

/// And so many bytes more for every further second: a fifth of what the slowest library decodes.
const BYTES_PER_SECOND: u64 = 4 << 20;

/// Longest silence without work, and longest of all where work cannot be measured: a disk may have
/// to start, or a network to come back.
const IDLE: Duration = Duration::from_secs(60);

/// Work beneath which silence is idleness.
const NO_WORK: Duration = Duration::from_secs(1);

/// How long an interrupt may take to reach this process too, and a finished one to end.
const GRACE: Duration = Duration::from_secs(2);

/// Kept of what libraries say on standard error: enough to see how they ended.
const LAST_WORDS: usize = 8192;

/// As [`read_within`](super::read_within), by a process of its own.
pub(super) fn read_within(
    program: &Program,
    settings: &GridSettings,
    request: &ReadRequest,
    storage: &StoragePolicy,
    progress: &dyn Progress,
) -> Result<(Working, Source)> {
    let path = first_file(settings)?;
    let grid_file = match storage {
        StoragePolicy::Limited { grid_file, .. } => grid_file.as_ref(),
        StoragePolicy::Unlimited => None,
    };
    let store = grid_file
        .map(|grid_file| Ok((grid_file, grid_file.open_for_another()?)))
        .transpose()?;
    let task = Task::Read {
        request: *request,
        storage: storage.clone(),
    };
    let lent = store.as_ref().map(|(_, store)| store);
    let (found, samples) = ask(program, settings, task, lent, progress)?;
    let working = match (found.layout, samples, store) {
        (Some(layout), Some(samples), _) => Working::Held(grid(layout, samples, path)?),
        (Some(layout), None, Some((grid_file, store))) => {
            Working::Stored(grid_file.written(layout, store.file)?)
        }
        _ => return Err(senseless(path)),
    };
    Ok((working, found.source))
}

/// As [`inspect`](super::inspect), by a process of its own.
pub(super) fn inspect(
    program: &Program,
    settings: &GridSettings,
    progress: &dyn Progress,
) -> Result<Source> {
    Ok(ask(program, settings, Task::Inspect, None, progress)?
        .0
        .source)
}

/// A grid whose samples arrived as numbers that can be carved, whatever sent them.
fn grid(layout: Layout, samples: Vec<f32>, path: &Path) -> Result<Grid> {
    if !samples.iter().all(|h| h.is_finite()) {
        return Err(senseless(path));
    }
    let shape = (layout.rows, layout.columns);
    Ok(Grid {
        heights_m: Array2::from_shape_vec(shape, samples).map_err(|_| senseless(path))?,
        west_deg: layout.west_deg,
        registration: layout.registration,
    })
}

/// Lets a new process do a task: what it found, and the samples if it sent any.
fn ask(
    program: &Program,
    settings: &GridSettings,
    task: Task,
    store: Option<&LentFile>,
    progress: &dyn Progress,
) -> Result<(GridAnswer, Option<Vec<f32>>)> {
    let path = first_file(settings)?;
    let request = Request {
        settings: settings.clone(),
        task,
        threads: program.threads,
        store: store.map(|store| store.name.clone()),
    };
    let lent = store.map(LentFile::lend).transpose();
    let lent = lent.map_err(|e| unstarted(&e))?;
    let mut process = ReadingProcess::start(program, &request)?;
    drop(lent);
    let mut watch = Watch::of(&process.child, path);
    let mut inbox = Inbox::default();
    loop {
        match process.listen(&mut inbox, &mut watch)? {
            PollOutcome::Silent => watch.check(&mut process)?,
            PollOutcome::Over => return Err(process.broken(&watch)),
            PollOutcome::Heard => {}
        }
        while let Some(message) = inbox.next().map_err(|()| senseless(&watch.file))? {
            match message {
                Message::Start { stage, steps } => progress.start(&stage, steps),
                Message::Step(steps) => progress.step(steps),
                Message::Done => progress.done(),
                Message::Call { file, work } => watch.call(file.into(), work),
                Message::Returned => watch.work = None,
                Message::Failed(error) => return Err(error),
                Message::Found(found) => {
                    let Some(layout) = found.layout.filter(|_| found.held) else {
                        return Ok((*found, None));
                    };
                    let count = wire::samples(&layout).ok_or_else(|| senseless(path))?;
                    let samples = process.samples(count, inbox.rest(), &watch)?;
                    return Ok((*found, Some(samples)));
                }
            }
        }
    }
}

/// What came of listening for a while.
enum PollOutcome {
    Heard,
    Silent,
    Over,
}

/// What came of listening at a pipe.
enum Heard<'a> {
    Bytes(&'a [u8]),
    Silence,
    /// Nothing more will be said.
    End,
}

/// Hears a little more of standard error and keeps what was said last; whether there may be more.
fn hear_last(err: &mut impl Read, last: &mut Vec<u8>) -> bool {
    let mut words = [0; 4096];
    match err.read(&mut words) {
        Ok(count) if count > 0 => {
            last.extend_from_slice(&words[..count]);
            let extra = last.len().saturating_sub(LAST_WORDS);
            last.drain(..extra);
            true
        }
        Err(error) => error.kind() == ErrorKind::Interrupted,
        Ok(_) => false,
    }
}

/// A process that reads, ended when this is dropped.
struct ReadingProcess {
    child: Child,
    pipes: Pipes,
}

impl Drop for ReadingProcess {
    fn drop(&mut self) {
        // It has ended by itself, or there is nothing left for it to do.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

impl ReadingProcess {
    fn start(program: &Program, request: &Request) -> Result<ReadingProcess> {
        let mut command = Command::new(&program.path);
        // The name it bears in lists of processes.
        #[cfg(unix)]
        std::os::unix::process::CommandExt::arg0(&mut command, "globewright");
        let mut child = command
            .arg(WORD)
            .env_clear()
            .envs(program.environment.iter().map(|(n, v)| (n, v)))
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .map_err(|e| unstarted(&e))?;
        let (stdin, out) = (child.stdin.take(), child.stdout.take());
        let (Some(mut stdin), Some(out)) = (stdin, out) else {
            return Err(unstarted(&ErrorKind::BrokenPipe.into()));
        };
        let pipes = Pipes::new(out, child.stderr.take()).map_err(|e| unstarted(&e))?;
        let mut process = ReadingProcess { child, pipes };
        // A process that is gone again says more by its end than by not listening.
        let _ = stdin.write_all(&wire::framed(request)?);
        // Left open: the other side ends when it closes, which it does with this process.
        process.child.stdin = Some(stdin);
        Ok(process)
    }

    /// Waits a little for messages, and takes those that are there.
    fn listen(&mut self, inbox: &mut Inbox, watch: &mut Watch) -> Result<PollOutcome> {
        Ok(match self.pipes.listen().map_err(|e| unstarted(&e))? {
            Heard::Silence => PollOutcome::Silent,
            Heard::End => PollOutcome::Over,
            Heard::Bytes(bytes) => {
                watch.heard();
                inbox.push(bytes);
                PollOutcome::Heard
            }
        })
    }

    /// The samples, of which the first are in `begun` already.
    fn samples(&mut self, count: usize, begun: &[u8], watch: &Watch) -> Result<Vec<f32>> {
        // Asked for in a way that may fail before it is asked for in one that may not.
        Vec::<f32>::new()
            .try_reserve_exact(count)
            .map_err(|_| too_little(&watch.file, (count * size_of::<f32>()) as u64))?;
        let mut samples = vec![0.0f32; count];
        let bytes: &mut [u8] = bytemuck::cast_slice_mut(&mut samples);
        if begun.len() > bytes.len() {
            return Err(senseless(&watch.file));
        }
        let (first, rest) = bytes.split_at_mut(begun.len());
        first.copy_from_slice(begun);
        match self.pipes.read_exact(rest) {
            Ok(()) => Ok(samples),
            Err(_) => Err(self.broken(watch)),
        }
    }

    /// What to say of a process that ended without an answer.
    fn broken(&mut self, watch: &Watch) -> Error {
        let Some(status) = self.ended() else {
            return breakdown(watch, "it fell silent");
        };
        if let Some(signal) = interrupt(status) {
            // Sent to this process as well, as a rule, which then ends in its own way.
            std::thread::sleep(GRACE);
            return stopped(signal);
        }
        let words = String::from_utf8_lossy(self.pipes.last_words());
        let short = OUT_OF_MEMORY.iter().any(|sign| words.contains(sign));
        if let Some(limit) = own_limit() {
            return limited(&watch.file, limit);
        }
        if short {
            return insatiable(watch);
        }
        breakdown(watch, &how(status))
    }

    /// How the process ended; `None` if it does not, although it has nothing more to say.
    fn ended(&mut self) -> Option<ExitStatus> {
        let start = Instant::now();
        loop {
            match self.child.try_wait() {
                Ok(Some(status)) => return Some(status),
                Ok(None) if start.elapsed() < GRACE => {
                    std::thread::sleep(Duration::from_millis(5));
                }
                _ => return None,
            }
        }
    }
}

/// Bytes taken from a pipe at a time, but for samples.
const BUFFER_BYTES: usize = 1 << 16;

/// By which people and systems end programs: hang-up, interrupt, quit, kill, terminate.
const INTERRUPTS: &[i32] = &[1, 2, 3, 9, 15];

/// Of these, that of Ctrl-C.
const INTERRUPT: i32 = 2;

/// Exit code by which Windows says the same (`STATUS_CONTROL_C_EXIT`).
const CONTROL_C: i32 = 0xC000_013A_u32 as i32;

/// What programs say when they cannot have memory: Rust, C++, others.
const OUT_OF_MEMORY: &[&str] = &[
    "memory allocation of",
    "bad_alloc",
    "ut of memory",
    "annot allocate memory",
];

/// What the process is at, and for how long.
struct Watch {
    pid: u32,
    /// The last file that was worked on.
    file: PathBuf,
    /// Bytes that the library which is called may have to decode.
    work: Option<u64>,
    silent: Duration,
    /// Time of the processor when it fell silent.
    since: Option<Duration>,
    looked: Instant,
}

impl Watch {
    fn of(child: &Child, file: &Path) -> Watch {
        Watch {
            pid: child.id(),
            file: file.to_owned(),
            work: None,
            silent: Duration::ZERO,
            since: None,
            looked: Instant::now(),
        }
    }

    fn call(&mut self, file: PathBuf, work: u64) {
        self.file = file;
        self.work = Some(work);
    }

    fn heard(&mut self) {
        self.silent = Duration::ZERO;
        self.since = None;
        self.looked = Instant::now();
    }

    /// Ends a process that gets nowhere.
    fn check(&mut self, process: &mut ReadingProcess) -> Result<()> {
        // While this process is stopped, so is the other; that time does not count.
        self.silent += self.looked.elapsed().min(2 * LOOK);
        self.looked = Instant::now();
        let now = processor_time(self.pid);
        let since = *self.since.get_or_insert(now.unwrap_or_default());
        let spent = now.map(|now| now.saturating_sub(since));
        let decoding = |work: u64| BUSY + Duration::from_secs(work / BYTES_PER_SECOND);
        let busy = |spent: Duration| self.work.is_some_and(|work| spent > decoding(work));
        let idle = match (spent, self.work) {
            (Some(spent), _) => self.silent > IDLE && spent < NO_WORK,
            (None, Some(work)) => self.silent > IDLE + decoding(work),
            (None, None) => false,
        };
        if !spent.is_some_and(busy) && !idle {
            return Ok(());
        }
        let _ = process.child.kill();
        let format = format::of(&self.file);
        let found = match spent {
            Some(spent) if !idle => format!(
                "{format}, {} s of work in which nothing came of it",
                spent.as_secs()
            ),
            _ => format!("{format}, nothing in {} s", self.silent.as_secs()),
        };
        Err(damaged("reading the file gets nowhere", found, &self.file))
    }
}

/// The signal of those by which people and systems end programs that ended this one.
fn interrupt(status: ExitStatus) -> Option<i32> {
    if status.code() == Some(CONTROL_C) {
        return Some(INTERRUPT);
    }
    signal(status).filter(|signal| INTERRUPTS.contains(signal))
}

#[cfg(unix)]
fn signal(status: ExitStatus) -> Option<i32> {
    std::os::unix::process::ExitStatusExt::signal(&status)
}

/// Windows has no signals.
#[cfg(not(unix))]
fn signal(_: ExitStatus) -> Option<i32> {
    None
}

/// Time that a process and its threads have had of the processors; `None` where the system does
/// not say.
fn processor_time(pid: u32) -> Option<Duration> {
    let text = std::fs::read_to_string(format!("/proc/{pid}/stat")).ok()?;
    // Its name comes in brackets and may hold anything.
    let mut fields = text.rsplit_once(')')?.1.split_whitespace().skip(11);
    let user: u64 = fields.next()?.parse().ok()?;
    let system: u64 = fields.next()?.parse().ok()?;
    #[cfg(target_os = "linux")]
    let per_second = rustix::param::clock_ticks_per_second().max(1);
    #[cfg(not(target_os = "linux"))]
    let per_second = 100;
    Some(Duration::from_millis((user + system) * 1000 / per_second))
}

/// A limit on memory under which this program was started, and which the other inherited.
#[cfg(unix)]
fn own_limit() -> Option<u64> {
    use rustix::process::{Resource, getrlimit};
    let limits = [Resource::As, Resource::Data].map(|which| getrlimit(which).current);
    limits.into_iter().flatten().min()
}

/// Windows has none that a program is told of without unsafe code.
#[cfg(not(unix))]
fn own_limit() -> Option<u64> {
    None
}

/// How a process ended, in words.
fn how(status: ExitStatus) -> String {
    match (signal(status), status.code()) {
        (Some(4 | 8), _) => "it did what no processor can".to_owned(),
        (Some(6), _) => "it gave up".to_owned(),
        (Some(7 | 11), _) => "it reached for memory that is not its own".to_owned(),
        (Some(signal), _) => format!("signal {signal}"),
        (None, Some(code)) => how_by_code(code),
        (None, None) => "it ended".to_owned(),
    }
}

/// The same by its exit code, which on Windows tells crashes, too (`NTSTATUS` in `ntstatus.h`).
fn how_by_code(code: i32) -> String {
    match code as u32 {
        0xC000_001D | 0xC000_0094 => "it did what no processor can".to_owned(),
        0xC000_0409 => "it gave up".to_owned(),
        0xC000_0005 | 0xC000_00FD => "it reached for memory that is not its own".to_owned(),
        crash @ 0xC000_0000.. => format!("it ended with code 0x{crash:X}"),
        _ => format!("it ended with code {code}"),
    }
}

fn breakdown(watch: &Watch, how: &str) -> Error {
    damaged(
        "the library that reads this format broke down over the file",
        format!("{}: {how}", format::of(&watch.file)),
        &watch.file,
    )
}

fn insatiable(watch: &Watch) -> Error {
    damaged(
        "the file asks for more memory than reading it may take",
        format::of(&watch.file),
        &watch.file,
    )
}

fn limited(path: &Path, limit: u64) -> Error {
    Error::Disk(
        Problem::new("the grid could not be read, most likely for want of memory")
            .found(format!(
                "a limit of {} MB for this program",
                limit.div_ceil(1 << 20)
            ))
            .next("raise the limit, with ulimit for example")
            .file(path),
    )
}

fn too_little(path: &Path, bytes: u64) -> Error {
    Error::Disk(
        Problem::new("there is no memory left for the working grid")
            .found(format!("{} MB needed", bytes.div_ceil(1 << 20)))
            .next("use larger pixels, give less with --memory, or end other programs")
            .file(path),
    )
}

fn stopped(signal: i32) -> Error {
    let (what, next) = match signal {
        9 => (
            "the system ended the process that reads the grid",
            "it may have run out of memory: use larger pixels, or give less with --memory",
        ),
        _ => ("reading the grid was interrupted", "start the job again"),
    };
    Error::Disk(
        Problem::new(what)
            .found(format!("signal {signal}"))
            .next(next),
    )
}

fn unstarted(error: &std::io::Error) -> Error {
    Error::Disk(
        Problem::new(format!(
            "the process that reads the grid could not be started: {error}"
        ))
        .next("check the limits on processes, memory and open files"),
    )
}

/// An answer that no process gives whose memory is as it should be.
fn senseless(path: &Path) -> Error {
    damaged(
        "reading the file ended in an answer that makes no sense",
        format::of(path),
        path,
    )
}

fn damaged(what: &str, found: String, path: &Path) -> Error {
    Error::Grid(
        Problem::new(what)
            .found(found)
            .next("the file is damaged; copy or download it again, or convert it to GeoTIFF")
            .file(path),
    )
}
