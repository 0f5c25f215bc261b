//! The real-time engine and its outputs: sound device, WAV file, silent.
//!
//! Comes in: an indexed list of stimuli and commands. Goes out: sound, status and events. Must not know: which side X
//! is, beyond an index.

mod open;
pub mod transport;

pub use open::{OutputChoice, Pace, PlayerError, PlayerOptions, Switch, open};
pub use transport::{OutputDescription, PlayerEvent, Status, Transport};
