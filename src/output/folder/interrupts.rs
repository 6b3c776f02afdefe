//! Ctrl-C and other requests to end: unfinished folders go, and the exit code says which it was.

use super::{INTERRUPTED, Unfinished, remove_empty, unfinished};
use crate::{Error, Problem, Result};
use std::sync::atomic::Ordering;
use std::time::Duration;

/// What shells add to a signal's number when they report it as an exit code.
const SIGNAL_EXIT: i32 = 128;

/// Tries, and the pause between, to remove a folder into which other threads are still writing.
const REMOVE_TRIES: u32 = 50;
const REMOVE_PAUSE: Duration = Duration::from_millis(20);

/// From now on Ctrl-C, or a request to end, removes unfinished folders and ends the program with
/// 128 and the signal's number. For a program's start, once.
///
/// A file that grows too large is an error from then on, as in [`large_files_are_errors`].
///
/// A hang-up that whoever started the program had it ignore stays ignored: `nohup` means what it
/// says. Other signals count all the same: scripts start what they put in the background with
/// Ctrl-C ignored, and a request to end must not be lost there.
///
/// # Errors
/// [`Error::Disk`] when the system refuses, or when it was called before.
pub fn clean_up_on_interrupt() -> Result<()> {
    large_files_are_errors()?;
    on_interrupt(end)
}

/// Tells Ctrl-C and other requests to end to a program that ends in its own way: each by the exit
/// code that says which it was.
///
/// # Errors
/// [`Error::Disk`] when the system refuses, or when something listens already.
pub(crate) fn on_interrupt(told: impl FnMut(i32) + Send + 'static) -> Result<()> {
    listen(told)
        .map_err(|e| Error::Disk(Problem::new(format!("could not prepare for Ctrl-C: {e}"))))
}

/// Exit code of Ctrl-C.
#[cfg(any(feature = "preview", not(unix)))]
pub(crate) const CTRL_C: i32 = SIGNAL_EXIT + 2;

#[cfg(unix)]
fn listen(mut told: impl FnMut(i32) + Send + 'static) -> std::io::Result<()> {
    use signal_hook::consts::{SIGHUP, SIGINT, SIGTERM};
    let hung_up_on = ignored() & (1 << (SIGHUP - 1)) != 0;
    let wanted = [SIGINT, SIGTERM, SIGHUP];
    let wanted = if hung_up_on { &wanted[..2] } else { &wanted };
    let mut signals = signal_hook::iterator::Signals::new(wanted)?;
    let wait = move || (signals.forever()).for_each(|signal| told(SIGNAL_EXIT + signal));
    let named = std::thread::Builder::new().name("interrupts".into());
    named.spawn(wait).map(drop)
}

#[cfg(not(unix))]
fn listen(mut told: impl FnMut(i32) + Send + 'static) -> std::result::Result<(), ctrlc::Error> {
    // There Ctrl-C is all there is, and counts as the signal of that key.
    ctrlc::set_handler(move || told(CTRL_C))
}

/// Signals that the program was started to ignore, bit n − 1 for number n. Only Linux tells
/// without unsafe code.
#[cfg(unix)]
fn ignored() -> u64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let mask = status.lines().find_map(|line| line.strip_prefix("SigIgn:"));
    mask.and_then(|mask| u64::from_str_radix(mask.trim(), 16).ok())
        .unwrap_or(0)
}

/// Takes back what is unfinished and ends the program.
fn end(code: i32) {
    INTERRUPTED.store(true, Ordering::SeqCst);
    // Held to the end: the run cannot give its folder up and end first, with another code.
    let mut unfinished = unfinished();
    unfinished.drain(..).for_each(remove);
    exit(code);
}

/// Ends the program at once: std's exit would first take down the C libraries that other threads
/// are still in, and crash now and then.
pub(crate) fn exit(code: i32) -> ! {
    signal_hook::low_level::exit(code)
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

/// From now on a file that grows beyond the size the system allows is an error of the write, which
/// is told like any other; left alone, the system would end the program without a word.
///
/// # Errors
/// [`Error::Disk`] when the system refuses.
pub fn large_files_are_errors() -> Result<()> {
    #[cfg(unix)]
    {
        // Whoever catches the signal is not ended by it; what the flag says is of no use.
        let seen = std::sync::Arc::default();
        signal_hook::flag::register(signal_hook::consts::signal::SIGXFSZ, seen).map_err(|e| {
            Error::Disk(Problem::new(format!(
                "could not prepare for limits on files: {e}"
            )))
        })?;
    }
    Ok(())
}
