//! Pieces of sound: decode, excerpt, resample, synthesise, level-match, headroom, dither.
//!
//! Comes in: audio files and names of synthesised clips. Goes out: planar blocks in double precision, full scale 1.0,
//! and [`Playable`] stimuli. Frames count from the start of the excerpt. Must not know: cables.

pub mod align;
mod bessel;
pub mod clipped;
mod compressed;
pub mod dither;
pub mod fade;
pub mod fourier;
pub mod limits;
pub mod loudness;
mod open;
pub mod parked;
pub mod played;
mod refusal;
pub mod resample;
pub mod shift;
pub mod spectrum;
pub mod synth;
mod true_peak;
mod wav;
pub mod welch;
pub mod write;

use std::path::PathBuf;

pub use open::{ClipInfo, ClipReader, OpenClip};
pub use synth::NAMES as SYNTH_NAMES;

/// Why a clip cannot be had. The message names the file or clip, the value, what is allowed and what to do.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{0}")]
pub struct ClipError(pub String);

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

impl Sound {
    /// Length in frames.
    pub fn frames(&self) -> usize {
        self.channels.first().map_or(0, Vec::len)
    }
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
