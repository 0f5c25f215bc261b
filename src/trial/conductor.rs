//! The conductor: a pure state machine, (state, event) to (state, effects).
//!
//! What lasts is in the records: every change that must survive a power cut goes through a [`Ledger`], which
//! [`Conductor::resume`] rebuilds from a journal. What does not last (the slot that plays, a choice not yet confirmed)
//! is in the phase. The draw is in neither the records nor the [`View`](super::view::View).
//!
//! What right and wrong decide before the closing is one thing only: whether the sitting ends now. With a sequential rule
//! ([`StoppingTerms`](super::record::StoppingTerms)) or a qualification, the trial after which the closing record comes
//! depends on the answers so far; up to it everything that is shown, written and played is what any other draw would have
//! shown, written and played. Going on tells a listener that no line was crossed, which is what both parties agreed to
//! when they agreed to the rule. With all trials agreed on, not even that depends on the draw.
//!
//! A driver carries the effects out in order. When an append fails it carries out nothing after it, hands in
//! [`Event::JournalFailed`] and shows the view only then.

use super::Digest;
use super::event::{Effect, Event};
use super::ledger::{Ledger, fits};
use super::protocol::Definition;
use super::record::{Closing, Listening, Occasion, Opening, Outcome, Record, TrialId};
use super::schedule::{Draws, Presented, Subject};
use super::score::Tally;
use super::seal::Secret;
use super::view::Step;

mod shown;

/// Longest name or phrase in bytes.
pub const MAX_TEXT: usize = 4096;

/// Most device events that one attempt lists.
const MAX_EVENTS: usize = 50;

/// Why a journal's records do not lead to a state.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("record {number}: {message}")]
pub struct ReplayError {
    /// Number of the record, from 1.
    pub number: u64,
    /// What is wrong.
    pub message: String,
}

/// An attempt that is on.
#[derive(Debug, Clone)]
struct Attempting {
    id: TrialId,
    started_ms: u64,
    /// Time up to which listening is counted, while playing.
    counted_ms: Option<u64>,
    slot: usize,
    region: Option<(u64, u64)>,
    choice: Option<usize>,
    step: Step,
    listening: Listening,
}

#[derive(Debug, Clone)]
enum Phase {
    Terms,
    Sealing,
    Announce,
    Trial(Attempting),
    Rest {
        since_ms: u64,
        offered: bool,
        back: Option<Attempting>,
    },
    /// Night: every vote on paper may still be entered.
    Counting,
    ConfirmStop(Box<Phase>),
    Done,
    Stopped(String),
}

/// Conducts a sitting or a night. Holds the draw and never shows it: [`Conductor::view`] is all that screens get.
#[derive(Debug)]
pub struct Conductor {
    ledger: Ledger,
    secret: Secret,
    draws: Option<Draws>,
    /// The attempt that is on or comes next, drawn.
    presented: Option<Presented>,
    /// Draws of the finished attempts.
    history: Vec<Presented>,
    tally: Tally,
    phase: Phase,
    receipt: Option<Digest>,
    at_ms: u64,
}

impl Conductor {
    /// A new sitting; the first effect appends the opening record. The error says what cannot be conducted.
    pub fn open(opening: Opening, secret: Secret) -> Result<(Self, Vec<Effect>), String> {
        let record = Record::Opening(Box::new(opening.clone()));
        let conductor = Self::new(opening, secret)?;
        Ok((conductor, vec![Effect::Append(Box::new(record))]))
    }

    fn new(opening: Opening, secret: Secret) -> Result<Self, String> {
        if opening.commitment != secret.commitment() {
            return Err("the secret is not the one that the opening committed to".to_owned());
        }
        let tally = Tally::new(&opening);
        Ok(Self {
            ledger: Ledger::new(opening)?,
            secret,
            draws: None,
            presented: None,
            history: Vec::new(),
            tally,
            phase: Phase::Terms,
            receipt: None,
            at_ms: 0,
        })
    }

