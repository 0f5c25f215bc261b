//! How a conductor seals, goes on under a fresh secret, and opens everything at the end.

use super::{Conductor, INTERRUPTED, Phase};
use crate::trial::Digest;
use crate::trial::event::Effect;
use crate::trial::hands::Progress;
use crate::trial::record::{Closing, Listening, Outcome, Output, Record, Unsealed};
use crate::trial::seal::Secret;

impl Conductor {
    /// The records with which a sitting that was cut off goes on: what was being presented is void, and a fresh secret is
    /// committed to, which draws every trial that has not been answered.
    pub fn going_on(
        &self,
        fresh: &Secret,
        utc: &str,
        program: &str,
        torn_bytes: u64,
        output: Output,
    ) -> Vec<Record> {
        let ledger = &self.replay.ledger;
        let mut records = Vec::new();
        // Of an attempt whose links were not all opened nothing was heard.
        let interrupted = self.replay.tally.ended(ledger).is_none() && self.replay.on.is_some();
        if let (true, Some(id)) = (interrupted, ledger.next()) {
            let slots = ledger.opening.terms.asked_in(id.part).slots.len();
            let listening =
                Listening { listens: vec![0; slots], heard_ms: vec![0; slots], ..Listening::default() };
            let cause = INTERRUPTED.to_owned();
            records.push(Record::Void { at_ms: ledger.at_ms, id, cause, listening, by: None });
        }
        records.push(Record::Resumed {
            at_ms: ledger.at_ms,
            utc: utc.to_owned(),
            program: program.to_owned(),
            torn_bytes,
            output,
            commitment: Some(fresh.commitment(ledger.opening.format)),
            proof: None,
        });
        records
    }

    /// Links stayed closed: begins a sealing under a fresh secret.
    pub(super) fn reseal(&mut self, fresh: &Secret, waited_ms: u64, effects: &mut Vec<Effect>) -> Phase {
        self.secrets.push(fresh.clone());
        self.replay.add_secret(fresh.clone());
        effects.push(Effect::KeepSecret(fresh.clone()));
        let ledger = &self.replay.ledger;
        let record = Record::Resealed {
            at_ms: self.at_ms,
            lost: ledger.sealing.awaited(),
            waited_ms,
            commitment: fresh.commitment(ledger.opening.format),
            // The writer adds it: only there is the chain's head known.
            proof: None,
        };
        self.then(record, Phase::Sealing, effects)
    }

    pub(super) fn close(&mut self, outcome: Outcome, effects: &mut Vec<Effect>) {
        self.replay.tally = self.replay.final_tally();
        let ledger = &self.replay.ledger;
        let format = ledger.opening.format;
        let mut opened = self
            .secrets
            .iter()
            .zip(ledger.earlier.iter().chain([&ledger.sealing]))
            .map(|(secret, sealing)| Unsealed {
                secret: Digest(*secret.bytes()),
                key: secret.key(format, sealing.bytes()),
            })
            .collect::<Vec<_>>();
        let Some(Unsealed { secret, key }) = opened.pop() else { return };
        let closing = Closing {
            at_ms: self.at_ms,
            outcome,
            secret,
            key,
            counts: self.replay.tally.counts.clone(),
            simulated: ledger.opening.simulated,
            earlier: (format >= 2).then_some(opened),
            // The writer adds it: only there is the chain's head known.
            proof: None,
            // The writer, which has the register, says what has come since.
            register: (format >= 2).then_some(ledger.opening.register),
            sittings: ledger.opening.sitting,
            drawn: self.replay.once().cloned(),
        };
        if self.append(Record::Closing(Box::new(closing)), effects) {
            effects.push(Effect::Close);
        }
    }

    /// Closes the hands where phones gave some, starts over where some stayed closed, else makes the key.
    pub(super) fn seal(&mut self, effects: &mut Vec<Effect>) -> Phase {
        let at_ms = self.at_ms;
        let sealing = &self.replay.ledger.sealing;
        let closed = sealing.closed();
        let hands = sealing.hands.len() as u32;
        let (record, next) = match (closed.len(), sealing.progress) {
            (0, _) => (Record::Sealed { at_ms, phrases: None, hands: Some(hands) }, Phase::Announce),
            (count, Progress::Taking) => {
                (Record::HandsClosed { at_ms, closed: count as u32 }, Phase::Sealing)
            }
            (_, _) => (Record::HandsVoid { at_ms, closed }, Phase::Sealing),
        };
        self.then(record, next, effects)
    }
}
