//! What goes into the conductor and what comes out of it.

use super::digest::Digest;
use super::positions::Positions;
use super::protocol::Side;
use super::record::{Ballot, Demonstration, Output, Record, ResolutionFacts, TrialId, VoidedBy};
use super::seal::Secret;
use crate::stimulus::PairKind;

/// Something that a person, the player or the journal did. Times are handed to
/// [`Conductor::step`](super::Conductor::step) beside the event; nothing in here reads a clock.
#[derive(Debug, Clone, PartialEq)]
pub enum Event {
    /// A party accepts the terms: the listener's name, or one of the wager's two names.
    Accept {
        /// Who.
        by: String,
    },
    /// Somebody types a hand, after the commitment was shown.
    Hand {
        /// Who; may be empty.
        by: String,
        /// The hand; not empty, at most [`MAX_TEXT`](super::ledger::MAX_TEXT) bytes.
        text: String,
    },
    /// A phone gives its hand, closed; until the sealing.
    CloseHand {
        /// Number of the seat.
        seat: u32,
        /// See [`hand_hash`](super::seal::hand_hash).
        hash: Digest,
    },
    /// A phone opens its hand.
    OpenHand {
        /// Number of the seat.
        seat: u32,
        /// The hand.
        hand: Digest,
    },
    /// Somebody's phone becomes a witness of this sealing; until the sealing.
    JoinWitness {
        /// Whose.
        name: String,
        /// The end of its chain of [links](super::witness).
        end: Digest,
        /// A night's: the seat of the phone.
        seat: Option<u32>,
    },
    /// A witness opens its link for the attempt that begins.
    OpenLink {
        /// Number of the witness.
        witness: u32,
        /// The link.
        link: Digest,
    },
    /// Night: the attempt begins: its links are asked for.
    AskLinks {
        /// 32 bytes that no guest knows.
        nonce: Digest,
    },
    /// Night: the attempt begins without the links that are still closed.
    PassLinks,
    /// Links stay closed: go on under this fresh secret, with the witnesses who join anew.
    Reseal(Secret),
    /// No more hands. Closed ones are opened before the key is made: saying this again while some are closed makes the
    /// phones' hands void, and the sealing starts over.
    Seal,
    /// Go on: from an announcement of a part to its first trial, or from a rest to the next trial.
    Continue,
    /// Switch to the slot with this index.
    Select(usize),
    /// Begin to connect the real cable of the slot with this index; in [rounds](super::rounds) of whatever comes next.
    Present(usize),
    /// The last presentation of a round is over.
    RoundOver,
    /// Start or resume playing.
    Play,
    /// Pause.
    Pause,
    /// Go to a position in frames.
    Seek(u64),
    /// Loop between two positions in frames, or over the whole clip.
    Loop(Option<(u64, u64)>),
    /// Choose the alternative with this index; may be changed until confirmed.
    Choose(usize),
    /// Confirm the choice.
    Confirm,
    /// Take the choice back.
    Back,
    /// Say how sure, 1 (guessing) to 5 (certain).
    Confidence(u8),
    /// Take a rest now, or a longer one (also offered by itself after the session's minutes of listening).
    Rest,
    /// The sound was disturbed: the attempt is void and repeated with a fresh draw.
    Disturbed {
        /// What happened, for the journal.
        cause: String,
        /// Who says so, where it is a person.
        by: Option<VoidedBy>,
    },
    /// A device event that disturbed nothing.
    Note {
        /// What happened, for the journal.
        text: String,
    },
    /// Why the sitting stops here: it goes into the journal at once, also in a trial that nothing was heard of.
    Halted {
        /// What happened, for the journal.
        text: String,
    },
    /// What the sound device resolves at the level that is set.
    Resolved(ResolutionFacts),
    /// Both positions of a switch of real cables were measured.
    Measured(Positions),
    /// Every stimulus is played at this level in decibels from the clips' own from now on.
    Level(f64),
    /// Something else carries the sound from now on.
    OutputChanged {
        /// What.
        output: Output,
        /// Rate of the stimuli in Hz where it is not the output's.
        resampled_from_hz: Option<u32>,
    },
    /// A listener of a night takes a seat.
    Join {
        /// Number of the seat, from 1.
        seat: u32,
        /// The chosen name.
        alias: String,
        /// How this seat votes.
        by: Ballot,
        /// Number of the table, where the night has tables.
        table: Option<u32>,
    },
    /// A listener of a night leaves.
    Leave {
        /// Number of the seat.
        seat: u32,
        /// The host takes the seat away.
        removed: bool,
    },
    /// Who may take a seat of a night from now on.
    Door {
        /// Phones may join.
        open: bool,
        /// Seats that phones may hold at once.
        seats: u32,
        /// Guests share one address.
        shared: bool,
        /// How many tables there are; absent: none.
        tables: Option<u32>,
    },
    /// Something is played to a room with its name, before the first trial.
    OpenEars {
        /// What.
        shown: Demonstration,
        /// Index of the comparison.
        comparison: usize,
        /// Index of the clip.
        clip: usize,
    },
    /// The trial of a night whose votes were closed last was disturbed: it is void after all, and repeated with a fresh draw.
    VoidVotes {
        /// What happened, for the journal.
        cause: String,
    },
    /// A vote of a night; replaces the seat's earlier one for the same attempt. From a phone it must be for the attempt
    /// that is on. From paper it may also be for an attempt whose votes were closed, until the night's closing: ballots
    /// are collected at the end.
    Vote {
        /// Which attempt; never a void one.
        id: TrialId,
        /// Number of the seat.
        seat: u32,
        /// Index of the alternative.
        alternative: usize,
        /// How it came.
        by: Ballot,
    },
    /// The host closes the voting on the attempt that is on. After the last trial of a night comes
    /// [`Stage::Counting`](super::Stage::Counting), where paper ballots are entered until [`Event::Continue`].
    CloseVotes,
    /// Show the running receipt.
    ShowReceipt,
    /// Stop for good before the rule allows it: the seal is opened, there is no verdict. Asks for [`Event::Confirm`].
    Stop,
    /// A record is durable on the disk; its digest is the receipt from now on.
    Durable(Digest),
    /// A record could not be written: the sitting must not go on.
    JournalFailed {
        /// Why.
        reason: String,
    },
}

