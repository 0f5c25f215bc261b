//! Open ears: before the first trial the room hears A and B by name, what a step in level is, and one practice that is told.
//!
//! No draw is touched and nothing is counted. What was played is in the journal, so that nobody takes it for a part of the
//! test.

use super::{Night, Show};
use crate::ballot::Refusal;
use crate::stimulus::PairKind;
use crate::trial::balance::draws_a;
use crate::trial::{Demonstration, Effect, Event, Side, Stage};

/// How much softer the second sound of the level step is, in dB: about what listeners just notice in music (common
/// practice, no source).
pub const STEP_DB: f64 = -1.0;

/// An open-ears round that is on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Ears {
    /// What is played.
    pub shown: Demonstration,
    /// Index of the comparison.
    pub comparison: usize,
    /// The side that the practice ends with.
    pub asked: Side,
    /// It was told.
    pub told: bool,
    /// Index of the clip.
    clip: usize,
}

impl Ears {
    /// The side and the level in dB in each slot.
    fn slots(&self) -> Vec<(Side, f64)> {
        match self.shown {
            Demonstration::Sides => vec![(Side::A, 0.0), (Side::B, 0.0)],
            Demonstration::LevelStep => vec![(Side::A, 0.0), (Side::A, STEP_DB)],
            Demonstration::Practice => vec![(Side::A, 0.0), (Side::B, 0.0), (self.asked, 0.0)],
        }
    }

    /// What stands for each slot while it plays.
    pub fn labels(&self) -> &'static [&'static str] {
        match self.shown {
            Demonstration::Sides => &["A", "B"],
            Demonstration::LevelStep => &["A", "A"],
            Demonstration::Practice => &["A", "B", "?"],
        }
    }
}

impl Night {
    /// The open-ears round that is on.
    pub fn ears(&self) -> Option<&Ears> {
        self.ears.as_ref()
    }

    /// Begins, or begins again, with the comparison of this number, from 1.
    pub(super) fn open_ears(
        &mut self,
        at_ms: u64,
        stage: &Stage,
        number: usize,
    ) -> Result<Vec<Effect>, Refusal> {
        let nothing = |text: &str| Err(Refusal::NothingHere(text.to_owned()));
        if !matches!(stage, Stage::Sealing { .. } | Stage::Announce { .. }) {
            return nothing("open ears are for the time after the welcome and before the first trial");
        }
        let opening = self.opening();
        if draws_a(&opening.terms) {
            return nothing("open ears name A and B, and here the seal draws which cable is A");
        }
        let comparison = number.wrapping_sub(1);
        let clip = opening.stimuli.iter().find(|stimulus| {
            stimulus.comparison == comparison && stimulus.control.is_none() && stimulus.level.is_none()
        });
        let Some(clip) = clip.map(|stimulus| stimulus.clip) else {
            return nothing(&format!("the session has {} comparisons", opening.terms.comparisons.len()));
        };
        // The millisecond at which the host began: it is told a minute later, and has nothing to do with any draw.
        let asked = if at_ms.is_multiple_of(2) { Side::A } else { Side::B };
        self.play_ears(at_ms, Ears { shown: Demonstration::Sides, comparison, asked, told: false, clip })
    }

    /// Plays a step of the round.
    fn play_ears(&mut self, at_ms: u64, ears: Ears) -> Result<Vec<Effect>, Refusal> {
        let mut effects = self.stop_ears(at_ms);
        let Ears { shown, comparison, clip, .. } = ears;
        effects.extend(self.step(at_ms, Event::OpenEars { shown, comparison, clip })?);
        effects.push(Effect::Demonstrate {
            pair: PairKind::Comparison { comparison, clip },
            slots: ears.slots(),
        });
        self.ears = Some(ears);
        self.present(at_ms);
        Ok(effects)
    }

    /// Silence, and the round is over.
    pub(super) fn stop_ears(&mut self, at_ms: u64) -> Vec<Effect> {
        let mut effects = Vec::new();
        if self.ears.is_some() && self.show != Show::Quiet {
            self.show = Show::Quiet;
            self.push(at_ms, Event::Pause, &mut effects);
        }
        self.ears = None;
        effects
    }

    /// What comes next in the round: the next step, what the practice was, the end.
    pub(super) fn next_ears(&mut self, at_ms: u64, ears: Ears) -> Result<Vec<Effect>, Refusal> {
        match ears.shown {
            Demonstration::Sides => self.play_ears(at_ms, Ears { shown: Demonstration::LevelStep, ..ears }),
            Demonstration::LevelStep => {
                self.play_ears(at_ms, Ears { shown: Demonstration::Practice, ..ears })
            }
            Demonstration::Practice if !ears.told && self.show == Show::Quiet => {
                self.ears = Some(Ears { told: true, ..ears });
                Ok(Vec::new())
            }
            Demonstration::Practice if !ears.told => {
                Err(Refusal::NothingHere("open ears are being played; silence stops it".to_owned()))
            }
            Demonstration::Practice => Ok(self.stop_ears(at_ms)),
        }
    }

    /// The step of the round once more.
    pub(super) fn repeat_ears(&mut self, at_ms: u64, ears: Ears) -> Result<Vec<Effect>, Refusal> {
        self.play_ears(at_ms, Ears { told: false, ..ears })
    }
}
