//! Attempts in the conductor's hands: rounds of real cables, and attempts that were disturbed.

use super::attempt::{Attempting, pause, shorten};
use super::{Conductor, Phase};
use crate::trial::event::{Effect, Event};
use crate::trial::record::{Presentation, Record, TrialId, VoidedBy};
use crate::trial::rounds;
use crate::trial::view::RoundView;
use crate::trial::waits::MOST_PRESENTATIONS;

impl Conductor {
    /// Presentations of a round, or 1.
    fn places(&self, id: TrialId) -> usize {
        rounds::connections(&self.replay.ledger.opening.terms, id.part).map_or(1, |[a, b]| a + b)
    }

    /// The places of the round with this number of the attempt that is on, in their order; `None` where cables do not come in
    /// filled rounds.
    pub fn round(&self, number: usize) -> Option<Vec<usize>> {
        self.replay.round(self.replay.on?.id, number)
    }

    /// Why something has to wait for the end of a round of real cables: whoever cut it short could tell the person who
    /// connects them what is in it. What simulates its answers may do without any round.
    pub(super) fn held_by_round(&self, trial: &Attempting, event: &Event) -> Option<&'static str> {
        let opening = &self.replay.ledger.opening;
        let filled = rounds::connections(&opening.terms, trial.id.part).is_some();
        match event {
            Event::Choose(_) | Event::CloseVotes | Event::Rest | Event::Stop if trial.in_round => {
                Some("a round goes on to its end by itself; answer, rest or stop after it")
            }
            Event::Choose(_) | Event::CloseVotes
                if filled && opening.simulated.is_none() && trial.listening.presented.is_none() =>
            {
                Some("listen to a whole round before you answer")
            }
            _ => None,
        }
    }

    /// The round that is on or comes next.
    pub(super) fn rounds_of(&self, trial: &Attempting) -> Option<RoundView> {
        let presented = trial.listening.presented.as_ref().map_or(0, Vec::len);
        let places = self.places(trial.id);
        // While nothing is on, the next one.
        let number = if trial.in_round { presented.div_ceil(places) } else { presented / places + 1 };
        let order = self.replay.round(trial.id, number)?;
        let at = trial.in_round.then(|| (presented - 1) % places);
        Some(RoundView { number, order, at })
    }

    /// Begins to connect the real cable of a slot, for as long as the seal says; in rounds, of the place that comes next.
    pub(super) fn present(&self, trial: &mut Attempting, slot: usize, effects: &mut Vec<Effect>) {
        let Some(terms) = &self.replay.ledger.opening.terms.switcher else {
            effects.push(Effect::Refuse("no real cables are switched here"));
            return;
        };
        let before = trial.listening.presented.as_ref().map_or(0, Vec::len);
        let places = self.places(trial.id);
        if before + places > MOST_PRESENTATIONS && (places == 1 || before.is_multiple_of(places)) {
            effects.push(Effect::Refuse(
                "this trial has been presented so often that it has to be answered now",
            ));
            return;
        }
        let round = self.replay.round(trial.id, before / places + 1);
        let slot = round.as_ref().map_or(slot, |order| order[before % places]);
        if round.is_some() {
            pause(trial, self.at_ms, effects);
            trial.in_round = true;
            if slot < trial.listening.listens.len() {
                trial.listening.switches += u32::from(slot != trial.slot);
                trial.slot = slot;
                effects.push(Effect::SwitchTo(slot));
            }
        }
        let apart_ms = self.replay.apart_ms(terms, trial.id, before + 1);
        if terms.spread_ms.is_some() {
            let at_ms = self.at_ms;
            trial.listening.presented.get_or_insert_default().push(Presentation { slot, at_ms, apart_ms });
        }
        effects.push(Effect::Connect { slot, apart_ms });
    }

    /// The attempt is void, and another one at the same trial begins.
    pub(super) fn disturbed(
        &mut self,
        mut trial: Attempting,
        cause: &str,
        by: Option<VoidedBy>,
        effects: &mut Vec<Effect>,
    ) -> Phase {
        let at_ms = self.at_ms;
        pause(&mut trial, at_ms, effects);
        trial.listening.took_ms = at_ms - trial.started_ms;
        let (id, cause, listening) = (trial.id, shorten(cause), trial.listening);
        if self.append(Record::Void { at_ms, id, cause, listening, by }, effects) {
            self.begin(effects)
        } else {
            self.take_phase()
        }
    }
}
