//! Wald's sequential probability ratio test: may we stop now?
//!
//! Wald, Sequential Analysis, 1947; for sensory tests ISO 16820. The lines come from Wald's approximation; the risks and
//! the length that they really give, with a largest number of trials too, are computed exactly by recursion over the
//! path ([`SequentialTest::exact`]).

use serde::Serialize;

use super::interval::{self, Interval};
use super::protocol::Inquiry;
use super::{MOST_TRIALS, StatsError, error};

/// What a sequential test says after a trial.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Decision {
    /// Neither line is crossed: another trial.
    Continue,
    /// The upper line is crossed: better than guessing.
    Difference,
    /// The lower line is crossed: not as good as the proportion that the test looks for.
    NoDifference,
    /// The largest number of trials is reached without a decision.
    Undecided,
}

/// A sequential test of "guessing" against "right with probability `proportion`".
///
/// A two-sided test is two mirrored tests at half of `alpha`; a preference is found when either crosses its upper
/// line, none is found when both have crossed their lower one.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SequentialTest {
    /// Risk of "a difference" for a guesser, as wanted.
    pub alpha: f64,
    /// Risk of "no difference" for a listener at `proportion`, as wanted.
    pub beta: f64,
    /// Proportion right of a guesser.
    pub chance: f64,
    /// Proportion right that the test looks for.
    pub proportion: f64,
    /// Largest number of trials.
    pub most_trials: u64,
    two_sided: bool,
    right: f64,
    wrong: f64,
    upper: f64,
    lower: f64,
}

/// What a sequential test really does for listeners with a certain proportion right.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Exact {
    /// Proportion right that this is computed for.
    pub proportion: f64,
    /// Probability of "a difference".
    pub difference: f64,
    /// Probability of "no difference".
    pub no_difference: f64,
    /// Probability that the largest number of trials is reached without a decision.
    pub undecided: f64,
    /// Mean number of trials.
    pub expected_trials: f64,
}

/// How a sequential test ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct End {
    decision: Decision,
    correct: u64,
    trials: u64,
}

impl End {
    /// Place in the order of stages, from the strongest sign of no difference to the strongest sign of one: the lower line,
    /// the earlier the lower; then undecided ends by their score; then the upper line, the earlier the higher.
    fn rank(self) -> (u8, i64, u64) {
        let trials = self.trials as i64;
        match self.decision {
            Decision::NoDifference => (0, trials, self.correct),
            Decision::Continue | Decision::Undecided => (1, 0, self.correct),
            Decision::Difference => (2, -trials, self.correct),
        }
    }
}

/// Most trials of a test whose risks and limits are computed exactly wherever a sitting is judged: the work grows with the
/// trials, and nobody sits through more.
pub const MOST_EXACT: u64 = 2000;

/// Halvings of 0..1 in the search for a limit: to a precision of 1e-12, far below what any surface shows.
const BISECTIONS: u32 = 40;

impl SequentialTest {
    /// A test for a protocol.
    ///
    /// # Errors
    /// Risks outside 0..1 or together 1 or more; a proportion not between chance and 1; no trials.
    pub fn new(
        inquiry: impl Into<Inquiry>,
        alpha: f64,
        beta: f64,
        proportion: f64,
        most_trials: u64,
    ) -> Result<Self, StatsError> {
        let inquiry = inquiry.into();
        Self::between(inquiry.chance(), proportion, alpha, beta, most_trials, inquiry.two_sided())
    }

    /// A test between any two proportions, `chance` < `proportion`.
    ///
    /// # Errors
    /// As [`SequentialTest::new`].
    pub fn between(
        chance: f64,
        proportion: f64,
        alpha: f64,
        beta: f64,
        most_trials: u64,
        two_sided: bool,
    ) -> Result<Self, StatsError> {
        error::inside("alpha", alpha, 0.0, 1.0)?;
        error::inside("beta", beta, 0.0, 1.0)?;
        error::inside("the sum of alpha and beta", alpha + beta, 0.0, 1.0)?;
        error::inside("the chance level", chance, 0.0, 1.0)?;
        error::inside("the proportion right that the sequential test looks for", proportion, chance, 1.0)?;
        if most_trials == 0 {
            return Err(StatsError::NoTrials);
        }
        if most_trials > MOST_TRIALS {
            return Err(StatsError::TooMany { trials: most_trials });
        }
        let one_side = if two_sided { alpha / 2.0 } else { alpha };
        Ok(Self {
            alpha,
            beta,
            chance,
            proportion,
            most_trials,
            two_sided,
            right: (proportion / chance).ln(),
            wrong: ((1.0 - proportion) / (1.0 - chance)).ln(),
            upper: ((1.0 - beta) / one_side).ln(),
            lower: (beta / (1.0 - one_side)).ln(),
        })
    }

