//! Sittings, what happened in them, what they published, and the register against the folder.

use serde::ser::SerializeStruct;
use serde::{Serialize, Serializer};

use super::noted::Noted;
use super::panel_standing::NotCounted;
use super::published::Published;
use crate::clip::dither::WordLength;
use crate::session::SittingFact;
use crate::stats::tally::{self, Tally};
use crate::stimulus::WordFacts;
use crate::stimulus::recorded::RecordedFacts;
use crate::trial::Digest;
use crate::trial::hands::LastWord;
use crate::trial::positions::{Found, Positions, When};
use crate::trial::record::DrawnOnce;
use crate::trial::record::{OutputPath, Part, Terms};

/// How a sitting stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
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
    /// Every one of them.
    pub const ALL: [Self; 7] = [
        Self::Complete,
        Self::Decided,
        Self::NotQualified,
        Self::StoppedEarly,
        Self::Unfinished,
        Self::Invalid,
        Self::Foreign,
    ];

    /// In files that programs read.
    pub fn code(self) -> &'static str {
        match self {
            Self::Complete => "complete",
            Self::Decided => "decided",
            Self::NotQualified => "not-qualified",
            Self::StoppedEarly => "stopped-early",
            Self::Unfinished => "unfinished",
            Self::Invalid => "invalid",
            Self::Foreign => "foreign",
        }
    }

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

impl Serialize for State {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(self.code())
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
    /// Why not, where a declared panel has no room for them.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub not_counted: Option<NotCounted>,
    /// UTC time of the opening (anonymous: the date).
    pub opened_utc: String,
    /// Name of the journal's file, where it shows no hidden name.
    pub journal: Option<String>,
    /// A simulated listener's probability of a right answer.
    pub simulated: Option<f64>,
    /// `device`, `file` or `silent`, with rate and format.
    pub output: String,
    /// By which way the sound reached the device, where one played and the journal says it.
    pub output_path: Option<OutputPath>,
    /// What the words of the sound device make of the faintest difference; nothing where no device played or the journal
    /// does not say.
    pub words: Option<DeviceFacts>,
    /// What was measured at both positions of a switch of real cables, before the first answer and after the last.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub positions: Vec<PositionsFacts>,
    /// Nothing was played.
    pub silent: bool,
    /// Seats of a night.
    pub seats: Option<usize>,
    /// Answered counted trials (of a night: votes).
    pub answered: u64,
    /// Right ones, known only when the seal is open.
    pub correct: Option<u64>,
    /// Qualification: right and all.
    #[serde(serialize_with = "tally::as_optional_pair")]
    pub qualification: Option<Tally>,
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
    /// Typed hands: who typed them (not if anonymous) and what.
    pub hands: Vec<(String, String)>,
    /// Who could have chosen the last hand, knowing everything else.
    pub last_hand: Option<LastWord>,
    /// How many trials witnesses' links drew, and whose phones; absent where nobody watched.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub witnessed: Option<WitnessedFacts>,
    /// The secret that opens the seal.
    pub secret: Option<String>,
    /// What its journal says of the register.
    pub in_register: InRegister,
    /// The key that secret and hands give.
    pub key: Option<String>,
    /// Hash of the last record.
    pub receipt: Option<String>,
    /// The same as words.
    pub receipt_words: Option<String>,
    /// What the verifier objects to.
    pub problems: Vec<String>,
    /// What a sitting of a wager's claimant came to, in the words agreed before.
    pub wager: Option<String>,
    /// Who won the wager by it.
    pub claimant_won: Option<bool>,
    /// Facts about listener and place, as they were sealed (anonymous: without those that could tell who it is).
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub facts: Vec<SittingFact>,
    /// What was drawn once for the whole sitting, once its seal is open: the row of the Williams design, and of each comparison
    /// whether its cables changed places.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub drawn: Option<DrawnOnce>,
    /// What of its journal readers get, to check it by themselves.
    #[serde(skip)]
    pub published: Published,
}

/// What witnesses' phones had a part in.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct WitnessedFacts {
    /// Answered trials of the main part that their links drew.
    pub trials: u32,
    /// Answered trials of the main part.
    pub of: u32,
    /// Whose phones (not if anonymous).
    pub by: Vec<String>,
    /// Without whose links trials of the main part began, and how many.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub passed_over: Vec<(String, u32)>,
}

