//! Hearing the reading process: what it says on standard output, and its last words on the other.

use super::{BUFFER_BYTES, Heard, LOOK, hear_last};
use rustix::event::{PollFd, PollFlags, Timespec, poll};
use std::io::{ErrorKind, Read, Result};
use std::process::{ChildStderr, ChildStdout};

/// Both pipes, of which one thread hears whichever has something to say.
pub(super) struct Pipes {
    out: ChildStdout,
    /// `None` once it is closed.
    err: Option<ChildStderr>,
    last_words: Vec<u8>,
    buffer: Vec<u8>,
}

impl Pipes {
    pub fn new(out: ChildStdout, err: Option<ChildStderr>) -> Result<Pipes> {
        // Fewer turns between the two processes; where it cannot be had, there are more.
        #[cfg(target_os = "linux")]
        let _ = rustix::pipe::fcntl_setpipe_size(&out, PIPE_BYTES);
        Ok(Pipes {
            out,
            err,
            last_words: Vec::new(),
            buffer: vec![0; BUFFER_BYTES],
        })
    }

    /// Waits a little for something to be said.
    pub fn listen(&mut self) -> Result<Heard<'_>> {
        let mut fds = vec![PollFd::new(&self.out, PollFlags::IN)];
        if let Some(err) = &self.err {
            fds.push(PollFd::new(err, PollFlags::IN));
        }
        let look = Timespec {
            tv_sec: 0,
            tv_nsec: LOOK.as_nanos() as _,
        };
        match poll(&mut fds, Some(&look)) {
            Err(rustix::io::Errno::INTR) | Ok(_) => {}
            Err(error) => return Err(error.into()),
        }
        let ready: Vec<bool> = fds.iter().map(|fd| !fd.revents().is_empty()).collect();
        if ready.get(1) == Some(&true) {
            self.hear_last_words();
        }
        if !ready[0] {
            return Ok(Heard::Silence);
        }
        Ok(match self.out.read(&mut self.buffer) {
            Ok(0) => Heard::End,
            Ok(count) => Heard::Bytes(&self.buffer[..count]),
            Err(error) if error.kind() == ErrorKind::Interrupted => Heard::Silence,
            Err(_) => Heard::End,
        })
    }

    /// Hears as much as is asked for, however long that takes.
    pub fn read_exact(&mut self, bytes: &mut [u8]) -> Result<()> {
        self.out.read_exact(bytes)
    }

    /// What a process that has ended said last on standard error.
    pub fn last_words(&mut self) -> &[u8] {
        while self.err.is_some() {
            self.hear_last_words();
        }
        &self.last_words
    }

    /// Libraries write there whatever they like; none of it is passed on.
    fn hear_last_words(&mut self) {
        let Some(err) = &mut self.err else {
            return;
        };
        if !hear_last(err, &mut self.last_words) {
            self.err = None;
        }
    }
}

/// Bytes in the pipe between the processes.
#[cfg(target_os = "linux")]
const PIPE_BYTES: usize = 1 << 20;
