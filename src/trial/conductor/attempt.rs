//! The attempt that is on: what was listened to so far, and what was chosen.

use super::{Conductor, MAX_EVENTS};
use crate::trial::event::Effect;
use crate::trial::record::{Listening, Presentation, TrialId};
use crate::trial::view::Step;
use crate::trial::waits::MOST_PRESENTATIONS;

/// An attempt that is on.
#[derive(Debug, Clone)]
pub(super) struct Attempting {
    pub(super) id: TrialId,
    pub(super) started_ms: u64,
    /// Time up to which listening is counted, while playing.
    pub(super) counted_ms: Option<u64>,
    pub(super) slot: usize,
    pub(super) region: Option<(u64, u64)>,
    pub(super) choice: Option<usize>,
    pub(super) step: Step,
    pub(super) listening: Listening,
}

/// Counts what was heard up to now.
pub(super) fn settle(trial: &mut Attempting, at_ms: u64) {
    if let Some(counted_ms) = trial.counted_ms {
        trial.listening.heard_ms[trial.slot] += at_ms.saturating_sub(counted_ms);
        trial.counted_ms = Some(at_ms);
    }
}

pub(super) fn pause(trial: &mut Attempting, at_ms: u64, effects: &mut Vec<Effect>) {
    settle(trial, at_ms);
    if trial.counted_ms.take().is_some() {
        effects.push(Effect::Pause);
    }
}

pub(super) fn add_event(trial: &mut Attempting, text: &str) {
    if trial.listening.events.len() < MAX_EVENTS {
        trial.listening.events.push(shorten(text));
    }
}

pub(super) fn shorten(text: &str) -> String {
    text.chars().take(200).collect()
}

impl Conductor {
    /// Begins to connect the real cable of a slot, for as long as the seal says.
    pub(super) fn present(&self, trial: &mut Attempting, slot: usize, effects: &mut Vec<Effect>) {
        let Some(terms) = &self.replay.ledger.opening.terms.switcher else {
            effects.push(Effect::Refuse("no real cables are switched here"));
            return;
        };
        let before = trial.listening.presented.as_ref().map_or(0, Vec::len);
        if before >= MOST_PRESENTATIONS {
            effects.push(Effect::Refuse(
                "this trial has been presented so often that it has to be answered now",
            ));
            return;
        }
        let apart_ms = self.replay.apart_ms(terms, trial.id, before + 1);
        if terms.spread_ms.is_some() {
            let at_ms = self.at_ms;
            trial.listening.presented.get_or_insert_default().push(Presentation { slot, at_ms, apart_ms });
        }
        effects.push(Effect::Connect { slot, apart_ms });
    }
}
