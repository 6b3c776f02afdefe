//! The threads that share the work.

use rayon::ThreadPoolBuilder;
use std::sync::mpsc::channel;
use std::thread::Builder;

/// Threads that must be left beside those of others, who wait for ever for one that they do not get:
/// systems count a thread for a moment after its end.
const SPARE: usize = 2;

/// Starts so many threads, or one for every core, for all that is done in parallel; fewer where
/// the system has no more, down to the one that is there. To be called once, before any work;
/// whether all could be had, and beside them as many as `others` will start.
pub fn prepare(threads: Option<usize>, others: usize) -> bool {
    let cores = || std::thread::available_parallelism().map_or(1, usize::from);
    let given = threads.or_else(|| std::env::var("RAYON_NUM_THREADS").ok()?.parse().ok());
    let wished = given.filter(|&n| n > 0).unwrap_or_else(cores);
    // Rayon has one try, and panics at the first work after it has failed: so others try first.
    let all = wished + if others > 0 { others + SPARE } else { 0 };
    let tried = all.min(affordable());
    let had = at_once(tried);
    let pool = match had {
        0 => ThreadPoolBuilder::new().num_threads(1).use_current_thread(),
        enough if enough == tried => ThreadPoolBuilder::new().num_threads(enough.min(wished)),
        // One for whoever needs another thread beside them.
        some => ThreadPoolBuilder::new().num_threads((some - 1).clamp(1, wished)),
    };
    // Fails if a pool runs already, which then stays.
    let _ = pool.build_global();
    had == all
}

/// Bytes that the program with its libraries takes, and every thread with its stack: of addresses,
/// of which a thread's own store of memory reserves many, and of memory for data.
#[cfg(unix)]
const TAKEN: [(rustix::process::Resource, u64, u64); 2] = [
    (rustix::process::Resource::As, 256 << 20, 128 << 20),
    (rustix::process::Resource::Data, 64 << 20, 4 << 20),
];

/// Most threads where memory is limited: one that begins without room for its second stack
/// takes the program down.
fn affordable() -> usize {
    #[cfg(unix)]
    {
        let rooms = TAKEN.iter().filter_map(|(which, program, thread)| {
            let limit = rustix::process::getrlimit(*which).current?;
            usize::try_from(limit.saturating_sub(*program) / thread).ok()
        });
        rooms.min().unwrap_or(usize::MAX).max(1)
    }
    #[cfg(not(unix))]
    usize::MAX
}

/// How many threads, up to a number, can run at the same time.
fn at_once(wished: usize) -> usize {
    let mut running = Vec::new();
    for _ in 0..wished {
        let (end, ended) = channel::<()>();
        // Until the other side is dropped.
        match Builder::new().spawn(move || ended.recv().is_err()) {
            Ok(thread) => running.push((end, thread)),
            Err(_) => break,
        }
    }
    let count = running.len();
    for (end, thread) in running {
        drop(end);
        // A thread that only waits does not panic.
        let _ = thread.join();
    }
    count
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn threads_that_can_be_had_are_counted() {
        assert_eq!(at_once(3), 3);
        assert_eq!(at_once(0), 0);
    }
}
