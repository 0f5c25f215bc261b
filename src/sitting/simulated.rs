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
use crate::stats::special::beta_quantile;
use crate::trial::{Stage, Step, TrialView};
use crate::units::printed::rounded;

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

/// What a simulated listener is able to do besides telling comparisons apart.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Ability {
    /// Probability of a right answer to a control that should be heard; as to comparisons without one.
    pub controls: Option<f64>,
    /// Probability of an answer that has nothing to do with what is heard.
    pub lapse: f64,
}

impl Ability {
    /// The probability of a right answer to the attempt that is on, lapses left aside.
    pub fn probability(&self, comparisons: f64, control: bool) -> f64 {
        self.controls.filter(|_| control).unwrap_or(comparisons)
    }
}

/// A panel of simulated listeners: their probabilities of a right answer scatter like a beta distribution's about the mean
/// share of trials heard, with over-dispersion `spread` from 0 (alike) to 1 (always or never), rounded to thousandths.
pub fn panel(mean: f64, chance: f64, spread: f64, listeners: u32, seed: u64) -> Vec<f64> {
    let mut random = StdRng::seed_from_u64(seed);
    let heard = ((mean - chance) / (1.0 - chance)).clamp(0.0, 1.0);
    let draw = |uniform: f64| {
        if spread <= 0.0 || heard <= 0.0 || heard >= 1.0 || mean < chance {
            return mean;
        }
        let share = if spread >= 1.0 {
            f64::from(u8::from(uniform < heard))
        } else {
            let sum = 1.0 / spread - 1.0;
            beta_quantile(heard * sum, (1.0 - heard) * sum, uniform.clamp(1e-9, 1.0 - 1e-9))
        };
        chance + (1.0 - chance) * share
    };
    (0..listeners).map(|_| rounded(draw(random.random::<f64>()), 3)).collect()
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

    /// Whether the answer that comes next, if one does, is a lapse.
    pub(super) fn lapses(&mut self, rate: f64, stage: &Stage) -> bool {
        let answers = matches!(stage, Stage::Trial(trial) if matches!(trial.step, Step::Listen | Step::Voting)
            && (trial.step == Step::Voting || !self.still_listens(trial)));
        answers && rate > 0.0 && self.random.random_bool(rate)
    }

    /// Something was not presented yet: a slot, or where real cables come in rounds the first of them.
    fn still_listens(&self, trial: &TrialView) -> bool {
        match &trial.round {
            Some(round) => round.number == 1,
            None => self.heard < trial.slots.len(),
        }
    }

    fn in_trial(&mut self, trial: &TrialView, right: Option<usize>) -> Intent {
        match trial.step {
            Step::Listen if self.still_listens(trial) => {
                self.heard += 1;
                Intent::Listen((self.heard - 1) % trial.slots.len())
            }
            Step::Listen | Step::Voting => {
                self.heard = 0;
                Intent::Choose(self.choose(trial.alternatives.len(), right))
            }
            Step::Confirm => Intent::Confirm,
            Step::Confidence => Intent::Confidence(3),
        }
    }

    /// The vote of a guest of a night. Of what the guest hears at the largest size this share is left, beside the chance of a
    /// guesser.
    pub fn vote(
        &mut self,
        alternatives: usize,
        right: Option<usize>,
        control: bool,
        (share, chance): (f64, f64),
        ability: &Ability,
    ) -> usize {
        let lapse = ability.lapse > 0.0 && self.random.random_bool(ability.lapse);
        let own = self.probability;
        let able = ability.probability(own, control);
        self.probability = (chance + (able - chance) * share).clamp(0.0, 1.0);
        let choice = self.choose(alternatives, right.filter(|_| !lapse));
        self.probability = own;
        choice
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
    fn a_panel_scatters_as_it_was_told() {
        // Variance of the beta distribution: m (1 - m) times the over-dispersion; chance takes half of the scale.
        let panel = panel(0.7, 0.5, 0.25, 4000, 3);
        let mean = panel.iter().sum::<f64>() / 4000.0;
        let variance = panel.iter().map(|own| (own - mean).powi(2)).sum::<f64>() / 4000.0;
        assert!((mean - 0.7).abs() < 0.01, "{mean}");
        assert!((variance / (0.25 * 0.4 * 0.6 * 0.25) - 1.0).abs() < 0.1, "{variance}");
        let ability = Ability { controls: Some(0.9), lapse: 0.0 };
        assert_eq!((ability.probability(0.6, true), ability.probability(0.6, false)), (0.9, 0.6));
        let mut listener = Simulated::new(1.0, 5);
        let guesses = (0..4000).filter(|_| listener.choose(3, None) == 1).count();
        assert!((1200..1470).contains(&guesses), "a lapse is a guess: {guesses}");
    }

    #[test]
    fn it_guesses_where_nothing_is_right() {
        let mut listener = Simulated::new(1.0, 3);
        let ones = (0..10_000).filter(|_| listener.choose(2, None) == 1).count();
        assert!((4_700..5_300).contains(&ones), "{ones}");
    }
}
