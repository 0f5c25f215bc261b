//! The evening as a pure state machine around the conductor: (state, event, time) to (state, effects, answer).
//!
//! The conductor knows trials, votes and the draw; this adds what a room needs: the timed presentation, when votes are
//! open, tokens' generations, votes that were sent twice, and the host's words. It reads no clock and holds no draw.

mod cables;
mod ears;
mod host;
mod links;
mod time;
mod votes;

use std::collections::BTreeSet;

pub use ears::{Ears, STEP_DB};
pub use links::{LinkAsked, LinksFacts};

use super::Refusal;
use super::pass::Holder;
use super::presentation::{Moment, Timing};
use super::room::Room;
use super::seats::{MOST_SEATS, Seats, clean_alias, is_name_of};
use crate::conduct::Machine;
use crate::conduct::listening::presented_ms;
use crate::trial::hands::Sealing;
use crate::trial::{
    Ballot, Conductor, Definition, Digest, Effect, Event, Opening, Part, Record, Stage, TrialId, TrialView,
    View, VoidedBy,
};

/// Longest hand that is typed on a phone, in characters.
const LONGEST_HAND: usize = 200;
/// Typed hands that a night takes: each seat a few.
const MOST_HANDS: usize = 2000;

/// What the evening is at, as everybody may know it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Phase {
    /// Cautions and terms; seats may be taken.
    #[default]
    Welcome,
    /// Seats are taken, hands are typed.
    Joining,
    /// Before the test: A and B are heard by name.
    Ears,
    /// A trial is about to be presented.
    Ready,
    /// A trial is being presented.
    Presenting,
    /// Votes are open and nothing plays.
    Voting,
    /// A break.
    Break,
    /// All trials are over; paper ballots are entered.
    Counting,
    /// The seal is open.
    Result,
    /// The journal could not be written.
    Stopped,
}

/// What plays.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Show {
    Quiet,
    /// `before`: rounds of real cables that the attempt had before this presentation.
    Presenting {
        since_ms: u64,
        playing: Option<usize>,
        begun: Option<u64>,
        before: usize,
    },
    Hand {
        slot: usize,
        until_ms: u64,
    },
}

/// What plays, as everybody may know it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default, serde::Serialize, serde::Deserialize)]
#[serde(tag = "kind", rename_all = "lowercase")]
pub enum Now {
    /// Nothing.
    #[default]
    None,
    /// A stimulus.
    Playing {
        /// Index of its slot.
        slot: usize,
    },
    /// Silence before a stimulus.
    Gap {
        /// Index of the slot that comes next.
        slot: usize,
    },
    /// A filling between real cables, silent by design.
    Silent,
}

/// Why a trial is presented again.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, serde::Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Again {
    /// The sound was disturbed.
    Dropout,
    /// The host said so.
    Host,
}

/// A night.
#[derive(Debug)]
pub struct Night {
    conductor: Conductor,
    timing: Timing,
    by_hand: bool,
    seats: Seats,
    show: Show,
    /// Votes are taken.
    open: bool,
    /// When they close, milliseconds of the night.
    deadline_ms: Option<u64>,
    /// When the next trial starts by itself.
    start_ms: Option<u64>,
    /// How long each stimulus of the trial is heard.
    clip_ms: u64,
    released: BTreeSet<u32>,
    typed_hands: usize,
    again: Option<Again>,
    room: Room,
    /// Votes close by themselves soon after every phone has voted.
    when_all: bool,
    /// Seats that the host took away.
    removed: BTreeSet<u32>,
    /// The door as the journal has it.
    door: Option<Room>,
    /// The open-ears round that is on.
    ears: Option<Ears>,
    /// Digests of all records.
    receipts: Vec<Digest>,
    /// The receipt at which links were asked for last.
    head: Option<Digest>,
    /// What no guest knows: makes that receipt one that nobody can try votes against.
    blind: Digest,
    /// Real cables are switched: milliseconds for which nothing is connected where the seal does not say it.
    switched_ms: Option<u64>,
    /// Nobody has confirmed yet that nothing is connected.
    held: bool,
}

