//! What phones, the room's display and the host may see, as data.
//!
//! [`Snapshot`] is made after every step and holds no draw before the closing: its type has no place for one. What phones
//! get of it is the same for both draws, byte by byte.

pub(super) mod facts;

use std::collections::BTreeMap;
use std::sync::Arc;

use serde::Serialize;

pub use facts::{AskedFacts, CAUTION, Choice, EarsFacts, NightPart, OwnVote, SeatFacts, Shown, TrialFacts};

use super::night::{Again, LinkAsked, LinksFacts, Night, Now, Phase};
use super::results::{NightResults, TrialLine};
use super::reveal::{Frequency, Place, Step, VerdictStep};
use super::seats::{Seats, id_text};
use crate::trial::hands::{Asked, Progress, Source};
use crate::trial::journal::Journal;
use crate::trial::{Ballot, Definition, Digest, Record, Stage, TrialId};
use crate::verdict::{Finding, no_listening_test};

/// Everything that may be seen, at one moment.
#[derive(Debug, Clone)]
pub struct Snapshot {
    /// Title of the session.
    pub title: String,
    /// What must be known: invented data, silent output.
    pub notes: Vec<String>,
    /// Nothing is heard.
    pub silent: bool,
    /// The session's data is invented.
    pub invented: bool,
    /// What the evening is at.
    pub phase: Phase,
    /// What stopped it.
    pub message: Option<String>,
    /// The trial that is on or comes next.
    pub trial: Option<TrialFacts>,
    /// The order of presentation in words.
    pub order: String,
    /// Silent fillings between real cables in each round.
    pub fillings: usize,
    /// What plays.
    pub now: Now,
    /// Until when, milliseconds of the night.
    pub until_ms: Option<u64>,
    /// Votes are taken.
    pub open: bool,
    /// Seats that have voted.
    pub voted: u32,
    /// Seats that are taken.
    pub taken: u32,
    /// Hands typed so far.
    pub typed_hands: usize,
    /// Hands are taken.
    pub hands_open: bool,
    /// Hands that phones gave.
    pub hands: usize,
    /// Names whose hands are still closed after the hands were closed.
    pub closed: Vec<String>,
    /// How often the sealing had to start over.
    pub started_over: u32,
    /// How far the links of the trial are that begins.
    pub links: Option<LinksFacts>,
    /// The receipt at which they were asked for.
    pub head: Option<Digest>,
    /// Links that a chain needs.
    pub chain: u32,
    /// Digest of the first record.
    pub first: Option<Digest>,
    /// The draws are sealed.
    pub sealed: bool,
    /// The published commitment.
    pub commitment: Shown,
    /// The seats.
    pub seats: BTreeMap<u32, SeatFacts>,
    /// What every trial asks.
    pub asked: AskedFacts,
    /// Why the trial that is on is presented again.
    pub again: Option<Again>,
    /// Phones may join.
    pub door: bool,
    /// Guests share one address.
    pub shared: bool,
    /// How many tables there are; 0: none.
    pub tables: u32,
    /// What the room hears by name, before the test.
    pub ears: Option<EarsFacts>,
    /// After the closing.
    pub results: Option<Arc<NightResults>>,
    /// Where their reveal is.
    pub place: Place,
}