/// What a journal says of the register of its folder: lines that were cut out of it, or put into it, show by this.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct InRegister {
    /// Which sitting of its folder it is, from 1; nothing in format 1.
    pub sitting: Option<u64>,
    /// SHA-256 of the line that announces it; nothing where names are withheld, for that line holds them.
    pub announced: Option<String>,
    /// SHA-256 of the register's last line at the closing; nothing where the journal does not say, or names are withheld.
    pub head: Option<String>,
    /// How many sittings the register had announced by then.
    pub sittings: Option<u64>,
}

/// What a measurement of both positions of a switch shows. Levels in dB, the cable that the session names first minus the second.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PositionsFacts {
    /// When it was measured.
    pub when: When,
    /// What it shows.
    pub found: Found,
    /// The largest measured difference.
    pub largest_db: f64,
    /// Where that is, in Hz.
    pub at_hz: f64,
    /// What repeating leaves unknown of it, at 95 %.
    pub uncertainty_db: f64,
    /// What the circuit predicts there.
    pub predicted_db: f64,
    /// Difference of the levels at the terminals.
    pub level_db: f64,
}

impl PositionsFacts {
    /// Of a measurement.
    pub fn of(positions: &Positions) -> Self {
        let (largest_db, at_hz, uncertainty_db, predicted_db) = positions.largest();
        let (when, found, level_db) = (positions.when, positions.found(), positions.level_db());
        Self { when, found, largest_db, at_hz, uncertainty_db, predicted_db, level_db }
    }
}

/// The word length of a sound device beside the faintest difference under test, at the level at which that stood out
/// least. Levels in dB.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct DeviceFacts {
    /// The words.
    pub words: WordLength,
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
#[derive(Debug, Clone, PartialEq)]
pub struct EventFacts {
    /// Line of the journal, from 1, that holds it.
    pub journal_line: u64,
    /// Part of the sitting, of what happened in a trial.
    pub part: Option<Part>,
    /// The trial.
    pub trial: Option<u32>,
    /// The attempt was made void by it.
    pub void: bool,
    /// What.
    pub what: Noted,
}

impl Serialize for EventFacts {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut event = serializer.serialize_struct("EventFacts", 6)?;
        event.serialize_field("journal_line", &self.journal_line)?;
        event.serialize_field("part", &self.part)?;
        event.serialize_field("trial", &self.trial)?;
        event.serialize_field("void", &self.void)?;
        event.serialize_field("text", &self.what.words())?;
        event.serialize_field("what", &self.what)?;
        event.end()
    }
}

/// Stimuli that sittings published before their first trial, by their digests.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct StimulusSetFacts {
    /// Numbers of the sittings in the evidence, from 0.
    pub sittings: Vec<usize>,
    /// The pairs.
    pub pairs: Vec<StimulusFacts>,
}

/// A pair of stimuli.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct StimulusFacts {
    /// Name of the comparison.
    pub comparison: String,
    /// Name of the clip.
    pub clip: String,
    /// The control in words, if it is one.
    pub control: Option<String>,
    /// The size in words, where a threshold is looked for.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub size: Option<String>,
    /// Sample rate of both sides in Hz; nothing where the journal does not say.
    pub rate_hz: Option<u32>,
    /// SHA-256 of side A's samples.
    pub a_sha256: String,
    /// SHA-256 of side B's samples.
    pub b_sha256: String,
    /// What could tell its recordings apart, where it is of recordings and the journal says so.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub recorded: Option<RecordedFacts>,
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

/// Training on one pair that was kept; it counts nowhere.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct TrainingFacts {
    /// Name shown.
    pub listener: String,
    /// UTC time of its end (anonymous: nothing).
    pub utc: String,
    /// The pair, in words.
    pub pair: String,
    /// Right answers in a row at which training ends.
    pub criterion: u32,
    /// Answers.
    pub answers: u32,
    /// Right ones.
    pub right: u32,
    /// Times that the criterion was reached.
    pub reached: u32,
    /// Nothing was played aloud.
    pub silent: bool,
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
    /// Lines of the sittings that the last report of the folder told of and that it does not announce.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub gone: Vec<Digest>,
}

/// Which answers a result rests on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Basis {
    /// Complete sittings of people who could hear something.
    Listening,
    /// Only sittings in which nothing was played.
    Silent,
    /// Only simulated listeners.
    Simulated,
    /// Nothing that counts.
    Nothing,
}

