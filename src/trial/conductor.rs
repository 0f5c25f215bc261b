//! The conductor: a pure state machine, (state, event) to (state, effects).
//!
//! What lasts is in the records: every change that must survive a power cut goes through a [`Replay`], which
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
use super::hands::Progress;
use super::ledger::fits;
use super::record::{Listening, Occasion, Opening, Outcome, Record, TrialId};
use super::replay::Replay;
use super::seal::Secret;
use super::view::Step;

mod attempt;
mod rounds;
mod sealing;
mod shown;

use attempt::{Attempting, add_event, pause, settle, shorten};

/// Why the attempt that was on is void when a sitting goes on after it was cut off.
pub const INTERRUPTED: &str = "interrupted";

/// Why a journal's records do not lead to a state.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("record {number}: {message}")]
pub struct ReplayError {
    /// Number of the record, from 1.
    pub number: u64,
    /// What is wrong.
    pub message: String,
}

#[derive(Debug, Clone)]
enum Phase {
    Terms,
    Sealing,
    Announce,
    /// The next attempt begins when every witness has opened its link.
    Waiting {
        since_ms: u64,
    },
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
    replay: Replay,
    /// Of each sealing so far.
    secrets: Vec<Secret>,
    phase: Phase,
    receipt: Option<Digest>,
    at_ms: u64,
}

impl Conductor {
    /// A new sitting; the first effect appends the opening record. The error says what cannot be conducted.
    pub fn open(opening: Opening, secret: Secret) -> Result<(Self, Vec<Effect>), String> {
        let record = Record::Opening(Box::new(opening.clone()));
        let conductor = Self::new(opening, vec![secret])?;
        Ok((conductor, vec![Effect::Append(Box::new(record))]))
    }

    fn new(opening: Opening, secrets: Vec<Secret>) -> Result<Self, String> {
        let replay = Replay::new(opening, secrets.clone())?;
        replay.secret()?;
        Ok(Self { replay, secrets, phase: Phase::Terms, receipt: None, at_ms: 0 })
    }

    /// The state that a journal's records lead to, and the effects that go on from there. `secrets` are those of the
    /// sealings, in order.
    pub fn resume(records: &[Record], secrets: &[Secret]) -> Result<(Self, Vec<Effect>), ReplayError> {
        let error = |index: usize, message: String| ReplayError { number: index as u64 + 1, message };
        let Some(Record::Opening(opening)) = records.first() else {
            return Err(error(0, "a journal begins with its opening".to_owned()));
        };
        let mut conductor =
            Self::new((**opening).clone(), secrets.to_vec()).map_err(|message| error(0, message))?;
        for (index, record) in records.iter().enumerate().skip(1) {
            conductor.replay.take(record).map_err(|message| error(index, message))?;
        }
        conductor.replay.secret().map_err(|message| error(records.len() - 1, message))?;
        let ledger = &conductor.replay.ledger;
        conductor.at_ms = ledger.at_ms;
        let ended = conductor.replay.tally.ended(ledger);
        let mut effects = Vec::new();
        conductor.phase = if ledger.closing.is_some() {
            Phase::Done
        } else if ended.is_some() && (opening.occasion == Occasion::Night || ledger.measures()) {
            Phase::Counting
        } else if let Some(outcome) = ended {
            conductor.close(outcome, &mut effects);
            Phase::Done
        } else if ledger.sealing.is_sealed() {
            Phase::Announce
        } else if ledger.is_accepted() {
            Phase::Sealing
        } else {
            Phase::Terms
        };
        Ok((conductor, effects))
    }

