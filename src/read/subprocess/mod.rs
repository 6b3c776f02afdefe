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
#[cfg(test)]
mod tests;
mod wire;

use child::serve;

use super::{ReadRequest, StoragePolicy, Working, first_file, format};
use crate::model::error::{Error, Problem, Result};
use crate::model::grid::{Grid, Layout, Source};
use crate::model::progress::Progress;
use crate::model::settings::GridSettings;
use crate::model::threads::prepare;
use ndarray::Array2;
use rustix::event::{PollFd, PollFlags, Timespec, poll};
use rustix::io::{FdFlags, fcntl_setfd};
use rustix::process::{Resource, getrlimit};
use std::ffi::{OsStr, OsString};
use std::fs::File;
use std::io::{ErrorKind, Read, Write};
use std::os::fd::AsRawFd;
use std::os::unix::process::{CommandExt, ExitStatusExt};
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdout, Command, ExitStatus, Stdio};
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
    let _all = prepare(threads);
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
        .map(|grid_file| Ok((grid_file, grid_file.open()?)))
        .transpose()?;
    let task = Task::Read {
        request: *request,
        storage: storage.clone(),
    };
    let file = store.as_ref().map(|(_, file)| file);
    let (found, samples) = ask(program, settings, task, file, progress)?;
    let working = match (found.layout, samples, store) {
        (Some(layout), Some(samples), _) => Working::Held(grid(layout, samples, path)?),
        (Some(layout), None, Some((grid_file, file))) => {
            Working::Stored(grid_file.written(layout, file)?)
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
    store: Option<&File>,
    progress: &dyn Progress,
) -> Result<(GridAnswer, Option<Vec<f32>>)> {
    let path = first_file(settings)?;
    if let Some(store) = store {
        // The one other file that the new process inherits.
        fcntl_setfd(store, FdFlags::empty()).map_err(|e| unstarted(&e.into()))?;
    }
    let request = Request {
        settings: settings.clone(),
        task,
        threads: program.threads,
        store: store.map(AsRawFd::as_raw_fd),
    };
    let mut process = ReadingProcess::start(program, &request)?;
    if let Some(store) = store {
        fcntl_setfd(store, FdFlags::CLOEXEC).map_err(|e| unstarted(&e.into()))?;
    }
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

/// A process that reads, ended when this is dropped.
struct ReadingProcess {
    child: Child,
    out: ChildStdout,
    last_words: Vec<u8>,
    buffer: Vec<u8>,
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
        let mut child = Command::new(&program.path)
            .arg0("globewright")
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
        // Fewer turns between the two processes; where it cannot be had, there are more.
        #[cfg(target_os = "linux")]
        let _ = rustix::pipe::fcntl_setpipe_size(&out, PIPE_BYTES);
        let mut process = ReadingProcess {
            child,
            out,
            last_words: Vec::new(),
            buffer: vec![0; BUFFER_BYTES],
        };
        // A process that is gone again says more by its end than by not listening.
        let _ = stdin.write_all(&wire::framed(request)?);
        // Left open: the other side ends when it closes, which it does with this process.
        process.child.stdin = Some(stdin);
        Ok(process)
    }

    /// Waits a little for messages, and takes those that are there.
    fn listen(&mut self, inbox: &mut Inbox, watch: &mut Watch) -> Result<PollOutcome> {
        let mut fds = vec![PollFd::new(&self.out, PollFlags::IN)];
        if let Some(stderr) = &self.child.stderr {
            fds.push(PollFd::new(stderr, PollFlags::IN));
        }
        let look = Timespec {
            tv_sec: 0,
            tv_nsec: LOOK.as_nanos() as _,
        };
        match poll(&mut fds, Some(&look)) {
            Err(rustix::io::Errno::INTR) | Ok(_) => {}
            Err(error) => return Err(unstarted(&error.into())),
        }
        let ready: Vec<bool> = fds.iter().map(|fd| !fd.revents().is_empty()).collect();
        if ready.get(1) == Some(&true) {
            self.hear_last_words();
        }
        if !ready[0] {
            return Ok(PollOutcome::Silent);
        }
        let count = match self.out.read(&mut self.buffer) {
            Ok(0) => return Ok(PollOutcome::Over),
            Ok(count) => count,
            Err(error) if error.kind() == ErrorKind::Interrupted => return Ok(PollOutcome::Silent),
            Err(_) => return Ok(PollOutcome::Over),
        };
        watch.heard();
        inbox.push(&self.buffer[..count]);
        Ok(PollOutcome::Heard)
    }

    /// Libraries write there whatever they like; none of it is passed on.
    fn hear_last_words(&mut self) {
        let Some(stderr) = &mut self.child.stderr else {
            return;
        };
        let mut words = [0; 4096];
        match stderr.read(&mut words) {
            Ok(count) if count > 0 => {
                self.last_words.extend_from_slice(&words[..count]);
                let extra = self.last_words.len().saturating_sub(LAST_WORDS);
                self.last_words.drain(..extra);
            }
            Err(error) if error.kind() == ErrorKind::Interrupted => {}
            _ => self.child.stderr = None,
        }
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
        match self.out.read_exact(rest) {
            Ok(()) => Ok(samples),
            Err(_) => Err(self.broken(watch)),
        }
    }

    /// What to say of a process that ended without an answer.
    fn broken(&mut self, watch: &Watch) -> Error {
        let Some(status) = self.ended() else {
            return breakdown(watch, "it fell silent");
        };
        while self.child.stderr.is_some() {
            self.hear_last_words();
        }
        if let Some(signal) = status.signal()
            && INTERRUPTS.contains(&signal)
        {
            // Sent to this process as well, as a rule, which then ends in its own way.
            std::thread::sleep(GRACE);
            return stopped(signal);
        }
        let words = String::from_utf8_lossy(&self.last_words);
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

/// Bytes in the pipe between the processes.
#[cfg(target_os = "linux")]
const PIPE_BYTES: usize = 1 << 20;

/// Bytes taken from it at a time, but for samples.
const BUFFER_BYTES: usize = 1 << 16;

/// By which people and systems end programs: hang-up, interrupt, quit, kill, terminate.
const INTERRUPTS: &[i32] = &[1, 2, 3, 9, 15];

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
fn own_limit() -> Option<u64> {
    let limits = [Resource::As, Resource::Data].map(|which| getrlimit(which).current);
    limits.into_iter().flatten().min()
}

/// How a process ended, in words.
fn how(status: ExitStatus) -> String {
    match (status.signal(), status.code()) {
        (Some(4 | 8), _) => "it did what no processor can".to_owned(),
        (Some(6), _) => "it gave up".to_owned(),
        (Some(7 | 11), _) => "it reached for memory that is not its own".to_owned(),
        (Some(signal), _) => format!("signal {signal}"),
        (None, Some(code)) => format!("it ended with code {code}"),
        (None, None) => "it ended".to_owned(),
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
