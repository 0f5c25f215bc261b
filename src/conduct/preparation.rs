//! Stimuli that are made on a thread of their own, while people read.
//!
//! How far it is depends on the session alone: no secret has been drawn yet, and nothing is on the disk.

use std::sync::mpsc::{Receiver, RecvTimeoutError, channel};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use super::environment::Environment;
use crate::session::Session;
use crate::stimulus::{Progress, StimulusError, StimulusSet};

/// How far a preparation is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct HowFar {
    /// What is being done.
    pub what: String,
    /// Pieces done.
    pub done: u64,
    /// Pieces in all; at least 1.
    pub total: u64,
}

/// Stimuli that are being made.
#[derive(Debug)]
pub struct Preparation {
    made: Receiver<Result<StimulusSet, StimulusError>>,
    progress: Arc<Mutex<HowFar>>,
}

/// Keeps the latest progress for whoever asks.
struct Latest(Arc<Mutex<HowFar>>);

impl Progress for Latest {
    fn step(&self, done: u64, total: u64, what: &str) {
        let now = HowFar { what: what.to_owned(), done, total: total.max(1) };
        *self.0.lock().unwrap_or_else(PoisonError::into_inner) = now;
    }
}

impl Preparation {
    /// What a preparation does before its first step is known.
    pub const BEGINS: &str = "preparing the stimuli";

    /// Starts making the stimuli of a session.
    pub fn start(session: &Session, environment: &Environment) -> Self {
        let (sender, made) = channel();
        let first = HowFar { what: Self::BEGINS.to_owned(), done: 0, total: 1 };
        let progress = Arc::new(Mutex::new(first));
        let (session, latest) = (session.clone(), Latest(Arc::clone(&progress)));
        let prepare = Arc::clone(&environment.prepare);
        let work = move || {
            // Nobody waits any more: the person has left.
            let _ = sender.send(prepare(&session, &latest));
        };
        if environment.in_background {
            std::thread::spawn(work);
        } else {
            work();
        }
        Self { made, progress }
    }

    /// How far it is.
    pub fn progress(&self) -> HowFar {
        self.progress.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// The stimuli, when they are made; waits at most this long.
    pub fn take(&self, wait: Duration) -> Option<Result<StimulusSet, StimulusError>> {
        match self.made.recv_timeout(wait) {
            Ok(made) => Some(made),
            Err(RecvTimeoutError::Timeout) => None,
            // The thread ended without a word: only a panic does that, and its message has been written.
            Err(RecvTimeoutError::Disconnected) => Some(Err(StimulusError::Clip {
                clip: String::new(),
                message: "the preparation failed; this is a fault of the program, please report it"
                    .to_owned(),
            })),
        }
    }
}