    /// Applies a record of our own making and appends it.
    fn append(&mut self, record: Record, effects: &mut Vec<Effect>) -> bool {
        match self.replay.take(&record) {
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
        let night = self.replay.ledger.opening.occasion == Occasion::Night;
        match (phase, event) {
            (Phase::Stopped(reason), _) => Phase::Stopped(reason),
            (Phase::Done, _) => Phase::Done,
            (phase, Event::Halted { text }) => {
                self.try_append(
                    Record::Note { at_ms, text: shorten(&text) },
                    "this cannot be noted",
                    effects,
                );
                phase
            }
            (phase, Event::Resolved(resolved)) => {
                self.try_append(
                    Record::Resolution { at_ms, resolved },
                    "there is no such bit depth",
                    effects,
                );
                phase
            }
            (phase, Event::Measured(positions)) => {
                let record = Record::Measured { at_ms, positions: Box::new(positions) };
                self.try_append(record, "these positions cannot be noted", effects);
                phase
            }
            (phase, Event::Level(level_db)) => {
                self.try_append(Record::Level { at_ms, level_db }, "there is no such level", effects);
                phase
            }
            (phase, Event::OutputChanged { output, resampled_from_hz }) => {
                let record = Record::OutputChanged { at_ms, output, resampled_from_hz };
                self.try_append(record, "this cannot be noted", effects);
                phase
            }
            // Seats come and go at any time.
            (phase, Event::Join { seat, alias, by, table }) => {
                let record = Record::Seat { at_ms, seat, alias, by, table };
                self.try_append(record, "this seat is taken", effects);
                phase
            }
            (phase, Event::Leave { seat, removed }) => {
                let record = Record::SeatLeft { at_ms, seat, removed: removed.then_some(true) };
                self.try_append(record, "nobody sits there", effects);
                phase
            }
            (phase, Event::Door { open, seats, shared, tables }) => {
                let record = Record::Door { at_ms, open, seats, shared, tables };
                self.try_append(record, "this is no door of a room", effects);
                phase
            }
            (
                phase @ (Phase::Terms | Phase::Sealing | Phase::Announce),
                Event::OpenEars { shown, comparison, clip },
            ) => {
                let record = Record::OpenEars { at_ms, shown, comparison, clip };
                self.try_append(record, "nothing is played by name after the first trial", effects);
                phase
            }
            (phase, Event::VoidVotes { cause }) => self.void_votes(phase, &cause, effects),
            (phase @ (Phase::Terms | Phase::Sealing), Event::CloseHand { seat, hash }) => {
                let refusal = "no hand of this seat is taken now";
                self.try_append(Record::HandClosed { at_ms, seat, hash }, refusal, effects);
                phase
            }
            // Ballots on paper may come for any attempt whose votes were closed; the ledger knows which may vote.
            (phase, Event::Vote { id, seat, alternative, by }) => {
                self.vote(id, seat, alternative, by, effects);
                phase
            }
            (Phase::Counting, Event::Continue) => {
                let night = self.replay.ledger.opening.occasion == Occasion::Night;
                let ended = self.replay.tally.ended(&self.replay.ledger).filter(|_| !night);
                self.finish(ended.unwrap_or(Outcome::AllTrials), effects)
            }
            (Phase::ConfirmStop(_), Event::Confirm) => self.finish(Outcome::StoppedEarly, effects),
            (Phase::ConfirmStop(before), Event::Back) => *before,
            (Phase::ConfirmStop(before), _) => Phase::ConfirmStop(before),
            (phase, Event::Stop) => {
                let phase = match phase {
                    Phase::Trial(trial) if trial.in_round => {
                        return self.in_trial(trial, Event::Stop, effects);
                    }
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
                if self.replay.ledger.is_accepted() { Phase::Sealing } else { Phase::Terms }
            }
            (Phase::Sealing, Event::Hand { by, text }) => {
                let refusal = "a hand has 1 to 4096 bytes, and none comes after the skeptic's or the sealing";
                self.try_append(Record::Hand { at_ms, by, text }, refusal, effects);
                Phase::Sealing
            }
            (Phase::Sealing, Event::Seal) => self.seal(effects),
            (Phase::Sealing, Event::OpenHand { seat, hand }) => {
                let refusal = "this hand is not asked for, or is not the one that was closed";
                self.try_append(Record::HandOpened { at_ms, seat, hand }, refusal, effects);
                if self.replay.ledger.sealing.closed().is_empty()
                    && self.replay.ledger.sealing.progress == Progress::Opening
                {
                    self.seal(effects)
                } else {
                    Phase::Sealing
                }
            }
            (Phase::Sealing | Phase::Terms, Event::JoinWitness { name, end, seat }) => {
                let witness = self.replay.ledger.sealing.witnesses.len() as u32 + 1;
                let refusal = "no witness is taken now, or not under this name";
                self.try_append(Record::WitnessJoined { at_ms, witness, name, end, seat }, refusal, effects);
                if self.replay.ledger.is_accepted() { Phase::Sealing } else { Phase::Terms }
            }
            (Phase::Waiting { since_ms }, Event::OpenLink { witness, link }) => {
                if let Some(id) = self.replay.ledger.next() {
                    let refusal = "this link is not asked for, or does not lead to the one before it";
                    self.try_append(Record::LinkOpened { at_ms, id, witness, link }, refusal, effects);
                }
                match self.replay.on {
                    Some(_) => self.begin(effects),
                    None => Phase::Waiting { since_ms },
                }
            }
            (Phase::Waiting { .. }, Event::AskLinks { nonce }) => {
                if let Some(id) = self.replay.ledger.next() {
                    let refusal = "no links are asked for now";
                    self.try_append(Record::LinksAsked { at_ms, id, nonce }, refusal, effects);
                }
                Phase::Waiting { since_ms: at_ms }
            }
            (Phase::Waiting { since_ms }, Event::PassLinks) => {
                if let Some(id) = self.replay.ledger.next() {
                    let missing = self.replay.ledger.sealing.awaited();
                    let record = Record::LinksPassed { at_ms, id, missing };
                    self.try_append(record, "these links are still waited for", effects);
                }
                match self.replay.on {
                    Some(_) => self.begin(effects),
                    None => Phase::Waiting { since_ms },
                }
            }
            (Phase::Waiting { since_ms }, Event::Reseal(_)) if night => {
                effects.push(Effect::Refuse("a night passes over the links that are missing"));
                Phase::Waiting { since_ms }
            }
            (Phase::Waiting { since_ms }, Event::Reseal(fresh)) => {
                self.reseal(&fresh, at_ms - since_ms, effects)
            }
            (Phase::Announce, Event::Continue) => self.begin(effects),
            (Phase::Rest { since_ms, back, .. }, Event::Continue) => {
                let heard = back.as_ref().map_or(0, |trial| trial.listening.heard_ms.iter().sum());
                let listened_ms = self.replay.ledger.listened_ms + heard;
                let record = Record::Rest { at_ms, listened_ms, rested_ms: at_ms - since_ms };
                if !self.append(record, effects) {
                    return self.take_phase();
                }
                match back {
                    Some(trial) => Phase::Trial(trial),
                    None => self.begin(effects),
                }
            }
            (Phase::Waiting { .. }, Event::Rest) if night => {
                Phase::Rest { since_ms: at_ms, offered: false, back: None }
            }
            (Phase::Announce, Event::Rest) => Phase::Rest { since_ms: at_ms, offered: false, back: None },
            (Phase::Trial(trial), event) => self.in_trial(trial, event, effects),
            (phase, Event::Disturbed { cause: text, .. } | Event::Note { text }) => {
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
        let definition = self.replay.ledger.opening.terms.asked_in(trial.id.part);
        let night = self.replay.ledger.opening.occasion == Occasion::Night;
        settle(&mut trial, at_ms);
        if let Some(why) = self.held_by_round(&trial, &event) {
            effects.push(Effect::Refuse(why));
            return Phase::Trial(trial);
        }
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
            Event::Present(slot) if slot < definition.slots.len() => {
                self.present(&mut trial, slot, effects);
            }
            Event::RoundOver => {
                pause(&mut trial, at_ms, effects);
                trial.in_round = false;
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
                if self.replay.ledger.opening.unheard(trial.id.part, &trial.listening).is_empty() {
                    trial.choice = Some(choice);
                    trial.step = Step::Confirm;
                } else {
                    effects.push(Effect::Refuse("listen to what is asked about before you answer"));
                }
            }
            Event::Back if trial.step == Step::Confirm || trial.step == Step::Confidence => {
                trial.choice = None;
                trial.step = Step::Listen;
            }
            Event::Confirm if trial.step == Step::Confirm => {
                if self.replay.ledger.opening.terms.confidence {
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
            Event::Disturbed { cause, by } => {
                // Before anything was heard there is nothing to disturb, but a round that is cut short could tell.
                if !trial.in_round
                    && trial.listening.listens.iter().all(|&listens| listens == 0)
                    && self.replay.ledger.votes.is_empty()
                {
                    add_event(&mut trial, &cause);
                } else {
                    return self.disturbed(trial, &cause, by, effects);
                }
            }
            Event::Note { text } => add_event(&mut trial, &text),
            Event::CloseVotes
                if night
                    && !self.replay.ledger.opening.unheard(trial.id.part, &trial.listening).is_empty() =>
            {
                effects.push(Effect::Refuse("votes stay open until the room has heard what is asked about"));
            }
            Event::CloseVotes if night => {
                pause(&mut trial, at_ms, effects);
                let voted = self.replay.ledger.votes.len() as u32;
                let seats = self.replay.ledger.taken();
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
        let definition = self.replay.ledger.opening.terms.asked_in(id.part);
        let alias = self.replay.ledger.seats.get(&seat).map(|seat| seat.alias.clone());
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
        let definition = self.replay.ledger.opening.terms.asked_in(trial.id.part);
        let Some(alternative) = trial.choice.and_then(|choice| definition.alternatives.get(choice)) else {
            return Phase::Trial(trial);
        };
        trial.listening.took_ms = at_ms - trial.started_ms;
        let answer = alternative.name.to_owned();
        let record = Record::Answer { at_ms, id: trial.id, answer, confidence, listening: trial.listening };
        self.after(record, effects)
    }

    /// Voids the attempt whose votes were closed last, as long as nothing was heard of the next one.
    fn void_votes(&mut self, phase: Phase, cause: &str, effects: &mut Vec<Effect>) -> Phase {
        let at_ms = self.at_ms;
        let unheard = match &phase {
            Phase::Announce | Phase::Counting | Phase::Waiting { .. } => true,
            Phase::Rest { back, .. } => back.is_none(),
            Phase::Trial(trial) => trial.listening.listens.iter().all(|&listens| listens == 0),
            _ => false,
        };
        let last = self.replay.ledger.attempts.last().map(|last| last.id);
        let (true, Some(id)) = (unheard, last) else {
            effects.push(Effect::Refuse("no trial has just been closed"));
            return phase;
        };
        let before = effects.len();
        let record = Record::VotesVoid { at_ms, id, cause: shorten(cause) };
        self.try_append(record, "the trial before cannot be made void any more", effects);
        let done = matches!(effects.get(before), Some(Effect::Append(_)));
        if done { self.begin(effects) } else { phase }
    }

    /// Appends the record that ends an attempt and goes to what comes next.
    fn after(&mut self, record: Record, effects: &mut Vec<Effect>) -> Phase {
        let part = self.replay.ledger.next().map(|id| id.part);
        if !self.append(record, effects) {
            return self.take_phase();
        }
        if let Some(outcome) = self.replay.tally.ended(&self.replay.ledger) {
            let night =
                self.replay.ledger.opening.occasion == Occasion::Night || self.replay.ledger.measures();
            return if night { Phase::Counting } else { self.finish(outcome, effects) };
        }
        let rest_after_ms = self.replay.ledger.opening.terms.rest_after_minutes * 60_000.0;
        if self.replay.ledger.listened_ms as f64 >= rest_after_ms {
            return Phase::Rest { since_ms: self.at_ms, offered: true, back: None };
        }
        if self.replay.ledger.next().map(|id| id.part) == part {
            self.begin(effects)
        } else {
            Phase::Announce
        }
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
        if !self.replay.ledger.sealing.awaited().is_empty() {
            return Phase::Waiting { since_ms: self.at_ms };
        }
        let Some(presented) = self.replay.on else { return Phase::Done };
        let slots = self.replay.ledger.opening.terms.asked_in(presented.id.part).slots.len();
        let night = self.replay.ledger.opening.occasion == Occasion::Night;
        effects.push(Effect::Load {
            pair: presented.pair(&self.replay.ledger.opening),
            sides: presented.sides(&self.replay.ledger.opening),
            cables: presented.cables(&self.replay.ledger.opening),
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
            in_round: false,
        })
    }

    fn then(&mut self, record: Record, next: Phase, effects: &mut Vec<Effect>) -> Phase {
        if self.append(record, effects) { next } else { self.take_phase() }
    }

    /// Appends a record made of what somebody typed, or refuses it.
    fn try_append(&mut self, record: Record, refusal: &'static str, effects: &mut Vec<Effect>) {
        let texts = match &record {
            Record::Hand { by, text, .. } => fits(by) && fits(text),
            Record::Seat { alias, .. } => fits(alias),
            _ => true,
        };
        if texts && self.replay.take(&record).is_ok() {
            effects.push(Effect::Append(Box::new(record)));
        } else {
            effects.push(Effect::Refuse(refusal));
        }
    }

    fn is_playing(&self) -> bool {
        matches!(&self.phase, Phase::Trial(trial) if trial.counted_ms.is_some())
    }
}
