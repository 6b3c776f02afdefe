//! How far a run has come, told to whoever wants to know.

/// Listens to a running stage. Called from many threads at once.
pub trait Progress: Sync {
    /// A stage begins that will take this many steps.
    fn start(&self, stage: &str, steps: u64);
    /// So many more steps are done.
    fn step(&self, steps: u64);
    /// The stage is over.
    fn done(&self);
    /// Something a person should know, in one line, that is no part of any result.
    fn note(&self, _text: &str) {}
}

/// Says nothing.
#[derive(Debug, Clone, Copy, Default)]
pub struct Silent;

impl Progress for Silent {
    fn start(&self, _stage: &str, _steps: u64) {}
    fn step(&self, _steps: u64) {}
    fn done(&self) {}
}
