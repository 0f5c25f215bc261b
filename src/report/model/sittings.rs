//! Sittings, what happened in them, what they published, and the register against the folder.

use serde::Serialize;

use crate::trial::record::Part;

/// How a sitting stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum State {
    /// All trials answered.
    Complete,
    /// Decided by the sequential rule.
    Decided,
    /// Qualification not passed.
    NotQualified,
    /// Stopped before the rule allowed.
    StoppedEarly,
    /// Never closed.
    Unfinished,
    /// The journal does not verify.
    Invalid,
    /// Of another session.
    Foreign,
}

impl State {
    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            Self::Complete => "complete",
            Self::Decided => "decided by the sequential rule",
            Self::NotQualified => "qualification not passed",
            Self::StoppedEarly => "stopped early",
            Self::Unfinished => "abandoned or still open",
            Self::Invalid => "invalid",
            Self::Foreign => "of another session",
        }
    }
}

/// A sitting.
#[derive(Debug, Clone, Serialize)]
pub struct SittingFacts {
    /// Name shown: the listener's, or the host's night.
    pub name: String,
    /// Place, if several were joined.
    pub place: Option<String>,
    /// A night of many listeners.
    pub night: bool,
    /// How it stands.
    pub state: State,
    /// Its answers count in the verdict.
    pub counted: bool,
    /// UTC time of the opening (anonymous: the date).
    pub opened_utc: String,
    /// Name of the journal's file, where it shows no hidden name.
    pub journal: Option<String>,
    /// A simulated listener's probability of a right answer.
    pub simulated: Option<f64>,
    /// `device`, `file` or `silent`, with rate and format.
    pub output: String,
    /// What the words of the sound device make of the faintest difference; nothing where no device played or the journal
    /// does not say.
    pub words: Option<DeviceFacts>,
    /// Nothing was played.
    pub silent: bool,
    /// Seats of a night.
    pub seats: Option<usize>,
    /// Answered counted trials (of a night: votes).
    pub answered: u64,
    /// Right ones, known only when the seal is open.
    pub correct: Option<u64>,
    /// Qualification: right and all.
    pub qualification: Option<(u64, u64)>,
    /// Votes that never came between a seat's first and last one (night).
    pub missing_votes: Option<u64>,
    /// Void attempts.
    pub void: u64,
    /// What happened beside the answers.
    pub events: Vec<EventFacts>,
    /// Times that it was resumed.
    pub resumed: u32,
    /// Length in seconds, interruptions not counted.
    pub length_s: f64,
    /// SHA-256 seal published before the first trial.
    pub commitment: String,
    /// Phrases: who typed them (not if anonymous) and what.
    pub phrases: Vec<(String, String)>,
    /// The secret that opens the seal.
    pub secret: Option<String>,
    /// The key that secret and phrases give.
    pub key: Option<String>,
    /// Hash of the last record.
    pub receipt: Option<String>,
    /// The same as words.
    pub receipt_phrase: Option<String>,
    /// What the verifier objects to.
    pub problems: Vec<String>,
    /// How a wager ended in the words agreed before.
    pub wager: Option<String>,
}

/// The word length of a sound device beside the faintest difference under test, at the level at which that stood out
/// least. Levels in dB.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct DeviceFacts {
    /// `16-bit`, `24-bit` or `32-bit`.
    pub words: &'static str,
    /// Noise of the words over the whole band, relative to a full-scale sine.
    pub noise_db: f64,
    /// Level that the listener chose, from the clips' own.
    pub level_db: f64,
    /// Comparison with the faintest difference; nothing where all sides are identical.
    pub comparison: Option<String>,
    /// The clip of that.
    pub clip: Option<String>,
    /// By how much it stands out of the noise in its strongest ERB band.
    pub margin_db: Option<f64>,
    /// It stands out by less than the 10 dB that are wanted.
    pub could_hide: bool,
}

/// Something that happened in a sitting: the cause of a void attempt, a device event that made none void, a note.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct EventFacts {
    /// Line of the journal, from 1, that holds it.
    pub journal_line: u64,
    /// Part of the sitting, of what happened in a trial.
    pub part: Option<Part>,
    /// The trial.
    pub trial: Option<u32>,
    /// The attempt was made void by it.
    pub void: bool,
    /// What, in the journal's words.
    pub text: String,
}

/// Stimuli that sittings published before their first trial, by their digests.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct StimulusSetFacts {
    /// Rate in Hz that they were made for.
    pub rate_hz: u32,
    /// Numbers of the sittings in [`Report::sittings`](super::Report::sittings), from 0.
    pub sittings: Vec<usize>,
    /// The pairs.
    pub pairs: Vec<StimulusFacts>,
}

/// A pair of stimuli.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct StimulusFacts {
    /// Name of the comparison.
    pub comparison: String,
    /// Name of the clip.
    pub clip: String,
    /// The control in words, if it is one.
    pub control: Option<String>,
    /// SHA-256 of side A's samples.
    pub a_sha256: String,
    /// SHA-256 of side B's samples.
    pub b_sha256: String,
}

/// A journal that cannot be used at all.
#[derive(Debug, Clone, Serialize)]
pub struct Unusable {
    /// Name of the file (anonymous: a number).
    pub file: String,
    /// Place, if several were joined.
    pub place: Option<String>,
    /// Why.
    pub reason: String,
}

/// The register against the folder.
#[derive(Debug, Clone, Default, Serialize)]
pub struct RegisterFacts {
    /// Sittings that it announces.
    pub announced: usize,
    /// Of these, never closed.
    pub unfinished: usize,
    /// Announced sittings without a journal in the folder.
    pub missing: Vec<String>,
    /// Journals that it does not announce.
    pub unregistered: usize,
    /// Why it cannot be read.
    pub problem: Option<String>,
}
