//! What carried the sound, as openings and resumptions say it.

use serde::{Deserialize, Serialize};

/// Where the sound goes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum OutputKind {
    /// A sound device: somebody may hear it.
    Device,
    /// Nowhere.
    Silent,
    /// Into a file.
    File,
}

/// By which way the sound reaches a device, as far as the sound system tells. What goes through a sound server, other programs
/// can record.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum OutputPath {
    /// Straight to the hardware.
    Hardware,
    /// Through a sound server.
    SoundServer,
    /// The system does not tell.
    Unknown,
}

impl OutputPath {
    /// In words, after the name of an output.
    pub fn words(self) -> &'static str {
        match self {
            Self::Hardware => "straight to the hardware",
            Self::SoundServer => "through a sound server",
            Self::Unknown => "perhaps through a sound server",
        }
    }
}

/// What carried the sound.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Output {
    /// Whether anybody hears it.
    pub kind: OutputKind,
    /// Name of the device, or of the file without its folder; empty for silent.
    pub name: String,
    /// Sound system; empty where there is none.
    pub host: String,
    /// Rate in Hz.
    pub rate_hz: u32,
    /// Sample format.
    pub format: String,
    /// Buffer size in frames, 0 for the system's default.
    pub buffer_frames: u32,
    /// Channels.
    pub channels: u16,
    /// Format 2, of a device: by which way the sound reaches it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub path: Option<OutputPath>,
}

impl Output {
    /// Whether nobody heard anything while answers were given: nothing was played, or it went into a file. Every surface
    /// that says whether somebody listened asks this, or [`Record::is_silent`](super::Record::is_silent).
    pub fn is_silent(&self) -> bool {
        self.kind != OutputKind::Device
    }
}
