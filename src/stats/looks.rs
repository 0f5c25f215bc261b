//! Looking at a panel before it is complete: a few looks that were agreed on beforehand share the error risk.
//!
//! Lan & DeMets, Discrete sequential boundaries for clinical trials, Biometrika 70 (1983) 659-663, with their spending
//! function of the O'Brien-Fleming kind: at the share t of the trials, 2 - 2 Phi(z / sqrt t) of the risk may be spent, z the
//! normal quantile of 1 - alpha/2. The scores needed are exact for counts, by recursion over the paths that go on
//! (Armitage, McPherson & Rowe, Journal of the Royal Statistical Society A 132 (1969) 235-244), so a guessing panel is found
//! with at most the agreed risk, all looks together.

use serde::Serialize;

use super::protocol::Inquiry;
use super::special::{normal, normal_quantile};
use super::{StatsError, binomial, error};

/// One look: what has to be reached there.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Look {
    /// Counted trials by then.
    pub trials: u64,
    /// Least number of right answers that ends it (two-sided: of answers for the side with more); nothing where no score can.
    pub critical: Option<u64>,
    /// Probability that guessers are found here or before.
    pub spent: f64,
}

/// Looks at growing numbers of trials.
#[derive(Debug, Clone)]
pub struct Looks {
    two_sided: bool,
    looks: Vec<Look>,
    /// Probability under guessing that a look is reached with each score, by look.
    reached: Vec<Vec<f64>>,
}

/// The risk that may be spent by a share of the trials.
pub fn spending(alpha: f64, share: f64) -> f64 {
    if share >= 1.0 {
        return alpha;
    }
    let z = normal_quantile(1.0 - alpha / 2.0);
    (2.0 * normal(-z / share.max(1e-12).sqrt())).min(alpha)
}

impl Looks {
    /// Looks after so many counted trials each, which are that share (0 to 1) of the planned ones.
    ///
    /// # Errors
    /// Trials that do not grow, a risk outside 0..1, more than a million trials.
    pub fn new(inquiry: impl Into<Inquiry>, after: &[(u64, f64)], alpha: f64) -> Result<Self, StatsError> {
        let inquiry = inquiry.into();
        error::inside("the error risk", alpha, 0.0, 1.0)?;
        if after.first().is_some_and(|first| first.0 == 0) || !after.is_sorted_by(|a, b| a.0 < b.0) {
            return Err(StatsError::Other("looks come after growing numbers of trials".to_owned()));
        }
        if after.last().is_some_and(|most| most.0 > 1_000_000) {
            return Err(StatsError::Other("looks are taken at up to a million trials".to_owned()));
        }
        let (chance, two_sided) = (inquiry.chance(), inquiry.two_sided());
        let mut found = Self { two_sided, looks: Vec::new(), reached: Vec::new() };
        let (mut going, mut before, mut spent) = (vec![1.0], 0, 0.0);
        for &(now, share) in after {
            let reached = convolved(&going, now - before, chance);
            let may = spending(alpha, share) - spent;
            let (critical, here) = found.least(&reached, may);
            spent += here;
            going.clone_from(&reached);
            for (score, mass) in going.iter_mut().enumerate() {
                if critical.is_some_and(|critical| found.strength(score as u64, now) >= critical) {
                    *mass = 0.0;
                }
            }
            found.looks.push(Look { trials: now, critical, spent });
            found.reached.push(reached);
            before = now;
        }
        Ok(found)
    }

    /// The looks.
    pub fn looks(&self) -> &[Look] {
        &self.looks
    }

    /// Whether a score ends it at a look.
    pub fn ends(&self, look: usize, correct: u64) -> bool {
        let Look { trials, critical, .. } = self.looks[look];
        critical.is_some_and(|critical| self.strength(correct, trials) >= critical)
    }

    /// Probability that guessers are found before a look, or reach it and do at least as well there: the order of stages
    /// (Armitage, Journal of the Royal Statistical Society B 19 (1957)).
    pub fn p_value(&self, look: usize, correct: u64) -> f64 {
        let trials = self.looks[look].trials;
        let before = if look == 0 { 0.0 } else { self.looks[look - 1].spent };
        let strength = self.strength(correct, trials);
        let tail: f64 = self.reached[look]
            .iter()
            .enumerate()
            .filter(|(score, _)| self.strength(*score as u64, trials) >= strength)
            .map(|(_, mass)| mass)
            .sum();
        (before + tail).min(1.0)
    }

    /// Probability of an end at each look for listeners who are right in this proportion of trials (two-sided: who favour one
    /// side so often).
    pub fn ending(&self, proportion: f64) -> Vec<f64> {
        let (mut going, mut before) = (vec![1.0], 0);
        let mut ends = Vec::with_capacity(self.looks.len());
        for (number, look) in self.looks.iter().enumerate() {
            going = convolved(&going, look.trials - before, proportion);
            let mut end = 0.0;
            for (score, mass) in going.iter_mut().enumerate() {
                if self.ends(number, score as u64) {
                    end += std::mem::take(mass);
                }
            }
            ends.push(end);
            before = look.trials;
        }
        ends
    }

    fn strength(&self, correct: u64, trials: u64) -> u64 {
        if self.two_sided { correct.max(trials - correct) } else { correct }
    }

    /// The weakest score whose tail may still be spent, and its tail.
    fn least(&self, reached: &[f64], may: f64) -> (Option<u64>, f64) {
        let trials = reached.len() as u64 - 1;
        let (mut tail, mut critical, mut spent) = (0.0, None, 0.0);
        let weakest = if self.two_sided { trials.div_ceil(2) } else { 0 };
        for score in (weakest..=trials).rev() {
            tail += reached[score as usize];
            if self.two_sided && trials - score != score {
                tail += reached[(trials - score) as usize];
            }
            if !binomial::at_most(tail, may) {
                break;
            }
            (critical, spent) = (Some(score), tail);
        }
        (critical, spent)
    }
}

/// The distribution of a score after `more` trials of guessing.
fn convolved(from: &[f64], more: u64, chance: f64) -> Vec<f64> {
    let step: Vec<f64> = (0..=more).map(|k| binomial::mass(k, more, chance)).collect();
    let mut to = vec![0.0; from.len() + more as usize];
    for (score, mass) in from.iter().enumerate().filter(|(_, mass)| **mass > 0.0) {
        for (k, probability) in step.iter().enumerate() {
            to[score + k] += mass * probability;
        }
    }
    to
}
