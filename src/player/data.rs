//! What goes over the real-time wall: commands one way, garbage the other.

use std::sync::Arc;

use super::options::Switch;
use super::window::Window;
use crate::clip::fade::raised_cosine;
use crate::stimulus::BLOCK_FRAMES;

/// Commands that may wait. A person's keys fill a small part of it in one buffer's time.
pub(super) const COMMAND_SLOTS: usize = 256;

/// The stimuli of a trial, made outside the audio thread.
#[derive(Debug)]
pub(super) struct Program {
    /// All of the same length.
    pub(super) stimuli: Stimuli,
    /// Channels of the stimuli, one or two.
    pub(super) channels: usize,
    /// Length in frames.
    pub(super) frames: u64,
    /// Number of the jump to position 0 that comes with it.
    pub(super) jump: u64,
}

/// The samples of a program.
#[derive(Debug)]
pub(super) enum Stimuli {
    /// Interleaved.
    Whole(Vec<Arc<[f32]>>),
    /// Which sound of a window each stimulus is, and its gain.
    Long(Arc<Window>, Vec<(usize, f32)>),
}

impl Stimuli {
    pub(super) fn len(&self) -> usize {
        match self {
            Self::Whole(stimuli) => stimuli.len(),
            Self::Long(_, stimuli) => stimuli.len(),
        }
    }
}

/// Where the block that plays lies in a window: its number and its slot.
pub(super) type Found = Option<(u64, usize)>;

impl Program {
    /// Whether the frames at `position` are here; `found` remembers where.
    pub(super) fn is_here(&self, position: u64, found: &mut Found) -> bool {
        let Stimuli::Long(window, _) = &self.stimuli else { return true };
        let block = position / BLOCK_FRAMES;
        if found.is_none_or(|(known, _)| known != block) {
            *found = window.find(block).map(|slot| (block, slot));
        }
        found.is_some()
    }

    /// A stimulus's frame at `position`, which [is here](Self::is_here): left and right, or one twice.
    pub(super) fn frame(&self, stimulus: usize, position: u64, found: Found) -> [f32; 2] {
        match &self.stimuli {
            Stimuli::Whole(stimuli) => {
                let at = position as usize * self.channels;
                let frame = &stimuli[stimulus][at..at + self.channels];
                [frame[0], frame[self.channels.min(2) - 1]]
            }
            Stimuli::Long(window, stimuli) => {
                let (sound, gain) = stimuli[stimulus];
                let slot = found.map_or(0, |(_, slot)| slot);
                let frame = (position % BLOCK_FRAMES) as usize;
                window.frame(slot, sound, frame).map(|sample| sample * gain)
            }
        }
    }
}

/// What the handle tells the renderer.
#[derive(Debug)]
pub(super) enum Command {
    Load(Box<Program>),
    Switch(usize),
    Play,
    Pause,
    Seek {
        frame: u64,
        jump: u64,
    },
    /// Start and end of the loop; the whole clip is 0 and the largest number.
    Loop((u64, u64)),
}

/// Lengths of all fades as tables of gains, at one rate.
#[derive(Debug, Clone)]
pub(super) struct Shapes {
    /// Rising gains of pause, resume, seek and loop seam.
    pub(super) fade: Box<[f32]>,
    /// Rising gains of the first start after loading.
    pub(super) start: Box<[f32]>,
    /// Rising weights of a switch.
    pub(super) switch: Box<[f32]>,
    /// Silence within a switch in frames; `None` for a crossfade.
    pub(super) gap: Option<u64>,
}

/// Rising raised-cosine gains, strictly between 0 and 1, symmetrical: `g[i] + g[n-1-i] = 1`.
fn table(seconds: f64, rate_hz: u32) -> Box<[f32]> {
    let length = (seconds.clamp(0.0, 10.0) * f64::from(rate_hz)).round().max(1.0) as usize;
    (0..length).map(|i| raised_cosine(i as f64 + 0.5, length as f64) as f32).collect()
}

impl Shapes {
    pub(super) fn new(switch: Switch, start_seconds: f64, fade_seconds: f64, rate_hz: u32) -> Self {
        let (seconds, gap) = match switch {
            Switch::Crossfade { seconds } => (seconds, None),
            Switch::Gap { fade_seconds, silence_seconds } => {
                (fade_seconds, Some((silence_seconds.clamp(0.0, 10.0) * f64::from(rate_hz)).round() as u64))
            }
        };
        Self {
            fade: table(fade_seconds, rate_hz),
            start: table(start_seconds, rate_hz),
            switch: table(seconds, rate_hz),
            gap,
        }
    }
}
