//! Pieces of sound: decode, excerpt, resample, synthesise, level-match, headroom, dither.
//!
//! Comes in: audio files and names of synthesised clips. Goes out: [`Sound`] in double precision, full scale 1.0.
//! Must not know: cables.

use std::path::PathBuf;

/// Where a clip's sound comes from, as the session states it.
#[derive(Debug, Clone, PartialEq)]
pub enum ClipSource {
    /// An excerpt of an audio file.
    File {
        /// Path, already joined to the session's folder.
        path: PathBuf,
        /// Where the excerpt starts, seconds from the beginning of the file.
        start_seconds: f64,
        /// Length of the excerpt in seconds; `None` is the rest of the file.
        length_seconds: Option<f64>,
    },
    /// A synthesised clip, deterministic for its seed.
    Synth {
        /// Name of the synthesised clip, such as `plucked-strings`.
        name: String,
        /// Length in seconds.
        length_seconds: f64,
        /// Sample rate in Hz.
        rate_hz: u32,
        /// Seed of the synthesis.
        seed: u64,
    },
}

/// Decoded or computed sound: planar double-precision channels, full scale at 1.0.
#[derive(Debug, Clone, PartialEq)]
pub struct Sound {
    /// Sample rate in Hz, 8000 to 384000.
    pub rate_hz: u32,
    /// One vector per channel (one or two), all of the same length in frames.
    pub channels: Vec<Vec<f64>>,
}

/// Sound ready to play: interleaved 32-bit float frames that are never changed again.
#[derive(Debug, Clone, PartialEq)]
pub struct Playable {
    /// Sample rate in Hz.
    pub rate_hz: u32,
    /// Number of channels, one or two.
    pub channels: u16,
    /// Interleaved samples, `frames * channels` long.
    pub samples: std::sync::Arc<[f32]>,
}

impl Playable {
    /// Length in frames (one frame holds one sample of each channel).
    pub fn frames(&self) -> usize {
        self.samples.len() / usize::from(self.channels.max(1))
    }
}

/// Names of the clips that can be synthesised.
pub const SYNTH_NAMES: [&str; 7] = [
    "plucked-strings",
    "drum-pattern",
    "slow-chord",
    "pink-noise",
    "multitone",
    "log-sweep",
    "impulse-train",
];
