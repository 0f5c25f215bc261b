//! The records of a journal, taken one after the other: which may follow which, and what they add up to.
//!
//! The conductor and the verifier both run through this, so a journal that the conductor wrote is one that the
//! verifier accepts. Knows nothing of draws.

mod possible;

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use super::hands::{Progress, Sealing};
use super::record::{Ballot, Closing, Listening, Occasion, Opening, Part, Record, TrialId, Voided, VoidedBy};
use super::schedule;
use super::witness::{LINKS_WAIT_MS, MAX_NAME, MAX_WITNESSES, Witness};

/// A seat of a night.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Seat {
    /// The listener's chosen name.
    pub alias: String,
    /// How the seat votes.
    pub by: Ballot,
    /// The listener left.
    pub left: bool,
    /// Number of the table, where the night has tables.
    pub table: Option<u32>,
}

/// A finished attempt at a trial.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Attempt {
    /// Which.
    pub id: TrialId,
    /// When it ended, milliseconds of the sitting.
    pub at_ms: u64,
    /// Index of the answered alternative; `None` if void, or for a night.
    pub answer: Option<usize>,
    /// Confidence, 1 to 5.
    pub confidence: Option<u8>,
    /// What was listened to.
    pub listening: Listening,
    /// What disturbed it; a void attempt does not count.
    pub void: Option<Voided>,
    /// Votes of a night: alternative and way, by seat.
    pub votes: BTreeMap<u32, (usize, Ballot)>,
    /// Seats of a night that were taken when its votes were closed.
    pub taken: BTreeSet<u32>,
    /// Names of the witnesses whose links drew it.
    pub witnesses: Arc<[String]>,
    /// Names of those without whose links it began.
    pub passed: Arc<[String]>,
}

/// What the records so far add up to.
#[derive(Debug, Clone)]
pub struct Ledger {
    /// The opening.
    pub opening: Opening,
    /// Who accepted the terms.
    pub accepted: Vec<String>,
    /// The sealing that is on, with its hands.
    pub sealing: Sealing,
    /// The sealings before it, in order: one for each time that a sitting of format 2 was cut off, or a witness was lost.
    pub earlier: Vec<Sealing>,
    /// When a night asked for the links of the attempt that begins or is on.
    pub asked_ms: Option<u64>,
    /// Finished attempts.
    pub attempts: Vec<Attempt>,
    /// Seats of a night.
    pub seats: BTreeMap<u32, Seat>,
    /// Votes for the attempt that is on.
    pub votes: BTreeMap<u32, (usize, Ballot)>,
    /// Milliseconds of listening since the last rest.
    pub listened_ms: u64,
    /// Rests taken.
    pub rests: u32,
    /// Times that the sitting was resumed.
    pub resumed: u32,
    /// Nobody could hear anything, at least for a part of it: see [`Record::is_silent`].
    pub silent: bool,
    /// The closing.
    pub closing: Option<Closing>,
    /// Time of the last record.
    pub at_ms: u64,
    /// The witnesses of an attempt that has none: one list for all of them.
    nobody: Arc<[String]>,
}

/// Longest name or typed hand in bytes.
pub const MAX_TEXT: usize = 4096;

/// Most listeners of a night.
pub const MAX_SEATS: u32 = 100_000;

pub(super) fn allowed(holds: bool, message: impl Into<String>) -> Result<(), String> {
    if holds { Ok(()) } else { Err(message.into()) }
}

/// Whether a text can stand in a journal.
pub(super) fn fits(text: &str) -> bool {
    text.len() <= MAX_TEXT
}

impl Ledger {
    /// Begins with an opening that a schedule can be drawn for.
    pub fn new(opening: Opening) -> Result<Self, String> {
        possible::opening(&opening)?;
        Ok(Self {
            silent: opening.output.is_silent(),
            sealing: Sealing::new(opening.commitment),
            earlier: Vec::new(),
            opening,
            accepted: Vec::new(),
            asked_ms: None,
            attempts: Vec::new(),
            seats: BTreeMap::new(),
            votes: BTreeMap::new(),
            listened_ms: 0,
            rests: 0,
            resumed: 0,
            closing: None,
            at_ms: 0,
            nobody: Arc::default(),
        })
    }

