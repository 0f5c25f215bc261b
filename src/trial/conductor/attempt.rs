//! The attempt that is on: what was listened to so far, and what was chosen.

use crate::trial::event::Effect;
use crate::trial::record::{Listening, TrialId};
use crate::trial::view::Step;

/// Most device events that one attempt lists.
const MAX_EVENTS: usize = 50;

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
    /// A round of real cables has begun and is not over.
    pub(super) in_round: bool,
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