impl Machine for Night {
    fn conductor(&self) -> &Conductor {
        &self.conductor
    }

    fn event(&mut self, at_ms: u64, event: Event) -> Vec<Effect> {
        if matches!(event, Event::JournalFailed { .. }) {
            self.quiet();
        }
        self.step(at_ms, event).unwrap_or_default()
    }

    fn written(&mut self, record: &Record, digest: Digest) {
        self.seats.written(record, digest);
        self.receipts.push(digest);
        if matches!(record, Record::LinksAsked { .. }) {
            self.head = Some(digest);
        }
        self.conductor.step(0, Event::Durable(digest));
    }

    fn loaded(&mut self, length_ms: u64) {
        self.clip_ms = presented_ms(length_ms);
    }
}

impl Night {
    /// A night around a conductor that was opened or resumed, with the records so far and their digests.
    pub fn new(
        conductor: Conductor,
        records: &[Record],
        digests: &[Digest],
        timing: Timing,
        by_hand: bool,
    ) -> Self {
        let mut night = Self::around(conductor, timing, by_hand);
        night.receipts = digests.to_vec();
        for (record, digest) in records.iter().zip(digests) {
            night.take(record);
            night.seats.written(record, *digest);
        }
        night
    }

    fn around(conductor: Conductor, timing: Timing, by_hand: bool) -> Self {
        Self {
            conductor,
            timing,
            by_hand,
            seats: Seats::default(),
            show: Show::Quiet,
            open: false,
            deadline_ms: None,
            start_ms: None,
            clip_ms: 0,
            released: BTreeSet::new(),
            typed_hands: 0,
            again: None,
            room: Room::default(),
            when_all: false,
            removed: BTreeSet::new(),
            door: None,
            ears: None,
            receipts: Vec::new(),
            head: None,
            blind: Digest([0; 32]),
            switched_ms: None,
            held: false,
        }
    }

    /// The same night with 32 bytes that no guest knows.
    #[must_use]
    pub fn blinded(self, blind: Digest) -> Self {
        Self { blind, ..self }
    }

    /// Digests of all records that are on the disk.
    pub fn receipts(&self) -> &[Digest] {
        &self.receipts
    }

    /// The same night in a room of this size. What the journal says of the door stands.
    #[must_use]
    pub fn in_room(mut self, room: Room) -> Self {
        self.room = room;
        if let Some(door) = self.door {
            self.room = Room { paper: room.paper, ..door };
        }
        self
    }

    /// Tables go into the journal, so that a restart knows them.
    pub fn announce_tables(&mut self, at_ms: u64) -> Vec<Effect> {
        if self.room.tables == 0 || self.door.is_some() {
            return Vec::new();
        }
        self.step(at_ms, Self::door_of(self.room)).unwrap_or_default()
    }

    fn door_of(room: Room) -> Event {
        let Room { open, seats, shared, tables, .. } = room;
        Event::Door { open, seats, shared, tables: (tables > 0).then_some(tables) }
    }

    /// The room.
    pub fn room(&self) -> Room {
        self.room
    }

    fn take(&mut self, record: &Record) {
        self.seats.take(record);
        self.typed_hands += usize::from(matches!(record, Record::Hand { .. }));
        match record {
            Record::Void { by: None, .. } => self.again = Some(Again::Dropout),
            Record::Void { by: Some(VoidedBy::Host), .. } | Record::VotesVoid { .. } => {
                self.again = Some(Again::Host);
            }
            Record::VotesClosed { .. } => self.again = None,
            Record::Door { open, seats, shared, tables, .. } => {
                let tables = tables.unwrap_or_default();
                self.room = Room { open: *open, seats: *seats, shared: *shared, tables, ..self.room };
                self.door = Some(self.room);
            }
            Record::SeatLeft { seat, removed: Some(true), .. } => {
                self.removed.insert(*seat);
            }
            Record::Seat { seat, .. } => {
                self.removed.remove(seat);
            }
            _ => {}
        }
    }

