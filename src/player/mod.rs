//! The real-time engine and its outputs: sound device, WAV file, silent.
//!
//! Comes in: an indexed list of stimuli and commands. Goes out: sound, status and events. Frames count at the stimuli's
//! rate. Must not know: which side X is, beyond an index.
//!
//! The real-time wall runs between `handle` (what the sitting holds), `data` (what crosses), `shared` (what both count)
//! and `renderer` (the audio thread's side). A device, a clock or a call drives the same renderer, so what is tested is what is heard.
//!
//! ```
//! use earwitness::clip::Playable;
//! use earwitness::player::{OutputChoice, Pace, PlayerOptions, open};
//!
//! let options = PlayerOptions { pace: Pace::Unpaced, ..PlayerOptions::default() };
//! let mut player = open(&OutputChoice::Silent, 48_000, 1, options)?;
//! let clip = Playable { rate_hz: 48_000, channels: 1, samples: vec![0.1; 48_000].into() };
//! player.load(&[clip.clone(), clip]);
//! player.play();
//! player.switch_to(1);
//! assert_eq!(player.status().index, 1);
//! assert!(player.status().played > 0);
//! # Ok::<(), earwitness::player::PlayerError>(())
//! ```

mod clocked;
mod continuity;
mod data;
mod device;
mod handle;
mod list;
mod open;
mod options;
pub mod record;
mod renderer;
mod shared;
mod sound;
pub mod transport;
#[cfg(test)]
mod wall_tests;
mod watch;
mod window;

pub use list::{DeviceFacts, devices};
pub use open::open;
pub use options::{OutputChoice, Pace, PlayerError, PlayerOptions, Switch};
pub use sound::Sound;
pub use transport::{OutputDescription, PlayerEvent, Status, Transport};