impl Snapshot {
    /// What may be seen of a night at this time.
    pub fn of(night: &Night, at_ms: u64, order: &str, results: Option<(Arc<NightResults>, Place)>) -> Self {
        let view = night.view();
        let phase = night.phase(&view.stage);
        let (now, until_ms) = night.now(at_ms);
        let definition = night.definition();
        let attribute = view.terms.attribute.as_deref();
        let facts = |id: TrialId, of: u32| TrialFacts {
            id: id_text(id),
            part: NightPart::of(id.part),
            number: id.trial,
            of,
            protocol: definition.name,
            attribute: attribute.map(str::to_owned),
            question: definition.question(attribute),
            slots: definition.slots.iter().map(|slot| slot.label).collect(),
            alternatives: definition
                .alternatives
                .iter()
                .map(|alternative| Choice { name: alternative.name, label: alternative.label(attribute) })
                .collect(),
        };
        let (id, trial) = match &view.stage {
            Stage::Trial(trial) => (Some(trial.id), Some(facts(trial.id, trial.of))),
            Stage::Announce { next, of } | Stage::Rest { next, of, .. } | Stage::Waiting { next, of, .. } => {
                (Some(*next), Some(facts(*next, *of)))
            }
            _ => (None, None),
        };
        let seats = night.seats().iter().map(|(number, seat)| {
            // Only what is on the disk is shown as received.
            let vote = id.and_then(|id| Some((night.answer_of(id, number)?, *seat.receipts.get(&id)?)));
            let facts = SeatFacts {
                alias: seat.alias.clone(),
                left: seat.left,
                paper: seat.by == Ballot::Paper,
                generation: seat.generation,
                sequence: seat.sequence,
                hand: if seat.by == Ballot::Phone {
                    night.sealing().asked_of(number)
                } else {
                    Asked::Nothing
                },
                link: if seat.by == Ballot::Phone && !seat.left {
                    (night.link_of(number), night.chain_of(number).map(|(_, own)| own.last))
                } else {
                    (LinkAsked::Nothing, None)
                },
                vote,
            };
            (number, facts)
        });
        let sealing = night.sealing();
        let mut notes = Vec::new();
        if view.silent {
            let why = no_listening_test(false, true).unwrap_or_default();
            notes.push(format!("The output is silent. {why}"));
        }
        if view.invented {
            notes.push("The data of this session is invented.".to_owned());
        }
        Self {
            title: view.terms.title.clone(),
            notes,
            silent: view.silent,
            invented: view.invented,
            phase,
            message: match &view.stage {
                Stage::Stopped { reason } => Some(format!("The night has stopped: {reason}")),
                _ => None,
            },
            trial,
            order: order.to_owned(),
            fillings: night.fillings(),
            now,
            until_ms,
            open: night.is_open(),
            voted: id.map_or(0, |id| {
                night.seats().iter().filter(|(number, _)| night.vote_of(id, *number).is_some()).count() as u32
            }),
            taken: night.seats().taken(),
            typed_hands: night.typed_hands(),
            hands_open: matches!(view.stage, Stage::Sealing { .. }),
            hands: sealing.hands.iter().filter(|hand| hand.source != Source::Typed).count(),
            closed: if sealing.progress == Progress::Opening {
                sealing.hands.iter().filter(|hand| hand.bytes.is_none()).map(|hand| hand.by.clone()).collect()
            } else {
                Vec::new()
            },
            started_over: sealing.started_over,
            links: night.links(),
            head: night.head(),
            chain: 2 * night.trials() + 50,
            first: night.receipts().first().copied(),
            sealed: !matches!(view.stage, Stage::Terms { .. } | Stage::Sealing { .. }),
            commitment: Shown::of(view.commitment),
            seats: seats.collect(),
            asked: AskedFacts {
                protocol: definition.name,
                attribute: attribute.map(str::to_owned),
                question: definition.question(attribute),
            },
            again: night.again(),
            door: night.room().open,
            shared: night.room().shared,
            tables: night.room().tables,
            ears: night.ears().map(|ears| EarsFacts::of(ears, &view.terms.comparisons[ears.comparison])),
            place: results.as_ref().map(|(_, place)| *place).unwrap_or_default(),
            results: results.map(|(results, _)| results),
        }
    }