    /// Rise of both lines per trial, in right answers.
    pub fn slope(&self) -> f64 {
        -self.wrong / (self.right - self.wrong)
    }

    /// Intercepts of the lower and the upper line, in right answers.
    pub fn intercepts(&self) -> (f64, f64) {
        (self.lower / (self.right - self.wrong), self.upper / (self.right - self.wrong))
    }

    /// ln of the likelihood ratio, "right with probability `proportion`" over "guessing".
    pub fn ln_ratio(&self, correct: u64, trials: u64) -> f64 {
        correct as f64 * self.right + (trials.saturating_sub(correct)) as f64 * self.wrong
    }

    /// Whether the upper line (1), the lower line (-1) or none (0) is crossed; a hair of rounding does not keep a score
    /// that lies on a line from crossing it.
    fn side(&self, correct: u64, trials: u64) -> i32 {
        let ratio = self.ln_ratio(correct, trials);
        if ratio >= self.upper - 1e-12 {
            1
        } else if ratio <= self.lower + 1e-12 {
            -1
        } else {
            0
        }
    }

    /// The decision after `trials` trials with `correct` right (two-sided: for side B).
    pub fn decision(&self, correct: u64, trials: u64) -> Decision {
        if trials == 0 {
            return Decision::Continue;
        }
        let first = self.side(correct, trials);
        let found = if self.two_sided {
            let second = self.side(trials.saturating_sub(correct), trials);
            if first == 1 || second == 1 {
                1
            } else if first == -1 && second == -1 {
                -1
            } else {
                0
            }
        } else {
            first
        };
        match found {
            1 => Decision::Difference,
            -1 => Decision::NoDifference,
            _ if trials >= self.most_trials => Decision::Undecided,
            _ => Decision::Continue,
        }
    }

    /// After this many trials: the largest score that means "no difference" and the smallest that means "a difference",
    /// nothing where no score of 0..=trials does.
    pub fn boundaries(&self, trials: u64) -> (Option<u64>, Option<u64>) {
        // Start near the real-valued lines and walk to the exact whole numbers; two-sided tests mirror at one half.
        let middle = if self.two_sided { trials as f64 / 2.0 } else { 0.0 };
        let (low, high) = self.intercepts();
        let start = (trials as f64 * self.slope() + high).ceil().max(middle) - 2.0;
        let mut reject = start.max(middle).ceil() as u64;
        while reject <= trials && self.decision(reject, trials) != Decision::Difference {
            reject += 1;
        }
        let start = (trials as f64 * self.slope() + low).floor() + 2.0;
        let accept = if start < 0.0 {
            None
        } else {
            let mut accept = (start as u64).min(trials) as i64;
            while accept >= 0 && self.decision(accept as u64, trials) != Decision::NoDifference {
                accept -= 1;
            }
            u64::try_from(accept).ok()
        };
        (accept, (reject <= trials).then_some(reject))
    }

    /// Exact risks and length for listeners who are right with probability `proportion`, by recursion over the number of
    /// right answers among the paths that are still undecided. Work grows with `most_trials` times the width between
    /// the lines.
    ///
    /// # Errors
    /// A proportion outside 0..=1; more than 100,000 trials.
    pub fn exact(&self, proportion: f64) -> Result<Exact, StatsError> {
        if !(0.0..=1.0).contains(&proportion) {
            return Err(StatsError::Outside {
                what: "the proportion right",
                value: proportion,
                above: 0.0,
                below: 1.0,
            });
        }
        let (mut difference, mut no_difference, mut undecided, mut expected) = (0.0, 0.0, 0.0, 0.0);
        self.walk(proportion, |end, weight| {
            match end.decision {
                Decision::Difference => difference += weight,
                Decision::NoDifference => no_difference += weight,
                Decision::Undecided | Decision::Continue => undecided += weight,
            }
            expected += weight * end.trials as f64;
        })?;
        Ok(Exact { proportion, difference, no_difference, undecided, expected_trials: expected })
    }

