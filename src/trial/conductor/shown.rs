//! What a conductor shows of itself: the [`View`], which holds nothing of the draw before the closing.

use super::attempt::{Attempting, settle};
use super::{Conductor, Phase};
use crate::stats::threshold::Curve;
use crate::trial::hands::Progress;
use crate::trial::record::{Ballot, Opening, Part, TrialId};
use crate::trial::schedule::Subject;
use crate::trial::view::{ResultView, Stage, TrialView, View};

impl Conductor {
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

    /// The opening.
    pub fn opening(&self) -> &Opening {
        &self.replay.ledger.opening
    }

    /// A seat's vote in an attempt of a night that is on or over: the alternative, and how it came.
    pub fn vote_of(&self, id: TrialId, seat: u32) -> Option<(usize, Ballot)> {
        self.replay.ledger.vote(id, seat)
    }

    /// The sealing that is on, with its hands.
    pub fn sealing(&self) -> &crate::trial::hands::Sealing {
        &self.replay.ledger.sealing
    }

    /// When a night asked for the links of the attempt that begins or is on.
    pub fn asked_ms(&self) -> Option<u64> {
        self.replay.ledger.asked_ms
    }

    /// For simulated listeners only: index of the right alternative of the attempt that is on. `None` for people, for
    /// preference, and where A and B are identical: there even a simulated listener must guess.
    pub fn simulated_answer(&self) -> Option<usize> {
        let opening = &self.replay.ledger.opening;
        opening.simulated?;
        let presented = self.replay.on?;
        if let Subject::Control(control) = presented.subject
            && !opening.terms.controls[control].is_positive()
        {
            return None;
        }
        presented.right(opening)
    }

    /// For simulated listeners only: whether the attempt that is on is a control.
    pub fn simulated_control(&self) -> bool {
        self.replay.ledger.opening.simulated.is_some()
            && self.replay.on.is_some_and(|on| matches!(on.subject, Subject::Control(_)))
    }

    /// For simulated listeners only: the probability with which the attempt that is on is answered right. Where a threshold is
    /// looked for, what was agreed on holds for the largest sizes; the size in the middle of the range is heard half as often.
    pub fn simulated_probability(&self) -> Option<f64> {
        let opening = &self.replay.ledger.opening;
        let most = opening.simulated?;
        let level = self.replay.on.and_then(|on| opening.stimuli[on.stimulus].level);
        let Some((terms, level)) = opening.terms.threshold.zip(level) else { return Some(most) };
        let grid = terms.grid(opening.terms.protocol).ok()?;
        let middle = (terms.smallest * terms.largest).sqrt();
        let heard = Curve { threshold: middle, slope: 2.0, lapse: 0.0 }.heard(grid.levels()[level]);
        Some(grid.chance() + (most - grid.chance()) * heard)
    }

    /// For the switch of real cables alone: whether the cable that is named second has the label of terminal 1.
    pub fn labels_turned(&self) -> bool {
        self.replay.labels_turned()
    }

    /// What may be shown.
    pub fn view(&self) -> View {
        let opening = &self.replay.ledger.opening;
        View {
            terms: opening.terms.clone(),
            earlier: opening.earlier.clone().filter(|_| !self.replay.ledger.silent),
            occasion: opening.occasion,
            listener: opening.listener.clone(),
            sitting: opening.sitting,
            register: opening.register,
            commitment: self.replay.ledger.sealing.commitment,
            simulated: opening.simulated,
            silent: self.replay.ledger.silent,
            invented: opening.invented,
            receipt: self.receipt,
            stage: self.stage(&self.phase),
        }
    }

    fn stage(&self, phase: &Phase) -> Stage {
        let next = || self.replay.ledger.next().unwrap_or(TrialId { part: Part::Main, trial: 1, attempt: 1 });
        match phase {
            Phase::Terms => Stage::Terms {
                parties: self.replay.ledger.parties(),
                accepted: self.replay.ledger.accepted.clone(),
            },
            Phase::Sealing => {
                let sealing = &self.replay.ledger.sealing;
                Stage::Sealing {
                    hands: sealing.hands.clone(),
                    opening: sealing.progress == Progress::Opening,
                    started_over: sealing.started_over,
                }
            }
            Phase::Announce => {
                Stage::Announce { next: next(), of: self.replay.ledger.trials_of(next().part) }
            }
            Phase::Waiting { since_ms } => {
                let sealing = &self.replay.ledger.sealing;
                let closed = sealing.witnesses.iter().filter(|witness| !witness.opened);
                Stage::Waiting {
                    next: next(),
                    of: self.replay.ledger.trials_of(next().part),
                    missing: closed.map(|witness| witness.name.clone()).collect(),
                    since_ms: *since_ms,
                }
            }
            Phase::Trial(trial) => Stage::Trial(self.trial_view(trial)),
            Phase::Rest { offered, back, .. } => {
                let heard = back.as_ref().map_or(0, |trial| trial.listening.heard_ms.iter().sum());
                Stage::Rest {
                    listened_ms: self.replay.ledger.listened_ms + heard,
                    offered: *offered,
                    next: next(),
                    of: self.replay.ledger.trials_of(next().part),
                }
            }
            Phase::Counting => Stage::Counting,
            Phase::ConfirmStop(_) => Stage::ConfirmStop { answered: self.replay.ledger.answered() },
            Phase::Stopped(reason) => Stage::Stopped { reason: reason.clone() },
            Phase::Done => match &self.replay.ledger.closing {
                None => Stage::Closing,
                Some(closing) => Stage::Result(ResultView {
                    outcome: closing.outcome,
                    counts: closing.counts.clone(),
                    secret: closing.secret,
                    decisions: self.replay.tally.decisions.clone(),
                    drawn: closing.drawn.clone(),
                    settlement: self.replay.tally.settlement(&self.replay.ledger, closing.outcome),
                }),
            },
        }
    }

    fn trial_view(&self, trial: &Attempting) -> TrialView {
        let terms = &self.replay.ledger.opening.terms;
        let definition = terms.asked_in(trial.id.part);
        let mut now = trial.clone();
        settle(&mut now, self.at_ms);
        now.listening.took_ms = self.at_ms - now.started_ms;
        let heard: u64 = now.listening.heard_ms.iter().sum();
        TrialView {
            id: now.id,
            of: self.replay.ledger.trials_of(now.id.part),
            question: definition.question(terms.attribute.as_deref()),
            slots: definition.slots,
            alternatives: definition.alternatives,
            step: now.step,
            slot: now.slot,
            playing: now.counted_ms.is_some(),
            region: now.region,
            choice: now.choice,
            round: self.rounds_of(&now),
            still_to_hear: self.replay.ledger.opening.still_to_hear(now.id.part, &now.listening),
            at_ms: self.at_ms,
            unheard: self.replay.ledger.opening.unheard(now.id.part, &now.listening),
            listening: now.listening,
            voted: self.replay.ledger.votes.keys().copied().collect(),
            seats: self.replay.ledger.taken(),
            listened_ms: self.replay.ledger.listened_ms + heard,
        }
    }
}
