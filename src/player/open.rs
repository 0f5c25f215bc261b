//! Opening an output.

use super::Transport;
use super::options::{OutputChoice, PlayerError, PlayerOptions};

/// Opens an output for stimuli of this rate and number of channels. It is paused and empty until
/// [`Transport::load`] and [`Transport::play`].
///
/// # Errors
/// No device, an unknown name, a device that refuses, a file that cannot be written; each says what to do.
pub fn open(
    choice: &OutputChoice,
    rate_hz: u32,
    channels: u16,
    options: PlayerOptions,
) -> Result<Box<dyn Transport>, PlayerError> {
    let channels = channels.clamp(1, 2);
    let player = match choice {
        OutputChoice::Device(name) => super::watch::open(name.as_deref(), rate_hz, channels, options)?,
        OutputChoice::Silent => super::clocked::open(None, rate_hz, channels, options)?,
        OutputChoice::File(path) => super::clocked::open(Some(path), rate_hz, channels, options)?,
    };
    Ok(Box::new(player))
}
