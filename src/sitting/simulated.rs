//! The listener that is none.
//!
//! This is the only place outside the conductor that learns a right answer before the closing, through
//! [`Conductor::simulated_answer`](crate::trial::Conductor::simulated_answer), which gives nothing unless the sitting
//! was opened as simulated; that is in the journal's first record, on every screen and in the verdict.

use std::time::Duration;

use rand::rngs::StdRng;
use rand::{RngExt, SeedableRng};

use super::face::{Face, FaceError};
use crate::screen::{Intent, Scene};
use crate::trial::{Stage, Step, TrialView};

/// The face of a simulated listener: nobody looks at it.
#[derive(Debug, Clone, Copy, Default)]
pub struct Silence;

impl Face for Silence {
    fn show(&mut self, _scene: &Scene) -> Result<(), FaceError> {
        Ok(())
    }

    fn wait(&mut self, wait: Duration) -> Result<Vec<Intent>, FaceError> {
        std::thread::sleep(wait);
        Ok(Vec::new())
    }
}

/// Answers right with a given probability, without listening.
#[derive(Debug)]
pub struct Simulated {
    /// Of being right, in the attempt that is on.
    pub(super) probability: f64,
    random: StdRng,
    /// Slots of the attempt that were switched to.
    heard: usize,
}

impl Simulated {
    /// A listener who is right with this probability, 0 to 1. The seed fixes its luck, not the draws of the seal.
    pub fn new(probability: f64, seed: u64) -> Self {
        Self { probability, random: StdRng::seed_from_u64(seed), heard: 0 }
    }

    /// What it does next; `right` is the right alternative, if there is one.
    pub fn next(&mut self, stage: &Stage, right: Option<usize>) -> Intent {
        match stage {
            Stage::Trial(trial) => self.in_trial(trial, right),
            _ => Intent::Proceed,
        }
    }

    fn in_trial(&mut self, trial: &TrialView, right: Option<usize>) -> Intent {
        match trial.step {
            Step::Listen if self.heard < trial.slots.len() => {
                self.heard += 1;
                Intent::Listen(self.heard - 1)
            }
            Step::Listen | Step::Voting => {
                self.heard = 0;
                Intent::Choose(self.choose(trial.alternatives.len(), right))
            }
            Step::Confirm => Intent::Confirm,
            Step::Confidence => Intent::Confidence(3),
        }
    }

    fn choose(&mut self, alternatives: usize, right: Option<usize>) -> usize {
        match right {
            // Where nothing is right, or nothing can be heard, it guesses.
            None => self.random.random_range(0..alternatives.max(1)),
            Some(right) if self.random.random_bool(self.probability) || alternatives < 2 => right,
            Some(right) => (right + self.random.random_range(1..alternatives)) % alternatives,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn it_is_right_as_often_as_it_was_told() {
        for (probability, alternatives) in [(0.8, 2), (0.5, 3), (1.0, 3), (0.0, 2)] {
            let mut listener = Simulated::new(probability, 11);
            let mut counts = vec![0_u32; alternatives];
            for _ in 0..20_000 {
                counts[listener.choose(alternatives, Some(1))] += 1;
            }
            let share = f64::from(counts[1]) / 20_000.0;
            // Five standard deviations of the binomial distribution.
            assert!(
                (share - probability).abs() <= 5.0 * (0.25_f64 / 20_000.0).sqrt(),
                "{share} for {probability}"
            );
        }
    }

    #[test]
    fn it_guesses_where_nothing_is_right() {
        let mut listener = Simulated::new(1.0, 3);
        let ones = (0..10_000).filter(|_| listener.choose(2, None) == 1).count();
        assert!((4_700..5_300).contains(&ones), "{ones}");
    }
}
