//! What the reader is at, told to whoever watches over it: which library works on which file, how
//! much work that may be, and how much memory reading needs beyond the usual.
//!
//! In a process of its own (`subprocess`) somebody listens; in a library nobody does, and nothing
//! is done here.

use std::path::Path;
use std::sync::OnceLock;
use std::sync::atomic::{AtomicUsize, Ordering};

/// What is told.
pub(super) enum Event<'a> {
    /// A library is called about a file, and may have to decode so many bytes before it returns.
    Call { file: &'a Path, work: u64 },
    /// It has returned.
    Returned,
    /// So many bytes more are needed from now on.
    MemoryNeeded(u64),
    /// The libraries are done: what is taken from now on, this program takes.
    LibrariesDone,
}

type Listener = Box<dyn Fn(Event<'_>) + Send + Sync>;

static LISTENER: OnceLock<Listener> = OnceLock::new();

/// Calls that have not returned yet.
static CALLS: AtomicUsize = AtomicUsize::new(0);

/// Tells everything to `listener` from now on; the first one stays.
pub(super) fn listen(listener: Listener) {
    let _the_first_stays = LISTENER.set(listener);
}

fn tell(event: Event<'_>) {
    if let Some(listener) = LISTENER.get() {
        listener(event);
    }
}

/// A call of a library, until it is dropped.
pub(super) struct LibraryCall(());

/// Says that a library is called about a file.
#[must_use]
pub(super) fn call(file: &Path, work: u64) -> LibraryCall {
    CALLS.fetch_add(1, Ordering::Relaxed);
    tell(Event::Call { file, work });
    LibraryCall(())
}

impl Drop for LibraryCall {
    fn drop(&mut self) {
        if CALLS.fetch_sub(1, Ordering::Relaxed) == 1 {
            tell(Event::Returned);
        }
    }
}

/// Says that so many bytes more will be needed.
pub(super) fn need_memory(bytes: u64) {
    tell(Event::MemoryNeeded(bytes));
}

/// Says that the libraries are done.
pub(super) fn libraries_done() {
    tell(Event::LibrariesDone);
}
