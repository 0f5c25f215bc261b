//! An opening before it is opened: what comes from session, stimuli and output.

use super::digest::Digest;
use super::record::{InputTerms, Occasion, Output, StimulusTerms, Terms};
use crate::session::{Session, SessionError, SittingFact};
use crate::stimulus::StimulusSet;

/// All that an opening holds and this room does not make.
#[derive(Debug, Clone, PartialEq)]
pub struct Draft {
    /// UTC time, RFC 3339, whole seconds: `2026-01-31T20:15:00Z`.
    pub utc: String,
    /// Sitting or night.
    pub occasion: Occasion,
    /// The listener's name, whole.
    pub listener: String,
    /// The name that reports show, if it is another one.
    pub alias: Option<String>,
    /// SHA-256 of the session file's bytes.
    pub session: Digest,
    /// Every file that the session reads.
    pub inputs: Vec<InputTerms>,
    /// The terms.
    pub terms: Terms,
    /// All stimuli.
    pub stimuli: Vec<StimulusTerms>,
    /// What carries the sound.
    pub output: Output,
    /// A simulated listener's probability of being right.
    pub simulated: Option<f64>,
    /// The session's data is invented.
    pub invented: bool,
    /// Facts about listener and place.
    pub facts: Vec<SittingFact>,
}

impl Draft {
    /// A listener's sitting of a session. `utc` is now, RFC 3339 with whole seconds.
    ///
    /// # Errors
    /// A file that the session reads is gone.
    pub fn new(
        session: &Session,
        stimuli: &StimulusSet,
        output: impl Into<Output>,
        listener: &str,
        utc: &str,
    ) -> Result<Self, SessionError> {
        Ok(Self {
            utc: utc.to_owned(),
            occasion: Occasion::Sitting,
            listener: listener.to_owned(),
            alias: None,
            session: Digest::of(session.source.as_bytes()),
            inputs: InputTerms::of(session)?,
            terms: Terms::of(session),
            stimuli: StimulusTerms::of(stimuli),
            output: output.into(),
            simulated: None,
            invented: session.invented,
            facts: Vec::new(),
        })
    }
}