    /// Calls `visit` with every way in which the test can end and its probability, by recursion over the number of right
    /// answers among the paths that are still undecided.
    fn walk(&self, proportion: f64, mut visit: impl FnMut(End, f64)) -> Result<(), StatsError> {
        if self.most_trials > 100_000 {
            return Err(StatsError::Other(format!(
                "a sequential test of up to {} trials is too long for exact risks: at most 100000",
                self.most_trials
            )));
        }
        // Probabilities of the scores first..first+len that are still undecided.
        let mut first = 0_u64;
        let mut open = vec![1.0_f64];
        for trials in 1..=self.most_trials {
            let mut next = vec![0.0; open.len() + 1];
            for (index, weight) in open.iter().enumerate() {
                next[index] += weight * (1.0 - proportion);
                next[index + 1] += weight * proportion;
            }
            let mut kept_from = None;
            let mut kept_to = 0;
            for (index, weight) in next.iter_mut().enumerate() {
                let correct = first + index as u64;
                let decision = self.decision(correct, trials);
                if decision == Decision::Continue {
                    kept_from.get_or_insert(index);
                    kept_to = index + 1;
                } else {
                    visit(End { decision, correct, trials }, *weight);
                    *weight = 0.0;
                }
            }
            let Some(from) = kept_from else { break };
            open = next[from..kept_to].to_vec();
            first += from as u64;
        }
        Ok(())
    }

    /// Whether any score can reach the upper line: with too few trials not even a listener who is always right does.
    pub fn can_find(&self) -> bool {
        (1..=self.most_trials).any(|trials| self.decision(trials, trials) == Decision::Difference)
    }

    /// Probability that a listener with this proportion right ends at least as far up as `end`, in the order of stages
    /// ([`End::rank`]). It grows with the proportion.
    fn at_least(&self, end: End, proportion: f64) -> Result<f64, StatsError> {
        let mut sum = 0.0;
        self.walk(proportion, |other, weight| {
            if other.rank() >= end.rank() {
                sum += weight;
            }
        })?;
        Ok(sum.min(1.0))
    }

    /// Probability that a listener with this proportion right ends at most as far up as `end`.
    fn at_most_as_far(&self, end: End, proportion: f64) -> Result<f64, StatsError> {
        let mut sum = 0.0;
        self.walk(proportion, |other, weight| {
            if other.rank() <= end.rank() {
                sum += weight;
            }
        })?;
        Ok(sum.min(1.0))
    }

    /// How the test ended, if it ended with this score.
    fn end(&self, correct: u64, trials: u64) -> Result<End, StatsError> {
        error::counts(correct, trials)?;
        if self.two_sided {
            return Err(StatsError::Other(
                "intervals after a sequential test are computed for one-sided tests only".to_string(),
            ));
        }
        match self.decision(correct, trials) {
            Decision::Continue => Err(StatsError::Other(format!(
                "{correct} of {trials} right crosses no line of the sequential test, so nothing has ended there"
            ))),
            decision => Ok(End { decision, correct, trials }),
        }
    }

    /// Probabilities that a guesser ends at least as far up, and at least as far down, as this.
    ///
    /// # Errors
    /// The score crosses no line, or the test is two-sided.
    pub fn p_values(&self, correct: u64, trials: u64) -> Result<(f64, f64), StatsError> {
        let end = self.end(correct, trials)?;
        Ok((self.at_least(end, self.chance)?, self.at_most_as_far(end, self.chance)?))
    }

