//! What a journal holds, record by record: the written format.
//!
//! A journal is JSON Lines. Line `n` (from 1) is
//! `{"number":n,"chain":C,"utc_ms":T,"record":{"kind":K,...},"check":S}` with
//!
//! - `chain`: SHA-256 of the bytes of the line before, without its newline, as 64 hex digits; 64 zeros in line 1;
//! - `utc_ms`: the computer's clock when the line was written, milliseconds since 1970 in UTC (format 2 only);
//! - `check`: the first 16 hex digits of SHA-256 of this line's bytes from its start up to and not including `,"check"`;
//! - fields in the order in which they are declared here, no spaces, numbers as `serde_json` writes them, one `\n` after
//!   each line. A reader refuses any other spelling, so no byte of a journal can change unseen.
//!
//! Times in records are whole milliseconds of the sitting (`at_ms`), from its opening; the time between a cut-off and
//! its resumption does not count. Nothing in any record before the closing one depends on what was drawn.
//!
//! # Two versions, and how a field or record comes to the newer one
//!
//! The opening's `format` rules the whole journal. Format 1 is read and verified for ever, byte for byte, and written by
//! nobody. Every reader writes a record anew and compares the bytes, so each version has one spelling.
//!
//! - **A field that only format 2 has** is an `Option` with
//!   `#[serde(default, skip_serializing_if = "Option::is_none")]`, declared last in its struct, its doc line beginning
//!   with "Format 2". `None` leaves no trace in the bytes. Add it to the list in [`Opening::fits_its_format`]: refused in
//!   format 1, demanded in format 2 where it is not optional. What format 1 means without it, an accessor says.
//! - **A field that only format 1 has** is the same, its doc line beginning with "Format 1".
//! - **A record that only one version has** says so in [`Record::formats`]; the [`Ledger`](super::ledger::Ledger) refuses
//!   it elsewhere.
//! - Terms are re-derived from the session by `verify --session` ([`Terms::of`]): a new term is set there and nowhere else.

use serde::{Deserialize, Serialize};

use super::digest::Digest;
use super::lock::LockTerms;
use super::positions::Positions;
use super::protocol::Inquiry;
pub use super::resolution::{FaintestFacts, ResolutionFacts};
use crate::session::{SittingFact, same_person};

pub use super::closing::{Closing, Counts, DrawnOnce, EarlierSitting, Outcome, Unsealed};
pub use super::happened::{Ballot, Demonstration, Listening, Presentation, Voided, VoidedBy};
pub use super::output::{Output, OutputKind, OutputPath};
pub use super::part::{Part, TrialId};
pub use super::terms::{
    ComparisonTerms, ControlTerms, InputTerms, QualificationTerms, StimulusTerms, StoppingTerms,
    SwitcherTerms, Terms, ThresholdTerms, WagerTerms,
};

mod asked;
mod frequent;

/// Version of the written format that new journals have. A reader refuses newer ones.
pub const FORMAT: u32 = 2;

/// Who answers.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Occasion {
    /// One listener.
    Sitting,
    /// A room of listeners who share every draw.
    Night,
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
    /// The commitment to the secret, see [`seal`](super::seal).
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
    /// Format 2: which sitting of its folder this is, from 1, in the order of the register.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sitting: Option<u64>,
    /// Format 2, where somebody locked it: what its passphrase is held against.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lock: Option<LockTerms>,
    /// Format 2: every file that the session reads, the session file first.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub inputs: Option<Vec<InputTerms>>,
    /// Format 2, in a sitting that a wager [looks at](Opening::is_claimants): the claimant's earlier ones in this
    /// folder, oldest first.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub earlier: Option<Vec<EarlierSitting>>,
    /// Format 2, where the session asks for them: facts about listener and place.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub facts: Option<Vec<SittingFact>>,
    /// Format 2, where the panel's comparisons come in the order of a Williams design: the rows that the fewest complete
    /// sittings before this one had. One of them is drawn.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rows: Option<Vec<usize>>,
}

impl Opening {
    /// Whether it is of a sitting that a wager looks at: the claimant's, by a person, on something that can be heard.
    pub fn is_claimants(&self, wager: &WagerTerms) -> bool {
        self.occasion == Occasion::Sitting
            && self.simulated.is_none()
            && same_person(&self.listener, &wager.claimant)
    }