    /// The state that a journal's records lead to, and the effects that go on from there.
    pub fn resume(records: &[Record], secret: Secret) -> Result<(Self, Vec<Effect>), ReplayError> {
        let error = |index: usize, message: String| ReplayError { number: index as u64 + 1, message };
        let Some(Record::Opening(opening)) = records.first() else {
            return Err(error(0, "a journal begins with its opening".to_owned()));
        };
        let mut conductor = Self::new((**opening).clone(), secret).map_err(|message| error(0, message))?;
        for (index, record) in records.iter().enumerate().skip(1) {
            conductor.apply(record).map_err(|message| error(index, message))?;
        }
        conductor.at_ms = conductor.ledger.at_ms;
        let ended = conductor.tally.ended(&conductor.ledger);
        let mut effects = Vec::new();
        conductor.phase = if conductor.ledger.closing.is_some() {
            Phase::Done
        } else if ended.is_some() && opening.occasion == Occasion::Night {
            Phase::Counting
        } else if let Some(outcome) = ended {
            conductor.close(outcome, &mut effects);
            Phase::Done
        } else if conductor.ledger.sealed {
            Phase::Announce
        } else if conductor.ledger.is_accepted() {
            Phase::Sealing
        } else {
            Phase::Terms
        };
        Ok((conductor, effects))
    }

    /// Takes a record into everything that lasts.
    fn apply(&mut self, record: &Record) -> Result<(), String> {
        let finished = self.ledger.attempts.len();
        self.ledger.apply(record)?;
        if matches!(record, Record::Sealed { .. }) {
            let phrases = self.ledger.phrases.iter().map(|(_, text)| text.as_str());
            self.draws = Some(Draws::new(&self.ledger.opening, &self.secret, phrases));
            self.draw_next();
        }
        if self.ledger.attempts.len() > finished
            && let (Some(attempt), Some(presented)) = (self.ledger.attempts.last(), self.presented)
        {
            self.tally.add(&self.ledger.opening, attempt, &presented);
            self.history.push(presented);
            self.draw_next();
        }
        Ok(())
    }

    fn draw_next(&mut self) {
        self.presented = match (self.ledger.next(), self.draws.as_mut()) {
            (Some(next), Some(draws)) => draws.present(next),
            _ => None,
        };
    }

    /// Applies a record of our own making and appends it.
    fn append(&mut self, record: Record, effects: &mut Vec<Effect>) -> bool {
        match self.apply(&record) {
            Ok(()) => {
                effects.push(Effect::Append(Box::new(record)));
                true
            }
            Err(message) => {
                self.phase = Phase::Stopped(message);
                false
            }
        }
    }

    fn close(&mut self, outcome: Outcome, effects: &mut Vec<Effect>) {
        // Ballots on paper may have come after their trial was counted.
        self.tally = Tally::of(&self.ledger, &self.history);
        let key = self.secret.key(self.ledger.phrases.iter().map(|(_, text)| text.as_str()));
        let closing = Closing {
            at_ms: self.at_ms,
            outcome,
            secret: Digest(*self.secret.bytes()),
            key,
            counts: self.tally.counts.clone(),
            simulated: self.ledger.opening.simulated,
        };
        if self.append(Record::Closing(Box::new(closing)), effects) {
            effects.push(Effect::Close);
        }
    }

    /// Takes an event at `at_ms`, milliseconds of the sitting, and says what to do. Time never runs backwards: an
    /// earlier one counts as the latest so far.
    pub fn step(&mut self, at_ms: u64, event: Event) -> Vec<Effect> {
        self.at_ms = self.at_ms.max(at_ms);
        let mut effects = Vec::new();
        match event {
            Event::Durable(receipt) => self.receipt = Some(receipt),
            Event::JournalFailed { reason } => {
                if self.is_playing() {
                    effects.push(Effect::Pause);
                }
                self.phase = Phase::Stopped(reason);
            }
            Event::ShowReceipt => effects.push(Effect::ShowReceipt(self.receipt)),
            event => {
                let phase = std::mem::replace(&mut self.phase, Phase::Done);
                self.phase = self.advance(phase, event, &mut effects);
            }
        }
        effects
    }

