//! Time has passed: what the presentation and the countdown do by themselves.

use super::{Night, Show};
use crate::ballot::presentation::Moment;
use crate::trial::{Ballot, Effect, Event};

/// So long everybody may still change a vote after the last one came, where votes close by themselves.
const CHANGE_OF_MIND_MS: u64 = 3000;

impl Night {
    /// Every phone that is there has voted in the trial whose votes are open.
    fn everybody_voted(&self) -> bool {
        let Some(id) = self.voting() else { return false };
        let mut phones =
            self.seats.iter().filter(|(_, seat)| seat.by == Ballot::Phone && !seat.left).peekable();
        phones.peek().is_some() && phones.all(|(number, _)| self.conductor.vote_of(id, number).is_some())
    }

    /// Time has passed: what the presentation and the countdown do by themselves.
    pub fn tick(&mut self, at_ms: u64) -> Vec<Effect> {
        let mut effects = Vec::new();
        match self.show {
            Show::Presenting { since_ms, playing, begun, before } => {
                let moment = self.moment(since_ms, before, at_ms);
                self.connect_next(at_ms, since_ms, begun, moment, &mut effects);
                let now = match moment {
                    Moment::Playing { slot, .. } if !self.is_filling(slot) => Some(slot),
                    Moment::Playing { .. } | Moment::Gap { .. } | Moment::Over => None,
                };
                if now != playing {
                    if playing.is_some() {
                        self.push(at_ms, Event::Pause, &mut effects);
                    }
                    if let Some(slot) = now {
                        self.start_slot(at_ms, slot, &mut effects);
                    }
                    if let Show::Presenting { playing, .. } = &mut self.show {
                        *playing = now;
                    }
                }
                if moment == Moment::Over {
                    if self.in_rounds() && self.ears.is_none() {
                        self.push(at_ms, Event::RoundOver, &mut effects);
                    }
                    // A clip shorter than the agreed time is presented again until the room has heard enough of it.
                    if self.ears.is_some() {
                        self.show = Show::Quiet;
                    } else if self.trial().is_some_and(|trial| !trial.unheard.is_empty()) {
                        self.present(at_ms);
                    } else {
                        self.show = Show::Quiet;
                        self.open_votes(at_ms);
                    }
                }
            }
            Show::Hand { until_ms, .. } if at_ms >= until_ms => {
                self.show = Show::Quiet;
                self.push(at_ms, Event::Pause, &mut effects);
            }
            _ => {}
        }
        if self.when_all && self.everybody_voted() {
            let soon = at_ms + CHANGE_OF_MIND_MS;
            self.deadline_ms = Some(self.deadline_ms.map_or(soon, |deadline| deadline.min(soon)));
        }
        if self.show == Show::Quiet && self.open && self.deadline_ms.is_some_and(|deadline| at_ms >= deadline)
        {
            self.close_votes(at_ms, &mut effects);
        }
        let due = self.start_ms.is_some_and(|start| at_ms >= start) && !self.held;
        if self.show == Show::Quiet && !self.open && due {
            self.start_ms = None;
            if self.trial().is_some() || self.ears.is_some() {
                self.present(at_ms);
            } else {
                effects.extend(self.ask_links(at_ms).unwrap_or_default());
            }
        }
        self.links_in_time(at_ms, &mut effects);
        effects
    }

    pub(super) fn push(&mut self, at_ms: u64, event: Event, effects: &mut Vec<Effect>) {
        // With open ears no trial is on, and the conductor has nothing to do with what plays.
        if self.ears.is_some() {
            effects.extend(match event {
                Event::Select(slot) => Some(Effect::SwitchTo(slot)),
                Event::Seek(frame) => Some(Effect::Seek(frame)),
                Event::Play => Some(Effect::Play),
                Event::Pause => Some(Effect::Pause),
                _ => None,
            });
            return;
        }
        effects.extend(self.step(at_ms, event).unwrap_or_default());
    }

    pub(super) fn start_slot(&mut self, at_ms: u64, slot: usize, effects: &mut Vec<Effect>) {
        for event in [Event::Select(slot), Event::Seek(0), Event::Play] {
            self.push(at_ms, event, effects);
        }
    }

    pub(super) fn present(&mut self, at_ms: u64) {
        self.deadline_ms = None;
        // It begins by itself as soon as nothing is connected any more.
        self.start_ms = self.held.then_some(at_ms);
        if !self.held {
            let before = self.rounds_before();
            self.show = Show::Presenting { since_ms: at_ms, playing: None, begun: None, before };
        }
    }

    pub(super) fn open_votes(&mut self, at_ms: u64) {
        self.open = true;
        self.deadline_ms = Some(at_ms + self.timing.vote_ms);
    }

    pub(super) fn close_votes(&mut self, at_ms: u64, effects: &mut Vec<Effect>) {
        self.quiet();
        self.push(at_ms, Event::CloseVotes, effects);
        if let Some(pause_ms) = self.timing.pause_ms
            && (self.trial().is_some() || self.waiting().is_some())
        {
            self.start_ms = Some(at_ms + pause_ms);
        }
    }
}
