//! What happened in a trial, or before the first one, as records hold it.

use serde::{Deserialize, Serialize};

/// What a listener did in one attempt.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Listening {
    /// Times that each slot was started or switched to, in the protocol's order.
    pub listens: Vec<u32>,
    /// Milliseconds that each slot was heard.
    pub heard_ms: Vec<u64>,
    /// Switches from one slot to another.
    pub switches: u32,
    /// Milliseconds from the start of the attempt to its end.
    pub took_ms: u64,
    /// Device events that did not make it void.
    pub events: Vec<String>,
    /// Format 2, where real cables are switched at times from the seal: each presentation that was begun, in order.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub presented: Option<Vec<Presentation>>,
}

/// A presentation over a real cable, from its first step on. Which terminal it went to is not written.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Presentation {
    /// Index of the slot; from the number of slots on a silent filling of its [round](super::rounds).
    pub slot: usize,
    /// Time of the sitting in milliseconds at which everything was disconnected.
    pub at_ms: u64,
    /// Milliseconds for which nothing was connected; the terms' `settle_ms` comes after them. See [`waits`](super::waits).
    pub apart_ms: u64,
}

/// How a vote of a night reached the host.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Ballot {
    /// From the listener's phone.
    Phone,
    /// On paper, entered by the host.
    Paper,
}

/// The person by whose word an attempt is void, where it was not the sound.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum VoidedBy {
    /// The host of a night.
    Host,
}

/// Why an attempt does not count.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Voided {
    /// What disturbed it.
    pub cause: String,
    /// Who said so, where it was a person.
    pub by: Option<VoidedBy>,
}

/// What a room hears with open ears.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Demonstration {
    /// Side A and side B, by name.
    Sides,
    /// Side A, and the same softer.
    LevelStep,
    /// A, B and one of them again, which is told afterwards.
    Practice,
}