    /// Whether both positions of a switch are measured before the first and after the last trial.
    pub fn measures(&self) -> bool {
        self.opening.terms.switcher.as_ref().is_some_and(|terms| terms.measured == Some(true))
    }

    /// The names that must accept the terms: both parties of a wager, else the listener.
    pub fn parties(&self) -> Vec<String> {
        match &self.opening.terms.wager {
            Some(wager) => vec![wager.claimant.clone(), wager.skeptic.clone()],
            None => vec![self.opening.listener.clone()],
        }
    }

    /// Everybody accepted.
    pub fn is_accepted(&self) -> bool {
        self.parties().iter().all(|party| self.accepted.contains(party))
    }

    /// Trials of a part.
    pub fn trials_of(&self, part: Part) -> u32 {
        schedule::trials_of(&self.opening, part)
    }

    /// The next attempt; `None` when every trial is answered.
    pub fn next(&self) -> Option<TrialId> {
        const PARTS: [Part; 3] = [Part::Qualification, Part::WarmUp, Part::Main];
        let (part, trial) = match self.attempts.last() {
            Some(last) if last.void.is_some() => {
                return Some(TrialId { attempt: last.id.attempt.saturating_add(1), ..last.id });
            }
            Some(last) if last.id.trial < self.trials_of(last.id.part) => (last.id.part, last.id.trial + 1),
            Some(last) => (*PARTS.iter().find(|&&part| part > last.id.part && self.trials_of(part) > 0)?, 1),
            None => (*PARTS.iter().find(|&&part| self.trials_of(part) > 0)?, 1),
        };
        Some(TrialId { part, trial, attempt: 1 })
    }

    /// Answered trials so far.
    pub fn answered(&self) -> u32 {
        self.attempts.iter().filter(|attempt| attempt.void.is_none()).count() as u32
    }

    /// Void attempts so far.
    pub fn void(&self) -> u32 {
        self.attempts.iter().filter(|attempt| attempt.void.is_some()).count() as u32
    }