    /// Milliseconds that each slot is still to be heard before an answer is taken; 0 everywhere where nobody listens because
    /// the answers are simulated, which the journal says.
    pub fn still_to_hear(&self, part: Part, listening: &Listening) -> Vec<u64> {
        match self.simulated {
            Some(_) => vec![0; listening.listens.len()],
            None => {
                let needed_ms = u64::from(self.terms.heard_at_least_ms.unwrap_or(0));
                self.terms.still_to_hear(part, listening, needed_ms)
            }
        }
    }

    /// The slots that are still to be heard before an answer is taken.
    pub fn unheard(&self, part: Part, listening: &Listening) -> Vec<usize> {
        let still = self.still_to_hear(part, listening);
        (0..still.len()).filter(|&slot| still[slot] > 0).collect()
    }

    /// Whether every field is there that this journal's format has, and no other.
    ///
    /// # Errors
    /// Which field, and what is wrong with it.
    pub fn fits_its_format(&self) -> Result<(), String> {
        let (second, terms) = (self.format >= 2, &self.terms);
        // Name, whether it is there, whether format 2 demands it.
        let wager = self.terms.wager.as_ref();
        let looked_at = wager.is_some_and(|wager| self.is_claimants(wager));
        let fields = [
            ("sitting", self.sitting.is_some(), true),
            ("lock", self.lock.is_some(), false),
            ("inputs", self.inputs.is_some(), true),
            ("earlier", self.earlier.is_some(), looked_at),
            ("facts", self.facts.is_some(), false),
            ("rows", self.rows.is_some(), false),
            ("rate_hz", self.stimuli.iter().any(|stimulus| stimulus.rate_hz.is_some()), true),
            ("deciding", wager.is_some_and(|wager| wager.deciding.is_some()), wager.is_some()),
            ("output.path", self.output.path.is_some(), false),
            ("terms.sides", terms.sides.is_some(), true),
            ("terms.heard_at_least_ms", terms.heard_at_least_ms.is_some(), true),
            ("terms.panel", terms.panel.is_some(), false),
            ("terms.switcher", terms.switcher.is_some(), false),
            ("terms.threshold", terms.threshold.is_some(), false),
            ("recorded", self.stimuli.iter().any(|stimulus| stimulus.recorded.is_some()), false),
            ("level", self.stimuli.iter().any(|stimulus| stimulus.level.is_some()), false),
            ("terms.comparisons.recorded", terms.comparisons.iter().any(|of| of.recorded.is_some()), false),
            ("terms.controls.more", terms.controls.iter().any(|control| control.more.is_some()), false),
            (
                "terms.qualification.protocol",
                terms.qualification.is_some_and(|own| own.protocol.is_some()),
                false,
            ),
            ("terms.wager.side", wager.is_some_and(|wager| wager.side.is_some()), false),
        ];
        if self.earlier.is_some() && !looked_at {
            return Err("`earlier` belongs to a sitting of a wager's claimant".to_owned());
        }
        for (name, there, demanded) in fields {
            if there && !second {
                return Err(format!("format {} has no field `{name}`", self.format));
            }
            if second && demanded && !there {
                return Err(format!("format {} needs the field `{name}`", self.format));
            }
        }
        if Inquiry::new(terms.protocol, terms.inquiry().sides).is_none() {
            return Err(format!("{} is not tested in so many directions", terms.protocol));
        }
        Ok(())
    }
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
    /// Format 1: a phrase that goes into the key, typed after the commitment was shown.
    Phrase {
        /// Time in milliseconds.
        at_ms: u64,
        /// Who typed it; may be empty.
        by: String,
        /// The phrase; its UTF-8 bytes count.
        text: String,
    },
    /// Format 2: a hand that somebody typed on this machine after the commitment was shown.
    Hand {
        /// Time in milliseconds.
        at_ms: u64,
        /// Who typed it; may be empty.
        by: String,
        /// The hand; its UTF-8 bytes count.
        text: String,
    },
    /// Format 2: the hand of a phone, still closed. A later one of the same seat takes its place.
    HandClosed {
        /// Time in milliseconds.
        at_ms: u64,
        /// Number of the seat.
        seat: u32,
        /// SHA-256 of `"earwitness hand v2"` and the hand's bytes.
        hash: Digest,
    },
    /// Format 2: no hand is taken any more, and those of the phones are to be opened.
    HandsClosed {
        /// Time in milliseconds.
        at_ms: u64,
        /// How many are to be opened.
        closed: u32,
    },
    /// Format 2: a phone opened its hand.
    HandOpened {
        /// Time in milliseconds.
        at_ms: u64,
        /// Number of the seat.
        seat: u32,
        /// The hand, 64 hex digits.
        hand: Digest,
    },
    /// Format 2: hands stayed closed, so the phones' hands are void and the sealing starts over.
    HandsVoid {
        /// Time in milliseconds.
        at_ms: u64,
        /// The seats whose hands stayed closed, in order.
        closed: Vec<u32>,
    },
    /// Format 2: a phone holds the other half of the draws of this sealing.
    WitnessJoined {
        /// Time in milliseconds.
        at_ms: u64,
        /// Number of the witness in this sealing, from 1.
        witness: u32,
        /// Whose phone it is.
        name: String,
        /// The end of its chain of [links](super::witness), 64 hex digits.
        end: Digest,
        /// A night's: the seat of the phone.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        seat: Option<u32>,
    },
    /// No more hands: the key is made.
    Sealed {
        /// Time in milliseconds.
        at_ms: u64,
        /// Format 1: how many phrases went in.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        phrases: Option<u32>,
        /// Format 2: how many hands went in.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        hands: Option<u32>,
    },
    /// Format 2: a witness opened its link for the attempt that begins.
    LinkOpened {
        /// Time in milliseconds.
        at_ms: u64,
        /// Which attempt.
        id: TrialId,
        /// Number of the witness.
        witness: u32,
        /// The link, 64 hex digits.
        link: Digest,
    },
    /// Format 2: a night asks its phones for the links of the attempt that begins. Its receipt is what they keep.
    LinksAsked {
        /// Time in milliseconds.
        at_ms: u64,
        /// Which attempt.
        id: TrialId,
        /// 32 bytes that no guest knows: without them somebody could try which votes the receipt stands for.
        nonce: Digest,
    },
    /// Format 2: a night's attempt begins without these links, by the rule in [`witness`](super::witness).
    LinksPassed {
        /// Time in milliseconds.
        at_ms: u64,
        /// Which attempt.
        id: TrialId,
        /// Numbers of the witnesses whose links are missing, in order.
        missing: Vec<u32>,
    },
    /// Format 2: links stayed closed, so the sitting goes on under a fresh secret, with the witnesses who join it anew.
    Resealed {
        /// Time in milliseconds.
        at_ms: u64,
        /// The witnesses whose links stayed closed, in order.
        lost: Vec<u32>,
        /// Milliseconds that they were waited for.
        waited_ms: u64,
        /// The commitment to the fresh secret.
        commitment: Digest,
        /// Where the sitting is locked: the [proof](super::lock) that the passphrase was at hand.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        proof: Option<Digest>,
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
        /// Format 2: who said so, where it was a person.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        by: Option<VoidedBy>,
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
    /// Format 2: what the sound device resolves of the differences under test, at the level that is set. (Format 1 has a
    /// sentence in a note instead.)
    Resolution {
        /// Time in milliseconds.
        at_ms: u64,
        /// What it resolves.
        resolved: ResolutionFacts,
    },
    /// Format 2: both positions of a switch of real cables were measured.
    Measured {
        /// Time in milliseconds.
        at_ms: u64,
        /// What was measured.
        positions: Box<Positions>,
    },
    /// Format 2: every stimulus is played at this level from here on. (Format 1 has a sentence in a note instead.)
    Level {
        /// Time in milliseconds.
        at_ms: u64,
        /// In dB from the clips' own.
        level_db: f64,
    },
    /// Format 2: something else carries the sound from here on. (Format 1 has a sentence in a note instead.)
    OutputChanged {
        /// Time in milliseconds.
        at_ms: u64,
        /// What carries it now.
        output: Output,
        /// Rate of the stimuli in Hz where it is not the output's: all of them alike are resampled.
        resampled_from_hz: Option<u32>,
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
        /// Format 2: number of the table, from 1, where the night has tables. It stays the same once the draws are sealed.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        table: Option<u32>,
    },
    /// A listener of a night left.
    SeatLeft {
        /// Time in milliseconds.
        at_ms: u64,
        /// Number of the seat.
        seat: u32,
        /// Format 2: `true` where the host took the seat away; nothing where the listener left.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        removed: Option<bool>,
    },
    /// Format 2: who may take a seat of a night from here on.
    Door {
        /// Time in milliseconds.
        at_ms: u64,
        /// Phones may join.
        open: bool,
        /// Seats that phones may hold at once.
        seats: u32,
        /// Guests share one address, which may have as many seats as the room.
        shared: bool,
        /// How many tables there are, each a team; absent: none.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        tables: Option<u32>,
    },
    /// Format 2: something was played to the room with its name, before the first trial of a night. It is no part of the test.
    OpenEars {
        /// Time in milliseconds.
        at_ms: u64,
        /// What.
        shown: Demonstration,
        /// Index of the comparison in the terms.
        comparison: usize,
        /// Index of the clip in the terms.
        clip: usize,
    },
    /// Format 2: the attempt at a night's trial that was finished last is void after all, and repeated with a fresh draw.
    VotesVoid {
        /// Time in milliseconds.
        at_ms: u64,
        /// Which attempt.
        id: TrialId,
        /// What disturbed it.
        cause: String,
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
        /// Format 2: the commitment to the fresh secret that draws every trial not yet answered.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        commitment: Option<Digest>,
        /// Format 2, where the sitting is locked: the [proof](super::lock) that the passphrase was at hand.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        proof: Option<Digest>,
    },
    /// Always the last.
    Closing(Box<Closing>),
}

impl Record {
    /// The formats whose journals may hold this record.
    pub fn formats(&self) -> std::ops::RangeInclusive<u32> {
        match self {
            Self::Phrase { .. } => 1..=1,
            Self::Hand { .. }
            | Self::HandClosed { .. }
            | Self::HandsClosed { .. }
            | Self::HandOpened { .. }
            | Self::HandsVoid { .. }
            | Self::WitnessJoined { .. }
            | Self::LinkOpened { .. }
            | Self::LinksAsked { .. }
            | Self::LinksPassed { .. }
            | Self::Resealed { .. }
            | Self::Level { .. }
            | Self::OutputChanged { .. }
            | Self::Resolution { .. }
            | Self::Measured { .. }
            | Self::Void { by: Some(_), .. }
            | Self::Seat { table: Some(_), .. }
            | Self::SeatLeft { removed: Some(_), .. }
            | Self::Door { .. }
            | Self::OpenEars { .. }
            | Self::VotesVoid { .. } => 2..=FORMAT,
            _ => 1..=FORMAT,
        }
    }

