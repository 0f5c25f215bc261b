//! Drives a conductor with clock, disk, player and a face.
//!
//! Comes in: a [`Request`] (a session, a listener's name, an output) and an [`Environment`] (clock, preparation, sound,
//! randomness). Goes out: a journal on the disk and what is to be said at the end. Times are milliseconds of the
//! sitting.
//!
//! A face shows scenes and hands back intents. There are three: the terminal screen, plain lines for screen readers and
//! serial terminals, and the report of a simulated listener, which nobody answers. The conductor decides, the driver
//! carries out: nothing in here knows which side X is, but for the path marked in [`simulated`].
//!
//! | file | what lives there |
//! | --- | --- |
//! | `conduct` | the driver of a sitting |
//! | `environment` | clock, preparation, sound and randomness, replaceable as a whole |
//! | `face` | what a face is; the terminal screen as one |
//! | `plain` | the plain line mode |
//! | `simulated` | the listener that is none |
//! | `pages` | the words of every page before and between trials |
//! | `result` | the words of the end |
//! | `scenes` | a view of the conductor as a scene |
//! | `listening` | the player in seconds: seek, loops, level |
//! | `audition` | sighted listening and training, never counted |

pub mod environment;
pub mod face;
pub mod listening;
//pub mod pages;
pub mod plain;

pub use environment::{Clock, RealClock};
pub use face::{Face, FaceError};
