//! What an attempt must have presented before its answer stands in the ledger.

use super::ledger::{Ledger, allowed};
use super::record::{Listening, TrialId};
use super::rounds;
use super::waits::MOST_PRESENTATIONS;

impl Ledger {
    /// Refuses what was heard without having been connected, where cables are switched at times from the seal.
    pub(super) fn presented(&self, id: TrialId, listening: &Listening) -> Result<(), String> {
        let sealed = self.opening.terms.switcher.as_ref().is_some_and(|terms| terms.spread_ms.is_some());
        let presented = listening.presented.as_deref().unwrap_or_default();
        allowed(
            sealed || listening.presented.is_none(),
            "presentations of a sitting without switched cables",
        )?;
        let slots = listening.listens.len();
        let orderly = presented.windows(2).all(|pair| pair[0].at_ms <= pair[1].at_ms);
        allowed(
            orderly && presented.len() <= MOST_PRESENTATIONS,
            "the times of the presentations run backwards",
        )?;
        allowed(
            presented.iter().all(|own| own.slot < slots + rounds::fillings(&self.opening.terms, id.part)),
            "a presentation of a slot that does not exist",
        )?;
        let connected = |slot: usize| presented.iter().any(|own| own.slot == slot);
        let heard = (0..slots).filter(|&slot| listening.heard_ms[slot] > 0);
        allowed(
            !sealed || heard.into_iter().all(connected),
            "something was heard over a cable that was never connected",
        )
    }

    /// Refuses an answer, or the end of a vote, before whole rounds were presented, where cables come in filled rounds. What
    /// simulates its answers may do without any.
    fn in_whole_rounds(&self, id: TrialId, listening: &Listening) -> Result<(), String> {
        let Some([a, b]) = rounds::connections(&self.opening.terms, id.part) else { return Ok(()) };
        let presented = listening.presented.as_ref().map_or(0, Vec::len);
        let some = presented > 0 || self.opening.simulated.is_some();
        allowed(
            some && presented.is_multiple_of(a + b),
            format!(
                "{presented} presentations before an answer, which is no whole number of rounds of {}",
                a + b
            ),
        )
    }

    /// Refuses an answer, or the end of a vote, before what is asked about was heard for the agreed time. In format 1 no time
    /// was agreed on.
    pub(super) fn heard(&self, id: TrialId, listening: &Listening) -> Result<(), String> {
        if self.opening.format < 2 {
            return Ok(());
        }
        self.in_whole_rounds(id, listening)?;
        match self.opening.unheard(id.part, listening).first() {
            None => Ok(()),
            Some(slot) => Err(format!(
                "{} was heard for {} ms, less than the {} ms agreed on before an answer",
                self.opening.terms.asked_in(id.part).slots[*slot].label,
                listening.heard_ms[*slot],
                self.opening.terms.heard_at_least_ms.unwrap_or(0)
            )),
        }
    }
}
