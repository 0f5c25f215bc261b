//! What can be chosen of an output, and why one cannot be had.

use std::path::PathBuf;

use crate::session::Switching;

/// Where the sound goes.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum OutputChoice {
    /// A sound device by name, or the system's default.
    Device(Option<String>),
    /// Nowhere: everything runs, nothing is heard.
    Silent,
    /// A WAV file of 32-bit floats that holds what would have been heard.
    File(PathBuf),
}

/// What drives an output that has no device to drive it. A device runs at its own pace.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Pace {
    /// A clock: one second of sound takes one second. For sittings by people.
    #[default]
    RealTime,
    /// The calls themselves: each command renders one block at once and nothing waits. For simulated listeners and
    /// tests.
    Unpaced,
}

/// What a switch between two stimuli sounds like. The same for every pair of indices.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Switch {
    /// A raised-cosine crossfade of this length at the same place in the clip.
    Crossfade {
        /// Length in seconds.
        seconds: f64,
    },
    /// Fade out, silence, fade in; the clip's clock goes on.
    Gap {
        /// Length of each fade in seconds.
        fade_seconds: f64,
        /// Length of the silence in seconds.
        silence_seconds: f64,
    },
}

impl From<Switching> for Switch {
    fn from(switching: Switching) -> Self {
        match switching {
            Switching::Instant => Self::Crossfade { seconds: 0.005 },
            Switching::Gap => Self::Gap { fade_seconds: 0.010, silence_seconds: 0.150 },
        }
    }
}

/// How a player behaves.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PlayerOptions {
    /// What drives a silent or file output.
    pub pace: Pace,
    /// What a switch sounds like.
    pub switch: Switch,
    /// Length of the ramp of the first start after loading, in seconds: playback starts low.
    pub start_ramp_seconds: f64,
    /// Length of the fades of pause, resume, seek and loop seam, in seconds.
    pub fade_seconds: f64,
    /// Buffer size to ask a device for, in frames.
    pub buffer_frames: u32,
}

impl Default for PlayerOptions {
    fn default() -> Self {
        Self {
            pace: Pace::RealTime,
            switch: Switch::Crossfade { seconds: 0.005 },
            start_ramp_seconds: 0.3,
            fade_seconds: 0.010,
            buffer_frames: 1024,
        }
    }
}

/// Why an output cannot be opened: what was tried, what to install or check, what to do instead.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum PlayerError {
    /// There is no sound device that works.
    #[error("{0}")]
    NoDevice(String),
    /// There is no device of that name.
    #[error("{0}")]
    UnknownDevice(String),
    /// The device refuses every format that would do.
    #[error("{0}")]
    Unusable(String),
    /// The WAV file cannot be written.
    #[error("{0}")]
    File(String),
}
