//! What a journal holds, record by record: the written format.
//!
//! A journal is JSON Lines. Line `n` (from 1) is
//! `{"number":n,"chain":C,"record":{"kind":K,...},"check":S}` with
//!
//! - `chain`: SHA-256 of the bytes of the line before, without its newline, as 64 hex digits; 64 zeros in line 1;
//! - `check`: the first 16 hex digits of SHA-256 of this line's bytes from its start up to and not including `,"check"`;
//! - fields in the order in which they are declared here, no spaces, numbers as `serde_json` writes them, one `\n` after
//!   each line. A reader refuses any other spelling, so no byte of a journal can change unseen.
//!
//! Times in records are whole milliseconds of the sitting (`at_ms`), from its opening; the time between a cut-off and
//! its resumption does not count. Nothing in any record before the closing one depends on what was drawn.

use serde::{Deserialize, Serialize};

use super::digest::Digest;
use super::protocol::Side;
use crate::stats::Protocol;

/// Version of the written format. A reader refuses newer ones.
pub const FORMAT: u32 = 1;

/// Who answers.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Occasion {
    /// One listener.
    Sitting,
    /// A room of listeners who share every draw.
    Night,
}

/// When the counted trials end.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case", deny_unknown_fields)]
pub enum StoppingTerms {
    /// All trials.
    AllTrials {},
    /// Wald's sequential test per comparison; the sitting ends when all comparisons are decided.
    Sequential {
        /// Risk of "a difference" for a guesser.
        alpha: f64,
        /// Risk of "no difference" for a listener with proportion right `proportion`.
        beta: f64,
        /// Proportion right that the test must be able to find.
        proportion: f64,
    },
}

/// A comparison: names of both sides and indices of its clips in [`Terms::clips`].
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ComparisonTerms {
    /// Its name.
    pub name: String,
    /// Cable of side A.
    pub a: String,
    /// Cable of side B.
    pub b: String,
    /// Its clips.
    pub clips: Vec<usize>,
}

/// A control.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ControlTerms {
    /// `level`, `tilt`, `head-movement` or `identical`.
    pub control: String,
    /// Amount in `unit`; 0 for `identical`.
    pub amount: f64,
    /// `dB`, `m`, or empty.
    pub unit: String,
    /// Trials of it among the counted ones.
    pub trials: u32,
}

impl ControlTerms {
    /// Known to be audible; the other kind is known to be impossible.
    pub fn is_positive(&self) -> bool {
        self.control != "identical"
    }
}

/// Positive controls that must be passed first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct QualificationTerms {
    /// Trials.
    pub trials: u32,
    /// How many must be right.
    pub correct: u32,
}

/// A wager in the words agreed before.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct WagerTerms {
    /// Who claims to hear the difference.
    pub claimant: String,
    /// Who doubts it.
    pub skeptic: String,
    /// The claim.
    pub claim: String,
    /// What is owed if the claimant wins.
    pub claimant_wins: String,
    /// What is owed if the skeptic wins.
    pub skeptic_wins: String,
    /// Right answers needed, of all counted trials together, for the claimant to win. With a sequential rule the
    /// decision of the rule counts instead.
    pub needed: u32,
}

/// All that is agreed before the first trial and all that draws are derived from, besides secret and phrases.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Terms {
    /// The session's title.
    pub title: String,
    /// The protocol.
    pub protocol: Protocol,
    /// The named attribute of 2-AFC.
    pub attribute: Option<String>,
    /// The side that has more of it, by claim; `a` where there is no attribute.
    pub attribute_side: Side,
    /// Counted trials per comparison (the largest number, with a sequential rule).
    pub trials: u32,
    /// Warm-up trials, uncounted.
    pub warm_up: u32,
    /// Error risk of a "difference" verdict for a guesser.
    pub alpha: f64,
    /// `as-wired` or `matched`.
    pub levels: String,
    /// `instant` or `gap`.
    pub switching: String,
    /// `holm` or `none`.
    pub family: String,
    /// When the counted trials end.
    pub stopping: StoppingTerms,
    /// Confidence, 1 to 5, is asked with each answer.
    pub confidence: bool,
    /// Night: a vote that never came from a seat that was taken counts as wrong. Otherwise it is reported and not
    /// counted. Either way [`Counts`] hold votes only.
    pub missing_as_wrong: bool,
    /// Minutes of listening after which a rest is offered.
    pub rest_after_minutes: f64,
    /// Positive controls to pass first.
    pub qualification: Option<QualificationTerms>,
    /// Names of all clips of the session.
    pub clips: Vec<String>,
    /// Comparisons.
    pub comparisons: Vec<ComparisonTerms>,
    /// Controls.
    pub controls: Vec<ControlTerms>,
    /// What was wagered.
    pub wager: Option<WagerTerms>,
}

