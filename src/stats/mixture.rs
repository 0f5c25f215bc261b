//! Some hear it and the others guess: which share of the listeners hears it, and in how many trials.
//!
//! Two kinds of listeners: a share of them hears the difference in a common proportion of trials and guesses in the others,
//! the rest always guesses. A mixture of two binomial distributions, one of them known (Everitt & Hand, Finite Mixture
//! Distributions, 1981). Limits come from the profile likelihood of the share, held against chi-squared with one degree
//! of freedom; where nobody can be told from a guesser they reach from 0 to 1, which is all that can be said.

use serde::Serialize;

use super::special::peak;
use super::tally::Tally;
use super::{StatsError, binomial, error};

/// The listeners who hear it.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Mixture {
    /// Best single value of the share of listeners who hear it.
    pub share: f64,
    /// Lower end of its 95 % interval.
    pub lower: f64,
    /// Upper end.
    pub upper: f64,
    /// Share of trials in which these hear it.
    pub heard: f64,
    /// Log-likelihood at the maximum, binomial coefficients included.
    pub ln_likelihood: f64,
}

/// The 95 % point of chi-squared with one degree of freedom (NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.6.7.4).
const CHI_SQUARED_95: f64 = 3.841_458_820_694_124;

struct Scores {
    /// Correct, trials, listeners, and the likelihood of a guesser.
    groups: Vec<(u64, u64, f64, f64)>,
    chance: f64,
}

impl Scores {
    fn value(&self, share: f64, heard: f64) -> f64 {
        let p = self.chance + (1.0 - self.chance) * heard;
        let of = |&(correct, trials, listeners, guesser): &(u64, u64, f64, f64)| {
            let hears = if share > 0.0 { binomial::mass(correct, trials, p) } else { 0.0 };
            listeners * (share * hears + (1.0 - share) * guesser).ln()
        };
        self.groups.iter().map(of).sum()
    }

    /// The proportion of trials heard that suits a share best, and its log-likelihood. There may be several peaks: each step
    /// of a twentieth is looked at.
    fn best_heard(&self, share: f64) -> (f64, f64) {
        let steps: Vec<f64> =
            (0..=20).map(|step| self.value(share, (f64::from(step) / 20.0).min(1.0 - 1e-12))).collect();
        let top = (0..steps.len()).max_by(|a, b| steps[*a].total_cmp(&steps[*b])).unwrap_or(0) as f64 / 20.0;
        highest((top - 0.05).max(0.0), (top + 0.05).min(1.0 - 1e-12), |heard| self.value(share, heard))
    }
}

/// Place and height of a peak between two ends, which may be at one of them.
fn highest(low: f64, high: f64, value: impl Fn(f64) -> f64) -> (f64, f64) {
    let ends = [low, high].map(|end| (end, value(end)));
    let inner = peak(low, high, 36, &value);
    ends.into_iter().chain([inner]).max_by(|a, b| a.1.total_cmp(&b.1)).unwrap_or(inner)
}

/// Fits scores of at least two listeners; `chance` is the guessing rate, above 0.
///
/// # Errors
/// Fewer than two listeners, impossible counts, a guessing rate outside 0..1.
pub fn fit(scores: &[Tally], chance: f64) -> Result<Mixture, StatsError> {
    error::inside("the chance level", chance, 0.0, 1.0)?;
    if scores.len() < 2 {
        return Err(StatsError::Other(
            "a share of listeners needs at least 2 of them, but there is 1".to_owned(),
        ));
    }
    let mut counted = std::collections::BTreeMap::new();
    for score in scores {
        error::counts(score.correct, score.trials)?;
        *counted.entry(*score).or_insert(0.0) += 1.0;
    }
    let group = |(Tally { trials, correct }, listeners)| {
        (correct, trials, listeners, binomial::mass(correct, trials, chance).max(f64::MIN_POSITIVE))
    };
    let likelihood = Scores { groups: counted.into_iter().map(group).collect(), chance };
    let profile = |share: f64| likelihood.best_heard(share).1;
    let top = (0..=50).map(|step| f64::from(step) / 50.0);
    let top = top.max_by(|a, b| profile(*a).total_cmp(&profile(*b))).unwrap_or(0.0);
    let (share, best) = highest((top - 0.02).max(0.0), (top + 0.02).min(1.0), profile);
    let excess = |share: f64| 2.0 * (best - profile(share)) - CHI_SQUARED_95;
    let end = |end: f64| {
        if excess(end) <= 0.0 {
            return end;
        }
        let (mut inner, mut outer) = (share, end);
        for _ in 0..30 {
            let middle = 0.5 * (inner + outer);
            if excess(middle) <= 0.0 { inner = middle } else { outer = middle }
        }
        0.5 * (inner + outer)
    };
    Ok(Mixture {
        share,
        lower: end(0.0),
        upper: end(1.0),
        heard: likelihood.best_heard(share).0,
        ln_likelihood: best,
    })
}