    fn advance(&mut self, phase: Phase, event: Event, effects: &mut Vec<Effect>) -> Phase {
        let at_ms = self.at_ms;
        match (phase, event) {
            (Phase::Stopped(reason), _) => Phase::Stopped(reason),
            (Phase::Done, _) => Phase::Done,
            // Seats come and go at any time.
            (phase, Event::Join { seat, alias, by }) => {
                self.try_append(Record::Seat { at_ms, seat, alias, by }, "this seat is taken", effects);
                phase
            }
            (phase, Event::Leave { seat }) => {
                self.try_append(Record::SeatLeft { at_ms, seat }, "nobody sits there", effects);
                phase
            }
            // Ballots on paper may come for any attempt whose votes were closed; the ledger knows which may vote.
            (phase, Event::Vote { id, seat, alternative, by }) => {
                self.vote(id, seat, alternative, by, effects);
                phase
            }
            (Phase::Counting, Event::Continue) => self.finish(Outcome::AllTrials, effects),
            (Phase::ConfirmStop(_), Event::Confirm) => self.finish(Outcome::StoppedEarly, effects),
            (Phase::ConfirmStop(before), Event::Back) => *before,
            (Phase::ConfirmStop(before), _) => Phase::ConfirmStop(before),
            (phase, Event::Stop) => {
                let phase = match phase {
                    Phase::Trial(mut trial) => {
                        pause(&mut trial, at_ms, effects);
                        Phase::Trial(trial)
                    }
                    other => other,
                };
                Phase::ConfirmStop(Box::new(phase))
            }
            (Phase::Terms, Event::Accept { by }) => {
                let refusal = "only the people named in the terms accept them, each once";
                self.try_append(Record::Accepted { at_ms, by }, refusal, effects);
                if self.ledger.is_accepted() { Phase::Sealing } else { Phase::Terms }
            }
            (Phase::Sealing, Event::Phrase { by, text }) => {
                let refusal = "a phrase has 1 to 4096 bytes";
                self.try_append(Record::Phrase { at_ms, by, text }, refusal, effects);
                Phase::Sealing
            }
            (Phase::Sealing, Event::Seal) => {
                let phrases = self.ledger.phrases.len() as u32;
                self.then(Record::Sealed { at_ms, phrases }, Phase::Announce, effects)
            }
            (Phase::Announce, Event::Continue) => self.begin(effects),
            (Phase::Rest { since_ms, back, .. }, Event::Continue) => {
                let heard = back.as_ref().map_or(0, |trial| trial.listening.heard_ms.iter().sum());
                let listened_ms = self.ledger.listened_ms + heard;
                let record = Record::Rest { at_ms, listened_ms, rested_ms: at_ms - since_ms };
                if !self.append(record, effects) {
                    return self.take_phase();
                }
                match back {
                    Some(trial) => Phase::Trial(trial),
                    None => self.begin(effects),
                }
            }
            (Phase::Announce, Event::Rest) => Phase::Rest { since_ms: at_ms, offered: false, back: None },
            (Phase::Trial(trial), event) => self.in_trial(trial, event, effects),
            (phase, Event::Disturbed { cause: text } | Event::Note { text }) => {
                let text = shorten(&text);
                self.try_append(Record::Note { at_ms, text }, "this cannot be noted", effects);
                phase
            }
            (phase, _) => {
                effects.push(Effect::Refuse("this does nothing here"));
                phase
            }
        }
    }

    fn in_trial(&mut self, mut trial: Attempting, event: Event, effects: &mut Vec<Effect>) -> Phase {
        let at_ms = self.at_ms;
        let definition = Definition::of(self.ledger.opening.terms.protocol);
        let night = self.ledger.opening.occasion == Occasion::Night;
        settle(&mut trial, at_ms);
        match event {
            Event::Select(slot) if slot < definition.slots.len() => {
                if slot != trial.slot {
                    trial.listening.switches = trial.listening.switches.saturating_add(1);
                    trial.slot = slot;
                    if trial.counted_ms.is_some() {
                        trial.listening.listens[slot] += 1;
                    }
                }
                effects.push(Effect::SwitchTo(slot));
            }
            Event::Play => {
                if trial.counted_ms.is_none() {
                    trial.counted_ms = Some(at_ms);
                    trial.listening.listens[trial.slot] += 1;
                }
                effects.push(Effect::Play);
            }
            Event::Pause => {
                trial.counted_ms = None;
                effects.push(Effect::Pause);
            }
            Event::Seek(frame) => effects.push(Effect::Seek(frame)),
            Event::Loop(region) => {
                trial.region = region.filter(|(start, end)| start < end);
                effects.push(Effect::SetLoop(trial.region));
            }
            Event::Choose(choice) if !night && choice < definition.alternatives.len() => {
                if unheard(definition, &trial).is_empty() {
                    trial.choice = Some(choice);
                    trial.step = Step::Confirm;
                } else {
                    effects.push(Effect::Refuse("listen first: what is asked about has not been heard yet"));
                }
            }
            Event::Back if trial.step == Step::Confirm || trial.step == Step::Confidence => {
                trial.choice = None;
                trial.step = Step::Listen;
            }
            Event::Confirm if trial.step == Step::Confirm => {
                if self.ledger.opening.terms.confidence {
                    trial.step = Step::Confidence;
                } else {
                    return self.answer(trial, None, effects);
                }
            }
            Event::Confidence(sure) if trial.step == Step::Confidence && (1..=5).contains(&sure) => {
                return self.answer(trial, Some(sure), effects);
            }
            Event::Rest if trial.step != Step::Confidence => {
                pause(&mut trial, at_ms, effects);
                return Phase::Rest { since_ms: at_ms, offered: false, back: Some(trial) };
            }
            Event::Disturbed { cause } => {
                // Before anything was heard there is nothing to disturb.
                if trial.listening.listens.iter().all(|&listens| listens == 0) && self.ledger.votes.is_empty()
                {
                    add_event(&mut trial, &cause);
                } else {
                    return self.disturbed(trial, &cause, effects);
                }
            }
            Event::Note { text } => add_event(&mut trial, &text),
            Event::CloseVotes if night => {
                pause(&mut trial, at_ms, effects);
                let voted = self.ledger.votes.len() as u32;
                let seats = self.ledger.taken();
                trial.listening.took_ms = at_ms - trial.started_ms;
                let record =
                    Record::VotesClosed { at_ms, id: trial.id, voted, seats, listening: trial.listening };
                return self.after(record, effects);
            }
            _ => effects.push(Effect::Refuse("this does nothing here")),
        }
        Phase::Trial(trial)
    }

