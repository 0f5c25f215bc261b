//! What the player reports, and what carries the sound: one rule for sittings and nights.
//!
//! Nothing in here depends on what was drawn: the bit depth is held against every comparison of the session at once.

use super::driver::{Driver, Machine};
use super::stopped::Stopped;
use crate::player::PlayerEvent;
use crate::stimulus::WordFacts;
use crate::trial::Event;

/// Something that happened to the sound.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum SoundNews {
    /// The sound dropped out in a trial, which is void. Between trials a dropout disturbs nothing and is not told.
    Dropout,
    /// The device is gone.
    DeviceLost {
        /// What is known of the reason.
        reason: String,
    },
    /// A device is back.
    DeviceBack,
    /// The system moved the sound to another device: nobody knows what of it arrived.
    DeviceMoved {
        /// A trial was on and is void.
        in_trial: bool,
    },
    /// The switch of real cables cannot be trusted.
    Switch {
        /// Why.
        reason: String,
        /// A trial was on and is void.
        in_trial: bool,
    },
    /// The device seems to run at another rate: everything sounds faster or slower than it was made.
    RateSuspected {
        /// Measured pace in Hz.
        measured_hz: u32,
        /// A trial was on and is void.
        in_trial: bool,
    },
}

impl SoundNews {
    /// What the journal says of it.
    pub fn cause(&self) -> String {
        match self {
            Self::Dropout => "the sound dropped out".to_owned(),
            Self::DeviceLost { reason } => format!("sound device lost: {reason}"),
            Self::DeviceBack => "sound device back".to_owned(),
            Self::DeviceMoved { .. } => "the system moved the sound to another device".to_owned(),
            Self::Switch { reason, .. } => reason.clone(),
            Self::RateSuspected { measured_hz, .. } => {
                format!("the device seems to run at {measured_hz} Hz, which is not its rate")
            }
        }
    }
}

impl<M: Machine> Driver<M> {
    /// Hands what the player reports to the machine, and journals another output than before. A trial that was
    /// disturbed is void.
    ///
    /// # Errors
    /// Nothing can go on: the sound file cannot take more, or the journal.
    pub fn take_sound(&mut self) -> Result<Vec<SoundNews>, Stopped> {
        let mut told: Vec<SoundNews> = self.take_switch()?.into_iter().collect();
        for event in self.take_player_events() {
            let in_trial = self.in_trial();
            let news = match event {
                PlayerEvent::Underrun if !in_trial => continue,
                PlayerEvent::Underrun => SoundNews::Dropout,
                PlayerEvent::DeviceLost { reason } => SoundNews::DeviceLost { reason },
                PlayerEvent::DeviceBack => SoundNews::DeviceBack,
                PlayerEvent::DeviceChanged => SoundNews::DeviceMoved { in_trial },
                PlayerEvent::RateSuspected { measured_hz } => {
                    SoundNews::RateSuspected { measured_hz, in_trial }
                }
                PlayerEvent::Unreadable(error) => {
                    let stopped = Stopped::Stimulus(error);
                    self.stop(stopped.clone());
                    return Err(stopped);
                }
                PlayerEvent::WriteFailed { reason } => {
                    let stopped = Stopped::SoundFile { reason };
                    self.stop(stopped.clone());
                    return Err(stopped);
                }
            };
            let cause = news.cause();
            self.event(if in_trial && news != SoundNews::DeviceBack {
                Event::Disturbed { cause, by: None }
            } else {
                Event::Note { text: cause }
            })?;
            told.push(news);
        }
        self.note_output()?;
        Ok(told)
    }

    /// Journals what carries the sound where that is no longer what the journal says: another rate, another format after
    /// a device came back, resampling.
    fn note_output(&mut self) -> Result<(), Stopped> {
        let now = self.describe_output();
        if now == self.described {
            return Ok(());
        }
        if now.format != self.described.format {
            self.resolution = self.resolution.take().map(|words| words.in_format(&now.format));
        }
        let changed =
            Event::OutputChanged { output: (&now).into(), resampled_from_hz: now.resampled_from_hz };
        self.described = now;
        self.event(changed)
    }

    /// Every stimulus is played at this many decibels from the clips' own level from now on: journals it, and what the
    /// device resolves of the differences at it. A trial that was on when the sitting was cut off is loaded anew.
    ///
    /// # Errors
    /// Nothing can go on.
    pub fn set_level(&mut self, level_db: f64) -> Result<(), Stopped> {
        self.pause();
        self.level_db = Some(level_db);
        self.event(Event::Level(level_db))?;
        self.note_resolution()?;
        if self.in_trial() {
            let loaded = self.load_presented();
            if let Err(stopped) = &loaded {
                self.stop(stopped.clone());
            }
            return loaded;
        }
        Ok(())
    }

    /// Every stimulus is played at the clips' own level: nobody is there to set another. Journals what a device resolves of
    /// the differences at it.
    ///
    /// # Errors
    /// Nothing can go on.
    pub fn keep_level(&mut self) -> Result<(), Stopped> {
        self.level_db = Some(0.0);
        self.note_resolution()
    }

    fn note_resolution(&mut self) -> Result<(), Stopped> {
        match self.resolved() {
            Some(facts) => self.event(Event::Resolved(facts.into())),
            None => Ok(()),
        }
    }

    /// What the device resolves of the differences at the level that was set.
    pub fn resolved(&self) -> Option<WordFacts> {
        Some(self.resolution.as_ref()?.facts(self.level_db?))
    }
}
