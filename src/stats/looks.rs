//! Looking at a panel before it is complete: a few looks that were agreed on beforehand share the error risk.
//!
//! Lan & DeMets, Discrete sequential boundaries for clinical trials, Biometrika 70 (1983) 659-663, with their spending
//! function of the O'Brien-Fleming kind: at the share t of the trials, 2 - 2 Phi(z / sqrt t) of the risk may be spent, z the
//! normal quantile of 1 - alpha/2. The scores needed are exact for counts, by recursion over the paths that go on
//! (Armitage, McPherson & Rowe, Journal of the Royal Statistical Society A 132 (1969) 235-244), so a guessing panel is found
//! with at most the agreed risk, all looks together.

use serde::Serialize;

use super::interval::Interval;
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

/// What a score at a look says of the proportion of counted answers, the looks included.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LookLimits {
    /// Two-sided.
    pub interval: Interval,
    /// One-sided lower limit.
    pub lower: f64,
    /// One-sided upper limit.
    pub upper: f64,
    /// Probabilities that guessers come at least as far up, and at least as far down.
    pub tails: (f64, f64),
}

/// Most trials of which [`Looks::limits`] are computed: each takes some hundred recursions over all scores.
pub const MOST_TRIALS_OF_LIMITS: u64 = 5_000;
/// Halvings of the range in which a limit lies.
const BISECTIONS: usize = 50;

/// Looks at growing numbers of trials.
#[derive(Debug, Clone)]
pub struct Looks {
    two_sided: bool,
    chance: f64,
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
        let mut found = Self { two_sided, chance, looks: Vec::new(), reached: Vec::new() };
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

    /// Which proportions agree with ending at a look with this score, or with coming to the last one: the ends are ordered stage
    /// by stage, each limit is where so far an end has half of what is left of `level` (Jennison & Turnbull, Technometrics 25
    /// (1983) 49-58, for binomial tests in stages; the same order as the p-value's). With one look these are the exact limits of
    /// Clopper and Pearson. Two-sided tests end at either side; there the order is that of the share, from low to high.
    ///
    /// # Errors
    /// A level outside 0..1, more than [`MOST_TRIALS_OF_LIMITS`] trials.
    pub fn limits(&self, look: usize, correct: u64, level: f64) -> Result<LookLimits, StatsError> {
        error::inside("the confidence level", level, 0.0, 1.0)?;
        if self.looks[look].trials > MOST_TRIALS_OF_LIMITS {
            return Err(StatsError::Other(format!(
                "limits after looks are computed up to {MOST_TRIALS_OF_LIMITS} trials"
            )));
        }
        let risk = 1.0 - level;
        let lowest = |tail: f64| bisected(|p| self.tails(look, correct, p).0 >= tail);
        let highest = |tail: f64| bisected(|p| self.tails(look, correct, p).1 < tail);
        Ok(LookLimits {
            interval: Interval { level, lower: lowest(risk / 2.0), upper: highest(risk / 2.0) },
            lower: lowest(risk),
            upper: highest(risk),
            tails: self.tails(look, correct, self.chance),
        })
    }

    /// Probabilities of coming at least as far up, and at least as far down, as this score at this look.
    fn tails(&self, look: usize, correct: u64, proportion: f64) -> (f64, f64) {
        let (mut going, mut before) = (vec![1.0], 0);
        // Ended earlier, above and below.
        let (mut above, mut below) = (0.0, 0.0);
        for (number, at) in self.looks[..=look].iter().enumerate() {
            going = convolved(&going, at.trials - before, proportion);
            before = at.trials;
            if number == look {
                break;
            }
            for (score, mass) in going.iter_mut().enumerate() {
                if self.ends(number, score as u64) {
                    let high = !self.two_sided || 2 * score as u64 > at.trials;
                    *(if high { &mut above } else { &mut below }) += std::mem::take(mass);
                }
            }
        }
        let score = correct as usize;
        let (under, here, over): (f64, f64, f64) =
            (going[..score].iter().sum(), going[score], going[score + 1..].iter().sum());
        let ended = self.ends(look, correct) && look + 1 < self.looks.len();
        // After an early end whatever would have gone on lies on the other side of it.
        if ended && self.two_sided && 2 * correct < before {
            let down = below + under + here;
            ((1.0 - below - under).clamp(0.0, 1.0), down.min(1.0))
        } else if ended {
            let up = above + here + over;
            (up.min(1.0), (1.0 - above - over).clamp(0.0, 1.0))
        } else {
            ((above + here + over).min(1.0), (below + under + here).min(1.0))
        }
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

/// Where something that is false below and true above begins to be true.
fn bisected(holds: impl Fn(f64) -> bool) -> f64 {
    if holds(0.0) {
        return 0.0;
    }
    if !holds(1.0) {
        return 1.0;
    }
    let (mut low, mut high) = (0.0, 1.0);
    for _ in 0..BISECTIONS {
        let middle = f64::midpoint(low, high);
        if holds(middle) { high = middle } else { low = middle }
    }
    f64::midpoint(low, high)
}
