//! The conductor: a pure state machine, (state, event) to (state, effects).

use super::event::{Effect, Event};
use super::record::{Opening, Record};
use super::seal::Secret;
use super::view::View;

/// Longest name or phrase in bytes.
pub const MAX_TEXT: usize = 4096;

/// Why a journal's records do not lead to a state.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("record {number}: {message}")]
pub struct ReplayError {
    /// Number of the record, from 1.
    pub number: u64,
    /// What is wrong.
    pub message: String,
}

/// Conducts a sitting or a night. Holds the draw and never shows it: [`Conductor::view`] is all that screens get.
#[derive(Debug)]
pub struct Conductor {
    view: View,
}

impl Conductor {
    /// A new sitting; the first effect appends the opening record.
    pub fn open(opening: Opening, secret: Secret) -> (Self, Vec<Effect>) {
        let _ = secret;
        let view = View {
            terms: opening.terms.clone(),
            occasion: opening.occasion,
            listener: opening.listener.clone(),
            commitment: opening.commitment,
            simulated: opening.simulated,
            silent: opening.output.kind == "silent",
            invented: opening.invented,
            receipt: None,
            stage: super::view::Stage::Closing,
        };
        (Self { view }, vec![Effect::Append(Box::new(Record::Opening(Box::new(opening))))])
    }

    /// The state that a journal's records lead to, and the effects that bring the player there.
    pub fn resume(records: &[Record], secret: Secret) -> Result<(Self, Vec<Effect>), ReplayError> {
        let _ = (records, secret);
        Err(ReplayError { number: 1, message: "no opening record".to_owned() })
    }

    /// Takes an event at `at_ms`, milliseconds of the sitting, and says what to do.
    pub fn step(&mut self, at_ms: u64, event: Event) -> Vec<Effect> {
        let _ = (at_ms, event);
        Vec::new()
    }

    /// Milliseconds of the sitting at the last event or record: a resumed sitting's clock starts here.
    pub fn at_ms(&self) -> u64 {
        0
    }

    /// What may be shown.
    pub fn view(&self) -> View {
        self.view.clone()
    }

    /// For simulated listeners only: index of the right alternative of the attempt that is on. `None` for people.
    pub fn simulated_answer(&self) -> Option<usize> {
        None
    }
}
