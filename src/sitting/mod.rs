//! One listener at this machine: a conductor in front of a face.
//!
//! Comes in: a [`Request`] (a session, a listener's name, an output), an [`Environment`](crate::conduct::environment::Environment) (clock, preparation, sound,
//! randomness) and a [`Face`]. Goes out: a journal on the disk and [`Finished`], what is to be said at the end. Times
//! are milliseconds of the sitting.
//!
//! A face shows scenes and hands back intents. There are three: the terminal screen, plain lines for screen readers and
//! serial terminals, and the silence of a simulated listener. The conductor decides, the driver carries out: nothing in
//! here shows which side X is, and only [`simulated`] learns it.
//!
//! | file | what lives there |
//! | --- | --- |
//! | `entry` | from a request to an open sitting: preparation, terms, resumption, passphrase, output |
//! | `dialogue` | an open sitting in front of a face: scenes out, intents in |
//! | `choosing` | level, loops, and the trials again at the end |
//! | `face` | what a face is; the terminal screen as one |
//! | `plain` | the plain line mode |
//! | `simulated` | the listener that is none |
//! | `pages` | the words of every page before and between trials |
//! | `brief`, `agreed` | what is agreed on: on one screen, and in full |
//! | `review` | trial by trial, when the seal is open |
//! | `hands` | hands that are typed here, each by name in its turn |
//! | `passphrase` | somebody else's passphrase: chosen, diced, asked for again |
//! | `result` | the words of the end |
//! | `store` | the folder of sittings, as the driver needs it |
//! | `watch` | witnesses: who joins, links as they are opened |
//! | `scenes` | a view of the conductor as a scene |
//! | `audition` | sighted listening and training, never counted |

pub mod agreed;
pub mod audition;
mod begin;
pub mod brief;
mod choosing;
mod dialogue;
mod entry;
pub mod face;
pub mod hands;
pub mod pages;
pub mod passphrase;
pub mod plain;
pub mod result;
mod review;
pub mod scenes;
pub mod simulated;
mod store;
mod watch;

use std::path::PathBuf;

use crate::conduct::Stopped;
use crate::player::{OutputChoice, PlayerError};
use crate::session::{Session, SittingFact};
use crate::stimulus::{StimulusError, StimulusSet};
use crate::trial::{Outcome, SittingsError};

pub use begin::{Look, listen, rehearse, sit, with_look};
pub use entry::{conduct, conduct_watched};
pub use face::{Face, FaceError};

/// What to do about a sitting of this listener that was cut off.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Resuming {
    /// Ask, where somebody can be asked; else a new sitting.
    #[default]
    Ask,
    /// Go on with it; an error if there is none.
    Resume,
    /// A new sitting.
    Anew,
}

/// What is to be conducted.
#[derive(Debug, Clone)]
pub struct Request {
    /// The session.
    pub session: Session,
    /// The listener's name, whole.
    pub listener: String,
    /// The name that reports show in its place; a sitting that goes on keeps the one it was opened with.
    pub alias: Option<String>,
    /// Where the sound goes.
    pub output: OutputChoice,
    /// A simulated listener's probability of being right.
    pub simulate: Option<f64>,
    /// Facts about listener and place that are known already; what else the session asks for is asked of the listener.
    pub facts: Vec<SittingFact>,
    /// What else a simulated listener is able to do.
    pub ability: simulated::Ability,
    /// The other party encrypts the secret with a passphrase.
    pub opponent: bool,
    /// What to do about a sitting that was cut off.
    pub resuming: Resuming,
}

impl Request {
    /// What is to be read beside the terms.
    pub(crate) fn around(&self, standing: Vec<String>, stimuli: Option<&StimulusSet>) -> brief::Around {
        let mut around = brief::Around { standing, ..brief::Around::of(&self.session) };
        around.remarks.extend(stimuli.iter().flat_map(|stimuli| &stimuli.notes).cloned());
        around
    }
}

/// How a sitting came to its end here.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Ending {
    /// The seal is open.
    Closed(Outcome),
    /// Left; it can be resumed.
    Left,
    /// Left before anything was opened: nothing is on the disk.
    NotOpened,
}

/// What is to be said when the face is gone.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Finished {
    /// How it ended.
    pub ending: Ending,
    /// The journal; empty if there is none.
    pub journal: PathBuf,
    /// Result, verdict, receipt, files: plain lines.
    pub lines: Vec<String>,
}

/// Why a sitting cannot begin or go on. Each says what to do.
#[derive(Debug, thiserror::Error)]
pub enum SittingError {
    /// The stimuli cannot be made.
    #[error(transparent)]
    Stimuli(#[from] StimulusError),
    /// The output cannot be opened.
    #[error(transparent)]
    Output(#[from] PlayerError),
    /// The folder of sittings, the register, a journal or the secret stands in the way.
    #[error(transparent)]
    Sittings(#[from] SittingsError),
    /// The terminal went away.
    #[error("{0}. What was recorded is kept, and the same command goes on from there")]
    Face(#[from] FaceError),
    /// A record or the sound file could not be written, or something cannot be played.
    #[error("{}: {stopped}. The sitting has stopped. {}", file.display(), stopped.remedy())]
    Stopped {
        /// The journal.
        file: PathBuf,
        /// Why.
        stopped: Stopped,
    },
    /// Anything else that stands in the way, in words.
    #[error("{0}")]
    Refused(String),
}