/// What a pair of stimuli is, with the digests of both sides' samples (little-endian 32-bit float, interleaved).
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct StimulusTerms {
    /// Index of the comparison.
    pub comparison: usize,
    /// Index of the clip in [`Terms::clips`].
    pub clip: usize,
    /// Index of the control that side B is made by; `null` for the comparison itself.
    pub control: Option<usize>,
    /// SHA-256 of side A.
    pub a: Digest,
    /// SHA-256 of side B.
    pub b: Digest,
}

/// What carried the sound.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Output {
    /// `device`, `silent` or `file`.
    pub kind: String,
    /// Name of the device, or of the file without its folder; empty for silent.
    pub name: String,
    /// Sound system; empty where there is none.
    pub host: String,
    /// Rate in Hz.
    pub rate_hz: u32,
    /// Sample format.
    pub format: String,
    /// Buffer size in frames, 0 for the system's default.
    pub buffer_frames: u32,
    /// Channels.
    pub channels: u16,
}

impl Output {
    /// Whether nobody heard anything while answers were given: nothing was played, or it went into a file. Every surface
    /// that says whether somebody listened asks this, or [`Record::is_silent`].
    pub fn is_silent(&self) -> bool {
        self.kind != "device"
    }
}

/// The first record: everything is published here before anything is heard.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Opening {
    /// [`FORMAT`].
    pub format: u32,
    /// Program and version.
    pub program: String,
    /// UTC time of the opening, RFC 3339.
    pub utc: String,
    /// Sitting or night.
    pub occasion: Occasion,
    /// The listener's name, whole; the host's for a night.
    pub listener: String,
    /// The name that reports show, if it is another one.
    pub alias: Option<String>,
    /// The seal: SHA-256 of `"earwitness seal v1"` and the secret.
    pub commitment: Digest,
    /// SHA-256 of the register's line that announces this sitting.
    pub register: Digest,
    /// SHA-256 of the session file's bytes.
    pub session: Digest,
    /// The terms.
    pub terms: Terms,
    /// All stimuli: comparisons first, then controls.
    pub stimuli: Vec<StimulusTerms>,
    /// What carries the sound.
    pub output: Output,
    /// A simulated listener answered right with this probability; `null` for a person.
    pub simulated: Option<f64>,
    /// The session's data is invented.
    pub invented: bool,
}

/// Part of a sitting that a trial belongs to. Controls are part of `main`; which trials they are is drawn.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Part {
    /// Positive controls that must be passed first.
    Qualification,
    /// Uncounted.
    WarmUp,
    /// Counted trials and controls.
    Main,
}

/// One attempt at one trial.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TrialId {
    /// The part.
    pub part: Part,
    /// Trial within the part, from 1.
    pub trial: u32,
    /// 1, and one more for each void attempt before.
    pub attempt: u32,
}

/// What a listener did in one attempt.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Listening {
    /// Times that each slot was started or switched to, in the protocol's order.
    pub listens: Vec<u32>,
    /// Milliseconds that each slot was heard.
    pub heard_ms: Vec<u64>,
    /// Switches from one slot to another.
    pub switches: u32,
    /// Milliseconds from the start of the attempt to its end.
    pub took_ms: u64,
    /// Device events that did not make it void.
    pub events: Vec<String>,
}

/// How a vote of a night reached the host.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Ballot {
    /// From the listener's phone.
    Phone,
    /// On paper, entered by the host.
    Paper,
}

/// How a sitting ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Outcome {
    /// All trials were answered.
    AllTrials,
    /// The sequential rule decided every comparison.
    Sequential,
    /// Fewer right than the qualification needs: counted trials never started.
    NotQualified,
    /// Stopped before its rule allowed: no verdict.
    StoppedEarly,
}

/// Right answers out of answers.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Count {
    /// Answers.
    pub trials: u32,
    /// Right ones; for preference the answers for side B.
    pub correct: u32,
}

/// All counts of a sitting; a night's counts add up the votes of all seats.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Counts {
    /// Counted answers by comparison.
    pub comparisons: Vec<Count>,
    /// Answers to controls, by control, the qualification's not among them.
    pub controls: Vec<Count>,
    /// Qualification trials.
    pub qualification: Count,
    /// Warm-up trials.
    pub warm_up: Count,
    /// Void attempts.
    pub void: u32,
}

/// The last record: opens the seal.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Closing {
    /// Time of the sitting in milliseconds.
    pub at_ms: u64,
    /// How it ended.
    pub outcome: Outcome,
    /// The secret, 64 hex digits.
    pub secret: Digest,
    /// The key that secret and phrases give.
    pub key: Digest,
    /// Counts, to be re-derived by whoever doubts them.
    pub counts: Counts,
    /// As in the opening.
    pub simulated: Option<f64>,
}