    /// Takes a record, or says why it cannot stand here.
    pub fn apply(&mut self, record: &Record) -> Result<(), String> {
        allowed(self.closing.is_none(), "nothing may stand after the closing record")?;
        allowed(record.at_ms() >= self.at_ms, "its time is before that of the record before it")?;
        let night = self.opening.occasion == Occasion::Night;
        let format = self.opening.format;
        if !record.formats().contains(&format) {
            return Err(format!("format {format} has no such record"));
        }
        let sealed = self.sealing.is_sealed();
        match record {
            Record::Opening(_) => return Err("a second opening".to_owned()),
            Record::Accepted { by, .. } => {
                allowed(!sealed, "terms are accepted before the draws are sealed")?;
                allowed(self.parties().contains(by), "somebody accepted who is no party")?;
                allowed(!self.accepted.contains(by), "the same party accepted twice")?;
                self.accepted.push(by.clone());
            }
            Record::Phrase { by, text, .. } | Record::Hand { by, text, .. } => {
                allowed(self.is_accepted(), "a hand before the terms were accepted")?;
                self.still_taking()?;
                allowed(!text.is_empty() && fits(text) && fits(by), "the hand is empty or too long")?;
                if let (Some(wager), true) = (&self.opening.terms.wager, format >= 2) {
                    let over = self.sealing.hands.iter().any(|hand| hand.by == wager.skeptic);
                    allowed(!over, "a hand after the skeptic's, which is the last")?;
                }
                self.sealing.typed(by, text);
            }
            Record::HandClosed { seat, hash, .. } => {
                self.still_taking()?;
                match self.seats.get(seat) {
                    Some(taken) if !taken.left && taken.by == Ballot::Phone => {
                        self.sealing.close(&taken.alias, *seat, *hash);
                    }
                    _ => return Err("a hand of a seat that no phone has taken".to_owned()),
                }
            }
            Record::HandsClosed { closed, .. } => {
                allowed(self.is_accepted(), "the hands were closed before the terms were accepted")?;
                self.still_taking()?;
                allowed(*closed > 0, "no hand is there to be opened")?;
                allowed(
                    *closed as usize == self.sealing.closed().len(),
                    "the number of closed hands is wrong",
                )?;
                self.sealing.progress = Progress::Opening;
            }
            Record::HandOpened { seat, hand, .. } => {
                allowed(self.sealing.progress == Progress::Opening, "a hand was opened out of its time")?;
                self.sealing.open(*seat, hand)?;
            }
            Record::HandsVoid { closed, .. } => {
                allowed(self.sealing.progress == Progress::Opening, "hands became void out of their time")?;
                let stayed = self.sealing.closed();
                allowed(
                    !stayed.is_empty() && *closed == stayed,
                    "the seats whose hands stayed closed are others",
                )?;
                self.sealing.start_over();
            }
            Record::WitnessJoined { witness, name, end, seat, .. } => {
                self.still_taking()?;
                let count = self.sealing.witnesses.len();
                allowed(count < MAX_WITNESSES, "there are more witnesses than a sealing can have")?;
                allowed(*witness as usize == count + 1, "its number is not the next witness's")?;
                allowed(
                    !name.is_empty() && name.len() <= MAX_NAME,
                    "the witness's name is empty or too long",
                )?;
                let fresh = self.sealing.witnesses.iter().all(|other| other.last != *end);
                allowed(fresh, "two witnesses have the same chain of links")?;
                match seat {
                    Some(seat) => {
                        let there =
                            self.seats.get(seat).is_some_and(|known| !known.left && known.alias == *name);
                        allowed(night && there, "a witness's seat is not this one's")?;
                        let own = self.sealing.witnesses.iter().all(|other| other.seat != Some(*seat));
                        allowed(own, "a seat's phone has a chain of links already")?;
                    }
                    None => allowed(!night, "a witness of a night has no seat")?,
                }
                self.sealing.witnesses.push(Witness::new(name, *end, *seat));
            }
            Record::LinkOpened { id, witness, link, .. } => {
                allowed(sealed, "a link was opened before the draws were sealed")?;
                allowed(self.next() == Some(*id), "a link was opened for a trial that does not begin")?;
                allowed(!night || self.asked_ms.is_some(), "a link was opened that was not asked for")?;
                let index = (*witness as usize).checked_sub(1);
                let Some(known) = index.and_then(|index| self.sealing.witnesses.get_mut(index)) else {
                    return Err("a link of a witness who did not join".to_owned());
                };
                allowed(!known.opened && !known.passed, "a second link of the same witness for one trial")?;
                allowed(known.leads_on(link), "the link does not lead to the one before it")?;
                (known.last, known.opened) = (*link, true);
            }
            Record::LinksAsked { at_ms, id, .. } => {
                allowed(night && sealed, "only a night asks for links, and when its draws are sealed")?;
                allowed(self.next() == Some(*id), "links were asked for a trial that does not begin")?;
                let first = self.asked_ms.is_none() && !self.sealing.witnesses.is_empty();
                allowed(first, "links were asked for twice, or of nobody")?;
                self.asked_ms = Some(*at_ms);
            }
            Record::LinksPassed { at_ms, id, missing } => {
                allowed(night && sealed, "only a night passes links over, and when its draws are sealed")?;
                allowed(self.next() == Some(*id), "links were passed over for a trial that does not begin")?;
                let awaited = self.sealing.awaited();
                allowed(!awaited.is_empty() && *missing == awaited, "the links that are missing are others")?;
                let asked_ms = self.asked_ms.ok_or("links were passed over that nobody asked for")?;
                let waited_ms = at_ms.saturating_sub(asked_ms);
                for number in awaited {
                    let known = &mut self.sealing.witnesses[number as usize - 1];
                    let left = known.seat.and_then(|seat| self.seats.get(&seat)).is_none_or(|seat| seat.left);
                    let in_time = waited_ms < LINKS_WAIT_MS && known.missed == 0 && !left;
                    allowed(!in_time, "a link was passed over before its time was up")?;
                    known.passed = true;
                }
            }
            Record::Resealed { lost, commitment, .. } => {
                allowed(!night, "a night passes links over and is not sealed afresh")?;
                allowed(sealed, "a fresh sealing before the first one was made")?;
                let awaited = self.sealing.awaited();
                allowed(!awaited.is_empty() && *lost == awaited, "the witnesses who were lost are others")?;
                let before = std::mem::replace(&mut self.sealing, Sealing::new(*commitment));
                self.earlier.push(before);
            }
            Record::Sealed { phrases, hands, .. } => {
                allowed(self.is_accepted(), "the draws were sealed before the terms were accepted")?;
                allowed(!sealed, "the draws were sealed twice")?;
                allowed(self.sealing.closed().is_empty(), "the draws were sealed while hands were closed")?;
                let counted = self.sealing.hands.len() as u32;
                let expected = if format == 1 { (Some(counted), None) } else { (None, Some(counted)) };
                allowed((*phrases, *hands) == expected, "the number of hands is wrong")?;
                self.sealing.progress = Progress::Sealed;
            }
            Record::Answer { at_ms, id, answer, confidence, listening } => {
                allowed(!night, "a night has votes, not answers")?;
                self.expect(*id, listening)?;
                self.heard(*id, listening)?;
                let protocol = self.opening.terms.asked_in(id.part);
                let Some(answer) = protocol.alternative(answer) else {
                    return Err(format!("the answer is none of {}", protocol.title));
                };
                let right = match confidence {
                    Some(confidence) => self.opening.terms.confidence && (1..=5).contains(confidence),
                    None => !self.opening.terms.confidence,
                };
                allowed(right, "the confidence is not what the terms ask for")?;
                self.finish(*id, *at_ms, listening, |attempt| {
                    attempt.answer = Some(answer);
                    attempt.confidence = *confidence;
                });
            }
            Record::Void { at_ms, id, cause, listening, by } => {
                allowed(by.is_none() || night, "a host belongs to a night")?;
                self.expect(*id, listening)?;
                self.votes.clear();
                self.finish(*id, *at_ms, listening, |attempt| {
                    attempt.void = Some(Voided { cause: cause.clone(), by: *by });
                });
            }
            Record::Rest { .. } => {
                allowed(self.sealing.is_sealed(), "a rest before the first trial")?;
                self.listened_ms = 0;
                self.rests += 1;
            }
            Record::Note { .. } => {}
            Record::Resolution { resolved, .. } => {
                allowed(resolved.facts().is_some(), "a bit depth is 16, 24 or 32")?;
                let terms = &self.opening.terms;
                let known = resolved.faintest.is_none_or(|faintest| {
                    faintest.comparison < terms.comparisons.len() && faintest.clip < terms.clips.len()
                });
                allowed(known, "the resolution names a comparison or clip that does not exist")?;
            }
            Record::Measured { positions, .. } => {
                let agreed = self.measures();
                allowed(
                    agreed && sealed && positions.is_sound(),
                    "positions were measured that nobody agreed on",
                )?;
            }
            Record::Level { level_db, .. } => {
                allowed(level_db.is_finite(), "a level is a number of decibels")?;
            }

            Record::OutputChanged { .. } => {
                self.silent |= record.is_silent();
            }
            Record::Seat { seat, alias, by, table, .. } => {
                allowed(night, "only a night has seats")?;
                allowed(
                    table.is_none_or(|table| (1..=MAX_SEATS).contains(&table)),
                    "a table's number is out of range",
                )?;
                allowed(
                    *seat >= 1 && *seat <= MAX_SEATS && fits(alias),
                    "the seat or its name is out of range",
                )?;
                let known = self.seats.get(seat);
                allowed(known.is_none_or(|known| known.left || known.alias == *alias), "the seat is taken")?;
                let same = known.is_none_or(|known| known.table == *table);
                allowed(same || !sealed, "a listener changed tables after the draws were sealed")?;
                self.seats.insert(*seat, Seat { alias: alias.clone(), by: *by, left: false, table: *table });
            }
            Record::SeatLeft { seat, .. } => match self.seats.get_mut(seat) {
                Some(taken) if !taken.left => {
                    taken.left = true;
                    if self.sealing.progress == Progress::Taking {
                        self.sealing.forget(*seat);
                    }
                }
                _ => return Err("nobody sits on the seat that was left".to_owned()),
            },
            Record::Vote { id, seat, alias, answer, by, .. } => {
                allowed(night, "only a night has votes")?;
                allowed(self.sealing.is_sealed(), "a vote before the draws were sealed")?;
                let sits = self.seats.get(seat).is_some_and(|taken| taken.alias == *alias);
                allowed(sits, "a vote from a seat that was not taken under this name")?;
                let protocol = self.opening.terms.asked_in(id.part);
                let Some(answer) = protocol.alternative(answer) else {
                    return Err(format!("the answer is none of {}", protocol.title));
                };
                let on = self.next() == Some(*id);
                let votes = if on {
                    let left = self.seats.get(seat).is_some_and(|taken| taken.left);
                    allowed(!left || *by == Ballot::Paper, "a vote from a seat that was left")?;
                    &mut self.votes
                } else {
                    allowed(*by == Ballot::Paper, "a vote from a phone for a trial that is not on")?;
                    let closed = self.attempts.iter_mut().rev().find(|attempt| attempt.id == *id);
                    match closed {
                        Some(attempt) if attempt.void.is_none() => &mut attempt.votes,
                        _ => return Err("a vote for a trial that was not presented, or was void".to_owned()),
                    }
                };
                let phone = votes.get(seat).is_some_and(|(_, earlier)| *earlier == Ballot::Phone);
                allowed(!(phone && *by == Ballot::Paper), "paper does not replace a vote from a phone")?;
                votes.insert(*seat, (answer, *by));
            }
            Record::Door { tables, .. } => {
                allowed(night, "only a night has a door")?;
                let possible = tables.is_none_or(|tables| (1..=MAX_SEATS).contains(&tables));
                allowed(possible, "the number of tables is out of range")?;
            }
            Record::OpenEars { comparison, clip, .. } => {
                allowed(night, "only a room hears something with open ears")?;
                allowed(self.attempts.is_empty(), "something was played by name after the first trial")?;
                let terms = &self.opening.terms;
                allowed(
                    *comparison < terms.comparisons.len() && *clip < terms.clips.len(),
                    "what was played by name does not exist",
                )?;
            }
            Record::VotesVoid { id, cause, .. } => {
                allowed(sealed && self.votes.is_empty(), "votes became void out of their time")?;
                let begun =
                    self.sealing.witnesses.iter().any(|witness| witness.opened) || self.asked_ms.is_some();
                allowed(!begun, "votes became void after links for the next trial were opened")?;
                match self.attempts.last_mut() {
                    Some(last) if night && last.id == *id && last.void.is_none() => {
                        last.void = Some(Voided { cause: cause.clone(), by: Some(VoidedBy::Host) });
                        last.votes.clear();
                        last.taken.clear();
                    }
                    _ => return Err("votes became void that were not the last to be closed".to_owned()),
                }
            }
            Record::VotesClosed { at_ms, id, voted, seats, listening } => {
                allowed(night, "only a night has votes")?;
                self.expect(*id, listening)?;
                self.heard(*id, listening)?;
                allowed(*voted as usize == self.votes.len(), "the number of votes is wrong")?;
                allowed(*seats == self.taken(), "the number of seats is wrong")?;
                let votes = std::mem::take(&mut self.votes);
                let taken = self.seats.iter().filter(|(_, seat)| !seat.left).map(|(number, _)| *number);
                let taken = taken.collect();
                self.finish(*id, *at_ms, listening, |attempt| {
                    attempt.votes = votes;
                    attempt.taken = taken;
                });
            }
            Record::Resumed { commitment, .. } => {
                allowed(
                    commitment.is_some() == (format >= 2),
                    "its commitment is not what its format demands",
                )?;
                if let Some(commitment) = commitment {
                    let before = std::mem::replace(&mut self.sealing, Sealing::new(*commitment));
                    self.earlier.push(before);
                    self.asked_ms = None;
                    self.votes.clear();
                }
                self.resumed += 1;
                self.silent |= record.is_silent();
            }
            Record::Closing(closing) => {
                allowed(
                    closing.earlier.is_some() == (format >= 2),
                    "its earlier sealings are not what its format demands",
                )?;
                allowed(
                    closing.register.is_some() == (format >= 2)
                        && closing.sittings.is_some() == (format >= 2),
                    "what it says of the register is not what its format demands",
                )?;
                self.closing = Some((**closing).clone());
            }
        }
        self.at_ms = record.at_ms();
        Ok(())
    }

