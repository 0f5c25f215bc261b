//! The terminal user interface: draws a scene, turns keys into intents.
//!
//! Comes in: a [`Scene`] (what is to be shown, in words and numbers) and [`Input`]s (keys, clicks, sizes). Goes out:
//! [`Intent`]s (what the listener wants) and bytes for the terminal. Times are in seconds, sizes in character cells.
//!
//! [`update()`] and [`render()`] are pure: no clock, no disk, no sound. A [`Scene`] holds no draw, so nothing that is drawn
//! here can depend on which side X is. One table, [`keys::TABLE`], feeds the keys, the help line, the overlay behind
//! `?` and the words of the plain line mode.
//!
//! | file | what lives there |
//! | --- | --- |
//! | `scene` | what can be shown |
//! | `page` | running text of a page, wrapped to any width, and the same in plain lines |
//! | `keys` | the key table |
//! | `model` | what the screen itself remembers |
//! | `update` | how input becomes intents |
//! | `render` | the frame around every stage, pages, overlays |
//! | `trial_stage` | the trial: slots, timeline, answers |
//! | `night` | the host's screen and the room's display of a club night |
//! | `glyphs` | letters large enough for a party |
//! | `palette` | weight and one accent, readable on any background |
//! | `shapes` | what is drawn, in ASCII where the terminal has nothing else |
//! | `terminal` | raw mode and back, whatever happens |
//!
//! Must not: decide anything, or know the seal, the journal or the player.

pub mod glyphs;
pub mod keys;
pub mod model;
pub mod night;
pub mod page;
pub mod palette;
pub mod render;
pub mod scene;
pub mod shapes;
pub mod terminal;
pub mod trial_stage;
pub mod update;

pub use keys::{Action, Input, Key, StageKind};
pub use model::Model;
pub use page::{Block, Mark};
pub use palette::Palette;
pub use render::render;
pub use scene::{Entry, Fold, Intent, Notice, PageScene, Progress, Scene, Slot, Stage, TrialScene};
pub use update::update;
