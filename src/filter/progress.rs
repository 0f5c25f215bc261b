//! How far a long computation has got, told to whoever shows it.

/// Receives progress. Called from any thread, at most a few hundred times per computation.
pub trait Progress: Sync {
    /// `done` of `total` units of work, and what is being done in a few words.
    fn step(&self, done: u64, total: u64, what: &str);
}

/// Shows nothing.
#[derive(Debug, Clone, Copy, Default)]
pub struct NoProgress;

impl Progress for NoProgress {
    fn step(&self, _done: u64, _total: u64, _what: &str) {}
}