    /// All seats.
    pub fn seats(&self) -> &Seats {
        &self.seats
    }

    /// A seat's vote in an attempt that is on or over: the alternative, and how it came.
    pub fn vote_of(&self, id: TrialId, seat: u32) -> Option<(usize, Ballot)> {
        self.conductor.vote_of(id, seat)
    }

    /// The name of the alternative that a seat voted for.
    pub fn answer_of(&self, id: TrialId, seat: u32) -> Option<&'static str> {
        let (alternative, _) = self.vote_of(id, seat)?;
        self.definition().alternatives.get(alternative).map(|alternative| alternative.name)
    }

    /// What the conductor lets everybody see.
    pub fn view(&self) -> View {
        self.conductor.view()
    }

    /// Hands typed so far.
    pub fn typed_hands(&self) -> usize {
        self.typed_hands
    }

    /// Why the trial that is on is presented again.
    pub fn again(&self) -> Option<Again> {
        self.again
    }

    /// The trial whose votes are open while nothing plays.
    pub fn voting(&self) -> Option<TrialId> {
        let quiet = self.open && self.show == Show::Quiet;
        self.trial().filter(|_| quiet).map(|trial| trial.id)
    }

    /// Votes are taken now.
    pub fn is_open(&self) -> bool {
        self.open
    }

    /// The protocol.
    pub fn definition(&self) -> &'static Definition {
        Definition::of(self.conductor.opening().terms.protocol)
    }

    /// The opening record.
    pub fn opening(&self) -> &Opening {
        self.conductor.opening()
    }

    /// Trials of the main part.
    pub fn main_trials(&self) -> u32 {
        crate::trial::schedule::trials_of(self.conductor.opening(), Part::Main)
    }

    /// Trials of all parts.
    pub fn trials(&self) -> u32 {
        let of = |part| crate::trial::schedule::trials_of(self.conductor.opening(), part);
        of(Part::WarmUp) + of(Part::Main)
    }

    /// The trial that is on.
    fn trial(&self) -> Option<TrialView> {
        match self.conductor.view().stage {
            Stage::Trial(trial) => Some(trial),
            _ => None,
        }
    }

    /// By hand, in a trial whose votes are not open: what the host says next, such as "play 1, play 2, then open".
    pub fn by_hand_next(&self) -> Option<String> {
        let trial = self.trial().filter(|_| self.by_hand && !self.open)?;
        let label = |slot: &usize| format!("play {}, ", trial.slots[*slot].label);
        let plays: String = trial.unheard.iter().map(label).collect();
        Some(if plays.is_empty() { "open".to_owned() } else { format!("{plays}then open") })
    }

    /// What the evening is at.
    pub fn phase(&self, stage: &Stage) -> Phase {
        if self.ears.is_some() {
            return Phase::Ears;
        }
        match stage {
            Stage::Terms { .. } => Phase::Welcome,
            Stage::Sealing { .. } => Phase::Joining,
            Stage::Announce { .. } | Stage::ConfirmStop { .. } | Stage::Waiting { .. } => Phase::Ready,
            Stage::Trial(_) => match self.show {
                Show::Presenting { .. } | Show::Hand { .. } => Phase::Presenting,
                Show::Quiet if self.open => Phase::Voting,
                Show::Quiet => Phase::Ready,
            },
            Stage::Rest { .. } => Phase::Break,
            Stage::Counting | Stage::Closing => Phase::Counting,
            Stage::Result(_) => Phase::Result,
            Stage::Stopped { .. } => Phase::Stopped,
        }
    }

    /// What plays at this time, and until when.
    pub fn now(&self, at_ms: u64) -> (Now, Option<u64>) {
        match self.show {
            Show::Quiet if self.open => (Now::None, self.deadline_ms),
            Show::Quiet => (Now::None, self.start_ms),
            Show::Hand { slot, until_ms } => (Now::Playing { slot }, Some(until_ms)),
            Show::Presenting { since_ms, before, .. } => match self.moment(since_ms, before, at_ms) {
                Moment::Playing { slot: silent, left_ms } | Moment::Gap { next: silent, left_ms }
                    if self.is_filling(silent) =>
                {
                    (Now::Silent, Some(at_ms + left_ms))
                }
                Moment::Playing { slot, left_ms } => (Now::Playing { slot }, Some(at_ms + left_ms)),
                Moment::Gap { next, left_ms } => (Now::Gap { slot: next }, Some(at_ms + left_ms)),
                Moment::Over => (Now::None, None),
            },
        }
    }

    /// Milliseconds until something happens by itself; `None`: nothing will.
    pub fn wake_in(&self, at_ms: u64) -> Option<u64> {
        let until = match self.show {
            Show::Quiet if self.open => self.deadline_ms,
            Show::Quiet if self.held => None,
            Show::Quiet => self.start_ms.or(self.links_wake_ms(at_ms)),
            _ => self.now(at_ms).1,
        };
        until.map(|until| until.saturating_sub(at_ms))
    }

    /// Hands an event to the conductor.
    fn step(&mut self, at_ms: u64, event: Event) -> Result<Vec<Effect>, Refusal> {
        let effects = self.conductor.step(at_ms, event);
        let mut refused = None;
        for effect in &effects {
            match effect {
                Effect::Append(record) => self.take(record),
                Effect::Load { .. } => {
                    self.quiet();
                    self.held = self.switched_ms.is_some();
                }
                Effect::Refuse(why) => refused = Some(Refusal::NothingHere((*why).to_owned())),
                _ => {}
            }
        }
        refused.map_or(Ok(effects), Err)
    }

    /// Nothing plays, no votes are taken.
    fn quiet(&mut self) {
        self.show = Show::Quiet;
        self.open = false;
        self.deadline_ms = None;
        self.start_ms = None;
    }

    // ---- listeners ----

    fn over(&self) -> bool {
        matches!(self.conductor.view().stage, Stage::Result(_) | Stage::Closing | Stage::Stopped { .. })
    }

    /// A listener takes a seat: this one, or the next free one.
    ///
    /// # Errors
    /// Why not.
    pub fn join(
        &mut self,
        at_ms: u64,
        alias: &str,
        seat: Option<u32>,
        table: Option<u32>,
        by: Ballot,
    ) -> Result<(Holder, Vec<Effect>), Refusal> {
        if self.over() {
            return Err(Refusal::Over);
        }
        let alias = clean_alias(alias).ok_or(Refusal::Alias)?;
        if is_name_of(&alias, "host") || is_name_of(&alias, &self.conductor.opening().listener) {
            return Err(Refusal::HostName);
        }
        let alias = self.seats.marked(alias, seat);
        if by == Ballot::Phone && !seat.is_some_and(|seat| self.released.contains(&seat)) {
            self.room.let_in(&self.seats, seat)?;
        }
        let kept = |number| self.room.is_for_paper(number);
        let (number, alias) = match seat {
            None => (self.seats.free(kept).ok_or(Refusal::Full)?, alias),
            Some(number) if (1..=MOST_SEATS).contains(&number) => match self.seats.get(number) {
                None => (number, alias),
                // A new phone for the same listener: the name on the journal stays.
                Some(seat) if self.released.contains(&number) => (number, seat.alias.clone()),
                Some(_) => return Err(Refusal::SeatTaken(number)),
            },
            Some(_) => return Err(Refusal::SeatNumber),
        };
        // A new phone for the same listener stays at the table.
        let table = match self.seats.get(number) {
            Some(known) => known.table,
            // A ballot on paper may come without one.
            None if by == Ballot::Paper && table.is_none() => None,
            None => self.room.table(table)?,
        };
        let effects = self.step(at_ms, Event::Join { seat: number, alias, by, table })?;
        self.released.remove(&number);
        Ok((self.holder(number), effects))
    }

    fn holder(&self, seat: u32) -> Holder {
        Holder { seat, generation: self.seats.get(seat).map_or(0, |seat| seat.generation) }
    }

    /// Whether this holder has the seat now.
    ///
    /// # Errors
    /// Another phone has it, or nobody.
    pub fn check(&self, holder: Holder) -> Result<(), Refusal> {
        match self.seats.get(holder.seat) {
            Some(_) if self.removed.contains(&holder.seat) => Err(Refusal::NotSeated),
            Some(seat) if seat.generation == holder.generation => Ok(()),
            _ => Err(Refusal::NotSeated),
        }
    }

    /// A listener leaves early.
    ///
    /// # Errors
    /// Nobody sits there.
    pub fn leave(&mut self, at_ms: u64, holder: Holder) -> Result<Vec<Effect>, Refusal> {
        self.check(holder)?;
        if self.over() {
            return Err(Refusal::Over);
        }
        self.step(at_ms, Event::Leave { seat: holder.seat, removed: false })
    }

    /// A listener who left is back.
    ///
    /// # Errors
    /// Nobody of this seat has left.
    pub fn come_back(&mut self, at_ms: u64, holder: Holder) -> Result<(Holder, Vec<Effect>), Refusal> {
        self.check(holder)?;
        if self.over() {
            return Err(Refusal::Over);
        }
        let Some(seat) = self.seats.get(holder.seat).filter(|seat| seat.left) else {
            return Ok((holder, Vec::new()));
        };
        let event =
            Event::Join { seat: holder.seat, alias: seat.alias.clone(), by: seat.by, table: seat.table };
        let effects = self.step(at_ms, event)?;
        Ok((self.holder(holder.seat), effects))
    }

    /// A hand that is typed on a phone.
    ///
    /// # Errors
    /// It is not the time, or it is no hand.
    pub fn type_hand(&mut self, at_ms: u64, holder: Holder, text: &str) -> Result<Vec<Effect>, Refusal> {
        self.check(holder)?;
        let by = self.seats.get(holder.seat).map(|seat| seat.alias.clone()).unwrap_or_default();
        self.add_hand(at_ms, by, text)
    }

    /// A phone gives its hand, closed.
    ///
    /// # Errors
    /// It is not the time.
    pub fn close_hand(&mut self, at_ms: u64, holder: Holder, hash: Digest) -> Result<Vec<Effect>, Refusal> {
        self.check(holder)?;
        self.step(at_ms, Event::CloseHand { seat: holder.seat, hash })
    }

    /// A phone opens its hand.
    ///
    /// # Errors
    /// It is not asked for, or is not the one that was closed.
    pub fn open_hand(&mut self, at_ms: u64, holder: Holder, hand: Digest) -> Result<Vec<Effect>, Refusal> {
        self.check(holder)?;
        self.step(at_ms, Event::OpenHand { seat: holder.seat, hand })
    }

    /// The sealing that is on.
    pub fn sealing(&self) -> &Sealing {
        self.conductor.sealing()
    }

    fn add_hand(&mut self, at_ms: u64, by: String, text: &str) -> Result<Vec<Effect>, Refusal> {
        if !matches!(self.conductor.view().stage, Stage::Sealing { .. }) {
            return Err(Refusal::HandsOver);
        }
        let text = text.trim();
        if text.is_empty() || text.chars().count() > LONGEST_HAND || self.typed_hands >= MOST_HANDS {
            return Err(Refusal::Hand);
        }
        self.step(at_ms, Event::Hand { by, text: text.to_owned() })
    }
}
