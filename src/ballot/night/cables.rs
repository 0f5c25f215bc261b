//! Real cables on a night: each silence is long enough to connect one, and nothing is presented before that may begin.

use super::{Night, Show};
use crate::ballot::presentation::{Moment, moment};
use crate::trial::{Effect, Event, Part, Terms, rounds};

/// How late a turn of the host's thread may be, for a real cable to be connected in time all the same.
const SLACK_MS: u64 = 500;

impl Night {
    /// The same night with real cables, where these terms have some: each silence is long enough to connect one.
    #[must_use]
    pub fn through(mut self, terms: &Terms) -> Self {
        if let Some(switcher) = &terms.switcher {
            let longest_ms = switcher.apart_ms + switcher.spread_ms.unwrap_or(0) + switcher.settle_ms;
            self.timing.gap_ms = self.timing.gap_ms.max(longest_ms + SLACK_MS);
            self.switched_ms = Some(switcher.apart_ms);
        }
        self
    }

    /// Milliseconds of silence before each stimulus.
    pub fn gap_ms(&self) -> u64 {
        self.timing.gap_ms
    }

    /// Open ears are on.
    pub fn hears_ears(&self) -> bool {
        self.ears.is_some()
    }

    /// Whether a presentation has to wait until it is confirmed that nothing is connected.
    pub fn hold(&mut self, held: bool) {
        self.held = held;
    }

    /// Which presentation is on so long after the first one began, from 0.
    pub(super) fn place(&self, since_ms: u64) -> u64 {
        since_ms / (self.timing.gap_ms + self.clip_ms.max(1))
    }

    /// Silent fillings of a round.
    pub fn fillings(&self) -> usize {
        rounds::fillings(&self.opening().terms, Part::Main)
    }

    /// Real cables come in rounds that nobody cuts short.
    pub(super) fn in_rounds(&self) -> bool {
        rounds::connections(&self.opening().terms, Part::Main).is_some()
    }

    /// A round of real cables is being presented.
    pub(super) fn is_in_round(&self) -> bool {
        self.trial().and_then(|trial| trial.round).is_some_and(|round| round.at.is_some())
    }

    /// Whether this place of a round is a silent filling.
    pub(super) fn is_filling(&self, place: usize) -> bool {
        self.ears.is_none() && place >= self.definition().slots.len()
    }

    /// Rounds of real cables that the attempt that is on has had.
    pub(super) fn rounds_before(&self) -> usize {
        let round = self.trial().and_then(|trial| trial.round);
        round.map_or(0, |round| round.number - usize::from(round.at.is_none()))
    }

    /// What is heard at a time of a presentation that began at `since_ms`. In rounds of real cables a `slot` may be a silent
    /// filling.
    pub(super) fn moment(&self, since_ms: u64, before: usize, at_ms: u64) -> Moment {
        let since_ms = at_ms.saturating_sub(since_ms);
        if let Some(ears) = self.ears {
            return moment(since_ms, ears.labels().len(), self.clip_ms, self.timing.gap_ms, 1);
        }
        let slots = self.definition().slots.len() + self.fillings();
        let now = moment(since_ms, slots, self.clip_ms, self.timing.gap_ms, self.timing.rounds);
        let number = before + 1 + self.place(since_ms) as usize / slots;
        self.conductor.round(number).map_or(now, |order| now.in_order(&order))
    }

    /// In the silence before a stimulus its real cable is connected, each time by the same steps.
    pub(super) fn connect_next(
        &mut self,
        at_ms: u64,
        since_ms: u64,
        begun: Option<u64>,
        moment: Moment,
        effects: &mut Vec<Effect>,
    ) {
        let (Some(apart_ms), Moment::Gap { next: slot, .. }) = (self.switched_ms, moment) else { return };
        let place = self.place(at_ms.saturating_sub(since_ms));
        if begun == Some(place) {
            return;
        }
        if let Show::Presenting { begun, .. } = &mut self.show {
            *begun = Some(place);
        }
        if self.ears.is_some() {
            effects.push(Effect::Connect { slot, apart_ms });
        } else {
            // In rounds the conductor knows what comes next.
            let slot = if self.in_rounds() { 0 } else { slot };
            self.push(at_ms, Event::Present(slot), effects);
        }
    }
}
