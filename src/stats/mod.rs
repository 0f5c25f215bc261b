//! Everything numeric about answers: pure functions of counts and draws.
//!
//! Comes in: counts, proportions, draws. Goes out: probabilities, intervals, plans. Must not know: files, screens.

pub mod protocol;

pub use protocol::Protocol;
