//! What a conductor shows of itself: the [`View`], which holds nothing of the draw before the closing.

use super::attempt::{Attempting, settle};
use super::{Conductor, Phase};
use crate::trial::hands::Progress;
use crate::trial::record::{Part, TrialId};
use crate::trial::view::{ResultView, Stage, TrialView, View};

impl Conductor {
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
