//! What the reader is at, told to whoever watches over it: which library works on which file, how
//! much work that may be, and how much memory reading needs beyond the usual.
//!
//! In a process of its own (`apart`) somebody listens; in a library nobody does, and nothing is
//! done here.

use std::path::Path;
use std::sync::OnceLock;
use std::sync::atomic::{AtomicUsize, Ordering};

/// What is told.
pub(super) enum Heard<'a> {
    /// A library is called about a file, and may have to decode so many bytes before it returns.
    Call { file: &'a Path, work: u64 },
    /// It has returned.
    Returned,
    /// So many bytes more are needed from now on.
    Room(u64),
    /// The libraries are done: what is taken from now on, this program takes.
    AllRoom,
}

type Listener = Box<dyn Fn(Heard<'_>) + Send + Sync>;

static LISTENER: OnceLock<Listener> = OnceLock::new();

/// Calls that have not returned yet.
static CALLS: AtomicUsize = AtomicUsize::new(0);

/// Tells everything to `listener` from now on; the first one stays.
pub(super) fn listen(listener: Listener) {
    let _the_first_stays = LISTENER.set(listener);
}

fn tell(heard: Heard<'_>) {
    if let Some(listener) = LISTENER.get() {
        listener(heard);
    }
}

/// A call of a library, until it is dropped.
pub(super) struct Call(());

/// Says that a library is called about a file.
#[must_use]
pub(super) fn call(file: &Path, work: u64) -> Call {
    CALLS.fetch_add(1, Ordering::Relaxed);
    tell(Heard::Call { file, work });
    Call(())
}

impl Drop for Call {
    fn drop(&mut self) {
        if CALLS.fetch_sub(1, Ordering::Relaxed) == 1 {
            tell(Heard::Returned);
        }
    }
}

/// Says that so many bytes more will be needed.
pub(super) fn more_room(bytes: u64) {
    tell(Heard::Room(bytes));
}

/// Says that the libraries are done.
pub(super) fn all_room() {
    tell(Heard::AllRoom);
}
