//! Carries a conductor out: clock, disk and player, for sittings and for nights alike.
//!
//! Comes in: a [`Machine`] (a [`Conductor`](crate::trial::Conductor), or a room's state machine around one), an open
//! journal, an output, stimuli, events. Goes out: records on the disk, calls to the player, and [`News`] for whoever has
//! people in front of it. Times are milliseconds of the sitting; levels are decibels from the clips' own.
//!
//! There is one rule for what a sitting and a night share: records go to the disk before anything after them is carried
//! out; a write that fails ends both; a changed output and what it can resolve are journalled by both.
//!
//! | file | what lives there |
//! | --- | --- |
//! | `driver` | the driver: effects in, records and calls out |
//! | `output` | the output, opened for what it plays |
//! | `stopped` | why nothing goes on |
//! | `sound` | what the player reports, and what carries the sound |
//! | `switched` | real cables: nothing sounds before its cable is connected |
//! | `positions` | the proof that a switch switches, by measurement |
//! | `folder` | the folder of sittings before anything is written to it |
//! | `place` | whether records still go where the journal is, and what to do if not |
//! | `environment` | clock, preparation, sound and randomness, replaceable as a whole |
//! | `preparation` | stimuli made on a thread of their own |
//! | `witness` | what witnesses' phones are shown, and what they ask |
//! | `listening` | the player in seconds: seek, loops, level |
//!
//! Must not: have words for people or pages, or know which side X is.

pub mod driver;
pub mod environment;
pub mod folder;
pub mod listening;
mod output;
mod place;
pub mod positions;
pub mod preparation;
mod sound;
mod stopped;
mod switched;
pub mod witness;

pub use driver::{Driver, Machine, News};
pub use environment::{Clock, Environment, OpenOutput, Operated, Prepare, RealClock, SittingClock};
pub use folder::{Folder, changed_since};
pub use output::Output;
pub use place::Displaced;
pub use preparation::{HowFar, Preparation};
pub use sound::SoundNews;
pub use stopped::Stopped;
pub use switched::{CableWait, Switched};
