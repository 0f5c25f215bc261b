//! What a sitting may ask of a player, whatever carries the sound.

use super::Sound;
use crate::clip::Playable;
use crate::stimulus::StimulusError;
use crate::trial::record::{Output, OutputKind, OutputPath};

/// What the player is doing. Frames count at the stimuli's rate, from the start of the clip.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Status {
    /// Sound is running (not paused, not at its end).
    pub playing: bool,
    /// Index of the stimulus that was switched to last.
    pub index: usize,
    /// Position in the clip in frames.
    pub position: u64,
    /// Frames played since the output was opened.
    pub played: u64,
}

/// Something that happened in the sound path and disturbs a trial.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum PlayerEvent {
    /// A block came too late: what was heard had a hole.
    Underrun,
    /// No block was asked for within the time that is allowed.
    DeviceLost {
        /// What is known of the reason.
        reason: String,
    },
    /// A device is back; it is paused until `play` is called.
    DeviceBack,
    /// The system moved the sound to another device.
    DeviceChanged,
    /// What is played cannot be read back from the disk.
    Unreadable(StimulusError),
    /// The file that is written cannot take more.
    WriteFailed {
        /// What went wrong.
        reason: String,
    },
    /// The device seems to run at another rate than it was asked for.
    RateSuspected {
        /// Measured pace in Hz.
        measured_hz: u32,
    },
}

/// What was opened, for the journal and the caveats.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct OutputDescription {
    /// Whether anybody hears it.
    pub kind: OutputKind,
    /// Name of the device or file name without its folder; empty for silent.
    pub name: String,
    /// Sound system, such as `ALSA`; empty where there is none.
    pub host: String,
    /// Negotiated rate in Hz.
    pub rate_hz: u32,
    /// Negotiated sample format: `f32`, `s32`, `s24`, `s16`.
    pub format: String,
    /// Negotiated buffer size in frames, 0 where it is the system's default.
    pub buffer_frames: u32,
    /// Channels of the stream.
    pub channels: u16,
    /// Rate of the stimuli in Hz where it is not the stream's: they are resampled, all of them alike.
    pub resampled_from_hz: Option<u32>,
    /// By which way the sound reaches a device.
    pub path: Option<OutputPath>,
}

impl From<&OutputDescription> for Output {
    fn from(description: &OutputDescription) -> Self {
        Self {
            kind: description.kind,
            name: description.name.clone(),
            host: description.host.clone(),
            rate_hz: description.rate_hz,
            format: description.format.clone(),
            buffer_frames: description.buffer_frames,
            channels: description.channels,
            path: description.path,
        }
    }
}

/// The controls of a player. An index into the loaded list is all it ever learns of a stimulus.
pub trait Transport: Send {
    /// Replaces the list of stimuli: same rate, channels and length for all. Stops playing; position 0, index 0.
    fn load_sounds(&mut self, stimuli: &[Sound]);
    /// The same for stimuli that are in memory.
    fn load(&mut self, stimuli: &[Playable]) {
        self.load_sounds(&stimuli.iter().cloned().map(Sound::from).collect::<Vec<_>>());
    }
    /// Switches to the stimulus with this index, at the same position.
    fn switch_to(&mut self, index: usize);
    /// Starts or resumes.
    fn play(&mut self);
    /// Pauses without a click.
    fn pause(&mut self);
    /// Goes to a position in frames.
    fn seek(&mut self, frame: u64);
    /// Loops between two positions in frames (start included, end excluded), or over the whole clip.
    fn set_loop(&mut self, region: Option<(u64, u64)>);
    /// What is going on now.
    fn status(&self) -> Status;
    /// What has happened since the last call.
    fn take_events(&mut self) -> Vec<PlayerEvent>;
    /// What was opened.
    fn description(&self) -> OutputDescription;
}
