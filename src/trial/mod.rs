//! Protocols, random draws, seal, journal, and the conductor.
//!
//! Comes in: a [`Session`](crate::session::Session) with the digests of its stimuli, and events. Goes out: effects,
//! records, and what the opened seal proves. Must not know: screens, sound devices, clocks.

pub mod against;
pub mod balance;
pub mod chain;
mod clock;
pub mod closing;
pub mod conductor;
pub mod copy;
pub mod digest;
pub mod draft;
mod earlier;
pub mod event;
pub mod format;
pub mod hands;
mod happened;
pub mod journal;
pub mod journal_writer;
pub mod ledger;
mod listened;
pub mod lock;
pub mod output;
mod part;
pub mod positions;
pub mod private;
pub mod protocol;
pub mod record;
pub mod register;
mod register_view;
pub mod replay;
mod resolution;
pub mod rest;
pub mod rounds;
pub mod schedule;
pub mod score;
pub mod seal;
pub mod sittings;
pub mod terms;
pub mod told;
pub mod training;
pub mod verify;
pub mod view;
pub mod wager;
pub mod waits;
pub mod witness;
pub mod words;

pub use closing::Decision;
pub use conductor::Conductor;
pub use digest::Digest;
pub use draft::Draft;
pub use event::{Effect, Event};
pub use journal_writer::JournalWriter;
pub use protocol::{Alternative, Definition, Side, Slot};
pub use record::{
    Ballot, Closing, Counts, Demonstration, Listening, Occasion, Opening, Outcome, Output, OutputKind, Part,
    Record, Terms, TrialId, VoidedBy,
};
pub use seal::Secret;
pub use sittings::{Opened, Sittings, SittingsError, Unfinished};
pub use verify::{Answered, Checked};
pub use view::{ResultView, Stage, Step, TrialView, View};
