//! A journal's records taken with the secrets of its sealings: what was drawn for each attempt, and what it adds up to.
//!
//! The conductor runs through this with the secrets it keeps, the verifier with those that the closing opened.

use super::closing::DrawnOnce;
use super::digest::Digest;
use super::ledger::Ledger;
use super::record::{Closing, Listening, Opening, Record, SwitcherTerms, TrialId};
use super::rounds;
use super::schedule::{Draws, Presented};
use super::score::RunningCounts;
use super::seal::Secret;
use super::waits;
use super::witness::trial_key;

/// Records so far, with everything that was drawn for them.
#[derive(Debug)]
pub struct Replay {
    /// What the records add up to.
    pub ledger: Ledger,
    /// The attempt that is on or comes next, drawn.
    pub on: Option<Presented>,
    /// What was drawn for each of the ledger's attempts.
    pub presented: Vec<Presented>,
    /// Counts, attempt by attempt as they were finished.
    pub tally: RunningCounts,
    secrets: Vec<Secret>,
    draws: Option<Draws>,
    /// Of the sealing that is on, once it is made.
    key: Option<Digest>,
}

impl Replay {
    /// Begins with an opening and the secrets of the sealings, in order.
    ///
    /// # Errors
    /// What cannot be conducted.
    pub fn new(opening: Opening, secrets: Vec<Secret>) -> Result<Self, String> {
        let tally = RunningCounts::new(&opening);
        let ledger = Ledger::new(opening)?;
        Ok(Self { ledger, on: None, presented: Vec::new(), tally, secrets, draws: None, key: None })
    }

    /// Begins with an opening and the secrets that its closing opened.
    ///
    /// # Errors
    /// What cannot be conducted.
    pub fn opened(opening: &Opening, closing: &Closing) -> Result<Self, String> {
        let secrets = closing.opened().iter().map(|opened| Secret::from_bytes(opened.secret.0)).collect();
        Self::new(opening.clone(), secrets)
    }

    /// What was drawn once for the whole sitting; `None` before the sealing, and where nothing is.
    pub fn once(&self) -> Option<&DrawnOnce> {
        self.draws.as_ref().and_then(Draws::once)
    }

    /// The secret of the sealing that is on.
    ///
    /// # Errors
    /// It is missing, or is not the one that was committed to.
    pub fn secret(&self) -> Result<&Secret, String> {
        let secret =
            self.secrets.get(self.ledger.earlier.len()).ok_or("the secret of a sealing is missing")?;
        if secret.commitment(self.ledger.opening.format) == self.ledger.sealing.commitment {
            Ok(secret)
        } else {
            Err("the secret is not the one that was committed to".to_owned())
        }
    }

    /// The secret of a sealing that is about to begin.
    pub(super) fn add_secret(&mut self, fresh: Secret) {
        self.secrets.push(fresh);
    }

    /// Takes a record into everything that lasts.
    ///
    /// # Errors
    /// Why it cannot stand here.
    pub fn take(&mut self, record: &Record) -> Result<(), String> {
        let finished = self.ledger.attempts.len();
        if let Record::Answer { id, listening, .. }
        | Record::Void { id, listening, .. }
        | Record::VotesClosed { id, listening, .. } = record
        {
            self.check_waits(*id, listening)?;
            self.check_rounds(*id, listening)?;
        }
        self.ledger.apply(record)?;
        match record {
            Record::Sealed { .. } => self.seal()?,
            // Nothing is drawn until the fresh secret is sealed; without one the draws go on.
            Record::Resumed { commitment: Some(_), .. } | Record::Resealed { .. } => self.on = None,
            Record::LinkOpened { .. } | Record::LinksPassed { .. }
                if self.ledger.sealing.awaited().is_empty() =>
            {
                self.draw_next()?;
            }
            // What was drawn for the next trial is dropped, and this one is drawn anew.
            Record::VotesVoid { .. } => {
                self.tally = self.final_tally();
                self.draw_next()?;
            }
            _ => {}
        }
        if self.ledger.attempts.len() > finished
            && let (Some(attempt), Some(presented)) = (self.ledger.attempts.last(), self.on)
        {
            self.tally.add(&self.ledger.opening, attempt, &presented);
            self.presented.push(presented);
            self.draw_next()?;
        }
        Ok(())
    }