    fn vote(
        &mut self,
        id: TrialId,
        seat: u32,
        alternative: usize,
        by: super::record::Ballot,
        effects: &mut Vec<Effect>,
    ) {
        let definition = Definition::of(self.ledger.opening.terms.protocol);
        let alias = self.ledger.seats.get(&seat).map(|seat| seat.alias.clone());
        let answer = definition.alternatives.get(alternative).map(|alternative| alternative.name);
        let (Some(alias), Some(answer)) = (alias, answer) else {
            effects.push(Effect::Refuse("no such seat or alternative"));
            return;
        };
        let record = Record::Vote { at_ms: self.at_ms, id, seat, alias, answer: answer.to_owned(), by };
        self.try_append(record, "this seat cannot vote on this trial now", effects);
    }

    fn answer(&mut self, mut trial: Attempting, confidence: Option<u8>, effects: &mut Vec<Effect>) -> Phase {
        let at_ms = self.at_ms;
        pause(&mut trial, at_ms, effects);
        let definition = Definition::of(self.ledger.opening.terms.protocol);
        let Some(alternative) = trial.choice.and_then(|choice| definition.alternatives.get(choice)) else {
            return Phase::Trial(trial);
        };
        trial.listening.took_ms = at_ms - trial.started_ms;
        let answer = alternative.name.to_owned();
        let record = Record::Answer { at_ms, id: trial.id, answer, confidence, listening: trial.listening };
        self.after(record, effects)
    }

    fn disturbed(&mut self, mut trial: Attempting, cause: &str, effects: &mut Vec<Effect>) -> Phase {
        let at_ms = self.at_ms;
        pause(&mut trial, at_ms, effects);
        trial.listening.took_ms = at_ms - trial.started_ms;
        let cause = shorten(cause);
        if self.append(Record::Void { at_ms, id: trial.id, cause, listening: trial.listening }, effects) {
            self.begin(effects)
        } else {
            self.take_phase()
        }
    }

    /// Appends the record that ends an attempt and goes to what comes next.
    fn after(&mut self, record: Record, effects: &mut Vec<Effect>) -> Phase {
        let part = self.ledger.next().map(|id| id.part);
        if !self.append(record, effects) {
            return self.take_phase();
        }
        if let Some(outcome) = self.tally.ended(&self.ledger) {
            let night = self.ledger.opening.occasion == Occasion::Night;
            return if night { Phase::Counting } else { self.finish(outcome, effects) };
        }
        let rest_after_ms = self.ledger.opening.terms.rest_after_minutes * 60_000.0;
        if self.ledger.listened_ms as f64 >= rest_after_ms {
            return Phase::Rest { since_ms: self.at_ms, offered: true, back: None };
        }
        if self.ledger.next().map(|id| id.part) == part { self.begin(effects) } else { Phase::Announce }
    }