/// One record of a journal.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case", deny_unknown_fields)]
pub enum Record {
    /// Always the first.
    Opening(Box<Opening>),
    /// A party accepted the terms: the listener, or both parties of a wager.
    Accepted {
        /// Time in milliseconds.
        at_ms: u64,
        /// Who.
        by: String,
    },
    /// A phrase that goes into the key, typed after the commitment was shown.
    Phrase {
        /// Time in milliseconds.
        at_ms: u64,
        /// Who typed it; may be empty.
        by: String,
        /// The phrase; its UTF-8 bytes count.
        text: String,
    },
    /// No more phrases: the key is made.
    Sealed {
        /// Time in milliseconds.
        at_ms: u64,
        /// How many phrases went in.
        phrases: u32,
    },
    /// A listener answered.
    Answer {
        /// Time in milliseconds.
        at_ms: u64,
        /// Which attempt.
        id: TrialId,
        /// Name of the alternative.
        answer: String,
        /// 1 (guessing) to 5 (certain), if the session asks.
        confidence: Option<u8>,
        /// What was listened to.
        listening: Listening,
    },
    /// An attempt was disturbed and is repeated with a fresh draw.
    Void {
        /// Time in milliseconds.
        at_ms: u64,
        /// Which attempt.
        id: TrialId,
        /// What disturbed it.
        cause: String,
        /// What was listened to.
        listening: Listening,
    },
    /// A rest was offered.
    Rest {
        /// Time in milliseconds at the end of it.
        at_ms: u64,
        /// Milliseconds of listening since the last one.
        listened_ms: u64,
        /// Milliseconds it lasted.
        rested_ms: u64,
    },
    /// Something worth knowing that disturbed no trial.
    Note {
        /// Time in milliseconds.
        at_ms: u64,
        /// What.
        text: String,
    },
    /// A listener of a night took a seat.
    Seat {
        /// Time in milliseconds.
        at_ms: u64,
        /// Number of the seat, from 1.
        seat: u32,
        /// The name that the listener chose.
        alias: String,
        /// How this seat votes.
        by: Ballot,
    },
    /// A listener of a night left.
    SeatLeft {
        /// Time in milliseconds.
        at_ms: u64,
        /// Number of the seat.
        seat: u32,
    },
    /// A vote of a night was accepted; a later one of the same seat for the same attempt replaces it. One from paper
    /// may come after the attempt's votes were closed, and never replaces one from a phone.
    Vote {
        /// Time in milliseconds.
        at_ms: u64,
        /// Which attempt.
        id: TrialId,
        /// Number of the seat.
        seat: u32,
        /// The seat's alias.
        alias: String,
        /// Name of the alternative.
        answer: String,
        /// How it came.
        by: Ballot,
    },
    /// Voting on an attempt ended; votes from phones after this are refused.
    VotesClosed {
        /// Time in milliseconds.
        at_ms: u64,
        /// Which attempt.
        id: TrialId,
        /// Seats that voted.
        voted: u32,
        /// Seats that were taken.
        seats: u32,
        /// What was presented.
        listening: Listening,
    },
    /// The sitting went on after it had been cut off.
    Resumed {
        /// Time in milliseconds.
        at_ms: u64,
        /// UTC time, RFC 3339.
        utc: String,
        /// Program and version.
        program: String,
        /// Bytes of a torn last line that were moved to a file beside the journal; 0 if there were none.
        torn_bytes: u64,
        /// What carries the sound now.
        output: Output,
    },
    /// Always the last.
    Closing(Box<Closing>),
}

impl Record {
    /// Whether the sitting goes on without anything to be heard from this record on: it opens or resumes it on an output
    /// that [is silent](Output::is_silent). A sitting with one such record is no listening test, whatever followed.
    pub fn is_silent(&self) -> bool {
        match self {
            Self::Opening(opening) => opening.output.is_silent(),
            Self::Resumed { output, .. } => output.is_silent(),
            _ => false,
        }
    }

    /// Time in milliseconds of the sitting.
    pub fn at_ms(&self) -> u64 {
        match self {
            Self::Opening(_) => 0,
            Self::Accepted { at_ms, .. }
            | Self::Phrase { at_ms, .. }
            | Self::Sealed { at_ms, .. }
            | Self::Answer { at_ms, .. }
            | Self::Void { at_ms, .. }
            | Self::Rest { at_ms, .. }
            | Self::Note { at_ms, .. }
            | Self::Seat { at_ms, .. }
            | Self::SeatLeft { at_ms, .. }
            | Self::Vote { at_ms, .. }
            | Self::VotesClosed { at_ms, .. }
            | Self::Resumed { at_ms, .. } => *at_ms,
            Self::Closing(closing) => closing.at_ms,
        }
    }
}
