//! What is to be made of a session: sounds, the filters that each goes through, and which pairs they make.

use std::sync::Arc;

use super::{PairKind, StimulusError};
use crate::clip::loudness::Reading;
use crate::clip::{ClipError, OpenClip};
use crate::filter::Fir;
use crate::session::Session;

/// A sound, a clip or a recording of one, and every filter that it goes through.
#[derive(Debug, Clone)]
pub(super) struct Work {
    /// Index of the clip in the session.
    pub(super) clip: usize,
    pub(super) source: OpenClip,
    pub(super) firs: Vec<Arc<Fir>>,
    /// What the meters read behind each filter.
    pub(super) readings: Vec<Reading>,
}

/// One side of a group: which sound, through which of its filters, and what it is multiplied by.
#[derive(Debug, Clone, Copy)]
pub(super) struct Side {
    /// Index of the sound's work.
    pub(super) work: usize,
    pub(super) fir: usize,
    /// Gain of a level control; 1 otherwise.
    pub(super) level: f64,
    /// Gain of matching; 1 for none.
    pub(super) matching: f64,
    /// The whole gain, the common one included.
    pub(super) gain: f64,
}

/// The stimuli of one comparison on one clip: sides A and B, then what its controls add to A.
#[derive(Debug, Clone)]
pub(super) struct Group {
    pub(super) comparison: usize,
    /// Index of the clip in the session.
    pub(super) clip: usize,
    pub(super) sides: Vec<Side>,
    /// Purpose, and the indices of the two sides.
    pub(super) pairs: Vec<(PairKind, usize, usize)>,
    /// Sides that are matched to each other where levels are matched: the comparison's own first, which every side that is in
    /// no pair follows as side A does.
    pub(super) matched: Vec<(usize, usize)>,
}

/// What is said of a clip that cannot be read.
pub(super) fn clip_error(session: &Session, clip: usize) -> impl Fn(ClipError) -> StimulusError + '_ {
    move |error| StimulusError::Clip {
        clip: session.clips[clip].name.as_written().to_owned(),
        message: error.0,
    }
}

/// Adds a note, once: a clip can be in several comparisons.
pub(super) fn note_once(notes: &mut Vec<String>, note: String) {
    if !notes.contains(&note) {
        notes.push(note);
    }
}
