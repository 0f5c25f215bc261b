//! What a player is given: a stimulus at the level that it is played at, in memory where it is short. A long one is read while
//! it plays, together with the other side of its pair, whichever of the two is heard.

use std::sync::Arc;

use crate::clip::Playable;
use crate::stimulus::{Stimulus, StimulusError};

/// A stimulus, or its other side, at a level.
#[derive(Debug, Clone)]
pub struct Sound {
    /// Sample rate in Hz.
    pub rate_hz: u32,
    /// Number of channels.
    pub channels: u16,
    pub(super) samples: Samples,
}

#[derive(Debug, Clone)]
pub(super) enum Samples {
    /// Interleaved.
    Whole(Arc<[f32]>),
    /// One of several stimuli that are read together, times a gain.
    Long { together: Arc<[Stimulus]>, place: usize, gain: f32 },
}

impl From<Playable> for Sound {
    fn from(playable: Playable) -> Self {
        let Playable { rate_hz, channels, samples } = playable;
        Self { rate_hz, channels, samples: Samples::Whole(samples) }
    }
}

impl Sound {
    /// The stimuli of a pair, in this order. All of them are read, whichever is played.
    ///
    /// # Errors
    /// The disk does not give back what was written.
    pub fn together<const N: usize>(stimuli: [&Stimulus; N]) -> Result<[Self; N], StimulusError> {
        let long = stimuli.iter().all(|stimulus| stimulus.is_long());
        let together: Arc<[Stimulus]> = if long { stimuli.map(Clone::clone).into() } else { Arc::new([]) };
        let mut sounds = Vec::with_capacity(N);
        for (place, stimulus) in stimuli.iter().enumerate() {
            let samples = if long {
                Samples::Long { together: Arc::clone(&together), place, gain: 1.0 }
            } else {
                Samples::Whole(stimulus.sound()?.samples)
            };
            sounds.push(Self { rate_hz: stimulus.rate_hz, channels: stimulus.channels, samples });
        }
        Ok(sounds.try_into().expect("as many as there were stimuli"))
    }

    /// The same times a factor; what is [played together](Self::together) gets the same one where a level is set.
    #[must_use]
    pub fn times(mut self, factor: f32) -> Self {
        match &mut self.samples {
            Samples::Long { gain, .. } => *gain *= factor,
            Samples::Whole(samples) => match Arc::get_mut(samples) {
                Some(samples) => samples.iter_mut().for_each(|sample| *sample *= factor),
                None => *samples = samples.iter().map(|sample| sample * factor).collect(),
            },
        }
        self
    }

    /// Length in frames.
    pub fn frames(&self) -> u64 {
        match &self.samples {
            Samples::Whole(samples) => samples.len() as u64 / u64::from(self.channels.max(1)),
            Samples::Long { together, place, .. } => together[*place].frames,
        }
    }

    /// All of it, in memory.
    ///
    /// # Errors
    /// The disk does not give back what was written.
    pub fn whole(&self) -> Result<Playable, StimulusError> {
        let samples = match &self.samples {
            Samples::Whole(samples) => Arc::clone(samples),
            Samples::Long { together, place, gain } => {
                let whole = Self::from(together[*place].sound()?).times(*gain);
                return whole.whole();
            }
        };
        Ok(Playable { rate_hz: self.rate_hz, channels: self.channels, samples })
    }
}
