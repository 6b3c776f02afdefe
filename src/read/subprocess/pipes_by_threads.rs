//! Hearing the reading process where a thread cannot wait for two pipes at a time, as on Windows: a
//! thread listens at each of them.

use super::{BUFFER_BYTES, Heard, LOOK, hear_last};
use std::io::{ErrorKind, Read, Result};
use std::process::{ChildStderr, ChildStdout};
use std::sync::mpsc::{Receiver, RecvTimeoutError, SyncSender, sync_channel};
use std::thread::{Builder, JoinHandle};

/// Buffers that may wait to be heard; beyond them the other process waits.
const MOST_WAITING: usize = 16;

/// Both pipes, with a thread for each.
pub(super) struct Pipes {
    said: Receiver<Vec<u8>>,
    /// What was said and not asked for yet.
    held: Vec<u8>,
    /// Ends with what was said last.
    err: Option<JoinHandle<Vec<u8>>>,
    last_words: Vec<u8>,
}

impl Pipes {
    pub fn new(out: ChildStdout, err: Option<ChildStderr>) -> Result<Pipes> {
        let (sender, said) = sync_channel(MOST_WAITING);
        Builder::new().spawn(move || pass_on(out, &sender))?;
        let err = err.map(|err| Builder::new().spawn(move || last_of(err)));
        Ok(Pipes {
            said,
            held: Vec::new(),
            err: err.transpose()?,
            last_words: Vec::new(),
        })
    }

    /// Waits a little for something to be said.
    pub fn listen(&mut self) -> Result<Heard<'_>> {
        Ok(match self.said.recv_timeout(LOOK) {
            Ok(bytes) => {
                self.held = bytes;
                Heard::Bytes(&self.held)
            }
            Err(RecvTimeoutError::Timeout) => Heard::Silence,
            Err(RecvTimeoutError::Disconnected) => Heard::End,
        })
    }

    /// Hears as much as is asked for, however long that takes.
    pub fn read_exact(&mut self, mut bytes: &mut [u8]) -> Result<()> {
        while !bytes.is_empty() {
            let said = self.said.recv();
            let said = said.map_err(|_| ErrorKind::UnexpectedEof)?;
            let count = said.len().min(bytes.len());
            let (first, rest) = bytes.split_at_mut(count);
            first.copy_from_slice(&said[..count]);
            bytes = rest;
        }
        Ok(())
    }

    /// What a process that has ended said last on standard error.
    pub fn last_words(&mut self) -> &[u8] {
        if let Some(err) = self.err.take() {
            // A thread that only reads does not panic.
            self.last_words = err.join().unwrap_or_default();
        }
        &self.last_words
    }
}

/// Passes on what is said until nothing more is, or nobody listens.
fn pass_on(mut out: impl Read, listener: &SyncSender<Vec<u8>>) {
    loop {
        let mut buffer = vec![0; BUFFER_BYTES];
        match out.read(&mut buffer) {
            Ok(count) if count > 0 => {
                buffer.truncate(count);
                if listener.send(buffer).is_err() {
                    return;
                }
            }
            Err(error) if error.kind() == ErrorKind::Interrupted => {}
            _ => return,
        }
    }
}

/// Hears to the end and keeps what was said last.
fn last_of(mut err: impl Read) -> Vec<u8> {
    let mut last = Vec::new();
    while hear_last(&mut err, &mut last) {}
    last
}

#[cfg(all(test, unix))]
mod tests {
    use super::super::LAST_WORDS;
    use super::*;
    use std::process::{Child, Command, Stdio};

    fn played(script: &str) -> (Child, Pipes) {
        let mut child = Command::new("sh")
            .args(["-c", script])
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        let pipes = Pipes::new(child.stdout.take().unwrap(), child.stderr.take()).unwrap();
        (child, pipes)
    }

    /// What is heard up to the end, and how often nothing was.
    fn all(pipes: &mut Pipes) -> (Vec<u8>, usize) {
        let (mut all, mut silences) = (Vec::new(), 0);
        loop {
            match pipes.listen().unwrap() {
                Heard::Bytes(bytes) => all.extend_from_slice(bytes),
                Heard::Silence => silences += 1,
                Heard::End => return (all, silences),
            }
        }
    }

    #[test]
    fn both_pipes_are_heard_to_their_end() {
        let (mut child, mut pipes) = played("echo one; echo worse >&2; echo two");
        assert_eq!(all(&mut pipes), (b"one\ntwo\n".to_vec(), 0));
        assert_eq!(pipes.last_words(), b"worse\n");
        assert!(child.wait().unwrap().success());
    }

    #[test]
    fn silence_is_told_and_ends_with_the_process() {
        let (mut child, mut pipes) = played("exec sleep 60");
        assert!(matches!(pipes.listen().unwrap(), Heard::Silence));
        child.kill().unwrap();
        child.wait().unwrap();
        assert_eq!(all(&mut pipes).0, b"");
        assert_eq!(pipes.last_words(), b"");
    }

    #[test]
    fn many_bytes_arrive_in_order_and_a_lack_of_them_is_told() {
        let (mut child, mut pipes) = played("seq 1 400000");
        let expected: Vec<u8> = (1..=400_000)
            .flat_map(|n| format!("{n}\n").into_bytes())
            .collect();
        let mut found = vec![0; expected.len()];
        pipes.read_exact(&mut found).unwrap();
        assert!(found == expected);
        let lack = pipes.read_exact(&mut [0]).unwrap_err();
        assert_eq!(lack.kind(), ErrorKind::UnexpectedEof);
        assert!(child.wait().unwrap().success());
    }

    #[test]
    fn of_many_last_words_the_last_are_kept() {
        let (mut child, mut pipes) = played("seq 1 100000 >&2");
        assert!(child.wait().unwrap().success());
        let words = pipes.last_words();
        assert_eq!(words.len(), LAST_WORDS);
        assert!(words.ends_with(b"99999\n100000\n"));
    }
}