/// Something that the driver must do, in order. An [`Effect::Append`] must be durable before anything after it is
/// carried out.
#[derive(Debug, Clone, PartialEq)]
pub enum Effect {
    /// Keep the secret of a sealing that begins, durably: what comes after it commits to it.
    KeepSecret(Secret),
    /// Append the record to the journal and wait until it is durable.
    Append(Box<Record>),
    /// Give the player a new list of stimuli: for each slot the side of the pair. Playing stops, position 0, index 0.
    Load {
        /// The pair of stimuli.
        pair: PairKind,
        /// The side in each slot. An index into this list is all that the player learns.
        sides: Vec<Side>,
        /// Where real cables are switched: the side whose cable carries each slot, then each silent filling.
        cables: Vec<Side>,
    },
    /// Give the player sounds that are no part of the test: for each slot a side of the pair, and its level in dB.
    Demonstrate {
        /// The pair of stimuli.
        pair: PairKind,
        /// Side and level in each slot.
        slots: Vec<(Side, f64)>,
    },
    /// Connect the real cable of a slot or filling: nothing for so long, then its terminal.
    Connect {
        /// Index of the slot, or from the number of slots on of the filling.
        slot: usize,
        /// Milliseconds for which nothing is connected.
        apart_ms: u64,
    },
    /// Switch the player to the slot with this index.
    SwitchTo(usize),
    /// Start or resume playing.
    Play,
    /// Pause.
    Pause,
    /// Go to a position in frames.
    Seek(u64),
    /// Loop between two positions in frames, or over the whole clip.
    SetLoop(Option<(u64, u64)>),
    /// Show the running receipt.
    ShowReceipt(Option<Digest>),
    /// Tell the person why the event was refused.
    Refuse(&'static str),
    /// The closing record is durable: write the register, remove the secret.
    Close,
}
