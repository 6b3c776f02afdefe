//! The reading process: takes a request, gives up what reading does not need, reads, answers.

use super::super::watch::{self, Event};
use super::super::{StoragePolicy, Working, drivers, inspect_here, lent_file, read_here};
use super::confine;
use super::wire::{self, GridAnswer, Message, Request, Task};
use crate::model::error::{Error, Result};
use crate::model::grid::Heights;
use crate::model::progress::Progress;
use crate::model::threads;
use std::fs::File;
use std::io::{Read, Write};
use std::path::Path;
use std::sync::{Mutex, PoisonError};

/// Exit codes of the reading process; what it found is in its answer.
const DONE: i32 = 0;
const UNASKED: i32 = 2;
const UNHEARD: i32 = 3;

/// Where the answer goes.
struct Out(Mutex<File>);

impl Out {
    fn say(&self, message: &Message) {
        let sent = wire::framed(message).map(|bytes| self.send(&bytes));
        if sent.is_err() {
            end(UNHEARD);
        }
    }

    fn send(&self, bytes: &[u8]) {
        let mut out = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        if out.write_all(bytes).is_err() {
            // Nobody is there to read for any more.
            end(UNHEARD);
        }
    }
}

impl Progress for &Out {
    fn start(&self, stage: &str, steps: u64) {
        let stage = stage.to_owned();
        self.say(&Message::Start { stage, steps });
    }

    fn step(&self, steps: u64) {
        self.say(&Message::Step(steps));
    }

    fn done(&self) {
        self.say(&Message::Done);
    }
}

/// At once: std's exit would first take down libraries that other threads are still in.
fn end(code: i32) -> ! {
    signal_hook::low_level::exit(code)
}

/// Does what a reading process is for, on standard input and output, and ends.
pub fn serve() -> ! {
    confine::end_with_parent();
    let Some(out) = answer_channel() else {
        end(UNASKED);
    };
    let Some(mut request) = wire::request(&mut std::io::stdin().lock()) else {
        end(UNASKED);
    };
    let out: &'static Out = Box::leak(Box::new(Out(Mutex::new(out))));
    let outcome = take_store(&mut request).and_then(|()| {
        confine::give_up_the_rest(&request.settings.files);
        let memory = confine::MemoryLimit::of(&request.settings.files, request.threads);
        memory.limit();
        listen(out, memory);
        // The other end of standard input closes with the program.
        let waiting = std::thread::Builder::new().spawn(|| {
            let _ = std::io::stdin().lock().read(&mut [0]);
            end(UNHEARD);
        });
        drop(waiting);
        if !threads::prepare(request.threads, drivers::THREADS) || confine::is_short() {
            drivers::start_no_threads();
        }
        work(&request, out)
    });
    match outcome {
        Ok((found, working)) => {
            out.say(&Message::Found(Box::new(found)));
            if let Some(Working::Held(grid)) = &working {
                let samples = grid.heights_m.as_standard_layout();
                out.send(bytemuck::cast_slice(samples.as_slice().unwrap_or_default()));
            }
        }
        Err(error) => out.say(&Message::Failed(error)),
    }
    end(DONE)
}

/// A way to the program that no library knows of: some print to standard output.
#[cfg(unix)]
fn answer_channel() -> Option<File> {
    use std::os::fd::AsFd;
    let out = std::io::stdout().as_fd().try_clone_to_owned().ok()?;
    let nowhere = File::options().write(true).open("/dev/null").ok()?;
    rustix::stdio::dup2_stdout(nowhere).ok()?;
    Some(File::from(out))
}

/// Standard output itself, which nothing takes from libraries here. One that prints spoils a
/// message, and the program says so; when samples are sent, none is called any more.
#[cfg(not(unix))]
fn answer_channel() -> Option<File> {
    use std::os::windows::io::AsHandle;
    let out = std::io::stdout().as_handle().try_clone_to_owned().ok()?;
    Some(File::from(out))
}

/// Opens the file that was handed over while files may still be opened for writing.
fn take_store(request: &mut Request) -> Result<()> {
    let Task::Read {
        storage:
            StoragePolicy::Limited {
                grid_file: Some(grid_file),
                ..
            },
        ..
    } = &mut request.task
    else {
        return Ok(());
    };
    if let Some(name) = request.store.as_deref().map(Path::new) {
        let file = lent_file::open(name);
        let file = file.map_err(|e| Error::io(name, "keep the working grid in a file", &e))?;
        grid_file.use_file(file);
    }
    Ok(())
}

/// Passes on what libraries are at, and gives them the memory they need.
fn listen(out: &'static Out, memory: confine::MemoryLimit) {
    watch::listen(Box::new(move |heard| match heard {
        Event::Call { file, work } => out.say(&Message::Call {
            file: file.as_os_str().to_owned(),
            work,
        }),
        Event::Returned => out.say(&Message::Returned),
        Event::MemoryNeeded(bytes) => memory.add(bytes),
        Event::LibrariesDone => memory.lift(),
    }));
}

fn work(request: &Request, out: &'static Out) -> Result<(GridAnswer, Option<Working>)> {
    let progress = &out as &dyn Progress;
    let (working, source) = match &request.task {
        Task::Inspect => (None, inspect_here(&request.settings, progress)?),
        Task::Read {
            request: wanted,
            storage,
        } => {
            let (working, source) = read_here(&request.settings, wanted, storage, progress)?;
            (Some(working), source)
        }
    };
    let found = GridAnswer {
        source,
        layout: working.as_ref().map(|working| match working {
            Working::Held(grid) => grid.layout(),
            Working::Stored(grid) => grid.layout(),
        }),
        held: matches!(working, Some(Working::Held(_))),
    };
    Ok((found, working))
}