    fn still_taking(&self) -> Result<(), String> {
        allowed(self.sealing.progress == Progress::Taking, "a hand after the draws were sealed")
    }

    /// A seat's vote in an attempt that is on or over: the alternative, and how it came. A void attempt has none.
    pub fn vote(&self, id: TrialId, seat: u32) -> Option<(usize, Ballot)> {
        let over = || self.attempts.iter().rev().find(|attempt| attempt.id == id);
        let votes = if self.next() == Some(id) { &self.votes } else { &over()?.votes };
        votes.get(&seat).copied()
    }

    /// Seats whose listener was there in an attempt: who voted, who sat there when the votes were closed, and every ballot
    /// on paper, which a listener handed in who sat there whenever the host entered the seat.
    pub fn there(&self, attempt: &Attempt) -> BTreeSet<u32> {
        let paper = self.seats.iter().filter(|(_, seat)| seat.by == Ballot::Paper).map(|(number, _)| number);
        attempt.taken.iter().chain(attempt.votes.keys()).chain(paper).copied().collect()
    }

    /// Seats that are taken now.
    pub fn taken(&self) -> u32 {
        self.seats.values().filter(|seat| !seat.left).count() as u32
    }

    fn expect(&self, id: TrialId, listening: &Listening) -> Result<(), String> {
        allowed(self.sealing.is_sealed(), "a trial before the draws were sealed")?;
        allowed(self.sealing.awaited().is_empty(), "a trial before its witnesses opened their links")?;
        let slots = self.opening.terms.asked_in(id.part).slots.len();
        let fitting = listening.listens.len() == slots && listening.heard_ms.len() == slots;
        allowed(fitting, "the listening does not fit the protocol")?;
        self.presented(id, listening)?;
        match self.next() {
            Some(next) if next == id => Ok(()),
            Some(next) => Err(format!(
                "trial {} attempt {} stands where trial {} attempt {} should",
                id.trial, id.attempt, next.trial, next.attempt
            )),
            None => Err("a trial after the last one".to_owned()),
        }
    }

    fn named(&self, which: impl Fn(&Witness) -> bool) -> Arc<[String]> {
        let mut named = self.sealing.witnesses.iter().filter(|witness| which(witness)).peekable();
        match named.peek() {
            None => Arc::clone(&self.nobody),
            Some(_) => named.map(|witness| witness.name.clone()).collect(),
        }
    }

    fn finish(&mut self, id: TrialId, at_ms: u64, listening: &Listening, set: impl FnOnce(&mut Attempt)) {
        let heard = listening.heard_ms.iter().fold(0_u64, |sum, &heard| sum.saturating_add(heard));
        self.listened_ms = self.listened_ms.saturating_add(heard);
        let mut attempt = Attempt {
            id,
            at_ms,
            answer: None,
            confidence: None,
            listening: listening.clone(),
            void: None,
            votes: BTreeMap::new(),
            taken: BTreeSet::new(),
            witnesses: self.named(|witness| witness.opened),
            passed: self.named(|witness| witness.passed),
        };
        self.asked_ms = None;
        for witness in &mut self.sealing.witnesses {
            witness.rest();
        }
        set(&mut attempt);
        self.attempts.push(attempt);
    }
}
