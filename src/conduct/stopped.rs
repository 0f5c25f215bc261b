//! Why a sitting or a night does not go on, and what is left of it.

use std::path::{Path, PathBuf};

use super::place::Displaced;
use crate::player::PlayerError;
use crate::stimulus::{PairKind, StimulusError};

/// Why nothing goes on. Everything that was written before is kept.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum Stopped {
    /// A record, or the register's closing line, could not be written.
    #[error("the journal cannot be written: {reason}")]
    Journal {
        /// Why.
        reason: String,
    },
    /// The journal is no longer where it was: what was written last cannot be found by anybody.
    #[error("the journal is no longer at its place: {what}{}", kept_in(kept.as_deref()))]
    Displaced {
        /// What became of it.
        what: Displaced,
        /// Where what it held was written to.
        kept: Option<PathBuf>,
        /// Whether the secret of its draws is gone as well: nothing goes on without it.
        lost: bool,
    },
    /// The sound file cannot take more.
    #[error("the sound file cannot be written: {reason}")]
    SoundFile {
        /// Why.
        reason: String,
    },
    /// The switch of real cables failed again and again.
    #[error("{reason}, several times in a row")]
    Switch {
        /// Why.
        reason: String,
    },
    /// A trial asks for a stimulus that was not made.
    #[error("the stimulus {0:?} was not made; this is a fault of the program, please report it")]
    Missing(PairKind),
    /// A stimulus cannot be read back from the disk.
    #[error("{0}")]
    Stimulus(StimulusError),
    /// The output does not play a stimulus of this rate and number of channels.
    #[error("{0}")]
    Output(PlayerError),
}

fn kept_in(kept: Option<&Path>) -> String {
    match kept {
        Some(path) => format!("; what it held is kept in {}", path.display()),
        None => "; what it held could not be kept anywhere else".to_owned(),
    }
}

impl Stopped {
    /// What is left, and what to do.
    pub fn remedy(&self) -> &'static str {
        match self {
            Self::Displaced { lost: true, .. } => {
                "Nothing more was taken. The secret of its draws is gone as well, so this sitting cannot go on. What was kept \
                 still shows what was answered. Find out who removed the folder before you start another"
            }
            Self::Displaced { kept: Some(_), .. } => {
                "Nothing more was taken. Put what was kept back under the journal's name, then run the same command again to \
                 resume"
            }
            Self::Displaced { kept: None, .. } => {
                "Nothing more was taken. If the journal was renamed, put it back, then run the same command again to resume"
            }
            Self::Journal { .. } | Self::SoundFile { .. } => {
                "Nothing more was taken; everything before is kept. Make room or mend the folder, then run the same command \
                 again to resume"
            }
            Self::Switch { .. } => {
                "Amplifier off first. Check the relay, its supply and its cable, then run the same command again to resume"
            }
            Self::Missing(_) | Self::Stimulus(_) | Self::Output(_) => {
                "Nothing more was taken; everything before is kept. The same command resumes"
            }
        }
    }
}
