//! A session's comparisons and controls as pairs of stimuli ready to play.
//!
//! Comes in: a [`Session`](crate::session::Session). Goes out: [`StimulusSet`]. Must not know: draws, answers.

pub mod controls;
pub mod device_words;
mod kept;
pub mod marks;
pub mod on_paper;
mod plan;
mod prepare;
pub mod recorded;
mod render;
pub mod resolution;
mod sides;
pub mod sizes;
mod stream;
mod survey;
pub mod transparency;
mod work;

use std::path::PathBuf;

pub use crate::filter::{NoProgress, Progress};
pub use device_words::{DeviceWords, WordFacts};
pub use kept::{BLOCK_FRAMES, Stimulus};
pub use plan::{HIGHEST_TRUE_PEAK_DBTP, MATCHED_WITHIN_LU};
pub(crate) use prepare::hex;
pub use prepare::prepare;
pub use render::{Rendered, file_stem, render};
pub use survey::{PairDifference, Survey, survey};
pub use transparency::{TransparencyReport, prove};

/// Why stimuli could not be made: what was tried, with which value, what is allowed, what to do.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum StimulusError {
    /// A clip cannot be read or synthesised.
    #[error("clip \"{clip}\": {message}")]
    Clip {
        /// The clip's name in the session.
        clip: String,
        /// File, value, what is allowed, what to do.
        message: String,
    },
    /// A cable's response cannot be computed or cannot be made a filter.
    #[error("cable \"{cable}\": {message}")]
    Cable {
        /// The cable's name in the session.
        cable: String,
        /// Value, what is allowed, what to do.
        message: String,
    },
    /// The amplifier and the loudspeaker cannot be made a filter, whatever connects them.
    #[error("amplifier and loudspeaker, without any cable between them: {message}")]
    WithoutCable {
        /// Value, what is allowed, what to do.
        message: String,
    },
    /// A control asks for something that is not allowed.
    #[error("control {number} ({kind}): {message}")]
    Control {
        /// Number of the control in the session, from 1.
        number: usize,
        /// Kind as in the session file.
        kind: String,
        /// Value, what is allowed, what to do.
        message: String,
    },
    /// A comparison cannot be made from these clips and sides.
    #[error("comparison \"{comparison}\": {message}")]
    Comparison {
        /// The comparison's name in the session.
        comparison: String,
        /// Value, what is allowed, what to do.
        message: String,
    },
    /// A file cannot be written.
    #[error("{}: {message}", file.display())]
    Write {
        /// The file.
        file: PathBuf,
        /// What went wrong, what to do.
        message: String,
    },
    /// A stimulus that was put away cannot be had again.
    #[error("a stimulus that was kept in {} cannot be read back: {message}; check that disk", folder.display())]
    Kept {
        /// Where.
        folder: PathBuf,
        /// What went wrong.
        message: String,
    },
}

/// What a pair of stimuli is for. Indices point into the session's lists.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum PairKind {
    /// A comparison on one of its clips.
    Comparison {
        /// Index of the comparison.
        comparison: usize,
        /// Index of the clip.
        clip: usize,
    },
    /// A control, made from side A of a comparison on a clip.
    Control {
        /// Index of the control.
        control: usize,
        /// Index of the comparison whose side A it starts from.
        comparison: usize,
        /// Index of the clip.
        clip: usize,
    },
    /// A size of a comparison on a clip, in a session that looks for a threshold.
    Level {
        /// Index of the comparison.
        comparison: usize,
        /// Index of the clip.
        clip: usize,
        /// Index among the sizes of the [range](crate::stats::threshold::Range::levels).
        level: usize,
    },
}

impl PairKind {
    /// Index of the comparison, and of the clip.
    pub fn of(self) -> (usize, usize) {
        match self {
            Self::Comparison { comparison, clip }
            | Self::Control { comparison, clip, .. }
            | Self::Level { comparison, clip, .. } => (comparison, clip),
        }
    }
}

/// Side A and side B of one clip, ready to play: same rate, channels and length.
#[derive(Debug, Clone)]
pub struct Pair {
    /// What it is for.
    pub kind: PairKind,
    /// Side A.
    pub a: Stimulus,
    /// Side B.
    pub b: Stimulus,
    /// SHA-256 of side A's samples (little-endian 32-bit float, interleaved).
    pub digest_a: [u8; 32],
    /// SHA-256 of side B's samples.
    pub digest_b: [u8; 32],
}

/// How the levels of one pair came about. All gains and levels in dB.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PairLevels {
    /// The pair's purpose.
    pub kind: PairKind,
    /// The one gain of the whole comparison, 0 or below, that keeps every stimulus at or below -1 dBTP.
    pub common_gain_db: f64,
    /// Gain that matching the levels put on side A, 0 or below.
    pub match_gain_a_db: f64,
    /// Gain that matching the levels put on side B, 0 or below.
    pub match_gain_b_db: f64,
    /// Integrated loudness of the finished stimulus A in LUFS (ITU-R BS.1770); `None` for silence.
    pub loudness_a_lufs: Option<f64>,
    /// Integrated loudness of the finished stimulus B in LUFS.
    pub loudness_b_lufs: Option<f64>,
    /// True peak of the finished stimulus A in dBTP.
    pub true_peak_a_dbtp: f64,
    /// True peak of the finished stimulus B in dBTP.
    pub true_peak_b_dbtp: f64,
    /// Length of side A's filter in samples.
    pub taps_a: usize,
    /// Length of side B's filter in samples.
    pub taps_b: usize,
}

/// Every stimulus of a session.
#[derive(Debug, Clone, Default)]
pub struct StimulusSet {
    /// All pairs: comparisons first, in session order, clips within; then controls, then sizes.
    pub pairs: Vec<Pair>,
    /// How the levels came about, one entry per pair, in the same order.
    pub levels: Vec<PairLevels>,
    /// What the user should know, in sentences: silence, a DC offset, a lossy file, a strange rate, a clip shorter
    /// than a filter, a level that could not be matched exactly.
    pub notes: Vec<String>,
    /// What recordings that are played say of themselves.
    pub recorded: Vec<recorded::RecordedPair>,
}

impl StimulusSet {
    /// The pair for this purpose.
    pub fn pair(&self, kind: PairKind) -> Option<&Pair> {
        self.pairs.binary_search_by_key(&kind, |pair| pair.kind).ok().map(|place| &self.pairs[place])
    }
}