    /// Which proportions right agree with ending at this score, the stopping rule included: two-sided, by ordering the
    /// ends stage by stage (Armitage 1957, Biometrika 44:9-26; Jennison & Turnbull 2000, Group Sequential Methods, 8.5;
    /// from memory, held by exact coverage). Its coverage is at least its level whatever the proportion; an interval that
    /// takes the number of trials as fixed does not have that.
    ///
    /// # Errors
    /// The score crosses no line, or the test is two-sided; a level outside 0..1.
    pub fn interval(&self, correct: u64, trials: u64, level: f64) -> Result<Interval, StatsError> {
        error::inside("the confidence level", level, 0.0, 1.0)?;
        let end = self.end(correct, trials)?;
        let tail = (1.0 - level) / 2.0;
        Ok(Interval { level, lower: self.lower_limit(end, tail)?, upper: self.upper_limit(end, tail)? })
    }

    /// One-sided upper limit of the proportion right at `level`, as [`SequentialTest::interval`].
    ///
    /// # Errors
    /// As [`SequentialTest::interval`].
    pub fn at_most(&self, correct: u64, trials: u64, level: f64) -> Result<f64, StatsError> {
        error::inside("the confidence level", level, 0.0, 1.0)?;
        self.upper_limit(self.end(correct, trials)?, 1.0 - level)
    }

    /// One-sided lower limit of the proportion right at `level`, as [`SequentialTest::interval`].
    ///
    /// # Errors
    /// As [`SequentialTest::interval`].
    pub fn at_least_right(&self, correct: u64, trials: u64, level: f64) -> Result<f64, StatsError> {
        error::inside("the confidence level", level, 0.0, 1.0)?;
        self.lower_limit(self.end(correct, trials)?, 1.0 - level)
    }

    /// The proportion at which so high an end has probability `tail`; 0 where the lowest end of all was reached.
    fn lower_limit(&self, end: End, tail: f64) -> Result<f64, StatsError> {
        if self.at_least(end, 0.0)? > tail {
            return Ok(0.0);
        }
        let (mut low, mut high) = (0.0, 1.0);
        for _ in 0..BISECTIONS {
            let middle = f64::midpoint(low, high);
            if self.at_least(end, middle)? < tail { low = middle } else { high = middle }
        }
        Ok(low)
    }

    /// The proportion at which so low an end has probability `tail`; 1 where the highest end of all was reached.
    fn upper_limit(&self, end: End, tail: f64) -> Result<f64, StatsError> {
        if self.at_most_as_far(end, 1.0)? > tail {
            return Ok(1.0);
        }
        let (mut low, mut high) = (0.0, 1.0);
        for _ in 0..BISECTIONS {
            let middle = f64::midpoint(low, high);
            if self.at_most_as_far(end, middle)? > tail { low = middle } else { high = middle }
        }
        Ok(high)
    }

    /// Several listeners under the same rule, of whom it found `found`: the proportion right that, if all of them had
    /// it, agrees with that number; two-sided, by the exact binomial interval of the chance of being found, carried through
    /// that chance, which grows with the proportion. With it the two one-sided limits at the same level.
    ///
    /// # Errors
    /// No listeners, more found than there are, a level outside 0..1, more than 100,000 trials.
    pub fn interval_of_found(
        &self,
        found: u64,
        listeners: u64,
        level: f64,
    ) -> Result<(Interval, f64, f64), StatsError> {
        let exact = interval::clopper_pearson(found, listeners, level)?;
        let (lower, upper) = (
            interval::lower_limit(found, listeners, level)?,
            interval::upper_limit(found, listeners, level)?,
        );
        Ok((
            Interval {
                level,
                lower: self.right_when_found(exact.lower)?,
                upper: self.right_when_found(exact.upper)?,
            },
            self.right_when_found(lower)?,
            self.right_when_found(upper)?,
        ))
    }

    /// The proportion right of a listener who is found with this probability.
    fn right_when_found(&self, probability: f64) -> Result<f64, StatsError> {
        let (mut low, mut high) = (0.0, 1.0);
        if probability <= 0.0 || probability >= 1.0 {
            return Ok(probability);
        }
        for _ in 0..BISECTIONS {
            let middle = f64::midpoint(low, high);
            if self.exact(middle)?.difference < probability { low = middle } else { high = middle }
        }
        Ok(f64::midpoint(low, high))
    }
}