    fn finish(&mut self, outcome: Outcome, effects: &mut Vec<Effect>) -> Phase {
        self.phase = Phase::Done;
        self.close(outcome, effects);
        self.take_phase()
    }

    /// The phase that a failed append left behind, or [`Phase::Done`].
    fn take_phase(&mut self) -> Phase {
        std::mem::replace(&mut self.phase, Phase::Done)
    }

    /// Starts the attempt that was drawn.
    fn begin(&mut self, effects: &mut Vec<Effect>) -> Phase {
        let Some(presented) = self.presented else { return Phase::Done };
        let slots = Definition::of(self.ledger.opening.terms.protocol).slots.len();
        let night = self.ledger.opening.occasion == Occasion::Night;
        effects.push(Effect::Load {
            pair: presented.pair(&self.ledger.opening),
            sides: presented.sides(&self.ledger.opening).to_vec(),
        });
        Phase::Trial(Attempting {
            id: presented.id,
            started_ms: self.at_ms,
            counted_ms: None,
            slot: 0,
            region: None,
            choice: None,
            step: if night { Step::Voting } else { Step::Listen },
            listening: Listening {
                listens: vec![0; slots],
                heard_ms: vec![0; slots],
                ..Listening::default()
            },
        })
    }

    fn then(&mut self, record: Record, next: Phase, effects: &mut Vec<Effect>) -> Phase {
        if self.append(record, effects) { next } else { self.take_phase() }
    }

    /// Appends a record made of what somebody typed, or refuses it.
    fn try_append(&mut self, record: Record, refusal: &'static str, effects: &mut Vec<Effect>) {
        let texts = match &record {
            Record::Phrase { by, text, .. } => fits(by) && fits(text),
            Record::Seat { alias, .. } => fits(alias),
            _ => true,
        };
        if texts && self.apply(&record).is_ok() {
            effects.push(Effect::Append(Box::new(record)));
        } else {
            effects.push(Effect::Refuse(refusal));
        }
    }

    fn is_playing(&self) -> bool {
        matches!(&self.phase, Phase::Trial(trial) if trial.counted_ms.is_some())
    }

    /// Milliseconds of the sitting at the last event or record: a resumed sitting's clock starts here.
    pub fn at_ms(&self) -> u64 {
        self.at_ms
    }

    /// Why nothing goes on, if so.
    pub fn stopped(&self) -> Option<&str> {
        match &self.phase {
            Phase::Stopped(reason) => Some(reason),
            _ => None,
        }
    }

    /// Time of the last record.
    pub(super) fn ledger_at_ms(&self) -> u64 {
        self.ledger.at_ms
    }

    /// The opening.
    pub fn opening(&self) -> &Opening {
        &self.ledger.opening
    }

    /// Seats of a night, with names.
    pub fn seats(&self) -> &std::collections::BTreeMap<u32, super::ledger::Seat> {
        &self.ledger.seats
    }

    /// For simulated listeners only: index of the right alternative of the attempt that is on. `None` for people, for
    /// preference, and where A and B are identical: there even a simulated listener must guess.
    pub fn simulated_answer(&self) -> Option<usize> {
        let opening = &self.ledger.opening;
        opening.simulated?;
        let presented = self.presented?;
        if let Subject::Control(control) = presented.subject
            && !opening.terms.controls[control].is_positive()
        {
            return None;
        }
        presented.right(opening)
    }
}

fn unheard(definition: &Definition, trial: &Attempting) -> Vec<usize> {
    let silent = |slot: &usize| definition.slots[*slot].must_hear && trial.listening.listens[*slot] == 0;
    (0..definition.slots.len()).filter(silent).collect()
}

/// Counts what was heard up to now.
fn settle(trial: &mut Attempting, at_ms: u64) {
    if let Some(counted_ms) = trial.counted_ms {
        trial.listening.heard_ms[trial.slot] += at_ms.saturating_sub(counted_ms);
        trial.counted_ms = Some(at_ms);
    }
}

fn pause(trial: &mut Attempting, at_ms: u64, effects: &mut Vec<Effect>) {
    settle(trial, at_ms);
    if trial.counted_ms.take().is_some() {
        effects.push(Effect::Pause);
    }
}

fn add_event(trial: &mut Attempting, text: &str) {
    if trial.listening.events.len() < MAX_EVENTS {
        trial.listening.events.push(shorten(text));
    }
}

fn shorten(text: &str) -> String {
    text.chars().take(200).collect()
}
