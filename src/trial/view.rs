//! Everything that a screen may draw. Nothing in here holds or depends on the draw before the closing.

use super::closing::EarlierSitting;
use super::digest::Digest;
use super::hands::Hand;
use super::protocol::{Alternative, Slot};
use super::record::{Counts, Listening, Occasion, Outcome, Terms, TrialId};
use super::wager::Settlement;

/// What is to be shown now.
#[derive(Debug, Clone, PartialEq)]
pub struct View {
    /// The terms, from the opening to the end.
    pub terms: Terms,
    /// In a sitting that a wager looks at, the claimant's earlier ones.
    pub earlier: Option<Vec<EarlierSitting>>,
    /// Sitting or night.
    pub occasion: Occasion,
    /// The listener (the host of a night).
    pub listener: String,
    /// Which sitting of its folder this is; `None` in format 1.
    pub sitting: Option<u64>,
    /// The register's head when it was opened: the digest of the line that announces it.
    pub register: Digest,
    /// The commitment of the sealing that is on.
    pub commitment: Digest,
    /// A simulated listener's probability of being right; every surface says so.
    pub simulated: Option<f64>,
    /// Nobody can hear anything: see [`Record::is_silent`](super::record::Record::is_silent).
    pub silent: bool,
    /// The session's data is invented.
    pub invented: bool,
    /// The running receipt: digest of the last durable record.
    pub receipt: Option<Digest>,
    /// What is going on.
    pub stage: Stage,
}

/// Where the sitting is.
#[derive(Debug, Clone, PartialEq)]
pub enum Stage {
    /// Terms, cautions, wager: to be accepted.
    Terms {
        /// Names that must accept.
        parties: Vec<String>,
        /// Names that have accepted.
        accepted: Vec<String>,
    },
    /// The commitment is out, hands are taken.
    Sealing {
        /// Hands so far.
        hands: Vec<Hand>,
        /// None is taken any more: the phones open theirs.
        opening: bool,
        /// How often the sealing had to start over because a hand stayed closed.
        started_over: u32,
    },
    /// A part is about to start.
    Announce {
        /// Its first trial.
        next: TrialId,
        /// Trials in the part (the largest number with a sequential rule).
        of: u32,
    },
    /// The next trial begins when every witness has opened its link.
    Waiting {
        /// The trial.
        next: TrialId,
        /// Trials in the part.
        of: u32,
        /// Witnesses whose links are still closed.
        missing: Vec<String>,
        /// Milliseconds of the sitting at which their links were asked for.
        since_ms: u64,
    },
    /// A trial.
    Trial(TrialView),
    /// A rest.
    Rest {
        /// Milliseconds of listening since the last rest.
        listened_ms: u64,
        /// It was offered because the session's time of listening was reached; `false`: the listener asked.
        offered: bool,
        /// The trial after it.
        next: TrialId,
        /// Trials in the part.
        of: u32,
    },
    /// Night: all trials were presented and their votes closed. Paper ballots are entered; going on opens the seal.
    Counting,
    /// Stopping for good was asked for: confirm or go back.
    ConfirmStop {
        /// Trials answered so far.
        answered: u32,
    },
    /// The seal is being opened.
    Closing,
    /// The seal is open.
    Result(ResultView),
    /// The journal could not be written; nothing more is taken.
    Stopped {
        /// Why.
        reason: String,
    },
}

/// What the listener must do next in a trial.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Step {
    /// Listen and choose.
    Listen,
    /// Confirm the choice or take it back.
    Confirm,
    /// Say how sure.
    Confidence,
    /// Votes are open (night).
    Voting,
}

/// A [round](super::rounds) of real cables, as the listener may see it: the same whichever side is where.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RoundView {
    /// Which round of the attempt, from 1: the one that is on, or comes next.
    pub number: usize,
    /// Its places in their order: slots, and from the number of slots on silent fillings.
    pub order: Vec<usize>,
    /// Index in `order` of the presentation that is on; `None`: no round is on.
    pub at: Option<usize>,
}

/// A trial as the listener may see it. Control trials look like all others.
#[derive(Debug, Clone, PartialEq)]
pub struct TrialView {
    /// Which attempt.
    pub id: TrialId,
    /// Trials in the part (the largest number with a sequential rule).
    pub of: u32,
    /// The question.
    pub question: String,
    /// What can be listened to.
    pub slots: &'static [Slot],
    /// What may be answered.
    pub alternatives: &'static [Alternative],
    /// What to do next.
    pub step: Step,
    /// The slot that the player is on.
    pub slot: usize,
    /// Playing.
    pub playing: bool,
    /// The loop region in frames.
    pub region: Option<(u64, u64)>,
    /// The chosen alternative.
    pub choice: Option<usize>,
    /// The round of real cables that is on or comes next; `None` where nothing comes in rounds.
    pub round: Option<RoundView>,
    /// What was listened to so far.
    pub listening: Listening,
    /// Slots that must be heard before an answer is taken and have not been.
    pub unheard: Vec<usize>,
    /// Milliseconds that each slot is still to be heard before an answer is taken, as of `at_ms`.
    pub still_to_hear: Vec<u64>,
    /// Milliseconds of the sitting at which this was counted; what plays goes on being heard.
    pub at_ms: u64,
    /// Night: seats that have voted in this attempt. Never how.
    pub voted: Vec<u32>,
    /// Night: seats that are taken.
    pub seats: u32,
    /// Milliseconds of listening since the last rest.
    pub listened_ms: u64,
}

/// What the opened seal shows.
#[derive(Debug, Clone, PartialEq)]
pub struct ResultView {
    /// How it ended.
    pub outcome: Outcome,
    /// All counts.
    pub counts: Counts,
    /// The secret.
    pub secret: Digest,
    /// Decisions of the sequential rule by comparison; empty without one.
    pub decisions: Vec<super::Decision>,
    /// What was drawn once for the whole sitting.
    pub drawn: Option<super::closing::DrawnOnce>,
    /// Who won the wager; `None` without one.
    pub settlement: Option<Settlement>,
}