    /// Milliseconds for which nothing is connected in the presentation with this number of an attempt.
    pub fn apart_ms(&self, terms: &SwitcherTerms, id: TrialId, number: usize) -> u64 {
        self.key.map_or(terms.apart_ms, |key| waits::apart_ms(&key, terms, id, number))
    }

    /// The places of a round of an attempt in their order; `None` where cables do not come in filled rounds.
    pub fn round(&self, id: TrialId, number: usize) -> Option<Vec<usize>> {
        let [a, b] = rounds::connections(&self.ledger.opening.terms, id.part)?;
        Some(rounds::order(self.key.as_ref()?, id, number, a + b))
    }

    /// Whether the seal that is on gives the cable that is named second the label of terminal 1.
    pub fn labels_turned(&self) -> bool {
        let terms = self.ledger.opening.terms.switcher.as_ref();
        self.key.zip(terms).is_some_and(|(key, terms)| waits::labels_turned(&key, terms))
    }

    /// Holds what came in which round against the seal.
    fn check_rounds(&self, id: TrialId, listening: &Listening) -> Result<(), String> {
        let Some([a, b]) = rounds::connections(&self.ledger.opening.terms, id.part) else { return Ok(()) };
        let presented = listening.presented.as_deref().unwrap_or_default();
        for (index, own) in presented.chunks(a + b).enumerate() {
            let order = self.round(id, index + 1).ok_or("a round before the draws were sealed")?;
            if own.iter().map(|own| own.slot).ne(order.into_iter().take(own.len())) {
                return Err(format!("round {} came in another order than the seal says", index + 1));
            }
        }
        Ok(())
    }

    /// Holds the times of presentations against the seal.
    fn check_waits(&self, id: TrialId, listening: &Listening) -> Result<(), String> {
        let Some(terms) = &self.ledger.opening.terms.switcher else { return Ok(()) };
        let presented = listening.presented.iter().flatten().enumerate();
        match presented.into_iter().find(|(at, own)| own.apart_ms != self.apart_ms(terms, id, at + 1)) {
            None => Ok(()),
            Some((at, own)) => Err(format!(
                "nothing was connected for {} ms before presentation {}, and the seal says {} ms",
                own.apart_ms,
                at + 1,
                self.apart_ms(terms, id, at + 1)
            )),
        }
    }

    fn seal(&mut self) -> Result<(), String> {
        let key = self.secret()?.key(self.ledger.opening.format, self.ledger.sealing.bytes());
        match (&mut self.draws, self.ledger.next()) {
            (None, _) => {
                self.draws = Some(Draws::new(&self.ledger.opening, key));
            }
            (Some(draws), Some(next)) => draws.seal_anew(key, next),
            (Some(_), None) => {}
        }
        self.key = Some(key);
        self.draw_next()
    }

    /// What comes next: sides and clip from the key, the size from the answers. With witnesses nothing before all of them
    /// have opened their links, and everything from those.
    fn draw_next(&mut self) -> Result<(), String> {
        let sealing = &self.ledger.sealing;
        self.on = match (self.ledger.next(), self.draws.as_mut()) {
            (Some(next), Some(draws)) if sealing.awaited().is_empty() => {
                if let (false, Some(key)) = (sealing.witnesses.is_empty(), &self.key) {
                    draws.draw_anew(trial_key(key, &sealing.links()), next);
                }
                draws.present(next)
            }
            _ => None,
        };
        if let Some(drawn) = self.on
            && let Some(level) = self.tally.level(drawn.id.part, drawn.subject)
        {
            self.on = Some(drawn.at_level(&self.ledger.opening, level)?);
        }
        Ok(())
    }

    /// The tally of everything, ballots on paper that came after their trial was counted among them.
    pub fn final_tally(&self) -> RunningCounts {
        RunningCounts::of(&self.ledger, &self.presented)
    }
}