    /// What may be seen of a closed night, from its journal.
    ///
    /// # Errors
    /// There is no opening in it.
    pub fn closed(journal: &Journal, results: Arc<NightResults>, place: Place) -> Result<Self, String> {
        let opening = journal.opening().ok_or("the journal has no opening")?;
        let definition = Definition::of(opening.terms.protocol);
        let attribute = opening.terms.attribute.clone();
        let mut seats = Seats::default();
        for record in &journal.records {
            seats.take(record);
        }
        let hand = |record: &&Record| matches!(record, Record::Hand { .. });
        let facts = seats.iter().map(|(number, seat)| {
            let facts = SeatFacts {
                alias: seat.alias.clone(),
                left: seat.left,
                paper: seat.by == Ballot::Paper,
                generation: seat.generation,
                sequence: seat.sequence,
                hand: Asked::Nothing,
                link: (LinkAsked::Nothing, None),
                vote: None,
            };
            (number, facts)
        });
        Ok(Self {
            title: opening.terms.title.clone(),
            notes: Vec::new(),
            silent: opening.output.is_silent(),
            invented: opening.invented,
            phase: Phase::Result,
            message: None,
            trial: None,
            order: String::new(),
            fillings: 0,
            now: Now::None,
            until_ms: None,
            open: false,
            voted: 0,
            taken: seats.taken(),
            typed_hands: journal.records.iter().filter(hand).count(),
            hands_open: false,
            hands: 0,
            closed: Vec::new(),
            started_over: 0,
            links: None,
            head: None,
            chain: 0,
            first: journal.digests.first().copied(),
            sealed: true,
            commitment: Shown::of(opening.commitment),
            seats: facts.collect(),
            asked: AskedFacts {
                protocol: definition.name,
                question: definition.question(attribute.as_deref()),
                attribute,
            },
            again: None,
            door: false,
            shared: false,
            tables: 0,
            ears: None,
            results: Some(results),
            place,
        })
    }

    /// What is the same on every page.
    fn common(&self, at_ms: u64) -> Common<'_> {
        Common {
            title: &self.title,
            notes: &self.notes,
            silent: self.silent,
            invented: self.invented,
            caution: CAUTION,
            phase: self.phase,
            message: self.message.as_deref(),
            trial: self.trial.as_ref(),
            order: &self.order,
            fillings: self.fillings,
            now: self.now,
            left_ms: self.until_ms.map(|until| until.saturating_sub(at_ms)),
            open: self.open,
            voted: self.voted,
            seats: self.taken,
            typed_hands: self.typed_hands,
            hands_open: self.hands_open,
            hands: self.hands,
            closed: &self.closed,
            started_over: self.started_over,
            links: self.links,
            sealed: self.sealed,
            again: self.again,
            door: self.door,
            ears: self.ears.as_ref(),
            asked: &self.asked,
            commitment: &self.commitment,
        }
    }

    /// What the phone of a seat gets, as JSON; `None` if nobody sits there.
    pub fn phone(&self, seat: u32, at_ms: u64) -> Option<String> {
        let facts = self.seats.get(&seat)?;
        let own = self.results.as_ref().and_then(|results| {
            let own = results.seats.iter().find(|own| own.seat == seat)?;
            Some((results, own))
        });
        let revealed = own.map(|(results, own)| {
            let trials = self.place.shown_trials(&results.steps).filter_map(|index| own.trials.get(index));
            trials.map(OwnTrial::of).collect()
        });
        let result =
            own.filter(|(results, _)| self.place.tells_results(&results.steps)).map(|(results, own)| {
                PhoneResult {
                    own: OwnResult {
                        right: own.total.correct,
                        of: own.total.trials,
                        finding: own.finding,
                        chance: own.chance,
                        missing: own.missing,
                        absent: own.absent,
                        sentences: &own.sentences,
                        trials: own.trials.iter().map(OwnTrial::of).collect(),
                    },
                    room: RoomWords {
                        verdicts: results.steps.iter().filter_map(Step::verdict).collect(),
                        sentences: &results.room,
                        highest: &results.highest,
                    },
                    receipt: Shown::of(results.receipt),
                }
            });
        let state = PhoneState {
            seat,
            alias: &facts.alias,
            left: facts.left,
            sequence: facts.sequence,
            hand: facts.hand,
            link: facts.link.0,
            last: facts.link.1,
            head: self.head,
            chain: self.chain,
            first: self.first,
            vote: facts.vote.as_ref().map(|(answer, receipt)| own_vote(answer, *receipt)),
            revealed,
            result,
            common: self.common(at_ms),
        };
        Some(serde_json::to_string(&state).expect("plain data becomes JSON"))
    }

    /// What the room's display gets, as JSON. No vote is in it before the closing, only how many there are.
    pub fn room(&self, at_ms: u64) -> String {
        let reveal = self.results.as_ref().and_then(|results| {
            Some(RoomReveal {
                at: self.place.at,
                of: results.steps.len(),
                lines: results.steps.get(self.place.at)?.lines(),
                step: results.steps.get(self.place.at)?,
            })
        });
        let state = RoomState { reveal, common: self.common(at_ms) };
        serde_json::to_string(&state).expect("plain data becomes JSON")
    }
}

