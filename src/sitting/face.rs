//! What a face is.

use std::io::{self, Write};
use std::time::Duration;

use crate::screen::terminal::{InputSource, Screen};
use crate::screen::{Intent, Scene};

/// How long a face waits before the time on it is brought up to date.
pub(super) const TICK: Duration = Duration::from_millis(50);

/// A face failed: the terminal went away, or standard input ended.
#[derive(Debug, thiserror::Error)]
#[error("the terminal cannot be used any more: {}", crate::files::reason(.0))]
pub struct FaceError(#[from] pub io::Error);

/// Shows scenes and hands back what the person in front of it wants.
pub trait Face {
    /// Shows a scene; called often, with the same scene or another.
    fn show(&mut self, scene: &Scene) -> Result<(), FaceError>;
    /// Waits at most this long for the person; empty when nothing came.
    fn wait(&mut self, wait: Duration) -> Result<Vec<Intent>, FaceError>;
}

impl<S: InputSource, W: Write> Face for Screen<S, W> {
    fn show(&mut self, scene: &Scene) -> Result<(), FaceError> {
        Ok(Screen::show(self, scene)?)
    }

    fn wait(&mut self, wait: Duration) -> Result<Vec<Intent>, FaceError> {
        Ok(Screen::wait(self, wait)?)
    }
}
