//! The real-time engine and its outputs: sound device, WAV file, silent.
//!
//! Comes in: an indexed list of stimuli and commands. Goes out: sound, status and events. Must not know: which side X
//! is, beyond an index.

pub mod transport;

pub use transport::{OutputDescription, PlayerEvent, Status, Transport};
