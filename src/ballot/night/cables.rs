//! Real cables on a night: each silence is long enough to connect one, and nothing is presented before that may begin.

use super::{Night, Show};
use crate::ballot::presentation::Moment;
use crate::trial::{Effect, Event, Terms};

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
        let place = at_ms.saturating_sub(since_ms) / (self.timing.gap_ms + self.clip_ms.max(1));
        if begun == Some(place) {
            return;
        }
        if let Show::Presenting { begun, .. } = &mut self.show {
            *begun = Some(place);
        }
        if self.ears.is_some() {
            effects.push(Effect::Connect { slot, apart_ms });
        } else {
            self.push(at_ms, Event::Present(slot), effects);
        }
    }
}
