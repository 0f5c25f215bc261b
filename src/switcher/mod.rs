//! Real cables, switched: a relay or a person connects one of two terminals, always by the same steps at the same times.
//!
//! Comes in: what the session says of the switch ([`crate::session::Switcher`]), and which terminal is to be heard. Goes
//! out: bytes to a relay or tasks for a person, and whether it is connected. Must not know: which side X is, trials, listeners.
//!
//! | file | question |
//! | --- | --- |
//! | [`ritual`] | which step is due, and did the relay keep to its time? |
//! | [`relay`] | how is a relay spoken to? |
//! | [`board`] | what is a person told who is the switch? |
//! | `worker` | who waits for the switch while the screen goes on? |
//!
//! The line protocol of a relay, one line each way at 9600 baud, eight bits, no parity: `0`, `1` or `2` and a line feed;
//! it connects nothing, terminal 1 or terminal 2, and answers `ok` once its contacts have moved. `?` asks what is connected,
//! and it answers `0`, `1` or `2`, read back from its contacts where it can. Anything else it answers is an error.

pub mod board;
pub mod relay;
pub mod ritual;
mod worker;

pub use board::{Board, Operator, Task};
pub use relay::open;
pub use ritual::{Due, Ritual, Timing};
pub use worker::Worker;

/// What a relay connects.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Terminal {
    /// Nothing: between presentations, and at the end.
    Parked,
    /// Terminal 1.
    One,
    /// Terminal 2.
    Two,
}

impl Terminal {
    /// The digit of the line protocol.
    pub fn digit(self) -> &'static str {
        match self {
            Self::Parked => "0",
            Self::One => "1",
            Self::Two => "2",
        }
    }
}

/// Why a switch cannot be trusted. No message says which terminal was asked for: a listener may read it.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum SwitchError {
    /// The port or program cannot be opened or started.
    #[error("the switch {name} cannot be reached: {reason}; check its name and that nothing else uses it")]
    Unreachable {
        /// The port or program.
        name: String,
        /// What the system says.
        reason: String,
    },
    /// No answer in time.
    #[error("the switch did not answer within {0} ms")]
    Silent(u64),
    /// Another answer than `ok`.
    #[error("the switch answered something else than ok")]
    Wrong,
    /// It says that something else is connected than was asked for.
    #[error("the switch did not connect what it was told to")]
    NotConnected,
}

/// Something that connects terminals.
pub trait Switch: Send {
    /// Connects, and makes sure of it.
    ///
    /// # Errors
    /// It does not answer, or connects something else.
    fn connect(&mut self, terminal: Terminal) -> Result<(), SwitchError>;

    /// Where a person is the switch: what that person reads.
    fn board(&self) -> Option<std::sync::Arc<Board>> {
        None
    }
}
