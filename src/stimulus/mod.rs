//! A session's comparisons and controls as pairs of stimuli ready to play.
//!
//! Comes in: a [`Session`](crate::session::Session). Goes out: [`StimulusSet`]. Must not know: draws, answers.

use crate::clip::Playable;

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
}

/// Side A and side B of one clip, ready to play: same rate, channels and length.
#[derive(Debug, Clone, PartialEq)]
pub struct Pair {
    /// What it is for.
    pub kind: PairKind,
    /// Side A.
    pub a: Playable,
    /// Side B.
    pub b: Playable,
    /// SHA-256 of side A's samples (little-endian 32-bit float, interleaved) as 64 hex digits.
    pub digest_a: String,
    /// SHA-256 of side B's samples as 64 hex digits.
    pub digest_b: String,
}

/// Every stimulus of a session.
#[derive(Debug, Clone, PartialEq)]
pub struct StimulusSet {
    /// All pairs: comparisons first, in session order, clips within; then controls.
    pub pairs: Vec<Pair>,
}

impl StimulusSet {
    /// The pair for this purpose.
    pub fn pair(&self, kind: PairKind) -> Option<&Pair> {
        self.pairs.iter().find(|pair| pair.kind == kind)
    }
}