/// A vote as its own listener sees it.
pub fn own_vote(answer: &str, receipt: Digest) -> OwnVote {
    OwnVote { answer: answer.to_owned(), receipt: receipt.groups(), hex: receipt.hex() }
}

#[derive(Serialize)]
struct Common<'s> {
    title: &'s str,
    notes: &'s [String],
    silent: bool,
    invented: bool,
    caution: &'static str,
    phase: Phase,
    message: Option<&'s str>,
    trial: Option<&'s TrialFacts>,
    order: &'s str,
    fillings: usize,
    now: Now,
    left_ms: Option<u64>,
    open: bool,
    voted: u32,
    seats: u32,
    typed_hands: usize,
    hands_open: bool,
    hands: usize,
    closed: &'s [String],
    started_over: u32,
    links: Option<LinksFacts>,
    sealed: bool,
    again: Option<Again>,
    door: bool,
    ears: Option<&'s EarsFacts>,
    asked: &'s AskedFacts,
    commitment: &'s Shown,
}

#[derive(Serialize)]
struct PhoneState<'s> {
    seat: u32,
    alias: &'s str,
    left: bool,
    sequence: u64,
    hand: Asked,
    link: LinkAsked,
    /// The link that it gave last, or its chain's end.
    last: Option<Digest>,
    /// The receipt at which links are asked for now.
    head: Option<Digest>,
    /// Links that a chain needs.
    chain: u32,
    /// The first record's receipt: it names the night.
    first: Option<Digest>,
    vote: Option<OwnVote>,
    /// Trials that the room has seen; nothing before the closing.
    revealed: Option<Vec<OwnTrial<'s>>>,
    result: Option<PhoneResult<'s>>,
    #[serde(flatten)]
    common: Common<'s>,
}

#[derive(Serialize)]
struct RoomState<'s> {
    reveal: Option<RoomReveal<'s>>,
    #[serde(flatten)]
    common: Common<'s>,
}

#[derive(Serialize)]
struct PhoneResult<'s> {
    own: OwnResult<'s>,
    room: RoomWords<'s>,
    receipt: Shown,
}

#[derive(Serialize)]
struct RoomReveal<'s> {
    at: usize,
    of: usize,
    /// In English, for a terminal.
    lines: Vec<String>,
    step: &'s Step,
}

#[derive(Serialize)]
struct OwnResult<'s> {
    right: u64,
    of: u64,
    finding: Option<Finding>,
    chance: Option<Frequency>,
    missing: u64,
    absent: u64,
    sentences: &'s [String],
    trials: Vec<OwnTrial<'s>>,
}

#[derive(Serialize)]
struct OwnTrial<'s> {
    name: &'s str,
    number: u32,
    practice: bool,
    control: bool,
    answer: Option<&'static str>,
    right: Option<&'static str>,
    said: &'s str,
    was: &'s str,
    receipt: Option<String>,
    hex: Option<String>,
}

impl<'s> OwnTrial<'s> {
    fn of(line: &'s TrialLine) -> Self {
        Self {
            name: &line.name,
            number: line.number,
            practice: line.practice,
            control: line.control,
            answer: line.answer,
            right: line.right,
            said: &line.said,
            was: &line.was,
            receipt: line.receipt.map(|receipt| receipt.groups()),
            hex: line.receipt.map(|receipt| receipt.hex()),
        }
    }
}

#[derive(Serialize)]
struct RoomWords<'s> {
    verdicts: Vec<&'s VerdictStep>,
    sentences: &'s [String],
    highest: &'s [String],
}