    /// The commitment of the sealing that begins with this record, if one does.
    pub fn commitment(&self) -> Option<Digest> {
        match self {
            Self::Opening(opening) => Some(opening.commitment),
            Self::Resumed { commitment, .. } => *commitment,
            Self::Resealed { commitment, .. } => Some(*commitment),
            _ => None,
        }
    }

    /// Time in milliseconds of the sitting.
    pub fn at_ms(&self) -> u64 {
        match self {
            Self::Opening(_) => 0,
            Self::Accepted { at_ms, .. }
            | Self::Phrase { at_ms, .. }
            | Self::Hand { at_ms, .. }
            | Self::HandClosed { at_ms, .. }
            | Self::HandsClosed { at_ms, .. }
            | Self::HandOpened { at_ms, .. }
            | Self::HandsVoid { at_ms, .. }
            | Self::WitnessJoined { at_ms, .. }
            | Self::LinkOpened { at_ms, .. }
            | Self::LinksAsked { at_ms, .. }
            | Self::LinksPassed { at_ms, .. }
            | Self::Resealed { at_ms, .. }
            | Self::Sealed { at_ms, .. }
            | Self::Answer { at_ms, .. }
            | Self::Void { at_ms, .. }
            | Self::Rest { at_ms, .. }
            | Self::Note { at_ms, .. }
            | Self::Resolution { at_ms, .. }
            | Self::Measured { at_ms, .. }
            | Self::Level { at_ms, .. }
            | Self::OutputChanged { at_ms, .. }
            | Self::Seat { at_ms, .. }
            | Self::SeatLeft { at_ms, .. }
            | Self::Door { at_ms, .. }
            | Self::OpenEars { at_ms, .. }
            | Self::VotesVoid { at_ms, .. }
            | Self::Vote { at_ms, .. }
            | Self::VotesClosed { at_ms, .. }
            | Self::Resumed { at_ms, .. } => *at_ms,
            Self::Closing(closing) => closing.at_ms,
        }
    }
}