/// A listener.
#[derive(Debug, Clone, Serialize)]
pub struct ListenerFacts {
    /// Name shown.
    pub name: String,
    /// Place that the listener sat at, if several were joined.
    pub place: Option<String>,
    /// Numbers of the sittings in the evidence, from 0.
    pub sittings: Vec<usize>,
    /// Seat of a night.
    pub seat: Option<u32>,
    /// Table of a night.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub table: Option<u32>,
    /// Right answers and trials of audible controls.
    #[serde(serialize_with = "tally::as_pair")]
    pub positive_controls: Tally,
    /// Right answers and trials of identical controls.
    #[serde(serialize_with = "tally::as_pair")]
    pub identical_controls: Tally,
    /// At least one of the sittings counts.
    pub counted: bool,
    /// The session names this listener among those who prepared it (anonymous: withheld, see the caveats).
    pub prepared_session: Option<bool>,
}

/// A finished attempt, or a vote in one.
#[derive(Debug, Clone, PartialEq)]
pub struct TrialFacts {
    /// Number of the sitting in the evidence, from 0.
    pub sitting: u32,
    /// Number of the listener in the evidence, from 0; nothing for a void attempt of a night.
    pub listener: Option<u32>,
    /// Line of the journal, from 1, that holds it.
    pub record: u32,
    /// Part of the sitting.
    pub part: Part,
    /// Trial within the part.
    pub trial: u32,
    /// Attempt at it.
    pub attempt: u32,
    /// Disturbed, and repeated.
    pub void: bool,
    /// Comparison, of a control the one whose side A it starts from; nothing while the seal is closed.
    pub comparison: Option<u16>,
    /// Control, if it is one.
    pub control: Option<u16>,
    /// Clip; nothing while the seal is closed.
    pub clip: Option<u16>,
    /// Index of the size, where a threshold is looked for; nothing while the seal is closed.
    pub level: Option<u8>,
    /// Presentation order; nothing while the seal is closed.
    pub order: Option<u8>,
    /// Answered alternative; nothing if void, or for a vote that never came.
    pub answer: Option<u8>,
    /// The right alternative; nothing where the protocol has none.
    pub right: Option<u8>,
    /// Whether it is right; nothing for preference.
    pub correct: Option<bool>,
    /// The side that the answer points to is A.
    pub for_side_a: Option<bool>,
    /// Confidence, 1 to 5.
    pub confidence: Option<u8>,
    /// When it ended, milliseconds of the sitting.
    pub at_ms: u64,
    /// How long it took in milliseconds.
    pub took_ms: u64,
    /// Switches.
    pub switches: u32,
    /// Listens of all slots together.
    pub listens: u32,
    /// Different slots that were listened to.
    pub slots_heard: u8,
    /// Milliseconds heard of all slots together.
    pub heard_ms: u64,
    /// Voted on paper.
    pub paper: bool,
    /// Presentations over real cables that were begun.
    pub presentations: u16,
    /// Milliseconds of silence between one of their sounds and the next, in their order.
    pub silences_ms: Vec<u64>,
}

impl TrialFacts {
    /// The answer is right; of a preference, it is for side B.
    pub fn is_hit(&self) -> bool {
        match self.right {
            Some(_) => self.correct == Some(true),
            None => self.for_side_a == Some(false),
        }
    }

    /// A vote on a counted trial that never came from a listener who was there.
    pub fn is_missing(&self) -> bool {
        is_counted_trial(self) && self.answer.is_none() && !self.void && self.listener.is_some()
    }
}

/// What a device's words make of the faintest difference, at the level at which that stood out least.
pub(super) fn of_device(noted: &[WordFacts], terms: &Terms) -> Option<DeviceFacts> {
    let margin = |facts: &WordFacts| facts.faintest.map_or(f64::INFINITY, |faintest| faintest.margin_db);
    let facts = noted.iter().min_by(|a, b| margin(a).total_cmp(&margin(b)))?;
    let faintest = facts.faintest;
    Some(DeviceFacts {
        words: facts.word,
        noise_db: facts.noise_db,
        level_db: facts.level_db,
        comparison: faintest
            .and_then(|faintest| terms.comparisons.get(faintest.comparison))
            .map(|comparison| comparison.name.clone()),
        clip: faintest.and_then(|faintest| terms.clips.get(faintest.clip)).cloned(),
        margin_db: faintest.map(|faintest| faintest.margin_db),
        could_hide: facts.could_hide(),
    })
}

/// Whether a row is a counted trial of its sitting: an answer to a comparison, or a vote that never came where the session
/// counts that as wrong.
pub fn counts(trial: &TrialFacts) -> bool {
    is_counted_trial(trial)
        && trial.listener.is_some()
        && (trial.answer.is_some() || (!trial.void && trial.correct == Some(false)))
}

/// Whether a row belongs to a counted trial of a comparison, whatever came of it.
pub fn is_counted_trial(trial: &TrialFacts) -> bool {
    trial.part == Part::Main && trial.control.is_none() && trial.comparison.is_some()
}
