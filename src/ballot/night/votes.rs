//! Votes from phones: which are taken, which were sent twice, which are refused.

use super::Night;
use crate::ballot::Refusal;
use crate::ballot::pass::Holder;
use crate::ballot::seats::id_of;
use crate::trial::{Ballot, Effect, Event, TrialId};

impl Night {
    /// A vote from a phone for the trial with this name. `sequence` is the number of the seat's votes so far plus one, so
    /// that nothing is counted twice and an old vote cannot be sent again. A vote that was taken already, sent again
    /// because its answer got lost, is answered in the same way and changes nothing.
    ///
    /// # Errors
    /// Why it is refused.
    pub fn vote(
        &mut self,
        at_ms: u64,
        holder: Holder,
        trial: &str,
        answer: &str,
        sequence: u64,
    ) -> Result<(TrialId, Vec<Effect>), Refusal> {
        self.check(holder)?;
        let alternative = self.definition().alternative(answer).ok_or(Refusal::Alternative)?;
        let seat = self.seats.get(holder.seat).ok_or(Refusal::NotSeated)?;
        let wanted = id_of(trial);
        let earlier = wanted.and_then(|id| self.conductor.vote_of(id, holder.seat));
        if let (Some(id), Some((given, Ballot::Phone))) = (wanted, earlier)
            && given == alternative
            && (sequence == seat.sequence || (self.open && sequence == seat.sequence + 1))
        {
            return Ok((id, Vec::new()));
        }
        if self.over() {
            return Err(Refusal::Over);
        }
        if seat.left {
            return Err(Refusal::Left);
        }
        let Some(view) = self.trial() else { return Err(Refusal::NotOpen) };
        if Some(view.id) != wanted {
            return Err(Refusal::OtherTrial);
        }
        if !self.open {
            return Err(Refusal::NotOpen);
        }
        if sequence != seat.sequence + 1 {
            return Err(Refusal::Replayed);
        }
        let event = Event::Vote { id: view.id, seat: holder.seat, alternative, by: Ballot::Phone };
        Ok((view.id, self.step(at_ms, event)?))
    }
}
